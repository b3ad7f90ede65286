"""The route as it is read out to a crew: gaps, joints, strays, closed loops."""

from __future__ import annotations

import json
from pathlib import Path

import networkx
import numpy as np
import pytest

from geoleak.linref import Route
from geoleak.network.joints import junctions, loops
from geoleak.network.network import Joint, Network
from geoleak.reports.check import RouteReport
from tests.command import run
from tests.lane import FOOT, TOML, lane, write_lane

BRANCH = '[[leg]]\nname = "branch"\npoints = "401-404"\ndepth = 3\nfrom = "lane"\n'
OFF = tuple(f"{401 + k},1050,{500 + 5 * k},100," for k in range(4))
WITH_BRANCH = TOML.replace("[codes]", BRANCH + "\n[codes]")


def text(place: Path, **options: object) -> str:
    return "\n".join(RouteReport(lane(place, **options)).lines())


def test_a_plain_leg_reads_plainly(tmp_path: Path) -> None:
    said = text(tmp_path)
    assert "leg lane: 105.00 ft on the level, the pipe as long, give or take" in said
    assert "0+25.00  mark 104, on the line" in said
    assert "21 marks, no bends" in said
    assert "gap" not in said
    assert "nan" not in said


def test_a_gap_is_listed_where_it_begins(tmp_path: Path) -> None:
    far = TOML.replace('code = "WL"', 'points = "100-108, 114-120"')
    survey = lane(tmp_path, toml=far)
    said = "\n".join(RouteReport(survey).lines())
    # Marks 108 and 114 stand 45 and 75 ft from the meter.
    assert "0+45.00  gap: no mark for 30.0 ft, up to 114 (elsewhere one every 5.0 ft)" in said
    assert "16 marks, no bends, 1 gap" in said
    (gap,) = RouteReport(survey).to_dict()["legs"][0]["gaps"]
    assert (gap["after"], gap["before"]) == ("108", "114")
    assert gap["to_m"] - gap["from_m"] == pytest.approx(30 * FOOT, abs=1e-6)
    # The table says what the fit warns of, and says it once.
    assert [w.code for w in survey.warnings].count("gap") == 1
    assert said.count("would not be seen") == 1


def test_a_tee_is_listed_on_both_legs(tmp_path: Path) -> None:
    said = text(tmp_path, toml=WITH_BRANCH, more=OFF)
    assert "0+55.00  tee with branch at 0+00.00" in said
    assert "0+00.00  tee with lane at 0+55.00" in said


def test_a_stray_is_called_one(tmp_path: Path) -> None:
    said = text(tmp_path, more=("150,1052,503,100,WL",), toml=TOML.replace(
        'code = "WL"', 'code = "WL"\norder = "found"'))  # fmt: skip
    (line,) = [each for each in said.splitlines() if "mark 150" in each]
    assert "3.00 ft left of the line: stray, not followed; locate it again" in line


def test_json_has_the_same(tmp_path: Path) -> None:
    ran = run("route", write_lane(tmp_path, toml=WITH_BRANCH, more=OFF), "--json")
    found = json.loads(ran.out)
    (joint,) = found["joints"]
    assert joint["arms"] == 3
    assert [(each["leg"], each["station"]) for each in joint["places"]] == [
        ("lane", "0+55.00"), ("branch", "0+00.00"),
    ]  # fmt: skip
    assert found["loops"] == []
    assert found["joined"] == [["lane", "branch"]]


def square(*extra: Joint) -> Network:
    """Return a U of 30 m, a leg of 10 m that may close it, and a tail of 7 m on the U."""
    routes = [
        Route.from_vertices([(0, 0), (0, 10), (10, 10), (10, 0)]),
        Route.from_vertices([(10, 0), (0, 0)]),
        Route.from_vertices([(0, 10), (-7, 10)]),
    ]
    return Network(routes, [Joint(0, 30.0, 1, 0.0), Joint(2, 0.0, 0, 10.0), *extra])


