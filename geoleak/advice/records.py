"""What stops a dig, and what a dig opens: the records that every doubt is told in."""

from __future__ import annotations

from dataclasses import dataclass

from geoleak.site import Note

# Leg number, chainage_m, aside_m (right positive).
Place = tuple[int, float, float]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason not to dig, whatever the chance is.

    ``job`` says what to do first; nothing: what the next readings tell. ``minutes`` names the
    setting of what it takes, ``"reading_minutes"`` at each of ``places``, which are as in `Check`.
    """

    text: str
    job: str = ""
    minutes: str = "check_redo_minutes"
    places: tuple[Place, ...] = ()
    note: Note | None = None
    kind: str = "redo"


@dataclass(frozen=True, slots=True)
class Dig:
    """What is to be opened: pieces of pipe, the stake, the errors of setting it out."""

    pieces: tuple[tuple[int, float, float], ...]
    leg: int
    stake_m: float
    sigma_m: tuple[float, float]
    """Along and across the pipe."""
    reach_m: tuple[float, float]
    """Half the hole's length and half its width."""
    aside_chance: float
    """Chance that the hole is dry for a line beside the traced one."""
    chance: float = 1.0
    """Chance that the hole holds the leak."""
