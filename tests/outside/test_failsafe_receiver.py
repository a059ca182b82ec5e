"""A receiver with link and failsafe, simulated in Verilog: what it did is known.

Sources: the receiver's state machine, its transmitter and the hands on the sticks
are written for IEEE Std 1364 (Verilog) and run by Icarus Verilog (Debian package
``iverilog``), which writes the dump (same standard). That a receiver holds for a
while and then goes to presets or stops its pulses, that a drive stops at neutral
and a weapon at its low end, and that motors must stand within a second or two of
the transmitter's going off is common practice.
"""

import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.findings.failsafe import LossClass, PhaseKind

BENCH = Path(__file__).parent / "failsafe_receiver.v"
LINES = ("rx1", "rx2", "rx3", "rx4")
PRESETS_US = {"rx1": 1500.250, "rx2": None, "rx3": 1000.125}
FOLLOWS, HOLDS, LOST = 1, 2, 3
OWN_S = 0.1
PACKET_S, WATCH_S = 5.003e-3, 1e-3
WATCHED = {
    "50 Hz, holds 0.4 s": {"hold_ms": 400, "period_ns": 20_000_013, "relink": 60},
    "71 Hz, holds 0.8 s": {"hold_ms": 800, "period_ns": 14_000_037, "relink": 90},
    "143 Hz, holds 1.1 s": {"hold_ms": 1100, "period_ns": 7_000_021, "relink": 30},
    "50 Hz, holds 2.3 s": {"hold_ms": 2300, "period_ns": 20_000_013, "relink": 60},
}


SHEET = parse_sheet("""
[limits]
failsafe_s = 2
[marker]
line = "tx_on"
on = "high"
kind = "switch"
[channels]
rx1 = { role = "drive-left", stop_us = [1480, 1520], no_pulses = "stops", no_pulses_after_s = 0.1 }
rx2 = { role = "drive-right", stop_us = [1480, 1520], no_pulses = "stops", no_pulses_after_s = 0.1 }
rx3 = { role = "weapon", stop_us = [900, 1020] }
rx4 = { role = "servo", stop_us = [1490, 1530] }
""")
HOLD_THEN = {
    "rx1": (LossClass.GOES_TO_PRESET, PhaseKind.PRESET),
    "rx2": (LossClass.PULSES_STOP, PhaseKind.STOPS),
    "rx3": (LossClass.GOES_TO_PRESET, PhaseKind.PRESET),
}
MEETS, BREAKS, OPEN = pwmscope.Verdict


@dataclass(frozen=True)
class TrueLoss:
    """One loss: switch and states in seconds, widths in microseconds by line."""

    off_s: float
    on_s: float
    holds_s: float
    over_s: float
    follows_s: float
    held_us: dict
    stick_us: dict


@dataclass(frozen=True)
class Bench:
    capture: pwmscope.Capture
    losses: tuple
    hold_s: float
    frame_s: float
    relink_s: float


def run_bench(require_program, folder, values):
    build = [require_program("iverilog"), "-g2005", "-Wall", "-o", "bench", str(BENCH)]
    subprocess.run(build, cwd=folder, check=True, timeout=60)
    run = [require_program("vvp"), "-n", "bench", *(f"+{k}={v}" for k, v in values.items())]
    done = subprocess.run(run, cwd=folder, check=True, timeout=60, capture_output=True, text=True)
    said = [line.split() for line in done.stdout.splitlines()]
    switch = [tuple(map(int, words[1:])) for words in said if words[0] == "switch"]
    states = [tuple(map(int, words[1:])) for words in said if words[0] == "state"]

    def losses():
        for off, on in zip(switch[0::2], switch[1::2], strict=True):
            after = [state for state in states if state[0] >= off[0]]
            holds, over, follows = (
                next(state for state in after if state[1] == wanted)
                for wanted in (HOLDS, LOST, FOLLOWS)
            )
            yield TrueLoss(
                *(words[0] / 1e9 for words in (off, on, holds, over, follows)),
                held_us=dict(zip(LINES, np.array(holds[2:]) / 1e3, strict=True)),
                stick_us=dict(zip(LINES, np.array(follows[2:]) / 1e3, strict=True)),
            )

    return Bench(
        pwmscope.load(folder / "failsafe_receiver.vcd", rate=1e9),
        tuple(losses()),
        values["hold_ms"] / 1e3,
        values["period_ns"] / 1e9,
        values["relink"] * PACKET_S,
    )


