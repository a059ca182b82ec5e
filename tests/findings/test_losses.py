"""When the signal was lost: given this marker, these times or these outputs, this moment."""

import dataclasses

import numpy as np
import pytest

from pwmscope import PwmscopeError, examine
from pwmscope.capture import Line
from pwmscope.findings.failsafe import Known, marked_losses
from pwmscope.synth import Dwell, GoesToPreset, HoldsLast, KeepsFollowing, Loss, PulsesStop, Sweep

PRESET = GoesToPreset(1500, after_s=0.8)


def marker(*times_s, initial_level=1):
    edges = (np.array(times_s) * 1e12).astype(np.int64)
    return Line("tx-on", edges, initial_level)


def spans(*times_s, end_s=9.0, **more):
    marks = marked_losses(marker(*times_s), end_s, ["RX1"], **more)
    return [(loss.lost_s, loss.back_s) for loss in marks.losses]


def test_contact_bounce_of_the_marker_is_one_change_at_its_first_edge():
    assert spans(2.0, 2.003, 2.006, 5.0, 5.001, 5.004) == [(2.0, 5.0)]


def test_a_short_spike_on_the_marker_is_no_loss():
    assert spans(1.0, 1.004, 3.0, 6.0, 7.0, 7.004) == [(3.0, 6.0)]


@pytest.mark.parametrize("initial_level", [0, 1])
def test_the_level_at_the_start_means_on(initial_level):
    (loss,) = marked_losses(marker(3.0, initial_level=initial_level), 9.0, ["RX1"]).losses
    assert (loss.lost_s, loss.back_s, loss.came_back) == (3.0, 9.0, False)


def test_a_level_that_means_on_may_be_stated_and_the_recording_begin_off():
    marks = marked_losses(marker(2.0, 5.0, 7.0), 9.0, ["RX1"], on_level=0)
    assert marks.linked_s == 2.0
    assert [(loss.lost_s, loss.back_s) for loss in marks.losses] == [(5.0, 7.0)]


def test_a_loss_in_the_last_moment_cannot_be_told_from_bounce():
    assert spans(2.0, 4.0, 8.98) == [(2.0, 4.0)]


def test_a_marked_moment_is_known_to_one_sample():
    (loss,) = marked_losses(marker(3.0), 9.0, ["RX1"], interval_us=2.0).losses
    assert (loss.earliest_s, loss.latest_s) == (3.0 - 2e-6, 3.0)


def test_a_marker_that_never_changes_is_refused():
    with pytest.raises(PwmscopeError, match="never changes"):
        marked_losses(marker(), 9.0, [])


def test_a_marker_that_bounces_all_the_time_is_refused():
    with pytest.raises(PwmscopeError, match="never holds another level for 50 ms"):
        marked_losses(marker(*np.arange(0.02, 8.99, 0.03)), 9.0, [])


def test_a_marker_that_never_shows_on_is_refused():
    # Its only high lasts 10 ms: that is bounce.
    with pytest.raises(PwmscopeError, match="never holds another level"):
        marked_losses(marker(3.0, 3.01, initial_level=0), 9.0, [], on_level=1)


def test_a_marker_that_is_not_there_is_refused_with_the_names_that_are(bench):
    with pytest.raises(PwmscopeError, match=r"no line 'switch'.*RX1, RX2, tx-on"):
        examine(bench.record(PRESET), off_line="switch")


def test_marker_and_stated_time_together_are_refused(bench):
    with pytest.raises(PwmscopeError, match="give one of them"):
        examine(bench.record(PRESET), off_line="tx-on", off_at_s=[(6.0, 0.05)])


@pytest.mark.parametrize("time_s", [-1.0, 0.0, 16.0, 99.0])
def test_a_stated_time_outside_the_recording_is_refused(bench, time_s):
    with pytest.raises(PwmscopeError, match="outside the recording"):
        bench.line_losses(bench.record(PRESET), off_at_s=[(time_s, 0.05)])


def test_two_stated_times_that_are_one_are_refused(bench):
    with pytest.raises(PwmscopeError, match="same within their uncertainty"):
        bench.line_losses(bench.record(PRESET), off_at_s=[(6.0, 0.05), (6.08, 0.05)])


def test_a_stated_time_carries_its_uncertainty_and_finds_its_return(bench):
    event = bench.event(bench.record(PRESET), off_at_s=[(6.02, 0.05)])
    assert event.moment.known is Known.STATED
    assert event.moment.within_s == 0.05
    least_s, most_s = event.settle_bounds_s
    assert least_s <= 0.8 <= most_s
    assert most_s - least_s == pytest.approx(0.1, abs=1e-3)
    assert event.recovered_s == pytest.approx(10.3, abs=0.021)


def test_a_stated_time_that_a_moving_output_contradicts_is_not_shown(bench):
    moves = (Dwell(1500, 4), *(Sweep(w, 0.5) for w in (1900, 1100) * 4), Dwell(1500, 8))
    event = bench.event(
        bench.record(PRESET, moves=moves, losses=(Loss(9.0, 12.0),)), off_at_s=[(6.0, 0.05)]
    )
    assert event.verdict.value == "not shown"
    assert "still moved smoothly until" in event.reason


