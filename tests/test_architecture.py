"""The rooms import one way, and heavy libraries stay at the edges."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "geoleak"

# Top to bottom: a room may import those above it and itself. Rooms on one line are neighbours
# that may not import one another unless they stand in order here.
ROOMS = (
    "version",
    "errors",
    "units",
    "cautions",
    "tables",
    "site",
    "readers",
    "new_site",
    "crs",
    "linref",
    "route",
    "network",
    "acoustics",
    "survey",
    "inference",
    "evidence",
    "posterior",
    "advice",
    "stake",
    "hydraulics",
    "result",
    "export",
    "pipeline",
    "cli",
)
# Modules of a room that carry its name as a prefix belong to it (`crs_axes` to `crs`); these have
# names of their own.
MEMBERS = {
    "ties": "stake",
    "hole": "stake",
    "services": "stake",
    "check_report": "pipeline",
    "route_report": "pipeline",
    "sound_report": "pipeline",
    "result_build": "pipeline",
    "result_features": "pipeline",
    "result_listen": "pipeline",
    "result_services": "pipeline",
    "result_stake": "pipeline",
    "result_work": "pipeline",
}
# The map's own modules subclass a library's classes: they are loaded only when a map is drawn.
AT_THE_EDGE = dict.fromkeys(
    ("map_layers", "map_leaflet", "map_readings", "map_ticks", "map_view"), "folium"
)
# A Result hands itself to the exporters when it is asked to; nothing else looks downward.
DOWNWARD = {("result", "export")}


def room_of(module: str) -> str | None:
    """Return the room of a module below geoleak, such as ``export.map``."""
    first = module.split(".")[0]
    if first in ("__init__", "__main__", ""):
        return None
    if first in MEMBERS:
        return MEMBERS[first]
    for room in sorted(ROOMS, key=len, reverse=True):
        if first == room or first.startswith(room + "_"):
            return room
    return "unknown:" + first


def imports(path: Path) -> list[tuple[str, bool]]:
    """Return (module below geoleak, at import time) for each import of a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and "TYPE_CHECKING" in ast.dump(block.test)
        for node in ast.walk(block)
    }
    found = []
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        names = []
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            if node.module == "geoleak":
                names = [f"geoleak.{alias.name}" for alias in node.names]
            else:
                names = [node.module]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found += [(name, id(node) not in inside) for name in names]
    return found


MODULES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_rooms_import_only_rooms_above_them(path: Path) -> None:
    here = room_of(".".join(path.relative_to(PACKAGE).with_suffix("").parts))
    if here is None:
        return
    assert here in ROOMS, f"{path.name} belongs to no room"
    for name, _ in imports(path):
        if not name.startswith("geoleak."):
            continue
        there = room_of(name.removeprefix("geoleak."))
        if there is None or (here, there) in DOWNWARD or name == "geoleak.__version__":
            continue
        assert there in ROOMS, f"{path.name} imports {name}, which belongs to no room"
        assert ROOMS.index(there) <= ROOMS.index(here), f"{path.name} ({here}) imports {name}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_heavy_libraries_are_imported_where_they_are_used(path: Path) -> None:
    heavy = ("pandas", "geopandas", "folium", "pyogrio", "reportlab", "scipy", "rich", "ezdxf")
    for name, at_import_time in imports(path):
        if not at_import_time:
            continue
        library = name.split(".")[0]
        assert library not in heavy or AT_THE_EDGE.get(path.stem) == library, (
            f"{path.name} imports {name} when it is loaded"
        )
        if name.split(".")[-1] in AT_THE_EDGE:
            assert path.stem in AT_THE_EDGE, f"{path.name} loads {name} before a map is asked for"


def test_the_command_line_library_stays_in_the_commands() -> None:
    for path in MODULES:
        if "cli" not in path.parts:
            assert not any(name.startswith("typer") for name, _ in imports(path)), path


def test_importing_geoleak_loads_no_library() -> None:
    code = "import sys, geoleak; print(sorted({'numpy','pyproj','pandas'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_no_bare_except_and_no_global_random_generator() -> None:
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ExceptHandler):
                assert node.type is not None, f"{path.name}:{node.lineno}: bare except"
            if not isinstance(node, ast.Attribute) or not isinstance(node.value, ast.Attribute):
                continue
            if node.value.attr == "random":
                allowed = ("Generator", "default_rng", "SeedSequence", "PCG64")
                assert node.attr in allowed, f"{path.name}:{node.lineno}: {node.attr}"
