"""What a person should know about a fitted route, as warnings."""

from __future__ import annotations

import numpy as np

from geoleak.route.records import RouteOptions
from geoleak.route.result import RouteFit
from geoleak.site import Note
from geoleak.units import format_length

MOST_NAMED = 8
SCATTER_SAID = 1.4


def no_line_note(options: RouteOptions) -> Note:
    """Return the warning that the marks make no line in the order they were given."""
    leg = f"{options.leg}: " if options.leg else ""
    return Note(
        "no_line",
        f"{leg}in the order given, the marks make no line of straights and bends: they were joined "
        "as they stand; check the order and the codes of the marks",
    )


def fit_notes(fit: RouteFit, groups: list[list[int]], options: RouteOptions) -> list[Note]:
    """Return the warnings that follow from the fit itself."""
    leg = f"{options.leg}: " if options.leg else ""
    ids = fit.marks.ids
    notes: list[Note] = []
    repeated = [group for group in groups if len(group) > 1]
    if repeated:
        named = "; ".join(" and ".join(ids[i] for i in group) for group in repeated[:MOST_NAMED])
        notes.append(
            Note("repeated_marks", f"{leg}shot on the same spot and taken as one mark: {named}")
        )
    notes += _stray_notes(fit, leg, options)
    if fit.marks.marks_by in ("records", "assumed"):
        source = "drawn from records" if fit.marks.marks_by == "records" else "assumed"
        widest = float(np.sqrt(fit.spread.own[:, 1, 1].max()))
        notes.append(
            Note(
                "route_assumed",
                f"{leg}route assumed: its marks were {source}, not traced; between marks the pipe "
                f"may lie {format_length(2 * widest, unit=options.length_unit)} or more aside",
            )
        )
    if fit.sigma_scale >= SCATTER_SAID:
        notes.append(
            Note(
                "scatter",
                f"{leg}the marks scatter {fit.sigma_scale:.1f} times as widely as the locator's "
                "stated error; the route's error was widened to match",
            )
        )
    return notes


def _stray_notes(fit: RouteFit, leg: str, options: RouteOptions) -> list[Note]:
    ids = fit.marks.ids
    notes: list[Note] = []
    for index in fit.strays[:MOST_NAMED]:
        aside = float(fit.mark_residual_m[index])
        away = format_length(abs(aside), unit=options.length_unit)
        notes.append(
            Note(
                "stray_mark",
                f"{leg}mark {ids[index]} lies {away} to the {'right' if aside > 0 else 'left'} of "
                "the line that the other marks make and hardly counts: it may be on another line; "
                "locate it again",
            )
        )
    if len(fit.strays) > MOST_NAMED:
        rest = ", ".join(ids[i] for i in fit.strays[MOST_NAMED:])
        notes.append(Note("stray_mark", f"{leg}marks {rest} lie off the line as well"))
    return notes
