"""What is counted, and what is said of it: given these losses, these numbers and these words."""

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from loss_drill import sheet_of

from pwmscope import PwmscopeError
from pwmscope.bench import StopBand
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import LossClass, LossEvent, Recovery
from pwmscope.findings.failsafe.alternatives import Ground, by_hand, never_lost
from pwmscope.findings.failsafe.analysis import _reads_either_way
from pwmscope.findings.failsafe.coincidence import (
    ChangeColumns,
    are_apart,
)
from pwmscope.findings.failsafe.delays import (
    find_pauses,
    goes_through,
    hand_odds,
    range_odds,
)
from pwmscope.findings.failsafe.event import (
    examine_trials,
    loss_finding,
    restart_finding,
    stop_time_finding,
)
from pwmscope.findings.failsafe.losses import (
    Output,
    QuietSpell,
    _jump_times_s,
    _still_since_s,
    find_quiet_spells,
    keeps_beat,
    stated_losses,
)
from pwmscope.findings.failsafe.marker import Polarity, expectation_of, find_polarity, marked_losses
from pwmscope.findings.failsafe.motion import _moment_of
from pwmscope.findings.failsafe.recovery import hazards_of, recovery_finding
from pwmscope.findings.failsafe.response import Change, ChangeKind
from pwmscope.findings.failsafe.returns import LinkSeen, _doubt, find_leaps, judged_until_s
from pwmscope.findings.failsafe.verdict import _format_assumed, _late_points
from pwmscope.findings.failsafe.watched import (
    Watched,
    _with_departures,
)
from pwmscope.findings.segmentation import Dwells
from pwmscope.model import HazardKind, Line
from pwmscope.pulses import STANDARD_SERVO, PulseTable

if "alternative_cases" not in sys.modules:
    spec = importlib.util.spec_from_file_location(
        "alternative_cases", Path(__file__).with_name("test_alternatives.py")
    )
    sys.modules["alternative_cases"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules["alternative_cases"])
cases = sys.modules["alternative_cases"]
changed, stands, quiet = cases.changed, cases.stands, cases.quiet
EXPECTED = cases.SETTING.expected
MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN
FRAME_S = 1.0 / 64.0
NAN = math.nan


def event(verdict=MEETS, jump=(1500.0, 1700.0), recovered=14.3, **changes):
    recovery = Recovery(0.3, jump, 0, 0)
    return LossEvent(changed(**changes), verdict, "It does so.", recovered, recovery)


RESTART = event(loss=cases.loss_of(is_restart=True))

# --- one loss in words ---


def test_what_is_not_told_did_not_settle():
    assert "settled" not in event(behaviour=None).sentence


def test_all_that_it_did_before_is_said_in_order():
    during = (cases.HELD, quiet(10.6, 11.0), stands(11.0, 13.98, 1500.0))
    said = event(during=during, settled_s=11.0).sentence
    assert "(before that holds for 0.60 s, stops for 0.40 s)" in said


# --- several losses in words ---


def stopped(at_s, verdict=MEETS):
    return event(verdict, stopped_s=10.0 + at_s, last_outside_s=9.9 + at_s)


def test_the_shortest_the_median_and_the_longest_stop_are_said():
    said = examine_trials([stopped(0.6), stopped(0.9), stopped(2.5, BREAKS)]).finding.sentence
    assert "at most 0.60 s, 0.90 s and 2.50 s (shortest, median, longest)" in said


def test_fifty_nine_that_meet_bound_the_rate_at_five_percent():
    """The rule of three: 1 - 0.05 ** (1 / 59) is 4.95 %."""
    said = examine_trials([stopped(0.6)] * 59).finding.sentence
    assert "59 of 59 losses met the limit: the failure rate is below 5 % (95 %)" in said


def test_losses_are_told_with_the_one_that_decides():
    once = loss_finding((event(),), "limit")
    assert once.sentence == "Signal lost once: goes to preset. It does so."
    late = event(BREAKS, loss=cases.loss_of(lost_s=30.0, back_s=34.0))
    two = loss_finding((event(), late), "limit")
    assert two.sentence.startswith("Signal lost 2 times: goes to preset. The loss at 30.000 s")
    assert two.verdict is BREAKS
    assert loss_finding((event(loss=cases.INFERRED),), "").sentence == (
        "Signal seen to be lost once: goes to preset."
    )
    held = event(behaviour=LossClass.HOLDS_LAST)
    assert "goes to preset in 1, holds last in 1." in loss_finding((event(), held), "").sentence
    assert loss_finding((RESTART,), "limit").verdict is OPEN


