"""A part of a recording: instants stay those of the whole."""

import numpy as np
import pytest

from pwmscope import decode, examine, load
from pwmscope.capture import PS_PER_S, Capture, Line, clip, parse_instant_s
from pwmscope.errors import HintError
from pwmscope.pulses import Flag


def whole():
    rise_us = 5_000 + 20_000 * np.arange(200)
    edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, 0)
    return Capture({"RX1": line}, 4 * PS_PER_S, 1e6, "bench.csv")


def test_pulses_inside_keep_their_instants_and_widths():
    table = decode(clip(whole(), 1.0, 2.0))["RX1"]
    assert table.rise_s == pytest.approx(1.005 + 0.02 * np.arange(50))
    assert (table.width_us == 1520).all()


def test_a_pulse_cut_by_either_end_is_flagged_and_not_measured():
    table = decode(clip(whole(), 1.0055, 1.9855))["RX1"]
    assert table.has(Flag.CUT).nonzero()[0].tolist() == [0, len(table) - 1]
    assert table.rise_s[0] == 1.0055
    assert np.isnan(table.width_us[[0, -1]]).all()


def test_an_instant_on_an_edge_belongs_to_the_part_before_it():
    part = clip(whole(), 1.005, 1.025)
    assert part.lines["RX1"].edges_ps.tolist() == [1_006_520_000_000, 1_025_000_000_000]
    assert part.lines["RX1"].initial_level == 1


def test_it_is_said():
    assert clip(whole(), 1.0).assumptions == ("Only the part from 1 to 4 s of 4 s is examined.",)
    capture = whole()
    assert clip(capture) is capture


def test_a_part_of_a_part():
    part = clip(clip(whole(), 1.0, 3.0), 0.0, 2.0)
    assert (part.start_s, part.end_s) == (1.0, 2.0)


@pytest.mark.parametrize(("from_s", "to_s"), [(5.0, None), (2.0, 1.0), (None, 0.0), (3.0, 3.0)])
def test_nothing_between_is_refused(from_s, to_s):
    with pytest.raises(HintError, match=r"Nothing of bench\.csv lies between"):
        clip(whole(), from_s, to_s)


@pytest.mark.parametrize("text", ["", "soon", "-1s", "1.2.3", "4 parsecs", "1e3"])
def test_an_instant_that_is_none_is_refused(text):
    with pytest.raises(HintError, match="not understood"):
        parse_instant_s(text)


def test_the_first_half_of_the_sweep_has_the_neutral_of_the_whole():
    capture = load("captures/clean-sweep.csv")
    part = examine(clip(capture, to_s=20.0)).channels["RX1"]
    assert part.travel.neutral.width_us == pytest.approx(1500.0, abs=0.2)
    assert part.pulses == pytest.approx(1000, abs=1)
