"""Repeated observations of one point, averaged with their weights."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.errors import Origin, listed
from geoleak.readers.collector import Collector

if TYPE_CHECKING:
    import pandas as pd

# Two shots of one mark differ by centimetres; by more than this it is a number used twice.
SAME_POINT_WITHIN_M = 0.5
SIGMAS_APART = 5.0
_AVERAGED = ("easting", "northing", "elevation_m", "ellipsoidal_height_m", "depth_m")


def merge_repeats(
    frame: pd.DataFrame, collector: Collector, *, metres_e: float, metres_n: float
) -> pd.DataFrame:
    """Return the points with every id once.

    Parameters
    ----------
    frame : pandas.DataFrame
        As `geoleak.site.PointTable` takes it.
    collector : Collector
        Takes a complaint for a number that stands for two places, a note for repeats.
    metres_e, metres_n : float
        Metres in one unit of easting and of northing at the site (degrees differ by axis).
    """
    ids = frame["id"]
    if (ids.dtype.kind == "i" and (np.diff(ids) > 0).all()) or ids.is_unique:
        return frame
    twice = frame["id"].duplicated(keep=False)
    single = frame[~frame["id"].duplicated()].assign(observations=1)
    repeated: list[str] = []
    for name, group in frame[twice].groupby("id", sort=False):
        mean = _mean(group, np.array([metres_e, metres_n]), collector)
        if mean:
            repeated.append(str(name))
            for column, value in mean.items():
                single.loc[group.index[0], column] = value
    if repeated:
        collector.note(
            "repeated_points",
            f"shot more than once and averaged: {listed(repeated)}",
            Origin(frame["file"].iloc[0]),
        )
    return single.reset_index(drop=True)


def _mean(group: pd.DataFrame, scale: Any, collector: Collector) -> dict[str, Any]:
    """Return the columns of the averaged point; nothing where it stands for two places."""
    xy = group[["easting", "northing"]].to_numpy()
    sigma = group["sigma_horizontal_m"].to_numpy() if "sigma_horizontal_m" in group else None
    if sigma is not None and not np.isfinite(sigma).all():
        sigma = None
    spread = np.hypot(*((xy - xy[0]) * scale).T)
    allowed = SAME_POINT_WITHIN_M
    if sigma is not None:
        allowed = max(allowed, SIGMAS_APART * math.sqrt(2) * float(sigma.max()))
    far = int(spread.argmax())
    first, other = group.iloc[0], group.iloc[far]
    if spread[far] > allowed:
        collector.complain(
            Origin(other["file"], int(other["line"]), 1),
            f'point "{other["id"]}" stands here and at line {first["line"]} of {first["file"]}, '
            f"{spread[far]:.4g} m apart",
            "number one of them anew, or take the wrong one out",
        )
        return {}
    weights = np.ones(len(group)) if sigma is None else 1 / sigma**2
    mean: dict[str, Any] = {"observations": len(group)}
    for name in _AVERAGED:
        values = group[name].to_numpy() if name in group else np.full(len(group), np.nan)
        there = np.isfinite(values)
        if there.any():
            mean[name] = weights[there] @ values[there] / weights[there].sum()
    if sigma is not None:
        mean["sigma_horizontal_m"] = 1 / math.sqrt(weights.sum())
    if "sigma_vertical_m" in group and group["sigma_vertical_m"].notna().any():
        mean["sigma_vertical_m"] = 1 / math.sqrt((1 / group["sigma_vertical_m"] ** 2).sum())
    codes = [code for code in group["code"] if code]
    if codes:
        mean["code"] = codes[0]
    if len(set(codes)) > 1:
        last = group.iloc[-1]
        collector.note(
            "codes_differ",
            f'point "{last["id"]}" is coded {listed(dict.fromkeys(codes))}; "{codes[0]}" is taken',
            Origin(last["file"], int(last["line"])),
        )
    if "status" in group:
        # The average is as good as its best solution: fixed before float before single.
        mean["status"] = group["status"].replace(0, 9).min() % 9
    return mean
