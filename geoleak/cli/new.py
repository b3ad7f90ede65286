"""``geoleak new``: the first minute of a newcomer."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import WRITING, JsonOption, app

UnitOption = Annotated[
    str | None,
    typer.Option(
        "--unit", metavar="m|ft|ftUS", help="Unit of lengths: ft 0.3048 m, ftUS 1200/3937."
    ),
]


@app.command(
    short_help="Start a site folder from a rover's point file.",
    epilog="Example: geoleak new points.csv yard --crs EPSG:6543 --unit ftUS --marks WL",
)
def new(
    points: Annotated[Path, typer.Argument(metavar="POINTS.csv", help="The rover's point file.")],
    folder: Annotated[
        Path | None,
        typer.Argument(metavar="[SITE]", help="The folder to write; by the file's name."),
    ] = None,
    crs: Annotated[
        str | None,
        typer.Option("--crs", help='CRS of the coordinates, such as EPSG:6543, or "local".'),
    ] = None,
    near: Annotated[
        str | None,
        typer.Option(
            "--near", metavar="PLACE", help="A state, country or LAT,LON to offer CRSs for."
        ),
    ] = None,
    unit: UnitOption = None,
    layout: Annotated[
        str | None,
        typer.Option(
            "--layout", metavar="pnezd|penzd", help="Column order of a file without header."
        ),
    ] = None,
    marks: Annotated[
        list[str] | None,
        typer.Option(
            "--marks", metavar="CODE", help="Code of the marks of a leg; may be repeated."
        ),
    ] = None,
    numbers: Annotated[
        str | None,
        typer.Option("--numbers", metavar="101-148", help="Marks by point number, without a code."),
    ] = None,
    fittings: Annotated[
        list[str] | None,
        typer.Option("--fittings", metavar="CODE", help="Code of fittings; may be repeated."),
    ] = None,
    features: Annotated[
        list[str] | None,
        typer.Option("--features", metavar="CODE", help="Code of fixed features; may be repeated."),
    ] = None,
    depth: Annotated[
        str | None, typer.Option("--depth", metavar='"3 ft"', help="Depth of the pipe's centre.")
    ] = None,
    title: Annotated[str, typer.Option("--title", help="Title of the job.")] = "",
    json: JsonOption = False,
) -> None:
    """Start a site folder from a rover's point file.

    Shows what the file holds, asks for what it does not tell (unit, CRS, what the codes mean) and
    writes site.toml, readings.csv with a row for each mark and a listening sheet to print. Without
    a terminal, or with --json, nothing is asked: what is missing must stand in the options.
    """
    from geoleak.cli.new_questions import Answers, settle
    from geoleak.cli.say import print_json, print_lines
    from geoleak.new.write import write_site

    given = Answers(
        crs=crs,
        near=near,
        unit=unit,
        layout=layout,
        marks=tuple(marks or ()),
        numbers=numbers,
        fittings=tuple(fittings or ()),
        features=tuple(features or ()),
        depth=depth,
        title=title,
    )
    target = folder if folder is not None else points.parent / points.stem
    settled = settle(points, target, given, ask=sys.stdin.isatty() and not json)
    with WRITING.to(target):
        written = write_site(target, settled.site)
    if json:
        print_json(settled.to_dict(target, written))
        return
    print_lines(
        [
            *settled.said,
            f"written to {target}: " + ", ".join(path.name for path in written),
            f"fill in readings.csv, then: geoleak check {target}",
        ]
    )
