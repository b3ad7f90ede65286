"""What commands print to programs holds to the schemas beside the result's."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import pytest

from geoleak.advice import plan as plan_module
from tests.command import REPO, run

pytestmark = pytest.mark.usefixtures("few_nodes")

SCHEMAS = REPO / "shared" / "schemas"


def held(name: str, document) -> None:
    schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)


def test_a_whole_job_s_outputs_hold_to_their_schemas(tmp_path: Path, monkeypatch) -> None:
    folder = tmp_path / "mill_lane"
    shutil.copytree(REPO / "sample_sites" / "mill_lane", folder)
    monkeypatch.setattr(plan_module, "TRIES", 1)
    held("meter", run("meter", folder, "--json").json)
    held("plan", run("plan", folder, "--json").json)
    held("record", run("record", folder, "--json").json)
    assert run("locate", folder).code == 0
    dry = run(
        "found", folder, "--outcome", "dry", "--from", "service@2", "--to", "service@3", "--json"
    )
    held("closeout", dry.json)
    found = run("found", folder, "--outcome", "leak", "--place", "service@14.3", "--json")
    held("closeout", found.json)
    held("closeout", json.loads((folder / "closeout.json").read_text()))
    held("record", run("record", folder, "--json").json)


@pytest.mark.parametrize(
    ("body", "right"),
    [
        ({"id": "abcdefgh", "sheet": "readings.csv", "row": {"level": "3"}}, True),
        ({"id": "abcdefgh", "sheet": "readings.csv", "strike": "S1", "reason": "x"}, True),
        ({"id": "short", "sheet": "readings.csv", "row": {"level": "3"}}, False),
        ({"id": "abcdefgh", "sheet": "points.csv", "row": {"level": "3"}}, False),
        ({"id": "abcdefgh", "sheet": "readings.csv"}, False),
        ({"id": "abcdefgh", "sheet": "readings.csv", "row": {}}, False),
    ],
)
def test_an_entry_s_schema_takes_what_the_server_takes(body, right) -> None:
    from geoleak.serve.app import Entry
    from geoleak.serve.book import COLUMNS

    try:
        held("entry", body)
        assert right
    except jsonschema.ValidationError:
        assert not right
    try:
        taken = Entry.model_validate(body).sheet in COLUMNS
    except ValueError:
        taken = False
    assert taken is right
