"""Whatever the files hold: a site without a NaN in it, or plain lines. Never anything else."""

from __future__ import annotations

import dataclasses
import math
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoleak.errors import InputError
from geoleak.new.guess import understand
from geoleak.readers import read_site
from tests.site_folders import POINTS, READINGS, TOML, write_folder

QUICK = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def numbers_in(value: Any) -> list[float]:
    """Return every float of a record, however deep."""
    if isinstance(value, float):
        return [value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts: list[Any] = [getattr(value, field.name) for field in dataclasses.fields(value)]
    elif isinstance(value, Mapping):
        parts = list(value.values())
    elif isinstance(value, (list, tuple)):
        parts = list(value)
    else:
        return []
    return [number for part in parts for number in numbers_in(part)]


def read_or_refuse(files: dict[str, str | bytes]) -> bool:
    """Read a folder; tell whether it read. Complaints must be plain single lines."""
    with tempfile.TemporaryDirectory() as text:
        folder = write_folder(Path(text), files)
        try:
            site = read_site(folder)
        except InputError as error:
            lines = error.lines()
            assert lines and len(lines) <= 21
            for line in lines:
                assert "\n" not in line and "Traceback" not in line and len(line) < 2000
            return False
    assert all(math.isfinite(value) for value in numbers_in(site))
    return True


def test_the_folder_that_is_spoilt_below_reads_unspoilt() -> None:
    assert read_or_refuse({})


ODD = st.sampled_from(
    [
        "nan", "inf", "-inf", "1e999", "NaN", "1_000", "1.234,56", "", " ", '"', '""', "\t", ";",
        ",", "\n", "\r", "\r\n", "#", "%", "\x00", "\x1a", "\ufeff", "٣", "½", "=1+1", "-",
        "<script>", "${x}", "`", "\\", "'", "0", "-1", "9" * 400, "up", "down", "@", "E", "N",
        "lat", "é", "\u2028", "101", "WL", "1e5", "0x10", "1e-400",
    ]
)  # fmt: skip


@st.composite
def spoilt(draw: st.DrawFn, text: str) -> str:
    """Put odd pieces in place of, or between, some pieces of a good file."""
    pieces = list(text)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(pieces) - 1))
        span = draw(st.integers(0, 8))
        pieces[at : at + span] = [draw(ODD)]
    return "".join(pieces)


@QUICK
@given(text=spoilt(POINTS))
def test_spoilt_points(text: str) -> None:
    read_or_refuse({"points.csv": text})


HEADED = "Point;Northing;Easting;Elev;Code;HRMS;Fix;Depth;Note\n" + "".join(
    f"{line.replace(',', ';')};0,01;fixed;3;x\n".replace(".", ",") for line in POINTS.splitlines()
)


@QUICK
@given(text=spoilt(HEADED))
def test_spoilt_points_with_a_header(text: str) -> None:
    read_or_refuse({"points.csv": text})


@QUICK
@given(text=spoilt(READINGS))
def test_spoilt_readings(text: str) -> None:
    read_or_refuse({"readings.csv": text})


@QUICK
@given(text=spoilt(TOML + '[crew]\ndig_length = "5 ft"\nlocator_sigma = "0.1 depth"\n'))
def test_spoilt_site_toml(text: str) -> None:
    read_or_refuse({"site.toml": text})


SHEETS = {
    "delays.csv": "first,second,delay_ms,shown_speed\n101,102,1.5,\n",
    "isolations.csv": "valves,flow_before,flow_after,unit\n201 202,3,1,gpm\n",
    "holes.csv": "from,to,depth_reached\nyard@1,yard@5,3 ft\n",
    "meter.csv": "time,reading\n07:00,5\n",
}


@pytest.mark.parametrize("name", SHEETS)
@QUICK
@given(data=st.data())
def test_spoilt_sheets(name: str, data: st.DataObject) -> None:
    read_or_refuse({name: data.draw(spoilt(SHEETS[name]))})


@QUICK
@given(
    data=st.binary(max_size=200),
    name=st.sampled_from(
        ["points.csv", "readings.csv", "site.toml", "delays.csv", "calibration.csv"]
    ),
)
def test_any_bytes_at_all(data: bytes, name: str) -> None:
    read_or_refuse({name: data})


@QUICK
@given(data=st.one_of(st.binary(max_size=200), spoilt(POINTS).map(str.encode)))
def test_understanding_any_bytes(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as text:
        path = Path(text) / "p.csv"
        path.write_bytes(data)
        try:
            guess = understand(path, crs="EPSG:6543")
        except InputError:
            return
    assert math.isfinite(guess.easting) and math.isfinite(guess.northing)


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".shp", ".gpx", ".xlsx", ".json"])
@pytest.mark.parametrize("data", [b"", b"PK\x03\x04junk", b"<gpx/>", b"{}", bytes(range(256))])
def test_any_bytes_under_any_name(tmp_path: Path, suffix: str, data: bytes) -> None:
    toml = TOML.replace("points.csv", f"points{suffix}")
    assert not read_or_refuse({"site.toml": toml, f"points{suffix}": data})
