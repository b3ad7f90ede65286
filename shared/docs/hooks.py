"""What the site's build does itself: run the commands shown, draw the pictures, run the notebook.

Fences of a page that are replaced when it is built, in order; each page has a scratch folder of
its own, which begins with copies of ``sample_sites`` and ``sites``:

- ``console``: lines after ``$`` are run (geoleak, cp) and what they print stands under them.
  ``until="..."`` ends the print before the line that begins so, ``until=cautions`` before the
  cautions, whichever they are; ``says="..."`` must stand in it.
- ``show FILE``: the file as it stands; ``rows=N``: its first N lines.
- ``add FILE``: the lines shown are put at the end of the file (a new one is made).
- ``picture SITE plan`` or ``profile``: drawn by the package's own exporters.
"""

from __future__ import annotations

import ast
import contextlib
import io
import json
import re
import shlex
import shutil
import tempfile
import textwrap
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
NOTEBOOK = HERE / "first_stake.ipynb"
INCLUDED = ["site_folder.md", "kerb_page.md", "method.md", *(f"method/{p.name}" for p in sorted(
    (ROOT / "shared" / "method").glob("*.md")))]  # fmt: skip
FENCE = re.compile(r"^```(console|show|add|picture)\b([^\n]*)\n(.*?)^```$", re.M | re.S)
TITLED = re.compile(r"^```csv (\S+\.csv)[^\n]*$", re.M)
CAUTIONS = re.compile(r"^(Before|While) \w+:$", re.M)
LANGUAGE = {".toml": "toml", ".json": "json", ".py": "python"}


class Untrue(Exception):
    """A page says what is not so."""


