"""Time and peak memory of measuring a sampled CSV, against polars merely scanning it.

    python benchmarks/sampled_table.py [ROWS]

writes a sampled recording of four lines at 1 MS/s to a temporary folder (ROWS samples,
10 million unless given), then runs, each in a process of its own and three times in turn,

- the floor: ``polars.scan_csv(FILE).select(pl.all().sum()).collect(engine="streaming")``
- pwmscope: ``examine(load(FILE))``

and prints the best CPU + wall time of each, their ratio, and peak memory.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

FLOOR = """
import polars as pl
pl.scan_csv(FILE).select(pl.all().sum()).collect(engine="streaming")
"""
MEASURE = """
import pwmscope
pwmscope.examine(pwmscope.load(FILE))
"""
SCRIPT = """
duration_s = {duration}
sample_rate_hz = 1_000_000
seed = 5
output = {{ shape = "samples" }}
frame = {{ period_us = 20_000, first_frame_us = 3_000, jitter_us = 1 }}
width = {{ jitter_us = 0.5 }}
{channels}
"""
CHANNEL = """
[[channel]]
name = "RX{i}"
skew_us = {i}
moves = [{{ dwell_us = 1500, for_s = 2 }}, {{ sweep_to_us = 2000, over_s = 2 }}]
"""


def write_recording(folder: Path, rows: int) -> Path:
    """Write the recording and return its path."""
    from pwmscope.synth import build, load_script, write  # noqa: PLC0415

    script = folder / "script.toml"
    channels = "".join(CHANNEL.format(i=i) for i in range(1, 5))
    script.write_text(SCRIPT.format(duration=(rows - 1) / 1e6, channels=channels))
    file = folder / "sampled.csv"
    write(build(load_script(script)), file)
    return file


def run(code: str, file: Path) -> dict[str, float]:
    """Run code in a fresh process; return its wall time, CPU time and peak memory."""
    wrapped = (
        f"FILE = {str(file)!r}\n"
        "import json, resource, time\n"
        "import numpy, scipy.ndimage, polars, pwmscope.findings\n"
        "begin = time.perf_counter()\n" + code + "\n"
        "wall = time.perf_counter() - begin\n"
        "use = resource.getrusage(resource.RUSAGE_SELF)\n"
        "print(json.dumps({'wall_s': wall, 'peak_mib': use.ru_maxrss / 1024}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", wrapped], capture_output=True, text=True, check=True
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def main() -> None:
    """Print the figures."""
    rows = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as folder:
        file = write_recording(Path(folder), rows)
        print(f"{rows:,} rows x 4 lines, {file.stat().st_size / 1e6:.0f} MB")
        floors, measures = [], []
        for _ in range(3):
            floors.append(run(FLOOR, file))
            measures.append(run(MEASURE, file))
    for name, runs in (("polars scan", floors), ("pwmscope", measures)):
        print(
            f"{name:12} {min(r['wall_s'] for r in runs):7.2f} s"
            f" {max(r['peak_mib'] for r in runs):7.0f} MiB"
        )
    ratio = min(r["wall_s"] for r in measures) / min(r["wall_s"] for r in floors)
    print(f"ratio        {ratio:7.2f}")


if __name__ == "__main__":
    main()
