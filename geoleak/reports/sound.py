"""What `geoleak listen` and `geoleak delay` say."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.cautions import HEARING
from geoleak.errors import (
    AcousticsError,
    Complaint,
    InputError,
    Origin,
    RecordingError,
    SiteDataError,
)
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


@dataclass(frozen=True, slots=True, eq=False)
class ListenReport:
    """The recordings of a site, measured in one band; ``found`` is None where there are none."""

    title: str
    found: Listening | None
    start_band_hz: tuple[float, float]

    def to_dict(self) -> dict[str, Any]:
        """Return levels, the band and why, as JSON values."""
        found = self.found
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
            "with_leak": found.with_leak,
            "without": found.without,
            **{name: getattr(found.choice, name, None) for name in apart},
            "recordings": [
                {
                    "reading": each.name,
                    "level_db": each.level.level_db,
                    "standard_error_db": each.level.standard_error_db,
                    "median_db": each.level.median_db,
                    "duration_s": each.level.duration_s,
                    "comparable": each.comparable,
                }
                for each in found.heard
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
        said = [self.title, band, *self._compared()]
        said.append("level   steady level (exceeded 90 % of the time), dB re full scale")
        for each in sorted(self.found.heard, key=lambda h: -h.level.level_db):
            apart = "" if each.comparable else "  not comparable"
            said.append(
                f"        {each.name:<8} {each.level.level_db:7.1f}  "
                f"give or take {give_or_take(each.level.standard_error_db, 1)}{apart}"
            )
        said += [f"warning {each.text}" for each in self.found.warnings]
        return [*said, HEARING]

    def _compared(self) -> list[str]:
        if self.found is None or self.found.choice is None:
            return [
                "compare two recordings (near the suspected leak and far from it) to measure it"
            ]
        choice = self.found.choice
        pair = f"{self.found.with_leak} against {self.found.without}"
        if not choice.found:
            return [f"        {pair}: {choice.reason}"]
        return [
            f"        {pair}: {choice.difference_db:.1f} dB apart, give or take "
            f"{give_or_take(choice.difference_sigma_db, 1)}"
        ]

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
            raise _no_picture(path, error.strerror or "it cannot be written") from error


def check_picture(path: Path) -> None:
    """Refuse a picture of another ending: a slip that would cost a file of the site its content.

    Raises
    ------
    InputError
    """
    if path.suffix.casefold() != ".svg":
        raise _no_picture(path, "a picture is an SVG file")
    if not path.absolute().parent.is_dir():
        raise _no_picture(path, f"there is no folder {path.parent}")


def _no_picture(path: Path, what: str) -> InputError:
    return InputError([Complaint(Origin(path.as_posix()), what, "name a file such as band.svg")])


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
            raise InputError([Complaint(Origin(option), what, f"those that have one: {named}")])
    if not recordings:
        return ListenReport(site.title, None, (start.low_hz, start.high_hz))
    try:
        found = listen(
            recordings,
            with_leak=with_leak,
            without=without,
            band_hz=band_hz,
            material=material,
            progress=progress,
        )
    except RecordingError as error:
        where = Origin((site.folder / "readings.csv").as_posix())
        raise InputError([Complaint(where, str(error))]) from error
    except AcousticsError as error:
        raise SiteDataError(f"{(site.folder / 'readings.csv').as_posix()}: {error}") from error
    return ListenReport(site.title, found, (start.low_hz, start.high_hz))


def _check_band(band_hz: tuple[float, float] | None) -> None:
    if band_hz is not None and not 0 < band_hz[0] < band_hz[1] < math.inf:
        what = f"{band_hz[0]:g} to {band_hz[1]:g} is no band"
        raise InputError([Complaint(Origin("--band"), what, "two frequencies in hertz, low first")])


def _check_longest(longest_s: float) -> None:
    if not 0 < longest_s <= LONGEST_S:
        what = f"{1000 * longest_s:g} is no longest delay"
        remedy = f"milliseconds above 0, up to {1000 * LONGEST_S:g}"
        raise InputError([Complaint(Origin("--longest-ms"), what, remedy)])


@dataclass(frozen=True, slots=True, eq=False)
class DelayReport:
    """Delays between pairs of recordings, each with a name."""

    found: tuple[tuple[str, DelayEstimate], ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the delays as JSON values; null where none was found."""
        return {"delays": [self._row(name, each) for name, each in self.found]}

    def _row(self, name: str, each: DelayEstimate) -> dict[str, Any]:
        told = ("found", "delay_s", "sigma_s", "coherence", "band_hz", "chance_wrong")
        rival = ("delay_s", "height", "chance")
        return {
            "name": name,
            **{key: getattr(each, key) for key in told},
            "rivals": [{key: getattr(r, key) for key in rival} for r in each.rivals],
            "reason": each.reason,
            "duration_s": each.duration_s,
            "warnings": [w.to_dict() for w in each.warnings],
        }

    def lines(self) -> list[str]:
        """Return the report as a person reads it, with the caution for their ears."""
        said: list[str] = []
        for name, each in self.found:
            said += self._lines(name, each)
        if not said:
            said = ["no row of delays.csv names two recordings"]
        return [*said, HEARING]

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
            raise InputError([Complaint(Origin(path.as_posix()), what, "name a WAV file")])
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
        try:
            estimate = delay_of_files(
                site.folder / row.recording_first,
                site.folder / row.recording_second,
                band_hz=band,
                max_lag_s=longest_s,
                progress=progress,
            )
        except RecordingError as error:
            raise InputError([Complaint(row.origin, str(error))]) from error
        except AcousticsError as error:
            raise SiteDataError(f"{row.origin}: {error}") from error
        found.append((row.id, estimate))
    return DelayReport(tuple(found))
