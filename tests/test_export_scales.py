"""Levels of different scales share neither a colour nor an axis."""

from __future__ import annotations

import itertools
import re

import pytest

from geoleak.export import colours
from geoleak.export.colours import LEVEL_RAMP, level_colour, level_edges, usual_span
from geoleak.export.drawing import Disc, Picture, Words
from geoleak.export.map import page_html
from geoleak.export.profile import Panel, profile_picture
from geoleak.record import replace
from tests.results import feet_site


def _with(*changes):
    """Return the feet site with its first readings changed, in readings and in features."""
    result = feet_site()
    readings = list(result.readings)
    for k, change in enumerate(changes):
        readings[k] = replace(readings[k], **change)
    kinds = {each.id: each.kind for each in readings}
    features = tuple(
        replace(f, properties={**f.properties, "reading_kind": kinds[f.id]})
        if f.kind == "reading"
        else f
        for f in result.features
    )
    return replace(result, readings=tuple(readings), features=features)


MIXED = (
    {"kind": "contact", "level_db": 66.0},
    {"level_from": "recording", "recording": "a.wav", "level_db": -28.0},
    {"kind": "gas", "level_db": 12.0},
)


def test_other_scales_do_not_move_the_colours_nor_the_axis():
    plain, mixed = feet_site(), _with(*MIXED)
    rest = [each.level_db for each in plain.readings[3:]]
    assert colours.level_range(mixed) == (min(rest), max(rest))
    assert [each.id for each in colours.plotted(mixed, "yard")] == [
        each.id for each in plain.readings[3:]
    ]
    signs = [colours.sign(each, mixed) for each in mixed.readings[:4]]
    assert signs == ["contact", "other", "other", "level"]


def test_the_profile_draws_one_scale_and_says_what_it_leaves_out():
    mixed = _with(*MIXED)
    picture = profile_picture(mixed, "yard")
    discs = [each for each in picture.items if isinstance(each, Disc) and each.fill in LEVEL_RAMP]
    assert len(discs) == len(mixed.readings) - 3
    written = [each.text for each in picture.items if isinstance(each, Words)]
    assert "66" not in written and "-28" not in written
    told = colours.not_drawn(mixed, "yard")
    assert "contact 66 at 0+18.2" in told
    assert "recording -28 at 0+23.0" in told and "gas 12 at 0+27.7" in told
    assert colours.not_drawn(feet_site(), "yard") == ""
    assert told.replace(" dB", "&#160;dB") in page_html(mixed)


@pytest.mark.parametrize(("count", "more"), [(8, ""), (9, " and 1 more")])
def test_eight_readings_of_other_scales_are_told_and_the_rest_counted(count, more):
    told = colours.not_drawn(_with(*MIXED[:1] * count), "yard")
    assert told.count(" at ") == 8 and told.endswith(more)
    assert ("more" in told) is bool(more)


def test_where_most_readings_are_recordings_they_are_the_scale():
    changes = [{"level_from": "recording", "level_db": -60.0 + k} for k in range(13)]
    result = _with(*changes)
    assert colours.drawn_scale(result) == "recording"
    assert colours.level_range(result) == (-60.0, -48.0)
    assert colours.sign(result.readings[-1], result) == "other"
    written = [e.text for e in profile_picture(result, "yard").items if isinstance(e, Words)]
    assert "Level, dB re full scale" in written
    assert "dB re full scale" in page_html(result).replace("&#160;", " ")


@pytest.mark.parametrize("k", [0, 1, 2])
def test_the_map_gives_no_level_colour_to_another_scale(k):
    changed = [{}, {}, {}]
    changed[k] = MIXED[k]
    page = page_html(_with(*changed))
    name = (
        "contact reading (own scale, no colour)",
        "reading on another scale (no colour)",
        "gas reading on its own scale (no colour)",
    )[k]
    assert (name in page) and (name not in page_html(feet_site()))
    css = "contact" if k == 0 else "other"
    assert page.count(f'"sign":"{css}"') == 1


