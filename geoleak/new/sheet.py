"""The sheet a technician prints and fills in along the marks: one file, no network, no scripts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoleak.cautions import HEARING

if TYPE_CHECKING:
    from geoleak.site import Leg, Point, Site

_HOW = (
    "At each mark wait until it is quiet and write the lowest steady level; several listens go side"
    " by side (34 31 33). Background is the level with the water shut off, or on like ground well"
    " away from the leak; never the quiet moment at this mark. Note the surface: concrete, asphalt,"
    " paving, grass, soil, gravel, snow."
)
_STYLE = """
@page { margin: 12mm; }
body { font: 11pt/1.35 system-ui, sans-serif; color: #000; background: #fff; margin: 1em; }
h1 { font-size: 16pt; margin: 0; }
h2 { font-size: 13pt; margin: 1em 0 .3em; }
.fields { display: flex; flex-wrap: wrap; gap: .4em 1.5em; margin: .6em 0; }
.fields span { border-bottom: 1px solid #000; min-width: 11em; padding-right: 4em; }
.caution { border: 2px solid #000; padding: .4em .6em; font-weight: bold; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; }
th, td { overflow-wrap: anywhere; }
th, td { border: 1px solid #444; padding: .25em .4em; text-align: left; height: 1.6em; }
th { font-size: 9pt; }
td.mark { font-weight: bold; white-space: nowrap; }
tr { break-inside: avoid; }
thead { display: table-header-group; }
"""
_UNSAFE = {sign: f"&#{ord(sign)};" for sign in "&<>\"'`\\${}"}


def escaped(text: str) -> str:
    """Return text that stays text in a page: markup and template signs as numeric entities."""
    return "".join(_UNSAFE.get(sign, sign) for sign in text)


def listening_sheet(site: Site) -> str:
    """Return the sheet as one self-contained HTML page.

    Parameters
    ----------
    site : Site
        Its legs give the rows, mark by mark in order.
    """
    title = escaped(site.title)
    parts = [
        "<!DOCTYPE html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Listening sheet: {title}</title><style>{_STYLE}</style></head><body>",
        f"<h1>Listening sheet: {title}</h1>",
        '<div class="fields">',
        *(f"<span>{name}:</span>" for name in ("Date", "By", "Meter", "Sensor", "Band Hz", "Gain")),
        "</div>",
        f'<p class="caution">{escaped(HEARING)}</p>',
        f"<p>{escaped(_HOW)}</p>",
    ]
    number = 0
    for leg in site.legs:
        rows = []
        for mark in leg.mark_ids:
            number += 1
            rows.append(_row(number, site.points[mark]))
        parts += _table(leg, rows)
    parts.append(_fittings(site))
    parts.append("</body></html>")
    return "\n".join(part for part in parts if part) + "\n"


def _table(leg: Leg, rows: list[str]) -> list[str]:
    heads = {"No": 6, "Mark": 12, "Level": 22, "Background": 14, "Surface": 16, "Note": 30}
    return [
        f"<h2>Leg {escaped(leg.name)}</h2>",
        "<table><thead><tr>",
        "".join(
            f'<th scope="col" style="width: {width}%">{head}</th>' for head, width in heads.items()
        ),
        "</tr></thead><tbody>",
        *rows,
        "</tbody></table>",
    ]


def _row(number: int, point: Point) -> str:
    mark = escaped(point.id)
    return f'<tr><td>{number}</td><td class="mark">{mark}</td>' + "<td></td>" * 4 + "</tr>"


def _fittings(site: Site) -> str:
    """Return a table of the fittings a contact sensor can touch: the usual first step."""
    found = [
        point for code, point in _coded(site) if site.codes.fitting and site.codes.is_fitting(code)
    ]
    if not found:
        return ""
    rows = "".join(
        f'<tr><td class="mark">{escaped(point.id)}</td><td>{escaped(point.code)}</td>'
        "<td></td><td></td></tr>"
        for point in found
    )
    return (
        "<h2>Fittings, touched with the contact sensor</h2><table><thead><tr>"
        '<th scope="col">Point</th><th scope="col">Code</th><th scope="col">Level</th>'
        f'<th scope="col">Note</th></tr></thead><tbody>{rows}</tbody></table>'
    )


def _coded(site: Site) -> list[tuple[str, Point]]:
    marks = {mark for leg in site.legs for mark in leg.mark_ids}
    return [(point.code, point) for key, point in site.points.items() if key not in marks]
