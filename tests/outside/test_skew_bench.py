"""Two receivers simulated in Verilog: which lines belong together, in what order, how they start.

Sources: the bench is written for IEEE Std 1364 (Verilog) and run by a
general-purpose simulator of that language, Icarus Verilog (Debian package
``iverilog``); its value-change dump is by the same standard, syntax from
memory. The delay between leading edges is that of IEEE Std 181 (from memory);
uncertainties are combined as in JCGM 100, 5.1.2. The pairing of frames is held
against ``merge_asof`` of pandas, a general-purpose library.
"""

import itertools
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import pwmscope
from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Line
from pwmscope.findings.glitches import GlitchKind, examine_coincidence, examine_glitches
from pwmscope.findings.receivers import Start, Step, pair
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.model import COVERAGE, Span
from pwmscope.pulses import find_frames

BENCH = Path(__file__).parent / "skew_bench.v"
FRAMES, GAP_NS, LEAVE_OUT = 600, 317, 37
A_PERIOD_NS, B_PERIOD_NS = 20_000_013, 20_000_297
CHAIN, TOGETHER = ("a1", "a2", "a3", "a4"), ("b1", "b2", "b3")
ROUNDING_US = 2e-6
"""Two instants, each rounded to a whole picosecond."""


def read_dump(text):
    """Read one-bit signals from a value-change dump whose time unit is 1 ns."""
    head, _, body = text.partition("$enddefinitions")
    words = head.split()
    assert words[words.index("$timescale") + 1] == "1ns"
    names = {words[at + 3]: words[at + 4] for at, word in enumerate(words) if word == "$var"}
    edges_ns = {name: [] for name in names.values()}
    levels, now_ns = {}, 0
    for word in body.split():
        if word.startswith("#"):
            now_ns = int(word[1:])
        elif word[0] in "01" and word[1:] in names:
            name = names[word[1:]]
            if levels.get(name, "0") != word[0]:
                edges_ns[name].append(now_ns)
            levels[name] = word[0]
    return {name: np.array(edges, np.int64) for name, edges in edges_ns.items()}


