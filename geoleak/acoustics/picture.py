"""A spectrum picture as SVG: with the leak, without it, and the band between them."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

import numpy as np
from numpy.typing import NDArray

from geoleak.acoustics.bands import BandChoice
from geoleak.errors import AcousticsError

WIDTH, HEIGHT = 760, 440
LEFT, RIGHT, TOP, BOTTOM = 70, 20, 84, 56
# Two hues that stay apart in every common kind of colour blindness (Okabe & Ito 2008), and a dash
# so that they stay apart in black and white.
LEAK_COLOUR = "#b34700"
QUIET_COLOUR = "#0a5c96"
INK = "#222222"
GRID = "#d8d8d8"
BAND_FILL = "#efe6c4"
TICKS_HZ = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
FONT = "font-family='sans-serif' font-size='14'"


def spectrum_svg(
    choice: BandChoice,
    *,
    title: str,
    with_leak: str = "with the leak",
    without: str = "without it",
    band_hz: tuple[float, float] | None = None,
) -> str:
    """Return an SVG document: level in sixth-octave bands against frequency.

    Parameters
    ----------
    choice : BandChoice
        From `geoleak.acoustics.best_band`; holds both spectra.
    title, with_leak, without : str
        Printed as they are; markup in them is made harmless.
    band_hz : (float, float), optional
        The band to mark; the one chosen, if any, by default.
    """
    if len(choice.edges_hz) < 2:
        raise AcousticsError("there is no spectrum to draw")
    band = band_hz or choice.band_hz
    both = np.concatenate([choice.with_leak_db, choice.without_db])
    low_db, high_db = np.floor(both.min() / 10) * 10, np.ceil((both.max() + 1) / 10) * 10
    x = _scale(np.log(choice.edges_hz[0]), np.log(choice.edges_hz[-1]), LEFT, WIDTH - RIGHT)
    y = _scale(low_db, high_db, HEIGHT - BOTTOM, TOP)
    said = _said(choice, band)
    parts = [
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {WIDTH} {HEIGHT}' role='img' "
        f"aria-labelledby='t d'><title id='t'>{escape(title)}</title><desc id='d'>{escape(said)}"
        f"</desc><rect width='{WIDTH}' height='{HEIGHT}' fill='white'/>",
    ]
    if band is not None:
        parts += _band(band, choice, x)
    parts += _grid(choice, low_db, high_db, x, y)
    leak, quiet = f"stroke='{LEAK_COLOUR}'", f"stroke='{QUIET_COLOUR}' stroke-dasharray='7 4'"
    parts.append(_curve(choice.edges_hz, choice.without_db, x, y, f"{quiet} stroke-width='2'"))
    parts.append(_curve(choice.edges_hz, choice.with_leak_db, x, y, f"{leak} stroke-width='3'"))
    parts += _words(title, said, with_leak, without, leak, quiet)
    return "\n".join([*parts, "</svg>\n"])


def _said(choice: BandChoice, band: tuple[float, float] | None) -> str:
    if not choice.found:
        return choice.reason if band is None else f"{choice.reason}; marked: the band in use"
    apart, sigma = choice.difference_db, choice.difference_sigma_db
    low, high = band if band is not None else (0.0, 0.0)
    return f"{low:.0f} to {high:.0f} Hz: {apart:.1f} dB apart, give or take {sigma:.1f}"


def _scale(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    return lambda value: start + (value - low) / (high - low) * (end - start)


def _band(band: tuple[float, float], choice: BandChoice, x: Callable[[float], float]) -> list[str]:
    ends = np.clip(band, choice.edges_hz[0], choice.edges_hz[-1])
    left, right = (x(float(np.log(edge))) for edge in ends)
    tall = HEIGHT - TOP - BOTTOM
    out = [
        f"<rect x='{left:.1f}' y='{TOP}' width='{right - left:.1f}' height='{tall}' "
        f"fill='{BAND_FILL}'/>"
    ]
    for at in (left, right):
        out.append(
            f"<path d='M{at:.1f} {TOP}V{HEIGHT - BOTTOM}' stroke='{INK}' stroke-dasharray='2 3'/>"
        )
    return out


def _grid(
    choice: BandChoice,
    low_db: float,
    high_db: float,
    x: Callable[[float], float],
    y: Callable[[float], float],
) -> list[str]:
    out = []
    for level in np.arange(low_db, high_db + 1, 10):
        at = y(float(level))
        out.append(f"<path d='M{LEFT} {at:.1f}H{WIDTH - RIGHT}' stroke='{GRID}'/>")
        out.append(
            f"<text x='{LEFT - 8}' y='{at + 5:.1f}' text-anchor='end' fill='{INK}' {FONT}>"
            f"{level:.0f}</text>"
        )
    for tick in TICKS_HZ:
        if choice.edges_hz[0] <= tick <= choice.edges_hz[-1]:
            at = x(float(np.log(tick)))
            out.append(f"<path d='M{at:.1f} {TOP}V{HEIGHT - BOTTOM}' stroke='{GRID}'/>")
            out.append(
                f"<text x='{at:.1f}' y='{HEIGHT - BOTTOM + 20}' text-anchor='middle' "
                f"fill='{INK}' {FONT}>{tick}</text>"
            )
    middle = (LEFT + WIDTH - RIGHT) / 2
    out.append(
        f"<text x='{middle:.0f}' y='{HEIGHT - 10}' text-anchor='middle' fill='{INK}' {FONT}>"
        "frequency, Hz</text>"
    )
    out.append(
        f"<text transform='translate(18 {(TOP + HEIGHT - BOTTOM) / 2:.0f}) rotate(-90)' "
        f"text-anchor='middle' fill='{INK}' {FONT}>steady level, dB re full scale</text>"
    )
    return out


def _curve(
    edges_hz: NDArray[np.float64],
    levels_db: NDArray[np.float64],
    x: Callable[[float], float],
    y: Callable[[float], float],
    style: str,
) -> str:
    middles = np.sqrt(edges_hz[:-1] * edges_hz[1:])
    points = " ".join(
        f"{x(float(np.log(hz))):.1f},{y(float(level)):.1f}"
        for hz, level in zip(middles, levels_db, strict=True)
    )
    return f"<polyline points='{points}' fill='none' {style} stroke-linejoin='round'/>"


def _words(title: str, said: str, with_leak: str, without: str, leak: str, quiet: str) -> list[str]:
    bold = FONT.replace("14", "16") + " font-weight='bold'"
    out = [f"<text x='{LEFT}' y='22' fill='{INK}' {bold}>{escape(_short(title, 80))}</text>"]
    out.append(f"<text x='{LEFT}' y='42' fill='{INK}' {FONT}>{escape(said)}</text>")
    entries = ((with_leak, f"{leak} stroke-width='3'"), (without, f"{quiet} stroke-width='2'"))
    for index, (name, style) in enumerate(entries):
        start = LEFT + index * 330
        out.append(f"<path d='M{start} 63h34' {style}/>")
        out.append(
            f"<text x='{start + 42}' y='68' fill='{INK}' {FONT}>{escape(_short(name, 36))}</text>"
        )
    return out


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
