"""What the map's page says where the verdict is to listen on: where next, then why."""

from __future__ import annotations

from geoleak.export import listen_words, words
from geoleak.result import Result


def headline(result: Result) -> str:
    """Return the place to go to first."""
    if not result.next_readings:
        return "no place to listen is left"
    first = result.next_readings[0]
    return f"1: {listen_words.place(first, result).removeprefix('at ')}"


def lead(result: Result) -> str:
    """Return what to take there, and what it is expected to bring."""
    if not result.next_readings:
        return "No further reading is expected to tell more: see why below."
    first = result.next_readings[0]
    unit = result.site.length_unit
    station = listen_words.station(first, result)
    return f"{listen_words.kind(first)} at {station}: {listen_words.expected(first, unit)}"


def rows(result: Result) -> list[tuple[str, str]]:
    """Return the further readings, the reasons' sum, and the best place so far: label, text."""
    unit, leg = result.site.length_unit, result.leak.leg
    made = [
        (f"Listen {number}", listen_words.short(each, result))
        for number, each in enumerate(result.next_readings[1:], start=2)
    ]
    likely = words.pieces(result.leak.interval_95, unit, leg=leg)
    made.append(("Likely", f"95 % of the chance within {likely}"))
    told = listen_words.best_so_far(result)
    made.append(("So far", told.removeprefix("best place so far, ")))
    at, accuracy = listen_words.phone(result)
    if at:
        made.append(("Phone", f"{at} (LISTEN 1), {accuracy}"))
    return made
