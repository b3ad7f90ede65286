"""Ground that fools a careful crew, and a technician who does the one check that is asked for.

Sites on which what is heard is not a leak straight below: a pump or a draw-off at a fitting, a
leak on a branch nobody traced, a pump beside a leak, a leak past the last mark, a sound that comes
up along the bedding. The physics is that of `tests.trials.field` (rays through two layers, gusts,
a hand that drifts, spoilt readings), not the tool's. A check is carried out on the same ground.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from geoleak.advice import Check
from geoleak.record import Record, replace
from geoleak.site import LevelSettings, Place, Point, StopTest
from geoleak.survey.records import Levels, Survey, SurveyedPoint, SurveyedStop
from geoleak.tables import setting
from tests import synthetic
from tests.trials.field import PLACE_DB, READING_DB, Ground, background_db, ray_db

BACKGROUND_DB = 40.0
# A rod's ear is under the wind: its background is lower, its coupling worse.
ROD_BACKGROUND_DB, ROD_SIGMA_DB, ROD_STANDOFF_M = 36.0, 3.5, 0.12
LENGTH_M = 80.0
HALF_WIDTH_M = 0.45
# Shut valves that pass, those of them that the tap past it does not show (the check asks for it
# to run dry; another valve is shut then), and branches that hang on another supply.
VALVE_PASSES, UNSEEN, FOREIGN = 0.08, 0.1, 0.3
# A fall by which a technician says that it died with the supply.
STOPPED_DB = 6.0
# Two readings of one place that differ by more are a slip of the pen.
SLIP_DB = 9.0
CODES = {0.0: "MTR", LENGTH_M: "HB"}
# Where a line is traced to a faucet it runs on as rarely as the tool's table has it: half of all
# other lines end at one.
FAUCET_PAST = 0.3 * 0.5 / (0.3 * 0.5 + 0.5)


class Source(Record):
    """Something that is heard. ``comes_up_m``: how far along the trench its sound comes up."""

    chainage_m: float
    strength_db: float
    aside_m: float = 0.0
    comes_up_m: float = 0.0
    stops_with_taps: bool = False
    stops_with_fitting: bool = False
    stops_with_supply: bool = True


@dataclass(slots=True)
class World:
    """One site as it is: the ground, what sounds, where the leak is, what the crew has done."""

    rng: np.random.Generator
    ground: Ground
    sources: tuple[Source, ...]
    leak: Source
    fittings: tuple[float, ...]
    runs_on_m: float
    """How far the pipe goes on past the last mark."""
    survey: Survey
    everything_off: bool
    minutes: float = 0.0
    checks: list[str] = field(default_factory=list)

    def hit(self, pieces: tuple[tuple[int, float, float], ...]) -> bool:
        """Tell whether a hole finds the leak."""
        at = self.leak.chainage_m
        inside = any(start <= at <= end for _, start, end in pieces)
        return inside and abs(self.leak.aside_m) < HALF_WIDTH_M

    # -- what an instrument shows ------------------------------------------------------------------

    def power(self, at: np.ndarray, offset: np.ndarray, heard: tuple[Source, ...]) -> np.ndarray:
        """Return the power at the surface over the background."""
        total = np.zeros(len(at))
        for each in heard:
            total += 10 ** (each.strength_db / 10) * surface_power(self.ground, each, at, offset)
        return total

    def surface(
        self, at: np.ndarray, offset: np.ndarray, *, off: bool, drift: bool = False
    ) -> np.ndarray:
        """Return levels as a technician writes them down."""
        heard = tuple(s for s in self.sources if not (off and s.stops_with_taps))
        floor = background_db(len(at), self.rng)
        level = 10 * np.log10(10 ** (floor / 10) * (1 + self.power(at, offset, heard)))
        sigma = np.hypot(READING_DB, PLACE_DB) * self.rng.uniform(0.7, 1.1)
        level = level + self.rng.normal(0, sigma, len(at))
        if drift:
            level = level + np.linspace(0, self.rng.normal(0, 1.0), len(at))
        spoilt = self.rng.random(len(at)) < 1 / 30
        return np.round(level + spoilt * self.rng.normal(0, 8, len(at)))

    def still(self, at_m: float, keep: Any) -> float:
        """Return one careful level at a place with only some of the sources on."""
        heard = tuple(s for s in self.sources if keep(s))
        floor = BACKGROUND_DB + self.rng.normal(0, 1.0)
        power = self.power(np.array([at_m]), np.zeros(1), heard)[0]
        return float(np.round(floor + 10 * np.log10(1 + power) + self.rng.normal(0, READING_DB)))

    def rod(self, at: np.ndarray) -> np.ndarray:
        """Return levels through a rod beside the pipe, from the near field and along the pipe.

        With every tap and machine off.
        """
        ground, total = self.ground, np.zeros(len(at))
        for each in (source for source in self.sources if not source.stops_with_taps):
            away = np.sqrt((at - each.chainage_m) ** 2 + each.aside_m**2 + ROD_STANDOFF_M**2)
            near = 20 * np.log10(ground.depth_m / away)
            near = near + (ground.depth_m - away) * ground.loss_low
            along = np.abs(at - each.chainage_m) + abs(each.aside_m)
            carried = ground.carried * (ground.depth_m / ROD_STANDOFF_M)
            carried = carried * 10 ** (-ground.pipe_loss * along / 10)
            total += 10 ** (each.strength_db / 10) * (10 ** (near / 10) + carried)
        level = ROD_BACKGROUND_DB + 10 * np.log10(1 + total)
        return np.round(level + self.rng.normal(0, ROD_SIGMA_DB, len(at)))

    # -- what a technician does ----------------------------------------------------------------

    def do(self, check: Check) -> None:
        """Carry out one check and put what it shows into the survey."""
        self.minutes += check.minutes
        self.checks.append(check.kind)
        getattr(self, f"_{check.kind}")(check)

    def _stop(self, check: Check) -> None:
        _, at, _ = check.places[0]
        fitting = min(self.fittings, key=lambda f: abs(f - at), default=None)
        near = fitting is not None and abs(fitting - at) < 3.0
        all_off = self.still(at, lambda s: not s.stops_with_taps)
        worked = self.still(at, lambda s: not s.stops_with_fitting) if near else np.nan
        found = self.still(at, lambda s: not (self.everything_off and s.stops_with_taps))
        passes = self.rng.random() < VALVE_PASSES * UNSEEN
        shut = self.still(at, lambda s: passes or not s.stops_with_supply)
        if check.minutes < setting("check_stop_minutes").value:  # taps and machines alone
            worked = shut = np.nan
        test = StopTest("s1", Place("leg", "leg0", leg="leg0", chainage_m=at))
        done = SurveyedStop(test, 0, at, found, all_off, worked, shut)
        # A repeat in which it dies with the supply strikes out the one in which the valve passed.
        kept = self.survey.stops
        if found - shut > STOPPED_DB:
            kept = tuple(t for t in kept if t.as_found_db - t.supply_shut_db > STOPPED_DB)
        self.survey = replace(self.survey, stops=(*kept, done))

    def _across(self, check: Check) -> None:
        at = np.array([c for _, c, _ in check.places])
        offset = np.array([o for _, _, o in check.places])
        level = self.surface(at, offset, off=self.everything_off)
        self._add("surface", at, level, offset)

    def _redo(self, check: Check) -> None:
        """Read again, or further on; of two readings of a place far apart the older is struck."""
        at = np.array([c for _, c, _ in check.places])
        offset = np.array([o for _, _, o in check.places])
        level = self.surface(at, offset, off=self.everything_off)
        rows = self.survey.surface
        away = np.hypot(rows.chainage_m[:, None] - at, rows.offset_m[:, None] - offset)
        apart = np.abs(rows.level_db[:, None] - level) > SLIP_DB
        keep = np.flatnonzero(~np.any((away < 0.1) & apart, axis=1))
        kept = synthetic.levels(
            "surface",
            rows.chainage_m[keep],
            rows.level_db[keep],
            route=self.survey.legs[0].route,
            offset_m=rows.offset_m[keep],
            everything_off=rows.everything_off[keep],
        )
        self.survey = replace(self.survey, surface=kept)
        self._add("surface", at, level, offset)

    def _rod(self, check: Check) -> None:
        """Push where it is asked for, and on past the loudest until it falls, twice at most."""
        at = np.array([c for _, c, _ in check.places])
        level = self.rod(at)
        for _ in range(2):
            top = int(np.argmax(level))
            if len(at) < 3 or at[top] not in (at.min(), at.max()):
                break
            further = at[top] + (0.5 if at[top] == at.max() else -0.5)
            if not 0.0 <= further <= LENGTH_M:
                break
            self.minutes += setting("rod_push_minutes").value
            at = np.append(at, further)
            level = np.append(level, self.rod(at[-1:]))
        self._add("rod", at, level, np.zeros(len(at)), off=True)

    def _again(self, check: Check) -> None:
        """Read the line again with what the stop test found turned off."""
        self.sources = tuple(
            s for s in self.sources if not (s.stops_with_taps or s.stops_with_fitting)
        )
        self.everything_off = True
        self.survey = replace(self.survey, surface=synthetic.survey().surface)
        at = np.array([c for _, c, _ in check.places])
        self._add("surface", at, self.surface(at, np.zeros(len(at)), off=True), np.zeros(len(at)))

    def _trace_on(self, check: Check) -> None:
        _, at, _ = check.places[0]
        start = at < 0.5 * LENGTH_M
        old = self.survey.legs[0]
        if start or self.runs_on_m <= 0:
            side = "start" if start else "end"
            leg = old.leg.model_copy(update={"ends_here": (*old.leg.ends_here, side)})
            self.survey = replace(self.survey, legs=(replace(old, leg=leg),))
            return
        longer = synthetic.straight(LENGTH_M + self.runs_on_m)
        leg = old.leg.model_copy(update={"ends_here": (*old.leg.ends_here, "end")})
        fit = replace(old.fit, route=longer)
        whole = synthetic.survey([longer])
        self.survey = replace(
            self.survey, legs=(replace(old, leg=leg, fit=fit),), network=whole.network
        )
        more = np.arange(LENGTH_M, LENGTH_M + self.runs_on_m, 0.9)
        level = self.surface(more, np.zeros(len(more)), off=self.everything_off)
        self._add("surface", more, level, np.zeros(len(more)))

    def _add(
        self,
        kind: str,
        at: np.ndarray,
        level: np.ndarray,
        offset: np.ndarray,
        *,
        off: bool | None = None,
    ) -> None:
        route = self.survey.legs[0].route
        old: Levels = getattr(self.survey, kind)
        many = synthetic.levels(
            kind,
            np.concatenate([old.chainage_m, at]),
            np.concatenate([old.level_db, level]),
            route=route,
            offset_m=np.concatenate([old.offset_m, offset]),
        )
        quiet = np.full(len(at), self.everything_off if off is None else off)
        quiet = np.concatenate([old.everything_off, quiet])
        self.survey = replace(self.survey, **{kind: replace(many, everything_off=quiet)})


def surface_power(ground: Ground, source: Source, at: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """Return a source's power at the surface against that straight above it."""
    comes_up = source.chainage_m + source.comes_up_m
    aside = offset - source.aside_m
    straight = 10 ** (ray_db(ground, np.hypot(at - comes_up, aside)) / 10)
    row = np.arange(-20.0, 20.1, 0.25)
    lost = (np.abs(row) + abs(source.aside_m)) * ground.pipe_loss
    rays = ray_db(ground, np.hypot(at[:, None] - source.chainage_m - row, offset[:, None]))
    along = (10 ** ((rays - lost) / 10)).sum(axis=1) / 10
    return straight + ground.carried * along


