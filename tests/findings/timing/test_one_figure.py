"""Bench notes: one jitter is one number wherever it is told, and a limit told is the limit held."""

import contextlib
import io
import re
import subprocess
import sys

import numpy as np
import pytest

import pwmscope
from pwmscope.capture.columnar import write_edges
from pwmscope.cli import main


def recording(seconds, *, period_us=20_000.0, jitter_us=0.6, rate_hz=1e6, seed=8):
    rng = np.random.default_rng(seed)
    rise_us = 500.0 + period_us * np.arange(int(seconds * 1e6 / period_us) + 1)
    rise_us = rise_us + rng.normal(0, jitter_us, rise_us.size)
    width_us = 1500.3 + rng.normal(0, jitter_us, rise_us.size)
    edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
    edges_ps = np.ceil(edges_us * rate_hz / 1e6).astype(np.int64) * round(1e12 / rate_hz)
    line = pwmscope.Line("RX1", edges_ps, 0)
    return pwmscope.Capture({"RX1": line}, int(edges_ps[-1]) + 10**9, 1e12 / rate_hz, "x")


def test_the_jitter_in_the_table_is_that_of_the_finding():
    channel = pwmscope.examine(recording(20.0)).channels["RX1"]
    timing = channel.timing
    assert timing.own_width_jitter_us.rms == channel["width jitter"].value
    assert timing.own_period_jitter_us.rms == channel["period jitter"].value
    # The readings' own scatter holds the sampling too and is another, larger figure.
    assert timing.width_jitter_us.rms > channel["width jitter"].value


@pytest.mark.parametrize(("seconds", "is_told"), [(29.98, True), (30.0, True), (29.0, False)])
def test_a_recording_of_the_length_asked_for_is_long_enough(seconds, is_told):
    """1500 frames of 20 ms last 29.98 s from the first edge to the last."""
    found = pwmscope.examine(recording(seconds)).channels["RX1"]["frame clock stability"]
    assert (found.value is not None or found.interval is not None) is is_told, found.sentence


def test_the_mean_period_is_known_by_its_two_outermost_edges():
    """The sum of the periods telescopes: u = Ts / (sqrt(6) n), beside the clock's 100 ppm."""
    channel = pwmscope.examine(recording(20.0)).channels["RX1"]
    period = channel["frame period"]
    own_us = 1.0 / (6**0.5 * 1000)
    clock_us = 1e-4 * 20_000.0 / 3**0.5
    assert period.uncertainty * 1000.0 == pytest.approx(np.hypot(own_us, clock_us), rel=1e-3) or (
        period.uncertainty == pytest.approx(np.hypot(own_us, clock_us), rel=1e-3)
    )
    low, high = period.interval
    scale = 1000.0 if period.unit == "ms" else 1.0
    # A rectangle's 95 % are 0.95 of its bound, never beyond it as k = 2 would be.
    assert (high - low) / 2 * scale == pytest.approx(0.95 * 2.0, rel=0.01)


def test_what_no_builder_asks_is_not_loaded_for_the_usual_screen(tmp_path, capsys):
    """Allan deviation and spectra stay in Python and under --all; they cost nothing otherwise."""
    write_edges(recording(32.0), tmp_path / "r.parquet")
    asks = (
        "import sys; from pwmscope.cli import main\n"
        "try: main(['measure', sys.argv[1]])\n"
        "except SystemExit: pass\n"
        "seldom = ('pwmscope.findings.timing.stability', 'pwmscope.findings.timing.rhythm')\n"
        "print('LOADED', [name for name in seldom if name in sys.modules])"
    )

    words = [sys.executable, "-c", asks, str(tmp_path / "r.parquet")]
    usual = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert "LOADED []" in usual
    assert "stability" not in usual
    with contextlib.suppress(SystemExit):
        main(["measure", str(tmp_path / "r.parquet"), "--all"])
    assert "frame clock stability" in capsys.readouterr().out


def test_one_jitter_is_printed_as_one_figure(tmp_path):
    write_edges(recording(20.0), tmp_path / "r.parquet")

    def said(*more):
        out = io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.suppress(SystemExit):
            main(["measure", str(tmp_path / "r.parquet"), *more])
        return out.getvalue()

    table = re.search(r"width jitter, RMS, us +([\d.]+)", said("--all"))
    finding = re.search(r"RX1: ([\d.]+) us \(", said("--explain", "width jitter"))
    assert table
    assert finding
    assert float(table[1]) == pytest.approx(float(finding[1]), abs=0.0006)


def test_evidence_without_pulses_is_printed_as_such(tmp_path):
    write_edges(recording(20.0), tmp_path / "r.parquet")
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.suppress(SystemExit):
        main(["measure", str(tmp_path / "r.parquet"), "--explain", "signal loss"])
    assert "RX1: not shown" in out.getvalue()
    assert not re.search(r"\b0 pulses", out.getvalue())
