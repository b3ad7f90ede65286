"""``geoleak found`` and ``geoleak record``: promises kept as they were made."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from pypdf import PdfReader

import geoleak
from geoleak.closeout.found import entry_lines
from geoleak.closeout.record import outcome_of
from geoleak.reports.customer import hole_lines
from geoleak.serve.live import Live
from geoleak.serve.page import page_state
from geoleak.survey import chainage_of, survey_site
from tests.command import run

pytestmark = pytest.mark.usefixtures("few_nodes", "at_once")


def entries(folder: Path) -> list:
    return json.loads((folder / "closeout.json").read_text())


def test_a_found_leak_is_held_against_the_promise(located: Path) -> None:
    promised = json.loads((located / "out" / "result.json").read_text())
    ran = run("found", located, "--outcome", "leak", "--place", "yard@41.9", "--depth", "3.1 ft",
              "--cause", "joint", "--json")  # fmt: skip
    assert ran.code == 0
    (entry,) = ran.json
    assert entry["along_m"] == pytest.approx(
        41.9 * 1200 / 3937 - promised["leak"]["chainage_m"], abs=1e-6
    )
    assert entry["leak"]["depth_m"] == pytest.approx(3.1 * 1200 / 3937)
    assert entry["promised"]["run"] == promised["run"]["id"]
    assert entry["in_hole"] is True
    assert entries(located) == ran.json
    # The sheet holds the row, and a second call without options changes nothing.
    assert "yard@41.9" in (located / "found.csv").read_text()
    assert run("found", located, "--json").json == ran.json


def test_across_is_positive_to_the_right_looking_up_chainage(located: Path) -> None:
    ran = run("found", located, "--outcome", "leak", "--place", "yard@41.9 right 1 ft", "--json")
    assert ran.code == 0
    assert ran.json[0]["across_m"] == pytest.approx(1200 / 3937, abs=0.01)


def test_a_dry_hole_keeps_its_promise_and_leads_to_the_next_answer(located: Path) -> None:
    first = run("found", located, "--outcome", "dry", "--from", "yard@40", "--to", "yard@44",
                "--pipe-exposed", "yes")  # fmt: skip
    assert first.code == 0
    assert first.out.startswith("DRY ")
    assert "yard" in first.out.split("\n\n", 1)[1]
    kept = entries(located)[0]["promised"]
    assert run("locate", located).code == 0
    again = run("found", located, "--outcome", "leak", "--place", "yard@46", "--json").json
    assert [each["outcome"] for each in again] == ["dry", "leak"]
    assert again[0]["promised"] == kept
    assert again[1]["promised"]["run"] != kept["run"]
    # locate never touches what was closed out.
    assert entries(located) == again
    seen = run("record", located.parent, "--json").json
    assert (seen["sites"], seen["closed"], seen["dry_holes"]) == (1, 1, 1)


def test_a_leak_inside_the_dry_hole_is_asked_about_and_not_kept(located: Path) -> None:
    dry = ("--outcome", "dry", "--from", "yard@40", "--to", "yard@44", "--pipe-exposed", "yes")
    assert run("found", located, *dry).code == 0
    before = (located / "found.csv").read_text(), entries(located)
    ran = run("found", located, "--outcome", "leak", "--place", "yard@42")
    assert ran.code == 2 and "found.csv:3: the leak found at" in ran.err, ran.err
    assert ((located / "found.csv").read_text(), entries(located)) == before


def test_without_a_promise_it_says_how_to_go_on(located: Path) -> None:
    shutil.rmtree(located / "out")
    ran = run("found", located, "--outcome", "leak", "--place", "yard@41.9")
    assert ran.code == 1
    assert "--recompute" in ran.err
    assert not (located / "found.csv").exists()
    again = run(
        "found", located, "--outcome", "leak", "--place", "yard@41.9", "--recompute", "--json"
    )
    assert again.code == 0
    assert again.json[0]["promised"]["chance_in_hole"] > 0.5


def test_a_place_far_from_every_leg_is_taken_and_said(located: Path) -> None:
    result = json.loads((located / "out" / "result.json").read_text())
    east, north = (result["leak"]["position"][k] for k in ("easting", "northing"))
    for off_m, far in ((4.8, False), (5.2, True), (200.0, True)):
        (located / "found.csv").write_text("outcome,place\n")
        (located / "closeout.json").unlink(missing_ok=True)
        off = off_m / (1200 / 3937)
        # Straight across the line at the stake: its bearing there is about 38 degrees.
        place = f"E {east + 0.79 * off:.3f} N {north - 0.61 * off:.3f}"
        ran = run("found", located, "--outcome", "leak", "--place", place)
        assert ran.code == 0, ran.err
        assert ("no traced line" in ran.out) is far
        assert (entries(located)[0]["leak"]["leg"] is None) is far


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--outcome", "leak"], "place"),
        (["--outcome", "gone", "--place", "101"], "gone"),
        (["--outcome", "leak", "--place", "yard@4000"], "yard"),
        ([], "no row"),
    ],
)
def test_what_cannot_be_is_said_and_nothing_is_written(located: Path, words, says) -> None:
    ran = run("found", located, *words)
    assert ran.code in (1, 2)
    assert says in ran.err
    assert not (located / "closeout.json").exists()
    assert not (located / "found.csv").exists()


def test_two_found_places_are_said(located: Path) -> None:
    run("found", located, "--outcome", "leak", "--place", "yard@41.9")
    ran = run("found", located, "--outcome", "leak", "--place", "yard@60")
    assert ran.code == 0
    assert "2 leaks were found" in ran.out


def test_an_empty_record_reads_plainly(located: Path) -> None:
    ran = run("record", located)
    assert ran.out == "sites 1, closed out 0, dry holes 0\n"


def test_what_was_dug_is_drawn_and_said_in_every_output(located: Path) -> None:
    run("found", located, "--outcome", "dry", "--from", "yard@37", "--to", "yard@39",
        "--pipe-exposed", "no")  # fmt: skip
    assert run("locate", located).code == 0
    run("found", located, "--outcome", "leak", "--place", "yard@43.1 right 0.5 ft",
        "--depth", "3.1 ft", "--cause", "split joint")  # fmt: skip
    said = " ".join(run("locate", located).out.split())
    entry = entries(located)[1]
    shown = json.loads((located / "out" / "leak.geojson").read_text())["features"]
    at = {each["properties"]["kind"]: each["properties"] for each in shown}
    # Drawn as closed out: along and across from the stake that it was dug under.
    assert at["found"]["along_m"] == pytest.approx(entry["along_m"], abs=1e-9)
    assert at["found"]["offset_m"] == pytest.approx(entry["across_m"], abs=1e-9)
    assert (at["dug"]["from_m"], at["dug"]["exposed"]) == (pytest.approx(37 * 1200 / 3937), "no")
    along = f"{entry['along_m'] / (1200 / 3937):.1f} ft from the stake toward the hose bib"
    assert "CLOSED: leak found at yard 0+43.1. No meter run proves the repair yet." in said
    assert f"found {along}, 0.5 ft to the right of the line" in said
    assert "hole on yard 0+37.0 to 0+39.0: dry, pipe not seen: deepen it" in said
    sheet = " ".join(PdfReader(located / "out" / "dig_sheet.pdf").pages[0].extract_text().split())
    assert "CLOSED leak found at yard 0+43.1" in sheet and "pipe not seen: deepen it" in sheet
    page = (located / "out" / "map.html").read_text()
    assert '"sign":"found"' in page and '"sign":"dug"' in page
    assert ">CLOSED<" in page
    # Nothing of it leads anybody to a hole.
    for never in ("DIG ", "NOT BEFORE", "Stake label", "STAKE"):
        assert never not in sheet and never not in said, never
    assert not {"stake", "offset_stake", "hole", "tie", "next_reading"} & at.keys()
    assert "LEAK" not in (located / "out" / "stakes.csv").read_text()
    document = json.loads((located / "out" / "result.json").read_text())
    assert document["closed"] is True and document["stakes"] == []
    assert run("report", located).code == 0
    assert ">FOUND<" in (located / "out" / "report.html").read_text()


@pytest.mark.parametrize(
    ("proof", "says"),
    [
        (True, "CLOSED: leak found at yard 0+41.9. After the repair the meter stands still"),
        (False, "LEAK FOUND in this hole, and the meter still turns"),
    ],
)
def test_the_meter_closes_a_job_or_leaves_it_open(
    located: Path, proof: bool, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geoleak.stake.work.Stakeout.repaired", proof)
    run("found", located, "--outcome", "leak", "--place", "yard@41.9")
    said = " ".join(run("locate", located).out.split())
    assert says in said
    assert ("DIG yard" in said) is not proof
    # So says the page at the kerb.
    live = Live(located)
    state = page_state(live, live.refresh(), read_only=False)
    assert state["answer"]["verdict"] == ("closed" if proof else "dig")
    assert (state["answer"]["stake"] is None) is proof
    assert not (proof and (state["next"] or state["answer"]["not_before"]))


def test_a_leak_across_the_stake_reads_back_and_left(located: Path) -> None:
    run("found", located, "--outcome", "leak", "--place", "yard@40 left 1 ft")
    said = " ".join(run("locate", located).out.split())
    assert "from the stake toward the meter, 1.0 ft to the left of the line" in said


def test_a_leak_on_no_line_is_drawn_where_it_was(located: Path) -> None:
    result = json.loads((located / "out" / "result.json").read_text())
    east, north = (result["leak"]["position"][k] for k in ("easting", "northing"))
    run("found", located, "--outcome", "leak", "--place", f"E {east + 300} N {north - 300}")
    said = run("locate", located).out
    assert "leak found on no traced line" in said
    assert "FOUND in this hole" not in said


@pytest.mark.parametrize("name", ["closeout.json", "out/result.json"])
def test_a_file_cut_short_is_named(located: Path, name: str) -> None:
    (located / name).write_text('[{"outcome": "leak",')
    ran = run("found", located, "--outcome", "leak", "--place", "yard@41.9")
    assert ran.code in (1, 2)
    assert f"{name}: cannot be read" in ran.err
    assert "unexpected" not in ran.err
    assert not (located / "found.csv").exists()


def test_a_leak_past_the_end_of_the_line_is_no_hit(located: Path) -> None:
    """Snapped to the line's last point it would stand in a hole drawn up to there."""
    survey = survey_site(geoleak.read_site(located))
    end = survey.legs[0].route.length_m
    for chainage, past in ((end, 0.31), (end, 0.29), (0.0, 0.31)):
        at = SimpleNamespace(leg=0, chainage_m=chainage, distance_m=past, offset_m=0.0)
        signed = {(end, 0.31): 0.31, (end, 0.29): 0.0, (0.0, 0.31): -0.31}[chainage, past]
        assert chainage_of(survey, at) - chainage == pytest.approx(signed)
    result = json.loads((located / "out" / "result.json").read_text())
    at_m = result["leak"]["chainage_m"]
    stake = {"leg": "yard", "chainage_m": at_m, "depth_m": None, "cause": None}
    assert outcome_of(result, stake, across_m=0.0)["in_hole"]
    missed = outcome_of(result, stake | {"chainage_m": at_m + 2}, across_m=0.0)
    assert tuple(missed[key] for key in ("in_hole", "interval", "along_m")) == (
        False,
        None,
        pytest.approx(2.0),
    )