def test_levels_that_do_not_differ_look_alike_and_those_that_do_do_not():
    """Four readings within a decibel wear one colour; 5 dB, two sigmas of a reading, do not."""
    for base in (23.7, 24.0, 24.5):
        four = [base, base + 0.4, base + 0.6, base + 1.0]
        edges = level_edges(*usual_span(four))
        assert len({level_colour(each, edges) for each in four}) == 1
        assert (
            len({level_colour(each, level_edges(base, base + 5)) for each in (base, base + 5)}) == 2
        )
        # Of a smaller step the four would be three colours, of a larger one the two the same.
        assert [round(high - low) for low, high in itertools.pairwise(edges)] == [2, 2, 2]


@pytest.mark.parametrize("peak", [36.0, 58.0])
def test_a_peak_is_inside_the_scale_and_wears_its_darkest_colour(peak):
    """Twelve readings of the background and one peak, at most 40 dB over them."""
    levels = [18.0, 18.5] * 6 + [peak]
    span = usual_span(levels)
    assert span == (18.0, peak)
    assert level_colour(peak, level_edges(*span)) == LEVEL_RAMP[-1]
    assert level_colour(18.0, level_edges(*span)) == LEVEL_RAMP[0]


def test_a_slip_of_the_pen_is_no_peak():
    assert usual_span([18.0, 18.5] * 6 + [59.0]) == (18.0, 18.5)


def test_the_key_says_what_is_past_the_last_steps():
    steps = colours.steps(feet_site())
    assert [colour for colour, _ in steps] == list(LEVEL_RAMP)
    assert steps[0][1].startswith("reading up to ") and steps[-1][1].startswith("over ")
    edges = colours.edges_of(feet_site())
    for reading in feet_site().readings:
        k = LEVEL_RAMP.index(level_colour(reading.level_db, edges))
        figures = [float(each) for each in re.findall(r"\d+", steps[k][1])]
        low, high = figures if len(figures) == 2 else (figures[0], figures[0])
        assert (k == 0 or reading.level_db > low) and (k == 4 or reading.level_db <= high)


def test_the_profile_does_not_blow_up_a_decibel():
    flat = _with(*({"level_db": 24.0 + 0.1 * k} for k in range(14)))
    none = dict.fromkeys(("expected_chainage_m", "expected_db", "low_db", "high_db"), ())
    flat = replace(flat, profile=(replace(flat.profile[0], **none),))
    picture = profile_picture(flat, "yard")
    heights = [
        each.y for each in picture.items if isinstance(each, Disc) and each.fill in LEVEL_RAMP
    ]
    frame = next(e for e in picture.items if getattr(e, "fill", "") == "#f7f8f9")
    tall = max(y for _, y in frame.points) - min(y for _, y in frame.points)
    assert (max(heights) - min(heights)) / tall == pytest.approx(1.3 / 6.0, abs=0.01)


def test_a_reading_taken_aside_is_not_on_the_profile():
    result = feet_site()
    beside = [replace(result.readings[0], offset_m=m) for m in (0.69, -0.69, 0.71, -0.71)]
    drawn = colours.plotted(replace(result, readings=tuple(beside)), "yard")
    assert [each.offset_m for each in drawn] == [0.69, -0.69]


@pytest.mark.parametrize(("right", "middle"), [(75.0, True), (98.0, False)])
def test_no_name_of_a_tick_is_cut_at_the_edge(right, middle):
    picture = Picture(100.0, 100.0)
    Panel(10.0, right, 0.0, 80.0, 0.0, 26.0, 0.0, 1.0).axes(picture, 13.0, x=[(26.0, "0+026")])
    (name,) = [each for each in picture.items if isinstance(each, Words) and each.text]
    assert name.box()[2] < 100.0 - 0.04 * 13.0
    assert (name.x == right) is middle
