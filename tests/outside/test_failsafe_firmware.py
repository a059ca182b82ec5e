"""A receiver's firmware with a watchdog on its link, run in a simulated chip.

Sources: the firmware in ``firmware/failsafe_receiver.c`` is built with gcc for AVR
(Debian packages ``gcc-avr``, ``avr-libc``) and run by the simulator simavr
(``simavr``, ``libsimavr-dev``). The link is a value change dump that this test
writes and the simulator plays to an input pin, so the last packet before each loss
and the packet that ends the search are known to the microsecond. The chip counts
time by its own timers; its pulses are made by software and late by a few
microseconds. That a weapon's pulses stop and a drive goes to neutral is one of the
usual settings (common practice).
"""

import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.findings.failsafe import LossClass, PhaseKind

FIRMWARE = Path(__file__).parent / "firmware" / "failsafe_receiver.c"
CLOCK_HZ = 8_000_000
PACKET_US = 13_000
NEUTRAL_US = 1500
TICK_S = 1e-3
SOFTWARE_US = 5.0
"""How late the software may be with an edge, by its longest interrupt."""
END_S = 11.8
OFF_S, ON_S = (2.5, 7.5), (5.0, 10.0)
HANDS = ([0.0, 1.0, 2.0, 6.0, 8.0, 8.4], [1500.0, 1500.0, 1720.0, 1720.0, 1300.0, 1500.0])
"""Seconds and the width that the stick commands, straight lines between."""
SHEET = parse_sheet("""
[marker]
line = "tx_on"
on = "high"
kind = "switch"
[channels]
drive = { role = "drive-left", neutral_us = 1500, deadband_us = 40 }
weapon = { role = "weapon", no_pulses = "stops", no_pulses_after_s = 0.1 }
""")
THEN = {
    "drive": (LossClass.GOES_TO_PRESET, PhaseKind.PRESET),
    "weapon": (LossClass.PULSES_STOP, PhaseKind.STOPS),
}
SETTINGS = {
    "50 Hz, holds 0.6 s": {"HOLD_MS": 600, "RELINK": 40, "FRAME_US": 20_000},
    "111 Hz, holds 1.2 s": {"HOLD_MS": 1200, "RELINK": 25, "FRAME_US": 9_000},
}


def packets():
    """Give begin and end of every packet in whole microseconds; the length is the command."""
    begin_us = np.arange(3_000, int(END_S * 1e6) - 20_000, PACKET_US)
    width_us = np.rint(np.interp(begin_us / 1e6, *HANDS)).astype(np.int64)
    end_us = begin_us + 4 * width_us
    sent = np.ones(begin_us.size, bool)
    for off_s, on_s in zip(OFF_S, ON_S, strict=True):
        sent &= (end_us < off_s * 1e6) | (begin_us > on_s * 1e6)
    return begin_us[sent], end_us[sent], width_us[sent]


def write_link(path):
    """Write the link and the switch as the simulator wants its inputs: port D, pins 2 and 3."""
    begin_us, end_us, _ = packets()
    changes = [(0, '1"'), (0, "0!")]
    changes += [(int(t), "1!") for t in begin_us] + [(int(t), "0!") for t in end_us]
    changes += [(int(t * 1e6), '0"') for t in OFF_S] + [(int(t * 1e6), '1"') for t in ON_S]
    changes.append((int(END_S * 1e6), "0!"))
    lines = [
        "$timescale 1us $end", "$scope module link $end", "$var wire 1 ! iogD_2 $end",
        '$var wire 1 " iogD_3 $end', "$upscope $end", "$enddefinitions $end",
    ]  # fmt: skip
    for time_us, change in sorted(changes, key=lambda item: item[0]):
        lines += [f"#{time_us}", change]
    path.write_text("\n".join(lines) + "\n")


@dataclass(frozen=True)
class TrueLoss:
    """When the switch went, when the watchdog let go, which packet ended the search."""

    off_s: float
    on_s: float
    over_s: float
    follows_s: float
    held_us: float


@dataclass(frozen=True)
class Run:
    capture: pwmscope.Capture
    losses: tuple
    frame_s: float


def true_losses(hold_ms, relink):
    begin_us, end_us, width_us = packets()
    for off_s, on_s in zip(OFF_S, ON_S, strict=True):
        last = np.flatnonzero(end_us < off_s * 1e6)[-1]
        found = np.flatnonzero(begin_us > on_s * 1e6)[relink - 1]
        over_s = end_us[last] / 1e6 + hold_ms / 1e3
        yield TrueLoss(off_s, on_s, over_s, end_us[found] / 1e6, float(width_us[last]))


