"""``geoleak found``, ``report`` and ``record``: after the dig."""

from __future__ import annotations

import uuid
from pathlib import Path
from typing import Annotated

from geoleak.cli.app import (
    WRITING,
    FoldersArgument,
    JsonOption,
    OutOption,
    SiteArgument,
    app,
    option,
)
from geoleak.cli.say import counted, print_json, print_lines, progress
from geoleak.record import replace


@app.command(
    short_help="Where the leak was, or that the hole was dry.",
    epilog='Example: geoleak found sample_sites/alder_court --outcome leak --place "yard@41.9"',
)
def found(
    site: SiteArgument,
    outcome: Annotated[str | None, option("--outcome", "What the hole showed.", "leak|dry")] = None,
    place: Annotated[
        str | None, option("--place", "Where the leak was: 107, yard@41.5, ...", "TEXT")
    ] = None,
    depth: Annotated[
        str | None, option("--depth", "Depth to the top of the pipe: 3.1 ft.", "TEXT")
    ] = None,
    cause: Annotated[
        str | None, option("--cause", "Corrosion, joint, root, strike, ...", "TEXT")
    ] = None,
    start: Annotated[str | None, option("--from", "Where a dry hole begins.", "TEXT")] = None,
    finish: Annotated[str | None, option("--to", "Where a dry hole ends.", "TEXT")] = None,
    pipe_exposed: Annotated[
        str | None, option("--pipe-exposed", "Was the pipe seen?", "yes|no")
    ] = None,
    date: Annotated[str | None, option("--date", "Day of the hole: 2026-05-06.", "TEXT")] = None,
    note: Annotated[str | None, option("--note", "Anything else.", "TEXT")] = None,
    recompute: Annotated[
        bool, option("--recompute", "Promise by the folder as it is, without out/.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Hold what was found against what was promised; write closeout.json into the site.

    Options add a row to found.csv; without them its rows are taken as they stand. The promise is
    that of out/result.json. After a dry hole the next answer is printed.
    """
    from geoleak.closeout import found as work
    from geoleak.closeout.outcome import read_entries, read_json
    from geoleak.errors import SiteDataError
    from geoleak.export.spoken import lines as spoken
    from geoleak.pipeline import locate
    from geoleak.readers import read_site
    from geoleak.serve.book import Book

    given = {"outcome": outcome, "place": place, "depth": depth, "cause": cause, "from": start,
             "to": finish, "pipe_exposed": pipe_exposed, "date": date, "note": note}  # fmt: skip
    row = {name: cell for name, cell in given.items() if cell}
    promised = site / "out" / "result.json"
    if not promised.is_file() and not recompute:
        raise SiteDataError(
            f"{promised}: there is no promise to hold it against; --recompute takes the folder's "
            "answer as it would have been"
        )
    book, entry = Book(site), str(uuid.uuid4())
    instead = {work.SHEET: book.draft(work.SHEET, entry, row).data} if row else None
    with progress("reading the site"):
        read = read_site(site, instead=instead)
        if not read.found:
            raise SiteDataError("found.csv holds no row; say --outcome leak --place PLACE, or dry")
        result = locate(work.as_dug(read)).to_dict() if recompute else read_json(promised)
        entries, notes = work.close_out(read, result, read_entries(site))
    if row:
        book.add(work.SHEET, entry, row)
    path = work.write_entries(site, entries)
    if json:
        print_json(entries)
        return
    for each in entries:
        print_lines(work.entry_lines(each, unit=read.length_unit))
    print_lines([f"warning: {each.text}" for each in notes])
    if entries[-1]["outcome"] == "dry":
        with progress("working out where to go from here"):
            answer = locate(read)
        print_lines(["", *spoken(answer)])
    print_lines(["", f"written to {path}"])


@app.command(
    short_help="A report for the customer: PDF and HTML.",
    epilog="Example: geoleak report sample_sites/alder_court",
)
def report(
    site: SiteArgument,
    out: OutOption = None,
    keep_position: Annotated[
        bool, option("--keep-position", "Leave in photos where they were taken.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Write report.pdf and report.html: what was tested, found, dug and proven, in plain words."""
    from geoleak.closeout import found as work
    from geoleak.closeout.outcome import read_entries
    from geoleak.pipeline import locate, read_site, survey_site
    from geoleak.reports.customer import customer_report, write_report
    from geoleak.result import dug_features

    with progress("working out the report"):
        read = read_site(site)
        entries = read_entries(site)
        # Pictured as it stood when the hole was dug: with what was found, no place is in doubt.
        result = locate(work.as_dug(read) if entries else read)
        if entries:
            dug = dug_features(survey_site(read), result.leak.leg, result.leak.chainage_m)
            result = replace(result, features=(*result.features, *dug))
        made = customer_report(read, result, entries, keep_position=keep_position)
        written = write_report(made, out or site / "out")
    if json:
        sections = [{"head": each.head, "said": list(each.said)} for each in made.sections]
        print_json({"title": made.title, "sections": sections, "files": [p.name for p in written]})
        return
    print_lines(["written: " + ", ".join(str(path) for path in written)])


@app.command(
    short_help="Promises against outcomes over many sites.",
    epilog="Example: geoleak record sample_sites",
)
def record(
    folders: FoldersArgument,
    page: Annotated[
        Path | None, option("--page", "Write the record with pictures.", "FILE.html")
    ] = None,
    learn: Annotated[Path | None, option("--learn", "Write what sites teach.", "FILE.toml")] = None,
    json: JsonOption = False,
) -> None:
    """Say how often the promises of closed-out sites were kept.

    --page draws it. --learn works every closed-out site out again with the leak's place known and
    writes learned values for `[tables] file` or --tables; some tenths of a second a site.
    """
    from geoleak.closeout.record import closed_sites, record_lines, summary

    sites = closed_sites(folders)
    found = summary(sites)
    said = []
    if page is not None:
        from geoleak.reports.record import write_page

        with WRITING.to(page):
            said.append(f"drawn to {write_page(found, page)}")
    if learn is not None:
        from geoleak.closeout.learning import learn_from, write_learned

        closed = [site.folder for site in sites if site.leak is not None]
        with counted("sites", len(closed)) as count:
            learned, shipped, left = learn_from(closed, tell=count)
        with WRITING.to(learn):
            write_learned(learned, shipped, learn)
        said += [f"left out: {each}" for each in left]
        said.append(f"{len(learned.rows)} values learned on {learned.sites} sites: {learn}")
    if json:
        print_json(found)
    else:
        print_lines(record_lines(found) + said)
