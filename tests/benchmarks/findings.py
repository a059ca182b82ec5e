"""All timing and travel findings of one long channel, against one plain pass over its widths.

    .venv/bin/python tests/benchmarks/findings.py 10_000_000

The channel is soaked: 20 ms frames, 0.5 us of width jitter, 0.3 us of period jitter, sampled at
24 MS/s, the stick moved to its ends and back over a hundred times, some frames dropped, some
widths stray. The floor is ``numpy.diff`` and ``numpy.percentile`` over the widths. The time of each
stage of the fastest run is printed too.
"""

from __future__ import annotations

import json
import sys
import tempfile
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
width_us[rng.choice(count, 40, replace=False)] += 300.0
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
STAGES = (
    ("frames", "frames = find_frames(table)"),
    ("dwells", "dwells = find_dwells(table, frames)"),
    (
        "timing",
        "record = Record(table, frames, dwells, (), COMMON_PRACTICE)\n"
        "timing = examine_timing(record)",
    ),
    ("travel", "travel = examine_travel(record)"),
    ("rhythm", "examine_rhythm(record, timing.clock)"),
    ("stability", "examine_stability(record, timing.clock)"),
    ("resolution", "examine_resolution(record, travel.moves)"),
    ("centring", "examine_centring(record, travel)"),
    ("sweeps", "examine_sweeps(record, travel)"),
    ("glitches", "examine_glitches(record, Span(0.0, float(table.rise_s[-1])))"),
)
"""What is examined, in this order; each uses what those before it found."""
FINDINGS = "ends = [begin]\n" + "".join(
    f"{code}\nends.append(time.perf_counter())\n" for _, code in STAGES
)
NOTE = "with open(FILE, 'w') as out: json.dump(np.diff(ends).tolist(), out)"
IMPORTS = """numpy as np, polars
from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.travel.centring import examine_centring
from pwmscope.findings.segmentation.record import find_dwells
from pwmscope.findings.glitches import examine_glitches
from pwmscope.findings.segmentation.record import Record
from pwmscope.findings.travel.resolution import examine_resolution
from pwmscope.findings.timing.rhythm import examine_rhythm
from pwmscope.model.recording import Span
from pwmscope.findings.timing.stability import examine_stability
from pwmscope.findings.travel.sweep import examine_sweeps
from pwmscope.findings.timing.timing import examine_timing
from pwmscope.findings.travel.travel import examine_travel
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames"""


def main() -> None:
    """Print time and peak memory of the floor and of the findings."""
    count = int((sys.argv[1] if len(sys.argv) > 1 else "10_000_000").replace("_", ""))
    build = BUILD.format(count=count)
    with tempfile.TemporaryDirectory() as folder:
        note = Path(folder) / "stages.json"
        floors = [run(build + FLOOR, note, IMPORTS) for _ in range(3)]
        runs, stages = [], []
        for _ in range(3):
            runs.append(run(build + FINDINGS + NOTE, note, IMPORTS))
            stages.append(json.loads(note.read_text()))
    tell("diff and percentile", floors, runs)
    fastest = min(range(len(runs)), key=lambda nth: runs[nth]["wall_s"])
    for (name, _), taken_s in zip(STAGES, stages[fastest], strict=True):
        print(f"  {name:22} {taken_s:8.2f} s")


if __name__ == "__main__":
    main()
