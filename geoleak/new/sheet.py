"""The sheet a technician prints and fills in along the marks: one file, no network, no scripts."""

from __future__ import annotations

import itertools
from importlib import resources
from string import Template
from typing import TYPE_CHECKING

from geoleak.cautions import HEARING

if TYPE_CHECKING:
    from geoleak.site import Site

_UNSAFE = {sign: f"&#{ord(sign)};" for sign in "&<>\"'`\\${}"}
# Headings of a leg's table, and their widths in per cent.
_COLUMNS = {"No": 6, "Mark": 12, "Level": 22, "Background": 14, "Surface": 16, "Note": 30}


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
    page = resources.files("geoleak.new").joinpath("listening_sheet.html").read_text("utf-8")
    number = itertools.count(1)
    heads = "".join(f'<th scope="col" style="width: {w}%">{h}</th>' for h, w in _COLUMNS.items())
    tables = []
    for leg in site.legs:
        rows = "\n".join(
            f'<tr><td>{next(number)}</td><td class="mark">{escaped(mark)}</td>'
            f"{'<td></td>' * 4}</tr>"
            for mark in leg.mark_ids
        )
        tables.append(_table(f"Leg {escaped(leg.name)}", heads, rows))
    # The fittings a contact sensor can touch: the usual first step.
    marks = {mark for leg in site.legs for mark in leg.mark_ids}
    fittings = "".join(
        f'<tr><td class="mark">{escaped(point.id)}</td><td>{escaped(point.code)}</td>'
        "<td></td><td></td></tr>"
        for name, point in site.points.items()
        if site.codes.is_fitting(point.code) and name not in marks
    )
    if fittings:
        heads = "".join(f'<th scope="col">{h}</th>' for h in ("Point", "Code", "Level", "Note"))
        tables.append(_table("Fittings, touched with the contact sensor", heads, fittings))
    return Template(page).substitute(
        title=escaped(site.title), caution=escaped(HEARING), tables="\n".join(tables)
    )


def _table(title: str, heads: str, rows: str) -> str:
    return (
        f"<h2>{title}</h2>\n<table><thead><tr>\n{heads}\n</tr></thead><tbody>\n{rows}\n"
        "</tbody></table>"
    )
