"""The rooms import one way, and heavy libraries stay at the edges."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from functools import cache
from itertools import chain
from pathlib import Path

PACKAGE = Path(__file__).parent.parent / "geoleak"

# Top to bottom: a room may import those above it and itself.
ROOMS = (
    "record",
    "errors",
    "units",
    "cautions",
    "tables",
    "site",
    "crs",
    "readers",
    "linref",
    "route",
    "network",
    "acoustics",
    "hydraulics",
    "survey",
    "evidence",
    "posterior",
    "advice",
    "stake",
    "result",
    "export",
    "closeout",
    "pipeline",
    "new",
    "reports",
    "serve",
    "batch",
    "cli",
)
# Rooms at the edge: each file is an entry of its own, imported when it is used. From every other
# room one takes what its __init__ hands on.
BY_FILE = ("tables", "export", "closeout", "new", "reports", "serve", "batch", "cli")
ROOT_FILES = 8
# What draws sheet and report builds on a library's classes: loaded only when one is drawn.
AT_THE_EDGE = dict.fromkeys(("export/pdf", "export/sheet", "reports/customer"), "reportlab")
# Libraries of another name than the declared package that brings them as a part of what it offers.
HANDED_ON = {
    "PIL": "reportlab", "branca": "folium", "markupsafe": "jinja2", "xstatic": "xstatic_leaflet",
}  # fmt: skip
# A Result hands itself to the exporters when it is asked to; nothing else looks downward.
DOWNWARD = {("result", "export")}


def room_of(module: str) -> str | None:
    """Return the room of a module below geoleak, such as ``export.map``."""
    first = module.split(".")[0]
    return None if first in ("__init__", "__main__", "") else first


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def import_nodes(path: Path) -> list[tuple[ast.Import | ast.ImportFrom, bool]]:
    """Return the imports of a file, but for those for types alone; and whether at import time."""
    found = []
    todo: list[tuple[ast.AST, bool]] = [(parsed(path), True)]
    while todo:
        node, early = todo.pop()
        if isinstance(node, ast.Import | ast.ImportFrom):
            found.append((node, early))
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            continue
        early = early and not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        todo += [(child, early) for child in ast.iter_child_nodes(node)]
    return found


def imports(path: Path, *, by_file: bool = False) -> list[tuple[str, bool]]:
    """Return (module, at import time) for each import of a file.

    ``by_file`` names the file where ``from geoleak.room import file`` takes one.
    """
    found = []
    for node, early in import_nodes(path):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            if node.module == "geoleak":
                names = [f"geoleak.{alias.name}" for alias in node.names]
            else:
                rooms = PACKAGE.parent.joinpath(*node.module.split("."))
                names = [
                    f"{node.module}.{alias.name}"
                    if by_file and (rooms / f"{alias.name}.py").exists()
                    else node.module
                    for alias in node.names
                ]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found += [(name, early) for name in names]
    return found


MODULES = sorted(PACKAGE.rglob("*.py"))


def test_rooms_import_only_rooms_above_them() -> None:
    for path in MODULES:
        here = room_of(".".join(path.relative_to(PACKAGE).with_suffix("").parts))
        if here is None:
            continue
        assert here in ROOMS, f"{path.name} belongs to no room"
        for name, _ in imports(path):
            if not name.startswith("geoleak."):
                continue
            there = room_of(name.removeprefix("geoleak."))
            if there in (None, here) or (here, there) in DOWNWARD or name == "geoleak.__version__":
                continue
            assert there in ROOMS, f"{path.name} imports {name}, which belongs to no room"
            assert ROOMS.index(there) < ROOMS.index(here), f"{path.name} ({here}) imports {name}"
            past = f"{path.name}: {name} past its room's door"
            assert there in BY_FILE or name.count(".") == 1, past


def test_no_circle_inside_a_room() -> None:
    ways = {}
    for path in MODULES:
        name = ".".join(("geoleak", *path.relative_to(PACKAGE).with_suffix("").parts))
        ways[name] = {each for each, _ in imports(path, by_file=True)}
    for name, others in ways.items():
        seen, todo = set(), [each for each in others if each in ways]
        while todo:
            each = todo.pop()
            assert each != name, f"{name} imports itself in a circle, by way of {sorted(seen)}"
            if each not in seen:
                seen.add(each)
                todo += [more for more in ways[each] if more in ways]


def test_the_root_holds_rooms_and_few_files() -> None:
    files = [path.name for path in PACKAGE.iterdir() if path.is_file()]
    assert len(files) <= ROOT_FILES, files
    for path in PACKAGE.iterdir():
        assert path.name in ROOMS or path.is_file() or path.name == "__pycache__", path


def test_heavy_libraries_are_imported_where_they_are_used() -> None:
    heavy = ("pandas", "geopandas", "folium", "pyogrio", "reportlab", "scipy", "rich", "ezdxf")
    for path in MODULES:
        for name, at_import_time in imports(path):
            library = name.split(".")[0]
            if AT_THE_EDGE.get(f"{path.parent.name}/{path.stem}") == library:
                continue
            late = library not in heavy or not at_import_time
            assert late, f"{path.name} imports {name} when it is loaded"


def test_every_library_is_declared() -> None:
    """What comes with another package alone is gone when that one no longer asks for it."""
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text("utf-8"))["project"]
    asked = [*project["dependencies"], *chain(*project["optional-dependencies"].values())]
    declared = {re.split(r"[\[>=~]", each)[0].lower().replace("-", "_") for each in asked}
    used = {name.split(".")[0] for path in MODULES for name, _ in imports(path)}
    assert declared.issuperset(HANDED_ON.values())
    known = {*sys.stdlib_module_names, *declared, *HANDED_ON, "geoleak"}
    assert used <= known, used - known


def test_the_command_line_library_stays_in_the_commands() -> None:
    for path in MODULES:
        if "cli" not in path.parts:
            assert not any(name.startswith("typer") for name, _ in imports(path)), path


def test_importing_geoleak_loads_no_library() -> None:
    code = "import sys, geoleak; print(sorted({'numpy','pyproj','pandas'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_common_site_is_located_without_gdal(tmp_path: Path) -> None:
    """Its services are a GeoJSON file: GDAL costs some 40 ms to load, for other inputs alone."""
    code = (
        "import sys; from geoleak.cli.main import main\n"
        "code = main(['locate', 'sample_sites/alder_court', '--out', sys.argv[1]])\n"
        "assert 'shapely' in sys.modules and 'sqlite3' in sys.modules\n"
        "print(code, sorted({'pyogrio', 'geopandas'} & set(sys.modules)))"
    )
    ran = [sys.executable, "-c", code, str(tmp_path / "out")]
    done = subprocess.run(ran, cwd=PACKAGE.parent, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "0 []"
    assert {"site.gpkg", "dig_sheet.pdf"} <= {each.name for each in (tmp_path / "out").iterdir()}


def test_no_bare_except_and_no_global_random_generator() -> None:
    for path in MODULES:
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.ExceptHandler):
                assert node.type is not None, f"{path.name}:{node.lineno}: bare except"
            if not isinstance(node, ast.Attribute) or not isinstance(node.value, ast.Attribute):
                continue
            if node.value.attr == "random":
                allowed = ("Generator", "default_rng", "SeedSequence", "PCG64")
                assert node.attr in allowed, f"{path.name}:{node.lineno}: {node.attr}"
