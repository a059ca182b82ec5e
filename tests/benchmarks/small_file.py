"""A short recording: processor time of the whole command, and of what it cannot do without.

    python tests/benchmarks/small_file.py [RUNS]

Median user and system time of `pwmscope measure captures/clean-sweep.csv` over the runs (7 unless
given), of the command's help, and of a Python that imports numpy, taken in turn.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
from pathlib import Path

from measured import ENVIRONMENT

SWEEP = Path(__file__).parents[2] / "captures" / "clean-sweep.csv"
COMMANDS = {
    "python, numpy": ["-c", "import numpy"],
    "pwmscope --help": ["-m", "pwmscope", "--help"],
    "pwmscope measure": ["-m", "pwmscope", "measure", str(SWEEP)],
}


def cpu_s(words: list[str]) -> float:
    """User and system time of one run of Python."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True, env=ENVIRONMENT)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the medians."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    for words in COMMANDS.values():
        cpu_s(words)  # compiles what is not compiled yet
    taken: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(runs):
        for name, words in COMMANDS.items():
            taken[name].append(cpu_s(words))
    for name, times in taken.items():
        print(f"{name:18} {statistics.median(times):6.2f} s of CPU")


if __name__ == "__main__":
    main()
