"""Random sites, whole, rewritten and damaged: an answer or plain complaints, and the same answer.

`tests.long.fuzz` runs the same for as long as it is let.
"""

from __future__ import annotations

import contextlib
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoleak.errors import GeoleakError, InputError
from geoleak.new.guess import understand
from geoleak.pipeline import locate, read_site
from tests import fuzz_targets
from tests.command import SIGNS, at_length
from tests.fuzz_targets import TARGETS, laid_out, survives, whole_site
from tests.site_folders import POINTS, TOML, numbers_in, write_folder

pytestmark = pytest.mark.usefixtures("few_nodes")

# Deterministic: the same damage each run, and quick.
QUICK = settings(
    max_examples=12,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
TOKENS = (
    "nan",
    "inf",
    "-1",
    "0",
    "1e308",
    "1e999",
    '"',
    "'",
    "[",
    "]",
    "{",
    "}",
    "=",
    ",",
    ";",
    "#",
    "\n",
    "\r",
    "\t",
    "\x00",
    "\ufeff",
    "\u202e",
    "é",
    "老",
    "WL",
    "101",
    "201",
    "yard",
    "yard@5",
    "yard@-5",
    "true",
    "[]",
    "{}",
    "[[leg]]",
    "[points]",
    "crs",
    "local",
    "ftUS",
    "2026-01-01",
    "up 3",
    "E 1 N 2",
    "=1+1",
    "../x",
    "*",
    "3'6\"",
    "3 ft",
    "99999999999999999999",
    "EPSG:4326",
    "surface",
    "contact",
    "1_000",
    "1.234,56",
    "\x1a",
    "٣",
    "½",
    "9" * 400,
    "\u2028",
    "0x10",
    "1e-400",
    "%",
    "`",
    "\\",
    "<script>",
)


@st.composite
def damaged(draw: st.DrawFn, text: str) -> bytes:
    """Return a text with a few pieces cut out, doubled, swapped or put in."""
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(text)))
        to = min(len(text), at + draw(st.integers(0, 12)))
        piece = draw(
            st.one_of(
                st.sampled_from(TOKENS),
                st.just(""),
                st.just(text[at:to] * 2),
                st.text(SIGNS, max_size=6),
            )
        )
        text = text[:at] + piece + text[to:]
    data = text.encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, max(len(data) - 1, 0)))
        data = data[:at] + draw(st.binary(max_size=4)) + data[at:]
    return data


# --- whole sites -----------------------------------------------------------------------------

Sheet = list[list[str]]  # the heading, then the rows


@dataclass(frozen=True, slots=True)
class Drawn:
    """A site as tables: what it says, not yet how it is written."""

    toml: str
    sheets: dict[str, Sheet]


@dataclass(frozen=True, slots=True)
class Form:
    """How tables are written down. No value depends on it."""

    delimiter: str = ","
    encoding: str = "utf-8"
    line_end: str = "\n"
    order: int = 0
    last_line_open: bool = False

    def write(self, sheet: Sheet) -> bytes:
        turn = self.order % len(sheet[0])
        rows = [[*row[turn:], *row[:turn]] for row in sheet]
        if self.order % 2:
            rows = [row[::-1] for row in rows]
        text = self.line_end.join(self.delimiter.join(map(self.cell, row)) for row in rows)
        return (text + self.line_end * (not self.last_line_open)).encode(self.encoding)

    def cell(self, text: str) -> str:
        quoted = any(sign in text for sign in (self.delimiter, '"', ","))
        return '"' + text.replace('"', '""') + '"' if quoted else text

    def files(self, site: Drawn) -> dict[str, str | bytes]:
        sheets = {name: self.write(sheet) for name, sheet in site.sheets.items()}
        toml = site.toml.replace("\n", "\r\n" if self.line_end == "\r\n" else "\n")
        return {"site.toml": toml, **sheets}


