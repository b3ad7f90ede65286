"""The answer told once, in parts with a heading each; terminal, sheet and map draw the same parts.

`told` makes the parts from the result. The terminal prints every one (`lines`), as a technician
reads them to a crew over the phone; the sheet sets the first ones large (`geoleak.export.sheet`),
the map puts them over the sketch (`geoleak.export.map`).
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any, NamedTuple

from geoleak.export import ahead, words
from geoleak.result import Feature, Result

MOST_WARNINGS = 12
WIDTH, HEAD = 100, 8
"""Columns of a terminal, and of the headings in it."""


class Part(NamedTuple):
    """A heading and what is said under it, each row a line of its own."""

    head: str
    rows: tuple[str, ...]


class Told(NamedTuple):
    """The answer. Parts without rows are left out."""

    verdict: str
    """In capitals."""
    place: str
    """What stands beside the verdict: leg and station to dig at, else what not to do."""
    sure: str
    """How sure that is."""
    bar: str
    """Why nobody may dig (yet), or nothing."""
    first: tuple[Part, ...]
    """To be read at arm's length."""
    facts: tuple[Part, ...]
    """To set out, to go there, to mind."""
    rest: tuple[Part, ...]
    """Why, and what else there is to say."""
    cautions: Part

    @property
    def line(self) -> str:
        """The answer in one line."""
        if self.verdict == words.VERDICTS["dig"].head:
            return f"{self.verdict} {self.place}: {self.sure}"
        return f"{self.verdict}: {self.place}. {self.sure}"

    def rows(self, *heads: str) -> list[tuple[str, str]]:
        """Return the parts of these heads, where there are any, each on one line."""
        every = {each.head: each.rows for each in (*self.first, *self.facts, *self.rest)}
        return [(head, "; ".join(every[head])) for head in heads if head in every]


Rows = dict[str, list[str]]
"""Heading -> rows, empty ones among them."""


def told(result: Result) -> Told:
    """Return what every output says of a result."""
    about = words.VERDICTS[result.stands]
    teller = {"dig": _dig, "check_first": _check, "listen_on": _listen, "closed": _closed}
    place, sure, first, facts, rest = teller[result.stands](result)
    if result.stands != "closed":
        first["Route"] = [ASSUMED] if words.assumed(result) else []
        rest["Dug"] = dug(result)
    rest["Pipe"] = _pipe(result)
    rest["Notes"] = warnings(result)
    return Told(
        about.head,
        place,
        ". ".join(filter(None, (sure, ahead.off(result) if result.stands != "closed" else ""))),
        words.not_before(result) if result.stands == "dig" else "",
        _parts(first),
        _parts(facts),
        _parts(rest),
        Part(about.cautions, tuple(words.told(each) for each in result.cautions)),
    )


ASSUMED = "ASSUMED, not traced: the pipe itself may lie elsewhere"


def _parts(said: Rows) -> tuple[Part, ...]:
    kept = {head: tuple(row for row in rows if row) for head, rows in said.items()}
    return tuple(Part(head, rows) for head, rows in kept.items() if rows)


Answer = tuple[str, str, Rows, Rows, Rows]


def _dig(result: Result) -> Answer:
    """Return where to dig: services first, because a crew dies of them."""
    leak, decision, unit = result.leak, result.decision, result.site.length_unit
    hole, place = decision.hole, words.leak_station(result)
    size = words.length(hole.length_m, unit)
    sure = f"{words.chance(decision.chance_in_hole)} in a {size} hole ({words.elsewhere(result)})"
    first = {
        "Where": [words.near_marks(result) or place],
        "Open": [words.hole_reach(result)],
        "Depth": [words.depth(result)],
        "Stake": [words.position(result)],
    }
    rover, ground = result.site.corrections, leak.elevation_m
    height = words.length(ground, leak.position.unit, decimals=2)
    more = (
        f"ground at {height}" if ground is not None else "",
        rover and f"rover corrected by {rover}",
    )
    facts = {
        "Services": words.services(result) or ["none are stated: that is no proof of none"],
        "Set out": [
            f"{result.site.grid_name}; sets out within {words.ellipse(result)}",
            _check_point(result),
            words.plain("; ".join(filter(None, more))),
        ],
        "Phone": [words.phone(leak.lonlat, leak.lonlat_accuracy_m, unit)],
        "Likely": [_likely(result), _by_length(result)],
        "Rests on": [_assumes(result)],
        "Side": [_side(result)],
    }
    # Readings that would pay beside a hole that may be dug.
    pay = ahead.readings(result) if ahead.advised(result) else []
    rest = {
        "Ties": _ties(result) or ["no usable fixed feature: set out by the rover alone"],
        "Why": _why(result),
        "Next": [*pay, *(ahead.expected(each, unit) for each in result.next_readings[: bool(pay)])],
        "If dry": [
            f"{words.pieces(each.pieces, unit, leg=leak.leg)} ({words.chance(each.chance)} then)"
            for each in decision.then
            if each.pieces
        ],
        "Hole": [f"{words.length(hole.width_m, unit)} wide", *map(words.told, hole.notes)],
    }
    return place, sure, first, facts, rest


