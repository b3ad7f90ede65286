"""What damaged files must never do, and the files that are damaged: by hypothesis and by atheris.

The property is the same for both: whatever the bytes, a reader answers or complains in plain lines.
No other exception, no NaN in what was read, no hang, nothing written in the folder or beside it.
"""

from __future__ import annotations

import contextlib
import io
import math
import os
import re
import signal
import tempfile
import warnings
import wave
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import shapely

from geoleak.acoustics.recording import inspect, open_recording
from geoleak.errors import GeoleakError
from geoleak.pipeline import read_site, survey_site
from geoleak.readers import read_utility_file
from tests.site_folders import POINTS, TOML, numbers_in, write_folder
from tests.spoilt_sites import SITES

HANG_S = 2.0
"""Of processor time: a busy machine makes no hang."""
PAGE = Path(__file__).parent.parent / "shared" / "site_folder.md"
CRS = "EPSG:6543"
GPX = '<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1">'
HEADED = "Point,Northing,Easting,Elev,Code,HRMS,VRMS,Fix,Depth,Note\n" + "".join(
    f"{line},0.03,0.05,fixed,3.1,by the fence\n" for line in POINTS.splitlines()
)


class Hung(Exception):
    """A reader that took more than `HANG_S` of processor time."""


def _hung(*_: object) -> None:
    raise Hung(f"more than {HANG_S:g} s of processor time")


def everything_in(place: Path) -> dict[str, tuple[int, int]]:
    """Return size and time of change of everything below a folder."""
    found = {}
    for root, folders, files in os.walk(place):
        for name in (*folders, *files):
            at = os.stat(os.path.join(root, name))  # noqa: PTH116, PTH118 (a hundred thousand times)
            found[f"{root}/{name}"] = (at.st_size, at.st_mtime_ns)
    return found


def survives(read: Callable[[], None], place: Path) -> bool:
    """Tell whether files were read; anything but an answer or plain complaints is raised."""
    before = everything_in(place)
    # The wall's clock would find fault with a busy machine, so the processor's is taken.
    old = signal.signal(signal.SIGVTALRM, _hung)
    signal.setitimer(signal.ITIMER_VIRTUAL, HANG_S)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            warnings.filterwarnings("error", category=RuntimeWarning, module="geoleak")
            read()
        answered = True
    except GeoleakError as error:
        answered, said = False, error.lines()
        assert said and len(said) <= 21, "as many lines as a person reads"
        for line in said:
            assert line.strip() and len(line.splitlines()) == 1, f"one line each: {line!r}"
            assert "Traceback" not in line and len(line) < 2000, f"a plain line: {line[:300]!r}"
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        signal.signal(signal.SIGVTALRM, old)
    assert everything_in(place) == before, "something was written"
    return answered


def whole_site(folder: Path) -> None:
    """Read a site and put it together."""
    site = read_site(folder)
    taped = {each.point for each in site.tapes}  # these get their place from the tapes, later
    points = [point for name, point in site.points.items() if name not in taped]
    rest = {name: getattr(site, name) for name in site.__struct_fields__ if name != "points"}
    numbers = numbers_in([points, rest])
    assert all(math.isfinite(each) for each in numbers), "a number that is none was read"
    survey_site(site)


def _service(path: Path) -> None:
    file = read_utility_file(path, label=path.name, name="gas")
    depths = [each.depth_m for each in file.shapes if each.depth_m is not None]
    assert all(math.isfinite(each) for each in depths)


def _recording(path: Path) -> None:
    condition = inspect(open_recording(path))
    assert all(math.isfinite(value) for value in numbers_in(condition))


# --- good files to begin with ----------------------------------------------------------------


@cache
def page_files() -> dict[str, Any]:
    """Return the files of the full example of the page on the site folder."""
    text = PAGE.read_text(encoding="utf-8")
    found = dict(re.findall(r"```csv (\S+)[^\n]*\n(.*?)```", text, re.S))
    found["site.toml"] = re.findall(r"```toml\n# example: full\n(.*?)```", text, re.S)[0]
    found["site.toml"] = found["site.toml"].replace('"HV1"', '"MTR1"')
    found["gas.geojson"] = (SITES / "alder_court" / "gas.geojson").read_text(encoding="utf-8")
    return found


def recording(kind: str = "i2") -> bytes:
    """Return a short WAV of noise."""
    scale = {"u1": 30, "i2": 3000, "i4": 3000 << 16}[kind]
    noise = np.random.default_rng(1).standard_normal(2000) * scale + (128 if kind == "u1" else 0)
    noise = noise.astype(f"<{kind}")
    held = io.BytesIO()
    with wave.open(held, "wb") as file:
        file.setparams((1, noise.itemsize, 8000, 0, "NONE", "not compressed"))
        file.writeframes(noise.tobytes())
    return held.getvalue()


@cache  # a GeoPackage holds the time it was made
def layer(suffix: str, *, lines: bool) -> dict[str, bytes]:
    """Return a GIS file, and what belongs to it, of marks of the small site or lines by them."""
    rows = [line.split(",") for line in POINTS.splitlines()]
    if suffix == "gpx":  # by hand: pyogrio 0.12 with GDAL 3.11 puts the first field into <ele>
        way = '<wpt lat="{:.4f}" lon="{:.4f}"><name>{}</name></wpt>\n'
        ways = [way.format(35.8 + k * 1e-4, k * 1e-4 - 78.6, row[0]) for k, row in enumerate(rows)]
        return {"points.gpx": f"{GPX}{''.join(ways)}</gpx>\n".encode()}
    at = [(float(row[2]), float(row[1])) for row in rows]
    shapes = [shapely.Point(each) for each in at]
    fields = {"name": [row[0] for row in rows], "code": [row[4] for row in rows]}
    if lines:
        shapes = [shapely.LineString(at[:4]), shapely.LineString(at[3:])]
        fields = {"name": ["main 1", "main 2"], "material": ["di", "pvc"], "diam_in": [6.0, 1.0]}
    with tempfile.TemporaryDirectory() as held:
        name = "mains" if lines else "points"
        path = Path(held) / f"{name}.{suffix}"
        geopandas.GeoDataFrame(fields, geometry=shapes, crs=CRS).to_file(path)
        return {each.name: each.read_bytes() for each in path.parent.iterdir()}


