"""Levels of different scales share neither a colour nor an axis."""

from __future__ import annotations

from dataclasses import replace

import pytest

from geoleak.export import level_scales
from geoleak.export.colours import LEVEL_RAMP, level_colour
from geoleak.export.drawing import Disc, Words
from geoleak.export.map import page_html
from geoleak.export.profile import profile_picture
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
    assert level_scales.level_range(mixed) == (min(rest), max(rest))
    assert [each.id for each in level_scales.plotted(mixed, "yard")] == [
        each.id for each in plain.readings[3:]
    ]
    signs = [level_scales.sign(each, mixed) for each in mixed.readings[:4]]
    assert signs == ["contact", "other", "other", "level"]


def test_the_profile_draws_one_scale_and_says_what_it_leaves_out():
    mixed = _with(*MIXED)
    picture = profile_picture(mixed, "yard")
    discs = [each for each in picture.items if isinstance(each, Disc) and each.fill in LEVEL_RAMP]
    assert len(discs) == len(mixed.readings) - 3
    written = [each.text for each in picture.items if isinstance(each, Words)]
    assert "66" not in written and "-28" not in written
    told = level_scales.not_drawn(mixed, "yard")
    assert "contact 66 at 0+18.2" in told
    assert "recording -28 at 0+23.0" in told and "gas 12 at 0+27.7" in told
    assert level_scales.not_drawn(feet_site(), "yard") == ""
    assert told.replace(" dB", "&#160;dB") in page_html(mixed)


def test_where_most_readings_are_recordings_they_are_the_scale():
    changes = [{"level_from": "recording", "level_db": -60.0 + k} for k in range(13)]
    result = _with(*changes)
    assert level_scales.drawn_scale(result) == "recording"
    assert level_scales.level_range(result) == (-60.0, -48.0)
    assert level_scales.sign(result.readings[-1], result) == "other"
    written = [e.text for e in profile_picture(result, "yard").items if isinstance(e, Words)]
    assert "Level, dB re full scale" in written
    assert "dB re full scale" in page_html(result).replace("&#160;", " ")


@pytest.mark.parametrize("k", [0, 1, 2])
def test_the_map_gives_no_level_colour_to_another_scale(k):
    changed = [{}, {}, {}]
    changed[k] = MIXED[k]
    page = page_html(_with(*changed))
    name = "contact reading (own scale, no colour)" if k == 0 else "another scale (no colour)"
    assert (name in page) and (name not in page_html(feet_site()))
    css = "contact" if k == 0 else "other"
    assert page.count(f'"sign":"{css}"') == 1
    low, high = level_scales.level_range(feet_site())
    assert level_colour(high, low, high) == LEVEL_RAMP[-1]