def draw(kind: str, rng: np.random.Generator, *, documented: float = 0.0) -> World:
    """Draw one site.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    documented : float
        Share of sites whose crew listened with everything off (a pump that stops with the taps is
        then not heard), and, apart, of those that know that the pipe ends where the marks do.
    """
    iron = bool(rng.random() < 0.5)
    ground = Ground.draw(rng, iron=iron, slab=False)
    everything_off = bool(rng.random() < documented)
    spacing = float(rng.uniform(0.7, 1.3))
    count = int(rng.integers(20, 41))
    stretch = spacing * (count - 1)
    start = float(rng.uniform(0.0, max(1.0, LENGTH_M - stretch)))
    goes_on = kind in ("beyond the last mark", "past a faucet")
    if goes_on:
        start = LENGTH_M - stretch
    marks = start + spacing * np.arange(count)
    marks = marks[marks <= LENGTH_M]
    fittings = (0.0, float(rng.uniform(marks[0] + 1, marks[-1] - 1)))
    strength = float(rng.normal(19.0, 5.0))
    heard, leak = _sources(kind, rng, marks, fittings, strength, everything_off)
    runs_on = float(rng.uniform(6.0, 8.0)) if goes_on or rng.random() < 0.3 else 0.0
    share = {"beyond the last mark": FAUCET_PAST, "past a faucet": 1.0}.get(kind, 0.5)
    if rng.random() < share:
        fittings = (*fittings, LENGTH_M)
        runs_on = runs_on if goes_on else 0.0
    world = World(rng, ground, heard, leak, fittings, runs_on, synthetic.survey(), everything_off)
    ends = ("start", "end") if runs_on == 0 and rng.random() < documented else ("start",)
    world.survey = _survey(world, marks, iron, spacing, ends)
    return world


