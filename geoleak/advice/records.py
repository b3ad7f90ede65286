"""What the advice hands on: plain frozen records, no computation."""

from __future__ import annotations

from dataclasses import dataclass

from geoleak.posterior import Piece
from geoleak.site import Note


@dataclass(frozen=True, slots=True)
class DigWindow:
    """A stretch to open, in one piece or following a tee, with the chance that it holds the leak.

    ``chance`` counts elsewhere, setting out, and a pipe that lies farther aside than the hole.
    """

    pieces: tuple[Piece, ...]
    length_m: float
    chance: float


@dataclass(frozen=True, slots=True)
class NextReading:
    """A reading worth taking next and how long the 95 % interval is expected to be after it."""

    kind: str
    leg: int
    chainage_m: float
    point: str | None
    expected_interval_95_m: float


@dataclass(frozen=True, slots=True)
class Decision:
    """Dig or listen on, with reasons in plain words."""

    verdict: str
    """``"dig"`` or ``"listen_on"``."""
    reasons: tuple[str, ...]
    leg: int
    stake_m: float
    hole: DigWindow
    then: tuple[DigWindow, ...] = ()
    chance_by_length: tuple[tuple[float, float], ...] = ()
    """(hole length in metres, chance in it), for a crew that may open more or less."""
    next_readings: tuple[NextReading, ...] = ()
    value_of_reading: float | None = None
    """Expected saving of one more reading over digging now, in the user's currency."""
    notes: tuple[Note, ...] = ()