@pytest.fixture(scope="module", params=SETTINGS.values(), ids=SETTINGS)
def run(request, require_program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("firmware")
    simulator = require_program("simavr")
    headers = Path(simulator).parents[1] / "include" / "simavr"
    include = ["-isystem", str(headers), "-isystem", str(headers / "avr")]
    defined = [f"-D{name}={value}" for name, value in request.param.items()]
    build = [require_program("avr-gcc"), "-std=gnu99", "-mmcu=atmega328p", "-Os", "-Wall",
             "-Werror", f"-DF_CPU={CLOCK_HZ}", *defined, *include, "-o", "failsafe.elf",
             str(FIRMWARE)]  # fmt: skip
    subprocess.run(build, cwd=folder, check=True, timeout=60, capture_output=True)
    write_link(folder / "link.vcd")
    subprocess.run([simulator, "-i", "link.vcd", "failsafe.elf"], cwd=folder, check=True,
                   timeout=180, capture_output=True)  # fmt: skip
    losses = tuple(true_losses(request.param["HOLD_MS"], request.param["RELINK"]))
    capture = pwmscope.load(folder / "failsafe.vcd", rate=100e6)
    return Run(capture, losses, request.param["FRAME_US"] / 1e6)


def test_the_dump_shows_what_the_firmware_should_do(run):
    """The truth itself, pulse by pulse: held widths, then neutral, then silence."""
    tables = pwmscope.decode(run.capture)
    assert set(tables) == {"drive", "weapon", "tx_on"}
    for loss in run.losses:
        for line in ("drive", "weapon"):
            table = tables[line]
            held = (table.rise_s > loss.off_s) & (table.rise_s < loss.over_s - TICK_S)
            assert np.count_nonzero(held) >= (loss.over_s - loss.off_s) / run.frame_s - 2
            np.testing.assert_allclose(table.width_us[held], loss.held_us, atol=SOFTWARE_US)
        begun_s = loss.over_s + run.frame_s + TICK_S
        then = (tables["drive"].rise_s > begun_s) & (tables["drive"].rise_s < loss.follows_s)
        np.testing.assert_allclose(tables["drive"].width_us[then], NEUTRAL_US, atol=SOFTWARE_US)
        then = (tables["weapon"].rise_s > begun_s) & (tables["weapon"].rise_s < loss.follows_s)
        assert not then.any()
        again = tables["weapon"].rise_s[tables["weapon"].rise_s >= loss.follows_s]
        assert again[0] - loss.follows_s <= run.frame_s + 3 * TICK_S


@pytest.mark.parametrize("line", THEN)
@pytest.mark.parametrize("number", [0, 1], ids=["stick held", "stick moving"])
def test_the_hold_and_what_follows_it_are_found_within_a_frame(run, line, number):
    loss = run.losses[number]
    event = pwmscope.examine(run.capture, sheet=SHEET).channels[line].losses.events[number]
    behaviour, then = THEN[line]
    assert event.lost_s == pytest.approx(loss.off_s, abs=1e-6)
    assert event.behaviour is behaviour
    phases = [phase for phase in event.phases if phase.kind is not PhaseKind.FOLLOWS_ON]
    assert [phase.kind for phase in phases] == [PhaseKind.HOLDS, then]
    assert phases[0].start_s - loss.off_s <= 2 * run.frame_s
    assert phases[0].level_us == pytest.approx(loss.held_us, abs=SOFTWARE_US)
    if line == "drive":
        assert phases[1].level_us == pytest.approx(NEUTRAL_US, abs=SOFTWARE_US)
    assert -TICK_S <= phases[1].start_s - loss.over_s <= run.frame_s + 3 * TICK_S
    assert event.verdict is pwmscope.Verdict.MEETS


def test_the_link_is_back_after_so_many_packets(run):
    """The stick is still held after the first loss: both outputs jump, within one frame."""
    loss, channels = run.losses[0], pwmscope.examine(run.capture, sheet=SHEET).channels
    for line, before_us in (("drive", NEUTRAL_US), ("weapon", None)):
        event = channels[line].losses.events[0]
        assert -TICK_S <= event.recovered_s - loss.follows_s <= run.frame_s + 3 * TICK_S
        assert event.recovery.relink_s == pytest.approx(
            loss.follows_s - loss.on_s, abs=run.frame_s + 3 * TICK_S
        )
        assert event.recovery.jump_us == (
            pytest.approx(before_us, abs=SOFTWARE_US) if before_us else None,
            pytest.approx(1720, abs=SOFTWARE_US),
        )
