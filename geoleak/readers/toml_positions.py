"""Where every key and value of a TOML text stands.

tomllib says what a file holds, not where. This scanner walks a text that tomllib has accepted, so
it needs to know TOML's shape and none of its finer rules.
"""

from __future__ import annotations

import bisect
import re
from dataclasses import dataclass, field

Path = tuple[str | int, ...]
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR = re.compile(r"[^,\]\}\n#]+")
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


@dataclass(slots=True)
class Positions:
    """Line and column, from 1, of keys and values by path (array items by number)."""

    keys: dict[Path, tuple[int, int]] = field(default_factory=dict)
    values: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def of(self, path: Path, *, key: bool = False) -> tuple[int, int]:
        """Return where a value (or its key) stands, or the nearest thing that holds it."""
        while path:
            for table in (self.keys, self.values) if key else (self.values, self.keys):
                if path in table:
                    return table[path]
            path = path[:-1]
        return (1, 1)


def scan(text: str) -> Positions:
    """Return the positions of a valid TOML text."""
    return _Scanner(text).run()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts = [0] + [m.end() for m in re.finditer("\n", text)]
        self.found = Positions()
        self.counts: dict[Path, int] = {}

    def run(self) -> Positions:
        prefix: Path = ()
        while True:
            self._blank()
            if self.at >= len(self.text):
                return self.found
            prefix = self._header() if self.text[self.at] == "[" else self._pair(prefix)

    def _where(self) -> tuple[int, int]:
        line = bisect.bisect_right(self.starts, self.at)
        return line, self.at - self.starts[line - 1] + 1

    def _blank(self) -> None:
        match = _BLANK.match(self.text, self.at)
        if match:
            self.at = match.end()

    def _spaces(self) -> None:
        while self.at < len(self.text) and self.text[self.at] in " \t":
            self.at += 1

    def _header(self) -> Path:
        where = self._where()
        many = self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        parts = self._dotted()
        self.at += 2 if many else 1
        path: Path = ()
        for number, part in enumerate(parts):
            path = (*path, part)
            last = number == len(parts) - 1
            if last and many:
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:
                self.found.keys.setdefault(path, where)
                path = (*path, self.counts[path])
        self.found.keys.setdefault(path, where)
        return path

    def _pair(self, prefix: Path) -> Path:
        where = self._where()
        path = prefix
        for part in self._dotted():
            path = (*path, part)
            self.found.keys.setdefault(path, where)
        self.at += 1  # the equals sign
        self._spaces()
        self._value(path)
        return prefix

    def _dotted(self) -> list[str]:
        parts = []
        while True:
            self._spaces()
            if self.text[self.at] in "\"'":
                parts.append(self._string())
            else:
                match = _BARE.match(self.text, self.at)
                if match is None:  # not valid TOML; tomllib has the word on that
                    raise ValueError("a key was expected")
                parts.append(match.group())
                self.at = match.end()
            self._spaces()
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def _value(self, path: Path) -> None:
        self.found.values.setdefault(path, self._where())
        sign = self.text[self.at]
        if sign in "\"'":
            self._string()
        elif sign == "[":
            self._array(path)
        elif sign == "{":
            self._table(path)
        else:
            match = _SCALAR.match(self.text, self.at)
            self.at = match.end() if match else self.at + 1

    def _array(self, path: Path) -> None:
        self.at += 1
        count = 0
        while True:
            self._blank()
            if self.text[self.at] == "]":
                self.at += 1
                return
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self._value((*path, count))
            count += 1

    def _table(self, path: Path) -> None:
        self.at += 1
        while True:
            self._blank()
            if self.text[self.at] == "}":
                self.at += 1
                return
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self._pair(path)

    def _string(self) -> str:
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            return self._long_string(quote)
        self.at += 1
        out = []
        while self.text[self.at] != quote:
            if quote == '"' and self.text[self.at] == "\\":
                self.at += 1
                out.append(self._escaped())
            else:
                out.append(self.text[self.at])
            self.at += 1
        self.at += 1
        return "".join(out)

    def _escaped(self) -> str:
        sign = self.text[self.at]
        size = {"u": 4, "U": 8}.get(sign)
        if size is None:
            return _ESCAPES.get(sign, sign)
        self.at += size
        return chr(int(self.text[self.at - size + 1 : self.at + 1], 16))

    def _long_string(self, quote: str) -> str:
        start = self.at = self.at + 3
        while not self.text.startswith(quote * 3, self.at):
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        while self.text.startswith(quote * 3, self.at + 1):  # quotes right before the closing three
            self.at += 1
        text = self.text[start : self.at]
        self.at += 3
        return text
