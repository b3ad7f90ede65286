"""Sites below some folders: chunks of them to workers, rows as they come, nothing done ever lost.

A worker keeps a line for each site it has located; a run that was killed goes on from those. What
it leaves beside the sites' own folders is a table, a layer of points, and one page.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import multiprocessing
import os
import signal
import socket
import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from geoleak import __version__
from geoleak.errors import Complaint, GeoleakError, InputError, Origin
from geoleak.export.folder import beside, files_of, put_text
from geoleak.record import Record, picked
from geoleak.tables.learned import Tables
from geoleak.units import format_length

Row = dict[str, Any]
Tell = Callable[[Row], None]

JOURNAL = "journal"
SITE_FILE = "site.toml"
LOCATING = ("posterior", "readers", "result", "survey")
# Each worker computes on one core: more threads of one library would fight the other workers.
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


class SiteFolder(Record):
    """A folder that holds a site; ``name`` is its path below the folder that was named."""

    name: str
    folder: Path


def find_sites(folders: Iterable[Path], *, out: Path) -> list[SiteFolder]:
    """Return every site below some folders, by name.

    Parameters
    ----------
    folders : iterable of Path
        A site folder itself goes by its own name.
    out : Path
        Left out of the search, so that a run never takes its own output for sites.

    Raises
    ------
    InputError
        For a folder without sites, and for two sites of one name.
    """
    found: dict[str, Path] = {}
    wrong = []
    for top in folders:
        if not top.is_dir():
            wrong.append(Complaint(Origin(str(top)), "is no folder", "name folders of sites"))
            continue
        below = _below(top, out.resolve())
        if not below:
            wrong.append(
                Complaint(Origin(str(top)), f"no {SITE_FILE} in it or below it", "name another")
            )
        for folder in below:
            name = folder.relative_to(top).as_posix() if folder != top else top.resolve().name
            if found.setdefault(name, folder).resolve() != folder.resolve():
                what = f'two sites are called "{name}": here and {found[name]}'
                wrong.append(Complaint(Origin(str(folder)), what, "run them apart, or rename one"))
    if wrong:
        raise InputError(wrong)
    return [SiteFolder(name, found[name]) for name in sorted(found)]


def _below(top: Path, out: Path) -> list[Path]:
    """Return site folders, top first; inside a site there are no further sites."""
    sites = []
    for here, folders, files in os.walk(top):
        path = Path(here)
        if path.resolve() == out:
            folders.clear()
        elif SITE_FILE in files:
            sites.append(path)
            folders.clear()
        folders.sort()
    return sites


def key_of(folder: Path, *, options: str) -> str:
    """Return a hash of all that an answer depends on: inputs, version, tables, options."""
    whole = hashlib.sha256(f"{__version__}\n{options}\n".encode())
    for path in filter(Path.is_file, files_of(folder)):
        whole.update(path.relative_to(folder).as_posix().encode())
        with path.open("rb") as stream:
            whole.update(hashlib.file_digest(stream, "sha256").digest())
    return whole.hexdigest()


class Options(Record):
    """What a run does with each site; ``out`` is absolute."""

    out: Path
    summary_only: bool = False
    also: tuple[str, ...] = ()
    tables: Tables | None = None

    @property
    def text(self) -> str:
        """What of the options an answer depends on."""
        learned = self.tables.sha256 if self.tables else ""
        return f"{self.summary_only} {' '.join(self.also)} {learned}"


def start_worker() -> None:
    """Load the libraries once; a stop asked for at the keyboard is the parent's to handle."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    os.environ.update(ONE_THREAD)
    for name in ("pyproj", "shapely", *(f"geoleak.{room}" for room in LOCATING)):
        importlib.import_module(name)


