"""Levels as the evidence takes them: repeats, sessions, limits, amplitudes, places."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from geoleak.errors import InputError
from geoleak.survey import NO_DECIBELS, SWAPPED
from tests.lane import TOML, lane, readings

COLUMNS = "reading,kind,place,level,background,session,gain_db,skip"


def with_readings(*lines: str) -> str:
    return TOML.replace("[readings]\n", "[readings]\n" + "\n".join(lines) + "\n")


def test_repeats_are_pooled(tmp_path: Path) -> None:
    found = lane(tmp_path, readings=readings("1,surface,104,34 31 33", "2,surface,105,40")).surface
    assert found.level_db.tolist() == pytest.approx([98 / 3, 40.0])
    assert found.repeats.tolist() == [3, 1]


def test_rows_at_one_place_share_its_coupling(tmp_path: Path) -> None:
    # 5.7 in from mark 104 is the same place to a hand (0.15 m); 6.1 in are not.
    sheet = readings("1,surface,104,34", "2,surface,104 up 5.7 in,35",
                     "3,surface,104 down 6.1 in,35",
                     "4,surface,104,33")  # fmt: skip
    assert lane(tmp_path, readings=sheet).surface.place.tolist() == [0, 0, 1, 0]


def test_sessions(tmp_path: Path) -> None:
    sheet = readings("1,surface,104,34,,dawn,,", "2,surface,105,35,,noon,,",
                     "3,surface,106,36,,dawn,,", columns=COLUMNS)  # fmt: skip
    found = lane(tmp_path, readings=sheet).surface
    assert found.sessions == ("dawn", "noon")
    assert found.session.tolist() == [0, 1, 0]


def test_readings_on_a_limit_are_censored(tmp_path: Path) -> None:
    sheet = readings(
        "1,surface,104,0", "2,surface,105,50", "3,surface,106,99", "4,surface,107,98 99 99"
    )
    found = lane(tmp_path, toml=with_readings("level_limits = [0, 99]"), readings=sheet).surface
    assert found.censored.tolist() == [-1, 0, 1, 1]


def test_a_level_outside_the_limits(tmp_path: Path) -> None:
    sheet = readings("7,surface,104,120")
    with pytest.raises(InputError) as caught:
        lane(tmp_path, toml=with_readings("level_limits = [0, 99]"), readings=sheet)
    (said,) = caught.value.lines()
    assert "readings.csv:2" in said
    assert "120 is outside level_limits [0, 99]" in said


@pytest.mark.parametrize("level", [249, -249, 251, -251])
def test_no_level_lies_past_two_hundred_and_fifty_decibels(tmp_path: Path, level: int) -> None:
    sheet = readings(f"1,surface,104,{level}")
    if abs(level) < 250:
        assert lane(tmp_path, readings=sheet).surface.level_db == [level]
    else:
        with pytest.raises(InputError, match=f"{level} is no level in dB"):
            lane(tmp_path, readings=sheet)


def test_amplitudes_become_decibels(tmp_path: Path) -> None:
    sheet = readings("1,surface,104,10", "2,surface,105,20", "3,surface,106,10 1000")
    toml = with_readings('level_scale = "amplitude"')
    found = lane(tmp_path, toml=toml, readings=sheet).surface
    # 20 log10: ten is 20 dB, twice as much 6.02 dB more; repeats are pooled in dB.
    assert found.level_db.tolist() == pytest.approx([20.0, 20.0 + 20 * math.log10(2), 40.0])


def test_an_amplitude_of_nothing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="an amplitude of 0 has no level"):
        lane(tmp_path, toml=with_readings('level_scale = "amplitude"'),
             readings=readings("1,surface,104,0"))  # fmt: skip


def test_a_display_stays_a_display(tmp_path: Path) -> None:
    toml = with_readings('level_scale = "display"')
    found = lane(tmp_path, toml=toml, readings=readings("1,surface,104,47")).surface
    assert found.level_db.tolist() == [47.0]


def test_kinds_and_struck_out_rows(tmp_path: Path) -> None:
    rows = (
        "1,surface,104,34,18,,,",
        "2,contact,202,40,,,6,",
        "3,gas,105,120,,,,",
        "4,bar_hole,106,50,,,,",
        "5,surface,107,80,,,,a truck",
    )
    sheet = readings(*rows, columns=COLUMNS)
    survey = lane(tmp_path, readings=sheet, fittings="point,lead\n202,4\n")
    for levels in (survey.surface, survey.contact, survey.gas, survey.bar_hole):
        assert len(levels) == 1, levels.kind
    assert survey.surface.background_db[0] == 18.0
    assert np.isnan(survey.contact.background_db[0])
    assert survey.contact.gain_db[0] == 6.0
    assert survey.contact.lead_m[0] == pytest.approx(4 * 0.3048)


def codes_of(folder: Path, sheet: str, toml: str = TOML) -> dict[str, str]:
    return {note.code: note.text for note in lane(folder, toml=toml, readings=sheet).warnings}


def by_a_share(ratio: float) -> list[str]:
    """Two listens at eight places, a tenth of the level to both sides of 10 and of a ratio of it.

    They scatter by a share by ``4 ln((ratio + 1 / ratio) / 2)`` nats rather than evenly: 5 at 6.83.
    """
    return [f"{9 * each:g} {11 * each:g}" for each in (1.0, ratio) for _ in range(4)]


@pytest.mark.parametrize(
    ("levels", "said"),
    [
        (["0.012", "0.013", "0.2", "1.9", "0.014"], "levels of 0.012 to 1.9 are no dB"),
        (["0.012", "0.013", "0.2", "1.9"], ""),  # four places may be anything
        (["0.012", "0.013", "0.2", "2.1", "0.014"], ""),
        (["0", "0.013", "0.2", "1.9", "0.014"], ""),  # a leak over the background in dB may be 0
        (["20", "20", "81", "20", "20"], 'reading 2 at "105" is 61 dB over the middle of all'),
        (["20", "20", "79", "20", "20"], ""),
        (by_a_share(7.1), "repeats lie apart by a share of the level"),
        (by_a_share(6.5), ""),
    ],
)
def test_a_linear_meters_figures_are_no_decibels(tmp_path: Path, levels: list, said: str) -> None:
    sheet = readings(*(f"{k},surface,{103 + k},{each}" for k, each in enumerate(levels)))
    told = codes_of(tmp_path, sheet).get(NO_DECIBELS, "")
    assert told.startswith(said) and bool(told) is bool(said)
    for folder, scale in (("a", "amplitude"), ("b", "display")):
        (tmp_path / folder).mkdir()
        if "0" not in levels:
            toml = with_readings(f'level_scale = "{scale}"')
            assert NO_DECIBELS not in codes_of(tmp_path / folder, sheet, toml)


@pytest.mark.parametrize(
    ("repeats", "wide"),
    [("3 32 32", True), ("30 42", False), ("30 43", True), ("30 42.5", False), ("43", False)],
)
def test_wide_repeats_are_named_with_their_row(tmp_path: Path, repeats: str, wide: bool) -> None:
    # Five times the 2.5 dB of one reading is 12.5 dB.
    said = codes_of(tmp_path, readings("R5,surface,104,34", f"R7,surface,105,{repeats}"))
    assert ("repeats_wide" in said) is wide
    if wide:
        assert said["repeats_wide"].startswith('reading R7 at "105": its repeats')
        assert "take it again" in said["repeats_wide"]


@pytest.mark.parametrize(
    ("levels", "asked"),
    [
        ((20, 21, 20, 60, 60, 60, 22), True),
        ((20, 21, 20, 60, 60, 22, 21), False),  # two may be chance
        ((20, 21, 20, 27, 27, 27, 21), True),  # 6 dB over the middle, 21
        ((20, 21, 21, 26, 26, 26, 21), False),
    ],
)
def test_equal_top_levels_ask_for_the_meters_limit(
    tmp_path: Path, levels: tuple[int, ...], asked: bool
) -> None:
    sheet = readings(*(f"R{k},surface,{103 + k},{level}" for k, level in enumerate(levels)))
    said = codes_of(tmp_path, sheet)
    assert ("meters_limit" in said) is asked
    if asked:
        assert said["meters_limit"].startswith("readings R3, R4, R5 all show")
    (again := tmp_path / "again").mkdir()
    limits = with_readings("level_limits = [0, 60]")
    assert "meters_limit" not in codes_of(again, sheet, limits)


@pytest.mark.parametrize(("second", "said"), [("52", False), ("53", True)])
def test_readings_at_one_place_that_contradict_are_named(tmp_path: Path, second, said) -> None:
    # Five level_sigma of 2.5 dB: 12.5 dB.
    sheet = readings("1,surface,104,40", f"2,surface,104,{second}", "3,surface,105,41")
    warnings = lane(tmp_path, readings=sheet).warnings
    apart = [each.text for each in warnings if each.code == "readings_apart"]
    assert bool(apart) is said
    if said:
        assert 'readings 1 and 2, both at "104", lie 13 dB apart' in apart[0]


@pytest.mark.parametrize(
    ("one", "other", "asked"),
    [
        (",", ",", "apart; take 2 and 1 again, or strike one out"),
        (",", "yes,", ""),
        (",", ",\n3,surface,105,41,yes,", "Write everything_off yes; else take 2 and 1 again"),
        ("no,", "no,\n3,surface,105,41,yes,", "apart; take 2 and 1 again"),
        (",2026-05-04", ",2026-05-06", ""),
        (
            ",2026-05-03",
            ",2026-05-04",
            "apart, on 2026-05-04 and 2026-05-03; take 2 and 1 again, and",
        ),
        (",2026-05-03 09:00", ",2026-05-03 16:00", "apart; take 2 and 1 again, or"),
        (",2026-05-05 09:00", ",2026-05-05 16:00", ""),
        (",2026-05-04", ",31.05.2026", "take 2 and 1 again"),
    ],
)
def test_two_states_of_one_place_are_no_contradiction(tmp_path: Path, one, other, asked) -> None:
    columns = "reading,kind,place,level,everything_off,date"
    sheet = readings(f"1,surface,104,40,{one}", f"2,surface,104,15,{other}", columns=columns)
    found = "outcome,place,date\nleak,104,2026-05-05 12:00\n"
    warnings = lane(tmp_path, readings=sheet, found=found).warnings
    apart = "".join(each.text for each in warnings if each.code == "readings_apart")
    assert bool(apart) is bool(asked) and asked in apart


@pytest.mark.parametrize(("over", "count", "asked"), [(8, 5, False), (9, 2, False), (9, 3, True)])
def test_backgrounds_louder_than_their_levels_are_asked_about(
    tmp_path: Path, over: int, count: int, asked: bool
) -> None:
    """Two readings of 2.5 dB: 99 % of the normal of their difference lies below 8.2 dB."""
    rows = (f"{k},surface,{103 + k},30,{30 + over if k < count else 29}" for k in range(8))
    sheet = readings(*rows, columns="reading,kind,place,level,background")
    said = codes_of(tmp_path, sheet)
    assert (SWAPPED in said) is asked
    if asked:
        assert "look swapped in readings 0 (103), 1 (104), 2 (105): " in said[SWAPPED]


def test_of_many_that_show_the_limit_ten_are_named(tmp_path: Path) -> None:
    rows = [f"T{k},surface,104,60" for k in range(1, 14)]
    rows += [f"R{k},surface,107,20" for k in range(14)]
    said = codes_of(tmp_path, readings(*rows))["meters_limit"]
    assert "T9, T10 and 3 more all show 60" in said
