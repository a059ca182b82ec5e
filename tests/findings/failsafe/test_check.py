"""The failsafe check over lines and recordings: the worst governs, nothing is left out."""

import dataclasses
from dataclasses import replace

import numpy as np
import pytest
from loss_drill import (
    OUT,
    REST,
    Drill,
    check,
    device,
    holds,
    preset,
    ramps,
    sheet_of,
    steps,
    stops,
    stops_then,
    verdicts,
)

from pwmscope.bench import COMMON_PRACTICE, Marker
from pwmscope.capture import Line, clip
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import (
    Cause,
    Ground,
    LeftOutKind,
    LossClass,
    check_failsafe,
    listen_to,
)
from pwmscope.model import HazardKind
from pwmscope.report.answer import list_actions
from pwmscope.report.evidence import Evidence

GOOD = {"RX1": "meets", "RX2": "meets", "RX3": "meets"}
TWO = sheet_of("RX1", "RX2")


def all_lines(behave):
    return {name: behave(rest_us) for name, rest_us in REST.items()}


def test_ten_losses_of_which_every_line_meets_the_limit(good):
    assert verdicts(good) == GOOD
    assert good.verdict is Verdict.MEETS
    assert good.left_out == ()
    for line in good.lines:
        assert (line.trials.meets, line.trials.fails, line.trials.not_shown) == (10, 0, 0)
    assert good.slowest_s == pytest.approx(0.63, abs=0.03)


@pytest.mark.parametrize(
    "drill",
    [
        Drill(all_lines(stops_then)),
        Drill(all_lines(ramps)),
        Drill(all_lines(lambda rest: ramps(rest, 0.0, 0.9))),
        Drill(all_lines(lambda rest: steps((0.5, 0.5 * (rest + 1620)), (0.9, rest)))),
        Drill(all_lines(lambda rest: steps((0.6, rest + 12), (1.4, rest - 9)))),
        Drill(all_lines(lambda rest: preset(rest, 0.06))),
        Drill(lost_frame_s=0.05),
        Drill(lost_frame_s=0.012),
        Drill(stays_up=False),
        Drill(bounce=True),
        Drill(searches_s=2.9),
        Drill(frame_s=0.007, interval_us=0.5),
        Drill(frame_s=0.03, interval_us=4.0, behave=all_lines(lambda r: preset(r + 7.0, 1.3))),
        Drill(frame_s=0.03, behave=all_lines(lambda r: preset(r, 1.3)), losses=15),
    ],
    ids=["stops then preset", "ramps", "ramps at once", "two steps", "levels inside", "at once",
         "slower frames", "faster frames", "let go while off", "bounce", "searches", "fast frames",
         "slow frames, coarse", "slow frames, at rest"],
)  # fmt: skip
def test_safe_receivers_are_answered(drill):
    assert verdicts(check(drill)) == GOOD


def test_ten_presets_at_rest_in_slow_frames_are_not_told_from_thumbs_on_a_cue():
    """Within 30 ms in ten losses: what somebody who waits for a beep does too often."""
    found = check(Drill(frame_s=0.03, behave=all_lines(lambda r: preset(r, 1.3))))
    assert set(verdicts(found).values()) == {"not shown"}
    assert "one switch looks the same" in found.lines[0].sentence


@pytest.mark.parametrize(
    ("behave", "behaviour"),
    [
        (lambda _: holds, LossClass.HOLDS_LAST),
        (lambda rest: preset(rest, 2.4), LossClass.GOES_TO_PRESET),
        (lambda rest: preset(rest + 140), LossClass.GOES_TO_PRESET),
        (lambda rest: ramps(rest, 1.0, 1.4), LossClass.GOES_TO_PRESET),
        (lambda rest: steps((0.5, rest), (2.3, rest + 77)), LossClass.GOES_TO_PRESET),
    ],
    ids=["holds", "late", "outside", "late ramp", "leaves again"],
)
def test_unsafe_receivers_do_not_meet(behave, behaviour):
    found = check(Drill(all_lines(behave), lengths_s=(3.1, 4.4, 3.7, 5.2, 2.9) * 2))
    assert set(verdicts(found).values()) == {"does not meet"}
    assert found.lines[0].failure.behaviour is behaviour


