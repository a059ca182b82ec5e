"""A receiver's firmware with a state machine for its link and a drive mixer, in a simulated chip.

Sources: the firmware in ``firmware/link_states.c`` is built with gcc for AVR (Debian packages
``gcc-avr``, ``avr-libc``) and run by the simulator simavr (``simavr``, ``libsimavr-dev``). Packets,
supply and switch are a value change dump that this test writes and the simulator plays to its
pins. That forward and turn are added on one side and subtracted on the other is common practice.
"""

import subprocess
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import LinkState, link_states

FIRMWARE = Path(__file__).parent / "firmware" / "link_states.c"
PACKET_US = 13_000
SOFTWARE_US = 12.0
"""How late the software may be with an edge, by its interrupts."""
END_S = 24.0
ON_S = ((0.0, 10.0), (15.5, 17.0), (21.0, END_S))
POWERED_S = ((0.0, 13.2), (13.807, END_S))
FORWARD = ([0, 3, 3.2, 3.7, 3.9, 4.4, 4.6, 8, 8.2, 19.5, 19.7],
           [1500, 1500, 1800, 1800, 1250, 1250, 1500, 1500, 1700, 1700, 1500])  # fmt: skip
TURN = ([0, 5, 5.2, 5.7, 5.9, 6.4, 6.6, 8.4, 8.6, 19.5, 19.7],
        [1500, 1500, 1750, 1750, 1200, 1200, 1500, 1500, 1600, 1600, 1500])  # fmt: skip
"""Seconds and the widths that the sticks command, straight lines between."""
SHEET = parse_sheet("""
[marker]
line = "tx_on"
on = "high"
kind = "switch"
[channels]
left = { role = "drive-left", neutral_us = 1500, deadband_us = 60, no_pulses = "stops" }
right = { role = "drive-right", neutral_us = 1500, deadband_us = 60, no_pulses = "stops" }
elevator = { role = "stick-elevator" }
aileron = { role = "stick-aileron" }
""")
STRAPS = {"presets": "", "no pulses, presets later": "'&", "held widths": "("}
"""The straps that are high: what the receiver does before it ever has the link."""
MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN
TRUTH = {
    "presets": {
        LinkState.LINKED: MEETS,
        LinkState.LOST: MEETS,
        LinkState.LOST_SOON: MEETS,
        LinkState.RESTARTED: MEETS,
        LinkState.BACK_AT_REST: MEETS,
        LinkState.BACK_STICKS_UP: None,
    },
    # A receiver that stays silent after its restart looks like a plug that came off.
    "no pulses, presets later": {
        LinkState.LINKED: MEETS,
        LinkState.LOST_SOON: BREAKS,
        LinkState.RESTARTED: OPEN,
        LinkState.BACK_STICKS_UP: None,
    },
    # A width that is held until its stick is followed again does not show the return.
    "held widths": {
        LinkState.LINKED: MEETS,
        LinkState.RESTARTED: BREAKS,
        LinkState.BACK_STICKS_UP: OPEN,
    },
}
"""What the firmware was built to do."""
NEVER_LINKED = {"presets": MEETS, "no pulses, presets later": OPEN, "held widths": BREAKS}
"""The same from a start without the link; that it had power is not shown without a pulse."""
UNPOWERED_S = 13.4


def inputs():
    """Every change of the pins: microseconds, value and sign."""
    begin_us = np.arange(3_000, int(END_S * 1e6) - 20_000, PACKET_US)
    sent = np.zeros(begin_us.size, bool)
    for on_s, off_s in ON_S:
        sent |= (begin_us > on_s * 1e6) & (begin_us + 9_000 < off_s * 1e6)
    for later_us, sign, way in ((0, "!", FORWARD), (400, '"', TURN)):
        rise_us = begin_us[sent] + later_us
        width_us = np.rint(np.interp(begin_us[sent] / 1e6, *way)).astype(np.int64)
        yield from ((int(t), f"1{sign}") for t in rise_us)
        yield from ((int(t), f"0{sign}") for t in rise_us + 4 * width_us)
    for spans, sign in ((POWERED_S, "#"), (ON_S, "%")):
        for begin_s, end_s in spans:
            yield int(begin_s * 1e6), f"1{sign}"
            if end_s < END_S:
                yield int(end_s * 1e6), f"0{sign}"


