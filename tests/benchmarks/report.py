"""CPU time of a whole report on an hour of eight channels, against reading and examining it.

    python tests/benchmarks/report.py [SECONDS]

makes a recording of eight channels and a marker line, 20 ms frames (1.4 million pulses in an hour),
0.5 us of jitter, 1 MS/s: sticks that move and rest, a glitch now and then, twelve signal losses, a
bench sheet beside it. Then it times, each in a process of its own,

- the floor: ``examine(load(file), sheet=...)``
- the report: ``pwmscope report FILE --sheet SHEET -o DIR``, from start to end

in CPU seconds with the peak memory, and prints the size of what was written, and the largest
contentful paint of the page in a browser.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from paint import tell_paints

from pwmscope.capture import Capture, Line
from pwmscope.capture.columnar import write_edges

HOUR_S = 3600.0
FRAME_S = 0.02
CHANNELS = 8
LOSSES = 12
PS = 1e12
CHILD = """
import json, resource, time
{code}
use = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps([time.process_time(), use.ru_maxrss / 1024]))
"""
FLOOR = """
import pwmscope
from pwmscope.bench import load_sheet
pwmscope.examine(pwmscope.load({file!r}), sheet=load_sheet({sheet!r}))
"""
REPORT = """
import io, contextlib
from pwmscope.cli import main
with contextlib.redirect_stdout(io.StringIO()):
    main(["report", {file!r}, "--sheet", {sheet!r}, "-o", {folder!r}], standalone_mode=False)
"""


def recording(length_s: float) -> Capture:
    """Make the recording: each stick goes to a new place every few seconds and stays there."""
    rng = np.random.default_rng(8)
    rise_s = 0.005 + FRAME_S * np.arange(int(length_s / FRAME_S) - 1)
    off_s = length_s * (np.arange(LOSSES) + 0.5) / LOSSES
    into_s = rise_s - off_s[np.clip(np.searchsorted(off_s, rise_s) - 1, 0, None)]
    is_off = (into_s >= 0.0) & (into_s < 5.0)
    lines = {}
    for k in range(CHANNELS):
        places_us = rng.choice([1000.0, 1250.0, 1500.0, 1500.0, 1750.0, 2000.0], int(length_s) + 2)
        stick_us = np.interp(rise_s % 3.0, [0.0, 0.4], [0.0, 1.0])
        at = (rise_s / 3.0).astype(int)
        width_us = places_us[at] + stick_us * (places_us[at + 1] - places_us[at])
        width_us = np.where(is_off & (into_s > 0.5), 1500.0, width_us)
        width_us += rng.normal(0.0, 0.5, width_us.size)
        width_us[rng.choice(width_us.size, int(length_s / 400.0), replace=False)] += 400.0
        start_us = np.rint(rise_s * 1e6 + 300 * k + rng.normal(0.0, 0.5, rise_s.size))
        edges_us = np.stack([start_us, start_us + np.rint(width_us)], axis=1).ravel()
        lines[f"RX{k + 1}"] = Line(f"RX{k + 1}", (edges_us * 1e6).astype(np.int64), 0)
    switch_s = np.stack([off_s, off_s + 5.0], axis=1).ravel()
    lines["tx-on"] = Line("tx-on", np.rint(switch_s * PS).astype(np.int64), 1)
    return Capture(lines, int(length_s * PS), 1e6, "an hour on the bench")


def sheet_text() -> str:
    """Write a sheet on which every line is a drive."""
    lines = ['robot = "Quince"', 'club = "Millrace Robotics Club"', "[marker]", 'line = "tx-on"']
    for k in range(1, CHANNELS + 1):
        lines += [f"[channels.RX{k}]", 'role = "drive-left"', 'no_pulses = "stops"']
    return "\n".join(lines) + "\n"


def timed(code: str) -> tuple[float, float]:
    """Run code in a process of its own; return its CPU seconds and its peak in MiB."""
    done = subprocess.run(
        [sys.executable, "-c", CHILD.format(code=code)], capture_output=True, text=True, check=True
    )
    taken_s, peak_mib = json.loads(done.stdout.splitlines()[-1])
    return taken_s, peak_mib


def main() -> None:
    """Print times, peaks and sizes."""
    length_s = float(sys.argv[1]) if len(sys.argv) > 1 else HOUR_S
    with tempfile.TemporaryDirectory() as folder:
        file, sheet, out = (Path(folder) / name for name in ("hour.parquet", "bench.toml", "out"))
        capture = recording(length_s)
        pulses = sum(line.edges_ps.size // 2 for line in capture.lines.values())
        write_edges(capture, file)
        del capture
        sheet.write_text(sheet_text())
        print(f"{pulses} pulses on {CHANNELS} channels in {length_s:g} s")
        names = {"file": str(file), "sheet": str(sheet), "folder": str(out)}
        floor_s, floor_mib = timed(FLOOR.format(**names))
        taken_s, peak_mib = timed(REPORT.format(**names))
        print(f"{'reading and examining':24} {floor_s:8.2f} s {floor_mib:7.0f} MiB")
        print(f"{'report':24} {taken_s:8.2f} s {peak_mib:7.0f} MiB")
        print(f"{'ratio':24} {taken_s / floor_s:8.3f}")
        for path in sorted(out.iterdir()):
            print(f"  {path.name:22} {path.stat().st_size / 1e6:8.2f} MB")
        tell_paints(out / "report.html")


if __name__ == "__main__":
    main()
