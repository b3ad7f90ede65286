"""``geoleak delay``: two recordings to a delay."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import JsonOption, app


@app.command(
    short_help="Two recordings to a delay.",
    epilog="Example: geoleak delay hydrant.wav valve.wav --band 200 1200",
)
def delay(
    first: Annotated[
        str,
        typer.Argument(
            metavar="FIRST",
            help='WAV at the first sensor ("pair.wav#2": its second channel), or '
            "a site folder: every row of its delays.csv that names recordings.",
        ),
    ],
    second: Annotated[
        str | None, typer.Argument(metavar="[SECOND]", help="WAV at the second sensor.")
    ] = None,
    band: Annotated[
        tuple[float, float] | None,
        typer.Option("--band", metavar="LOW HIGH", help="Look only in this band, in hertz."),
    ] = None,
    longest_ms: Annotated[
        float, typer.Option("--longest-ms", help="Longest delay that the pipe allows.")
    ] = 1000.0,
    json: JsonOption = False,
) -> None:
    """Time the leak between two sensors: arrival at FIRST minus arrival at SECOND.

    Negative: the leak is nearer FIRST. Where no delay stands out of the noise, it says so and
    gives no number.
    """
    from geoleak import pipeline
    from geoleak.cli.say import bar, out, out_json
    from geoleak.reports.sound import delay_report, site_delay_report

    if second is None and Path(first).suffix.partition("#")[0].casefold() == ".wav":
        raise typer.BadParameter("one recording makes no delay: name the second sensor's as well")
    longest_s = longest_ms / 1000.0
    with bar("timing") as tell:
        if second is None:
            site = pipeline.read_site(Path(first))
            report = site_delay_report(site, band_hz=band, longest_s=longest_s, progress=tell)
        else:
            report = delay_report(first, second, band_hz=band, longest_s=longest_s, progress=tell)
    if json:
        out_json(report.to_dict())
    else:
        out(report.lines())
