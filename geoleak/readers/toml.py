"""site.toml to its settings, a file of learned values to its tables.

Every complaint has its line and column, none hides another.

tomllib says what a file holds, not where. Where keys stand is read off the lines, with texts and
comments blanked out first; an item of a list stands where its list begins.
"""

from __future__ import annotations

import functools
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, TypeVar, get_args

from pydantic import BaseModel, BeforeValidator, Field, ValidationError, create_model

from geoleak import tables
from geoleak.errors import Complaint, InputError, Origin, Refused, did_you_mean, shown
from geoleak.readers.collector import Collector, refused
from geoleak.readers.text import decoded
from geoleak.record import Record
from geoleak.site import DateText, Number, Settings, Table, Whole
from geoleak.tables.learned import SHARES, Learned, Tables, learnables
from geoleak.units import LENGTH_UNITS, parse_length

NAME = "site.toml"
MOST_BYTES = 1_000_000
# A key of a hundred thousand parts costs gigabytes to read; the deepest here has two.
MOST_PARTS = 20
MOST_ENTRIES, MOST_SIGNS = 2_000, 20_000
"""Of one table or list, of one text: many times what a person writes."""
_MANY_DOTS = re.compile(rf"(?:\.[ \t]*[\w-]+[ \t]*){{{MOST_PARTS},}}")
Key = tuple[str | int, ...]
_REMEDIES = {
    "crs": 'write crs = "EPSG:..." with the CRS the rover worked in, or "local"',
    "length_unit": 'write length_unit = "m", "ft" or "ftUS"',
    "points": 'add [points] with file = "points.csv"',
    "file": 'write file = "..."',
    "name": 'write name = "..."',
    "learned": "name a file that record --learn wrote",
}
_MASKED = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*', re.S
)
_KEYS = r"[\w-]+(?:[ \t]*\.[ \t]*[\w-]+)*"
_HEADER = re.compile(rf"[ \t]*(\[\[?)[ \t]*({_KEYS})[ \t]*\]\]?[ \t]*$")
_PAIR = re.compile(rf"[ \t]*({_KEYS})[ \t]*=[ \t]*")


Places = dict[Key, tuple[tuple[int, int], tuple[int, int]]]
"""Line and column, from 1, of keys and of their values by path (tables of a list by number)."""


def _masked(text: str) -> str:
    """Return a text with blanks for its comments and strokes for its texts, each on its lines."""
    return _MASKED.sub(lambda m: re.sub(r"[^\n]", " " if m[0][0] == "#" else "_", m[0]), text)


def places_of(text: str) -> Places:
    """Return where the keys of a TOML text stand."""
    found, counts, prefix, depth = Places(), dict[Key, int](), Key(), 0
    for number, (line, original) in enumerate(
        zip(_masked(text).split("\n"), text.split("\n"), strict=True), 1
    ):
        header = _HEADER.match(line) if depth == 0 else None
        pair = _PAIR.match(line) if depth == 0 else None
        if header:
            prefix, names = (), _names(original[slice(*header.span(2))])
            for k, name in enumerate(names, 1):
                prefix = (*prefix, name)
                if k == len(names) and header[1] == "[[":
                    counts[prefix] = counts.get(prefix, -1) + 1
                prefix = (*prefix, counts[prefix]) if prefix in counts else prefix
            at = number, header.start(1) + 1
            for path in (prefix[:-1], prefix) if header[1] == "[[" else (prefix,):
                found.setdefault(path, (at, at))
            continue
        rest = line
        if pair:
            names = _names(original[slice(*pair.span(1))])
            path, at = prefix + names, (number, pair.start(1) + 1)
            found.setdefault(path, (at, (number, pair.end() + 1)))
            for count in range(1, len(names)):
                found.setdefault(path[:-count], (at, at))
            rest = line[pair.end() :]
        if pair or depth:
            depth += rest.count("[") + rest.count("{") - rest.count("]") - rest.count("}")
    return found


