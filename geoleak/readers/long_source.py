"""The quick way through a long, clean point file; anything odd goes the careful way.

pandas' C parser splits and converts in one pass. What it would let through in silence is checked
on the bytes: short rows by counting delimiters, comments, quotes, "nan" written out. This module
never complains: it returns ``None`` and `text_source` reads the file again, row by row, and says
what is wrong and where.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.readers.collector import Collector
from geoleak.readers.header_roles import NUMERIC_ROLES
from geoleak.readers.long_columns import CodedText, NumberedIds
from geoleak.readers.text_source import Raw, raw_from_text
from geoleak.site import PointFile

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from geoleak.errors import Origin

LONG_BYTES = 2_000_000
_HEAD_BYTES = 16_000
_NEEDED = ("northing", "easting", "latitude", "longitude")
_COMMENT = re.compile(rb"[\r\n][ \t]*[#%]")


def raw_from_long_text(
    data: bytes,
    *,
    label: str,
    spec: PointFile,
    collector: Collector,
    asked: Mapping[str, Origin],
) -> Raw | None:
    """Return a long clean file's columns, or ``None`` where it wants the careful way."""
    data = data.removeprefix(b"\xef\xbb\xbf")
    if b'"' in data or b"\0" in data:
        return None
    if (b"#" in data or b"%" in data) and _COMMENT.search(data):
        return None
    if b"\r" in data and data.count(b"\r") != data.count(b"\r\n"):
        return None
    if not data.isascii() and not _is_utf8(data):
        return None
    scratch = Collector(collector.folder)
    head_bytes = data[: data.rfind(b"\n", 0, _HEAD_BYTES) + 1]
    head = raw_from_text(head_bytes, label=label, spec=spec, collector=scratch, asked=asked)
    if head is None or scratch.complaints or head.overflow or head.delimiter == " ":
        return None
    first = head.lines[0]
    if list(head.lines) != list(range(first, first + len(head.lines))):
        return None
    frame = _frame(data, head, first)
    if frame is None:
        return None
    raw = _raw(data, frame, head, first)
    if raw is not None:
        collector.notes.extend(scratch.notes)
    return raw


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _frame(data: bytes, head: Raw, first: int) -> pd.DataFrame | None:
    """Return the parsed table if it is whole: no short row, no row too many or too few."""
    import pandas as pd

    start = 0
    for _ in range(first - 1):
        start = data.index(b"\n", start) + 1
    body = data[start:] if start else data
    width = len(head.header.names)
    options: dict[str, Any] = {
        "sep": head.delimiter,
        "decimal": head.decimal,
        "header": None,
        "names": list(range(width)),
        "index_col": False,
        "skip_blank_lines": False,
        "skipinitialspace": True,
        "engine": "c",
        "dtype": _dtypes(body, head),
    }
    try:
        frame = pd.read_csv(io.BytesIO(body), na_filter=False, **options)
    except (ValueError, OverflowError):
        if b"nan" in body.lower():
            return None
        blanks: Any = {i: [""] for r, i in head.header.roles.items() if r in NUMERIC_ROLES}
        try:
            frame = pd.read_csv(
                io.BytesIO(body), na_values=blanks, keep_default_na=False, **options
            )
        except (ValueError, OverflowError):
            return None
    lines = _count(body, "\n") + (not body.endswith(b"\n"))
    whole = _count(body, head.delimiter) == (width - 1) * lines and len(frame) == lines
    return frame if whole else None


def _count(body: bytes, sign: str) -> int:
    """Return how often an ASCII sign stands in the bytes (faster than bytes.count where often)."""
    return int(np.count_nonzero(np.frombuffer(body, dtype=np.uint8) == ord(sign)))


def _dtypes(body: bytes, head: Raw) -> dict[int, Any]:
    kinds: dict[int, Any] = dict.fromkeys(range(len(head.header.names)), "category")
    for role, index in head.header.roles.items():
        if role in NUMERIC_ROLES:
            kinds[index] = "float64"
    at = head.header.roles.get("id", -1)
    if at >= 0:
        kinds[at] = object
        if at == 0 and _plain_numbers(head.columns[0]) and _starts_with_digits(body):
            kinds[at] = "int64"
    return kinds


def _plain_numbers(sample: Sequence[str]) -> bool:
    return all(each.strip().isdecimal() and len(each.strip()) <= 18 for each in sample)


def _starts_with_digits(body: bytes) -> bool:
    """Tell whether every line begins with 1 to 9: an id "007" or "+7" is no plain number."""
    signs = np.frombuffer(body, dtype=np.uint8)
    starts = np.flatnonzero(signs[:-1] == ord("\n")) + 1
    heads = np.append(signs[starts], signs[0])
    return bool(((heads >= ord("1")) & (heads <= ord("9"))).all())


def _line(data: bytes, line: int) -> bytes:
    """Return one line, counted from 1: only the bytes before it are looked at."""
    start = 0
    for _ in range(line - 1):
        start = data.index(b"\n", start) + 1
    end = data.find(b"\n", start)
    return data[start : end if end >= 0 else len(data)].rstrip(b"\r")


def _raw(data: bytes, frame: pd.DataFrame, head: Raw, first: int) -> Raw | None:
    roles = head.header.roles
    columns: list[Sequence[str]] = []
    arrays = {}
    role_at = {index: role for role, index in roles.items()}
    for index in range(len(head.header.names)):
        series = frame[index]
        role = role_at.get(index)
        if role in NUMERIC_ROLES:
            values = series.to_numpy()
            finite = np.isfinite(values)
            if not finite.all() and (role in _NEEDED or np.isinf(values).any()):
                return None
            arrays[role] = values
            columns.append(())
        elif role == "id":
            if series.dtype == np.int64:
                columns.append(NumberedIds(series.to_numpy()))
            else:
                columns.append(series.tolist())
        else:
            words = [str(each) for each in series.cat.categories]
            columns.append(CodedText(words, series.cat.codes.to_numpy()))

    def locate(row: int, index: int) -> Origin:
        from geoleak.errors import Origin
        from geoleak.readers.text import column_in_line

        line = first + row
        if index < 0:
            return Origin(head.label, line)
        found = _line(data, line).decode("utf-8")
        return Origin(head.label, line, column_in_line(found, head.delimiter, index))

    raw = Raw(head.label, head.header, columns, range(first, first + len(frame)), locate)
    raw.arrays = arrays
    raw.decimal, raw.delimiter, raw.has_header = head.decimal, head.delimiter, head.has_header
    return raw
