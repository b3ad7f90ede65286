"""``geoleak listen``: recordings to levels, and the band that tells the leak best."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import JsonOption, SiteArgument, app


@app.command(
    short_help="Recordings to levels, and the band to listen in.",
    epilog="Example: geoleak listen sample_sites/quarry_road --picture band.svg",
)
def listen(
    site: SiteArgument,
    with_leak: Annotated[
        str | None,
        typer.Option("--with-leak", metavar="READING", help="Reading that holds the leak."),
    ] = None,
    without: Annotated[
        str | None,
        typer.Option("--without", metavar="READING", help="Reading to compare it with."),
    ] = None,
    band: Annotated[
        tuple[float, float] | None,
        typer.Option("--band", metavar="LOW HIGH", help="Measure in this band, in hertz."),
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", metavar="FILE.svg", help="Draw both spectra.")
    ] = None,
    json: JsonOption = False,
) -> None:
    """Measure the recordings of readings.csv in one band and name the band to listen in.

    Without --with-leak and --without the loudest and the quietest recording are compared. With no
    two recordings to compare, the starting band for the pipe's material is named.
    """
    from geoleak import pipeline
    from geoleak.cli.say import bar, out, out_json, progress
    from geoleak.reports.sound import check_picture, listen_report

    if picture is not None:
        check_picture(picture)
    with progress("reading the site"):
        read = pipeline.read_site(site)
    with bar("listening") as tell:
        report = listen_report(
            read, with_leak=with_leak, without=without, band_hz=band, progress=tell
        )
    if picture is not None:
        report.draw(picture)
    if json:
        out_json(report.to_dict())
    else:
        out(report.lines())
    if picture is not None and not json:
        out([f"drawn to {picture}"])
