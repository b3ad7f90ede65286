"""The sites below some folders, and what a worker does: locate some, keep a line for each."""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import os
import signal
import socket
import threading
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from geoleak import __version__
from geoleak.errors import Complaint, GeoleakError, InputError, Origin
from geoleak.record import Record
from geoleak.tables.learned import Tables

JOURNAL = "journal"
SITE_FILE = "site.toml"
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
    """Return a hash of all that an answer depends on: inputs, version, tables, options.

    Every file of the folder counts but those in ``out`` and hidden ones.
    """
    whole = hashlib.sha256(f"{__version__}\n{options}\n".encode())
    for here, folders, files in os.walk(folder):
        folders[:] = sorted(f for f in folders if f != "out" and not f.startswith("."))
        for name in sorted(files):
            path = Path(here) / name
            if name.startswith(".") or not path.is_file():
                continue
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
    import numpy  # noqa: F401
    import pyproj  # noqa: F401
    import shapely  # noqa: F401

    import geoleak.posterior
    import geoleak.readers
    import geoleak.result
    import geoleak.survey  # noqa: F401


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
        "leg": leak.leg,
        "chainage_m": leak.chainage_m,
        "easting": leak.position.easting,
        "northing": leak.position.northing,
        "crs": leak.position.crs,
        "message": "; ".join([*crossing, *map(words.told, result.decision.reasons)]),
        "lon": lonlat[0],
        "lat": lonlat[1],
        "length_unit": result.site.length_unit,
        "key": key,
    }


def failed(name: str, message: str, *, key: str = "") -> dict[str, Any]:
    """Return the row of a site that gave no answer."""
    nothing = dict.fromkeys(
        ("verdict", "chance_in_hole", "leg", "chainage_m", "easting", "northing", "crs")
    )
    return {
        "site": name, "status": "failed", **nothing, "message": " ".join(message.split()),
        "lon": None, "lat": None, "key": key,
    }  # fmt: skip
