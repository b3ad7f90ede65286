"""``geoleak found``: the rows of found.csv against the promises they were dug under."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geoleak.closeout.record import CLOSEOUT, Entry, outcome_of
from geoleak.export import words
from geoleak.export.folder import put_text
from geoleak.hydraulics import repaired
from geoleak.record import replace
from geoleak.site import Found, Note, Site
from geoleak.survey import (
    Resolved,
    Survey,
    chainage_of,
    found_places,
    ground_of,
    on_a_leg,
    survey_site,
)
from geoleak.units import format_length, format_station

SHEET = "found.csv"


def as_dug(site: Site) -> Site:
    """Return the site as it was before the rows of found.csv."""
    holes = tuple(each for each in site.holes if Path(each.origin.file).name != SHEET)
    return replace(site, found=(), holes=holes)


def close_out(
    site: Site, result: Mapping[str, Any], before: Sequence[Mapping[str, Any]]
) -> tuple[list[dict[str, Any]], list[Note]]:
    """Return the entries of closeout.json, oldest first, and what there is to say of them.

    Parameters
    ----------
    site : Site
        Its ``found`` rows, in the sheet's order.
    result : Mapping
        result.json that rows not closed out yet were dug under.
    before : sequence of Mapping
        The entries as they stand: a row keeps the promise that it was first held against.

    Raises
    ------
    InputError
        For a place that cannot be found, and for rows that contradict one another.
    """
    ground = ground_of(site)
    survey_site(site, ground=ground)  # refuses a leak inside a hole that was dry
    survey = survey_site(as_dug(site), ground=ground)
    places = {row.origin: at for row, at in found_places(survey, site.found)}
    stands = {each.get("key"): each for each in before}
    proof, notes, entries = repaired(site) if site.meter else None, [], []
    for row in site.found:
        key = _key(row)
        made, said = _outcome(row, places.get(row.origin), survey, result, proof)
        notes += said
        entry = {**made, "key": key, "date": row.date}
        if key in stands:
            entry = {**stands[key], "repaired": entry["repaired"]}
        entries.append(entry)
    leaks = [row for row in site.found if row.outcome == "leak"]
    if len(leaks) > 1:
        text = f"{len(leaks)} leaks were found: the record counts the first against the promise"
        notes.append(Note("two_found", text, leaks[1].origin))
    return entries, notes


def _key(row: Found) -> str:
    """Return what a row is known by, so that a later run leaves its promise alone."""
    places = [each.text if each else "" for each in (row.place, row.start, row.finish)]
    text = "\n".join([row.outcome, *places, row.date or "", row.entry])
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _outcome(
    row: Found,
    at: Resolved | None,
    survey: Survey,
    result: Mapping[str, Any],
    proof: bool | None,
) -> tuple[Entry, list[Note]]:
    if at is None or row.place is None:
        return outcome_of(result), []
    notes = []

    def note(code: str, text: str) -> None:
        notes.append(Note(code, text, row.origin))

    def length(metres: float) -> str:
        return format_length(metres, unit=survey.site.length_unit)

    place, leg = f'"{row.place.text}"', survey.legs[at.leg].name
    leak: Entry = {"leg": None, "chainage_m": None, "depth_m": row.depth_m, "cause": row.cause}
    if not on_a_leg(at):
        away = length(at.distance_m)
        note("found_far", f"{place} is {away} from the nearest leg: counted as on no traced line")
        return outcome_of(result, leak, repaired=proof), notes
    leak |= {"leg": leg, "chainage_m": chainage_of(survey, at)}
    if leg != result["leak"]["leg"]:
        stood = result["leak"]["leg"]
        note("found_other_leg", f'found on leg "{leg}", the stake stood on "{stood}"')
    past = abs(leak["chainage_m"] - at.chainage_m)
    if past:
        note("found_past_end", f"{place} is {length(past)} past the end of the traced line")
    return outcome_of(result, leak, across_m=at.offset_m, repaired=proof), notes


def entry_lines(entry: Mapping[str, Any], *, unit: str) -> list[str]:
    """Return one entry as a crew says it."""
    promised = entry["promised"]
    digs = promised["verdict"] == "dig"
    mark = "stake" if digs else "best place so far"
    said = (
        f"promised {promised['verdict'].replace('_', ' ')}, "
        f"{words.chance(promised['chance_in_hole'])} in the hole (run {promised['run']})"
    )
    if entry["outcome"] == "dry":
        return [f"DRY    {said}"]
    leak = entry["leak"]
    cause = f", {leak['cause']}" if leak["cause"] else ""
    if leak["leg"] is None:
        return [f"FOUND  on no traced line{cause}; {said}"]
    lines = [f"FOUND  {leak['leg']} {format_station(leak['chainage_m'], unit=unit)}{cause}; {said}"]
    if entry["along_m"] is not None:
        along = format_length(abs(entry["along_m"]), unit=unit)
        way = "up the line from" if entry["along_m"] >= 0 else "back down the line from"
        aside = format_length(abs(entry["across_m"]), unit=unit)
        side = "right" if entry["across_m"] >= 0 else "left"
        lines.append(f"       {along} {way} the {mark}, {aside} to the {side} of the traced line")
    inside = "in the hole as drawn" if entry["in_hole"] else "outside the hole as drawn"
    if not digs:
        inside = "no hole was advised"
    stretch = entry["interval"]
    held = f"inside the {stretch} % stretch" if stretch else "outside even the 95 % stretch"
    lines.append(f"       {inside}, {held}")
    if entry["repaired"] is not None:
        proof = "stands still" if entry["repaired"] else "STILL TURNS: something leaks yet"
        lines.append(f"       after the repair the meter {proof}")
    return lines


def write_entries(folder: Path, entries: Sequence[Mapping[str, Any]]) -> Path:
    """Write closeout.json, whole."""
    return put_text(folder / CLOSEOUT, json.dumps(list(entries), indent=1, allow_nan=False) + "\n")
