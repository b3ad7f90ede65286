"""The commands: parse, call, print."""


def main() -> None:
    """Run the command line."""
    raise SystemExit("no commands yet")
