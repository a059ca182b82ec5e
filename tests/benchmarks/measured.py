"""Running a piece of code in a fresh process, and what it took."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

COMPILED = tempfile.TemporaryDirectory()
ENVIRONMENT = {**os.environ, "PYTHONPYCACHEPREFIX": COMPILED.name, "PYTHONDONTWRITEBYTECODE": ""}
"""Children keep their bytecode, as an installed package does, whatever the caller's habit."""


def run(code: str, file: Path, imports: str) -> dict[str, float]:
    """Run code in a fresh process; its imports do not count.

    Parameters
    ----------
    code : str
        May use FILE, the path as text.
    file : Path
        The recording.
    imports : str
        What to import before the clock starts, comma-separated.

    Returns
    -------
    dict
        ``wall_s``, ``cpu_s`` and ``peak_mib``. The peak is that of the child alone as long as
        the calling process stays slim: a child's peak counts from its parent's size.
    """
    wrapped = (
        f"FILE = {str(file)!r}\n"
        f"import json, resource, time, {imports}\n"
        f"begin, begin_cpu = time.perf_counter(), time.process_time()\n{code}\n"
        "wall = time.perf_counter() - begin\n"
        "cpu = time.process_time() - begin_cpu\n"
        "use = resource.getrusage(resource.RUSAGE_SELF)\n"
        "print(json.dumps({'wall_s': wall, 'cpu_s': cpu, 'peak_mib': use.ru_maxrss / 1024}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", wrapped],
        capture_output=True,
        text=True,
        check=True,
        env=ENVIRONMENT,
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def tell(
    floor_name: str,
    floors: list[dict[str, float]],
    runs: list[dict[str, float]],
    run_name: str = "pwmscope",
) -> None:
    """Print the best time and the largest peak of each, and the ratio of the times."""
    for name, taken in ((floor_name, floors), (run_name, runs)):
        wall_s, peak_mib = min(r["wall_s"] for r in taken), max(r["peak_mib"] for r in taken)
        print(f"{name:24} {wall_s:8.2f} s {peak_mib:7.0f} MiB")
    ratio = min(r["wall_s"] for r in runs) / min(r["wall_s"] for r in floors)
    print(f"{'ratio':24} {ratio:8.3f}")


def run_command(command: Sequence[str]) -> dict[str, float]:
    """Run a whole command, its start-up included.

    Returns
    -------
    dict
        ``wall_s``, ``cpu_s`` (of user and system) and ``peak_mib``.
    """
    begin = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=ENVIRONMENT) as process:
        _, status, use = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - begin
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in {0, 1}:  # 1: something does not meet its limit
        raise RuntimeError(f"{command} ended with {process.returncode}")
    cpu_s = use.ru_utime + use.ru_stime
    return {"wall_s": wall_s, "cpu_s": cpu_s, "peak_mib": use.ru_maxrss / 1024}


def tell_medians(
    floor_name: str, floors: list[dict[str, float]], runs: list[dict[str, float]], run_name: str
) -> None:
    """Print the median wall and CPU time of each, the largest peak, and the ratios."""
    found = []
    for name, taken in ((floor_name, floors), (run_name, runs)):
        wall_s = statistics.median(r["wall_s"] for r in taken)
        cpu_s = statistics.median(r["cpu_s"] for r in taken)
        peak_mib = max(r["peak_mib"] for r in taken)
        print(f"{name:24} {wall_s:8.2f} s {cpu_s:8.2f} s CPU {peak_mib:7.0f} MiB")
        found.append((wall_s, cpu_s))
    (floor_wall_s, floor_cpu_s), (wall_s, cpu_s) = found
    print(f"{'ratio':24} {wall_s / floor_wall_s:8.3f}   {cpu_s / floor_cpu_s:8.3f} CPU")
