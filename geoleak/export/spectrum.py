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
INK, BAND = "#222222", "#efe6c4"
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
    heard = [tick for tick in TICKS_HZ if choice.edges_hz[0] <= tick <= choice.edges_hz[-1]]
    panel.axes(
        picture,
        14,
        x=[(float(np.log(tick)), str(tick)) for tick in heard],
        y=[(float(level), f"{level:.0f}") for level in np.arange(low_db, high_db + 1, 10)],
        x_name="frequency, Hz",
        y_name="steady level, dB re full scale",
        upright=True,
    )
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


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
