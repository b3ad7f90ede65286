"""Delays against exact constructs, scipy, the Cramer-Rao bound, and recordings that hold none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from geoleak.acoustics import Clocks, delay, delay_of_files
from geoleak.acoustics.recording import ArraySource
from geoleak.acoustics.spectra import Coherence, bound_s, correlation, cross_spectra, power_spectrum
from geoleak.errors import AcousticsError
from geoleak.record import replace
from tests.check_values import check_value
from tests.command import at_length
from tests.recordings import LeakPair, leak_pair
from tests.trials.delay_trial import METAL, PLASTIC, score

RATE = 4000.0


def white(count: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(count)


def shifted(samples: np.ndarray, later: float) -> np.ndarray:
    """Return samples that come `later` samples later, around the circle, exactly."""
    hz = np.fft.rfftfreq(len(samples))
    return np.fft.irfft(np.fft.rfft(samples) * np.exp(-2j * np.pi * hz * later), len(samples))


def test_the_sign_is_arrival_at_first_minus_arrival_at_second_as_scipy_counts_lags() -> None:
    from scipy.signal import correlate, correlation_lags

    row = check_value("scipy_lag")
    second = white(40_000)
    first = np.concatenate([np.zeros(37), second[:-37]])
    lags = correlation_lags(len(first), len(second))
    assert lags[np.argmax(correlate(first, second))] == row.expected
    estimate = delay(first, second, RATE)
    assert estimate.delay_s is not None
    assert estimate.delay_s * RATE == pytest.approx(row.expected, abs=0.01)
    swapped = delay(second, first, RATE)
    assert swapped.delay_s == pytest.approx(-estimate.delay_s, abs=1e-6)


@pytest.mark.parametrize("later", [12.3, -12.3, 0.5, 250.75])
def test_a_fraction_of_a_sample_is_recovered(later: float) -> None:
    row = check_value("shift_fraction")
    second = white(80_000)
    estimate = delay(shifted(second, later), second, RATE)
    assert estimate.found and estimate.delay_s is not None
    assert estimate.delay_s * RATE == pytest.approx(later, abs=row.tolerance)


def test_the_sub_sample_peak_has_no_bias() -> None:
    """Errors over all fractions of a sample average to nothing, whatever the fraction."""
    rng = np.random.default_rng(40)
    second = rng.standard_normal(60_000)
    errors = []
    for later in np.arange(20, 21, 0.125):
        first = shifted(second, float(later)) + 0.3 * rng.standard_normal(60_000)
        estimate = delay(first, second, RATE)
        assert estimate.delay_s is not None and estimate.sigma_s is not None
        errors.append((estimate.delay_s - later / RATE) / estimate.sigma_s)
    assert abs(np.mean(errors)) < 3.5 / np.sqrt(len(errors))
    assert np.abs(errors).max() < 4


def test_the_correlation_is_scipys_over_the_whole_length() -> None:
    from scipy.signal import correlate, correlation_lags

    first, second = white(30_000, 1), white(30_000, 2) + 0.3 * white(30_000, 1)
    ours = correlation(
        ArraySource(first), ArraySource(second), RATE, most_lag=700, shift=lambda _: 0.0
    )
    lags = correlation_lags(len(first), len(second))
    theirs = correlate(first, second, method="fft")[np.abs(lags) <= 700]
    assert ours == pytest.approx(theirs, abs=2e-5 * np.abs(theirs).max())


def test_spectra_are_scipys() -> None:
    from scipy.signal import csd, welch

    first, second = white(60_000, 1), white(60_000, 2) + 0.5 * white(60_000, 1)
    hz, power = power_spectrum(ArraySource(first), RATE, segment=512)
    their_hz, theirs = welch(first, RATE, nperseg=512, noverlap=256)
    assert hz == pytest.approx(their_hz)
    assert power[2:-1] == pytest.approx(theirs[2:-1], rel=1e-4)
    found = cross_spectra(
        ArraySource(first), ArraySource(second), RATE, segment=512, shift=lambda _: 0.0, stretches=4
    )
    _, cross = csd(second, first, RATE, nperseg=512, noverlap=384)
    assert found.cross.sum(axis=0)[2:-1] == pytest.approx(cross[2:-1], rel=1e-3, abs=1e-8)


@pytest.mark.parametrize(
    ("key", "duration", "low", "high", "snr"),
    [
        ("a", 1, 100, 500, 1),
        ("b", 1, 200, 800, 10),
        ("c", 60, 200, 800, 0.1),
        ("d", 10, 10, 200, 1),
    ],
)
def test_the_bound_of_a_flat_band(
    key: str, duration: float, low: float, high: float, snr: float
) -> None:
    row = check_value(f"bound_{key}")
    hz = np.arange(0.005, 1000, 0.01)
    inside = (hz > low) & (hz < high)
    squared = np.where(inside, (snr / (1 + snr)) ** 2, 0.0)
    flat = Coherence(hz, np.sqrt(squared), squared, inside)
    assert bound_s(flat, duration) == pytest.approx(row.expected, abs=row.tolerance)
    by_hand = 3 * (1 + 2 * snr) / (8 * np.pi**2 * duration * snr**2 * (high**3 - low**3))
    assert np.sqrt(by_hand) == pytest.approx(row.expected, rel=1e-5)


def test_the_stated_sigma_of_one_flat_band_is_the_closed_form() -> None:
    """Two channels of band noise at 0 dB: case d of the published bound, on real samples."""
    row = check_value("bound_d")
    rng = np.random.default_rng(9)
    count = 4000 * 10
    hz = np.fft.rfftfreq(count, 1 / RATE)
    inside = (hz > 10) & (hz < 200)
    stated = []
    for _ in range(4):
        parts = [np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * inside) for _ in range(3)]
        beyond = [1e-3 * rng.standard_normal(count) for _ in range(2)]
        estimate = delay(parts[0] + parts[1] + beyond[0], parts[0] + parts[2] + beyond[1], RATE)
        assert estimate.sigma_s is not None
        stated.append(estimate.sigma_s)
    assert np.mean(stated) == pytest.approx(row.expected, rel=0.12)


@at_length(
    ("pair", "snr_db", "most", "pairs"),
    [(replace(METAL, duration_s=20.0), 3.0, 1.15, 8)],
    [(METAL, 3.0, 1.15, 40), (PLASTIC, -5.0, 1.35, 40)],
)
def test_error_against_the_bound_and_stated_against_real(
    pair: LeakPair, snr_db: float, most: float, pairs: int
) -> None:
    """A short form of the trial: 40 pairs know a ratio to 11 %, and two such are allowed for."""
    row = score("", replace(pair, snr_db=snr_db), pairs, seed=5)
    known = (2 * pairs) ** -0.5
    assert row.right == pairs
    assert row.error_ratio < most * (1 + 2 * known)
    assert row.error_ratio > 1 - 3.5 * known
    assert row.stated_ratio == pytest.approx(1, abs=0.2 + 2 * known)


@at_length(("pairs", "duration_s"), [(2, 20.0)], [(8, 60.0)])
def test_hum_and_a_stray_source_do_not_lead_it_astray(pairs: int, duration_s: float) -> None:
    for extra in ({"hum_db": 20.0}, {"stray_db": -6.0}):
        pair = replace(METAL, snr_db=0.0, duration_s=duration_s, **extra)
        row = score("", pair, pairs, seed=77)
        assert (row.right, row.wrong, row.missed) == (pairs, 0, 0)
        assert row.error_ratio < 2.0


def test_recordings_with_a_steep_anti_alias_edge_keep_their_delay() -> None:
    """Sixty decibels down past 200 Hz: what leaks over the edge must not be whitened up."""
    rng = np.random.default_rng(9)
    hz = np.fft.rfftfreq(40_000, 1 / RATE)
    keep = np.where((hz > 10) & (hz < 200), 1.0, 1e-3)
    for _ in range(4):
        one, two, leak = (
            np.fft.irfft(np.fft.rfft(rng.standard_normal(40_000)) * keep) for _ in range(3)
        )
        estimate = delay(shifted(leak, 25.0) + one, leak + two, RATE)
        assert estimate.delay_s is not None and estimate.sigma_s is not None
        assert abs(estimate.delay_s * RATE - 25) < 4 * estimate.sigma_s * RATE
        assert estimate.sigma_s < 6e-5


def test_a_delay_longer_than_allowed_is_not_given_as_the_longest_allowed() -> None:
    second = white(40_000)
    for later in (203, 235):
        estimate = delay(shifted(second, later), second, RATE, max_lag_s=0.05)
        assert not estimate.found and estimate.delay_s is None
    assert delay(shifted(second, 195), second, RATE, max_lag_s=0.05).found


@at_length("pairs", [3], [25])
def test_hum_alone_is_no_delay(pairs: int) -> None:
    found = score("", replace(METAL.quiet(), hum_db=20.0, duration_s=20.0), pairs, seed=3)
    assert found.missed == pairs


@at_length("pairs", [3], [40])
@pytest.mark.parametrize("pair", [METAL, PLASTIC], ids=["metal", "plastic"])
def test_noise_alone_never_gives_a_number(pair: LeakPair, pairs: int) -> None:
    for seed in range(pairs):
        quiet = replace(pair.quiet(), duration_s=15.0)
        estimate = delay(*leak_pair(quiet, np.random.default_rng(seed)), RATE)
        assert not estimate.found
        assert estimate.delay_s is None and estimate.sigma_s is None
        assert estimate.coherence is None and estimate.band_hz is None
        assert estimate.reason.startswith("no delay found: ")
        assert 0 <= estimate.chance_of_noise <= 1


@at_length("runs", [20], [100])
def test_the_chance_of_noise_is_no_smaller_than_it_says(runs: int) -> None:
    """On unrelated white noise one run in ten may show 0.1 or less, and not many more."""
    low = 0
    for seed in range(runs):
        estimate = delay(white(20_000, seed), white(20_000, seed + 1000), RATE)
        low += estimate.chance_of_noise <= 0.1
    assert low <= runs / 10 + 3 * np.sqrt(runs * 0.1 * 0.9)


def test_the_wider_the_search_the_less_sure() -> None:
    pair = leak_pair(replace(METAL, snr_db=-12.0, duration_s=5.0), np.random.default_rng(2))
    near = delay(*pair, RATE, max_lag_s=0.05)
    far = delay(*pair, RATE, max_lag_s=1.0)
    assert near.chance_of_noise < far.chance_of_noise


def test_a_narrow_leak_has_rivals_a_period_away_and_says_how_likely_they_are() -> None:
    narrow = replace(PLASTIC, flank_order=16, band_hz=(45.0, 55.0), duration_s=10.0, snr_db=3.0)
    estimate = delay(*leak_pair(narrow, np.random.default_rng(12)), RATE)
    assert estimate.found and estimate.delay_s is not None
    nearest = min(abs(abs(each.delay_s - estimate.delay_s) - 0.02) for each in estimate.rivals)
    assert nearest < 0.004
    assert all(0 <= each.chance <= 1 and each.height < 1 for each in estimate.rivals)
    heights = [each.height for each in estimate.rivals]
    assert heights == sorted(heights, reverse=True)


@at_length("pairs", [16], [120])
def test_wrong_peaks_happen_no_more_often_than_promised(pairs: int) -> None:
    narrow = replace(PLASTIC, flank_order=16, band_hz=(45.0, 55.0), duration_s=10.0, snr_db=0.0)
    row = score("", narrow, pairs, seed=21)
    assert row.right > pairs / 6
    assert row.wrong <= row.promised_wrong + 3 * np.sqrt(row.promised_wrong) + 1


@at_length("pairs", [3], [60])
def test_an_ambiguous_peak_widens_the_sigma(pairs: int) -> None:
    narrow = replace(PLASTIC, flank_order=16, band_hz=(45.0, 55.0), duration_s=10.0, snr_db=0.0)
    rng = np.random.default_rng(23)
    seen = 0
    for _ in range(pairs):
        estimate = delay(*leak_pair(narrow, rng), RATE)
        if estimate.found and estimate.chance_wrong is not None and estimate.chance_wrong > 0.1:
            assert estimate.sigma_s is not None and estimate.sigma_s > 0.003
            assert "ambiguous" in {each.code for each in estimate.warnings}
            seen += 1
    assert seen > 0


def test_a_stated_band_is_kept_to() -> None:
    """Two sources with different delays, each in a band of its own: the band chooses."""
    rng = np.random.default_rng(8)
    low = leak_pair(replace(METAL, band_hz=(100.0, 300.0), snr_db=20.0), rng)
    high = leak_pair(replace(METAL, first_m=70.0, second_m=30.0, band_hz=(800.0, 1200.0)), rng)
    first, second = (a / a.std() + b / b.std() for a, b in zip(low, high, strict=True))
    for band, expected in (((80.0, 350.0), -0.032), ((700.0, 1400.0), 0.032)):
        estimate = delay(first, second, RATE, band)
        assert estimate.delay_s == pytest.approx(expected, abs=1e-4)
        assert estimate.band_hz is not None
        assert band[0] <= estimate.band_hz[0] < estimate.band_hz[1] <= band[1]


@pytest.mark.parametrize("skew_ppm", [20.0, -50.0])
def test_clock_offset_and_skew_are_taken_out_and_their_error_carried(skew_ppm: float) -> None:
    rng = np.random.default_rng(3)
    long = replace(METAL, snr_db=6.0, duration_s=70.0)
    one, two = leak_pair(long, rng)
    # The second recorder counts faster and reads 0.25 s more: its sample i is real time
    # (i / rate - offset) / (1 + skew).
    count = round(60 * RATE)
    offset_s = 0.25
    real = (np.arange(count) / RATE - offset_s) / (1 + skew_ppm * 1e-6)
    from scipy.interpolate import CubicSpline

    grid = np.arange(len(one)) / RATE
    second = CubicSpline(grid, two)(real + 1.0)
    first = one[round(RATE) : round(RATE) + count]
    clocks = Clocks(offset_s, 2e-5, skew_ppm, 0.1)
    estimate = delay(first, second, RATE, (150.0, 900.0), clocks=clocks)
    assert estimate.delay_s == pytest.approx(long.delay_s, abs=1e-5)
    assert estimate.sigma_s == pytest.approx(np.hypot(2e-5, 0.1e-6 * 30), rel=0.05)
    assert not {"drift"} & {each.code for each in estimate.warnings}
    blind = delay(first, second, RATE, (150.0, 900.0))
    assert {"drift", "unsteady"} & {each.code for each in blind.warnings}
    assert blind.sigma_s is not None and blind.drift_ppm is not None
    assert blind.sigma_s > 10 * long.bound_s()
    assert blind.drift_ppm * skew_ppm < 0


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ({"skew_ppm": 5000.0}, "within 1000 ppm"),
        ({"offset_s": float("nan")}, "finite"),
        ({"offset_sigma_s": -1.0}, "zero or more"),
    ],
)
def test_clocks_that_cannot_be_are_refused(settings: dict[str, float], says: str) -> None:
    with pytest.raises(AcousticsError, match=says):
        Clocks(**settings)


GOOD = white(40_000, 5)


@pytest.mark.parametrize(
    ("first", "second", "says"),
    [
        (GOOD, GOOD[:-5], r"differ in length \(40000 and 39995 samples\)"),
        (GOOD, GOOD.copy(), "identical"),
        (GOOD, np.zeros(40_000), "second recording is silent"),
        (np.full(40_000, np.nan), GOOD, "40000 samples that are not numbers"),
        (np.zeros(0), np.zeros(0), "first recording is empty"),
        (np.zeros((100, 2)), GOOD, "more than one channel"),
        (GOOD[:2000], white(2000, 6), "too short for a delay"),
    ],
)
def test_bad_recordings_are_refused(first: np.ndarray, second: np.ndarray, says: str) -> None:
    with pytest.raises(AcousticsError, match=says):
        delay(first, second, RATE)


def test_bad_options_are_refused() -> None:
    other = white(40_000, 6)
    with pytest.raises(AcousticsError, match="carries only what lies under 2000 Hz"):
        delay(GOOD, other, RATE, (100, 2500))
    with pytest.raises(AcousticsError, match="longest delay"):
        delay(GOOD, other, RATE, max_lag_s=0)
    with pytest.raises(AcousticsError, match="too narrow"):
        delay(GOOD, other, RATE, (100, 101))


@at_length("pairs", [5], [25])
def test_unsteady_leak_noise_widens_the_sigma_rather_than_lie(pairs: int) -> None:
    """Noise that is loud for a few seconds only: the plain bound would claim the whole length."""
    errors = []
    rng = np.random.default_rng(15)
    for _ in range(pairs):
        first, second = leak_pair(replace(METAL, snr_db=-3.0), rng)
        for other in (first, second):
            envelope = np.repeat(rng.choice([0.2, 0.2, 0.2, 3.0], 60), 4000)
            other *= envelope
        estimate = delay(first, second, RATE)
        assert estimate.delay_s is not None and estimate.sigma_s is not None
        errors.append((estimate.delay_s - METAL.delay_s) / estimate.sigma_s)
    assert np.sqrt(np.mean(np.square(errors))) < 1.2 + 2 / np.sqrt(pairs)


def write(path: Path, samples: np.ndarray, rate: int = 4000) -> Path:
    soundfile.write(path, samples, rate, subtype="DOUBLE")
    return path


def test_files_give_the_delay_of_the_arrays(tmp_path: Path) -> None:
    pair = replace(METAL, snr_db=3.0, duration_s=20.0)
    first, second = leak_pair(pair, np.random.default_rng(4))
    shares: list[float] = []
    from_files = delay_of_files(
        write(tmp_path / "a.wav", first + 3.0),
        write(tmp_path / "b.wav", second),
        progress=shares.append,
    )
    from_arrays = delay(first, second, RATE)
    assert from_files.delay_s == pytest.approx(from_arrays.delay_s, abs=1e-9)
    assert from_files.sigma_s == pytest.approx(from_arrays.sigma_s, rel=1e-3)
    assert shares == sorted(shares) and shares[-1] == 1.0
    write(tmp_path / "pair.wav", np.stack([first, second], axis=1))
    channels = [f"{tmp_path / 'pair.wav'}#{number}" for number in (1, 2)]
    assert delay_of_files(*channels).delay_s == pytest.approx(from_arrays.delay_s, abs=1e-9)


def test_files_of_different_rate_length_or_the_same_file(tmp_path: Path) -> None:
    first, second = leak_pair(replace(METAL, duration_s=20.0), np.random.default_rng(4))
    one = write(tmp_path / "a.wav", first)
    with pytest.raises(AcousticsError, match=r"4000 Hz and b\.wav at 8000 Hz"):
        delay_of_files(one, write(tmp_path / "b.wav", second, 8000))
    longer = np.concatenate([second, white(4000)])
    estimate = delay_of_files(one, write(tmp_path / "c.wav", longer))
    assert estimate.delay_s == pytest.approx(METAL.delay_s, abs=1e-5)
    assert [each.code for each in estimate.warnings] == ["length"]
    with pytest.raises(AcousticsError, match="identical"):
        delay_of_files(one, one)
    with pytest.raises(AcousticsError, match="identical"):
        delay_of_files(one, write(tmp_path / "copy.wav", first))


def test_same_input_same_answer_to_the_last_bit() -> None:
    pair = leak_pair(replace(PLASTIC, duration_s=20.0), np.random.default_rng(4))
    assert delay(*pair, RATE) == delay(*pair, RATE)