def _names(written: str) -> Key:
    parts = re.findall(r'"(?:\\.|[^"\\])*"|\'[^\']*\'|[\w-]+', written)
    return tuple(str(*tomllib.loads(f"{part} = 0")) if part[0] in "\"'" else part for part in parts)


Model = TypeVar("Model", bound=BaseModel)


class TomlFile(Record):
    """What a TOML file holds, as written, and where."""

    values: dict[str, Any]
    places: Places
    label: str

    @classmethod
    def read(cls, name: str, asked_at: Origin, collector: Collector) -> TomlFile:
        """Return a file of the folder; raises `InputError`."""
        data, label = collector.read_bytes(name, asked_at, most=MOST_BYTES), collector.label(name)
        text = decoded(data, label, collector)
        if _MANY_DOTS.search(_masked(text)):
            what = f"a key has more than {MOST_PARTS} parts"
            raise refused(Origin(label), what, "write tables in brackets, as in [points]")
        try:
            values = tomllib.loads(text)
        except RecursionError:
            what, remedy = "the file is nested without end", "write it plainly"
            raise refused(Origin(label), what, remedy) from None
        except ValueError as error:
            message = str(error).replace(" (at end of document)", " at the end of the file")
            place = re.search(r"\s*\(at line (\d+), column (\d+)\)", message)
            where = map(int, place.groups()) if place else (text.count("\n") + 1,)
            what = f"this is not TOML: {message.replace(place[0], '') if place else message}"
            remedy = 'texts stand in quotes, as in key = "text"'
            raise refused(Origin(label, *where), what, remedy) from None
        if (crowded := _crowded(values)) is not None:
            raise refused(Origin(label), *crowded)
        return cls(values, places_of(text), label)

    def origin(self, *path: str | int, key: bool = False) -> Origin:
        """Return where a value (or its key) stands, or the nearest thing that holds it."""
        heads = (path[:k] for k in range(len(path), 0, -1))
        of_key, of_value = next((self.places[h] for h in heads if h in self.places), ((1, 1),) * 2)
        return Origin(self.label, *(of_key if key else of_value))

    def checked(self, model: type[Model]) -> Model:
        """Return the values as a record; raises `InputError` with every complaint."""
        context = {"unit": _unit(self.values)}
        try:
            return model.model_validate(self.values, context=context, by_alias=True, by_name=False)
        except ValidationError as error:
            wrong = [_judged(e, self.values, model) for e in error.errors(include_url=False)]
        raise InputError(
            Complaint(self.origin(*path, key=key), what, remedy)
            for path, key, what, remedy in wrong
        )


class SiteToml(TomlFile):
    """site.toml with its settings."""

    settings: Settings

    @property
    def stated(self) -> Mapping[str, Origin]:
        """Where each key stands, by dotted path."""
        where = {".".join(map(str, path)): at for path, (_, at) in self.places.items()}
        return MappingProxyType({name: Origin(self.label, *at) for name, at in where.items()})


def read_site_toml(collector: Collector) -> SiteToml:
    """Return site.toml's checked settings; raises `InputError`."""
    label = collector.label(NAME)
    if not (collector.folder / NAME).exists():
        there = collector.folder.is_dir()
        what = (
            "the folder holds no site.toml" if there else f"there is no folder {collector.folder}"
        )
        remedy = "name a site folder, or start one with: geoleak new POINTS.csv"
        raise refused(Origin(label), what, remedy)
    file = TomlFile.read(NAME, Origin(label), collector)
    file.values.setdefault("crew", {})  # its defaults are round in the site's unit
    settings = file.checked(Settings)
    if settings.point_file is None and settings.network is None:
        raise refused(file.origin(key=True), "points is missing", _REMEDIES["points"])
    return SiteToml(file.values, file.places, file.label, settings)