def test_the_slowest_stop_is_told():
    found = stop_time_finding((stopped(0.6), stopped(0.9), RESTART))
    assert found.value == pytest.approx(0.9, abs=1e-4)
    assert found.interval == pytest.approx((0.8, 0.9), abs=1e-4)
    assert "slowest of 2 losses, at 10.000 s" in found.sentence
    assert "No loss shows this device" in stop_time_finding((RESTART,)).sentence


def test_restarts_are_counted_and_the_first_is_placed():
    first = event(loss=cases.loss_of(is_restart=True, is_proven=True))
    later = event(loss=cases.loss_of(lost_s=30.0, back_s=34.0, is_restart=True, is_proven=True))
    assert "1 restart of the supply" in restart_finding([first]).sentence
    two = restart_finding([RESTART, first, later])
    assert "2 restarts of the supply" in two.sentence
    assert "no line had pulses at 10.000 s" in two.sentence
    assert (two.value, two.verdict, len(two.evidence)) == (2.0, BREAKS, 2)
    assert restart_finding([RESTART]).verdict is OPEN


# --- the return ---


def hazards(own):
    return hazards_of((own,), EXPECTED, "a.csv")


def test_a_stick_was_held_at_the_level_of_what_stood_and_at_the_last_width_of_what_moved():
    stood = replace(cases.HELD, last_us=1900.0), cases.IN
    assert hazards(event(during=stood))[0].kind is HazardKind.STICK_HELD
    way = replace(cases.HELD, kind=cases.Kind.MOVES, level_us=1550.0), cases.IN
    assert hazards(event(during=way))[0].kind is HazardKind.STICK_HELD
    gone = replace(way[0], level_us=1700.0, last_us=1900.0), cases.IN
    assert hazards(event(during=gone))[0].kind is HazardKind.NO_STICK


def test_the_first_jump_of_several_is_placed():
    later = event(later=(stands(24.3, 25.0, 1690.0, jumped=True),))
    assert "(14.300 s; 2 of 2 losses)" in recovery_finding((event(), later), EXPECTED).sentence
    assert "(24.300 s; 2 of 2 losses)" in recovery_finding((later, event()), EXPECTED).sentence


def test_a_hundred_jumps_are_shown_and_all_are_counted():
    found = recovery_finding((event(),) * 101, EXPECTED)
    assert (found.value, len(found.evidence)) == ("101 jumps", 100)


def test_a_rotor_is_timed_from_a_loss_whose_marker_is_known_to_be_the_right_way_up():
    for polarity, doubt in (
        (None, ""), (Polarity.STATED, ""), (Polarity.SHOWN, ""),
        (Polarity.ASSUMED, "Which level of the marker means on"),
        (Polarity.CONTRADICTED, "Which level of the marker means on"),
    ):  # fmt: skip
        assert _moment_of(cases.GOOD, polarity).doubt.startswith(doubt)
        assert bool(_moment_of(cases.GOOD, polarity).doubt) is bool(doubt)
    follows = changed(behaviour=LossClass.KEEPS_FOLLOWING)
    assert "still followed" in _moment_of(follows, Polarity.STATED).doubt
    assert "only inferred" in _moment_of(changed(loss=cases.INFERRED), Polarity.STATED).doubt


def test_departures_inside_the_stop_range_are_none():
    inside = replace(cases.BACK, to_us=1480.0)
    kept = _with_departures(
        replace(cases.RESPONSE, departures=(inside, inside, cases.BACK, inside)), cases.BAND
    )
    assert kept.departures == (cases.BACK, inside)
    start = replace(inside, kind=ChangeKind.START)
    assert _with_departures(
        replace(cases.RESPONSE, departures=(start, cases.BACK)), cases.BAND
    ).departures == (start, cases.BACK)


def watched():
    table = PulseTable(
        "RX1", np.zeros(1), np.zeros(1), np.zeros(1), np.zeros(1, np.uint8), False,
        STANDARD_SERVO, 1.0,
    )  # fmt: skip
    return Watched(Output(table, None, FRAME_S * 1e6), EXPECTED, (), (), (), 4.0)


@pytest.mark.parametrize(("early_s", "leaps"), [(0.25 * FRAME_S, 0), (0.2501 * FRAME_S, 1)])
def test_a_jump_up_to_a_quarter_of_a_frame_before_the_others_is_the_return(early_s, leaps):
    by_s = 14.0 - early_s
    jump = Change(ChangeKind.JUMP, by_s - FRAME_S, by_s, 1500.0, 1700.0, by_s, 2)
    response = replace(cases.RESPONSE, departures=(jump,))
    seen = LinkSeen(14.0, 14.0, 16.0, 20.0, returned=False)
    assert len(find_leaps(watched(), response, seen)) == leaps


