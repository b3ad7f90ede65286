"""Figures in the words that every printed output shares: lengths in the site's unit, chances.

Nothing here is computed but the change of unit and the rounding: never more digits than known.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from geoleak.readers import DEPTH_DOUBTS, MOST_DEPTHS_M, depths_in_other_units
from geoleak.units import format_length, format_station, unit_m

if TYPE_CHECKING:
    from geoleak.result import Feature, NamedPiece, Result

ENTITIES = {ord(each): f"&#{ord(each)};" for each in "&<>\"'`\\${}"}
"""What could end or start markup, script or a template in a page, as numeric entities."""
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def unit_word(unit: str) -> str:
    """Return the word for a length in prose: both feet are "ft" there, coordinates say which."""
    return "m" if unit == "m" else "ft"


def length(value_m: float | None, unit: str, *, decimals: int | None = None) -> str:
    """Return a length as a person reads it, "2.2 ft" or "0.67 m"; "not known" for None."""
    if value_m is None or not math.isfinite(value_m):
        return "not known"
    return format_length(value_m, unit=unit, decimals=decimals)


def number(value_m: float, unit: str, *, decimals: int | None = None) -> str:
    """Return the figure of a length without its unit: tenths of a foot, hundredths of a metre."""
    return format_length(value_m, unit=unit, decimals=decimals).partition(" ")[0]


def chance(value: float) -> str:
    """Return a chance in whole percent; never 0 % or 100 % for what is only nearly so."""
    if not math.isfinite(value):
        return "not known"
    if 0 < value < 0.01:
        return "under 1 %"
    if 0.99 < value < 1:
        return "over 99 %"
    return f"{value * 100:.0f} %"


class VerdictWords(NamedTuple):
    """What outputs say with a verdict: in capitals, over the cautions, at the foot."""

    head: str
    cautions: str
    advice: str


VERDICTS = {
    "dig": VerdictWords("DIG", "Before digging", "A stake is advice"),
    "check_first": VerdictWords("CHECK FIRST", "While checking", "Where to check is advice"),
    "listen_on": VerdictWords("LISTEN ON", "While listening", "Where to listen is advice"),
    "closed": VerdictWords("CLOSED", "While a hole is open", "What was found is the crew's record"),
}
"""Where a job is closed out nothing else of its verdict is told."""


def verdict(result: Result) -> str:
    """Return the verdict in capitals."""
    return VERDICTS[result.stands].head


def position(result: Result) -> str:
    """Return the stake's grid coordinates and their unit, northing first as rover files do."""
    where = result.leak.position
    places = 3 if where.unit == "m" else 2
    return f"N {where.northing:.{places}f} E {where.easting:.{places}f} {where.unit}"


def ellipse(result: Result) -> str:
    """Return how near the stake sets out, rounded up so that it is never too good."""
    unit = result.site.length_unit
    places = 2 if unit == "m" else 1
    value = result.leak.setting_out_ellipse_95.semi_major_m / unit_m(unit)
    value = math.ceil(value * 10**places - 1e-9) / 10**places
    return f"{value:.{places}f} {unit_word(unit)}"


def phone(lonlat: tuple[float, float] | None, accuracy_m: float | None, unit: str) -> str:
    """Return a place as a phone takes it, latitude first; six decimals are 0.1 m.

    Nothing where there is no longitude and latitude.
    """
    if lonlat is None:
        return ""
    return f"{lonlat[1]:.6f} {lonlat[0]:.6f}, {accuracy(accuracy_m, unit)}"


def accuracy(accuracy_m: float | None, unit: str) -> str:
    """Return the accuracy of longitude and latitude rounded up, or that it is not known."""
    if accuracy_m is None:
        return "accuracy not known"
    value = accuracy_m / unit_m(unit)
    shown = f"{math.ceil(value - 1e-9)}" if value >= 1.95 else f"{math.ceil(value * 10) / 10:.1f}"
    return f"within {shown} {unit_word(unit)} at best"