def _crowded(value: Any, key: str = "the file") -> tuple[str, str] | None:
    """Return what is wrong, and what would be right, where something is too long to be judged."""
    if isinstance(value, str) and len(value) > MOST_SIGNS:
        return f"{key}: a text of {len(value)} characters", f"write at most {MOST_SIGNS}"
    if not isinstance(value, (dict, list)):
        return None
    if len(value) > MOST_ENTRIES:
        remedy = f"write at most {MOST_ENTRIES}; a network's lines stand in its own file"
        return f"{key} has {len(value)} entries", remedy
    held = value.items() if isinstance(value, dict) else ((key, each) for each in value)
    return next((found for name, each in held if (found := _crowded(each, name))), None)


# What pydantic finds wrong -> the key of its limit, what is wrong, what would be right.
_WORDS = {
    "greater_than": ("gt", "{shown} is not above {limit:g}", "write more than that"),
    "greater_than_equal": ("ge", "{shown} is out of range", "write {limit:g} or more"),
    "less_than": ("lt", "{shown} is out of range", "write less than {limit:g}"),
    "less_than_equal": ("le", "{shown} is out of range", "write at most {limit:g}"),
    "string_too_long": ("max_length", "the text is too long", "write at most {limit} characters"),
    "string_too_short": ("min_length", '"" is empty', "write something"),
    "string_pattern_mismatch": (
        "pattern",
        "{shown} is no country code",
        'write two capitals, such as "US"',
    ),
    "literal_error": ("expected", "{shown} is not known", "{near}use {limit}"),
}


def _judged(
    error: Mapping[str, Any], values: Any, model: type[BaseModel]
) -> tuple[Key, bool, str, str]:
    """Return the path of what is wrong, whether its key is, what is wrong, and the remedy."""
    path, kind, name = error["loc"], error["type"], dotted(error["loc"])
    if kind == "missing":
        remedy = _REMEDIES.get(str(path[-1]), f"write {path[-1]} = ...")
        return path[:-1], True, f"{name} is missing", remedy
    if kind == "extra_forbidden":
        known = list(_fields(path[:-1], model))
        remedy = did_you_mean(str(path[-1]), known) or f"known here: {', '.join(known)}"
        return path, True, f'unknown key "{name}"', remedy
    if kind in ("tuple_type", "list_type", "iterable_type"):
        remedy = f"write [[{path[-1]}]] in double brackets above each"
        return path, True, f"{name} is not a list of tables", remedy
    if kind in ("model_type", "dict_type", "model_attributes_type", "mapping_type"):
        return path, True, f"{name} is not a table", f"write [{path[-1]}] above its keys"
    what, remedy = _of_value(error, path, values, model)
    return path, False, f"{name}: {what}", remedy


def _of_value(
    error: Mapping[str, Any], path: Key, values: Any, model: type[BaseModel]
) -> tuple[str, str]:
    """Return what is wrong with a value of a known key, and what would be right."""
    context, value = error.get("ctx", {}), values
    for part in path:
        # One text may stand in place of a list of them.
        value = value if isinstance(value, str) else value[part]
    if error["type"] not in _WORDS:
        refused = context.get("error", Refused(error["msg"]))
        return refused.what, refused.remedy
    key, what, remedy = _WORDS[error["type"]]
    limit, near = context[key], ""
    if key == "expected":
        words = re.findall(r"'([^']*)'", limit)
        near = f"{did_you_mean(str(value), words)} ".lstrip()
        limit = ", ".join(f'"{each}"' for each in words)
    elif _fields(path[:-1], model).get(str(path[-1]), "").endswith("_m"):
        metres = parse_length(value, unit=_unit(values))
        comparison = "more than" if key == "le" else "not above"
        what, remedy = f"{{shown}} is {metres:.4g} m, {comparison} {limit:g} m", "check its unit"
    return what.format(shown=shown(value), limit=limit), remedy.format(near=near, limit=limit)


