"""Runs that take minutes, each a command of its own: ``python -m pytest -n 0 tests/long``."""
