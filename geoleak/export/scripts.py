"""Text as a page draws it: in fonts that travel with the file, of any script they hold.

A PDF draws letters one after another from the left. Arabic letters take the form that their
neighbours ask for (Unicode presentation forms), and runs of right-to-left letters are turned
round: the parts of the Unicode bidirectional algorithm that one line of a title needs.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache, lru_cache
from pathlib import Path

from geoleak.export.words import plain

FONTS = {
    "GeoleakSans": "DejaVuSansCondensed.ttf",
    "GeoleakSans-Bold": "DejaVuSansCondensed-Bold.ttf",
}
RIGHT = ("R", "AL")
FORMS = ("isolated", "final", "initial", "medial")
LAM = 0x0644
MIRRORED = str.maketrans("()[]{}<>«»", ")(][}{><»«")
"""Brackets turned, as reading from the right asks."""


@cache
def _glyphs() -> frozenset[int]:
    """Register the fonts and return the characters that both hold."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    held = []
    for name, file in FONTS.items():
        font = TTFont(name, str(Path(__file__).parent / "assets" / "fonts" / file))
        pdfmetrics.registerFont(font)
        held.append(set(font.face.charToGlyph))
    return frozenset(held[0] & held[1])


def font(*, bold: bool = False) -> str:
    """Return the name of a font, registered with reportlab."""
    _glyphs()
    return list(FONTS)[bold]


@lru_cache(4096)
def width_of(text: object, size: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is as it is drawn."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(shown(text), font(bold=bold), size))


def missing(text: object) -> bool:
    """Tell whether the fonts lack letters of a text."""
    return any(ord(c) not in _glyphs() for c in unicodedata.normalize("NFC", plain(text)))


def held(text: object) -> str:
    """Return text in reading order whose every letter the fonts hold, "…" for the others."""
    made: list[str] = []
    for c in unicodedata.normalize("NFC", plain(text)):
        if ord(c) in _glyphs():
            made.append(c)
        elif not made or made[-1] != "…":
            made.append("…")
    return "".join(made)


@lru_cache(4096)
def shown(text: object) -> str:
    """Return a line of text as it is drawn from the left."""
    return as_drawn(held(text))


def as_drawn(text: str) -> str:
    """Return text in the order and the shapes in which it is drawn from the left."""
    if not any(unicodedata.bidirectional(c) in RIGHT for c in text):
        return text
    runs = _runs(_joined(text))
    turned = [part[::-1].translate(MIRRORED) if right else part for part, right in runs]
    return "".join(turned[::-1] if _from_right(text) else turned)


@cache
def _shapes() -> tuple[dict[int, dict[str, str]], dict[tuple[int, int], dict[str, str]]]:
    """Return the forms of each Arabic letter and of lam followed by an alef."""
    single: dict[int, dict[str, str]] = {}
    pair: dict[tuple[int, int], dict[str, str]] = {}
    for code in (*range(0xFB50, 0xFC00), *range(0xFE70, 0xFEFD)):
        form, *letters = (unicodedata.decomposition(chr(code)) or "<>").split()
        form = form.strip("<>")
        if form not in FORMS:
            continue
        codes = [int(each, 16) for each in letters]
        if len(codes) == 1:
            single.setdefault(codes[0], {}).setdefault(form, chr(code))
        elif len(codes) == 2 and codes[0] == LAM:
            pair.setdefault((codes[0], codes[1]), {}).setdefault(form, chr(code))
    return single, pair


def _joined(text: str) -> str:
    """Return text with each Arabic letter in the form that its neighbours ask for."""
    single, pair = _shapes()
    letters = [c for c in text if not 0x064B <= ord(c) <= 0x065F]  # vowel signs have no own place
    made = []
    k = 0
    while k < len(letters):
        code = ord(letters[k])
        following = ord(letters[k + 1]) if k + 1 < len(letters) else 0
        before = k > 0 and "initial" in single.get(ord(letters[k - 1]), {})
        if (code, following) in pair:
            made.append(pair[(code, following)]["final" if before else "isolated"])
            k += 2
            continue
        forms = single.get(code, {})
        after = "initial" in forms and "final" in single.get(following, {})
        wanted = FORMS[(1 if before else 0) + (2 if after else 0)]
        made.append(forms.get(wanted, letters[k]))
        k += 1
    return "".join(made)


def _runs(text: str) -> list[tuple[str, bool]]:
    """Return stretches of one direction; what has none goes with its neighbours, else the line's.

    True is from the right.
    """
    kinds = (unicodedata.bidirectional(c) for c in text)
    sides = "".join("R" if k in RIGHT else "L" if k in ("L", "EN", "AN") else "-" for k in kinds)
    # Of a line from the left: letters from the right, with what stands between two of them.
    right = _from_right(text)
    runs, at = [], 0
    for found in re.finditer("L(?:[-L]*L)?" if right else "R(?:[-R]*R)?", sides):
        runs += [(text[at : found.start()], right), (text[found.start() : found.end()], not right)]
        at = found.end()
    return [run for run in (*runs, (text[at:], right)) if run[0]]


def _from_right(text: str) -> bool:
    """Tell whether a line begins at the right, as its first letter asks."""
    return next(d in RIGHT for d in map(unicodedata.bidirectional, text) if d in (*RIGHT, "L"))