FITTING_WORDS = {
    "meter": ("MTR", "METER", "WMTR", "WM"),
    "house valve": ("HV",),
    "hydrant": ("HYD", "FH"),
    "hose bib": ("HB", "HOSEBIB"),
    "valve": ("WV", "GV", "SV", "VALVE"),
}
"""What a crew calls a fitting, by the start of its code; common practice, no source."""
TOGETHER_M = 1.0
"""Fittings this near to each other along the pipe stand together: the far one names the way."""
AT_M = 0.1
"""A place this near to a fitting along the pipe is the fitting's own; common practice."""
# Half the width of a stake (common practice, no source): nearer to a mark it stands on it.
ON_MARK_M = 0.025


def fitting_word(code: object) -> str:
    """Return what a crew calls a fitting of this code, "fitting" where no word is known."""
    start = str(code or "").upper().rstrip("0123456789")
    return next((word for word, codes in FITTING_WORDS.items() if start in codes), "fitting")


def point_name(feature: Feature) -> str:
    """Return a shot point as a crew looks for it: "hydrant H1", "303" for what has no word."""
    word = fitting_word(feature.properties.get("code")) if feature.kind == "fitting" else ""
    return plain(feature.id if word in ("", "fitting") else f"{word} {feature.id}")


def toward(
    result: Result, leg: str, chainage_m: float, *, up: bool, from_m: float | None = None
) -> str:
    """Return a direction along the pipe by what one sees: "toward the meter", "toward mark 112".

    The nearest fitting on that side of the place; where none stands there the next mark; where
    nothing does, what stands on the way there from ``from_m``, where one walks from (the place
    itself unless given); where nothing does either, away from what stands on the other side.
    """
    start_m = chainage_m if from_m is None else from_m
    seen = _ahead(result, leg, chainage_m, up=up) or _ahead(result, leg, start_m, up=up)
    if seen:
        return f"toward {seen}"
    behind = _ahead(result, leg, start_m, up=not up)
    if behind:
        return f"away from {behind}"
    return plain(f"toward the {'far end' if up else 'start'} of {leg}")


def _ahead(result: Result, leg: str, chainage_m: float, *, up: bool) -> str:
    """Return the name of what stands on one side of a place, as `toward` has it, or nothing.

    A kind of fitting that the site has once goes by its word alone.
    """
    side = 1.0 if up else -1.0
    for kind in ("fitting", "mark"):
        every = ((side * (at_m - chainage_m), name) for at_m, name in _along(result, leg, kind))
        found = sorted(each for each in every if each[0] > AT_M)
        if found and kind == "mark":
            return plain(f"mark {found[0][1]}")
        if found:
            return seen_as(result, max(e for e in found if e[0] - found[0][0] <= TOGETHER_M)[1])
    return ""


def _along(result: Result, leg: str, kind: str) -> list[tuple[float, str]]:
    """Return where the points of a kind stand along a leg, and their names."""
    at = ((each.properties, each.id) for each in result.features if each.kind == kind)
    on = ((told["chainage_m"], name) for told, name in at
          if told.get("leg") == leg and told.get("chainage_m") is not None)  # fmt: skip
    return [(float(at_m), name) for at_m, name in on]


def seen_as(result: Result, name: str) -> str:
    """Return a fitting as a crew calls it: "the meter", "hydrant H1" where there are more."""
    kinds = {e.id: fitting_word(e.properties.get("code")) for e in result.features
             if e.kind == "fitting"}  # fmt: skip
    word = kinds[name]
    alone = word != "fitting" and list(kinds.values()).count(word) == 1
    return f"the {word}" if alone else plain(f"{word} {name}")


def stood_at(result: Result, leg: str, chainage_m: float) -> str:
    """Return the fitting of a leg that a place is at, as `seen_as` has it, or nothing."""
    near = [(abs(at_m - chainage_m), name) for at_m, name in _along(result, leg, "fitting")]
    return seen_as(result, min(near)[1]) if near and min(near)[0] <= AT_M else ""


