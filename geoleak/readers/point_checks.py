"""What the figures of a point file mean, and what can be wrong with them.

Swapped, in another unit or CRS, packed; shot twice; what a rover calls precision and a fix.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from geoleak.crs import CrsInfo, to_own_datum
from geoleak.errors import Origin, Refused, listed
from geoleak.readers.collector import Collector
from geoleak.readers.headers import spellings
from geoleak.readers.numbers import could_be_packed, unpacked
from geoleak.readers.table import GRID, Table
from geoleak.record import Floats, Ints, NDArray
from geoleak.site import STATUSES
from geoleak.units import INTERNATIONAL_FOOT_M, LENGTH_UNITS, US_SURVEY_FOOT_M, format_length

_UNITS = {
    "m": ("metres", "the metre"),
    "ft": ("feet", "the foot"),
    "ftUS": ("US survey feet", "the US survey foot"),
}
# Nothing traced on foot is farther from the rest of its site.
_FAR_M = 50_000.0
MOST_NAMED = 20
# Two frames of one country differ by a metre or two; packed degrees by kilometres.
_AGREE_WITHIN_M = 5.0


Pair = tuple[Floats, Floats]


def header_line(table: Table) -> Origin:
    """Return where a table's headings stand."""
    return Origin(table.rows.label, max(1, int(table.rows.numbers[0]) - 1))


def check_area(table: Table, rows: Ints, place: Pair) -> None:
    """Complain where coordinates lie outside the CRS's area of use.

    Parameters
    ----------
    table : Table
        The file, for origins.
    rows : ndarray of int, shape (n,)
        Rows of the file that have a position.
    place : tuple of ndarray, shape (n,)
        Easting and northing in the CRS's axis unit; longitude and latitude for a geographic CRS.
    """
    (easting, northing), info = place, table.context.info
    if info.crs is None:
        return
    # From the corners of the bounding box, without transforming a million points: only where it
    # is small enough that its inside cannot leave the area its corners are in.
    e, n = (np.array([each.min(), each.max()]) for each in place)
    if _size_m(place, info) <= 2 * _FAR_M and _fits(info, np.repeat(e, 2), np.tile(n, 2)):
        return
    out = np.flatnonzero(~info.in_area(*info.lonlat(easting, northing)))
    role = "northing" if table.has("northing") else "latitude"
    most = out.size > easting.size / 2
    for index in out[: 1 if most else MOST_NAMED]:
        shown = _pair(easting[index], northing[index], info)
        what = f"{shown} lies outside the area where {info.text} is used"
        what += f" ({info.area_name})" if most else ", unlike the other points"
        remedy = diagnose(place, info) if most else "correct the row or take it out"
        table.complain(what, remedy, int(rows[index]), role)


def _fits(info: CrsInfo, east: Floats, north: Floats) -> bool:
    return bool(info.in_area(*info.lonlat(east, north)).all())


def ask_which_is_north(table: Table, place: Pair) -> None:
    """Complain of axes called X and Y alone, where no area of use tells which of them is north."""
    info, names, roles = table.context.info, table.header.names, table.header.roles
    if info.geographic:
        return  # degrees have their order by wide custom: X is the longitude
    if info.crs is not None:
        e, n = (np.array([np.nanmedian(each)]) for each in place)
        if not (_fits(info, e, n) and _fits(info, n, e)):
            return  # one order alone fits, or none: `check_area` says so
    x, y = (names[roles[each]] for each in GRID)
    what = f'"{x}" and "{y}": which is north is not stated'
    remedy = f'state it: columns = {{northing = "{x}", easting = "{y}"}} in [points], or the other'
    table.context.collector.complain(
        header_line(table), what, f"{remedy} way round: countries differ"
    )


def _size_m(place: Pair, info: CrsInfo) -> float:
    """Return the longer side of the bounding box."""
    longest = max(float(each.max()) - float(each.min()) for each in place)
    return longest * (111_000.0 if info.geographic else info.axis_unit_m)


