"""CPU time of comparing twenty recordings, against reading and examining them.

    python tests/benchmarks/comparison.py [RECORDINGS]

takes the shipped drill RECORDINGS times (20 unless given), kept as edge files of different names,
and times, each in a process of its own, in CPU seconds: `load` and `examine` of all (the floor),
and the whole command `pwmscope compare`.
"""

import resource
import subprocess
import sys
import tempfile
from pathlib import Path

CAPTURES = Path(__file__).parents[2] / "captures"
FLOOR = """
import sys, pwmscope
from pwmscope.bench.sheet import load_sheet
sheet = load_sheet(sys.argv[1])
for path in sys.argv[2:]:
    pwmscope.examine(pwmscope.load(path), sheet=sheet)
"""


def cpu_s(command: list[str]) -> float:
    """Return the CPU seconds that a command takes."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the two times and their ratio."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    sheet = str(CAPTURES / "bench.toml")
    with tempfile.TemporaryDirectory() as folder:
        paths = [str(Path(folder) / f"{number}.parquet") for number in range(count)]
        for path in paths:
            convert = ["convert", str(CAPTURES / "drill.csv.gz"), path]
            cpu_s([sys.executable, "-m", "pwmscope", *convert])
        floor_s = cpu_s([sys.executable, "-c", FLOOR, sheet, *paths])
        whole_s = cpu_s([sys.executable, "-m", "pwmscope", "compare", *paths, "--sheet", sheet])
    print(f"load and examine  {floor_s:6.2f} s CPU")
    print(f"compare           {whole_s:6.2f} s CPU  ratio {whole_s / floor_s:.2f}")


if __name__ == "__main__":
    main()
