"""How the commands print: JSON that is always valid, warnings on stderr, progress on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any


def json_text(document: Any) -> str:
    """Return a document as JSON text; a number that is not finite is an error, never ``NaN``."""
    import json

    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)


def out(lines: Iterable[str]) -> None:
    """Print lines on stdout."""
    sys.stdout.write("".join(f"{line}\n" for line in lines))


@contextmanager
def progress(text: str) -> Iterator[None]:
    """Show what is being done on stderr, only where a person watches, and wipe it afterwards."""
    shown = sys.stderr.isatty()
    if shown:
        sys.stderr.write(f"{text} ...")
        sys.stderr.flush()
    try:
        yield
    finally:
        if shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


@contextmanager
def bar(text: str) -> Iterator[Callable[[float], None]]:
    """Give a callback that shows a share (0 to 1) of long work, only where a person watches."""
    shown = sys.stderr.isatty()
    last = -1

    def tell(share: float) -> None:
        nonlocal last
        percent = int(100 * share)
        if shown and percent != last:
            last = percent
            sys.stderr.write(f"\r{text} ... {percent} %\x1b[K")
            sys.stderr.flush()

    try:
        yield tell
    finally:
        if shown and last >= 0:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
