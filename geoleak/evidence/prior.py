"""Where a leak is likely before anything was heard: even per metre, times stated factors."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoleak.evidence.base import Candidates, Hint
from geoleak.survey import Survey

Floats = npt.NDArray[np.float64]


def log_factor(survey: Survey, places: Candidates) -> tuple[Floats, dict[str, float]]:
    """Return the log of the prior factor at each place, shape (k,), and the factors in use."""
    return np.zeros(len(places)), {}


def hints(survey: Survey) -> tuple[Hint, ...]:
    """Return where the prior changes fast."""
    return ()
