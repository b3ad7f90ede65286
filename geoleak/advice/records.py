"""What stops a dig, what a dig opens, what was heard about it: all that a doubt looks at."""

from __future__ import annotations

import numpy as np

from geoleak.evidence import (
    QUIET_PLACES,
    RAISED_SIGMAS,
    SAME_SOUND_M,
    StopTests,
    speaks_against,
    surely_louder_db,
    tests_of,
)
from geoleak.posterior import SILENT, Explanation, Posterior
from geoleak.record import Bools, Floats, Ints, Record
from geoleak.site import Note
from geoleak.survey import Survey, SurveyedLeg, SurveyedStop
from geoleak.tables import setting
from geoleak.units import format_length, format_station

# A rival more likely than not is what there is to look for.
BELIEVED = 0.5
# Leg number, chainage_m, aside_m (right positive).
Place = tuple[int, float, float]


def percent(chance: float) -> str:
    """Return a chance in whole per cent, never 0 % or 100 %."""
    if chance < 0.01:
        return "under 1 %"
    if chance > 0.99:
        return "over 99 %"
    return f"{round(100 * chance)} %"


class Doubt(Record):
    """One reason not to dig, whatever the chance is.

    ``job`` says what to do first; nothing: what the next readings tell. ``minutes`` names the
    setting of what it takes, ``"reading_minutes"`` at each of ``places``, which are as in `Check`;
    of kind "rod" it is what its pushes take. ``then`` says what its outcomes mean. ``code`` is its
    name in `DOUBTS`.
    """

    text: str
    job: str = ""
    minutes: str = "check_redo_minutes"
    places: tuple[Place, ...] = ()
    note: Note | None = None
    kind: str = "redo"
    then: str = ""
    stops: bool = True
    """Not so: it is said, and stops no dig."""
    code: str = ""


class Dig(Record):
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


class Spots(Record, eq=False):
    """Surface readings of one leg, those of one place, session and surface as one, n of them.

    ``like`` numbers the session and surface; ``readings`` counts the readings of a spot.
    """

    survey: Survey
    leg: int
    chainage_m: Floats
    offset_m: Floats
    place: Floats
    """Easting and northing, shape (n, 2)."""
    level_db: Floats
    readings: Floats
    like: Ints
    row: Ints
    """The first reading of each."""

    @classmethod
    def of(cls, survey: Survey, leg: int) -> Spots:
        """Return the spots of a leg."""
        rows = survey.surface
        on = np.flatnonzero((rows.leg == leg) & (rows.censored == 0))
        names = sorted({each or "" for each in rows.surface})
        surface = np.array([names.index(rows.surface[k] or "") for k in on], dtype=np.int64)
        like = rows.session[on] * max(len(names), 1) + surface
        at = np.round(10.0 * np.stack([rows.chainage_m[on], rows.offset_m[on]]))
        key = np.vstack([like, at]).astype(np.int64)
        _, first, group = np.unique(key, axis=1, return_index=True, return_inverse=True)
        weight = np.maximum(rows.repeats[on], 1).astype(float)
        count = np.bincount(group.ravel(), weights=weight, minlength=len(first))
        total = np.bincount(group.ravel(), weights=weight * rows.level_db[on], minlength=len(first))
        row = on[first]
        return cls(
            survey,
            leg,
            rows.chainage_m[row],
            rows.offset_m[row],
            np.column_stack([rows.easting_m[row], rows.northing_m[row]]),
            total / np.maximum(count, 1.0),
            count.astype(float),
            like[first].astype(np.int_),
            row,
        )

    @property
    def aside(self) -> Bools:
        """Tell which stand beside the line, farther than a trench is wide."""
        return np.asarray(np.abs(self.offset_m) >= setting("rival_aside_nearest").value)

    def about(self, chainage_m: float) -> Bools:
        """Tell which are within hearing of a place."""
        return np.asarray(np.abs(self.chainage_m - chainage_m) < SAME_SOUND_M)

    def named(self, k: int) -> str:
        """Return a spot's reading, its place and its level."""
        return f"{self.survey.surface.named(int(self.row[k]))} {self.level_db[k]:.0f} dB"

    def quiet_db(self, k: int) -> float | None:
        """Return the background of a spot: the middle of the line out of hearing of it."""
        out = ~self.about(self.chainage_m[k]) & ~self.aside & (self.like == self.like[k])
        return float(np.median(self.level_db[out])) if out.sum() >= QUIET_PLACES else None

    def expected_db(self, k: int, away_m: Floats, quiet_db: float) -> Floats:
        """Return the levels some way off if spot ``k`` stands over a leak, in middling soil.

        Spherical spreading and the soil's loss from the depth of the pipe, over the background.
        """
        depth = float(self.survey.legs[self.leg].fit.depth_m(self.chainage_m[k : k + 1])[0])
        depth = depth if np.isfinite(depth) and depth > 0.0 else 1.0
        ray = np.hypot(away_m, depth)
        lost = 20.0 * np.log10(ray / depth)
        lost = lost + self.survey.site.tables.soil().loss_db_per_m * (ray - depth)
        heard = 10.0 ** (max(self.level_db[k] - quiet_db, 0.0) / 10.0) - 1.0
        return quiet_db + 10.0 * np.log10(1.0 + heard * 10.0 ** (-lost / 10.0))