def beyond(width_us, *, to_us=1700.0, frames=2.0, band=cases.BAND):
    """A jump from 1500 us, on the way of which one pulse has another width."""
    rise_s = 14.0 + FRAME_S * np.arange(4)
    line = output_of(rise_s, np.array([1500.0, width_us, to_us, to_us]))
    by_s = 14.0 + frames * FRAME_S
    jump = Change(ChangeKind.JUMP, 14.0, by_s, 1500.0, to_us, by_s, 2)
    own = Watched(line, replace(EXPECTED, band=band), (), (), (), 4.0)
    response = replace(cases.RESPONSE, departures=(jump,))
    leaps = find_leaps(own, response, LinkSeen(14.0, 14.0, 16.0, 20.0, returned=True))
    return [(leap.at_s, leap.from_us, leap.to_us) for leap in leaps]


def test_a_pulse_far_beyond_both_ends_of_a_jump_is_a_leap():
    assert beyond(1900.0) == [(14.0 + FRAME_S, 1500.0, 1900.0)]
    assert beyond(1741.0) == [(14.0 + FRAME_S, 1500.0, 1741.0)]
    assert beyond(1739.0) == beyond(1600.0) == beyond(1461.0) == []
    assert beyond(1459.0) == [(14.0 + FRAME_S, 1500.0, 1459.0)]
    assert beyond(1900.0, frames=1.0) == []
    # Within the stop range no device runs.
    assert beyond(1475.0, to_us=1520.0, band=StopBand(1440.0, 1530.0, "")) == []
    assert beyond(1455.0, to_us=1520.0, band=StopBand(1460.0, 1530.0, "")) != []
    assert beyond(1455.0, to_us=1520.0, band=StopBand(1440.0, 1530.0, "")) == []
    assert beyond(1455.0, to_us=1520.0, band=None) != []


def in_beat(away, *, frames=100, after=20):
    """Frames that come on after half a second, by a part of a frame off their beat."""
    before_s = FRAME_S * np.arange(frames)
    back_s = before_s[-1] + (32 + away) * FRAME_S
    line = output_of(np.concatenate([before_s, back_s + FRAME_S * np.arange(after)]))
    spell = QuietSpell(float(before_s[-1]) + FRAME_S, back_s, frozenset({"RX1"}))
    return keeps_beat({"RX1": line}, spell)


def test_frames_that_come_on_in_their_beat_are_of_a_lead_that_came_off():
    assert in_beat(0.0)
    assert not in_beat(0.5)
    # Where nothing is known of the beat, nothing is refuted.
    assert in_beat(0.5, after=0)
    assert in_beat(0.5, frames=2)


@pytest.mark.parametrize(("moves_s", "until_s"), [(14.0, 14.0), (13.99, 14.0), (14.01, 14.0)])
def test_a_line_that_left_as_a_stick_moved_is_judged_to_its_own_departure(moves_s, until_s):
    jump = Change(ChangeKind.JUMP, 14.0, 14.02, 1500.0, 1700.0, 14.02, 2)
    response = replace(cases.RESPONSE, departures=(jump,))
    seen = LinkSeen(15.0, 15.0, moves_s, 20.0, returned=False)
    found = judged_until_s(cases.loss_of(back_s=12.0), response, seen, ())
    own = moves_s >= 14.0
    assert found == pytest.approx(until_s if own else moves_s, abs=1e-8)
    assert (found > jump.after_s) is own


@pytest.mark.parametrize(("end_s", "doubts"), [(0.1, False), (0.1001, True)])
def test_a_stick_may_be_followed_for_a_tenth_of_a_second_after_a_stated_loss(end_s, doubts):
    stated = cases.Loss(0.0, 4.0, True, cases.Moment(cases.Known.STATED, 0.0, None),
                        frozenset({"RX1"}), "")  # fmt: skip
    move = replace(cases.HELD, kind=cases.Kind.MOVES, start_s=-1.0, end_s=end_s)
    assert bool(_doubt(stated, {"RX1": (move,)})) is doubts


# --- who is apart, what is together ---


def test_levels_that_part_by_just_a_jump_show_no_second_stick():
    first, second = np.array([0.5, 0.5, 0.7, 0.7]), np.array([0.0, 0.04, 0.0, 0.04])
    assert not are_apart(first, second)
    assert are_apart(first, np.array([0.0, 0.0625, 0.0, 0.0625]))
    rising = np.array([0.0, 0.1, 0.2, 0.3])
    assert not are_apart(rising, np.array([0.0, 0.04, 0.0, 0.3]))
    assert are_apart(rising, np.array([0.0, 0.0625, 0.0, 0.3]))


