"""Entries in the sheets of a folder: each file's own dialect, once each, whole or not at all."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest

from geoleak.errors import InputError
from geoleak.readers import decode_text, sniff_delimiter, split_rows, with_dittos
from geoleak.serve import book as book_module
from geoleak.serve.book import COLUMNS, Book, ConflictError
from geoleak.serve.live import Answer, Live
from geoleak.serve.page import page_state
from geoleak.stake import place_text
from geoleak.units import unit_m
from tests.command import REPO, run
from tests.test_plan import lane

pytestmark = pytest.mark.usefixtures("few_nodes")

ROW = {"place": "112", "kind": "surface", "level": "31.5 30", "surface": "grass"}
ID = "0f8fad5b-d9cb-469f-a165-70867728950e"
COURT = REPO / "sample_sites" / "alder_court"
HEAD = "reading,kind,place,level\n"


def sheet(folder: Path, data: bytes | None) -> Book:
    if data is not None:
        (folder / "readings.csv").write_bytes(data)
    return Book(folder)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        # As it stands, with a line end of its own, an entry column and what else is new.
        (HEAD.encode() + b"S1,surface,101,22",
         b"reading,kind,place,level,surface,entry\nS1,surface,101,22,,\n"
         b",surface,112,31.5 30,grass," + ID.encode() + b"\n"),
        # Windows line ends, semicolons and decimal commas stay.
        (b"reading;kind;place;level;surface\r\nS1;surface;101;22,5;\r\n",
         b"reading;kind;place;level;surface;entry\r\nS1;surface;101;22,5;;\r\n"
         b";surface;112;31,5 30;grass;" + ID.encode() + b"\r\n"),
        # Semicolons beside decimal points: points.
        (b"kind;place;level;surface\nsurface;101;22.5;\n",
         b"kind;place;level;surface;entry\nsurface;101;22.5;;\n"
         b"surface;112;31.5 30;grass;" + ID.encode() + b"\n"),
        # Comments, blank lines, quoted line breaks and short rows keep their own text.
        (b"# mine\n\nkind,place,level,surface,note\nsurface,101,22,,\"a\nb\"\nsurface,102,23\n",
         b"# mine\n\nkind,place,level,surface,note,entry\nsurface,101,22,,\"a\nb\",\n"
         b"surface,102,23,,,\nsurface,112,31.5 30,grass,," + ID.encode() + b"\n"),
        # A byte order mark and letters of another alphabet.
        ("\ufeffkind,place,level,surface,note\nsurface,101,22,,vor Gär\n".encode(),
         ("\ufeffkind,place,level,surface,note,entry\nsurface,101,22,,vor Gär,\n"
          f"surface,112,31.5 30,grass,,{ID}\n").encode()),
        ("kind,place,level,surface,note\nsurface,101,22,,Gärten\n".encode("cp1252"),
         ("kind,place,level,surface,note,entry\nsurface,101,22,,Gärten,\n"
          f"surface,112,31.5 30,grass,,{ID}\n").encode("cp1252")),
        # A title above the header, headings as crews call them, a second column of levels.
        (b"Alder Court, dull and still\n\nMark,Pegel,Level 2,Wind,Ground\n101,22,23,gusts,clay\n",
         b"Alder Court, dull and still\n\nMark,Pegel,Level 2,Wind,Ground,kind,entry\n"
         b"101,22,23,gusts,clay,,\n112,31.5 30,,,grass,surface," + ID.encode() + b"\n"),
        # Signs that some take for line ends and no reader of sheets does.
        ("kind,place,level,surface,note\nsurface,101,22,,a\u2028b\x0bc\n".encode(),
         ("kind,place,level,surface,note,entry\nsurface,101,22,,a\u2028b\x0bc,\n"
          f"surface,112,31.5 30,grass,,{ID}\n").encode()),
    ],
)  # fmt: skip
def test_a_row_is_written_as_its_file_writes_rows(tmp_path, before, after) -> None:
    stored = sheet(tmp_path, before).add("readings.csv", ID, ROW)
    assert (tmp_path / "readings.csv").read_bytes() == after
    assert stored.fresh
    lines = after.decode("utf-8", "replace").split("\n")
    assert ID in lines[stored.line - 1]
    again = Book(tmp_path)
    assert not again.add("readings.csv", ID, ROW).fresh
    assert again.rows("readings.csv")[-1].row["surface"] == "grass"


def test_a_sheet_under_a_title_and_its_own_words_takes_entries_that_read_back(tmp_path) -> None:
    folder = tmp_path / "alder_court"
    shutil.copytree(COURT, folder, ignore=shutil.ignore_patterns("out"))
    toml = (folder / "site.toml").read_text()
    own = '[readings]\ncolumns = {place = "Stelle", level = "Lautheit"}'
    (folder / "site.toml").write_text(toml.replace("[readings]", own))
    sheet = folder / "readings.csv"
    rows = sheet.read_text().replace(",place,level,", ",Stelle,Lautheit,")
    sheet.write_text("Morning round, two of us\n" + rows)
    live = Live(folder)
    assert live.answer.complaint == ()
    before = [each.place for each in live.answer.result.readings]
    live.add("readings.csv", ID, ROW)
    after = [each.place for each in live.refresh().result.readings]
    assert sorted(after) == sorted([*before, "112"])
    assert sheet.read_text().splitlines()[1].startswith("reading,kind,Stelle,Lautheit,")


@pytest.mark.parametrize("name", list(COLUMNS))
def test_a_sheet_that_is_not_there_is_begun(tmp_path, name) -> None:
    Book(tmp_path).add(name, ID, {COLUMNS[name][0]: "x"})
    (stored,) = Book(tmp_path).rows(name)
    assert stored.row[COLUMNS[name][0]] == "x"
    assert stored.row["entry"] == ID


def test_the_same_entry_again_is_the_row_that_stands(tmp_path) -> None:
    book = sheet(tmp_path, HEAD.encode())
    first = book.add("readings.csv", ID, ROW)
    before = (tmp_path / "readings.csv").read_bytes()
    again = Book(tmp_path).add("readings.csv", ID, ROW)
    assert not again.fresh
    assert again.line == first.line
    assert (tmp_path / "readings.csv").read_bytes() == before
    with pytest.raises(ConflictError, match=r"readings\.csv:2"):
        book.add("readings.csv", ID, {**ROW, "level": "40"})


@pytest.mark.parametrize(
    "before",
    [
        'kind,place,level,surface\nsurface,101,22,grass\nsurface,102,23,"\n',
        'kind,place,level,surface\r\nsurface,101,22,grass\r\nsurface,102,23,"\r\n',
        'place;kind;level\n101;surface;22\n102;";23\n103;";24\n104;";25\n',
        '# by hand, "unfinished\nkind,place,level\nsurface,101,22\n',
        "kind,place,level,note\nsurface,101,22,gate\u2028left\n",
    ],
    ids=["ditto", "ditto, Windows line ends", "dittos in the middle", "comment", "line separator"],
)
def test_a_sheet_is_taken_apart_as_the_readers_take_it(tmp_path, before) -> None:
    book = sheet(tmp_path, before.encode())
    stored = book.add("readings.csv", ID, ROW)
    assert not book.add("readings.csv", ID, ROW).fresh
    after = (tmp_path / "readings.csv").read_bytes().decode()
    assert after.count(ID) == 1
    text, _ = decode_text(after.encode())
    sign = sniff_delimiter(text)
    rows = split_rows(with_dittos(text, sign), label="readings.csv", delimiter=sign)
    assert {len(cells) for cells in rows.cells} == {len(rows.cells[0])}
    assert rows.numbers[-1] == stored.line


def test_a_text_past_the_last_column_becomes_no_reason(tmp_path) -> None:
    before = HEAD.encode() + b"S1,surface,101,22\nS2,surface,102,23,by the gate\n"
    book = sheet(tmp_path, before)
    with pytest.raises(InputError, match=r"readings\.csv:3: a text stands past the last column"):
        book.strike("readings.csv", "S1", "misread")
    assert (tmp_path / "readings.csv").read_bytes() == before
    book = sheet(tmp_path, before.replace(b"by the gate", b""))
    assert book.strike("readings.csv", "S1", "misread").fresh
    assert [each.row["skip"] for each in book.rows("readings.csv")] == ["misread", ""]


@pytest.mark.parametrize(
    ("before", "encoding"),
    [("kind,place,level,note\nsurface,101,22,G\xe4rten\n", "cp1252"), (HEAD, "utf-8")],
)
def test_a_sign_that_the_file_cannot_hold_is_refused(tmp_path, before, encoding) -> None:
    book = sheet(tmp_path, before.encode(encoding))
    note = "\u0436" if encoding == "cp1252" else "\ud800"
    with pytest.raises(InputError, match=f"cannot be written in this file .{encoding}"):
        book.add("readings.csv", ID, {**ROW, "note": note})
    assert (tmp_path / "readings.csv").read_bytes() == before.encode(encoding)


def test_a_row_is_struck_out_with_its_reason_and_stays(tmp_path) -> None:
    book = sheet(tmp_path, HEAD.encode() + b"S1,surface,101,22\n")
    book.add("readings.csv", ID, ROW)
    assert book.strike("readings.csv", ID, "a lorry\npassed").row["skip"] == "a lorry passed"
    assert book.strike("readings.csv", "S1", "misread").line == 2
    assert [each.row["skip"] for each in book.rows("readings.csv")] == ["misread", "a lorry passed"]
    # Struck out, the entry is still the same entry.
    assert not book.add("readings.csv", ID, ROW).fresh
    for name, reason in ((ID, " "), ("S9", "misread")):
        with pytest.raises(InputError):
            book.strike("readings.csv", name, reason)


@pytest.mark.parametrize(
    ("name", "row", "says"),
    [
        ("points.csv", ROW, "takes no entries"),
        ("../readings.csv", ROW, "takes no entries"),
        ("readings.csv", {"colour": "red"}, 'no column "colour"'),
        ("readings.csv", {**ROW, "note": "a\nb"}, "no such text"),
        ("readings.csv", {**ROW, "note": "x" * 2001}, "no such text"),
    ],
)
def test_what_is_no_entry_is_refused_and_nothing_written(tmp_path, name, row, says) -> None:
    book = sheet(tmp_path, HEAD.encode())
    with pytest.raises(InputError, match=says):
        book.add(name, ID, row)
    assert (tmp_path / "readings.csv").read_bytes() == HEAD.encode()
    assert book.add("readings.csv", ID, {**ROW, "note": "x" * 2000}).fresh


def test_a_formula_typed_in_a_note_reads_back_as_typed(tmp_path) -> None:
    book = sheet(tmp_path, None)
    book.add("readings.csv", ID, {**ROW, "note": '=1+1, "quoted"'})
    assert book.rows("readings.csv")[0].row["note"] == '=1+1, "quoted"'


def test_another_hand_between_reading_and_writing_loses_nothing(tmp_path, monkeypatch) -> None:
    book = sheet(tmp_path, HEAD.encode())
    real, meddled = book_module.os.fsync, []

    def fsync(handle):
        real(handle)
        if not meddled:
            meddled.append(True)
            with (tmp_path / "readings.csv").open("a") as stream:
                stream.write("S7,surface,103,25\n")

    monkeypatch.setattr(book_module.os, "fsync", fsync)
    book.add("readings.csv", ID, ROW)
    assert [each.row.get("reading") for each in book.rows("readings.csv")] == ["S7", ""]
    assert not list(tmp_path.glob(".readings*"))


def test_many_at_once_are_each_there_once(tmp_path) -> None:
    book = sheet(tmp_path, HEAD.encode())

    def enter(hand: int) -> None:
        mine = Book(tmp_path) if hand % 2 else book
        for k in range(20):
            mine.add("readings.csv", f"hand{hand}-{k:04}", {**ROW, "level": str(k)})

    threads = [threading.Thread(target=enter, args=(hand,)) for hand in range(4)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    ids = [each.row["entry"] for each in book.rows("readings.csv")]
    assert len(ids) == len(set(ids)) == 80


def test_a_failing_disk_leaves_the_sheet_as_it_was(tmp_path, monkeypatch) -> None:
    book = sheet(tmp_path, HEAD.encode())

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(book_module.os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        book.add("readings.csv", ID, ROW)
    assert (tmp_path / "readings.csv").read_bytes() == HEAD.encode()
    assert [path.name for path in tmp_path.iterdir() if not path.name.endswith(".lock")] == [
        "readings.csv"
    ]


def test_rows_that_nobody_has_filled_in_are_not_entered(tmp_path: Path) -> None:
    rows = "S1,surface,101,,\nS2,surface,102,23,\nS3,surface,103,,traffic\n"
    book = sheet(tmp_path, b"reading,kind,place,level,skip\n" + rows.encode())
    live = SimpleNamespace(folder=tmp_path, book=book, said=[])
    state = page_state(live, Answer(1, None, None), read_only=False)
    assert [each["row"]["reading"] for each in state["rows"]["readings.csv"]] == ["S2", "S3"]
    # Of more than a phone is any help with, the last are shown.
    many = "".join(f"S{k},surface,101,22,\n" for k in range(402))
    live.book = sheet(tmp_path, b"reading,kind,place,level,skip\n" + many.encode())
    rows = page_state(live, Answer(1, None, None), read_only=False)["rows"]["readings.csv"]
    assert (len(rows), rows[0]["row"]["reading"]) == (400, "S2")


def test_a_place_may_be_told_from_the_mark_that_is_asked_for(tmp_path: Path) -> None:
    _, survey = lane(tmp_path)
    (leg,) = survey.legs
    at_m = 11 * unit_m("ftUS")
    assert place_text(survey, leg.number, at_m) == "1004 down 1.0"
    assert place_text(survey, leg.number, at_m, mark="1003") == "1003 up 2.0"


def test_a_folder_that_is_not_there_is_not_served(tmp_path: Path) -> None:
    ran = run("serve", tmp_path / "none")
    assert ran.code == 2 and "there is no folder" in ran.err
