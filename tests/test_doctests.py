"""Every example in a docstring does what it shows; run from the top of the project."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from pathlib import Path

import pytest

import geoleak

REPO = Path(__file__).parent.parent


def modules() -> list[str]:
    return [
        each.name
        for each in pkgutil.walk_packages(geoleak.__path__, "geoleak.")
        if each.name != "geoleak.__main__"
    ]


@pytest.mark.parametrize("name", ["geoleak", *modules()])
def test_examples(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(REPO)  # the examples name the sample sites as the README does
    ran = doctest.testmod(importlib.import_module(name), verbose=False)
    assert ran.failed == 0


def test_there_are_examples_of_the_main_job() -> None:
    found = doctest.DocTestFinder().find(importlib.import_module("geoleak.pipeline"))
    shown = {test.name for test in found if test.examples}
    assert {"geoleak.pipeline.read_site", "geoleak.pipeline.locate"} <= shown
