"""Sheets of readings as technicians note them: read right, or told in one line what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoleak.errors import InputError
from geoleak.new.write import NewSite, write_site
from geoleak.readers import read_site
from geoleak.serve.book import Book
from tests.site_folders import POINTS, TOML, complaints_of, site_of, write_folder

LIMITS = TOML + "\n[readings]\nlevel_limits = [3, 99]\n"

# What is noted, and (place, levels, surface, note) of each reading that comes out.
Rows = list[tuple[str, tuple[float, ...], str | None, str]]
READ: dict[str, tuple[str, Rows, set[str]]] = {
    "ditto marks, a swinging needle, nothing heard, totals": (
        "Mark no.,Level (dB),Ground type,Time,Remarks\n101,34,grass,09:10,start\n"
        "102,41,\",09:12,\"\n103,52-54,'',09:15,loud\n104,n/h,do.,09:20,\n\nAverage,42,,,\n",
        [("101", (34,), "grass", "start"), ("102", (41,), "grass", "start"),
         ("103", (52, 54), "grass", "loud"), ("104", (3,), "grass", "")],
        {"ditto", "level_swings", "readings_blank"},
    ),
    "a title, merged headings, decimal commas, days": (
        "Leak survey Elm Lane;;;;;\nMonday 12 May, windy;;;;;\nMark;Noise dB;;;Cover;Day\n"
        ";1st;2nd;3rd;;\n101;34,5;33;34;wet grass;1\n102;41;42,5;40;conc;1\nTOTAL;;;;;\n",
        [("101", (34.5, 33, 34), "grass", ""), ("102", (41, 42.5, 40), "concrete", "")],
        {"preamble", "readings_blank"},
    ),
    "a merged heading that ends the header line": (
        "Mark,Surface,Level,\n101,grass,34,33\n102,grass,41,40\n",
        [("101", (34, 33), "grass", ""), ("102", (41, 40), "grass", "")], set(),
    ),
    "repeats in columns of their own": (
        "Pt,Level 1,Level 2,Level 3\n101,34,33,35\n102,41,40,\n",
        [("101", (34, 33, 35), None, ""), ("102", (41, 40), None, "")], {"column_taken"},
    ),
    "units in cells, a note in the margin": (
        "place,level,low_hz,high_hz,background\n101,34 dB,100 Hz,700Hz,20dB,gate is here\n"
        "102,41dB,100,700,20\n",
        [("101", (34,), None, ""), ("102", (41,), None, "")], {"margin"},
    ),
    "days between the rows, words around the marks": (
        "place,level,note\n12 May,,\nmark 101,34,\n102 (gate),41 to 43,\n13 May,,\nPt. 103,50,\n",
        [("mark 101", (34,), None, ""), ("102 (gate)", (41, 43), None, ""),
         ("Pt. 103", (50,), None, "")], {"readings_blank"},
    ),
    "another tongue, a ditto beside a quoted note, a day as a row": (
        'Pkt;Pegel dB;Belag;Bemerkung\n101;34,5;grass;"laut"\n102;41;";"peak; here"\n12. Mai\n',
        [("101", (34.5,), "grass", "laut"), ("102", (41,), "grass", "peak; here")],
        {"ditto", "readings_blank"},
    ),
    "a ditto that ends a line of a Windows file": (
        'place,level,note\r\n101,34,gate\r\n102,41,"\r\n103,52,\r\n',
        [("101", (34,), None, "gate"), ("102", (41,), None, "gate"), ("103", (52,), None, "")],
        {"ditto"},
    ),
    "bars, and a quoted text over two lines": (
        'place|level|note\n101|34|"by the\ngate"\n102|41|"\n',
        [("101", (34,), None, "by the\ngate"), ("102", (41,), None, "by the\ngate")], {"ditto"},
    ),
    "a row struck out by a sign looks like a row": (
        "place,level,background\n#102,41,20\n103,31 -33,20\n",
        [("103", (31, -33), None, "")], {"comment_like_a_point"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", READ)
def test_what_is_plain_is_read(tmp_path: Path, name: str) -> None:
    text, rows, said = READ[name]
    site = site_of(tmp_path, {"site.toml": LIMITS, "readings.csv": text})
    found = [(r.place.text, r.levels, r.surface, r.note) for r in site.readings]
    assert found == rows
    assert said <= {note.code for note in site.notes}
    assert all(r.low_hz in (None, 100) and r.background in (None, 20) for r in site.readings)


# Sheets that the page cannot add a row to as they stand: it says so, and nothing is written.
REFUSED = {"units in cells, a note in the margin"}


@pytest.mark.parametrize("name", READ)
def test_an_entry_of_the_page_takes_no_row_away(tmp_path: Path, name: str) -> None:
    text, rows, _ = READ[name]
    folder = write_folder(tmp_path, {"site.toml": LIMITS, "readings.csv": text})
    row = {"kind": "surface", "place": "104", "level": "30", "surface": "grass"}
    if name in REFUSED:
        with pytest.raises(InputError):
            draft = Book(folder).draft("readings.csv", "abcdefgh", row)
            read_site(folder, instead={"readings.csv": draft.data})
        return
    draft = Book(folder).draft("readings.csv", "abcdefgh", row)
    readings = read_site(folder, instead={"readings.csv": draft.data}).readings
    found = [(r.place.text, r.levels, r.surface, r.note) for r in readings]
    assert found == [*rows, ("104", (30,), "grass", "")]
    # Headings of a crew's own name the columns that the entry stands in.
    (folder / "readings.csv").write_bytes(draft.data)
    stands = Book(folder).entries("readings.csv")["abcdefgh"].row
    assert {column: stands[column] for column in row} == row
    assert readings[-1].origin.line == draft.stored.line


@pytest.mark.parametrize("name", READ)
def test_new_writes_in_plain_columns_what_it_read(tmp_path: Path, name: str) -> None:
    text, rows, _ = READ[name]
    (tmp_path / "points.csv").write_text(POINTS)
    (tmp_path / "mine.csv").write_text(text, encoding="utf-8")
    new = NewSite(crs="EPSG:6543", unit="ftUS", layout="pnezd", marks=("WL",), level_limits="3, 99")
    said: list[str] = []
    write_site(tmp_path / "site", tmp_path / "points.csv", new, readings=tmp_path / "mine.csv",
               say=said.extend)  # fmt: skip
    site = read_site(tmp_path / "site")
    assert [(r.place.text, r.levels, r.surface, r.note) for r in site.readings] == rows
    assert said and all(line.startswith(f"{tmp_path}/mine.csv") for line in said)
    notes = {note.code for note in site.notes if note.origin.file.endswith("readings.csv")}
    assert notes <= {"not_used"}


TOLD: dict[str, tuple[str, str, str]] = {
    "a heading nobody knows": (
        "No,Halt,dB\n1,101,34\n2,102,41\n", ':1: there is no column "place"',
        'columns = {place = "Halt"} in [readings], or new --columns "Halt=place"; read as '
        "place are also mark, ",
    ),
    "a mark under a heading that means another thing": (
        "Reading,kind,dB\n101,surface,34\n", ':1: there is no column "place"',
        'columns = {place = "Reading"}',
    ),
    "kinds under a heading nobody knows": (
        "Mark,Wat,dB\n101,surface,34\n201,Contact,52\n", ':1: there is no column "kind"',
        'columns = {kind = "Wat"} in [readings], or new --columns "Wat=kind"',
    ),
    "reading is the level": (
        "Mark,Reading\n101,34\n", ':1: there is no column "level"', 'columns = {level = "Reading"}',
    ),
    "repeats under a heading nobody knows": (
        "Mark,Wert\n101,34 35\n102,36 34\n", ':1: there is no column "level"',
        'columns = {level = "Wert"}',
    ),
    "a decimal comma among commas": (
        "place,level,session\n101,34,5,am\n", ":2: this row has 4 fields", "decimal comma",
    ),
    "between two marks": (
        "place,level\n101-102,34\n", ':2:1: place: "101-102" is between two marks',
        '"101 up 1.5"',
    ),
    "the needle's low and high in columns of their own": (
        "Spot,low,high\n101,22,24\n102,27,28\n", ':1: there is no column "level"',
        'columns = {level = "low"}',
    ),
    "between two marks, in words": (
        "place,level\nbetween 101 and 102,34\n",
        ':2:1: place: "between 101 and 102" is between two marks', '"101 up 1.5"',
    ),
    "a dash": ("place,level\n101,-\n102,-\n", ":2:5: level: ", "(in 2 rows); write nothing heard"),
    "about": ("place,level\n101,~34\n", ":2:5: level: ", "write digits only"),
    "two grounds at once": (
        "place,level,surface\n101,34,grass on gravel\n", ":2:8: surface: ", "known are concrete",
    ),
    "a quote that opens a text and does not close": (
        'place,level,note\n101,34,"gate\n102,41,\n', ":2: a quote opens here", "close it",
    ),
}  # fmt: skip


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Mark,Wat,dB\n101,grond,34\n201,kraan,52\n", 'columns = {kind = "Wat"}'),
        ("Mark,Wat,dB\n101,7,34\n201,8,52\n", ""),
        ("Mark,surface,dB\n101,grass,34\n201,soil,52\n", ""),
    ],
)
def test_without_a_column_of_kinds_the_one_that_may_hold_them_is_named(tmp_path, text, said):
    notes = {each.code: each.text for each in site_of(tmp_path, {"readings.csv": text}).notes}
    assert notes["kind_assumed"].startswith('no column "kind": all are read as surface readings')
    assert ("columns = " in notes["kind_assumed"]) is bool(said)
    assert said in notes["kind_assumed"]


@pytest.mark.parametrize("name", TOLD)
def test_what_is_not_is_told_in_one_line(tmp_path: Path, name: str) -> None:
    text, where, remedy = TOLD[name]
    (line,) = complaints_of(tmp_path, {"readings.csv": text})
    assert line.startswith(f"elm_lane/readings.csv{where}") and remedy in line, line


def test_ten_lines_may_stand_above_the_header(tmp_path: Path) -> None:
    sheet = "place,level\n" + "101,34\n" * 50
    assert len(site_of(tmp_path, {"readings.csv": "a title\n" * 9 + sheet}).readings) == 50
    (line,) = complaints_of(tmp_path, {"readings.csv": "a title\n" * 10 + sheet})
    assert 'no column "place"' in line
