"""What was asked for is what was drawn, as far as its own statistics allow."""

import numpy as np
import pytest
from scipy import stats

from pwmscope.synth import Channel, Dwell, Frame, Glitches, ScriptError, Sine, Sweep, Width

rx1 = Channel("RX1", (Dwell(1500, 1),))


def assert_spread(values, sigma, *, mean=0.0):
    """Chi-square of n draws about a known mean: (n s^2 / sigma^2) within its 99.9 % interval."""
    chi_square = np.sum((np.asarray(values, float) - mean) ** 2) / sigma**2
    low, high = stats.chi2.interval(0.999, len(values))
    assert low < chi_square < high


def test_frame_starts_scatter_by_3_us_about_the_clock(bench):
    frames = bench(duration_s=120, frame=Frame(20_000, jitter_us=3)).truth.frames
    late_us = (frames.start_ps - frames.nominal_ps) / 1e6
    assert frames.start_ps.size == 6000
    assert_spread(late_us, 3)
    assert stats.kstest(late_us / 3, "norm").pvalue > 0.001


def test_period_jitter_is_sqrt_2_and_cycle_to_cycle_sqrt_6_of_the_start_jitter(bench):
    # Differences of independent values; the terms are those of IEEE Std 2414.
    frames = bench(duration_s=120, frame=Frame(20_000, jitter_us=3)).truth.frames
    periods_us = np.diff(frames.start_ps) / 1e6
    # Every other period shares no frame with the next one, every third cycle step likewise.
    assert_spread(periods_us[::2], 3 * np.sqrt(2), mean=20_000)
    assert_spread(np.diff(periods_us)[::3], 3 * np.sqrt(6))


def test_widths_scatter_by_0_7_us_about_the_command(bench):
    truth = bench(duration_s=120, width=Width(jitter_us=0.7)).truth.channels["RX1"]
    assert np.all(truth.command_ps == 1_500_000_000)
    assert_spread((truth.width_ps - truth.command_ps) / 1e6, 0.7)


def test_two_channels_are_jittered_independently(bench):
    truth = bench(
        duration_s=120,
        channels=(rx1, Channel("RX2", (Dwell(1500, 1),))),
        width=Width(jitter_us=1),
    ).truth
    one, two = (c.width_ps - c.command_ps for c in truth.channels.values())
    assert stats.pearsonr(one, two).pvalue > 0.001


def test_another_channel_on_the_bench_leaves_the_first_as_it_was(bench):
    parts = {"width": Width(jitter_us=1), "glitches": Glitches(60)}
    alone = bench(**parts).truth.channels["RX1"]
    beside = bench(channels=(Channel("RX0", (Dwell(1200, 1),)), rx1), **parts).truth
    assert np.array_equal(alone.edges_ps(), beside.channels["RX1"].edges_ps())


def test_a_tick_of_2_us_makes_whole_ticks_of_every_width(bench):
    truth = bench(width=Width(jitter_us=3, tick_us=2)).truth.channels["RX1"]
    assert np.all(truth.width_ps % 2_000_000 == 0)
    assert np.unique(truth.width_ps).size > 3


def test_a_resolution_of_4_us_shows_as_steps_in_a_sweep(bench):
    moves = (Dwell(1500, 1), Sweep(1600, 5))
    recording = bench(channels=(Channel("RX1", moves),), width=Width(resolution_us=4))
    steps_us = np.unique(np.diff(recording.truth.channels["RX1"].width_ps)) / 1e6
    assert steps_us.tolist() == [0, 4]


def test_a_sweep_is_read_at_each_frame_and_its_end_is_held(bench):
    moves = (Dwell(1500, 1), Sweep(1900, 2))
    truth = bench(channels=(Channel("RX1", moves),)).truth
    at_s = truth.frames.nominal_ps / 1e12
    expected_us = np.interp(at_s, [1, 3], [1500, 1900])
    assert np.allclose(truth.channels["RX1"].width_ps / 1e6, expected_us, atol=1e-6, rtol=0)
    assert [(x.from_s, x.to_s, x.width_us) for x in truth.channels["RX1"].levels] == [
        (0, 1, 1500),
        (3, 10, 1900),
    ]


