"""WAV files of every kind in, and every kind of bad one named."""

from __future__ import annotations

import os
import re
import struct
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from geoleak.acoustics import level_of_file, open_recording
from geoleak.acoustics.recording import Condition, has_automatic_gain, inspect
from geoleak.errors import AcousticsError
from tests.recordings import bursts, write_wav_16

RATE = 4000


def noise(seconds: float = 4.0, *, seed: int = 1, level: float = 0.1) -> np.ndarray:
    return level * np.random.default_rng(seed).standard_normal(round(seconds * RATE))


def condition_of(samples: np.ndarray, folder: Path) -> Condition:
    """Return what `inspect` says of samples written as they are."""
    soundfile.write(folder / "samples.wav", samples, RATE, subtype="DOUBLE")
    return inspect(open_recording(folder / "samples.wav"))


def codes(path: Path) -> set[str]:
    return {each.code for each in inspect(open_recording(path)).warnings}


@pytest.mark.parametrize(
    ("subtype", "step"),
    [
        ("PCM_U8", 1 / 128),
        ("PCM_16", 2.0**-15),
        ("PCM_24", 2.0**-23),
        ("PCM_32", 2.0**-31),
        ("FLOAT", 1e-7),
        ("DOUBLE", 1e-15),
    ],
)
@pytest.mark.parametrize("container", ["WAV", "WAVEX"])
def test_every_sample_format_reads_back(
    tmp_path: Path, subtype: str, step: float, container: str
) -> None:
    samples = noise(2.0)
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype=subtype, format=container)
    recording = open_recording(tmp_path / "a.wav")
    assert (recording.rate_hz, recording.frames, recording.channel) == (RATE, 2 * RATE, 1)
    assert np.abs(recording.samples() - samples).max() <= step
    assert np.array_equal(np.concatenate(list(recording.blocks(999))), recording.samples())


def test_pcm_16_is_read_as_the_standard_library_reads_it(tmp_path: Path) -> None:
    write_wav_16(tmp_path / "a.wav", noise(1.0), RATE)
    with wave.open(str(tmp_path / "a.wav")) as file:
        raw = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
    assert np.array_equal(open_recording(tmp_path / "a.wav").samples(), raw / 32768)


def test_channels_are_chosen_and_counted_from_one(tmp_path: Path) -> None:
    both = np.stack([noise(seed=1), noise(seed=2)], axis=1)
    soundfile.write(tmp_path / "pair.wav", both, RATE, subtype="DOUBLE")
    for channel in (1, 2):
        by_name = open_recording(f"{tmp_path / 'pair.wav'}#{channel}")
        assert np.array_equal(by_name.samples(), both[:, channel - 1])
        assert by_name.warnings == ()
    first = open_recording(tmp_path / "pair.wav")
    assert np.array_equal(first.samples(), both[:, 0])
    assert [each.code for each in first.warnings] == ["channel"]
    with pytest.raises(AcousticsError, match=r"no channel 3; the file has 2"):
        open_recording(tmp_path / "pair.wav", channel=3)
    with pytest.raises(AcousticsError, match=r"no channel 0"):
        open_recording(f"{tmp_path / 'pair.wav'}#0")


