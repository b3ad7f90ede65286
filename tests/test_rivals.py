"""Rival explanations of a sound: their shares, and what makes each likelier than the leak below."""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from geoleak import tables
from geoleak.evidence import StopTests
from geoleak.evidence.base import candidates, log_sum_exp
from geoleak.posterior import InferenceOptions, infer, rivals
from geoleak.posterior.grid import Cells
from geoleak.posterior.rivals import Explainer, checked, free_ends, shares_beyond, smeared
from geoleak.posterior.run import begin
from geoleak.record import replace
from geoleak.tables import setting
from tests import synthetic
from tests.listened import (
    FIVE,
    across,
    against_line,
    chance,
    decided,
    ended,
    explained,
    fitting,
    heard,
    judged,
    listened,
    listened_for,
    pushed,
    rodded,
    stated,
    stopped,
)

pytestmark = pytest.mark.usefixtures("few_nodes")


# -- shares ----------------------------------------------------------------------------------------


def test_without_a_reading_every_explanation_keeps_the_share_of_the_method():
    """No sound: nothing has another maker, nothing comes up elsewhere. Both ends are open."""
    survey = replace(listened(), surface=synthetic.survey().surface)
    shares = {e.name: e.chance for e in judged(survey).explanations}
    expected = {"line": 0.86, "aside": 0.05, "beyond": 0.04, "elsewhere": 0.05}
    assert shares == pytest.approx(expected, abs=1e-9)
    prior = survey.site.prior
    assert (prior.fitting, prior.displaced, prior.caution) == (0.06, 0.10, 3.0)


@pytest.mark.parametrize("name", ["fitting", "aside", "beyond", "displaced"])
def test_a_share_of_nought_switches_a_rival_off_and_a_larger_one_makes_it_likelier(name):
    none, less = (judged(stated(listened(), **{name: share})) for share in (0.0, 0.02))
    assert name not in {e.name for e in none.explanations if e.chance > 0}
    (rival,) = (e.chance for e in less.explanations if e.name == name)
    assert 1.2 * rival < chance(listened(), name)


def test_everything_adds_up_to_one():
    survey = listened(fittings=(40.0,))
    posterior = judged(survey)
    assert sum(e.chance for e in posterior.explanations) == pytest.approx(1.0, abs=1e-9)
    assert posterior.mass.sum() + posterior.elsewhere == pytest.approx(1.0, abs=1e-9)
    off = sum(chance(survey, name) for name in ("aside", "beyond", "elsewhere"))
    unheard = explained(survey, "fitting").off_pipe
    assert posterior.elsewhere == pytest.approx(off + unheard, abs=1e-9)


def test_shares_that_leave_the_line_nothing_are_taken_down():
    survey = listened_for(prior={"fitting": 0.9, "aside": 0.9, "beyond": 0.9, "displaced": 0.9})
    posterior = judged(survey)
    assert posterior.line.share == pytest.approx(0.05, abs=1e-6)
    assert np.isfinite(posterior.mass).all()


def test_the_method_page_states_every_figure_in_use():
    """A guess that moves moves on the page as well, where a reader weighs it."""
    page = (Path(__file__).parent.parent / "shared" / "method" / "rivals.md").read_text("utf-8")
    row = re.compile(r"^\| (\w+) \| ([\d.]+)(?: ± [\d.]+)? \| [^|]+ \| ", flags=re.MULTILINE)
    table = dict(row.findall(page.split("## Every figure")[1]))
    assert set(table) == {row.name for row in tables.rows_of(tables.Setting, "rivals")}
    for name, value in table.items():
        assert setting(name).value == float(value), name
    assert "A fitting within 1 m" in page and "evenly spread from 6 to 30 dB" in page


# -- another maker ---------------------------------------------------------------------------------


def test_a_sound_at_a_shot_fitting_is_likelier_another_makers():
    beside, away = (explained(listened(fittings=(at,)), "fitting") for at in (47.3, 38.0))
    assert beside.chance > 2 * away.chance
    assert beside.point == "F0"
    assert beside.place[1] == pytest.approx(47.3)


def test_a_rod_tells_where_a_sound_is_made_not_by_what():
    before, after = (
        against_line(each, "fitting") for each in (listened(), rodded(listened(), FIVE, 47.3))
    )
    assert after == pytest.approx(before, rel=0.35)


@pytest.mark.parametrize(("away_m", "done"), [(2.9, True), (3.1, False)])
def test_a_check_counts_near_where_it_was_made(away_m, done):
    """A stop test, three rods, readings to both sides."""
    survey = pushed(across(listened(), 47.3, 0.0), [47.3] * 3, [50.0, 42.0, 34.0])
    survey = stopped(survey, synthetic.stop(47.3, off=60.0, worked=60.0, shut=41.0))
    found = checked(StopTests(survey), 0, 47.3 - away_m)
    assert found - {"beyond"} == ({"fitting", "displaced", "aside"} if done else set())


# -- beside the line -------------------------------------------------------------------------------


