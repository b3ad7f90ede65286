"""Highest-density sets and peaks against distributions whose sets are known."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from geoleak.evidence.base import Hint
from geoleak.posterior.grid import (
    Cells,
    find_peaks,
    highest_density_set,
    interpolate,
    knots_to_add,
    lattice,
)
from tests.check_values import check_value


def cells_of(distribution, low, high, count=4000):
    edges = np.linspace(low, high, count + 1)
    mass = np.diff(distribution.cdf(edges))
    cells = Cells(np.zeros(count, dtype=np.int64), edges[:-1], edges[1:])
    return cells, mass / mass.sum()


def close(value, name):
    expected = check_value(name)
    assert value == pytest.approx(expected.expected, abs=expected.tolerance)


def test_exponential():
    [(_, low, high)] = highest_density_set(*cells_of(stats.expon(), 0, 20), 0.95)
    assert low == 0.0
    close(high, "hpd_exp_1")


def test_gamma():
    [(_, low, high)] = highest_density_set(*cells_of(stats.gamma(2), 0, 25, 20000), 0.95)
    close(low, "hpd_gamma_2_low")
    close(high, "hpd_gamma_2_high")


def test_beta():
    [(_, low, high)] = highest_density_set(*cells_of(stats.beta(2, 5), 0, 1, 8000), 0.95)
    close(low, "hpd_beta_2_5_low")
    close(high, "hpd_beta_2_5_high")


@pytest.mark.parametrize(("gap_m", "pieces"), [(0.9e-6, 1), (1.1e-6, 2)])
def test_what_lies_a_micrometre_apart_is_one_piece(gap_m, pieces):
    cells = Cells(np.zeros(2, dtype=np.int64), np.array([0.0, 2.0]), np.array([2.0 - gap_m, 3.0]))
    assert len(highest_density_set(cells, np.array([0.6, 0.4]), 1.0)) == pieces


class TwoPeaks:
    def cdf(self, x):
        return 0.5 * stats.norm(-3, 1).cdf(x) + 0.5 * stats.norm(3, 1).cdf(x)


def test_two_peaks_give_two_pieces():
    cells, mass = cells_of(TwoPeaks(), -9, 9, 9000)
    left, right = highest_density_set(cells, mass, 0.95)
    close(-left[1], "hpd_two_peaks_outer")
    close(-left[2], "hpd_two_peaks_inner")
    close(right[1], "hpd_two_peaks_inner")
    close(right[2], "hpd_two_peaks_outer")
    one, two = find_peaks(cells, mass, (left, right), window_m=1.5)
    assert one.mass == pytest.approx(0.475, abs=0.002)
    assert sorted([one.median_m, two.median_m]) == pytest.approx([-3.0, 3.0], abs=0.08)


def test_a_run_cut_at_its_start():
    cells, mass = cells_of(stats.truncnorm(-0.4, 19.6, 2, 5), 0, 100, 20000)
    [(_, low, high)] = highest_density_set(cells, mass, 0.95)
    assert low == 0.0
    close(high, "edge_hpd_high")
    close(float(mass @ cells.chainage_m), "edge_mean")


def test_the_set_is_of_what_is_on_the_pipe():
    cells, mass = cells_of(stats.norm(10, 1), 0, 20)
    full = highest_density_set(cells, mass, 0.95)
    # With 40 % elsewhere the same stretch is named; the 40 % stand beside it.
    assert highest_density_set(cells, 0.6 * mass, 0.95)[0] == pytest.approx(full[0], abs=1e-9)


def test_a_level_stretch_is_taken_in_one_piece():
    edges = np.linspace(0, 10, 101)
    cells = Cells(np.zeros(100, dtype=np.int64), edges[:-1], edges[1:])
    mass = np.full(100, 0.01) * (1 + 1e-12 * np.random.default_rng(1).random(100))
    pieces = highest_density_set(cells, mass, 0.5)
    assert len(pieces) == 1
    assert pieces[0][2] - pieces[0][1] == pytest.approx(5.0, abs=1e-6)


def test_a_narrow_peak_leads_a_wide_stretch():
    edges = np.concatenate([np.linspace(0, 60, 61), np.linspace(60.05, 70, 200)])
    centre = 0.5 * (edges[:-1] + edges[1:])
    density = np.where(centre < 60, 0.01, 0.4 * stats.norm(65, 0.3).pdf(centre))
    cells = Cells(np.zeros(len(centre), dtype=np.int64), edges[:-1], edges[1:])
    mass = density * cells.width_m
    mass /= mass.sum()
    peaks = find_peaks(cells, mass, highest_density_set(cells, mass, 0.95), window_m=1.5)
    assert peaks[0].median_m == pytest.approx(65.0, abs=0.1)
    assert peaks[1].mass > peaks[0].mass


def test_splitting_cells_keeps_the_pipe():
    cells = Cells(np.array([0, 0, 1]), np.array([0.0, 2.0, 0.0]), np.array([2.0, 5.0, 1.0]))
    fine = cells.split(np.array([2, 3, 1]))
    assert len(fine) == 6
    assert fine.width_m.sum() == pytest.approx(6.0)
    assert fine.to_m[1] == 2.0
    assert fine.from_m[2] == 2.0


def test_lattice_is_fine_where_a_hint_asks():
    edges = lattice(100.0, [Hint(0, 40.0, 44.0, 0.5)], 5.0)
    assert edges[0] == 0.0
    assert edges[-1] == 100.0
    inside = edges[(edges >= 40) & (edges <= 44)]
    assert np.diff(inside).max() <= 0.5 + 1e-9
    assert len(edges) < 35


def test_interpolation_keeps_a_parabola():
    x = np.array([0.0, 0.7, 1.1, 2.0, 2.6, 4.0])
    line = SimpleNamespace(leg=np.zeros(6, dtype=np.int64), chainage_m=x)
    at = np.linspace(0, 4, 50)
    out = interpolate(line, 3 - (x - 1.3) ** 2, np.zeros(50, dtype=np.int64), at)
    assert out == pytest.approx(3 - (at - 1.3) ** 2, abs=1e-9)


def test_knots_are_added_where_it_bends_only():
    x = np.arange(0.0, 20.0)
    value = np.where(np.abs(x - 10) < 4, -((x - 10) ** 2), -16.0)
    line = SimpleNamespace(leg=np.zeros(20, dtype=np.int64), chainage_m=x)
    _, chainage = knots_to_add(line, value, floor=-12.0, finest_m=np.full(20, 0.3))
    assert len(chainage) > 0
    assert chainage.min() > 5.0
    assert chainage.max() < 15.0


@pytest.mark.parametrize(("end", "place"), [(1.0, 9.0), (1.11, 9.0), (1.12, 0.75), (4.0, 0.75)])
def test_the_place_of_a_wide_peak_is_where_a_hole_holds_most(end, place):
    """A level stretch of 18 m, its first hole's length raised; cells of half a metre."""
    edges = np.linspace(0.0, 18.0, 37)
    cells = Cells(np.zeros(36, dtype=np.int64), edges[:-1], edges[1:])
    mass = np.where(edges[1:] <= 1.5, 0.01 * end, 0.01)
    [peak] = find_peaks(cells, mass, ((0, 0.0, 18.0),), window_m=1.5)
    assert peak.median_m == pytest.approx(place, abs=0.1)
    assert peak.in_hole == pytest.approx(0.03 * (end if place < 1.0 else 1.0), abs=1e-9)
