"""Repeated observations of one point, averaged with their weights."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from geoleak.errors import Origin, listed
from geoleak.readers.collector import Collector
from geoleak.readers.long_columns import NumberedIds
from geoleak.readers.point_table import Columns, FloatArray

# Two shots of one mark differ by centimetres; by more than this it is a number used twice.
SAME_POINT_WITHIN_M = 0.5
SIGMAS_APART = 5.0
_AVERAGED = ("elevation_m", "ellipsoidal_height_m", "depth_m")


def merge_repeats(
    held: Columns, collector: Collector, *, metres_e: float, metres_n: float
) -> Columns:
    """Return columns with every id once.

    Parameters
    ----------
    held : Columns
        As read.
    collector : Collector
        Takes a complaint for a number that stands for two places, a note for repeats.
    metres_e, metres_n : float
        Metres in one unit of easting and of northing at the site (degrees differ by axis).
    """
    if isinstance(held.ids, NumberedIds):
        if held.ids.all_different():
            return held
    elif len(set(held.ids)) == len(held.ids):
        return held
    groups: dict[str, list[int]] = defaultdict(list)
    for index, identifier in enumerate(held.ids):
        groups[identifier].append(index)
    scale = np.array([metres_e, metres_n])
    keep = [group[0] for group in groups.values()]
    merged = _taken(held, keep)
    repeated: list[str] = []
    for place, group in enumerate(groups.values()):
        if len(group) > 1 and _average(held, merged, place, group, scale, collector):
            repeated.append(held.ids[group[0]])
    if repeated:
        collector.note(
            "repeated_points",
            f"shot more than once and averaged: {listed(repeated)}",
            Origin(held.files[0]),
        )
    return merged


def _taken(held: Columns, keep: Sequence[int]) -> Columns:
    index = np.asarray(keep, dtype=np.intp)

    def pick(cells: Sequence[str]) -> list[str]:
        return [cells[each] for each in keep]

    return Columns(
        ids=pick(held.ids),
        easting=held.easting[index],
        northing=held.northing[index],
        codes=pick(held.codes),
        files=pick(held.files),
        lines=[held.lines[each] for each in keep],
        numbers={name: values[index] for name, values in held.numbers.items()},
        status=None if held.status is None else held.status[index],
        times=None if held.times is None else pick(held.times),
        notes=None if held.notes is None else pick(held.notes),
        observations=np.ones(len(keep), dtype=np.int32),
        extra={name: pick(cells) for name, cells in held.extra.items()},
    )


def _average(
    held: Columns,
    merged: Columns,
    place: int,
    group: list[int],
    scale: FloatArray,
    collector: Collector,
) -> bool:
    xy = np.column_stack([held.easting[group], held.northing[group]])
    sigma = held.numbers.get("sigma_horizontal_m")
    sigmas = None if sigma is None else sigma[group]
    if sigmas is None or not np.isfinite(sigmas).all():
        sigmas = None
    spread = np.hypot(*((xy - xy[0]) * scale).T)
    allowed = SAME_POINT_WITHIN_M
    if sigmas is not None:
        allowed = max(allowed, SIGMAS_APART * math.sqrt(2) * float(sigmas.max()))
    far = int(spread.argmax())
    if spread[far] > allowed:
        first, other = group[0], group[far]
        collector.complain(
            Origin(held.files[other], held.lines[other], 1),
            f'point "{held.ids[other]}" stands here and at line {held.lines[first]} of '
            f"{held.files[first]}, {spread[far]:.4g} m apart",
            "number one of them anew, or take the wrong one out",
        )
        return False
    weights = np.ones(len(group)) if sigmas is None else 1 / sigmas**2
    merged.easting[place], merged.northing[place] = weights @ xy / weights.sum()
    if sigmas is not None:
        merged.numbers["sigma_horizontal_m"][place] = 1 / math.sqrt(weights.sum())
    for name in _AVERAGED:
        _average_numbers(held, merged, place, group, name, weights)
    _average_vertical_sigma(held, merged, place, group)
    _keep_words(held, merged, place, group, collector)
    merged.observations[place] = len(group)  # type: ignore[index]
    return True


def _average_numbers(
    held: Columns, merged: Columns, place: int, group: list[int], name: str, weights: FloatArray
) -> None:
    if name not in held.numbers:
        return
    values = held.numbers[name][group]
    there = np.isfinite(values)
    if there.any():
        merged.numbers[name][place] = weights[there] @ values[there] / weights[there].sum()


def _average_vertical_sigma(held: Columns, merged: Columns, place: int, group: list[int]) -> None:
    values = held.numbers.get("sigma_vertical_m")
    if values is not None:
        there = values[group][np.isfinite(values[group])]
        if there.size:
            merged.numbers["sigma_vertical_m"][place] = 1 / math.sqrt((1 / there**2).sum())


def _keep_words(
    held: Columns, merged: Columns, place: int, group: list[int], collector: Collector
) -> None:
    codes = [held.codes[index] for index in group if held.codes[index]]
    if codes:
        merged.codes[place] = codes[0]  # type: ignore[index]
    if len(set(codes)) > 1:
        where = Origin(held.files[group[-1]], held.lines[group[-1]])
        collector.note(
            "codes_differ",
            f'point "{held.ids[group[0]]}" is coded {listed(dict.fromkeys(codes))};'
            f' "{codes[0]}" is taken',
            where,
        )
    if held.status is not None and merged.status is not None:
        # The average is as good as its best solution: fixed before float before single.
        ranks = [int(held.status[index]) or 9 for index in group]
        merged.status[place] = min(ranks) % 9
