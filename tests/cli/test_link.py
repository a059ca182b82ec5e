"""Given a link record and its plan, `link` tells what binding left behind, and draws the map."""

import json
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from pwmscope.cli import main
from pwmscope.report.register import last_failsafe

HERE = Path(__file__).parents[2]
CAPTURE = str(HERE / "captures" / "link-record.csv.gz")
SHEET = str(HERE / "captures" / "link-record.toml")
PLAN = str(HERE / "captures" / "link-record.plan.toml")


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("link")
    words = [
        "link", CAPTURE, "--sheet", SHEET, "--plan", PLAN,
        "--json", str(folder / "link.json"), "--pictures", str(folder),
    ]  # fmt: skip
    return CliRunner().invoke(main, words), folder


def test_the_answer_comes_first_and_names_the_wrong_plug(asked):
    done, _ = asked
    assert done.exit_code == 1
    assert done.output.startswith("LINK does not meet: aileron on RX2 (mix)\n")
    assert "Aileron drives the right motor, RX2. Mix elevator and aileron." in done.output
    assert "One transmitter at a time" in done.output


def test_the_json_follows_its_schema(asked):
    _, folder = asked
    data = json.loads((folder / "link.json").read_text("utf-8"))
    schema = json.loads((HERE / "docs" / "link.schema.json").read_text("utf-8"))
    jsonschema.validate(data, schema)
    assert [row["control"] for row in data["map"]] == ["aileron", "elevator", "throttle", "rudder"]


def test_the_picture_names_each_axis_and_output(asked):
    svg = (asked[1] / "channel-map.svg").read_text("utf-8")
    for word in ("Left stick", "throttle (high)", "RX3 + weapon ESC", "RX2 + right drive ESC"):
        assert word in svg


def test_without_a_plan_one_sentence_says_what_to_give():
    done = CliRunner().invoke(main, ["link", CAPTURE, "--sheet", SHEET])
    assert done.exit_code == 2
    assert done.output.strip() == "A link record is read by its plan. Name it with --plan."


def test_the_plan_of_a_link_record_begins_with_its_own_cautions():
    done = CliRunner().invoke(main, ["plan", "--link", "--sheet", SHEET])
    assert done.exit_code == 0
    assert "Restrain everything on the bench" in done.output.splitlines()[1]
    assert "another memory" in done.output


def test_the_last_failsafe_of_the_register_is_held_against_the_binding(tmp_path):
    """An entry of today comes after the binding; another robot's does not count."""
    register = tmp_path / "register.sqlite"
    kept = CliRunner().invoke(
        main,
        [
            "log", "add", str(HERE / "captures" / "preset.csv.gz"), "--register", str(register),
            "--sheet", str(HERE / "captures" / "bench.toml"),
        ],
    )  # fmt: skip
    assert kept.exit_code == 0, kept.output
    assert last_failsafe(register, "Quince") is not None
    assert last_failsafe(register, "Medlar") is None
    done = CliRunner().invoke(
        main, ["link", CAPTURE, "--sheet", SHEET, "--plan", PLAN, "--register", str(register)]
    )
    assert "failsafe after binding: meets." in done.output
