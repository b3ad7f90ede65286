"""result.json: every number, as JSON that any reader takes, and the schema that describes it."""

from __future__ import annotations

import inspect
import json
import math
import typing
from pathlib import Path
from typing import Any

from geoleak.errors import GeoleakError
from geoleak.record import Record
from geoleak.result import SCHEMA, Result

_plain = json.JSONEncoder(allow_nan=False, ensure_ascii=False).encode
DIALECT = "https://json-schema.org/draft/2020-12/schema"


class WarningRow(Record):
    """One warning. ``file`` and ``line`` are empty and 0 where none can be named."""

    code: str
    text: str
    file: str
    line: int


def write_json(result: Result, path: str | Path) -> Path:
    """Write result.json and return its path.

    Raises
    ------
    GeoleakError
        If a number in the result is not finite; the key is named.
    """
    path = Path(path)
    path.write_bytes(dump_json(result.to_dict()))
    return path


def dump_json(value: Any) -> bytes:
    """Return JSON text in UTF-8: short lists on one line, no NaN.

    Raises
    ------
    GeoleakError
        If a number is not finite.
    """
    refuse_not_finite(value)
    return (_text(value, 0) + "\n").encode("utf-8", "backslashreplace")


def refuse_not_finite(value: Any, key: str = "") -> None:
    """Raise an error that names the key of the first number that is NaN or infinite."""
    if isinstance(value, float) and not math.isfinite(value):
        raise GeoleakError(
            f"the result holds {value} at {key or 'its root'}: nothing was written; "
            "an answer without that number cannot be trusted"
        )
    if isinstance(value, dict):
        for name, each in value.items():
            refuse_not_finite(each, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list):
        for index, each in enumerate(value):
            refuse_not_finite(each, f"{key}[{index}]")


def _text(value: Any, depth: int) -> str:
    """Return one value; a list of plain values stays on one line, so that files can be read."""
    pad, inner = " " * depth, " " * (depth + 1)
    if isinstance(value, dict) and value:
        rows = (f"{inner}{_plain(str(k))}: {_text(v, depth + 1)}" for k, v in value.items())
        return "{\n" + ",\n".join(rows) + f"\n{pad}}}"
    if isinstance(value, list) and any(isinstance(each, (dict, list)) for each in value):
        if all(_is_short(each) for each in value):
            return _plain(value)
        return "[\n" + ",\n".join(f"{inner}{_text(v, depth + 1)}" for v in value) + f"\n{pad}]"
    return _plain(value)


def _is_short(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) <= 4
        and not any(isinstance(each, (dict, list)) for each in value)
    )


def schema() -> dict[str, Any]:
    """Return the JSON Schema of result.json, made from the records themselves."""
    import msgspec
    from pydantic import TypeAdapter

    hints = typing.get_type_hints(Result)
    # A note stands in the file as its own words and where it arose.
    hints["warnings"] = list[WarningRow]
    names = [name for name in Result.__struct_fields__ if name != "features"]
    root = msgspec.defstruct("result", [(name, hints[name]) for name in names])
    _, parts = msgspec.json.schema_components(
        [root],
        ref_template="#/$defs/{name}",
        # A table of site.toml is a model of pydantic.
        schema_hook=lambda kind: TypeAdapter(kind).json_schema(mode="serialization"),
    )
    made = {"$defs": parts, **parts.pop("result")}
    made["properties"] = {"schema": {"const": SCHEMA}, **made["properties"]}
    for part in (made, made["properties"]["job"], *parts.values()):
        part["required"] = list(part["properties"])
        part.pop("additionalProperties", None)
        part["description"] = inspect.cleandoc(part.get("description", ""))
    made = {
        "$schema": DIALECT,
        **made,
        "title": "result.json of geoleak",
        "description": "Lengths in metres, levels in decibels, angles in degrees; the key says so. "
        "A piece of pipe is [leg, from_m, to_m]. Readers pass over keys that they do not know.",
    }
    return json.loads(json.dumps(made))


def write_schema(path: str | Path) -> Path:
    """Write the schema file and return its path."""
    path = Path(path)
    path.write_text(json.dumps(schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return path
