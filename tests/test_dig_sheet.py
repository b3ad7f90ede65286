"""dig_sheet.pdf: one page, embedded fonts, large figures, the same numbers as the result."""

from __future__ import annotations

import math
import re
import shutil
import subprocess

import pytest
import shapely

from geoleak.export import ahead
from geoleak.export.drawing import Disc, Shape, Words, as_drawn
from geoleak.export.plan import plan_picture
from geoleak.export.profile import profile_picture
from geoleak.export.sheet import _Sheet, _tall, geo_uri, write_dig_sheet
from geoleak.record import replace
from geoleak.result import Result
from geoleak.stake import Tie
from tests.check_values import check_value
from tests.results import (
    EVERY_SITE,
    check_site,
    feet_site,
    listen_on_site,
    local_site,
    metric_site,
    with_leak,
)
from tests.samples import sample

pypdf = pytest.importorskip("pypdf")
ARABIC = "خط المياه 12 (شمال)"
CHINESE = "柳树院 漏水"


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    """The sheet of every site: its reader and its file."""
    return {
        name: _read(build(), tmp_path_factory.mktemp(name)) for name, build in EVERY_SITE.items()
    }


def _read(result, folder):
    path = write_dig_sheet(result, folder / "dig_sheet.pdf")
    return pypdf.PdfReader(path), path


def _uri(result):
    return geo_uri(result.leak.lonlat, result.leak.lonlat_accuracy_m)


def _text(result, folder):
    return _words(_read(result, folder)[0])


def _words(reader):
    return " ".join(reader.pages[0].extract_text().split())


def _pieces(page):
    """Return (text, size in points) of every piece of text as it stands on the page."""
    found = []

    def visit(text, cm, tm, font, size):
        if text.strip():
            found.append((text.strip(), size * math.hypot(cm[0], cm[1]) * math.hypot(tm[0], tm[1])))

    page.extract_text(visitor_text=visit)
    return found


@pytest.mark.parametrize("name", EVERY_SITE)
def test_one_small_page_with_its_fonts_inside(name, sheets, tmp_path):
    reader, path = sheets[name]
    assert len(reader.pages) == 1
    assert path.stat().st_size <= 300_000
    page = reader.pages[0]
    inch = check_value("point_per_inch").expected
    wanted = (8.27 * inch, 11.69 * inch) if name == "metric" else (8.5 * inch, 11 * inch)
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(wanted, abs=1)
    fonts = page["/Resources"]["/Font"]
    assert len(fonts) == 2
    for font in fonts.values():
        assert "/FontFile2" in font.get_object()["/FontDescriptor"]
    again = write_dig_sheet(EVERY_SITE[name](), tmp_path / "again.pdf")
    assert again.read_bytes() == path.read_bytes()


@pytest.mark.parametrize("name", EVERY_SITE)
def test_nothing_is_under_9_points_and_the_answer_is_18_or_more(name, sheets):
    pieces = _pieces(sheets[name][0].pages[0])
    assert len(pieces) > 40
    assert min(size for _, size in pieces) >= 9 - 1e-6
    large = " ".join(text for text, size in pieces if size >= 18 - 1e-6)
    answer = ("Open:", "Depth:", "Stake: N", "toward the meter")
    listen = (
        "LISTEN ON", "1: surface reading 1.0 ft past mark 109", "2: contact reading at meter MTR1"
    )  # fmt: skip
    for word in listen if name == "listen_on" else answer:
        assert word in large


def test_the_figures_are_those_of_the_result(sheets):
    result = feet_site()
    text = _words(sheets["feet"][0])
    numbers = result.to_dict()
    foot = 1200 / 3937
    before = numbers["decision"]["hole"]["before_stake_m"] / foot
    past = numbers["decision"]["hole"]["past_stake_m"] / foot
    reach = f"{before:.1f} ft from the stake toward the meter and {past:.1f} ft toward mark 109"
    assert f"Open: {reach}" in text
    depth, sigma = numbers["leak"]["depth_m"] / foot, numbers["leak"]["depth_sigma_m"] / foot
    assert f"Depth: {depth:.1f} ft down, give or take {sigma:.1f}" in text
    assert f"N {numbers['leak']['position']['northing']:.2f}" in text
    assert f"E {numbers['leak']['position']['easting']:.2f}" in text
    assert f"{numbers['decision']['chance_in_hole']:.0%}".replace("%", " %") in text
    for tie in numbers["ties"]:
        assert f"{tie['distance_m'] / foot:.2f} ft from {tie['feature']}" in text
    for caution in numbers["cautions"]:
        assert caution.split(":")[0][:28] in text
    for said in (
        "run 7f3a91, 2026-05-04",
        "pvc, 1.31 in outside; traced by signal",
        "35.902187 -79.041065",
        "within 7 ft at best",
        "combined factor 0.9999421, convergence -0.0241°",
        "rover corrected by network RTK",
        "3 % that the leak is not on any traced line",
        "If dry 0+47.0 to 0+52.0 (5 % then)",
        "NOT BEFORE: no locate request is filed",
        "gas crosses 1.4 ft from the stake toward mark 109",
        "Meter stopped?",
        "Stake label:",
        "occupy 201 first",
        "J-2217",
    ):
        assert said in text, said


