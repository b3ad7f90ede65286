"""The answer as a technician reads it to a crew over the phone: plain lines of text."""

from __future__ import annotations

import math
import re
import textwrap
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any

from geoleak.export import checks, words
from geoleak.result import Feature, NextReadingSummary, Result
from geoleak.units import unit_m

WIDTH = 100
HEAD = 8
MOST_WARNINGS = 12
BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|ft|m|dB|in|mm)(?!\w))")

KIND_WORDS = {
    "surface": "surface reading",
    "contact": "contact reading",
    "gas": "gas reading",
    "bar_hole": "bar-hole reading",
}
FROM_MARK = re.compile(
    r"^(?P<mark>.+?)(?: (?P<way>up|down) (?P<step>[\d.]+))?"
    r"(?: (?P<side>left|right) (?P<aside>[\d.]+))?$"
)
"""A place of the sheets: a point, how far from it along the pipe, how far aside of the pipe."""
POINT_WORDS = {"mark": "mark", "fitting": "fitting", "feature": "fixed feature"}


def lines(result: Result) -> list[str]:
    """Return what `locate` prints, no line wider than 100 columns.

    Parameters
    ----------
    result : Result

    Returns
    -------
    list of str
        Plain text, figures in the site's length unit, rounded to what is known.
    """
    verdict = result.decision.verdict
    tell = {"dig": _dig, "check_first": _check_first, "listen_on": _listen_on}[verdict]
    made = [title_line(result), *tell(result), *_section("dug", dug(result))]
    made += _section("note", warnings(result))
    if result.cautions:
        made += ["", f"{words.VERDICTS[verdict].cautions}:"]
    return made + [
        row for each in result.cautions for row in _wrapped(words.told(each), "  - ", "    ")
    ]


def _dig(result: Result) -> list[str]:
    """Return where to dig, the stake, why, and what hangs on it."""
    decision = result.decision
    size = words.length(decision.hole.length_m, result.site.length_unit)
    inside, paint = words.chance(decision.chance_in_hole), words.near_marks(result)
    told = [
        f"{words.leak_station(result)}: {inside} in a {size} hole ({words.elsewhere(result)})",
        checks.assumes(result),
        words.not_before(result),
        f"open {words.hole_reach(result)}, along the pipe",
        f"top of pipe: {words.depth(result)}",
        f"95 % of the chance lies within {words.likely(result)}",
        paint and f"the stake is {paint}",
        _assumed(result),
        *side(result),
    ]
    return [
        *_section("DIG", told),
        *_stake(result),
        *_section("why", why(result)),
        *_section("next", next_numbered(result) if advised(result) else ()),
        *_section("else", next_holes(result)),
        *_section("ties", ties(result)),
        *_section("also", words.services(result)),
    ]


def _check_first(result: Result) -> list[str]:
    """Return what the sound may be beside the leak, and the check that tells: nothing to dig by."""
    never = f"told apart: {checks.NEVER}" if checks.of(result).kind == "stop" else ""
    return [
        *_wrapped(f"CHECK FIRST: do not dig yet. {checks.answer(result)}", "", " " * HEAD),
        *_section("or else", checks.rivals(result)),
        *_section("do this", [checks.task(result), checks.passed(result)]),
        *_section("then", [checks.meaning(result)]),
        *_section("never", [never]),
        *_section("write", [checks.sheet(result)]),
        *_places(result, "check_place", ", and nothing to dig by"),
        *_section("why", [*why(result), *_likely(result)]),
    ]


def _listen_on(result: Result) -> list[str]:
    """Return where to listen next, why, and the best place so far: no stake and no hole."""
    made = ["LISTEN ON: do not dig yet. No reading left would tell more."]
    if result.next_readings:
        made = ["LISTEN ON: do not dig yet. Listen next, the most telling first:"]
        made += _section("next", [*next_numbered(result), sheet_places(result)])
    made += _places(result, "next_reading")
    made += _section("why", why(result))
    return made + _section("so far", [best_so_far(result), *_likely(result)])


def _places(result: Result, kind: str, also: str = "") -> list[str]:
    """Return how rover and phone find the places to go to."""
    names, check = words.points(result, kind), first_check(result)
    told = f"stakes.csv holds these places as points {names}{also}" + (check and f"; {check}")
    at, accuracy = phone(result)
    head = "rover" if check else "points"
    said = _section(head, [words.plain(told)] if names else ())
    return said + _section("phone", [f"{at} (the first), {accuracy}"] if at else ())


