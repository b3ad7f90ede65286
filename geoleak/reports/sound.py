"""What `geoleak listen` and `geoleak delay` say, and the picture of two spectra."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.cautions import HEARING
from geoleak.errors import AcousticsError, InputError, Origin, RecordingError, SiteDataError
from geoleak.record import Record, picked
from geoleak.site import Site
from geoleak.survey import MAX_LAG_S

if TYPE_CHECKING:
    from geoleak.acoustics import BandChoice, DelayEstimate, Listening

# A kilometre of soft plastic takes about 3 s; a longer search is a slip of units.
LONGEST_S = 10.0
Progress = Callable[[float], None]
BAND_WORDS = {
    "stated": "as asked for",
    "measured": "measured: it tells the two recordings apart best",
    "table": "a band to start with for this pipe",
}
A_PICTURE = "name a file such as band.svg"
WIDTH, HEIGHT = 760, 440
LEFT, RIGHT, TOP, BOTTOM = 70, 740, 84, 384
# Two hues that stay apart in every common kind of colour blindness (Okabe & Ito 2008), and a dash
# so that they stay apart in black and white.
LEAK, QUIET = "#b34700", "#0a5c96"
INK, BAND = "#222222", "#efe6c4"
TICKS_HZ = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)


class ListenReport(Record, eq=False):
    """The recordings of a site, measured in one band; ``found`` is None where there are none."""

    title: str
    found: Listening | None
    start_band_hz: tuple[float, float]

    def to_dict(self) -> dict[str, Any]:
        """Return levels, the band and why, as JSON values."""
        found, of_level = self.found, ("level_db", "standard_error_db", "median_db", "duration_s")
        said: dict[str, Any] = {
            "title": self.title,
            "band_hz": list(found.band_hz if found else self.start_band_hz),
            "band_from": found.band_from if found else "table",
        }
        if found is None:
            return {**said, "recordings": [], "warnings": []}
        apart = ("separation", "separation_sigma", "difference_db", "difference_sigma_db")
        return {
            **said,
            **picked(found, "with_leak", "without"),
            **{name: getattr(found.choice, name, None) for name in apart},
            "recordings": [
                {"reading": h.name, **picked(h.level, *of_level), "comparable": h.comparable}
                for h in found.heard
            ],
            "warnings": [each.to_dict() for each in found.warnings],
        }

    def lines(self) -> list[str]:
        """Return the report as a person reads it, with the caution for their ears."""
        found = self.found
        low, high = found.band_hz if found else self.start_band_hz
        why = BAND_WORDS[found.band_from if found else "table"]
        band = f"band    {low:.0f} to {high:.0f} Hz: {why}"
        if found is None:
            return [self.title, "no recordings in readings.csv", band, HEARING]
        told = "compare two recordings (near the suspected leak and far from it) to measure it"
        if (choice := found.choice) is not None:
            told = f"        {found.with_leak} against {found.without}: {choice.reason}"
            if choice.found:
                sigma = give_or_take(choice.difference_sigma_db, 1)
                told += f"{choice.difference_db:.1f} dB apart, give or take {sigma}"
        said = [self.title, band, told]
        said.append("level   steady level (exceeded 90 % of the time), dB re full scale")
        for each in sorted(found.heard, key=lambda h: -h.level.level_db):
            apart = "" if each.comparable else "  not comparable"
            said.append(
                f"        {each.name:<8} {each.level.level_db:7.1f}  "
                f"give or take {give_or_take(each.level.standard_error_db, 1)}{apart}"
            )
        return [*said, *(f"warning {each.text}" for each in found.warnings), HEARING]

    def draw(self, path: Path) -> None:
        """Write the picture of both spectra with the band marked.

        Raises
        ------
        InputError
            A file that is no .svg, or that cannot be written.
        SiteDataError
            Where there are not two recordings to compare.
        """
        found = self.found
        if found is None or found.choice is None:
            raise SiteDataError("there are not two recordings to compare; nothing was drawn")
        named = (str(found.with_leak), str(found.without))
        text = spectrum_svg(found.choice, self.title, *named, band_hz=found.band_hz)
        check_picture(path)
        try:
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            what = error.strerror or "it cannot be written"
            raise InputError.at(path.as_posix(), what, A_PICTURE) from error


def check_picture(path: Path) -> None:
    """Refuse a picture of another ending: a slip that would cost a file of the site its content.

    Raises
    ------
    InputError
    """
    if path.suffix.casefold() != ".svg":
        raise InputError.at(path.as_posix(), "a picture is an SVG file", A_PICTURE)
    if not path.absolute().parent.is_dir():
        raise InputError.at(path.as_posix(), f"there is no folder {path.parent}", A_PICTURE)


def spectrum_svg(
    choice: BandChoice,
    title: str,
    with_leak: str = "with the leak",
    without: str = "without it",
    *,
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
    from geoleak.export.drawing import Picture, to_svg
    from geoleak.export.profile import Panel

    band = band_hz or choice.band_hz
    said = choice.reason + ("; marked: the band in use" if band else "")
    if choice.found and band:
        apart, sigma = choice.difference_db, choice.difference_sigma_db
        said = f"{band[0]:.0f} to {band[1]:.0f} Hz: {apart:.1f} dB apart, give or take {sigma:.1f}"
    both = np.concatenate([choice.with_leak_db, choice.without_db])
    low_db, high_db = np.floor(both.min() / 10) * 10, np.ceil((both.max() + 1) / 10) * 10
    ends = (float(np.log(choice.edges_hz[0])), float(np.log(choice.edges_hz[-1])))
    panel = Panel(LEFT, RIGHT, TOP, BOTTOM, *ends, float(low_db), float(high_db))
    picture = Picture(WIDTH, HEIGHT)
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


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def give_or_take(sigma: float, decimals: int) -> str:
    """Return a sigma for print, rounded up at its last digit: none ever reads as zero."""
    step = 10.0**-decimals
    return f"{max(math.ceil(sigma / step - 1e-9), 1) * step:.{decimals}f}"


def listen_report(
    site: Site,
    *,
    with_leak: str | None = None,
    without: str | None = None,
    band_hz: tuple[float, float] | None = None,
    progress: Progress | None = None,
) -> ListenReport:
    """Return the report on the recordings of a site's readings.

    Raises
    ------
    InputError
        A recording that cannot be read, a band or a reading that makes no sense.
    SiteDataError
        A recording that cannot be measured.
    """
    from geoleak import tables
    from geoleak.acoustics import listen

    _check_band(band_hz)
    material = next((leg.material for leg in site.legs if leg.material), None)
    start = tables.band(material, "listen")
    recordings = {
        each.id: site.folder / each.recording
        for each in site.readings
        if each.recording and not each.skip
    }
    for option, name in (("--with-leak", with_leak), ("--without", without)):
        if name is not None and name not in recordings:
            named = ", ".join(recordings) or "none"
            what = f'reading "{name}" has no recording'
            raise InputError.at(option, what, f"those that have one: {named}")
    found = None
    with _complained_of(Origin((site.folder / "readings.csv").as_posix())):
        if recordings:
            found = listen(
                recordings,
                with_leak=with_leak,
                without=without,
                band_hz=band_hz,
                material=material,
                progress=progress,
            )
    return ListenReport(site.title, found, (start.low_hz, start.high_hz))


@contextmanager
def _complained_of(origin: Origin) -> Iterator[None]:
    """Say where a recording is named that cannot be read, or be used."""
    try:
        yield
    except RecordingError as error:
        raise InputError.at(origin, str(error)) from error
    except AcousticsError as error:
        raise SiteDataError(f"{origin}: {error}") from error


def _check_band(band_hz: tuple[float, float] | None) -> None:
    if band_hz is not None and not 0 < band_hz[0] < band_hz[1] < math.inf:
        what = f"{band_hz[0]:g} to {band_hz[1]:g} is no band"
        raise InputError.at("--band", what, "two frequencies in hertz, low first")


class DelayReport(Record, eq=False):
    """Delays between pairs of recordings, each with a name."""

    found: tuple[tuple[str, DelayEstimate], ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the delays as JSON values; null where none was found."""
        told = ("found", "delay_s", "sigma_s", "coherence", "band_hz", "chance_wrong", "reason",
                "duration_s")  # fmt: skip
        rows = [
            {
                "name": name,
                **picked(each, *told),
                "rivals": [picked(rival, "delay_s", "height", "chance") for rival in each.rivals],
                "warnings": [w.to_dict() for w in each.warnings],
            }
            for name, each in self.found
        ]
        return {"delays": rows}

    def lines(self) -> list[str]:
        """Return the report as a person reads it, with the caution for their ears."""
        said = [line for name, each in self.found for line in self._lines(name, each)]
        return [*(said or ["no row of delays.csv names two recordings"]), HEARING]

    def _lines(self, name: str, each: DelayEstimate) -> list[str]:
        if each.delay_s is None or each.sigma_s is None or each.band_hz is None:
            return [f"{name}: {each.reason}"]
        nearer = "first" if each.delay_s < 0 else "second"
        low, high = each.band_hz
        said = [
            f"{name}: {1000 * each.delay_s:+.2f} ms (arrival at first minus arrival at second), "
            f"give or take {give_or_take(1000 * each.sigma_s, 3)}",
            f"        the leak is nearer the {nearer} sensor; heard from {low:.0f} to "
            f"{high:.0f} Hz, coherence {each.coherence:.2f} over {each.duration_s:.0f} s",
        ]
        if each.chance_wrong is not None and each.chance_wrong >= 0.01:
            said.append(
                f"        chance that another peak is the right one: {each.chance_wrong:.0%}"
            )
        for rival in each.rivals:
            late = f"{1000 * rival.delay_s:+.2f} ms"
            said.append(f"        runner-up {late}, {rival.height:.0%} of the height")
        return said + [f"warning {w.text}" for w in each.warnings]