@pytest.mark.parametrize(("count", "more"), [(3, ""), (6, "and 2 more in map.html")])
def test_whoever_digs_is_told_what_speaks_against_it(count, more, tmp_path):
    site = feet_site()
    reasons = ("the rod is loudest", *(f"against: reason {k}" for k in range(count)))
    text = _text(replace(site, decision=replace(site.decision, reasons=reasons)), tmp_path)
    shown = [f"reason {k}" in text for k in range(count)]
    assert "Against reason 0 reason 1" in text and "the rod is loudest" not in text
    assert shown == [k < 4 for k in range(count)]
    assert more in text and ("more in map" in text) == bool(more)


def test_feet_and_metre_twins_say_the_same(sheets):
    """The twins stand on the same ground: every length of one is the other's in its unit."""
    feet, metres = (_words(sheets[name][0]) for name in ("feet", "metric"))
    pattern = r"Open: ([\d.]+) \w+ from the stake toward the meter and ([\d.]+) \w+ toward"
    for in_feet, in_metres in zip(
        re.search(pattern, feet).groups(), re.search(pattern, metres).groups(), strict=True
    ):
        assert float(in_feet) * 1200 / 3937 == pytest.approx(float(in_metres), abs=0.02)
    assert "35.902187 -79.041065" in feet and "35.902187 -79.041065" in metres
    for said in ("3 % that the leak is not on any traced line", "91 % in a ", "Before digging"):
        assert said in feet and said in metres


def test_listening_on_and_an_assumed_route_are_said_large(tmp_path):
    result = listen_on_site()
    legs = (replace(result.legs[0], assumed=True, marks_by="records"),)
    reader, _ = _read(replace(result, legs=legs), tmp_path)
    large = " ".join(text for text, size in _pieces(reader.pages[0]) if size >= 18 - 1e-6)
    assert "LISTEN ON do not dig yet" in large and "Route: ASSUMED" in large
    assert "DIG" not in large.split() and "Open" not in large and "Stake" not in large


def test_the_sheet_to_listen_by_has_room_for_levels_and_nothing_to_dig_by(sheets):
    result = listen_on_site()
    reader, _ = sheets["listen_on"]
    text = _words(reader)
    assert reader.metadata.title.endswith("listening sheet")
    for said in (
        "1 surface 109 up 1.0 yard 0+43.0",
        "2 contact MTR1 yard 0+00.0",
        "All off? Background",
        "While listening",
        "Start headphones at the lowest volume",
        "the readings leave two places open",
        "best place so far, not to dig: yard 0+41.3",
    ):
        assert said in text, said
    position = result.leak.position
    for never in (
        f"{position.northing:.2f}", f"{position.easting:.2f}", "STAKE", "Stake label",
        "After the dig", "NOT BEFORE", "Before digging", "top of pipe", "If dry",
    ):  # fmt: skip
        assert never not in text, never


def test_a_table_to_write_in_has_two_rows_more_and_narrow_ones_past_eight():
    sheet, head = _Sheet(listen_on_site()), [("Place", 1.0)]
    table = sheet.boxes()[-1]
    assert table._nrows == 1 + len(sheet.result.next_readings) + 2
    rod = check_site()
    assert _Sheet(rod).boxes()[-1]._nrows == 1 + len(rod.decision.check.places) + 2
    eight, nine = (_tall(sheet.write_in("", head, [["A"]] * rows)[1:], 500) for rows in (8, 9))
    assert nine < eight