def _unit(values: Mapping[str, Any]) -> str:
    unit = values.get("length_unit")
    return unit if isinstance(unit, str) and unit in LENGTH_UNITS else "m"


def dotted(path: Key) -> str:
    """Return a path as text; list items are counted from 1, as people do."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _fields(path: Key, model: Any) -> dict[str, str]:
    """Return the keys of the table at a path, and the fields that they fill."""
    for part in path:
        if isinstance(part, str):
            model = _model_in(model.model_fields[_fields_of(model)[part]].annotation)
    return _fields_of(model)


def _fields_of(model: type[BaseModel]) -> dict[str, str]:
    return {str(field.validation_alias): name for name, field in model.model_fields.items()}


def _model_in(annotation: Any) -> Any:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, map(_model_in, get_args(annotation))), None)


HEAD = "learned"
MEMBERS = {
    "pipe_loss": tables.names("materials"),
    "speed_ratio": tables.names("materials"),
    "share": SHARES,
}
# The widest spread of a logarithm that is still a statement: a factor of seven either way.
WIDEST_LOG = 2.0
# A spread under this part of the widest is no spread: nothing is known without one.
LEAST = 1e-3


Day = Annotated[DateText | None, BeforeValidator(lambda value: None if value == "" else value)]


class Head(Table):
    """``[learned]``: the sites behind the values, and the dates of the first and the last."""

    sites: Annotated[Whole, Field(ge=1)]
    first: Day = Field(default=None, validation_alias="from")
    last: Day = Field(default=None, validation_alias="to")


def read_tables(path: Path) -> Tables:
    """Return the learned values of a file outside any site.

    Raises
    ------
    InputError
        With every complaint, each with file, line and column.
    """
    if not path.is_file():
        what, remedy = "there is no such file", "name one that record --learn wrote"
        raise refused(Origin(str(path)), what, remedy)
    return tables_of(Collector(path.parent), path.name, Origin(str(path)))


def tables_of(collector: Collector, name: str, asked_at: Origin) -> Tables:
    """Return the learned values of a file of the collector's folder; raises `InputError`."""
    file = TomlFile.read(name, asked_at, collector)
    found: Any = file.checked(_model())
    rows: list[Learned] = []
    keys = [key for key in file.values if key != HEAD]
    if empty := [key for key in keys if not file.values[key]]:
        raise InputError(
            Complaint(
                file.origin(key, key=True),
                f"{key} is empty",
                f"write its values under [{key}.{MEMBERS[key][0]}] or another, or leave it out",
            )
            for key in empty
        )
    for key in keys:
        row = getattr(found, key)
        members = file.values[key] if key in MEMBERS else ()
        held = {f"{key}.{each}": getattr(row, each) for each in members} or {key: row}
        rows += [Learned(each, **dict(told)) for each, told in held.items()]
    head = found.learned
    dates = head.first or "", head.last or ""
    return Tables(tuple(rows), name, collector.inputs[name], head.sites, *dates)


@functools.cache
def _model() -> Any:
    """Return what a file of learned values may hold: the range of each figure of each row."""
    held: dict[str, Any] = {HEAD: (Head, ...)}
    for name, kind in learnables().items():
        widest = WIDEST_LOG if kind.logarithm else kind.high - kind.low
        row: Any = create_model(
            name,
            __base__=Table,
            value=(Annotated[Number, Field(ge=kind.low, le=kind.high)], ...),
            spread=(Annotated[Number, Field(ge=LEAST * widest, le=widest)], ...),
            sites=(Annotated[Whole, Field(ge=1)], ...),
            sd=(Annotated[Number, Field(ge=0, le=widest)], ...),
        )
        members: dict[str, Any] = dict.fromkeys(MEMBERS.get(name, ()), (row, None))
        held[name] = (create_model(name, __base__=Table, **members) if members else row, None)
    return create_model("LearnedFile", __base__=Table, **held)
