"""A trial of the route fit on random routes whose truth is known.

Run as ``python -m tests.trials.route_trial --routes 1000``. It prints, with Monte-Carlo errors,
length errors, sideways errors and the coverage of the stated sigma, for the fit, for a fit that is
told the true bends, and for the dots joined.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoleak.linref import Route
from geoleak.route import MarkArray, RouteFit, fit_route
from geoleak.route.solve import Observations, solve_many
from tests.trials.random_routes import Habits, RandomRoute, random_route

Floats = NDArray[np.float64]
PLACES = 20


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one random route gave."""

    length_error: float
    told_error: float
    joined_error: float
    aside_m: Floats
    sigma_m: Floats
    joined_aside_m: Floats
    told_aside_m: Floats
    length_z: float
    bends_true: int
    bends_found: int
    curved: bool
    strays: int
    strays_found: int
    strays_false: int
    no_line: bool
    asked_of_block: bool
    seconds: float


def marks_of(route: RandomRoute, *, told_sigma_m: float | None = None) -> MarkArray:
    """Return a random route's marks as the fit takes them."""
    count = len(route.marks)
    return MarkArray(
        easting_m=route.marks[:, 0],
        northing_m=route.marks[:, 1],
        height_m=np.full(count, np.nan),
        depth_m=np.full(count, route.depth_m),
        sigma_across_m=np.full(count, told_sigma_m or route.sigma_across_m),
        sigma_along_m=np.full(count, route.sigma_along_m),
        ids=tuple(str(101 + i) for i in range(count)),
        rover_bias_m=0.0,
    )


def told_the_bends(route: RandomRoute) -> Route:
    """Return the robust fit that starts from the true line and keeps its structure."""
    count = len(route.marks)
    marks = Observations(
        route.marks,
        np.full(count, route.sigma_across_m),
        np.full(count, route.sigma_along_m),
        np.zeros(count, dtype=bool),
    )
    shape = route.structure
    fit = solve_many([shape], marks, most_steps=40)[0]
    return Route.from_vertices((fit.shape if fit else shape).polyline())


def aside(route: RandomRoute, fitted: Route, chainage_m: Floats) -> Floats:
    """Return how far places on a fitted line lie from the true line, metres."""
    places = np.asarray(fitted.position(chainage_m))[:, :2]
    return np.asarray(Route.from_vertices(route.line).snap(places).offset_m)


def one(route: RandomRoute, rng: np.random.Generator, told_sigma_m: float | None) -> Outcome:
    """Fit one random route three ways."""
    marks = marks_of(route, told_sigma_m=told_sigma_m)
    began = time.perf_counter()
    fit: RouteFit = fit_route(marks)
    seconds = time.perf_counter() - began
    told = told_the_bends(route)
    dots = Route.from_vertices(route.marks)
    share = rng.random(PLACES)
    at = share * fit.route.length_m
    found = np.zeros(len(marks), dtype=bool)
    found[fit.strays] = True
    return Outcome(
        length_error=fit.route.length_m / route.length_m - 1,
        told_error=told.length_m / route.length_m - 1,
        joined_error=dots.length_m / route.length_m - 1,
        aside_m=aside(route, fit.route, at),
        sigma_m=fit.sigma_across_m(at),
        joined_aside_m=aside(route, dots, share * dots.length_m),
        told_aside_m=aside(route, told, share * told.length_m),
        length_z=(fit.route.length_m - route.length_m) / fit.length_sigma_m,
        bends_true=1 if route.curved else route.bends,
        bends_found=len(fit.bends),
        curved=route.curved,
        strays=int(route.stray.sum()),
        strays_found=int((found & route.stray).sum()),
        strays_false=int((found & ~route.stray).sum()),
        no_line=any(each.code == "no_line" for each in fit.warnings),
        asked_of_block=any(each.code == "another_line" for each in fit.warnings),
        seconds=seconds,
    )