def again_at(count: int) -> Result:
    """Return a check of so many places along the yard, to be read once more."""
    result = check_site()
    first, names = ahead.places(result)[0], tuple(str(100 + k) for k in range(1, count + 1))
    spots = [
        replace(first, properties=first.properties | {
            "number": k, "place": place, "chainage_m": 1.5 * k,
        })
        for k, place in enumerate(names, start=1)
    ]  # fmt: skip
    kept = [each for each in result.features if each.kind != "check_place"]
    check = replace(result.decision.check, kind="again", places=names)
    decision = replace(result.decision, check=check)
    return replace(result, decision=decision, features=(*kept, *spots))


@pytest.mark.parametrize(("count", "numbered"), [(6, True), (7, False), (16, False)])
def test_many_places_to_check_are_dots_and_a_table(count, numbered, tmp_path):
    result = again_at(count)
    reader, _ = _read(result, tmp_path)
    text = _words(reader)
    assert len(reader.pages) == 1 and "more in result.json" not in text
    for said in ("Then what is left is the leak", "Or else", f"{count} again {100 + count}"):
        assert said in text, said
    assert ("numbers: go here next" in text) is numbered
    assert (f"Places the {count} of the table below" in text) is not numbered
    for picture in (plan_picture(result, 270, 130)[0], profile_picture(result, "yard")):
        signs = [e for e in picture.items if isinstance(e, Words) and e.colour == "#ffffff"]
        assert len(signs) == (count if numbered else 0)
        dots = [e for e in picture.items if isinstance(e, Disc) and e.radius == 2.0]
        assert numbered or len(dots) == count


def test_what_is_missing_is_said(tmp_path):
    result = local_site(depth=False, services=False)
    bare = replace(result, ties=(), ties_text=(), not_before=None, near=None)
    text = _text(bare, tmp_path)
    assert "Depth: not known: find the pipe by hand" in text
    assert "no usable fixed feature" in text
    assert "none are stated: that is no proof of none" in text
    assert "grid is ground" in text and "no longitude and latitude" in text


def test_a_long_sheet_keeps_every_caution_and_stays_one_page(tmp_path):
    result = feet_site(title="T" * 300)
    note = "a very long note about a corner of a building that goes on and on " * 3
    ties = tuple(Tie(f"F{k}", note, 5.0 + k, 10.0) for k in range(25))
    reasons = tuple(f"caution {k}: mind the step and the other services" for k in range(22))
    reader, _ = _read(replace(result, ties=ties, cautions=reasons), tmp_path)
    assert len(reader.pages) == 1
    text = _words(reader)
    for k in range(22):
        assert f"caution {k}: mind the step" in text
    assert "more in result.json" in text
    # The title is broken, never cut.
    assert "T" * 300 in text.replace(" ", "")


@pytest.mark.parametrize("name", ["alder_court", "quarry_road", "school_loop"])
def test_a_sample_loses_no_text_to_the_pictures(name, tmp_path):
    result = sample(name).result
    reader, _ = _read(result, tmp_path)
    text = reader.pages[0].extract_text()
    assert len(reader.pages) == 1 and "more in result.json" not in text
    for tie in result.ties:
        assert f"from {tie.feature}" in text


def test_a_spread_is_never_nothing(tmp_path):
    text = _text(with_leak(feet_site(), depth_sigma_m=0.001), tmp_path)
    assert "give or take 0.1" in text and "take 0.0 " not in text


def test_other_scripts_show_as_letters_or_a_note_never_as_boxes(tmp_path):
    reader, _ = _read(feet_site(title=ARABIC), tmp_path)
    text = reader.pages[0].extract_text()
    assert "12" in text and "…" not in text.splitlines()[0]
    assert any(0xFE70 <= ord(c) <= 0xFEFF for c in text), "no joined Arabic letter on the page"
    reader, _ = _read(feet_site(title=f"{CHINESE} yard"), tmp_path)
    text = reader.pages[0].extract_text()
    assert "yard" in text and "not in this sheet's fonts" in text
    assert not any(ord(c) > 0x3000 for c in text) and "\x00" not in text


def test_arabic_is_joined_and_turned():
    """Forms by the Unicode joining types (chapter 9.2): beh, alef, beh join."""
    assert as_drawn("باب") == "\ufe8f\ufe8e\ufe91"
    assert as_drawn("لا") == "\ufefb"
    assert as_drawn("سلام") == "\ufee1\ufefc\ufeb3"
    assert as_drawn("ab 12") == "ab 12"
    assert as_drawn("אב (12)") == "(12) בא"
    assert as_drawn("yard אב 3") == "yard בא 3"


# Title, date and structure