@pytest.fixture
def looked_at(monkeypatch):
    """Return where off the line leaks are weighed, by how far aside and at which chainage."""
    found, made = [], rivals.candidates

    def candidates(survey, leg, chainage_m, aside_m=None):
        if aside_m is not None:
            found.append((sorted(set(np.round(aside_m, 6))), None))
        elif np.max(chainage_m) > 100.0:
            found.append((None, np.round(chainage_m, 6).tolist()))
        return made(survey, leg, chainage_m, **({} if aside_m is None else {"aside_m": aside_m}))

    monkeypatch.setattr(rivals, "candidates", candidates)
    return found


def explainer(survey):
    return Explainer(begin(survey, InferenceOptions(nodes=16, most_nodes=16)))


@pytest.mark.parametrize(("offset", "sides"), [(0.0, (1,)), (0.25, (1,)), (0.35, (-1, 1))])
def test_a_line_aside_is_looked_for_from_half_a_trench_to_four_metres(
    looked_at, monkeypatch, offset, sides
):
    """In four strips from 0.7 to 4.3 m; on another's supply in three of ten.

    Readings put down carelessly do not tell left from right: both sides are taken to be alike.
    """
    fed, real = [], StopTests.of_leak

    def of_leak(self, *places, **parts):
        fed.append(parts["fed"])
        return real(self, *places, **parts)

    monkeypatch.setattr(StopTests, "of_leak", of_leak)
    rows = listened().surface
    survey = replace(listened(), surface=replace(rows, offset_m=np.full(len(rows), offset)))
    explain = explainer(survey)
    cells = rivals.first_cells(explain.run.survey, explain.run.hints)
    explain._aside(cells, np.zeros(len(cells)))
    strips = [side * (0.7 + 3.6 * part) for side in sides for part in (0.125, 0.375, 0.625, 0.875)]
    assert [aside for aside, _ in looked_at if aside] == [pytest.approx(sorted(strips))]
    assert fed == [pytest.approx(0.7)]


def test_readings_left_and_right_tell_a_leak_aside_from_one_below():
    survey = listened()
    assert chance(across(survey, 47.3, 0.0), "aside") < 0.2 * chance(survey, "aside")
    moved = heard(survey.surface.chainage_m, 47.3, aside=2.0, strength=28.0)
    moved = moved + np.random.default_rng(3).normal(0, 1.0, len(moved))
    survey = replace(survey, surface=replace(survey.surface, level_db=moved))
    found = explained(across(survey, 47.3, 2.0), "aside")
    assert found.chance > 0.5
    assert found.place[2] == pytest.approx(2.0, abs=0.8)
    assert found.checked


@pytest.mark.parametrize(("out_m", "done"), [(0.69, False), (0.71, True)])
def test_readings_within_half_a_trench_are_not_beside_the_line(out_m, done):
    survey = across(listened(), 47.3, 0.0)
    rows = replace(survey.surface, offset_m=np.sign(survey.surface.offset_m) * out_m)
    assert ("aside" in checked(StopTests(replace(survey, surface=rows)), 0, 47.3)) is done


def test_places_off_the_line_are_judged_by_few_nodes_as_by_all():
    """What few nodes find far off the best place is left at that: the whole moves by little."""
    explain = Explainer(judged(listened()).run)
    out = np.tile(np.linspace(-4.0, 4.0, 8), 10)
    leg, at = np.zeros(80, dtype=np.int64), np.repeat(np.linspace(44.0, 51.0, 10), 8)
    places = candidates(explain.run.survey, leg, at, np.full(80, 1 / 80), aside_m=out)
    every = explain._over_nodes(places, len(explain.run.nodes))
    few = explain._over_nodes(places, rivals.FEW_NODES)
    assert log_sum_exp(explain.everything(places)) == pytest.approx(log_sum_exp(every), abs=0.02)
    assert log_sum_exp(few) == pytest.approx(log_sum_exp(every), abs=0.5)


# -- past the end ----------------------------------------------------------------------------------


def test_past_an_end_a_leak_is_looked_for_over_six_metres(looked_at):
    explainer(listened(leak=98.0, first=80.0, last=100.0))._beyond(0.0)
    assert [past for _, past in looked_at if past] == [
        pytest.approx([100.5, 101.5, 102.5, 103.5, 104.5, 105.5])
    ]


@pytest.mark.parametrize(("from_end_m", "done"), [(5.9, False), (6.1, True)])
def test_an_end_that_far_off_has_no_leak_past_it(from_end_m, done):
    assert ("beyond" in checked(StopTests(listened()), 0, 100.0 - from_end_m)) is done


@pytest.mark.parametrize(("away", "heard"), [(11.5, True), (12.5, False)])
def test_an_end_out_of_hearing_is_not_judged(away, heard):
    survey = listened(first=60.0 - away % 1.0, last=100.0 - away + 0.1)
    assert free_ends(survey)[1].heard is heard


def test_an_end_is_closed_by_word_alone():
    survey = listened(fittings=(0.0,))
    for ends, shares in (((), (0.02, 0.02)), (("end",), (0.02, 0.001))):
        found = free_ends(ended(survey, *ends))
        assert [end.closed for end in found] == [False, bool(ends)]
        assert shares_beyond(found, 0.04) == pytest.approx(shares)


