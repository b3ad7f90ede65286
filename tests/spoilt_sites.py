"""Copies of the sample sites with one thing spoilt in each, and what must come of it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

SITES = Path(__file__).parent.parent / "sample_sites"

Edit = Callable[[Path], None]


@dataclass(frozen=True, slots=True)
class Spoilt:
    """One way to spoil a site.

    ``code`` is the exit code due. ``says`` are words that must stand in the complaints (refused) or
    in what is printed (answered, code 0).
    """

    name: str
    site: str
    edits: tuple[Edit, ...]
    code: int
    says: tuple[str, ...] = ()

    def make(self, place: Path) -> Path:
        """Copy the site below `place`, spoil it and return its folder."""
        folder = place / self.site
        shutil.copytree(SITES / self.site, folder, ignore=shutil.ignore_patterns("out"))
        for edit in self.edits:
            edit(folder)
        return folder


def put(name: str, old: str, new: str, *, every: bool = False) -> Edit:
    """Return an edit that puts one text in place of another in a file."""

    def edit(folder: Path) -> None:
        path = folder / name
        text = path.read_bytes().decode("utf-8")
        if old not in text:
            raise ValueError(f"{old!r} does not stand in {path.name}")
        path.write_bytes(text.replace(old, new, -1 if every else 1).encode("utf-8"))

    return edit


def toml(old: str, new: str) -> Edit:
    """Return an edit of site.toml."""
    return put("site.toml", old, new)


def points(old: str, new: str) -> Edit:
    """Return an edit of points.csv."""
    return put("points.csv", old, new)


def readings(old: str, new: str) -> Edit:
    """Return an edit of readings.csv."""
    return put("readings.csv", old, new)


def write(name: str, content: str | bytes) -> Edit:
    """Return an edit that gives a file another content."""

    def edit(folder: Path) -> None:
        data = content if isinstance(content, bytes) else content.encode("utf-8")
        (folder / name).write_bytes(data)

    return edit


def again(name: str, change: Callable[[list[str]], list[str]]) -> Edit:
    """Return an edit that rewrites the lines of a file."""

    def edit(folder: Path) -> None:
        path = folder / name
        lines = path.read_text(encoding="utf-8").splitlines()
        path.write_text("\n".join(change(lines)) + "\n", encoding="utf-8")

    return edit


def add(name: str, text: str) -> Edit:
    """Return an edit that appends lines to a file, made where it is missing."""

    def edit(folder: Path) -> None:
        path = folder / name
        before = path.read_text(encoding="utf-8") if path.exists() else ""
        path.write_text(before + text, encoding="utf-8")

    return edit


def recode(name: str, encoding: str) -> Edit:
    """Return an edit that writes a file in another encoding."""

    def edit(folder: Path) -> None:
        path = folder / name
        path.write_bytes(path.read_text(encoding="utf-8").encode(encoding))

    return edit


def away(name: str) -> Edit:
    """Return an edit that takes a file away."""

    def edit(folder: Path) -> None:
        (folder / name).unlink()

    return edit
