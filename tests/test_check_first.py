"""The verdict "check first" in every output: what to do, what it means, nothing to dig by."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import geoleak
import geoleak.posterior
import geoleak.result
from geoleak.cautions import checking_cautions
from geoleak.export import ahead, words
from geoleak.export.map import write_map
from geoleak.export.sheet import write_dig_sheet
from geoleak.export.told import lines, told
from geoleak.record import replace
from geoleak.result import CheckSummary, Result
from geoleak.serve.book import Book
from geoleak.serve.live import Answer
from geoleak.serve.page import page_state
from geoleak.site import Place, StopTest
from geoleak.survey import SurveyedStop, survey_site

pytestmark = pytest.mark.usefixtures("few_nodes")

SAMPLE = Path(__file__).parent.parent / "sample_sites" / "alder_court"


@pytest.fixture(scope="module")
def undocumented() -> geoleak.Site:
    """Alder Court without what its crew checked."""
    site = geoleak.read_site(SAMPLE)
    rows = [e for e in site.readings if e.kind != "rod" and e.place.aside_m is None]
    levels = site.levels.model_copy(update={"everything_off": False})
    return replace(site, readings=tuple(rows), levels=levels)


@pytest.fixture(scope="module")
def result(undocumented: geoleak.Site) -> Result:
    return geoleak.locate(undocumented)


def asked(result: Result, kind: str, fitting: str | None = None) -> Result:
    """The same result with another check at the same places."""
    check = result.decision.check
    assert check is not None
    other = replace(check, kind=kind, fitting=fitting)
    return replace(result, decision=replace(result.decision, check=other))


def test_the_print_says_what_to_do_and_no_line_is_too_wide(result: Result) -> None:
    said = lines(result)
    assert result.decision.verdict == "check_first"
    assert max(len(row) for row in said) <= 100
    text = " ".join(" ".join(said).split())
    assert "CHECK FIRST: do not dig yet." in text
    assert "only once it is sure that what you hear is the leak, straight below" in text
    assert "or else" in text
    assert "nothing to dig by" in text
    assert "Start headphones at the lowest volume" in text
    for word in ("stake ", "DIG ", "open ", "ties "):
        assert not any(row.startswith(word) for row in said), word


@pytest.mark.parametrize(
    ("kind", "do", "then"),
    [
        (
            "stop",
            "a tap past it run dry (with the owner's leave; never a fire line",
            "not the leak",
        ),
        ("across", "left and right of the hole's middle", "louder to one side"),
        ("trace_on", "past the end of yard", "the leak lies there"),
        ("rod", "after the locate request", "comes up along the trench"),
        ("again", "read the line once more", "what is left is the leak"),
    ],
)
def test_each_check_has_its_words(result: Result, kind: str, do: str, then: str) -> None:
    other = asked(result, kind)
    assert do in ahead.task(other)
    assert f"({result.decision.check.minutes:.0f} min" in ahead.task(other)
    assert then in ahead.meaning(other)
    # What no sheet takes, a place past the end, is not said to be written in one.
    assert ('"' in ahead.write_in(other)) is (kind != "trace_on")
    said = " ".join(lines(other))
    assert ("no ear tells it from the leak" in " ".join(said.split())) is (kind == "stop")


def test_the_page_at_the_kerb_names_the_places_of_a_check(undocumented, result: Result) -> None:
    check = replace(result.decision.check, kind="rod", places=("110 up 2", "111"))
    rod = replace(result, decision=replace(result.decision, check=check))
    live = SimpleNamespace(folder=SAMPLE, book=Book(SAMPLE), said=[])
    answer = Answer(1, rod, survey_site(undocumented))
    state = page_state(live, answer, read_only=True)
    assert state["next"][0]["words"] == f"{ahead.task(rod)}. The places: 110 up 2, 111"
    # Letters of 15 points, 0.6 as wide as high, on a phone of 390 less 16 on either side.
    across = (390 - 2 * 16) // (0.6 * 15)
    assert across - 3 <= max(map(len, state["answer"]["lines"])) <= across


def test_a_rod_waits_for_the_locate_request_and_a_supply_for_its_owner() -> None:
    assert any("call the locate service" in each for each in checking_cautions("rod"))
    assert any("the owner's leave" in each for each in checking_cautions("stop"))
    assert not any("rod" in each.lower() for each in checking_cautions("across"))


def test_the_fitting_to_work_is_named(result: Result) -> None:
    assert "with WV2 turned" in ahead.task(asked(result, "stop", "WV2"))
    assert "taps off or WV2 turned: not the leak" in ahead.meaning(asked(result, "stop", "WV2"))


def test_rivals_are_told_likeliest_first(result: Result) -> None:
    listed = ahead.rivals(result)
    shown = [r for r in result.decision.rivals if r.chance_dry >= ahead.WORTH_SAYING]
    assert len(listed) == len(shown) >= 2
    most = max(shown, key=lambda each: each.chance_dry)
    assert listed[0] == f"{words.chance(most.chance_dry)} {ahead.rival(most)}"
    # Beside the hole's chance: what a rival puts into the hole is not told twice.
    dry = sum(each.chance_dry for each in result.decision.rivals)
    assert result.decision.chance_in_hole + dry <= 1.0
    less = replace(result.decision, chance_in_hole=0.5)
    listed = ahead.rivals(replace(result, decision=less))
    assert listed[-1] == f"{words.chance(0.5 - dry)} the leak at another place"


def test_a_rival_of_less_than_one_in_a_hundred_is_not_worth_a_line(result: Result) -> None:
    one = result.decision.rivals[0]
    both = tuple(replace(one, chance=c, chance_dry=c) for c in (0.009, 0.011))
    decided = replace(result.decision, rivals=both)
    told = ahead.rivals(replace(result, decision=decided))
    assert [each[:3] for each in told[:-1]] == ["1 %"] and told[-1].endswith("another place")


def test_what_is_believed_is_no_or_else(result: Result) -> None:
    one = replace(result.decision.rivals[0], name="aside", chance_dry=0.83)
    decision = replace(result.decision, rivals=(one,), chance_in_hole=0.16)
    other = replace(result, decision=decision)
    assert "83 %" in ahead.believed(other)
    assert ahead.rivals(other) == ["1 % the leak at another place"]
    coarse = replace(decision, doubts=("coarse_points",))
    told = ahead.believed(replace(result, decision=coarse))
    assert told == "the points are too coarse to tell this line from another"


@pytest.mark.parametrize(
    ("inside", "heard", "dry", "known"),
    [
        (0.03, 0.49, 0.3, False),
        (0.03, 0.51, 0.3, True),
        (0.51, None, 0.3, True),
        (0.49, None, 0.3, False),
        (0.03, 0.2, 0.6, True),  # what is believed is told
    ],
)
def test_a_place_that_nothing_is_believed_of_is_none(
    result: Result, inside: float, heard: float | None, dry: float, known: bool
) -> None:
    one = replace(result.decision.rivals[0], chance_dry=dry)
    change = {"rivals": (one,), "chance_in_hole": inside, "chance_if_heard": heard}
    decision = replace(result.decision, **change)
    line = told(replace(result, decision=decision)).line
    assert ("no place is known yet; the best so far is" in line) is not known


def test_what_the_outcomes_of_a_job_mean_is_its_own(result: Result) -> None:
    plain = asked(result, "rod")
    assert "the hole moves" in ahead.meaning(plain)
    check = replace(plain.decision.check, job="push on", then="two sounds")
    decision = replace(plain.decision, check=check)
    own = replace(plain, decision=decision)
    assert ahead.meaning(own) == "two sounds"
    assert dict(told(own).rows("Then")) == {"Then": "two sounds"}


def test_no_share_off_the_line_is_told_of_points_too_coarse_to_tell(result: Result) -> None:
    assert "not on any traced line" in dict(told(result).rows("So far"))["So far"]
    decision = replace(result.decision, doubts=("coarse_points",))
    coarse = told(replace(result, decision=decision))
    assert "not on any traced line" not in dict(coarse.rows("So far"))["So far"]


@pytest.mark.parametrize(("inside", "said"), [(0.42, True), (0.38, False)])
def test_a_chance_that_rests_on_a_rival_says_so(result: Result, inside: float, said: bool) -> None:
    one = result.decision.rivals[0]
    rival = replace(one, name="displaced", chance=inside + 0.03, chance_dry=0.03)
    decision = replace(result.decision, rivals=(rival,), chance_in_hole=0.8)
    text = " ".join(lines(replace(result, decision=decision))).replace("  ", " ")
    by = f"({100 * inside:.0f} % with the leak's sound coming up"
    assert (by in " ".join(text.split())) is said


def test_one_place_is_one_place(result: Result) -> None:
    one = asked(result, "rod")
    check = replace(one.decision.check, places=("118",))
    decision = replace(one.decision, check=check)
    assert "at 1 place and" in ahead.task(replace(one, decision=decision))


@pytest.mark.parametrize("verdict", ["check_first", "listen_on"])
@pytest.mark.parametrize(("dry", "believed"), [(0.49, False), (0.51, True)])
def test_what_is_believed_is_said_in_place_of_a_tiny_chance(
    result: Result, dry: float, believed: bool, verdict: str
) -> None:
    one = result.decision.rivals[0]
    rivals = (replace(one, name="fitting", point="WV2", chance_dry=dry),)
    change = {"verdict": verdict, "rivals": rivals, "chance_in_hole": 0.004}
    if verdict == "listen_on":
        change["check"] = None
    decision = replace(result.decision, **change)
    other = replace(result, decision=decision)
    said = " ".join(" ".join(lines(other)).split())
    now = f"believed now, {100 * dry:.0f} %: a valve, draw-off or pump at WV2"
    assert (now in said) is believed
    assert ("under 1 % in a 6.0 ft hole" in said or "under 1 % within" in said) is not believed


def test_map_and_sheet_draw_the_places_and_no_hole(result: Result, tmp_path: Path) -> None:
    for kind in ("stop", "rod", "again"):
        other = asked(result, kind)
        page = write_map(other, tmp_path / "map.html").read_text("utf-8")
        assert "CHECK FIRST" in page
        assert "CHECK 1" in page
        assert "Ends of the hole" not in page
        assert write_dig_sheet(other, tmp_path / "sheet.pdf").stat().st_size > 5000
    features = result.to_geojson()["features"]
    kinds = {each["properties"]["kind"] for each in features}
    assert "check_place" in kinds
    assert not kinds & {"stake", "hole", "offset_stake", "tie"}
    json.dumps(result.to_dict(), allow_nan=False)


def test_a_sound_that_goes_on_twice_names_its_job(undocumented: geoleak.Site, tmp_path) -> None:
    """The supply shut and the sound goes on: nothing to read again, no place to go to, no dig."""
    survey = survey_site(undocumented)
    peak = float(survey.surface.chainage_m[int(np.argmax(survey.surface.level_db))])
    rows = survey.surface
    off = replace(rows, everything_off=np.ones(len(rows), dtype=bool))
    test = StopTest("C1", Place("leg", "", leg="yard", chainage_m=peak))
    done = SurveyedStop(test, 0, peak, 36.0, 36.0, 36.0, 36.0)
    survey = replace(survey, surface=off, stops=(done, done))
    found = geoleak.result.build_result(survey, geoleak.posterior.infer(survey))
    assert found.decision.verdict == "check_first"
    assert found.decision.check.kind == "redo"
    assert any("not the leak" in reason for reason in found.decision.reasons)
    nowhere = replace(found.decision.check, places=())
    decided = replace(found.decision, check=nowhere)
    kept = tuple(each for each in found.features if each.kind != "check_place")
    bare = replace(found, decision=decided, features=kept)
    for result in (found, bare):
        said = " ".join(" ".join(lines(result)).split())
        assert "do stop what makes the sound" in said
        assert "if it passes" not in said
        # The job names its own sheets: no line beside it that says nothing.
        assert not told(result).rows("Then", "Write") and "the rows then" not in said
        assert "CHECK FIRST" in write_map(result, tmp_path / "map.html").read_text("utf-8")
        assert write_dig_sheet(result, tmp_path / "sheet.pdf").stat().st_size > 5000


def test_no_two_points_of_the_rovers_file_have_one_name(result: Result) -> None:
    """A rover occupies control point 1 first, and the first place to check is number 1."""
    names = [" ".join(e.label.split()[:2]) for e in result.stakes if e.kind == "check_place"]
    names += [each.label for each in result.stakes if each.kind == "check_point"]
    assert "CHECK 1" in names and any(name.endswith(" 1") and "POINT" in name for name in names)
    assert len({*names}) == len(names)


def test_only_check_first_has_a_check(result: Result) -> None:
    dug = geoleak.locate(geoleak.read_site(SAMPLE))
    assert dug.decision.verdict == "dig"
    assert dug.decision.check is None
    assert isinstance(result.decision.check, CheckSummary)
    with pytest.raises(ValueError, match="has no check"):
        ahead.check_of(dug)
    why = next(part.rows for part in told(dug).rest if part.head == "Why")
    assert list(why[:3]) == [
        "everything was off while listening",
        "nothing louder up to 3.0 ft left or right",
        "a rod is loudest in this hole",
    ]
    ((_, rests),) = told(dug).rows("Rests on")
    assert "the traced line is the right one" in rests
