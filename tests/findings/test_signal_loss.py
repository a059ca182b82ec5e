"""What an output did in a loss: given this receiver and this marker, this class, these times."""

import dataclasses

import pytest

from pwmscope import examine
from pwmscope.synth import (
    Dwell,
    Glitches,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    Loss,
    PulsesStop,
    Sine,
    Sweep,
    Wanders,
)


def phases(event):
    return [(phase.kind.value, phase.end_s - phase.start_s) for phase in event.phases]


def test_pulses_stop_after_their_delay(bench):
    event = bench.event(bench.record(PulsesStop(after_s=0.5)))
    assert event.behaviour.value == "pulses stop"
    assert event.lost_s == pytest.approx(6.0, abs=1e-5)
    assert event.settle_s == pytest.approx(0.5, abs=0.021)
    assert event.recovered_s == pytest.approx(10.3, abs=0.021)
    assert event.recovery.relink_s == pytest.approx(0.3, abs=0.021)
    assert [kind for kind, _ in phases(event)] == ["holds", "stops"]


def test_a_held_stick_that_is_held_after_the_loss_is_a_hold(bench):
    event = bench.event(bench.record(HoldsLast(), moves=bench.RELEASED))
    assert event.behaviour.value == "holds last"
    assert event.preset_us == pytest.approx(1700, abs=0.5)
    assert event.recovered_s == pytest.approx(10.3, abs=0.021)


def test_a_moving_stick_that_freezes_is_a_hold(bench):
    moves = (Dwell(1500, 4), Sweep(1900, 4), Dwell(1900, 4), Sweep(1500, 1), Dwell(1500, 3))
    event = bench.event(bench.record(HoldsLast(), moves=moves))
    assert event.behaviour.value == "holds last"
    assert event.preset_us == pytest.approx(1700, abs=2)


def test_a_hold_of_an_idle_stick_is_not_shown(bench):
    event = bench.event(bench.record(HoldsLast(), moves=bench.IDLE))
    assert event.behaviour is None
    assert "hold the stick off its rest while switching off" in event.reasons["class"]
    assert [phase.kind.value for phase in event.phases] == ["stands"]


def test_a_stick_let_go_before_the_loss_is_no_hold(bench):
    moves = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 0.9), Sweep(1500, 0.1), Dwell(1500, 8))
    assert bench.event(bench.record(HoldsLast(), moves=moves)).behaviour is None


@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.6, 1.7])
def test_a_preset_is_timed_from_the_marker(bench, after_s):
    event = bench.event(bench.record(GoesToPreset(1480, after_s=after_s)))
    assert event.behaviour.value == "goes to preset"
    assert event.preset_us == pytest.approx(1480, abs=0.5)
    assert event.settle_s == pytest.approx(after_s, abs=0.021)
    least_s, most_s = event.settle_bounds_s
    assert least_s <= event.settle_s <= most_s


def test_a_hold_and_then_a_preset_are_two_phases(bench):
    event = bench.event(bench.record(GoesToPreset(1480, after_s=0.4)))
    assert phases(event) == [
        ("holds", pytest.approx(0.4, abs=0.021)),
        ("preset", pytest.approx(3.6, abs=0.021)),
    ]


def test_silence_and_then_a_preset_are_three_phases(bench):
    event = bench.event(bench.record(GoesToPreset(1480, after_s=0.4, silent_s=0.5)))
    assert phases(event) == [
        ("holds", pytest.approx(0.4, abs=0.021)),
        ("stops", pytest.approx(0.5, abs=0.041)),
        ("preset", pytest.approx(3.1, abs=0.021)),
    ]


def test_a_ramp_to_a_preset_is_not_told_from_a_hand(bench):
    event = bench.event(bench.record(GoesToPreset(1500, after_s=0.4, ramp_s=0.4)))
    assert [kind for kind, _ in phases(event)] == ["holds", "ramps", "stands"]
    assert event.behaviour is None
    assert "A released stick on a live link" in event.reasons["class"]