@pytest.fixture(scope="module", params=WATCHED.values(), ids=WATCHED)
def bench(request, require_program, tmp_path_factory):
    return run_bench(require_program, tmp_path_factory.mktemp("verilog"), request.param)


def test_the_machine_kept_its_times(bench):
    """The truth itself: hold, and the delay after the link is back, as set."""
    assert len(bench.losses) == 3
    for loss in bench.losses:
        assert -PACKET_S <= loss.over_s - loss.off_s - bench.hold_s <= WATCH_S
        assert -PACKET_S <= loss.follows_s - loss.on_s - bench.relink_s <= WATCH_S


def test_the_dump_shows_what_the_machine_did(bench):
    """Held widths, presets and silence, pulse by pulse, where the states say so."""
    tables = pwmscope.decode(bench.capture)
    for loss in bench.losses:
        for line in LINES:
            table = tables[line]
            held = (table.rise_s > loss.holds_s) & (table.rise_s < loss.over_s)
            np.testing.assert_allclose(table.width_us[held], loss.held_us[line], atol=1e-3)
            frames = (loss.over_s - loss.holds_s) / bench.frame_s
            assert abs(np.count_nonzero(held) - frames) <= 1
            then = (table.rise_s > loss.over_s + 1e-5) & (table.rise_s < loss.follows_s)
            preset_us = PRESETS_US.get(line, loss.held_us[line])
            if preset_us is None:
                assert not then.any()
            else:
                np.testing.assert_allclose(table.width_us[then], preset_us, atol=1e-3)


@pytest.fixture(scope="module")
def channels(bench):
    return pwmscope.examine(bench.capture, sheet=SHEET).channels


def phases_after(event, frame_s):
    """Give the phases but for what was still under way when the switch went."""
    on_the_way = [phase for phase in event.phases if phase.kind is PhaseKind.FOLLOWS_ON]
    assert all(phase.end_s - event.lost_s <= PACKET_S + 2 * frame_s for phase in on_the_way)
    return [phase for phase in event.phases if phase.kind is not PhaseKind.FOLLOWS_ON]


def test_every_loss_is_found_at_its_switch(bench, channels):
    for channel in channels.values():
        lost_s = [event.lost_s for event in channel.losses.events]
        np.testing.assert_allclose(lost_s, [loss.off_s for loss in bench.losses], atol=2e-9)
        assert all(event.is_marked for event in channel.losses.events)


@pytest.mark.parametrize("line", HOLD_THEN)
@pytest.mark.parametrize("number", [0, 1], ids=["stick held", "stick moving"])
def test_a_hold_and_what_follows_it_is_a_sequence_with_times(bench, channels, line, number):
    """Class, sequence, levels and times of the machine; times within one frame."""
    loss, event = bench.losses[number], channels[line].losses.events[number]
    behaviour, then = HOLD_THEN[line]
    assert event.behaviour is behaviour
    holds, last = phases_after(event, bench.frame_s)
    assert (holds.kind, last.kind) == (PhaseKind.HOLDS, then)
    assert holds.level_us == pytest.approx(loss.held_us[line], abs=1e-3)
    if PRESETS_US[line] is not None:
        assert last.level_us == pytest.approx(PRESETS_US[line], abs=1e-3)
    assert 0 <= last.start_s - loss.over_s <= bench.frame_s
    assert last.end_s == pytest.approx(loss.on_s, abs=2e-9)
    assert abs(event.settle_s - bench.hold_s) <= bench.frame_s
    least_s, most_s = event.stop_bounds_s
    over_s = loss.over_s - loss.off_s
    if PRESETS_US[line] is None:  # from its last pulse, up to a frame before, the device runs on
        assert least_s - OWN_S <= over_s <= most_s - OWN_S + bench.frame_s
    else:
        assert least_s <= over_s <= most_s
    assert most_s - least_s <= bench.frame_s + 1e-3