class Scratch:
    """The folder in which one page's commands run."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.drawn = 0
        for source in (ROOT / "sample_sites", HERE / "sites"):
            skip = shutil.ignore_patterns("out")
            shutil.copytree(source, folder / source.name, ignore=skip)

    def replace(self, fence: re.Match[str]) -> str:
        """Return what stands in the page in place of a fence."""
        kind, head, body = fence.groups()
        words = shlex.split(head)
        options = dict(word.split("=", 1) for word in words if "=" in word)
        names = [word for word in words if "=" not in word]
        return str(getattr(self, kind)(body, *names, **options))

    def console(self, body: str, *, until: str = "", says: str = "") -> str:
        """Return the commands with what they print."""
        printed = []
        for line in body.splitlines():
            command = line.removeprefix("$ ")
            told = self.run(shlex.split(command))
            if says and says not in " ".join(told.split()):
                raise Untrue(f'"{command}" does not say "{says}" but:\n{told}')
            if until:
                end = CAUTIONS if until == "cautions" else re.compile(f"^{re.escape(until)}", re.M)
                found = end.search(told)
                if not found:
                    raise Untrue(f'no line that "{command}" prints begins "{until}":\n{told}')
                told = told[: found.start()].rstrip() + "\n..."
            printed += [f"$ {command}", told.rstrip()]
        return _fenced("text", "\n".join(printed))

    def run(self, argv: list[str]) -> str:
        """Return what a command prints, errors too."""
        from geoleak.cli.main import main

        if argv[0] == "cp":
            shutil.copyfile(*(self.folder / name for name in argv[1:]))
            return ""
        held = io.StringIO()
        with (
            contextlib.chdir(self.folder),
            contextlib.redirect_stdout(held),
            contextlib.redirect_stderr(held),
        ):
            code = main(argv[1:])
        if argv[0] != "geoleak" or code:
            raise Untrue(f"{shlex.join(argv)} ended with {code}:\n{held.getvalue()}")
        return held.getvalue()

    def show(self, body: str, name: str, *, rows: str = "") -> str:
        """Return a file, or its first rows."""
        lines = (self.folder / name).read_text(encoding="utf-8-sig").splitlines()
        if rows and len(lines) > int(rows):
            lines = [*lines[: int(rows)], "..."]
        return _fenced(LANGUAGE.get(Path(name).suffix, "text"), "\n".join(lines), name)

    def add(self, body: str, name: str) -> str:
        """Put lines at the end of a file and return them."""
        with (self.folder / name).open("a", encoding="utf-8") as file:
            file.write(body)
        return _fenced(LANGUAGE.get(Path(name).suffix, "text"), body.rstrip(), name)

    def picture(self, body: str, name: str, what: str) -> str:
        """Return the plan or the profile of a site as SVG, with its caption."""
        import geoleak
        from geoleak.export.drawing import to_svg
        from geoleak.export.plan import plan_picture
        from geoleak.export.profile import describe, profile_picture

        result = geoleak.locate(geoleak.read_site(self.folder / name))
        leg = result.leak.leg or result.profile[0].leg
        if what == "plan":
            drawn, title = plan_picture(result, 560, 420)[0], f"Plan of {name}"
        else:
            drawn, title = profile_picture(result, leg, width=560, height=400), f"Levels of {name}"
        self.drawn += 1
        said = body.strip() if what == "plan" else describe(result, leg)
        svg = to_svg(drawn, name=f"picture-{self.drawn}", title=title, description=said)
        return f'<div class="drawn">\n{svg}\n</div>\n\n*{body.strip()}*'


def _fenced(language: str, text: str, title: str = "") -> str:
    head = f' title="{title}"' if title else ""
    return f"```{language}{head}\n{text}\n```"


def run_notebook(path: Path = NOTEBOOK) -> list[tuple[str, str, Any]]:
    """Return each cell of a notebook run in its folder: type, source, what it printed or is.

    The last item is a text; for a cell that ends in a matplotlib Axes it is the Axes.
    """
    space: dict[str, Any] = {"__name__": "__main__"}
    told: list[tuple[str, str, Any]] = []
    with contextlib.chdir(path.parent):
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            source = "".join(cell["source"])
            told.append((cell["cell_type"], source, ""))
            if cell["cell_type"] == "code":
                told[-1] = ("code", source, _cell(source, space))
    return told


def _cell(source: str, space: dict[str, Any]) -> Any:
    tree = ast.parse(source)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    held = io.StringIO()
    with contextlib.redirect_stdout(held):
        exec(compile(tree, "cell", "exec"), space)
        value = eval(compile(ast.Expression(last.value), "cell", "eval"), space) if last else None
    if hasattr(value, "get_figure"):
        return value
    return held.getvalue() + (repr(value) if value is not None else "")


def notebook_page() -> str:
    """Return the notebook as a page, with what its cells gave."""
    import matplotlib

    matplotlib.use("Agg")
    parts = []
    for kind, source, given in run_notebook():
        parts.append(source if kind == "markdown" else _fenced("python", source))
        if hasattr(given, "get_figure"):
            held = io.StringIO()
            given.get_figure().savefig(held, format="svg")
            svg = held.getvalue()
            # Without the XML head, and without blank lines, which would end the block.
            svg = "\n".join(line for line in svg[svg.index("<svg") :].splitlines() if line.strip())
            parts.append(f'<div class="drawn">\n{svg}\n</div>')
        elif given:
            parts.append(_fenced("text", given.rstrip()))
    return "\n\n".join(parts) + "\n\n[This page as a notebook](first_stake.ipynb)\n"


def on_files(files: Any, config: Any) -> Any:
    """Put the product's own pages, the notebook and one whole answer into the site."""
    from mkdocs.structure.files import File

    for name in INCLUDED:
        text = (ROOT / "shared" / name).read_text(encoding="utf-8")
        text = TITLED.sub(r'```csv title="\1"', text)
        files.append(File.generated(config, name, content=text))
    files.append(File.generated(config, "first_stake.md", content=notebook_page()))
    files.append(File.generated(config, NOTEBOOK.name, abs_src_path=str(NOTEBOOK)))
    with tempfile.TemporaryDirectory() as name:
        scratch = Scratch(Path(name))
        scratch.run(["geoleak", "locate", "sample_sites/alder_court"])
        out = scratch.folder / "sample_sites" / "alder_court" / "out"
        for each in ("map.html", "dig_sheet.pdf", "stakes.csv"):
            made = File.generated(config, f"answer/{each}", content=(out / each).read_bytes())
            files.append(made)
    return files


def on_page_markdown(markdown: str, page: Any, config: Any, files: Any) -> str:
    """Run what a page shows."""
    if not FENCE.search(markdown):
        return markdown
    with tempfile.TemporaryDirectory() as name:
        try:
            return FENCE.sub(Scratch(Path(name)).replace, markdown)
        except Untrue as error:
            from mkdocs.exceptions import PluginError

            raise PluginError(
                f"{page.file.src_uri}: {textwrap.shorten(str(error), 2000)}"
            ) from None