def _pair(easting: float, northing: float, info: CrsInfo) -> str:
    if info.geographic:
        return f"lat {northing:.9g} lon {easting:.9g}"
    return f"E {easting:.10g} N {northing:.10g}"


def diagnose(place: Pair, info: CrsInfo) -> str:
    """Return the remedy for coordinates that do not fit a CRS, by trying what usually happens."""
    e, n = (np.array([np.median(each)]) for each in place)
    if _fits(info, n, e):
        return (
            "they fit with easting and northing swapped: turn layout (pnezd/penzd) or state columns"
        )
    if info.geographic:
        if _fits(info, -e, n):
            return "they fit with the longitude's sign turned: western longitudes are negative"
        if max(abs(float(e[0])), abs(float(n[0]))) > 400:
            return "these look like grid coordinates: state the projected CRS they are in"
        return "state the CRS the rover worked in"
    if abs(float(e[0])) <= 180 and abs(float(n[0])) <= 90:
        return "these look like degrees: state a geographic CRS, such as the datum of this one"
    own = _UNITS.get(info.axis_unit, ("", info.axis_unit))[1]
    for unit, (name, one) in _UNITS.items():
        factor = LENGTH_UNITS[unit] / info.axis_unit_m
        for east, north, also in ((e, n, ""), (n, e, " and swapped")):
            other = not math.isclose(factor, 1.0, rel_tol=1e-5)
            if other and _fits(info, east * factor, north * factor):
                return (
                    f"they fit as {name}{also}, but the unit of {info.text} is {own}: state the "
                    f"CRS of the same zone in {one}"
                )
    return "state the CRS and unit the rover worked in"


def note_far_points(table: Table, rows: Ints, place: Pair) -> None:
    """Name points farther from the middle of the file than anyone walks."""
    (easting, northing), info = place, table.context.info
    if _size_m(place, info) <= _FAR_M:
        return
    metres = 111_000.0 if info.geographic else info.axis_unit_m
    away = np.hypot(easting - np.median(easting), northing - np.median(northing)) * metres
    for index in np.flatnonzero(away > _FAR_M)[:MOST_NAMED]:
        shown = _pair(easting[index], northing[index], info)
        text = f"{shown} lies {away[index] / 1000:.0f} km from the middle of the file's points"
        table.note("far_point", text, int(rows[index]))


def check_axis_unit(table: Table) -> None:
    """Refuse a stated unit of northing or easting that is not the CRS's own."""
    axis, text = table.context.info.axis_unit, table.context.info.text
    for role in reversed(GRID):
        stated = table.header.units.get(role, axis)
        if stated != axis and not (stated == "foot" and axis in ("ft", "ftUS")):
            what = f"the file says its {role} is in {stated}, but the unit of {text} is {axis}"
            remedy = "state the CRS in the file's unit, or export in the CRS's"
            table.complain(what, remedy, 0, role)
            return


def note_which_foot(table: Table, place: Pair) -> None:
    """Say which foot a heading's plain "ft" is taken as, and how far off the other would be."""
    info = table.context.info
    roles = [role for role in reversed(GRID) if table.header.units.get(role) == "foot"]
    if not roles or info.crs is None:
        return
    size = math.hypot(*(float(np.median(each)) for each in place))
    moved_m = size * (US_SURVEY_FOOT_M - INTERNATIONAL_FOOT_M)
    feet = {"ft": "international feet", "ftUS": "US survey feet"}
    own = feet.pop(info.axis_unit)
    moved = format_length(moved_m, unit=info.axis_unit, decimals=2)
    text = (
        f'"ft" of the headings is taken as {own}, the unit of {info.text}; were they '
        f"{feet.popitem()[1]}, every point would lie {moved} elsewhere"
    )
    table.note("foot_taken", text, 0, roles[0])


