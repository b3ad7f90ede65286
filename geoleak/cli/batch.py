"""``geoleak batch``: every site below some folders."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.app import FoldersArgument, JsonOption, TablesOption, app, option

# So many failed sites are named in the terminal; the page and batch.csv have all of them.
MOST_FAILED = 10


@app.command(
    short_help="Locate every site below some folders.",
    epilog="Example: geoleak batch sample_sites --out all_sites",
)
def batch(
    folders: FoldersArgument,
    out: Annotated[Path, option("--out", "Where all of it is written.", "OUT")],
    workers: Annotated[
        int | None, option("--workers", "Processes; as many as cores if absent.", min=1)
    ] = None,
    scheduler: Annotated[
        str | None, option("--scheduler", "Workers of a dask.distributed scheduler.", "ADDRESS")
    ] = None,
    resume: Annotated[
        bool, option("--resume", "Leave out sites done before and unchanged since.")
    ] = False,
    summary_only: Annotated[
        bool, option("--summary-only", "Write no folder a site, only what sums up.")
    ] = False,
    also: Annotated[
        list[str] | None,
        option("--also", "Write this too; may be repeated.", "parquet|kml|gpx|dxf|landxml"),
    ] = None,
    tables: TablesOption = None,
    json: JsonOption = False,
) -> None:
    """Locate every site below some folders and sum up: batch.csv, batch.gpkg and index.html.

    A folder a site is written as locate writes it. A site that fails is a row with its complaint;
    the exit code is then 1. Ctrl-C lets running sites end; --resume goes on from there.
    """
    from geoleak.batch.run import Row, finished_before, pool_of, run, unchanged
    from geoleak.batch.summary import write_summary
    from geoleak.batch.work import Options, find_sites
    from geoleak.cli.say import counted, print_json, print_lines
    from geoleak.readers import read_tables

    extra = set(also or ())
    options = Options(
        out.absolute(),
        summary_only=summary_only,
        also=tuple(sorted(extra - {"parquet"})),
        tables=read_tables(tables) if tables else None,
    )
    sites = find_sites(folders, out=out)
    before = finished_before(options.out) if resume else {}
    rows = {s.name: before[s.name] for s in sites if unchanged(s, before.get(s.name), options)}
    todo = [site for site in sites if site.name not in rows]
    with (
        counted("sites", len(todo)) as count,
        pool_of(workers=workers or os.cpu_count() or 1, scheduler=scheduler) as pool,
    ):

        def tell(row: Row) -> None:
            rows[row["site"]] = row
            count()

        whole = run(todo, pool, options, tell=tell)
    written = write_summary(list(rows.values()), options.out, parquet="parquet" in extra)
    failed = sum(row["status"] == "failed" for row in rows.values())
    verdicts = [row["verdict"] for row in rows.values() if row["verdict"]]
    tally = {name: verdicts.count(name) for name in sorted(set(verdicts))}
    if json:
        said = {"sites": len(sites), "done": len(rows), "failed": failed, "verdicts": tally}
        print_json({**said, "stopped": not whole, "out": str(out)})
    else:
        each = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in tally.items())
        print_lines(
            [f"{len(rows)} of {len(sites)} sites: {each or 'none answered'}; {failed} failed"]
        )
        missed = [row for row in rows.values() if row["status"] == "failed"]
        print_lines(f"failed {row['site']}: {row['message']}" for row in missed[:MOST_FAILED])
        if failed > MOST_FAILED:
            print_lines([f"and {failed - MOST_FAILED} more failed, in batch.csv"])
        print_lines([f"written to {out}: " + ", ".join(path.name for path in written)])
        if not whole:
            print_lines(["stopped; the same command with --resume does the rest"])
    if failed or not whole:
        raise typer.Exit(130 if not whole else 1)
