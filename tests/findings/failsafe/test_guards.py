"""A kill channel: shown to cut, what it guards stands still; never recorded, it excuses nothing."""

from dataclasses import replace

import pytest
from loss_drill import Drill, check, device, holds, preset, sheet_of

from pwmscope.findings import Verdict

KILL = replace(device("RX2"), role="kill", guards=("RX3",))
RUNS_ON = {"RX1": preset(1507.0, 0.5), "RX2": preset(1507.0, 0.5), "RX3": holds}


def found(behave, channels):
    sheet = sheet_of()
    return check(Drill(behave, losses=10), sheet=replace(sheet, channels=channels))


def verdict_of(result, name):
    return next(line.verdict for line in result.lines if line.line == name)


@pytest.fixture
def channels():
    return {line: device(line) for line in ("RX1", "RX2", "RX3")}


def test_what_runs_on_without_a_kill_channel_does_not_meet(channels):
    result = found(RUNS_ON, channels)
    assert verdict_of(result, "RX3") is result.verdict is Verdict.DOES_NOT_MEET


def test_a_kill_channel_shown_to_cut_stops_what_it_guards_and_says_so(channels):
    result = found(RUNS_ON, channels | {"RX2": KILL})
    assert verdict_of(result, "RX3") is Verdict.MEETS
    line = next(line for line in result.lines if line.line == "RX3")
    assert line.is_guarded
    assert "RX2" in line.guard.sentence


def test_a_kill_channel_that_is_recorded_but_not_shown_leaves_it_open(channels):
    result = found(RUNS_ON, channels | {"RX2": replace(KILL, stop_us=None)})
    assert verdict_of(result, "RX2") is Verdict.NOT_SHOWN
    assert verdict_of(result, "RX3") is Verdict.NOT_SHOWN


def test_a_kill_channel_that_goes_on_excuses_nothing(channels):
    result = found(RUNS_ON | {"RX2": holds}, channels | {"RX2": KILL})
    assert verdict_of(result, "RX3") is Verdict.DOES_NOT_MEET


def test_a_kill_channel_that_no_recording_holds_excuses_nothing(channels):
    """One proven failure governs, whatever else could not be judged."""
    unseen = replace(KILL, line="RX5") if hasattr(KILL, "line") else KILL
    result = found(RUNS_ON, channels | {"RX5": unseen})
    assert verdict_of(result, "RX3") is result.verdict is Verdict.DOES_NOT_MEET