def delay_report(
    first: str | Site,
    second: str = "",
    *,
    band_hz: tuple[float, float] | None = None,
    longest_s: float | None = None,
    progress: Progress | None = None,
) -> DelayReport:
    """Return the delay between two recordings on disk, or those of a site.

    Of a site: of every row of delays.csv that names two recordings; `band_hz` is taken in place of
    the rows' own. A delay is looked for up to `longest_s`, by itself up to what a site's are.

    Raises
    ------
    InputError
        A band or a longest delay that makes no sense, a site's recording that cannot be read.
    SiteDataError
        A site's recording that cannot be used.
    AcousticsError
        A recording that cannot be read or used.
    """
    from geoleak.acoustics import delay_of_files, split_channel

    _check_band(band_hz)
    longest_s = MAX_LAG_S if longest_s is None else longest_s
    if not 0 < longest_s <= LONGEST_S:
        what = f"{1000 * longest_s:g} is no longest delay"
        remedy = f"milliseconds above 0, up to {1000 * LONGEST_S:g}"
        raise InputError.at("--longest-ms", what, remedy)
    timed = functools.partial(delay_of_files, max_lag_s=longest_s, progress=progress)
    if not isinstance(first, Site):
        for each in (first, second):
            path, _ = split_channel(each)
            if not path.is_file():
                what = "there is no such recording"
                raise InputError.at(path.as_posix(), what, "name a WAV file")
        return DelayReport(((f"{first} and {second}", timed(first, second, band_hz=band_hz)),))
    found = []
    for row in first.delays:
        if row.skip or row.recording_first is None or row.recording_second is None:
            continue
        own = None if row.low_hz is None or row.high_hz is None else (row.low_hz, row.high_hz)
        pair = (first.folder / row.recording_first, first.folder / row.recording_second)
        with _complained_of(row.origin):
            found.append((row.id, timed(*pair, band_hz=band_hz or own)))
    return DelayReport(tuple(found))
