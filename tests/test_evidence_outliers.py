"""Readings that no leak explains are named with their row, and counted out of those that agree."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoleak.evidence.levels import LOUD, LevelDraws
from geoleak.evidence.surface import SurfaceEvidence
from geoleak.posterior import infer
from tests.lane import lane, readings


def sheet(*, slip_at: int | None = None) -> str:
    """Return nine readings over a leak at mark 105, one of them a slip of the pen."""
    rng = np.random.default_rng(3)
    levels = [20 + 18 * np.exp(-0.5 * (k - 4.0) ** 2) + rng.normal(0, 1) for k in range(9)]
    if slip_at is not None:
        levels[slip_at] = 52.0
    return readings(*(f"R{k},surface,{101 + k},{level:.0f}" for k, level in enumerate(levels)))


@pytest.mark.parametrize("slip_at", [0, 8])
def test_a_slip_of_the_pen_is_named_with_its_row(tmp_path: Path, slip_at: int) -> None:
    found = infer(lane(tmp_path, readings=sheet(slip_at=slip_at)))
    (note,) = [note for note in found.warnings if note.code == LOUD]
    assert note.text.startswith(f"reading R{slip_at} at ") and "take it again" in note.text
    assert note.origin.line == slip_at + 2
    (fit,) = [fit for fit in found.fits if fit.kind == "surface"]
    assert fit.text.startswith("8 of 9 readings agree with one leak")


def test_sound_readings_are_not(tmp_path: Path) -> None:
    found = infer(lane(tmp_path, readings=sheet()))
    assert not [note for note in found.warnings if note.code in (LOUD, "reading_off")]
    assert any(fit.text.startswith("9 readings agree") for fit in found.fits)


@pytest.mark.parametrize(("scales", "named"), [(7.9, 0), (8.1, 1), (-8.1, 1), (-7.9, 0)])
def test_where_the_line_runs(tmp_path: Path, scales: float, named: int) -> None:
    survey = lane(tmp_path, readings=sheet())
    evidence = SurfaceEvidence(survey)
    count = len(evidence.pooled)
    level = evidence.data(np.arange(count)).level
    sigma = np.full((5, count), 2.0)
    expected = np.tile(level, (5, 1))
    expected[:, 3] -= scales * 2.0
    draws = LevelDraws(None, np.zeros(5), np.zeros((5, 1)), expected, sigma)  # type: ignore[arg-type]
    notes = evidence.outliers(draws)
    assert len(notes) == named
    if named:
        way = "over" if scales > 0 else "under"
        assert notes[0].text.startswith("reading R3 at") and f"16 dB {way}" in notes[0].text


@pytest.mark.parametrize(("scales", "named"), [(8.1, True), (-8.1, False)])
def test_beside_the_line_a_reading_is_not_taken_again(
    tmp_path: Path, scales: float, named: bool
) -> None:
    """What is louder there than a leak on the line lets be was read well, and what is quieter."""
    rows = sheet() + "A1,surface,105 left 3 ft,30\n"
    evidence = SurfaceEvidence(lane(tmp_path, readings=rows))
    level = evidence.data(np.arange(len(evidence.pooled))).level
    expected = np.tile(level, (5, 1))
    expected[:, evidence.pooled.reading == 9] -= scales * 2.0
    none, sigma = np.zeros((5, 1)), np.full(expected.shape, 2.0)
    draws = LevelDraws(None, np.zeros(5), none, expected, sigma)  # type: ignore[arg-type]
    notes = evidence.outliers(draws)
    assert [note.code for note in notes] == ["reading_off"] * named
    assert all("again" not in note.text and "A1" in note.text for note in notes)
