"""What the route fit takes: marks as arrays, points on the pipe, options; order and repeats."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from geoleak.errors import GeometryError, SiteDataError
from geoleak.record import Bools, Floats, Ints, Record, force_setattr
from geoleak.site import MarksBy, Note
from geoleak.units import format_length

DepthTo = Literal["centre", "crown", "wire", "sonde"]


class FixedPoint(Record):
    """A shot point that is on the pipe itself (a meter, a valve): no locator error.

    ``sigma_m`` is per axis; ``height_m`` (nan: unknown) and ``depth_m`` (nan: as the marks near
    it) are of the ground and of the pipe below it.
    """

    id: str
    easting_m: float
    northing_m: float
    sigma_m: float
    height_m: float = np.nan
    depth_m: float = np.nan


class MarkArray(Record, eq=False):
    """The marks of one leg, in the order given by number or file.

    Parameters
    ----------
    easting_m, northing_m : (n,) arrays
        Working CRS, metres on the ground.
    height_m : (n,) array
        Height of the ground; nan where unknown.
    depth_m : (n,) array
        Measured depth to what `RouteOptions.depth_to` says.
    sigma_across_m : (n,) array
        Sideways sigma of each mark that is its own: locator at its depth, combined with the rover.
    sigma_along_m : (n,) array
        Sigma along the pipe: rover and paint.
    locator_bias_m : (n,) array
        Sideways sigma that all marks share (a distorted field); grows with depth, never averages.
    rover_bias_m : float
        Sigma per axis that every point of the session shares.
    depth_sigma_m : (n,) array or None
        A mark's own sigma of depth; None: 5 % of depth, 2 cm at least.
    depth_shared_m : (n,) array or None
        Sigma of depth that the marks share; None: 5 % of depth.
    ids : tuple of str
    marks_by : str
        How the trace was found; see `geoleak.site.Leg`.
    start, end : FixedPoint or None
        The leg runs on to these.

    Raises
    ------
    SiteDataError
        If the arrays disagree in length, or a position, a depth or a sigma is not usable.
    """

    easting_m: Floats
    northing_m: Floats
    height_m: Floats
    depth_m: Floats
    sigma_across_m: Floats
    sigma_along_m: Floats
    ids: tuple[str, ...]
    locator_bias_m: Floats | None = None
    rover_bias_m: float = 0.015
    depth_sigma_m: Floats | None = None
    depth_shared_m: Floats | None = None
    marks_by: MarksBy = "signal"
    start: FixedPoint | None = None
    end: FixedPoint | None = None

    def __post_init__(self) -> None:
        deep = np.abs(np.asarray(self.depth_m, dtype=float))
        usual = {
            "locator_bias_m": 0.0,
            "depth_sigma_m": np.maximum(0.05 * deep, 0.02),
            "depth_shared_m": 0.05 * deep,
        }
        for name in COLUMNS:
            value = getattr(self, name)
            force_setattr(self, name, _column(self, name, usual.get(name, np.nan), value))
        for name in ("easting_m", "northing_m", "depth_m"):
            self._refuse(name, ~np.isfinite(getattr(self, name)), "a finite number of metres")
        for name in ("sigma_across_m", "sigma_along_m", "depth_sigma_m"):
            value = getattr(self, name)
            self._refuse(name, ~(np.isfinite(value) & (value > 0)), "a sigma above 0")
        for name in ("locator_bias_m", "depth_shared_m"):
            value = getattr(self, name)
            self._refuse(name, ~(np.isfinite(value) & (value >= 0)), "a sigma of 0 or more")

    def _refuse(self, name: str, wrong: Bools, right: str) -> None:
        if wrong.any():
            row = int(np.flatnonzero(wrong)[0])
            raise SiteDataError(
                f"mark {self.ids[row]}: {name} is {getattr(self, name)[row]}; give {right}"
            )

    def __len__(self) -> int:
        return len(self.ids)


COLUMNS = (
    "easting_m", "northing_m", "height_m", "depth_m", "sigma_across_m", "sigma_along_m",
    "locator_bias_m", "depth_sigma_m", "depth_shared_m",
)  # fmt: skip


def _column(marks: MarkArray, name: str, usual: float | Floats, given: Floats | None) -> Floats:
    value = np.array(usual if given is None else given, dtype=float)
    if value.ndim == 0:
        value = np.full(len(marks.ids), float(value))
    if value.shape != (len(marks.ids),):
        raise SiteDataError(
            f"marks: {name} has shape {value.shape} beside {len(marks.ids)} ids; give one each"
        )
    value.setflags(write=False)
    return value


class RouteOptions(Record):
    """How a route is fitted.

    ``order`` is ``"given"`` (as the marks stand) or ``"found"`` (from the geometry); ``fit`` is
    ``"runs"`` or ``"marks"`` (the dots joined). ``scale_sigma`` lets the marks' own scatter correct
    the stated sigma (a prior of 12 marks' worth stands for the statement). ``length_unit`` is of
    the texts in warnings only.
    """

    order: Literal["given", "found"] = "given"
    fit: Literal["runs", "marks"] = "runs"
    depth_to: DepthTo = "centre"
    outside_diameter_m: float | None = None
    scale_sigma: bool = True
    length_unit: Literal["m", "ft", "ftUS"] = "m"
    leg: str = ""

    def note(self, code: str, text: str, *, rows: tuple[str, ...] = ()) -> Note:
        """Return a warning that names the leg; ``rows`` are the points it is told of."""
        return Note(code, f"{self.leg}: {text}" if self.leg else text, rows=rows)

    def said(self, length_m: float) -> str:
        """Return a length in the unit of the texts."""
        return format_length(length_m, unit=self.length_unit)


class Bend(Record):
    """A bend of the fitted route. ``deflection_deg`` is positive to the right."""

    chainage_m: float
    deflection_deg: float
    radius_m: float = 0.0
    """0 for a sharp bend."""
    from_m: float = 0.0
    to_m: float = 0.0
    sigma_chainage_m: float = np.nan


def check_distinct(points: Floats, sigma_along_m: Floats, leg: str) -> None:
    """Refuse marks that make no line.

    Raises
    ------
    GeometryError
        With fewer than two distinct points.
    """
    name = f'leg "{leg}"' if leg else "the leg"
    if len(points) < 2:
        raise GeometryError(
            f"{name} has {len(points)} mark(s); a route needs two distinct points: shoot more "
            "marks, or give the leg a start or an end"
        )
    spread = float(np.max(np.hypot(*(points - points[0]).T)))
    least = max(0.05, 3.0 * float(np.median(sigma_along_m)))
    if spread < least:
        raise GeometryError(
            f"{name}: all {len(points)} marks lie on one spot (within {spread:.3f} m); a route "
            "needs two distinct points: look for a column read twice or a point shot repeatedly"
        )


LONGER_THAN_FOUND = 1.12
"""A given order is doubted when its dots joined are this much longer than the found order's."""
GAP_OF_SPACING = 2.5
SAME_SPOT_SIGMAS = 3.0


def path_length(points: Floats, order: Ints) -> float:
    """Return the length of the dots joined in an order, metres."""
    return float(np.sum(np.hypot(*np.diff(points[order], axis=0).T)))


def found_order(points: Floats, *, first: int | None = None) -> Ints:
    """Return the order of marks along the shortest open path found.

    Nearest neighbours from each of several likely ends, then turning stretches round while that
    shortens the path (2-opt: Croes, Operations Research 6, 1958).

    Parameters
    ----------
    points : (n, 2) array
    first : int, optional
        The point that must come first.
    """
    # Few routes come this far.
    from scipy.spatial.distance import cdist

    count = len(points)
    apart = cdist(points, points)
    starts = [first] if first is not None else _likely_ends(points, apart)
    best: Ints | None = None
    best_length = np.inf
    for start in starts:
        order = _untwist(_greedy(apart, int(start)), apart, keep_first=first is not None)
        length = float(apart[order[:-1], order[1:]].sum())
        if length < best_length - 1e-9:
            best, best_length = order, length
    if best is None:
        return np.arange(count)
    if first is None and best[0] > best[-1]:
        return best[::-1].copy()
    return best


def _likely_ends(points: Floats, apart: Floats) -> list[int]:
    far = int(np.argmax(apart[0]))
    other = int(np.argmax(apart[far]))
    # An end has its near neighbours on one side only.
    nearest = np.argsort(apart, axis=1, kind="stable")[:, 1:4]
    lean = np.hypot(*(points[nearest].mean(axis=1) - points).T) / np.maximum(
        np.take_along_axis(apart, nearest, axis=1).mean(axis=1), 1e-9
    )
    return list(dict.fromkeys([far, other, *np.argsort(-lean, kind="stable")[:3].tolist(), 0]))


def _greedy(apart: Floats, start: int) -> Ints:
    free, order = apart.copy(), [start]
    while len(order) < len(apart):
        free[:, order[-1]] = np.inf
        order.append(int(free[order[-1]].argmin()))
    return np.array(order)


def _untwist(order: Ints, apart: Floats, *, keep_first: bool) -> Ints:
    """Turn stretches round while the open path gets shorter."""
    count = len(order)
    later = np.triu(np.ones((count, count), dtype=bool), 1)
    later[0] &= not keep_first
    for _ in range(4 * count):
        # Turning order[i..j] round changes the links before i and after j; none beyond the ends.
        along = np.pad(apart[np.ix_(order, order)], 1)
        link = np.diagonal(along, 1)
        gain = link[:-1, None] + link[1:] - along[:-2, 1:-1] - along[1:-1, 2:]
        gain[~later] = 0.0
        i, j = divmod(int(gain.argmax()), count)
        if not gain[i, j] > 1e-9:
            break
        order = np.concatenate([order[:i], order[i : j + 1][::-1], order[j + 1 :]])
    return order


def order_note(
    points: Floats, ids: Sequence[str], given: Ints, *, options: RouteOptions
) -> Note | None:
    """Return a warning where the ground suggests another order than the given one."""
    count = len(points)
    if count < 4 or not _looks_wrong(points[given]):
        return None
    old = path_length(points, given)
    if not _worth_saying(old, *_least_path(points)):
        return None
    found = found_order(points, first=int(given[0]))
    free = found_order(points) if count <= 400 else found
    if path_length(points, free) < path_length(points, found) - 1e-6:
        found = free
    if np.flatnonzero(found == given[0])[0] > np.flatnonzero(found == given[-1])[0]:
        found = found[::-1]
    new = path_length(points, found)
    if not _worth_saying(old, new, float(np.median(np.hypot(*np.diff(points[found], axis=0).T)))):
        return None
    return options.note(
        "mark_order",
        f"the marks in the order given make a line of {options.said(old)}; in the order "
        f"{spans([ids[i] for i in found])} they make one of {options.said(new)}: if that is how "
        'the pipe runs, give the points in that order, or say order = "found"; the order given '
        "was used",
    )


def _worth_saying(old: float, new: float, spacing: float) -> bool:
    """Tell whether a path is so much shorter than the old one that the order is doubted."""
    longer = old >= LONGER_THAN_FOUND * new or old - new >= 6 * spacing
    return longer and old - new >= 1.5 * spacing


def _least_path(points: Floats) -> tuple[float, float]:
    """Return lengths that no path through the points falls below: the whole, its median step.

    Each point is left and reached by steps to two others, the ends by one: no shorter than to its
    nearest neighbours.
    """
    from scipy.spatial import KDTree

    apart, _ = KDTree(points).query(points, k=3)
    one, two = np.sort(apart[:, 1]), np.sort(apart[:, 2])
    return 0.5 * float(one.sum() + two[:-2].sum()), float(np.median(one[:-1]))


def _looks_wrong(points: Floats) -> bool:
    """Tell whether marks in order hold a long jump or turn back on themselves."""
    step = np.diff(points, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    cosine = np.sum(step[1:] * step[:-1], axis=1) / np.maximum(length[1:] * length[:-1], 1e-12)
    return bool(np.any(length > 2.2 * np.median(length)) or np.any(cosine < -0.25))


def spans(ids: Sequence[str]) -> str:
    """Return ids with runs of consecutive numbers drawn together: ``101-104, 110-107``."""
    out: list[str] = []
    i = 0
    while i < len(ids):
        j, step = i, 0
        while j + 1 < len(ids) and ids[j].isdigit() and ids[j + 1].isdigit():
            move = int(ids[j + 1]) - int(ids[j])
            if move not in (1, -1) or (step and move != step):
                break
            step, j = move, j + 1
        out.append(
            ids[i] if i == j else f"{ids[i]}-{ids[j]}" if j > i + 1 else f"{ids[i]}, {ids[j]}"
        )
        i = j + 1
    return ", ".join(out)


def merged(points: Floats, marks: MarkArray, order: Ints) -> tuple[list[list[int]], Floats]:
    """Return groups of mark indices that are one painted spot, in order, and their mean points.

    Shots in succession nearer each other than 3 sigma of the rover and paint are the same spot.
    The sideways locator error of one paint mark is shared by its shots: it is not averaged.
    """
    groups: list[list[int]] = []
    for i in map(int, order):
        if groups:
            last = groups[-1][0]
            near = SAME_SPOT_SIGMAS * math.hypot(marks.sigma_along_m[i], marks.sigma_along_m[last])
            if math.dist(points[i], points[last]) <= near:
                groups[-1].append(i)
                continue
        groups.append([i])
    weight = marks.sigma_along_m[order] ** -2.0
    begin = np.cumsum([0, *map(len, groups[:-1])])
    total = np.add.reduceat(weight[:, None] * points[order], begin)
    means = total / np.add.reduceat(weight, begin)[:, None]
    return groups, means
