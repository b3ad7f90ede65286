"""Where to go next and what for: the check to make first, or the readings to take next."""

from __future__ import annotations

import math
import re

from geoleak.export import words
from geoleak.result import CheckSummary, Feature, NextReadingSummary, Result, RivalSummary
from geoleak.units import unit_m

# A rival with less chance than this is not worth a line.
WORTH_SAYING = 0.01
# An explanation more likely than not is what is believed; what is less likely is told as an if.
BELIEVED = 0.5
# A reading that narrows the search by a smaller share is not worth a word: common practice.
NARROWS = 0.1
NEVER = "a valve not on file that hisses with the leak's own flow: no ear tells it from the leak"
KIND_WORDS = {"bar_hole": "bar-hole reading"}
RIVALS = {
    "fitting": "a valve, draw-off or pump",
    "aside": "the leak on a line nobody traced, beside this one",
    "beyond": "the leak past the end of the traced line",
    "displaced": "the leak's sound coming up some way along the trench",
}
MOST_NUMBERED = 6
"""With more places to go to than this their numbers hide plan and profile: dots stand alone."""
SHEETS = {
    "stop": "checks.csv: a row of kind stop, what was turned in column fitting (a point, words "
    "or blank), at this place",
    "across": "readings.csv: these places, as they stand here",
    "trace_on": "readings.csv: the level, by a mark shot there that is made the leg's start or end "
    "in site.toml; where the pipe ends before it: ends_here in the leg's table",
    "rod": "readings.csv: kind rod, everything_off yes, at these places",
    "again": "readings.csv: these places again, everything_off yes",
}
FROM_MARK = re.compile(
    r"^(?P<mark>.+?)(?: (?P<way>up|down) (?P<step>[\d.]+))?"
    r"(?: (?P<side>left|right) (?P<aside>[\d.]+))?$"
)
"""A place of the sheets: a point, how far from it along the pipe, how far aside of the pipe."""
POINT_WORDS = {"mark": "mark", "fitting": "fitting", "feature": "fixed feature"}


def places(result: Result) -> list[Feature]:
    """Return where to go next, in order: the places to check, else those to listen at."""
    kind = "next_reading" if result.decision.check is None else "check_place"
    found = [each for each in result.features if each.kind == kind]
    return sorted(found, key=lambda each: int(each.properties.get("number", 0)))


def many(result: Result) -> bool:
    """Tell whether there are too many places to number each in a picture."""
    return len(places(result)) > MOST_NUMBERED


def first_lonlat(result: Result) -> tuple[tuple[float, float] | None, float | None]:
    """Return longitude and latitude of the first place to go to and their accuracy in metres."""
    for each in places(result):
        if each.lonlat is not None:
            middle = each.lonlat.centroid
            return (middle.x, middle.y), each.properties.get("lonlat_accuracy_m")
    return None, None


def place_words(place: str, leg: str, chainage_m: float, result: Result) -> str:
    """Return a place of the sheets as a crew finds it; a bare chainage as leg and station.

    "2.0 ft past mark 18 toward the meter".
    """
    found = FROM_MARK.match(place)
    unit = words.unit_word(result.site.length_unit)
    up = words.toward(result, leg, chainage_m, up=True)
    fitting = words.stood_at(result, leg, chainage_m)
    if "@" in place or found is None:
        said = f"at {_station(leg, chainage_m, result)}"
    elif found["way"] and fitting:
        said = f"at {fitting}"
    elif found["way"]:
        on, step_m = found["way"] == "up", float(found["step"]) * unit_m(result.site.length_unit)
        from_m = chainage_m - step_m if on else chainage_m + step_m
        way = words.toward(result, leg, chainage_m, up=on, from_m=from_m)
        said = f"{found['step']} {unit} past {_point(found['mark'], leg, result)} {way}"
    else:
        said = f"at {_point(found['mark'], leg, result)}"
    if found and found["side"]:
        said += f", {found['aside']} {unit} to the {found['side']} as one looks {up}"
    return words.plain(said)


def _station(leg: str, chainage_m: float, result: Result) -> str:
    return words.plain(f"{leg} {words.station(chainage_m, result.site.length_unit)}")


