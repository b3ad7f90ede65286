"""What stops a dig whatever the chance is, and what is to be done about it first."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.advice.doubts import (
    BELIEVED,
    LOUDER_SIGMAS,
    SIGMAS_95,
    Dig,
    doubts_of,
    louder_aside,
)
from geoleak.evidence import KindFit
from geoleak.export.told import UNLIKELY, _likely
from geoleak.posterior import Explanation, infer
from geoleak.site import Note
from geoleak.survey.legs import MANY_STRAYS, unstated_scatter_m
from geoleak.units import unit_m
from tests import synthetic
from tests.lane import TOML, lane
from tests.results import listen_on_site

RODS = (45.8, 46.3, 46.8, 47.3, 48.3)
DIG = Dig(((0, 46.5, 48.0),), 0, 47.3, (0.05, 0.05), (0.75, 0.4), 0.0)


def surveyed(*, offset=(), level=(), surface=None):
    """A line read at every metre, 40 dB but 60 at 47, with more readings at 47 off the line."""
    route = synthetic.straight()
    at = np.append(np.arange(40.0, 56.0), np.full(len(offset), 47.0))
    heard = np.concatenate([np.where(np.arange(40.0, 56.0) == 47.0, 60.0, 40.0), level])
    off = np.concatenate([np.zeros(16), offset])
    rows = synthetic.levels("surface", at, heard, route=route, offset_m=off)
    if surface:
        rows = replace(rows, surface=surface)
    return synthetic.survey([route], surface=rows)


def judged(*, fits=(), inside=0.0, aside=None):
    mass = np.array([1.0])
    rivals = () if aside is None else (aside,)
    return SimpleNamespace(
        no_leak_odds=None, fits=fits, mass=mass, offered=mass - inside, rivals=rivals
    )


def told(survey, posterior=None, dig=DIG):
    return doubts_of(survey, posterior or judged(), dig)


def test_sound_documented_ground_leaves_no_doubt():
    assert told(surveyed(offset=(-1.0, 1.0, 2.0), level=(50.0, 52.0, 48.0))) == ()


@pytest.mark.parametrize("way", ["along", "across"])
@pytest.mark.parametrize(("share", "doubted"), [(0.98, False), (1.02, True)])
def test_a_stake_that_may_stand_outside_its_hole_is_not_dug_by(way, share, doubted):
    """At 95 % of a normal, against half the hole."""
    assert pytest.approx(NormalDist().inv_cdf(0.975), abs=0.005) == SIGMAS_95
    reach = DIG.reach_m[way == "across"]
    off = share * reach / NormalDist().inv_cdf(0.975)
    sigma = (off, 0.01) if way == "along" else (0.01, off)
    found = told(surveyed(), dig=replace(DIG, sigma_m=sigma))
    assert bool(found) is doubted
    if doubted:
        assert way in found[0].text
        assert "shoot the marks again" in found[0].job


@pytest.mark.parametrize(
    ("marks_by", "first", "job"),
    [
        ("signal", "the stake sets out", "shoot the marks again"),
        ("records", "nothing stands", "trace the pipe here"),
        ("assumed", "nothing stands", "trace the pipe here"),
    ],
)
def test_marks_are_shot_again_before_more_is_read_at_them(marks_by, first, job):
    survey, silent = surveyed(), judged()
    leg = survey.legs[0]
    leg = replace(leg, leg=leg.leg.model_copy(update={"marks_by": marks_by}))
    silent.no_leak_odds = 2.0
    found = told(replace(survey, legs=(leg,)), silent, replace(DIG, sigma_m=(1.0, 1.0)))
    assert [each.text.startswith(first) for each in found] == [True, False]
    assert [each.job.startswith(job) for each in found if each.job] == [True]


@pytest.mark.parametrize("side", [-1.0, 1.0])
@pytest.mark.parametrize(("sigmas", "doubted"), [(0.9, False), (1.1, True)])
def test_louder_beside_the_line_than_on_it_is_looked_into_first(side, sigmas, doubted):
    assert pytest.approx(NormalDist().inv_cdf(0.95), abs=0.001) == LOUDER_SIGMAS
    survey = surveyed(offset=(side * 1.0, side * 2.0), level=(61.0, 60.0))
    error = np.sqrt(2.0) * survey.site.levels.level_sigma_db
    level = (61.0, 60.0 + sigmas * LOUDER_SIGMAS * error)
    found = told(surveyed(offset=(side * 1.0, side * 2.0, -side), level=(*level, 50.0)))
    assert bool(found) is doubted
    if doubted:
        word = "right" if side > 0 else "left"
        assert found[0].text == f"louder 2.0 m to the {word} than on the line"
        assert f"trace the line that lies about 2.0 m to the {word}" in found[0].job
        assert found[0].places == ((0, 47.0, side * 2.0),)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_the_side_that_nobody_heard_is_read_too(side):
    (found,) = told(surveyed(offset=(side * 1.0, side * 2.0), level=(50.0, 45.0)))
    heard, other = ("right", "left") if side > 0 else ("left", "right")
    assert found.text.startswith(f"only the {heard} of the line has been heard")
    assert found.job.startswith(f"read the {other} too")
    assert (found.kind, found.places) == ("across", ((0, 47.3, -side * 2.0),))


def ending(kind, at, level, *, length=100.0):
    """A line read as given, by a kind."""
    route = synthetic.straight(length)
    rows = synthetic.levels(kind, np.array(at), np.array(level), route=route)
    return synthetic.survey([route], **{kind: rows})


@pytest.mark.parametrize(
    ("kind", "at", "level", "length", "doubted"),
    [
        ("surface", (43.0, 45.0, 47.0), (40.0, 50.0, 51.0), 100.0, True),
        ("surface", (47.0, 49.0, 51.0), (51.0, 50.0, 40.0), 100.0, True),
        ("surface", (43.0, 45.0, 47.0, 48.9), (40.0, 50.0, 51.0, 50.0), 100.0, False),
        ("surface", (43.0, 45.0, 47.0), (40.0, 50.0, 51.0), 48.9, False),  # no pipe to go on to
        ("surface", (43.0, 45.0, 47.0), (40.0, 50.0, 51.0), 49.1, True),
        ("rod", RODS, (40.0, 40.0, 41.0, 45.0, 49.0), 100.0, False),  # within two errors
        ("rod", RODS, (40.0, 40.0, 41.0, 45.0, 55.0), 100.0, True),
        ("rod", RODS[1:], (40.0, 41.0, 45.0, 55.0), 100.0, False),  # more are asked for as it is
    ],
)
def test_past_the_loudest_place_somebody_goes_on(kind, at, level, length, doubted):
    found = told(ending(kind, at, level, length=length))
    said = [each for each in found if "it may be louder past it" in each.text]
    assert bool(said) is doubted
    if doubted:
        (each,) = said
        assert each.kind == ("rod" if kind == "rod" else "redo")
        way = 1.0 if np.argmax(level) else -1.0
        assert [p[1] for p in each.places] == [at[int(np.argmax(level))] + way * s for s in (1, 2)]


def test_a_louder_surface_aside_is_no_louder_sound():
    survey = surveyed(offset=(2.0,), level=(70.0,), surface=("grass",) * 16 + ("asphalt",))
    assert louder_aside(survey, DIG) is None
    assert louder_aside(replace(survey), replace(DIG, stake_m=70.0)) is None
    alike = surveyed(offset=(2.0,), level=(70.0,), surface=("grass",) * 17)
    assert louder_aside(alike, DIG) == (0, 47.0, 2.0)


@pytest.mark.parametrize(
    ("chance", "checked", "doubted"),
    [(BELIEVED - 0.01, True, False), (BELIEVED + 0.01, True, True), (0.9, False, False)],
)
def test_a_line_beside_that_is_believed_is_traced(chance, checked, doubted):
    assert BELIEVED == 0.5
    rival = Explanation("aside", 0.05, np.zeros(1), chance, (0, 47.2, -1.5), None, checked)
    found = told(surveyed(), judged(aside=rival), replace(DIG, aside_chance=chance))
    assert bool(found) is doubted
    if doubted:
        assert found[0].text == "likelier on another line, 1.5 m to the left"
        assert found[0].places == ((0, 47.2, -1.5),)


@pytest.mark.parametrize(("inside", "doubted"), [(BELIEVED - 0.01, False), (BELIEVED, True)])
def test_a_hole_that_was_bare_and_dry_is_looked_at_again(inside, doubted):
    found = told(surveyed(), judged(inside=inside))
    assert bool(found) is doubted
    assert not doubted or found[0].text.startswith("50% that it is where a hole laid the pipe")


def test_what_does_not_agree_is_done_again_before_anything_is_read():
    vague = KindFit("surface", 9, 0.0, "9 readings do not agree with one leak", False)
    timed = KindFit("delay", 1, 0.0, "delay D1 does not fit", False, "time delay D1 again")
    found = told(surveyed(), judged(fits=(vague, timed)))
    assert [(each.text, each.job) for each in found] == [
        (timed.text, timed.redo), (vague.text, ""),
    ]  # fmt: skip
    silent = judged(fits=(timed,))
    silent.no_leak_odds = 2.0
    assert "nothing stands out" in told(surveyed(), silent)[0].text


@pytest.mark.parametrize(
    ("code", "order", "doubted"),
    [
        ("no_line", "number", True),
        ("no_line", "file", True),
        ("mark_order", "number", True),
        ("mark_order", "file", False),
        ("gap", "number", False),
    ],
)
def test_a_route_that_is_no_line_is_not_dug_by(code, order, doubted):
    survey = surveyed()
    leg = survey.legs[0]
    fit = replace(leg.fit, warnings=(Note(code, ""),))
    leg = replace(leg, fit=fit, leg=leg.leg.model_copy(update={"order": order}))
    found = told(replace(survey, legs=(leg,)))
    assert bool(found) is doubted
    assert not doubted or "check the order and the codes of the marks" in found[0].job


# -- a precision that nobody stated ----------------------------------------------------------------

UNSTATED = TOML.replace('crs = "local"', 'crs = "EPSG:2264"')


def scattered(survey, off_ft, count):
    """The survey's leg with so many marks off its line, in turn to the left and right."""
    off = np.zeros(21)
    off[: 2 * count : 2] = off_ft * unit_m("ft") * np.resize([1.0, -1.0], count)
    leg = survey.legs[0]
    fit = replace(leg.fit, mark_residual_m=off, strays=np.flatnonzero(off))
    return (replace(leg, fit=fit),)


