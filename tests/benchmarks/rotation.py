"""Time of examining a rotation line, against one pass of `numpy.diff` and `numpy.histogram`.

    python tests/benchmarks/rotation.py [HOURS]

makes a rotor of 20,000 turns a minute with 6 marks for an hour (14.4 million edges), which slows
down by a tenth and back every ten seconds. Then it times, each in a process of its own, best of
three, the making of the line not counted,

- the floor: ``numpy.histogram(numpy.diff(edges), bins=1000)``
- the rotation line: marks, speeds, findings and the motion after one loss

and prints both with the peak memory and the ratio.
"""

from __future__ import annotations

import sys
from pathlib import Path

from measured import run, tell

FLOOR = "numpy.histogram(numpy.diff(LINE.edges_ps), bins=1000)"
ASKED = """
marks = find_marks(LINE, "rising", 41666.7)
rotor = Rotor("D6", "RX3", marks, 6, 60.0, 60.0, "benchmark")
examine_rotation(rotor, None, None, 20_000.0, "benchmark")
judge_motion(rotor, [LossMoment(END_S - 100, END_S - 100, END_S - 100, END_S - 1, 1e-6, "")])
"""
MAKE = """
import numpy
from pwmscope.capture import Line
from pwmscope.findings.sensors import (
    LossMoment, Rotor, examine_rotation, find_marks, judge_motion
)
END_S = 3600.0 * {hours}
grid_s = numpy.arange(0.0, END_S, 0.01)
turns = numpy.cumsum(20_000 / 60 * (0.95 + 0.05 * numpy.cos(0.2 * numpy.pi * grid_s))) * 0.01
at_s = numpy.interp(numpy.arange(int(turns[0] * 6) + 1, int(turns[-1] * 6)) / 6, turns, grid_s)
edges = numpy.rint(numpy.stack([at_s, at_s + 1e-4], axis=1).ravel() * 24e6).astype(numpy.int64)
LINE = Line("D6", edges * 41667, 0)
del grid_s, turns, at_s, edges
"""


def main(words: list[str]) -> None:
    """Time both."""
    hours = float(words[0]) if words else 1.0
    made = MAKE.format(hours=hours)
    timed = "begin, begin_cpu = time.perf_counter(), time.process_time()\n"
    floors = [run(f"{made}{timed}{FLOOR}", Path("none"), "numpy") for _ in range(3)]
    runs = [run(f"{made}{timed}{ASKED}", Path("none"), "numpy") for _ in range(3)]
    tell("diff and histogram", floors, runs, "rotation line")


if __name__ == "__main__":
    main(sys.argv[1:])