def test_where_no_hole_was_advised_none_is_spoken_of(located: Path) -> None:
    result = json.loads((located / "out" / "result.json").read_text())
    stake = {
        "leg": "yard",
        "chainage_m": result["leak"]["chainage_m"] + 0.5,
        "depth_m": None,
        "cause": None,
    }
    for verdict, told in (("dig", "the stake"), ("listen_on", "the best place so far")):
        result["decision"]["verdict"] = verdict
        entry = outcome_of(result, stake, across_m=0.0) | {"date": None}
        printed = " ".join(entry_lines(entry, unit="ft"))
        written = " ".join(hole_lines(entry, "ft"))
        for said in (printed, written):
            assert told in said
            assert ("no hole was advised" in said) is (verdict != "dig")


def test_every_output_has_a_leak_past_the_end_where_it_was(located: Path) -> None:
    survey = survey_site(geoleak.read_site(located))
    route = survey.legs[0].route
    before, end = np.asarray(route.position(np.array([route.length_m - 1.0, route.length_m])))[
        :, :2
    ]
    east, north = map(float, survey.frame.to_grid(*(end + 2.0 * (end - before))))
    ran = run("found", located, "--outcome", "leak", "--place", f"E {east:.4f} N {north:.4f}")
    assert "past the end of the traced line" in ran.out
    (entry,) = entries(located)
    assert entry["leak"]["chainage_m"] == pytest.approx(route.length_m + 2.0, abs=0.01)
    assert run("locate", located).code == 0
    drawn = json.loads((located / "out" / "leak.geojson").read_text())["features"]
    told = [each["properties"] for each in drawn]
    (found,) = [each for each in told if each["kind"] == "found"]
    assert found["along_m"] == pytest.approx(entry["along_m"], abs=0.05)
