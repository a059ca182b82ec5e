"""Transmitter off at 4 s, on at 7 s, following again at 7.5 s: each behaviour by its name."""

import numpy as np
import pytest

from pwmscope.synth import (
    Channel,
    Dwell,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    Loss,
    PulsesStop,
    Sweep,
    Wanders,
    Width,
)

# At 4 s the stick is at 1600 and rising; while the transmitter is off it goes on to 1800.
moves = (Dwell(1500, 3), Sweep(1800, 3))
once = (Loss(4, 7, reacquire_s=0.5),)


def lose(bench, behaviour, losses=once):
    recording = bench(channels=(Channel("RX1", moves, when_lost=behaviour),), losses=losses)
    truth = recording.truth
    channel = truth.channels["RX1"]
    at_s = truth.frames.nominal_ps[channel.frame] / 1e12
    return channel, at_s, channel.width_ps / 1e6


def test_holds_last_keeps_the_width_of_the_last_frame_and_then_jumps(bench):
    channel, at_s, width_us = lose(bench, HoldsLast())
    lost = (at_s >= 4) & (at_s < 7.5)
    last_us = width_us[at_s < 4][-1]
    assert at_s.size == 500
    assert np.all(width_us[lost] == last_us)
    assert width_us[at_s >= 7.5][0] == 1800
    (said,) = channel.losses
    assert (said.behaviour, said.off_s, said.on_s, said.follows_s) == ("holds last", 4, 7, 7.5)
    assert said.last_us == said.settles_us == pytest.approx(last_us)
    assert said.back_us == 1800


def test_pulses_stop_after_a_fifth_of_a_second_and_come_back(bench):
    channel, at_s, width_us = lose(bench, PulsesStop(after_s=0.2))
    assert not np.any((at_s >= 4.2) & (at_s < 7.5))
    assert np.count_nonzero((at_s >= 4) & (at_s < 4.2)) == 10
    assert np.all(width_us[(at_s >= 4) & (at_s < 4.2)] == width_us[at_s < 4][-1])
    assert np.count_nonzero(at_s >= 7.5) == 125
    (said,) = channel.losses
    assert (said.behaviour, said.settles_s, said.settles_us) == ("pulses stop", 4.2, None)


def test_a_line_that_rests_at_1_is_high_from_the_last_pulse_to_the_next(bench):
    channel, at_s, _ = lose(bench, PulsesStop(after_s=0.2, rests_at=1))
    begin_s = channel.rest_rise_ps[0] / 1e12
    end_s = begin_s + channel.rest_width_ps[0] / 1e12
    assert at_s[at_s < 4.2][-1] < begin_s < 4.24
    assert 7.46 < end_s < at_s[at_s >= 7.5][0]
    edges_ps = channel.edges_ps()
    assert np.all(np.diff(edges_ps) > 0)
    assert edges_ps.size == 2 * (at_s.size + 1)


def test_goes_to_preset_holds_for_0_8_s_first(bench):
    channel, at_s, width_us = lose(bench, GoesToPreset(1100, after_s=0.8))
    assert np.all(width_us[(at_s >= 4) & (at_s < 4.8)] == width_us[at_s < 4][-1])
    assert np.all(width_us[(at_s >= 4.8) & (at_s < 7.5)] == 1100)
    assert width_us[at_s >= 7.5][0] == 1800
    (said,) = channel.losses
    assert (said.behaviour, said.settles_s, said.settles_us) == ("goes to preset", 4.8, 1100)


def test_a_loss_shorter_than_the_hold_never_reaches_the_preset(bench):
    channel, _, width_us = lose(bench, GoesToPreset(1100, after_s=0.8), (Loss(4, 4.5),))
    assert 1100 not in width_us
    assert channel.losses[0].settles_s is None
    assert channel.losses[0].settles_us == channel.losses[0].last_us


def test_wanders_moves_in_every_frame_and_stays_within_its_bounds(bench):
    channel, at_s, width_us = lose(bench, Wanders(1400, 1650, step_us=60))
    lost_us = width_us[(at_s >= 4) & (at_s < 7.5)]
    assert lost_us.min() >= 1400
    assert lost_us.max() <= 1650
    assert np.all(np.diff(lost_us) != 0)
    assert np.ptp(lost_us) > 100
    assert channel.losses[0].behaviour == "wanders"


def test_keeps_following_is_as_if_nothing_had_happened(bench):
    channel, _, width_us = lose(bench, KeepsFollowing())
    _, _, never_lost_us = lose(bench, HoldsLast(), ())
    assert np.array_equal(width_us, never_lost_us)
    assert channel.losses[0].behaviour == "keeps following"


def test_a_transmitter_that_stays_off_never_comes_back(bench):
    channel, at_s, _ = lose(bench, PulsesStop(), (Loss(4),))
    assert at_s.max() < 4
    (said,) = channel.losses
    assert (said.on_s, said.follows_s, said.back_us) == (None, None, None)


def test_the_second_loss_may_end_otherwise_than_the_first(bench):
    losses = (Loss(4, 5), Loss(8, 9, channels={"RX1": GoesToPreset(1000)}))
    channel, at_s, width_us = lose(bench, HoldsLast(), losses)
    assert [x.behaviour for x in channel.losses] == ["holds last", "goes to preset"]
    assert np.all(width_us[(at_s >= 8) & (at_s < 9)] == 1000)
    assert np.all(width_us[at_s >= 9] == 1800)


def test_the_marker_line_is_low_exactly_while_the_transmitter_is_off(bench):
    recording = bench(losses=(Loss(4.25, 7), Loss(9)), marker="tx-on")
    marker = recording.capture.lines["tx-on"]
    assert list(recording.capture.lines)[-1] == "tx-on"
    assert marker.initial_level == 1
    assert (marker.edges_ps / 1e12).tolist() == [4.25, 7, 9]


def test_jitter_goes_on_while_a_width_is_held(bench):
    recording = bench(
        channels=(Channel("RX1", moves),), losses=once, width=Width(jitter_us=2)
    ).truth.channels["RX1"]
    at_s = recording.rise_ps / 1e12
    assert np.unique(recording.width_ps[(at_s > 4.1) & (at_s < 7.4)]).size > 100