def test_a_stated_time_near_which_nothing_happens_is_not_shown(bench):
    event = bench.event(bench.record(HoldsLast()), off_at_s=[(6.0, 0.05)])
    assert event.verdict.value == "not shown"
    assert event.behaviour is None
    assert "Nothing changed near the stated 6.000 s" in event.reason


def test_a_held_movement_shows_that_the_stated_time_is_right(bench):
    moves = (Dwell(1500, 4), Sweep(1900, 4), Dwell(1900, 4), Sweep(1500, 1), Dwell(1500, 3))
    event = bench.event(bench.record(HoldsLast(), moves=moves), off_at_s=[(6.0, 0.05)])
    assert event.phases[0].kind.value == "holds"
    assert event.phases[0].level_us == pytest.approx(1700, abs=3)
    assert event.verdict.value == "does not meet"
    assert "held until the link came back" in event.reasons["class"]


@pytest.mark.parametrize("behaviour", [PulsesStop(0.2), PRESET])
def test_an_inferred_moment_lies_between_the_last_following_and_the_first_effect(bench, behaviour):
    event = bench.event(bench.record(behaviour), sheet=None)
    assert event.moment.known is Known.INFERRED
    assert event.moment.last_following_s == pytest.approx(5.0, abs=0.1)
    assert event.settle_s is None
    assert event.settle_bounds_s[0] == 0.0
    assert event.settle_bounds_s[1] >= getattr(behaviour, "after_s", 0.0)
    assert event.verdict.value == "not shown"


@pytest.mark.parametrize("behaviour", [HoldsLast(), PRESET, PulsesStop(0.2)])
def test_without_a_marker_no_verdict_is_ever_meets(bench, behaviour):
    sheet = dataclasses.replace(bench.drives, marker=None)
    for silence in bench.line_losses(bench.record(behaviour, marker=None), sheet=sheet).values():
        assert silence.finding.verdict.value == "not shown"
        assert all(event.behaviour is None or event.settle_s is None for event in silence.events)


def test_one_quiet_line_among_others_is_told_as_a_loose_wire(bench):
    capture = bench.record(KeepsFollowing(), losses=(Loss(14.0, 14.1),))
    edges = capture.lines["RX1"].edges_ps
    cut = edges[(edges < 5 * 10**12) | (edges > 8 * 10**12)]
    loose = dataclasses.replace(
        capture, lines={**capture.lines, "RX1": Line("RX1", cut[: cut.size // 2 * 2], 0)}
    )
    found = bench.line_losses(loose, sheet=None)
    assert found["RX2"].events == ()
    (event,) = found["RX1"].events
    assert event.behaviour.value == "pulses stop"
    assert "loose wire" in event.known_from


def test_a_line_that_never_comes_back_is_lost_to_the_end(bench):
    capture = bench.record(PulsesStop())
    edges = capture.lines["RX1"].edges_ps
    lines = {**capture.lines, "RX1": Line("RX1", edges[edges < 7 * 10**12], 0)}
    found = examine(dataclasses.replace(capture, lines=lines)).channels
    assert found["RX1"].loss_spans[0].end_s == capture.duration_s
    assert found["RX2"].loss_spans[0].end_s == pytest.approx(10.3, abs=0.03)


def begun_anew(line, since_s, by_s):
    """Begin a line's frames anew: what comes after a time comes later by so much."""
    edges_ps = line.edges_ps + np.where(line.edges_ps > since_s * 1e12, round(by_s * 1e12), 0)
    return dataclasses.replace(line, edges_ps=edges_ps)


@pytest.mark.parametrize(
    ("later_s", "verdict", "words"),
    [
        (0.007, "does not meet", "1 restart of the supply or the receiver"),
        (0.0, "not shown", "a supply or receiver restart, or a ground lead or plugs that came off"),
    ],
)
def test_all_lines_quiet_while_the_transmitter_is_on_is_a_restart_and_no_loss(
    bench, later_s, verdict, words
):
    """A receiver that starts begins its frames anew; one whose ground lead comes off goes on."""
    capture = bench.record(PulsesStop(), losses=(Loss(6.0, 7.0), Loss(12.0, 15.0, 0.3)))
    servo = {name: begun_anew(line, 6.5, later_s) for name, line in capture.lines.items()}
    marked = dataclasses.replace(capture, lines={**servo, "tx-on": marker(12.0, 15.0)})
    silence = bench.line_losses(marked)["RX1"]
    restart, loss = silence.events
    assert (restart.is_restart, loss.is_restart) == (True, False)
    assert "restart" in restart.sentence
    assert restart.behaviour is None
    assert "12.000 s" in loss.sentence
    found = {finding.name: finding for finding in silence.findings}
    assert found["supply or receiver restart"].verdict.value == verdict
    assert words in found["supply or receiver restart"].sentence
    assert ("a ground lead" in restart.known_from) == (verdict == "not shown")
    assert found["signal loss"].value == "pulses stop"
