"""`locate` against a level model that somebody else wrote from the method page alone.

The model's own error, from three seeds on these sites: medians 0.02 m, ends of a piece two cells
of 5 cm, chance 0.005. The tool's, from shared/method/evidence.md: length 0.7 % in the median and
4.9 % at most, chance 0.011 at most. Where the density is flat an end is worth little: there the
chance between the two ends is judged.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import geoleak
from tests.independent_levels import CELL_M, KINDS, Answer, Line, solve, solve_delay
from tests.site_folders import write_folder

TOML = """\
title = "Straight"
crs = "local"
length_unit = "m"
points = {{ file = "points.csv", layout = "penzd" }}

[[leg]]
name = "line"
code = "WL"
depth = "{depth} m"
material = "pvc"
outside_diameter = "32 mm"

[readings]
level_sigma = 2.5
place_sigma = 1.5

[crew]
locator_sigma = "0.01 m"
locator_bias = "0.001 m"
bucket_width = "1 m"
dig_length = "1.5 m"

[prior]
joints = false
past_leaks = false
recent_excavation = false
material = false
fitting = 0
aside = 0
beyond = 0
displaced = 0

[codes]
fitting = ["MTR*"]
"""
# Length, depth, first reading, step, which readings stand on concrete, levels. Drawn with leaks at
# 13.3, 17.2, 31.0, 16.4 and 0.6 m, 24, 10, 20, 18 and 18 dB over the background; the last has none.
LOUD = "20 19 22 24 26 25 24 25 30 33 33 35 42 45 36 28 29 25 25 24 23 25 23 21 23 24 17 20 18"
FAINT = "20 16 20 20 19 17 19 17 16 21 17 24 23 16 22 21 28 30 20 22 20 23 17 22 17 19 18 24 22 27"
WIDE = "22 22 22 18 20 24 20 22 23 29 40 27 24 22 18 23 16 17 16 23"
HARD = "19 18 17 22 18 17 23 18 21 22 22 23 36 37 40 40 44 42 38 23 22 21 21 22 20 21 26 22 16"
END = "40 38 30 29 25 22 21 20 22 24 20 22 26 17 21 19 17 17 20 21 18 20 22 21 22"
SILENT = "21 21 25 22 20 22 17 19 22 22 24 20 16 26 23 17 24 20 15 19 18 25 18 19 19 19 17 21 23"
GAS = "2 1 0 3 1 2 4 2 9 40 300 900 150 20 3 5 1 0 2 1"
CONTACT = "21 27 38 34 24 20"
NONE = range(0)


def agree(result: geoleak.Result, own: Answer, *, flat: bool = False) -> None:
    """Hold the tool's numbers against the model's; ``flat``: there is no one piece, no median."""
    leak, decision = result.leak, result.decision
    assert leak.probability_elsewhere == pytest.approx(own.elsewhere, rel=0.04, abs=0.0003)
    hole = sum(own.within(low, high) for _, low, high in decision.hole.pieces)
    assert decision.chance_in_hole == pytest.approx(hole, abs=0.02)
    for level_of, pieces in ((0.5, leak.interval_50), (0.95, leak.interval_95)):
        inside = sum(own.within(low, high) for _, low, high in pieces) / (1 - own.elsewhere)
        assert inside == pytest.approx(level_of, abs=0.025)
        tool_m = sum(high - low for _, low, high in pieces)
        own_m = own.densest(level_of).sum() * CELL_M
        assert tool_m == pytest.approx(own_m, rel=0.1, abs=2 * CELL_M)
        if flat:
            continue
        (around,) = [each for each in pieces if each[1] <= leak.chainage_m <= each[2]]
        ends = own.piece(level_of, leak.chainage_m)
        for end in map(sorted, zip(around[1:], ends, strict=True)):
            assert end[1] - end[0] < 0.15 or own.within(*end) < 0.01
    if not flat:
        assert leak.chainage_m == pytest.approx(own.median(*ends), abs=0.05)


@pytest.mark.parametrize(
    ("length", "depth", "first", "step", "slab", "levels"),
    [
        pytest.param(30, 0.8, 1.0, 1.0, range(12, 19), HARD, id="hard"),
        pytest.param(50, 0.9, 0.5, 1.0, NONE, FAINT, marks=pytest.mark.long, id="faint"),
        pytest.param(40, 1.0, 0.0, 8.0, NONE, CONTACT, id="contact"),
        pytest.param(40, 1.0, 1.0, 2.0, NONE, GAS, id="gas"),
        pytest.param(30, 1.0, 1.0, 1.0, NONE, LOUD, marks=pytest.mark.long, id="loud"),
        pytest.param(60, 1.2, 1.0, 3.0, NONE, WIDE, marks=pytest.mark.long, id="wide"),
        pytest.param(30, 1.0, 0.0, 1.0, NONE, END, marks=pytest.mark.long, id="end"),
        pytest.param(30, 1.0, 1.0, 1.0, NONE, SILENT, marks=pytest.mark.long, id="silent"),
    ],
)
def test_posterior(
    length: int,
    depth: float,
    first: float,
    step: float,
    slab: range,
    levels: str,
    tmp_path: Path,
    request: pytest.FixtureRequest,
) -> None:
    case = request.node.callspec.id
    kind = case if case in KINDS else "surface"
    level = np.array(levels.split(), np.float64)
    at = np.linspace(first, first + step * (len(level) - 1), len(level))
    ground = ["concrete" if k in slab else "" for k in range(len(level))]
    marks = [f"{101 + k},{1000 + 2 * k},500,100,WL" for k in range(length // 2 + 1)]
    places = [f"line@{each}" for each in at]
    if kind == "contact":
        places = [f"MTR{k}" for k in range(len(at))]
        marks += [f"MTR{k},{1000 + at[k]},500,100,MTR{k}" for k in range(len(at))]
    rows = ["reading,kind,place,level,low_hz,high_hz,surface"]
    rows += [f"{k},{kind},{places[k]},{level[k]},480,520,{ground[k]}" for k in range(len(level))]
    files: dict[str, str | bytes] = {
        "site.toml": TOML.format(depth=depth),
        "points.csv": "\n".join(marks) + "\n",
        "readings.csv": "\n".join(rows) + "\n",
    }
    result = geoleak.locate(geoleak.read_site(write_folder(tmp_path, files)))
    assert result.leak.depth_sigma_m is not None
    own = solve(
        Line(
            length_m=length,
            depth_m=depth,
            depth_sigma_m=result.leak.depth_sigma_m,
            at_m=at,
            level_db=10 * np.log10(1 + level) if kind == "gas" else level,
            concrete=np.array([each != "" for each in ground]),
            kind=kind,
        ),
        seed=1,
        # Where nothing stands out, what is likely is spread over more of the draws.
        log2=10 if case == "silent" else 9,
    )
    agree(result, own, flat=case == "silent")


def test_delay(tmp_path: Path) -> None:
    marks = [f"{101 + k},{1000 + 2 * k},500,100,WL" for k in range(21)]
    ends = ["MTR0,1000,500,100,MTR0", "MTR1,1040,500,100,MTR1"]
    toml = TOML.format(depth=1.0).replace("pvc", "steel")
    files: dict[str, str | bytes] = {
        "site.toml": toml.replace('outside_diameter = "32 mm"\n', ""),
        "points.csv": "\n".join(marks + ends) + "\n",
        "readings.csv": "reading,kind,place,level\n",
        "delays.csv": "delay,first,second,delay_ms,sigma_ms\n1,MTR0,MTR1,-12,0.4\n",
    }
    result = geoleak.locate(geoleak.read_site(write_folder(tmp_path, files)))
    agree(result, solve_delay(40, -0.012, 0.0004, (1250, 125)))
