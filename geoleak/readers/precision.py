"""What a rover's precision and fix columns mean, as one standard deviation per axis."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np

from geoleak.errors import Refused
from geoleak.readers.headers import spellings
from geoleak.record import Floats, NDArray
from geoleak.site import STATUSES, PointStatus

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
SCHEMES: dict[str, dict[str, PointStatus]] = {
    "gga": {"4": "fixed", "5": "float", "1": "single", "2": "single"},
    "1 fixed 2 float 5 single": {"1": "fixed", "2": "float", "5": "single"},
}
_FIXED_BELOW_M = 0.1


def per_axis(values_m: Floats, *, meaning: str, axes: int) -> Floats:
    """Return sigma per axis from a precision column.

    Parameters
    ----------
    values_m : ndarray
        The column in metres.
    meaning : {"1 sigma", "2d rms", "95 %"}
        As ``precision_is`` states.
    axes : {1, 2}
        2 for a horizontal figure, 1 for a vertical one or a single axis.
    """
    return values_m / (HORIZONTAL if axes == 2 else ONE_AXIS)[meaning]


def parse_scheme(text: str) -> dict[str, PointStatus]:
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
    return {key: next(each for each in STATUSES if each == word) for key, word in pairs}


def word_key(cell: str) -> str:
    """Return a fix cell without case, blanks and signs."""
    return re.sub(r"[\W_]+", "", cell.casefold()) if cell.strip() != "-" else "-"


def statuses(
    cells: Any, sigma_m: Floats | None, scheme: str | None
) -> tuple[NDArray[np.int8], str, set[str]]:
    """Return the fix of every row, the scheme taken, and the words nobody knows.

    Numbers mean different things to different programs. Without a stated scheme they are compared
    with the precision column; where that does not decide, the fix stays unknown and the scheme
    text is empty. ``cells`` is a series of texts.
    """
    import pandas as pd

    codes, words = pd.factorize(cells)
    keys = {cell: word_key(cell) for cell in words}
    numeric = {key for key in keys.values() if key.isdigit()}
    numbers: dict[str, PointStatus] = {}
    taken = ""
    if numeric and scheme:
        numbers, taken = parse_scheme(scheme), scheme
    elif numeric:
        by_key = np.array(list(keys.values()), dtype=object)[codes]
        fits = [name for name in SCHEMES if _agrees(SCHEMES[name], by_key, numeric, sigma_m)]
        if len(fits) == 1:
            numbers, taken = SCHEMES[fits[0]], fits[0]
    meaning = {**spellings("fix"), **numbers}
    unknown = {c for c, key in keys.items() if key not in meaning and key not in NO_SOLUTION}
    index = {cell: STATUSES.index(meaning.get(key, "unknown")) for cell, key in keys.items()}
    return np.array(list(index.values()), dtype=np.int8)[codes], taken, unknown


def _agrees(
    scheme: dict[str, PointStatus],
    keys: NDArray[Any],
    numeric: set[str],
    sigma_m: Floats | None,
) -> bool:
    """Tell whether the precision column bears a scheme out: fixed finer than float than single."""
    if sigma_m is None or not (numeric - NO_SOLUTION) <= set(scheme):
        return False
    medians: dict[str, list[float]] = {"fixed": [], "float": [], "single": []}
    for key in numeric - NO_SOLUTION:
        values = sigma_m[(keys == key) & np.isfinite(sigma_m)]
        if values.size:
            medians[scheme[key]].append(float(np.median(values)))
    fixed, rough = medians["fixed"], medians["float"] + medians["single"]
    if max(fixed, default=0.0) > _FIXED_BELOW_M or min(rough, default=1.0) < _FIXED_BELOW_M / 5:
        return False
    return not (fixed and rough and max(fixed) >= min(rough))