def write_inputs(path, straps):
    pins = dict(zip('!"#%', ("iogD_2", "iogD_3", "iogD_4", "iogD_5"), strict=True))
    pins |= {"'": "iogD_6", "(": "iogD_7", "&": "iogC_0"}
    lines = ["$timescale 1us $end", "$scope module link $end"]
    lines += [f"$var wire 1 {sign} {pin} $end" for sign, pin in pins.items()]
    lines += ["$upscope $end", "$enddefinitions $end"]
    changes = [(0, f"{int(sign in straps)}{sign}") for sign in pins]
    changes += [*inputs(), (int(END_S * 1e6), "0!")]
    for time_us, change in sorted(changes, key=lambda item: item[0]):
        lines += [f"#{time_us}", change]
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module")
def firmware(require_program, tmp_path_factory):
    """The simulator and the firmware, built once."""
    simulator = require_program("simavr")
    headers = Path(simulator).parents[1] / "include" / "simavr"
    include = ["-isystem", str(headers), "-isystem", str(headers / "avr")]
    built = tmp_path_factory.mktemp("firmware") / "states.elf"
    build = [require_program("avr-gcc"), "-std=gnu99", "-mmcu=atmega328p", "-Os", "-Wall",
             "-Werror", "-DF_CPU=8000000", *include, "-o", str(built), str(FIRMWARE)]  # fmt: skip
    subprocess.run(build, check=True, timeout=60, capture_output=True)
    return simulator, built


@pytest.fixture(scope="module", params=STRAPS)
def run(request, firmware, tmp_path_factory):
    simulator, built = firmware
    folder = tmp_path_factory.mktemp("states")
    write_inputs(folder / "link.vcd", STRAPS[request.param])
    subprocess.run([simulator, "-i", "link.vcd", str(built)], cwd=folder, check=True,
                   timeout=240, capture_output=True)  # fmt: skip
    return request.param, pwmscope.load(folder / "states.vcd", rate=100e6)


@pytest.fixture(scope="module")
def answer(run):
    return run[0], pwmscope.analyse(run[1], sheet=SHEET)


def test_the_firmware_mixes_as_a_differential_drive_does(run):
    """The truth itself: while linked, left and right are sum and difference of the commands."""
    tables = pwmscope.decode(run[1])
    for sign, line in ((1.0, "left"), (-1.0, "right")):
        table = tables[line]
        at_s = table.rise_s[(table.rise_s > 2.2) & (table.rise_s < 9.9)]
        width_us = table.width_us[(table.rise_s > 2.2) & (table.rise_s < 9.9)]
        still = np.ones(at_s.size, bool)
        for moment_s in (*FORWARD[0], *TURN[0]):
            still &= ~((at_s > moment_s - 0.05) & (at_s < moment_s + 0.25))
        wanted = np.interp(at_s, *FORWARD) + sign * (np.interp(at_s, *TURN) - 1500.0)
        assert still.sum() > 100
        np.testing.assert_allclose(width_us[still], wanted[still], atol=SOFTWARE_US)


def test_its_mixer_is_found(answer):
    mixing = answer[1].mixing
    assert mixing is not None
    assert mixing.arrangement.name == "mixed"


def states_of(analysis):
    return {(cell.state, cell.line): cell for cell in link_states(analysis.failsafe)}


def test_each_state_of_its_link_is_told(answer):
    name, analysis = answer
    cells = states_of(analysis)
    for line in ("left", "right"):
        for state, verdict in TRUTH[name].items():
            assert cells[state, line].verdict == verdict, (state, line)
            assert cells[state, line].seen or verdict is OPEN, (state, line)


def test_a_receiver_that_never_had_the_link_is_told(run):
    """The recording begins while it has no supply, so that nothing of the link before is in it."""
    name, capture = run
    from_ps = int(UNPOWERED_S * 1e12)
    lines = {}
    for line in capture.lines.values():
        before = int(np.searchsorted(line.edges_ps, from_ps))
        level = (line.initial_level + before) % 2
        lines[line.name] = Line(line.name, line.edges_ps[before:] - from_ps, level)
    cut = Capture(lines, capture.end_ps - from_ps, capture.sample_interval_ps, "never linked")
    cells = states_of(pwmscope.analyse(cut, sheet=SHEET))
    for line in ("left", "right"):
        cell = cells[LinkState.NEVER_LINKED, line]
        assert cell.verdict == NEVER_LINKED[name], (line, cell.sentence)
        assert cells[LinkState.RESTARTED, line].seen == 0