def near_marks(result: Result) -> str:
    """Return the stake told from the paint: "1.9 ft past mark 108 toward the meter (mark 109)"."""
    near = result.near
    if near is None:
        return ""
    past, leak = length(abs(near.past_m), result.site.length_unit), result.leak
    if abs(near.past_m) < ON_MARK_M:
        return plain(f"at mark {near.mark}")
    at_m, up = leak.chainage_m, near.past_m >= 0
    way = toward(result, leak.leg, at_m, up=up, from_m=at_m - near.past_m)
    if near.past_m < 0 and not near.next_mark:
        return plain(f"{past} from mark {near.mark}, the first, {way}")
    text = f"{past} past mark {near.mark} {way}"
    said = way.endswith(f"mark {near.next_mark}") or not near.next_mark
    return plain(text if said else f"{text} (mark {near.next_mark})")


def hole_reach(result: Result) -> str:
    """Return how far to open from the stake, and toward what."""
    hole, leak, unit = result.decision.hole, result.leak, result.site.length_unit
    back, forth = number(hole.before_stake_m, unit), number(hole.past_stake_m, unit)
    down = toward(result, leak.leg, leak.chainage_m, up=False)
    up = toward(result, leak.leg, leak.chainage_m, up=True)
    if float(back) > 0 and float(forth) > 0:
        shown = (length(hole.before_stake_m, unit), length(hole.past_stake_m, unit))
        return f"{shown[0]} from the stake {down} and {shown[1]} {up}{_into_branches(result)}"
    way, near_m, far_m = up, -hole.before_stake_m, hole.past_stake_m
    if float(forth) <= 0:
        way, near_m, far_m = down, -hole.past_stake_m, hole.before_stake_m
    start = f"{length(near_m, unit)} to " if float(number(near_m, unit)) > 0 else ""
    return f"{start}{length(far_m, unit)} from the stake {way}{_into_branches(result)}"


def _into_branches(result: Result) -> str:
    """Return how far a hole that follows a tee runs into each other leg."""
    rest = [each for each in result.decision.hole.pieces if each[0] != result.leak.leg]
    unit = result.site.length_unit
    return "".join(f", and {length(b - a, unit)} into {plain(leg)}" for leg, a, b in rest)


def depth(result: Result) -> str:
    """Return the depth to the top of the pipe with its give or take, or that it is not known."""
    leak, unit = result.leak, result.site.length_unit
    if leak.depth_m is None:
        return "not known: find the pipe by hand before a machine digs"
    text = f"{length(leak.depth_m, unit)} down"
    doubted = next((each.code for each in result.warnings if each.code in DEPTH_DOUBTS), "")
    if doubted:
        other = _or_depths(result) if doubted == "depth_bare" else ""
        return text + (other or f"; depth not sure: {DEPTH_DOUBTS[doubted]}")
    if leak.depth_sigma_m is None:
        return text
    return f"{text}, give or take {spread(leak.depth_sigma_m, unit)}"


UNIT_NAMES = {"ft": "feet", "in": "inches", "m": "metres", "cm": "centimetres"}


def _or_depths(result: Result) -> str:
    """Return what a depth that no pipe has would be, were the figures in another unit."""
    depth_m, unit = result.leak.depth_m or 0.0, result.site.length_unit
    if MOST_DEPTHS_M[0] <= depth_m <= MOST_DEPTHS_M[1]:
        return ""
    would = depths_in_other_units(depth_m / unit_m(unit), unit)
    said = "".join(
        f", or {length(size_m, unit)} if the depths are in {UNIT_NAMES[each]}"
        for each, size_m in would.items()
    )
    return said and f"{said}: ask before you open"


