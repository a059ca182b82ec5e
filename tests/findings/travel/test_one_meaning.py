"""Bench notes: a word means one thing; what could be two things names both."""

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import BenchChannel, BenchSheet
from pwmscope.synth import Channel, Dwell, Frame, Script, Sweep, Width, build

FRAME = Frame(20_000, 1_234.5, 0.8)


def examined(*lines, sheet=None, convention=None, jitter_us=0.3):
    lasts_s = max(sum(getattr(m, "for_s", 0) + getattr(m, "over_s", 0) for m in x) for x in lines)
    channels = tuple(Channel(f"RX{n}", moves) for n, moves in enumerate(lines, 1))
    script = Script(lasts_s, 1_000_000, 3, FRAME, channels, Width(jitter_us))
    return pwmscope.examine(build(script).capture, sheet=sheet, convention=convention)


def held(*widths, each_s=2.0):
    moves = [Dwell(widths[0], each_s)]
    for width in widths[1:]:
        moves += [Sweep(width, 0.5), Dwell(width, each_s)]
    return tuple(moves)


def test_a_dwell_far_from_the_end_is_called_outermost_and_no_endpoint():
    """Held at 1300 and 1700 us only: the range is kept, the channel's own ends were not seen."""
    channel = examined(held(1500, 1300, 1500, 1700, 1500)).channels["RX1"]
    for name, width in (("low endpoint", 1300), ("high endpoint", 1700)):
        assert channel[name].sentence.startswith(f"The outermost dwell is {width}.")
        assert f"the {name} itself is not shown" in channel[name].sentence


def test_a_channel_that_rests_low_is_not_told_that_its_neutral_is_off():
    """A weapon that passes by near the middle, without a sheet: two causes, both named."""
    weapon = held(1000, 1463, 1000, 1463, 1000, each_s=1.5)
    channel = examined((*weapon, Sweep(1463, 0.5), Dwell(1463, 3.0))).channels["RX1"]
    neutral = channel["neutral"]
    assert neutral.verdict is not pwmscope.Verdict.DOES_NOT_MEET
    if neutral.value is not None:
        assert "the channel rests elsewhere, as a weapon's does" in neutral.sentence


@pytest.mark.parametrize("centre_us", [1500, 1520, 1560])
def test_without_a_stated_device_neutral_is_told_and_not_judged(centre_us):
    """1500 us is a convention; many devices are centred on 1520 us (common practice)."""
    moves = held(centre_us, 1100, centre_us, 1900, centre_us)
    neutral = examined(moves).channels["RX1"]["neutral"]
    assert (neutral.verdict, neutral.limit) == (None, "")
    assert f"{centre_us - 1500:+.1f} us from 1500 us" in neutral.sentence
    assert "a bench sheet says what the device expects" in neutral.sentence
    drive = BenchChannel(
        "RX1", "drive-left", "", 1020.0, 1520.0, 2020.0, 40.0, "stops", None, None
    )  # fmt: skip
    sheet = BenchSheet("bench", "", "", 2.0, "", None, {"RX1": drive})
    neutral = examined(moves, sheet=sheet).channels["RX1"]["neutral"]
    assert neutral.limit.startswith("1520 us within 20 us")
    expected = {1500: "not shown", 1520: "meets", 1560: "does not meet"}
    assert neutral.verdict.value == expected[centre_us]


def test_a_line_that_the_sheet_does_not_name_never_does_better_than_one_it_names():
    drive = BenchChannel(
        "RX1", "drive-left", "", 1000.0, 1500.0, 2000.0, 50.0, "stops", None, None
    )  # fmt: skip
    sheet = BenchSheet("bench", "", "", 2.0, "", None, {"RX1": drive})
    moves = held(1500, 1000, 1500, 2000, 1500)
    found = examined(moves, moves, sheet=sheet).channels
    assert found["RX1"]["rest position"].verdict is pwmscope.Verdict.MEETS
    assert found["RX2"]["rest position"].verdict is pwmscope.Verdict.NOT_SHOWN
    assert "The bench sheet does not name the line" in found["RX2"]["rest position"].sentence


@pytest.mark.parametrize("end_us", [2000, 2045])
def test_pulses_outside_are_counted_alike_in_the_number_and_in_the_finding(end_us):
    travel = examined(held(1500, end_us, 1500)).channels["RX1"].travel
    finding = next(one for one in travel.findings if one.name == "pulse width range")
    assert travel.outside_convention == finding.value
    counted = np.count_nonzero(travel.outside_convention)
    assert (str(travel.outside_convention) in finding.sentence) or not counted
    if not counted:
        assert finding.verdict is pwmscope.Verdict.MEETS
