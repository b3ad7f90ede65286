"""A field that is not the model of inference: invented ground, weather, people and mistakes.

Sound is summed from rays through two layers of soil with refraction left out but losses by layer,
from a leak at the side or crown of the pipe; the pipe radiates as a row of point sources; a slab
spreads sound as a plate with an edge that reflects. The background wanders as gusts do, the
operator's hand drifts, marks and stated depth are off, a reading in thirty is spoilt.
"""

from __future__ import annotations

import numpy as np

from geoleak.record import Record, replace
from geoleak.site import LevelSettings
from geoleak.survey.records import PipePlace, Survey, SurveyedDelay
from tests import synthetic
from tests.trials.ranks import Truth

READING_DB = 2.5
PLACE_DB = 1.5


class Ground(Record):
    """The true ground of one site."""

    depth_m: float
    top_m: float
    loss_top: float
    loss_low: float
    carried: float
    pipe_loss: float
    slab_from: float
    slab_to: float
    slab_db: float
    slab_lift: float
    plate_loss: float

    @classmethod
    def draw(cls, rng: np.random.Generator, *, iron: bool, slab: bool) -> Ground:
        depth = float(rng.uniform(0.6, 1.5))
        edge = np.sort(rng.uniform(0, 100, 2))
        if not slab:
            edge = np.array([1e6, 1e6 + 1])
        return cls(
            depth_m=depth,
            top_m=float(rng.uniform(0.15, 0.5) * depth),
            loss_top=float(rng.uniform(1.0, 8.0)),
            loss_low=float(rng.uniform(1.0, 6.0)),
            carried=float(10 ** (rng.uniform(-2.3, -0.8))),
            pipe_loss=float(rng.uniform(0.1, 0.3) if iron else rng.uniform(0.6, 2.0)),
            slab_from=float(edge[0]),
            slab_to=float(edge[1]),
            slab_db=float(rng.uniform(0.0, 9.0)),
            slab_lift=float(rng.uniform(0.0, 1.0)),
            plate_loss=float(rng.uniform(1.0, 3.0)),
        )

    def on_slab(self, at: np.ndarray) -> np.ndarray:
        return (at > self.slab_from) & (at < self.slab_to)


def ray_db(ground: Ground, aside: np.ndarray) -> np.ndarray:
    """Return the level of a point source at depth against that straight above it."""
    path = np.hypot(aside, ground.depth_m)
    stretch = path / ground.depth_m
    top, low = ground.top_m, ground.depth_m - ground.top_m
    loss = (stretch - 1.0) * (top * ground.loss_top + low * ground.loss_low)
    return -20 * np.log10(stretch) - loss


