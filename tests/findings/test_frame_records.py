"""Any frames, whole or damaged: timing answers without a warning or a contradiction."""

import json

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Line
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.timing import examine_timing
from pwmscope.model import Span
from pwmscope.pulses import decode_line, find_frames

PERIODS_US = [2_600.0, 7_000.0, 9_000.0, 14_000.0, 20_000.0, 40_000.0]


@settings(max_examples=150)
@given(
    periods_us=st.lists(st.sampled_from(PERIODS_US), min_size=1, max_size=8),
    count=st.integers(1, 120),
    jitter_us=st.sampled_from([0.0, 1.0, 300.0]),
    dropped=st.sampled_from([0.0, 0.03, 0.5]),
    added=st.integers(0, 8),
    notched=st.integers(0, 6),
    interval_us=st.sampled_from([0.01, 1.0, 10.0, None]),
    lost=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    seed=st.integers(0, 10**6),
)
def test_any_frames(
    *, periods_us, count, jitter_us, dropped, added, notched, interval_us, lost, seed
):
    rng = np.random.default_rng(seed)
    at_us = np.concatenate([[0.0], np.cumsum(np.resize(periods_us, count))])[:count]
    at_us = np.abs(5_000 + at_us + rng.normal(0, jitter_us, count))[rng.random(count) >= dropped]
    at_us = np.append(at_us, rng.uniform(0, at_us.max(initial=1e4), added))
    edges_us = np.stack([at_us, at_us + 1_500 + rng.normal(0, 1, at_us.size)], axis=1).ravel()
    notch_us = rng.permutation(at_us)[:notched] + 700
    edges_us = np.concatenate([edges_us, notch_us, notch_us + 20.0])
    edges_us = np.unique(np.ceil(edges_us / (interval_us or 0.01)) * (interval_us or 0.01))
    edges_ps = np.rint(edges_us * 1e6).astype(np.int64)
    end_ps = int(edges_ps.max(initial=0)) + 10**9
    table = decode_line(Line("RX1", edges_ps, 0), end_ps, interval_us)
    frames = find_frames(table)
    begin_s, end_s = sorted(share * end_ps / 1e12 for share in lost)
    record = Record(
        table, frames, find_dwells(table, frames), (Span(begin_s, end_s),), COMMON_PRACTICE
    )
    timing = examine_timing(record)

    said = [(f.value, f.uncertainty, f.interval, f.sentence) for f in timing.findings]
    assert json.loads(json.dumps(said, allow_nan=False))
    faults = timing.faults
    assert (faults.dropped_count > 0).all()
    assert (faults.dropped_from < faults.dropped_to).all()
    rows = np.concatenate([faults.late_row, faults.extra_row])
    assert np.unique(rows).size == rows.size
    if timing.clock is not None:
        assert (np.diff(timing.clock.frame_number) > 0).all()
        assert np.isfinite(timing.clock.time_error_us).all()
        assert timing.clock.period_uncertainty_us >= timing.clock.period_error_us * (1 - 1e-9)
