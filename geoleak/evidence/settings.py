"""Weights and spreads of the evidence: rows of tables/evidence.csv, each with its source."""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass
from importlib import resources

import numpy as np
import numpy.typing as npt

from geoleak import tables
from geoleak.survey import Survey

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Setting:
    """A median or mean with its spread (one sigma; 0 where it is taken as known)."""

    name: str
    value: float
    spread: float
    unit: str
    source: str
    flag: str


@functools.cache
def every_setting() -> dict[str, Setting]:
    """Return all rows by name."""
    text = resources.files("geoleak.tables").joinpath("evidence.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines())
    return {
        row["name"]: Setting(
            row["name"],
            float(row["value"]),
            float(row["spread"]),
            row["unit"],
            row["source"],
            row["flag"],
        )
        for row in rows
    }


def setting(name: str) -> Setting:
    """Return one row."""
    return every_setting()[name]


def pipe_loss(survey: Survey) -> tuple[Floats, float]:
    """Return the median loss of each leg in dB/m, shape (legs,), and the spread of its logarithm.

    The spread is one number: all legs are taken to err the same way, by the widest of them.
    """
    unknown = setting("pipe_loss_unknown")
    median = np.empty(len(survey.legs))
    spread = 0.0
    for number, each in enumerate(survey.legs):
        material = each.leg.material
        if material is None:
            median[number], wide = unknown.value, unknown.spread
        else:
            row = tables.material(material)
            median[number], wide = row.loss_db_per_m, row.loss_log_sigma
        spread = max(spread, wide)
    return median, spread
