"""Which column of a point file is what: header spellings by role.

Case, accents, punctuation and a unit in brackets do not count.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

ROLES: dict[str, str] = {
    "id": "point id",
    "northing": "northing",
    "easting": "easting",
    "latitude": "latitude",
    "longitude": "longitude",
    "elevation": "elevation",
    "ellipsoidal_height": "ellipsoidal height",
    "code": "code",
    "horizontal_precision": "horizontal precision",
    "vertical_precision": "vertical precision",
    "easting_precision": "easting precision",
    "northing_precision": "northing precision",
    "status": "fix",
    "time": "time",
    "depth": "depth",
    "note": "note",
}
NUMERIC_ROLES = frozenset(ROLES) - {"id", "code", "status", "time", "note"}

# Spellings seen in exports of several countries; from memory, no one source.
_SYNONYMS: dict[str, str] = {
    "id": """id point pointnumber pointno pointnum pointid pointname pt ptno ptid ptnum pnt name no
        nr num number p punkt punktnummer punktnr punto numero nombre nompoint matricule mat pno
        station stationname""",
    "northing": "n north northing y norte hochwert nord coordy ycoord ycoordinate localnorthing "
    "gridnorthing gridn coordn",
    "easting": "e east easting x este rechtswert rechtwert est ost coordx xcoord xcoordinate "
    "localeasting gride grideasting coorde",
    "latitude": "lat latitude latitud breite breitengrad latdd latwgs84 geolat",
    "longitude": "lon long lng longitude longitud laenge lange langengrad laengengrad longdd "
    "lonwgs84 geolon",
    "elevation": """elev elevation z h height cota hohe hoehe alt altitude level ortho orthoheight
        orthometricheight rl cote hauteur gridelevation groundelevation msl quota""",
    "ellipsoidal_height": """ellht elhgt ellipsoidalheight ellipsoidheight ellheight ellh hell hae
        ellipsoidelevation ellipsoid wgs84height heightellipsoidal geodeticheight hellipsoidal
        ellipheight ellipht ellipelevation elliphgt""",
    "code": "code pointcode codigo kod codepoint featurecode fcode ptcode feature layer objektcode",
    "note": """description desc descripcion remarks remark comment comments note notes attribute
        bemerkung beschreibung nota observaciones""",
    "horizontal_precision": """hrms hrmsm lateralrms horzprec hacc hprec horizontalprecision
        horizontalaccuracy horizprec hz hzprec hsdv hsigma precisionh rmsh sdh horzrms horizontalrms
        cq2d hqual hsd sigmah positionrms 2drms hv""",
    "vertical_precision": """vrms vertprec vacc vprec verticalprecision verticalaccuracy vsdv vsigma
        precisionv rmsv sdv vertrms verticalrms cq1d vsd sigmav sigmaz elevationrms elevrms
        heightrms rmsz sdz""",
    "easting_precision": "eastingrms erms sde sigmae eastrms sigmax xrms sdx easterror rmse rmsx",
    "northing_precision": "northingrms nrms sdn sigman northrms sigmay yrms sdy rmsn rmsy",
    "status": """solution solutionstatus status fix fixtype fixstatus q quality solutiontype gnssfix
        solstatus gpsfix rtkstatus fixquality""",
    "time": "time date datetime utc utctime localtime timestamp zeit fecha hora gpstime timeutc",
    "depth": "depth pipedepth coverdepth dep tiefe profundidad locatordepth depthofcover",
}
_ROLE_OF = {word: role for role, words in _SYNONYMS.items() for word in words.split()}

# Spellings that some country uses for the other axis: never decided by the header alone.
_AXIS_LETTERS = {"x", "y", "coordx", "coordy", "xcoord", "ycoord"}

_UNITS: dict[str, str] = {
    "m": "m",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "ft": "foot",
    "feet": "foot",
    "foot": "foot",
    "usft": "ftUS",
    "ftus": "ftUS",
    "sft": "ftUS",
    "ussurveyfeet": "ftUS",
    "ussurveyfoot": "ftUS",
    "ift": "ft",
    "ftint": "ft",
    "intft": "ft",
    "internationalfeet": "ft",
    "internationalfoot": "ft",
    "mm": "mm",
    "cm": "cm",
    "in": "in",
    "deg": "deg",
    "degree": "deg",
    "degrees": "deg",
    "dd": "deg",
    "dms": "deg",
    "ddmmss": "deg",
}


def folded(text: str) -> str:
    """Return a header without case, accents, punctuation and a bracketed unit."""
    bare = re.sub(r"[\(\[\{<].*?[\)\]\}>]", " ", text)
    if not re.sub(r"[\W_]+", "", bare):
        bare = text
    apart = unicodedata.normalize("NFKD", bare.casefold().replace("ß", "ss"))
    return "".join(sign for sign in apart if sign.isalnum())


def unit_in_brackets(text: str) -> str | None:
    """Return the unit a header states in brackets (``"foot"`` where it does not say which)."""
    match = re.search(r"[\(\[\{<]\s*(.*?)\s*[\)\]\}>]", text)
    return unit_word(match.group(1)) if match else None


def unit_word(text: str) -> str | None:
    """Return the unit a word names, or ``None``; ``"foot"`` is a foot of unknown kind."""
    return _UNITS.get(re.sub(r"[\W_]+", "", text.casefold()))


def role_of(text: str) -> str | None:
    """Return the role a header spelling stands for, or ``None``."""
    word = folded(text)
    if word in _ROLE_OF:
        return _ROLE_OF[word]
    for unit in ("usft", "ftus", "meters", "metres", "feet", "deg", "dms", "ft", "m"):
        if word.endswith(unit) and len(word) > len(unit) + 1 and word[: -len(unit)] in _ROLE_OF:
            return _ROLE_OF[word[: -len(unit)]]
    return None


@dataclass(frozen=True, slots=True)
class Header:
    """Columns by role: role -> field index; units stated; what is left over by name."""

    roles: Mapping[str, int]
    names: tuple[str, ...]
    units: Mapping[str, str] = field(default_factory=dict)
    doubled: tuple[tuple[str, int, int], ...] = ()
    axis_letters: bool = False

    def extra(self) -> dict[str, int]:
        """Return the columns that have no role, by their name."""
        taken = set(self.roles.values())
        return {
            name or f"column {index + 1}": index
            for index, name in enumerate(self.names)
            if index not in taken
        }


def read_header(cells: Sequence[str]) -> Header:
    """Return what the cells of a header line stand for."""
    roles: dict[str, int] = {}
    units: dict[str, str] = {}
    doubled: list[tuple[str, int, int]] = []
    for index, cell in enumerate(cells):
        role = role_of(cell)
        if role is None:
            continue
        if role in roles:
            if _better(role, cells[index], cells[roles[role]]):
                roles[role], index = index, roles[role]
            doubled.append((role, roles[role], index))
            continue
        roles[role] = index
    if "code" not in roles and "note" in roles:
        # A description is the code where there is no other.
        roles["code"] = roles.pop("note")
    for role, index in roles.items():
        unit = unit_in_brackets(cells[index]) or _unit_tail(cells[index])
        if unit:
            units[role] = unit
    axis = [cells[roles[each]] for each in ("northing", "easting") if each in roles]
    letters = bool(axis) and all(folded(each) in _AXIS_LETTERS for each in axis)
    return Header(roles, tuple(each.strip() for each in cells), units, tuple(doubled), letters)


def _unit_tail(text: str) -> str | None:
    parts = re.split(r"[\s_]+", text.strip())
    return unit_word(parts[-1]) if len(parts) > 1 else None


_PLAIN_NAMES = {
    "id": ("pointid", "pointnumber", "pointno", "name", "id", "point"),
    "elevation": ("elevation", "elev", "z"),
    "status": ("status", "solution", "fix"),
    "time": ("time", "datetime", "timestamp"),
    "note": ("note", "notes"),
    "northing": ("northing", "n"),
    "easting": ("easting", "e"),
}


def _better(role: str, candidate: str, present: str) -> bool:
    """Tell whether a second column of a role is the plainer one."""
    names = _PLAIN_NAMES.get(role, ())
    rank = {name: place for place, name in enumerate(names)}
    return rank.get(folded(candidate), 99) < rank.get(folded(present), 99)
