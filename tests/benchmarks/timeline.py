"""The timeline of an hour of eight lines, against deflating the widths of all its pulses.

    .venv/bin/python tests/benchmarks/timeline.py

1.4 million pulses at 50 frames a second, sampled at 24 MS/s, with jitter, moves, three gaps and
twenty glitches a line. Measuring the recording does not count.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from measured import run, tell

BUILD = """
rng = np.random.default_rng(4)
count, ts_us, lines = 180_000, 1.0 / 24.0, {}
for k in range(8):
    rise_us = 1000 + k * 2100 + np.cumsum(20_000 + rng.normal(0, 0.3, count))
    width_us = rng.normal(1500.0, 0.5, count)
    for at in rng.choice(count - 200, 60, replace=False):
        end_us = 1000.0 if at % 2 else 2000.0
        width_us[at : at + 200] += np.interp(np.arange(200), [0, 50, 150, 199], [0, 1, 1, 0]) * (
            end_us - 1500.0)
    kept = np.ones(count, bool)
    for at in (30_000, 90_000, 150_000):
        kept[at : at + 400] = False
    spikes_us = rise_us[rng.choice(count, 20, replace=False)] + 9000
    edges_us = np.sort(np.concatenate(
        [rise_us[kept], (rise_us + width_us)[kept], spikes_us, spikes_us + 15]))
    edges_ps = np.rint(np.round(edges_us / ts_us) * ts_us * 1e6).astype(np.int64)
    lines[f"OUT{k + 1}"] = Line(f"OUT{k + 1}", edges_ps, 0)
findings = pwmscope.examine(Capture(lines, int(3600.5e12), 1e6 / 24.0, "made here"))
begin = time.perf_counter()
"""
FLOOR = """
widths = [channel.table.width_us for channel in findings.channels.values()]
zlib.compress(np.rint(np.concatenate(widths) * 24).astype(np.int32).tobytes(), 6)
"""
TIMELINE = """
made = timeline_fragment(findings)
with open(FILE, "w") as out: out.write(made.html)
"""
IMPORTS = """numpy as np, pwmscope, zlib
from pwmscope.capture import Capture, Line
from pwmscope.report.timeline import timeline_fragment"""


def main() -> None:
    """Print time and peak memory of the floor and of the timeline, and the timeline's size."""
    with tempfile.TemporaryDirectory() as folder:
        written = Path(folder) / "timeline.html"
        floors = [run(BUILD + FLOOR, written, IMPORTS) for _ in range(3)]
        runs = [run(BUILD + TIMELINE, written, IMPORTS) for _ in range(3)]
        tell("deflating all widths", floors, runs)
        print(f"{'size':24} {written.stat().st_size / 1e6:8.3f} MB")


if __name__ == "__main__":
    main()