def test_a_swing_of_200_us_stays_within_200_us_and_ends_where_it_began(bench):
    moves = (Dwell(1500, 1), Sine(200, period_s=2, for_s=6))
    truth = bench(channels=(Channel("RX1", moves),)).truth.channels["RX1"]
    widths_us = truth.width_ps / 1e6
    assert 1300 <= widths_us.min() < 1301
    assert 1699 < widths_us.max() <= 1700
    assert widths_us[-1] == pytest.approx(1500)


def test_one_frame_in_ten_is_missing_on_all_channels(bench):
    truth = bench(
        duration_s=60,
        channels=(rx1, Channel("RX2", (Dwell(1500, 1),), skew_us=5)),
        frame=Frame(20_000, dropout_probability=0.1),
    ).truth
    missing = int(truth.frames.missing.sum())
    assert stats.binomtest(missing, 3000, 0.1).pvalue > 0.001
    for channel in truth.channels.values():
        assert np.array_equal(channel.frame, np.flatnonzero(~truth.frames.missing))


def test_glitches_come_at_the_rate_asked_for_and_only_in_the_low_time(bench):
    truth = bench(duration_s=600, glitches=Glitches(30, shortest_us=5, longest_us=50)).truth
    channel = truth.channels["RX1"]
    low, high = stats.poisson.interval(0.999, 300)
    assert low <= channel.glitch_rise_ps.size <= high
    assert channel.glitch_width_ps.min() >= 5_000_000
    assert channel.glitch_width_ps.max() <= 50_000_000
    # In the low time: rises and falls alternate, so that every high stretch is a separate one.
    rises = np.sort(np.concatenate([channel.rise_ps, channel.glitch_rise_ps]))
    assert np.array_equal(channel.edges_ps()[::2], rises)


def test_channels_start_in_the_frame_where_their_skew_says(bench):
    channels = tuple(Channel(f"RX{i}", (Dwell(1500, 1),), skew_us=2000 * i) for i in range(4))
    truth = bench(channels=channels, frame=Frame(20_000, jitter_us=2)).truth
    for i in range(4):
        assert np.all(truth.channels[f"RX{i}"].rise_ps - truth.frames.start_ps == i * 2_000_000_000)


def test_an_inverted_line_is_the_mirror_of_a_plain_one(bench):
    plain = bench().capture.lines["RX1"]
    mirror = bench(channels=(Channel("RX1", (Dwell(1500, 1),), inverted=True),)).capture
    assert mirror.lines["RX1"].initial_level == 1 - plain.initial_level
    assert np.array_equal(mirror.lines["RX1"].edges_ps, plain.edges_ps)
    assert np.array_equal(mirror.lines["RX1"].rises_ps(inverted=True), plain.rises_ps())


def test_a_recording_may_begin_inside_a_pulse(bench):
    recording = bench(frame=Frame(20_000, first_frame_us=-400))
    line = recording.capture.lines["RX1"]
    assert recording.truth.channels["RX1"].rise_ps[0] == -400_000_000
    assert line.initial_level == 1
    assert line.edges_ps[0] == 1_100_000_000


@pytest.mark.parametrize("rate_hz", [100_000, 1_000_000, 24_000_000])
def test_the_analysers_rate_changes_no_truth(bench, rate_hz):
    asked = {"width": Width(jitter_us=1), "frame": Frame(20_000, jitter_us=2)}
    truth = bench(sample_rate_hz=rate_hz, **asked).truth.channels["RX1"]
    same = bench(sample_rate_hz=3_000_000, **asked).truth.channels["RX1"]
    assert np.array_equal(truth.edges_ps(), same.edges_ps())


def test_the_same_seed_gives_the_same_recording_and_another_does_not(bench):
    parts = {"width": Width(jitter_us=1)}
    first, again, other = (bench(seed=s, **parts).capture.lines["RX1"] for s in (1, 1, 2))
    assert np.array_equal(first.edges_ps, again.edges_ps)
    assert not np.array_equal(first.edges_ps, other.edges_ps)


def test_pulses_longer_than_the_frame_are_refused(bench):
    with pytest.raises(ScriptError, match=r"channel RX1, moves: .* ends before the next frame"):
        bench(channels=(Channel("RX1", (Dwell(1500, 1),)),), frame=Frame(1_400))


def test_jitter_that_makes_a_width_negative_is_refused(bench):
    with pytest.raises(ScriptError, match="pulse widths above 0 us"):
        bench(width=Width(jitter_us=1000))
