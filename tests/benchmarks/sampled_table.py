"""Time and peak memory of measuring a sampled CSV, against polars merely scanning it.

    python tests/benchmarks/sampled_table.py [ROWS]

writes a sampled recording of four lines at 1 MS/s to a temporary folder (ROWS samples,
10 million unless given), then runs, each in a process of its own and three times in turn,

- the floor: ``polars.scan_csv(FILE).select(pl.all().sum()).collect(engine="streaming")``
- pwmscope: ``examine(load(FILE))``

and prints the best wall time of each, their ratio, and peak memory.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from measured import run, tell

FLOOR = """
import polars as pl
pl.scan_csv(FILE).select(pl.all().sum()).collect(engine="streaming")
"""
MEASURE = """
import pwmscope
pwmscope.examine(pwmscope.load(FILE))
"""
IMPORTS = "numpy, scipy.ndimage, polars, pwmscope.findings"
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
    """Write the recording with the project's own command and return its path."""
    script = folder / "script.toml"
    channels = "".join(CHANNEL.format(i=i) for i in range(1, 5))
    script.write_text(SCRIPT.format(duration=(rows - 1) / 1e6, channels=channels))
    file = folder / "sampled.csv"
    subprocess.run(
        [sys.executable, "-m", "pwmscope", "synth", str(script), "-o", str(file)],
        check=True,
        capture_output=True,
    )
    return file


def main() -> None:
    """Print the figures."""
    rows = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as folder:
        file = write_recording(Path(folder), rows)
        print(f"{rows:,} rows x 4 lines, {file.stat().st_size / 1e6:.0f} MB")
        floors, measures = [], []
        for _ in range(3):
            floors.append(run(FLOOR, file, IMPORTS))
            measures.append(run(MEASURE, file, IMPORTS))
    tell("polars scan", floors, measures)


if __name__ == "__main__":
    main()
