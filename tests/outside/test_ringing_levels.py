"""Level, lowest high, rise time and sag of a voltage against a circuit with closed formulas.

The step response of a second-order circuit with damping z < 1 overshoots by M = exp(-pi z /
sqrt(1 - z^2)) of its step and then falls short by M^2 (handbook result): the lowest voltage of the
high state. Its rise from 10 % to 90 % is measured by ngspice itself (Debian package of that name,
a general circuit simulator) with its own `meas`, and its supply gives way by a known slope.
"""

import math
import subprocess

import pytest

import pwmscope

DAMPING, C_F, L_H = 0.3, 10e-9, 23e-3
R_OHM = 2 * DAMPING * math.sqrt(L_H / C_F)
PULSES, STEP_S = 24, 2e-6
SAG_V_PER_S = 1.0
DECK = f"""A ringing output on a supply that gives way
V1 p 0 PULSE(0 1 1m 10n 10n 1.5m 20m)
B1 in 0 V=v(p)*(3.3-{{sag}}*time)
R1 in m {R_OHM}
L1 m out {L_H}
C1 out 0 {C_F}
.tran 2u {PULSES * 20e-3} 0 2u
.control
run
meas tran rise TRIG v(out) VAL=0.33 RISE=1 TARG v(out) VAL=2.97 RISE=1
set wr_singlescale
set wr_vecnames
linearize v(out)
wrdata out.txt v(out)
quit
.endc
.end
"""


def simulate(ngspice, folder, sag):
    (folder / "deck.cir").write_text(DECK.format(sag=sag))
    done = subprocess.run(
        [ngspice, "-b", "deck.cir"], cwd=folder, check=True, capture_output=True, text=True
    )
    rise = next(line for line in done.stdout.splitlines() if line.startswith("rise "))
    channel = next(
        iter(pwmscope.examine(pwmscope.load(folder / "out.txt", time_unit="s")).channels.values())
    )
    return {one.name: one for one in channel.findings}, float(rise.split()[2])


def test_ringing_makes_the_lowest_high_and_the_rise_is_the_simulators(tmp_path, require_program):
    found, rise_s = simulate(require_program("ngspice"), tmp_path, 0.0)
    overshoot = math.exp(-math.pi * DAMPING / math.sqrt(1 - DAMPING**2))
    assert found["high level"].value == pytest.approx(3.3, abs=0.003)
    assert found["lowest high level"].value == pytest.approx(3.3 * (1 - overshoot**2), abs=0.005)
    low_us, high_us = found["rise time"].interval
    assert low_us < rise_s * 1e6 < high_us
    assert found["rise time"].value == pytest.approx(rise_s * 1e6, rel=0.02)
    assert "No sag" in found["sag of the high level"].sentence


def test_a_supply_that_gives_way_shows_as_sag(tmp_path, require_program):
    found, _ = simulate(require_program("ngspice"), tmp_path, SAG_V_PER_S)
    first_s, last_s = 1e-3, 1e-3 + (PULSES - 1) * 20e-3
    told = found["sag of the high level"]
    # From the mean of the first sixteenth to that of the last, two pulses or one in each.
    assert told.value == pytest.approx(SAG_V_PER_S * (last_s - first_s) * 15 / 16, rel=0.03)
    assert told.interval[0] > 0
