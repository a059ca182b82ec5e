"""All timing and travel findings of one long channel, against one plain pass over its widths.

    .venv/bin/python benchmarks/findings.py 10_000_000

The channel is soaked: 20 ms frames, 0.5 us of width jitter, 0.3 us of period jitter, sampled at
24 MS/s, the stick moved a few hundred times. The floor is ``numpy.diff`` and ``numpy.percentile``
over the widths.
"""

from __future__ import annotations

import sys
from pathlib import Path

from measured import run, tell

BUILD = """
count = {count}
rng = np.random.default_rng(1)
ts_us = 1.0 / 24.0
width_us = rng.normal(1500.0, 0.5, count)
for at in rng.choice(count - 4000, 120, replace=False):
    end_us = 1000.0 if at % 2 else 2000.0
    move = np.concatenate([np.linspace(1500, end_us, 50), np.full(100, end_us),
                           np.linspace(end_us, 1500, 50)])
    width_us[at : at + move.size] += move - 1500.0
period_us = 20_000.3 + rng.normal(0, 0.3, count)
period_us[rng.choice(count, 50, replace=False)] += 20_000.3
rise_us = np.round(np.cumsum(period_us) / ts_us) * ts_us
width_us = np.round(width_us / ts_us) * ts_us
table = PulseTable("RX1", rise_us / 1e6, width_us, np.append(np.diff(rise_us), np.nan),
                   np.zeros(count, np.uint8), False, STANDARD_SERVO, ts_us)
del period_us, rise_us
begin = time.perf_counter()
"""
FLOOR = "np.diff(table.width_us); np.percentile(table.width_us, [2.5, 50, 97.5])"
FINDINGS = """
frames = find_frames(table)
record = Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)
timing, travel = examine_timing(record), examine_travel(record)
examine_rhythm(record, timing.clock)
examine_stability(record, timing.clock)
examine_resolution(record, travel.moves)
examine_centring(record, travel)
examine_sweeps(record, travel)
examine_glitches(record, Span(0.0, float(table.rise_s[-1])))
"""
IMPORTS = """numpy as np
from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.centring import examine_centring
from pwmscope.findings.dwells import find_dwells
from pwmscope.findings.glitches import examine_glitches
from pwmscope.findings.record import Record
from pwmscope.findings.resolution import examine_resolution
from pwmscope.findings.rhythm import examine_rhythm
from pwmscope.findings.spans import Span
from pwmscope.findings.stability import examine_stability
from pwmscope.findings.sweep import examine_sweeps
from pwmscope.findings.timing import examine_timing
from pwmscope.findings.travel import examine_travel
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames"""


def main() -> None:
    """Print time and peak memory of the floor and of the findings."""
    count = int((sys.argv[1] if len(sys.argv) > 1 else "10_000_000").replace("_", ""))
    build = BUILD.format(count=count)
    here = Path(__file__)
    floors = [run(build + FLOOR, here, IMPORTS) for _ in range(3)]
    runs = [run(build + FINDINGS, here, IMPORTS) for _ in range(3)]
    tell("diff and percentile", floors, runs)


if __name__ == "__main__":
    main()