def test_a_wandering_output_wanders(bench):
    event = bench.event(bench.record(Wanders(1200, 1800, step_us=40)))
    assert event.behaviour.value == "wanders"
    assert event.settle_s is None


@pytest.mark.parametrize(
    "moves",
    [
        (Dwell(1500, 5), *(Sweep(w, 0.5) for w in (1900, 1100) * 6), Dwell(1500, 4)),
        (Dwell(1500, 5), Sine(300, 2.0, 8.0), Dwell(1500, 3)),
        (Dwell(1500, 5), *(Sweep(w, 0.12) for w in (1800, 1500) * 30), Dwell(1500, 4)),
    ],
)
def test_an_output_that_follows_on_is_no_loss_of_the_link(bench, moves):
    event = bench.event(bench.record(KeepsFollowing(), moves=moves))
    assert event.behaviour.value == "keeps following"
    assert event.verdict.value == "not shown"


def test_a_loss_that_lasts_to_the_end_has_no_recovery_and_says_so(bench):
    event = bench.event(bench.record(PulsesStop(), losses=(Loss(12.0, None),)))
    assert event.recovered_s is None
    assert "recording ended" in event.reasons["recovered_s"]


def test_a_recording_that_ends_too_soon_says_how_long_to_record(bench):
    event = bench.event(
        bench.record(GoesToPreset(1500, 0.5), losses=(Loss(12.0, None),), duration_s=13)
    )
    assert event.verdict.value == "not shown"
    assert "went on for only 1.00 s" in event.reason
    assert "longer than 2.1 s" in event.reason


def test_a_loss_in_the_first_frame_has_nothing_to_compare_with(bench):
    capture = bench.record(GoesToPreset(1500, 0.5), losses=(Loss(0.003, 4.0),))
    event = bench.event(capture)
    assert event.behaviour is None
    assert "just before the loss" in event.reasons["class"]


def test_several_losses_are_told_apart(bench):
    losses = (Loss(6.0, 7.5, reacquire_s=0.2), Loss(9.0, 10.5, reacquire_s=0.2))
    events = bench.line_losses(bench.record(PulsesStop(after_s=0.1), losses=losses))["RX1"].events
    assert [e.lost_s for e in events] == pytest.approx([6.0, 9.0], abs=1e-5)


def test_the_times_before_the_loss_decide_about_a_hold_not_those_after(bench):
    losses = (Loss(6.0, 8.5), Loss(12.0, 15.0))
    moves = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 4.5), Sweep(1500, 0.5), Dwell(1500, 8))
    first, second = bench.line_losses(bench.record(HoldsLast(), moves=moves, losses=losses))[
        "RX1"
    ].events
    assert first.behaviour.value == "holds last"
    assert second.behaviour is None


def test_glitches_and_odd_widths_in_a_loss_are_counted(bench):
    capture = bench.record(GoesToPreset(980, 0.4), glitches=Glitches(per_minute=120))
    event = bench.event(capture)
    assert event.recovery.odd_pulses >= 2
    assert event.recovery.outside_convention == pytest.approx(196, abs=3)


def test_loss_spans_stay_out_of_travel_and_timing(bench):
    capture = bench.record(GoesToPreset(1150), moves=bench.IDLE, other_moves=bench.IDLE)
    found = examine(capture, off_line="tx-on").channels["RX2"]
    assert found.travel.low is None
    assert found.travel.width_us.min > 1490


def test_a_table_that_never_lost_its_signal_says_what_to_do(bench):
    capture = bench.record(HoldsLast(), losses=(Loss(15.99, None),))
    lines = {k: v for k, v in capture.lines.items() if k != "tx-on"}
    silence = bench.line_losses(dataclasses.replace(capture, lines=lines))["RX1"]
    assert silence.events == ()
    assert silence.finding.verdict.value == "not shown"
    assert "switch the transmitter off" in silence.finding.sentence