def spread(sigma_m: float, unit: str) -> str:
    """Return a standard deviation as a figure, never 0: one that rounds to it is the smallest."""
    smallest_m = 0.01 if unit == "m" else 0.1 * unit_m(unit)
    return number(max(sigma_m, smallest_m), unit)


def elsewhere(result: Result) -> str:
    """Return the chance that no hole on the traced lines finds the leak."""
    return f"{chance(result.leak.probability_elsewhere)} that the leak is not on any traced line"


def run(result: Result) -> str:
    """Return which run this is, with its date."""
    return f"run {result.run.id}, {result.run.date or 'date not stated'}"


def diameter(value_m: float, unit: str) -> str:
    """Return a pipe's diameter: inches where the site is in feet, else millimetres."""
    return f"{value_m * 1000:.0f} mm" if unit == "m" else f"{value_m / 0.0254:.3g} in"


def station(chainage_m: float, unit: str) -> str:
    """Return a station to a tenth of a foot or a centimetre: as near as a leak is known."""
    text = format_station(chainage_m, unit=unit)
    return _STATION.sub(_short_station, text)


def leak_station(result: Result) -> str:
    """Return leg and station of the stake, or of the best place so far: "yard 0+41.3"."""
    return plain(f"{result.leak.leg} {station(result.leak.chainage_m, result.site.length_unit)}")


def pieces(stretches: Iterable[NamedPiece], unit: str, *, leg: str = "", most: int = 4) -> str:
    """Return stretches of pipe as stations; legs are named unless all lie on `leg`."""
    listed = list(stretches)
    alone = all(name == leg for name, _, _ in listed)
    shown = [
        ("" if alone else f"{name} ") + f"{station(start, unit)} to {station(end, unit)}"
        for name, start, end in listed[:most]
    ]
    more = len(listed) - most
    if more > 0:
        shown.append(f"{more} more stretches" if more > 1 else "one more stretch")
    return "; ".join(shown)


def likely(result: Result) -> str:
    """Return where 95 % of the chance on the pipe lies: "0+36.6 to 0+48.9"."""
    leak = result.leak
    return plain(pieces(leak.interval_95, result.site.length_unit, leg=leak.leg))


def assumed(result: Result) -> bool:
    """Tell whether nobody traced the leg of the stake."""
    return any(each.assumed for each in result.legs if each.name == result.leak.leg)


def points(result: Result, kind: str) -> str:
    """Return the names of the points of a kind in stakes.csv: "501, 502"."""
    return plain(", ".join(each.id for each in result.stakes if each.kind == kind))


def services(result: Result) -> list[str]:
    """Return what is known of the other services: near the hole, clear of it, or nothing."""
    leg, at_m = result.leak.leg, result.leak.chainage_m
    rows = []
    for each in result.services:
        past = each.from_stake_m >= 0
        way = f"from the stake {toward(result, leg, at_m, up=past)}"
        rows.append(told(each.text).replace(f"{'past' if past else 'before'} the stake", way, 1))
    if result.services_clear:
        names = plain(", ".join(result.services_clear))
        rows.append(f"{names}: drawn, but nowhere near here")
    return rows


def not_before(result: Result) -> str:
    """Return why nobody is to dig here (yet), "NOT BEFORE ...", or nothing."""
    at = [each.properties for each in result.features if each.kind == "found"]
    found = any(
        each.get("leg") == leg and low <= each["chainage_m"] <= high
        for each in at
        for leg, low, high in result.decision.hole.pieces
    )
    text = plain(result.not_before or "")
    if text:
        stated = text.lower().startswith("not before")
        text = "NOT BEFORE" + (text[len("not before") :] if stated else f": {text}")
    crossing = ", ".join(each.name.upper() for each in result.services if each.in_hole)
    told = (
        "LEAK FOUND in this hole, and the meter still turns" if found else "",
        f"{plain(crossing)} IN THIS HOLE: lay it bare by hand or vacuum first" if crossing else "",
        text,
    )
    return ". ".join(each for each in told if each)


