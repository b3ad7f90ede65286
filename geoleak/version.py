"""The version, kept where both the build and a fast `--version` can read it."""

__version__ = "0.1.0"