def test_one_line_that_does_not_meet_it_governs():
    found = check(Drill({**all_lines(preset), "RX3": holds}))
    assert verdicts(found) == GOOD | {"RX3": "does not meet"}
    assert found.verdict is Verdict.DOES_NOT_MEET


def test_a_line_of_the_sheet_that_nobody_recorded_is_not_shown():
    """The weapon's wire was not probed: the check must not pass without it."""
    found = check(Drill({"RX1": preset(1500), "RX2": preset(1500)}))
    assert verdicts(found) == GOOD | {"RX3": "not shown"}
    assert "no recording holds it" in found.lines[2].sentence


def test_a_stick_of_the_sheet_need_not_be_recorded_and_has_no_verdict():
    stick = dataclasses.replace(device("RX1"), line="stick", role="stick-elevator", stop_us=None)
    sheet = sheet_of()
    sheet = dataclasses.replace(sheet, channels={**sheet.channels, "stick": stick})
    assert verdicts(check(Drill(), sheet=sheet)) == GOOD


def test_a_line_without_servo_pulses_that_the_sheet_names_is_not_shown():
    capture = Drill().capture()
    lines = {**capture.lines, "RX2": Line("RX2", np.zeros(0, np.int64), 0)}
    found = check(dataclasses.replace(capture, lines=lines))
    assert verdicts(found)["RX2"] == "not shown"
    assert found.lines[1].why_not


def test_a_line_with_servo_pulses_that_the_sheet_does_not_list_makes_the_check_not_shown():
    found = check(Drill(), sheet=TWO)
    assert verdicts(found) == GOOD | {"RX3": "not shown"}
    assert found.verdict is Verdict.NOT_SHOWN
    (left,) = found.left_out
    assert (left.kind, left.what) == (LeftOutKind.UNLISTED, "RX3")


def test_a_line_stated_unused_is_named_and_weighs_nothing():
    sheet = sheet_of()
    unused = dataclasses.replace(sheet.channels["RX3"], role="unused", stop_us=None)
    sheet = dataclasses.replace(sheet, channels={**sheet.channels, "RX3": unused})
    found = check(Drill(), sheet=sheet)
    assert verdicts(found) == GOOD | {"RX3": None}
    assert found.verdict is Verdict.MEETS
    assert [left.kind for left in found.left_out] == [LeftOutKind.UNUSED]


def test_an_assumed_stop_range_never_meets():
    """Common practice says 20 us on each side; this device may be narrower."""
    sheet = sheet_of()
    bare = dataclasses.replace(sheet.channels["RX1"], stop_us=None)
    sheet = dataclasses.replace(sheet, channels={**sheet.channels, "RX1": bare})
    found = check(Drill(), sheet=sheet)
    assert verdicts(found) == GOOD | {"RX1": "not shown"}
    assert "stop_us" in found.lines[0].sentence


def test_without_a_sheet_nothing_meets_the_limit():
    capture = Drill().capture()
    found = check_failsafe([listen_to(capture, off_line="tx-on=high")], None, COMMON_PRACTICE)
    assert found.verdict is Verdict.NOT_SHOWN


def test_the_worst_of_several_recordings_governs_and_is_named():
    bad = Drill(all_lines(lambda _: holds), source="tuesday.csv", losses=3)
    for order in ((Drill(), bad), (bad, Drill())):
        found = check(*order)
        assert found.verdict is Verdict.DOES_NOT_MEET
        assert all("tuesday.csv" in line.sentence for line in found.lines)


def test_a_failure_governs_although_another_recording_lacks_the_line():
    """A reason for "not shown" must not hide a proven failure."""
    bad = Drill({**all_lines(preset), "RX3": holds}, losses=3, source="a.csv")
    without = Drill({"RX1": preset(1500), "RX2": preset(1500)}, source="b.csv")
    found = check(bad, without)
    assert verdicts(found)["RX3"] == "does not meet"
    assert found.verdict is Verdict.DOES_NOT_MEET


def test_a_line_that_one_of_two_recordings_lacks_is_not_shown():
    without = Drill({"RX1": preset(1500), "RX2": preset(1500)}, source="b.csv", seed=5)
    found = check(Drill(), without)
    assert verdicts(found) == GOOD | {"RX3": "not shown"}
    assert "b.csv does not hold it" in found.lines[2].sentence


