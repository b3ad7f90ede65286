"""A folder of output, written whole or not at all.

Everything is made in a folder beside the wanted one and swapped in at the end, in one atomic step.
A folder that cannot be swapped (no such step on this system or disk, a mount, a parent that may not
be written, other people's files in it) is written in place under a plan that is undone where it was
not finished. Whatever a killed run left is restored or removed by the next.

A small list, ``.geoleak-files.json``, names what geoleak wrote with the SHA-256 of each file. A
folder that holds anything else, or one of those files changed by hand, is refused unless
``force``. A GeoPackage alone may differ, because a GIS that merely opens one rewrites its header
and may leave ``-wal``, ``-shm`` or ``.aux.xml`` files beside it. What another command wrote stays.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import glob
import hashlib
import importlib
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from geoleak.errors import Complaint, GeoleakError, InputError, Origin

if TYPE_CHECKING:
    from geoleak.result import Result

try:
    import fcntl
except ImportError:  # no such locks on this system: what is old enough counts as left behind
    fcntl = None  # type: ignore[assignment]

WRITERS = {
    "result.json": "json_files.write_json",
    "leak.geojson": "json_files.write_geojson",
    "map.html": "map.write_map",
    "stakes.csv": "stakes.write_stakes",
    "site.gpkg": "geopackage.write_geopackage",
    "dig_sheet.pdf": "sheet.write_dig_sheet",
}
"""What `locate` writes: file -> module of this room and the function that writes it."""
EXTRAS = {
    "kml": ("site.kml", "documents.write_kml"),
    "gpx": ("site.gpx", "documents.write_gpx"),
    "dxf": ("site.dxf", "dxf.write_dxf"),
    "landxml": ("site.xml", "documents.write_landxml"),
}
"""The same of files on request, by the word of ``also``."""
LIST_NAME = ".geoleak-files.json"
LEFT_BY_GIS = ("-wal", "-shm", "-journal", ".aux.xml")
OF_OTHER_COMMANDS = ("report.pdf", "report.html", "plan.html", "meter.json", "closeout.json")
"""Kept by `locate` even where no list names them."""
_MARK = ".geoleak-"
_PLAN, _REPLACED = ".plan.json", ".replaced"
_LEFT_BEHIND_S = 3600.0
_AT_FDCWD, _RENAME_EXCHANGE = -100, 2
Writer = Callable[[Path], object]


def write_all(
    result: Result, folder: Path, *, also: Iterable[str] = (), force: bool = False, **of_map: bool
) -> list[Path]:
    """Write every output of a result, as `Result.write` has it; `of_map` as in `write_map`."""
    asked = [also] if isinstance(also, str) else list(also)
    wrong = [f'"{each}" is no file geoleak writes' for each in asked if each not in EXTRAS]
    if wrong:
        remedy = f"say {', '.join(EXTRAS)}"
        raise InputError(Complaint(Origin("--also"), what, remedy) for what in wrong)
    bound = {}
    for name, by in (*WRITERS.items(), *(EXTRAS[each] for each in asked)):
        module, _, function = by.partition(".")
        writer = getattr(importlib.import_module(f"geoleak.export.{module}"), function)
        bound[name] = functools.partial(writer, result, **(of_map if name == "map.html" else {}))
    return write_folder(folder, bound, run=result.run.id, force=force)


def files_of(folder: Path) -> Iterator[Path]:
    """Give every file of a site folder, in order, but those in ``out`` and hidden ones."""
    for here, folders, names in os.walk(folder):
        folders[:] = sorted(each for each in folders if each != "out" and each[0] != ".")
        yield from (Path(here, name) for name in sorted(names) if name[0] != ".")


def put_text(path: Path, text: str) -> Path:
    """Write one file whole beside itself, to the disk, and put it in its place."""
    with beside(path) as (new,):
        new.write_text(text, encoding="utf-8")
    return path


def write_folder(
    folder: str | Path,
    writers: Mapping[str, Writer],
    *,
    run: str,
    force: bool = False,
) -> list[Path]:
    """Write files into a folder, all of them or none, in place of those of an earlier run.

    Parameters
    ----------
    folder : path
        Made where it does not exist.
    writers : mapping of file name to callable
        Each takes the path to write; None returned: there is no such file this time.
    run : str
        Id of the run, for the list.
    force : bool, default False
        Write into a folder that holds files geoleak did not write (they stay), and over outputs
        that were changed since.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If the folder is refused.
    GeoleakError
        If it cannot be written; the folder is then as it was.
    """
    wanted = Path(folder)
    try:
        # A path through the folder itself (`cd out; geoleak locate ..`) must not end half-way.
        target = Path(os.path.realpath(wanted))
        target.parent.mkdir(parents=True, exist_ok=True)
        place = _Place(target)
        with place.locked():
            place.tidy()
        foreign = foreign_files(target)
        if foreign and not force:
            raise _refused(wanted, foreign)
        if foreign or target.is_mount() or not os.access(target.parent, os.W_OK):
            place = _Place(target, inside=True)
        with place.made() as made:
            names = []
            for name, writer in writers.items():
                with _of_the_disk(name):
                    written = writer(made / name)
                if written is not None:
                    names.append(name)
                    sync(made / name)
            files = {name: _digest(made / name) for name in names}
            note = "Files that geoleak wrote here, with their SHA-256."
            text = json.dumps({"note": note, "run": run, "files": files}, indent=1)
            (made / LIST_NAME).write_text(text + "\n", encoding="utf-8")
            sync(made / LIST_NAME)
            with place.locked():
                if not place.inside and (foreign := foreign_files(target)):
                    raise _refused(wanted, foreign)  # somebody put it there meanwhile
                place.put(made, _listed(target))
    except OSError as error:
        raise GeoleakError(
            f"{wanted} could not be written ({error.strerror or error}): nothing was changed; "
            "name another folder with --out"
        ) from error
    return [wanted / name for name in names]


class _Place:
    """The wanted folder: swapped as a whole for one made beside it or, `inside`, written in place.

    In place is file by file under a plan that can be undone; a file that has a successor stands
    until that takes its place, where the disk knows links.
    """

    def __init__(self, target: Path, *, inside: bool = False) -> None:
        self.target, self.inside = target, inside
        self.home = target if inside else target.parent
        self.prefix = _MARK if inside else f".{target.name}{_MARK}"
        if inside:
            target.mkdir(exist_ok=True)

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Hold off other runs that tidy or swap here; they take but moments."""
        descriptor = _open_folder(self.home)
        try:
            flock(descriptor, wait=True)
            yield
        finally:
            _close(descriptor)

    @contextlib.contextmanager
    def made(self) -> Iterator[Path]:
        """Make an empty folder on the same disk, known as in use until it is done with."""
        with self.locked():
            made = Path(tempfile.mkdtemp(prefix=self.prefix, dir=self.home))
            descriptor = _open_folder(made)
            flock(descriptor)
        try:
            yield made
        finally:
            # Before the swap it holds the new files, after it the old ones; with a plan in it,
            # what the next run takes back.
            if not (made / _PLAN).exists():
                shutil.rmtree(made, ignore_errors=True)
            _close(descriptor)

    def put(self, made: Path, old: Iterable[str]) -> None:
        """Let what was made take the place of the old files."""
        if self.inside or not self._swapped(made):
            self._moved(made, old)

    def _swapped(self, made: Path) -> bool:
        """Swap the made folder in, with what other commands wrote; False: no such step here."""
        for path in (self.target / name for name in OF_OTHER_COMMANDS):
            if not path.is_file():
                continue
            try:
                os.link(path, made / path.name, follow_symlinks=False)
            except OSError:
                shutil.copy2(path, made / path.name, follow_symlinks=False)
                sync(made / path.name)
        there = self.target.exists()
        os.umask(mask := os.umask(0))
        made.chmod(self.target.stat().st_mode & 0o7777 if there else 0o777 & ~mask)
        sync(made)
        if not there:
            made.rename(self.target)
        elif not _exchange(made, self.target):
            return False
        try:
            sync(self.home)
        except OSError as error:
            with _taken_back(self.target, error, "the new files stand there"):
                _exchange(made, self.target) if there else self.target.rename(made)
            raise
        return True

    def _moved(self, made: Path, old: Iterable[str]) -> None:
        """Move the new files in, the old ones out; take it all back where one step fails."""
        new = [path.name for path in sorted(made.iterdir())]
        gone = {*new, *old, *(f"{name}{tail}" for name in old for tail in LEFT_BY_GIS)}
        out = [name for name in sorted(gone) if os.path.lexists(self.target / name)]
        for name in out:
            if (self.target / name).is_dir() and not (self.target / name).is_symlink():
                raise OSError(errno.EISDIR, f"{self.target / name} is a folder")
        (made / _REPLACED).mkdir()
        plan = made / _PLAN
        plan.write_text(json.dumps({"new": new}), encoding="utf-8")
        sync(plan)
        sync(made)
        try:
            for name in out:
                _put_aside(self.target / name, made / _REPLACED / name, stays=name in new)
            for name in new:
                (made / name).replace(self.target / name)
            sync(self.target)
            plan.unlink()
        except BaseException as error:
            with _taken_back(self.target, error, "old and new may stand there until the next run"):
                self._undo(made)
            raise

    def tidy(self) -> None:
        """Take back or remove what killed runs left."""
        for left in sorted(self.home.glob(f"{glob.escape(self.prefix)}*")):
            if left.is_dir() and _abandoned(left):
                self._undo(left)
                shutil.rmtree(left, ignore_errors=True)
        if not self.inside and self.target.is_dir():
            inside = _Place(self.target, inside=True)
            with inside.locked():
                inside.tidy()

    def _undo(self, made: Path) -> None:
        """Put everything back as it was; may be called again where it did not come to an end."""
        try:
            new = json.loads((made / _PLAN).read_text(encoding="utf-8"))["new"]
        except (OSError, ValueError, KeyError):
            return  # not begun, or done
        for name in new:
            if not (made / name).exists() and (self.target / name).exists():
                (self.target / name).rename(made / name)
        for path in sorted((made / _REPLACED).iterdir()):
            path.replace(self.target / path.name)
        (made / _PLAN).unlink()


