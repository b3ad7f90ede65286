"""Levels and bands against closed forms, standards and scipy."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile
from scipy.signal import sosfilt

from geoleak.acoustics import (
    best_band,
    level_db,
    level_of_file,
    listen,
    open_recording,
    steady_level,
)
from geoleak.acoustics.levels import band_edges, band_sections, percentile_error
from geoleak.acoustics.recording import Recording
from geoleak.errors import AcousticsError
from geoleak.reports.sound import LEAK, QUIET, spectrum_svg
from tests.check_values import check_value
from tests.command import at_length
from tests.recordings import LeakPair, bursts, leak_pair, write_wav_16

RATE = 4000.0
BAND = (200.0, 1000.0)
PAIR = LeakPair(snr_db=-3.0)


def close(value: float, identifier: str) -> None:
    row = check_value(identifier)
    assert value == pytest.approx(row.expected, abs=row.tolerance), identifier


def sine(hz: float, seconds: float = 10.0) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)


def test_a_full_scale_sine_in_the_band() -> None:
    close(steady_level(sine(450), RATE, BAND).level_db, "full_scale_sine")
    close(level_db(sine(450), RATE, BAND), "full_scale_sine")


def test_a_level_wants_two_seconds_past_the_filter_s_rise() -> None:
    with pytest.raises(AcousticsError, match=r"record 2\.2 s or more"):
        steady_level(sine(450, 2.0), RATE, BAND)
    assert steady_level(sine(450, 2.01), RATE, BAND).duration_s == pytest.approx(2.01)


def test_the_blocks_it_is_read_in_change_no_level(tmp_path: Path, monkeypatch) -> None:
    soundfile.write(tmp_path / "a.wav", noise := sine(450) + sine(317), int(RATE), subtype="DOUBLE")
    monkeypatch.setattr(Recording.blocks, "__defaults__", (777,))
    found = steady_level(open_recording(tmp_path / "a.wav"), RATE, BAND)
    assert found.level_db == pytest.approx(steady_level(noise, RATE, BAND).level_db, abs=1e-9)


@pytest.mark.parametrize("edge", BAND)
def test_the_filter_at_its_edges(edge: float) -> None:
    row = check_value("butterworth_edge")
    level = steady_level(sine(edge, 60.0), RATE, BAND).level_db
    loss = level - check_value("full_scale_sine").expected
    assert loss == pytest.approx(row.expected, abs=row.tolerance)


def test_the_filter_is_the_one_scipy_designs_() -> None:
    from scipy.signal import sosfreqz

    _, response = sosfreqz(band_sections(BAND, RATE), worN=[200.0, 447.2, 1000.0], fs=RATE)
    assert 20 * np.log10(abs(response[0])) == pytest.approx(-3.0103, abs=0.001)
    assert abs(response[1]) == pytest.approx(1.0, abs=0.001)
    # Of fourth order on either flank: 24 dB an octave.
    _, flank = sosfreqz(band_sections(BAND, 40_000.0), worN=[12.5, 25.0], fs=40_000.0)
    assert 20 * np.log10(abs(flank[1] / flank[0])) == pytest.approx(24.1, abs=0.1)


def test_the_percentile_of_gaussian_levels() -> None:
    levels = 50 + 4 * np.random.default_rng(8).standard_normal(400_000)
    close(float(np.percentile(levels, 10)), "gaussian_l90")


def test_the_short_time_levels_give_l90_as_the_percentile_exceeded_90_percent() -> None:
    noise = np.random.default_rng(5).standard_normal(round(60 * RATE))
    level = steady_level(noise, RATE, BAND)
    steps = sosfilt(band_sections(BAND, RATE), noise).reshape(-1, round(RATE / 4))
    powers = 10 * np.log10((steps**2).mean(axis=1))
    assert (powers > level.level_db).mean() == pytest.approx(0.9, abs=0.02)
    assert level.median_db == pytest.approx(np.median(powers), abs=0.05)


def test_the_standard_error_is_the_scatter_of_the_level() -> None:
    rng = np.random.default_rng(11)
    levels, stated = [], []
    for _ in range(120):
        found = steady_level(rng.standard_normal(round(30 * RATE)), RATE, BAND)
        levels.append(found.level_db)
        stated.append(found.standard_error_db)
    # 120 runs: the scatter itself is known to 6.5 %.
    assert np.mean(stated) == pytest.approx(float(np.std(levels, ddof=1)), rel=0.25)


def test_kindred_steps_count_for_fewer() -> None:
    rng = np.random.default_rng(2)
    independent = rng.standard_normal(2000)
    kindred = np.repeat(rng.standard_normal(200), 10)
    assert percentile_error(kindred, 10) > 2 * percentile_error(independent, 10)


@pytest.mark.parametrize("band", [BAND, (500.0, 1500.0), (70.0, 850.0)])
@pytest.mark.parametrize("gain_db", [10.0, 20.0])
def test_bursts_for_30_percent_of_the_time_hardly_move_the_level(
    band: tuple[float, float], gain_db: float
) -> None:
    rng = np.random.default_rng(17)
    quiet, _ = leak_pair(PAIR, rng)
    loud = bursts(quiet, RATE, rng, share=0.30, gain_db=gain_db)
    assert (np.abs(loud - quiet) > 0).mean() > 0.28
    before, after = steady_level(quiet, RATE, band), steady_level(loud, RATE, band)
    assert abs(after.level_db - before.level_db) <= 1.0
    assert 20 * np.log10(np.std(loud) / np.std(quiet)) > 3.0


def test_two_sources_in_one_recording_add_their_powers() -> None:
    rng = np.random.default_rng(23)
    one, two = rng.standard_normal((2, round(120 * RATE)))
    apart = [steady_level(each, RATE, BAND).median_db for each in (one, 0.5 * two)]
    together = steady_level(one + 0.5 * two, RATE, BAND).median_db
    assert together == pytest.approx(10 * np.log10(sum(10 ** (np.array(apart) / 10))), abs=0.1)


def test_scaling_by_two_adds_six_decibels() -> None:
    noise = np.random.default_rng(5).standard_normal(round(20 * RATE))
    base = steady_level(noise, RATE, BAND).level_db
    assert steady_level(2 * noise, RATE, BAND).level_db - base == pytest.approx(
        20 * np.log10(2), abs=1e-9
    )


def test_a_file_in_blocks_gives_the_level_of_the_array(tmp_path: Path) -> None:
    write_wav_16(tmp_path / "a.wav", np.random.default_rng(1).standard_normal(600_000), 4000)
    heard = level_of_file(tmp_path / "a.wav", band_hz=BAND)
    whole = steady_level(heard.recording.samples(), RATE, BAND)
    assert heard.level.level_db == pytest.approx(whole.level_db, abs=1e-9)
    assert heard.level.median_db == pytest.approx(whole.median_db, abs=1e-9)


@pytest.mark.parametrize(
    ("band", "says"),
    [
        ((500, 2000), "carries only what lies under 2000 Hz"),
        ((500, 2500), "carries only what lies under 2000 Hz"),
        ((0, 500), "low edge must be over 0"),
        ((800, 300), "under the high"),
        ((np.nan, 300), "under the high"),
        ((100,), "no band"),
    ],
)
def test_bands_that_cannot_be_are_refused(band: tuple[float, ...], says: str) -> None:
    with pytest.raises(AcousticsError, match=says):
        steady_level(np.ones(40_000), RATE, band)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("samples", "says"),
    [
        (np.zeros(0), "empty"),
        (np.zeros((100, 2)), "more than one channel"),
        (np.zeros(40_000), "is silent"),
        (np.random.default_rng(1).standard_normal(4000), "too short"),
        (np.full(40_000, np.nan), "not numbers"),
    ],
)
def test_samples_without_a_level_are_refused(samples: np.ndarray, says: str) -> None:
    with pytest.raises(AcousticsError, match=says):
        steady_level(samples, RATE, BAND)


def test_third_octave_edges() -> None:
    edges = band_edges(80, 1200, per_octave=3)
    for identifier in (
        "third_octave_1000_low",
        "third_octave_1000_high",
        "third_octave_100_low",
        "third_octave_500_high",
    ):
        row = check_value(identifier)
        assert np.abs(edges - row.expected).min() <= row.tolerance, identifier
    assert edges[0] <= 80 and edges[-1] >= 1200


def test_the_best_band_is_the_leaks_own() -> None:
    rng = np.random.default_rng(31)
    for low, high in ((200.0, 1000.0), (70.0, 300.0), (500.0, 900.0)):
        pair = LeakPair(band_hz=(low, high), snr_db=0.0, loss_db_per_m=0.02)
        choice = best_band(leak_pair(pair, rng)[0], leak_pair(pair.quiet(), rng)[0], RATE)
        assert choice.found
        assert choice.band_hz is not None
        # A third of an octave either way: the leak's flanks are no steps.
        assert abs(np.log2(choice.band_hz[0] / low)) < 0.6
        assert abs(np.log2(choice.band_hz[1] / high)) < 0.6
        assert choice.difference_db == pytest.approx(10 * np.log10(2), abs=0.8)
        assert choice.separation > 5 * choice.separation_sigma


def test_the_best_band_leaves_out_interference_that_comes_and_goes() -> None:
    rng = np.random.default_rng(33)
    pair = LeakPair(band_hz=(400.0, 900.0), snr_db=0.0, loss_db_per_m=0.02)
    recordings = []
    for this in (pair, pair.quiet()):
        sound = leak_pair(this, rng)[0]
        wind = sosfilt(band_sections((20.0, 150.0), RATE), rng.standard_normal(len(sound))) * 20
        wind *= np.repeat(rng.uniform(0.1, 1.0, len(sound) // 2000), 2000)
        recordings.append(sound + wind)
    choice = best_band(*recordings, RATE)
    assert choice.band_hz is not None
    assert choice.band_hz[0] > 200


@at_length("pairs", [5], [40])
def test_where_nothing_separates_it_says_so(pairs: int) -> None:
    found = 0
    for seed in range(pairs):
        rng = np.random.default_rng(seed)
        one, two = (leak_pair(PAIR.quiet(), rng)[0] for _ in range(2))
        choice = best_band(one, two, RATE)
        found += choice.found
        assert choice.found is (choice.band_hz is not None)
        if not choice.found:
            assert choice.reason == "no band separates the two recordings"
    assert found == 0


def test_a_quieter_leak_recording_is_not_a_find() -> None:
    rng = np.random.default_rng(6)
    leak, quiet = leak_pair(PAIR, rng)[0], leak_pair(PAIR.quiet(), rng)[0]
    assert best_band(leak, quiet, RATE).found
    assert not best_band(quiet, leak, RATE).found


@at_length("pairs", [10], [60])
def test_held_out_separation_is_not_the_best_of_many(pairs: int) -> None:
    """On noise the separation measured on held-out stretches scatters about zero."""
    values = []
    for seed in range(pairs):
        rng = np.random.default_rng(1000 + seed)
        one, two = rng.standard_normal((2, round(30 * RATE)))
        values.append(best_band(one, two, RATE).separation)
    error = np.std(values, ddof=1) / np.sqrt(len(values))
    assert abs(np.mean(values)) < 3.5 * error


@pytest.mark.parametrize(
    ("one", "two", "says"),
    [
        (np.random.default_rng(1).standard_normal(8000), None, "12 s or more"),
        (np.zeros(80_000), None, "silent"),
        (np.full(80_000, np.inf), None, "not numbers"),
        (np.zeros(0), None, "empty"),
    ],
)
def test_bad_recordings_for_a_band_are_refused(one: np.ndarray, two: None, says: str) -> None:
    good = np.random.default_rng(3).standard_normal(80_000)
    with pytest.raises(AcousticsError, match=says):
        best_band(one, good, RATE)
    with pytest.raises(AcousticsError, match=says):
        best_band(good, one, RATE)


def test_identical_recordings_have_no_best_band() -> None:
    good = np.random.default_rng(3).standard_normal(80_000)
    with pytest.raises(AcousticsError, match="identical"):
        best_band(good, good.copy(), RATE)


def folder_of_recordings(folder: Path) -> dict[str, Path]:
    rng = np.random.default_rng(12)
    near, far = leak_pair(LeakPair(snr_db=3.0, duration_s=20.0), rng)
    none, _ = leak_pair(LeakPair(snr_db=3.0, duration_s=20.0).quiet(), rng)
    top = max(np.abs(each).max() for each in (near, far, none))
    made = {}
    for name, samples in (("near", near), ("far", 0.8 * far), ("none", none)):
        made[name] = folder / f"{name}.wav"
        write_wav_16(made[name], samples, 4000, peak=0.9 * np.abs(samples).max() / top)
    return made


def test_listening_measures_all_in_the_band_it_found(tmp_path: Path) -> None:
    shares: list[float] = []
    heard = listen(folder_of_recordings(tmp_path), progress=shares.append)
    assert heard.band_from == "measured"
    assert (heard.with_leak, heard.without) == ("near", "none")
    assert heard.choice is not None and heard.band_hz == heard.choice.band_hz
    levels = {each.name: each.level.level_db for each in heard.heard}
    assert levels["near"] > levels["far"] > levels["none"]
    assert shares == sorted(shares) and shares[-1] == 1.0


def test_listening_in_a_stated_band_and_in_a_materials_first_band(tmp_path: Path) -> None:
    files = folder_of_recordings(tmp_path)
    stated = listen(files, band_hz=(300, 800))
    assert stated.band_hz == (300, 800) and stated.band_from == "stated"
    alone = listen({"near": files["near"]}, material="pvc")
    assert alone.band_hz == (150, 1500) and alone.band_from == "table"
    assert alone.choice is None
    with pytest.raises(AcousticsError, match='"nowhere" is not among'):
        listen(files, with_leak="nowhere")
    with pytest.raises(AcousticsError, match="no recordings"):
        listen({})


def test_a_low_rate_cuts_the_first_band_and_a_very_low_one_is_refused(tmp_path: Path) -> None:
    noise = np.random.default_rng(2).standard_normal(20_000)
    write_wav_16(tmp_path / "slow.wav", noise, 2400)
    assert level_of_file(tmp_path / "slow.wav").level.band_hz == (150, 1080)
    write_wav_16(tmp_path / "slower.wav", noise, 400)
    with pytest.raises(AcousticsError, match="carries only what lies under 200 Hz"):
        level_of_file(tmp_path / "slower.wav")


def test_the_picture_is_whole_harmless_and_shows_the_band(tmp_path: Path) -> None:
    heard = listen(folder_of_recordings(tmp_path))
    assert heard.choice is not None
    hostile = "<script>alert(1)</script> & 'quotes'"
    drawn = spectrum_svg(heard.choice, hostile, hostile)
    root = ElementTree.fromstring(drawn)
    assert not root.findall(".//{*}script")
    curves = [
        e for e in root.iter() if e.tag.endswith("polyline") and e.get("points").count(",") > 2
    ]
    assert [each.get("stroke") for each in curves] == [QUIET, LEAK]
    low, high = heard.choice.band_hz or (0, 0)
    assert f"{low:.0f} to {high:.0f} Hz" in drawn
    assert "href" not in drawn and len(drawn) < 20_000
    empty = spectrum_svg(
        best_band(*np.random.default_rng(1).standard_normal((2, 80_000)), RATE), "t"
    )
    assert "no band separates" in empty
