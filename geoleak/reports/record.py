"""The record over many sites as one page with pictures that fetches nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from geoleak.closeout.record import record_lines, share_with_bounds
from geoleak.export import colours
from geoleak.export.documents import rendered
from geoleak.export.drawing import Picture, to_svg
from geoleak.export.folder import put_text
from geoleak.export.profile import GROUND, Panel
from geoleak.units import format_length, unit_m

WIDE, TALL, SIZE = 420.0, 330.0, 14.0
BINS = 10
# Shades of grey between frame and text; a rule crosses every panel at these shares.
RULE, MUTED = "#c9d0d6", "#41505c"


def write_page(found: Mapping[str, Any], path: Path) -> Path:
    """Write the page of a record's summary (`geoleak.closeout.record.summary`)."""
    return put_text(path, html_page(found))


def html_page(found: Mapping[str, Any]) -> str:
    """Return the page of a record's summary."""
    drawn = (_reliability(found), _histogram(found), _coverage(found), _errors(found))
    tables = [
        ("Why holes were dry", ("what was found later", "times"), _counts(found["dry_because"])),
        ("What leaked", ("cause, as noted", "times"), _counts(found["causes"])),
        *(
            (f"By {name}", (name, "sites", "in the hole", "share", "dry holes"), _groups(rows))
            for name, rows in found["by"].items()
        ),
    ]
    title = (
        f"Promises and outcomes: {found['closed']} of {found['sites']} sites closed out, "
        f"{found['dry_holes']} dry holes"
    )
    return rendered(
        "record.html",
        title=title,
        # The head says the first line, tables the last ones.
        lines=record_lines({**found, "by": {}, "dry_because": {}})[1:],
        pictures=[each for each in drawn if each is not None],
        tables=tables,
        svg=to_svg,
    )


Drawn = tuple[Picture, str, str]


def _panel(
    x_to: float, y_to: float, x_name: str, y_name: str, *, x: Iterable[float], y: Iterable[float]
) -> tuple[Picture, Panel]:
    """Return a picture with an empty panel from nought, its axes marked and named."""
    picture = Picture(WIDE, TALL)
    frame = Panel(4.2 * SIZE, WIDE - 1.5 * SIZE, SIZE, TALL - 3.6 * SIZE, 0.0, x_to, 0.0, y_to)
    picture.box(frame.left, frame.top, frame.right, frame.bottom, GROUND, stroke=RULE)
    marks = ([(float(each), f"{each:g}") for each in values] for values in (x, y))
    frame.axes(picture, SIZE, x=next(marks), y=next(marks), x_name=x_name, y_name=y_name)
    return picture, frame


PERCENT = (0, 20, 40, 60, 80, 100)


def _kept(
    shares: Mapping[Any, Sequence[float]], *named: str, x: Iterable[float] = PERCENT
) -> Picture:
    """Draw shares kept over what was stated: a bar from bound to bound, a disc, the diagonal."""
    picture, frame = _panel(100, 100, *named, x=x, y=PERCENT)
    picture.line([(frame.x(0), frame.y(0)), (frame.x(100), frame.y(100))], MUTED, dash=(5.0, 4.0))
    for at, share in shares.items():
        kept, low, high = (100.0 * each for each in share)
        place = frame.x(at)
        picture.line([(place, frame.y(low)), (place, frame.y(high))], colours.INTERVAL[50], 3.0)
        picture.disc(place, frame.y(kept), 5.0, colours.INK, "#ffffff", 1.5)
    return picture


def _reliability(found: Mapping[str, Any]) -> Drawn | None:
    """Return promised against kept, by tenths of the promise."""
    rows = found["reliability"]
    if not rows:
        return None
    shares = {100 * row["promised"]: row["hits"] for row in rows}
    picture = _kept(shares, "promised, %", "leak was in the hole, %")
    said = "; ".join(
        f"{100 * r['promised']:.0f} % promised, {100 * r['hits'][0]:.0f} % kept of {r['digs']}"
        for r in rows
    )
    return picture, "Are promises kept", (
        f"Holes dug on the word dig, by tenths of the promise: {said}. Bars: exact 95 % bounds of "
        "what was kept. On the dashed line 90 % is nine in ten; above it the promise was careful."
    )  # fmt: skip


