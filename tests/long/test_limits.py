"""Files that cost too much: each read or refused within 2 s and 300 MB, in a process of its own.

Time is the processor's; memory is the peak over what a good site took in the same process. Run with
``-s`` to see the table.
"""

from __future__ import annotations

import io
import json
import os
import resource
import socket
import stat
import struct
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from geoleak.pipeline import read_site
from tests.command import REPO
from tests.fuzz_targets import GPX, SHEETS, TARGETS, Target
from tests.site_folders import POINTS, TOML

pytestmark = pytest.mark.long
MOST_S, MOST_MB = 2.0, 300.0
MB = 1_000_000
MINUTE = timedelta(minutes=1)
Damage = Callable[[Path], None]


def puts(data: bytes | str) -> Damage:
    """Return what writes a file anew."""
    held = data if isinstance(data, bytes) else data.encode()
    return lambda path: path.write_bytes(held) and None


def filled(head: str, line: Callable[[int], str], size: int = MB) -> Damage:
    """Return what writes a file of lines until it has its size."""

    def write(path: Path) -> None:
        lines, left, k = [head], size - len(head), 0
        while left > 0:
            lines.append(line(k))
            left, k = left - len(lines[-1]), k + 1
        path.write_text("".join(lines))

    return write


def again(path: Path) -> None:
    """Repeat the rows of a good sheet until it has its size."""
    head, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
    filled(head, lambda k: rows[k % len(rows)].rstrip("\n") + "\n")(path)


def fifo(path: Path) -> None:
    path.unlink(missing_ok=True)
    os.mkfifo(path)


def bound(path: Path) -> None:
    path.unlink(missing_ok=True)
    here = Path.cwd()
    os.chdir(path.parent)  # the path of a socket may have about a hundred characters
    socket.socket(socket.AF_UNIX).bind(path.name)
    os.chdir(here)


def device(path: Path) -> None:
    """Put /dev/zero's twin there; without the right to, a link to it."""
    path.unlink(missing_ok=True)
    try:
        os.mknod(path, stat.S_IFCHR | 0o666, os.makedev(1, 5))
    except PermissionError:
        path.symlink_to("/dev/zero")


def sparse(size: int) -> Damage:
    """Return what makes a file seem so long, with its own first bytes."""
    return lambda path: os.truncate(path, size)


def workbook(sheet: Iterator[bytes], *, shared: bytes = b"") -> Damage:
    """Return what writes an .xlsx around the text of its sheet."""

    def write(path: Path) -> None:
        parts = zipfile.ZipFile(io.BytesIO(TARGETS["xlsx"].seeds()[0]))
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
            for name in parts.namelist():
                if name == "xl/worksheets/sheet1.xml":
                    with book.open(name, "w", force_zip64=True) as out:
                        for piece in sheet:
                            out.write(piece)
                elif name == "xl/sharedStrings.xml" and shared:
                    book.writestr(name, shared)
                else:
                    book.writestr(name, parts.read(name))

    return write


SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'


