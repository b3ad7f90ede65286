"""Shipped guesses, or what closed-out sites taught in their place: one record handed through.

A survey carries its `Tables`; whatever reads a guess that can be learned asks that record.
"""

from __future__ import annotations

import functools
import math
from typing import TypeVar

from geoleak import tables
from geoleak.record import Record, replace
from geoleak.tables import Material, Setting, Soil

Lossy = TypeVar("Lossy", Material, Soil)

SHARES = ("elsewhere", "fitting", "aside", "beyond", "displaced")
"""Explanations whose shares can be learned: keys of ``[prior]``."""


class Learnable(Record):
    """A guess that a track record may correct, and the trade's range of it.

    ``low`` and ``high``: values outside are refused (common practice, no source).
    ``logarithm``: spread and standard error are of the value's natural logarithm.
    """

    name: str
    low: float
    high: float
    logarithm: bool
    unit: str
    what: str


class Learned(Record):
    """A value from closed-out sites, in place of the shipped one.

    Attributes
    ----------
    name : str
        ``"soil_loss"``, or a family and one of its members: ``"pipe_loss.pvc"``.
    value, spread : float
        Median or mean and one sigma over sites; of the logarithm where the value is one of those.
    sites : int
        How many sites told of it.
    sd : float
        Standard error of ``value``.
    """

    name: str
    value: float
    spread: float
    sites: int
    sd: float


@functools.cache
def learnables() -> dict[str, Learnable]:
    """Return what can be learned, by name; a family's members share its row."""
    return {row.name: row for row in tables.rows_of(Learnable, "learnable")}


class Tables(Record):
    """The guesses an answer rests on: shipped, but for the rows that were learned.

    Attributes
    ----------
    rows : tuple of Learned
    file, sha256 : str
        Where they were learned; empty for the shipped values.
    sites : int
        Closed-out sites behind the rows.
    first, last : str
        Dates of the oldest and the newest of them; empty where none is stated.
    """

    rows: tuple[Learned, ...] = ()
    file: str = ""
    sha256: str = ""
    sites: int = 0
    first: str = ""
    last: str = ""

    def learned(self, name: str) -> Learned | None:
        """Return the learned row of this name, None where the shipped value stands."""
        return next((row for row in self.rows if row.name == name), None)

    def setting(self, name: str) -> Setting:
        """Return a weight of the evidence."""
        row, found = tables.setting(name), self.learned(name)
        return row if found is None else replace(row, value=found.value, spread=found.spread)

    def soil(self) -> Soil:
        """Return the ground of a site that does not state it."""
        return self._with_loss(tables.soil("unknown"), "soil_loss")

    def material(self, name: str) -> Material:
        """Return a pipe material with its loss; raises `geoleak.tables.UnknownNameError`."""
        row = tables.material(name)
        return self._with_loss(row, f"pipe_loss.{row.name}")

    def _with_loss(self, row: Lossy, name: str) -> Lossy:
        found = self.learned(name)
        if found is None:
            return row
        return replace(row, loss_db_per_m=found.value, loss_log_sigma=found.spread)

    def speed(self, material: str, computed: tuple[float, float]) -> tuple[float, float]:
        """Return a computed wave speed with its sigma, m/s, as pipes of the material bear it out.

        The learned spread holds what wall, temperature and ground did at the sites it is from.
        """
        found = self.learned(f"speed_ratio.{tables.material(material).name}")
        if found is None:
            return computed
        return computed[0] * found.value, computed[0] * found.spread

    def shares(self) -> dict[str, float]:
        """Return the learned shares of explanations by name."""
        parts = [(*row.name.partition("."), row.value) for row in self.rows]
        return {name: value for family, _, name, value in parts if family == "share"}


def to_toml(found: Tables, shipped: dict[str, tuple[float, float]]) -> str:
    """Return learned tables as the file that a site names, the evidence beside each value.

    Parameters
    ----------
    found : Tables
    shipped : dict
        Value and spread that each row was learned from.
    """
    text = (
        f'{HEAD}\n[learned]\nsites = {found.sites}\nfrom = "{found.first}"\nto = "{found.last}"\n'
    )
    for row in found.rows:
        kind = learnables()[row.name.partition(".")[0]]
        value, spread = shipped[row.name]
        unit = "" if kind.unit == "1" else f" {kind.unit}"
        text += (
            f"\n[{row.name}]\n# {kind.what}; shipped {value:.4g}{unit}, spread {spread:.3g}\n"
            f"value = {_figure(row.value)}\nspread = {_figure(row.spread)}\n"
            f"sites = {row.sites}\nsd = {_figure(row.sd)}\n"
        )
    return text


HEAD = "# Learned by geoleak from closed-out sites: record --learn"


def _figure(value: float) -> str:
    """Return four figures, always as a TOML number."""
    digits = max(0, 3 - math.floor(math.log10(abs(value)))) if value else 1
    return f"{value:.{digits}f}"
