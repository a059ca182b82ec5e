"""Signal loss: given this receiver and this marker, this class, these times, this verdict."""

import dataclasses

import numpy as np
import pytest

from pwmscope import PwmscopeError, examine
from pwmscope.capture import Line
from pwmscope.findings.losses import marked_losses
from pwmscope.synth import (
    Channel,
    Dwell,
    Frame,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    Loss,
    PulsesStop,
    Script,
    Sweep,
    Wanders,
    Width,
    build,
)

OFF_S, ON_S, PERIOD_S = 6.0, 10.0, 0.02
FORWARD = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 3), Sweep(1500, 1), Dwell(1500, 6))


def bench(behaviour, *, marker="tx-on", moves=FORWARD, losses=None, duration_s=15):
    still = Channel("RX2", (Dwell(1500, duration_s),), skew_us=3.1, when_lost=behaviour)
    return build(
        Script(
            duration_s,
            1_000_000,
            11,
            Frame(20_000, first_frame_us=4_321, jitter_us=1.0),
            (Channel("RX1", moves, when_lost=behaviour), still),
            width=Width(jitter_us=0.7),
            losses=losses or (Loss(OFF_S, ON_S, reacquire_s=0.3),),
            marker=marker,
        )
    ).capture


def events_of(behaviour, line="RX1", **more):
    marker = more.get("marker", "tx-on")
    return examine(bench(behaviour, **more), off_line=marker).channels[line].silence


def test_pulses_stop_after_their_delay():
    silence = events_of(PulsesStop(after_s=0.5))
    (event,) = silence.events
    assert event.behaviour.value == "pulses stop"
    assert event.lost_s == pytest.approx(OFF_S, abs=1e-5)
    assert event.settle_s == pytest.approx(0.5, abs=PERIOD_S + 1e-3)
    assert event.recovered_s == pytest.approx(ON_S + 0.3, abs=PERIOD_S + 1e-3)
    assert silence.finding.verdict.value == "not shown"


def test_pulses_that_stop_too_late_do_not_meet_the_limit():
    silence = events_of(PulsesStop(after_s=2.6))
    assert silence.events[0].settle_s == pytest.approx(2.6, abs=PERIOD_S + 1e-3)
    assert silence.finding.verdict.value == "does not meet"


def test_a_held_stick_that_is_held_after_the_loss_is_a_hold():
    silence = events_of(HoldsLast())
    (event,) = silence.events
    assert event.behaviour.value == "holds last"
    assert event.preset_us == pytest.approx(1700, abs=0.5)
    assert event.recovered_s == pytest.approx(ON_S + 0.3, abs=PERIOD_S + 1e-3)
    assert silence.finding.verdict.value == "does not meet"


def test_a_hold_of_an_idle_stick_is_not_shown():
    silence = events_of(HoldsLast(), line="RX2")
    assert silence.events[0].behaviour is None
    assert silence.finding.verdict.value == "not shown"


@pytest.mark.parametrize("after_s", [0.0, 0.6, 1.7])
def test_a_preset_is_timed_from_the_marker(after_s):
    silence = events_of(GoesToPreset(1480, after_s=after_s))
    (event,) = silence.events
    assert event.behaviour.value == "goes to preset"
    assert event.preset_us == pytest.approx(1480, abs=0.5)
    assert event.settle_s == pytest.approx(after_s, abs=PERIOD_S + 1e-3)
    assert silence.finding.verdict.value == "not shown"


def test_a_preset_reached_too_late_does_not_meet_the_limit():
    silence = events_of(GoesToPreset(1480, after_s=2.5))
    assert silence.finding.verdict.value == "does not meet"


def test_a_wandering_output_does_not_meet_the_limit():
    silence = events_of(Wanders(1200, 1800, step_us=40))
    assert silence.events[0].behaviour.value == "wanders"
    assert silence.finding.verdict.value == "does not meet"


def test_an_output_that_follows_on_is_no_loss_of_the_link():
    moves = (Dwell(1500, 5), *(Sweep(w, 0.5) for w in (1900, 1100) * 6), Dwell(1500, 4))
    silence = events_of(KeepsFollowing(), moves=moves)
    assert silence.events[0].behaviour.value == "keeps following"
    assert silence.finding.verdict.value == "not shown"