def _sources(
    kind: str,
    rng: np.random.Generator,
    marks: np.ndarray,
    fittings: tuple[float, ...],
    strength: float,
    everything_off: bool,
) -> tuple[tuple[Source, ...], Source]:
    place = float(rng.uniform(marks[0], marks[-1]))
    leak = Source(place, strength)
    if kind == "sound":
        return (leak,), leak
    if kind == "leak at a fitting":
        leak = Source(fittings[1] + float(rng.normal(0, 0.1)), strength)
        return (leak,), leak
    if kind == "untraced branch":
        aside = float(rng.choice([-1, 1]) * rng.uniform(1.0, 4.0))
        leak = replace(leak, aside_m=aside, stops_with_supply=bool(rng.random() > FOREIGN))
        return (leak,), leak
    if kind == "past a faucet":
        leak = Source(LENGTH_M + float(rng.uniform(0.5, 4.0)), strength)
        return (leak,), leak
    if kind == "beyond the last mark":
        leak = Source(LENGTH_M + float(rng.uniform(0.3, 6.0)), strength)
        return (leak,), leak
    if kind == "bedding":
        leak = replace(leak, comes_up_m=float(rng.choice([-1, 1]) * rng.uniform(0.5, 2.0)))
        return (leak,), leak
    at = fittings[1] if rng.random() < 0.6 else float(rng.uniform(marks[0], marks[-1]))
    other = _other(rng, at, strength, at_fitting=at == fittings[1])
    if kind == "pump and leak":
        while abs(leak.chainage_m - at) < 4.0:
            leak = replace(leak, chainage_m=float(rng.uniform(marks[0], marks[-1])))
        other = replace(other, strength_db=strength + float(rng.normal(3.0, 3.0)))
        return (leak, other), leak
    if kind != "pump or draw-off":
        raise ValueError(f"no kind of ground {kind!r}")
    # The leak itself is too faint to be heard, anywhere on the pipe.
    return (other,), Source(float(rng.uniform(0.0, LENGTH_M)), -20.0)


