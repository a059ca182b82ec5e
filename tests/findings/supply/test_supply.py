"""Given a supply of known sags beside a drill, they are found, timed, and weigh on the check."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loss_drill import Drill, check, sheet_of
from supply_bench import PS, supply_line, volts

from pwmscope.bench import BenchChannel, Receiver, parse_sheet
from pwmscope.capture import Line, load
from pwmscope.findings import Verdict, examine
from pwmscope.findings.failsafe import listen_to
from pwmscope.findings.sensors import find_sags

TEN = Drill()
HAND_S = 0.8


def sheet_with(**changes):
    sheet = sheet_of()
    a0 = BenchChannel("A0", "supply", "", 1000.0, None, 2000.0, None, None, None, None, **changes)
    receiver = Receiver(supply_v=(4.0, 8.4))
    channels = {**sheet.channels, "A0": a0}
    channels["RX3"] = replace(channels["RX3"], stall_a=2.0)
    return replace(sheet, channels=channels, receiver=receiver)


CAPTURE = TEN.capture()


def recorded(line):
    return replace(CAPTURE, lines={**CAPTURE.lines, "A0": line})


def findings_of(line, sheet=None):
    heard = listen_to(recorded(line), sheet=sheet_with() if sheet is None else sheet)
    return {finding.name: finding for finding in heard.found.supplies["A0"].findings}


def test_the_whole_examination_tells_the_same_of_the_supply():
    line = supply_line("A0", volts(TEN.end_s, [(1.0, 0.01, 1.5)]))
    found = examine(recorded(line), sheet=sheet_with()).sensors["A0"].findings
    assert {finding.name: finding for finding in found} == findings_of(line)


def test_sags_are_found_with_depth_and_length():
    sags = [(2.0, 0.004, 0.3), (3.1234, 0.05, 0.12), (5.5, 1.2, 0.8)]
    found, noise_v = find_sags(supply_line("A0", volts(20.0, sags)).voltage)
    assert len(found) == 3
    for k, (begin_s, lasts_s, depth_v) in enumerate(sags):
        assert found.begin_s[k] == pytest.approx(begin_s, abs=1.1e-3)
        assert found.end_s[k] == pytest.approx(begin_s + lasts_s, abs=1.1e-3)
        assert found.depth_v[k] == pytest.approx(depth_v, abs=5 * noise_v)
    assert noise_v == pytest.approx(0.01, rel=0.05)


def test_a_steady_supply_has_no_sag_and_a_margin():
    found = findings_of(supply_line("A0", volts(TEN.end_s, step_v=0.005)))
    assert found["supply voltage"].value == pytest.approx(5.0, abs=0.001)
    assert found["supply sags"].value == 0.0
    margin = found["brown-out margin"]
    assert margin.verdict is Verdict.MEETS
    assert 0.7 < margin.value < 1.0
    assert check(recorded(supply_line("A0", volts(TEN.end_s))), sheet=sheet_with()).verdict is (
        Verdict.MEETS
    )


def test_a_sag_below_the_least_breaks_the_margin():
    line = supply_line("A0", volts(TEN.end_s, [(1.0, 0.01, 1.5)]))
    margin = findings_of(line)["brown-out margin"]
    assert margin.verdict is Verdict.DOES_NOT_MEET
    assert "below the 4 V that the receiver needs" in margin.sentence


def test_a_loss_in_which_the_supply_fails_is_not_shown_to_meet():
    off_s = TEN.spans[4][0]
    line = supply_line("A0", volts(TEN.end_s, [(off_s + 0.3, 0.02, 2.0)]))
    found = check(recorded(line), sheet=sheet_with())
    for own in found.lines:
        verdicts = [event.verdict for _, event in own.losses]
        assert verdicts.count(Verdict.NOT_SHOWN) == 1
        assert verdicts[4] is Verdict.NOT_SHOWN
        assert "supply sagged to" in own.losses[4][1].reason
    # Without what showed it nothing is better known: the sheet still names the line.
    missing = check(TEN, sheet=sheet_with())
    assert missing.verdict is Verdict.NOT_SHOWN
    assert "A0" in missing.lines[0].sentence


ORDER = (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN, Verdict.MEETS)


@settings(max_examples=6, deadline=None, derandomize=True)
@given(
    at_s=st.floats(0.5, TEN.end_s - 1.5),
    lasts_s=st.sampled_from([0.004, 0.02, 0.5]),
    depth_v=st.floats(0.2, 2.5),
)
def test_a_supply_that_the_sheet_does_not_list_makes_nothing_better(at_s, lasts_s, depth_v):
    capture = recorded(supply_line("A0", volts(TEN.end_s, [(at_s, lasts_s, depth_v)])))
    listed = check(capture, sheet=sheet_with())
    unlisted = check(capture, sheet=sheet_of())
    assert ORDER.index(unlisted.verdict) <= ORDER.index(listed.verdict)


def test_a_sagging_supply_that_the_sheet_does_not_list_is_named():
    off_s = TEN.spans[4][0]
    capture = recorded(supply_line("A0", volts(TEN.end_s, [(off_s + 0.3, 0.02, 2.0)])))
    found = check(capture, sheet=sheet_of())
    assert found.verdict is Verdict.NOT_SHOWN
    assert [left.what for left in found.left_out if left.weighs] == ["A0"]
    # One that stands still says nothing of the losses.
    steady = check(recorded(supply_line("A0", volts(TEN.end_s))), sheet=sheet_of())
    assert steady.verdict is Verdict.MEETS


def test_a_supply_line_that_the_recording_lacks_is_told_and_meets_nothing():
    (margin,) = examine(TEN.capture(), sheet=sheet_with()).sensors["A0"].judged
    assert margin.verdict is Verdict.NOT_SHOWN
    assert margin.sentence.startswith("The sheet names A0, and the recording does not hold it.")


def test_the_source_resistance_is_that_of_ohms_law():
    """R = 0.15 ohm, 2 A while the weapon's stick moves alone: V = E - I R."""
    moves_s = [span[0] - 2.2 + 1.0 for span in TEN.spans]
    line = supply_line("A0", volts(TEN.end_s, [(at_s + 0.2, 0.2, 0.3) for at_s in moves_s]))
    found = findings_of(line)
    assert found["source resistance"].value == pytest.approx(0.15, rel=0.1)
    assert "RX3 moves in 10" in found["causes of sags"].sentence


