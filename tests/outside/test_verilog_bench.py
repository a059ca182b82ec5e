"""A receiver simulated in Verilog, recorded at several rates, measured by pwmscope.

Sources: the bench is written for IEEE Std 1364 (Verilog) and run by a
general-purpose simulator of that language, Icarus Verilog (Debian package
``iverilog``); what it dumps is a value-change dump by the same standard, whose
syntax is taken here from memory. Widths and periods are those of IEEE Std 181
(pulse duration and period at the mid reference level; a digital edge crosses
it at its instant). Uncertainties are combined as in JCGM 100, 5.1.2.
"""

import subprocess
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import pwmscope
from pwmscope.model import COVERAGE, of_mean_us

BENCH = Path(__file__).parent / "receiver_bench.v"
LINES = ("rx1", "rx2", "rx3", "rx4")
STEADY = {"rx1": 1500.137, "rx3": 1200.611}
FRAMES, PERIOD_NS, LEAD_NS = 60, 20_000_013, 3_000_007
ROUNDING_US = 2e-6
"""Two instants, each rounded to a whole picosecond."""


def read_dump(text):
    """Read one-bit signals from a value-change dump whose time unit is 1 ns."""
    names, edges_ns, levels = {}, {}, {}
    head, _, body = text.partition("$enddefinitions")
    words = head.split()
    assert words[words.index("$timescale") + 1] == "1ns"
    for at, word in enumerate(words):
        if word == "$var":
            _kind, size, code, name = words[at + 1 : at + 5]
            assert size == "1"
            names[code] = name
            edges_ns[name] = []
    now_ns = 0
    for word in body.split():
        if word.startswith("#"):
            now_ns = int(word[1:])
        elif word[0] in "01":
            name = names[word[1:]]
            if levels.get(name, 0) != int(word[0]):
                edges_ns[name].append(now_ns)
            levels[name] = int(word[0])
    return {name: np.array(edges_ns[name], np.int64) for name in LINES}


@dataclass(frozen=True)
class Bench:
    edges_ns: dict
    commanded_ns: dict


