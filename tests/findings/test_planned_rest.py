"""Rest and neutral of a planned recording: the plan shows when the sticks were let go."""

import pytest

import pwmscope
from pwmscope.bench import load_sheet, make_plan
from pwmscope.synth import GoesToPreset, Output, build, follow_plan, write

SHEET = "captures/bench.toml"


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """RX2 is held at 1562.5 us before and after each of ten losses, longer than it rests."""
    plan = make_plan(load_sheet(SHEET), losses=10)
    outputs = {
        "RX1": Output(1503.0, {"elevator": -250.0, "aileron": -240.0}, GoesToPreset(1500, 0.6)),
        "RX2": Output(1500.0, {"elevator": 250.0, "aileron": -250.0}, GoesToPreset(1500, 0.6)),
        "RX3": Output(1000.0, {"throttle": 900.0}, GoesToPreset(1000, 0.6)),
        "RX4": Output(1498.0, {"rudder": 380.0}, GoesToPreset(1498, 0.6)),
    }
    path = tmp_path_factory.mktemp("planned") / "run.csv"
    write(build(follow_plan(plan, outputs, seed=8, marker="tx-on").script), path)
    return path, plan


def test_with_the_plan_each_channel_rests_where_its_stick_was_let_go(recording):
    path, plan = recording
    planned = pwmscope.analyse(path, sheet=SHEET, plan=plan)
    for line, rest_us in {"RX1": 1503.0, "RX2": 1500.0, "RX3": 1000.0, "RX4": 1498.0}.items():
        rest = planned[line]["rest position"]
        assert rest.value == pytest.approx(rest_us, abs=0.5)
        assert rest.verdict == "meets"
    for line, neutral_us in {"RX1": 1503.0, "RX2": 1500.0, "RX4": 1498.0}.items():
        assert planned[line]["neutral"].value == pytest.approx(neutral_us, abs=0.5)
        assert planned[line]["neutral"].verdict == "meets"
    assert planned["RX3"]["neutral"].value is None


def test_without_the_plan_no_verdict_rests_on_where_a_stick_was_held_longest(recording):
    path, _ = recording
    found = pwmscope.analyse(path, sheet=SHEET)["RX2"]
    assert found["rest position"].verdict == "not shown"
    assert found["neutral"].verdict == "not shown"
