"""What doubt about times takes from a failure: given this error, or own time, this is told."""

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.failsafe.verdict import judge_loss
from pwmscope.model import Verdict

if "alternative_cases" not in sys.modules:
    spec = importlib.util.spec_from_file_location(
        "alternative_cases", Path(__file__).with_name("test_alternatives.py")
    )
    sys.modules["alternative_cases"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules["alternative_cases"])
cases = sys.modules["alternative_cases"]
EXPECTED = cases.SETTING.expected
EXACT = cases.loss_of(cases.Moment(cases.Known.MARKED, 0.0, None))
MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN


def judged(**changes):
    return judge_loss(cases.changed(**{"loss": EXACT, **changes}))


@pytest.mark.parametrize(("late_s", "found"), [(2.3, OPEN), (2.4, BREAKS)])
def test_times_that_may_be_off_by_a_quarter_of_a_second_prove_that_much_less(late_s, found):
    """The limit is 2 s, and a transmitter may send on for 0.1 s."""
    doubt = {"error_s": 0.25}
    out = {"behaviour": LossClass.HOLDS_LAST, "stopped_s": math.inf}
    assert judged(**doubt, **out, last_outside_s=10.0 + late_s)[0] is found
    assert judged(**doubt, expected=Expectation(), settled_s=10.0 + late_s)[0] is found
    ran_on = {**cases.SILENT, "ran_on": True, "goes_on": "RX2", "stopped_s": 10.0 + late_s}
    assert judged(**doubt, **ran_on)[0] is found


def test_without_a_sample_interval_a_preset_reached_late_is_late_all_the_same():
    told = {"error_s": None, "expected": Expectation(), "settled_s": 12.2}
    assert judged(**told)[0] is BREAKS


# --- a device at rest, and its own time ---

RESTED = cases.stands(9.5, 10.48, 1500.0)
AT_REST = {
    **cases.SILENT, "entry": None, "goes_on": "RX2", "stopped_s": 10.0,
    "during": (RESTED, cases.quiet(10.5, 14.3)),
}  # fmt: skip


def own_time(own_s, **changes):
    expected = replace(EXPECTED, no_pulses_after_s=own_s)
    return judged(**{**AT_REST, "expected": expected, **changes})


@pytest.mark.parametrize(("own_s", "found"), [(1.5, False), (1.5001, True)])
def test_its_own_time_may_last_until_the_limit(own_s, found):
    """Pulses end half a second after the loss."""
    assert ("Running, it would go on" in own_time(own_s)[1]) is found


def test_its_own_time_counts_from_the_last_time_that_pulses_ended():
    again = (
        RESTED, cases.quiet(10.5, 10.98), cases.stands(10.98, 11.5, 1500.0),
        cases.quiet(11.5, 14.3),
    )  # fmt: skip
    assert "go on for 2.25 s" in own_time(0.75, during=again)[1]


def test_it_counts_from_the_loss_where_pulses_had_ended_before():
    """No time before the loss is taken off."""
    before = (cases.quiet(9.0, 14.3),)
    assert "go on for 2.25 s" in own_time(2.25, during=before)[1]


def test_a_device_that_stops_at_once_has_no_own_time_however_short_the_limit():
    assert "Running, it would" not in own_time(0.2, limit_s=0.9)[1]
    pulses = {"entry": None, "stopped_s": 10.0}
    assert "Running, it would" not in judged(**pulses, limit_s=0.5)[1]
