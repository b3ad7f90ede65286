"""What stands around the map: the answer at the head, the key, the profile, the cautions."""

from __future__ import annotations

import re

from geoleak.export import colours, level_scales, listen_words, map_listen, words
from geoleak.export.drawing import to_svg
from geoleak.export.profile_picture import describe, profile_picture
from geoleak.export.words import markup_safe
from geoleak.result import Result

DIG_KEY = (
    (
        "stake",
        '<circle r="8" fill="#fff" stroke="#000" stroke-width="3"/>'
        '<path d="M0 0V-8A8 8 0 0 1 8 0ZM0 0V8A8 8 0 0 1-8 0Z"/>',
    ),
    (
        "hole",
        '<rect x="-9" y="-6" width="18" height="12" fill="#fff" stroke="#000" stroke-width="5"/>'
        '<rect x="-9" y="-6" width="18" height="12" fill="none" stroke="#fff" stroke-width="2" '
        'stroke-dasharray="5 4"/>',
    ),
)
LISTEN_KEY = (
    (
        "listen here next",
        '<path d="M0 10L-5 2A8 8 0 1 1 5 2Z" fill="#000"/>'
        '<text y="-1" text-anchor="middle" font-size="10" font-weight="800" fill="#fff">1</text>',
    ),
    (
        "best place so far, not to dig",
        '<circle r="7" fill="none" stroke="#000" stroke-width="2" stroke-dasharray="3 2"/>',
    ),
)
ALWAYS_KEY = (("pipe", f'<path d="M-11 0H11" stroke="{colours.PIPE}" stroke-width="4"/>'),)
SQUARE = '<rect x="-6" y="-6" width="12" height="12" stroke="#14202b"'
CONTACT_SIGN = f'{SQUARE} fill="#fff" stroke-width="3"/><circle r="2.5"/>'
OTHER_SIGN = (
    '<g stroke="#14202b" stroke-width="2"><circle r="7" fill="#fff"/><path d="M-4 0H4"/></g>'
)
KIND_KEY = (
    ("mark", "mark", '<circle r="5" fill="#fff" stroke="#14202b" stroke-width="2"/>'),
    ("fitting", "fitting", f'{SQUARE} fill="#fff" stroke-width="3" transform="rotate(45)"/>'),
    ("offset_stake", "offset stake", '<path d="M0-7V7" stroke="#000" stroke-width="4"/>'),
    (
        "tie",
        "tape",
        f'<path d="M-11 0H11" stroke="{colours.FIXED}" stroke-width="2.5" '
        'stroke-dasharray="2 5" stroke-linecap="round"/>',
    ),
    ("feature", "fixed feature", f'{SQUARE} fill="{colours.FIXED}" stroke-width="2"/>'),
)
"""Feature kind, word, sign."""
MOST_PROFILES = 6
MOST_WARNINGS = 40
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|ft|m|dB)(?![\w]))")


def safe(text: object) -> str:
    """Return text safe for the page, with figures that stay beside their unit."""
    return _BEFORE_UNIT.sub("&#160;", markup_safe(text))


def body(result: Result, map_element: str) -> str:
    """Return the page's body around the map's element."""
    return "\n".join(
        [
            '<main class="page">',
            head(result),
            '<div class="drawn">',
            '<div class="map-box">',
            map_element,
            '<p class="say" id="say" role="status" aria-live="polite"></p>',
            "</div>",
            key(result),
            "</div>",
            side(result),
            "</main>",
        ]
    )


def head(result: Result) -> str:
    """Return verdict, station, chance, and the facts a crew asks for first."""
    unit = result.site.length_unit
    dig = result.decision.verdict == "dig"
    station = words.station(result.leak.chainage_m, unit)
    title = f"{result.leak.leg} {station}" if dig else map_listen.headline(result)
    parts = [
        '<header class="head">',
        f'<p class="site">{safe(result.site.title)}<br>{safe(words.run(result))}</p>',
        '<div class="answer">'
        f'<span class="verdict {"dig" if dig else "listen"}">{words.verdict(result)}</span>'
        f"<h1>{safe(title)}</h1></div>",
        f'<p class="chance">{safe(chance_line(result) if dig else map_listen.lead(result))}</p>',
    ]
    if dig and result.not_before:
        parts.append(f'<p class="not-before">{safe(words.not_before(result))}</p>')
    parts.append(facts(result) if dig else _listed(map_listen.rows(result)))
    parts.append("</header>")
    return "\n".join(parts)


