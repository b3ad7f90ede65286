"""Where delays, coherence and the choice of a band turn: one side of it, and the other."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from geoleak.acoustics import Clocks, best_band, delay, levels
from geoleak.acoustics import spectra as ml
from geoleak.acoustics.delay import Plan, _rivals, _widened
from geoleak.errors import AcousticsError

timing = sys.modules["geoleak.acoustics.delay"]  # the room hands on the function of this name
RATE = 4000.0
PLAN = Plan(RATE, 40_000, (100.0, 1500.0), 1000, Clocks())


def white(count: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(count)


# -- delays ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("chance", "found"), [(0.99e-4, True), (1.01e-4, False)])
def test_noise_is_a_leak_s_where_chance_makes_it_once_in_ten_thousand(
    chance: float, found: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = timing.detect
    monkeypatch.setattr(timing, "detect", lambda *each: (real(*each)[0], chance))
    noise = white(20_050)
    assert delay(noise[:-50], noise[50:], RATE).found is found


@pytest.mark.parametrize(
    ("seconds", "low_hz", "taken"),
    [(0.95, 8.0, False), (1.05, 8.0, True), (1.55, 2.5, False), (1.65, 2.5, True)],
)
def test_a_delay_wants_a_second_and_four_periods(
    seconds: float, low_hz: float, taken: bool
) -> None:
    noise, count = white(8000), round(seconds * RATE)
    if taken:
        assert delay(noise[20 : 20 + count], noise[:count], RATE, (low_hz, 1500.0)).found
    else:
        with pytest.raises(AcousticsError, match="too short for a delay"):
            delay(noise[20 : 20 + count], noise[:count], RATE, (low_hz, 1500.0))


@pytest.mark.parametrize(
    ("times", "reason"),
    [(0.97, ""), (1.03, "longer than the longest"), (1.2, "longer than"), (1.3, "share no noise")],
)
def test_a_delay_up_to_a_quarter_over_the_longest_is_seen_for_what_it_is(
    times: float, reason: str
) -> None:
    noise, late = white(42_000), round(times * 400)
    found = delay(noise[:40_000], noise[late : late + 40_000], RATE, max_lag_s=0.1)
    assert found.found is (not reason)
    assert reason in found.reason


@pytest.mark.parametrize(("times", "said"), [(1.45, False), (1.55, True)])
def test_noise_is_unsteady_from_half_as_much_again(times: float, said: bool) -> None:
    sigma_s, notes = _widened(PLAN, 0.1, 1e-3, (times * 1e-3, 0.0, 1.0), (), 0.0)
    assert ("unsteady" in {each.code for each in notes}) is said
    assert sigma_s == pytest.approx(times * 1e-3 if said else 1e-3, rel=1e-3)


@pytest.mark.parametrize(("wrong", "said"), [(0.0095, False), (0.0105, True)])
def test_another_peak_is_said_from_one_chance_in_a_hundred(wrong: float, said: bool) -> None:
    _, notes = _widened(PLAN, 0.1, 1e-3, (0.0, 0.0, 1.0), (), wrong)
    assert ("ambiguous" in {each.code for each in notes}) is said


def test_three_rivals_are_named_and_all_of_them_counted() -> None:
    """A peak 1 / 0.6 nats under the likeliest is e times less likely, as the trial counted."""
    likelihood = np.zeros(40_000)
    likelihood[0], likelihood[[100, 200, 300, 400, 500]] = 10.0, 10.0 - 1.0 / 0.6
    found, wrong = _rivals(PLAN, likelihood, 0.0)
    others = 5 * np.exp(-1.0)
    assert len(found) == 3
    assert wrong == pytest.approx(others / (1 + others))


def test_a_delay_is_looked_for_from_five_hertz_up() -> None:
    """In bins of 2 Hz."""
    noise = white(48_050)
    assert delay(noise[:-50], noise[50:], RATE).band_hz[0] == 6.0


# -- spectra -----------------------------------------------------------------------------------


def test_means_run_over_six_per_cent_to_either_side_and_two_bins() -> None:
    _, bins = ml.smooth(np.ones(400), np.ones(400, dtype=bool))
    assert [bins[at] for at in (20, 100, 300)] == [5, 13, 37]


@pytest.mark.parametrize(("times", "tone"), [(5.9, False), (6.1, True)])
def test_a_tone_stands_six_times_over_its_neighbours(times: float, tone: bool) -> None:
    power = np.ones(100)
    power[50] = times
    assert ml.lines(power).any() == tone


@pytest.mark.parametrize(("share", "foot"), [(0.095, True), (0.105, False)])
def test_the_foot_of_an_edge_holds_a_tenth_of_what_stands_beside_it(
    share: float, foot: bool
) -> None:
    power = np.ones(40)
    power[20:] = share
    assert ml.cliffs(power, np.ones(40, dtype=bool))[20] == foot


def standing(*sigmas: float) -> ml.Coherence:
    """Return the coherence of bins so far over chance: five to a mean, of 50 s of 1 Hz each."""
    averages = 50.0 * (5 + 1)
    over = np.array(sigmas)
    modulus = over / np.sqrt(2 * averages + over**2)
    return ml.coherence_of(np.arange(40.0), modulus + 0j, np.ones(40, dtype=bool), 50.0)


@pytest.mark.parametrize(("sigmas", "counts"), [(4.4, False), (4.6, True)])
def test_a_band_counts_from_four_and_a_half_sigma(sigmas: float, counts: bool) -> None:
    assert standing(*[sigmas] * 40).support.any() == counts


@pytest.mark.parametrize(("sigmas", "counts"), [(2.4, False), (2.6, True)])
def test_and_out_to_two_and_a_half(sigmas: float, counts: bool) -> None:
    assert standing(*[sigmas] * 20, *[6.0] * 20).support[10] == counts


def test_recordings_of_one_noise_weigh_as_much_as_can_be_told_from_it() -> None:
    """Never without end, and what is a thousandth short of one is not cut."""
    every = np.ones(40, dtype=bool)
    for coherent in (0.999, 1.0):
        found = ml.coherence_of(np.arange(40.0), np.full(40, coherent + 0j), every, 1e6)
        assert found.squared[10] == pytest.approx(coherent**2, abs=3e-4)
        assert np.isfinite(found.weights).all()


# -- the band that separates -------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "taken"), [(11.9, False), (12.1, True)])
def test_a_band_is_chosen_over_twelve_seconds(seconds: float, taken: bool) -> None:
    count = round(seconds * RATE)
    if taken:
        assert best_band(white(count, 1), white(count, 2), RATE) is not None
    else:
        with pytest.raises(AcousticsError, match="12 s or more"):
            best_band(white(count, 1), white(count, 2), RATE)


@pytest.mark.parametrize(("high_hz", "taken"), [(1260.0, False), (1420.0, True)])
def test_a_search_spans_more_than_a_third_of_an_octave(high_hz: float, taken: bool) -> None:
    """Half an octave has four edges, a third has three."""
    pair = white(60_000, 1), white(60_000, 2)
    if taken:
        assert best_band(*pair, RATE, search_hz=(1000.0, high_hz)) is not None
    else:
        with pytest.raises(AcousticsError, match="too narrow to search"):
            best_band(*pair, RATE, search_hz=(1000.0, high_hz))


def test_a_search_begins_at_twenty_hertz_and_tries_sixths_of_an_octave() -> None:
    """By IEC 61260-1 their edges are 10^(k/20): of those over 20 Hz the first is 22.39."""
    found = best_band(white(60_000, 1), white(60_000, 2), RATE)
    assert found.edges_hz[:3] == pytest.approx([22.387, 25.119, 28.184], abs=0.001)


def test_a_band_is_chosen_on_five_sixths_of_the_stretches_and_measured_on_the_rest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Four stretches of half a second stay together, as a passing car lasts. Of 26 the first
    sixth has its four, and the two over; steady is what a quarter of the stretches are under."""
    chosen_on: list[list[float]] = []
    real = levels._pick

    def pick(leak_db: np.ndarray, quiet_db: np.ndarray) -> int:
        chosen_on.append(leak_db[:, 0].round().tolist())
        return real(leak_db, quiet_db)

    monkeypatch.setattr(levels, "_pick", pick)
    edges = levels.band_edges(1000.0, 1400.0)
    # The stretches' own numbers, in decibels.
    leak = 10 ** (np.arange(26.0)[:, None] / 10) * np.ones(len(edges) - 1) / (len(edges) - 1)
    found = levels._choose(leak, leak, edges)
    measured = [sorted({*range(26)} - {*each}) for each in chosen_on]
    assert measured[0] == [0, 1, 2, 3, 24, 25]
    assert measured[1:] == [[*range(4 * k, 4 * k + 4)] for k in range(1, 6)] + [[]]
    steady = 10 * np.log10(np.quantile(leak, 0.25, axis=0))
    assert found.with_leak_db == pytest.approx(steady)


@pytest.mark.parametrize(
    ("score", "sigma", "found"),
    [(0.95, 0.1, False), (1.05, 0.1, True), (2.0, 2 / 2.9, False), (2.0, 2 / 3.1, True)],
)
def test_a_band_separates_by_its_spread_and_three_sigma(
    score: float, sigma: float, found: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(levels, "_mean", lambda values: (score, sigma))
    assert best_band(white(60_000, 1), white(60_000, 2), RATE).found is found


@pytest.mark.parametrize(("share", "picked"), [(0.89, 0), (0.91, 1)])
def test_of_bands_that_separate_alike_the_loudest_is_taken(share: float, picked: int) -> None:
    """A band twice as wide in its levels, so that its difference is nearly twice the other's."""
    quiet = np.linspace(-1.0, 1.0, 101)[:, None] * [10.0, 20.0]
    assert levels._pick(quiet + np.array([100.0, 200.0 * share]), quiet) == picked