def test_reading_past_either_end_gives_zeros(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", noise(1.0), RATE, subtype="DOUBLE")
    recording = open_recording(tmp_path / "a.wav")
    got = recording.read(-3, RATE + 2)
    assert not got[:3].any() and not got[-2:].any()
    assert np.array_equal(got[3:-2], recording.samples())


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not a WAV file"),
        (b"not a sound at all, just words" * 10, "not a WAV file"),
        (b"RIFF\x24\x00\x00\x00WAVE", "not a WAV file"),
    ],
)
def test_what_is_not_a_wav_is_refused(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "bad.wav"
    path.write_bytes(content)
    with pytest.raises(AcousticsError, match=says):
        open_recording(path)


def test_another_audio_format_and_a_missing_file_are_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.flac", noise(1.0), RATE)
    (tmp_path / "a.flac").rename(tmp_path / "a.wav")
    with pytest.raises(AcousticsError, match="this is FLAC, not WAV"):
        open_recording(tmp_path / "a.wav")
    with pytest.raises(AcousticsError, match="no such recording"):
        open_recording(tmp_path / "nothing.wav")


def test_zero_length_is_refused(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(0), RATE, subtype="PCM_16")
    with pytest.raises(AcousticsError, match="zero length"):
        open_recording(tmp_path / "a.wav")


def test_a_truncated_file_is_named_and_the_rest_used(tmp_path: Path) -> None:
    write_wav_16(tmp_path / "a.wav", noise(4.0), RATE)
    whole = (tmp_path / "a.wav").read_bytes()
    (tmp_path / "cut.wav").write_bytes(whole[: 44 + 2 * 2 * RATE])
    recording = open_recording(tmp_path / "cut.wav")
    assert recording.frames == 2 * RATE
    assert [each.code for each in recording.warnings] == ["truncated"]
    assert "promises 4.00 s, 2.00 s are there" in str(recording.warnings[0])
    assert open_recording(tmp_path / "a.wav").warnings == ()


def test_a_chunk_of_odd_length_before_the_samples_is_stepped_over(tmp_path: Path) -> None:
    write_wav_16(tmp_path / "a.wav", noise(1.0), RATE)
    whole = (tmp_path / "a.wav").read_bytes()
    note = b"note" + struct.pack("<I", 3) + b"abc\x00"
    longer = struct.pack("<I", len(whole) - 8 + len(note))
    (tmp_path / "b.wav").write_bytes(b"RIFF" + longer + whole[8:12] + note + whole[12:])
    recording = open_recording(tmp_path / "b.wav")
    assert recording.warnings == ()
    assert np.array_equal(recording.samples(), open_recording(tmp_path / "a.wav").samples())


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_samples_that_are_no_numbers_are_refused_with_their_time(
    tmp_path: Path, bad: float
) -> None:
    samples = noise(4.0)
    samples[RATE] = bad
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    with pytest.raises(AcousticsError, match=r"1 samples from 1\.000 s on are not numbers"):
        level_of_file(tmp_path / "a.wav", band_hz=(100, 1000))


def test_a_good_recording_has_nothing_to_say(tmp_path: Path) -> None:
    write_wav_16(tmp_path / "a.wav", noise(8.0), RATE)
    assert codes(tmp_path / "a.wav") == set()


def header(*, rate: int = RATE, channels: int = 1, data: int | None = None, form: bytes = b"RIFF"):
    """Return a WAV file of 10 s whose header says what it is told to."""
    body = (3000 * np.random.default_rng(1).standard_normal(10 * RATE)).astype("<i2").tobytes()
    size = len(body) if data is None else data
    sizes = b"ds64" + struct.pack("<IQQQI", 28, size + 72, size, size // 2, 0)
    return (
        form + struct.pack("<I", 0xFFFFFFFF if form == b"RF64" else 36 + len(body)) + b"WAVE"
        + (sizes if form == b"RF64" else b"")
        + b"fmt " + struct.pack("<IHHIIHH", 16, 1, channels, rate, 2 * rate % 2**32, 2, 16)
        + b"data" + struct.pack("<I", 0xFFFFFFFF if form == b"RF64" else size) + body
    )  # fmt: skip


@pytest.mark.parametrize(("size", "cut"), [(0xFFFFFFFE, True), (0xFFFFFFFF, False)])
def test_a_size_that_a_recorder_never_filled_in_promises_nothing(
    tmp_path: Path, size: int, cut: bool
) -> None:
    (tmp_path / "a.wav").write_bytes(header(data=size))
    recording = open_recording(tmp_path / "a.wav")
    assert recording.frames == 10 * RATE
    assert bool(recording.warnings) is cut


@pytest.mark.parametrize(
    ("lie", "says"),
    [
        ({"data": 2**31 - 10}, None),
        ({"form": b"RF64", "data": 2**41}, None),
        ({"data": 0}, "empty"),
        ({"rate": 0}, "not a WAV file that can be read"),
        ({"rate": 4_000_000_000}, "not a WAV file that can be read"),
        ({"rate": 2_000_000_000}, "too short"),
        ({"rate": 1}, "carries only"),
        ({"channels": 65535}, "not a WAV file that can be read"),
        ({"channels": 1000}, "too short"),
    ],
)
def test_headers_that_lie_are_read_or_refused_at_once(tmp_path: Path, lie, says) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(header(**lie))
    began = time.process_time()
    if says is None:
        assert level_of_file(path).recording.duration_s == pytest.approx(10.0)
    else:
        with pytest.raises(AcousticsError, match=says):
            level_of_file(path)
    assert time.process_time() - began < 2.0


def test_a_pipe_or_a_device_is_no_recording(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.wav")
    for path in (tmp_path / "a.wav", Path("/dev/zero"), tmp_path):
        with pytest.raises(AcousticsError, match="there is no such recording"):
            open_recording(path)


def test_clipping_is_named_with_its_share(tmp_path: Path) -> None:
    samples = np.clip(noise(8.0) * 5, -0.6, 0.6)
    write_wav_16(tmp_path / "a.wav", samples, RATE, peak=1.0)
    condition = inspect(open_recording(tmp_path / "a.wav"))
    assert {each.code for each in condition.warnings} == {"clipped"}
    spaced = noise(8.0) * 0.1
    spaced[::4000] = 0.99
    assert condition_of(spaced, tmp_path).warnings == ()


@pytest.mark.parametrize(
    ("run", "count", "said"), [(3, 270_000, True), (2, 150_000, False), (3, 330_000, False)]
)
def test_three_samples_in_a_row_at_the_top_in_some_hundred_thousand(
    tmp_path: Path, run: int, count: int, said: bool
) -> None:
    samples = np.clip(noise(count / RATE), -0.6, 0.6)
    samples[1000 : 1000 + run] = 0.9
    warned = {each.code for each in condition_of(samples, tmp_path).warnings}
    assert ("clipped" in warned) is said


@pytest.mark.parametrize(("dbfs", "silent"), [(-109.0, False), (-111.0, True)])
def test_what_lies_under_the_noise_of_any_recorder_is_silence(
    tmp_path: Path, dbfs: float, silent: bool
) -> None:
    samples = noise(level=10 ** (dbfs / 20))
    if silent:
        with pytest.raises(AcousticsError, match="is silent"):
            condition_of(samples, tmp_path)
    else:
        assert condition_of(samples, tmp_path).rms_dbfs == pytest.approx(dbfs, abs=0.2)


def test_silence_and_a_dead_channel_are_refused(tmp_path: Path) -> None:
    both = np.stack([np.zeros(4 * RATE), np.full(4 * RATE, 0.25)], axis=1)
    soundfile.write(tmp_path / "a.wav", both, RATE, subtype="PCM_16")
    with pytest.raises(AcousticsError, match="is silent"):
        inspect(open_recording(f"{tmp_path / 'a.wav'}#1"))
    with pytest.raises(AcousticsError, match=re.escape("is dead (stuck at 0.25)")):
        inspect(open_recording(f"{tmp_path / 'a.wav'}#2"))


def test_offset_is_named_and_measured(tmp_path: Path) -> None:
    condition = condition_of(noise(8.0) + 0.2, tmp_path)
    assert [each.code for each in condition.warnings] == ["offset"]
    assert condition.offset == pytest.approx(0.2, abs=0.005)


def test_drop_outs_are_named(tmp_path: Path) -> None:
    samples = noise(8.0)
    samples[: 3 * RATE] = 0
    assert "dropouts" in {each.code for each in condition_of(samples, tmp_path).warnings}


def follow_gain(samples: np.ndarray, *, fall_s: float, climb_s: float) -> np.ndarray:
    """Turn the gain down at loud moments and let it climb back, as telephones do."""
    out = np.empty_like(samples)
    gain, target = 1.0, 0.15
    for start in range(0, len(samples), 40):
        block = samples[start : start + 40] * gain
        out[start : start + 40] = block
        wish = min(1.0, gain * target / max(float(block.std()), 1e-6))
        pace = fall_s if wish < gain else climb_s
        gain += (wish - gain) * (1 - np.exp(-0.01 / pace))
    return out


def test_automatic_gain_is_named_and_a_passing_car_is_not(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    natural = bursts(noise(60.0), RATE, rng, share=0.2, gain_db=20)
    pumped = follow_gain(natural, fall_s=0.02, climb_s=1.5)
    found = {each.code for each in condition_of(pumped, tmp_path).warnings}
    assert "automatic_gain" in found
    assert "automatic_gain" not in {each.code for each in condition_of(natural, tmp_path).warnings}


@pytest.mark.parametrize(
    ("fall_db", "climb_db", "climb_s", "events", "said"),
    [
        (2.6, 2.2, 1.0, 3, True),
        (2.4, 2.2, 1.0, 3, False),
        (2.6, 1.9, 1.0, 3, False),
        (2.6, 2.2, 0.2, 3, False),
        (2.6, 2.2, 1.0, 2, False),
    ],
)
def test_gain_drops_at_once_and_climbs_over_a_second_three_times(
    fall_db: float, climb_db: float, climb_s: float, events: int, said: bool
) -> None:
    climb = climb_db * np.minimum(np.arange(11) / (10 * climb_s), 1.0) - fall_db
    assert has_automatic_gain(np.tile([*np.zeros(4), *climb], events)) is said


def test_no_false_alarm_for_automatic_gain_on_steady_noise_with_cars(tmp_path: Path) -> None:
    alarms = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        natural = bursts(noise(30.0, seed=seed), RATE, rng, share=0.25, gain_db=18)
        alarms += any(
            each.code == "automatic_gain" for each in condition_of(natural, tmp_path).warnings
        )
    assert alarms <= 1


def test_an_hour_is_read_in_little_memory(tmp_path: Path) -> None:
    """A twelfth of an hour at 48 kHz, traced: the peak does not grow with the length."""
    import tracemalloc

    peaks = []
    for minutes in (1, 5):
        path = tmp_path / f"{minutes}.wav"
        block = np.random.default_rng(2).integers(-3000, 3000, 48_000 * 60, dtype=np.int16)
        with wave.open(str(path), "wb") as file:
            file.setnchannels(1)
            file.setsampwidth(2)
            file.setframerate(48_000)
            for _ in range(minutes):
                file.writeframes(block.tobytes())
        del block
        tracemalloc.start()
        level_of_file(path, band_hz=(500, 1500))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0]
    assert peaks[1] < 60e6


def test_opening_the_room_loads_no_heavy_library() -> None:
    import subprocess

    code = (
        "import sys, geoleak.acoustics; "
        "print([m for m in ('scipy.signal', 'soundfile', 'pandas') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
