"""`pwmscope failsafe` as a person runs it."""

import json
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner
from referencing import Registry, Resource

from pwmscope.cli import main

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT / "captures"
SHEET = CAPTURES / "bench.toml"
DRILL, PRESET = CAPTURES / "drill.csv.gz", CAPTURES / "preset.csv.gz"
STOPS, HOLDS = CAPTURES / "pulses-stop.csv.gz", CAPTURES / "holds-last.csv.gz"


def run(*words):
    return CliRunner().invoke(main, ["failsafe", *map(str, words)])


@pytest.mark.parametrize(
    ("captures", "code"), [([DRILL], 0), ([PRESET], 1), ([HOLDS], 1), ([DRILL, HOLDS], 1)]
)
def test_the_exit_code_is_the_verdict(captures, code):
    assert run(*captures, "--sheet", SHEET).exit_code == code


def test_without_a_sheet_a_good_receiver_is_not_shown():
    assert run(DRILL, "--off-line", "tx-on").exit_code == 3


def test_the_verdict_of_each_line_comes_first():
    said = run(DRILL, "--sheet", SHEET).output.splitlines()
    assert said[0].startswith("RX1 (drive-left, left drive ESC): meets.")
    whole = " ".join(line.strip() for line in said)
    assert "Every line with a device meets the limit of 2 s" in whole
    assert "10 of 10 losses met the limit: the failure rate is below 26 % (95 %)" in whole
    assert "Hazard: the output jumped" in whole
    assert "safety officer" in said[-1]


def test_the_word_safe_is_no_answer():
    for captures in ([DRILL], [PRESET], [HOLDS]):
        words = run(*captures, "--sheet", SHEET).output.lower().replace("safety officer", "")
        assert "safe" not in words.replace("failsafe", "")


def test_cautions_come_before_the_procedure():
    said = run(HOLDS, "--sheet", SHEET).output
    assert 0 < said.index("Remove the weapon") < said.index("What to record")
    assert "59 losses" in said
    assert "What to record" not in run(DRILL, "--sheet", SHEET).output


def test_a_shorter_limit_may_be_asked_for():
    result = run(DRILL, "--sheet", SHEET, "--limit", "900ms")
    assert result.exit_code == 1
    assert "limit is 0.9 s" in " ".join(result.output.split())
    assert "as asked for" in " ".join(result.output.split())


def test_stated_times_stand_in_for_a_marker():
    said = run(STOPS, "--sheet", SHEET, "--off-at", "5.4", "--off-at", "13.2s")
    assert said.output.startswith("RX1 (drive-left, left drive ESC): meets.")
    assert "Stated: the transmitter went off at 5.4 s, within 0.05 s." in said.output
    one = run(STOPS, "--sheet", SHEET, "--off-at", "5.4")
    assert one.output.startswith("RX1 (drive-left, left drive ESC): not shown.")
    assert "13.248 s" in one.output


def test_the_json_follows_the_schema_and_says_the_same(tmp_path):
    file = tmp_path / "check.json"
    result = run(PRESET, DRILL, "--sheet", SHEET, "--json", file)
    data = json.loads(file.read_text())
    shipped = {
        name: json.loads((ROOT / "docs" / name).read_text())
        for name in ("failsafe.schema.json", "findings.schema.json")
    }
    registry = Registry().with_resources(
        (name, Resource.from_contents(schema)) for name, schema in shipped.items()
    )
    schema = shipped["failsafe.schema.json"]
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema, registry=registry).validate(data)
    assert (data["verdict"], result.exit_code) == ("does not meet", 1)
    assert [line["verdict"] for line in data["lines"]] == [
        "meets",
        "meets",
        "meets",
        "does not meet",
    ]
    assert data["lines"][0]["trials"]["meets"] == 12
    assert len(data["lines"][0]["losses"]) == 12
    assert run(PRESET, DRILL, "--sheet", SHEET, "--json", "-").output == file.read_text()


@pytest.mark.parametrize(
    ("form", "begins"), [("svg", b"<svg"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_the_picture_is_written_in_the_form_that_its_name_says(tmp_path, form, begins):
    file = tmp_path / f"losses.{form}"
    result = run(DRILL, "--sheet", SHEET, "--picture", file)
    assert result.exit_code == 0
    assert file.read_bytes().startswith(begins)
    assert run(DRILL, "--sheet", SHEET, "--picture", file).exit_code == 2
    assert run(DRILL, "--sheet", SHEET, "--picture", file, "--replace").exit_code == 0


def test_no_picture_is_drawn_of_no_loss(tmp_path):
    file = tmp_path / "losses.svg"
    result = run(CAPTURES / "clean-sweep.csv", "--picture", file)
    assert result.exit_code == 3
    assert "no picture was drawn" in result.output
    assert not file.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([DRILL, "--off-line", "RX9"], "There is no line 'RX9'"),
        ([CAPTURES / "clean-sweep.csv", "--off-line", "RX1"], "never holds another level"),
        ([DRILL, "--sheet", SHEET, "--off-at", "3.4s"], "give one of them"),
        ([STOPS, "--off-at", "60s"], "outside the recording, which is from 0 to 20 s"),
        ([STOPS, "--off-at", "0s"], "outside the recording"),
        ([STOPS, "--off-at", "5.4", "--off-at", "5.41"], "the same within their uncertainty"),
        ([STOPS, "--off-at", "soon"], "write a number and a unit"),
        ([STOPS, DRILL, "--off-at", "5.4"], "one recording, and 2 are given"),
        ([DRILL, "--limit", "0s"], "state one from 0.05 to 60 s"),
        ([DRILL, "--limit", "2V"], "time unit 'V'"),
        ([DRILL, "--picture", "losses.gif"], ".svg, .png or .pdf"),
        ([DRILL, "--sheet", "nowhere.toml"], "nowhere.toml"),
        (["nowhere.csv"], "no such file"),
    ],
)
def test_bad_input_is_one_sentence(words, said):
    result = run(*words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "Traceback" not in result.stderr


def test_a_recording_that_ends_too_soon_says_how_long_to_go_on():
    said = " ".join(run(DRILL, "--sheet", SHEET, "--to", "4.9s").output.split())
    assert "keep it running, and the transmitter off, for longer than 2.1 s" in said