class Case(Record, eq=False):
    """One answer and what it rests on, worked out once for all who doubt it."""

    survey: Survey
    posterior: Posterior
    dig: Dig
    leg: SurveyedLeg
    """The stake's."""
    spots: Spots
    """Its surface readings."""
    stops: StopTests
    silent: bool
    """The readings are likelier without a leak."""
    ground_db: float
    """The middle level of the ground that was read; nan where none was."""
    faint_rods: tuple[SurveyedStop, ...]
    """What rods tell that heard nothing with everything off; none where one heard the sound."""

    def length(self, metres: float, *, decimals: int | None = None) -> str:
        """Return a length in the site's unit, as it is said."""
        return format_length(metres, unit=self.survey.site.length_unit, decimals=decimals)

    def station(self, leg: int, chainage_m: float) -> str:
        """Return a place on a leg, as it is said."""
        at = format_station(chainage_m, unit=self.survey.site.length_unit)
        return f"{self.survey.legs[leg].name} {at}"

    @property
    def believed_aside(self) -> Explanation | None:
        """A line beside this one, where it is likelier than not."""
        rival = next((e for e in self.posterior.rivals if e.name == "aside"), None)
        return rival if self.dig.aside_chance >= BELIEVED else None

    @property
    def tests(self) -> tuple[SurveyedStop, ...]:
        """The stop tests at the stake that still count."""
        return tests_of(self.stops.made, self.dig.leg, self.dig.stake_m)

    @classmethod
    def of(cls, survey: Survey, posterior: Posterior, dig: Dig) -> Case:
        """Return the case of an answer."""
        odds = posterior.no_leak_odds
        silent = odds is not None and odds > SILENT
        spots, stops = Spots.of(survey, dig.leg), StopTests(survey)
        heard = survey.surface.at_one_gain_db
        ground = float(np.median(heard)) if len(heard) else np.nan
        # A rod over ground that was quiet itself heard no sound.
        raised = ground + surely_louder_db(survey)
        told = [each for each in stops.by_rod if each.as_found_db > raised]
        faint = tuple(each for each in told if speaks_against(survey, each))
        faint = faint if len(faint) == len(told) else ()
        leg = survey.legs[dig.leg]
        return cls(survey, posterior, dig, leg, spots, stops, silent, ground, faint)

    def notes(self, *codes: str) -> list[Note]:
        """Return what the fit of the stake's leg warns of by these codes."""
        return [note for note in self.leg.fit.warnings if note.code in codes]

    def raised(self, sigmas: float = RAISED_SIGMAS) -> Bools:
        """Tell which surface readings stand over the middle of them by so many sigmas of one."""
        levels = self.survey.site.levels
        error = sigmas * float(np.hypot(levels.level_sigma_db, levels.place_sigma_db))
        return np.asarray(self.survey.surface.at_one_gain_db - self.ground_db > error)
