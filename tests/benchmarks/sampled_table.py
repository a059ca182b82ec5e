"""Time and peak memory of measuring a sampled CSV, against polars merely scanning it.

    python tests/benchmarks/sampled_table.py [ROWS [FORM ...]]

writes a sampled recording of four lines at 1 MS/s to a temporary folder (in TMPDIR; ROWS samples,
10 million unless given), then runs, each in a process of its own and five times in turn,

- the floor: ``polars.scan_csv(FILE).select(pl.all().sum()).collect(engine="streaming")``
- pwmscope: the command ``pwmscope measure FILE``

and prints the median wall and CPU time of each, start-up included, their ratios, and peak memory.
FORMs, all three unless given, are ``padded``, ``gzip``: that file packed, where the floor is
``gzip -dc FILE``, and ``ragged``: times without the zeros at their end.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from measured import run_command, tell_medians

FLOOR = """
import sys
import polars as pl
pl.scan_csv(sys.argv[1]).select(pl.all().sum()).collect(engine="streaming")
"""
ROUNDS = 5
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


def without_zeros(padded: Path) -> Path:
    """Write the same rows with times without zeros at their end."""
    ragged = padded.with_name("ragged.csv")
    with padded.open("rb") as rows, ragged.open("wb") as out:
        for block in iter(lambda: rows.readlines(1 << 20), []):
            out.write(re.sub(rb"(?m)^(\d+(?:\.\d*[1-9])?)\.?0*,", rb"\1,", b"".join(block)))
    return ragged


def packed(plain: Path) -> Path:
    """Pack a copy of the file with gzip as its command does unless told otherwise."""
    subprocess.run(["gzip", "--keep", str(plain)], check=True)
    return plain.with_name(plain.name + ".gz")


FORMS = {"padded": Path, "gzip": packed, "ragged": without_zeros}


def compare(file: Path, form: str) -> None:
    """Print the figures of one file."""
    print(f"{form}, {file.stat().st_size / 1e6:.0f} MB")
    floor, name = [sys.executable, "-c", FLOOR, str(file)], "polars scan"
    if form == "gzip":
        floor, name = [shutil.which("gzip") or "gzip", "-dc", str(file)], "gzip -dc"
    measure = [sys.executable, "-m", "pwmscope", "measure", str(file)]
    floors, measures = [], []
    for _ in range(ROUNDS):
        floors.append(run_command(floor))
        measures.append(run_command(measure))
    tell_medians(name, floors, measures, "pwmscope measure")


def main() -> None:
    """Print the figures."""
    rows = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 10_000_000
    with tempfile.TemporaryDirectory() as folder:
        padded = write_recording(Path(folder), rows)
        print(f"{rows:,} rows x 4 lines")
        for form in sys.argv[2:] or FORMS:
            compare(FORMS[form](padded), form)


if __name__ == "__main__":
    main()
