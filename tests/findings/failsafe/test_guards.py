"""A kill channel: shown to cut, what it guards stands still; never recorded, it excuses nothing."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from loss_drill import PS, Drill, check, device, holds, preset, sheet_of, steps, stops_then

from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict
from pwmscope.model import HazardKind
from pwmscope.report.answer import make_answer
from pwmscope.report.evidence import Evidence as ReportEvidence
from pwmscope.report.robots import robot_answer

KILL = replace(device("RX2"), role="kill", guards=("RX3",))
RUNS_ON = {"RX1": preset(1507.0, 0.5), "RX2": preset(1507.0, 0.5), "RX3": holds}


def found(behave, channels, *more):
    sheet = sheet_of()
    return check(Drill(behave, losses=10), *more, sheet=replace(sheet, channels=channels))


def booted(capture, widths_us, link_s=3.0):
    """The same, after a receiver with power from 0.5 s on and a transmitter from ``link_s`` on."""
    at_s = np.arange(0.504, link_s - 0.02, 0.02)
    lines = {}
    for name, line in capture.lines.items():
        width_us = widths_us.get(name)
        boot_s = np.stack([at_s, at_s + (width_us or 0.0) / 1e6], axis=1).ravel()
        boot_s = np.array([link_s]) if name == "tx-on" else boot_s[: boot_s.size * bool(width_us)]
        boot_ps = np.rint(boot_s * 1e6).astype(np.int64) * 10**6
        edges_ps = np.concatenate([boot_ps, line.edges_ps + round(link_s * PS)])
        lines[name] = Line(name, edges_ps, 0)
    duration_ps = capture.duration_ps + round(link_s * PS)
    return Capture(lines, duration_ps, capture.sample_interval_ps, "booted.csv")


def without(capture, *names):
    lines = {name: line for name, line in capture.lines.items() if name not in names}
    return replace(capture, lines=lines)


def verdict_of(result, name):
    return next(line.verdict for line in result.lines if line.line == name)


@pytest.fixture
def channels():
    return {line: device(line) for line in ("RX1", "RX2", "RX3")}


def test_what_runs_on_without_a_kill_channel_does_not_meet(channels):
    result = found(RUNS_ON, channels)
    assert verdict_of(result, "RX3") is result.verdict is Verdict.DOES_NOT_MEET


def test_a_kill_channel_shown_to_cut_stops_what_it_guards_and_says_so(channels):
    result = found(RUNS_ON, channels | {"RX2": KILL})
    assert verdict_of(result, "RX3") is Verdict.MEETS
    line = next(line for line in result.lines if line.line == "RX3")
    assert line.is_guarded
    assert "RX2" in line.guard.sentence


def test_a_kill_channel_that_is_recorded_but_not_shown_leaves_it_open(channels):
    result = found(RUNS_ON, channels | {"RX2": replace(KILL, stop_us=None)})
    assert verdict_of(result, "RX2") is Verdict.NOT_SHOWN
    assert verdict_of(result, "RX3") is Verdict.NOT_SHOWN


def test_a_kill_channel_that_goes_on_excuses_nothing(channels):
    result = found(RUNS_ON | {"RX2": holds}, channels | {"RX2": KILL})
    assert verdict_of(result, "RX3") is Verdict.DOES_NOT_MEET


def test_a_kill_channel_that_no_recording_holds_excuses_nothing(channels):
    """One proven failure governs, whatever else could not be judged."""
    unseen = replace(KILL, line="RX5") if hasattr(KILL, "line") else KILL
    result = found(RUNS_ON, channels | {"RX5": unseen})
    assert verdict_of(result, "RX3") is result.verdict is Verdict.DOES_NOT_MEET


@pytest.mark.parametrize("losses", [1, 10])
def test_what_runs_on_where_its_kill_channel_is_not_recorded_is_not_excused(channels, losses):
    """Another recording shows that it cuts, and that says nothing of this one."""
    alone = without(Drill(RUNS_ON, losses=losses, seed=5, source="b.csv").capture(), "RX2")
    result = found(RUNS_ON, channels | {"RX2": KILL}, alone)
    assert verdict_of(result, "RX2") is Verdict.NOT_SHOWN
    assert verdict_of(result, "RX3") is result.verdict is Verdict.DOES_NOT_MEET
    line = next(line for line in result.lines if line.line == "RX3")
    assert not line.is_guarded
    assert "b.csv" in line.sentence


def before_the_link(channels, kill_us, **changes):
    """A weapon that runs at a stale width before the link, and what the kill channel does then."""
    capture = booted(Drill(RUNS_ON).capture(), {"RX1": 1500.0, "RX2": kill_us, "RX3": 1600.0})
    kill = replace(KILL, **changes)
    return check(capture, sheet=replace(sheet_of(), channels=channels | {"RX2": kill}))


def test_a_weapon_that_runs_before_the_link_meets_where_its_kill_channel_cuts_then(channels):
    result = before_the_link(channels, 1500.0, no_pulses=None, no_pulses_after_s=None)
    assert verdict_of(result, "RX3") is Verdict.MEETS


@pytest.mark.parametrize(("kill_us", "verdict"), [(1507.0, "meets"), (None, "not shown")])
def test_a_weapon_that_runs_as_the_transmitter_boots_needs_a_cut_then(channels, kill_us, verdict):
    """The transmitter is on from 1 s on, and its link there from 3 s on."""
    capture = booted(Drill().capture(), {"RX1": 1507.0, "RX2": kill_us, "RX3": 1600.0})
    lines, marker_ps = dict(capture.lines), capture.lines["tx-on"].edges_ps.copy()
    marker_ps[0] = PS
    boot_ps = lines["RX3"].edges_ps
    late = (boot_ps > 3 * PS // 2) | (boot_ps < 0)
    lines |= {"tx-on": Line("tx-on", marker_ps, 0), "RX3": Line("RX3", boot_ps[late], 0)}
    kill = replace(KILL, no_pulses="keeps going", no_pulses_after_s=None)
    sheet = replace(sheet_of(), channels=channels | {"RX2": kill})
    assert verdict_of(check(replace(capture, lines=lines), sheet=sheet), "RX3") == verdict


@pytest.mark.parametrize("no_pulses", ["keeps going", None])
def test_a_kill_channel_silent_before_the_link_does_not_show_that_it_cuts(channels, no_pulses):
    result = before_the_link(channels, None, no_pulses=no_pulses, no_pulses_after_s=None)
    assert verdict_of(result, "RX2") is Verdict.MEETS
    assert verdict_of(result, "RX3") is Verdict.NOT_SHOWN
    line = next(line for line in result.lines if line.line == "RX3")
    assert line.is_guarded
    assert "before the link" in line.sentence


def test_a_kill_channel_that_cuts_without_pulses_cuts_before_the_link(channels):
    assert verdict_of(before_the_link(channels, None), "RX3") is Verdict.MEETS


def test_a_kill_channel_that_gives_power_before_the_link_does_not_meet(channels):
    assert verdict_of(before_the_link(channels, 1900.0), "RX3") is Verdict.DOES_NOT_MEET


# --- a weapon on a second receiver, back later than the one of its kill channel ---


@dataclass(frozen=True)
class Later(Drill):
    """A drill of a second receiver: its link is back so much later in some losses."""

    after_s: float = 0.0
    every: int = 1

    @property
    def spans(self):
        told = super().spans
        return [
            (off_s, on_s, follows_s + self.after_s * (k % self.every == 0))
            for k, (off_s, on_s, follows_s) in enumerate(told)
        ]


def two_receivers(weapon, after_s, ppm=30.0, hands=None, every=1):
    """RX1 and the kill channel RX2 on one receiver; the weapon RX3 on another."""
    first = Drill({name: RUNS_ON[name] for name in ("RX1", "RX2")}, hands=hands)
    way = {"RX3": np.array(Drill().way("RX3")).T}
    second = Later({"RX3": weapon}, hands=way, after_s=after_s, every=every, seed=9)
    capture, line = first.capture(), second.capture().lines["RX3"]
    edges_ps = line.edges_ps + np.rint(line.edges_ps * (1e-6 * ppm)).astype(np.int64)
    return replace(capture, lines={**capture.lines, "RX3": Line("RX3", edges_ps, 0)})


@given(
    weapon=st.sampled_from(
        [holds, preset(1800.0), stops_then(1700.0), steps((0.5, 1000.0), (3.0, 1700.0))]
    ),
    after_s=st.floats(0.1, 2.2),
    ppm=st.one_of(st.floats(5.0, 60.0), st.floats(-60.0, -5.0)),
    every=st.sampled_from([1, 3]),
    named=st.booleans(),
)
@settings(max_examples=5, deadline=None)
def test_a_kill_channel_excuses_no_run_after_its_own_return(weapon, after_s, ppm, every, named):
    """It gives power again while the weapon's receiver is still without link."""
    capture = two_receivers(weapon, after_s, ppm, every=every)
    channels = {"RX1": device("RX1"), "RX2": KILL, "RX3": device("RX3")}
    if named:
        channels["RX3"] = replace(channels["RX3"], receiver="two")
    result = check(capture, sheet=replace(sheet_of(), channels=channels))
    assert verdict_of(result, "RX2") is Verdict.MEETS
    assert verdict_of(result, "RX3") is not Verdict.MEETS


