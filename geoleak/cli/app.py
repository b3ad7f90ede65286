"""The application: the options its commands share, and how they print.

JSON that is always valid, plain lines, progress on a terminal. No module of commands puts its
annotations off: typer would read each of their texts anew at every start.
"""

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from geoleak import __version__
from geoleak.errors import GeoleakError

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


def option(says: str, metavar: str | None = None, *names: str, **more: Any) -> Any:
    """Return an option of a command: its line of help, what stands for its value.

    It is named as the parameter is, where nothing else is said.
    """
    return typer.Option(*names, help=says, metavar=metavar, **more)


def flag(name: str, says: str, **more: Any) -> Any:
    """Return an option that is there or not: its name, its line of help."""
    return typer.Option(name, help=says, **more)


def argument(says: str, metavar: str) -> Any:
    """Return an argument of a command: its line of help and what stands for it."""
    return typer.Argument(help=says, metavar=metavar)


def command(says: str, example: str) -> Any:
    """Return what makes a function a command: its line in the list, and how it is called."""
    return app.command(short_help=says, epilog=f"Example: geoleak {example}")


SiteArgument = Annotated[
    Path, argument("The site folder: site.toml and the files beside it.", "SITE")
]
FoldersArgument = Annotated[
    list[Path], argument("Site folders, or folders that hold some.", "FOLDER...")
]
TablesOption = Annotated[Path | None, option("Values learned on closed-out sites.", "FILE")]
JsonOption = Annotated[bool, flag("--json", "Print JSON in place of text.")]
OutOption = Annotated[Path | None, option("Where to write; SITE/out if absent.", "DIR")]


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
        bool, flag("--version", "Show versions and stop.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """From a rover's point file and a sheet of readings to one stake over the leak."""


# Signs that turn the order of what follows: printed coordinates must not read backwards.
_TURNING = dict.fromkeys([*range(0x202A, 0x202F), *range(0x2066, 0x206A)], "\ufffd")
# Control signs, as a terminal would obey them: a title may not move the cursor or ring the bell.
_CONTROL = dict.fromkeys([*range(0x20), *range(0x7F, 0xA0), 0x2028, 0x2029], "\ufffd")
_PLAIN = _TURNING | _CONTROL


class Writing:
    """What this run has written, so that whatever stops it can say so truly."""

    def __init__(self) -> None:
        self.begun: Path | None = None
        self.done = False

    @contextmanager
    def to(self, folder: Path) -> Iterator[None]:
        """Hold the work of writing a folder; an error that leaves it says itself what it left."""
        self.begun, self.done = folder, False
        try:
            yield
        except Exception:
            self.begun = None
            raise
        self.done = True

    def __str__(self) -> str:
        if self.begun is None:
            return "nothing was written"
        if self.done:
            return f"{self.begun} was written before that"
        return f"{self.begun} holds what it held before or all that is new"


WRITING = Writing()


def plain(text: str) -> str:
    """Return one line of text with every control sign of a file's text made visible."""
    return text.translate(_PLAIN)


def json_text(document: Any) -> str:
    """Return a document as JSON text; a number that is not finite is an error, never ``NaN``.

    Where stdout is not UTF-8, every other sign is escaped, so that the document survives.
    """
    import json

    utf8 = (getattr(sys.stdout, "encoding", "") or "").lower().replace("-", "") == "utf8"
    return json.dumps(document, ensure_ascii=not utf8, allow_nan=False, indent=1)


def print_json(document: Any) -> None:
    """Print one JSON document on stdout."""
    _print(json_text(document) + "\n")


def print_lines(lines: Iterable[str]) -> None:
    """Print lines on stdout."""
    _print("".join(f"{plain(line)}\n" for line in lines))


def _print(text: str) -> None:
    """Write to stdout and through to what stands behind it.

    Raises
    ------
    BrokenPipeError
        The reader went away.
    GeoleakError
        Nothing can be printed: stdout is closed, or its disk is full.
    """
    try:
        if sys.stdout is None:
            raise OSError("stdout is closed")
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        why = error.strerror or error
        raise GeoleakError(f"what there is to say could not be printed ({why})") from error


def show(report: Any, *, json: bool) -> None:
    """Print a report as one JSON document (its ``to_dict``) or as its ``lines``."""
    if json:
        print_json(report.to_dict())
    else:
        print_lines(report.lines())


@contextmanager
def progress(text: str) -> Iterator[Callable[[float], None]]:
    """Show what is being done on stderr, only where a person watches, and wipe it afterwards.

    Gives a callback that takes the share done (0 to 1) of work that can tell.
    """
    if sys.stderr is None or not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(text, total=None)
        yield lambda share: shown.update(task, total=1.0, completed=share)


@contextmanager
def counted(what: str, total: int) -> Iterator[Callable[[], None]]:
    """Give a callback that counts one thing done, with rate and time left, on a terminal only."""
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        MofNCompleteColumn(),
        TextColumn(what),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    console = Console(stderr=True)
    with Progress(
        *columns, console=console, disable=not console.is_terminal, transient=True
    ) as bar:
        task = bar.add_task(what, total=total, rate="")

        def count() -> None:
            bar.advance(task)
            speed = bar.tasks[0].speed
            bar.update(task, rate=f"{speed:.1f} a second," if speed else "")

        yield count