def _point(name: str, leg: str, result: Result) -> str:
    """Return a point with the word for what it is; a name on two legs comes with its leg."""
    bare = name.removeprefix(f"{leg} ")
    found = next((f for f in result.features if f.id == bare and f.kind in POINT_WORDS), None)
    word = POINT_WORDS[found.kind] if found else "mark"
    if found and found.kind == "fitting":
        word = words.fitting_word(found.properties.get("code"))
    return f"{word} {bare}" + (f" of {leg}" if bare != name else "")


# The next readings


def advised(result: Result) -> bool:
    """Tell whether a further reading is suggested: always to listen on, or where it would pay."""
    pays = (result.decision.value_of_reading or 0.0) > 0.0
    return bool(result.next_readings) and (result.stands != "dig" or pays)


def readings(result: Result) -> list[str]:
    """Return the next readings, the most telling first.

    "1: surface reading 2.0 ft past mark 18 toward the meter (main 0+40.3)".
    """
    rows = []
    for number, each in enumerate(result.next_readings, start=1):
        kind = kind_words(each.kind)
        where, at = place_of(each, result), _station(each.leg, each.chainage_m, result)
        rows.append(f"{number}: {kind} {where}" + ("" if where == f"at {at}" else f" ({at})"))
    return rows


def kind_words(kind: str) -> str:
    """Return what a reading of a kind is called: "rod reading"."""
    return KIND_WORDS.get(kind, f"{kind.replace('_', ' ')} reading")


def place_of(each: NextReadingSummary, result: Result) -> str:
    """Return the place of a reading as a crew finds it."""
    return place_words(each.place, each.leg, each.chainage_m, result)


def expected(each: NextReadingSummary, unit: str) -> str:
    """Return what one reading is expected to bring, in two figures; nothing where it is little."""
    after, now = each.expected_interval_95_m, each.interval_95_now_m
    told = "one such reading should narrow the search"
    if now is None:
        return f"{told} to about {_about(after, after, unit)}"
    before, later = _about(now, now, unit), _about(after, now, unit)
    if now - after < NARROWS * now or before == later:
        return ""
    return f"{told} from {before} of pipe to about {later}"


def _about(value_m: float, whole_m: float | None, unit: str) -> str:
    """Return a length with as many figures as two of the whole's."""
    factor = unit_m(unit)
    whole = (whole_m or value_m) / factor
    power = math.floor(math.log10(whole)) - 1 if whole > 0 else 0
    decimals = min(max(-power, 0), 2 if unit == "m" else 1)
    shown = round(value_m / factor, -power if power > 0 else decimals)
    return f"{shown:.{decimals}f} {words.unit_word(unit)}"


# The check


def check_of(result: Result) -> CheckSummary:
    """Return the check; only the verdict "check_first" has one."""
    check = result.decision.check
    if check is None:
        raise ValueError(f"verdict {result.decision.verdict} has no check")
    return check


def rival(each: RivalSummary) -> str:
    """Return one rival in words: "a valve, draw-off or pump at WV2"."""
    at = f" at {each.point}" if each.point else ""
    return words.plain(RIVALS[each.name] + at)


def rivals(result: Result) -> list[str]:
    """Return what else may explain the sound, the likeliest first, each with its chance.

    The chance that the hole is dry for it: with that in the hole, and what `believed` says, they
    add up to 100 %, the leak at another place last.
    """
    decision, said = result.decision, _believed(result)
    listed = sorted(decision.rivals, key=lambda each: -each.chance_dry)
    rest = 1.0 - decision.chance_in_hole - sum(each.chance_dry for each in listed)
    told = [(each.chance_dry, rival(each)) for each in listed if each is not said]
    told += [(rest, "the leak at another place")]
    return [f"{words.chance(odds)} {name}" for odds, name in told if odds >= WORTH_SAYING]


def off(result: Result) -> str:
    """Return the rivals that nobody reckoned with because ``[prior]`` sets them to 0."""
    told = RIVALS | {"elsewhere": "the leak on no traced line"}
    names = [told[name] for name in result.decision.rivals_off]
    return f"NOT COUNTED, set to 0 in [prior]: {'; '.join(names)}" if names else ""