def check_range(table: Table, role: str, metres: Floats, low: float, high: float) -> None:
    """Complain of lengths that nothing on this job can have."""
    for row in np.flatnonzero((metres < low) | (metres > high))[:MOST_NAMED].tolist():
        shown = f'{role.replace("_", " ")} "{table.shown(row, role)}"'
        table.complain(
            f"{shown} is {metres[row]:.4g} m", "check the figure and its unit", row, role
        )


def note_packed(table: Table, roles: tuple[str, str]) -> None:
    """Warn where every degree of a file could be packed as DD.MMSSsss."""
    columns = [table.header.roles[role] for role in roles]
    cells = [row[at] for at in columns for row in table.head if at < len(row)]
    if cells and all(could_be_packed(cell) for cell in cells if cell.strip()):
        text = (
            "every latitude and longitude here could also be degrees, minutes and seconds packed "
            "as DD.MMSSsss; they are read as decimal degrees, which is kilometres off if they are"
        )
        table.note("packed_degrees", text, 0, roles[1])


def compare_degrees(table: Table, grid: Pair, degrees: Pair) -> None:
    """Check the grid against longitude and latitude of the same rows; the grid is used."""
    rows = np.flatnonzero(np.isfinite(sum(degrees)) & np.isfinite(sum(grid)))
    info, projection = table.context.info, table.context.info.projection
    if not rows.size or projection is None:
        return
    lon, lat, east, north = (each[rows] for each in (*degrees, *grid))

    def apart_m(lon: Floats, lat: Floats, meridian: float) -> Any:
        e, n = projection.from_lonlat(lon - meridian, lat)
        with np.errstate(invalid="ignore"):
            return np.hypot(e - east, n - north) * info.axis_unit_m

    apart = apart_m(lon, lat, projection.greenwich_deg)
    if (apart <= _AGREE_WITHIN_M).all():
        return
    # A rover writes WGS 84 beside a grid of whatever datum.
    shift = to_own_datum(projection, float(np.median(lon)), float(np.median(lat)))
    shifted = apart_m(*shift.forward(lon, lat), 0.0)
    allowed = _AGREE_WITHIN_M + shift.accuracy_m
    if np.nanmedian(shifted) < np.nanmedian(apart):
        apart = shifted
    wrong = ~(apart <= allowed)
    if not wrong.any():
        text = (
            f"latitude and longitude agree with northing and easting to {apart.max():.2g} m; the "
            f"way between their datums is good to {shift.accuracy_m:g} m, and the grid is used"
        )
        table.note("degrees_on_another_datum", text)
        return
    east_deg, north_deg = (np.array([unpacked(float(one)) for one in each]) for each in (lon, lat))
    packed = apart_m(east_deg, north_deg, projection.greenwich_deg)
    if wrong.mean() > 0.5 and (packed[wrong] <= allowed).mean() > 0.5:
        text = (
            "latitude and longitude agree with northing and easting as degrees, minutes and "
            "seconds packed as DD.MMSSsss; the grid is used"
        )
        table.note("packed_degrees", text, int(rows[np.flatnonzero(wrong)[0]]), "latitude")
        return
    for index in np.flatnonzero(wrong)[:MOST_NAMED]:
        size = f"{apart[index]:.4g} m" if np.isfinite(apart[index]) else "very far"
        what = f"latitude and longitude lie {size} from northing and easting in {info.text}"
        remedy = "check crs and unit; packed degrees, minutes and seconds (DD.MMSSsss) perhaps"
        table.complain(what, remedy, int(rows[index]), "latitude")


# Two shots of one mark differ by centimetres; by more than this it is a number used twice.
SAME_POINT_WITHIN_M = 0.5
SIGMAS_APART = 5.0
_AVERAGED = ("easting", "northing", "elevation_m", "ellipsoidal_height_m", "depth_m")


