"""Given a rotor of known motion beside a drill of losses, the check tells command and motion."""

from dataclasses import replace

import numpy as np
import pytest
from loss_drill import LENGTHS_S, Drill, check, preset, verdicts
from rotor import sensor, sheet_with, speeds, truly_slow_s, watched

from pwmscope.bench import Marker
from pwmscope.capture import Line
from pwmscope.findings import Verdict, examine
from pwmscope.findings.failsafe import listen_to
from pwmscope.model import HazardKind

SHEET = sheet_with(sensor())
LONG = Drill(losses=3, lengths_s=tuple(6.0 + 0.1 * k for k in range(10)))
TEN = Drill(lengths_s=tuple(6.0 + seconds for seconds in LENGTHS_S))


def motion_of(capture, sheet=SHEET, line="RX3", **options):
    return listen_to(capture, sheet=sheet, **options).found.line_losses[line].motion


def line_of(found, name="RX3"):
    return next(line for line in found.lines if line.line == name)


@pytest.fixture(scope="module")
def spun_down():
    return watched(TEN)


def test_command_and_motion_both_stop_in_time(spun_down):
    found = check(spun_down, sheet=sheet_with(sensor(slow_per_minute=1200.0)))
    assert verdicts(found) == {"RX1": "meets", "RX2": "meets", "RX3": "meets"}
    motion = line_of(found).recordings[0].losses.motion
    time_s, hz = speeds(*TEN.pulses("RX3"), TEN.end_s)
    truth = truly_slow_s(TEN, hz, time_s, 20.0)
    for stop, slow_s in zip(motion.stops, truth, strict=True):
        least_s, most_s = stop.slow_s
        # The transmitter may have sent on for a tenth of a second.
        assert least_s <= slow_s <= most_s
        assert most_s - least_s < 0.3
        assert stop.before_per_minute > 1200.0
        assert stop.below_per_minute == pytest.approx(60.0 / (2 * stop.silent_s))
    assert motion.finding.verdict is Verdict.MEETS
    assert "so it turned below" in motion.finding.sentence
    assert "stopped" not in motion.finding.sentence


def test_a_motor_that_runs_on_breaks_what_its_command_keeps(spun_down):
    quick = check(spun_down, sheet=replace(SHEET, weapon_motion_s=1.5))
    line = line_of(quick)
    assert line.verdict is Verdict.DOES_NOT_MEET
    assert line.failure is None
    assert line.governing.name == "motion stop"
    assert quick.verdict is Verdict.DOES_NOT_MEET


def test_a_motor_that_does_not_turn_mends_no_command_that_keeps_going():
    drill = Drill(
        {"RX1": preset(1500.0), "RX2": preset(1500.0), "RX3": lambda _s, held_us: held_us},
        lengths_s=(8.0,) * 10,
    )
    still = watched(drill, change=lambda time_s, hz: np.where(time_s < 4.0, hz, 0.0))
    found = line_of(check(still, sheet=SHEET))
    assert found.verdict is Verdict.DOES_NOT_MEET
    assert found.failure is not None


def test_a_rotor_that_was_slow_before_the_loss_shows_nothing():
    idle = watched(LONG, change=lambda time_s, hz: np.where(time_s < 2.5, 9.0, 0.0))
    motion = motion_of(idle)
    assert [stop.verdict for stop in motion.stops] == [Verdict.NOT_SHOWN] * 3
    assert "run it up first" in motion.finding.sentence
    assert line_of(check(idle, sheet=SHEET)).verdict is Verdict.NOT_SHOWN


def test_a_loss_that_is_over_too_soon_shows_nothing():
    brief = watched(Drill(lengths_s=(2.5,) * 10))
    motion = motion_of(brief)
    assert motion.finding.verdict is Verdict.NOT_SHOWN
    assert "Keep the transmitter off" in motion.finding.sentence


