"""`pwmscope compare` as a person runs it."""

import json
from pathlib import Path

import html5lib
import jsonschema
from click.testing import CliRunner
from referencing import Registry, Resource

from pwmscope.cli import main
from pwmscope.findings.comparison import ComparedRow, Comparison
from pwmscope.model import measured
from pwmscope.report.questions import comparison_page

ROOT = Path(__file__).parents[2]
PRESET, HOLDS = (ROOT / "captures" / f"{name}.csv.gz" for name in ("preset", "holds-last"))


def run(*words):
    return CliRunner().invoke(main, ["compare", *map(str, words)])


def test_what_differs_comes_first_and_is_marked():
    result = run(PRESET, HOLDS, "--off-line", "tx-on")
    assert result.exit_code == 0
    said = " ".join(result.output.split())
    assert said.startswith("RX1: ")
    assert "figures differ: frame period" in said
    assert "goes to preset holds last ≠" in said
    assert f"1: {PRESET}" in said


def test_a_recording_differs_in_nothing_from_itself():
    said = run(PRESET, PRESET, "--off-line", "tx-on").output
    assert "none of" in said.splitlines()[0]
    assert " ≠" not in said.partition("≠ marks")[0]


def test_what_one_recording_alone_shows_is_named_and_never_passed_over():
    """The drill shows how fresh its links are; holds-last has hardly a stick that moves."""
    said = " ".join(run(ROOT / "captures" / "drill.csv.gz", HOLDS).output.split())
    assert "cannot be compared." in said
    assert "Shown in some recordings only: fresh frames, freezes, longest freeze" in said
    assert "Link freshness was not compared on every line." in said
    assert "cannot be compared" not in run(HOLDS, HOLDS).output


def test_the_json_follows_its_schema(tmp_path):
    file = tmp_path / "compared.json"
    assert run(PRESET, HOLDS, "--json", file).exit_code == 0
    data = json.loads(file.read_text())
    shipped = {
        name: json.loads((ROOT / "docs" / name).read_text())
        for name in ("comparison.schema.json", "findings.schema.json")
    }
    registry = Registry().with_resources(
        (name, Resource.from_contents(schema)) for name, schema in shipped.items()
    )
    schema = shipped["comparison.schema.json"]
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema, registry=registry).validate(data)
    assert run(PRESET, HOLDS, "--json", "-").output == file.read_text()
    assert run(PRESET, HOLDS, "--json", file).exit_code == 2


def test_bad_input_is_one_sentence():
    for words, said in (
        ([PRESET], "two or more"),
        ([PRESET, HOLDS, "--off-at", "3s"], "marker line"),
        ([PRESET, ROOT / "captures" / "unmixed-drive.csv.gz"], "in common"),
    ):
        result = run(*words)
        assert result.exit_code == 2
        assert said in result.stderr
        assert len(result.stderr.strip().splitlines()) == 1


def test_the_page_is_strict_html_and_says_the_same(tmp_path):
    file = tmp_path / "compared.html"
    result = run(PRESET, HOLDS, "--off-line", "tx-on", "-o", file)
    assert result.exit_code == 0
    text = file.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert "figures differ: frame period" in text
    assert '<td class="differs">holds last ≠</td>' in text
    assert "http" not in text.replace("http-equiv", "")
    assert run(PRESET, HOLDS, "-o", file).exit_code == 2
    assert run(PRESET, HOLDS, "-o", tmp_path / "compared.pdf").exit_code == 2


def test_hostile_names_stay_words_in_the_page():
    line = "<script>alert(1)</script>"
    found = measured("neutral", 1500.0, "us", "", uncertainty=0.1)
    rows = (ComparedRow(line, "neutral", "us", (found, found), (None, False)),)
    text = comparison_page(Comparison(("a\u202e.csv", "<b>.csv"), rows))
    html5lib.HTMLParser(strict=True).parse(text)
    assert "<script" not in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "a?.csv" in text
