"""`pwmscope mixing` as a person runs it."""

import json
import re
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from pwmscope.cli import main

ROOT = Path(__file__).parents[2]
DRIVE = str(ROOT / "captures" / "unmixed-drive.csv.gz")
SHEET = str(ROOT / "captures" / "unmixed-drive.toml")
SCHEMA = json.loads((ROOT / "docs" / "mixing.schema.json").read_text())
NAMED = ("--left", "drive-left", "--right", "drive-right")
STICKS = ("--elevator", "stick-elevator", "--aileron", "stick-aileron")


def run(*words):
    return CliRunner().invoke(main, ["mixing", *map(str, words)])


def flat(text):
    return " ".join(text.split())


def test_the_shipped_drive_is_unmixed_and_the_answer_comes_first():
    result = run(DRIVE, "--sheet", SHEET)
    assert result.exit_code == 1
    assert result.output.splitlines()[0] == "It does not drive as wanted: unmixed."
    said = flat(result.output)
    assert "Stick forward: the robot turns right (left side forward, right side still)" in said
    assert "stick forward-right: the robot drives straight forward" in said
    assert "this is what unmixed looks like; turn mixing on in exactly one place" in said
    assert "Tried on the recorded data, this gives: mixed" in said
    assert "Remove the weapon" in said
    assert "A motor wired the other way looks like a reversed channel" in said


def test_lines_may_be_named_instead_of_a_sheet():
    by_sheet = run(DRIVE, "--sheet", SHEET, "--json", "-")
    by_name = run(DRIVE, *NAMED, *STICKS, "--json", "-")
    assert by_name.exit_code == 1
    first, second = json.loads(by_sheet.output), json.loads(by_name.output)
    assert first["matrix"] == second["matrix"]


@pytest.mark.parametrize(
    ("options", "code"),
    [((*NAMED, *STICKS), 1), (NAMED, 3), (("--left", "drive-left", *STICKS), 3)],
)
def test_the_json_follows_its_schema(options, code):
    result = run(DRIVE, *options, "--json", "-")
    assert result.exit_code == code
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(json.loads(result.output), SCHEMA, cls=jsonschema.Draft202012Validator)


def test_swapped_lines_give_swapped_outputs_and_names():
    swapped = ("--left", "drive-right", "--right", "drive-left", *STICKS)
    data = json.loads(run(DRIVE, *swapped, "--json", "-").output)
    assert data["arrangement"]["name"] == "unmixed, outputs swapped"


def test_without_sticks_it_says_what_to_record():
    result = run(DRIVE, *NAMED)
    assert result.exit_code == 3
    assert result.output.splitlines()[0] == "Whether it drives as wanted is not shown."
    assert "Record the receiver's stick channels too, or follow a --plan" in flat(result.output)


def test_json_goes_to_a_file_and_is_not_replaced_unless_asked(tmp_path):
    file = tmp_path / "mixing.json"
    assert run(DRIVE, *NAMED, *STICKS, "--json", file).exit_code == 1
    assert json.loads(file.read_text())["schema"] == 1
    again = run(DRIVE, *NAMED, *STICKS, "--json", file)
    assert again.exit_code == 2
    assert "--replace" in again.output
    assert run(DRIVE, *NAMED, *STICKS, "--json", file, "--replace").exit_code == 1


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "Give two options, --left LINE and --right LINE, or a bench sheet with --sheet"),
        (("--left", "RX9"), "There is no line 'RX9'"),
        (("--left", "drive-left", "--right", "drive-left"), "is named twice"),
        (("--sheet", "missing.toml"), "missing.toml"),
        ((*NAMED, "--plan", "missing.toml"), "missing.toml"),
    ],
)
def test_bad_options_are_refused_in_a_sentence(options, words):
    result = run(DRIVE, *options)
    assert result.exit_code == 2
    assert words in flat(result.output)


PLAN = """
[[steps]]
name = "rest"
seconds = 1.0
[[steps]]
name = "forward"
seconds = 1.0
sticks = { elevator = 0.7 }
[[steps]]
name = "rest 2"
seconds = 0.6
[[steps]]
name = "back"
seconds = 1.0
sticks = { elevator = -0.7 }
[[steps]]
name = "rest 3"
seconds = 0.6
[[steps]]
name = "left"
seconds = 1.0
sticks = { aileron = -0.7 }
[[steps]]
name = "rest 4"
seconds = 0.6
[[steps]]
name = "right"
seconds = 1.0
sticks = { aileron = 0.7 }
[[steps]]
name = "rest 5"
seconds = 0.7
"""


def test_a_plan_tells_the_sticks(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    result = run(DRIVE, *NAMED, "--plan", plan, "--json", "-")
    assert result.exit_code == 1
    data = json.loads(result.output)
    assert data["arrangement"]["name"] == "unmixed"
    assert data["matrix"]["source"] == "plan"
    jsonschema.validate(data, SCHEMA, cls=jsonschema.Draft202012Validator)


def test_a_plan_of_another_recording_is_refused(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.replace("1.0", "4.0"))
    result = run(DRIVE, *NAMED, "--plan", plan)
    assert result.exit_code == 2
    assert "plan" in result.output


def test_where_it_would_go_is_told_before_and_after_the_advice():
    """Common practice: unmixed, stick forward turns right and forward-right drives straight."""
    said = flat(run(DRIVE, "--sheet", SHEET).output)
    before, _, after = said.partition("Where it would go then")
    assert re.search(
        r"forward: [\d.]+ m ahead and [\d.]+ m to the right in 1 s, turned \d+", before
    )
    assert re.search(r"forward-right: [\d.]+ m ahead in 1 s, straight", before)
    assert re.search(r"forward: [\d.]+ m ahead in 1 s, straight", after)
    assert re.search(r"right: on the spot in 1 s, turned \d+ degrees to the right", after)
    assert "degrees a metre" in after
    assert "The wheels are taken to stand 0.2 m apart" in after


def test_stated_wheels_are_no_assumption():
    said = run(DRIVE, "--sheet", SHEET, "--wheel-base", "0.3", "--top-speed", "2").output
    assert "none is stated" not in said
    assert "forward-right: 0.9" in flat(said)


def test_the_pictures_are_written_and_not_replaced_unless_asked(tmp_path):
    folder = tmp_path / "drawn"
    result = run(DRIVE, "--sheet", SHEET, "--pictures", folder)
    assert result.exit_code == 1
    assert "drive-path.svg, sticks.svg" in result.output
    drawn = (folder / "drive-path.svg").read_text()
    assert "After: mixing on." in drawn
    assert "turns 134° right" in drawn
    assert "elevator" in (folder / "sticks.svg").read_text()
    assert run(DRIVE, "--sheet", SHEET, "--pictures", folder).exit_code == 2
    assert run(DRIVE, "--sheet", SHEET, "--pictures", folder, "--replace").exit_code == 1


def test_a_wheel_base_of_nothing_is_refused():
    result = run(DRIVE, "--sheet", SHEET, "--wheel-base", "0")
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1
