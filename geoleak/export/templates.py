"""Pages and documents from the templates in ``assets``, which escape every text they are given."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.errors import GeoleakError
from geoleak.export import words
from geoleak.export.geojson import on_globe
from geoleak.export.layers import described, label_of
from geoleak.result import Feature, Result

if TYPE_CHECKING:
    import jinja2

ASSETS = Path(__file__).parent / "assets"


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


def write_document(template: str, result: Result, path: str | Path, /, **given: Any) -> Path:
    """Write an XML document of features and return its path.

    The template is also given the result, `words`, and of a feature its ``label``, what is
    ``described`` of it and its ``parts`` in degrees.
    """

    def parts(feature: Feature) -> Any:
        import shapely

        return shapely.get_parts(on_globe(feature.lonlat))

    path = Path(path)
    told = {
        "label": lambda each: label_of(each, result),
        "described": lambda each: described(each, result),
        "parts": parts,
    }
    text = rendered(template, result=result, words=words, **told, **given)
    path.write_bytes(text.encode("utf-8", "replace"))
    return path


def on_globe_only(result: Result, what: str) -> list[Feature]:
    """Return the features that have longitude and latitude; raises GeoleakError if none can."""
    if result.site.local:
        raise GeoleakError(
            f"{what} needs longitude and latitude, and this site is on a grid of its own "
            '(crs = "local"): state its CRS, or leave the file out'
        )
    return [each for each in result.features if each.lonlat is not None]