def _check(result: Result) -> Answer:
    """Return what the sound may be beside the leak, and the check that tells: nothing to dig by."""
    decision, unit = result.decision, result.site.length_unit
    sure = ahead.believed(result)
    if not sure:
        inside = words.chance(decision.chance_in_hole)
        sure = f"{inside} in a {words.length(decision.hole.length_m, unit)} hole"
        if decision.chance_if_heard is not None:
            heard = words.chance(decision.chance_if_heard)
            by = ahead.inside_by(result)
            sure += f" ({by})" if by else ""
            sure += f"; {heard} only once it is sure that what you hear is the leak, straight below"
    place = words.leak_station(result)
    likely = max(decision.chance_in_hole, decision.chance_if_heard or 0.0)
    if not ahead.believed(result) and likely < ahead.BELIEVED:
        place = f"no place is known yet; the best so far is {place}"
    check = ahead.check_of(result)
    passed = f"if it passes: {words.chance(check.chance_if_passed)} in the hole"
    spots = [each.properties for each in ahead.places(result)]
    facts = {
        "Places": [
            f"{at['number']}: "
            + ahead.place_words(at["place"], at["leg"], at["chainage_m"], result)
            for at in spots
        ],
        "Then": [
            ahead.meaning(result),
            "" if check.job or check.kind == "again" else passed,
        ],
        "Or else": ahead.rivals(result),
        "Never": [f"told apart: {ahead.NEVER}" if check.kind == "stop" else ""],
        "Write": [ahead.write_in(result)],
        **_go(result, "check_place"),
    }
    first = {"Do": [ahead.task(result)]}
    return DO_NOT, f"The check comes first. {place}: {sure}", first, facts, _undecided(result)


DO_NOT = "do not dig yet"


def _listen(result: Result) -> Answer:
    """Return where to listen next, the most telling first, and the best place so far."""
    sure = "No reading left would tell more."
    facts: Rows = {}
    if result.next_readings:
        brings = ahead.expected(result.next_readings[0], result.site.length_unit)
        sure = "Listen next, the most telling first" + (f": {brings}" if brings else "")
        facts = {"Write": [ahead.write_in(result)], **_go(result, "next_reading")}
    return DO_NOT, sure, {"Listen": ahead.readings(result)}, facts, _undecided(result)


def _undecided(result: Result) -> Rows:
    """Return why nobody is to dig yet, and the best place so far: no stake hangs on it."""
    decision = result.decision
    size = words.length(decision.hole.length_m, result.site.length_unit)
    inside = f"{words.chance(decision.chance_in_hole)} within {size} of pipe"
    best = f"best place so far, not to dig: {words.leak_station(result)}"
    off = "" if ahead.coarse(result) else words.elsewhere(result)
    so_far = "; ".join(filter(None, (f"{best}, {ahead.believed(result) or inside}", off)))
    return {
        "Why": _why(result), "So far": [so_far, _likely(result)], "Side": [_side(result)]
    }  # fmt: skip