@pytest.fixture(scope="module")
def edges_ns(require_program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("skew")
    build = [require_program("iverilog"), "-g2005", "-Wall", "-o", "bench", str(BENCH)]
    subprocess.run(build, cwd=folder, check=True, timeout=60)
    run = [require_program("vvp"), "-n", "bench"]
    subprocess.run(run, cwd=folder, check=True, timeout=60, capture_output=True)
    return read_dump((folder / "skew_bench.vcd").read_text())


def test_the_dump_is_what_the_bench_describes(edges_ns):
    """IEEE Std 1364: starts one after another, starts together, and the left-out frames."""
    for before, after in itertools.pairwise(CHAIN):
        np.testing.assert_array_equal(edges_ns[after][0::2] - edges_ns[before][1::2], GAP_NS)
    np.testing.assert_array_equal(edges_ns["b2"][0::2] - edges_ns["b1"][0::2], 2101)
    assert edges_ns["b3"].size == 2 * (FRAMES - FRAMES // LEAVE_OUT)
    for name, period_ns in (("a1", A_PERIOD_NS), ("b1", B_PERIOD_NS)):
        late_ns = edges_ns[name][0::2] - period_ns * np.arange(FRAMES)
        assert np.ptp(late_ns) < 5_000


@pytest.fixture(scope="module", params=[1_000_000, 4_000_000, 24_000_000], ids="{}Hz".format)
def recording(request, edges_ns):
    """The bench as a sampling analyser has it: an edge shows in the first sample at or after it."""
    rate_hz = request.param
    end_ns = max(int(edges[-1]) for edges in edges_ns.values()) + 1_000_000
    lines = {}
    for name, edges in edges_ns.items():
        samples = [-(-int(edge) * rate_hz // 1_000_000_000) for edge in edges]
        edges_ps = np.array([round(at * 10**12 / rate_hz) for at in samples], np.int64)
        lines[name] = Line(name, edges_ps, 0)
    capture = pwmscope.Capture(lines, end_ns * 1000, 1e12 / rate_hz, "bench")
    return pwmscope.examine(capture), 1e6 / rate_hz


def receiver(findings, lines):
    return next(r for r in findings.order.receivers if set(r.lines) == set(lines))


def test_the_lines_of_each_receiver_are_found_and_ordered(recording):
    """Common practice: a receiver has one frame clock; its channels keep their order."""
    findings, _ = recording
    groups = {frozenset(group) for group in findings.order.grouping.groups}
    assert groups == {frozenset(CHAIN), frozenset(TOGETHER)}
    assert receiver(findings, CHAIN).lines == CHAIN
    assert receiver(findings, TOGETHER).lines == TOGETHER


def test_the_drift_between_the_receivers_is_that_of_their_periods(recording):
    """Difference of the two commanded periods, in microseconds a second."""
    findings, _ = recording
    (apart,) = [t for t in findings.order.grouping.ties if t.step is Step.DRIFTS]
    sign = 1.0 if apart.first.startswith("a") else -1.0
    true = sign * (B_PERIOD_NS / A_PERIOD_NS - 1.0) * 1e6
    assert abs(apart.drift_us_per_s - true) <= 3.0 * apart.uncertainty_us_per_s
    assert apart.uncertainty_us_per_s < 0.3


def test_how_the_outputs_start(recording):
    """One after another with slope 1 and the bench's gap; all together within a glitch's width."""
    findings, interval_us = recording
    chain = receiver(findings, CHAIN)
    assert chain.start is Start.CHAIN
    for link in chain.links:
        assert abs(link.slope - 1.0) <= COVERAGE * link.slope_uncertainty
        assert abs(link.gap_us.mean - GAP_NS / 1e3) <= interval_us
        assert link.gap_us.max - link.gap_us.min <= 2 * interval_us + ROUNDING_US
    assert receiver(findings, TOGETHER).start is Start.TOGETHER


def true_skews_us(edges_ns, name, first):
    """Starts after the first line's, paired by the number of the frame."""
    rises_ns, first_ns = edges_ns[name][0::2], edges_ns[first][0::2]
    if name == "b3":
        first_ns = first_ns[np.arange(1, FRAMES + 1) % LEAVE_OUT != 0]
    return (rises_ns - first_ns) / 1e3


def test_the_skews(recording, edges_ns):
    """IEEE Std 181 delay: extremes within one sample interval, means within their uncertainty."""
    findings, interval_us = recording
    for group in (CHAIN, TOGETHER):
        for skew in receiver(findings, group).skews:
            true_us = true_skews_us(edges_ns, skew.line, group[0])
            assert skew.skew_us.count == true_us.size
            assert abs(skew.skew_us.min - true_us.min()) <= interval_us + ROUNDING_US
            assert abs(skew.skew_us.max - true_us.max()) <= interval_us + ROUNDING_US
            # Three: of some thirty means one or two lie beyond two.
            assert abs(skew.skew_us.mean - true_us.mean()) <= 3.0 * skew.uncertainty_us


@pytest.mark.parametrize("line", CHAIN)
def test_the_clock_of_a_sequential_receiver_is_that_of_its_first_output(recording, edges_ns, line):
    """The widths before move later starts by up to 800 us each; the clock jitters by 1.4 us.

    The truth is of the first output's edges, by NumPy: distance from a line by least squares.
    """
    findings, _ = recording
    rise_us, frame = edges_ns["a1"][0::2] / 1e3, np.arange(FRAMES)
    away_us = rise_us - np.polyval(np.polyfit(frame, rise_us, 1), frame)
    timing = findings.channels[line].timing
    found, held = timing.error_separation, np.sqrt(away_us @ away_us / (FRAMES - 2))
    assert found.interval_us[0] <= held <= found.interval_us[1]
    assert held < 2.0
    said = findings.channels[line]["time interval error"].sentence
    assert ("seen on a1" in said) == (line != "a1")
    assert findings.channels[line]["periodic time error"].value == 0.0


def record_of(table):
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)


def test_the_left_out_frames_are_glitches_of_one_line(recording, edges_ns):
    """The bench leaves out every 37th frame of b3 and spoils nothing else."""
    findings, interval_us = recording
    tables = {line: channel.table for line, channel in findings.channels.items()}
    records = {line: record_of(table) for line, table in tables.items()}
    glitches = {
        line: examine_glitches(record, Span(0.0, findings.capture.end_s))
        for line, record in records.items()
    }
    counts = {line: found.count for line, found in glitches.items() if found.count}
    assert counts == {"b3": FRAMES // LEAVE_OUT}
    missing = next(k for k in glitches["b3"].kinds if k.kind is GlitchKind.MISSING)
    due_ns = edges_ns["b1"][0::2][LEAVE_OUT - 1 :: LEAVE_OUT] + 4207
    late_us = missing.moments.start_s * 1e6 - due_ns / 1e3
    assert np.abs(late_us).max() <= 10.0 + interval_us  # two frame starts of the bench's jitter
    found = examine_coincidence(glitches, records)
    assert found.findings[0].value == 0
    assert found.patterns[0].lines == ("b3",)


@given(
    frames=st.integers(1, 120),
    skew_us=st.floats(0, 19_999),
    jitter_us=st.floats(0, 2_000),
    missing=st.floats(0, 0.6),
    seed=st.integers(0, 2**32 - 1),
)
def test_pairing_against_pandas(frames, skew_us, jitter_us, missing, seed):
    """``merge_asof`` (nearest, half a period), then the nearer of two that share a partner."""
    rng = np.random.default_rng(seed)
    extra = rng.integers(0, 10)
    period_us = 20_000.0
    clock_s = 1.0 + period_us / 1e6 * np.arange(frames) + rng.normal(0, 1e-5, frames)
    reference_s = np.sort(np.append(clock_s, rng.uniform(1.0, clock_s[-1] + 0.01, extra)))
    other_s = clock_s + (skew_us + rng.normal(0, jitter_us, frames)) / 1e6
    other_s = other_s[rng.random(frames) >= missing]
    other_s = np.sort(np.append(other_s, rng.uniform(1.0, clock_s[-1] + 0.01, extra)))
    found = pair(reference_s, other_s, skew_us, period_us)
    aims = pd.DataFrame({"aim_s": reference_s + skew_us / 1e6})
    others = pd.DataFrame({"aim_s": other_s, "at_s": other_s, "place": np.arange(other_s.size)})
    merged = pd.merge_asof(
        aims, others, on="aim_s", direction="nearest", tolerance=period_us / 2e6
    ).assign(row=np.arange(reference_s.size))
    merged["off_s"] = (merged["at_s"] - merged["aim_s"]).abs()
    kept = merged.dropna().sort_values("off_s").drop_duplicates("place")
    expected = np.full(reference_s.size, -1)
    expected[kept["row"].to_numpy()] = kept["place"].to_numpy(dtype=int)
    np.testing.assert_array_equal(found, expected)