def test_a_line_refused_in_one_of_two_recordings_is_not_shown():
    capture = Drill(seed=5, source="b.csv").capture()
    lines = {**capture.lines, "RX3": Line("RX3", np.zeros(0, np.int64), 0)}
    found = check(Drill(), dataclasses.replace(capture, lines=lines))
    assert verdicts(found) == GOOD | {"RX3": "not shown"}
    assert "In one of the recordings" in found.lines[2].sentence


def test_a_loss_seen_on_another_line_only_is_none_of_this_line():
    """Without a marker a lone quiet line loses its signal alone: the others showed nothing."""
    drill = Drill({**all_lines(lambda _: holds), "RX2": stops()}, marker=False, source="b.csv")
    found = check(Drill(), drill)
    assert "No loss of this line is seen in b.csv" in found.lines[0].sentence
    assert found.lines[0].verdict is Verdict.NOT_SHOWN


def test_the_trials_of_several_recordings_count_together():
    """Twenty losses that all meet: 1 - 0.05^(1/20) = 0.139 (Clopper and Pearson 1934)."""
    found = check(Drill(), Drill(seed=8, source="other.csv"))
    for line in found.lines:
        assert (line.trials.meets, line.trials.fails) == (20, 0)
        assert line.trials.bound == pytest.approx(0.139, abs=5e-4)


def test_a_recording_without_a_loss_makes_the_check_not_shown():
    quiet = dataclasses.replace(clip(Drill(seed=9).capture(), 0.0, 2.9), source="quiet.csv")
    found = check(Drill(), quiet)
    assert found.verdict is Verdict.NOT_SHOWN
    assert any(left.kind is LeftOutKind.NO_LOSS for left in found.left_out)
    bad = check(Drill(all_lines(lambda _: holds), losses=3), quiet)
    assert bad.verdict is Verdict.DOES_NOT_MEET


def test_a_recording_of_another_bench_makes_the_check_not_shown():
    other = Drill(seed=9, source="other.csv").capture()
    lines = {f"CH{k}": Line(f"CH{k}", line.edges_ps, line.initial_level)
             for k, line in enumerate(other.lines.values())}  # fmt: skip
    found = check(Drill(), dataclasses.replace(other, lines=lines))
    assert found.verdict is Verdict.NOT_SHOWN
    assert any(left.kind is LeftOutKind.NO_LINE for left in found.left_out)


def test_the_same_recording_given_three_times_counts_once():
    copies = [dataclasses.replace(Drill().capture(), source=f"{k}.csv") for k in range(3)]
    found = check(*copies)
    assert found.lines[0].trials.meets == 10
    assert [left.kind for left in found.left_out] == [LeftOutKind.TWICE] * 2
    assert len(found.recordings) == 1


def test_a_part_of_a_recording_is_named():
    found = check(clip(Drill().capture(), 0.5, None))
    (left,) = found.left_out
    assert left.kind is LeftOutKind.PART
    assert left.from_s == 0.5
    assert found.verdict is Verdict.MEETS


def test_jumps_to_held_sticks_are_one_hazard_and_no_verdict(good):
    (hazard,) = good.hazards
    assert hazard.kind is HazardKind.STICK_HELD
    assert hazard.lines == ("RX1", "RX2", "RX3")
    assert (hazard.times, hazard.losses) == (10, 10)
    assert good.verdict is Verdict.MEETS


def test_sticks_let_go_while_off_are_no_hazard():
    assert check(Drill(stays_up=False)).hazards == ()


def test_a_width_before_the_link_is_back_is_a_hazard_of_its_own_and_blocks_meets():
    """A transmitter that first sends other widths looks the same, so nothing is proven."""
    early = steps((0.6, 1000.0), (2.8, 1900.0))
    drill = Drill({**all_lines(preset), "RX3": early}, lengths_s=(2.6,) * 10, searches_s=1.5)
    found = check(drill)
    leaps = [h for h in found.hazards if h.kind is HazardKind.LEAP]
    assert [h.lines for h in leaps] == [("RX3",)]
    assert verdicts(found)["RX3"] == "not shown"
    assert "left its stop range" in found.lines[2].sentence


