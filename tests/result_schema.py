"""The JSON Schema of result.json, made from the records themselves.

``python -m tests.result_schema`` writes shared/schemas/result.schema.json anew.
"""

from __future__ import annotations

import inspect
import json
import typing
from pathlib import Path
from typing import Any

from geoleak.record import Record
from geoleak.result.records import SCHEMA, Result

STORED = Path(__file__).parent.parent / "shared" / "schemas" / "result.schema.json"
DIALECT = "https://json-schema.org/draft/2020-12/schema"


class WarningRow(Record):
    """One warning. ``file`` and ``line`` are empty and 0 where none can be named."""

    code: str
    text: str
    file: str
    line: int


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


if __name__ == "__main__":
    STORED.write_text(json.dumps(schema(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
