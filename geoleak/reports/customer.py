"""`geoleak report`: what was tested, found, dug and proven, for whoever pays for it.

One list of sections, written as a PDF and as one HTML file. Every figure is one of result.json,
closeout.json or the meter's runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from geoleak.cautions import ADVICE, CALL_FIRST, PRIVATE_LINES
from geoleak.export import words
from geoleak.export.drawing import Picture
from geoleak.export.folder import beside
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture
from geoleak.record import Record
from geoleak.reports.meter import MeterReport
from geoleak.reports.photos import Photo, photos_of
from geoleak.result import Result
from geoleak.site import Site

KINDS = {
    "surface": ("reading on the ground", "readings on the ground"),
    "contact": ("reading on a fitting", "readings on fittings"),
    "rod": ("reading on a rod", "readings on a rod"),
    "gas": ("gas reading", "gas readings"),
    "bar_hole": ("bar-hole reading", "bar-hole readings"),
}
STOPPED = {
    "as_found": "as found",
    "all_off": "with every tap and machine off",
    "fitting_worked": "with the fitting worked",
    "supply_shut": "with the supply shut",
}
# Figures of a picture in points, as wide as a letter or an A4 page allows.
WIDE, TALL = 500.0, 188.0


class Section(Record):
    """A heading, what is said under it, and its pictures with the words for them."""

    head: str
    said: tuple[str, ...] = ()
    pictures: tuple[tuple[Picture, str], ...] = ()
    photos: tuple[Photo, ...] = ()


class CustomerReport(Record):
    """The report: its letterhead and its sections."""

    title: str
    letterhead: tuple[str, ...]
    logo: Photo | None
    sections: tuple[Section, ...]
    dated: str


def customer_report(
    site: Site, result: Result, entries: Sequence[Mapping[str, Any]], *, keep_position: bool = False
) -> CustomerReport:
    """Return the report of a site.

    Parameters
    ----------
    site : Site
    result : Result
        The answer that was dug under, or that stands now.
    entries : sequence of Mapping
        Of closeout.json, oldest first.
    keep_position : bool, default False
        Leave in photos where they were taken.

    Raises
    ------
    InputError
        For a photo or a logo that is none.
    """
    meter = MeterReport(site) if site.meter else None
    job, date = site.job, result.run.date
    told = (job.company, job.number and f"Job {job.number}", job.address,
            job.technician and f"Technician: {job.technician}",
            job.instruments and f"Instruments: {job.instruments}")  # fmt: skip
    photos = photos_of(site, site.photos, keep_position=keep_position)
    logo = photos_of(site, (job.logo,), keep_position=False, logo=True) if job.logo else ()
    sections = [
        Section("In short", tuple(_short(result, entries, meter))),
        Section("What was tested", tuple(_tested(site, result, meter))),
        _where(result, stands="stood" if entries else "stands"),
        Section("How sure that was", tuple(_odds(result))),
    ]
    if entries:
        said = [line for each in entries for line in _plain(each, site)]
        sections.append(Section("What the dig showed", tuple(said)))
    if meter is not None and meter.test.verdict == "leak":
        said = [line for line in meter.lines() if line[:4] in ("size", "hole", "    ")]
        lost = [f"{line[7:8].upper()}{line[8:]}." for line in said]
        water = (*lost, LOST) if site.metering.since else tuple(lost)
        sections.append(Section("Water lost", water))
    if photos:
        sections.append(Section("Photos", photos=photos))
    sections.append(Section("How it was worked out, and what it does not say", METHOD))
    return CustomerReport(
        title=words.plain(site.title),
        letterhead=tuple(words.plain(each) for each in told if each),
        logo=logo[0] if logo else None,
        sections=tuple(sections),
        dated=f"Surveyed {date}" if date else "Date of the survey not stated",
    )


LOST = (
    "The loss is what the meter shows now, carried back as if the leak had been as large all the "
    "time; it may have begun smaller."
)
METHOD = (
    "A leak makes noise. Its level was read along the pipe, whose line was fitted through marks "
    "measured on the ground; from all readings together the chance of every place along "
    "the pipe was computed, and of there being no leak on the traced line at all.",
    "The percentages are chances, not certainties: of ten places given at 90 %, one is expected to "
    "be wrong. What else may make the sound, or carry it, is weighed with shares that are partly "
    "guesses.",
    ADVICE,
    CALL_FIRST + " " + PRIVATE_LINES,
)


def _short(
    result: Result, entries: Sequence[Mapping[str, Any]], meter: MeterReport | None
) -> Iterable[str]:
    leaks = [each for each in entries if each["outcome"] == "leak"]
    if leaks:
        depth = leaks[0]["leak"]["depth_m"]
        cause = leaks[0]["leak"]["cause"]
        said = "A leak was found and dug up"
        said += f", {words.length(depth, result.site.length_unit)} down" if depth else ""
        yield said + (f"; cause: {words.plain(cause)}." if cause else ".")
        missed = _against_stake(leaks[0], result.site.length_unit)
        if missed:
            yield missed
        proof = leaks[0]["repaired"]
        if proof is not None:
            yield (
                "After the repair the meter stood still with every tap shut: the repair is proven."
                if proof
                else "After the repair the meter still turns with every tap shut: there is more."
            )
    elif entries:
        yield "A hole was dug and was dry; the search goes on."
    elif result.decision.verdict == "dig":
        chance = words.chance(result.decision.chance_in_hole)
        yield f"A leak is expected at {_place(result)}."
        yield f"The chance that it lies in the hole drawn below is {chance}."
    else:
        yield "The readings so far do not settle where the leak is; nothing should be dug up yet."
    if meter is not None and not leaks:
        yield {
            "leak": "The meter shows that water is lost with every tap shut.",
            "none_seen": "The meter showed no flow with every tap shut.",
            "cannot_tell": "The meter was watched, but does not settle whether water is lost.",
        }[meter.test.verdict]


def _place(result: Result) -> str:
    return ", ".join(filter(None, (words.leak_station(result), words.near_marks(result))))


def _tested(site: Site, result: Result, meter: MeterReport | None) -> Iterable[str]:
    unit = result.site.length_unit
    for leg in result.legs:
        of = f" of {leg.material.replace('_', ' ')}" if leg.material else ""
        yield f"Pipe {leg.name}: {words.length(leg.length_m, unit)}{of} was traced."
    counts = Counter(each.kind for each in result.readings)
    for kind, count in counts.items():
        one, more = KINDS.get(kind, (f"{kind} reading", f"{kind} readings"))
        yield f"{count} {one if count == 1 else more}."
    for test in site.stop_tests:
        levels = ((text, getattr(test, name)) for name, text in STOPPED.items())
        told = [f"{sum(each) / len(each):.0f} {text}" for text, each in levels if each]
        worked = f"; the fitting was {test.fitting}" if test.fitting else ""
        yield f"Stop test at {test.place.text}: the sound read {', '.join(told)}{worked}."
    for rows, one, more in (
        (site.delays, "delay was timed between two sensors", "delays were timed between sensors"),
        (site.isolations, "shut-off test was made", "shut-off tests were made"),
        (site.sightings, "sign of water was noted", "signs of water were noted"),
    ):
        if rows:
            yield f"{len(rows)} {one if len(rows) == 1 else more}."
    if meter is not None:
        yield from (f"Meter: {line}" for line in meter.lines()[1:2])


def _where(result: Result, *, stands: str) -> Section:
    unit = result.site.length_unit
    leg = result.leak.leg
    plan, scale = plan_picture(result, WIDE, TALL, size=9)
    pictures = [
        (plan, f"Plan, north up, {scale}."),
        (profile_picture(result, leg, width=WIDE, height=TALL, size=9), describe(result, leg)),
    ]
    lead = (
        f"The stake {stands} at {_place(result)}. Top of pipe: {words.depth(result)}."
        if result.decision.verdict == "dig"
        else f"The best place so far, not to dig, is {words.station(result.leak.chainage_m, unit)}."
    )
    return Section("Where", (lead,), tuple(pictures))


def _odds(result: Result) -> Iterable[str]:
    decision = result.decision
    found = min(99, round(100 * decision.chance_in_hole))
    if decision.verdict == "dig":
        yield f"Of a hundred holes dug on evidence like this, about {found} would find the leak."
    else:
        yield f"A hole at the best place so far would find the leak {found} times in a hundred."
    yield words.elsewhere(result).capitalize() + "."
    if result.leak.side:
        sides = ", ".join(f"{name} {words.chance(p)}" for name, p in result.leak.side.items())
        yield f"Whose side of the boundary: {words.plain(sides)}."


def _plain(entry: Mapping[str, Any], site: Site) -> list[str]:
    """Return one hole as a customer reads it."""
    unit = site.length_unit
    when = f"{entry['date']}: " if entry.get("date") else ""
    the, a = ("the", "a") if when else ("The", "A")
    if entry["outcome"] == "dry":
        return [f"{when}{a} hole was dug where {_chance_given(entry)}; it was dry."]
    leak = entry["leak"]
    if leak["leg"] is None:
        return [f"{when}{the} leak was on no line that had been traced."]
    said = [f"{when}{the} leak was at {leak['leg']} {words.station(leak['chainage_m'], unit)}."]
    return [words.plain(line) for line in (*said, _against_stake(entry, unit)) if line]


def _chance_given(entry: Mapping[str, Any]) -> str:
    return f"the chance was given as {words.chance(entry['promised']['chance_in_hole'])}"


def _against_stake(entry: Mapping[str, Any], unit: str) -> str:
    """Return how far from the stake a leak lay, and whether in the hole; nothing if not known."""
    along, chance = entry["along_m"], _chance_given(entry)
    if along is None:
        return ""
    away = f"It lay {words.length(abs(along), unit)} along the pipe from the"
    if entry["promised"]["verdict"] != "dig":
        return f"{away} best place so far; no hole was advised there, {chance}."
    inside = "inside" if entry["in_hole"] else "outside"
    return f"{away} stake, {inside} the hole that was drawn, where {chance}."


def write_report(report: CustomerReport, folder: Path) -> list[Path]:
    """Write report.pdf and report.html into a folder; both or neither.

    Returns
    -------
    list of Path
    """
    from geoleak.reports.pages import html_page, write_pdf

    paths = [folder / "report.pdf", folder / "report.html"]
    with beside(*paths) as (pdf, page):
        write_pdf(report, pdf)
        page.write_text(html_page(report), encoding="utf-8")
    return paths
