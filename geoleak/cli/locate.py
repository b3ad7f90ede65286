"""``geoleak locate``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import JsonOption, SiteArgument, app


@app.command(
    short_help="The main job: say where to dig; write stake and map.",
    epilog="Example: geoleak locate sample_sites/alder_court",
)
def locate(
    site: SiteArgument,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where to write; SITE/out if absent."),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Replace a folder that holds other files too.")
    ] = False,
    also: Annotated[
        list[str] | None,
        typer.Option(
            "--also", metavar="kml|gpx|dxf|landxml", help="Write this file too; may be repeated."
        ),
    ] = None,
    street_tiles: Annotated[
        bool,
        typer.Option("--street-tiles", help="Let map.html fetch street tiles when it is opened."),
    ] = False,
    json: JsonOption = False,
) -> None:
    """Say where to dig, or what to listen to next, and write the stake and the map.

    Writes result.json, leak.geojson, map.html, stakes.csv, site.gpkg and dig_sheet.pdf, all of
    them or none.
    """
    import datetime

    from geoleak import pipeline
    from geoleak.cli.say import out as print_lines
    from geoleak.cli.say import out_json, progress
    from geoleak.export.spoken import lines

    folder = out if out is not None else site / "out"
    with progress("reading the site"):
        read = pipeline.read_site(site)
    with progress("working out where the leak is"):
        result = pipeline.locate(read, now=datetime.datetime.now())
    with progress("writing"):
        written = result.write(folder, force=force, also=also or (), street_tiles=street_tiles)
    if json:
        out_json(result.to_dict())
        return
    print_lines(lines(result))
    print_lines(["", f"written to {folder}: " + ", ".join(path.name for path in written)])
