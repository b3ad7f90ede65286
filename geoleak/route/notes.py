"""What the fit of a route warns of: gaps, crowded and repeated marks, strays, another line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from geoleak.route.blocks import Block
from geoleak.route.marks import GAP_OF_SPACING, RouteOptions
from geoleak.route.parts import Prepared
from geoleak.route.result import RouteFit
from geoleak.site import Note

Floats = npt.NDArray[np.float64]

MOST_NAMED = 8
SCATTER_SAID = 1.4
# Ends look swapped where the other way round joins them over so much less, and by this share of
# the line between them: common practice, no source.
SWAPPED_TIMES, SWAPPED_SHARE = 2.0, 0.5
# A step to a line beside: so far aside, going on within 45 degrees of as before. Common practice.
STEP_ASIDE_M, GOES_ON = 0.5, 0.7


def spacing_notes(
    means: Floats, sigma: Floats, names: Sequence[str], *, options: RouteOptions
) -> Iterator[Note]:
    """Yield warnings of gaps, of steps aside and of marks closer than their own error."""
    apart = np.hypot(*np.diff(means, axis=0).T)
    usual = float(np.median(apart))
    if len(apart) >= 3:
        for i in np.flatnonzero(apart > GAP_OF_SPACING * usual).tolist():
            yield options.note(
                "gap",
                f"{options.said(float(apart[i]))} without a mark between {names[i]} and "
                f"{names[i + 1]}, where the usual spacing is {options.said(usual)}: a bend in "
                "there would not be seen",
                rows=(names[i], names[i + 1]),
            )
    yield from _steps_aside(means, sigma, names, options=options)
    close = np.flatnonzero(apart < 0.5 * (sigma[1:] + sigma[:-1])).tolist()
    if len(close):
        pairs = ", ".join(f"{names[i]} and {names[i + 1]}" for i in close[:5])
        more = f" and {len(close) - 5} more pairs" if len(close) > 5 else ""
        yield options.note(
            "marks_too_close",
            f"marks {pairs}{more} stand closer than their own sideways error: they say little "
            "about the direction of the pipe",
        )


def ends_note(means: Floats, names: Sequence[str], *, options: RouteOptions) -> Iterator[Note]:
    """Yield a warning where a leg's fixed ends (first and last of these) look swapped."""
    if len(means) < 4:
        return
    start, first, last, end = means[[0, 1, -2, -1]]
    now = float(np.hypot(*(start - first)) + np.hypot(*(end - last)))
    swapped = float(np.hypot(*(end - first)) + np.hypot(*(start - last)))
    between = float(np.hypot(*np.diff(means[1:-1], axis=0).T).sum())
    if now > SWAPPED_TIMES * swapped and now - swapped > SWAPPED_SHARE * between:
        yield options.note(
            "ends_swapped",
            f"start and end look swapped: from {names[0]} along the marks to {names[-1]} it is "
            f"{options.said(between + now)}, the other way round {options.said(between + swapped)}",
        )


def _steps_aside(
    means: Floats, sigma: Floats, names: Sequence[str], *, options: RouteOptions
) -> Iterator[Note]:
    """Yield where the marks leave their line between two of them and go on beside it."""
    for i in range(2, len(means) - 3):
        before, after = means[i] - means[i - 2], means[i + 3] - means[i + 1]
        lengths = float(np.hypot(*before)), float(np.hypot(*after))
        if not min(lengths) > 0:
            continue
        along = before / lengths[0]
        turned = float(along @ after) / lengths[1]
        step = means[i + 1] - means[i]
        ahead, aside = abs(float(along @ step)), abs(float(along[0] * step[1] - along[1] * step[0]))
        least = max(STEP_ASIDE_M, 4.0 * float(sigma[i] + sigma[i + 1]))
        if turned >= GOES_ON and aside >= least and aside > ahead:
            yield options.note(
                "step_aside",
                f"the marks step {options.said(aside)} aside between {names[i]} and "
                f"{names[i + 1]} and go on beside their line: those from {names[i + 1]} on, or "
                f"those up to {names[i]}, may be another line; locate both again, connected to "
                "the pipe itself",
            )


def fit_notes(
    fit: RouteFit, ready: Prepared, aside: list[Block], options: RouteOptions
) -> Iterator[Note]:
    """Yield the warnings that follow from the fit itself."""
    ids = fit.marks.ids
    repeated = [group for group in ready.groups if len(group) > 1]
    if repeated:
        named = "; ".join(" and ".join(ids[i] for i in group) for group in repeated[:MOST_NAMED])
        yield options.note(
            "repeated_marks", f"shot on the same spot and taken as one mark: {named}"
        )
    for each in aside:
        yield _another_line(fit, ready, each, options)
    in_blocks = {ready.names[k] for each in aside for k in each.marks}
    strays = [k for k in fit.strays if ids[k] not in in_blocks]
    for index in strays[:MOST_NAMED]:
        yield options.note(
            "stray_mark",
            f"mark {ids[index]} lies {_beside(fit.mark_residual_m[index], options)} of the line "
            "that the other marks make and hardly counts: it may be on another line; locate it "
            "again",
        )
    if len(strays) > MOST_NAMED:
        rest = ", ".join(ids[i] for i in strays[MOST_NAMED:])
        yield options.note("stray_mark", f"marks {rest} lie off the line as well")
    if fit.marks.marks_by in ("records", "assumed"):
        source = "drawn from records" if fit.marks.marks_by == "records" else "assumed"
        widest = float(np.sqrt(fit.spread.own[:, 1, 1].max()))
        yield options.note(
            "route_assumed",
            f"route assumed: its marks were {source}, not traced; between marks the pipe may lie "
            f"{options.said(2 * widest)} or more aside",
        )
    if fit.sigma_scale >= SCATTER_SAID:
        yield options.note(
            "scatter",
            f"the marks scatter {fit.sigma_scale:.1f} times as widely as the locator's stated "
            "error; the route's error was widened to match",
        )


def _another_line(fit: RouteFit, ready: Prepared, block: Block, options: RouteOptions) -> Note:
    """Say that a block of marks stands aside, with the length of the leg by either answer."""
    names = [ready.names[k] for k in block.marks]
    lengths = [options.said(v) for v in (fit.route.length_m, block.other.shape.length_m())]
    along, past = lengths if block.followed else lengths[::-1]
    used = "follows them" if block.followed else "runs past them"
    return options.note(
        "another_line",
        f"marks {names[0]} to {names[-1]} ({len(names)} in a row) stand "
        f"{_beside(block.aside_m, options)} of the line through the others: does the pipe step "
        f"aside there, or did the locator follow another line? Along them the leg is {along} "
        f"long, past them {past}; the route {used}, and its error covers both: locate {names[0]} "
        f"and {names[-1]} again, connected to the pipe itself",
    )


def _beside(offset_m: float, options: RouteOptions) -> str:
    return f"{options.said(abs(float(offset_m)))} to the {'right' if offset_m > 0 else 'left'}"