def _likely(result: Result) -> list[str]:
    within = f"95 % of the chance lies within {words.likely(result)}"
    return [within, *side(result), _assumed(result)]


def _assumed(result: Result) -> str:
    told = "route assumed, not traced: the pipe itself may lie elsewhere"
    return told if words.assumed(result) else ""


def title_line(result: Result) -> str:
    """Return the head line: the site on the left, the run on the right."""
    run = words.run(result)
    title = words.plain(result.site.title)
    room = WIDTH - len(run) - 2
    title = _cut(title, room)
    return title + " " * max(2, WIDTH - _columns(title) - len(run)) + run


def why(result: Result) -> list[str]:
    """Return the reasons; to dig, also the straight run of marks that the stake stands on."""
    rows = [words.told(each) for each in result.decision.reasons]
    near = result.near
    if near is None or result.decision.verdict != "dig" or any("straight run" in r for r in rows):
        return rows
    if near.straight_from and near.straight_to and near.straight_from != near.straight_to:
        span = f"marks {near.straight_from} to {near.straight_to}"
        rows.append(words.plain(f"the stake stands on the straight run of {span}"))
    return rows


def dug(result: Result) -> list[str]:
    """Return what was dug so far: each leak found, held against the stake, and each hole."""
    return [
        words.told(_found(each.properties, result) if each.kind == "found" else _hole(each, result))
        for each in result.features
        if each.kind in ("found", "dug")
    ]


def _found(about: Mapping[str, Any], result: Result) -> str:
    unit, leg = result.site.length_unit, about.get("leg")
    said = "leak found on no traced line"
    if leg is not None:
        at_m, along_m, aside_m = about["chainage_m"], about.get("along_m"), about["offset_m"]
        said = f"leak found at {leg} {words.station(at_m, unit)}"
        if along_m is not None:
            way = words.toward(result, leg, result.leak.chainage_m, up=along_m >= 0)
            said += f", {words.length(abs(along_m), unit)} from the stake {way}"
        up, side = words.toward(result, leg, at_m, up=True), "right" if aside_m > 0 else "left"
        said += f", {words.length(abs(aside_m), unit)} to the {side} of the line as one looks {up}"
    deep = about.get("depth_m")
    more = (deep and f"{words.length(deep, unit)} down", about.get("cause"), about.get("date"))
    return "; ".join(str(each) for each in (said, *more) if each)


def _hole(each: Feature, result: Result) -> str:
    about, unit = each.properties, result.site.length_unit
    stations = (words.station(about[key], unit) for key in ("from_m", "to_m"))
    bare = {"yes": ", pipe laid bare", "no": ", pipe not seen: deepen it"}
    showed = f"{about.get('outcome', 'opened')}{bare.get(about.get('exposed', ''), '')}"
    return f"hole on {about['leg']} {' to '.join(stations)}: {showed}"


def side(result: Result) -> list[str]:
    """Return whose side the leak is on, where a boundary is given."""
    odds = {name: chance for name, chance in result.leak.side.items() if chance > 0}
    if not odds:
        return []
    told = ", ".join(f"{words.plain(name)} {words.chance(chance)}" for name, chance in odds.items())
    return [f"side of the boundary: {told}"]


def _stake(result: Result) -> list[str]:
    leak, grid = result.leak, f"{words.position(result)}  {words.grid_name(result)}"
    rows = [f"{grid}; sets out within {words.ellipse(result)}", first_check(result)]
    if leak.elevation_m is not None:
        height = words.length(leak.elevation_m, leak.position.unit, decimals=2)
        rows.append(f"ground at {height}")
    if result.site.corrections:
        rows.append(f"rover corrected by {words.plain(result.site.corrections)}")
    at = words.lonlat(result)
    return [
        *_section("stake", rows),
        *_section("phone", [at and f"{at}, {words.lonlat_accuracy(result)}"]),
    ]


def first_check(result: Result) -> str:
    """Return what to do at the first check point, where one says so."""
    checked = (each.text for each in result.stakes if each.kind == "check_point")
    return words.told(next(checked, ""))


def next_holes(result: Result) -> list[str]:
    """Return the holes to try if the first one is dry."""
    heads = ("if the hole is dry: ", "then: ")
    return [f"{heads[min(k, 1)]}{told}" for k, told in enumerate(next_hole_words(result))]


