"""Attributes of a drawn main: which field is what, and in which unit."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from geoleak.units import parse_length

DiameterKind = Literal["nominal", "outside", "inside"]

# Spellings by role, folded to letters; from memory, no one source.
_SYNONYMS: dict[str, str] = {
    "name": "name label legname pipename mainname assetname assetid pipeid mainid facilityid",
    "material": "material mat pipematerial pipemat matl mattype materialtype werkstoff materiau",
    "nominal": "diameter dia diam nominaldiameter nomdiam nomdia dn size pipesize pipediameter "
    "pipediam maindiameter durchmesser diametre diametro",
    "outside": "outsidediameter outerdiameter od outdiam outdia externaldiameter",
    "inside": "insidediameter innerdiameter bore internaldiameter indiam india",
    "wall": "wall wallthickness thickness wallthick pipewall wandstaerke epaisseur espesor",
    "depth": "depth cover depthofcover burydepth coverdepth tiefe profondeur profundidad",
    "boundary": "boundary side owner ownership ownedby owntype responsibility",
}
_ROLE = {spelling: role for role, text in _SYNONYMS.items() for spelling in text.split()}
_UNITS = {
    "mm": "mm",
    "cm": "cm",
    "m": "m",
    "metres": "m",
    "meters": "m",
    "in": "in",
    "inch": "in",
    "inches": "in",
    "ft": "ft",
    "feet": "ft",
    "ftus": "ftUS",
    "usft": "ftUS",
}


@dataclass(frozen=True, slots=True)
class NetworkAttributes:
    """What a GIS states of one main; None where it says nothing. Lengths in metres."""

    name: str | None = None
    material: str | None = None
    diameter_m: float | None = None
    diameter_kind: DiameterKind | None = None
    depth_m: float | None = None
    boundary: str | None = None
    extra: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    wall_m: float | None = None


def role_of(field_name: str) -> tuple[str | None, str | None]:
    """Return the role of a field and the unit its name states, such as ``DIAM_MM``, ``depth (ft)``.

    Examples
    --------
    >>> role_of("DIAM_MM"), role_of("Depth (ft)"), role_of("remarks")
    (('nominal', 'mm'), ('depth', 'ft'), (None, None))
    """
    words = [word for word in re.split(r"[^a-z0-9]+", field_name.lower()) if word]
    whole = "".join(words)
    if whole in _ROLE:
        return _ROLE[whole], None
    if len(words) > 1 and words[-1] in _UNITS and "".join(words[:-1]) in _ROLE:
        return _ROLE["".join(words[:-1])], _UNITS[words[-1]]
    return None, None


def read_attributes(
    fields: Mapping[str, Any], *, units: Mapping[str, str]
) -> tuple[NetworkAttributes, list[tuple[str, str]]]:
    """Return the attributes of one feature, and (what is wrong, what would be right)."""
    wrong: list[tuple[str, str]] = []
    texts: dict[str, str] = {}
    lengths: dict[str, float] = {}
    extra: dict[str, str] = {}
    for name, value in fields.items():
        role, unit = role_of(name)
        text = _text(value)
        if role is None:
            extra[name] = text
        elif text == "" or role in texts or role in lengths:
            continue
        elif role in ("name", "material", "boundary"):
            texts[role] = text
        else:
            stated = units.get("depth" if role == "depth" else "diameter")
            try:
                length = _length(text, unit or stated)
            except ValueError as error:
                wrong.append((f"{name}: {error}", _remedy(name)))
                continue
            # 0 is how a GIS writes "not known" where a field may not be empty.
            if length > 0.0:
                lengths[role] = length
    kinds: tuple[DiameterKind, ...] = ("outside", "inside", "nominal")
    kind = next((each for each in kinds if each in lengths), None)
    attributes = NetworkAttributes(
        name=texts.get("name"),
        material=texts.get("material"),
        diameter_m=None if kind is None else lengths[kind],
        diameter_kind=kind,
        depth_m=lengths.get("depth"),
        boundary=texts.get("boundary"),
        extra=MappingProxyType(extra),
        wall_m=lengths.get("wall"),
    )
    return attributes, wrong


def _remedy(name: str) -> str:
    return f'write the unit with the value ("6 in") or in the field\'s name ("{name}_mm")'


def _text(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if hasattr(value, "item"):
        value = value.item()
        if isinstance(value, float) and math.isnan(value):
            return ""
    return f"{value:g}" if isinstance(value, float) else str(value).strip()


def _length(text: str, unit: str | None) -> float:
    if re.fullmatch(r"0+(?:[.,]0*)?", text):
        return 0.0
    bare = re.fullmatch(r"[-+]?[\d.,]+(?:[eE][-+]?\d+)?", text)
    if bare and unit is None:
        raise ValueError(f"{text} has no unit")
    metres = parse_length(f"{text} {unit}" if bare else text, unit="m")
    if metres < 0:
        raise ValueError(f"{text} is below 0")
    return metres
