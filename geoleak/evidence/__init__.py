"""The kinds of evidence; a new kind is a class and a line in `GATHERERS`."""

from __future__ import annotations

from collections.abc import Callable

from geoleak.evidence import prior
from geoleak.evidence.base import (
    Belief,
    Candidates,
    Evidence,
    Hint,
    KindFit,
    Nodes,
    Piece,
    candidates,
    joined,
    log_sum_exp,
    normal_nodes,
    uniform_nodes,
)
from geoleak.evidence.buried import RodEvidence, SurfaceEvidence
from geoleak.evidence.contact import ContactEvidence
from geoleak.evidence.delay import DelayEvidence, prior_speeds
from geoleak.evidence.isolation import IsolationEvidence, MeterEvidence, Parts
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
    FREEDOM,
    LOUDER_SIGMAS,
    QUIET_PLACES,
    RAISED_SIGMAS,
    SIGMAS_95,
    T_SCALE,
    Pooled,
    surely_louder_db,
)
from geoleak.evidence.seen import HoleEvidence, SightingEvidence
from geoleak.evidence.stop import (
    SAME_SOUND_M,
    StopTests,
    is_another,
    of_the_leak,
    read_off,
    speaks_against,
    tests_of,
)
from geoleak.evidence.tracer import TracerEvidence
from geoleak.survey import Survey

# What makes a kind of a survey; nothing, or one of no rows: nobody recorded it.
GATHERERS: dict[str, Callable[[Survey], Evidence | None]] = {
    "surface": lambda s: SurfaceEvidence(of_the_leak(s, "surface")) if len(s.surface) else None,
    "contact": lambda s: ContactEvidence(of_the_leak(s, "contact")) if len(s.contact) else None,
    "delay": DelayEvidence,
    "isolation": IsolationEvidence,
    "meter": MeterEvidence.of,
    "gas": lambda s: TracerEvidence(s, s.gas) if len(s.gas) else None,
    "bar_hole": lambda s: TracerEvidence(s, s.bar_hole) if len(s.bar_hole) else None,
    "rod": lambda s: RodEvidence(s) if len(s.rod) else None,
    "sighting": SightingEvidence,
    "hole": HoleEvidence,
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
    return tuple(each for each in found if each is not None and each.rows)
