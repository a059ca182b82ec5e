"""The failsafe check over lines and recordings: the worst governs, nothing is left out."""

import dataclasses

import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import clip
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import check_failsafe, listen_to
from pwmscope.synth import GoesToPreset, HoldsLast, Loss, PulsesStop

PRESET = GoesToPreset(1500, after_s=0.8)
TWICE = (Loss(6.0, 9.0, 0.2), Loss(9.9, 12.4, 0.2))


def check(bench, *captures, sheet="drives", **options):
    sheet = bench.drives if sheet == "drives" else sheet
    limits = COMMON_PRACTICE if sheet is None else sheet.limits
    heard = [listen_to(c, sheet=sheet, limits=limits, **options) for c in captures]
    return check_failsafe(heard, sheet, limits)


def named(capture, source):
    return dataclasses.replace(capture, source=source)


def test_a_bench_of_which_every_line_meets_the_limit_meets_it(bench):
    found = check(bench, bench.record(PRESET))
    assert [(line.line, line.verdict) for line in found.lines] == [
        ("RX1", Verdict.MEETS),
        ("RX2", Verdict.MEETS),
    ]
    assert found.verdict is Verdict.MEETS


def test_one_line_that_does_not_meet_it_governs(bench):
    found = check(bench, bench.record(PRESET, other=HoldsLast()))
    assert [line.verdict for line in found.lines] == [Verdict.MEETS, Verdict.DOES_NOT_MEET]
    assert found.verdict is Verdict.DOES_NOT_MEET


def test_a_line_of_the_sheet_that_nobody_recorded_is_not_shown(bench):
    """The weapon's wire was not probed: the check must not pass without it."""
    sheet = bench.sheet(*bench.drives.channels.values(), bench.device("RX3", role="weapon"))
    found = check(bench, bench.record(PRESET), sheet=sheet)
    assert found.verdict is Verdict.NOT_SHOWN
    weapon = next(line for line in found.lines if line.line == "RX3")
    assert weapon.verdict is Verdict.NOT_SHOWN
    assert "no recording holds it" in weapon.sentence


def test_a_stick_of_the_sheet_need_not_be_recorded_and_has_no_verdict(bench):
    stick = bench.device("stick", role="stick-elevator")
    sheet = bench.sheet(*bench.drives.channels.values(), stick)
    found = check(bench, bench.record(PRESET), sheet=sheet)
    assert found.verdict is Verdict.MEETS
    assert [line.line for line in found.lines] == ["RX1", "RX2"]


def test_a_line_without_servo_pulses_that_the_sheet_names_is_not_shown(bench):
    capture = bench.record(PRESET)
    still = dataclasses.replace(capture.lines["RX2"], edges_ps=capture.lines["RX2"].edges_ps[:0])
    capture = dataclasses.replace(capture, lines={**capture.lines, "RX2": still})
    found = check(bench, capture)
    assert [line.verdict for line in found.lines] == [Verdict.MEETS, Verdict.NOT_SHOWN]
    assert found.lines[1].why_not


def test_a_line_that_the_sheet_does_not_name_has_no_verdict(bench):
    found = check(bench, bench.record(PRESET), sheet=bench.sheet(bench.device("RX1")))
    assert [line.verdict for line in found.lines] == [Verdict.MEETS, None]
    assert found.verdict is Verdict.MEETS
    assert "no device to stop" in found.lines[1].sentence


def test_a_sheet_that_names_no_line_of_the_recording_shows_nothing(bench):
    found = check(bench, bench.record(PRESET), sheet=bench.sheet())
    assert found.judged == ()
    assert found.verdict is Verdict.NOT_SHOWN


def test_without_a_sheet_nothing_meets_the_limit(bench):
    found = check(bench, bench.record(PRESET), sheet=None, off_line="tx-on")
    assert found.verdict is Verdict.NOT_SHOWN


def test_the_worst_of_several_recordings_governs_and_is_named(bench):
    good = named(bench.record(PRESET), "monday.csv")
    bad = named(bench.record(HoldsLast()), "tuesday.csv")
    for order in ((good, bad), (bad, good)):
        found = check(bench, *order)
        assert found.verdict is Verdict.DOES_NOT_MEET
        assert all("tuesday.csv" in line.sentence for line in found.lines)


def test_the_trials_of_several_recordings_count_together(bench):
    """Four losses that all meet: 1 - 0.05^(1/4) = 0.527 (Clopper and Pearson 1934)."""
    captures = [named(bench.record(PRESET, losses=TWICE), f"{k}.csv") for k in range(2)]
    for line in check(bench, *captures).lines:
        assert (line.trials.meets, line.trials.fails, line.trials.not_shown) == (4, 0, 0)
        assert line.trials.bound == pytest.approx(0.527, abs=5e-4)


def test_a_recording_without_a_loss_takes_nothing_from_those_with_one(bench):
    """The marker is on throughout the second: it shows nothing, and says so."""
    whole = named(bench.record(PRESET), "whole.csv")
    quiet = named(clip(bench.record(PRESET), 0.0, 5.0), "quiet.csv")
    found = check(bench, whole, quiet)
    assert found.verdict is Verdict.MEETS
    assert any("shows on throughout" in said for said in found.recordings[1].heard.said)
    assert check(bench, quiet).verdict is Verdict.NOT_SHOWN


def test_a_loss_that_is_cut_short_in_one_recording_is_not_shown(bench):
    quiet = named(bench.record(PRESET, losses=(Loss(15.5),)), "short.csv")
    found = check(bench, named(bench.record(PRESET), "whole.csv"), quiet)
    assert found.verdict is Verdict.NOT_SHOWN
    assert "short.csv" in found.lines[0].sentence


def test_a_jump_on_re_link_is_a_hazard_and_not_a_verdict(bench):
    found = check(bench, bench.record(PRESET))
    assert found.verdict is Verdict.MEETS
    for line in found.lines:
        (hazard,) = line.hazards
        assert "runs at once" in hazard


def test_a_servo_that_jumps_is_no_hazard(bench):
    servo = bench.device("RX1", role="servo", stop_us=(1475.0, 1525.0))
    found = check(bench, bench.record(PRESET, other=False), sheet=bench.sheet(servo))
    assert found.lines[0].verdict is Verdict.MEETS
    assert found.lines[0].hazards == ()


@pytest.mark.parametrize("behaviour", [PRESET, PulsesStop(0.5)])
def test_a_recording_that_begins_in_a_loss_blames_no_line_for_it(bench, behaviour):
    """The first seconds of a signal loss are not 'before the link'."""
    part = clip(bench.record(behaviour), 6.2, 16.0)
    assert check(bench, part).verdict is Verdict.NOT_SHOWN