def test_what_the_kill_channel_no_longer_covers_is_said_with_what_to_do(channels):
    capture = two_receivers(holds, 1.6)
    result = check(capture, sheet=replace(sheet_of(), channels=channels | {"RX2": KILL}))
    line = next(line for line in result.lines if line.line == "RX3")
    assert (line.verdict, line.guard.uncovered) == (Verdict.NOT_SHOWN, 10)
    assert line.is_guarded
    assert line.sentence.to_do.startswith("Leave its switch at off")


@pytest.mark.parametrize("every", [1, 4])
def test_a_kill_channel_left_off_until_the_weapon_follows_covers_its_late_return(channels, every):
    """The switch gives power before each loss, is at off by the return and on again later."""
    way = [(0.0, 1500.0)]
    for k, (off_s, on_s, follows_s) in enumerate(Drill().spans):
        out_us = 1700.0 + 10.0 * k
        way += [(off_s - 1.7, 1500.0), (off_s - 1.4, out_us), (off_s + 1.2, out_us)]
        way += [(off_s + 1.4, 1500.0), (follows_s + 1.5, 1500.0)]
        assert on_s > off_s + 1.4
    capture = two_receivers(holds, 0.4, hands={"RX2": way}, every=every)
    result = check(capture, sheet=replace(sheet_of(), channels=channels | {"RX2": KILL}))
    assert verdict_of(result, "RX2") is Verdict.MEETS
    assert verdict_of(result, "RX3") is Verdict.MEETS