@contextlib.contextmanager
def _taken_back(target: Path, error: BaseException, stands: str) -> Iterator[None]:
    """Say what stands in a folder where not even taking back what failed can be done."""
    try:
        yield
    except OSError:
        why = getattr(error, "strerror", None) or error
        raise GeoleakError(
            f"{target} could not be written ({why}) nor put back as it was: {stands}; "
            "see to the disk and run again"
        ) from error


def _put_aside(path: Path, to: Path, *, stays: bool) -> None:
    """Move a file aside; one that stays is given a second name there, if the disk has such."""
    try:
        if stays:
            return os.link(path, to, follow_symlinks=False)
    except OSError:
        pass
    path.rename(to)


@contextlib.contextmanager
def beside(*paths: Path) -> Iterator[tuple[Path, ...]]:
    """Give a file to write for each of the wanted ones of a folder; all take their places at once.

    Raises
    ------
    GeoleakError
        Where one cannot be written: then none has changed.
    """
    if _MARK in paths[0].parent.name:  # of a folder that is made aside, and swapped in as a whole
        yield paths
        return
    try:
        paths[0].parent.mkdir(parents=True, exist_ok=True)
        place = _Place(paths[0].parent, inside=True)
        with place.locked():
            place.tidy()
        with place.made() as made, _of_the_disk():
            yield (new := tuple(made / path.name for path in paths))
            for each in new:
                sync(each)
            with place.locked():
                place.put(made, ())
    except OSError as error:
        why = error.strerror or error
        raise GeoleakError(f"{paths[0]} could not be written ({why}): nothing changed") from error


