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
SETTINGS = {
    "presets at once": {"KNOWN_MS": 0, "AGAIN_US": 1508},
    "presets later": {"KNOWN_MS": 4000, "AGAIN_US": 1508},
    "runs after a restart": {"KNOWN_MS": 0, "AGAIN_US": 1650},
}
SAID = {
    "presets at once": {LinkState.RESTARTED: "meets"},
    "presets later": {LinkState.LOST_SOON: "does not meet"},
    "runs after a restart": {LinkState.RESTARTED: "does not meet"},
}


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


def write_inputs(path):
    lines = ["$timescale 1us $end", "$scope module link $end"]
    lines += [f"$var wire 1 {sign} iogD_{pin} $end" for pin, sign in enumerate('!"#%', 2)]
    lines += ["$upscope $end", "$enddefinitions $end"]
    changes = [(0, f"0{sign}") for sign in '!"#%'] + [*inputs(), (int(END_S * 1e6), "0!")]
    for time_us, change in sorted(changes, key=lambda item: item[0]):
        lines += [f"#{time_us}", change]
    path.write_text("\n".join(lines) + "\n")


@pytest.fixture(scope="module", params=SETTINGS)
def run(request, require_program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("states")
    simulator = require_program("simavr")
    headers = Path(simulator).parents[1] / "include" / "simavr"
    include = ["-isystem", str(headers), "-isystem", str(headers / "avr")]
    values = {"HOLD_MS": 500, "RELINK": 10, **SETTINGS[request.param]}
    build = [require_program("avr-gcc"), "-std=gnu99", "-mmcu=atmega328p", "-Os", "-Wall",
             "-Werror", "-DF_CPU=8000000", *(f"-D{k}={v}" for k, v in values.items()), *include,
             "-o", "states.elf", str(FIRMWARE)]  # fmt: skip
    subprocess.run(build, cwd=folder, check=True, timeout=60, capture_output=True)
    write_inputs(folder / "link.vcd")
    subprocess.run([simulator, "-i", "link.vcd", "states.elf"], cwd=folder, check=True,
                   timeout=240, capture_output=True)  # fmt: skip
    return request.param, pwmscope.load(folder / "states.vcd", rate=100e6)


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


def test_its_mixer_is_found(run):
    analysis = pwmscope.analyse(run[1], sheet=SHEET)
    assert analysis.mixing is not None
    assert analysis.mixing.arrangement.name == "mixed"


def test_each_state_of_its_link_is_told(run):
    name, capture = run
    analysis = pwmscope.analyse(capture, sheet=SHEET)
    cells = {(cell.state, cell.line): cell for cell in link_states(analysis.failsafe)}
    for line in ("left", "right"):
        for state in (LinkState.LOST, LinkState.LOST_SOON, LinkState.RESTARTED):
            assert cells[state, line].seen, state
        for state, verdict in SAID[name].items():
            assert cells[state, line].verdict == verdict, state
        if name == "presets at once":
            for state in (LinkState.LOST, LinkState.LOST_SOON, LinkState.BACK_AT_REST):
                assert cells[state, line].verdict is not Verdict.DOES_NOT_MEET, state