def test_many_strays_on_both_sides_are_the_rovers(tmp_path):
    """Only where nobody stated how good it is; where it did, they are other pipes' marks."""
    survey = lane(tmp_path)
    assumed = replace(survey.site, notes=(Note("precision_assumed", ""),))
    few, many = (scattered(survey, 5.0, count) for count in (4, 5))
    assert 4 / 21 < MANY_STRAYS < 5 / 21
    assert unstated_scatter_m(assumed, few) is None
    spread = 5.0 * unit_m("ft") * np.sqrt(5 / 21)
    assert unstated_scatter_m(assumed, many) == pytest.approx(spread)
    assert unstated_scatter_m(survey.site, many) is None
    fit = replace(many[0].fit, mark_residual_m=np.abs(many[0].fit.mark_residual_m))
    assert unstated_scatter_m(assumed, (replace(many[0], fit=fit),)) is None


def test_points_of_a_scattering_rover_are_no_better_than_their_scatter(tmp_path):
    rows = "\n".join(
        f"{100 + k},{1500000 + 5 * k},{500000 + 8 * (-1) ** k * (k % 3 == 0)},100,WL"
        for k in range(21)
    )
    rows += "\n201,1499995,500000,100,MTR\n"
    survey = lane(tmp_path, toml=UNSTATED, points=rows)
    told_of = [each.code for each in survey.warnings]
    # Never both: one takes back what the other says.
    assert "precision_by_scatter" in told_of and "precision_assumed" not in told_of
    assert min(each.sigma_m for each in survey.points) > 0.5


