"""Two devices simulated in Verilog: how late their outputs are, and what they do to the width.

Sources: the bench is written for IEEE Std 1364 (Verilog) and run by a
general-purpose simulator of that language, Icarus Verilog (Debian package
``iverilog``); its value-change dump is by the same standard, syntax from
memory. Delays are between mid-reference instants (IEEE Std 181, from memory);
uncertainties by JCGM 100, 5.1.2. The cross-correlation is held against
``scipy.signal.correlate``, a general-purpose library.
"""

import itertools
import subprocess
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

import pwmscope
from pwmscope.capture import Line
from pwmscope.findings.lag import examine_lag, find_follows, read_lines
from pwmscope.findings.lag.delay import Trigger, correlate_changes
from pwmscope.findings.lag.pairs import Train
from pwmscope.model import COVERAGE

BENCH = Path(__file__).parent / "lag_bench.v"
FRAMES, LEAVE_OUT = 900, 41
AFTER_US, STEP_US, LATCH_US = 317.013, 5.0, 150.0
PERIOD_US, CLOCKED_US = 20_000.0, 20_170.019
ROUNDING_US = 2e-6
"""Two instants, each rounded to a whole picosecond."""


@pytest.fixture(scope="module")
def dump(require_program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("lag")
    build = [require_program("iverilog"), "-g2005", "-Wall", "-o", "bench", str(BENCH)]
    subprocess.run(build, cwd=folder, check=True, timeout=60)
    run = [require_program("vvp"), "-n", "bench"]
    subprocess.run(run, cwd=folder, check=True, timeout=60, capture_output=True)
    return pwmscope.load(folder / "lag_bench.vcd")


@pytest.fixture(scope="module")
def exact_us(dump):
    """Leading and trailing edges of every pulse that both edges were dumped of."""
    edges = {name: line.edges_ps / 1e6 for name, line in dump.lines.items()}
    return {name: (e[: e.size // 2 * 2 : 2], e[1::2]) for name, e in edges.items()}


@pytest.fixture(scope="module", params=[1_000_000, 4_000_000, 24_000_000], ids="{}Hz".format)
def recording(request, dump):
    """The bench as a sampling analyser has it: an edge shows in the first sample at or after it."""
    rate_hz = request.param
    lines = {}
    for name, line in dump.lines.items():
        samples = [-(-int(edge) * rate_hz // 10**12) for edge in line.edges_ps]
        edges_ps = np.array([round(at * 10**12 / rate_hz) for at in samples], np.int64)
        lines[name] = Line(name, edges_ps, line.initial_level)
    end_ps = dump.duration_ps + 10**9
    capture = pwmscope.Capture(lines, end_ps, 1e12 / rate_hz, "bench")
    return read_lines(capture).records, 1e6 / rate_hz


@pytest.fixture(scope="module")
def late(recording):
    records, interval_us = recording
    return examine_lag(records["in"], records["late"]), records, interval_us


@pytest.fixture(scope="module")
def clocked(recording):
    records, interval_us = recording
    return examine_lag(records["in"], records["clocked"]), records, interval_us


def carried(frames):
    """Frames, from 0, whose output the first device makes, and the frame that each carries."""
    made = np.array([n for n in range(1, frames) if (n + 1) % LEAVE_OUT])
    return made, made - 1


def named(lag, name):
    (finding,) = [finding for finding in lag.findings if finding.name == name]
    return finding


def test_the_dump_is_what_the_bench_describes(exact_us):
    """IEEE Std 1364: the bench's delay to the nanosecond, whole steps, clipped ends."""
    (rise_us, fall_us), (late_us, late_end_us) = exact_us["in"], exact_us["late"]
    made, of = carried(rise_us.size)
    np.testing.assert_allclose(late_us, fall_us[made] + AFTER_US, atol=ROUNDING_US)
    whole_us = np.floor(np.round((fall_us - rise_us) / STEP_US, 9)) * STEP_US
    np.testing.assert_allclose(late_end_us - late_us, whole_us[of], atol=ROUNDING_US)
    clocked_us = np.subtract(*exact_us["clocked"][::-1])
    assert clocked_us.min() == pytest.approx(1100.0)
    assert clocked_us.max() == pytest.approx(1900.0)


def test_the_late_device_is_one_frame_late_and_each_delay_exact_to_a_sample(late, exact_us):
    """Each delay is that of the bench within one sample interval (IEEE Std 181 delay)."""
    lag, _, interval_us = late
    made, of = carried(exact_us["in"][0].size)
    true_us = exact_us["late"][0] - exact_us["in"][0][of]
    assert lag.by_content
    assert lag.delay.frames == 1
    assert lag.delay.late_us.size == true_us.size == made.size
    assert np.abs(lag.delay.late_us - true_us).max() <= interval_us + ROUNDING_US
    assert abs(lag.delay.median_us - np.median(true_us)) <= interval_us
    answer = lag.answer
    assert abs(answer.value * 1e3 - np.median(true_us)) <= COVERAGE * answer.uncertainty * 1e3


def test_the_late_device_waits_for_the_pulse_to_end(late):
    """317.013 us after each trailing edge, with no jitter of its own."""
    lag, _, interval_us = late
    assert lag.delay.trigger is Trigger.INPUT_END
    assert abs(lag.delay.after_us - AFTER_US) <= interval_us
    assert not lag.delay.jitter.resolved


def test_the_frames_left_out_are_counted_exactly(late, exact_us):
    """Every 41st output is missing, so the pulse before it is carried by none."""
    lag, _, _ = late
    _, of = carried(exact_us["in"][0].size)
    expected = sorted(set(range(of[0], of[-1] + 1)) - set(of.tolist()))
    assert lag.pairs.without_output.tolist() == expected
    assert named(lag, "input frames without output").value == len(expected) == FRAMES // LEAVE_OUT
    assert named(lag, "repeated outputs").value == 0


def test_the_step_and_the_gain_of_the_late_device(late, exact_us):
    """Widths in whole steps of 5 us, rounded down: gain 1, offset minus half a step.

    The gain of the recorded pulses is their least-squares slope (`numpy.polyfit` of the
    dump's own widths), that of the device lies within the curve's uncertainty.
    """
    lag, _, _ = late
    step, gain, offset = (named(lag, n) for n in ("output step", "width gain", "width offset"))
    assert abs(step.value - STEP_US) <= 3.0 * step.uncertainty
    assert not lag.transfer.step_is_inputs
    assert abs(lag.transfer.curve.gain.value - 1.0) <= 3.0 * lag.transfer.curve.gain.uncertainty
    (rise_us, fall_us), (late_us, late_end_us) = exact_us["in"], exact_us["late"]
    _, of = carried(rise_us.size)
    slope = np.polyfit((fall_us - rise_us)[of], late_end_us - late_us, 1)[0]
    assert abs(gain.value - slope) <= 3.0 * gain.uncertainty
    assert abs(offset.value + STEP_US / 2.0) <= 3.0 * offset.uncertainty
    assert lag.transfer.curve.dead_us is None
    assert lag.transfer.curve.low_us is None
    assert lag.transfer.curve.high_us is None


def test_the_clocked_device_pairs_with_the_newest_width_that_was_known(clocked, exact_us):
    """Each output carries the newest pulse that ended 150 us before or earlier."""
    lag, _, interval_us = clocked
    (rise_us, fall_us), (out_us, _) = exact_us["in"], exact_us["clocked"]
    true = np.searchsorted(fall_us + LATCH_US, out_us, side="right") - 1
    known = true >= 0
    assert lag.by_content
    found = np.full(out_us.size, -1)
    found[lag.pairs.output] = lag.pairs.source
    np.testing.assert_array_equal(found[known], true[known])
    true_us = (out_us - rise_us[true])[known]
    assert np.abs(lag.delay.late_us - true_us).max() <= interval_us + ROUNDING_US
    assert lag.content.low_us - interval_us <= LATCH_US <= lag.content.high_us + interval_us


def test_the_clocked_device_beats(clocked):
    """Beat of two frequencies: T1 T2 / (T2 - T1), by hand 2.373 s."""
    lag, _, _ = clocked
    assert lag.delay.trigger is Trigger.OWN_CLOCK
    beat_s = PERIOD_US * CLOCKED_US / (CLOCKED_US - PERIOD_US) / 1e6
    assert named(lag, "beat of the clocks").value == pytest.approx(beat_s, rel=0.01)
    assert lag.delay.high_us - lag.delay.low_us > 0.98 * PERIOD_US


def test_the_curve_of_the_clocked_device(clocked):
    """Gain 3/2 about 1500 us, clipped at 1100 and 1900 us, each within its uncertainty."""
    lag, _, interval_us = clocked
    curve = lag.transfer.curve
    assert abs(curve.gain.value - 1.5) <= 3.0 * curve.gain.uncertainty
    assert abs(curve.centre_us.value - 1500.0) <= 3.0 * lag.transfer.offset_uncertainty_us
    for clip, true_us in ((curve.low_us, 1100.0), (curve.high_us, 1900.0)):
        assert abs(clip.value - true_us) <= COVERAGE * clip.uncertainty + interval_us
    assert curve.dead_us is None


def test_who_follows_whom(recording):
    """Both devices follow the input; the input follows neither."""
    records, _ = recording
    pairs = {(p.source, p.output) for p in find_follows(records).pairs if not p.side_by_side}
    assert {("in", "late"), ("in", "clocked")} <= pairs
    assert not [pair for pair in pairs if pair[1] == "in"]


def test_the_cross_correlation_is_scipys():
    """On one frame clock the coefficient peaks where ``scipy.signal.correlate`` peaks."""
    rng = np.random.default_rng(5)
    place_us = np.interp(np.arange(1500), np.arange(0, 1501, 25), 1500 + rng.uniform(-400, 400, 61))
    rise_s, rows = 0.02 * np.arange(1500), np.arange(1500)
    for shift, sign in itertools.product((0, 1, 3, 7), (1.0, -1.0)):
        made_us = 1500 + sign * (np.roll(place_us, shift) - 1500)
        source = Train("in", rows, rise_s, place_us, 20_000.0, 0.5, 1500.0, 1000.0, 1.0)
        output = Train("out", rows, rise_s, made_us, 20_000.0, 0.5, 1500.0, 1000.0, 1.0)
        found = correlate_changes(source, output)
        across = 5  # changes over 0.1 s
        x_us, y_us = (w[across:] - w[:-across] for w in (place_us, made_us))
        products = signal.correlate(y_us, x_us)
        lags = signal.correlation_lags(y_us.size, x_us.size)
        assert lags[np.abs(products).argmax()] == shift
        assert found.delay_us == pytest.approx(20_000.0 * shift, abs=100.0)
        assert found.peak == pytest.approx(sign, abs=1e-3)