def _end_with_parent() -> None:
    """End this worker once its parent is gone: a killed one tells nobody that no more will come."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os.kill(os.getpid(), signal.SIGTERM)


def locate_chunk(sites: Sequence[SiteFolder], options: Options) -> list[dict[str, Any]]:
    """Locate sites one after the other and return their rows.

    Each row is also a line of this worker's journal below ``options.out``, written before the next
    site is begun: what a killed run had finished, a resumed one takes from there. Running a chunk
    twice gives the same files and rows.
    """
    journal = options.out / JOURNAL / f"{socket.gethostname()}-{os.getpid()}.jsonl"
    rows = []
    with journal.open("a", encoding="utf-8") as stream:
        for site in sites:
            row = locate_one(site, options)
            stream.write(json.dumps(row) + "\n")
            stream.flush()
            rows.append(row)
    return rows


def locate_one(site: SiteFolder, options: Options) -> dict[str, Any]:
    """Return the row of one site; what goes wrong with it is in the row."""
    from geoleak.export import words
    from geoleak.pipeline import locate, read_site

    key = key_of(site.folder, options=options.text)
    try:
        result = locate(read_site(site.folder, tables=options.tables))
        if not options.summary_only:
            result.write(options.out / site.name, also=options.also)
    except GeoleakError as error:
        lines = error.lines()
        more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
        return failed(site.name, lines[0].replace(f"{site.folder}{os.sep}", "") + more, key=key)
    except Exception as error:  # one site's failure is never the run's end
        return failed(site.name, f"unexpected {type(error).__name__}: {error}", key=key)
    leak = result.leak
    crossing = [f"{each.name} in the hole" for each in result.services if each.in_hole]
    lonlat = leak.lonlat or (None, None)
    return {
        "site": site.name,
        "status": "ok",
        "verdict": result.stands,
        "chance_in_hole": result.decision.chance_in_hole,
        **picked(leak, "leg", "chainage_m"),
        **picked(leak.position, "easting", "northing", "crs"),
        "message": "; ".join([*crossing, *map(words.told, result.decision.reasons)]),
        "lon": lonlat[0],
        "lat": lonlat[1],
        "length_unit": result.site.length_unit,
        "key": key,
    }


def failed(name: str, message: str, *, key: str = "") -> dict[str, Any]:
    """Return the row of a site that gave no answer."""
    said = {"site": name, "status": "failed", "message": " ".join(message.split()), "key": key}
    return dict.fromkeys((*COLUMNS, "lon", "lat")) | said


# Sites sent to a worker at a time: enough that sending costs nothing beside 0.1 s a site, few
# enough that the last worker is not waited for long.
CHUNK = 8
# Chunks a worker has waiting, so that it is never idle and the parent never holds the whole list.
WAITING = 3
# A site that its worker died over is given one more; then it is named.
TRIES = 2


class Processes:
    """What runs chunks: spawned processes of this machine. A dead one is replaced."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._pool: Executor | None = None

    def opened(self) -> Executor:
        """Return a new pool."""
        # Before a child starts: a library reads it when it is loaded.
        os.environ.update(ONE_THREAD)
        spawn = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.workers, mp_context=spawn, initializer=start_worker)

    def submit(self, sites: Sequence[SiteFolder], options: Options) -> Future[list[Row]]:
        """Send a chunk to the pool, to a new pool where a worker's death broke the last."""
        for _ in range(2):
            self._pool = self._pool or self.opened()
            try:
                return self._pool.submit(locate_chunk, sites, options)
            except BrokenProcessPool:
                self.close()
        raise GeoleakError("workers die as soon as they are started; try --workers 1")

    def close(self) -> None:
        """Let running chunks end and the processes go."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


class Cluster(Processes):
    """The workers of a dask.distributed scheduler, which see the same folders."""

    def __init__(self, address: str) -> None:
        try:
            from dask.distributed import Client
        except ImportError:
            raise GeoleakError(
                "--scheduler needs dask.distributed; install geoleak[cluster]"
            ) from None
        try:
            self._client = Client(address, timeout="20s")
        except (OSError, ValueError) as error:
            raise GeoleakError(
                f"--scheduler {address}: no scheduler answers there ({error}); say host:port"
            ) from None
        super().__init__(max(1, len(self._client.scheduler_info()["workers"])))

    def opened(self) -> Any:
        """Return the scheduler as a pool."""
        # Impure: a site tried again is another task, not the remembered failure.
        return self._client.get_executor(pure=False, retries=0)

    def close(self) -> None:
        """Leave the scheduler."""
        self._client.close()


def pool_of(*, workers: int, scheduler: str | None) -> closing[Processes]:
    """Return what runs the chunks, to be closed."""
    return closing(Cluster(scheduler) if scheduler else Processes(workers))


def run(sites: Sequence[SiteFolder], pool: Processes, options: Options, *, tell: Tell) -> bool:
    """Locate sites and give each row to `tell` as it comes.

    Parameters
    ----------
    sites : sequence of SiteFolder
    pool : Processes
    options : Options
    tell : callable
        Called with each row, once a site, in the order in which they are finished.

    Returns
    -------
    bool
        False where it was stopped at the keyboard: what was running is finished, the rest is not.
    """
    (options.out / JOURNAL).mkdir(parents=True, exist_ok=True)
    todo = [(list(sites[k : k + CHUNK]), 1) for k in range(0, len(sites), CHUNK)][::-1]
    waiting: dict[Any, tuple[list[SiteFolder], int]] = {}
    stopped = False
    while waiting or (todo and not stopped):
        try:
            while todo and not stopped and len(waiting) < pool.workers * WAITING:
                chunk, tries = todo.pop()
                waiting[pool.submit(chunk, options)] = (chunk, tries)
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                chunk, tries = waiting.pop(future)
                for row in _rows(future, chunk, tries, todo):
                    tell(row)
        except KeyboardInterrupt:
            stopped = True
            for future in [each for each in waiting if each.cancel()]:
                del waiting[future]
    return not stopped


def _rows(
    future: Any, chunk: list[SiteFolder], tries: int, todo: list[tuple[list[SiteFolder], int]]
) -> list[Row]:
    """Return the rows of a finished chunk; a dead worker's sites go back one by one."""
    try:
        return list(future.result())
    except KeyboardInterrupt:
        raise
    except Exception as error:  # a worker's death has another name on each kind of pool
        if len(chunk) == 1 and tries >= TRIES:
            what = f"the worker died over it, {TRIES} times ({type(error).__name__})"
            return [failed(chunk[0].name, what)]
        todo.extend(([site], tries + (len(chunk) == 1)) for site in reversed(chunk))
        return []


