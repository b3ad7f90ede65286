"""What `geoleak listen` and `geoleak delay` say."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.cautions import HEARING
from geoleak.errors import AcousticsError, InputError, Origin, RecordingError, SiteDataError
from geoleak.record import Record
from geoleak.result import picked
from geoleak.site import Site
from geoleak.survey import MAX_LAG_S

if TYPE_CHECKING:
    from geoleak.acoustics import DelayEstimate, Listening

# A kilometre of soft plastic takes about 3 s; a longer search is a slip of units.
LONGEST_S = 10.0
Progress = Callable[[float], None]
BAND_WORDS = {
    "stated": "as asked for",
    "measured": "measured: it tells the two recordings apart best",
    "table": "a band to start with for this pipe",
}


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
        low, high = self.found.band_hz if self.found else self.start_band_hz
        why = BAND_WORDS[self.found.band_from if self.found else "table"]
        band = f"band    {low:.0f} to {high:.0f} Hz: {why}"
        if self.found is None:
            return [self.title, "no recordings in readings.csv", band, HEARING]
        said = [self.title, band, self._compared()]
        said.append("level   steady level (exceeded 90 % of the time), dB re full scale")
        for each in sorted(self.found.heard, key=lambda h: -h.level.level_db):
            apart = "" if each.comparable else "  not comparable"
            said.append(
                f"        {each.name:<8} {each.level.level_db:7.1f}  "
                f"give or take {give_or_take(each.level.standard_error_db, 1)}{apart}"
            )
        said += [f"warning {each.text}" for each in self.found.warnings]
        return [*said, HEARING]

    def _compared(self) -> str:
        if self.found is None or self.found.choice is None:
            return "compare two recordings (near the suspected leak and far from it) to measure it"
        choice, found = self.found.choice, self.found
        told = choice.reason
        if choice.found:
            sigma = give_or_take(choice.difference_sigma_db, 1)
            told = f"{choice.difference_db:.1f} dB apart, give or take {sigma}"
        return f"        {found.with_leak} against {found.without}: {told}"

    def draw(self, path: Path) -> None:
        """Write the picture of both spectra with the band marked.

        Raises
        ------
        InputError
            A file that is no .svg, or that cannot be written.
        SiteDataError
            Where there are not two recordings to compare.
        """
        from geoleak.export.spectrum import spectrum_svg

        if self.found is None or self.found.choice is None:
            raise SiteDataError("there are not two recordings to compare; nothing was drawn")
        text = spectrum_svg(
            self.found.choice,
            title=self.title,
            with_leak=str(self.found.with_leak),
            without=str(self.found.without),
            band_hz=self.found.band_hz,
        )
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


A_PICTURE = "name a file such as band.svg"


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

    material = next((leg.material for leg in site.legs if leg.material), None)
    start = tables.band(material, "listen")
    recordings = {
        each.id: site.folder / each.recording
        for each in site.readings
        if each.recording and not each.skip
    }
    _check_band(band_hz)
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


def _check_longest(longest_s: float) -> None:
    if not 0 < longest_s <= LONGEST_S:
        what = f"{1000 * longest_s:g} is no longest delay"
        remedy = f"milliseconds above 0, up to {1000 * LONGEST_S:g}"
        raise InputError.at("--longest-ms", what, remedy)


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
    first: str,
    second: str,
    *,
    band_hz: tuple[float, float] | None = None,
    longest_s: float = MAX_LAG_S,
    progress: Progress | None = None,
) -> DelayReport:
    """Return the delay between two recordings on disk.

    Raises
    ------
    InputError
        A band or a longest delay that makes no sense.
    AcousticsError
        A recording that cannot be read or used.
    """
    from geoleak.acoustics import delay_of_files, split_channel

    _check_band(band_hz)
    _check_longest(longest_s)
    for each in (first, second):
        path, _ = split_channel(each)
        if not path.is_file():
            what = "there is no such recording"
            raise InputError.at(path.as_posix(), what, "name a WAV file")
    found = delay_of_files(first, second, band_hz=band_hz, max_lag_s=longest_s, progress=progress)
    return DelayReport(((f"{first} and {second}", found),))


def site_delay_report(
    site: Site,
    *,
    band_hz: tuple[float, float] | None = None,
    longest_s: float = MAX_LAG_S,
    progress: Progress | None = None,
) -> DelayReport:
    """Return the delays of every row of delays.csv that names two recordings.

    `band_hz` is taken in place of the rows' own.

    Raises
    ------
    InputError
        A band or a longest delay that makes no sense, a recording that cannot be read.
    SiteDataError
        A recording that cannot be used.
    """
    from geoleak.acoustics import delay_of_files

    _check_band(band_hz)
    _check_longest(longest_s)
    found = []
    for row in site.delays:
        if row.skip or row.recording_first is None or row.recording_second is None:
            continue
        band = band_hz
        if band is None and row.low_hz is not None and row.high_hz is not None:
            band = (row.low_hz, row.high_hz)
        with _complained_of(row.origin):
            estimate = delay_of_files(
                site.folder / row.recording_first,
                site.folder / row.recording_second,
                band_hz=band,
                max_lag_s=longest_s,
                progress=progress,
            )
        found.append((row.id, estimate))
    return DelayReport(tuple(found))
