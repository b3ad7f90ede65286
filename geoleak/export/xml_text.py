"""XML that any reader takes: declared, indented, and free of characters XML cannot hold."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

from geoleak.errors import GeoleakError
from geoleak.export.words import plain
from geoleak.result import Result


def child(parent: ET.Element, tag: str, text: object = "", /, **attributes: str) -> ET.Element:
    """Add an element with cleaned text and attributes and return it."""
    made = ET.SubElement(parent, tag, {key: plain(value) for key, value in attributes.items()})
    if text != "":
        made.text = plain(text)
    return made


def write(root: ET.Element, path: str | Path) -> Path:
    """Write a document and return its path."""
    ET.indent(root, " ")
    path = Path(path)
    body = ET.tostring(root, encoding="unicode")
    text = f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'
    path.write_bytes(text.encode("utf-8", "replace"))
    return path


def refuse_local(result: Result, what: str) -> None:
    """Raise an error where a file needs longitude and latitude and the site has none."""
    if result.site.local:
        raise GeoleakError(
            f"{what} needs longitude and latitude, and this site is on a grid of its own "
            '(crs = "local"): state its CRS, or leave the file out'
        )
