"""What is worked out about a stake, handed on whole: the decision and all that hangs on it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from geoleak.advice import Decision
from geoleak.result.records import (
    BudgetRow,
    Feature,
    HoleSummary,
    ServiceSummary,
    SettingOutEllipse,
    StakeSummary,
    TieSummary,
)
from geoleak.site import Note
from geoleak.stake import Service

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

DrawFeature = Callable[..., Feature]


@dataclass(frozen=True, slots=True, eq=False)
class StakeWork:
    """The decision and all that hangs on its stake."""

    decision: Decision
    leg: str
    station: str
    """Of the stake, with its leg."""
    ellipse_95: SettingOutEllipse
    budget: tuple[BudgetRow, ...]
    lonlat_accuracy_m: float | None
    elevation_m: float | None
    crown_m: float
    crown_sigma_m: float
    side: dict[str, float]
    hole: HoleSummary
    outline: BaseGeometry
    ties: tuple[TieSummary, ...]
    ties_text: tuple[str, ...]
    tie_lines: tuple[tuple[TieSummary, BaseGeometry], ...]
    stakes: tuple[StakeSummary, ...]
    stake_points: tuple[tuple[StakeSummary, BaseGeometry], ...]
    services: tuple[ServiceSummary, ...]
    service_shapes: tuple[Service, ...]
    cautions: tuple[str, ...]
    not_before: str | None
    notes: tuple[Note, ...]
    services_clear: tuple[str, ...]
    best_place: BaseGeometry
    """Where the stake stands or, to listen on, would stand."""
    next_lonlat_accuracy_m: tuple[float | None, ...]

    def features(self, draw: DrawFeature) -> Iterator[Feature]:
        """Return the stakes, ties and services as features.

        To listen on, the best place so far is one, named as what it is: nothing else is to be set
        out for a hole.
        """
        for service in self.service_shapes:
            yield draw(
                "utility",
                service.name,
                service.geometry,
                name=service.name,
                colour=service.colour,
                quality=service.quality,
                depth_m=service.depth_m,
            )
        for tie, line in self.tie_lines:
            yield draw(
                "tie",
                f"tie-{tie.feature}",
                line,
                feature=tie.feature,
                distance_m=tie.distance_m,
                bearing_deg=tie.bearing_deg,
            )
        for stake, point in self.stake_points:
            more: dict[str, Any] = {"elevation_m": stake.elevation_m}
            if stake.kind == "next_reading":
                continue
            if stake.kind == "stake":
                more |= self._on_pipe()
            # Ends of the hole are offset stakes to whoever draws: set out beside the leak's own.
            kind = "offset_stake" if stake.kind.startswith("hole") else stake.kind
            yield draw(kind, stake.id, point, label=stake.label, **more)
        if self.decision.verdict != "dig":
            label = f"BEST SO FAR {self.station}, not to dig"
            more = {"elevation_m": self.elevation_m, **self._on_pipe()}
            yield draw("stake", "best-so-far", self.best_place, label=label, **more)

    def _on_pipe(self) -> dict[str, Any]:
        verdict, chainage_m = self.decision.verdict, self.decision.stake_m
        return {"leg": self.leg, "chainage_m": chainage_m, "verdict": verdict}
