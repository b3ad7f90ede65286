"""How the commands print: JSON that is always valid, plain lines, progress on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

# Signs that turn the order of what follows: printed coordinates must not read backwards.
_TURNING = dict.fromkeys([*range(0x202A, 0x202F), *range(0x2066, 0x206A)], "\ufffd")
# Control signs, as a terminal would obey them: a title may not move the cursor or ring the bell.
_CONTROL = dict.fromkeys([*range(0x20), *range(0x7F, 0xA0), 0x2028, 0x2029], "\ufffd")
_PLAIN = _TURNING | _CONTROL


def plain(text: str) -> str:
    """Return one line of text with every control sign of a file's text made visible."""
    return text.translate(_PLAIN)


def json_text(document: Any) -> str:
    """Return a document as JSON text; a number that is not finite is an error, never ``NaN``.

    Where stdout is not UTF-8, every other sign is escaped, so that the document survives.
    """
    import json

    utf8 = (getattr(sys.stdout, "encoding", "") or "").lower().replace("-", "") == "utf8"
    return json.dumps(document, ensure_ascii=not utf8, allow_nan=False, indent=1)


def out_json(document: Any) -> None:
    """Print one JSON document on stdout."""
    sys.stdout.write(json_text(document) + "\n")


def out(lines: Iterable[str]) -> None:
    """Print lines on stdout."""
    sys.stdout.write("".join(f"{plain(line)}\n" for line in lines))


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


@contextmanager
def counted(what: str, total: int) -> Iterator[Callable[[], None]]:
    """Give a callback that counts one thing done, with rate and time left, on a terminal only."""
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        MofNCompleteColumn(),
        TextColumn(what),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    console = Console(stderr=True)
    with Progress(
        *columns, console=console, disable=not console.is_terminal, transient=True
    ) as bar:
        task = bar.add_task(what, total=total, rate="")

        def count() -> None:
            bar.advance(task)
            speed = bar.tasks[0].speed
            bar.update(task, rate=f"{speed:.1f} a second," if speed else "")

        yield count
