"""What stands around the map: the answer, where it is, the key, the profile, the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geoleak.export import checks, level_scales, spoken, words
from geoleak.export.drawing import to_svg
from geoleak.export.map_layers import Drawn, check_place
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture
from geoleak.result import Result

KEY = {
    "stake": "stake",
    "hole": "hole",
    "next": "go here next",
    "found": "leak found",
    "dug": "hole dug before",
    "best": "best place so far, not to dig",
    "pipe": "pipe",
    "assumed": "pipe, assumed",
    "interval": "",
    "level": "",
    "contact": "contact reading (own scale, no colour)",
    "other": "reading on another scale (no colour)",
    "mark": "mark",
    "fitting": "fitting",
    "offset": "offset stake",
    "tape": "tape",
    "fixed": "fixed feature",
    "check": "check point",
    "service": "",
}
"""Sign -> its word in the key; those without a word are listed with their colours."""
MOST_PROFILES = 6
MOST_WARNINGS = 40
SKETCH = (358.0, 232.0)
"""Width and height of the sketch, in pixels of a phone held upright."""


def page_words(result: Result, features: Sequence[Drawn]) -> dict[str, Any]:
    """Return what ``assets/page.html`` says, as plain text that the template makes safe.

    The key names the signs of the features that the map draws.
    """
    tell = {"dig": _dig, "check_first": _check, "listen_on": _listen}[result.decision.verdict]
    about, told = words.VERDICTS[result.decision.verdict], tell(result)
    told["facts"] = [*(("Dug", "", each) for each in spoken.dug(result)), *told["facts"]]
    return {
        "title": f"{result.site.title}: {words.verdict(result).lower()}",
        "site": result.site.title,
        "run": words.run(result),
        "verdict": words.verdict(result),
        "dig": result.decision.verdict == "dig",
        "sketch": _sketch(result),
        "key": _key(result, features),
        "profiles": _profiles(result),
        "why": [words.told(each) for each in result.decision.reasons],
        "cautions": list(result.cautions),
        "warnings": [
            words.told(each.text)
            + (f" ({each.origin.file}:{each.origin.line})" if each.origin.file else "")
            for each in result.warnings[:MOST_WARNINGS]
        ],
        "foot": f"Run {result.run.id}, geoleak {result.run.version}. "
        f"Grid: {result.site.grid_name} ({result.leak.position.crs}). "
        f"{about.advice}; local codes and licensed practice govern.",
        "cautions_head": about.cautions,
        "settings": _settings(result),
        **{"by_length": "", "listen": [], "next_holes": []},
        **told,
    }


def _dig(result: Result) -> dict[str, Any]:
    """Return the answer to dig: where in the paint, how deep, and the figures of hole and stake."""
    leak, decision = result.leak, result.decision
    size = words.length(decision.hole.length_m, result.site.length_unit)
    sets_out = f"{words.grid_name(result)}; sets out within {words.ellipse(result)}"
    facts = [
        ("Open", "", words.hole_reach(result)),
        ("Likely", "", f"95 % within {words.likely(result)}"),
        ("Rests on", "", checks.assumes(result)),
        ("Stake", words.position(result), sets_out),
    ]
    if leak.lonlat is not None:
        facts.append(("Phone", words.lonlat(result), words.lonlat_accuracy(result)))
    advised = spoken.next_numbered(result) if spoken.advised(result) else []
    return {
        "headline": words.leak_station(result),
        "sure": f"{words.chance(decision.chance_in_hole)} in a {size} hole, "
        f"{words.elsewhere(result)}",
        "where": [
            ("Where", words.near_marks(result) or words.leak_station(result)),
            ("Depth", f"top of pipe {words.depth(result)}"),
        ],
        "not_before": words.not_before(result),
        "facts": facts,
        "by_length": _by_length(result),
        "listen": advised,
        "next_holes": spoken.next_hole_words(result),
        "services": words.services(result),
    }


def _check(result: Result) -> dict[str, Any]:
    """Return the answer to check first: what to do, what it tells, and what else it may be."""
    places = [
        (f"Check {k}", "", check_place(each, result))
        for k, each in enumerate(checks.features(result), start=1)
    ]
    facts = [
        *places,
        ("Then", "", checks.meaning(result)),
        ("Passed", "", checks.passed(result)),
        ("Or else", "", "; ".join(checks.rivals(result))),
        ("Write", "", checks.sheet(result)),
        ("Likely", "", f"95 % of the chance within {words.likely(result)}"),
    ]
    if checks.of(result).kind == "stop":
        facts.insert(1, ("Never told apart", "", checks.NEVER))
    return {
        "headline": words.leak_station(result),
        "sure": checks.answer(result).split(": ", 1)[1],
        "where": [("Do", checks.task(result))],
        "not_before": "Do not dig yet: what you hear may not be the leak.",
        "facts": [*facts, *_phone(result, "CHECK 1")],
        "services": words.services(result),
    }


def _phone(result: Result, first: str) -> list[tuple[str, str, str]]:
    """Return how a phone finds the first place to go to."""
    at, accuracy = spoken.phone(result)
    return [("Phone", at, f"({first}), {accuracy}")] if at else []


def _listen(result: Result) -> dict[str, Any]:
    """Return the answer to listen on: where next and what for, and the best place in one line."""
    headline, sure = "no place to listen is left", "No further reading is expected to tell more."
    if result.next_readings:
        first, unit = result.next_readings[0], result.site.length_unit
        headline = f"1: {spoken.next_place(first, result).removeprefix('at ')}"
        station = spoken.next_station(first, result)
        sure = f"{spoken.next_kind(first)} at {station}: {spoken.next_expected(first, unit)}"
    facts = [
        (f"Listen {number}", "", spoken.next_short(each, result))
        for number, each in enumerate(result.next_readings[1:], start=2)
    ]
    facts.append(("Likely", "", f"95 % of the chance within {words.likely(result)}"))
    so_far = spoken.best_so_far(result).removeprefix("best place so far, ")
    return {
        "headline": headline,
        "sure": sure,
        "where": [],
        "not_before": "Do not dig yet: no place is sure enough.",
        "facts": [*facts, ("So far", "", so_far), *_phone(result, "LISTEN 1")],
        "services": [],
    }


def _settings(result: Result) -> dict[str, Any]:
    """Return what the page's script must know beside the features.

    ``near`` is the view at the start, ``close`` that of the first button: the signs shown, how
    near to the stake (``within_m``), how much around them, and how many at most.
    """
    dig = result.decision.verdict == "dig"
    where = result.leak.lonlat or (0.0, 0.0)
    told: dict[str, Any] = {
        "first": {"text": "Next", "label": "Next: show where to go first"},
        "near": {"signs": ["next", "best"], "margin_m": 4},
        "close": {"signs": ["next"], "most": 1, "margin_m": 4},
        "courtesy": "the marks and the rover lead to the place",
    }
    if dig:
        told = {
            "first": {"text": "Stake", "label": "Stake: show its surroundings"},
            "near": {"signs": ["stake", "hole", "interval", "level", "tape"], "within_m": 40},
            "close": {"signs": ["stake", "hole", "offset"]},
            "courtesy": "the rover and the ties are the stake",
        }
    leak = (0.0, 0.0) if result.site.local else where
    return {"local": result.site.local, "leak": leak, **told}


def _sketch(result: Result) -> str:
    """Return the plan sketch of the stake's surroundings, or of the places to listen at."""
    about = "the stake, the hole, marks and tapes"
    if result.decision.verdict != "dig":
        about = "the places to check or to listen at"
    return to_svg(
        plan_picture(result, *SKETCH, size=13)[0],
        name="sketch",
        title="Sketch, north up",
        description=f"Plan of {about}; the same in words stands beside it.",
    )