def test_a_servo_that_jumps_is_no_hazard():
    sheet = sheet_of()
    servos = {n: dataclasses.replace(c, role="servo") for n, c in sheet.channels.items()}
    found = check(Drill(), sheet=dataclasses.replace(sheet, channels=servos))
    assert found.verdict is Verdict.MEETS
    assert found.hazards == ()


def test_a_receiver_that_stops_all_lines_and_keeps_its_beat_kept_its_power():
    """Its frame clock ran on; one plug that was off with all lines looks the same."""
    found = check(Drill(all_lines(lambda _: stops(0.6))))
    assert set(verdicts(found).values()) == {"not shown"}
    grounds = {a.cause: a.ground for a in found.lines[0].losses[0][1].alternatives}
    assert (grounds[Cause.SUPPLY], grounds[Cause.UNPLUGGED]) == (Ground.KEPT_BEAT, Ground.ALL_ENDED)


def test_a_receiver_switched_off_by_hand_begins_its_frames_anew_and_never_meets():
    capture = Drill(all_lines(lambda _: stops(0.6))).capture()
    anew_ps = np.array([3, 11, 7, 17, 5, 13, 9, 2, 15, 6]) * 10**9
    lines = dict(capture.lines)
    for name in ("RX1", "RX2", "RX3"):
        edges_ps = lines[name].edges_ps
        silences = np.cumsum(np.diff(edges_ps, prepend=0) > 10**12)
        later_ps = np.append(0, np.cumsum(anew_ps - 9 * 10**9))[silences]
        lines[name] = replace(lines[name], edges_ps=edges_ps + later_ps)
    found = check(replace(capture, lines=lines))
    assert set(verdicts(found).values()) == {"not shown"}
    refuted = {a.cause: a.refuted for a in found.lines[0].losses[0][1].alternatives}
    assert not refuted[Cause.SUPPLY]


def test_stops_by_a_late_button_are_not_told_from_a_plug_pulled_by_habit():
    late_s = (0.0, 0.21, 0.05, 0.28, 0.11, 0.3, 0.02, 0.17, 0.24, 0.08)
    sheet = sheet_of(marker=Marker("tx-on", "high", "button"))
    found = check(Drill(all_lines(lambda _: stops(0.6)), late_s=late_s), sheet=sheet)
    assert set(verdicts(found).values()) == {"not shown"}
    assert "one plug" in found.lines[0].sentence


def test_pulses_that_stop_while_other_outputs_change_and_go_on_meet():
    found = check(Drill({**all_lines(preset), "RX3": stops(0.6)}))
    assert verdicts(found) == GOOD


@pytest.mark.parametrize(
    ("no_pulses", "after_s", "verdict", "words"),
    [
        ("stops", None, "not shown", "no_pulses_after_s"),
        (None, None, "not shown", "no_pulses"),
        ("keeps going", None, "does not meet", "keeps going"),
        ("stops", 1.0, "meets", "within 1."),
        ("stops", 1.7, "does not meet", "runs on for 1.7 s"),
        ("stops", 1.42, "not shown", "lies between"),
    ],
)
def test_a_line_without_pulses_is_judged_by_its_devices_own_time(
    no_pulses, after_s, verdict, words
):
    sheet = sheet_of()
    weapon = device("RX3", no_pulses=no_pulses, no_pulses_after_s=after_s)
    sheet = dataclasses.replace(sheet, channels={**sheet.channels, "RX3": weapon})
    found = check(Drill({**all_lines(preset), "RX3": stops(0.6)}), sheet=sheet)
    assert verdicts(found)["RX3"] == verdict
    assert words in found.lines[2].sentence


@pytest.mark.parametrize("marker", [Marker("tx-on", None, "switch"), Marker("tx-on", None)])
def test_a_marker_of_unknown_polarity_is_read_off_the_outputs(marker):
    """The sticks moved only while it was high, so high means on."""
    sheet = sheet_of(marker=marker)
    found = check(Drill(), sheet=sheet)
    assert found.recordings[0].found.polarity.value == "shown by the outputs"
    assert found.verdict is not Verdict.DOES_NOT_MEET


