"""A whole site whose answer is to listen on: what is worked out, and what every file holds."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

import geoleak
from geoleak.cautions import listening_cautions
from geoleak.export.ahead import places, readings
from geoleak.export.drawing import Words
from geoleak.export.plan import plan_picture
from geoleak.export.told import lines
from geoleak.result.records import Result
from geoleak.units import unit_m

pytestmark = pytest.mark.usefixtures("few_nodes")

SITE = Path(__file__).parent.parent / "sample_sites" / "school_loop"


@pytest.fixture(scope="module")
def site() -> geoleak.Site:
    return geoleak.read_site(SITE)


@pytest.fixture(scope="module")
def result(site: geoleak.Site) -> Result:
    found = geoleak.locate(site)
    assert found.decision.verdict == "listen_on"
    return found


def test_the_places_to_listen_at_stand_on_their_legs_at_their_chainages(
    site: geoleak.Site, result: Result
) -> None:
    ahead = places(result)
    assert len(ahead) == len(result.next_readings) > 0
    factor = unit_m(result.leak.position.unit)
    for number, (drawn, told) in enumerate(zip(ahead, result.next_readings, strict=True), start=1):
        assert drawn.properties["label"] == f"LISTEN {number}"
        leg = next(each for each in result.legs if each.name == told.leg)
        if told.kind == "contact":
            shot = next(f for f in result.features if f.kind == "fitting" and f.id == told.place)
            assert drawn.grid.distance(shot.grid) < 1e-6
        else:
            route = geoleak.Route.from_vertices(np.array(leg.vertices) * factor)
            snap = route.snap((drawn.grid.x * factor, drawn.grid.y * factor))
            assert abs(float(snap.offset_m)) < 0.01
            scale = result.site.combined_factor
            assert float(snap.chainage_m) == pytest.approx(told.chainage_m * scale, abs=0.05)
        assert drawn.lonlat is not None
        assert drawn.properties["lonlat_accuracy_m"] >= 2.0


def test_what_a_reading_brings_is_measured_against_the_interval_of_now(result: Result) -> None:
    now = sum(high - low for _, low, high in result.leak.interval_95)
    for each in result.next_readings:
        assert each.interval_95_now_m == pytest.approx(now)
        assert math.isfinite(each.expected_interval_95_m)


def test_nothing_that_could_be_dug_is_worked_out_or_drawn(result: Result) -> None:
    assert {each.kind for each in result.stakes} == {"next_reading", "check_point"}
    assert result.ties == () and result.ties_text == ()
    kinds = {each.kind for each in result.features}
    assert not kinds & {"hole", "tie", "offset_stake"}
    assert result.cautions == listening_cautions()
    # The contract's keys are there all the same.
    document = result.to_dict()
    assert document["decision"]["hole"]["pieces"] and document["leak"]["position"]["unit"] == "ftUS"


def test_the_rovers_file_leads_to_the_places_to_listen_at(tmp_path: Path, result: Result) -> None:
    result.write(tmp_path / "out")
    rows = list(csv.reader((tmp_path / "out" / "stakes.csv").read_text("utf-8").splitlines()))
    # The rover's file is in degrees; the grid stands where they stood.
    assert rows.pop(0)[:3] == ["Name", "Northing", "Easting"]
    columns = ["id", "northing", "easting", *result.point_style.columns[3:]]
    labels = [row[columns.index("code")].split()[0] for row in rows]
    assert labels.count("LISTEN") == len(result.next_readings)
    assert set(labels) == {"LISTEN", "CHECK"}
    first = places(result)[0]
    east, north = (float(rows[0][columns.index(role)]) for role in ("easting", "northing"))
    assert (east, north) == pytest.approx((first.grid.x, first.grid.y), abs=1e-3)
    held = json.loads((tmp_path / "out" / "leak.geojson").read_text("utf-8"))
    (best,) = (f for f in held["features"] if f["properties"]["kind"] == "best_so_far")
    assert not any(f["properties"]["kind"] == "stake" for f in held["features"])
    assert best["properties"]["label"].endswith("not to dig")


def test_the_print_leads_with_where_to_listen(result: Result) -> None:
    printed = lines(result)
    assert printed[1].startswith("LISTEN ON: do not dig yet")
    joined = " ".join(" ".join(printed).split())
    assert readings(result)[0] in joined
    east = f"{result.leak.position.easting:.2f}"
    assert east not in joined and "crown" not in joined and "%," not in joined
    assert not any("2%" in line or "1%" in line for line in printed)


def test_the_sketch_holds_every_place_to_listen_at(result: Result) -> None:
    picture = plan_picture(result, 270, 200)[0]
    white = [e for e in picture.items if isinstance(e, Words) and e.colour == "#ffffff"]
    assert sorted(e.text for e in white) == [str(k + 1) for k in range(len(result.next_readings))]
    assert all(5 < e.x < 265 and 5 < e.y < 195 for e in white)
    assert not any(isinstance(e, Words) and e.text == "STAKE" for e in picture.items)
