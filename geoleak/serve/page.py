"""What the page draws: the answer in words, the pipe with its odds, where to go, what came in.

And the sound that it recorded: kept in the site, measured with the function `listen` uses.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from geoleak import tables
from geoleak.acoustics import level_of_file, listen
from geoleak.errors import AcousticsError, GeoleakError
from geoleak.export import ahead, words
from geoleak.export.folder import beside
from geoleak.export.told import lines, told
from geoleak.record import picked
from geoleak.reports.sound import ListenReport
from geoleak.result import Result
from geoleak.serve.book import COLUMNS, filled
from geoleak.serve.live import Answer, Live
from geoleak.stake import place_text
from geoleak.survey import Survey
from geoleak.units import unit_m

# Entries of a listening survey are shown along the pipe; more than this are no help on a phone.
MOST_ROWS = 400
# Letters of the plain lines across a phone of 390 points.
ACROSS = 39


def page_state(live: Live, answer: Answer, *, read_only: bool) -> dict[str, Any]:
    """Return all that the page needs, as JSON-ready values. Positions are working metres."""
    survey, result = answer.survey, answer.result
    unit = survey.site.length_unit if survey else "m"
    columns = ("id", "kind", "leg", "chainage_m", "level_db", "place")
    bands = {}
    for leg in survey.legs if survey else ():
        band = tables.band(leg.leg.material, "listen")
        bands[leg.name] = [band.low_hz, band.high_hz]
    return {
        "number": answer.number,
        "read_only": read_only,
        "title": survey.site.title if survey else live.folder.resolve().name,
        "complaint": list(answer.complaint),
        "said": live.said[-3:],
        "unit": {
            "name": words.unit_word(unit),
            "metres": unit_m(unit),
            "station_of": 1000 if unit == "m" else 100,
        },
        "answer": _answer(survey, result) if survey and result else None,
        "next": _next(survey, result) if survey and result and not result.closed else [],
        "legs": _legs(survey, result) if survey else [],
        "points": _points(survey) if survey else [],
        "readings": [picked(each, *columns) for each in result.readings] if result else [],
        "rows": {name: _rows(live, name) for name in COLUMNS},
        "surfaces": list(tables.names("surfaces")),
        "scale": survey.site.levels.level_scale if survey else "db",
        "limits": survey.site.levels.level_limits if survey else None,
        "lonlat": bool(survey and not survey.frame.is_local),
        "bands": bands,
    }


def _answer(survey: Survey, result: Result) -> dict[str, Any]:
    # The words are those that `locate` prints, so that phone and paper never differ.
    said, leak, dig = told(result), result.leak, result.stands == "dig"
    near = result.near.mark if result.near else None
    leg = next(each.number for each in survey.legs if each.name == leak.leg)
    listening = result.stands == "listen_on" and result.next_readings
    return {
        "verdict": result.stands,
        "run": result.run.id,
        "chance": result.decision.chance_in_hole,
        "lines": lines(result, width=ACROSS),
        # Where to listen next stands in a frame of its own.
        "gist": said.place if listening else said.line.removeprefix(said.verdict).lstrip(": "),
        "first": said.rows("Where", "Open", "Depth") if dig else [],
        "not_before": said.bar,
        "stake": [leak.leg, leak.chainage_m] if dig else None,
        "stake_place": place_text(survey, leg, leak.chainage_m, mark=near) if dig else "",
    }


def _next(survey: Survey, result: Result) -> list[dict[str, Any]]:
    by_name = {leg.name: leg for leg in survey.legs}
    found = _check(survey, result) if result.stands == "check_first" else []
    for each in result.next_readings:
        leg = by_name[each.leg]
        east, north = np.asarray(leg.route.position(each.chainage_m))[:2]
        found.append(
            {
                "kind": each.kind,
                "place": each.place,
                "words": ahead.place_of(each, result).removeprefix("at "),
                "leg": each.leg,
                "chainage_m": each.chainage_m,
                "at": [float(east), float(north)],
            }
        )
    return found


def _check(survey: Survey, result: Result) -> list[dict[str, Any]]:
    """Return the check to do before anything is dug, as the first thing to do next."""
    check = result.decision.check
    if check is None or not check.places:
        return []
    place = check.places[0]
    # Paper lists them below; here they stand in the line.
    named = f". The places: {', '.join(check.places)}" if len(check.places) > 1 else ""
    at = next(([p.easting_m, p.northing_m] for p in survey.points if p.point.id == place), None)
    return [
        {
            "kind": "rod" if check.kind == "rod" else "surface",
            "check": check.kind,
            "fitting": check.fitting,
            "place": place,
            "words": ahead.task(result) + named,
            "at": at,
        }
    ]


def _legs(survey: Survey, result: Result | None) -> list[dict[str, Any]]:
    odds = {each.leg: each for each in result.profile} if result else {}

    def drawn(leg: Any) -> list[list[float]]:
        if leg.name not in odds:
            return []
        at, density = np.asarray(odds[leg.name].chainage_m), odds[leg.name].density_per_m
        return np.column_stack([at, leg.route.position(at), density]).tolist()

    return [
        {
            "name": leg.name,
            "length_m": leg.route.length_m,
            "vertices": np.round(leg.route.vertices_m[:, :2], 3).tolist(),
            "odds": drawn(leg),
        }
        for leg in survey.legs
    ]


def _points(survey: Survey) -> list[dict[str, Any]]:
    return [
        {
            **picked(each.point, "id", "code"),
            **picked(each, "kind", "chainage_m"),
            "at": [each.easting_m, each.northing_m],
            "leg": survey.legs[each.leg].name if each.leg is not None else None,
        }
        for each in survey.points
    ]


def _rows(live: Live, sheet: str) -> list[dict[str, Any]]:
    try:
        stored = [each for each in live.book.rows(sheet) if filled(sheet, each.row)]
    except (GeoleakError, OSError):
        return []  # a sheet that cannot be taken apart is complained of by the readers
    return [{"line": each.line, "row": dict(each.row)} for each in stored[-MOST_ROWS:]]


FOLDER = "recordings"
_STORED = re.compile(rf"{FOLDER}/[A-Za-z0-9-]{{8,64}}\.wav")


def store_recording(
    live: Live,
    name: str,
    data: bytes,
    *,
    leg: str | None,
    band_hz: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """Store a WAV below the site and return its level and what spoils it.

    Parameters
    ----------
    live : Live
    name : str
        The sender's id; the same again with the same sound is the file that stands.
    data : bytes
        A WAV.
    leg : str or None
        The leg listened on: its material chooses the band to start with.
    band_hz : (float, float), optional
        Measure in this one: what practice found.

    Returns
    -------
    dict
        ``recording`` (as readings.csv names it), ``level_db``, ``band_hz``, ``warnings``.

    Raises
    ------
    AcousticsError
        For sound that cannot be measured; nothing is kept.
    GeoleakError
        Where it cannot be written.
    """
    path = live.folder / FOLDER / f"{name}.wav"
    if path.exists() and path.read_bytes() != data:
        raise AcousticsError(f"{FOLDER}/{path.name} stands there with other sound; take it again")
    with beside(path) as (new,):
        new.write_bytes(data)
        heard = level_of_file(new, band_hz=band_hz, material=_material(live, leg))
    return {
        "recording": f"{FOLDER}/{path.name}",
        "level_db": heard.level.level_db,
        "band_hz": list(heard.level.band_hz),
        "warnings": [each.text for each in heard.condition.warnings],
    }


def compared(live: Live, running: str, shut: str, *, leg: str | None) -> dict[str, Any]:
    """Return the band that tells a tap running from a tap shut, as `listen` finds and says it.

    Parameters
    ----------
    live : Live
    running, shut : str
        As `store_recording` named them.
    leg : str or None

    Raises
    ------
    AcousticsError
        For a recording that is not there, or two that cannot be compared.
    """
    takes = {"running": running, "shut": shut}
    for name, take in takes.items():
        if not _STORED.fullmatch(take) or not (live.folder / take).is_file():
            raise AcousticsError(f'{name}: there is no recording "{take[:80]}"; take it first')
    found = listen(
        {name: live.folder / take for name, take in takes.items()},
        with_leak="running", without="shut", material=_material(live, leg),
    )  # fmt: skip
    report = ListenReport("practice", found, found.band_hz)
    _, band, told, *_ = (" ".join(line.split()) for line in report.lines())
    return {**report.to_dict(), "lines": [band, told]}


def _material(live: Live, leg: str | None) -> str | None:
    survey = live.answer.survey
    legs = survey.legs if survey else ()
    return next((each.leg.material for each in legs if each.name == leg), None)
