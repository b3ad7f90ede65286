"""The application: its commands and the options they share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from geoleak import __version__
from geoleak.cli.say import Writing

app = typer.Typer(
    name="geoleak",
    help="From a rover's point file and a sheet of readings to one stake over the leak.",
    epilog="Example: geoleak locate sample_sites/alder_court",
    add_completion=False,
    pretty_exceptions_enable=False,
    # Plain help: it can be piped, read aloud and shown by any console, and starts faster.
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

# The root of the parser's complaints, reached by its public child, and a stop at a question.
UsageFault: type[Exception] = next(
    base for base in typer.BadParameter.__mro__ if base.__name__ == "ClickException"
)
Stopped = typer.Abort
WRITING = Writing()


def option(name: str, says: str, metavar: str | None = None, **more: Any) -> Any:
    """Return an option of a command: its name, its line of help, what stands for its value."""
    return typer.Option(name, help=says, metavar=metavar, **more)


def argument(says: str, metavar: str) -> Any:
    """Return an argument of a command: its line of help and what stands for it."""
    return typer.Argument(help=says, metavar=metavar)


SiteArgument = Annotated[
    Path, argument("The site folder: site.toml and the files beside it.", "SITE")
]
FoldersArgument = Annotated[
    list[Path], argument("Site folders, or folders that hold some.", "FOLDER...")
]
TablesOption = Annotated[
    Path | None, option("--tables", "Values learned on closed-out sites.", "FILE")
]
JsonOption = Annotated[bool, option("--json", "Print JSON in place of text.")]
OutOption = Annotated[Path | None, option("--out", "Where to write; SITE/out if absent.", "DIR")]


def _version(asked: bool) -> None:
    if asked:
        import pyproj
        import shapely

        geos = ".".join(str(part) for part in shapely.geos_version)
        typer.echo(f"geoleak {__version__} (PROJ {pyproj.proj_version_str}, GEOS {geos})")
        raise typer.Exit()


@app.callback()
def _root(
    version: Annotated[
        bool, option("--version", "Show versions and stop.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """From a rover's point file and a sheet of readings to one stake over the leak."""