def test_a_ring_and_its_tail() -> None:
    assert loops(square()) == ()
    (ring,) = loops(square(Joint(1, 10.0, 0, 0.0)))
    assert ring.pieces == ((0, 0.0, 30.0), (1, 0.0, 10.0))
    assert (ring.rings, ring.pipe_length_m) == (1, 40.0)


def test_a_leg_that_runs_into_itself() -> None:
    (ring,) = loops(square(Joint(0, 0.0, 0, 25.0)))
    assert ring.pieces == ((0, 0.0, 25.0),)
    assert ring.pipe_length_m == 25.0


def test_a_closed_leg_is_a_ring() -> None:
    ring = Network([Route.from_vertices([(0, 0), (4, 0), (4, 3), (0, 0)])])
    (found,) = loops(ring)
    assert (found.pieces, found.pipe_length_m) == (((0, 0.0, 12.0),), 12.0)


@pytest.mark.parametrize("seed", range(8))
def test_loops_against_networkx(seed: int) -> None:
    """Any pipe that is no bridge is on a loop; independent loops are edges - nodes + parts."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 100, (14, 2))
    pairs = list({tuple(sorted(rng.choice(14, 2, replace=False).tolist())) for _ in range(17)})
    routes = [Route.from_vertices(places[list(pair)]) for pair in pairs]
    joints = []
    for one, a in enumerate(pairs):
        for other, b in enumerate(pairs[:one]):
            for node in set(a) & set(b):
                joints.append(Joint(one, a.index(node) * routes[one].length_m, other,
                                    b.index(node) * routes[other].length_m))  # fmt: skip
    graph = networkx.Graph(pairs)
    bridges = {tuple(sorted(each)) for each in networkx.bridges(graph)}
    found = loops(Network(routes, joints))
    on_loop = {piece[0] for loop in found for piece in loop.pieces}
    assert on_loop == {k for k, pair in enumerate(pairs) if pair not in bridges}
    rings = len(pairs) - graph.number_of_nodes() + networkx.number_connected_components(graph)
    assert sum(loop.rings for loop in found) == rings
    whole = sum(routes[k].length_m for k in on_loop)
    assert sum(loop.pipe_length_m for loop in found) == pytest.approx(whole)


def test_meetings_count_arms() -> None:
    found = junctions(square(Joint(1, 10.0, 0, 0.0)))
    assert [each.arms for each in found] == [2, 3, 2]


BYPASS = """\
[[leg]]
name = "bypass"
points = "401-407"
fit = "marks"
depth = 3
start = "104"
end = "112"

[codes]"""
WAY = [(1020, 505), (1020, 510), (1030, 510), (1040, 510), (1050, 510), (1060, 510), (1060, 505)]


def test_a_by_pass_makes_a_loop_that_is_read_out(tmp_path: Path) -> None:
    """From the lane at 25 ft to the lane at 65 ft, 10 ft aside: 40 ft and 60 ft of pipe."""
    more = tuple(f"{401 + k},{e},{n},100," for k, (e, n) in enumerate(WAY))
    survey = lane(tmp_path, toml=TOML.replace("[codes]", BYPASS), more=more)
    report = RouteReport(survey)
    said = report.lines()
    assert [each for each in said if each.startswith("closed loop")] == [
        "closed loop, 100.0 ft of pipe round: lane 0+25.00 to 0+65.00; bypass 0+00.00 to 0+60.00"
    ]
    assert any(each.endswith("0+65.00  tee with bypass at 0+60.00") for each in said)
    (loop,) = report.to_dict()["loops"]
    assert loop["pipe_length_m"] == pytest.approx(100 * FOOT, abs=1e-3)


def test_from_and_a_shared_point_are_one_tee(tmp_path: Path) -> None:
    more = tuple(f"{401 + k},{e},{n},100," for k, (e, n) in enumerate(WAY))
    toml = TOML.replace("[codes]", BYPASS.replace("\n\n[codes]", '\nfrom = "lane"\n\n[codes]'))
    assert len(lane(tmp_path, toml=toml, more=more).network.joints) == 2
