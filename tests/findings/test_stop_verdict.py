"""Whether a loss meets the limit: given this receiver, this hand and this sheet, this verdict."""

import dataclasses

import numpy as np
import pytest

from pwmscope.capture import Line
from pwmscope.synth import (
    Dwell,
    Glitches,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    Loss,
    PulsesStop,
    Sweep,
    Wanders,
    Width,
)

PRESET = GoesToPreset(1500, after_s=0.8)


def without(capture, line, from_s, to_s):
    """Take the pulses of a line between two times away, as a probe that falls off does."""
    edges_ps = capture.lines[line].edges_ps
    pairs = edges_ps[: edges_ps.size // 2 * 2].reshape(-1, 2)
    kept = (pairs[:, 0] < from_s * 1e12) | (pairs[:, 0] >= to_s * 1e12)
    cut = Line(line, pairs[kept].ravel(), 0)
    return dataclasses.replace(capture, lines={**capture.lines, line: cut})


def verdicts(bench, capture, **options):
    return [s.finding.verdict.value for s in bench.silences(capture, **options).values()]


def test_a_held_stick_and_a_preset_in_time_meet_the_limit(bench):
    capture = bench.record(PRESET)
    assert verdicts(bench, capture) == ["meets", "meets"]
    event = bench.event(capture)
    least_s, most_s = event.stop_bounds_s
    assert least_s <= 0.8 <= most_s <= 0.8 + 2 * 0.02
    assert "stayed so for the 4.00 s" in event.reason


def test_sticks_let_go_while_off_meet_it_too_if_the_outputs_jump_together_twice(bench):
    twice = tuple(
        move
        for _ in range(2)
        for move in (
            Dwell(1500, 4),
            Sweep(1700, 1),
            Dwell(1700, 2),
            Sweep(1500, 0.3),
            Dwell(1500, 2.7),
        )
    )
    losses = (Loss(6.0, 9.0, 0.2), Loss(16.0, 19.0, 0.2))
    capture = bench.record(PRESET, moves=twice, other_moves=twice, losses=losses, duration_s=21)
    assert verdicts(bench, capture) == ["meets", "meets"]
    once = bench.record(PRESET, moves=bench.RELEASED, other_moves=bench.RELEASED)
    assert verdicts(bench, once) == ["not shown", "not shown"]


def test_alone_it_does_not_for_a_switch_looks_the_same(bench):
    capture = bench.record(PRESET, moves=bench.RELEASED, other=False)
    event = bench.event(capture)
    assert event.verdict.value == "not shown"
    assert "a switch moved" in event.reason


def test_pulses_that_stop_in_time_meet_it_where_the_sheet_says_that_this_stops(bench):
    assert verdicts(bench, bench.record(PulsesStop(0.2))) == ["meets", "meets"]
    idle = bench.record(PulsesStop(0.2), moves=bench.IDLE)
    assert verdicts(bench, idle) == ["meets", "meets"]


@pytest.mark.parametrize(
    ("no_pulses", "verdict", "words"),
    [(None, "not shown", "does not say"), ("keeps going", "does not meet", "keeps going")],
)
def test_pulses_that_stop_are_judged_by_what_the_device_does_then(bench, no_pulses, verdict, words):
    sheet = bench.sheet(*(bench.device(k, no_pulses=no_pulses) for k in ("RX1", "RX2")))
    event = bench.event(bench.record(PulsesStop(0.2)), sheet=sheet)
    assert event.verdict.value == verdict
    assert words in event.reason


@pytest.mark.parametrize(
    "behaviour",
    [HoldsLast(), Wanders(1200, 1800, 40), GoesToPreset(1650, 0.8), GoesToPreset(1500, 2.3),
     PulsesStop(2.3)],
)  # fmt: skip
def test_what_does_not_stop_in_time_does_not_meet_it(bench, behaviour):
    assert verdicts(bench, bench.record(behaviour)) == ["does not meet", "does not meet"]


@pytest.mark.parametrize("behaviour", [GoesToPreset(1500, 1.985), PulsesStop(1.99)])
def test_a_stop_at_the_very_limit_is_not_shown(bench, behaviour):
    event = bench.event(bench.record(behaviour))
    assert event.verdict.value == "not shown"


def test_the_limit_is_the_sheets(bench):
    sheet = bench.sheet(bench.device("RX1"), bench.device("RX2"), limit_s=0.5)
    silence = bench.silences(bench.record(PRESET), sheet=sheet)["RX1"]
    assert silence.finding.verdict.value == "does not meet"
    assert "0.5 s" in silence.finding.limit


def test_without_a_sheet_nothing_meets_but_a_hold_still_fails(bench):
    options = {"sheet": None, "off_line": "tx-on"}
    assert verdicts(bench, bench.record(PRESET), **options) == ["not shown"] * 2
    assert verdicts(bench, bench.record(HoldsLast()), **options) == ["does not meet"] * 2
    assert verdicts(bench, bench.record(PulsesStop(2.6)), **options) == ["does not meet"] * 2


def test_a_line_that_the_sheet_expects_nothing_of_is_told_without_a_verdict(bench):
    sheet = bench.sheet(bench.device("RX1"), bench.device("RX2", role="stick-rudder"))
    silence = bench.silences(bench.record(HoldsLast()), sheet=sheet)["RX2"]
    assert silence.finding.verdict is None
    assert silence.finding.limit == ""
    assert silence.events[0].behaviour.value == "holds last"


def test_an_idle_stick_shows_nothing_of_a_preset(bench):
    event = bench.event(bench.record(PRESET, moves=bench.IDLE))
    assert event.verdict.value == "not shown"


@pytest.mark.parametrize("over_s", [0.04, 0.06, 0.1, 0.3])
def test_a_hand_that_lets_go_of_a_stick_which_is_followed_on_never_meets(bench, over_s):
    moves = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 1.4), Sweep(1500, over_s), Dwell(1500, 9))
    capture = bench.record(KeepsFollowing(), moves=moves, other_moves=moves)
    assert "meets" not in verdicts(bench, capture)


