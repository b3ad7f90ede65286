"""``geoleak new``: the first minute of a newcomer."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import (
    WRITING,
    JsonOption,
    argument,
    command,
    flag,
    option,
    print_json,
    print_lines,
)


@command(
    "Start a site folder from a rover's point file.",
    "new points.csv yard --crs EPSG:6543 --unit ftUS --marks WL",
)
def new(
    points: Annotated[
        Path, argument('The rover\'s point file; "tapes" where there is no rover.', "POINTS.csv")
    ],
    folder: Annotated[
        Path | None, argument("The folder to write; by the file's name.", "[SITE]")
    ] = None,
    crs: Annotated[str, option('CRS of the coordinates, such as EPSG:6543, or "local".')] = "",
    near: Annotated[
        str, option("A city, state, country or LAT,LON to offer CRSs for.", "PLACE")
    ] = "",
    unit: Annotated[str, option("Unit of lengths: ft 0.3048 m, ftUS 1200/3937.", "m|ft|ftUS")] = "",
    layout: Annotated[str, option("Column order of a file without header.", "pnezd|penzd")] = "",
    marks: Annotated[
        list[str] | None, option("Code of the marks of a leg; may be repeated.", "CODE")
    ] = None,
    numbers: Annotated[str, option("Marks by point number, without a code.", "101-148")] = "",
    fittings: Annotated[
        list[str] | None, option("Code of fittings; may be repeated.", "CODE")
    ] = None,
    features: Annotated[
        list[str] | None, option("Code of fixed features; may be repeated.", "CODE")
    ] = None,
    columns: Annotated[
        list[str] | None,
        option(
            "What a heading means: id=Stake of the points, Mark=place of the readings.",
            "A=B",
        ),
    ] = None,
    readings: Annotated[
        Path | None, option("Readings taken already, any headings.", "FILE")
    ] = None,
    level_limits: Annotated[str, option("What the meter shows at least and at most.", "0,99")] = "",
    depth: Annotated[str, option("Depth of the pipe's centre.", '"3 ft"')] = "",
    material: Annotated[str, option("What the pipe is made of.", "NAME")] = "",
    size: Annotated[
        str, option("Nominal size, of a material such as pvc sch 40.", '"3/4 in"')
    ] = "",
    outside: Annotated[str, option("Outside diameter of the pipe.", '"1.315 in"')] = "",
    title: Annotated[str, option("Title of the job.", "TEXT")] = "",
    resume: Annotated[
        bool, flag("--resume", "Take up the answers kept when it last failed.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Start a site folder from a rover's point file.

    Shows what the file holds, asks for what it does not tell (place, unit, what the codes mean, the
    pipe) and writes site.toml, readings.csv with a row for each mark and a listening sheet to
    print. Without a terminal, or with --json, nothing is asked: what is missing must stand in the
    options.
    """
    from geoleak.errors import GeoleakError
    from geoleak.new import questions
    from geoleak.new.write import NewSite, parted_columns, write_site
    from geoleak.readers import read_site

    def ask(question: str, default: str) -> str:
        return str(typer.prompt(question, default=default, show_default=bool(default)))

    asking = sys.stdin.isatty() and not json
    person = questions.Person(ask, print_lines) if asking else None
    if points.as_posix() == "tapes" and not points.exists():
        target = folder if folder is not None else Path("taped")
        site, tapes = questions.taped(target, unit, title, person)
        with WRITING.to(target):
            written = write_site(target, Path("points.csv"), site, tapes=tapes)
        print_lines([f"written to {target}: " + ", ".join(path.name for path in written)])
        return
    point_columns, headings = parted_columns(columns or (), points)
    known = NewSite(
        crs=crs,
        near=near,
        unit=unit,
        layout=layout,
        columns=point_columns,
        marks=tuple(marks or ()),
        numbers=numbers,
        fittings=tuple(fittings or ()),
        features=tuple(features or ()),
        depth=depth,
        material=material,
        size=size,
        outside_diameter=outside,
        title=title,
        headings=headings,
        level_limits=level_limits,
    )
    target = folder if folder is not None else points.parent / points.stem
    of_readings: list[str] = []
    kept = target.parent / f"{target.name}.answers.json"
    if resume:
        known = questions.resumed(known, kept)
        known = questions.again(known, person) if person else known
    guess = questions.understood(points, known, person)
    said = questions.shown(guess)
    known = questions.stated_by_file(known, guess)
    if person:
        person.say(*said)
        said = []
        known = questions.questioned(known, guess, person)
    try:
        site = questions.completed(points, target, known, guess)
        with WRITING.to(target):
            written = write_site(target, points, site, readings=readings, say=of_readings.extend)
    except GeoleakError:
        if person:
            questions.keep(known, kept)
            print_lines([f"the answers are kept: geoleak new {points} {target} --resume"])
        raise
    if resume:
        kept.unlink(missing_ok=True)
    if json:
        print_json(questions.as_dict(site, guess, target, written))
        return
    print_lines(
        [
            *said,
            f"written to {target}: " + ", ".join(path.name for path in written),
            *questions.place_lines(read_site(target)),
            *of_readings,
            f"fill in readings.csv, then: geoleak check {target}",
        ]
    )
