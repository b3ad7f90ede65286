"""What the page draws: the answer in words, the pipe with its odds, where to go, what came in."""

from __future__ import annotations

from typing import Any

import numpy as np

from geoleak import tables
from geoleak.errors import GeoleakError
from geoleak.export import ahead, spoken, words
from geoleak.export.told import told
from geoleak.result import Result, picked
from geoleak.serve.book import COLUMNS, filled
from geoleak.serve.live import Answer, Live
from geoleak.stake import place_text
from geoleak.survey import Survey
from geoleak.units import unit_m

# Entries of a listening survey are shown along the pipe; more than this are no help on a phone.
MOST_ROWS = 400


def page_state(live: Live, answer: Answer, *, read_only: bool) -> dict[str, Any]:
    """Return all that the page needs, as JSON-ready values. Positions are working metres."""
    survey, result = answer.survey, answer.result
    of_leg = (
        {leg.name: tables.band(leg.leg.material, "listen") for leg in survey.legs} if survey else {}
    )
    columns = ("id", "kind", "leg", "chainage_m", "level_db", "place")
    heard = [picked(each, *columns) for each in result.readings] if survey and result else []
    bands = {name: [band.low_hz, band.high_hz] for name, band in of_leg.items()}
    return {
        "number": answer.number,
        "read_only": read_only,
        "title": survey.site.title if survey else live.folder.resolve().name,
        "complaint": list(answer.complaint),
        "said": live.said[-3:],
        "unit": _unit(survey),
        "answer": _answer(survey, result) if survey and result else None,
        "next": _next(survey, result) if survey and result and not result.closed else [],
        "legs": _legs(survey, result) if survey else [],
        "points": _points(survey) if survey else [],
        "readings": heard,
        "rows": {name: _rows(live, name) for name in COLUMNS},
        "surfaces": list(tables.names("surfaces")),
        "scale": survey.site.levels.level_scale if survey else "db",
        "limits": survey.site.levels.level_limits if survey else None,
        "lonlat": bool(survey and not survey.frame.is_local),
        "bands": bands,
    }


def _unit(survey: Survey | None) -> dict[str, Any]:
    unit = survey.site.length_unit if survey else "m"
    return {
        "name": words.unit_word(unit),
        "metres": unit_m(unit),
        "station_of": 1000 if unit == "m" else 100,
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
        "lines": spoken.lines(result),
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
    found = []
    for leg in survey.legs:
        made: dict[str, Any] = {
            "name": leg.name,
            "length_m": leg.route.length_m,
            "vertices": np.round(leg.route.vertices_m[:, :2], 3).tolist(),
            "odds": [],
        }
        profile = odds.get(leg.name)
        if profile is not None:
            at = np.asarray(profile.chainage_m)
            places = np.asarray(leg.route.position(at))[:, :2]
            made["odds"] = [
                [float(x), float(e), float(n), float(d)]
                for x, (e, n), d in zip(at, places, profile.density_per_m, strict=True)
            ]
        found.append(made)
    return found


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