@pytest.mark.parametrize("over_s", [0.04, 0.1])
@pytest.mark.parametrize("at_s", [5.8, 5.95, 5.99])
def test_a_stick_let_go_just_before_a_hold_never_meets(bench, at_s, over_s):
    moves = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, at_s - 5), Sweep(1500, over_s))
    capture = bench.record(HoldsLast(), moves=(*moves, Dwell(1500, 9)))
    assert verdicts(bench, capture)[0] != "meets"


def test_a_smooth_ramp_to_the_preset_is_not_shown(bench):
    capture = bench.record(GoesToPreset(1500, after_s=0.4, ramp_s=0.3))
    assert verdicts(bench, capture) == ["not shown", "not shown"]


def test_a_loss_that_is_shorter_than_the_limit_is_not_shown(bench):
    for behaviour in (PRESET, HoldsLast()):
        event = bench.event(bench.record(behaviour, losses=(Loss(6.0, 7.9),)))
        assert event.verdict.value == "not shown"
        assert "keep it off for longer than 2.1 s" in event.reason


def test_a_probe_that_falls_off_a_holding_line_never_meets(bench):
    capture = bench.record(HoldsLast())
    for to_s in (9.0, 10.5, 99.0):
        event = bench.event(without(capture, "RX1", 7.0, to_s))
        assert event.verdict.value != "meets"


def test_a_robot_switched_off_because_it_ran_on_never_meets(bench):
    capture = bench.record(HoldsLast())
    for line in ("RX1", "RX2"):
        capture = without(capture, line, 7.0, 10.6)
    event = bench.event(capture)
    assert event.behaviour.value == "pulses stop"
    assert event.verdict.value == "not shown"
    assert "switched off by hand" in event.reason


def test_a_restart_while_off_never_meets(bench):
    capture = bench.record(PRESET)
    for line in ("RX1", "RX2"):
        capture = without(capture, line, 6.6, 7.4)
    event = bench.event(capture)
    assert event.verdict.value == "not shown"
    assert "restart" in event.reason


@pytest.mark.parametrize(("until_s", "paused"), [((7.4, 7.3), "at once"), ((7.4, 7.15), "")])
def test_a_restart_that_is_shorter_on_another_line_never_meets(bench, until_s, paused):
    """The link was there all the time: let go during the pause, RX1 comes back at rest.

    Of 0.15 s the other line's pause is too short to be quiet and hides.
    """
    follows = KeepsFollowing()
    let_go = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 2.1), Sweep(1500, 0.1), Dwell(1500, 9))
    capture = bench.record(follows, moves=let_go)
    for line, end_s in zip(("RX1", "RX2"), until_s, strict=True):
        capture = without(capture, line, 7.0, end_s)
    event = bench.event(capture)
    assert event.verdict.value == "not shown"
    assert paused in event.reason


def test_the_same_late_stop_three_times_is_a_machines(bench):
    losses = tuple(Loss(at, at + 3.0, 0.2) for at in (6.0, 10.0, 14.0))
    capture = bench.record(PulsesStop(0.9), losses=losses, duration_s=19)
    assert verdicts(bench, capture) == ["meets", "meets"]
    once = bench.record(PulsesStop(0.9))
    assert verdicts(bench, once) == ["not shown", "not shown"]


def test_one_pulse_out_of_the_stop_range_counts(bench):
    capture = bench.record(PulsesStop(0.2), moves=bench.IDLE)
    edges_ps = capture.lines["RX1"].edges_ps
    late = np.array([8_500_000, 8_501_700]) * 10**6
    stray = Line("RX1", np.sort(np.concatenate([edges_ps, late])), 0)
    event = bench.event(dataclasses.replace(capture, lines={**capture.lines, "RX1": stray}))
    assert event.verdict.value == "does not meet"