FORMS = st.builds(
    Form,
    delimiter=st.sampled_from([",", ";", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    order=st.integers(0, 9),
    last_line_open=st.booleans(),
)


@st.composite
def sites(draw: st.DrawFn) -> Drawn:
    """Return a site that must read: one leg, more or fewer columns, sheets and rows."""
    crs, unit = draw(st.sampled_from([("EPSG:6543", "ftUS"), ("EPSG:6542", "m"), ("local", "m")]))
    scale = 1.0 if unit == "ftUS" else 0.3048
    count, turn = draw(st.integers(3, 8)), math.radians(draw(st.integers(0, 359)))
    step, decimals = draw(st.floats(2.0, 9.0)), draw(st.integers(2, 4))
    notes = st.sampled_from(["", "by the fence", "Zufahrt, Höhe ±0", 'a "shallow" one', "façade"])

    def at(along: float, aside: float = 0.0) -> list[str]:
        north = 783300 + along * math.cos(turn) - aside * math.sin(turn)
        east = 1987800 + along * math.sin(turn) + aside * math.cos(turn)
        return [f"{each * scale:.{decimals}f}" for each in (north, east, 495.0)]

    shots = [(str(101 + k), at(k * step), "WL") for k in range(count)]
    shots += [("201", at(-step), "MTR"), ("202", at(count * step), "WV"), ("301", at(9, 12), "BC")]
    points = [["Point", "Northing", "Easting", "Elevation", "Code"]]
    points += [[name, *place, code] for name, place, code in shots]
    cells = {
        "HRMS": st.sampled_from(["0.02", "0.05"]),
        "Fix": st.sampled_from(["fixed", "float", "single"]),
        "Depth": st.sampled_from(["3", "3.5", ""]),
        "Note": notes,
    }
    for name in draw(st.lists(st.sampled_from(list(cells)), unique=True)):
        points[0].append(name)
        for row in points[1:]:
            row.append(draw(cells[name]))
    marks = [name for name, _, code in shots if code == "WL"]
    level = st.lists(st.integers(20, 50), min_size=1, max_size=3)
    readings = [["reading", "place", "level", "surface", "background", "note"]]
    for k in range(draw(st.integers(0, 6))):
        levels = " ".join(map(str, draw(level)))
        surface = draw(st.sampled_from(["", "grass", "concrete"]))
        background = draw(st.sampled_from(["", "18"]))
        readings.append(
            [f"R{k}", draw(st.sampled_from(marks)), levels, surface, background, draw(notes)]
        )
    sheets = {"points.csv": points, "readings.csv": readings}
    more = {
        "delays.csv": [["delay", "first", "second", "delay_ms", "sigma_ms"],
                       ["D1", "201", "202", "0.5", "0.4"]],
        "holes.csv": [["hole", "from", "to", "pipe_exposed", "outcome"],
                      ["H1", "yard@1", "yard@2", "yes", "dry"]],
        "sightings.csv": [["place", "what", "note"], ["102", "wet", "wet, sunk or green"]],
        "tapes.csv": [["point", "from", "distance", "side"],
                      ["401", "301", f"{8 * scale:.3f}", "left"],
                      ["401", "201", f"{(16 + step) * scale:.3f}", ""]],
        "leaks_past.csv": [["place", "year"], ["103", "2009"]],
    }  # fmt: skip
    for name in draw(st.lists(st.sampled_from(list(more)), unique=True)):
        sheets[name] = more[name]
    toml = (
        f'title = "Elm Lane"\ncrs = "{crs}"\nlength_unit = "{unit}"\n[points]\n'
        'file = "points.csv"\n[[leg]]\nname = "yard"\ncode = "WL"\nstart = "201"\nend = "202"\n'
        'material = "pvc"\noutside_diameter = "1.315 in"\nwall = "0.133 in"\n'
        '[codes]\nfitting = ["MTR", "WV"]\nfeature = ["BC"]\n'
    )
    return Drawn(toml, sheets)


@st.composite
def nearly_valid(draw: st.DrawFn) -> dict[str, str | bytes]:
    """Return the files of a site of which a cell, a row, a column or some letters are wrong."""
    site, form = draw(sites()), draw(FORMS)
    files = form.files(site)
    name = draw(st.sampled_from(sorted(files)))
    if name == "site.toml":
        return {**files, name: draw(damaged(site.toml))}
    sheet = [list(row) for row in site.sheets[name]]
    row = draw(st.integers(0, len(sheet) - 1))
    column = draw(st.integers(0, len(sheet[0]) - 1))
    what = draw(st.sampled_from(["cell", "swap", "double", "short", "long", "letters"]))
    if what == "cell":
        sheet[row][column] = draw(st.one_of(st.sampled_from(TOKENS), st.text(SIGNS, max_size=8)))
    elif what == "swap":
        other = draw(st.integers(0, len(sheet[0]) - 1))
        sheet[row][column], sheet[row][other] = sheet[row][other], sheet[row][column]
    elif what == "double":
        sheet.insert(row, list(sheet[row]))
    elif what == "letters":
        return {**files, name: draw(damaged(form.write(sheet).decode(form.encoding)))}
    plain = Form(form.delimiter, "utf-8", form.line_end)
    if what == "short":
        sheet[row] = sheet[row][:column]
    elif what == "long":
        sheet[row] = [*sheet[row], "x"]
    written = plain.line_end.join(plain.delimiter.join(map(plain.cell, each)) for each in sheet)
    return {**files, name: written.encode("utf-8", "surrogatepass")}


def holds(files: dict[str, str | bytes]) -> bool:
    """Tell whether a folder reads; whatever else may come of it is raised."""
    with tempfile.TemporaryDirectory() as held:
        folder = write_folder(Path(held), files)
        return survives(lambda: whole_site(folder), Path(held))


def stated(files: dict[str, str | bytes], *, answer: bool) -> str:
    """Return every number that a folder states, or that comes of it."""
    with tempfile.TemporaryDirectory() as held:
        site = read_site(write_folder(Path(held), files))
        if answer:
            result = locate(site)
            return repr(numbers_in([result.leak, result.near, result.decision, result.stakes]))
    rest = [getattr(site, name) for name in site.__struct_fields__ if name != "points"]
    return repr([numbers_in(site.points), numbers_in(rest)])


def same_statement(site: Drawn, form: Form) -> None:
    """A valid site reads, in whatever form, and states the same."""
    files = form.files(site)
    assert stated(files, answer=False) == stated(Form().files(site), answer=False)
    assert holds(files)


def same_answer(site: Drawn, form: Form) -> None:
    """What comes of a site, or why nothing does, is the same in whatever form."""
    answers = []
    for each in (Form(), form):
        try:
            answers.append(stated(each.files(site), answer=True))
        except GeoleakError as error:
            answers.append(f"{type(error).__name__}: {len(error.lines())}")
    assert answers[0] == answers[1]


@QUICK
@given(site=sites(), form=FORMS)
def test_valid_sites_read_the_same_in_any_form(site: Drawn, form: Form) -> None:
    same_statement(site, form)


@settings(QUICK, max_examples=4)
@given(site=sites(), form=FORMS)
def test_the_answer_does_not_move_with_the_form(site: Drawn, form: Form) -> None:
    same_answer(site, form)


@QUICK
@given(files=nearly_valid())
def test_nearly_valid_sites(files: dict[str, str | bytes]) -> None:
    holds(files)


def test_what_breaks_the_property_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> None:
        raise GeoleakError("Traceback of something")

    def hang() -> None:
        while True:
            pass

    monkeypatch.setattr(fuzz_targets, "HANG_S", 0.05)
    with pytest.raises(fuzz_targets.Hung):
        survives(hang, tmp_path)
    with pytest.raises(AssertionError, match="was written"):
        survives((tmp_path / "points.csv.gfs").touch, tmp_path)
    with pytest.raises(AssertionError, match="a plain line"):
        survives(refuse, tmp_path)


# --- single files ----------------------------------------------------------------------------


@at_length("examples", [3], [10])
@pytest.mark.parametrize("name", TARGETS)
def test_good_files_read_and_damaged_ones_are_told(name: str, examples: int) -> None:
    target = TARGETS[name]
    with laid_out(target) as (place, folder):
        for seed in target.seeds():
            assert target.holds(place, folder, seed)

        @settings(QUICK, max_examples=examples)
        @given(data=st.data())
        def damage(data: st.DataObject) -> None:
            seed = data.draw(st.sampled_from(target.seeds()))
            content = data.draw(damaged(seed.decode("latin-1"))).decode("utf-8", "ignore")
            target.holds(place, folder, content.encode("latin-1", "ignore"))

        damage()


@QUICK
@given(
    data=st.binary(max_size=200),
    name=st.sampled_from(["points.csv", "readings.csv", "site.toml", "delays.csv"]),
)
def test_any_bytes_at_all(data: bytes, name: str) -> None:
    holds({name: data})


@QUICK
@given(data=st.one_of(st.binary(max_size=200), damaged(POINTS)))
def test_understanding_any_bytes(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as held:
        path = Path(held) / "p.csv"
        path.write_bytes(data)
        with contextlib.suppress(InputError):
            guess = understand(path, crs="EPSG:6543")
            assert math.isfinite(guess.easting) and math.isfinite(guess.northing)


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".shp", ".gpx", ".xlsx", ".json"])
@pytest.mark.parametrize("data", [b"", b"PK\x03\x04junk", b"<gpx/>", b"{}", bytes(range(256))])
def test_any_bytes_under_any_name(suffix: str, data: bytes) -> None:
    toml = TOML.replace("points.csv", f"points{suffix}")
    assert not holds({"site.toml": toml, f"points{suffix}": data})


FIX = "Point,Northing,Easting,Code,Fix\n" + "".join(
    f"{name},{783300 + k},{1987800 + 2 * k},{code},fixed\n"
    for k, (name, code) in enumerate([("101", "WL"), ("102", "WL"), ("201", "MTR"), ("202", "WV")])
)
TAPES = "point,from,distance,side\n401,201,4,left\n401,202,4,\n"
FOUND = {
    "a taped point beside points with a fix": {"points.csv": FIX, "tapes.csv": TAPES},
}
"""Files on which a reader once failed with something else than plain lines."""


@pytest.mark.parametrize("name", FOUND)
def test_files_that_once_failed(name: str) -> None:
    holds(FOUND[name])