def test_a_marker_of_unknown_polarity_that_no_output_shows_never_meets():
    still = {name: [(0.0, 1300.0), (999.0, 1300.0)] for name in REST}
    sheet = sheet_of(marker=Marker("tx-on", None, "switch"))
    found = check(Drill(hands=still), sheet=sheet)
    assert set(verdicts(found).values()) == {"not shown"}
    assert "Which level of the marker means on" in found.lines[0].sentence


def test_a_marker_that_is_upside_down_is_said():
    found = check(Drill(upside_down=True))
    assert found.recordings[0].found.polarity.value == "contradicted"
    assert "meets" not in verdicts(found).values()


def test_a_button_counts_as_late(good):
    late = check(Drill(), sheet=sheet_of(marker=Marker("tx-on", "high", "button")))
    assert late.slowest_s is None or late.slowest_s == pytest.approx(good.slowest_s + 0.3, abs=0.01)
    event = late.lines[0].losses[0][1]
    assert event.stop_bounds_s[1] == pytest.approx(0.92, abs=0.03)


def test_stated_times_meet_where_the_outputs_show_the_return():
    drill = Drill(marker=False)
    stated = [(off_s, 0.05) for off_s, _, _ in drill.spans]
    drill = dataclasses.replace(drill, behave={n: preset(rest + 9.0) for n, rest in REST.items()})
    found = check(drill, off_at_s=stated)
    assert verdicts(found) == GOOD
    wide = check(drill, off_at_s=[(t, 1.45) for t, _ in stated])
    assert "meets" not in verdicts(wide).values()


def test_a_loss_that_is_cut_short_is_not_shown():
    drill = Drill(lengths_s=(2.6, 3.4, 1.9, 2.9, 5.0, 3.7, 2.7, 4.4, 3.1, 3.9))
    found = check(drill)
    assert set(verdicts(found).values()) == {"not shown"}
    assert "Keep it off for longer than 2.1 s" in found.lines[0].sentence


@pytest.mark.parametrize("behave", [preset, lambda _: stops(0.5)])
def test_a_recording_that_begins_in_a_loss_blames_no_line_for_it(behave):
    drill = Drill(all_lines(behave), losses=1)
    assert check(clip(drill.capture(), 3.2, None)).verdict is Verdict.NOT_SHOWN


@pytest.mark.parametrize("losses", [3, 10])
def test_a_cut_switch_flipped_while_the_link_stays_is_no_failsafe(losses):
    """The marker says off, the link goes on, and a hand flips the weapon's cut: 985 us each time.

    It does so 0.5 to 0.7 s after the marker, and back as the marker says on.
    """
    delays_s = dict(zip(OUT["RX3"], (0.52, 0.67, 0.58, 0.71, 0.55, 0.63, 0.5, 0.69, 0.6, 0.65),
                        strict=True))  # fmt: skip

    def cut(since_s, held_us):
        return 985.0 if since_s >= delays_s[round(held_us)] else held_us

    found = check(Drill({"RX3": cut}, losses=losses, searches_s=0.05), sheet=sheet_of("RX3"))
    assert found.verdict is not Verdict.MEETS


def test_a_device_that_runs_again_for_single_pulses_is_not_told_as_stopping_late():
    """RX3 falls silent, or goes to its preset, and gets a pulse of 1600 us each 1.2 s."""

    def lone(otherwise):
        return lambda since_s, held_us: (
            held_us if since_s < 0.5 else 1600.0 if since_s % 1.2 < 0.02 else otherwise
        )

    late = check(Drill({**all_lines(preset), "RX3": preset(1000.0, after_s=2.4)}))
    for drill in (
        Drill({**all_lines(preset), "RX3": lone(None)}),
        Drill({**all_lines(preset), "RX3": lone(1000.0)}),
    ):
        found = check(drill)
        (weapon,) = (line for line in found.lines if line.line == "RX3")
        assert weapon.failure.came_out_again
        action = next(a for a in list_actions(Evidence(found, found.sheet)) if a.lines == ("RX3",))
        assert "came after it had stopped" in action.sentence
    (weapon,) = (line for line in late.lines if line.line == "RX3")
    assert not weapon.failure.came_out_again
