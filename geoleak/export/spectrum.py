"""A spectrum picture: with the leak, without it, and the band between them."""

from __future__ import annotations

import numpy as np

from geoleak.acoustics import BandChoice
from geoleak.errors import AcousticsError
from geoleak.export.drawing import Picture, to_svg
from geoleak.export.profile import Panel

WIDTH, HEIGHT = 760, 440
LEFT, RIGHT, TOP, BOTTOM = 70, 740, 84, 384
# Two hues that stay apart in every common kind of colour blindness (Okabe & Ito 2008), and a dash
# so that they stay apart in black and white.
LEAK, QUIET = "#b34700", "#0a5c96"
INK, GRID, BAND = "#222222", "#d8d8d8", "#efe6c4"
TICKS_HZ = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


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

    Raises
    ------
    AcousticsError
        Where there is no spectrum.
    """
    if len(choice.edges_hz) < 2:
        raise AcousticsError("there is no spectrum to draw")
    band = band_hz or choice.band_hz
    both = np.concatenate([choice.with_leak_db, choice.without_db])
    low_db, high_db = np.floor(both.min() / 10) * 10, np.ceil((both.max() + 1) / 10) * 10
    ends = (float(np.log(choice.edges_hz[0])), float(np.log(choice.edges_hz[-1])))
    panel = Panel(LEFT, RIGHT, TOP, BOTTOM, *ends, float(low_db), float(high_db))
    picture, said = Picture(WIDTH, HEIGHT), _said(choice, band)
    picture.box(0, 0, WIDTH, HEIGHT, "#ffffff")
    if band is not None:
        left, right = (panel.x(float(np.log(max(edge, 1e-9)))) for edge in band)
        picture.box(left, TOP, right, BOTTOM, BAND)
        for at in (left, right):
            picture.line([(at, TOP), (at, BOTTOM)], INK, dash=(2, 3))
    _grid(picture, panel, choice)
    middles = [float(v) for v in np.log(np.sqrt(choice.edges_hz[:-1] * choice.edges_hz[1:]))]
    curves = ((choice.without_db, QUIET, 2.0, (7.0, 4.0)), (choice.with_leak_db, LEAK, 3.0, ()))
    for levels, colour, width, dash in curves:
        picture.line(panel.curve(middles, [float(v) for v in levels]), colour, width, dash=dash)
    picture.words(LEFT, 22, _short(title, 80), 16, bold=True, colour=INK)
    picture.words(LEFT, 42, said, 14, colour=INK)
    for k, (_, colour, width, dash) in enumerate(reversed(curves)):
        x = LEFT + 330 * k
        picture.line([(x, 63), (x + 34, 63)], colour, width, dash=dash)
        picture.words(x + 42, 68, _short((with_leak, without)[k], 36), 14, colour=INK)
    drawn = to_svg(picture, name="spectrum", title=title, description=said)
    # A file of its own has no page to take its font from.
    return drawn.replace("<svg ", '<svg font-family="sans-serif" ', 1) + "\n"


def _said(choice: BandChoice, band: tuple[float, float] | None) -> str:
    if not choice.found:
        return choice.reason if band is None else f"{choice.reason}; marked: the band in use"
    low, high = band if band is not None else (0.0, 0.0)
    apart, sigma = choice.difference_db, choice.difference_sigma_db
    return f"{low:.0f} to {high:.0f} Hz: {apart:.1f} dB apart, give or take {sigma:.1f}"


def _grid(picture: Picture, panel: Panel, choice: BandChoice) -> None:
    for level in np.arange(panel.y_from, panel.y_to + 1, 10):
        at = panel.y(float(level))
        picture.line([(LEFT, at), (RIGHT, at)], GRID)
        picture.words(LEFT - 8, at + 5, f"{level:.0f}", 14, anchor="end", colour=INK)
    for tick in TICKS_HZ:
        if choice.edges_hz[0] <= tick <= choice.edges_hz[-1]:
            at = panel.x(float(np.log(tick)))
            picture.line([(at, TOP), (at, BOTTOM)], GRID)
            picture.words(at, BOTTOM + 20, str(tick), 14, anchor="middle", colour=INK)
    middle = (LEFT + RIGHT) / 2
    picture.words(middle, HEIGHT - 10, "frequency, Hz", 14, anchor="middle", colour=INK)
    label, half = "steady level, dB re full scale", (TOP + BOTTOM) / 2
    picture.words(18, half, label, 14, anchor="middle", colour=INK, turned=True)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