def rows_of(count: int, row: bytes, dimension: bytes = b"A1:J8") -> Iterator[bytes]:
    yield SHEET + b'<dimension ref="' + dimension + b'"/><sheetData>'
    for _ in range(count // 1000):
        yield row * 1000
    yield b"</sheetData></worksheet>"


def wav(*, rate: int = 8000, channels: int = 1, bits: int = 16, data: int = 0xFFFFFFF0) -> bytes:
    """Return a megabyte of WAV whose header says what it is told to."""
    form = struct.pack("<IHHIIHH", 16, 1, channels, rate, 2 * rate % 2**32, bits // 8, bits)
    body = bytes(range(256)) * (MB // 256)
    return b"RIFF\xf0\xff\xff\xffWAVEfmt " + form + b"data" + struct.pack("<I", data) + body


def geojson(features: Callable[[int], object], size: int = MB) -> Damage:
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6543"}}
    head = '{"type": "FeatureCollection", "crs": ' + json.dumps(crs) + ', "features": [\n'

    def line(k: int) -> str:
        return ("," if k else "") + json.dumps(features(k)) + "\n"

    def write(path: Path) -> None:
        filled(head, line, size)(path)
        path.write_text(path.read_text() + "]}")

    return write


def feature(kind: str, coordinates: object) -> dict[str, object]:
    return {
        "type": "Feature",
        "properties": {"name": "a", "code": "WL"},
        "geometry": {"type": kind, "coordinates": coordinates},
    }


def at(k: int) -> list[float]:
    return [1987800.0 + k % 1000 * 0.8, 783300.0 + k // 1000 * 0.6]


AS_POINTS = geojson(lambda k: feature("Point", at(k)))
AS_LINES = geojson(lambda k: feature("LineString", [at(k), at(k + 1)]))
AS_ONE = geojson(lambda k: feature("LineString", [at(j) for j in range(k, k + 9000)]))
CROSSED = geojson(lambda k: feature("LineString", [at(7919 * j % 9000) for j in range(9000)]))
DEEP = puts('{"type": "Feature", "geometry": {"type": "Point", "coordinates": ' + "[" * 500_000)
HOLLOW = geojson(lambda k: feature("MultiPolygon", [[[[]] * 50]]))
WIDE = puts(
    '{"type": "Feature", "geometry": {"type": "Point", "coordinates": [1987800, 783300]},'
    ' "properties": {' + ",".join(f'"k{k}": {k}' for k in range(80_000)) + "}}"
)
WAY = '<wpt lat="35.8{0}" lon="-78.6{0}"><name>{0}</name></wpt>\n'
LAUGHS = "".join(f'<!ENTITY l{k} "{f"&l{k - 1};" * 10 if k else "ha"}">' for k in range(12))

KEY = ".".join(["a"] * 100_000)
HEADED = "Point,Northing,Easting,Elev,Code\n"


def row(k: int, *, name: object = None, code: str = "WL") -> str:
    return f"{k if name is None else name},{at(k)[1]},{at(k)[0]},495,{code}\n"


MANY = [f"c{k}" for k in range(150_000)]
READ = "reading,kind,place,level\n"
METERED = "time,reading,unit\n"
TAPED = "point,from,distance\n"
UTILITY = '[[utility]]\nname = "g"\nfile = "gas.geojson"\n'
LEG = '[[leg]]\nname="{0}"\npoints="1-9999999"\n'
SHARED = SHEET.replace(b"worksheet", b"sst") + b"<si><t>x</t></si>" * 5_000_000 + b"</sst>"
TEXT = b"<row><c t='str'><v>&l11;</v></c></row></sheetData></worksheet>"
TEXTS = b"<row><c t='str'><v>" + b"x" * 100_000 + b"</v></c></row>"

HUGE: dict[str, list[tuple[str, Damage]]] = {
    "toml": [
        ("key of 100,000 parts", puts(f"{TOML}{KEY} = 1\n")),
        ("table of 100,000 parts", puts(f"{TOML}[{KEY}]\n")),
        ("inline key of 100,000 parts", puts(f"{TOML}k = {{{KEY} = 1}}\n")),
        ("nested lists", puts(TOML + "k = " + "[" * 490_000 + "]" * 490_000)),
        ("nested tables", puts(TOML + "k = " + "{a=" * 300_000)),
        ("one number", puts(TOML + "k = " + "9" * 990_000)),
        ("one string", puts(TOML + 'k = "' + "\\\\" * 490_000 + '"')),
        ("unknown keys", filled(TOML, lambda k: f"k{k} = 1\n", MB - 20)),
        ("unknown tables", filled(TOML, lambda k: f"[t{k}]\n", MB - 20)),
        ("20,000 services", puts(TOML + UTILITY * 19_000)),
        ("20,000 services, each wrong", puts(TOML + '[[utility]]\nnam = "g"\n' * 20_000)),
        ("legs of every name", filled(TOML, LEG.format, MB - 90)),
        ("2,000 legs", puts(TOML + "".join(map(LEG.format, range(1999))))),
        ("one range", puts(TOML.replace('code = "WL"', 'points = "1-999999999999"'))),
        ("ranges", puts(TOML.replace('code = "WL"', f'points = "{"101-104, " * 100_000}"'))),
        ("codes", puts(TOML.replace('"MTR", "WV"', ", ".join(f'"C{k}"' for k in range(90_000))))),
        ("a star in a code", puts(TOML.replace('"WL"', '"' + "*" * 900_000 + '"'))),
        ("over its size", filled(TOML, lambda _: "# more\n", MB + 10)),
    ],
    "headed_points": [
        ("rows", filled(HEADED, row)),
        ("rows of one id", filled(HEADED, partial(row, name=1))),
        ("rows, each wrong", filled(HEADED, lambda k: f"{k},x{k},y,z,WL\n")),
        ("rows, each short", filled(HEADED, lambda k: f"{k}\n")),
        ("columns", puts(",".join(["Point,Northing,Easting", *MANY]) + "\n" + POINTS)),
        (
            "columns and rows",
            filled(
                ",".join(["Point,Northing,Easting", *MANY[:5000]]) + "\n",
                lambda k: f"{k},{at(k)[1]},{at(k)[0]}" + "," * 5000 + "\n",
            ),
        ),
        ("one cell", puts("Point,Northing,Easting\n" + "1" * MB + ",783300,1987800\n")),
        ("one number", puts("Point,Northing,Easting\n1,783300." + "1" * MB + ",1987800\n")),
        ("an open quote", filled('Point,Northing,Easting,Note\n1,783,198,"', "{},2,3\n".format)),
        ("quotes", puts("Point,Northing,Easting\n" + '"' * MB)),
        ("delimiters", puts("Point,Northing,Easting\n" + "," * MB)),
        ("line ends", puts("Point,Northing,Easting\n" + "\n" * MB)),
        ("comments", filled("", "# {}\n".format)),
        ("codes", filled(HEADED, lambda k: row(k, code=f"W{k}"))),
        ("400 MB and a byte", sparse(400 * MB + 1)),
    ],
    "readings": [
        ("rows", filled(READ, lambda k: f"R{k},surface,101,{k % 60}\n")),
        ("rows, each wrong", filled(READ, "R{},surfac,10,x\n".format)),
        ("rows of one name", filled(READ, lambda k: f"R,surface,101,{k % 60}\n")),
        ("places nobody knows", filled("place,level\n", "9{},40\n".format)),
        ("repeats in one row", puts("place,level\n101," + "40 " * 300_000 + "\n")),
        ("columns", puts(",".join(["place,level", *MANY]) + "\n101,40\n")),
        ("wide columns", puts("place,level," + ",".join(f"{k:5000}" for k in range(190)))),
        ("one cell", puts("place,level\n" + "x" * MB + ",40\n")),
        ("an open quote", filled('place,level,note\n101,40,"', "{},2,3\n".format)),
        ("20 MB and a byte", sparse(20 * MB + 1)),
    ],
    "tapes": [
        ("rows", filled(TAPED, lambda k: f"T{k // 2},10{k % 2 + 1},6\n")),
        ("rows of one point", filled(TAPED, lambda k: f"T,101,{k % 30 + 1}\n")),
        ("from points nobody knows", filled(TAPED, lambda k: f"T{k},9{k},6\n")),
        ("each from the one before", filled(TAPED, lambda k: f"T{k},T{k - 1},6\n")),
    ],
    "meter": [
        ("rows", filled(METERED, lambda k: f"{datetime(2026, 1, 1) + k * MINUTE},{k},l\n")),
        ("rows of one time", filled(METERED, "2026-01-01 08:00,{},l\n".format)),
    ],
    "xlsx": [
        ("300 MB", workbook(rows_of(3_000_000, b"<row>" + b" " * 90 + b"</row>"))),
        ("said to be wide", workbook(rows_of(20_000, b"<row><c/></row>", b"A1:XFD1048576"))),
        ("far cells", workbook(rows_of(20_000, b'<row><c r="XFD1"><v>1</v></c></row>'))),
        ("a far row", workbook(rows_of(1000, b'<row r="1048576"><c><v>1</v></c></row>'))),
        ("rows", workbook(rows_of(1_000_000, b"<row><c><v>1</v></c><c><v>2</v></c></row>"))),
        ("long texts", workbook(rows_of(1000, TEXTS))),
        ("shared texts", workbook(rows_of(1000, b"<row><c><v>1</v></c></row>"), shared=SHARED)),
        ("entities", workbook(iter([LAUGHS.encode(), SHEET, b"<sheetData>", TEXT]))),
    ],
    "points_geojson": [("points", AS_POINTS), ("deep", DEEP), ("wide", WIDE), ("hollow", HOLLOW)],
    "network_geojson": [
        ("lines", AS_LINES), ("one line", AS_ONE), ("a line that crosses itself", CROSSED),
        ("deep", DEEP), ("wide", WIDE), ("hollow", HOLLOW),
    ],
    "service_geojson": [
        ("lines", AS_LINES), ("one line", AS_ONE), ("deep", DEEP), ("wide", WIDE),
        ("hollow", HOLLOW), ("400 MB and a byte", sparse(400 * MB + 1)),
    ],
    "points_gpx": [
        ("way-points", filled(GPX, lambda k: WAY.format(k))),
        ("entities", puts(f"<!DOCTYPE g [{LAUGHS}]>{GPX}<wpt lat='1' lon='1'><name>&l11;</name>")),
        ("nested", puts(GPX + "<a>" * 330_000)),
    ],
    "points_gpkg": [("400 MB and a byte", sparse(400 * MB + 1))],
    "points_shp": [("400 MB and a byte", sparse(400 * MB + 1))],
    "wav": [
        ("a length that lies", puts(wav())),
        ("no rate", puts(wav(rate=0))),
        ("a rate of 4 GHz", puts(wav(rate=4_000_000_000))),
        ("65,535 channels", puts(wav(channels=65535))),
        ("1,000 channels", puts(wav(channels=1000))),
        ("a sample of 65,528 bits", puts(wav(bits=65528))),
        ("chunks", puts(b"RIFF\xf0\xff\xff\xffWAVE" + b"junk\0\0\0\0" * 120_000)),
    ],
}  # fmt: skip
for sheet in SHEETS:
    HUGE.setdefault(sheet, []).append(("its own rows again", again))
SPECIAL = {"a pipe": fifo, "a socket": bound, "a device": device}
CASES = {
    f"{target}: {what}": (target, damage)
    for target in TARGETS
    for what, damage in [*HUGE.get(target, []), *SPECIAL.items()]
}


def measured(name: str, place: Path) -> dict[str, float | str]:
    """Read a good file, then the case in its place; return what the second took and came to."""
    name, damage = CASES[name]
    target: Target = TARGETS[name]
    folder = target.lay_out(place)
    path = folder / target.file
    read = partial(read_site, folder) if target.whole else partial(target.read, path)
    read()
    before = path.read_bytes()
    damage(path)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began, said = time.process_time(), "read"
    from geoleak.errors import GeoleakError

    try:
        read()
    except GeoleakError as error:
        said = error.lines()[0]
    took = time.process_time() - began
    more = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - peak
    path.unlink()
    path.write_bytes(before)
    return {"seconds": took, "mb": more / 1024, "said": said}


@pytest.mark.parametrize("name", CASES)
def test_read_or_refused_at_little_cost(tmp_path: Path, name: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.long.test_limits", name, tmp_path],
        cwd=REPO, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    found = json.loads(done.stdout.splitlines()[-1])
    print(f"{name}: {found['seconds']:.2f} s, {found['mb']:.0f} MB: {found['said'][:110]}")
    assert found["seconds"] <= MOST_S
    assert found["mb"] <= MOST_MB


if __name__ == "__main__":
    print(json.dumps(measured(sys.argv[1], Path(sys.argv[2]))))
