"""Edges of a voltage against a circuit whose answer stands in any handbook.

A pulse that charges a capacitor C through a resistor R rises as 1 - exp(-t/RC), so that it
crosses half of its amplitude RC ln 2 after the pulse begins; it falls as exp(-t/RC), with the
same delay (first-order RC circuit, handbook result). The pulse is 15 RC long, so that it
settles to within 3e-7. The transient is computed by ngspice (Debian package of that name), a
general circuit simulator, and read as a table of voltages.
"""

import math
import subprocess

import numpy as np

from pwmscope import load

STEP_S = 1e-6
RC_S = 10e3 * 10e-9
DECK = """RC-slowed pulse
V1 in 0 PULSE(0 5 1m 1n 1n 1.5m 20m)
R1 in out 10k
C1 out 0 10n
.tran 1u 45m 0 1u
.control
run
set wr_singlescale
{names}
wrdata out.txt v(out) v(in)
quit
.endc
.end
"""


def simulate(ngspice, folder, *, names):
    (folder / "deck.cir").write_text(DECK.format(names="set wr_vecnames" if names else ""))
    subprocess.run([ngspice, "-b", "deck.cir"], cwd=folder, check=True, capture_output=True)
    return folder / "out.txt"


def assert_crossings(edges_ps):
    # The source begins at 1 ms, rises and falls within 1 ns, and comes again after 20 ms.
    begins_s = np.array([1e-3, 2.5e-3 + 1e-9, 21e-3, 22.5e-3 + 1e-9, 41e-3, 42.5e-3 + 1e-9])
    expected_s = begins_s + 0.5e-9 + RC_S * math.log(2)
    np.testing.assert_allclose(edges_ps / 1e12, expected_s, rtol=0, atol=STEP_S)
    # Interpolation does better than a step: a tenth of it.
    np.testing.assert_allclose(edges_ps / 1e12, expected_s, rtol=0, atol=0.1 * STEP_S)


def test_half_amplitude_comes_rc_ln_2_after_the_pulse(tmp_path, require_program):
    capture = load(simulate(require_program("ngspice"), tmp_path, names=True))
    assert list(capture.lines) == ["v(out)", "v(in)"]
    assert_crossings(capture.lines["v(out)"].edges_ps)
    widths_s = np.diff(capture.lines["v(in)"].edges_ps)[::2] / 1e12
    np.testing.assert_allclose(widths_s, 1.5e-3 + 1e-9, rtol=0, atol=1e-9)
    assert any("state levels 0" in said and "2.5, halfway" in said for said in capture.assumptions)


def test_the_same_without_a_header(tmp_path, require_program):
    file = simulate(require_program("ngspice"), tmp_path, names=False)
    capture = load(file, lines="column2")
    assert list(capture.lines) == ["column2"]
    assert_crossings(capture.lines["column2"].edges_ps)
