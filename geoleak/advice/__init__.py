"""Dig here, or listen on: the hole, the next hole, the next readings."""

from geoleak.advice.decide import (
    decide,
)
from geoleak.advice.records import Decision, DigWindow, NextReading

__all__ = [
    "Decision",
    "DigWindow",
    "NextReading",
    "decide",
]
