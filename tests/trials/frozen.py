"""Behaviour kept and compared: ``python -m tests.trials.frozen keep FOLDER``, then ``same FOLDER``.

Eighty invented site folders (other grids, units, file layouts, sheets) and the sample sites go
through the whole chain; what came out is kept, and a later version is held against it: numbers to
1e-9, words to the letter, run ids and hashes apart. A site that is refused is held to its
complaints.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS, Transformer

from geoleak.errors import GeoleakError
from tests.trials.field import draw_field
from tests.trials.field_trial import KINDS

SAMPLES = Path(__file__).parent.parent.parent / "sample_sites"
KEPT = ("result.json", "leak.geojson", "stakes.csv")
FOOT_US = 1200 / 3937
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
# What small differences are made larger in: key -> relative, absolute. A mean over drawn outcomes,
# each drawn one or another; a curve's bins, begun a cell further; a text's last digit.
ROUGH = {
    r"expected_interval_95_m|value_of_reading": (0.02, 0.0),
    r"profile.*chainage_m": (0.0, 0.05),
    r"profile.*density_per_m": (0.05, 1e-5),
    r"grid_wkt": (0.0, 1.5e-4),
}
# (CRS, its unit's name in the contract, metres in one unit of it, longitude, latitude)
GRIDS = (
    ("EPSG:6543", "ftUS", FOOT_US, -79.04, 35.9),
    ("EPSG:25832", "m", 1.0, 9.2, 48.7),
    ("EPSG:2056", "m", 1.0, 7.45, 46.95),
    ("EPSG:4326", "m", 0.0, 151.1, -33.8),
    ("local", "ft", 0.3048, 0.0, 0.0),
)


def _grid(which: int, metres: np.ndarray) -> np.ndarray:
    """Return ground metres (n, 2) about a place as that grid's coordinates."""
    name, _, unit, lon, lat = GRIDS[which]
    if name == "local":
        return metres / unit + 5000.0
    plane = CRS.from_proj4(f"+proj=aeqd +lat_0={lat} +lon_0={lon} +ellps=GRS80 +units=m")
    grid = CRS.from_user_input(name)
    to = Transformer.from_crs(plane, grid, always_xy=True)
    return np.column_stack(to.transform(metres[:, 0], metres[:, 1]))


