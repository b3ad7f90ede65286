"""Long point files: only what is used becomes a record; `check` still lists every point."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from geoleak.readers import read_site
from geoleak.record import replace
from geoleak.reports.check import CheckReport
from geoleak.site import PointTable
from geoleak.survey.build import survey_site
from geoleak.survey.points import _chosen, count_kinds, named_points
from tests.lane import readings, write_lane

FAR = 30_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The lane with 30,000 other points over 10 miles; a corner, a hydrant, two wells nearby.

    The wells stand some 100 m (328 ft) north and south of it: one nearer, one farther.
    """
    rng = np.random.default_rng(2)
    at = rng.uniform(-25_000, 25_000, (FAR, 2))
    at = at[np.abs(at - [1050, 500]).max(axis=1) > 2000]
    rows = [f"{1000 + k},{e:.2f},{n:.2f},100,BC" for k, (e, n) in enumerate(at)]
    near = ("900,1040,460,100,BC", "901,1000,560,100,GS")
    near += ("902,1050,826,100,BC", "903,1050,170,100,BC")
    sheet = readings("1,surface,104,30", "2,surface,E 1020 N 501,31")
    place = tmp_path_factory.mktemp("scale")
    return write_lane(place, more=(*near, *rows), readings=sheet)


def test_only_points_in_use_or_near_are_made(folder: Path) -> None:
    site = read_site(folder)
    survey = survey_site(site)
    ids = {each.point.id for each in survey.points}
    assert len(ids) == 21 + 3 + 3
    assert named_points(site) <= ids
    assert {"900", "901", "902", "301"} <= ids
    assert [each.point.id for each in survey.features] == ["301", "900", "902"]


@pytest.mark.parametrize(("count", "made"), [(20_000, 20_000), (20_001, 21 + 3 + 3)])
def test_of_twenty_thousand_points_all_are_made(folder: Path, count: int, made: int) -> None:
    site = read_site(folder)
    short = replace(site, points=PointTable(site.points.frame[:count]))
    assert len(_chosen(short)) == made


def test_check_lists_every_point(folder: Path) -> None:
    site = read_site(folder)
    survey = survey_site(site)
    report = CheckReport(survey)
    rows = report.to_dict()["points"]
    assert [row["id"] for row in rows] == list(site.points)
    by_id = {row["id"]: row for row in rows}
    for name in ("104", "201", "1000", "20000"):
        assert by_id[name]["easting"] == pytest.approx(site.points[name].easting, abs=1e-6)
    assert by_id["104"]["leg"] == "lane"
    assert by_id["1000"]["kind"] == "feature"
    kinds = count_kinds(survey)
    counted = {
        kind: sum(row["kind"] == kind for row in rows)
        for kind in ("mark", "fitting", "feature", "other")
    }
    assert kinds == counted
    assert f"{len(site.points)}: 21 marks" in "\n".join(report.lines())


def test_a_point_far_off_that_a_sheet_names_is_made(folder: Path) -> None:
    (folder / "sightings.csv").write_text("place,what,skip\n1000,wet,it is miles away\n")
    (folder / "calibration.csv").write_text("point,measured\n201,0\n120,105\n")
    try:
        site = read_site(folder)
        assert {"201", "120"} <= named_points(site)
        assert "1000" not in named_points(site)  # its row is struck out
    finally:
        (folder / "sightings.csv").unlink()
        (folder / "calibration.csv").unlink()


@pytest.mark.long  # timed
def test_the_survey_of_a_long_file_is_as_quick_as_that_of_a_short_one(
    folder: Path, tmp_path: Path
) -> None:
    def best(site: object) -> float:
        times = []
        for _ in range(3):
            begun = time.perf_counter()
            survey_site(site)  # type: ignore[arg-type]
            times.append(time.perf_counter() - begun)
        return min(times)

    short = write_lane(tmp_path, readings=readings("1,surface,104,30"))
    assert best(read_site(folder)) < 3.0 * best(read_site(short)) + 0.2


def test_short_and_long_files_give_the_same_survey(folder: Path, tmp_path: Path) -> None:
    sheet = readings("1,surface,104,30", "2,surface,E 1020 N 501,31")
    short = survey_site(read_site(write_lane(tmp_path, readings=sheet)))
    long = survey_site(read_site(folder))
    np.testing.assert_array_equal(short.surface.chainage_m, long.surface.chainage_m)
    np.testing.assert_array_equal(short.legs[0].route.vertices_m, long.legs[0].route.vertices_m)
