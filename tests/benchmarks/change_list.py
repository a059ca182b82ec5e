"""Time and peak memory of measuring a change-listed CSV, against polars reading it.

    python tests/benchmarks/change_list.py [ROWS]

writes a change list of four lines, timed to the nanosecond, to a temporary folder (ROWS rows,
5 million unless given), then runs, each in a process of its own and five times in turn,

- the floor: ``polars.read_csv(FILE)``
- pwmscope: ``load(FILE)``, and ``examine(load(FILE))``

and prints the median wall and CPU time of each, imports not counted, the ratios, and peak memory.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from measured import run, tell_medians

FLOOR = """
import polars as pl
pl.read_csv(FILE)
"""
LOAD = """
import pwmscope
pwmscope.load(FILE)
"""
MEASURE = """
import pwmscope
pwmscope.examine(pwmscope.load(FILE))
"""
IMPORTS = "numpy, scipy.special, polars, pwmscope.findings, pwmscope.capture.text"
FRAME_NS = 20_000_000
PIECE = 5_000
"""Frames written at a time; a child's peak memory counts from its parent's size."""


def write_recording(file: Path, rows: int) -> None:
    """Write servo pulses of 1 to 2 ms on four lines, one change a row."""
    draws = np.random.default_rng(5)
    frames = -(-rows // 8)
    with file.open("w") as out:
        out.write("time_ns,RX1,RX2,RX3,RX4\n0,0,0,0,0\n")
        for begin in range(0, frames, PIECE):
            frame = np.arange(begin, min(begin + PIECE, frames))[:, None]
            rises = frame * FRAME_NS + 3_000_000 + np.arange(4) * 1_100
            falls = rises + draws.integers(1_000_000, 2_000_001, rises.shape)
            times = np.concatenate([rises, falls], axis=1)
            order = np.argsort(times, axis=1, kind="stable")
            times = np.take_along_axis(times, order, axis=1)
            flips = order[:, :, None] % 4 == np.arange(4)
            levels = np.cumsum(flips, axis=1) % 2
            listed = np.concatenate([times[:, :, None], levels], axis=2).reshape(-1, 5)
            out.write("".join(f"{t},{a},{b},{c},{d}\n" for t, a, b, c, d in listed.tolist()))
        out.write(f"{frames * FRAME_NS},0,0,0,0\n")


def main() -> None:
    """Print the figures."""
    rows = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 5_000_000
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "changes.csv"
        write_recording(file, rows)
        print(f"{rows:,} rows x 4 lines, {file.stat().st_size / 1e6:.0f} MB")
        floors, loads, measures = [], [], []
        for _ in range(5):
            floors.append(run(FLOOR, file, IMPORTS))
            loads.append(run(LOAD, file, IMPORTS))
            measures.append(run(MEASURE, file, IMPORTS))
    tell_medians("polars read_csv", floors, loads, "pwmscope load")
    tell_medians("polars read_csv", floors, measures, "pwmscope load, examine")


if __name__ == "__main__":
    main()
