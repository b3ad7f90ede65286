"""A drawn city of a thousand legs: ``python -m pytest -n 0 -m long tests/long``."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.test_survey_network import survey_of_a_city

pytestmark = pytest.mark.long


def test_a_thousand_legs_and_five_hundred_readings(tmp_path: Path) -> None:
    (tmp_path / "small").mkdir()
    (tmp_path / "large").mkdir()
    _, small = survey_of_a_city(tmp_path / "small", 8, 60)
    survey, large = survey_of_a_city(tmp_path / "large", 23, 500)
    assert len(survey.legs) == 1058
    assert len(survey.surface) == 500
    assert len(survey.network.components()) == 1
    # Eight times the legs and readings: hardly more than eight times the work.
    assert large < 12.0 * small
