"""Sites drawn from the model of inference itself, for simulation-based calibration."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from geoleak.evidence.base import Nodes, candidates
from geoleak.evidence.buried import SurfaceEvidence
from geoleak.evidence.contact import ContactEvidence
from geoleak.evidence.delay import DelayEvidence
from geoleak.evidence.isolation import IsolationEvidence, chance
from geoleak.evidence.pooling import FREEDOM, ROUNDING_DB2
from geoleak.evidence.prior import _share_listened, listened_to
from geoleak.evidence.seen import HoleEvidence
from geoleak.evidence.tracer import TracerEvidence
from geoleak.linref import Route
from geoleak.network.network import Joint
from geoleak.record import replace
from geoleak.site import Hole, Isolation, Place, Sighting
from geoleak.survey.records import (
    PipePlace,
    Survey,
    SurveyedDelay,
    SurveyedHole,
    SurveyedIsolation,
    SurveyedSighting,
    no_levels,
)
from geoleak.tables import setting
from tests import synthetic
from tests.trials.ranks import Truth

ELSEWHERE = 0.1


def draw_truth(routes, rng: np.random.Generator, *, elsewhere: float = ELSEWHERE) -> Truth:
    """Draw a place evenly over the pipe, or elsewhere."""
    if rng.random() < elsewhere:
        return Truth(None)
    lengths = np.array([route.length_m for route in routes])
    leg = int(rng.choice(len(routes), p=lengths / lengths.sum()))
    return Truth(leg, float(rng.random() * lengths[leg]))


def truth_where_listened(survey: Survey, rng: np.random.Generator) -> Truth:
    """Draw a place as the prior has it: the stated share is where the crew listened."""
    routes = [each.route for each in survey.legs]
    truth = draw_truth(routes, rng)
    wanted = _share_listened(survey)
    grid = [(n, x) for n, r in enumerate(routes) for x in np.arange(0.005, r.length_m, 0.01)]
    at = np.array([x for _, x in grid])
    leg = np.array([n for n, _ in grid], dtype=np.int64)
    even = float(listened_to(survey, candidates(survey, leg, at, np.ones(len(at)))).mean())
    if truth.leg is None or not 0 < even < wanted:
        return truth
    inside = bool(rng.random() < wanted)
    while bool(listened_to(survey, one_place(survey, truth))[0]) != inside:
        truth = draw_truth(routes, rng, elsewhere=0.0)
    return truth


def one_place(survey: Survey, truth: Truth):
    """Return the truth as a place on the pipe; no place where it is elsewhere."""
    if truth.leg is None:
        return candidates(survey, np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))
    return candidates(survey, np.array([truth.leg]), np.array([truth.chainage_m]), np.array([1.0]))


def surface_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return a short service listened to in part, on one kind of ground or on two."""
    route = synthetic.straight(30.0)
    count = int(rng.integers(8, 20))
    start = rng.uniform(0, 8)
    chainage = start + np.arange(count) * rng.uniform(0.8, 1.6)
    chainage = chainage[chainage < 30.0]
    ground = ["grass"] * len(chainage)
    if rng.random() < 0.5:
        edge = rng.uniform(5, 25)
        ground = ["concrete" if c > edge else "grass" for c in chainage]
    readings = synthetic.levels("surface", chainage, 40.0, route=route, surface=tuple(ground))
    if rng.random() < 0.5:
        several = np.full(len(chainage), 3)
        readings = replace(readings, repeats=several, repeat_sigma_db=np.ones(len(chainage)))
    survey = synthetic.survey([route], surface=readings, elsewhere=ELSEWHERE)
    return with_surface(survey, rng)