def _closed(result: Result) -> Answer:
    """Return what was found: the stake is no longer something to dig by."""
    found = [each.properties for each in result.features if each.kind == "found"]
    place, *more = _found(found[0], result)
    more = [more[0], "; ".join(more[1:])] if found[0].get("leg") else ["; ".join(more)]
    sure = "No meter run proves the repair yet."
    if found[0].get("repaired") == "yes":
        sure = "After the repair the meter stands still: proven."
    return place, sure, {"Found": more}, {}, {"Dug": dug(result)[1:]}


def _go(result: Result, kind: str) -> Rows:
    """Return how rover and phone find the places to go to."""
    names, unit = words.points(result, kind), result.site.length_unit
    told = names and f"points {names} of stakes.csv, nothing to dig by"
    at = words.phone(*ahead.first_lonlat(result), unit)
    return {"Rover": [told, _check_point(result)], "Phone": [at and f"{at} (place 1)"]}


def _check_point(result: Result) -> str:
    """Return what the rover does at the first check point, where one says so."""
    checked = (each.text for each in result.stakes if each.kind == "check_point")
    return words.told(next(checked, ""))


def _likely(result: Result) -> str:
    held, within = result.leak.probability_interval, words.likely(result)
    if held >= ahead.BELIEVED:  # else what an interval is of is an if
        return f"95 % of the chance lies within {within}"
    return f"if it is what is heard, on this line ({words.chance(held)}): 95 % within {within}"


def _side(result: Result) -> str:
    """Return whose side of the boundary the leak is on, where one is given."""
    odds = {name: chance for name, chance in result.leak.side.items() if chance > 0}
    return ", ".join(f"{words.plain(name)} {words.chance(each)}" for name, each in odds.items())


def _assumes(result: Result) -> str:
    """Return what the promise rests on, and the chance in the longest hole reckoned with."""
    decision, unit = result.decision, result.site.length_unit
    if decision.chance_if_heard is None:
        return ""
    text = (
        f"{words.chance(decision.chance_if_heard)} if the sound comes up straight above the leak "
        "and the traced line is the right one"
    )
    if not decision.chance_by_length:
        return text
    longest, inside = decision.chance_by_length[-1]
    return f"{text}; all counted, {words.chance(inside)} in a {words.length(longest, unit)} hole"


def _by_length(result: Result) -> str:
    """Return the chance against the length of the hole, no longer one that adds nothing."""
    shortest: dict[str, str] = {}
    for size, odds in result.decision.chance_by_length:
        shortest.setdefault(words.chance(odds), words.length(size, result.site.length_unit))
    listed = ", ".join(f"{size}: {odds}" for odds, size in shortest.items())
    return listed and f"by length of the hole: {listed}"


def _why(result: Result) -> list[str]:
    """Return the reasons; to dig, also the straight run of marks that the stake stands on."""
    rows, near = [words.told(each) for each in result.decision.reasons], result.near
    if near is None or result.stands != "dig":
        return rows
    if near.straight_from and near.straight_to and near.straight_from != near.straight_to:
        span = f"marks {near.straight_from} to {near.straight_to}"
        rows.append(words.plain(f"the stake stands on the straight run of {span}"))
    return rows


def _ties(result: Result) -> list[str]:
    """Return the tapes, level to the stake, and what is said about them."""
    rows = []
    for each in result.ties:
        named = f" ({words.plain(each.note)})" if each.note.strip() else ""
        slope = f", {words.plain(each.slope)}" if each.slope else ""
        tape = words.length(each.distance_m, result.site.length_unit, decimals=2)
        rows.append(f"{tape} from {words.plain(each.feature)}{named}{slope}")
    return rows + [words.told(each) for each in result.ties_text]


def _pipe(result: Result) -> list[str]:
    """Return the pipe of the leak's leg, and the grid that the rover works in."""
    site, rows = result.site, []
    for leg in result.legs:
        if leg.name == result.leak.leg:
            size = "diameter not stated"
            if leg.outside_diameter_m:
                size = f"{words.diameter(leg.outside_diameter_m, site.length_unit)} outside"
            traced = {"signal": "traced by signal", "sonde": "traced by sonde", "probe": "probed"}
            material = (leg.material or "material not stated").replace("_", " ")
            rows.append(f"{material}, {size}; {traced.get(leg.marks_by, 'route assumed')}")
    factor, turned = site.combined_factor, site.convergence_deg
    grid = f"combined factor {factor:.7f}, convergence {turned:+.4f}°"
    local = "grid is ground: no factor, no convergence, no longitude and latitude"
    return [*rows, local if site.local else grid]


