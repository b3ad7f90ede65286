"""Sound that the page recorded: kept in the site, measured with the function `listen` uses."""

from __future__ import annotations

import re
from typing import Any

from geoleak.acoustics import level_of_file, listen
from geoleak.errors import AcousticsError
from geoleak.export.folder import beside
from geoleak.reports.sound import ListenReport
from geoleak.serve.live import Live

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