def with_surface(survey: Survey, rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Fill the surface levels of a survey from the model."""
    truth = truth_where_listened(survey, rng)
    return levels_from_model(survey, truth, SurfaceEvidence, "surface", rng), truth


def predict(evidence, place, nodes: Nodes, strength_db: float, rng):
    """Draw one reading for every row, floor at its prior mean, and the scatter of its repeats.

    No place: nothing is heard. A leak may also be one that cannot be heard.
    """
    rows = np.arange(len(evidence.pooled))
    ground = evidence.ground(place, evidence.deviates(nodes, np.array(0)))
    total = np.ones(len(rows))
    if len(place) and rng.random() >= evidence.unheard(place)[0]:
        power = evidence.gain(evidence.geometry(place, rows), ground, rows)
        ratio = evidence.over_background(power, ground, rows, np.array([strength_db]))
        total = 1.0 + ratio[0, 0].astype(float)
    data = evidence.data(rows)
    sigma = data.sigma * ground.scale * np.sqrt(evidence.relief(total, ground, rows))
    noise = (sigma * rng.standard_t(FREEDOM, size=len(rows))).ravel()
    noise = np.linalg.solve(data.fresh(np.eye(len(rows))), noise)
    offset = rng.normal(0.0, data.offset_sigma, data.sessions) * (data.sessions > 1)
    level = data.floor_mean * data.on_floor + data.membership @ offset
    level = level + evidence.added(total, ground, rows) + noise
    share = 1.0 - ground.gusts + ground.gusts / total**2
    stated = evidence.pooled.reading_sigma_db**2
    scale = rng.uniform(0.3, 1.5)
    free = np.maximum(evidence.pooled.repeats - 1.0, 1.0)
    variance = stated * scale * share * rng.chisquare(free) / free - ROUNDING_DB2
    return level, np.sqrt(np.maximum(variance, 0.0))


def levels_from_model(survey, truth, kind, name, rng, shared=None) -> Survey:
    """Fill the levels of one kind from the model; `shared` gives common unknowns their value."""
    evidence = kind(survey)
    deviates = [
        shared[each] if shared and each in shared else rng.standard_normal()
        for each in evidence.nuisances
    ]
    nodes = Nodes.even(evidence.nuisances, np.array([deviates]))
    at = truth
    if truth.leg is None and rng.random() < evidence.decoy:
        at = draw_truth([each.route for each in survey.legs], rng, elsewhere=0.0)
    strength = rng.normal(evidence.strength.value, evidence.strength.spread)
    level, scatter = predict(evidence, one_place(survey, at), nodes, strength, rng)
    rows = getattr(survey, name)
    if (rows.repeats > 1).any():
        rows = replace(rows, repeat_sigma_db=scatter)
    if name in ("gas", "bar_hole"):
        level = np.maximum(10 ** (level / 10) - 1.0, -0.9999)
    return replace(survey, **{name: replace(rows, level_db=level)})


def tee_network():
    """Return a main with a branch, as most yards have."""
    main = synthetic.straight(40.0)
    branch = Route.from_vertices([(15.0, 0.0), (15.0, 25.0)])
    return [main, branch], [Joint(0, 15.0, 1, 0.0)]


def fitting_rows(routes, rng, kind="contact"):
    """Return contact rows at a handful of fittings on both legs."""
    leg = np.array([0, 0, 0, 1, 1])
    chainage = np.array([0.5, 20.0, 39.0, 6.0, 24.0])
    keep = np.sort(rng.choice(5, size=int(rng.integers(3, 6)), replace=False))
    return synthetic.levels(kind, chainage[keep], 40.0, leg=leg[keep], routes=routes)


def contact_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return a survey of the fittings on two legs."""
    routes, joints = tee_network()
    survey = synthetic.survey(
        routes,
        joints=joints,
        contact=fitting_rows(routes, rng),
        material=str(rng.choice(["copper", "pvc"])),
        elsewhere=ELSEWHERE,
        joint_factor=1.0,
    )
    truth = draw_truth(routes, rng)
    return levels_from_model(survey, truth, ContactEvidence, "contact", rng), truth


def gas_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return tracer-gas readings along a service."""
    route = synthetic.straight(30.0)
    chainage = np.sort(rng.uniform(0, 30, int(rng.integers(6, 16))))
    rows = synthetic.levels("gas", chainage, 100.0, route=route)
    survey = synthetic.survey([route], gas=rows, elsewhere=ELSEWHERE)
    truth = draw_truth([route], rng)

    def kind(of: Survey) -> TracerEvidence:
        return TracerEvidence(of, of.gas)

    return levels_from_model(survey, truth, kind, "gas", rng), truth


def delays_from_model(survey: Survey, truth: Truth, rng: np.random.Generator) -> Survey:
    """Fill the delays of a survey from the model; one in twenty is of the wrong noise."""
    evidence = DelayEvidence(survey)
    speeds = evidence.speeds
    slowness = rng.multivariate_normal(speeds.slowness, speeds.covariance)
    coefficient, _ = evidence.system(one_place(survey, truth))
    made = []
    for p, delay in enumerate(evidence.timed):
        wrong = truth.leg is None or rng.random() < evidence.wrong
        if wrong:
            value = rng.uniform(-evidence.span_s[p], evidence.span_s[p])
        else:
            value = coefficient[0, p] @ slowness + rng.normal(0, evidence._noise(delay))
        made.append(replace(delay, delay_s=float(value)))
    return replace(survey, delays=tuple(made))


def delay_rows(rng: np.random.Generator) -> tuple[SurveyedDelay, ...]:
    """Return one to three pairs of sensors on the tee."""
    ends = [PipePlace(0, 0.5), PipePlace(0, 39.0), PipePlace(1, 24.0)]
    pairs = [(0, 1), (0, 2), (1, 2)][: int(rng.integers(1, 4))]
    return tuple(SurveyedDelay(f"d{a}{b}", ends[a], ends[b], 0.0, 2e-4) for a, b in pairs)


def delay_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return delays between the ends of two legs, of one material or of two."""
    routes, joints = tee_network()
    survey = synthetic.survey(
        routes,
        joints=joints,
        delays=delay_rows(rng),
        material=str(rng.choice(["copper", "pvc"])),
        elsewhere=ELSEWHERE,
        joint_factor=1.0,
    )
    truth = draw_truth(routes, rng)
    return delays_from_model(survey, truth, rng), truth


def isolation_from_model(
    survey: Survey,
    truth: Truth,
    rng: np.random.Generator,
    sides: dict[PipePlace, bool] | None = None,
) -> Survey:
    """Shut the branch (or the far end of the main) and draw what the meter does.

    ``sides`` remembers whether a valve cuts off a leak that is on no traced leg.
    """
    valve = PipePlace(1, 0.0) if rng.random() < 0.5 else PipePlace(0, float(rng.uniform(5, 35)))
    row = Isolation("i1", ("V",), result="same")
    test = SurveyedIsolation(row, (valve,), PipePlace(0, 0.0))
    evidence = IsolationEvidence(survey, (test,))
    cut = bool(rng.random() < 0.5)
    if sides is not None:
        cut = sides.setdefault(valve, cut)
    if truth.leg is not None:
        cut = bool(evidence.cut_off(test, one_place(survey, truth))[0])
    names = ("stopped", "slower", "same")
    odds = np.array([chance(name, cut_off=cut) for name in names])
    result = names[int(rng.choice(3, p=odds / odds.sum()))]
    shut = replace(test, isolation=replace(row, result=result))
    return replace(survey, isolations=(*survey.isolations, shut))


def isolation_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return two shut-off tests on a tee."""
    routes, joints = tee_network()
    survey = synthetic.survey(routes, joints=joints, elsewhere=ELSEWHERE, joint_factor=1.0)
    truth = draw_truth(routes, rng)
    sides: dict[PipePlace, bool] = {}
    for _ in range(2):
        survey = isolation_from_model(survey, truth, rng, sides)
    return survey, truth


def hole_from_model(survey: Survey, truth: Truth, rng: np.random.Generator) -> Survey:
    """Dig a hole somewhere on the main and draw what it shows."""
    start = float(rng.uniform(2, 34))
    plain = Hole("h", Place("leg", ""), Place("leg", ""), pipe_exposed=bool(rng.random() < 0.7))
    odds = []
    outcomes = [("leak", None), ("dry", None), ("wet", "up"), ("wet", "down")]
    dug = [
        SurveyedHole(replace(plain, outcome=o, water_from=w), 0, start, start + 4.0)
        for o, w in outcomes
    ]
    for each in dug:
        evidence = HoleEvidence(replace(survey, holes=(each,)))
        on_pipe, elsewhere = evidence.judge(one_place(survey, truth))
        odds.append(np.exp(elsewhere if truth.leg is None else on_pipe[0]))
    assert abs(sum(odds) - 1.0) < 1e-9
    return replace(survey, holes=(*survey.holes, dug[int(rng.choice(4, p=odds))]))


def hole_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return three holes on the main of a tee."""
    routes, joints = tee_network()
    survey = synthetic.survey(routes, joints=joints, elsewhere=ELSEWHERE, joint_factor=1.0)
    truth = draw_truth(routes, rng)
    for _ in range(3):
        survey = hole_from_model(survey, truth, rng)
    return survey, truth


def sighting_from_model(survey: Survey, truth: Truth, rng: np.random.Generator) -> Survey:
    """Put a wet patch on a large field, more likely over the leak."""
    row = setting("sighting_wet")
    side = 400.0
    bump = (row.value - 1.0) * 2 * np.pi * row.spread**2
    spot = rng.uniform(-side / 2, side / 2, 2) + np.array([20.0, 10.0])
    if truth.leg is not None and rng.random() < bump / (bump + side**2):
        place = one_place(survey, truth)
        spot = np.array([place.easting_m[0], place.northing_m[0]]) + rng.normal(0, row.spread, 2)
    snap = survey.legs[0].route.snap(spot)
    seen = SurveyedSighting(
        Sighting(Place("leg", ""), "wet"),
        float(spot[0]),
        float(spot[1]),
        0,
        float(snap.chainage_m),
        float(snap.offset_m),
    )
    return replace(survey, sightings=(*survey.sightings, seen))


def every_kind_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return a tee with all kinds of evidence, sharing pipe loss; some left out at random."""
    routes, joints = tee_network()
    chainage = np.arange(rng.uniform(0, 15), 38.0, 1.5)
    survey = synthetic.survey(
        routes,
        joints=joints,
        surface=synthetic.levels("surface", chainage, 40.0, route=routes[0]),
        contact=fitting_rows(routes, rng),
        gas=synthetic.levels("gas", np.arange(5.0, 35.0, 6.0), 100.0, route=routes[0]),
        delays=delay_rows(rng),
        material=str(rng.choice(["copper", "pvc"])),
        elsewhere=ELSEWHERE,
        joint_factor=1.0,
    )
    gone = {name for name in EVERY_KIND if rng.random() < 0.5}
    empty = {name: no_levels(name) for name in gone & {"surface", "contact", "gas"}}
    survey = replace(survey, **empty)
    truth = truth_where_listened(survey, rng)
    shared = {"pipe_loss": rng.standard_normal()}
    kinds = {
        "surface": SurfaceEvidence,
        "contact": ContactEvidence,
        "gas": lambda s: TracerEvidence(s, s.gas),
    }
    for name, kind in kinds.items():
        if name not in gone:
            survey = levels_from_model(survey, truth, kind, name, rng, shared)
    survey = delays_from_model(survey, truth, rng)
    survey = isolation_from_model(survey, truth, rng)
    survey = hole_from_model(survey, truth, rng)
    survey = sighting_from_model(survey, truth, rng)
    exact = dict.fromkeys(gone & {"isolations", "holes", "sightings", "delays"}, ())
    return replace(survey, **exact), truth


EVERY_KIND = ("isolations", "holes", "sightings", "delays", "surface", "contact", "gas")

SITES: dict[str, Callable[[np.random.Generator], tuple[Survey, Truth]]] = {
    "surface": surface_site,
    "contact": contact_site,
    "delay": delay_site,
    "isolation": isolation_site,
    "hole": hole_site,
    "gas": gas_site,
    "all": every_kind_site,
}
