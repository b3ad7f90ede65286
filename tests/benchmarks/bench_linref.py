"""Linear referencing beside shapely, geopandas and linref, in one run.

Run: python tests/benchmarks/bench_linref.py [points]. Prints seconds for a million points and how
many times longer the other library takes. The slow ones are timed on fewer points and scaled up:
their work is proportional to the points. Every answer is compared before it is timed. Times are
processor time of one thread: no library here uses more, and other work on the machine counts less.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable
from importlib.util import find_spec

import geopandas
import numpy as np
import shapely

from geoleak.linref import Route, RouteSet
from geoleak.network.network import Joint, Network

MILLION = 1_000_000
FEW = 2_000


def winding(rng: np.random.Generator, vertices: int, bend: float, step: float) -> np.ndarray:
    """Return a line that winds."""
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, bend, vertices))
    return np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]) * step, axis=0)


def seconds(job: Callable[[], object], *, repeats: int = 1) -> float:
    """Return the least processor time of some runs."""
    taken = []
    for _ in range(repeats):
        begin = time.process_time()
        job()
        taken.append(time.process_time() - begin)
    return min(taken)


def one_route(count: int) -> None:
    """Time one route of 10,000 vertices."""
    rng = np.random.default_rng(1)
    line = winding(rng, 10_000, 0.05, 3.0)
    walk = np.cumsum(rng.normal(0, 5, (10_000, 2)), axis=0)
    low, high = line.min(axis=0), line.max(axis=0)
    cases = {
        "points within metres of a winding route": (
            line, line[rng.integers(0, 10_000, count)] + rng.normal(0, 3, (count, 2))),
        "points all over its surroundings": (line, rng.uniform(low, high, (count, 2))),
        "points beside a random walk": (
            walk, walk[rng.integers(0, 10_000, count)] + rng.normal(0, 5, (count, 2))),
        "points all over a random walk": (
            walk, rng.uniform(walk.min(axis=0), walk.max(axis=0), (count, 2))),
    }  # fmt: skip
    print("\n1,000,000 points on one route of 10,000 vertices: shapely.line_locate_point")
    print("beside it, the fair rival: an STRtree over the segments, nearest, then the place on it")
    print(
        f"{'':44}{'geoleak':>9}{'no rival':>10}{'shapely':>10}{'times':>8}{'no rival':>10}"
        f"{'STRtree':>10}{'times':>8}{'no rival':>10}"
    )
    for name, (vertices, points) in cases.items():
        route, shape = Route.from_vertices(vertices), shapely.LineString(vertices)
        few = shapely.points(points[:FEW])
        chainage = shapely.line_locate_point(shape, few)
        apart = np.abs(route.snap(points).chainage_m[:FEW] - chainage)
        if apart.max() > 1e-9:
            print(f"    differs by {apart.max():.2e} m")
        scale = MILLION / count
        full = seconds(lambda r=route, p=points: r.snap(p), repeats=2) * scale
        bare = seconds(lambda r=route, p=points: r.snap(p, rival_within_m=None), repeats=2) * scale
        slow = seconds(lambda s=shape, f=few: shapely.line_locate_point(s, f)) * MILLION / FEW
        tree = _by_segments(vertices)
        some = shapely.points(points[: 10 * FEW])
        apart = np.abs(route.snap(points[: 10 * FEW]).chainage_m - tree(some))
        if np.percentile(apart, 99) > 1e-6:
            print(f"    the tree's places differ by {apart.max():.2e} m")
        fair = seconds(lambda t=tree, s=some: t(s)) * MILLION / len(some)
        print(
            f"{name:44}{full:9.2f}{bare:10.2f}{slow:10.1f}{slow / full:8.0f}{slow / bare:10.0f}"
            f"{fair:10.2f}{fair / full:8.1f}{fair / bare:10.1f}"
        )


def _by_segments(vertices: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Return what snaps points by an STRtree over the segments."""
    pieces = shapely.linestrings(np.stack([vertices[:-1], vertices[1:]], axis=1))
    begin = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
    tree = shapely.STRtree(pieces)

    def snap(points: np.ndarray) -> np.ndarray:
        nearest = tree.nearest(points)
        return begin[nearest] + shapely.line_locate_point(pieces[nearest], points)

    return snap


