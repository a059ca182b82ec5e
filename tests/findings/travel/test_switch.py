"""A channel on a switch, a button or a dial: its widths are places, and it has no neutral."""

from __future__ import annotations

import numpy as np
import pytest

from pwmscope.bench import parse_sheet
from pwmscope.findings import examine
from pwmscope.model import Capture, Line, Verdict

PS_PER_US = 1_000_000


def recorded(widths_us: list[float]) -> Capture:
    """A line that stands at each width for two seconds, frames of 20 ms."""
    width_us = np.repeat(widths_us, 100)
    rise_us = 5_000 + 20_000 * np.arange(width_us.size)
    edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
    edges_ps = (edges_us * PS_PER_US).astype(np.int64)
    end_ps = int((rise_us[-1] + 20_000) * PS_PER_US)
    return Capture({"RX3": Line("RX3", edges_ps, 0)}, end_ps, 1e6, "a bench")


def travel_of(widths_us, control):
    sheet = parse_sheet(f'[channels.RX3]\nrole = "weapon"\ncontrol = "{control}"\n')
    return examine(recorded(widths_us), sheet=sheet).channels["RX3"]


def test_a_switch_stands_at_two_widths_and_no_end_is_missing():
    found = travel_of([1300, 1700, 1300, 1700], "switch")
    for name, end_us in (("low endpoint", 1300.0), ("high endpoint", 1700.0)):
        assert found[name].value == pytest.approx(end_us, abs=0.1)
        assert found[name].sentence.startswith(
            "The switch stood at two widths: 1300.0 and 1700.0 us."
        )
    assert found.travel.reasons["neutral"] == "A switch has no neutral."


def test_a_switch_that_was_never_moved_is_told_what_to_do():
    found = travel_of([1300, 1300], "switch")
    assert found.travel.reasons["high"].startswith("The switch stood at one width: 1300.0 us.")
    assert found["high endpoint"].to_do == "Set it to each place for two seconds."


def test_a_switch_of_three_places_stands_at_three_widths():
    found = travel_of([1000, 1500, 2000, 1000], "switch")
    assert "three widths: 1000.0, 1500.0 and 2000.0 us" in found["low endpoint"].sentence


def test_a_dial_holds_any_width():
    found = travel_of([1000, 1500, 2000, 1000], "dial")
    assert "outermost dwell" in found["low endpoint"].sentence


@pytest.mark.parametrize(("role", "asked"), [("servo", True), ("spare", False), ("unused", False)])
def test_no_end_is_asked_of_a_line_with_nothing_on_it(role, asked):
    sheet = parse_sheet(f'[channels.RX3]\nrole = "{role}"\n')
    found = examine(recorded([1500.0, 1500.0]), sheet=sheet).channels["RX3"]
    assert found["high endpoint"].verdict is Verdict.NOT_SHOWN
    assert bool(found["high endpoint"].limit) is asked
    assert ("high endpoint" in {check.name for check in found.findings if check.limit}) is asked
    assert found["pulse width range"].limit