def test_a_rotor_that_never_slows_breaks_the_limit():
    on = watched(LONG, change=lambda _t, hz: np.maximum(hz, 20.0))
    motion = motion_of(on, replace(SHEET, weapon_motion_s=2.0))
    assert motion.finding.verdict is Verdict.DOES_NOT_MEET
    assert "still turned faster than 120 turns a minute" in motion.finding.sentence


def test_marks_that_end_at_once_and_never_come_again_may_be_a_sensor_that_came_off():
    (off_s, _, _), *_ = Drill(losses=1, lengths_s=(8.0,)).spans
    lone = Drill(losses=1, lengths_s=(8.0,), stays_up=False)
    gone = watched(lone, change=lambda time_s, hz: np.where(time_s < off_s + 0.6, hz, 0.0))
    motion = motion_of(gone)
    assert motion.finding.verdict is Verdict.NOT_SHOWN
    assert "came off" in motion.finding.sentence


def test_marks_that_end_at_once_and_come_again_are_a_brake():
    def brake(time_s, hz):
        for off_s, on_s, _ in LONG.spans:
            hz = np.where((time_s > off_s + 0.6) & (time_s < on_s), 0.0, hz)
        return hz

    motion = motion_of(watched(LONG, change=brake))
    assert motion.finding.verdict is Verdict.MEETS
    assert motion.finding.value < 1.1


def test_without_marks_per_turn_times_are_told_and_no_verdict(spun_down):
    sheet = sheet_with(sensor(marks_per_turn=None))
    motion = motion_of(spun_down, sheet)
    assert motion.finding.verdict is Verdict.NOT_SHOWN
    assert "marks_per_turn" in motion.finding.sentence
    assert all(stop.silent_s > 1.0 for stop in motion.stops)
    found = examine(spun_down, sheet=sheet).sensors["D6"].findings
    down = next(finding for finding in found if finding.name == "spin-down time")
    assert down.sentence.startswith("The last mark passed ")
    assert down.value is None
    assert line_of(check(spun_down, sheet=sheet)).verdict is Verdict.NOT_SHOWN


def test_a_rotation_line_that_the_recording_lacks_is_not_shown():
    found = line_of(check(TEN, sheet=SHEET))
    assert found.verdict is Verdict.NOT_SHOWN
    assert "D6" in found.sentence


def test_a_sensor_that_sees_nothing_is_not_shown(spun_down):
    lines = {**spun_down.lines, "D6": Line("D6", np.zeros(0, np.int64), 0)}
    dead = replace(spun_down, lines=lines)
    assert line_of(check(dead, sheet=SHEET)).verdict is Verdict.NOT_SHOWN
    findings = examine(dead, sheet=SHEET).sensors["D6"].findings
    assert all(f.verdict is Verdict.NOT_SHOWN and "no mark" in f.sentence for f in findings)


def test_an_inferred_loss_shows_no_motion():
    unmarked = watched(Drill(losses=3, lengths_s=(8.0,) * 10, marker=False))
    assert motion_of(unmarked).finding.verdict is not Verdict.MEETS
    assert motion_of(unmarked, replace(SHEET, weapon_motion_s=1.0)).finding.verdict is (
        Verdict.NOT_SHOWN
    )


def test_a_marker_of_unknown_polarity_breaks_nothing(spun_down):
    sheet = replace(SHEET, marker=Marker("tx-on", None, "switch"), weapon_motion_s=1.0)
    idle = Drill(losses=3, lengths_s=(8.0,) * 10, hands={n: [(0, 1500)] for n in ("RX1", "RX2")})
    found = motion_of(watched(idle), sheet)
    assert found.finding.verdict in (Verdict.NOT_SHOWN, Verdict.DOES_NOT_MEET)
    assert motion_of(spun_down, replace(SHEET, weapon_motion_s=1.0)).finding.verdict is (
        Verdict.DOES_NOT_MEET
    )


