"""Which files an output folder holds; `geoleak.export.folder` writes them, all or none."""

from __future__ import annotations

import functools
import importlib
from collections.abc import Callable, Iterable
from pathlib import Path

from geoleak.errors import Complaint, InputError, Origin
from geoleak.export.folder import write_folder
from geoleak.result import Result

Writer = Callable[[Result, Path], "Path | None"]
EXTRAS = {
    "kml": "site.kml",
    "gpx": "site.gpx",
    "dxf": "site.dxf",
    "landxml": "site.xml",
}
"""Files on request: word of ``also``, which is its module too, and file name."""


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
    from geoleak.export.geojson import write_geojson
    from geoleak.export.geopackage import write_geopackage
    from geoleak.export.json_result import write_json
    from geoleak.export.map import write_map
    from geoleak.export.sheet import write_dig_sheet
    from geoleak.export.stakes import write_stakes

    every: dict[str, Writer] = {
        "result.json": write_json,
        "leak.geojson": write_geojson,
        "map.html": functools.partial(write_map, street_tiles=street_tiles),
        "stakes.csv": write_stakes,
        "site.gpkg": write_geopackage,
        "dig_sheet.pdf": write_dig_sheet,
    }
    words = [also] if isinstance(also, str) else list(also)
    wrong = [f'"{each}" is no file geoleak writes' for each in words if each not in EXTRAS]
    if wrong:
        remedy = f"say {', '.join(EXTRAS)}"
        raise InputError(Complaint(Origin("--also"), what, remedy) for what in wrong)
    for word in words:
        module = importlib.import_module(f"geoleak.export.{word}")
        every[EXTRAS[word]] = getattr(module, f"write_{word}")
    bound = {name: functools.partial(writer, result) for name, writer in every.items()}
    return write_folder(folder, bound, run=result.run.id, force=force)