def run(
    routes: int, seed: int, told_of_depth: float | None = None, habits: Habits | None = None
) -> list[Outcome]:
    """Return the outcomes of so many random routes."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(routes):
        route = random_route(rng, habits)
        told = float(np.hypot(told_of_depth * route.depth_m, 0.012)) if told_of_depth else None
        out.append(one(route, rng, told))
    return out


def spread_of(values: Floats, statistic, rng: np.random.Generator) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    """Return a statistic over routes and its bootstrap standard error."""
    count = len(values)
    again = [statistic(values[rng.integers(0, count, count)]) for _ in range(200)]
    return float(statistic(values)), float(np.std(again))


def rms(values: Floats) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def summary(outcomes: list[Outcome], seed: int = 0) -> dict[str, tuple[float, float]]:
    """Return each figure with its Monte-Carlo standard error; lengths in %, sideways in metres."""
    rng = np.random.default_rng(seed)
    out: dict[str, tuple[float, float]] = {}
    for name in ("length", "told", "joined"):
        error = 100 * np.abs([getattr(each, f"{name}_error") for each in outcomes])
        out[f"{name} median %"] = spread_of(error, np.median, rng)
        out[f"{name} p95 %"] = spread_of(error, lambda v: np.percentile(v, 95), rng)
    for name, field in (
        ("sideways rms m", "aside_m"),
        ("told sideways rms m", "told_aside_m"),
        ("joined sideways rms m", "joined_aside_m"),
    ):
        values = np.array([getattr(each, field) for each in outcomes])
        out[name] = spread_of(values, rms, rng)
    inside = np.array([np.abs(each.aside_m) <= 1.959964 * each.sigma_m for each in outcomes])
    out["sideways 95 % covers %"] = spread_of(100.0 * inside, np.mean, rng)
    within = np.array([np.abs(each.aside_m) <= 0.674490 * each.sigma_m for each in outcomes])
    out["sideways 50 % covers %"] = spread_of(100.0 * within, np.mean, rng)
    z = np.array([each.length_z for each in outcomes])
    out["length 95 % covers %"] = spread_of(100.0 * (np.abs(z) <= 1.959964), np.mean, rng)
    right = np.array([each.bends_true == each.bends_found for each in outcomes])
    out["bend count right %"] = spread_of(100.0 * right, np.mean, rng)
    strays = sum(each.strays for each in outcomes)
    out["strays named %"] = (100.0 * sum(e.strays_found for e in outcomes) / max(strays, 1), 0.0)
    out["false strays a route"] = spread_of(
        np.array([float(each.strays_false) for each in outcomes]), np.mean, rng
    )
    failed = {
        "no line %": np.array([each.no_line for each in outcomes]),
        "three good marks lost %": np.array([each.strays_false >= 3 for each in outcomes]),
        "length over 3 % off %": np.array([abs(each.length_error) > 0.03 for each in outcomes]),
        "a block asked about %": np.array([each.asked_of_block for each in outcomes]),
    }
    failed = {"any failure %": np.any(list(failed.values())[:3], axis=0), **failed}
    for name, rows in failed.items():
        out[name] = spread_of(100.0 * rows, np.mean, rng)
    out["seconds a fit"] = (float(np.mean([each.seconds for each in outcomes])), 0.0)
    return out


def main() -> None:
    """Run the trial from the command line and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--routes", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20260504)
    parser.add_argument(
        "--told", type=float, default=None, help="state this share of depth as the locator's sigma"
    )
    parser.add_argument("--stray-to", type=float, default=0.8, help="farthest stray, metres")
    parser.add_argument("--worst", type=int, default=0, help="list so many of the worst routes")
    parser.add_argument("--any-angle", action="store_true", help="bends of any angle")
    parser.add_argument("--long", action="store_true", help="routes of 20 to 40 bends")
    arguments = parser.parse_args()
    habits = Habits(arguments.stray_to, arguments.any_angle, arguments.long)
    outcomes = run(arguments.routes, arguments.seed, arguments.told, habits)
    figures = summary(outcomes)
    for name, (value, error) in figures.items():
        print(f"{name:28s} {value:9.4f} +- {error:.4f}")
    for name in ("median %", "p95 %"):
        ratio = figures[f"length {name}"][0] / figures[f"told {name}"][0]
        print(f"{'ratio to told, ' + name:28s} {ratio:9.3f}")
    order = np.argsort(
        [-abs(each.length_error) - 0.3 * np.abs(each.aside_m).max() for each in outcomes]
    )
    for i in order[: arguments.worst]:
        each = outcomes[i]
        print(
            i,
            f"aside {np.abs(each.aside_m).max():.2f}",
            f"{100 * each.length_error:+.2f} % told {100 * each.told_error:+.2f} %",
            f"bends {each.bends_true} found {each.bends_found} curved {each.curved} "
            f"strays {each.strays} named {each.strays_found} false {each.strays_false}",
        )


if __name__ == "__main__":
    main()
