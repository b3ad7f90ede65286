"""All commands: each module adds its own to the app and imports what it uses when it is called."""

from geoleak.cli import batch, check, delay, listen, locate, new, route
from geoleak.cli.app import Stopped, UsageFault, app

__all__ = [
    "Stopped",
    "UsageFault",
    "app",
    "batch",
    "check",
    "delay",
    "listen",
    "locate",
    "new",
    "route",
]
