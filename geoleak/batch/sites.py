"""The sites below some folders, each with a name of its own and a key of all it was made from."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from geoleak.errors import Complaint, InputError, Origin
from geoleak.version import __version__

SITE_FILE = "site.toml"


@dataclass(frozen=True, slots=True)
class SiteFolder:
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
