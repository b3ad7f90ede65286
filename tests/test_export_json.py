"""result.json and its schema."""

from __future__ import annotations

import json
import math

import pytest

from geoleak.errors import GeoleakError
from geoleak.export.json_files import dump_json, write_json
from geoleak.record import replace
from geoleak.result.records import Result
from tests.result_schema import STORED, schema
from tests.results import EVERY_SITE, feet_site, with_leak


@pytest.mark.parametrize("name", EVERY_SITE)
def test_result_json_holds_every_record_and_validates(name, tmp_path):
    jsonschema = pytest.importorskip("jsonschema")
    result = EVERY_SITE[name]()
    read = json.loads(write_json(result, tmp_path / "result.json").read_text("utf-8"))
    assert set(read) == set(Result.__struct_fields__) - {"features"} | {"schema"}
    assert read == result.to_dict()
    jsonschema.Draft202012Validator(json.loads(STORED.read_text("utf-8"))).validate(read)


def test_schema_file_is_the_one_the_records_make():
    stored = json.loads(STORED.read_text("utf-8"))
    made = schema()
    assert stored == made, "write it anew with python -m tests.result_schema"


def test_schema_is_itself_valid_and_refuses_what_is_wrong():
    jsonschema = pytest.importorskip("jsonschema")
    made = schema()
    jsonschema.Draft202012Validator.check_schema(made)
    validator = jsonschema.Draft202012Validator(made)
    good = feet_site().to_dict()
    for breaking in (
        lambda d: d.pop("leak"),
        lambda d: d["leak"].update(chainage_m="12"),
        lambda d: d.update(schema=1),
        lambda d: d["decision"]["hole"].pop("pieces"),
        lambda d: d["leak"].update(interval_95=[["yard", 1.0]]),
    ):
        bad = json.loads(json.dumps(good))
        breaking(bad)
        assert list(validator.iter_errors(bad)), "the schema let a broken result pass"
    # A later version may say more: readers pass over what they do not know.
    assert not list(validator.iter_errors(good | {"later": {"key": 1}}))


def test_contract_keys_stand_where_files_expect_them():
    read = feet_site().to_dict()
    assert {"id", "version", "created_from"} <= set(read["run"])
    assert {"easting", "northing", "unit", "crs"} == set(read["leak"]["position"])
    assert {"semi_major_m", "semi_minor_m", "bearing_deg"} == set(
        read["leak"]["setting_out_ellipse_95"]
    )
    assert read["decision"]["verdict"] in ("dig", "listen_on")
    assert all(len(piece) == 3 for piece in read["leak"]["interval_95"])


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_not_finite_is_refused_by_name(bad, tmp_path):
    result = with_leak(feet_site(), chainage_m=bad)
    with pytest.raises(GeoleakError, match=r"leak\.chainage_m"):
        write_json(result, tmp_path / "result.json")
    assert not (tmp_path / "result.json").exists()


def test_same_result_same_bytes_and_text_survives():
    result = replace(feet_site(title="Straße 4, 漏水 «x»"))
    assert dump_json(result.to_dict()) == dump_json(replace(result).to_dict())
    assert json.loads(dump_json(result.to_dict()))["site"]["title"] == "Straße 4, 漏水 «x»"
