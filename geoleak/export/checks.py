"""What to check first, in the words that print, map and sheet share."""

from __future__ import annotations

from geoleak.export import words
from geoleak.result import CheckSummary, Feature, Result, RivalSummary

# A rival with less chance than this is not worth a line.
WORTH_SAYING = 0.01
NEVER = "a valve not on file that hisses with the leak's own flow: no ear tells it from the leak"
RIVALS = {
    "fitting": "a valve, draw-off or pump",
    "aside": "the leak on a line nobody traced, beside this one",
    "beyond": "the leak past the end of the traced line",
    "displaced": "the leak's sound coming up some way along the trench",
}
SHEETS = {
    "stop": "checks.csv: a row of kind stop at this place",
    "across": "readings.csv: these places, as they stand here",
    "trace_on": "new marks and readings; or ends_here in the leg's table where the pipe ends",
    "rod": "readings.csv: kind rod at these places",
    "again": "readings.csv: these places again, everything_off yes",
}


def of(result: Result) -> CheckSummary:
    """Return the check; only the verdict "check_first" has one."""
    check = result.decision.check
    if check is None:
        raise ValueError(f"verdict {result.decision.verdict} has no check")
    return check


def answer(result: Result) -> str:
    """Return place and chance: "yard 0+41.3: 65 % in a 5 ft hole; 97 % if what you hear ..."."""
    decision = result.decision
    size = words.length(decision.hole.length_m, result.site.length_unit)
    text = f"{words.leak_station(result)}: {words.chance(decision.chance_in_hole)} in a {size} hole"
    heard = decision.chance_if_heard
    if heard is None:
        return text
    return f"{text}; {words.chance(heard)} if what you hear is the leak, straight above it"


def assumes(result: Result) -> str:
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


def rivals(result: Result) -> list[str]:
    """Return what else may explain the sound, the likeliest first, each with its chance.

    The chance that the hole is dry for it: with that in the hole they add up to 100 % at most.
    """
    listed = sorted(result.decision.rivals, key=lambda each: -each.chance_dry)
    return [
        f"{words.chance(each.chance_dry)} {rival(each)}"
        for each in listed
        if each.chance_dry >= WORTH_SAYING
    ]


def rival(each: RivalSummary) -> str:
    """Return one rival in words: "a valve, draw-off or pump at WV2"."""
    at = f" at {each.point}" if each.point else ""
    return words.plain(RIVALS[each.name] + at)


def task(result: Result) -> str:
    """Return what to do, with its minutes."""
    check, unit = of(result), result.site.length_unit
    minutes = f"{check.minutes:.0f} min"
    if check.kind == "stop":
        turned = f"with {check.fitting} turned" if check.fitting else "with valves near it turned"
        return words.plain(
            f"at the loudest place ({minutes}): read the level as it is, with every tap and "
            f"machine off, {turned}, with the supply shut (with the owner's leave; never a fire "
            "line unannounced)"
        )
    if check.kind == "across":
        out = sorted({abs(each.properties["offset_m"]) for each in features(result)})
        steps = ", ".join(words.number(each, unit) for each in out)
        unit_word = words.unit_word(unit)
        return f"read {steps} {unit_word} left and right of the hole's middle ({minutes})"
    if check.kind == "trace_on":
        return f"trace and listen past the end of {of_leg(result)}, or say it ends ({minutes})"
    if check.kind == "rod":
        places = f"{len(check.places)} places {words.length(0.5, unit)} apart"
        return (
            f"push a rod down beside the pipe at {places} and read through it ({minutes}); "
            "it breaks ground: after the locate request"
        )
    return (
        "turn off what the stop test showed to sound (what goes on with the supply shut is not of "
        f"this pipe) and read the line once more ({minutes})"
    )


def of_leg(result: Result) -> str:
    """Return the leg that is checked."""
    return words.plain(str(features(result)[0].properties["leg"]))


def meaning(result: Result) -> str:
    """Return what each outcome of the check means."""
    check = of(result)
    turned = f"taps off or {check.fitting or 'a valve'} turned"
    return words.plain(
        {
            "stop": f"goes quiet with {turned}: not the leak. Stays, and dies with the supply: "
            "likelier the leak. Stays with the supply shut: not from this pipe",
            "across": "louder to one side: the leak lies on a line there. Loudest in the middle: "
            "likelier straight below",
            "trace_on": "louder past the end: the leak lies there. Falls off, or the pipe ends: "
            "likelier where it was",
            "rod": "loudest at another step: the sound comes up along the trench: "
            "enter it, the hole moves. "
            "Loudest in the middle: likelier straight below. Faint throughout: not on this pipe",
            "again": "what is left is the leak, or nothing is heard: then it is elsewhere",
        }[check.kind]
    )


def passed(result: Result) -> str:
    """Return the chance once the check has found nothing against the leak."""
    return f"if it passes: {words.chance(of(result).chance_if_passed)} in the hole"


def sheet(result: Result) -> str:
    """Return where the check is written down."""
    check = of(result)
    places = ", ".join(f'"{each}"' for each in check.places)
    return words.plain(f"{SHEETS[check.kind]} ({places})")


def features(result: Result) -> list[Feature]:
    """Return the places to check as features, in their order."""
    found = [each for each in result.features if each.kind == "check_place"]
    return sorted(found, key=lambda each: int(each.properties["number"]))