def test_a_device_without_a_pin_on_another_receiver_is_not_shown(channels):
    hidden = replace(device("RX3"), no_pin=True)
    for receiver, verdict in (("", Verdict.MEETS), ("two", Verdict.NOT_SHOWN)):
        sheet = replace(
            sheet_of(), channels=channels | {"RX2": KILL, "RX3": replace(hidden, receiver=receiver)}
        )
        result = check(without(Drill(RUNS_ON).capture(), "RX3"), sheet=sheet)
        assert verdict_of(result, "RX3") is verdict


def test_a_weapon_that_leaves_its_preset_while_the_kill_channel_gives_power_again(channels):
    """It stands in its stop range for a second after the transmitter is on, and then runs."""
    longest_s = max(on_s - off_s for off_s, on_s, _ in Drill().spans)
    leaves = steps((0.5, 1000.0), (longest_s + 1.2, 1700.0))
    capture = two_receivers(leaves, 2.2)
    result = check(capture, sheet=replace(sheet_of(), channels=channels | {"RX2": KILL}))
    assert verdict_of(result, "RX3") is not Verdict.MEETS


@pytest.mark.parametrize(
    ("stops_s", "verdict"), [(0.7, Verdict.MEETS), (99.0, Verdict.DOES_NOT_MEET)]
)
def test_the_rotor_of_a_device_without_a_pin_shows_whether_the_cut_stops_it(
    channels, stops_s, verdict
):
    """Its marks come at 40 a second, but not from so long after a loss to the return."""
    drill, turns = Drill(RUNS_ON), replace(device("RX3"), no_pin=True)
    at_s = np.arange(0.0, drill.end_s, 0.025)
    for off_s, on_s, _ in drill.spans:
        at_s = at_s[(at_s < off_s + stops_s) | (at_s > on_s)]
    edges_s = np.stack([at_s, at_s + 0.004], axis=1).ravel()
    marks = Line("D6", np.rint(edges_s * 1e6).astype(np.int64) * 10**6, 0)
    sensor = replace(device("RX3"), line="D6", role="rotation", of="RX3", marks_per_turn=2)
    sheet = replace(sheet_of(), channels=channels | {"RX2": KILL, "RX3": turns, "D6": sensor})
    capture = without(drill.capture(), "RX3")
    seen = replace(capture, lines={**capture.lines, "D6": marks})
    assert verdict_of(check(seen, sheet=replace(sheet, weapon_motion_s=2.0)), "RX3") is verdict
    assert verdict_of(check(capture, sheet=sheet), "RX3") is Verdict.NOT_SHOWN


