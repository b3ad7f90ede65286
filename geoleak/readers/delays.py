"""delays.csv: how much earlier the noise reached one sensor than the other."""

from __future__ import annotations

import re

from geoleak.readers.collector import Collector
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import SheetRow, open_sheet
from geoleak.site import Delay

NAME = "delays.csv"
COLUMNS = (
    "delay", "first", "second", "delay_ms", "sigma_ms", "speed_check", "shown_distance",
    "shown_length", "shown_speed", "recording_first", "recording_second", "low_hz", "high_hz",
    "skip", "note",
)  # fmt: skip
_SHOWN = ("shown_distance", "shown_length", "shown_speed")
_NUMERIC = ("delay_ms", "sigma_ms", *_SHOWN, "low_hz", "high_hz")


def read_delays(collector: Collector, places: PlaceReader) -> tuple[Delay, ...]:
    """Return the delays of the folder."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("first", "second"), numeric=_NUMERIC,
        collector=collector, places=places,
    )  # fmt: skip
    if sheet is None:
        return ()
    found = []
    seen: dict[str, int] = {}
    for row in sheet:
        delay = _delay(row, seen)
        if delay is not None:
            found.append(delay)
    return tuple(found)


def _delay(row: SheetRow, seen: dict[str, int]) -> Delay | None:
    identifier = row.text("delay") or str(row.index)
    if identifier in seen:
        row.complain(
            "delay", f'"{identifier}" stands at line {seen[identifier]} too', "number each once"
        )
    seen[identifier] = row.sheet.rows.numbers[row.index]
    first, second = row.place("first"), row.place("second")
    if first is not None and first == second:
        row.complain(
            "second", f'"{second.text}" is the first place too' if second else "",
            "name the other sensor's place",
        )  # fmt: skip
    shown = {
        "shown_distance_m": row.length("shown_distance", low=0),
        "shown_length_m": row.length("shown_length", low=0),
        "shown_speed_m_per_s": _speed(row),
    }
    delay_ms = row.number("delay_ms")
    sigma_ms = row.number("sigma_ms", above=0)
    low, high = row.number("low_hz", low=0), row.number("high_hz", above=0)
    if low is not None and high is not None and not low < high:
        row.complain(
            "low_hz", f"{low:g} Hz is not below high_hz {high:g} Hz", "write the lower edge first"
        )
    recordings = (row.text("recording_first") or None, row.text("recording_second") or None)
    if not row.failed and not row.text("skip"):
        _one_source(row, recordings)
    if row.failed or first is None or second is None:
        return None
    return Delay(
        id=identifier,
        first=first,
        second=second,
        delay_s=None if delay_ms is None else delay_ms / 1000,
        sigma_s=None if sigma_ms is None else sigma_ms / 1000,
        speed_check=bool(row.yes_no("speed_check")),
        recording_first=recordings[0],
        recording_second=recordings[1],
        low_hz=low,
        high_hz=high,
        skip=row.text("skip"),
        note=row.text("note"),
        extra=row.extra(),
        origin=row.origin(),
        **shown,
    )


def _one_source(row: SheetRow, recordings: tuple[str | None, str | None]) -> None:
    """Complain unless a row says its delay exactly once."""
    stated = bool(row.text("delay_ms"))
    there = [each for each in _SHOWN if row.text(each)]
    if stated and there:
        row.complain(
            "delay_ms", "the row has both delay_ms and what an instrument showed",
            "keep one of the two",
        )  # fmt: skip
    elif there and len(there) < 3:
        missing = ", ".join(each for each in _SHOWN if each not in there)
        row.complain(
            there[0], f"without {missing} the delay behind it cannot be recovered",
            "write all three as the screen gave them",
        )  # fmt: skip
    elif (recordings[0] is None) != (recordings[1] is None):
        row.complain("recording_first", "one of two recordings is missing", "name both")
    elif not stated and not there and recordings[0] is None:
        row.complain(
            "delay_ms", "the row has no delay",
            "fill in delay_ms, or shown_distance, shown_length and shown_speed, or two recordings",
        )  # fmt: skip
    if there and not row.failed and row.length("shown_length") == 0:
        shown = row.text("shown_length")
        row.complain("shown_length", f'"{shown}" is not above zero', "write what was set")


def _speed(row: SheetRow) -> float | None:
    """Return a speed such as ``4200``, ``"4200 ft/s"`` or ``"1280 m/s"`` in metres a second."""
    cell = re.sub(r"\s*fps\s*$", " ft/s", row.text("shown_speed"))
    cell = re.sub(r"\s*(/\s*s(ec)?|ps)\s*$", "", cell)
    if not cell:
        return None
    try:
        speed = row.length_of(cell)
    except ValueError:
        row.complain(
            "shown_speed", f'"{row.text("shown_speed")}" is not a speed',
            'write one such as 4200 or "1280 m/s"',
        )  # fmt: skip
        return None
    if not 10 <= speed <= 6000:
        row.complain(
            "shown_speed", f'"{row.text("shown_speed")}" is {speed:.4g} m/s, which no pipe has',
            "check its unit",
        )  # fmt: skip
        return None
    return speed