def _key(result: Result, features: Sequence[Drawn]) -> list[tuple[str, str, str]]:
    """Return the signs on the map with what they mean: sign, colour, text."""
    seen: dict[str, dict[str, str]] = {}
    for each in features:
        about = each["properties"]
        seen.setdefault(about["sign"], {}).setdefault(about.get("colour", ""), about["title"])
    made = []
    for sign, text in KEY.items():
        if text and sign in seen:
            made.append((sign, "", text))
        elif sign == "level" and sign in seen:
            made += [("level", colour, said) for colour, said in level_scales.steps(result)]
        elif sign in ("interval", "service"):
            made += [(sign, colour, said) for colour, said in sorted(seen.get(sign, {}).items())]
    return made


def _profiles(result: Result) -> dict[str, list[tuple[str, str, str]]]:
    """Return the profiles (leg, SVG, note) of the legs that matter, and of others listened to."""
    wanted = {result.leak.leg}
    if result.decision.verdict != "dig" and result.next_readings:
        wanted = {each.leg for each in result.next_readings}
    heard = {each.leg for each in result.readings}
    legs = [each.leg for each in result.profile if each.chainage_m]
    others = [each for each in legs if each not in wanted and each in heard][:MOST_PROFILES]
    made = []
    for number, leg in enumerate([each for each in legs if each in wanted] + others):
        svg = to_svg(
            profile_picture(result, leg),
            name=f"profile-{number}",
            title=f"Profile along {leg}",
            description=describe(result, leg),
        )
        made.append((leg, svg, level_scales.not_drawn(result, leg)))
    first = len(made) - len(others)
    return {"first": made[:first], "others": made[first:]}


def _by_length(result: Result) -> str:
    """Return the chance against the length of the hole, up to the first that is all but sure."""
    unit, pairs = result.site.length_unit, result.decision.chance_by_length
    sure = next((k for k, (_, odds) in enumerate(pairs) if odds > 0.99), len(pairs))
    shown = pairs[: sure + 1]
    return ", ".join(f"{words.length(size, unit)}: {words.chance(odds)}" for size, odds in shown)
