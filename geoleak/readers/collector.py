"""Where the readers of one site put what they find wrong and what they notice."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import NoReturn

from geoleak.errors import Complaint, InputError, Origin, Refused, did_you_mean
from geoleak.site import NOWHERE, Note

MOST_BYTES = 400_000_000
"""Of one file, larger than any of one job; a sheet and site.toml are held to less."""
MOST_KEPT = 500
"""Complaints of one kind about the rows of a file: nobody would read more."""


class Collector:
    """Complaints, notes and file hashes of one reading of a site folder.

    Parameters
    ----------
    folder : Path
        The site's folder as the user gave it; labels of files are relative to the same place.
    instead : mapping of str to bytes, optional
        Files to be read as they would be, by name.
    """

    def __init__(self, folder: Path, *, instead: Mapping[str, bytes] | None = None) -> None:
        self.folder = folder
        self.instead = instead or {}
        self.complaints: list[Complaint] = []
        self.notes: list[Note] = []
        self.inputs: dict[str, str] = {}
        self._order: dict[str, int] = {}

    def label(self, name: str) -> str:
        """Return how a file of the folder is called in complaints."""
        text = (self.folder / name).as_posix()
        self._order.setdefault(text, len(self._order))
        return text

    def complain(self, origin: Origin, what: str, remedy: str = "") -> None:
        """Keep one complaint; nothing is raised yet."""
        self.complaints.append(Complaint(origin, what, remedy))

    def note(self, code: str, text: str, origin: Origin = NOWHERE) -> None:
        """Keep one thing noticed that is not wrong."""
        self.notes.append(Note(code, text, origin))

    def complaints_in(self, label: str) -> bool:
        """Tell whether a file already has complaints."""
        return any(each.origin.file == label for each in self.complaints)

    @contextmanager
    def taking(self, at: Origin | None = None, lead: str = "") -> Iterator[None]:
        """Keep the complaints of whatever cannot be read in here, and go on after it.

        What is wrong with a value stands ``at`` a place, its name before it as the ``lead``.
        """
        try:
            yield
        except InputError as error:
            self.complaints += error.complaints
        except Refused as error:
            if at is None:
                raise
            self.complain(at, lead + error.what, error.remedy)

    def read_bytes(self, name: str, asked_at: Origin, *, most: int = MOST_BYTES) -> bytes:
        """Return a file's bytes and keep their hash.

        A name that leads out of the folder, also through a link, is refused: a site folder that
        came by mail must not read other files of the machine. So is what is no plain file (a pipe
        would be waited for without end) and a file of more than ``most`` bytes.

        Raises
        ------
        InputError
        """
        data, stop = self.instead.get(name), partial(refused, asked_at)
        if data is None:
            path = self.inside(name, asked_at)
            try:
                state = path.stat()
                if not stat.S_ISREG(state.st_mode):
                    what = "folder" if path.is_dir() else "pipe or a device"
                    raise stop(f'"{name}" is a {what}', "name a file")
                if state.st_size > most:
                    size = f"{state.st_size / 1e6:.1f} MB, more than {most / 1e6:g}"
                    raise stop(f'"{name}" has {size}', "export less, or split the file")
                data = path.read_bytes()
            except FileNotFoundError:
                there: list[str] = []
                with suppress(OSError):
                    there = sorted(each.name for each in self.folder.iterdir() if each.is_file())
                near = did_you_mean(name, there) or "put it into the site's folder"
                raise stop(f'there is no file "{name}"', near) from None
            except (OSError, ValueError) as error:
                why = getattr(error, "strerror", None) or str(error)
                raise stop(f'"{name}" cannot be read ({why})', "check the file") from None
        self.inputs[name] = hashlib.sha256(data).hexdigest()
        return data

    def inside(self, name: str, asked_at: Origin) -> Path:
        """Return the path of a file of the folder; raises `InputError` where it lies outside."""
        remedy = "keep the file in the site's folder and give its name alone"
        if not name.strip() or "\0" in name:
            raise refused(asked_at, f'"{name}" is not a file name', remedy)
        path, outside = self.folder / name, True
        with suppress(OSError, RuntimeError):
            within = path.resolve().is_relative_to(self.folder.resolve())
            outside = Path(name).is_absolute() or not within
        if outside:
            raise refused(asked_at, f'"{name}" leads out of the site\'s folder', remedy)
        return path

    def refuse(self) -> NoReturn:
        """Raise everything collected, by file and line.

        Raises
        ------
        InputError
            With every complaint.
        """
        last = len(self._order)

        def place(each: Complaint) -> tuple[int, Origin]:
            return self._order.get(each.origin.file, last), each.origin

        raise InputError(sorted(dict.fromkeys(self.complaints), key=place))

    def finish(self) -> None:
        """Do so if there is anything."""
        if self.complaints:
            self.refuse()


refused = InputError.at
"""What makes the error of something that cannot be used, to be raised."""
