"""A line on the terminal that says how far a long step has come."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from rich.progress import Progress

PATIENCE_S: Final = 1.0
"""Steps that are done sooner show nothing."""


@contextmanager
def progress_bar(doing: str) -> Iterator[None]:
    """Show how far the work inside the block has come, if it takes longer than a second.

    It stands on the error output, only where that is a terminal, and vanishes at the end.

    Parameters
    ----------
    doing : str
        What is being done, such as ``reading bench.csv``.
    """
    from pwmscope.capture import observed_by  # noqa: PLC0415

    if not sys.stderr.isatty():
        yield
        return
    bar = _Bar(doing)
    timer = threading.Timer(PATIENCE_S, bar.show)
    timer.daemon = True
    timer.start()
    try:
        with observed_by(bar.note):
            yield
    finally:
        timer.cancel()
        bar.close()


class _Bar:
    """What is known of a step's progress, and the line that shows it, if any."""

    def __init__(self, doing: str) -> None:
        self._doing = doing
        self._begun_s = time.monotonic()
        self._lock = threading.Lock()
        self._line: Progress | None = None
        self._closed = False
        self._known: tuple[int, int | None, str] = (0, None, "")

    def note(self, done: int, total: int | None, unit: str) -> None:
        """Take note of the progress; an observer of `pwmscope.capture.reader.progress`."""
        with self._lock:
            self._known = (done, total, unit)
            self._draw()

    def show(self) -> None:
        """Begin to show the line, unless the step is over."""
        from rich.console import Console  # noqa: PLC0415
        from rich.progress import BarColumn, Progress, TextColumn  # noqa: PLC0415

        with self._lock:
            if self._closed:
                return
            self._line = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(bar_width=24),
                TextColumn("{task.fields[said]}", markup=False),
                console=Console(stderr=True),
                transient=True,
            )
            self._line.add_task(self._doing, total=None, said="")
            self._draw()
            self._line.start()

    def close(self) -> None:
        """Take the line away."""
        with self._lock:
            self._closed = True
            if self._line is not None:
                self._line.stop()

    def _draw(self) -> None:
        if self._line is None:
            return
        done, total, unit = self._known
        said = say_progress(done, total, unit, time.monotonic() - self._begun_s)
        task = self._line.task_ids[0]
        self._line.update(task, completed=min(done, total or done), total=total, said=said)


def say_progress(done: int, total: int | None, unit: str, elapsed_s: float) -> str:
    """Say how far a step has come, how fast it is, and how long it will still take.

    Examples
    --------
    >>> say_progress(30_000_000, 120_000_000, "rows", 10)
    '25 %, 3.0 million rows a second, 0:30 left'
    >>> say_progress(5_000_000, None, "bytes", 2)
    '2.5 million bytes a second'
    >>> say_progress(0, 100, "rows", 1)
    ''
    """
    if done <= 0 or elapsed_s <= 0:
        return ""
    rate = f"{_say_count(done / elapsed_s)} {unit} a second"
    if not total:
        return rate
    left_s = round(elapsed_s * max(0, total - done) / done)
    minutes, seconds = divmod(left_s, 60)
    hours, minutes = divmod(minutes, 60)
    left = f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
    return f"{min(1.0, done / total):.0%}, {rate}, {left} left".replace("%", " %")


def _say_count(number: float) -> str:
    for size, word in ((1e9, "billion"), (1e6, "million"), (1e3, "thousand")):
        if number >= size:
            return f"{number / size:.1f} {word}"
    return f"{number:.0f}"
