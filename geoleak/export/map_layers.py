"""The map's layers: what is drawn, in which order, and what its pop-up says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import folium

from geoleak.export import colours, words
from geoleak.export.feature_words import property_rows, stake_rows
from geoleak.export.map_leaflet import Discs, Label, OfflineMap, Popup
from geoleak.export.map_readings import best_so_far, next_readings, readings
from geoleak.export.map_ticks import add_stations
from geoleak.export.map_view import (
    Spot,
    View,
    add_line,
    disc_row,
    features_of,
    group_of,
    plain,
    popup_markup,
)
from geoleak.result import Feature, Result

PANES = (("under", 390), ("band", 395), ("ticks", 420), ("spots", 450))
TARGET = (
    '<svg viewBox="-23 -23 46 46" aria-hidden="true"><circle r="21" fill="#fff"/>'
    '<circle r="16" fill="#fff" stroke="#000" stroke-width="5"/>'
    '<path d="M0 0V-16A16 16 0 0 1 16 0ZM0 0V16A16 16 0 0 1 -16 0Z"/></svg>'
)


def add_layers(the_map: OfflineMap, result: Result) -> View:
    """Put every layer on the map, undermost first, and return how coordinates were turned."""
    view = View(result)
    for name, height in PANES:
        folium.map.CustomPane(name, z_index=height, pointer_events=False).add_to(the_map)
    dig = result.decision.verdict == "dig"
    services(the_map, view)
    ties(the_map, view)
    intervals(the_map, view)
    pipe(the_map, view)
    add_stations(group_of(the_map, "Stations"), view)
    if dig:
        hole(the_map, view)
    marks(the_map, view)
    readings(the_map, view)
    fittings(the_map, view)
    if dig:
        stakes(the_map, view)
    else:
        best_so_far(the_map, view)
        next_readings(the_map, view)
    folium.LayerControl(collapsed=True).add_to(the_map)
    return view


def services(the_map: OfflineMap, view: View) -> None:
    """Draw the other services: their APWA colour on a dark casing, so that white shows."""
    found = features_of(view, "utility")
    if not found:
        return
    group = group_of(the_map, "Other services")
    discs: list[list[Any]] = []
    for each in found:
        colour = colours.service_colour(each.properties.get("colour"))
        name = each.properties.get("name") or each.id
        popup = popup_markup(str(name), property_rows(each, view.result))
        shape = view.geometry(each)
        if shape is not None and shape.geom_type == "Point":
            discs += disc_row(view, each, str(name), property_rows(each, view.result), colour)
            continue
        add_line(group, view, each, color=colours.CASING, weight=7, pane="under")
        add_line(group, view, each, popup=popup, color=colour, weight=3.5, pane="under")
    if discs:
        group.add_child(Discs(discs, {"radius": 7, "color": colours.CASING, "weight": 2.5}))


def ties(the_map: OfflineMap, view: View) -> None:
    """Draw the tapes from fixed features to the stake, and the features."""
    dig = view.result.decision.verdict == "dig"
    found = features_of(view, "tie") if dig else []
    fixed = features_of(view, "feature", "check_point")
    tied = {each.feature for each in view.result.ties}
    if not found and not fixed:
        return
    group = group_of(the_map, "Ties and fixed features")
    for each in found:
        _tape(group, view, each)
    seen: set[Spot] = set()
    for each in fixed:
        place = view.place(each)
        if place is None or place in seen:
            continue
        seen.add(place)
        popup = popup_markup(f"Fixed feature {each.id}", property_rows(each, view.result))
        name = f"<b>{words.markup_safe(each.id)}</b>" if each.id in tied else ""
        label = Label(
            place,
            f"<span></span>{name}",
            css="fixed",
            size=(26, 26),
            anchor=(13, 13),
            title=plain(f"fixed feature {each.id}"),
        )
        label.add_child(Popup(popup))
        group.add_child(label)


def _tape(group: folium.FeatureGroup, view: View, feature: Feature) -> None:
    """Draw one tape with its length at its middle."""
    name = str(feature.properties.get("feature", feature.id))
    style = {"color": colours.FIXED, "weight": 2.5, "pane": "under"}
    popup = popup_markup(f"Tape from {name}", property_rows(feature, view.result))
    add_line(group, view, feature, popup=popup, dash_array="2 7", line_cap="round", **style)
    tie = next((each for each in view.result.ties if each.feature == name), None)
    lines = view.lines(feature)
    if tie is None or not lines:
        return
    text = words.markup_safe(words.length(tie.distance_m, view.result.site.length_unit))
    group.add_child(
        Label(
            _clear_place(view, lines[0]),
            f"<span>{text}</span>",
            css="tape",
            size=(0, 0),
            anchor=(0, 0),
        )
    )


def _clear_place(view: View, line: Sequence[Spot]) -> Spot:
    """Return the place on a tape for its length: where signs of readings and marks are far."""
    (a, b), (c, d) = line[0], line[-1]
    signs = [view.place(each) for each in features_of(view, "reading", "mark", "stake")]
    spots = [(a + share * (c - a), b + share * (d - b)) for share in (0.42, 0.5, 0.35, 0.58, 0.65)]
    narrow = 1.0 if view.local else math.cos(math.radians(a))

    def room(spot: Spot) -> float:
        away = (math.hypot(spot[0] - s[0], narrow * (spot[1] - s[1])) for s in signs if s)
        return min(away, default=0.0)

    return max(spots, key=room)


def intervals(the_map: OfflineMap, view: View) -> None:
    """Draw the stretches that hold 95, 80 and 50 % of the chance as bands along the pipe."""
    group = group_of(the_map, "Where the leak may be")
    found = sorted(
        features_of(view, "interval"), key=lambda each: -int(each.properties.get("percent", 0))
    )
    for each in found:
        percent = int(each.properties.get("percent", 0))
        colour = colours.INTERVAL.get(percent, colours.INTERVAL[95])
        width = {95: 28, 80: 22, 50: 16}.get(percent, 28)
        popup = popup_markup(
            f"{percent} % of the chance on the legs", property_rows(each, view.result)
        )
        add_line(
            group,
            view,
            each,
            popup=popup,
            color=colour,
            weight=width,
            opacity=0.9,
            line_cap="butt",
            pane="band",
        )


def pipe(the_map: OfflineMap, view: View) -> None:
    """Draw the fitted legs; an assumed one dashed."""
    group = group_of(the_map, "Pipe")
    assumed = {each.name for each in view.result.legs if each.assumed}
    routes = features_of(view, "route")
    # One casing for all: on a network an element each would take its time.
    casing = [line for each in routes for line in view.lines(each)]
    if casing:
        under = folium.PolyLine(casing, color="#ffffff", weight=7)
        under.options["interactive"] = False
        under.add_to(group)
    for each in routes:
        name = str(each.properties.get("leg", each.id))
        rows = property_rows(each, view.result)
        if name in assumed:
            rows = [("Route", "assumed, not traced"), *rows]
        popup = popup_markup(f"Leg {name}", rows)
        dashed = {"dash_array": "10 7"} if name in assumed else {}
        add_line(group, view, each, popup=popup, color=colours.PIPE, weight=3.5, **dashed)


def hole(the_map: OfflineMap, view: View) -> None:
    """Draw the hole in white on black, the colour of proposed excavation."""
    group = group_of(the_map, "Hole")
    result = view.result
    rows = [
        ("Open", words.hole_reach(result)),
        ("Chance in it", words.chance(result.decision.chance_in_hole)),
        ("Crown of the pipe", words.depth(result)),
    ]
    for each in features_of(view, "hole"):
        for outline in view.lines(each):
            under = folium.Polygon(outline, color="#000000", weight=6, fill=False)
            under.options["interactive"] = False
            under.add_to(group)
            over = folium.Polygon(
                outline,
                color="#ffffff",
                weight=2.5,
                fill=True,
                fill_color="#ffffff",
                fill_opacity=0.35,
                dash_array="7 5",
            )
            over.add_child(Popup(popup_markup("Hole", rows)))
            over.add_to(group)


def marks(the_map: OfflineMap, view: View) -> None:
    """Draw the paint marks as they were shot."""
    found = features_of(view, "mark")
    if not found:
        return
    rows = [
        row
        for each in found
        for row in disc_row(
            view, each, f"Mark {each.id}", property_rows(each, view.result), "#ffffff"
        )
    ]
    group = group_of(the_map, "Marks")
    group.add_child(Discs(rows, {"radius": 4, "color": colours.INK, "weight": 1.5}))


def fittings(the_map: OfflineMap, view: View) -> None:
    """Draw the places a contact sensor can touch."""
    found = features_of(view, "fitting")
    if not found:
        return
    group = group_of(the_map, "Fittings")
    for each in found:
        place = view.place(each)
        if place is None:
            continue
        label = Label(
            place,
            "<span></span>",
            css="fitting",
            size=(28, 28),
            anchor=(14, 14),
            title=plain(f"fitting {each.id}"),
        )
        label.add_child(Popup(popup_markup(f"Fitting {each.id}", property_rows(each, view.result))))
        group.add_child(label)


def stakes(the_map: OfflineMap, view: View) -> None:
    """Draw the stake, above everything else, and the stakes that go with it."""
    group = group_of(the_map, "Stake")
    for each in features_of(view, "offset_stake"):
        place = view.place(each)
        if place is None:
            continue
        name = str(each.properties.get("label") or each.id)
        label = Label(
            place,
            "<span></span>",
            css="offset",
            size=(26, 26),
            anchor=(13, 13),
            title=plain(f"offset stake {name}"),
        )
        label.add_child(Popup(popup_markup(name, property_rows(each, view.result))))
        group.add_child(label)
    result = view.result
    for each in features_of(view, "stake"):
        place = view.place(each)
        if place is None:
            continue
        station = words.station(result.leak.chainage_m, result.site.length_unit)
        name = f"Stake {result.leak.leg} {station}"
        label = Label(
            place,
            f"<b>STAKE</b>{TARGET}",
            css="stake",
            size=(36, 36),
            anchor=(18, 18),
            title=plain(name),
            above=10000,
        )
        label.add_child(Popup(popup_markup(name, stake_rows(result))))
        group.add_child(label)
