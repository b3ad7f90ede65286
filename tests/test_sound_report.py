"""What `geoleak delay` takes from its options where a whole site is timed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import geoleak
from geoleak.errors import InputError
from geoleak.reports.sound import delay_report
from geoleak.site import Site
from tests.recordings import write_wav_16

SITES = Path(__file__).parent.parent / "sample_sites"


@pytest.fixture(scope="module")
def site() -> Site:
    return geoleak.read_site(SITES / "quarry_road")


def test_a_band_asked_for_is_the_band_looked_in(site: Site) -> None:
    ((_, narrow),) = delay_report(site, band_hz=(300.0, 500.0)).found
    assert narrow.band_hz is not None
    assert 300.0 <= narrow.band_hz[0] < narrow.band_hz[1] <= 500.0


def test_a_delay_longer_than_the_longest_is_not_found_elsewhere(site: Site) -> None:
    ((_, free),) = delay_report(site).found
    ((_, held),) = delay_report(site, longest_s=0.01).found
    assert free.delay_s is not None and free.delay_s > 0.01
    assert held.delay_s is None or abs(held.delay_s) <= 0.01


@pytest.mark.parametrize(("late_s", "seen"), [(0.98, True), (1.02, False)])
def test_a_delay_is_looked_for_up_to_a_second(tmp_path: Path, late_s: float, seen: bool) -> None:
    """What 300 m of plastic pipe last; the command's help says 1000 ms."""
    noise, late = np.random.default_rng(7).standard_normal(14_000), round(2000 * late_s)
    pair = [tmp_path / "first.wav", tmp_path / "second.wav"]
    for path, start in zip(pair, (late, 0), strict=True):
        write_wav_16(path, noise[start : start + 10_000], 2000)
    ((_, found),) = delay_report(*map(str, pair), band_hz=(100.0, 900.0)).found
    assert found.found == seen
    assert seen or "longer than the longest" in found.reason


@pytest.mark.parametrize("options", [{"band_hz": (500.0, 300.0)}, {"longest_s": 0.0}])
def test_options_that_make_no_sense_are_refused(site: Site, options: dict[str, object]) -> None:
    with pytest.raises(InputError, match="is no"):
        delay_report(site, **options)


@pytest.mark.parametrize(("longest_s", "says"), [(10.01, "longest delay"), (9.99, "no such")])
def test_a_search_past_ten_seconds_is_a_slip_of_units(longest_s: float, says: str) -> None:
    with pytest.raises(InputError, match=says):
        delay_report("no.wav", "none.wav", longest_s=longest_s)
