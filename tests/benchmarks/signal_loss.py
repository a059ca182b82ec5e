"""CPU time of analysing many signal losses, against decoding the same capture.

    python tests/benchmarks/signal_loss.py [LOSSES]

makes an hour of eight channels and a marker line, 20 ms frames, in which the transmitter goes
off and on LOSSES times (10,000 unless given); half the channels then hold for 60 ms and go to a
preset, the others stop their pulses. Then it times, each in a process of its own, best of three,

- the floor: ``decode(capture)``
- losses: finding dwells and losses, and what every line did at each (``listen``)
- everything: ``examine(capture, off_line="tx-on", sheet=...)``

in CPU seconds, the making of the recording not counted, and prints them with the peak memory and
the ratios to the floor. The same without the marker line, where losses are inferred.
"""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np

from pwmscope.bench import BenchChannel, BenchSheet, Marker
from pwmscope.capture import Capture, Line

HOUR_S = 3600.0
FRAME_S = 0.02
CHANNELS = 8
PS = 1e12
MEASURED = {
    "decode": "decode(capture)",
    "losses": "find_losses(lines, reference, reference.limits)",
    "everything": "examine(capture, sheet=sheet)",
}
CHILD = """
import json, resource, sys, time
sys.path.insert(0, {folder!r})
from signal_loss import hour, sheet_of
from pwmscope.findings import examine
from pwmscope.findings.failsafe import find_losses, reference_of
from pwmscope.findings.segmentation.record import find_servo_lines
from pwmscope.pulses import decode
capture, sheet = hour({losses}, {marked}), sheet_of({marked})
reference = reference_of(capture, None, (), sheet)
lines = find_servo_lines(capture, reference.line)
begin = time.process_time()
{code}
taken = time.process_time() - begin
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([taken, peak]))
"""


def hour(losses: int, marked: bool) -> Capture:
    """Make the recording: the stick held off neutral, off for half of each cycle."""
    rng = np.random.default_rng(5)
    rise_s = 0.005 + FRAME_S * np.arange(int(HOUR_S / FRAME_S) - 1)
    cycle_s = HOUR_S / losses
    into_s = (rise_s - 0.5 * cycle_s) % cycle_s
    is_off = (into_s < 0.5 * cycle_s) & (rise_s > 0.5 * cycle_s)
    lines = {}
    for k in range(CHANNELS):
        width_us = np.where(is_off & (into_s >= 0.06), 1500.0, 1700.0 - 20 * k)
        width_us += rng.normal(0.0, 0.5, width_us.size)
        kept = ~is_off if k % 2 else np.ones(rise_s.size, bool)
        start_us = np.rint((rise_s * 1e6 + 300 * k)[kept])
        edges_us = np.stack([start_us, start_us + np.rint(width_us[kept])], axis=1).ravel()
        lines[f"RX{k + 1}"] = Line(f"RX{k + 1}", (edges_us * 1e6).astype(np.int64), 0)
    if marked:
        edges_s = np.arange(1, 2 * losses) * 0.5 * cycle_s
        lines["tx-on"] = Line("tx-on", np.rint(edges_s * PS).astype(np.int64), 1)
    return Capture(lines, int(HOUR_S * PS), 1e6, "an hour of losses")


def sheet_of(marked: bool) -> BenchSheet:
    """Make a sheet on which every line is a drive."""
    channels = {
        f"RX{k + 1}": BenchChannel(
            f"RX{k + 1}", "drive-left", "", 1000.0, 1500.0, 2000.0, 40.0, "stops", None, None
        )
        for k in range(CHANNELS)
    }
    return BenchSheet("", "", "", 2.0, "", Marker("tx-on", "high") if marked else None, channels)


def measure(name: str, losses: int, marked: bool) -> tuple[float, float]:
    """Return the best CPU time in seconds and the largest peak in MiB of three runs."""
    folder = __file__.rpartition("/")[0] or "."
    code = CHILD.format(folder=folder, losses=losses, marked=marked, code=MEASURED[name])
    runs = []
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        runs.append(json.loads(done.stdout))
    return min(taken for taken, _ in runs), max(peak for _, peak in runs)


def main() -> None:
    """Print the table."""
    losses = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 10_000
    for marked in (True, False):
        print(f"{losses} losses, {'marked' if marked else 'inferred'}, {CHANNELS} channels, 1 h")
        floor_s = 0.0
        for name in MEASURED:
            taken_s, peak_mib = measure(name, losses, marked)
            floor_s = floor_s or taken_s
            ratio = taken_s / floor_s
            print(f"{name:12} {taken_s:8.2f} s CPU {peak_mib:7.0f} MiB  ratio {ratio:7.2f}")


if __name__ == "__main__":
    main()