def _histogram(found: Mapping[str, Any]) -> Drawn | None:
    """Return where leaks fell in the odds along the pipe, by tenths."""
    values = found["quantiles"]
    if not values:
        return None
    from scipy.stats import binom

    count = np.histogram(values, bins=BINS, range=(0.0, 1.0))[0]
    low, high = binom.ppf((0.025, 0.975), len(values), 1.0 / BINS)
    top = 1.15 * max(float(count.max()), float(high), 1.0)
    step = next(s * 10**k for k in range(9) for s in (1, 2, 5) if top <= 5 * s * 10**k)
    named = ("chance put before the leak, %", "sites")
    counts = (k * step for k in range(int(top // step) + 1))
    picture, frame = _panel(100, top, *named, x=PERCENT, y=counts)
    picture.box(frame.left, frame.y(float(high)), frame.right, frame.y(float(low)), colours.BAND)
    for k, each in enumerate(count.tolist()):
        left, right = frame.x(100 * k / BINS) + 3, frame.x(100 * (k + 1) / BINS) - 3
        picture.box(left, frame.y(each), right, frame.bottom, colours.INTERVAL[80],
                    stroke=colours.INTERVAL[50])  # fmt: skip
    outside = int(np.sum((count < low) | (count > high)))
    return picture, "Where leaks fell in the odds", (
        f"{len(values)} leaks by tenths of the chance that the odds put before them. Honest odds "
        f"fill all alike; the band holds 19 in 20 such columns, and {outside} of {BINS} stand "
        "outside it. A hump in the middle: odds too wide; high ends: too narrow."
    )  # fmt: skip


def _coverage(found: Mapping[str, Any]) -> Drawn | None:
    """Return how often the stated stretches held the leak."""
    rows = {int(k): share for k, share in found["coverage"].items() if share is not None}
    if not rows:
        return None
    picture = _kept(rows, "stretch stated, %", "leak was in it, %", x=(0, *rows))
    said = "; ".join(
        f"{p} %: {100 * s[0]:.0f} ({100 * s[1]:.0f} to {100 * s[2]:.0f})" for p, s in rows.items()
    )
    return picture, "Do the stretches hold the leak", (
        f"Leaks found within the stated stretches, with exact 95 % bounds. {said}."
    )  # fmt: skip


def _errors(found: Mapping[str, Any]) -> Drawn | None:
    """Return how far off stake and loudest mark were: shares of leaks within a distance."""
    curves = {"stake": found["errors_m"], "loudest mark": found["loudest_errors_m"]}
    if not curves["stake"]:
        return None
    unit = found["length_unit"]
    metre = unit_m(unit)
    far = max(np.quantile(each, 0.95) for each in curves.values() if each) / metre
    step = next(s for s in (0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 1e9) if far / s <= 6)
    top = step * np.ceil(max(far, step) / step)
    short = "m" if unit == "m" else "ft"
    named, marks = (f"off by at most, {short}", "leaks, %"), np.arange(0, top + step / 2, step)
    picture, frame = _panel(top, 100, *named, x=marks, y=PERCENT)
    looks: tuple[tuple[str, tuple[float, ...]], ...] = (
        (colours.INTERVAL[50], ()), (colours.CURVE, (6.0, 4.0)),
    )  # fmt: skip
    for k, ((name, errors), (colour, dash)) in enumerate(zip(curves.items(), looks, strict=True)):
        along = np.linspace(0.0, top, 200)
        held = np.searchsorted(np.sort(errors) / metre, along, side="right")
        share = 100.0 * held / max(len(errors), 1)
        picture.line(frame.curve(along.tolist(), share.tolist()), colour, 3.0, dash=dash)
        at = frame.bottom - (0.8 + 1.4 * (1 - k)) * SIZE
        picture.line([(frame.right - 9.8 * SIZE, at - 5), (frame.right - 7.8 * SIZE, at - 5)],
                     colour, 3.0, dash=dash)  # fmt: skip
        picture.words(frame.right - 7.2 * SIZE, at, name, SIZE, halo=True)
    medians = [
        f"{name} {format_length(float(np.median(errors)), unit=unit)}"
        for name, errors in curves.items()
        if errors
    ]
    return picture, "How far off", (
        f"Leaks within a distance of the stake and of the loudest mark. Half within: "
        f"{', '.join(medians)}."
    )  # fmt: skip


def _counts(counts: Mapping[str, int]) -> list[tuple[str, int]]:
    """Return counts as rows, the most frequent first."""
    return sorted(counts.items(), key=lambda each: (-each[1], each[0]))


def _groups(rows: Mapping[str, Mapping[str, int]]) -> list[tuple[Any, ...]]:
    """Return sites, hits with exact bounds and dry holes by a property as rows."""
    made: list[tuple[Any, ...]] = []
    for key, row in rows.items():
        share = share_with_bounds(row["in_hole"], row["sites"])
        if share is not None:
            kept, low, high = (100 * each for each in share)
            said = f"{kept:.0f} % ({low:.0f} to {high:.0f})"
            name, dry = key.replace("_", " "), row["dry_holes"]
            made.append((name, row["sites"], row["in_hole"], said, dry))
    return made
