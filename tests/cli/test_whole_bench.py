"""The whole job: plan, record by it, then ask about failsafe, mixing and settings."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.bench import load_plan
from pwmscope.cli import main
from pwmscope.synth import GoesToPreset, Output, build, follow_plan, write

SHEET = Path(__file__).parents[2] / "captures" / "bench.toml"


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Quince, mixed, its left output reversed; every line has a preset, used after 0.6 s."""
    folder = tmp_path_factory.mktemp("bench")
    plan, recording = folder / "plan.toml", folder / "run.csv"
    assert run("plan", "--sheet", SHEET, "-o", plan).exit_code == 0
    outputs = {
        "RX1": Output(1503.0, {"elevator": -250.0, "aileron": -240.0}, GoesToPreset(1500, 0.6)),
        "RX2": Output(1500.0, {"elevator": 250.0, "aileron": -250.0}, GoesToPreset(1500, 0.6)),
        "RX3": Output(1000.0, {"throttle": 900.0}, GoesToPreset(1000, 0.6)),
        "RX4": Output(1498.0, {"rudder": 380.0}, GoesToPreset(1498, 0.6)),
    }
    followed = follow_plan(load_plan(plan), outputs, seed=8, marker="tx-on")
    write(build(followed.script), recording)
    return plan, recording


def test_hands_that_follow_the_plan_show_the_failsafe_of_every_line(bench):
    result = run("failsafe", bench[1], "--sheet", SHEET, "--json", "-")
    assert result.exit_code == 0
    lines = json.loads(result.output)["lines"]
    assert [line["verdict"] for line in lines] == ["meets"] * 4
    for line in lines:
        assert line["trials"]["meets"] == 10
        shortest_s, _, longest_s = line["trials"]["stop_s"]
        assert 0.6 < shortest_s < longest_s < 0.6 + 2 * 0.022
        findings = [each["finding"] for each in line["findings"]]
        told = [f["verdict"] for f in findings if f["name"] == "power-up"]
        assert told == [None if line["role"] == "servo" else "meets"]


def test_they_show_the_reversed_output_and_that_reversing_it_helps(bench):
    plan, recording = bench
    result = run("mixing", recording, "--sheet", SHEET, "--plan", plan, "--json", "-")
    assert result.exit_code == 1
    data = json.loads(result.output)
    assert data["arrangement"]["name"] == "mixed, left output reversed"
    moves = {path["name"]: path for path in data["course"]["before"]}
    assert abs(moves["elevator forward"]["turned_deg"]) > 90
    then = {path["name"]: path for path in data["course"]["after"]}
    assert abs(then["elevator forward"]["turned_deg"]) < 10
    assert not any("transmitter off" in name for name in moves)


def test_they_show_which_settings_to_change(bench):
    plan, recording = bench
    result = run("calibrate", recording, "--sheet", SHEET, "--plan", plan)
    assert result.exit_code == 1
    assert "Reverse the channel in the" in " ".join(result.output.split())