def next_hole_words(result: Result) -> list[str]:
    """Return the next holes, each with its chance once the first one is dry."""
    unit, leg = result.site.length_unit, result.leak.leg
    return [
        f"{words.pieces(each.pieces, unit, leg=leg)} ({words.chance(each.chance)} then)"
        for each in result.decision.then
        if each.pieces
    ]


def ties(result: Result) -> list[str]:
    """Return the tapes and what is said about them."""
    rows = []
    for each in result.ties:
        named = f" ({words.plain(each.note)})" if each.note.strip() else ""
        slope = f", {words.plain(each.slope)}" if each.slope else ""
        tape = words.length(each.distance_m, result.site.length_unit, decimals=2)
        rows.append(f"{tape} from {words.plain(each.feature)}{named}{slope}")
    return rows + [words.told(each) for each in result.ties_text]


def warnings(result: Result) -> list[str]:
    """Return the warnings with the place in the file that raised them."""
    rows = []
    for each in result.warnings[:MOST_WARNINGS]:
        where = each.origin
        place = words.plain(f"{where.file}:{where.line}" if where.line else where.file)
        rows.append((f"{place}: " if where.file else "") + words.told(each.text))
    more = len(result.warnings) - MOST_WARNINGS
    return [*rows, f"and {more} more in result.json"] if more > 0 else rows


def advised(result: Result) -> bool:
    """Tell whether a further reading is suggested: always to listen on, or where it would pay."""
    pays = (result.decision.value_of_reading or 0.0) > 0.0
    return bool(result.next_readings) and (result.decision.verdict != "dig" or pays)


def next_kind(each: NextReadingSummary) -> str:
    """Return what is to be taken: "surface reading"."""
    return KIND_WORDS.get(each.kind, f"{each.kind.replace('_', ' ')} reading")


def next_place(each: NextReadingSummary, result: Result) -> str:
    """Return the place as a crew finds it: "2.0 ft past mark 18 toward the meter"."""
    return place_words(each.place, each.leg, each.chainage_m, result)


def place_words(place: str, leg: str, chainage_m: float, result: Result) -> str:
    """Return a place of the sheets as a crew finds it; a bare chainage as leg and station."""
    found = FROM_MARK.match(place)
    unit, up = (
        words.unit_word(result.site.length_unit),
        words.toward(result, leg, chainage_m, up=True),
    )
    if "@" in place or found is None:
        said = f"at {leg} {words.station(chainage_m, result.site.length_unit)}"
    elif found["way"]:
        way = up if found["way"] == "up" else words.toward(result, leg, chainage_m, up=False)
        said = f"{found['step']} {unit} past {_point(found['mark'], leg, result)} {way}"
    else:
        said = f"at {_point(found['mark'], leg, result)}"
    if found and found["side"]:
        said += f", {found['aside']} {unit} to the {found['side']} as one looks {up}"
    return words.plain(said)


def _point(name: str, leg: str, result: Result) -> str:
    """Return a point with the word for what it is; a name on two legs comes with its leg."""
    bare = name.removeprefix(f"{leg} ")
    found = next((f for f in result.features if f.id == bare and f.kind in POINT_WORDS), None)
    word = POINT_WORDS[found.kind] if found else "mark"
    if found and found.kind == "fitting":
        word = words.fitting_word(found.properties.get("code"))
    return f"{word} {bare}" + (f" of {leg}" if bare != name else "")


def next_station(each: NextReadingSummary, result: Result) -> str:
    """Return leg and station: "main 0+40.3"."""
    return words.plain(f"{each.leg} {words.station(each.chainage_m, result.site.length_unit)}")


def next_where(each: NextReadingSummary, result: Result) -> str:
    """Return place and station: "2.0 ft past mark 18 (main 0+40.3)"."""
    told, at = next_place(each, result), next_station(each, result)
    return told if told == f"at {at}" else f"{told} ({at})"


def next_expected(each: NextReadingSummary, unit: str) -> str:
    """Return what a reading is expected to bring, in two figures: more are not known."""
    after, now = each.expected_interval_95_m, each.interval_95_now_m
    if now is None:
        return f"the search should narrow to about {_about(after, after, unit)}"
    before, later = _about(now, now, unit), _about(after, now, unit)
    if after >= now or before == later:
        return f"the search should narrow little: {before} of pipe"
    return f"the search should narrow from {before} of pipe to about {later}"