def hazards_with(behave, channels, **more):
    found_hazards = found(behave, channels | {"RX2": KILL}, **more).hazards
    return {hazard.kind: hazard for hazard in found_hazards}


def test_a_relay_runs_nothing_but_gives_power_to_what_is_commanded_to_run(channels):
    """RX3 holds its width over each loss, so that it runs as soon as RX2's relay closes."""
    hazards = hazards_with(RUNS_ON, channels)
    power = hazards[HazardKind.POWER]
    assert power.lines == ("RX3", "RX2")
    assert power.width_us == pytest.approx(1500.0, abs=2.0)  # That of the first loss
    assert (power.times, power.losses) == (10, 10)
    assert "RX2 gives RX3 power again" in power.sentence
    assert "RX2" not in hazards[HazardKind.STICK_HELD].lines


def test_a_relay_that_closes_on_a_stopped_weapon_is_no_hazard(channels):
    """The weapon's stick rests in its stop range throughout, with pulses on its line."""
    resting = Drill(RUNS_ON, losses=10, hands={"RX3": [(0.0, 1000.0)]})
    sheet = replace(sheet_of(), channels=channels | {"RX2": KILL})
    hazards = check(resting, sheet=sheet).hazards
    assert [hazard.lines for hazard in hazards] == [("RX1",)]


def test_of_a_device_that_is_not_recorded_nobody_knows_that_it_stands_still(channels):
    sheet = replace(sheet_of(), channels=channels | {"RX2": KILL})
    hazards = check(without(Drill(RUNS_ON).capture(), "RX3"), sheet=sheet).hazards
    power = next(hazard for hazard in hazards if hazard.kind is HazardKind.POWER)
    assert (power.lines, power.width_us) == (("RX3", "RX2"), None)


def test_a_list_counts_losses_as_the_failsafe_does_its_kill_channels_included(channels):
    sheet = replace(sheet_of(), channels=channels | {"RX2": KILL})
    for behave, met in ((RUNS_ON, 10), ({**RUNS_ON, "RX2": holds}, 0)):
        result = check(Drill(behave, losses=10), sheet=sheet)
        kept = robot_answer(make_answer(ReportEvidence(result, sheet)), result)
        assert (result.verdict is Verdict.MEETS) == bool(met)
        assert sum(trial.meets for trial in kept.trials) == met
