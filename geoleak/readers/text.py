"""Bytes of a text file to text: byte order marks, encodings, and what is no text at all."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_SIGNATURES = {
    b"PK\x03\x04": "a zip archive or a spreadsheet",
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"SQLite format 3": "a database",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet or document",
    b"\x1f\x8b": "a compressed file",
    b"RIFF": "a recording",
}


@dataclass(frozen=True, slots=True)
class Decoded:
    """Text of a file and the encoding it was in."""

    text: str
    encoding: str


def decode_text(data: bytes) -> Decoded:
    """Return the text of a file.

    UTF-8 with or without a byte order mark, UTF-16 with one, and Windows-1252 are read.

    Raises
    ------
    ValueError
        If the file is empty, binary, or UTF-16 without its mark; the message says which, and the
        remedy after a semicolon.
    """
    if not data.strip(b"\x00\r\n\t \xef\xbb\xbf"):
        raise ValueError("the file is empty; export or copy it again")
    for start, what in _SIGNATURES.items():
        if data.startswith(start):
            raise ValueError(f"this is {what}, not text; export it as CSV")
    if data.startswith(_UTF16):
        try:
            return Decoded(_clean(data.decode("utf-16")), "UTF-16")
        except UnicodeDecodeError:
            raise ValueError("damaged UTF-16 text; save the file as UTF-8") from None
    if b"\0" in data:
        sparse = data[1::2].count(0) > len(data) // 5 or data[0::2].count(0) > len(data) // 5
        what = "UTF-16 text without its mark" if sparse else "a binary file, not text"
        raise ValueError(f"this looks like {what}; save the file as UTF-8 text")
    try:
        return Decoded(_clean(data.decode("utf-8-sig")), "UTF-8")
    except UnicodeDecodeError:
        pass
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        raise ValueError(
            "the text is neither UTF-8 nor Windows-1252; save the file as UTF-8"
        ) from None
    return Decoded(_clean(text), "Windows-1252")


def _clean(text: str) -> str:
    controls = sum(text.count(chr(code)) for code in (*range(1, 9), *range(14, 27), 127))
    if controls > max(2, len(text) // 200):
        raise ValueError("this looks like a binary file, not text; export it as CSV")
    if "\x1a" in text:  # an old end-of-file mark
        text = text.replace("\x1a", "")
    return text