def chance_line(result: Result) -> str:
    """Return the chance in the hole, and that the leak is on no traced leg."""
    size = words.length(result.decision.hole.length_m, result.site.length_unit)
    inside = words.chance(result.decision.chance_in_hole)
    elsewhere = words.chance(result.leak.probability_elsewhere)
    return f"{inside} in a {size} hole, {elsewhere} that the leak is on no traced leg"


def facts(result: Result) -> str:
    """Return the figures of hole, depth, stake and phone."""
    unit, leg = result.site.length_unit, result.leak.leg
    likely = words.pieces(result.leak.interval_95, unit, leg=leg)
    rows = [
        ("Hole", safe(words.hole_reach(result))),
        ("Likely", f"95 % within {safe(likely)}"),
        ("Crown", safe(words.depth(result))),
        ("Paint", safe(words.near_marks(result))),
        (
            "Stake",
            f'<span class="figure">{safe(words.position(result).split("  ")[0])}</span> '
            f'<span class="figure">{safe(words.position(result).split("  ")[1])}</span><br>'
            f"{safe(words.grid_name(result))}; sets out within {safe(words.ellipse(result))}",
        ),
    ]
    if result.leak.lonlat is not None:
        rows.append(
            (
                "Phone",
                f'<span class="figure">{safe(words.lonlat(result))}</span><br>'
                f"{safe(words.lonlat_accuracy(result))}",
            )
        )
    return _facts(rows)


def _listed(rows: list[tuple[str, str]]) -> str:
    return _facts([(safe(label), safe(text)) for label, text in rows])


def _facts(rows: list[tuple[str, str]]) -> str:
    shown = "".join(f"<dt>{label}</dt><dd>{text}</dd>" for label, text in rows if text)
    return f'<dl class="facts">{shown}</dl>'


def key(result: Result) -> str:
    """Return what the signs and colours on the map mean."""
    kinds = {each.kind for each in result.features}
    first = DIG_KEY if result.decision.verdict == "dig" else LISTEN_KEY
    items = [(_sign(shapes), text) for text, shapes in (*first, *ALWAYS_KEY)]
    items += [
        (
            _sign(f'<rect x="-11" y="-7" width="22" height="14" fill="{colour}"/>'),
            f"{percent} % of the chance",
        )
        for percent, colour in sorted(colours.INTERVAL.items())
    ]
    items += _level_key(result)
    items += [(_sign(shapes), text) for kind, text, shapes in KIND_KEY if kind in kinds]
    items += _service_key(result)
    rows = "".join(f"<li>{sign}{safe(text)}</li>" for sign, text in items)
    return f'<ul class="key" aria-label="Key to the map">{rows}</ul>'


def _sign(shapes: str) -> str:
    return f'<svg width="26" height="22" viewBox="-13 -11 26 22" aria-hidden="true">{shapes}</svg>'


def _level_key(result: Result) -> list[tuple[str, str]]:
    span = level_scales.level_range(result)
    others = _other_readings_key(result)
    if span is None:
        return others
    unit = f" {level_scales.unit_word(result)}".rstrip()
    places = 0 if span[1] - span[0] >= 5 else 1
    return [
        (
            _sign(f'<circle r="8" fill="{colour}" stroke="{colours.INK}" stroke-width="2"/>'),
            f"{'reading ' if number == 0 else ''}{low:.{places}f} to {high:.{places}f}{unit}",
        )
        for number, (colour, low, high) in enumerate(colours.level_edges(*span))
    ] + others


def _other_readings_key(result: Result) -> list[tuple[str, str]]:
    """Return the signs of readings on scales of their own, which wear no level colour."""
    drawn = {level_scales.sign(each, result) for each in result.readings}
    made = []
    if "contact" in drawn:
        made.append((_sign(CONTACT_SIGN), "contact reading (own scale, no colour)"))
    if "other" in drawn:
        made.append((_sign(OTHER_SIGN), "reading on another scale (no colour)"))
    return made


def _service_key(result: Result) -> list[tuple[str, str]]:
    seen: dict[tuple[str, str], None] = {}
    for each in result.features:
        if each.kind == "utility":
            name = str(each.properties.get("name") or each.id)
            seen[(name, str(each.properties.get("colour") or ""))] = None
    return [
        (
            _sign(
                f'<path d="M-11 0H11" stroke="{colours.CASING}" stroke-width="8"/>'
                f'<path d="M-11 0H11" stroke="{colours.service_colour(colour)}" '
                'stroke-width="4"/>'
            ),
            name,
        )
        for name, colour in seen
    ]