def test_a_runt_pulse_while_quiet_blocks_meets_but_proves_nothing(bench):
    capture = bench.record(PulsesStop(0.2))
    edges_ps = capture.lines["RX1"].edges_ps
    runt = np.array([8_500_000, 8_500_030]) * 10**6
    stray = Line("RX1", np.sort(np.concatenate([edges_ps, runt])), 0)
    event = bench.event(dataclasses.replace(capture, lines={**capture.lines, "RX1": stray}))
    assert event.verdict.value == "not shown"
    assert event.recovery.odd_pulses == 1


def test_a_preset_at_the_brink_of_the_stop_range_is_not_shown(bench):
    capture = bench.record(GoesToPreset(1524.5, 0.8), width=Width(jitter_us=0.0))
    assert verdicts(bench, capture)[0] == "not shown"


def test_an_unknown_sample_interval_never_meets(bench):
    capture = dataclasses.replace(bench.record(PRESET), sample_interval_ps=None)
    event = bench.event(capture)
    assert event.verdict.value == "not shown"
    assert "--rate" in event.reason


def test_one_loss_that_fails_governs_many_that_meet(bench):
    bad = {"RX1": GoesToPreset(1500, 2.4)}
    losses = (Loss(6.0, 9.0, 0.2), Loss(10.0, 13.5, 0.2, channels=bad), Loss(14.5, 17.5, 0.2))
    moves = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 15))
    capture = bench.record(PRESET, losses=losses, duration_s=19, moves=moves, other_moves=moves)
    silence = bench.silences(capture)["RX1"]
    assert [e.verdict.value for e in silence.events] == ["meets", "does not meet", "meets"]
    assert silence.finding.verdict.value == "does not meet"
    assert "loss at 10.000 s" in silence.finding.sentence


def test_glitches_while_following_do_not_disturb(bench):
    capture = bench.record(PRESET, glitches=Glitches(per_minute=2))
    assert "does not meet" not in verdicts(bench, capture)


def test_a_stated_time_meets_only_where_the_output_jumps_back_with_the_link(bench):
    stated = {"off_at_s": [(6.02, 0.05)]}
    assert verdicts(bench, bench.record(PRESET), **stated) == ["meets", "meets"]
    released = bench.record(PRESET, moves=bench.RELEASED, other_moves=bench.RELEASED)
    assert verdicts(bench, released, **stated) == ["not shown", "not shown"]


@pytest.mark.parametrize(("within_s", "verdict"), [(0.1, "meets"), (0.4, "not shown")])
def test_the_doubt_about_a_stated_time_counts_against_the_limit(bench, within_s, verdict):
    """It stopped 1.8 s after 6.0 s: within 2 s of 5.9 s, but not of 5.6 s."""
    capture = bench.record(GoesToPreset(1500, after_s=1.8))
    assert verdicts(bench, capture, off_at_s=[(6.0, within_s)]) == [verdict] * 2


@pytest.mark.parametrize(("no_pulses", "meets"), [("stops", True), (None, False)])
def test_a_pause_before_the_preset_runs_on_unless_the_sheet_says_it_stops(bench, no_pulses, meets):
    """Held for 1.7 s, silent to 2.3 s, then at the preset: the device may run on in the pause."""
    sheet = bench.sheet(bench.device("RX1", no_pulses=no_pulses), bench.device("RX2"))
    capture = bench.record(GoesToPreset(1500, after_s=1.7, silent_s=0.6), other=PRESET)
    assert (verdicts(bench, capture, sheet=sheet)[0] == "meets") is meets


def test_a_line_that_follows_on_shows_that_the_link_was_there(bench):
    """RX1 went to its stop width, by a switch perhaps; RX2 still followed the stick for seconds."""
    waggle = tuple(
        move for _ in range(7) for move in (Sweep(1700, 0.4), Sweep(1300, 0.4), Sweep(1500, 0.2))
    )
    moves = (Dwell(1500, 5), *waggle, Dwell(1500, 4))
    capture = bench.record(PRESET, other=KeepsFollowing(), other_moves=moves)
    event = bench.event(capture)
    assert event.verdict.value == "not shown"
    assert "still followed a moving stick" in event.reason


def test_a_change_at_the_very_moment_may_be_on_its_way_from_the_sticks(bench):
    """Switched to rest together with the transmitter, twice: a holding receiver looks so too."""
    once = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 2), Sweep(1500, 0.3), Dwell(1500, 2.7))
    losses = (Loss(6.0, 9.0, 0.2), Loss(16.0, 19.0, 0.2))
    capture = bench.record(
        GoesToPreset(1500, after_s=0.04), moves=once * 2, other_moves=once * 2, losses=losses,
        duration_s=21,
    )  # fmt: skip
    assert verdicts(bench, capture) == ["not shown", "not shown"]
