"""The application: its commands and the options they share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from geoleak.cli.say import Writing
from geoleak.version import __version__

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

SiteArgument = Annotated[
    Path, typer.Argument(metavar="SITE", help="The site folder: site.toml and the files beside it.")
]
FoldersArgument = Annotated[
    list[Path],
    typer.Argument(metavar="FOLDER...", help="Site folders, or folders that hold some."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON in place of text.")]


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
        bool,
        typer.Option("--version", help="Show versions and stop.", callback=_version, is_eager=True),
    ] = False,
) -> None:
    """From a rover's point file and a sheet of readings to one stake over the leak."""