@pytest.mark.parametrize("interval_us", [1.0, 20.0, 100.0, 1000.0])
def test_a_lower_sampling_rate_never_makes_the_bounds_narrower_than_the_truth(interval_us):
    time_s, hz = speeds(*LONG.pulses("RX3"), LONG.end_s)
    fine = watched(LONG)
    step_ps = int(interval_us * 1e6)
    edges = np.unique(-(-fine.lines["D6"].edges_ps // step_ps) * step_ps)
    lines = {**fine.lines, "D6": Line("D6", edges[: edges.size // 2 * 2], 0)}
    motion = motion_of(replace(fine, lines=lines))
    for stop, slow_s in zip(motion.stops, truly_slow_s(LONG, hz, time_s), strict=True):
        if stop.slow_s is not None:
            assert stop.slow_s[1] >= slow_s - 0.05


def test_without_a_sample_interval_no_time_is_exact_and_it_is_said_what_to_do(spun_down):
    motion = motion_of(replace(spun_down, sample_interval_ps=None))
    assert {stop.verdict for stop in motion.stops} == {Verdict.NOT_SHOWN}
    assert motion.stops[0].reason.why == "The sample interval is not known, so no time is exact."
    assert motion.finding.to_do == "State the analyser's setting (`rate`)."


def test_motion_that_nobody_commands_is_a_hazard(spun_down):
    assert line_of(check(spun_down, sheet=SHEET)).hazards[0].kind is not HazardKind.MOTION

    def kicks(time_s, hz):
        return np.where((time_s > 0.8) & (time_s < 1.3), 12.0, hz)

    found = check(watched(TEN, change=kicks), sheet=SHEET)
    hazard = found.hazards[0]
    assert hazard.kind is HazardKind.MOTION
    assert hazard.lines == ("RX3",)
    assert 0.8 < hazard.at_s < 1.3
    assert hazard.per_minute == pytest.approx(720.0, rel=0.1)
    assert "say stop" in str(hazard)
    assert line_of(found).verdict is Verdict.MEETS  # a hazard changes no verdict


def test_a_drive_that_creeps_at_neutral_is_told():
    sheet = sheet_with(sensor("D7", "RX1", slow_per_minute=60.0))
    creeps = watched(LONG, "D7", "RX1", rest_us=1500.0, change=lambda _t, hz: np.maximum(hz, 0.75))
    at_stop = {f.name: f for f in examine(creeps, sheet=sheet).sensors["D7"].findings}[
        "motion at stop"
    ]
    assert at_stop.value == pytest.approx(45.0, rel=0.1)
    still = watched(LONG, "D7", "RX1", rest_us=1500.0)
    at_stop = {f.name: f for f in examine(still, sheet=sheet).sensors["D7"].findings}[
        "motion at stop"
    ]
    assert at_stop.value == 0.0
    assert "so it turned below" in at_stop.sentence


def test_a_sheet_that_no_longer_lists_the_rotation_line_scores_no_better(spun_down):
    """Less known never scores better: without the line's entry the check is not shown."""
    slow = replace(SHEET, weapon_motion_s=2.0)
    assert check(spun_down, sheet=slow).verdict is not Verdict.MEETS
    without = {name: own for name, own in SHEET.channels.items() if name != "D6"}
    found = check(spun_down, sheet=replace(SHEET, channels=without))
    assert found.verdict is Verdict.NOT_SHOWN
    assert [left.what for left in found.left_out] == ["D6"]


def test_a_rotor_that_is_driven_on_is_a_hazard_and_one_that_coasts_is_none(spun_down):
    brief = replace(SHEET, weapon_motion_s=0.6)
    on = watched(LONG, change=lambda _t, hz: np.maximum(hz, 20.0))
    kinds = {hazard.kind for hazard in line_of(check(on, sheet=brief)).hazards}
    assert HazardKind.MOTION in kinds
    kinds = {hazard.kind for hazard in line_of(check(spun_down, sheet=brief)).hazards}
    assert HazardKind.MOTION not in kinds
