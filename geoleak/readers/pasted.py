"""Rows of readings.csv that stand in it twice: a block pasted again tells nothing new."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace

from geoleak.readers.collector import Collector
from geoleak.site import Reading

# Figures that two blocks must share: with a scatter of 1 dB one in four agrees by chance when a
# place is read again, so eight in a row do once in 65,000 (common practice, no source).
SAME_FIGURES = 8


def without_pasted(rows: Sequence[Reading], collector: Collector) -> tuple[Reading, ...]:
    """Return the readings with every block struck out that repeats one before it.

    Same place, kind, figures and note, in the same order; the ids may differ.

    Parameters
    ----------
    rows : sequence of Reading
        In the order of the sheet.
    collector : Collector
        Takes a note for every block.
    """
    keys = [_told(each) for each in rows]
    seen: dict[Hashable, list[int]] = {}
    for k, key in enumerate(keys):
        seen.setdefault(key, []).append(k)
    out, k = list(rows), 0
    while k < len(rows):
        first, count = max(
            ((j, _alike(keys, j, k)) for j in seen[keys[k]] if j < k and not rows[k].skip),
            key=lambda each: each[1],
            default=(k, 0),
        )
        if sum(len(each.levels) for each in rows[k : k + count]) < SAME_FIGURES:
            k += 1
            continue
        lines = [rows[i].origin.line for i in (k, k + count - 1, first, first + count - 1)]
        text = "lines {} to {} are lines {} to {} again".format(*lines)
        for i in range(k, k + count):
            out[i] = replace(rows[i], skip=text)
        remedy = "they count once; strike them out (skip), or say in note that they were read again"
        collector.note("rows_pasted", f"{text}: {remedy}", rows[k].origin)
        k += count
    return tuple(out)


def _alike(keys: Sequence[Hashable], first: int, again: int) -> int:
    """Return how many rows from two places on tell the same, the two stretches apart."""
    count = 0
    while again + count < len(keys) and first + count < again:
        if keys[first + count] != keys[again + count]:
            break
        count += 1
    return count


def _told(row: Reading) -> Hashable:
    """Return all that a row says but its id and where it stands in the sheet."""
    return (
        *(row.kind, row.place.text, row.levels, row.low_hz, row.high_hz, row.surface),
        *(row.background, row.gain_db, row.session, row.recording, row.everything_off),
        *(row.depth_m, row.skip, row.note, row.entry, tuple(sorted(row.extra.items()))),
    )
