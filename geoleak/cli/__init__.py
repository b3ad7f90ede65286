"""The commands: parse, call, print. No arithmetic."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code: the one place that turns errors into one.

    0 done, 1 the site's data do not allow an answer, 2 the command line or an input is wrong.
    ``GEOLEAK_TRACEBACK=1`` shows where an unexpected error came from.
    """
    from geoleak.cli.app import app
    from geoleak.errors import GeoleakError

    try:
        app(args=list(argv) if argv is not None else None, prog_name="geoleak")
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else 0
    except GeoleakError as error:
        for line in error.lines():
            print(line, file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("stopped; nothing was written", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # The reader of our output went away (`geoleak check ... | head`): no complaint is due.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115, PTH123
        return 0
    except Exception as error:  # the last fence: never a traceback in front of a crew
        if os.environ.get("GEOLEAK_TRACEBACK"):
            raise
        kind = type(error).__name__
        text = " ".join(str(error).split())
        print(
            f"geoleak: unexpected {kind}: {text}; nothing was written; "
            "please report it with the site folder (GEOLEAK_TRACEBACK=1 shows where it arose)",
            file=sys.stderr,
        )
        return 1
    return 0