@pytest.mark.parametrize("name", EVERY_SITE)
def test_the_page_is_tagged_titled_and_dated_for_readers_of_other_makers(name, sheets):
    """Structure as poppler reads it; ISO 32000-1, 14.8.4 names the types."""
    if not shutil.which("pdfinfo"):
        pytest.skip("needs pdfinfo (Debian: poppler-utils)")
    result = EVERY_SITE[name]()
    reader, path = sheets[name]

    def said(*options):
        asked = ["pdfinfo", "-isodates", *options, str(path)]
        done = subprocess.run(asked, capture_output=True, text=True, check=True)
        assert done.stderr == ""
        return done.stdout

    about = said()
    assert re.search(r"Tagged: +yes", about)
    assert re.search(r"CreationDate: +2026-05-04", about)
    assert reader.metadata.title.startswith(result.site.title[:20])
    assert reader.trailer["/Root"]["/Lang"] == "en"
    tree = said("-struct-text")
    assert tree.startswith("Document\n  H1 (block)")
    for part in ("H2 (block)", "H3 (block)", "P (block)", "LBody (block)", "Figure", "TH"):
        assert part in tree
    told = " ".join(re.sub(r'^ *"|"$|^ *[A-Z].*\(block\)$', "", tree, flags=re.M).split())
    for caution in result.cautions:
        assert caution[:24] in told.replace("•", "")
    figures = [
        each.get_object()
        for each in reader.trailer["/Root"]["/StructTreeRoot"]["/ParentTree"]["/Nums"][1]
        if each.get_object()["/S"] == "/Figure"
    ]
    assert len(figures) == (2 if name == "local" else 3)
    assert all(len(each["/Alt"]) > 20 for each in figures)


def test_a_run_without_a_date_gives_the_page_none(tmp_path):
    result = feet_site()
    reader, _ = _read(replace(result, run=replace(result.run, date="")), tmp_path)
    assert "/CreationDate" not in reader.metadata


# The QR code and the geo URI


@pytest.mark.parametrize("accuracy", [2.0, 0.03, None])
def test_the_geo_uri_follows_rfc_5870(accuracy):
    geouri = pytest.importorskip("geouri")
    result = with_leak(feet_site(), lonlat_accuracy_m=accuracy)
    text = _uri(result)
    read = geouri.parse(text)
    assert float(read.lat) == pytest.approx(result.leak.lonlat[1], abs=6e-7)
    assert float(read.lon) == pytest.approx(result.leak.lonlat[0], abs=6e-7)
    if accuracy is None:
        assert ";u=" not in text
    else:
        # Never smaller than the accuracy itself.
        assert accuracy <= float(text.split(";u=")[1]) <= accuracy + 0.1
    assert _uri(local_site()) == ""


@pytest.mark.parametrize("name", ["feet", "listen_on"])
def test_the_code_on_the_page_is_read_back(name, sheets, tmp_path):
    zxingcpp = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    if not shutil.which("pdftoppm"):
        pytest.skip("needs pdftoppm (Debian: poppler-utils)")
    result, (_, path) = EVERY_SITE[name](), sheets[name]
    subprocess.run(
        ["pdftoppm", "-r", "100", "-gray", "-png", "-singlefile", str(path), str(tmp_path / "p")],
        check=True,
    )
    found = zxingcpp.read_barcodes(image.open(tmp_path / "p.png"))
    wanted = _uri(result)
    if name == "listen_on":
        first = next(each for each in result.features if each.kind == "next_reading")
        wanted = f"geo:{first.lonlat.y:.6f},{first.lonlat.x:.6f};u=2"
        assert wanted != _uri(result)
    assert [each.text for each in found] == [wanted]


# The plan sketch


@pytest.mark.parametrize(
    ("build", "pattern"), [(feet_site, r"1 in = (\d+) ft"), (metric_site, r"1:(\d+)")]
)
def test_the_sketch_is_to_the_scale_it_states(build, pattern):
    result = build()
    plan, scale = plan_picture(result, 270, 240)
    stated = float(re.search(pattern, scale).group(1))
    ratio = stated if build is metric_site else stated * 12
    point_m = 0.0254 / check_value("point_per_inch").expected
    tapes = [each for each in plan.items if getattr(each, "dash", ())]
    drawn = sorted(math.dist(*each.points) * point_m * ratio for each in tapes)
    assert drawn == pytest.approx(sorted(each.distance_m for each in result.ties), rel=1e-6)
    squares = [
        each
        for each in plan.items
        if getattr(each, "fill", None) == "#000000" and getattr(each, "width", 0) == 1.2
    ]
    assert len(squares) == len(result.ties), "a feature with a tape is missing"
    for item in plan.items:
        for x, y in getattr(item, "points", ()):
            assert -1 <= x <= 271 and -1 <= y <= 241