@contextlib.contextmanager
def _of_the_disk(name: str = "") -> Iterator[None]:
    """Turn what GDAL and SQLite say of a full disk into an OSError, which it is."""
    try:
        yield
    except Exception as error:
        if type(error).__module__.split(".")[0] in ("pyogrio", "sqlite3"):
            raise OSError(f"{name}: {error}" if name else str(error)) from error
        raise


def foreign_files(folder: Path) -> list[str]:
    """Return what stands in a folder that geoleak did not write, or that changed since."""
    if not folder.exists():
        return []
    if not folder.is_dir():
        raise InputError.at(str(folder), "is a file, not a folder", "name another with --out")
    known, found = _listed(folder), []
    for path in sorted(folder.iterdir()):
        name = path.name
        if name == LIST_NAME or name.startswith(_MARK) or name in OF_OTHER_COMMANDS:
            continue
        if any(name.removesuffix(tail) in known for tail in LEFT_BY_GIS if name.endswith(tail)):
            continue
        if name not in known or path.is_symlink() or not path.is_file():
            found.append(name)
        elif path.suffix != ".gpkg" and _digest(path) != known[name]:
            found.append(f"{name} (changed since)")
    return found


def _listed(folder: Path) -> dict[str, str]:
    """Return what geoleak wrote: file name -> SHA-256; none that would lead out of the folder."""
    try:
        files = json.loads((folder / LIST_NAME).read_text(encoding="utf-8"))["files"]
        return {str(k): str(v) for k, v in files.items() if Path(str(k)).name == str(k)}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _refused(folder: Path, foreign: Sequence[str]) -> InputError:
    shown = ", ".join(foreign[:5]) + (f" and {len(foreign) - 5} more" if len(foreign) > 5 else "")
    what = f"holds files that geoleak did not write: {shown}"
    remedy = "name another folder with --out, or write here all the same with --force"
    return InputError.at(str(folder), what, remedy)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _exchange(made: Path, target: Path) -> bool:
    """Swap two folders in one step; False where this system or disk has none."""
    swap = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if swap is None:
        return False
    first, second = os.fsencode(made), os.fsencode(target)
    if swap(_AT_FDCWD, first, _AT_FDCWD, second, _RENAME_EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL):
        return False
    raise OSError(code, os.strerror(code))


def sync(path: Path) -> None:
    """See a file or a folder on the disk itself."""
    descriptor = _open_folder(path) if path.is_dir() else os.open(path, os.O_RDWR)
    if descriptor is not None:
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _open_folder(path: Path) -> int | None:
    """Open a folder to lock or sync it; None on a system that opens none."""
    return None if os.name == "nt" else os.open(path, os.O_RDONLY)


def _close(descriptor: int | None) -> None:
    if descriptor is not None:
        os.close(descriptor)


def flock(descriptor: int | None, *, wait: bool = False) -> bool:
    """Lock what is open; tell whether it is ours. A disk without locks keeps nobody off."""
    if fcntl is None or descriptor is None:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError as error:
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES)
    return True


def _abandoned(left: Path) -> bool:
    """Tell whether nobody works in a folder that a run made."""
    try:
        descriptor = _open_folder(left)
    except OSError:
        return False
    try:
        if fcntl is not None and descriptor is not None:
            return flock(descriptor)
        return time.time() - left.stat().st_mtime > _LEFT_BEHIND_S
    finally:
        _close(descriptor)
