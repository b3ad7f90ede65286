"""Pages and documents from the templates in ``assets``, which escape every text they are given.

Three of the documents are of features: site.kml (OGC KML 2.2) for phones and globes, clamped to the
ground; site.gpx (GPX 1.1) for handhelds: way-points with ground elevation, the legs as tracks;
site.xml (LandXML 1.2): points and the legs as alignments with stations. Point text of LandXML is
northing, easting, elevation in the printed grid; stations and lengths along an alignment are on
the ground, at the site's mean height, and the combined factor says how they differ from the grid.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache
from itertools import accumulate, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely

from geoleak.errors import GeoleakError
from geoleak.export import colours, words
from geoleak.export.json_files import on_globe
from geoleak.export.layers import KINDS, NO_DATE, described, label_of
from geoleak.export.stakes import every_stake
from geoleak.result import Feature, Result, Stake
from geoleak.units import unit_m

if TYPE_CHECKING:
    import jinja2

ASSETS = Path(__file__).parent / "assets"
SYMBOLS = {kind: row["gpx"] for kind, row in KINDS.items() if row["gpx"]}
LINEAR_UNIT = {"m": "meter", "ft": "foot", "ftUS": "USSurveyFoot"}
OTHER_UNITS = {
    "Metric": ("squareMeter", "cubicMeter", "celsius", "milliBars"),
    "Imperial": ("squareFoot", "cubicFeet", "fahrenheit", "inchHG"),
}
"""Of area, volume, temperature and pressure."""


@cache
def _environment() -> jinja2.Environment:
    import jinja2
    from markupsafe import Markup, escape

    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(ASSETS),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
        # No control sign of a site's text reaches a file, nor a line break of it.
        finalize=lambda e: words.plain(e) if isinstance(e, str) and type(e) is not Markup else e,
    )
    made.policies["json.dumps_kwargs"] = {"allow_nan": False, "separators": (",", ":")}
    made.filters["told"] = lambda text: escape(words.BEFORE_UNIT.sub("\u00a0", words.plain(text)))
    return made


def rendered(template: str, /, **given: Any) -> str:
    """Return a template of ``assets`` filled in."""
    return _environment().get_template(template).render(**given)


def _write(template: str, result: Result, path: Path, /, **given: Any) -> Path:
    """Write a document of features and return its path.

    The template is also given the result, `words`, and of a feature its ``label``, what is
    ``described`` of it and its ``parts`` in degrees.
    """
    text = rendered(
        template,
        result=result,
        words=words,
        label=lambda each: label_of(each, result),
        described=lambda each: described(each, result),
        parts=lambda each: shapely.get_parts(on_globe(each.lonlat)),
        accuracy=words.accuracy(result.leak.lonlat_accuracy_m, result.site.length_unit),
        **given,
    )
    path.write_bytes(text.encode("utf-8", "replace"))
    return path


def _placed(result: Result, what: str) -> list[Feature]:
    """Return the features that have longitude and latitude; raises GeoleakError if none can."""
    if result.site.local:
        raise GeoleakError(
            f"{what} needs longitude and latitude, and this site is on a grid of its own "
            '(crs = "local"): state its CRS, or leave the file out'
        )
    return [each for each in result.features if each.lonlat is not None]


def write_kml(result: Result, path: Path) -> Path:
    """Write site.kml and return its path.

    Raises
    ------
    GeoleakError
        For a local site, which has no longitude and latitude.
    """
    folders: dict[str, list[Feature]] = {row["kml"]: [] for row in KINDS.values()}
    for each in _placed(result, "KML"):
        if each.kind in KINDS:
            folders[KINDS[each.kind]["kml"]].append(each)
    dig = result.stands == "dig"
    lead = "rover file and the ties are the stake" if dig else "marks and the rover lead there"
    return _write("site.kml", result, path, lead=lead, folders=folders.items(), line=_line)


def _line(feature: Feature) -> tuple[str, int] | None:
    """Return colour and width of a kind that is drawn as a line."""
    percent, tone = feature.properties.get("percent", 95), feature.properties.get("colour")
    return {
        "route": (colours.INK, 3),
        "interval": (colours.INTERVAL.get(percent, colours.INTERVAL[95]), 9),
        "hole": ("#000000", 3),
        "dug": ("#000000", 7),
        "tie": (colours.FIXED, 2),
        "utility": (colours.service_colour(tone), 4),
    }.get(feature.kind)


def write_gpx(result: Result, path: Path) -> Path:
    """Write site.gpx and return its path.

    Raises
    ------
    GeoleakError
        For a local site, which has no longitude and latitude.
    """
    placed = _placed(result, "GPX")
    points = [each for kind in SYMBOLS for each in placed if each.kind == kind]
    lines = [each for each in placed if each.kind in ("route", "hole")]
    return _write("site.gpx", result, path, points=points, lines=lines, symbols=SYMBOLS)


def write_landxml(result: Result, path: Path) -> Path:
    """Write site.xml and return its path."""
    crs, unit = result.leak.position.crs, result.leak.position.unit
    system = "Metric" if unit == "m" else "Imperial"
    named = ("areaUnit", "volumeUnit", "temperatureUnit", "pressureUnit")
    # Of two points of one name the one to set out is kept.
    points = {each.id: each for each in reversed([*every_stake(result), *_shot(result)])}
    return _write(
        "site.xml",
        result,
        path,
        date=result.run.date or NO_DATE,
        system=system,
        linear=LINEAR_UNIT[unit],
        units=dict(zip(named, OTHER_UNITS[system], strict=True)),
        epsg=crs.split(":")[1] if crs.upper().startswith("EPSG:") else "",
        points=reversed(points.values()),
        factor=unit_m(unit),
        legs=list(_alignments(result)),
    )


def _shot(result: Result) -> Iterator[Stake]:
    """Yield the points that were shot, as they would be set out."""
    for each in result.features:
        if each.kind in ("mark", "fitting", "feature") and each.grid.geom_type == "Point":
            height, label = each.properties.get("elevation_m"), label_of(each, result)
            yield Stake(each.id, each.kind, label, each.grid.x, each.grid.y, height)


def _alignments(result: Result) -> Iterator[tuple[Any, ...]]:
    """Yield legs with their ground length and their straight runs, which share it as the grid's."""
    for leg in result.legs:
        runs = list(pairwise(leg.vertices))
        if runs:
            ground = leg.length_m / unit_m(result.leak.position.unit)
            parts = [math.dist(*run) for run in runs]
            scale = ground / sum(parts) if sum(parts) > 0 else 1.0
            at = accumulate((part * scale for part in parts), initial=0.0)
            lines = [(*run, s, p * scale) for run, s, p in zip(runs, at, parts, strict=False)]
            yield leg, ground, lines