def merge_repeats(frame: Any, collector: Collector, metres: tuple[float, float]) -> Any:
    """Return the points with every id once: repeated observations are averaged by their weights.

    Parameters
    ----------
    frame : pandas.DataFrame
        As `geoleak.site.PointTable` takes it.
    collector : Collector
        Takes a complaint for a number that stands for two places, a note for repeats.
    metres : (float, float)
        Metres in one unit of easting and of northing at the site (degrees differ by axis).
    """
    ids = frame["id"]
    if (ids.dtype.kind == "i" and (np.diff(ids) > 0).all()) or ids.is_unique:
        return frame
    single = frame[~ids.duplicated()].assign(observations=1)
    repeated: list[str] = []
    for name, group in frame[ids.duplicated(keep=False)].groupby("id", sort=False):
        mean = _mean(group, np.array(metres), collector)
        if mean:
            repeated.append(str(name))
            for column, value in mean.items():
                single.loc[group.index[0], column] = value
    if repeated:
        text = f"shot more than once and averaged: {listed(repeated)}"
        collector.note("repeated_points", text, Origin(frame["file"].iloc[0]))
    return single.reset_index(drop=True)


def _mean(group: Any, scale: Any, collector: Collector) -> dict[str, Any]:
    """Return the columns of the averaged point; nothing where it stands for two places."""
    xy = group[[*GRID]].to_numpy()
    sigma = np.asarray(group.get("sigma_horizontal_m", [math.nan]))
    known = bool(np.isfinite(sigma).all())
    spread = np.hypot(*((xy - xy[0]) * scale).T)
    widest = SIGMAS_APART * math.sqrt(2) * float(sigma.max()) if known else 0.0
    allowed = max(SAME_POINT_WITHIN_M, widest)
    far = int(spread.argmax())
    first, other, last = group.iloc[0], group.iloc[far], group.iloc[-1]
    if spread[far] > allowed:
        what = f'point "{other["id"]}" stands here and at line {first["line"]} of {first["file"]}, '
        what += f"{spread[far]:.4g} m apart"
        remedy = "number one of them anew, or take the wrong one out"
        collector.complain(Origin(other["file"], int(other["line"]), 1), what, remedy)
        return {}
    weights = 1 / sigma**2 if known else np.ones(len(group))
    mean: dict[str, Any] = {"observations": len(group)}
    for name in (each for each in _AVERAGED if each in group):
        values = group[name].to_numpy()
        there = np.isfinite(values)
        if there.any():
            mean[name] = np.average(values[there], weights=weights[there])
    if known:
        mean["sigma_horizontal_m"] = 1 / math.sqrt(weights.sum())
    if "sigma_vertical_m" in group and group["sigma_vertical_m"].notna().any():
        mean["sigma_vertical_m"] = 1 / math.sqrt((1 / group["sigma_vertical_m"] ** 2).sum())
    codes = list(dict.fromkeys(code for code in group["code"] if code))
    if codes:
        mean["code"] = codes[0]
    if len(codes) > 1:
        text = f'point "{last["id"]}" is coded {listed(codes)}; "{codes[0]}" is taken'
        collector.note("codes_differ", text, Origin(last["file"], int(last["line"])))
    if "status" in group:
        # The average is as good as its best solution: fixed before float before single.
        mean["status"] = group["status"].replace(0, 9).min() % 9
    return mean


# Radius that holds 95 % of a circular bivariate normal, in sigmas: sqrt(-2 ln 0.05).
R95_PER_SIGMA = math.sqrt(-2 * math.log(0.05))
# Two-sided 95 % of one axis (standard normal).
Z95 = 1.959963984540054
DRMS = math.sqrt(2)
"""Distance rms of two equal axes, in sigmas of one; 2DRMS is twice that."""

HORIZONTAL = {"1 sigma": 1.0, "2d rms": DRMS, "95 %": R95_PER_SIGMA}
ONE_AXIS = {"1 sigma": 1.0, "2d rms": 1.0, "95 %": Z95}

