"""A fixed slice of the marker study; the whole study is the command `marker_study.py`.

Given these calibrations, the delay must be told with an interval that holds the truth, refuted
only where the 99.9 % Clopper-Pearson bound is; a hand that stops before the switch must be refused.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary import marker_study
from adversary.marker_study import Tally, draft, record


@pytest.fixture(scope="module")
def tally() -> Tally:
    return marker_study.study([draft(seed) for seed in range(400, 418)])


def test_the_interval_holds_the_delay(tally: Tally) -> None:
    assert tally.shown >= 0.85 * tally.made
    held, told = tally.held, tally.shown
    bound = 1.0 if held == told else stats.beta.ppf(0.999, held + 1, told - held)
    assert bound >= 0.93, tally.missed


def test_the_range_for_the_sheet_holds_single_delays(tally: Tally) -> None:
    assert tally.singles > 250
    assert tally.single_held >= 0.97 * tally.singles


@pytest.mark.parametrize("act", ["holds", "stops", "preset at once"])
def test_a_hand_that_stops_before_the_switch_is_refused(act: str) -> None:
    told = marker_study.study([replace(draft(s), act=act, stops_first=True) for s in (431, 433)])
    assert told.shown == 0


def test_the_truth_of_a_receiver_in_step_is_half_a_frame_behind_its_packets() -> None:
    # A packet sent c before its frame: the last fresh frame lies c after it, so the outputs end
    # c behind the signal, whatever the frames' phase, and a delay D looks as D - c.
    of = replace(draft(3), packet_s=0.02, frame_s=0.02, lost=0.0, delay_s=0.5, spread_s=0.0)
    frames_s = np.arange(0.0, 200.0, 0.02)
    packets_s = frames_s - 0.013
    of = replace(of, air_s=0.004)
    assert marker_study.behind(of, frames_s, packets_s) == pytest.approx(0.487, abs=1e-3)


def test_the_recording_has_one_light_and_ten_times_off() -> None:
    made = record(draft(5))
    light = made.capture.lines["light"]
    assert made.gone_s.size == 10
    assert light.edges_ps.size == 60  # three bounces at each change
    assert light.initial_level == 1
