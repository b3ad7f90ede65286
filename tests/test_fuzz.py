"""Random damage to a site's files: an answer or a complaint, never another error."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geoleak.errors import GeoleakError
from geoleak.pipeline import read_site, survey_site
from tests.site_folders import POINTS, READINGS, TOML, write_folder

DELAYS = "delay,first,second,delay_ms,sigma_ms\nD1,201,202,1.5,0.4\n"
HOLES = "hole,from,to,pipe_exposed,outcome\n1,yard@3,yard@5,yes,dry\n"
# Deterministic: the same damage each run, and quick.
QUICK = settings(
    max_examples=60,
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
                st.text(max_size=6),
            )
        )
        text = text[:at] + piece + text[to:]
    data = text.encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, max(len(data) - 1, 0)))
        data = data[:at] + draw(st.binary(max_size=4)) + data[at:]
    return data


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path
    shutil.rmtree(tmp_path, ignore_errors=True)


def survive(place: Path, files: dict[str, str | bytes]) -> None:
    folder = write_folder(place, files)
    try:
        survey_site(read_site(folder))
    except GeoleakError as error:
        said = error.lines()
        assert said
        assert all(line.strip() and "\n" not in line for line in said)


@QUICK
@given(content=damaged(TOML))
def test_site_toml(place: Path, content: bytes) -> None:
    survive(place, {"site.toml": content})


@QUICK
@given(content=damaged(POINTS))
def test_points(place: Path, content: bytes) -> None:
    survive(place, {"points.csv": content})


@QUICK
@given(content=damaged(READINGS))
def test_readings(place: Path, content: bytes) -> None:
    survive(place, {"readings.csv": content})


@QUICK
@given(delays=damaged(DELAYS), holes=damaged(HOLES))
def test_other_sheets(place: Path, delays: bytes, holes: bytes) -> None:
    survive(place, {"delays.csv": delays, "holes.csv": holes})


@QUICK
@given(content=st.binary(max_size=200), name=st.sampled_from(["site.toml", "points.csv"]))
def test_bytes_of_any_kind(place: Path, content: bytes, name: str) -> None:
    survive(place, {name: content})
