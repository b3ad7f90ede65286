"""``geoleak locate``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import JsonOption, SiteArgument, app


@app.command(epilog="Example: geoleak locate sample_sites/alder_court")
def locate(
    site: SiteArgument,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Where to write; SITE/out if absent."),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Replace a folder that holds other files too.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Say where to dig, or what to listen to next, and write the stake and the map.

    Writes result.json, leak.geojson, map.html and stakes.csv, all of them or none.
    """
    import datetime

    from geoleak import pipeline
    from geoleak.cli.say import json_text, progress
    from geoleak.cli.say import out as print_lines
    from geoleak.export.spoken import lines

    folder = out if out is not None else site / "out"
    with progress("reading the site"):
        read = pipeline.read_site(site)
    with progress("working out where the leak is"):
        result = pipeline.locate(read, now=datetime.datetime.now())
    with progress("writing"):
        written = result.write(folder, force=force)
    if json:
        print_lines([json_text(result.to_dict())])
        return
    print_lines(lines(result))
    print_lines(["", f"written to {folder}: " + ", ".join(path.name for path in written)])