def believed(result: Result) -> str:
    """Return the rival that is now believed rather than a leak in the hole, or nothing."""
    most = _believed(result)
    if most and most.name == "aside" and coarse(result):
        return "the points are too coarse to tell this line from another"
    return f"believed now, {words.chance(most.chance_dry)}: {rival(most)}" if most else ""


def coarse(result: Result) -> bool:
    """Tell whether the points are to blame first: with them no line is told from another."""
    return result.decision.doubts[:1] == ("coarse_points",)


def _believed(result: Result) -> RivalSummary | None:
    most = max(result.decision.rivals, key=lambda each: each.chance_dry, default=None)
    return most if most and most.chance_dry > BELIEVED else None


def inside_by(result: Result) -> str:
    """Return the rival that a chance in the hole rests on, where it is most of it."""
    inside = result.decision.chance_in_hole
    held = [(each.chance - each.chance_dry, rival(each)) for each in result.decision.rivals]
    most, name = max(held, default=(0.0, ""))
    return f"{words.chance(most)} with {name}" if most > 0.5 * inside else ""


def task(result: Result) -> str:
    """Return what to do, with its minutes."""
    check, unit = check_of(result), result.site.length_unit
    minutes = f"{check.minutes:.0f} min"
    if check.job:
        return words.plain(f"{check.job} ({minutes})")
    if check.kind == "stop":
        turned = f"with {check.fitting} turned" if check.fitting else "with valves near it turned"
        return words.plain(
            f"at the loudest place ({minutes}): read the level as it is, with every tap and "
            f"machine off, {turned}, with the supply shut and a tap past it run dry (with the "
            "owner's leave; never a fire line unannounced)"
        )
    if check.kind == "across":
        out = sorted({abs(each.properties["offset_m"]) for each in places(result)})
        steps = f"{', '.join(words.number(each, unit) for each in out)} {words.unit_word(unit)}"
        return f"read {steps} left and right of the hole's middle ({minutes})"
    if check.kind == "trace_on":
        leg = words.plain(places(result)[0].properties["leg"])
        return f"trace and listen past the end of {leg}, or say it ends ({minutes})"
    if check.kind == "rod":
        many, step = len(check.places), "half a metre" if unit == "m" else "2 ft"
        where = "1 place" if many == 1 else f"{many} places"
        return (
            f"with every tap and machine off push a rod down beside the pipe at {where} and read "
            f"through it ({minutes}); from a last one that is the loudest go on {step} at a time "
            "until it falls; it breaks ground: after the locate request"
        )
    return f"turn off what the stop test showed to sound and read the line once more ({minutes})"


def meaning(result: Result) -> str:
    """Return what each outcome of the check means; a job of "redo" may say so itself."""
    check = check_of(result)
    if check.then:
        return words.plain(check.then)
    turned = f"taps off or {check.fitting or 'a valve'} turned"
    return words.plain(
        {
            "stop": f"goes quiet with {turned}: not the leak. Stays, and dies with the supply: "
            "likelier the leak. Stays with the supply shut: the valve passes (a tap past it runs "
            "on: shut the next one), or it is not from this pipe",
            "across": "louder to one side: the leak lies on a line there. Loudest in the middle: "
            "likelier straight below",
            "trace_on": "louder past the end: the leak lies there. Falls off, or the pipe ends: "
            "likelier where it was",
            "rod": "loudest at another step: the sound comes up along the trench: "
            "enter it, the hole moves. "
            "Loudest in the middle: likelier straight below. Faint throughout: it was a tap "
            "or a machine, or is not on this pipe",
            "again": "what is left is the leak, or nothing is heard: then it is elsewhere",
        }.get(check.kind, "")
    )


def write_in(result: Result) -> str:
    """Return where the check or the next readings are written; "redo" names its own sheets."""
    if result.decision.check is None:
        at = (f'{k} "{each.place}"' for k, each in enumerate(result.next_readings, start=1))
        return words.plain(f"places for readings.csv: {', '.join(at)}")
    check = check_of(result)
    if check.kind not in SHEETS:
        return ""
    at = (f'"{each}"' for each in check.places)
    # Past an end of the leg no sheet takes a place.
    where = f" ({', '.join(at)})" if check.places and check.kind != "trace_on" else ""
    return words.plain(SHEETS[check.kind] + where)