def dug(result: Result) -> list[str]:
    """Return what was dug so far: each leak found, held against the stake, and each hole."""
    return [
        words.told(
            "; ".join(_found(each.properties, result))
            if each.kind == "found"
            else _hole(each, result)
        )
        for each in sorted(result.features, key=lambda each: each.kind != "found")
        if each.kind in ("found", "dug")
    ]


def _found(about: Mapping[str, Any], result: Result) -> list[str]:
    """Return where a leak was found, how far from the stake that is, and what it was."""
    unit, leg = result.site.length_unit, about.get("leg")
    said, against = "leak found on no traced line", []
    if leg is not None:
        at_m, along_m, aside_m = about["chainage_m"], about.get("along_m"), about["offset_m"]
        said = f"leak found at {leg} {words.station(at_m, unit)}"
        if along_m is not None:
            way = words.toward(result, leg, result.leak.chainage_m, up=along_m >= 0)
            against.append(f"{words.length(abs(along_m), unit)} from the stake {way}")
        up, side = words.toward(result, leg, at_m, up=True), "right" if aside_m > 0 else "left"
        aside = words.length(abs(aside_m), unit)
        against.append(f"{aside} to the {side} of the line as one looks {up}")
    deep = about.get("depth_m")
    more = (deep and f"{words.length(deep, unit)} down", about.get("cause"), about.get("date"))
    return [words.plain(each) for each in (said, ", ".join(against), *more) if each]


def _hole(each: Feature, result: Result) -> str:
    about, unit = each.properties, result.site.length_unit
    stations = (words.station(about[key], unit) for key in ("from_m", "to_m"))
    bare = {"yes": ", pipe laid bare", "no": ", pipe not seen: deepen it"}
    showed = f"{about.get('outcome', 'opened')}{bare.get(about.get('exposed', ''), '')}"
    return f"hole on {about['leg']} {' to '.join(stations)}: {showed}"


def warnings(result: Result) -> list[str]:
    """Return the warnings with the place in the file that raised them."""
    rows = []
    for each in result.warnings[:MOST_WARNINGS]:
        where = each.origin
        place = words.plain(f"{where.file}:{where.line}" if where.line else where.file)
        rows.append((f"{place}: " if where.file else "") + words.told(each.text))
    more = len(result.warnings) - MOST_WARNINGS
    return [*rows, f"and {more} more in result.json"] if more > 0 else rows


def lines(result: Result, *, width: int = WIDTH) -> list[str]:
    """Return what `locate` prints; on a narrow page the run stands below the site.

    Parameters
    ----------
    result : Result
    width : int
        Columns that no line is wider than.

    Returns
    -------
    list of str
        Plain text, figures in the site's length unit, rounded to what is known.
    """
    said, run, indent = told(result), words.run(result), " " * HEAD
    beside, wrapped = len(run) + 2 if width >= WIDTH else 0, partial(_wrapped, width=width)
    title = _cut(words.plain(result.site.title), width - beside)
    wide = title + " " * (width - _columns(title) - len(run)) + run
    made = [wide] if beside else [title, run]
    made += [*wrapped(said.line, "", indent), *wrapped(said.bar, "", indent)]
    for head, rows in (*said.first, *said.facts, *said.rest):
        first = f"{head.lower():<{HEAD - 1}} "
        for row in rows:
            made += wrapped(row, first, indent)
            first = indent
    head, cautions = said.cautions
    made += ["", f"{head}:"] if cautions else []
    return made + [line for each in cautions for line in wrapped(each, "  - ", "    ")]


def _wrapped(text: str, first: str, later: str, *, width: int) -> Iterable[str]:
    """Yield text broken at some columns; figures stay beside their unit."""
    text = words.BEFORE_UNIT.sub("\x00", text)
    for row in textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    ):
        # Where wide letters make it wider than it is long it is cut again.
        while _columns(row) > width:
            cut = len(_cut(row, width))
            yield row[:cut].replace("\x00", " ").rstrip()
            row = later + row[cut:]
        yield row.replace("\x00", " ").rstrip()


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
