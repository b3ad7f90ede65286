"""The kinds of evidence, one file each; a new kind is a file here and a line in `GATHERERS`."""

from __future__ import annotations

from collections.abc import Callable

from geoleak.evidence import contact, delay, hole, isolation, meter, rod, sighting, surface, tracer
from geoleak.evidence.base import (
    Belief,
    Candidates,
    Evidence,
    Hint,
    KindFit,
    Nodes,
    candidates,
    log_sum_exp,
    normal_nodes,
    uniform_nodes,
)
from geoleak.evidence.contact import ContactEvidence
from geoleak.evidence.delay import DelayEvidence, prior_speeds
from geoleak.evidence.hole import HoleEvidence
from geoleak.evidence.isolation import Parts
from geoleak.evidence.levels import (
    AGAIN,
    LOUD,
    PER_DB,
    Deviates,
    LevelDraws,
    LevelEvidence,
    pipe_loss,
)
from geoleak.evidence.pooling import (
    LOUDER_SIGMAS,
    QUIET_PLACES,
    RAISED_SIGMAS,
    SIGMAS_95,
    T_SCALE,
    Pooled,
    surely_louder_db,
)
from geoleak.evidence.robust import FREEDOM
from geoleak.evidence.stop import (
    SAME_SOUND_M,
    StopTests,
    heard_otherwise,
    is_another,
    speaks_against,
    tests_of,
)
from geoleak.evidence.surface import SurfaceEvidence
from geoleak.survey import Survey

__all__ = [
    "AGAIN",
    "FREEDOM",
    "GATHERERS",
    "LOUD",
    "LOUDER_SIGMAS",
    "PER_DB",
    "QUIET_PLACES",
    "RAISED_SIGMAS",
    "SAME_SOUND_M",
    "SIGMAS_95",
    "T_SCALE",
    "Belief",
    "Candidates",
    "ContactEvidence",
    "DelayEvidence",
    "Deviates",
    "Evidence",
    "Hint",
    "HoleEvidence",
    "KindFit",
    "LevelDraws",
    "LevelEvidence",
    "Nodes",
    "Parts",
    "Pooled",
    "StopTests",
    "SurfaceEvidence",
    "candidates",
    "gather",
    "heard_otherwise",
    "is_another",
    "log_sum_exp",
    "normal_nodes",
    "pipe_loss",
    "prior",
    "prior_speeds",
    "speaks_against",
    "surely_louder_db",
    "tests_of",
    "uniform_nodes",
]

GATHERERS: dict[str, Callable[[Survey], Evidence | None]] = {
    "surface": surface.gather,
    "contact": contact.gather,
    "delay": delay.gather,
    "isolation": isolation.gather,
    "meter": meter.gather,
    "gas": tracer.gather_gas,
    "bar_hole": tracer.gather_bar_hole,
    "rod": rod.gather,
    "sighting": sighting.gather,
    "hole": hole.gather,
}


def gather(survey: Survey, *, without: frozenset[str] = frozenset()) -> tuple[Evidence, ...]:
    """Return the kinds that were recorded, in the order of `GATHERERS`.

    Parameters
    ----------
    survey : Survey
    without : frozenset of str
        Kinds that are switched off.
    """
    found = (make(survey) for kind, make in GATHERERS.items() if kind not in without)
    return tuple(each for each in found if each is not None)
