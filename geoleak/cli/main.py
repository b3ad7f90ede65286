"""Where a command line starts and ends: the one place that turns errors into exit codes."""

from __future__ import annotations

import atexit
import gc
import os
import sys
import warnings
from collections.abc import Sequence
from typing import Any


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code.

    0 done, 1 the site's data do not allow an answer (or it could not be written or printed), 2 the
    command line or an input is wrong. ``GEOLEAK_TRACEBACK=1`` shows where an unexpected error came
    from.
    """
    from geoleak.cli.app import WRITING, Stopped, UsageFault
    from geoleak.cli.commands import app
    from geoleak.errors import GeoleakError

    _bear_any_text()
    if argv is None:
        _for_one_short_run()
    WRITING.begun, WRITING.done = None, False
    try:
        # Not stand-alone: the parser's own errors come here as well, to be printed as one line.
        code = app(
            args=list(argv) if argv is not None else None,
            prog_name="geoleak",
            standalone_mode=False,
        )
    except GeoleakError as error:
        _complain(error.lines() if not WRITING.done else [f"{error}; {WRITING}"])
        return error.exit_code
    except UsageFault as error:
        _complain(_usage_lines(error))
        return 2
    except (Stopped, KeyboardInterrupt):
        _complain([f"stopped; {WRITING}"])
        return 130
    except BrokenPipeError:
        # The reader of our output went away (`geoleak check ... | head`): no complaint is due.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115, PTH123
        return 0
    except MemoryError:
        _complain([f"geoleak: the input is larger than this machine's memory; {WRITING}"])
        return 1
    except Exception as error:  # the last fence: never a traceback in front of a crew
        if os.environ.get("GEOLEAK_TRACEBACK"):
            raise
        kind = type(error).__name__
        _complain(
            [
                f"geoleak: unexpected {kind}: {' '.join(str(error).split())}; {WRITING}; "
                "please report it with the site folder (GEOLEAK_TRACEBACK=1 shows where it arose)"
            ]
        )
        return 1
    return code if isinstance(code, int) else 0


def _for_one_short_run() -> None:
    """Settle the interpreter for a process that does one job and ends."""
    # Before numpy is loaded: matrices of a few hundred rows cost BLAS more on threads than on one.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Looking for cycles among what the imports make costs 6 % of `locate` and frees next to nothing
    # (measured: 0.11 of 1.69 s, and 1 MB).
    gc.set_threshold(1_000_000, 50, 50)
    # Nor is it worth a last look at the end, when all of it goes (0.26 of 2.1 s).
    atexit.register(gc.freeze)
    if not sys.warnoptions:
        # What a library has to say to a programmer is nothing to a crew; results are checked.
        warnings.simplefilter("ignore")


def _bear_any_text() -> None:
    """Let a console of another encoding show a substitute where a title does not fit it."""
    for stream in (sys.stdout, sys.stderr):
        again = getattr(stream, "reconfigure", None)
        if again is not None:
            again(errors="replace")


def _complain(lines: Sequence[str]) -> None:
    from geoleak.cli.app import plain

    # A stderr that is closed or full leaves the exit code to tell: nothing can be said.
    try:
        for line in lines if sys.stderr is not None else ():
            print(plain(line), file=sys.stderr)
    except OSError:
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115, PTH123


def _usage_lines(error: Any) -> list[str]:
    """Return a fault of the command line as one line that says how to see what is allowed."""
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "geoleak"
    what = " ".join(error.format_message().split()).rstrip(".")
    if not what or "Usage:" in what:  # called without anything
        what = "no command is named"
    return [f"{command}: {what}; {command} --help shows what is allowed"]
