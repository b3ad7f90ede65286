"""Places and bearings that a Result prints, read back as a crew would."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from geoleak.record import replace
from geoleak.result import build_result
from geoleak.site import Utility
from geoleak.stake import place_text
from geoleak.stake.hole import services_of
from geoleak.survey.build import survey_site
from geoleak.survey.records import Survey
from tests.samples import sample
from tests.site_folders import TOML, site_of

METRIC = "EPSG:26917"
LONG = "".join(
    f"{101 + k},{3_983_000 + 4 * k:.2f},{700_000 + 3 * k:.2f},150.0,WL\n" for k in range(6)
)
FITTINGS = "201,3982996.00,699997.00,150.0,MTR\n202,3983024.00,700018.00,150.0,WV\n"
BRANCH = '\n[[leg]]\nname = "branch"\npoints = "103, 301-303"\nfrom = "yard 103"\n'
ASIDE = "".join(f"{301 + k},{3_983_008 - 3 * k},{700_010 + 4 * k},150.0,\n" for k in range(3))


def metric(place: Path, unit: str, *, text: str = "102", branch: bool = False) -> Survey:
    """Return a site on a metric grid whose lengths are in a unit, with one reading."""
    toml = TOML.replace("EPSG:6543", METRIC).replace('"ftUS"', f'"{unit}"')
    return survey_site(
        site_of(
            place,
            {
                "site.toml": toml.replace("\n[codes]", BRANCH + "\n[codes]") if branch else toml,
                "points.csv": LONG + FITTINGS + (ASIDE if branch else ""),
                "readings.csv": f"reading,kind,place,level\nR1,surface,{text},30\n",
            },
        )
    )


@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_a_place_is_told_in_the_unit_that_the_sheet_reads_it_in(tmp_path: Path, unit: str) -> None:
    survey = metric(tmp_path, unit)
    said = place_text(survey, 0, 12.0)
    back = metric(tmp_path, unit, text=said).surface
    assert back.chainage_m[0] == pytest.approx(12.0, abs=0.06)


def test_a_mark_of_two_legs_is_told_with_its_leg(tmp_path: Path) -> None:
    survey = metric(tmp_path, "m", text="101", branch=True)
    yard = survey.legs[0]
    at = float(yard.fit.mark_chainage_m[yard.fit.marks.ids.index("103")]) + 1.0
    said = place_text(survey, yard.number, at)
    assert said == "yard 103 up 1.0"
    back = metric(tmp_path, "m", text=said, branch=True).surface
    assert (back.leg[0], back.chainage_m[0]) == (0, pytest.approx(at, abs=0.06))


def test_a_service_beside_a_pipe_without_marks_is_near(tmp_path: Path) -> None:
    survey = metric(tmp_path, "m")
    lonlat = [survey.frame.to_lonlat(e, 0.0) for e in (-20.0, 20.0)]
    shape = {"type": "LineString", "coordinates": [[float(v) for v in each] for each in lonlat]}
    feature = {"type": "Feature", "properties": {}, "geometry": shape}
    path = survey.site.folder / "gas.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    site = replace(survey.site, utilities=(Utility(name="gas", file="gas.geojson"),))
    bare = [each for each in survey.points if each.kind != "mark"]
    _, notes = services_of(replace(survey, site=site, points=tuple(bare)))
    assert [each.code for each in notes if each.code == "utility_far"] == []


@pytest.mark.parametrize("name", ["alder_court", "quarry_road", "school_loop"])
def test_the_axis_of_an_ellipse_stays_within_half_a_circle(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    survey, posterior, result = sample(name)
    turned = result.leak.setting_out_ellipse_95.bearing_deg
    assert 0.0 <= turned < 180.0
    # Whatever the grid's convergence: an axis turned past north comes back at the other side.
    from geoleak.crs import frame as crs

    own = crs.Frame.bearing_grid_deg
    monkeypatch.setattr(
        crs.Frame, "bearing_grid_deg", lambda self, b, *a: (own(self, b, *a) - turned - 1.0) % 360
    )
    again = build_result(survey, posterior).leak.setting_out_ellipse_95.bearing_deg
    assert again == pytest.approx(179.0) and math.isfinite(again)


@pytest.mark.parametrize(("north_m", "far"), [(990.0, False), (1020.0, True)])
def test_services_drawn_for_another_place_are_said(tmp_path: Path, north_m, far) -> None:
    survey = metric(tmp_path, "m")
    top = max(float(leg.route.vertices_m[:, 1].max()) for leg in survey.legs)
    ends = [survey.frame.to_lonlat(e, top + north_m) for e in (-2000.0, 2000.0)]
    shape = {"type": "LineString", "coordinates": [[float(v) for v in each] for each in ends]}
    feature = {"type": "Feature", "properties": {}, "geometry": shape}
    path = survey.site.folder / "gas.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    site = replace(survey.site, utilities=(Utility(name="gas", file="gas.geojson"),))
    _, notes = services_of(replace(survey, site=site))
    assert ("utility_far" in [each.code for each in notes]) is far