def _other(rng: np.random.Generator, at: float, strength: float, *, at_fitting: bool) -> Source:
    """Return what is not the leak: a tap left running, a pump here or next door, a throttled
    valve, a valve nobody knows of that hisses with the leak's own flow."""
    share = rng.random()
    if share < 0.40:
        return Source(at, strength, stops_with_taps=True)
    if share < 0.67:
        return Source(at, strength, stops_with_taps=True, stops_with_supply=False)
    if share < 0.75:
        return Source(at, strength, stops_with_supply=False)
    if share < 0.92 and at_fitting:
        return Source(at, strength, stops_with_fitting=True)
    return Source(at, strength)


def _survey(
    world: World, marks: np.ndarray, iron: bool, spacing: float, ends: tuple[str, ...]
) -> Survey:
    rng = world.rng
    at = marks + rng.normal(0, 0.06, len(marks))
    offset = rng.normal(0, 0.05 + 0.08 * world.ground.depth_m, len(marks))
    level = world.surface(at, offset, off=world.everything_off, drift=True)
    route = synthetic.straight(LENGTH_M)
    material = "cast_iron" if iron else "pvc"
    if rng.random() < 0.1:
        material = "pvc" if iron else "cast_iron"
    rows = synthetic.levels("surface", marks, level, route=route)
    off = np.full(len(marks), world.everything_off)
    depth = world.ground.depth_m * float(np.exp(rng.normal(0, 0.1)))
    points = tuple(
        SurveyedPoint(
            Point(f"F{i}", at, 0.0, CODES.get(at, "WV")), at, 0.0, 0.0, 0.02, "fitting", 0, at, 0.0
        )
        for i, at in enumerate(world.fittings)
    )
    made = synthetic.survey(
        [route],
        depth_m=depth,
        depth_sigma_m=0.1 * depth,
        material=material,
        surface=replace(rows, everything_off=off),
        points=points,
        rivals=True,
        settings=LevelSettings(level_sigma_db=READING_DB, place_sigma_db=PLACE_DB),
    )
    leg = made.legs[0].leg.model_copy(update={"ends_here": ends})
    return replace(made, legs=(replace(made.legs[0], leg=leg),))


KINDS = (
    "pump or draw-off",
    "untraced branch",
    "pump and leak",
    "beyond the last mark",
    "bedding",
    "sound",
    "leak at a fitting",
    "past a faucet",
)
BAD = KINDS[:5]
# Kinds as often as the shares state them, half of the fitting's with the leak heard as well.
MIXED = dict(zip(KINDS[:7], (0.03, 0.05, 0.03, 0.04, 0.10, 0.65, 0.10), strict=True))