def field_power(ground: Ground, leak: float, at: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """Return the leak's power along the surface against that straight above the leak."""
    straight = 10 ** (ray_db(ground, np.hypot(at - leak, offset)) / 10)
    row = np.arange(-20.0, 20.1, 0.25)
    share = np.exp(-np.abs(row) * ground.pipe_loss * np.log(10) / 10)
    rays = ray_db(ground, np.hypot(at[:, None] - leak - row, offset[:, None]))
    along = (10 ** (rays / 10) * share).sum(axis=1) / 10
    power = straight + ground.carried * along
    hard = ground.on_slab(at)
    if hard.any():
        power = np.where(hard, _plate(ground, leak, at, power), power)
    return power


def _plate(ground: Ground, leak: float, at: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Spread sound in the slab from where it enters (with an edge that throws some back)."""
    enters = np.clip(leak, ground.slab_from, ground.slab_to)
    entry = 10 ** (ray_db(ground, np.array([enters - leak])) / 10)[0]
    run = np.abs(at - enters)
    plate = entry * 10 ** (-ground.plate_loss * run / 10) / np.sqrt(1 + run / ground.depth_m)
    edge = np.minimum(at - ground.slab_from, ground.slab_to - at)
    plate = plate * (1 + 0.4 * np.exp(-edge / 0.5))
    return 0.4 * power + 0.6 * plate


def background_db(count: int, rng: np.random.Generator) -> np.ndarray:
    """Return a background that wanders: gusts with a memory of some readings."""
    gust = np.empty(count)
    gust[0] = rng.normal()
    for i in range(1, count):
        gust[i] = 0.6 * gust[i - 1] + 0.8 * rng.normal()
    return 40.0 + 1.0 * gust


class Field(Record):
    """One invented site: what the survey says, and what is so."""

    survey: Survey
    truth: Truth
    inside: bool
    bound_m: float
    others: tuple[float, ...] = ()


def draw_field(
    rng: np.random.Generator,
    *,
    slab: bool = False,
    leaks: int = 1,
    inside: bool | None = None,
    length_m: float = 80.0,
    strength_db: tuple[float, float] = (19.0, 5.0),
    contacts: bool = False,
) -> Field:
    """Draw a site with readings along a stretch of a straight leg."""
    iron = bool(rng.random() < 0.5)
    ground = Ground.draw(rng, iron=iron, slab=slab)
    if slab:
        ground = _slab_about(ground, rng, length_m)
    spacing = float(rng.uniform(0.7, 1.3))
    count = int(rng.integers(20, 41))
    stretch = spacing * (count - 1)
    start = float(rng.uniform(0.0, max(1.0, length_m - stretch)))
    marks = start + spacing * np.arange(count)
    marks = marks[marks < length_m]
    places = _leaks(rng, marks, leaks, inside, length_m)
    at = marks + rng.normal(0, 0.06, len(marks))
    offset = rng.normal(0, 0.05 + 0.08 * ground.depth_m, len(marks))
    strength = float(rng.normal(*strength_db))
    floor = background_db(len(marks), rng)
    hard = ground.on_slab(at)
    level, sigma = _levels(ground, places, strength, at, offset, floor, hard, rng)
    survey = _survey(rng, ground, iron, marks, level, hard, length_m)
    if contacts and places:
        survey = _with_contacts(rng, survey, ground, iron, places[0], length_m)
    truth = Truth(0, places[0]) if leaks else Truth(None)
    held = bool(leaks) and marks[0] - 0.5 <= places[0] <= marks[-1] + 0.5
    bound = _bound(ground, places, strength, at, offset, hard, sigma) if held else np.nan
    return Field(survey, truth, held, bound, tuple(places[1:]))


def _slab_about(ground: Ground, rng: np.random.Generator, length_m: float) -> Ground:
    first = float(rng.uniform(-10.0, length_m - 10.0))
    return replace(ground, slab_from=first, slab_to=first + float(rng.uniform(5.0, 40.0)))


def _leaks(
    rng: np.random.Generator, marks: np.ndarray, leaks: int, inside: bool | None, length_m: float
) -> list[float]:
    if leaks == 0:
        return []
    if leaks == 2:
        while True:
            both = rng.uniform(marks[0] + 1, marks[-1] - 1, 2)
            if abs(both[0] - both[1]) > 6.0:
                return [float(b) for b in both]
    within = bool(rng.random() < 0.85) if inside is None else inside
    if within:
        return [float(rng.uniform(marks[0], marks[-1]))]
    while True:
        place = float(rng.uniform(0.0, length_m))
        if place < marks[0] - 3.0 or place > marks[-1] + 3.0:
            return [place]


def _levels(ground, places, strength, at, offset, floor, hard, rng) -> tuple[np.ndarray, float]:
    power = np.zeros(len(at))
    for k, place in enumerate(places):
        each = strength + (rng.normal(0, 2.5) if k else 0.0)
        power += 10 ** (each / 10) * field_power(ground, place, at, offset)
    lift = hard * ground.slab_db
    quiet = 10 ** ((floor + ground.slab_lift * lift) / 10)
    loud = 10 ** ((40.0 + lift) / 10) * power
    drift = np.linspace(0, rng.normal(0, 1.0), len(at))
    sigma = float(np.hypot(READING_DB, PLACE_DB)) * float(rng.uniform(0.7, 1.1))
    level = 10 * np.log10(quiet + loud) + drift + rng.normal(0, sigma, len(at))
    spoilt = rng.random(len(at)) < 1 / 30
    level = level + spoilt * rng.normal(0, 8, len(at))
    return np.round(level, 0), sigma


def _survey(rng, ground, iron, marks, level, hard, length_m) -> Survey:
    route = synthetic.straight(length_m)
    material = "cast_iron" if iron else "pvc"
    if rng.random() < 0.1:
        material = "pvc" if iron else "cast_iron"
    surface = tuple("concrete" if h else "grass" for h in hard)
    readings = synthetic.levels("surface", marks, level, route=route, surface=surface)
    depth = ground.depth_m * float(np.exp(rng.normal(0, 0.1)))
    return synthetic.survey(
        [route],
        depth_m=depth,
        depth_sigma_m=0.1 * depth,
        material=material,
        surface=readings,
        settings=LevelSettings(level_sigma_db=READING_DB, place_sigma_db=PLACE_DB),
    )


def _with_contacts(rng, survey, ground, iron, leak, length_m) -> Survey:
    """Add a contact at both ends and half-way, and the delay between the ends.

    Coupling differs from fitting to fitting, the pipe is a little longer than its trace, the
    true wave speed is off, and one delay in twenty-five is of another noise.
    """
    at = np.array([0.0, 0.5 * length_m, length_m])
    level = 30.0 + rng.normal(28.0, 8.0) - ground.pipe_loss * np.abs(at - leak)
    level = 10 * np.log10(10 ** (level / 10) + 10**3.0) + rng.normal(0, 4.0, 3)
    rows = synthetic.levels("contact", at, level, route=survey.legs[0].route)
    speed = rng.normal(1250.0, 80.0) if iron else rng.normal(430.0, 70.0)
    sigma = 3e-4 if iron else 1.2e-3
    longer = 1.0 + abs(rng.normal(0, 0.002))
    true = longer * (2 * leak - length_m) / speed + rng.normal(0, sigma)
    if rng.random() < 0.04:
        true = rng.uniform(-1, 1) * length_m / speed
    ends = (PipePlace(0, 0.0), PipePlace(0, length_m))
    made = [SurveyedDelay("d1", *ends, float(true), sigma)]
    if rng.random() < 0.5:
        known = longer * length_m / speed + rng.normal(0, sigma)
        made.append(SurveyedDelay("check", *ends, float(known), sigma, speed_check=True))
    return replace(survey, contact=rows, delays=tuple(made))


def _bound(ground, places, strength, at, offset, hard, sigma) -> float:
    """Return the Cramer-Rao bound on the place: strength and floor unknown, the field known.

    Everything that scatters a reading counts: meter and coupling, gusts as far as the background
    is heard, hand's-breadth errors of place, rounding to a decibel, and that one reading in thirty
    tells nothing.
    """
    lift = hard * ground.slab_db

    def field(x: float, e: float) -> np.ndarray:
        power = 10 ** (e / 10) * field_power(ground, x, at, offset)
        return 10 * np.log10(10 ** (ground.slab_lift * lift / 10) + 10 ** (lift / 10) * power)

    step = 0.02
    by_place = (field(places[0] + step, strength) - field(places[0] - step, strength)) / (2 * step)
    by_strength = (field(places[0], strength + 0.1) - field(places[0], strength - 0.1)) / 0.2
    quiet = 1.0 - np.clip(by_strength, 0.0, 1.0)
    variance = sigma**2 + quiet**2 + (0.06 * by_place) ** 2 + 1 / 12
    rows = np.stack([by_place, by_strength, np.ones(len(at))])
    information = 29 / 30 * (rows / variance) @ rows.T + np.diag([0, 1e-4, 1e-4])
    return float(np.sqrt(np.linalg.inv(information)[0, 0]))


def remembering(noise: np.ndarray, memory: float) -> np.ndarray:
    """Return noise of the same variance, each value correlated by `memory` with the one before."""
    out = noise.copy()
    for i in range(1, len(out)):
        out[i] = memory * out[i - 1] + np.sqrt(1 - memory**2) * noise[i]
    return out


class Weather(Record):
    """What scatters a reading on one faint site, dB: gusts are of the background, the rest not.

    ``memory`` is the correlation of one gust with the next reading's.
    """

    gust: float
    memory: float
    meter: float
    coupling: float
    drift: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Weather:
        return cls(
            gust=float(rng.uniform(0.8, 2.6)),
            memory=float(rng.uniform(0.2, 0.6)),
            meter=float(rng.uniform(1.0, 2.2)),
            coupling=float(1.5 * rng.uniform(0.6, 1.4)),
            drift=float(rng.normal(0, 0.7)),
        )

    def gusts(self, count: int, rng: np.random.Generator) -> np.ndarray:
        return remembering(rng.normal(0, self.gust, count), self.memory)


class FaintField(Record):
    """A site whose leak is faint, or cannot be heard (``strength_db`` under the background)."""

    survey: Survey
    truth: Truth
    listened: bool
    strength_db: float

    @property
    def audible(self) -> bool:
        return self.strength_db > -3.0


def draw_faint(
    rng: np.random.Generator,
    *,
    strength_db: tuple[float, float] = (5.0, 25.0),
    inaudible: float = 0.1,
    listened: float = 0.85,
    coupled_m: float = 0.0,
    length_m: float = 60.0,
) -> FaintField:
    """Draw a site with gusts and a meter of its own; one leak in ten stands under the background.

    Strength is even over a range, straight above the leak; an inaudible leak stands 3 to 12 dB
    under the background. Coupling is alike over ``coupled_m`` (its correlation falls to 1/e).
    """
    iron = bool(rng.random() < 0.5)
    ground = Ground.draw(rng, iron=iron, slab=False)
    weather = Weather.draw(rng)
    spacing = float(rng.uniform(0.6, 1.4))
    count = int(rng.integers(15, 36))
    start = float(rng.uniform(0.0, max(1.0, length_m - spacing * (count - 1))))
    marks = start + spacing * np.arange(count)
    marks = marks[marks < length_m]
    place = _leaks(rng, marks, 1, bool(rng.random() < listened), length_m)[0]
    unheard = rng.random() < inaudible
    strength = float(rng.uniform(-12.0, -3.0) if unheard else rng.uniform(*strength_db))
    at = marks + rng.normal(0, 0.06, len(marks))
    offset = rng.normal(0, 0.05 + 0.08 * ground.depth_m, len(marks))
    loud = 10 ** ((40.0 + strength) / 10) * field_power(ground, place, at, offset)
    drift = np.linspace(0, weather.drift, len(at))
    coupling = rng.normal(0, weather.coupling, len(at))
    if coupled_m > 0:
        coupling = remembering(coupling, np.exp(-spacing / coupled_m))
    gusts = weather.gusts(len(at), rng)
    level = 10 * np.log10(10 ** ((40.0 + gusts) / 10) + loud) + coupling + drift
    level = level + rng.normal(0, weather.meter, len(at))
    level = level + (rng.random(len(at)) < 1 / 30) * rng.normal(0, 8, len(at))
    survey = _survey(rng, ground, iron, marks, np.round(level), np.zeros(len(at), bool), length_m)
    inside = marks[0] - 0.5 <= place <= marks[-1] + 0.5
    return FaintField(survey, Truth(0, place), bool(inside), strength)