def test_a_loss_that_lasts_to_the_end_has_no_recovery_and_says_so():
    silence = events_of(PulsesStop(), losses=(Loss(12.0, None),))
    (event,) = silence.events
    assert event.recovered_s is None
    assert "recording ended" in event.reasons["recovered_s"]


def test_several_losses_are_told_apart():
    losses = (Loss(6.0, 7.5, reacquire_s=0.2), Loss(9.0, 10.5, reacquire_s=0.2))
    silence = events_of(PulsesStop(after_s=0.1), losses=losses)
    assert [e.lost_s for e in silence.events] == pytest.approx([6.0, 9.0], abs=1e-5)


@pytest.mark.parametrize(
    "behaviour", [HoldsLast(), GoesToPreset(1480, after_s=0.4), Wanders(1200, 1800, step_us=40)]
)
def test_without_a_marker_no_verdict_is_ever_meets(behaviour):
    findings = examine(bench(behaviour, marker=None))
    for channel in findings.channels.values():
        assert channel.silence.finding.verdict.value != "meets"
        assert all(event.settle_s is None for event in channel.silence.events)
        assert all(
            event.behaviour is None or event.behaviour.value != "holds last"
            for event in channel.silence.events
        )


def test_one_quiet_line_among_others_is_told_as_a_loose_wire():
    capture = bench(KeepsFollowing(), marker=None, losses=(Loss(14.0, 14.1),))
    edges = capture.lines["RX1"].edges_ps
    cut = edges[(edges < 5 * 10**12) | (edges > 8 * 10**12)]
    loose = dataclasses.replace(
        capture, lines={**capture.lines, "RX1": Line("RX1", cut[: cut.size // 2 * 2], 0)}
    )
    found = examine(loose).channels
    assert found["RX2"].silence.events == ()
    (event,) = found["RX1"].silence.events
    assert event.behaviour.value == "pulses stop"
    assert "loose wire" in event.known_from


def test_a_line_that_never_comes_back_is_lost_to_the_end():
    capture = bench(PulsesStop(), marker=None)
    edges = capture.lines["RX1"].edges_ps
    lines = {**capture.lines, "RX1": Line("RX1", edges[edges < 7 * 10**12], 0)}
    found = examine(dataclasses.replace(capture, lines=lines)).channels
    assert found["RX1"].loss_spans[0].end_s == capture.duration_s
    assert found["RX2"].loss_spans[0].end_s == pytest.approx(10.3, abs=0.03)


def test_loss_spans_stay_out_of_travel_and_timing():
    found = examine(bench(GoesToPreset(1150), losses=(Loss(6.0, 10.0),)), off_line="tx-on")
    travel = found.channels["RX2"].travel
    assert travel.low is None
    assert travel.width_us.min > 1490


def marker(*times_s, initial_level=1):
    edges = (np.array(times_s) * 1e12).astype(np.int64)
    return Line("tx-on", edges, initial_level)


def test_contact_bounce_of_the_marker_is_one_change():
    losses = marked_losses(marker(2.0, 2.003, 2.006, 5.0, 5.001, 5.004), 9.0, frozenset({"RX1"}))
    (loss,) = losses
    assert loss.lost_s == 2.0
    assert loss.back_s == pytest.approx(5.004, abs=0.005)
    assert loss.came_back


@pytest.mark.parametrize("initial_level", [0, 1])
def test_the_level_at_the_start_means_on(initial_level):
    (loss,) = marked_losses(marker(3.0, initial_level=initial_level), 9.0, frozenset())
    assert (loss.lost_s, loss.back_s, loss.came_back) == (3.0, 9.0, False)


def test_a_marker_that_never_changes_is_refused():
    with pytest.raises(PwmscopeError, match="never changes"):
        marked_losses(marker(), 9.0, frozenset())


def test_a_marker_that_is_not_there_is_refused_with_the_names_that_are():
    with pytest.raises(PwmscopeError, match=r"no line 'switch'.*RX1, RX2, tx-on"):
        examine(bench(PulsesStop()), off_line="switch")