def _crowded():
    """Return the feet site with fixed features and services crowded about its stake."""
    result = feet_site()
    stake = next(each for each in result.features if each.kind == "stake").grid
    more = []
    for k in range(8):
        turn = k * math.pi / 4
        at = shapely.Point(stake.x + 9 * math.sin(turn), stake.y + 9 * math.cos(turn))
        like = next(each for each in result.features if each.kind == "fitting")
        more.append(replace(like, id=f"V{k}", grid=at))
    return replace(result, features=(*result.features, *more))


PLANS = {**EVERY_SITE, "crowded": _crowded}


@pytest.mark.parametrize("name", PLANS)
def test_no_name_covers_pipe_marks_signs_or_another_name(name):
    plan = plan_picture(PLANS[name](), 270, 190)[0]
    names = [each for each in plan.items if isinstance(each, Words) and each.halo]
    assert len(names) >= 4
    boxes = [shapely.box(*each.box()) for each in names]
    foot = 190 - 2.4 * 9
    for k, box in enumerate(boxes):
        assert shapely.box(0, 0, 270, foot).contains(box)
        for other in boxes[:k]:
            assert box.disjoint(other), names[k].text
    pipe = [
        shapely.LineString(each.points)
        for each in plan.items
        if isinstance(each, Shape) and each.width == 2.2
    ]
    discs = [each for each in plan.items if isinstance(each, Disc)]
    solid = [*pipe, *(shapely.Point(each.x, each.y).buffer(each.radius) for each in discs)]
    assert pipe and len(discs) > 3
    for box, each in zip(boxes, names, strict=True):
        assert shapely.disjoint(solid, box).all(), each.text
    # Scale bar and north arrow stand under the map, where nothing else is drawn.
    under = [each for each in plan.items if isinstance(each, Words) and each.y > foot]
    assert re.fullmatch(r"0 \d+ (ft|m) N", " ".join(each.text for each in under))
    assert shapely.box(0, foot, 270, 190).disjoint(shapely.MultiPolygon(boxes))
    assert all(shape.bounds[3] <= foot for shape in solid)


@pytest.mark.parametrize(("share", "leaves_the_scale"), [(1.9, False), (2.1, True)])
def test_a_far_tie_does_not_set_the_scale(share, leaves_the_scale):
    """Ties up to twice as long as the second shortest stand whole on the sketch."""
    result = feet_site()
    tie = next(each for each in result.features if each.kind == "tie")
    lengths = sorted(each.grid.length for each in result.features if each.kind == "tie")
    stake = shapely.get_point(tie.grid, -1)
    far = shapely.Point(stake.x, stake.y - share * lengths[1])
    line = shapely.LineString([far, stake])
    added = replace(tie, id="tie-far", grid=line, properties={**tie.properties, "feature": "far"})
    ties = (*result.ties, Tie("far", "pole", line.length * 1200 / 3937, 90.0))
    _, near = plan_picture(result, 170, 120)
    wide, scale = plan_picture(
        replace(result, features=(*result.features, added), ties=ties), 170, 120
    )
    assert (scale == near) is leaves_the_scale
    told = [each.text for each in wide.items if isinstance(each, Words)]
    assert any("to far" in each for each in told) is leaves_the_scale


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("box", [(270, 190), (330, 140), (170, 240)])
def test_the_names_of_two_marks_stand_each_nearer_to_its_own(name, box):
    result = PLANS[name]()
    near = result.near
    marks = [each.id for each in result.features if each.kind == "mark"]
    if near is None or result.stands != "dig" or near.next_mark not in marks:
        pytest.skip("names no two marks")
    plan = plan_picture(result, *box)[0]
    discs = [each for each in plan.items if isinstance(each, Disc) and each.radius == 1.7]
    if len(discs) < len(marks):
        pytest.skip("not all marks are in the picture")
    at = {k: shapely.Point(disc.x, disc.y) for k, disc in zip(marks, discs, strict=True)}
    pair = (near.mark, near.next_mark)
    named = [each for each in plan.items if isinstance(each, Words) and each.text in pair]
    assert named
    for each in named:
        own, other = (at[k] for k in (pair if each.text == pair[0] else pair[::-1]))
        place = shapely.Point(each.x, each.y - 0.35 * each.size)
        assert place.distance(own) < place.distance(other)