def plain(text: object) -> str:
    """Return text on one line without control characters: no file can move a cursor."""
    line = str(text)
    if not line.isprintable():
        line = "".join(c if c.isprintable() else " " for c in line)
    return " ".join(line.split())


BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|ft|m|dB|in|mm)(?!\w))|(?<=\b[NE]) (?=\d)")
"""A blank that no line is broken at: before a unit, and after the name of a coordinate."""
_PERCENT = re.compile(r"(?<=\d)%")
_STATION = re.compile(r"(?<![\d+.])(\d+)\+(\d{2,3})\.(\d+)(?![\d+])")


def told(text: object) -> str:
    """Return a sentence of the result in the form that outputs share: "2 %", station 0+36.6.

    Reasons come with stations as long as files have them; nobody reads out a leak's to an inch.
    """
    return _STATION.sub(_short_station, _PERCENT.sub(" %", plain(text)))


def _short_station(found: re.Match[str]) -> str:
    """Return a station with a tenth of a foot or a centimetre; 0+99.97 is 1+00.0."""
    whole, units, rest = found.groups()
    places, size = (2, 1000) if len(units) == 3 else (1, 100)
    if len(rest) <= places:
        return found[0]
    over, left = divmod(round(float(f"{units}.{rest}"), places), size)
    return f"{int(whole) + int(over)}+{left:0{len(units) + 1 + places}.{places}f}"


HIDDEN = ("feature", "label", "name", "reading_kind", "number", "verdict")


def property_rows(feature: Feature, result: Result) -> list[tuple[str, str]]:
    """Return a feature's properties in words, lengths in the site's unit."""
    return [
        (_label(key), _shown(key, value, result.site.length_unit))
        for key, value in feature.properties.items()
        if value not in (None, "") and key not in HIDDEN
    ]


LABELS = {
    "chainage_m": "Station",
    "from_m": "From",
    "to_m": "To",
    "elevation_m": "Ground",
    "depth_m": "Depth",
    "level_db": "Level",
    "sigma_m": "Shot within (1 sigma)",
    "marks_by": "Traced by",
    "probability": "Chance that the leak is on it",
    "length_m": "Length",
    "pipe_length_m": "Pipe along the slope",
    "bearing_deg": "Bearing from grid north",
    "along_m": "Past the stake, up the line",
    "exposed": "Pipe laid bare",
}


def _label(key: str) -> str:
    if key in LABELS:
        return LABELS[key]
    for tail in ("_m", "_db", "_deg"):
        key = key.removesuffix(tail)
    return key.replace("_", " ").capitalize()


def _shown(key: str, value: object, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, (int, float)):
        return str(value)
    if key in ("chainage_m", "from_m", "to_m"):
        return station(value, unit)
    if key == "offset_m":
        side = "R" if value > 0 else "L"
        return f"{length(abs(value), unit)} {side}" if value else "on the line"
    if key == "outside_diameter_m":
        return diameter(value, unit)
    if key == "sigma_m":
        return length(value, unit, decimals=3 if unit == "m" else 2)
    if key in ("chance", "probability"):
        return chance(value)
    if key.endswith("_m"):
        return length(value, unit)
    if key.endswith("_db"):
        return f"{value:.1f} dB"
    if key.endswith("_deg"):
        return f"{value:.0f}°"
    return f"{value} %" if key == "percent" else f"{value:g}"


def markup_safe(text: object) -> str:
    r"""Return text that stays text in a page, a script's string and a template.

    & < > " ' ` \ $ { } become numeric entities and control characters blanks.
    """
    shown = "".join(c if c.isprintable() else " " for c in str(text))
    return shown.translate(ENTITIES)


def formula_safe(text: object) -> str:
    """Return one field of a delimited file that no spreadsheet runs and no reader splits on."""
    shown = plain("".join(" " if c in ',;"\t' else c for c in str(text)))
    return f"'{shown}" if shown.startswith(FORMULA_STARTS) else shown
