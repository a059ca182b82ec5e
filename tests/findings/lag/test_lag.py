"""Delay and transfer: given a device that does this to a channel, this must be found."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from pwmscope.findings.lag import DEFINITIONS, examine_lag, find_follows
from pwmscope.findings.lag.delay import Trigger
from pwmscope.model import Verdict

spec = importlib.util.spec_from_file_location("converter", Path(__file__).with_name("converter.py"))
converter = importlib.util.module_from_spec(spec)
spec.loader.exec_module(converter)
INTERVAL_US = converter.INTERVAL_US
hand, in_step, own_clock = converter.hand, converter.in_step, converter.own_clock
record, source = converter.record, converter.source


@pytest.fixture(scope="module")
def channel():
    return source()


@pytest.fixture(scope="module")
def examined(channel):
    known = {}

    def examine(key, made, given=channel):
        if key not in known:
            known[key] = examine_lag(record("RX1", *given), record("out1", *made))
        return known[key]

    return examine


def named(lag, name):
    (finding,) = [finding for finding in lag.findings if finding.name == name]
    return finding


def far(value, finding):
    return abs(finding.value - value) / finding.uncertainty


@pytest.mark.parametrize("frames_late", [0, 1, 2, 5])
def test_a_device_in_step(channel, frames_late):
    rise_us, width_us = channel
    made = in_step(rise_us, width_us, frames_late=frames_late)
    lag = examine_lag(record("RX1", *channel), record("out1", *made))
    true_us = made[0] - rise_us[: made[0].size]
    assert lag.by_content
    assert lag.delay.frames == frames_late
    assert np.abs(lag.delay.late_us - true_us).max() <= INTERVAL_US * 1.0001
    assert lag.delay.trigger is Trigger.INPUT_END
    assert lag.delay.after_us == pytest.approx(300.0, abs=INTERVAL_US)
    assert named(lag, "input frames without output").value == 0
    assert lag.answer.sentence.startswith("RX1 to out1: ")
    assert named(lag, "beat of the clocks").value is None


def test_the_answer_in_one_statement(examined, channel):
    lag = examined("late", in_step(*channel, frames_late=1, jitter_us=3.0))
    assert "21.8 ms late, between 21.4 ms and 22.3 ms" in lag.answer.sentence
    assert "the width is one frame late" in lag.answer.sentence
    doubt_us = lag.correlation.uncertainty_us
    mean_us = lag.delay.late_us.mean()
    assert abs(lag.correlation.delay_us - mean_us) <= max(4 * doubt_us, 300.0)


def test_start_jitter_is_apart_from_sampling(examined, channel):
    lag = examined("late", in_step(*channel, frames_late=1, jitter_us=3.0))
    low_us, high_us = named(lag, "added start jitter").interval
    assert low_us <= 3.0 * 1.05
    assert high_us >= 3.0 * 0.95
    assert high_us - low_us < 0.3


def test_a_device_that_waits_for_the_start(channel):
    rise_us, width_us = channel
    lag = examine_lag(record("RX1", *channel), record("out1", rise_us + 2_100.0, width_us))
    assert lag.delay.trigger is Trigger.INPUT_START
    assert lag.delay.median_us == pytest.approx(2_100.0, abs=INTERVAL_US)


def test_a_plain_wire(channel):
    lag = examine_lag(record("RX1", *channel), record("out1", *channel))
    assert lag.delay.high_us == 0.0
    assert lag.delay.frames == 0
    assert lag.transfer.curve.gain.value == pytest.approx(1.0)
    assert named(lag, "added width jitter").value is None


def test_an_output_on_its_own_clock_beats(channel):
    rise_us, width_us = channel
    start_us, made_us, true = own_clock(rise_us, width_us, period_us=20_230.0)
    lag = examine_lag(record("RX1", *channel), record("out1", start_us, made_us))
    found = np.full(start_us.size, -1)
    found[lag.pairs.output] = lag.pairs.source
    np.testing.assert_array_equal(found, true)
    assert lag.delay.trigger is Trigger.OWN_CLOCK
    beat_s = 20_000.0 * 20_230.0 / 230.0 / 1e6
    assert named(lag, "beat of the clocks").value == pytest.approx(beat_s, rel=0.01)
    assert lag.content.low_us <= 400.0 <= lag.content.high_us
    assert named(lag, "added start jitter").value is None


def test_a_fast_output_repeats_what_it_knows(channel):
    rise_us, width_us = channel
    start_us, made_us, true = own_clock(rise_us, width_us, period_us=9_007.0)
    lag = examine_lag(record("RX1", *channel), record("out1", start_us, made_us))
    # Starts within some microseconds of where the device takes over the next width.
    in_doubt = np.flatnonzero(lag.pairs.source != true)
    off_us = start_us[in_doubt] - (rise_us + width_us)[true[in_doubt] + 1] - 400.0
    assert np.abs(off_us).max(initial=0.0) <= lag.content.high_us - lag.content.low_us < 100.0
    repeats = named(lag, "repeated outputs").value
    assert abs(repeats - np.count_nonzero(np.diff(true) == 0)) <= 2 * in_doubt.size


def test_left_out_frames_are_counted(channel):
    start_us, made_us = in_step(*channel, frames_late=1)
    kept = np.arange(start_us.size) % 37 != 36
    lag = examine_lag(record("RX1", *channel), record("out1", start_us[kept], made_us[kept]))
    assert lag.pairs.without_output.size == np.count_nonzero(~kept[:-1])
    assert lag.delay.frames == 1


def test_outputs_that_go_on_without_their_input(channel):
    rise_us, width_us = channel
    start_us, made_us = rise_us + 2_600.0, width_us
    on = np.ones(rise_us.size, bool)
    on[400:500] = False
    made_us = np.where(on, made_us, made_us[399])
    lag = examine_lag(record("RX1", rise_us[on], width_us[on]), record("out1", start_us, made_us))
    without = named(lag, "outputs without input").value
    assert 96 <= without <= 99  # all but those within 2.5 frames
    assert lag.delay.high_us < 3_000.0


def curve_case(name):
    return {
        "straight": lambda x: 0.8 * x + 310.0,
        "reversed": lambda x: 3010.0 - x,
        "clipped": lambda x: np.clip(1500.0 + 1.5 * (x - 1500.0), 1100.0, 1900.0),
        "dead": lambda x: 1500.0 + np.sign(x - 1505.0) * np.maximum(np.abs(x - 1505.0) - 12.0, 0.0),
        "stepped": lambda x: np.round(x / 8.0) * 8.0,
    }[name]


@pytest.mark.parametrize(
    ("name", "gain", "at_neutral"),
    [
        ("straight", 0.8, 1510.0),
        ("reversed", -1.0, 1510.0),
        ("clipped", 1.5, 1500.0),
        ("dead", 1.0, 1495.0),
        ("stepped", 1.0, 1500.0),
    ],
)
def test_the_curve(examined, channel, name, gain, at_neutral):
    lag = examined(name, in_step(*channel, curve=curve_case(name)))
    curve = lag.transfer.curve
    assert abs(curve.gain.value - gain) < 4.0 * curve.gain.uncertainty
    if name != "dead":
        assert far(at_neutral - 1500.0, named(lag, "width offset")) < 4.0
    assert (curve.dead_us is not None) is (name == "dead")
    assert (curve.low_us is not None) is (name == "clipped")
    assert (curve.high_us is not None) is (name == "clipped")


@pytest.mark.parametrize("name", ["straight", "reversed", "stepped"])
def test_the_gain_is_the_slope_of_the_recorded_pulses(examined, channel, name):
    made = in_step(*channel, curve=curve_case(name))
    lag = examined(name, made)
    true = np.polyfit(channel[1][: made[1].size], made[1], 1)[0]
    finding = named(lag, "width gain")
    low, high = finding.interval
    # Jitter of the device is part of what the slope describes, so the interval is sampling's.
    assert low <= true <= high
    assert high - low < 4.0 * finding.uncertainty
    assert finding.uncertainty < lag.transfer.curve.gain.uncertainty


def test_the_clipped_ends(examined, channel):
    lag = examined("clipped", in_step(*channel, curve=curve_case("clipped")))
    assert far(1100.0, named(lag, "lower clip")) < 4.0
    assert far(1900.0, named(lag, "upper clip")) < 4.0
    assert "from 1767 us of input on" in named(lag, "upper clip").sentence


def test_the_deadband(examined, channel):
    lag = examined("dead", in_step(*channel, curve=curve_case("dead")))
    assert far(24.0, named(lag, "output deadband")) < 4.0
    assert lag.transfer.curve.dead_at_us == pytest.approx(1505.0, abs=0.5)
    straight = examined("straight", in_step(*channel, curve=curve_case("straight")))
    assert named(straight, "output deadband").value == 0.0


def test_the_step_of_the_output(examined, channel):
    lag = examined("stepped", in_step(*channel, curve=curve_case("stepped")))
    assert far(8.0, named(lag, "output step")) < 4.0
    assert "its own" in named(lag, "output step").sentence
    straight = examined("straight", in_step(*channel, curve=curve_case("straight")))
    assert named(straight, "output step").value is None


def test_a_step_that_is_the_inputs_own():
    rise_us, width_us = source(width_us=np.round(hand(700) / 8.0) * 8.0, noise_us=0.2)
    made = in_step(rise_us, width_us, curve=lambda x: 750.0 + x / 2.0)
    lag = examine_lag(record("RX1", rise_us, width_us), record("out1", *made))
    assert lag.transfer.step_us == pytest.approx(4.0, abs=0.05)
    assert lag.transfer.step_is_inputs


def backlash(width_us, play_us):
    made_us, at_us = np.empty_like(width_us), width_us[0]
    for i, now_us in enumerate(width_us):
        at_us = min(max(at_us, now_us - play_us / 2.0), now_us + play_us / 2.0)
        made_us[i] = at_us
    return made_us


def test_hysteresis(channel):
    made = in_step(*channel, curve=lambda x: backlash(x, 12.0))
    finding = named(
        examine_lag(record("RX1", *channel), record("out1", *made)), "output hysteresis"
    )
    assert finding.value == pytest.approx(-12.0, abs=2.5)
    assert abs(finding.value) > 3.0 * finding.uncertainty
    assert "narrower" in finding.sentence


def test_no_hysteresis(examined, channel):
    lag = examined("straight", in_step(*channel, curve=curve_case("straight")))
    finding = named(lag, "output hysteresis")
    assert abs(finding.value) <= 4.0 * finding.uncertainty
    assert finding.sentence.startswith("No hysteresis shows")


def test_added_width_jitter_in_quadrature(channel):
    made = in_step(*channel, noise_us=2.0, curve=lambda x: 1500.0 + 2.0 * (x - 1500.0) / 1.5)
    finding = named(
        examine_lag(record("RX1", *channel), record("out1", *made)), "added width jitter"
    )
    low_us, high_us = finding.interval
    # The added jitter of these pulses is within some percent of what it was drawn from.
    assert low_us <= 2.0 * 1.05
    assert high_us >= 2.0 * 0.95
    assert finding.value == pytest.approx(2.0, rel=0.08)


def test_smoothing_is_told(channel):
    made = in_step(*channel, curve=lambda x: np.convolve(x, [0.5, 0.5], "full")[: x.size])
    lag = examine_lag(record("RX1", *channel), record("out1", *made))
    assert lag.transfer.memory.smoothed
    middle = lag.delay.frames + lag.transfer.memory.centre_frames
    assert middle == pytest.approx(0.5, abs=0.1)
    assert "smoothed over several frames" in lag.answer.sentence
    assert named(lag, "output hysteresis").value is None


def test_an_input_that_never_moves(channel):
    rise_us, _ = channel
    still_us = np.full(rise_us.size, 1500.0)
    lag = examine_lag(record("RX1", rise_us, still_us), record("out1", rise_us + 2_400.0, still_us))
    assert lag.answer.verdict is Verdict.NOT_SHOWN
    assert "did not move enough" in lag.answer.sentence
    assert "record again" in lag.answer.sentence
    assert named(lag, "start after input").value == pytest.approx(2_400.0, abs=INTERVAL_US)
    assert not lag.by_content


def test_an_output_that_never_moves(channel):
    rise_us, _ = channel
    lag = examine_lag(
        record("RX1", *channel), record("out1", rise_us + 2_400.0, np.full(rise_us.size, 1500.0))
    )
    assert lag.answer.value is None
    assert "stood still while RX1 moved" in lag.answer.sentence


def test_an_even_to_and_fro_fits_several_delays():
    rise_us, width_us = source(width_us=1500.0 + 300.0 * np.sin(np.arange(700) * 2 * np.pi / 8.0))
    lag = examine_lag(record("RX1", rise_us, width_us), record("out1", *in_step(rise_us, width_us)))
    assert not lag.by_content
    assert named(lag, "width gain").value is None


def test_a_mixed_output(channel):
    rise_us, width_us = channel
    made_us = (width_us + hand(rise_us.size, seed=9)) / 2.0
    lag = examine_lag(record("RX1", *channel), record("out1", rise_us + 2_400.0, made_us))
    assert lag.answer.value is None
    assert "mixed from several" in lag.answer.sentence
    gain = named(lag, "width gain")
    assert gain.value is None
    assert "only the stick of RX1 moves" in gain.sentence
    assert lag.delay.trigger is Trigger.INPUT_START


@pytest.mark.parametrize("clip_us", [1000.0, 250.0])
def test_a_mixed_output_whose_inputs_are_all_named(channel, clip_us):
    rise_us, width_us = channel
    other_us = hand(rise_us.size, seed=9)
    mix_us = 1500.0 + 0.7 * (width_us - 1500.0) - 0.5 * (other_us - 1500.0)
    mix_us = np.clip(mix_us, 1500.0 - clip_us, 1500.0 + clip_us)
    made = in_step(rise_us, width_us, frames_late=1, curve=lambda _: mix_us[:-1])
    records = [record("RX1", *channel), record("RX2", rise_us + 6.0, other_us)]
    lag = examine_lag(records[0], record("out1", *made), (records[1],))
    assert lag.by_content
    assert lag.delay.frames == 1
    assert np.abs(lag.delay.late_us - (made[0] - rise_us[:-1])).max() <= INTERVAL_US * 1.0001
    assert lag.content.weights == pytest.approx((0.7, -0.5), abs=0.005)
    gain = named(lag, "width gain")
    assert gain.value is None
    assert "mixed from 0.70 of RX1 and -0.50 of RX2" in gain.sentence


@pytest.mark.parametrize("one_after_another", [False, True])
@pytest.mark.parametrize("frames_late", [0, 2])
def test_an_output_that_waits_for_another_input_is_not_told_an_own_clock(
    one_after_another, frames_late
):
    """A converter starts its output when the last of its two inputs has ended."""
    rise_us, width_us = source()
    other_us = hand(rise_us.size, seed=9)
    starts_us = rise_us + width_us + 10.0 if one_after_another else rise_us + 6.0
    ends_us = np.maximum(rise_us + width_us, starts_us + other_us)
    n = rise_us.size - frames_late
    mix_us = 1500.0 + 0.5 * (width_us - 1500.0) + 0.5 * (other_us - 1500.0)
    made = record("out1", ends_us[frames_late:] + 300.0, mix_us[:n])
    one, other = record("RX1", rise_us, width_us), record("RX2", starts_us, other_us)
    both = examine_lag(one, made, (other,))
    assert both.delay.trigger is Trigger.KEEPS_STEP
    start = named(both, "start after input")
    assert start.value == pytest.approx(300.0, abs=INTERVAL_US)
    last = "the end of RX2" if one_after_another else "the last of RX1 and RX2 to end"
    assert last in start.sentence
    assert both.delay.jitter.interval_us[1] < 1.0
    # Without the other input it looks like an unsteady clock: both are named, none is claimed.
    alone = examine_lag(one, made)
    assert alone.delay.trigger is Trigger.UNCLEAR
    start = named(alone, "start after input")
    assert start.value is None
    assert "waits for the pulse of a line not named here" in start.sentence
    assert "its own clock is unsteady" in start.sentence
    assert named(alone, "beat of the clocks").value is None


def test_an_own_clock_beside_a_further_input_is_told(channel):
    rise_us, width_us = channel
    start_us, made_us, _ = own_clock(rise_us, width_us)
    idle = record("RX2", rise_us + 6.0, hand(rise_us.size, seed=9))
    lag = examine_lag(record("RX1", *channel), record("out1", start_us, made_us), (idle,))
    assert lag.delay.trigger is Trigger.OWN_CLOCK


def test_an_input_that_has_no_part_in_the_mix(channel):
    rise_us, width_us = channel
    idle_us = hand(rise_us.size, seed=9)
    made = in_step(rise_us, width_us, frames_late=1)
    idle, given = record("RX2", rise_us + 6.0, idle_us), record("RX1", *channel)
    lag = examine_lag(idle, record("out1", *made), (given,))
    assert not lag.by_content
    few = examine_lag(given, record("out1", *made), (record("RX3", rise_us[:4], idle_us[:4]),))
    assert "RX3 has fewer than 10" in few.answer.sentence


def test_an_output_of_another_receiver(channel):
    other = source(seed=5, period_us=22_003.0)
    lag = examine_lag(record("RX1", *channel), record("out1", *other))
    assert lag.answer.value is None
    assert "another receiver" in lag.answer.sentence
    assert lag.delay.trigger is Trigger.OWN_CLOCK


def test_too_few_pulses(channel):
    rise_us, width_us = channel
    lag = examine_lag(record("RX1", *channel), record("out1", rise_us[:5], width_us[:5]))
    assert lag.delay is None
    assert all(finding.value is None for finding in lag.findings)
    assert "fewer than 10 whole servo pulses" in lag.answer.sentence


def test_lines_that_share_no_time(channel):
    rise_us, width_us = channel
    lag = examine_lag(record("RX1", *channel), record("out1", rise_us + 40_000_000.0, width_us))
    assert lag.delay is None
    assert "at the same time" in lag.answer.sentence


def test_two_named_the_wrong_way_round(channel):
    made = in_step(*channel)
    lag = examine_lag(record("out1", *made), record("RX1", *channel))
    assert "not late at all" in lag.answer.sentence


def test_every_finding_has_a_definition_in_order(examined, channel):
    lag = examined("clipped", in_step(*channel, curve=curve_case("clipped")))
    few = examine_lag(record("RX1", *channel), record("out1", channel[0][:5], channel[1][:5]))
    names = [definition.name for definition in DEFINITIONS]
    assert [finding.name for finding in lag.findings] == names[1:]
    assert [finding.name for finding in few.findings] == names[1:]
    assert names[0] == "follows"


def test_which_follows_which():
    one, two = source(seed=1), source(seed=2)
    records = {
        "RX1": record("RX1", *one),
        "RX2": record("RX2", one[0] + 4.8, two[1]),
        "out1": record("out1", *in_step(*one, frames_late=1)),
        "out2": record("out2", *in_step(one[0], two[1], after_us=500.0)),
        "twin": record("twin", one[0] + 9.6, one[1]),
    }
    follows = find_follows(records)
    behind = {(p.source, p.output) for p in follows.pairs if not p.side_by_side}
    assert behind == {("RX1", "out1"), ("twin", "out1"), ("RX2", "out2")}
    told = dict(zip(records, follows.findings, strict=True))
    assert told["out2"].value == "RX2"
    assert "moves together with twin" in told["RX1"].sentence
    (only,) = find_follows(records, output="out2").findings
    assert only.value == "RX2"
    assert not find_follows(records, source="RX2", output="out1").pairs


def test_pulses_in_doubt_of_an_own_clock_are_in_the_interval_of_the_median_delay():
    """The widths leave a few pulses open; the interval holds the true median all the same."""
    inside, halves_us = [], []
    for seed in range(12):
        rng = np.random.default_rng([1588, seed])
        rise_us, width_us = source()
        width_us = np.round(width_us / 4.0) * 4.0
        period_us = 20_000.0 * rng.uniform(0.7, 1.5)
        start_us = np.arange(rise_us[0] + 45_000.0, rise_us[-1], period_us)
        latch_us = rng.uniform(100.0, 2_000.0)
        of = np.searchsorted(rise_us + width_us, start_us - latch_us, side="right") - 1
        lag = examine_lag(record("RX1", rise_us, width_us), record("out1", start_us, width_us[of]))
        assert lag.delay.trigger is Trigger.OWN_CLOCK
        low_ms, high_ms = lag.answer.interval
        inside.append(low_ms <= np.median(start_us - rise_us[of]) / 1e3 <= high_ms)
        halves_us.append((high_ms - low_ms) * 500.0)
    assert sum(inside) >= 10  # 12 at 95 %: fewer than 10 in 2 % of such tests
    assert np.median(halves_us) < 100.0


@pytest.mark.parametrize("frames", [1, 2, 4])
def test_an_output_that_waits_for_the_end_of_an_older_pulse_keeps_step_with_that_one(frames):
    rise_us, width_us = source()
    n = rise_us.size - frames
    # Both the start and the width are those of the pulse so many frames ago.
    start_us = (rise_us + width_us)[:n] + 20_000.0 * frames + 900.0
    made_us = 1500.0 + 0.8 * (width_us[:n] - 1500.0)
    lag = examine_lag(record("RX1", rise_us, width_us), record("out1", start_us, made_us))
    assert lag.delay.trigger is Trigger.INPUT_END
    late_us = start_us - rise_us[:n]
    low_ms, high_ms = lag.answer.interval
    assert low_ms <= np.median(late_us) / 1e3 <= high_ms
    assert high_ms - low_ms < 0.05
    start = next(finding for finding in lag.findings if finding.name == "start after input")
    before = "one frame before" if lag.delay.waits_frames == 1 else "frames before"
    assert before in start.sentence


def test_a_start_that_goes_half_with_the_width_is_not_said_to_be_unmoved():
    rise_us, width_us = source()
    start_us = rise_us + 3_000.0 + 0.5 * width_us
    lag = examine_lag(record("RX1", rise_us, width_us), record("out1", start_us, width_us))
    start = next(finding for finding in lag.findings if finding.name == "start after input")
    assert "did not move" not in start.sentence
    assert "0.50 us for each of the width" in start.sentence