@cache
def workbook() -> bytes:
    """Return the headed points as a workbook."""
    import pandas as pd

    held = io.BytesIO()
    pd.read_csv(io.StringIO(HEADED)).to_excel(held, index=False)
    return held.getvalue()


# --- targets ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Target:
    """One kind of file: what stands about it, what it is read by, and good ones to begin with."""

    file: str
    seeds: Callable[[], list[bytes]]
    about: Callable[[], dict[str, str | bytes]] = dict
    read: Callable[[Path], None] = whole_site
    whole: bool = True
    """Whether `read` takes the folder; else the file."""

    def lay_out(self, place: Path) -> Path:
        """Write a folder with the first seed in it."""
        return write_folder(place, {**self.about(), self.file: self.seeds()[0]})

    def holds(self, place: Path, folder: Path, data: bytes) -> bool:
        """Put `data` in the place of the file and see that the property holds."""
        path = folder / self.file
        path.write_bytes(data)
        return survives(lambda: self.read(folder if self.whole else path), place)


def _points_in(suffix: str) -> dict[str, str | bytes]:
    toml, sheet = TOML.replace("points.csv", f"points.{suffix}"), {}
    if suffix == "gpx":
        toml = toml.replace(f'crs = "{CRS}"', f'crs = "EPSG:4326"\ngrid_crs = "{CRS}"')
        toml = toml.replace('code = "WL"', 'points = "101-104"')
        sheet = {"readings.csv": "place,level\n"}
    return {"site.toml": toml, **sheet, **({} if suffix == "xlsx" else layer(suffix, lines=False))}


def _network_in(suffix: str) -> dict[str, str | bytes]:
    head = TOML[: TOML.index("[[leg]]")]
    toml = f'{head}[network]\nfile = "mains.{suffix}"\n'
    return {"site.toml": toml, "readings.csv": "place,level\n", **layer(suffix, lines=True)}


def _toml_about() -> dict[str, str | bytes]:
    samples = {each.name: each.read_bytes() for each in SITES.glob("*/*.csv")}
    del samples["delays.csv"]
    return {**samples, **_page_with("points.csv")}


def _tomls() -> list[bytes]:
    samples = [each.read_bytes() for each in sorted(SITES.glob("*/site.toml"))]
    # The house valve is a point of its own site's file.
    samples = [each.replace(b'house_valve = "52"\n', b"") for each in samples]
    return [page_files()["site.toml"].encode(), TOML.replace("201", "MTR1").encode(), *samples]


def _texts(*texts: str) -> Callable[[], list[bytes]]:
    def seeds() -> list[bytes]:
        forms = [each.encode() for each in texts]
        tabbed = texts[0].replace(",", "\t").replace("\n", "\r\n")
        return [*forms, tabbed.encode("utf-16"), texts[0].replace(",", ";").encode("cp1252")]

    return seeds


def _layers(suffix: str, *, lines: bool) -> list[bytes]:
    name = "mains" if lines else "points"
    return [layer(suffix, lines=lines)[f"{name}.{suffix}"]]


def _page_with(sheet: str) -> dict[str, str | bytes]:
    """Return the page's site with one of its sheets alone."""
    names = ("site.toml", "points.csv", "gas.geojson", sheet)
    return {"readings.csv": "place,level\n", **{name: page_files()[name] for name in names}}


def _sheet(name: str) -> Target:
    return Target(name, lambda: _texts(page_files()[name])(), partial(_page_with, name))


SHEETS = """
    readings checks delays fittings isolations calibration sightings holes leaks_past meter found
    tapes
""".split()  # noqa: SIM905
TARGETS = {
    "toml": Target("site.toml", _tomls, _toml_about),
    "points": Target("points.csv", _texts(POINTS)),
    "headed_points": Target("points.csv", _texts(HEADED)),
    **{name: _sheet(f"{name}.csv") for name in SHEETS},
    "xlsx": Target("points.xlsx", lambda: [workbook()], partial(_points_in, "xlsx")),
    **{
        f"points_{suffix}": Target(
            f"points.{suffix}", partial(_layers, suffix, lines=False), partial(_points_in, suffix)
        )
        for suffix in ("geojson", "gpx", "gpkg", "shp")
    },
    **{
        f"network_{suffix}": Target(
            f"mains.{suffix}", partial(_layers, suffix, lines=True), partial(_network_in, suffix)
        )
        for suffix in ("geojson", "gpkg", "shp")
    },
    **{
        f"service_{suffix}": Target(
            f"mains.{suffix}", partial(_layers, suffix, lines=True),
            partial(layer, suffix, lines=True), _service, whole=False,
        )
        for suffix in ("geojson", "gpkg", "shp")
    },
    "wav": Target(
        "far.wav", lambda: [recording(), recording("i4"), recording("u1")],
        read=_recording, whole=False,
    ),
}  # fmt: skip


@contextlib.contextmanager
def laid_out(target: Target) -> Iterator[tuple[Path, Path]]:
    """Yield a place and a folder in it, with everything a target needs about its file."""
    with tempfile.TemporaryDirectory() as held:
        place = Path(held)
        yield place, target.lay_out(place)
