"""Readings that no leak explains are named with their row, and counted out of those that agree."""

from __future__ import annotations

from pathlib import Path
from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.evidence import ContactEvidence, KindFit
from geoleak.evidence.base import Belief, Nodes, candidates
from geoleak.evidence.buried import RodEvidence, SurfaceEvidence
from geoleak.evidence.levels import LOUD, LevelDraws
from geoleak.posterior import infer
from geoleak.readers import read_site
from geoleak.site import LevelSettings
from geoleak.tables import material, setting
from tests import synthetic
from tests.lane import lane, readings, write_lane


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


def drawn(evidence: SurfaceEvidence, expected: np.ndarray, *, grown: bool = False) -> LevelDraws:
    """Return draws that expect this, each with an error of 2 dB: in all, or as it was stated."""
    count = len(expected)
    nodes = Nodes.over(evidence.nuisances, count=count)
    belief = Belief(None, nodes, np.arange(count))  # type: ignore[arg-type]
    sigma = 2.0 * np.ones(expected.shape)
    if grown:
        sigma = sigma * evidence.error_scale(evidence.deviates(nodes, belief.node))
    return LevelDraws(belief, np.zeros(count), np.zeros((count, 1)), expected, sigma)


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
    expected = np.tile(level, (5, 1))
    expected[:, 3] -= scales * 2.0
    notes = evidence.outliers(evidence.offsets(drawn(evidence, expected)))
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
    notes = evidence.outliers(evidence.offsets(drawn(evidence, expected)))
    assert [note.code for note in notes] == ["reading_off"] * named
    assert all("again" not in note.text and "A1" in note.text for note in notes)


@pytest.mark.parametrize(
    ("scales", "agreeing"), [(3.4, "9 readings"), (3.6, "8 of 9"), (-3.6, "8 of 9")]
)
def test_a_reading_many_scales_off_does_not_count(
    tmp_path: Path, scales: float, agreeing: str
) -> None:
    """Against the scale that was stated, not one that grew to swallow it."""
    evidence = SurfaceEvidence(lane(tmp_path, readings=sheet()))
    level = evidence.data(np.arange(len(evidence.pooled))).level
    expected = np.tile(level, (4, 1))
    expected[:, 3] -= scales * 2.0
    draws = drawn(evidence, expected, grown=True)
    fit, *against = evidence.fits_of(draws, evidence.offsets(draws), np.random.default_rng(1))
    assert fit.text.startswith(f"{agreeing} ")
    assert (against == []) is (agreeing == "9 readings")
    if against:
        way = "louder" if scales > 0 else "quieter"
        assert against[0].against and against[0].text.endswith(
            f"R3 (104) 7 dB {way} than the others let expect"
        )


@pytest.mark.parametrize(
    ("levels", "said", "redo"),
    [
        (("38", "40"), "2 rod readings agree", ""),
        (("33", "48"), "2 rod readings contradict those taken at the same place", "P0 (105)"),
        (("33", "48", "40"), "1 of 3 rod readings agree", ""),
    ],
)
def test_readings_that_contradict_at_one_place_are_not_counted_as_agreeing(
    tmp_path: Path, levels: tuple[str, ...], said: str, redo: str
) -> None:
    places = ("105", "105", "106")
    rods = (f"P{k},rod,{places[k]},{level}" for k, level in enumerate(levels))
    survey = lane(tmp_path, readings=sheet() + "\n".join(rods) + "\n")
    evidence = RodEvidence(survey)
    level = evidence.data(np.arange(len(evidence.pooled))).level
    draws = drawn(evidence, np.tile(level, (40, 1)), grown=True)
    fit, *_ = evidence.fits_of(draws, evidence.offsets(draws), np.random.default_rng(1))
    assert fit.text.startswith(said) and fit.agrees is (not redo)
    assert (redo in fit.redo) if redo else fit.redo == ""


CONTACTS = "K1,contact,201,{}\nK2,contact,202,{}\n"


