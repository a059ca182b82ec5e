"""Sags of a regulated supply against a circuit simulator and Ohm's law.

A battery of E volts behind a resistance R feeds a regulator that needs 0.3 V more than it gives.
Load steps of known current pull its input to E - I R (Ohm's law), and its output to
min(5, E - I R - 0.3).
ngspice (Debian package of that name, a general circuit simulator) makes the waveform.
"""

import subprocess

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.findings.sensors import examine_supply, find_sags, read_supply

E_V, R_OHM, DROP_V, SET_V = 5.9, 0.35, 0.3, 5.0
STEPS = ((0.4, 0.030, 2.0), (0.8, 0.005, 2.6), (1.2, 0.150, 3.1), (1.7, 0.060, 0.8))
"""When each load begins, how long it lasts, its amperes; the last does not reach the regulator."""
END_S = 2.2


def deck():
    points = ["0 0"]
    for begin_s, lasts_s, amperes in STEPS:
        edges = (begin_s, begin_s + 1e-5, begin_s + lasts_s, begin_s + lasts_s + 1e-5)
        points += [f"{at:.6f} {i}" for at, i in zip(edges, (0, amperes, amperes, 0), strict=True)]
    return f"""A regulator behind a source resistance
V1 e 0 {E_V}
R1 e in {R_OHM}
I1 in 0 PWL({" ".join(points)})
B1 out 0 V=min({SET_V}, v(in)-{DROP_V})
.tran 50u {END_S} 0 50u
.control
run
set wr_singlescale
set wr_vecnames
linearize v(out)
wrdata out.txt v(out)
quit
.endc
.end
"""


@pytest.fixture(scope="module")
def line(tmp_path_factory, request):
    ngspice = request.getfixturevalue("require_program")("ngspice")
    folder = tmp_path_factory.mktemp("supply")
    (folder / "deck.cir").write_text(deck())
    subprocess.run([ngspice, "-b", "deck.cir"], cwd=folder, check=True, capture_output=True)
    return next(iter(pwmscope.load(folder / "out.txt", time_unit="s").lines.values()))


def test_each_sag_is_as_deep_as_ohms_law_says(line):
    sags, _ = find_sags(line.voltage)
    deep = [step for step in STEPS if E_V - step[2] * R_OHM - DROP_V < SET_V]
    assert len(deep) == 3
    assert len(sags) == len(deep)
    for k, (begin_s, lasts_s, amperes) in enumerate(deep):
        expected_v = E_V - amperes * R_OHM - DROP_V
        assert sags.least_v[k] == pytest.approx(expected_v, abs=1e-3)
        assert sags.depth_v[k] == pytest.approx(SET_V - expected_v, abs=2e-3)
        assert sags.begin_s[k] == pytest.approx(begin_s, abs=2e-3)
        assert sags.end_s[k] == pytest.approx(begin_s + lasts_s, abs=2e-3)


def test_the_resistance_is_the_slope_of_the_sags(line):
    """dV/dI between two loads that both reach the regulator: R itself, whatever it drops."""
    sags, _ = find_sags(line.voltage)
    amperes = np.array([amps for _, _, amps in STEPS[:3]])
    slope = np.polyfit(amperes, sags.depth_v, 1)[0]
    assert slope == pytest.approx(R_OHM, rel=0.01)


@pytest.mark.parametrize(("needed_v", "verdict"), [(4.4, "meets"), (4.6, "does not meet")])
def test_the_margin_is_the_least_of_the_circuit_over_what_is_needed(line, needed_v, verdict):
    sheet = parse_sheet(f'[channels."{line.name}"]\nrole = "supply"\nleast_v = {needed_v}\n')
    supply = read_supply(line, sheet.channels[line.name], sheet, round(END_S * 1e12))
    found = {f.name: f for f in examine_supply(supply, line, sheet, {}, ()).findings}
    least_v = E_V - 3.1 * R_OHM - DROP_V
    margin = found["brown-out margin"]
    assert margin.value == pytest.approx(least_v - needed_v, abs=2e-3)
    assert margin.verdict.value == verdict