def finished_before(out: Path) -> dict[str, Row]:
    """Return the rows of earlier runs into a folder, by site; the last of a site counts.

    A line that a kill cut short is passed over.
    """
    rows: dict[str, Row] = {}
    for path in sorted((out / JOURNAL).glob("*.jsonl"), key=lambda path: path.stat().st_mtime_ns):
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            with suppress(ValueError, KeyError, TypeError):
                row = json.loads(line)
                rows[row["site"]] = row
    return rows


def unchanged(site: SiteFolder, row: Row | None, options: Options) -> bool:
    """Return whether an earlier row answers for a site as it is now, its files still there."""
    if row is None or row.get("status") != "ok":
        return False
    written = options.summary_only or (options.out / site.name / "result.json").is_file()
    return written and row.get("key") == key_of(site.folder, options=options.text)


COLUMNS = (
    "site", "status", "verdict", "chance_in_hole", "leg", "chainage_m",
    "easting", "northing", "crs", "message",
)  # fmt: skip
# What asks for somebody's attention first: a hole to dig, then a check, then failures to mend.
ORDER = {"dig": 0, "check_first": 1, "listen_on": 2, None: 3, "closed": 4}


def write_summary(rows: Sequence[Row], out: Path, *, parquet: bool = False) -> list[Path]:
    """Write batch.csv, batch.gpkg, index.html (and batch.parquet) and return their paths."""
    import geopandas as gpd
    import pandas as pd
    import shapely

    def first(row: Row) -> tuple[int, float, str]:
        return ORDER.get(row["verdict"], 3), -(row["chance_in_hole"] or 0.0), row["site"]

    rows = sorted(rows, key=first)
    places = [None if row["lon"] is None else shapely.Point(row["lon"], row["lat"]) for row in rows]
    frame = gpd.GeoDataFrame(rows, columns=list(COLUMNS), geometry=places, crs="EPSG:4326")
    table = pd.DataFrame(frame.drop(columns="geometry"))
    text = table.map(_cell).to_csv(index=False, lineterminator="\n")
    written = [put_text(out / "batch.csv", text), _page(rows, out), out / "batch.gpkg"]
    with beside(written[-1]) as (new,):
        frame.to_file(new, layer="sites", driver="GPKG", engine="pyogrio", geometry_type="Point")
    if parquet:
        written.append(out / "batch.parquet")
        try:
            with beside(written[-1]) as (new,):
                table.to_parquet(new, engine="pyarrow", index=False)
        except ImportError:
            raise GeoleakError("--also parquet needs pyarrow; install geoleak[parquet]") from None
    return written


def _cell(value: Any) -> Any:
    """Return a value that no spreadsheet runs as a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@\t" else value


def _where(row: Row) -> str:
    """Return leg and chainage in the site's own unit."""
    if row["leg"] is None:
        return ""
    return f"{row['leg']} {format_length(row['chainage_m'], unit=row.get('length_unit', 'm'))}"


def _page(rows: Sequence[Row], out: Path) -> Path:
    """Write one page: a table that shows thousands of rows, and a map of where they are."""
    from geoleak.export.documents import rendered
    from geoleak.export.map import asset, leaflet_css, leaflet_js

    shown = [
        [row["site"], row["verdict"] or "failed", row["chance_in_hole"], _where(row),
         row["message"], row["lon"], row["lat"],
         row["status"] == "ok" and (out / row["site"] / "map.html").is_file()]
        for row in rows
    ]  # fmt: skip
    page = rendered(
        "batch.html",
        leaflet_css=leaflet_css(),
        leaflet_js=leaflet_js(),
        script=asset("batch.js"),
        rows=shown,
    )
    return put_text(out / "index.html", page)
