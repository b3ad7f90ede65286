"""The output folder, written whole or not at all.

Everything is made in a folder beside the wanted one and renamed over it at the end, so a run that
fails leaves the earlier output as it was. A small list, ``.geoleak-files.json``, names what geoleak
wrote with the SHA-256 of each file. A folder that holds anything else, or one of those files
changed by hand, is refused unless ``force``. A GeoPackage alone may differ, because a GIS that
merely opens one rewrites its header and may leave ``-wal``, ``-shm`` or ``.aux.xml`` files beside
it. With ``force``, files of other people stay where they are and only files of geoleak's names are
replaced.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from geoleak.errors import Complaint, GeoleakError, InputError, Origin
from geoleak.result import Result

LIST_NAME = ".geoleak-files.json"
LEFT_BY_GIS = ("-wal", "-shm", "-journal", ".aux.xml")

Writer = Callable[[Result, Path], "Path | None"]


def always(street_tiles: bool = False) -> dict[str, Writer]:
    """Return the files of every run, name -> writer, imported only now."""
    from geoleak.export.geojson import write_geojson
    from geoleak.export.geopackage import write_geopackage
    from geoleak.export.json_result import write_json
    from geoleak.export.map import write_map
    from geoleak.export.sheet import write_dig_sheet
    from geoleak.export.stakes import write_stakes

    def the_map(result: Result, path: Path) -> Path:
        return write_map(result, path, street_tiles=street_tiles)

    return {
        "result.json": write_json,
        "leak.geojson": write_geojson,
        "map.html": the_map,
        "stakes.csv": write_stakes,
        "site.gpkg": write_geopackage,
        "dig_sheet.pdf": write_dig_sheet,
    }


def extras() -> dict[str, tuple[str, Writer]]:
    """Return the files on request: word of ``also`` -> (file name, writer)."""
    return {
        "kml": ("site.kml", _kml),
        "gpx": ("site.gpx", _gpx),
        "dxf": ("site.dxf", _dxf),
        "landxml": ("site.xml", _landxml),
    }


def _kml(result: Result, path: Path) -> Path:
    from geoleak.export.kml import write_kml

    return write_kml(result, path)


def _gpx(result: Result, path: Path) -> Path:
    from geoleak.export.gpx import write_gpx

    return write_gpx(result, path)


def _dxf(result: Result, path: Path) -> Path:
    from geoleak.export.dxf import write_dxf

    return write_dxf(result, path)


def _landxml(result: Result, path: Path) -> Path:
    from geoleak.export.landxml import write_landxml

    return write_landxml(result, path)


def write_all(
    result: Result,
    folder: str | Path,
    *,
    force: bool = False,
    also: Iterable[str] = (),
    street_tiles: bool = False,
) -> list[Path]:
    """Write every output of a result into `folder`, all of it or nothing.

    Parameters
    ----------
    result : Result
    folder : path
        Made where it does not exist.
    force : bool, default False
        Write into a folder that holds files geoleak did not write (they stay), and over outputs
        that were changed since.
    also : iterable of str
        Further files: ``"kml"``, ``"gpx"``, ``"dxf"``, ``"landxml"``.
    street_tiles : bool, default False
        Let the map fetch street tiles from the network when it is opened.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If the folder is refused or a word of `also` is not known.
    GeoleakError
        If the result cannot be written; the folder is then as it was.
    """
    folder = Path(folder)
    writers = always(street_tiles) | _asked_for(also)
    foreign = foreign_files(folder)
    if foreign and not force:
        raise _refused(folder, foreign)
    try:
        names = _made_and_moved(result, folder, writers, move=_into if foreign else _over)
    except OSError as error:
        raise _not_written(folder, error) from error
    return [folder / name for name in names]


def _made_and_moved(
    result: Result,
    folder: Path,
    writers: dict[str, Writer],
    *,
    move: Callable[[Path, Path], None],
) -> list[str]:
    """Make everything beside the folder and move it in at the end; return the files' names."""
    made = _beside(folder)
    try:
        names = _make(result, made, writers)
        move(made, folder)
    finally:
        shutil.rmtree(made, ignore_errors=True)
    return names