def test_a_slow_movements_doubt_is_its_range_over_its_slope():
    """100 us in 2 s: 4 us take 0.08 s, and 50 ms."""
    move = Change(ChangeKind.MOVE, 10.0, 10.02, 1500.0, 1600.0, 12.0, 2)
    columns = ChangeColumns.of([replace(watched(), places=(0,))], 1, [[[move]]])
    assert columns.doubt_s[0, 0, 0] == pytest.approx(0.13)


def test_two_delays_have_odds():
    odds = hand_odds(np.array([0.6, 0.6]), 0.2)
    assert odds.tolist() == [range_odds(2, round(0.01 / 0.048, 3))] * 2


def test_odds_are_never_more_than_one():
    for count in (2, 3, 10, 30):
        for ratio in (4.0, 8.0, 12.0, 20.0, 40.0):
            assert range_odds(count, ratio) <= 1.0


# --- pauses ---


@pytest.mark.parametrize(("ends_s", "looks"), [(4.0, False), (4.0 - FRAME_S, True)])
def test_a_pause_that_lasts_to_the_return_is_the_losss(ends_s, looks):
    loss = cases.loss_of(cases.Moment(cases.Known.MARKED, 0.0, None))
    during = (cases.HELD, quiet(10.6, 10.0 + ends_s), stands(10.0 + ends_s, 14.5, 1500.0))
    own = replace(cases.RESPONSE, during=during)
    line = replace(watched(), losses=(loss,), places=(0,), responses=(own,))
    assert find_pauses([line], (loss,))[0].tolist() == [looks]


def test_pulses_from_the_first_missing_frame_on_went_through_a_pause():
    rise_s = 10.0 + FRAME_S * np.arange(70)
    assert goes_through(rise_s, FRAME_S, quiet(10.0, 11.0))
    assert not goes_through(rise_s[1:], FRAME_S, quiet(10.0, 11.0))


# --- losses stated, inferred, marked ---


def test_stated_losses_that_touch_within_their_doubt_are_refused():
    with pytest.raises(PwmscopeError, match="the same within their uncertainty"):
        stated_losses([(4.0, 0.25), (4.75, 0.5)], ["RX1"], 0.0, 20.0)
    assert len(stated_losses([(4.0, 0.25), (4.76, 0.5)], ["RX1"], 0.0, 20.0)) == 2


def output_of(rise_s, width_us=1500.0, *stood):
    """Pulses, and dwells as first and last row."""
    rise_s = np.asarray(rise_s, float)
    width_us = np.broadcast_to(np.asarray(width_us, float), rise_s.shape)
    table = PulseTable(
        "RX1", rise_s, width_us, np.append(np.diff(rise_s) * 1e6, NAN),
        np.zeros(rise_s.size, np.uint8), False, STANDARD_SERVO, 1.0,
    )  # fmt: skip
    first, last = np.array(stood, np.int64).reshape(-1, 2).T
    zero, count = np.zeros(first.size), last - first + 1
    dwells = Dwells(
        first, last, rise_s[first], rise_s[last], width_us[first], zero, zero, count, count, 0.5,
        np.zeros(0, np.int64),
    )  # fmt: skip
    return Output(table, dwells, FRAME_S * 1e6)


def test_a_line_is_quiet_from_its_first_missing_frame_on():
    rise_s = FRAME_S * np.arange(640)
    gone = output_of(rise_s[(rise_s <= 4.0) | (rise_s >= 5.0)])
    (spell,) = find_quiet_spells({"RX1": gone}, rise_s[-1] + FRAME_S)
    assert (spell.start_s, spell.back_s) == (4.0 + FRAME_S, 5.0)


@pytest.mark.parametrize(("frames", "since_s"), [(3, 0.0), (4, None)])
def test_an_output_stood_until_a_loss_whose_last_pulse_was_three_frames_before(frames, since_s):
    line = output_of(FRAME_S * np.arange(640), 1500.0, (0, 256))
    seen_s = 4.0 + frames * FRAME_S
    found = _still_since_s({"RX1": line}, np.array([seen_s])).item()
    assert found == (seen_s if since_s is None else since_s)