@pytest.fixture(scope="module")
def bench(require_program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("verilog")
    build = [require_program("iverilog"), "-g2005", "-Wall", "-o", "bench", str(BENCH)]
    subprocess.run(build, cwd=folder, check=True, timeout=60)
    run = [require_program("vvp"), "-n", "bench"]
    done = subprocess.run(run, cwd=folder, check=True, timeout=60, capture_output=True, text=True)
    said = [line.split() for line in done.stdout.splitlines() if line.startswith("pulse ")]
    commanded_ns = {name: [] for name in LINES}
    for _, number, width_ns in said:
        commanded_ns[f"rx{number}"].append(int(width_ns))
    edges_ns = read_dump((folder / "receiver_bench.vcd").read_text())
    return Bench(edges_ns, {name: np.array(widths) for name, widths in commanded_ns.items()})


def test_the_dump_holds_what_the_bench_commanded(bench):
    """IEEE Std 1364: the dump's edges are the commanded widths, to the nanosecond."""
    for name in LINES:
        edges_ns = bench.edges_ns[name]
        assert edges_ns.size == 2 * FRAMES
        np.testing.assert_array_equal(edges_ns[1::2] - edges_ns[0::2], bench.commanded_ns[name])
        np.testing.assert_array_equal(np.diff(edges_ns[0::2]), PERIOD_NS)
    assert np.unique(bench.commanded_ns["rx2"]).size == FRAMES
    assert np.unique(bench.commanded_ns["rx4"]).size == FRAMES


def first_samples(edges_ns, rate_hz):
    """Give the number of the first sample at or after each edge, in whole numbers."""
    return np.array([-(-int(edge) * rate_hz // 1_000_000_000) for edge in edges_ns], np.int64)


def levels_at(samples, at):
    """Level, at each of the given sample numbers, of a line that starts low."""
    return (np.searchsorted(samples, at, side="right") % 2).astype(np.uint8)


def write_samples(path, samples, count, rate_hz, decimals):
    """Write one row per sample; with a time column where decimals are given."""
    at = np.arange(count)
    columns = {name: levels_at(samples[name], at) for name in LINES}
    if decimals is not None:
        columns = {"time_s": at / rate_hz} | columns
    pl.DataFrame(columns).write_csv(path, float_precision=decimals)


def write_changes(path, samples, count, rate_hz):
    """Write one row per change, each time rounded once to a whole picosecond."""
    at = np.unique(np.concatenate([[0], *samples.values(), [count - 1]]))
    levels = [levels_at(samples[name], at) for name in LINES]
    with path.open("w") as file:
        file.write(",".join(["time_s", *LINES]) + "\n")
        for row, sample in enumerate(at):
            time_ps = round(Fraction(int(sample) * 10**12, rate_hz))
            cells = [str(column[row]) for column in levels]
            whole_s, part_ps = divmod(time_ps, 10**12)
            file.write(",".join([f"{whole_s}.{part_ps:012d}", *cells]) + "\n")


RECORDINGS = [
    pytest.param(("samples", 1_000_000, FRAMES), id="samples-1MHz"),
    pytest.param(("samples", 4_000_000, 12), id="samples-4MHz"),
    pytest.param(("samples", 24_000_000, 3), id="samples-24MHz"),
    pytest.param(("changes", 1_000_000, FRAMES), id="changes-1MHz"),
    pytest.param(("changes", 4_000_000, FRAMES), id="changes-4MHz"),
    pytest.param(("changes", 24_000_000, FRAMES), id="changes-24MHz"),
    pytest.param(("untimed", 1_000_000, FRAMES), id="untimed-1MHz"),
    pytest.param(("untimed", 4_000_000, 12), id="untimed-4MHz"),
    pytest.param(("untimed", 24_000_000, 3), id="untimed-24MHz"),
]


@dataclass(frozen=True)
class Recording:
    capture: pwmscope.Capture
    frames: int
    interval_us: float


@pytest.fixture(scope="module", params=RECORDINGS)
def recording(request, bench, tmp_path_factory):
    """The bench as a sampling analyser would have it, through a CSV file."""
    shape, rate_hz, frames = request.param
    end_ns = LEAD_NS + frames * PERIOD_NS - 1_000_000
    samples = {}
    for name in LINES:
        edges_ns = bench.edges_ns[name]
        samples[name] = first_samples(edges_ns[edges_ns < end_ns], rate_hz)
    count = end_ns * rate_hz // 1_000_000_000
    path = tmp_path_factory.mktemp("recording") / f"{shape}.csv"
    if shape == "samples":
        write_samples(path, samples, count, rate_hz, decimals=9)
    elif shape == "changes":
        write_changes(path, samples, count, rate_hz)
    else:
        write_samples(path, samples, count, rate_hz, decimals=None)
    capture = pwmscope.load(path, rate=rate_hz if shape == "untimed" else None)
    path.unlink()
    return Recording(capture, frames, 1e6 / rate_hz)


def test_the_sampling_interval_is_found(recording):
    """The analyser's setting comes back, although 24 MS/s divides no printed digit."""
    assert recording.capture.sample_interval_us == pytest.approx(recording.interval_us, rel=1e-9)


def test_every_width_lies_within_one_sample_interval(recording, bench):
    """IEEE Std 181 pulse duration; JCGM 100 4.3.9: the error is bounded by one interval."""
    tables = pwmscope.decode(recording.capture)
    for name in LINES:
        true_us = bench.commanded_ns[name][: recording.frames] / 1e3
        assert len(tables[name]) == recording.frames
        assert tables[name].measured.all()
        error_us = tables[name].width_us - true_us
        assert np.abs(error_us).max() <= recording.interval_us + ROUNDING_US
        assert not tables[name].has(pwmscope.Flag.OUTSIDE).any()


def test_every_period_lies_within_one_sample_interval(recording):
    """IEEE Std 181 period of a pulse train, against the bench's 20.000013 ms."""
    for table in pwmscope.decode(recording.capture).values():
        periods_us = table.period_us[:-1]
        assert np.isfinite(periods_us).all()
        assert np.isnan(table.period_us[-1])
        error_us = periods_us - PERIOD_NS / 1e3
        assert np.abs(error_us).max() <= recording.interval_us + ROUNDING_US


def test_every_leading_edge_is_timed_at_the_first_sample_that_shows_it(recording, bench):
    """The instant itself, not only differences: late by less than one interval, never early."""
    for name, table in pwmscope.decode(recording.capture).items():
        true_us = bench.edges_ns[name][0::2][: recording.frames] / 1e3
        late_us = table.rise_s * 1e6 - true_us
        assert late_us.min() >= -ROUNDING_US
        assert late_us.max() < recording.interval_us + ROUNDING_US


def test_the_skew_between_lines_is_kept(recording, bench):
    """Common practice: channels are offset within the frame; 2.101 us apart must stay apart."""
    tables = pwmscope.decode(recording.capture)
    for name in LINES[1:]:
        skew_us = (tables[name].rise_s - tables["rx1"].rise_s) * 1e6
        true_us = (bench.edges_ns[name][0] - bench.edges_ns["rx1"][0]) / 1e3
        assert np.abs(skew_us - true_us).max() <= recording.interval_us + ROUNDING_US


def test_the_mean_width_agrees_within_its_stated_uncertainty(recording):
    """JCGM 100, 5.1.2: the mean of a steady channel within three combined uncertainties."""
    tables = pwmscope.decode(recording.capture)
    for name, true_us in STEADY.items():
        width_us = tables[name].width_us
        mean_us, std_us = float(np.mean(width_us)), float(np.std(width_us, ddof=1))
        interval_us = recording.capture.sample_interval_us
        uncertainty_us = of_mean_us(mean_us, std_us, width_us.size, interval_us)
        assert abs(mean_us - true_us) <= 3 * uncertainty_us
        assert uncertainty_us < recording.interval_us + 1e-4 * mean_us


def test_the_findings_state_the_bench_within_their_own_uncertainty(recording):
    """The same, said by the whole analysis: frame period of all lines, neutral of rx1."""
    channels = pwmscope.examine(recording.capture).channels
    for name in LINES:
        period = next(f for f in channels[name].findings if f.name == "frame period")
        assert period.verdict is pwmscope.Verdict.MEETS
        assert abs(period.value - PERIOD_NS / 1e3) <= COVERAGE * period.uncertainty
        assert channels[name].timing.missing_frames == 0
    if recording.frames < FRAMES:  # a dozen frames or fewer need not hold a dwell
        return
    neutral = channels["rx1"].travel.neutral
    assert abs(neutral.width_us - STEADY["rx1"]) <= COVERAGE * neutral.uncertainty_us
