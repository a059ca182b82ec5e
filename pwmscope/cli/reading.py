"""What every command that reads a recording shares: the file, its hints, progress, the screen."""

from __future__ import annotations

import errno
import functools
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    from pwmscope.capture import Capture

PRINTED_WIDTH = 100
"""Columns of text where the output is not a terminal."""


def screen() -> Console:
    """Return the standard output, as wide as the terminal or 100 columns wide."""
    from rich.console import Console  # noqa: PLC0415

    class Screen(Console):
        """An output that ends with a sentence where it is closed too early."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError(errno.EPIPE, "it was closed")

    width = None if sys.stdout.isatty() else PRINTED_WIDTH
    return Screen(width=width, highlight=False)


PATIENCE_S: Final = 1.0
"""Steps that are done sooner show nothing."""


@contextmanager
def progress_bar(doing: str) -> Iterator[None]:
    """Show how far the work inside the block has come, if it takes longer than a second.

    It stands on the error output, only where that is a terminal, and vanishes at the end.
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
        said = format_progress(done, total, unit, time.monotonic() - self._begun_s)
        task = self._line.task_ids[0]
        self._line.update(task, completed=min(done, total or done), total=total, said=said)


def format_progress(done: int, total: int | None, unit: str, elapsed_s: float) -> str:
    """Say how far a step has come, how fast it is, and how long it will still take.

    Examples
    --------
    >>> format_progress(30_000_000, 120_000_000, "rows", 10)
    '25 %, 3.0 million rows a second, 0:30 left'
    >>> format_progress(5_000_000, None, "bytes", 2)
    '2.5 million bytes a second'
    >>> format_progress(0, 100, "rows", 1)
    ''
    """
    if done <= 0 or elapsed_s <= 0:
        return ""
    rate = f"{_format_count(done / elapsed_s)} {unit} a second"
    if not total:
        return rate
    left_s = round(elapsed_s * max(0, total - done) / done)
    minutes, seconds = divmod(left_s, 60)
    hours, minutes = divmod(minutes, 60)
    left = f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
    return f"{min(1.0, done / total):.0%}, {rate}, {left} left".replace("%", " %")


def _format_count(number: float) -> str:
    for size, word in ((1e9, "billion"), (1e6, "million"), (1e3, "thousand")):
        if number >= size:
            return f"{number / size:.1f} {word}"
    return f"{number:.0f}"


OPTION_OF: Final = {
    "source": "CAPTURE",
    "rate": "--rate",
    "time_unit": "--time-unit",
    "time_column": "--time-column",
    "lines": "--lines",
    "threshold": "--threshold",
    "convention": "--convention",
    "sheet": "--sheet",
    "plan": "--plan",
    "marker": "--off-line",
    "off_line": "--off-line",
    "off_at": "--off-at",
    "off_at_s": "--off-at",
    "left": "--left",
    "right": "--right",
    "within": "--within",
    "limits": "--limit",
    "span": "--from and --to",
    "replace": "--replace",
}
"""The option that stands for each argument that the library's sentences name."""


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording that a person named, with the hints given; not read yet.

    Parameters
    ----------
    path : Path
        The file.
    hints : dict of str to str or float
        Keyword arguments for `pwmscope.load`: only the hints that were given.
    """

    path: Path
    hints: dict[str, Any]

    def load(self) -> Capture:
        """Read the file, showing how far it has come where that takes long."""
        from pwmscope.capture import load  # noqa: PLC0415

        with progress_bar(f"reading {self.path.name}"):
            return load(self.path, **self.hints)


_OPTIONS = (
    click.option(
        "--rate",
        metavar="RATE",
        help="The analyser's sample rate, such as 1MHz; needed where rows carry no time.",
    ),
    click.option(
        "--time-unit",
        metavar="UNIT",
        help="Unit of the time column (s, ms, us, ns, ps) where its heading does not say.",
    ),
    click.option(
        "--time-column",
        metavar="NAME",
        help="The column that holds the time, where its heading does not show it.",
    ),
    click.option(
        "--lines",
        metavar="NAMES",
        help="The lines to read, with commas between them; the others are left out.",
    ),
    click.option(
        "--threshold",
        metavar="VOLTS",
        type=float,
        help="The level between low and high of columns that hold voltages.",
    ),
)
_HINTS = ("rate", "time_unit", "time_column", "lines", "threshold")


def reading_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the argument CAPTURE and the hints, as one `recording`."""

    @functools.wraps(command)
    def collected(*, capture: Path, **others: Any) -> None:  # noqa: ANN401
        hints = _hints(others)
        command(recording=_named(capture, hints), **others)

    argument = click.argument("capture", type=click.Path(path_type=Path, allow_dash=True))
    return argument(_with_hints(collected))


def readings_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command one or more arguments CAPTURE and the hints, as `recordings`."""

    @functools.wraps(command)
    def collected(*, captures: tuple[Path, ...], **others: Any) -> None:  # noqa: ANN401
        hints = _hints(others)
        command(recordings=tuple(_named(path, hints) for path in captures), **others)

    argument = click.argument(
        "captures",
        metavar="CAPTURE...",
        nargs=-1,
        required=True,
        type=click.Path(path_type=Path, allow_dash=True),
    )
    return argument(_with_hints(collected))


def _named(path: Path, hints: dict[str, Any]) -> Recording:
    """Take a recording that a person named: read a pipe now, and let no output go over a file."""
    from pwmscope.capture.reader.pipes import kept_copy  # noqa: PLC0415
    from pwmscope.output import protect  # noqa: PLC0415

    protect(path)
    return Recording(kept_copy(path), hints)


def _hints(others: dict[str, Any]) -> dict[str, Any]:
    """Take the hints out of a command's keywords; those that were given."""
    given = {name: others.pop(name) for name in _HINTS}
    return {name: hint for name, hint in given.items() if hint is not None}


def _with_hints(command: Callable[..., None]) -> Callable[..., None]:
    # An option stands above those that are already there, so the last is added first.
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