@pytest.mark.parametrize(("step_us", "count"), [(40.0, 0), (40.5, 1)])
def test_a_jump_is_more_than_a_twenty_fifth_of_the_span(step_us, count):
    rise_s = FRAME_S * np.arange(40)
    width_us = np.where(np.arange(40) < 20, 1500.0, 1500.0 + step_us)
    line = output_of(rise_s, width_us, (0, 19), (20, 39))
    assert _jump_times_s(line, arriving=True).size == count
    assert _jump_times_s(line, arriving=False).size == count


def test_a_marked_moment_is_known_to_a_sample():
    edges_ps = np.array([4, 8], np.int64) * 10**12
    marks = marked_losses(Line("tx", edges_ps, 1), 12.0, ["RX1"], interval_us=2.0, on_level=1)
    assert marks.losses[0].moment.within_s == 2e-6


def test_a_movement_before_the_marker_is_seen_counts_for_no_level():
    rise_s = FRAME_S * np.arange(1280)
    moves_s = np.array([2.0, 6.0, 7.5, 8.75])
    level_us = 1500.0 + 200.0 * (np.arange(5) % 2)
    way_s = np.ravel([moves_s, moves_s + 0.25], order="F")
    width_us = np.interp(rise_s, [0.0, *way_s, 20.0], np.repeat(level_us, 2))
    ends = np.searchsorted(rise_s, way_s)
    rows = np.concatenate([[0], ends, [1279]]).reshape(-1, 2)
    line = output_of(rise_s, width_us, *map(tuple, rows))
    found = find_polarity(np.array([5.0, 10.0]), np.array([1, 0]), None, {"RX1": line})
    assert found[0] == 1
    assert found[1].is_known


# --- what the sheet says, and how a line reads ---


def test_a_stop_range_that_is_stated_is_not_assumed():
    assert not expectation_of(sheet_of(), "RX1").is_band_assumed
    assert expectation_of(sheet_of(stop_us=None), "RX1").is_band_assumed
    stated = {"stop_us": None, "deadband_us": 20.0}
    assert not expectation_of(sheet_of(**stated), "RX1").is_band_assumed
    assert expectation_of(sheet_of(**stated, neutral_us=None), "RX1").is_band_assumed
    assumed = sheet_of(**stated, is_neutral_assumed=True)
    assert expectation_of(assumed, "RX1").is_band_assumed


def pulses(count=200, high_us=1500.0, period_us=3000.0, pauses=()):
    """Pulses as long as their pauses; some pauses are longer."""
    step_us = np.full(count, period_us)
    step_us[[*pauses]] = 20_000.0
    rise_s = np.cumsum(np.append(0.0, step_us[:-1])) / 1e6
    return output_of(rise_s, high_us).table


def test_pulses_and_pauses_of_one_length_read_either_way():
    assert _reads_either_way(pulses())
    assert _reads_either_way(pulses(50))
    assert not _reads_either_way(pulses(49))
    assert not _reads_either_way(pulses(period_us=20_000.0))
    assert _reads_either_way(pulses(pauses=(50, 100)))
    assert not _reads_either_way(pulses(pauses=(50, 100, 150)))


def test_frames_that_slow_down_in_three_losses_show_that_the_link_was_lost():
    bare = {"back_lines": (), "odds": 1.0, "partner": ""}
    found = never_lost(changed(**bare, slowed=3))
    assert (found.refuted, found.ground, found.losses) == (True, Ground.SLOWED, 3)
    assert not never_lost(changed(**bare, slowed=2)).refuted


def test_an_even_way_in_step_with_anothers_is_no_hands():
    found = by_hand(changed(ramped=3, odds=1.0, partner=""))
    assert (found.refuted, found.ground, found.losses) == (True, Ground.RAMPED, 3)
    assert not by_hand(changed(ramped=0, odds=1.0, partner="")).refuted


@pytest.mark.parametrize(("ramped", "left"), [(3, False), (0, True)])
def test_pulses_until_such_a_way_was_over_left_nothing(ramped, left):
    case = changed(ramped=ramped, ramped_s=11.0, stopped_s=11.05)
    assert ("came after the output had gone" in " ".join(_late_points(case, cases.BAND))) is left


def test_a_ramp_that_hardly_moves_is_told_as_over_in_time():
    """Less than 1 us a second counts as that: 0.2 us take 0.2 s."""
    slow = replace(cases.ENTRY, kind=ChangeKind.MOVE, from_us=1500.5, end_s=11.58)
    assert changed(entry=slow, range_us=0.2).settles_s == pytest.approx(0.2)


def test_a_stop_range_round_an_assumed_neutral_asks_for_the_neutral():
    assert "neutral_us" in _format_assumed(cases.BAND, lacks_neutral=True)
    assert "stop_us" in _format_assumed(cases.BAND, lacks_neutral=False)