@pytest.mark.parametrize(
    ("code", "left"),
    [
        ("CAP", 0.05),
        ("Bldg", 0.1),
        ("MTR1", 0.3),
        ("HB", 0.3),
        ("hose bib 2", 0.3),
        ("WV", 1.0),
        ("HYD", 1.0),
        ("TEE", 1.0),
        ("", 1.0),
    ],
)
def test_a_fitting_on_an_end_leaves_a_share_by_its_kind(code, left):
    """A meter, a faucet, a cap often ends a line; a valve or a hydrant stands on one."""
    for at_m, share in ((0.9, left), (1.1, 1.0)):
        survey = replace(listened(), points=(fitting("F", at_m, code),))
        assert shares_beyond(free_ends(survey), 0.04)[0] == pytest.approx(0.02 * share)


def test_a_faucet_on_the_last_mark_does_not_hide_a_leak_past_it():
    def past(code):
        survey = listened(leak=101.5, first=70.0, last=100.5, off=True)
        survey = replace(survey, points=(fitting("F", 100.0, code),))
        assert decided(survey).verdict != "dig"
        return against_line(survey, "beyond")

    assert past("HB") / past("WV") == pytest.approx(0.3, rel=0.05)


def test_a_sound_that_rises_towards_an_open_end_may_come_from_past_it():
    survey = listened(leak=101.5, first=70.0, last=100.5)
    found = explained(survey, "beyond")
    assert found.chance > 0.1
    assert 100.0 < found.place[1] < 104.0
    assert chance(ended(survey, "start", "end"), "beyond") < 0.3 * found.chance


# -- along the trench ------------------------------------------------------------------------------


def test_a_sharp_sound_is_smeared_as_a_t_of_three_degrees_of_freedom():
    edges = np.linspace(0.0, 40.0, 2001)
    cells = Cells(np.zeros(2000, dtype=np.int64), edges[:-1], edges[1:])
    sound = np.where(np.abs(cells.chainage_m - 20.0) < 0.1, 0.0, -60.0)
    density = np.exp(smeared(cells, sound))
    t = stats.t(3, scale=0.9)
    at = np.array([20.0, 20.9, 21.8, 24.0])
    ratio = np.interp(at, cells.chainage_m, density) / np.interp(20.0, cells.chainage_m, density)
    assert ratio == pytest.approx(t.pdf(at - 20.0) / t.pdf(0.0), rel=0.05)
    # No farther than 8 m.
    assert cells.chainage_m[density > 1e-9].min() == pytest.approx(12.0, abs=0.3)


def test_a_rod_that_is_loud_beside_the_sound_moves_the_hole():
    survey = listened()
    moved, same = (rodded(survey, FIVE, at) for at in (48.3, 47.3))
    assert judged(moved).peaks[0].median_m == pytest.approx(48.3, abs=0.3)
    assert chance(moved, "displaced") > 0.5
    assert chance(same, "displaced") < chance(survey, "displaced")
    # Pushed on the line, a rod is no reading beside it.
    assert explained(same, "displaced").checked and not explained(same, "aside").checked


@pytest.mark.parametrize(("count", "done"), [(2, False), (3, True)])
def test_a_rod_counts_from_three_pushes(count, done):
    away = np.arange(count)
    survey = pushed(listened(), 47.3 + 0.5 * away, 50.0 - 8.0 * away)
    assert explained(survey, "displaced").checked is done


@pytest.mark.parametrize("share", [0.0, 0.1])
def test_sound_that_comes_up_along_the_trench_is_no_contradiction(share):
    survey = rodded(stated(listened(), displaced=share), (46.3, 47.3, 48.3, 48.5, 49.5), 49.0)
    assert any("contradict" in fit.text for fit in judged(survey).fits) is (share == 0.0)


# -- where nobody listened -------------------------------------------------------------------------


def test_the_even_chance_weighs_every_metre_alike():
    """Ten metres of a hundred listened to with a share of .8: prior odds change 36 times."""
    posterior, even = (
        judged(listened_for(first=40.0, last=50.0, prior={"listened": share, "inaudible": 0.0}))
        for share in (0.8, 0.0)
    )
    assert even.even is None
    assert posterior.even is not None
    weighed = posterior.mass * posterior.even
    inside = np.abs(posterior.cells.chainage_m - 47.3) < 1.0
    same = np.abs(even.cells.chainage_m - 47.3) < 1.0
    share = weighed[inside].sum() / (weighed.sum() + posterior.elsewhere)
    assert share == pytest.approx(even.mass[same].sum(), abs=0.02)


@pytest.mark.long  # timed
def test_weighing_rivals_takes_no_more_than_twice_the_time():
    """Processor time of one inference with rivals against one without; the best of five."""
    survey = listened(fittings=(0.0, 40.0))
    plain = stated(survey, **synthetic.NO_RIVALS)

    def seconds(one):
        times = []
        for _ in range(5):
            start = time.process_time()
            infer(one)
            times.append(time.process_time() - start)
        return min(times)

    assert seconds(survey) < 2.0 * seconds(plain)
