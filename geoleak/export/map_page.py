"""What stands around the map: the answer, where it is, the key, the profile, the cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geoleak.export import ahead, level_scales, words
from geoleak.export.drawing import to_svg
from geoleak.export.map_layers import Drawn
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture
from geoleak.export.told import told
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
    "other": "",
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
SKETCH = (358.0, 232.0)
"""Width and height of the sketch, in pixels of a phone held upright."""


def page_words(result: Result, features: Sequence[Drawn]) -> dict[str, Any]:
    """Return what ``assets/page.html`` says, as plain text that the template makes safe.

    The key names the signs of the features that the map draws.
    """
    advice = words.VERDICTS[result.stands].advice
    return {
        "site": result.site.title,
        "run": words.run(result),
        "told": told(result),
        "stands": result.stands,
        "sketch": _sketch(result),
        "key": _key(result, features),
        "profiles": _profiles(result),
        "foot": f"Run {result.run.id}, geoleak {result.run.version}. "
        f"Grid: {result.site.grid_name} ({result.leak.position.crs}). "
        f"{advice}; local codes and licensed practice govern.",
        "settings": _settings(result),
    }


def _settings(result: Result) -> dict[str, Any]:
    """Return what the page's script must know beside the features.

    ``near`` is the view at the start, ``close`` that of the first button: the signs shown, how
    near to the stake (``within_m``), how much around them, and how many at most.
    """
    where = result.leak.lonlat or (0.0, 0.0)
    settings: dict[str, Any] = {
        "first": {"text": "Next", "label": "Next: show where to go first"},
        "near": {"signs": ["next", "best"], "margin_m": 4},
        "close": {"signs": ["next"], "most": 1, "margin_m": 4},
        "courtesy": "the marks and the rover lead to the place",
    }
    if result.stands == "closed":
        settings = {
            "first": {"text": "Found", "label": "Found: show where the leak was"},
            "near": {"signs": ["found", "dug", "level"], "within_m": 40},
            "close": {"signs": ["found"], "margin_m": 4},
            "courtesy": "the job is closed",
        }
    if result.stands == "dig":
        settings = {
            "first": {"text": "Stake", "label": "Stake: show its surroundings"},
            "near": {"signs": ["stake", "hole", "interval", "level", "tape"], "within_m": 40},
            "close": {"signs": ["stake", "hole", "offset"]},
            "courtesy": "the rover and the ties are the stake",
        }
    leak = (0.0, 0.0) if result.site.local else where
    return {"local": result.site.local, "leak": leak, **settings}


def _sketch(result: Result) -> str:
    """Return the plan sketch of the stake's surroundings, or of the places to listen at."""
    about = {"dig": "the stake, the hole, marks and tapes", "closed": "what was found"}.get(
        result.stands, "the places to check or to listen at"
    )
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
        elif sign == "other" and sign in seen:
            made.append((sign, "", f"{_on_other_scales(result)} (no colour)"))
        elif sign in ("interval", "service"):
            made += [(sign, colour, said) for colour, said in sorted(seen.get(sign, {}).items())]
    return made


def _on_other_scales(result: Result) -> str:
    """Return what the readings are called that are on no colour's scale."""
    kinds = {each.kind for each in result.readings if level_scales.sign(each, result) == "other"}
    named = [f"{ahead.kind_words(each)} on its own scale" for each in sorted(kinds - {"surface"})]
    return " or ".join([*named, *["reading on another scale"] * ("surface" in kinds)])


def _profiles(result: Result) -> dict[str, list[tuple[str, str, str]]]:
    """Return the profiles (leg, SVG, note) of the legs that matter, and of others listened to."""
    wanted = {result.leak.leg}
    if result.stands not in ("dig", "closed") and result.next_readings:
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
