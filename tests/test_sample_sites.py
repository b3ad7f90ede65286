"""The sample sites are what their script makes, and the job done on them finds the true leak."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import geoleak
from geoleak.result.records import Result
from tests import make_sample_sites
from tests.samples import sample

SITES = Path(__file__).parent.parent / "sample_sites"


def test_the_script_remakes_the_sites_byte_for_byte(tmp_path: Path) -> None:
    make_sample_sites.make(tmp_path)
    made = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file())
    kept = sorted(
        path.relative_to(SITES)
        for path in SITES.rglob("*")
        if path.is_file() and "out" not in path.parts
    )
    assert made == kept
    for name in made:
        assert (tmp_path / name).read_bytes() == (SITES / name).read_bytes(), name


@pytest.fixture(params=sorted(make_sample_sites.TRUTH))
def located(request: pytest.FixtureRequest) -> tuple[str, Result]:
    return request.param, sample(request.param).result


def test_the_verdict_is_the_right_one(located: tuple[str, Result]) -> None:
    name, result = located
    assert result.decision.verdict == make_sample_sites.TRUTH[name][2]


def test_the_true_leak_is_in_the_95_percent_interval(located: tuple[str, Result]) -> None:
    name, result = located
    leg, true_m, _ = make_sample_sites.TRUTH[name]
    # The fitted line's chainage may differ from the true pipe's by the route's own error.
    assert any(
        piece[0] == leg and piece[1] - 0.15 <= true_m <= piece[2] + 0.15
        for piece in result.leak.interval_95
    )


def test_where_it_says_dig_the_hole_uncovers_the_leak(located: tuple[str, Result]) -> None:
    name, result = located
    leg, true_m, verdict = make_sample_sites.TRUTH[name]
    if verdict != "dig":
        assert result.next_readings
        return
    assert any(
        piece[0] == leg and piece[1] <= true_m <= piece[2] for piece in result.decision.hole.pieces
    )
    assert result.decision.chance_in_hole >= 0.85


def test_the_same_site_gives_the_same_bytes(tmp_path: Path) -> None:
    folder = SITES / "alder_court"
    for name in ("a", "b"):
        geoleak.locate(geoleak.read_site(folder)).write(tmp_path / name)
    first = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert first == sorted(path.name for path in (tmp_path / "b").iterdir())
    for name in first:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_probabilities_add_up(located: tuple[str, Result]) -> None:
    _, result = located
    total = sum(leg.probability for leg in result.legs) + result.leak.probability_elsewhere
    assert total == pytest.approx(1.0, abs=1e-9)
    assert sum(result.leak.side.values()) == pytest.approx(1.0 if result.leak.side else 0.0)


def test_recordings_stand_on_a_scale_of_their_own(located: tuple[str, Result]) -> None:
    """Decibels re full scale beside a meter's: the fit follows the meter's and is not bent."""
    name, result = located
    if name != "quarry_road":
        return
    profile = result.profile[0]
    metered = [r for r in result.readings if r.kind == "surface" and r.recording is None]
    error = [
        each.level_db - np.interp(each.chainage_m, profile.expected_chainage_m, profile.expected_db)
        for each in metered
    ]
    assert abs(float(np.median(error))) < 1.0
    assert float(np.std(error)) < 3.0


def test_the_recordings_stay_small() -> None:
    assert sum(path.stat().st_size for path in (SITES / "quarry_road").glob("*.wav")) <= 400_000