def side(result: Result) -> str:
    """Return the profile, the chance by hole length, what next, services, cautions, warnings."""
    dig = result.decision.verdict == "dig"
    why = _list("Why", [words.told(each) for each in result.decision.reasons])
    parts = ['<section class="side">']
    parts += [profiles(result), by_length(result), why] if dig else [why, profiles(result)]
    if dig:
        parts.append(_list("Listen before the dig", next_readings(result)))
        parts.append(_list("If the hole is dry", next_holes(result)))
        parts.append(_list("Other services", words.services(result)))
    head_text = "Before digging" if dig else "While listening"
    parts.append(_list(head_text, result.cautions, css="cautions"))
    parts.append(warnings(result))
    parts.append(
        f'<p class="foot">Run {safe(result.run.id)}, geoleak {safe(result.run.version)}. '
        f"Grid: {safe(result.site.grid_name)} ({safe(result.site.crs)}). "
        f"{'A stake' if dig else 'Where to listen'} is advice; "
        "local codes and licensed practice govern.</p>"
    )
    parts.append("</section>")
    return "\n".join(each for each in parts if each)


def profiles(result: Result) -> str:
    """Return the profile of the leak's leg, and of other legs with readings behind a fold."""
    legs = [each.leg for each in result.profile if each.chainage_m]
    wanted = {result.leak.leg}
    if result.decision.verdict != "dig" and result.next_readings:
        wanted = {each.leg for each in result.next_readings}
    first = [each for each in legs if each in wanted]
    heard = {each.leg for each in result.readings}
    others = [each for each in legs if each not in wanted and each in heard]
    parts = [_profile(result, leg, number) for number, leg in enumerate(first)]
    if others:
        parts.append('<details class="more-legs"><summary>Profiles of other legs</summary>')
        parts += [
            _profile(result, leg, number)
            for number, leg in enumerate(others[:MOST_PROFILES], start=len(first))
        ]
        parts.append("</details>")
    return "\n".join(parts)


def _profile(result: Result, leg: str, number: int) -> str:
    picture = profile_picture(result, leg)
    svg = to_svg(
        picture,
        name=f"profile-{number}",
        title=f"Profile along {leg}",
        description=describe(result, leg),
    )
    beside = level_scales.not_drawn(result, leg)
    note = f'<p class="aside">{safe(beside)}</p>' if beside else ""
    return f'<div class="profile"><h2>Along {safe(leg)}</h2>\n{svg}{note}</div>'


def by_length(result: Result) -> str:
    """Return the chance against the length of the hole, up to the first that is all but sure."""
    unit = result.site.length_unit
    pairs = result.decision.chance_by_length
    if not pairs:
        return ""
    sure = next((k for k, (_, odds) in enumerate(pairs) if odds > 0.99), len(pairs))
    pairs = pairs[: sure + 1]
    text = ", ".join(f"{words.length(size, unit)}: {words.chance(odds)}" for size, odds in pairs)
    return f'<div><h2>Chance by length of hole</h2><p class="by-length">{safe(text)}</p></div>'


def next_readings(result: Result) -> list[str]:
    """Return the readings worth taking next, in words."""
    return listen_words.numbered(result) if listen_words.advised(result) else []


def next_holes(result: Result) -> list[str]:
    """Return the holes to open next, in words."""
    unit, leg = result.site.length_unit, result.leak.leg
    return [
        f"{words.pieces(each.pieces, unit, leg=leg)} ({words.chance(each.chance)})"
        for each in result.decision.then
    ]


def warnings(result: Result) -> str:
    """Return the warnings behind a fold."""
    if not result.warnings:
        return ""
    rows = [
        words.told(each.text)
        + (f" ({each.origin.file}:{each.origin.line})" if each.origin.file else "")
        for each in result.warnings[:MOST_WARNINGS]
    ]
    listed = "".join(f"<li>{safe(row)}</li>" for row in rows)
    count = len(result.warnings)
    head_text = "1 warning" if count == 1 else f"{count} warnings"
    return f"<details><summary>{head_text}</summary><ul>{listed}</ul></details>"


def _list(title: str, rows: list[str] | tuple[str, ...], *, css: str = "") -> str:
    if not rows:
        return ""
    listed = "".join(f"<li>{safe(row)}</li>" for row in rows)
    opening = f'<div class="{css}">' if css else "<div>"
    return f"{opening}<h2>{safe(title)}</h2><ul>{listed}</ul></div>"
