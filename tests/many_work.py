"""What the workers of the tests of many recordings do, and on what; they import it by its path."""

import os
import signal
import time
from pathlib import Path

import pwmscope
from pwmscope.analysis import Analysis


def write_pulses(path: Path, width_us: int) -> Path:
    """Write a line that pulses every 20 ms, as its changes."""
    rows = [
        f"{20_000 * n + at},{level}" for n in range(60) for at, level in ((0, 1), (width_us, 0))
    ]
    path.write_text("\n".join(["time_us,RX1", *rows, "1200000,1", ""]), encoding="utf-8")
    return path


def neutral_us(analysis: Analysis) -> float | None:
    """Take one number of an analysis, as a farm that keeps only figures does."""
    return analysis["RX1"]["neutral"].value


def ended(job: str) -> str:
    """End the process that works on the job called so, as the system does without memory."""
    if job == "fatal":
        os.kill(os.getpid(), signal.SIGKILL)
    return job.upper()


def ended_once(job: str, *, mark: Path) -> str:
    """End the process in the first attempt only, as where memory was short for a moment."""
    if job == "c" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return job.upper()


def slowly(source: Path, *, begun: Path) -> tuple[float | None, int]:
    """Analyse slowly enough that a worker can be ended in the middle."""
    (begun / f"{source.stem}-{os.getpid()}").touch()
    time.sleep(1.0)
    return neutral_us(pwmscope.analyse(source)), os.getpid()
