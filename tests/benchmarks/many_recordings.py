"""Cost of a recording among many: alone, by own processes, and by a scheduler's workers.

    python tests/benchmarks/many_recordings.py [RECORDINGS] [WORKERS]

takes copies of shipped recordings with the shipped bench sheet (40 in turn of four, and two
workers, unless given), has each analysed and its JSON kept, and prints per recording: processor
time in one process, wall time, bytes of a result, and the peak memory of a worker.
"""

from __future__ import annotations

import itertools
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import distributed

import pwmscope
from pwmscope.analysis import Analysis, cluster

CAPTURES = Path(__file__).parents[2] / "captures"
SHIPPED = ("clean-sweep.csv", "drill.csv.gz", "holds-last.csv.gz", "pulses-stop.csv.gz")


def kept(analysis: Analysis) -> tuple[str, int, float]:
    """Keep what a farm keeps: all findings as JSON; and what the worker has used so far."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return analysis.to_json(), used.ru_maxrss, used.ru_utime + used.ru_stime


def timed(what: str, work: Callable[[], list[tuple[str, int, float]]], count: int) -> None:
    """Do the work and print its cost."""
    begun_s, begun_cpu_s = time.perf_counter(), time.process_time()
    results = work()
    wall_s, cpu_s = time.perf_counter() - begun_s, time.process_time() - begun_cpu_s
    size = sum(len(text) for text, _, _ in results) / len(results)
    peak_mib = max(peak for _, peak, _ in results) / 1024
    print(
        f"{what:28} {wall_s / count:7.3f} s wall each, {cpu_s / count:6.3f} s CPU here, "
        f"{size / 1e3:4.0f} kB each, worker at most {peak_mib:.0f} MiB"
    )


def main() -> None:
    """Run the three."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        files = []
        for number, name in zip(range(count), itertools.cycle(SHIPPED)):
            files.append(Path(folder, f"{number:06}-{name}"))
            shutil.copy(CAPTURES / name, files[-1])
        sheet = pwmscope.load_sheet(CAPTURES / "bench.toml")
        pwmscope.analyse(files[1], sheet=sheet).to_json()  # imported before the clock runs

        def many(executor: object = None) -> list[tuple[str, int, float]]:
            found = pwmscope.analyse_many(files, executor=executor, take=kept, sheet=sheet)
            return [outcome.result for outcome in found]

        timed("one process", lambda: [kept(pwmscope.analyse(f, sheet=sheet)) for f in files], count)
        timed("own processes", many, count)
        farm = stack.enter_context(
            distributed.LocalCluster(
                n_workers=workers, threads_per_worker=1, dashboard_address=None, processes=True
            )
        )
        executor = stack.enter_context(cluster(farm.scheduler_address))
        timed("a scheduler's workers", lambda: many(executor), count)
        timed("the same again, imported", lambda: many(executor), count)


if __name__ == "__main__":
    main()