def _beside(folder: Path) -> Path:
    """Make an empty folder beside the wanted one, on the same disk."""
    whole = folder.absolute()
    whole.parent.mkdir(parents=True, exist_ok=True)
    return Path(tempfile.mkdtemp(prefix=f".{whole.name}-", dir=whole.parent))


def foreign_files(folder: Path) -> list[str]:
    """Return what stands in a folder that geoleak did not write, or that changed since."""
    if not folder.exists():
        return []
    if not folder.is_dir():
        raise InputError(
            [Complaint(Origin(str(folder)), "is a file, not a folder", "name another with --out")]
        )
    known = _listed(folder)
    found = []
    for path in sorted(folder.iterdir()):
        if path.name == LIST_NAME or _left_by_gis(path.name, known):
            continue
        if path.name not in known or path.is_symlink() or not path.is_file():
            found.append(path.name)
        elif path.suffix != ".gpkg" and _digest(path) != known[path.name]:
            found.append(f"{path.name} (changed since)")
    return found


def _left_by_gis(name: str, known: dict[str, str]) -> bool:
    return any(name.removesuffix(tail) in known for tail in LEFT_BY_GIS if name.endswith(tail))


def _listed(folder: Path) -> dict[str, str]:
    try:
        listed = json.loads((folder / LIST_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    files = listed.get("files") if isinstance(listed, dict) else None
    return {str(k): str(v) for k, v in files.items()} if isinstance(files, dict) else {}


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _asked_for(also: Iterable[str]) -> dict[str, Writer]:
    words = [also] if isinstance(also, str) else list(also)
    known = extras()
    wrong = [each for each in words if each not in known]
    if wrong:
        allowed = ", ".join(known) or "nothing"
        raise InputError(
            Complaint(Origin("--also"), f'"{each}" is no file geoleak writes', f"say {allowed}")
            for each in wrong
        )
    return dict(known[each] for each in words)


def _make(result: Result, made: Path, writers: dict[str, Writer]) -> list[str]:
    """Write all files into the temporary folder, and the list of them."""
    names = []
    for name, writer in writers.items():
        if writer(result, made / name) is not None:
            names.append(name)
    files = {name: _digest(made / name) for name in names}
    note = "Files that geoleak wrote here, with their SHA-256."
    text = json.dumps({"note": note, "run": result.run.id, "files": files}, indent=1)
    (made / LIST_NAME).write_text(text + "\n", encoding="utf-8")
    made.chmod(0o777 & ~_umask())
    return names


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _over(made: Path, folder: Path) -> None:
    """Rename the new folder over the old one; put the old one back if that fails."""
    if not folder.exists():
        made.rename(folder)
        return
    target = folder.resolve()
    aside = made.with_name(made.name + "-old")
    target.rename(aside)
    try:
        made.rename(target)
    except OSError:
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)


def _into(made: Path, folder: Path) -> None:
    """Move the new files into a folder that holds other people's; undo all if one fails."""
    aside = made / ".replaced"
    aside.mkdir()
    ours = [path for path in sorted(made.iterdir()) if path != aside]
    stale = [folder / name for name in _listed(folder) if (folder / name).is_file()]
    done: list[tuple[Path, Path]] = []
    try:
        for old in {*(folder / path.name for path in ours), *stale}:
            if old.is_dir() and not old.is_symlink():
                raise OSError(f"{old} is a folder")
            if old.exists() or old.is_symlink():
                old.rename(aside / old.name)
                done.append((aside / old.name, old))
        for path in ours:
            path.rename(folder / path.name)
            done.append((folder / path.name, path))
    except OSError:
        for now, before in reversed(done):
            now.rename(before)
        raise


def _refused(folder: Path, foreign: Sequence[str]) -> InputError:
    shown = ", ".join(foreign[:5]) + (f" and {len(foreign) - 5} more" if len(foreign) > 5 else "")
    return InputError(
        [
            Complaint(
                Origin(str(folder)),
                f"holds files that geoleak did not write: {shown}",
                "name another folder with --out, or write here all the same with --force",
            )
        ]
    )


def _not_written(folder: Path, error: OSError) -> GeoleakError:
    return GeoleakError(
        f"{folder} could not be written ({error.strerror or error}): nothing was changed; "
        "name another folder with --out"
    )