def test_a_receiver_that_only_holds_is_told_from_one_at_rest(bench, channels):
    """Common practice: a receiver that holds the last widths fails."""
    held, moving, at_rest = channels["rx4"].losses.events
    for loss, event in zip(bench.losses, (held, moving), strict=False):
        assert event.behaviour is LossClass.HOLDS_LAST
        (holds,) = phases_after(event, bench.frame_s)
        assert holds.kind is PhaseKind.HOLDS
        assert holds.level_us == pytest.approx(loss.held_us["rx4"], abs=1e-3)
        assert event.verdict is BREAKS
    assert at_rest.behaviour is None
    assert at_rest.verdict is OPEN
    assert channels["rx4"].losses.finding.verdict is BREAKS


def test_a_stick_at_rest_shows_silence_but_neither_hold_nor_preset(bench, channels):
    loss = bench.losses[2]
    for line in ("rx1", "rx3", "rx4"):
        event = channels[line].losses.events[2]
        assert event.behaviour is None
        assert event.verdict is OPEN
        assert "look alike" in event.reasons["class"]
    event = channels["rx2"].losses.events[2]
    assert event.behaviour is LossClass.PULSES_STOP
    assert [phase.kind for phase in event.phases] == [PhaseKind.STANDS, PhaseKind.STOPS]
    assert 0 <= event.phases[1].start_s - loss.over_s <= bench.frame_s


def test_the_verdict_is_that_of_the_hold_time(bench, channels):
    """Common practice: motors stand within two seconds, or the check fails."""
    wanted = MEETS if bench.hold_s < 2 else BREAKS
    for line in HOLD_THEN:
        events = channels[line].losses.events
        assert [event.verdict for event in events[:2]] == [wanted, wanted]
        assert events[2].verdict is not BREAKS
        assert events[2].verdict is OPEN
    # With every stick at rest nothing changed with its pulses: a probe that falls off looks so.
    assert channels["rx2"].losses.finding.verdict is (OPEN if wanted is MEETS else BREAKS)
    assert channels["rx1"].losses.finding.verdict is (OPEN if wanted is MEETS else BREAKS)


def test_the_link_is_back_with_a_jump_to_the_stick(bench, channels):
    """The sticks stayed where they were: each output jumps there when the machine follows."""
    loss = bench.losses[0]
    for line in HOLD_THEN:
        event = channels[line].losses.events[0]
        assert 0 <= event.recovered_s - loss.follows_s <= bench.frame_s
        assert abs(event.recovery.relink_s - bench.relink_s) <= bench.frame_s + PACKET_S
        before_us, after_us = event.recovery.jump_us
        if PRESETS_US[line] is None:
            assert before_us is None
        else:
            assert before_us == pytest.approx(PRESETS_US[line], abs=1e-3)
        assert after_us == pytest.approx(loss.stick_us[line], abs=1e-3)
    for line in ("rx1", "rx2", "rx3"):  # brought back to rest while the link was gone
        assert channels[line].losses.events[1].recovery.jump_us is None


def test_a_failing_supply_is_no_loss_of_the_link(require_program, tmp_path):
    """All outputs stop at once and come back after the search, with the transmitter on."""
    values = {"hold_ms": 400, "period_ns": 20_000_013, "relink": 60, "restart": 3500}
    bench = run_bench(require_program, tmp_path, values)
    for channel in pwmscope.examine(bench.capture, sheet=SHEET).channels.values():
        restart, *losses = channel.losses.events
        assert restart.is_restart
        assert restart.verdict is OPEN
        assert 3.5 <= restart.lost_s <= 3.5 + bench.frame_s
        follows_s = 3.54 + bench.relink_s
        assert abs(restart.recovered_s - follows_s) <= bench.frame_s
        assert not any(event.is_restart for event in losses)
        assert len(losses) == len(bench.losses)
        told = {finding.name: finding.verdict for finding in channel.losses.findings}
        assert told["supply or receiver restart"] is BREAKS
