"""Runs that take minutes; what else is marked `long` too: ``python -m pytest -n 0 -m long``."""
