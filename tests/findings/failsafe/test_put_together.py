"""What several recordings say together, and a line before the link: given these, this is told."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from loss_drill import device, sheet_of

from pwmscope.bench import StopBand
from pwmscope.capture import PART
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import Failsafe, LossEvent, Recovery
from pwmscope.findings.failsafe.alternatives import Ground, back_early, left_early
from pwmscope.findings.failsafe.check import _idle, _line, _parts, _useless, _worst
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.power import BeforeLink, power_up_finding, power_up_hazard
from pwmscope.findings.failsafe.response import ChangeKind, LossClass
from pwmscope.findings.failsafe.returns import Leap
from pwmscope.model import Assumption, Finding, Hazard, HazardKind, Line
from pwmscope.pulses import STANDARD_SERVO, PulseTable

if "alternative_cases" not in sys.modules:
    spec = importlib.util.spec_from_file_location(
        "alternative_cases", Path(__file__).with_name("test_alternatives.py")
    )
    sys.modules["alternative_cases"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules["alternative_cases"])
cases = sys.modules["alternative_cases"]
MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN

# --- one loss: which of several is told ---


def test_of_several_leaps_and_starts_the_first_is_placed():
    leaps = tuple(Leap(at_s, 1500.0, 1900.0) for at_s in (13.1, 13.5))
    assert left_early(cases.changed(leaps=leaps)).at_s == 13.1
    starts = tuple(
        replace(cases.AGAIN, after_s=at_s - 0.02, by_s=at_s) for at_s in (11.0, 12.0, 13.0)
    )
    found = back_early(cases.changed(changes=starts, departures=()))
    assert (found.ground, found.at_s) == (Ground.RESUMED, 11.0)


def test_the_first_departure_tells_whether_the_link_was_back():
    again = (replace(cases.AGAIN, after_s=11.0, by_s=11.02),)
    moved = replace(cases.BACK, kind=ChangeKind.MOVE)
    later = cases.changed(changes=again, departures=(moved, cases.BACK))
    assert back_early(later).ground is Ground.RESUMED
    first = cases.changed(changes=again, departures=(cases.BACK, moved))
    assert back_early(first).ground is Ground.LASTED


def test_the_first_departure_tells_how_fast_it_left():
    quick = replace(cases.BACK, kind=ChangeKind.MOVE, end_s=14.33)
    for departures, told in (((quick, cases.BACK), False), ((cases.BACK, quick), True)):
        found = left_early(cases.changed(departures=departures, back_partner=""))
        assert found.refuted is told


# --- several recordings ---


def recording(source, *tables, losses=None, refused=(), start_ps=0, said=()):
    """What the check takes of one recording; the events of each line."""
    capture = SimpleNamespace(start_ps=start_ps, start_s=0.5, end_s=9.0, assumptions=said)
    lines = SimpleNamespace(
        capture=capture, tables=dict.fromkeys(tables), refused=dict.fromkeys(refused, "Refused.")
    )
    found = {
        name: SimpleNamespace(events=tuple(events), findings=(), hazards=())
        for name, events in (losses or {}).items()
    }
    return SimpleNamespace(
        source=source, lines=lines, found=SimpleNamespace(line_losses=found, rotors={})
    )


def event(stopped_s=10.6, **changes):
    case = cases.changed(stopped_s=stopped_s, **changes)
    return LossEvent(case, MEETS, "", 14.3, Recovery(0.3, None, 0, 0))


LOST, RESTART = event(), event(loss=cases.loss_of(is_restart=True))


def test_a_recording_clipped_by_the_least_bit_is_a_part():
    assert _parts([recording("a.csv")]) == []
    assert [own.what for own in _parts([recording("a.csv", start_ps=1)])] == ["a.csv"]
    clipped = Assumption("Only 1 to 2 s are examined.", PART)
    assert len(_parts([recording("a.csv", said=(clipped,))])) == 1


def test_a_recording_is_of_another_bench_or_shows_no_loss():
    sheet = sheet_of("RX1")
    kinds = [
        [own.kind.name for own in _useless([rec], sheet)]
        for rec in (
            recording("a.csv", "RX1", losses={"RX1": [LOST]}),
            recording("b.csv", "RX1", losses={"RX1": [RESTART]}),
            recording("c.csv", "RX7", losses={"RX7": [LOST]}),
        )
    ]
    assert kinds == [[], ["NO_LOSS"], ["NO_LINE"]]
    assert _useless([recording("c.csv", "RX7", losses={"RX7": [LOST]})], None) == []


def test_a_restart_is_no_loss_in_which_a_stick_was_not_followed():
    stick = Expectation("stick-aileron", has_sheet=True)
    line = SimpleNamespace(line="RX1", expected=stick, is_unlisted=False, losses=((None, RESTART),))
    assert _idle([line]) == []
    line.losses = ((None, RESTART), (None, LOST))
    assert [own.kind.name for own in _idle([line])] == ["STICK"]
    line.losses = ((None, event(behaviour=LossClass.KEEPS_FOLLOWING)),)
    assert _idle([line]) == []


def test_a_line_without_a_loss_in_one_of_two_recordings_is_not_shown():
    lost = recording("a.csv", "RX1", losses={"RX1": [LOST]})
    idle = recording("b.csv", "RX1", losses={"RX1": [RESTART]})
    sheet = sheet_of("RX1")
    assert _line("RX1", [lost, lost], sheet).why_not == ""
    assert "No loss of this line is seen in b.csv" in _line("RX1", [lost, idle], sheet).why_not
    assert _line("RX1", [idle], sheet).why_not == ""


def test_a_line_is_called_by_the_device_that_the_sheet_puts_on_it():
    lost = recording("a.csv", "RX1", losses={"RX1": [LOST]})
    sheet = replace(sheet_of("RX1"), channels={"RX1": device("RX1", device="left motor")})
    assert _line("RX1", [lost], sheet).device == "left motor"
    assert _line("RX7", [lost], sheet).device == ""
    assert _line("RX1", [lost], None).device == ""


def finding(verdict, sentence="It does so."):
    return Finding("signal loss", "", "", None, "", verdict, (), sentence)


def test_of_several_that_meet_the_slowest_is_told_and_of_others_the_first():
    def in_recording(source, stopped_s):
        return SimpleNamespace(source=source, losses=SimpleNamespace(events=(event(stopped_s),)))

    quick, slow = in_recording("quick.csv", 10.6), in_recording("slow.csv", 11.5)
    met = [(quick, finding(MEETS)), (slow, finding(MEETS))]
    assert _worst(met, several=True).sentence == "In slow.csv: It does so."
    assert _worst(met[::-1], several=False).sentence == "It does so."
    broken = [(quick, finding(BREAKS)), (slow, finding(BREAKS)), (slow, finding(OPEN))]
    assert _worst(broken, several=True).sentence == "In quick.csv: It does so."
    bare = finding(None)
    assert _worst([(quick, bare)], several=True) is bare
    assert _worst([], several=True) is None


def test_jumps_to_held_sticks_are_one_hazard_that_names_the_first():
    def line(*hazards):
        return SimpleNamespace(hazards=hazards, verdict=None, guard=None)

    held = [
        Hazard(HazardKind.STICK_HELD, (name,), at_s, 1700.0, 1500.0, times, 10, "a.csv")
        for name, at_s, times in (("RX1", 14.3, 2), ("RX2", 14.4, 5))
    ]
    leap = Hazard(HazardKind.LEAP, ("RX3",), 13.0, 1900.0, None, 1, 10, "a.csv")
    found = Failsafe((), None, None, (line(held[0]), line(held[1], leap))).hazards
    assert [hazard.kind for hazard in found] == [HazardKind.LEAP, HazardKind.STICK_HELD]
    assert (found[1].lines, found[1].at_s, found[1].times) == (("RX1", "RX2"), 14.3, 5)


# --- before the link ---

BAND = StopBand(900.0, 1030.0, "")
WEAPON = Expectation("weapon", BAND, no_pulses_stop=True, has_sheet=True)


@pytest.mark.parametrize(
    ("expected", "told"),
    [
        (WEAPON, True),
        (replace(WEAPON, role="servo"), True),
        (replace(WEAPON, role="servo", is_band_assumed=True), False),
        (replace(WEAPON, role="spare"), False),
    ],
)
def test_what_runs_before_the_link_is_a_hazard_of_a_servo_too_where_its_stop_range_is_stated(
    expected, told
):
    rise_s = np.arange(1.5, 4.0, 0.02)
    table = PulseTable(
        "RX3", rise_s, np.full(rise_s.size, 1800.0), np.full(rise_s.size, 2e4),
        np.zeros(rise_s.size, np.uint8), False, STANDARD_SERVO, 1.0,
    )  # fmt: skip
    hazard = power_up_hazard(table, BeforeLink(1.0, 3.0, True), expected, 2.0, "a.csv")
    assert (hazard is not None) is told
    if hazard is not None:
        assert (hazard.kind, hazard.at_s, hazard.width_us) == (HazardKind.UNLINKED, 1.5, 1800.0)
    assert power_up_hazard(table, BeforeLink(1.0, 3.0, False), expected, 2.0, "a.csv") is None


def power_up(rise_s, *, start_s=1.0, until_s=3.0, expected=WEAPON, is_marked=True, width_us=1000.0):
    rise_s = np.asarray(rise_s, float)
    table = PulseTable(
        "RX3", rise_s, np.full(rise_s.size, width_us), np.full(rise_s.size, 2e4),
        np.zeros(rise_s.size, np.uint8), False, STANDARD_SERVO, 1.0,
    )  # fmt: skip
    before = BeforeLink(start_s, until_s, is_marked)
    line = Line("RX3", np.zeros(0, np.int64), 0)
    return power_up_finding(table, line, before, expected, 2.0)


def test_the_time_before_the_link_and_its_pulses_are_said():
    found = power_up(np.arange(2.0, 4.0, 0.02))
    assert found.verdict is MEETS
    assert "In the 2.00 s before the link" in found.sentence
    assert "50 servo pulses of 1000.0 to 1000.0 us" in found.sentence
    assert "servo pulses" not in power_up([]).sentence.split(".")[0]


@pytest.mark.parametrize(("start_s", "found"), [(2.0, MEETS), (2.25, OPEN)])
def test_a_second_before_the_link_is_needed(start_s, found):
    assert power_up(np.arange(2.5, 4.0, 0.02), start_s=start_s).verdict is found


def test_a_pause_is_open_only_where_silence_may_not_stop_the_device():
    late = np.arange(2.5, 4.0, 0.02)
    assert power_up(late).verdict is MEETS
    unknown = replace(WEAPON, no_pulses_stop=None)
    assert power_up(late, expected=unknown).verdict is OPEN
    throughout = np.arange(1.005, 4.0, 0.02)
    assert power_up(throughout, expected=unknown).verdict is MEETS


def test_without_a_limit_or_a_stop_range_there_is_no_verdict():
    for expected in (replace(WEAPON, role="servo"), replace(WEAPON, band=None)):
        assert power_up([2.0, 2.02], expected=expected, width_us=1700.0).verdict is None


@pytest.mark.parametrize(("frame_s", "found"), [(0.125, MEETS), (0.02, OPEN)])
def test_two_pulses_tell_how_far_frames_lie_apart(frame_s, found):
    """No pulse for half a second: five frames of 1/8 s last longer, five of 20 ms do not."""
    unknown = replace(WEAPON, no_pulses_stop=None)
    pair = 1.5 + frame_s * np.arange(2)
    assert power_up(pair, until_s=pair[-1] + 0.5, expected=unknown).verdict is found


def test_one_pulse_tells_nothing_of_the_frames():
    """They are taken to be the usual ones, and a second without a pulse is a pause."""
    unknown = replace(WEAPON, no_pulses_stop=None)
    assert power_up([2.0], expected=unknown).verdict is OPEN
    assert power_up([2.0]).verdict is MEETS
