"""After the dig, ``geoleak found``, ``report`` and ``record``; many sites, ``geoleak batch``."""

import os
import uuid
from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import (
    WRITING,
    FoldersArgument,
    JsonOption,
    OutOption,
    SiteArgument,
    TablesOption,
    command,
    counted,
    flag,
    option,
    print_json,
    print_lines,
    progress,
)
from geoleak.record import replace


@command("Locate every site below some folders.", "batch sample_sites --out all_sites")
def batch(
    folders: FoldersArgument,
    out: Annotated[Path, option("Where all of it is written.", "OUT")],
    workers: Annotated[int | None, option("Processes; as many as cores if absent.", min=1)] = None,
    scheduler: Annotated[
        str | None, option("Workers of a dask.distributed scheduler.", "ADDRESS")
    ] = None,
    resume: Annotated[
        bool, flag("--resume", "Leave out sites done before and unchanged since.")
    ] = False,
    summary_only: Annotated[
        bool, flag("--summary-only", "Write no folder a site, only what sums up.")
    ] = False,
    also: Annotated[
        list[str] | None,
        option("Write this too; may be repeated.", "parquet|kml|gpx|dxf|landxml"),
    ] = None,
    tables: TablesOption = None,
    json: JsonOption = False,
) -> None:
    """Locate every site below some folders and sum up: batch.csv, batch.gpkg and index.html.

    A folder a site is written as locate writes it. A site that fails is a row with its complaint;
    the exit code is then 1. Ctrl-C lets running sites end; --resume goes on from there.
    """
    from geoleak.batch import run as work
    from geoleak.readers import read_tables

    extra = set(also or ())
    options = work.Options(
        out.absolute(),
        summary_only=summary_only,
        also=tuple(sorted(extra - {"parquet"})),
        tables=read_tables(tables) if tables else None,
    )
    sites = work.find_sites(folders, out=out)
    before = work.finished_before(options.out) if resume else {}
    rows = {s.name: before[s.name] for s in sites if work.unchanged(s, before.get(s.name), options)}
    todo = [site for site in sites if site.name not in rows]
    with (
        counted("sites", len(todo)) as count,
        work.pool_of(workers=workers or os.cpu_count() or 1, scheduler=scheduler) as pool,
    ):

        def tell(row: work.Row) -> None:
            rows[row["site"]] = row
            count()

        whole = work.run(todo, pool, options, tell=tell)
    written = work.write_summary(list(rows.values()), options.out, parquet="parquet" in extra)
    failed = [row for row in rows.values() if row["status"] == "failed"]
    tally = Counter(sorted(row["verdict"] for row in rows.values() if row["verdict"]))
    if json:
        said = {"sites": len(sites), "done": len(rows), "failed": len(failed), "verdicts": tally}
        print_json({**said, "stopped": not whole, "out": str(out)})
    else:
        each = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in tally.items())
        done = f"{len(rows)} of {len(sites)} sites: {each or 'none answered'}"
        told = [f"{done}; {len(failed)} failed"]
        told += [f"failed {row['site']}: {row['message']}" for row in failed[:MOST_FAILED]]
        if len(failed) > MOST_FAILED:
            told.append(f"and {len(failed) - MOST_FAILED} more failed, in batch.csv")
        told.append(f"written to {out}: " + ", ".join(path.name for path in written))
        told += [] if whole else ["stopped; the same command with --resume does the rest"]
        print_lines(told)
    if failed or not whole:
        raise typer.Exit(130 if not whole else 1)


@command(
    "Where the leak was, or that the hole was dry.",
    'found sample_sites/alder_court --outcome leak --place "yard@41.9"',
)
def found(
    site: SiteArgument,
    outcome: Annotated[str, option("What the hole showed.", "leak|dry")] = "",
    place: Annotated[str, option("Where the leak was: 107, yard@41.5, ...", "TEXT")] = "",
    depth: Annotated[str, option("Depth to the top of the pipe: 3.1 ft.", "TEXT")] = "",
    cause: Annotated[str, option("Corrosion, joint, root, strike, ...", "TEXT")] = "",
    start: Annotated[str, option("Where a dry hole begins.", "TEXT", "--from")] = "",
    finish: Annotated[str, option("Where a dry hole ends.", "TEXT", "--to")] = "",
    pipe_exposed: Annotated[str, option("Was the pipe seen?", "yes|no")] = "",
    date: Annotated[str, option("Day of the hole: 2026-05-06.", "TEXT")] = "",
    note: Annotated[str, option("Anything else.", "TEXT")] = "",
    recompute: Annotated[
        bool, flag("--recompute", "Promise by the folder as it is, without out/.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Hold what was found against what was promised; write closeout.json into the site.

    Options add a row to found.csv; without them its rows are taken as they stand. The promise is
    that of out/result.json. After a dry hole the next answer is printed.
    """
    from geoleak.closeout import found as work
    from geoleak.closeout.record import read_entries, read_json
    from geoleak.errors import SiteDataError
    from geoleak.export.told import lines as spoken
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


@command("A report for the customer: PDF and HTML.", "report sample_sites/alder_court")
def report(
    site: SiteArgument,
    out: OutOption = None,
    keep_position: Annotated[
        bool, flag("--keep-position", "Leave in photos where they were taken.")
    ] = False,
    json: JsonOption = False,
) -> None:
    """Write report.pdf and report.html: what was tested, found, dug and proven, in plain words."""
    from geoleak.closeout import found as work
    from geoleak.closeout.record import read_entries
    from geoleak.pipeline import locate, read_site, survey_site
    from geoleak.reports.customer import CustomerReport
    from geoleak.result import dug_features

    with progress("working out the report"):
        read = read_site(site)
        entries = read_entries(site)
        # Pictured as it stood when the hole was dug: with what was found, no place is in doubt.
        result = locate(work.as_dug(read) if entries else read)
        if entries:
            dug = dug_features(survey_site(read), result.leak.leg, result.leak.chainage_m)
            result = replace(result, features=(*result.features, *dug))
        made = CustomerReport(read, result, entries, keep_position=keep_position)
        written = made.write(out or site / "out")
    if json:
        sections = [{"head": each.head, "said": list(each.said)} for each in made.sections]
        print_json({"title": made.title, "sections": sections, "files": [p.name for p in written]})
        return
    print_lines(["written: " + ", ".join(str(path) for path in written)])


@command("Promises against outcomes over many sites.", "record sample_sites")
def record(
    folders: FoldersArgument,
    page: Annotated[Path | None, option("Write the record with pictures.", "FILE.html")] = None,
    learn: Annotated[Path | None, option("Write what sites teach.", "FILE.toml")] = None,
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


# So many failed sites are named in the terminal; the page and batch.csv have all of them.
MOST_FAILED = 10
