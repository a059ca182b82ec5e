"""Running a piece of code in a fresh process, and what it took."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path


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
        ``wall_s`` and ``peak_mib``. The peak is that of the child alone as long as
        the calling process stays slim: a child's peak counts from its parent's size.
    """
    wrapped = (
        f"FILE = {str(file)!r}\n"
        f"import json, resource, time, {imports}\n"
        f"begin = time.perf_counter()\n{code}\n"
        "wall = time.perf_counter() - begin\n"
        "use = resource.getrusage(resource.RUSAGE_SELF)\n"
        "print(json.dumps({'wall_s': wall, 'peak_mib': use.ru_maxrss / 1024}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", wrapped], capture_output=True, text=True, check=True
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
