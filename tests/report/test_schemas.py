"""The JSON documents: their schemas in docs/ come from the types, and what is written fits them."""

import importlib.util
import json
from pathlib import Path

import jsonschema
import pytest

import pwmscope

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
CAPTURES = ROOT / "captures"


@pytest.fixture(scope="module")
def made():
    spec = importlib.util.spec_from_file_location("make_schemas", DOCS / "make_schemas.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.schemas()


def test_every_schema_in_docs_is_generated(made):
    assert {path.name.removesuffix(".schema.json") for path in DOCS.glob("*.schema.json")} == set(
        made
    )


@pytest.mark.parametrize("path", sorted(DOCS.glob("*.schema.json")), ids=lambda path: path.name)
def test_a_schema_is_as_its_types_say(path, made):
    name = path.name.removesuffix(".schema.json")
    assert json.loads(path.read_text("utf-8")) == made[name], "run docs/make_schemas.py"
    jsonschema.Draft202012Validator.check_schema(made[name])


@pytest.mark.parametrize(
    ("names", "sheet"),
    [
        (["clean-sweep.csv"], None),
        (["drill.csv.gz"], "bench.toml"),
        (["holds-last.csv.gz", "pulses-stop.csv.gz"], "bench.toml"),
        (["unmixed-drive.csv.gz"], "unmixed-drive.toml"),
    ],
)
def test_an_analysis_fits_its_schema(names, sheet, made):
    analysis = pwmscope.analyse(
        *(CAPTURES / name for name in names), sheet=None if sheet is None else CAPTURES / sheet
    )
    validator = jsonschema.Draft202012Validator(made["analysis"])
    assert list(validator.iter_errors(json.loads(analysis.to_json()))) == []


def test_a_field_that_no_type_has_is_refused(made):
    analysis = pwmscope.analyse(CAPTURES / "clean-sweep.csv")
    data = json.loads(analysis.to_json())
    data["cards"][0]["colour"] = "red"
    assert not jsonschema.Draft202012Validator(made["analysis"]).is_valid(data)