NO_SOLUTION = {"", "none", "nosolution", "invalid", "nofix", "base", "0", "na", "-"}
# NMEA 0183 GGA quality: 1 autonomous, 2 differential, 4 RTK fixed, 5 RTK float. The second
# numbering is that of several post-processing programs (common practice, no one source).
SCHEMES = {
    "gga": {"4": "fixed", "5": "float", "1": "single", "2": "single"},
    "1 fixed 2 float 5 single": {"1": "fixed", "2": "float", "5": "single"},
}
_FIXED_BELOW_M = 0.1


def parse_scheme(text: str) -> dict[str, str]:
    """Return a numeric fix scheme from ``"gga"`` or ``"1 fixed, 2 float, 5 single"``.

    Raises
    ------
    Refused
        If it is neither.
    """
    if text.strip().casefold() in SCHEMES:
        return SCHEMES[text.strip().casefold()]
    pattern = r"(\d+)\s*[=:]?\s*(fixed|float|single)"
    pairs = re.findall(pattern, text.casefold())
    if not pairs or re.sub(rf"{pattern}|[\s,;]", "", text.casefold()):
        remedy = 'write "gga" or a list such as "1 fixed, 2 float, 5 single"'
        raise Refused(f'"{text}" is no fix scheme', remedy)
    return dict(pairs)


def word_key(cell: str) -> str:
    """Return a fix cell without case, blanks and signs."""
    return re.sub(r"[\W_]+", "", cell.casefold()) if cell.strip() != "-" else "-"


def read_fix(table: Table, sigma_m: Floats | None) -> NDArray[np.int8] | None:
    """Return the fix of every row as an index into `STATUSES`; None without such a column.

    Numbers mean different things to different programs. Without a stated scheme they are compared
    with the precision column; where that does not decide, the fix stays unknown.
    """
    import pandas as pd

    cells, scheme = table.texts("status"), table.context.spec.status_scheme
    if cells is None:
        return None
    codes, words = pd.factorize(cells)
    keys = {cell: word_key(cell) for cell in words}
    numeric = {key for key in keys.values() if key.isdigit()}
    fits = {scheme: parse_scheme(scheme)} if scheme else {}
    if numeric and not scheme:
        by_key = np.array(list(keys.values()), dtype=object)[codes]
        fits = {n: each for n, each in SCHEMES.items() if _agrees(each, by_key, numeric, sigma_m)}
        if len(fits) == 1:
            text = "the numbers of the fix column agree with the precision column as "
            table.note("fix_scheme_found", f'{text}"{next(iter(fits))}"', 0, "status")
    meaning = {**spellings("fix"), **(next(iter(fits.values())) if len(fits) == 1 else {})}
    known = meaning.keys() | NO_SOLUTION
    unknown = sorted(cell for cell, key in keys.items() if key not in known)
    figures = [cell for cell in unknown if cell.isdigit()]
    if figures:
        text = (
            f"fix {listed(figures)} means different things to different programs: state "
            'status_scheme in [points], "gga" or "1 fixed, 2 float, 5 single"'
        )
        table.note("fix_scheme_unknown", text, 0, "status")
    if others := [cell for cell in unknown if cell not in figures]:
        table.note("fix_unknown", f"fix {listed(others)} is not known", 0, "status")
    index = [STATUSES.index(meaning.get(key, "unknown")) for key in keys.values()]
    return np.array(index, dtype=np.int8)[codes]


def _agrees(
    scheme: Mapping[str, str], keys: NDArray[Any], numeric: set[str], sigma_m: Floats | None
) -> bool:
    """Tell whether the precision column bears a scheme out: fixed finer than float than single."""
    told = numeric - NO_SOLUTION
    if sigma_m is None or not told <= set(scheme):
        return False
    values = {key: sigma_m[(keys == key) & np.isfinite(sigma_m)] for key in told}
    medians = [(scheme[k] == "fixed", float(np.median(v))) for k, v in values.items() if v.size]
    fixed = max((median for is_fixed, median in medians if is_fixed), default=0.0)
    rough = min((median for is_fixed, median in medians if not is_fixed), default=math.inf)
    return fixed <= _FIXED_BELOW_M and rough >= _FIXED_BELOW_M / 5 and fixed < rough
