"""Readings on the map, taken and to be taken."""

from __future__ import annotations

from typing import Any

from geoleak.export import colours, listen_words, words
from geoleak.export.feature_words import property_rows
from geoleak.export.level_scales import level_range, sign
from geoleak.export.map_leaflet import Discs, Label, OfflineMap, Popup
from geoleak.export.map_view import View, disc_row, features_of, group_of, plain, popup_markup

PIN = (
    '<svg viewBox="-17 -44 34 46" aria-hidden="true">'
    '<path d="M0 0L-8 -14A15 15 0 1 1 8 -14Z" fill="#000" stroke="#fff" stroke-width="2.5"/>'
    '<text y="-19.5" text-anchor="middle" font-size="18" font-weight="800" fill="#fff">'
    "{number}</text></svg>"
)


def readings(the_map: OfflineMap, view: View) -> None:
    """Draw the readings: a disc coloured by level, or a sign of its own on another scale."""
    found = features_of(view, "reading")
    if not found:
        return
    result = view.result
    low, high = level_range(result) or (0.0, 0.0)
    by_id = {(each.kind, each.id): each for each in result.readings}
    group = group_of(the_map, "Readings")
    discs: list[list[Any]] = []
    for each in found:
        reading = by_id.get((str(each.properties.get("reading_kind")), each.id))
        rows = property_rows(each, result)
        if reading and reading.repeats > 1:
            rows.append(("Repeats", str(reading.repeats)))
        drawn = sign(reading, result) if reading else "other"
        if drawn == "level" and reading:
            colour = colours.level_colour(reading.level_db, low, high)
            discs += disc_row(view, each, f"Reading {each.id}", rows, colour)
            continue
        place = view.place(each)
        if place is None:
            continue
        name = f"{'Contact reading' if drawn == 'contact' else 'Reading'} {each.id}"
        css = "contact" if drawn == "contact" else "unscaled"
        label = Label(
            place, "<span></span>", css=css, size=(26, 26), anchor=(13, 13), title=plain(name)
        )
        label.add_child(Popup(popup_markup(name, rows)))
        group.add_child(label)
    group.add_child(Discs(discs, {"radius": 8, "color": colours.INK, "weight": 2}))


def next_readings(the_map: OfflineMap, view: View) -> None:
    """Draw where to listen next: numbered pins, above everything else."""
    found = listen_words.features(view.result)
    if not found:
        return
    result, group = view.result, group_of(the_map, "Listen next")
    rows_of = dict(enumerate(result.next_readings, start=1))
    for each in reversed(found):
        place = view.place(each)
        number = int(each.properties.get("number", 0))
        if place is None or number not in rows_of:
            continue
        name = f"LISTEN {number}"
        reading = rows_of[number]
        rows = [
            ("Take", listen_words.kind(reading)),
            ("Where", listen_words.where(reading, result)),
            ("Then", listen_words.expected(reading, result.site.length_unit)),
            ("In readings.csv", reading.place),
        ]
        label = Label(
            place,
            f"<b>{name}</b>{PIN.format(number=number)}",
            css="next",
            size=(34, 46),
            anchor=(17, 44),
            title=plain(f"{name}, {listen_words.where(reading, result)}"),
            above=10000 - number,
        )
        label.add_child(Popup(popup_markup(name, rows)))
        group.add_child(label)


def best_so_far(the_map: OfflineMap, view: View) -> None:
    """Draw the best place so far as a small ring: it is not a stake and no one sets it out."""
    result = view.result
    for each in features_of(view, "stake"):
        place = view.place(each)
        if place is None:
            continue
        at = f"{result.leak.leg} {words.station(result.leak.chainage_m, result.site.length_unit)}"
        rows = [
            ("Place", at),
            ("Chance", words.chance(result.decision.chance_in_hole)),
            ("Verdict", "listen on, do not dig"),
        ]
        label = Label(
            place,
            "<span></span>",
            css="best",
            size=(26, 26),
            anchor=(13, 13),
            title=plain(f"best place so far, not to dig: {at}"),
        )
        label.add_child(Popup(popup_markup("Best place so far, not to dig", rows)))
        group_of(the_map, "Best place so far").add_child(label)