def _about(value_m: float, whole_m: float, unit: str) -> str:
    """Return a length with as many figures as two of the whole's."""
    factor = unit_m(unit)
    whole = whole_m / factor
    power = math.floor(math.log10(whole)) - 1 if whole > 0 else 0
    places = min(max(-power, 0), 2 if unit == "m" else 1)
    shown = round(value_m / factor, -power if power > 0 else places)
    return f"{shown:.{places}f} {words.unit_word(unit)}"


def next_told(each: NextReadingSummary, result: Result) -> str:
    """Return one next reading in a sentence without its number."""
    reading = f"{next_kind(each)} {next_where(each, result)}"
    return f"{reading}; {next_expected(each, result.site.length_unit)}"


def next_short(each: NextReadingSummary, result: Result) -> str:
    """Return one next reading where the first has said what it is about."""
    now = each.interval_95_now_m or each.expected_interval_95_m
    to = _about(each.expected_interval_95_m, now, result.site.length_unit)
    return f"{next_kind(each)} {next_where(each, result)}: to about {to}"


def next_numbered(result: Result) -> list[str]:
    """Return the next readings, the most telling first: "1: surface reading 2.0 ft past ..."."""
    return [
        f"{k}: {next_told(each, result)}" for k, each in enumerate(result.next_readings, start=1)
    ]


def sheet_places(result: Result) -> str:
    """Return the places as readings.csv takes them."""
    listed = (f'{k} "{each.place}"' for k, each in enumerate(result.next_readings, start=1))
    return words.plain(f"places for readings.csv: {', '.join(listed)}")


def best_so_far(result: Result) -> str:
    """Return the best place so far, in one modest line: no stake hangs on it."""
    size = words.length(result.decision.hole.length_m, result.site.length_unit)
    return (
        f"best place so far, not to dig: {words.leak_station(result)}, "
        f"{words.chance(result.decision.chance_in_hole)} within {size} of pipe; "
        f"{words.elsewhere(result)}"
    )


def next_features(result: Result) -> list[Feature]:
    """Return the places to listen at as features, in their order."""
    found = [each for each in result.features if each.kind == "next_reading"]
    return sorted(found, key=lambda each: int(each.properties.get("number", 0)))


def ahead(result: Result) -> list[Feature]:
    """Return where to go next: the places to check, else those to listen at."""
    return checks.features(result) or next_features(result)


def first_place(result: Result) -> tuple[tuple[float, float], float | None] | None:
    """Return longitude and latitude of the first place of `ahead` and their accuracy in metres."""
    for each in ahead(result):
        if each.lonlat is not None:
            middle = each.lonlat.centroid
            return (middle.x, middle.y), each.properties.get("lonlat_accuracy_m")
    return None


def phone(result: Result) -> tuple[str, str]:
    """Return latitude and longitude of the first place of `ahead` and their accuracy, in words."""
    if (found := first_place(result)) is None:
        return "", ""
    lonlat, accuracy_m = found
    return words.lonlat_text(lonlat), words.accuracy_text(accuracy_m, result.site.length_unit)


def _section(head: str, rows: Iterable[str]) -> list[str]:
    """Return rows under a head, which stands before the first of them."""
    made: list[str] = []
    indent = " " * HEAD
    start = head if len(head) < HEAD else f"{head} "
    for row in rows:
        if row:
            made += _wrapped(row, indent if made else f"{start:<{HEAD}}", indent)
    return made


def _wrapped(text: str, first: str, later: str) -> list[str]:
    """Return text broken at 100 columns; figures stay beside their unit."""
    text = BEFORE_UNIT.sub("\x00", text)
    broken = textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    )
    narrow = [part for row in broken for part in _fit(row, later)]
    return [row.replace("\x00", " ").rstrip() for row in narrow]


def _fit(row: str, later: str) -> list[str]:
    """Return a row cut again where wide letters make it wider than 100 columns."""
    made = []
    while _columns(row) > WIDTH:
        cut = len(_cut(row, WIDTH))
        made.append(row[:cut])
        row = later + row[cut:]
    return [*made, row]


def _columns(text: str) -> int:
    """Return the columns of a terminal that text fills: two for a wide letter."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def _cut(text: str, room: int) -> str:
    """Return as much of the text as fits."""
    while _columns(text) > room:
        text = text[:-1]
    return text