def write_site(folder: Path, number: int, *, length_m: float = 80.0) -> None:
    """Write invented site `number`: a bent leg, marks with scatter, a field's levels at them.

    Of a leg of another length than 80 m one leak is heard, and no other kind of field is drawn.
    """
    rng = np.random.default_rng([20261126, number])
    kind = list(KINDS)[number % len(KINDS)]
    field = (
        KINDS[kind](rng) if length_m == 80.0 else draw_field(rng, length_m=length_m, inside=True)
    )
    rows = field.survey.surface
    which = number % len(GRIDS)
    crs, unit, metre, _, _ = GRIDS[which]
    degrees = metre == 0.0
    metre = metre or 1.0
    bend = float(rng.uniform(25.0, 55.0)) * length_m / 80.0
    turns = np.radians(rng.uniform(0, 360)) + np.radians([0.0, rng.choice([0.0, 22.5, 45.0, 90.0])])
    way = np.column_stack([np.sin(turns), np.cos(turns)])

    def at(chainage: np.ndarray) -> np.ndarray:
        first = np.minimum(chainage, bend)[:, None] * way[0]
        return first + np.maximum(chainage - bend, 0.0)[:, None] * way[1]

    marks = np.asarray(rows.chainage_m)
    traced = at(marks) + rng.normal(0, 0.06, (len(marks), 2))
    ends = at(np.array([0.0, length_m]))
    corners = at(np.array([0.25, 0.75]) * length_m) + rng.uniform(3, 7, (2, 2))
    points = _grid(which, np.vstack([traced, ends, corners]))
    codes = ["WL"] * len(marks) + ["MTR", "WV"] + ["BC", "PP"]
    ids = [*range(101, 101 + len(marks)), 301, 302, 401, 402]
    heights = 70.0 + rng.normal(0, 0.02, len(ids))
    digits = 9 if degrees else 4
    lines = []
    header = bool(number % 3)
    if header:
        names = ("Latitude,Longitude" if degrees else "Northing,Easting") + ",Elev"
        lines.append(f"Point,{names},Code" + (",HRMS" if number % 2 else ""))
    for k, (x, y) in enumerate(points):
        row = f"{ids[k]},{y:.{digits}f},{x:.{digits}f},{heights[k] / metre:.3f},{codes[k]}"
        lines.append(
            row + (f",{rng.uniform(0.01, 0.03) / metre:.3f}" if header and number % 2 else "")
        )
    folder.mkdir(parents=True)
    (folder / "points.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    surface = rows.surface or ("",) * len(marks)
    sheet = ["reading,kind,place,level,surface,background,skip,note"]
    for k, level in enumerate(rows.level_db):
        again = f" {level + rng.normal(0, 2):.0f}" if rng.random() < 0.2 else ""
        back = "38" if rng.random() < 0.1 else ""
        sheet.append(f"R{k + 1},surface,{ids[k]},{level:.0f}{again},{surface[k] or ''},{back},,")
    for k, level in enumerate(field.survey.contact.level_db[:1]):
        sheet.append(f"C{k + 1},contact,301,{level:.1f},,,,")
    (folder / "readings.csv").write_text("\n".join(sheet) + "\n", encoding="utf-8")
    _other_sheets(folder, field, rng, 0.5 * length_m)
    (folder / "site.toml").write_text(
        _toml(number, crs, unit, header, degrees, rng), encoding="utf-8"
    )


def _other_sheets(folder: Path, field: Any, rng: np.random.Generator, middle_m: float) -> None:
    for each in field.survey.delays[:1]:
        (folder / "delays.csv").write_text(
            f"delay,first,second,delay_ms,sigma_ms\nD1,301,302,{1e3 * each.delay_s:.3f},1.2\n"
        )
    if rng.random() < 0.2:
        (folder / "holes.csv").write_text(
            "hole,from,to,pipe_exposed,outcome\n1,yard@5 m,yard@6.5 m,yes,dry\n"
        )
    if rng.random() < 0.2:
        (folder / "sightings.csv").write_text(f"place,what,note\nyard@{middle_m:.0f} m,wet,\n")
    if rng.random() < 0.2:
        (folder / "isolations.csv").write_text("isolation,valves,result\nI1,302,slower\n")


def _toml(
    number: int, crs: str, unit: str, header: bool, degrees: bool, rng: np.random.Generator
) -> str:
    material, size = [("pvc", "60 mm"), ("cast_iron", "118 mm"), ("hdpe", "63 mm")][number % 3]
    lines = [f'title = "Invented lane {number}"', f'crs = "{crs}"', f'length_unit = "{unit}"']
    if degrees:
        lines.append('grid_crs = "EPSG:7856"')
    lines += ["[points]", 'file = "points.csv"']
    if not header:
        lines.append('layout = "pnezd"')
    lines += ["[[leg]]", 'name = "yard"', 'code = "WL"', 'start = "301"', 'end = "302"']
    lines += [f'depth = "{rng.uniform(0.6, 1.5):.2f} m"', f'material = "{material}"']
    lines += [f'outside_diameter = "{size}"']
    if number % 4 == 1:
        lines.append('pressure = "4 bar"')
    lines += ["[codes]", 'fitting = ["MTR", "WV"]', 'feature = ["BC", "PP"]']
    if number % 5 == 2:
        lines += ["[crew]", "dig_cost = 900", "dry_hole_cost = 1500", "hour_cost = 95"]
    return "\n".join(lines) + "\n"


def outcome(folder: Path, place: Path) -> dict[str, Any]:
    """Return what comes of a site: its files' contents, or the lines it is refused with."""
    import geoleak

    out = place / "out"
    try:
        geoleak.locate(geoleak.read_site(folder)).write(out)
    except GeoleakError as error:
        return {"refused": [line.replace(str(folder), "SITE") for line in error.lines()]}
    from pypdf import PdfReader

    # A local grid has no longitude and latitude, so its site has no GeoJSON.
    said = {
        name: (out / name).read_text(encoding="utf-8").replace(str(folder), "SITE")
        for name in KEPT
        if (out / name).exists()
    }
    sheet = next(out.glob("*.pdf"))
    pages = [page.extract_text() for page in PdfReader(sheet).pages]
    return {
        "result": _without_run(json.loads(said["result.json"])),
        "geojson": _without_run(json.loads(said.get("leak.geojson", "null"))),
        "stakes": said["stakes.csv"].splitlines(),
        "sheet": " ".join(sorted("\n".join(pages).split())),
    }


def _without_run(value: Any) -> Any:
    """Return a JSON value without what names the run (it hashes the code's version and input)."""
    if isinstance(value, dict):
        return {
            key: _without_run(each)
            for key, each in value.items()
            if key not in ("run", "provenance", "version")
        }
    if isinstance(value, list):
        return [_without_run(each) for each in value]
    return value


def differences(old: Any, new: Any, path: str = "", *, within: float = 1e-9) -> Iterator[str]:
    """Yield where two outcomes differ: numbers by more than `within`, words at all.

    Where other libraries are allowed for (`within` above 1e-9), what is in `ROUGH` may differ more.
    """
    if isinstance(old, dict) and isinstance(new, dict):
        for key in sorted(old.keys() | new.keys()):
            if key not in old or key not in new:
                yield f"{path}.{key}: only in the {'old' if key in old else 'new'}"
            else:
                yield from differences(old[key], new[key], f"{path}.{key}", within=within)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield f"{path}: {len(old)} entries before, {len(new)} now"
        for k, (a, b) in enumerate(zip(old, new, strict=False)):
            yield from differences(a, b, f"{path}[{k}]", within=within)
    elif isinstance(old, float | int) and isinstance(new, float | int):
        if not _close(old, new, path, within):
            yield f"{path}: {old!r} before, {new!r} now"
    elif within > 1e-9 and path.endswith("grid_wkt") and _numbers(old)[0] == _numbers(new)[0]:
        yield from differences(_numbers(old)[1], _numbers(new)[1], path, within=within)
    elif old != new:
        yield f"{path}: {str(old)[:80]!r} before, {str(new)[:80]!r} now"


def _close(old: float, new: float, path: str, within: float) -> bool:
    relative = absolute = within
    for key, rough in ROUGH.items():
        if within > 1e-9 and re.search(key, path):
            relative, absolute = rough
    return math.isclose(old, new, rel_tol=relative, abs_tol=absolute)


def _numbers(text: str) -> tuple[str, list[float]]:
    """Return a text without its numbers, and those."""
    return NUMBER.sub("", text), [float(each) for each in NUMBER.findall(text)]


def main(arguments: list[str] | None = None) -> int:
    """Run the sites and keep or compare what comes of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("keep", "same"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sites", type=int, default=80)
    parser.add_argument("--within", type=float, default=1e-9, help="by how much numbers may differ")
    parser.add_argument("--show", type=int, default=3, help="differences shown a site")
    given = parser.parse_args(arguments)
    given.folder.mkdir(parents=True, exist_ok=True)
    off = 0
    for name in [
        *(f"site{k}" for k in range(given.sites)),
        *sorted(p.name for p in SAMPLES.glob("*_*") if p.is_dir()),
    ]:
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / name
            if name.startswith("site"):
                write_site(folder, int(name[4:]))
            else:
                shutil.copytree(SAMPLES / name, folder, ignore=shutil.ignore_patterns("out"))
            got = outcome(folder, Path(place))
        kept = given.folder / f"{name}.json"
        if given.what == "keep":
            kept.write_text(json.dumps(got, indent=1, sort_keys=True), encoding="utf-8")
            continue
        found = list(
            differences(json.loads(kept.read_text(encoding="utf-8")), got, within=given.within)
        )
        off += bool(found)
        for line in found[: given.show]:
            print(f"{name}{line}")
        if len(found) > given.show:
            print(f"{name}: and {len(found) - given.show} more")
    print(f"{off} sites differ" if given.what == "same" else "kept")
    return 1 if off else 0


if __name__ == "__main__":
    sys.exit(main())
