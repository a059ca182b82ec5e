"""Time and peak memory of reading a value change dump, against pyvcd merely tokenising it.

    python tests/benchmarks/value_changes.py [CHANGES]

writes a value change dump of four lines in units of 1 ns to a temporary folder (CHANGES level
changes, 2 million unless given), then runs, each in a process of its own,

- the floor: every token of ``vcd.reader.tokenize(FILE)``, once
- pwmscope: ``read_vcd(FILE)``, the best of three

and prints the wall time and peak memory of each, and the ratio of the times.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from measured import run, tell

FLOOR = """
from vcd.reader import tokenize
with open(FILE, "rb") as file:
    for token in tokenize(file):
        pass
"""
MEASURE = """
from pathlib import Path
from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.vcd import read_vcd
read_vcd(Path(FILE), Hints())
"""
IMPORTS = "numpy, vcd.reader, pwmscope.capture.vcd.dump"
CODES = '!"#$'
FRAME_NS = 20_000_000


def write_recording(file: Path, changes: int) -> None:
    """Write servo pulses of 1 to 2 ms on four lines, 1.1 us apart, to the nanosecond."""
    draws = np.random.default_rng(5)
    frames = -(-changes // 8)
    values = np.array([f"1{code}" for code in CODES] + [f"0{code}" for code in CODES])
    with file.open("w") as out:
        out.write("$timescale 1 ns $end\n$scope module bench $end\n")
        for i, code in enumerate(CODES, 1):
            out.write(f"$var wire 1 {code} RX{i} $end\n")
        out.write("$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n")
        out.write("".join(f"0{code}\n" for code in CODES) + "$end\n")
        # Piece by piece: a child's peak memory counts from its parent's size.
        for begin in range(0, frames, 10_000):
            frame = np.arange(begin, min(begin + 10_000, frames))[:, None]
            rises = frame * FRAME_NS + 3_000_000 + np.arange(4) * 1_100
            falls = rises + draws.integers(1_000_000, 2_000_001, rises.shape)
            times = np.concatenate([rises, falls], axis=1)
            order = np.argsort(times, axis=1, kind="stable")
            listed = np.take_along_axis(times, order, axis=1).ravel().tolist()
            said = values[order].ravel().tolist()
            rows = zip(listed, said, strict=True)
            out.write("".join(f"#{time}\n{value}\n" for time, value in rows))
        out.write(f"#{frames * FRAME_NS}\n")


def main() -> None:
    """Print the figures."""
    changes = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 2_000_000
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "changes.vcd"
        write_recording(file, changes)
        print(f"{changes:,} changes on 4 lines, {file.stat().st_size / 1e6:.0f} MB")
        floor = run(FLOOR, file, IMPORTS)
        measures = [run(MEASURE, file, IMPORTS) for _ in range(3)]
    tell("pyvcd tokens", [floor], measures)


if __name__ == "__main__":
    main()
