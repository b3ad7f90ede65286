"""What a worker does: locate a chunk of sites, write their files, keep a line for each."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import socket
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from geoleak.batch.sites import SiteFolder, key_of
from geoleak.errors import GeoleakError
from geoleak.tables.learned import Tables

JOURNAL = "journal"
# Each worker computes on one core: more threads of one library would fight the other workers.
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")


@dataclass(frozen=True, slots=True)
class Options:
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