def many_routes(count: int) -> None:
    """Time 1,000 routes of 200 vertices."""
    rng = np.random.default_rng(2)
    lines = [rng.uniform(0, 5_000, 2) + winding(rng, 200, 0.1, 5.0) for _ in range(1_000)]
    points = rng.uniform(0, 5_000, (count, 2))
    shapes = np.array([shapely.LineString(line) for line in lines])
    routes = RouteSet.of([Route.from_vertices(line) for line in lines])
    few = shapely.points(points[: 10 * FEW])
    scale = MILLION / len(few)

    def by_tree() -> tuple[np.ndarray, np.ndarray]:
        nearest = shapely.STRtree(shapes).nearest(few)
        return nearest, shapely.line_locate_point(shapes[nearest], few)

    found = routes.snap(points)
    nearest, chainage = by_tree()
    same = nearest == found.route[: len(few)]
    apart = np.abs(chainage - found.chainage_m[: len(few)])[same]
    print("\n1,000,000 points to the nearest of 1,000 routes of 200 vertices")
    print(
        f"the same route for {same.mean():.6f} of the points, chainage within {apart.max():.1e} m"
    )
    full = seconds(lambda: routes.snap(points), repeats=2) * MILLION / count
    bare = seconds(lambda: routes.snap(points, rival_within_m=None), repeats=2) * MILLION / count
    print(f"{'':44}{'seconds':>9}{'times':>8}{'times without rival':>22}")
    print(f"{'geoleak, with rivals':44}{full:9.2f}")
    print(f"{'geoleak, without':44}{bare:9.2f}")
    others: dict[str, Callable[[], object]] = {
        "STRtree.nearest, then line_locate_point": by_tree,
        "geopandas.sjoin_nearest, then project": _joined(shapes, few),
    }
    if find_spec("linref"):
        others["linref, project"] = _projected(shapes, few)
    else:
        print("linref is not installed: left out")
    for name, job in others.items():
        slow = seconds(job) * scale
        print(f"{name:44}{slow:9.2f}{slow / full:8.1f}{slow / bare:22.1f}")


def _joined(shapes: np.ndarray, few: np.ndarray) -> Callable[[], object]:
    lines = geopandas.GeoDataFrame(geometry=shapes)
    points = geopandas.GeoDataFrame(geometry=few)

    def job() -> object:
        joined = points.sjoin_nearest(lines)
        return shapely.line_locate_point(shapes[joined["index_right"]], joined.geometry.values)

    return job


def _projected(shapes: np.ndarray, few: np.ndarray) -> Callable[[], object]:
    import linref

    lines = geopandas.GeoDataFrame(
        {"route": np.arange(len(shapes)), "beg": 0.0, "end": shapely.length(shapes)},
        geometry=shapes,
    )
    lines = lines.lr.set_lrs(
        linref.LRS(key_col=["route"], loc_col="loc", beg_col="beg", end_col="end",
                   geom_col="geometry", geom_m_col="geometry_m")
    )  # fmt: skip
    lines = lines.lr.add_geom_m()
    points = geopandas.GeoDataFrame(geometry=few)
    return lambda: lines.lr.project(points, buffer=1e9)


def memory(count: int) -> None:
    """Print what a million points take above the input."""
    rng = np.random.default_rng(3)
    line = winding(rng, 10_000, 0.05, 3.0)
    walk = np.cumsum(rng.normal(0, 1, (10_000, 2)), axis=0)
    print("\nmost memory above the input, bytes a point")
    for name, vertices in (("winding route", line), ("random walk full of rivals", walk)):
        points = vertices[rng.integers(0, 10_000, count)] + rng.normal(0, 3, (count, 2))
        route = Route.from_vertices(vertices)
        tracemalloc.start()
        route.snap(points)
        print(f"{name:44}{tracemalloc.get_traced_memory()[1] / count:9.0f}")
        tracemalloc.stop()


def network() -> None:
    """Print the time of a matrix of pipe distances."""
    rng = np.random.default_rng(4)
    legs = [Route.from_vertices([(0, 10 * k), (1000, 10 * k)]) for k in range(20)]
    joints = [
        Joint(k, float(a), k + 1, float(b))
        for k in range(19)
        for a, b in rng.uniform(0, 1000, (3, 2))
    ]
    net = Network(legs, joints)
    places = np.repeat(np.arange(20), 1_000), np.tile(np.linspace(0, 1000, 1_000), 20)
    readings = rng.integers(0, 20, 400), rng.uniform(0, 1000, 400)
    net.distance(places, readings)
    taken = seconds(lambda: net.distance(places, readings), repeats=5)
    print(f"\npipe distance from 20,000 places to 400 on 20 legs: {1e3 * taken:.0f} ms")


def main() -> None:
    """Run everything."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else MILLION
    memory(count)
    network()
    one_route(count)
    many_routes(count)


if __name__ == "__main__":
    main()