@pytest.mark.parametrize(
    ("scale", "said", "changes"),
    [(1000.0, "probe = 0.001", {"probe": 0.001}), (0.1, "probe = 10", {"probe": 10.0})],
)
def test_a_column_in_millivolts_or_behind_a_probe_is_said_in_one_sentence(scale, said, changes):
    line = supply_line("A0", volts(TEN.end_s), scale)
    wrong = findings_of(line)
    assert all(f.verdict is Verdict.NOT_SHOWN and said in f.sentence for f in wrong.values())
    right = findings_of(line, sheet_with(**changes))
    assert right["supply voltage"].value == pytest.approx(5.0, abs=0.01)


def test_an_input_that_clips_is_said():
    clipped = np.minimum(volts(TEN.end_s, [(2.0, 5.0, 0.6)]), 4.9)
    found = findings_of(supply_line("A0", clipped))
    assert "clips" in found["supply voltage"].sentence
    assert found["brown-out margin"].verdict is Verdict.NOT_SHOWN


def comparator(lows, end_s=TEN.end_s):
    edges = np.rint(np.array(lows).ravel() * PS).astype(np.int64)
    assert edges.size == 0 or edges[-1] <= end_s * PS
    return Line("A0", edges, 1)


def test_a_comparators_dips_are_counted_and_held():
    sheet = sheet_with(trips_v=4.5)
    dips = findings_of(comparator([(2.0, 2.005), (4.0, 4.1)]), sheet)
    assert dips["supply sags"].value == 2.0
    assert dips["brown-out margin"].verdict is Verdict.NOT_SHOWN
    never = findings_of(comparator([]), sheet)
    assert never["brown-out margin"].verdict is Verdict.MEETS
    low = findings_of(comparator([(2.0, 2.005)]), sheet_with(trips_v=3.9))
    assert low["brown-out margin"].verdict is Verdict.DOES_NOT_MEET


def test_a_restart_with_a_sag_is_a_supply_fault():
    spans = TEN.spans[0]
    capture = TEN.capture()
    quiet = (spans[2] + 1.6, spans[2] + 2.2)
    lines = {}
    for name, line in capture.lines.items():
        rises, falls = line.rises_ps(), line.falls_ps()
        count = min(rises.size, falls.size)
        kept = (rises[:count] < quiet[0] * PS) | (rises[:count] > quiet[1] * PS)
        edges = np.stack([rises[:count][kept], falls[:count][kept]], axis=1).ravel()
        lines[name] = line if name == "tx-on" else replace(line, edges_ps=edges)
    lines["A0"] = supply_line("A0", volts(TEN.end_s, [(quiet[0] - 0.05, 0.2, 2.2)]))
    heard = listen_to(replace(capture, lines=lines), sheet=sheet_with())
    found = next(iter(heard.found.line_losses.values())).findings
    restart = next(f for f in found if f.name == "supply or receiver restart")
    assert "a supply fault, not a loss of radio" in restart.sentence


def test_a_voltage_column_keeps_each_millisecond(tmp_path):
    samples = volts(2.0, [(1.0, 0.05, 1.0)])
    time_s = np.arange(samples.size) / 20_000
    pulse = (time_s % 0.02 < 0.0015).astype(int)
    rows = "\n".join(f"{t:.5f},{p},{v:.4f}" for t, p, v in zip(time_s, pulse, samples, strict=True))
    path = tmp_path / "supply.csv"
    path.write_text(f"time_s,RX1,A0\n{rows}\n")
    kept = load(path).lines["A0"].voltage
    assert kept.step_ps == pytest.approx(1e9, rel=1e-6)
    each = np.round(samples, 4).reshape(-1, 20)
    assert kept.least_v == pytest.approx(each.min(axis=1), abs=1e-5)
    assert kept.mean_v == pytest.approx(each.mean(axis=1), abs=1e-5)
    assert kept.most_v == pytest.approx(each.max(axis=1), abs=1e-5)
    sags, _ = find_sags(kept)
    assert sags.begin_s == pytest.approx([1.0], abs=1.1e-3)


def test_sensors_take_their_own_keys_only():
    sheet = parse_sheet('[channels.A0]\nrole = "supply"\nleast_v = 4.2\nprobe = 10\n')
    assert (sheet.channels["A0"].least_v, sheet.channels["A0"].probe) == (4.2, 10.0)
    assert sheet.devices == ()
    for wrong in (
        '[channels.A0]\nrole = "supply"\nstop_us = 1500',
        '[channels.D6]\nrole = "rotation"\nof = "RX9"',
        '[channels.D6]\nrole = "rotation"',
        '[channels.RX3]\nrole = "weapon"\nmarks_per_turn = 2',
    ):
        with pytest.raises(Exception, match="expected"):
            parse_sheet(wrong)