# -- what is told ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("held", "said"), [(UNLIKELY, "95 % of"), (UNLIKELY - 0.01, "if it is")])
def test_an_interval_of_what_is_unlikely_is_told_as_an_if(held, said):
    assert UNLIKELY == 0.5
    result = listen_on_site()
    result = replace(result, leak=replace(result.leak, probability_interval=held))
    assert _likely(result).startswith(said)


def test_rivals_that_the_site_sets_to_nought_stand_beside_the_verdict():
    from geoleak.export import spoken

    result = listen_on_site()
    off = replace(result, decision=replace(result.decision, rivals_off=("aside", "elsewhere")))
    said = " ".join(" ".join(spoken.lines(off)[:5]).split())
    assert "NOT COUNTED, set to 0 in [prior]: the leak on a line nobody traced" in said
    assert "NOT COUNTED" not in " ".join(spoken.lines(result))


@pytest.mark.parametrize(
    ("at", "level", "word", "against", "agrees"),
    [
        ((27.0, 67.0), (50.0, 50.0), "2 contact readings agree", False, True),
        ((27.0, 67.0), (90.0, 22.0), "2 contact readings do not agree", True, True),
        ((27.0, 67.0, 70.0), (90.0, 22.0, 22.0), "contact readings do not agree", False, False),
    ],
)
def test_no_rows_are_said_to_agree_that_do_not(at, level, word, against, agrees):
    """Two of them speak against the place, three and more forbid it."""
    survey = surveyed(offset=(-0.2, 0.2, 0.0), level=(59.0, 61.0, 60.0))
    route = survey.legs[0].route
    survey = replace(survey, contact=synthetic.levels("contact", at, level, route=route))
    fit = next(each for each in infer(survey).fits if each.kind == "contact")
    assert word in fit.text
    assert (fit.against, fit.agrees) == (against, agrees)
