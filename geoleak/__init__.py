"""geoleak: from traced marks and readings to one stake over the leak."""

from geoleak.version import __version__

__all__ = ["__version__"]
