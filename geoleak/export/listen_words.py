"""Where to listen next, in the words that print, map and sheet share."""

from __future__ import annotations

import math
import re

from geoleak.export import words
from geoleak.result import Feature, NextReadingSummary, Result
from geoleak.units import unit_m

KIND_WORDS = {
    "surface": "surface reading",
    "contact": "contact reading",
    "gas": "gas reading",
    "bar_hole": "bar-hole reading",
}
FROM_MARK = re.compile(r"^(?P<mark>.+) (?P<way>up|down) (?P<step>\d+(?:\.\d+)?)$")
POINT_WORDS = {"mark": "mark", "fitting": "fitting", "feature": "fixed feature"}


def advised(result: Result) -> bool:
    """Tell whether a further reading is suggested: always to listen on, or where it would pay."""
    pays = (result.decision.value_of_reading or 0.0) > 0.0
    return bool(result.next_readings) and (result.decision.verdict != "dig" or pays)


def kind(each: NextReadingSummary) -> str:
    """Return what is to be taken: "surface reading"."""
    return KIND_WORDS.get(each.kind, f"{each.kind.replace('_', ' ')} reading")


def place(each: NextReadingSummary, result: Result) -> str:
    """Return the place as a crew finds it: "2.0 ft past mark 18", or its station."""
    found = FROM_MARK.match(each.place)
    if found:
        word = "past" if found["way"] == "up" else "before"
        unit = words.unit_word(result.site.length_unit)
        return words.plain(f"{found['step']} {unit} {word} {_point(found['mark'], each, result)}")
    if "@" in each.place:
        return station(each, result)
    return words.plain(f"at {_point(each.place, each, result)}")


def _point(name: str, each: NextReadingSummary, result: Result) -> str:
    """Return a point with the word for what it is; a name on two legs comes with its leg."""
    bare = name.removeprefix(f"{each.leg} ")
    kinds = [f.kind for f in result.features if f.id == bare and f.kind in POINT_WORDS]
    word = POINT_WORDS[kinds[0]] if kinds else "mark"
    return f"{word} {bare}" + (f" of {each.leg}" if bare != name else "")


def station(each: NextReadingSummary, result: Result) -> str:
    """Return leg and station: "main 0+40.3"."""
    return words.plain(f"{each.leg} {words.station(each.chainage_m, result.site.length_unit)}")


def where(each: NextReadingSummary, result: Result) -> str:
    """Return place and station: "2.0 ft past mark 18 (main 0+40.3)"."""
    told, at = place(each, result), station(each, result)
    return told if told == at else f"{told} ({at})"


def expected(each: NextReadingSummary, unit: str) -> str:
    """Return what a reading is expected to bring, in two figures: more are not known."""
    after, now = each.expected_interval_95_m, each.interval_95_now_m
    if now is None:
        return f"the 95 % stretch should shrink to about {_about(after, after, unit)}"
    before, later = _about(now, now, unit), _about(after, now, unit)
    if after >= now or before == later:
        return f"the 95 % stretch of {before} should shrink little"
    return f"the 95 % stretch should shrink from {before} to about {later}"


def _about(value_m: float, whole_m: float, unit: str) -> str:
    """Return a length with as many figures as two of the whole's."""
    factor = unit_m(unit)
    whole = whole_m / factor
    power = math.floor(math.log10(whole)) - 1 if whole > 0 else 0
    places = min(max(-power, 0), 2 if unit == "m" else 1)
    shown = round(value_m / factor, -power if power > 0 else places)
    return f"{shown:.{places}f} {words.unit_word(unit)}"


def told(each: NextReadingSummary, result: Result) -> str:
    """Return one next reading in a sentence without its number."""
    reading = f"{kind(each)} {where(each, result)}"
    return f"{reading}; {expected(each, result.site.length_unit)}"


def short(each: NextReadingSummary, result: Result) -> str:
    """Return one next reading where the first has said what it is about."""
    now = each.interval_95_now_m or each.expected_interval_95_m
    to = _about(each.expected_interval_95_m, now, result.site.length_unit)
    return f"{kind(each)} {where(each, result)}: to about {to}"


def numbered(result: Result) -> list[str]:
    """Return the next readings, the most telling first: "1: surface reading 2.0 ft past ..."."""
    return [f"{k}: {told(each, result)}" for k, each in enumerate(result.next_readings, start=1)]


def sheet_places(result: Result) -> str:
    """Return the places as readings.csv takes them."""
    listed = (f'{k} "{each.place}"' for k, each in enumerate(result.next_readings, start=1))
    return words.plain(f"places for readings.csv: {', '.join(listed)}")


def best_so_far(result: Result) -> str:
    """Return the best place so far, in one modest line: no stake hangs on it."""
    unit, leak, decision = result.site.length_unit, result.leak, result.decision
    at = words.plain(f"{leak.leg} {words.station(leak.chainage_m, unit)}")
    size = words.length(decision.hole.length_m, unit)
    return (
        f"best place so far, not to dig: {at}, {words.chance(decision.chance_in_hole)} within "
        f"{size} of pipe; {words.chance(leak.probability_elsewhere)} that the leak is on no traced "
        "leg"
    )


def features(result: Result) -> list[Feature]:
    """Return the places to listen at as features, in their order."""
    found = [each for each in result.features if each.kind == "next_reading"]
    return sorted(found, key=lambda each: int(each.properties.get("number", 0)))


def phone(result: Result) -> tuple[str, str]:
    """Return latitude and longitude of the first next reading and their accuracy, or nothing."""
    first = next((each for each in features(result) if each.lonlat is not None), None)
    if first is None or first.lonlat is None:
        return "", ""
    at = first.lonlat
    accuracy = first.properties.get("lonlat_accuracy_m")
    return words.lonlat_text((at.x, at.y)), words.accuracy_text(accuracy, result.site.length_unit)