def contact_fit(place: Path, near: float, far: float) -> KindFit:
    """Return what contacts 25 and 80 ft from the leak come to."""
    found = infer(lane(place, readings=sheet() + CONTACTS.format(near, far)))
    return next(each for each in found.fits if each.kind == "contact")


@pytest.mark.parametrize(("share", "agrees"), [(0.98, True), (1.02, False)])
def test_contacts_that_no_loss_makes_do_not_agree(
    tmp_path: Path, share: float, agrees: bool
) -> None:
    """A farther one may be quieter by the loss on the way and never louder, errors counted.

    Of the two ways round one in twenty is read again.
    """
    settings = read_site(write_lane(tmp_path, readings=sheet())).levels
    place = np.hypot(settings.place_sigma_db, setting("contact_coupling").value)
    error = np.sqrt(2.0) * np.hypot(place, settings.level_sigma_db)
    over = share * NormalDist().inv_cdf(1.0 - 0.05 / 2.0) * error
    (tmp_path / "a").mkdir()
    fit = contact_fit(tmp_path / "a", 40.0, 40.0 + over)
    assert (fit.agrees, fit.against) == (agrees, False)
    assert ("do not agree with one leak: K1 (201) 40 dB" in fit.text) is not agrees
    assert ("contradict each other" in fit.text) is not agrees
    if not agrees:
        assert fit.redo.startswith("read the contacts K1 (201) and K2 (202) again")


@pytest.mark.parametrize(("share", "agrees"), [(0.98, True), (1.02, False)])
def test_a_farther_contact_is_quieter_by_at_most_three_sigmas_of_the_loss(
    share: float, agrees: bool
) -> None:
    """Over four metres more of plastic pipe than the nearer one, errors counted."""
    pvc, route = material("pvc"), synthetic.straight()
    lost = 4.0 * pvc.loss_db_per_m * np.exp(3.0 * pvc.loss_log_sigma)
    settings = LevelSettings(level_sigma_db=1.0, place_sigma_db=1.0)
    error = np.sqrt(2.0 * (1.0**2 + 1.0**2 + 3.0**2))
    fall = lost + share * NormalDist().inv_cdf(1.0 - 0.05 / 2.0) * error
    rows = synthetic.levels("contact", [52.0, 56.0], [90.0, 90.0 - fall], route=route)
    survey = synthetic.survey([route], contact=rows, settings=settings, material="pvc")
    leak = candidates(survey, np.zeros(9, dtype=np.int64), np.full(9, 50.0))
    pair = ContactEvidence(survey)._worst_pair(SimpleNamespace(belief=SimpleNamespace(places=leak)))
    assert pair == (None if agrees else (0, 1))


def test_contacts_no_louder_than_the_quietest_ground_do_not_agree(tmp_path: Path) -> None:
    for name, level, dead in (("a", 12.0, True), ("b", 30.0, False)):
        (tmp_path / name).mkdir()
        fit = contact_fit(tmp_path / name, level, level)
        assert fit.against is dead
        assert ("no louder than the quietest ground" in fit.text) is dead


@pytest.mark.parametrize(("places", "against"), [(2, False), (3, True)])
def test_the_quietest_ground_is_of_three_places_at_least(
    tmp_path: Path, places: int, against: bool
) -> None:
    rows = sheet().splitlines()
    few = readings(*rows[5 : 5 + places], *CONTACTS.format(12, 12).splitlines())
    assert ContactEvidence(lane(tmp_path, readings=few))._dead() is against


def test_four_that_do_not_agree_are_named_and_the_rest_counted(tmp_path: Path) -> None:
    evidence = SurfaceEvidence(lane(tmp_path, readings=sheet()))
    level = evidence.data(np.arange(9)).level
    draws = drawn(evidence, np.tile(level + 10.0 * (np.arange(9) < 6), (40, 1)), grown=True)
    _, against = evidence.fits_of(draws, evidence.offsets(draws), np.random.default_rng(1))
    assert against.rows == 6
    assert against.text.count("dB quieter") == 4
    assert against.text.endswith("R3 (104) 10 dB quieter and 2 more than the others let expect")
