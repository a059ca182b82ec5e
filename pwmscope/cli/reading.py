"""What a command takes: recordings with hints, sheet, marker, convention; and its progress."""

from __future__ import annotations

import functools
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import click

from pwmscope.errors import HintError

if TYPE_CHECKING:
    from rich.progress import Progress

    from pwmscope.analysis import Analysis
    from pwmscope.capture import Capture

PATIENCE_S: Final = 1.0
"""Steps that are done sooner show nothing."""


@contextmanager
def progress_bar(doing: str) -> Iterator[None]:
    """Show how far the work inside the block has come, if it takes longer than a second.

    It stands on the error output, only where that is a terminal, and vanishes at the end.
    """
    from pwmscope.capture import observed_by

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
        """Take note of the progress; an observer of `pwmscope.capture.reader.unpack`."""
        with self._lock:
            self._known = (done, total, unit)
            self._draw()

    def show(self) -> None:
        """Begin to show the line, unless the step is over."""
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

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
    "max_gib": "--max-gib",
    "convention": "--convention",
    "sheet": "--sheet",
    "plan": "--plan",
    "marker": "--off-line",
    "off_line": "--off-line",
    "off_at": "--off-at",
    "off_at_s": "--off-at",
    "input_line": "--in",
    "output_line": "--out",
    "others": "--with",
    "left": "--left",
    "right": "--right",
    "elevator": "--elevator",
    "aileron": "--aileron",
    "within": "--within",
    "within_us": "--within",
    "limits": "--limit",
    "span": "--from and --to",
    "transmitters": "--us-per-percent",
    "port": "--port",
    "stretches": "--stretch",
    "replace": "--replace",
    "pulses_only": "--pulses-only",
    "address": "--cluster",
}
"""The option that stands for each argument that the library's sentences name."""


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording that a person named, with the hints given; not read yet."""

    path: Path  # The file
    hints: dict[str, Any]  # Keyword arguments for `pwmscope.load`: only the hints that were given

    def load(self) -> Capture:
        """Read the file, showing how far it has come where that takes long."""
        from pwmscope.capture import load

        with progress_bar(f"reading {self.path.name}"):
            return load(self.path, **self.hints)


_Options: TypeAlias = dict[str, tuple[str, str, str]]
"""By its argument's name each option, what its value is called, and its help."""
_HINTS: Final[_Options] = {
    "rate": (
        "--rate", "RATE",
        "The analyser's sample rate, such as 1MHz; needed where rows carry no time.",
    ),
    "time_unit": (
        "--time-unit", "UNIT",
        "Unit of the time column (s, ms, us, ns, ps) where its heading does not say.",
    ),
    "time_column": (
        "--time-column", "NAME",
        "The column that holds the time, where its heading does not show it.",
    ),
    "lines": (
        "--lines", "NAMES",
        "The lines to read, with commas between them; the others are left out.",
    ),
    "threshold": (
        "--threshold", "VOLTS", "The level between low and high of columns that hold voltages."
    ),
    "max_gib": (
        "--max-gib", "GIB",
        "How far a packed file or a stream may grow, where the usual bound is too low.",
    ),
}  # fmt: skip
"""The hints for `pwmscope.load`."""


def _with_options(command: Callable[..., None], options: _Options) -> Callable[..., None]:
    # An option stands above those that are already there, so the last is added first.
    for name, (option, value, said) in reversed(options.items()):
        kind = float if name in ("threshold", "max_gib") else None
        several = name == "off_at"
        command = click.option(
            option, name, metavar=value, help=said, type=kind, multiple=several
        )(command)  # fmt: skip
    return command


def reading_options(command: Callable[..., None], *, required: bool = True) -> Callable[..., None]:
    """Give a command the argument CAPTURE and the hints, as one `recording`."""

    @functools.wraps(command)
    def collected(*, capture: Path | None, **others: Any) -> None:  # noqa: ANN401
        hints = _hints(others)
        command(recording=None if capture is None else _named(capture, hints), **others)

    kind = click.Path(path_type=Path, allow_dash=True)
    argument = click.argument("capture", type=kind, required=required)
    return argument(_with_options(collected, _HINTS))


def readings_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command one or more arguments CAPTURE and the hints, as `recordings`."""

    @functools.wraps(command)
    def collected(*, captures: tuple[Path, ...], **others: Any) -> None:  # noqa: ANN401
        hints = _hints(others)
        command(recordings=tuple(_named(path, hints) for path in captures), **others)

    argument = click.argument(
        "captures", metavar="CAPTURE...", nargs=-1, required=True,
        type=click.Path(path_type=Path, allow_dash=True),
    )  # fmt: skip
    return argument(_with_options(collected, _HINTS))


def _named(path: Path, hints: dict[str, Any]) -> Recording:
    """Take a recording that a person named: read a pipe now, and let no output go over a file."""
    from pwmscope.capture.reader.unpack import kept_copy, unpacking_at_most
    from pwmscope.output import protect

    protect(path)
    with unpacking_at_most(hints.get("max_gib")):
        return Recording(kept_copy(path), hints)


def _hints(others: dict[str, Any]) -> dict[str, Any]:
    """Take the hints out of a command's keywords; those that were given."""
    given = {name: others.pop(name) for name in _HINTS}
    return {name: hint for name, hint in given.items() if hint is not None}


@dataclass(frozen=True, slots=True)
class Examination:
    """How recordings are to be examined; not done yet."""

    sheet_path: str | None  # The bench sheet's file
    plan_path: str | None  # The capture plan's
    off_line: str | None  # The line that marks the transmitter's switch
    off_at: tuple[str, ...]  # Stated times at which the transmitter went off
    # Name of the convention to hold every line against; None chooses per line
    convention_name: str | None
    # The part of the recording that is examined; None from its start, to its end
    from_time: str | None
    to_time: str | None

    def analyse(self, *recordings: Recording, limit: str | None = None) -> Analysis:
        """Do the whole job, several recordings as one test, showing how far it has come."""
        from pwmscope.analysis import analyse
        from pwmscope.capture import parse_instant_s, parse_stated_s

        begin_s, end_s = (
            None if text is None else parse_instant_s(text)
            for text in (self.from_time, self.to_time)
        )
        with progress_bar(f"analysing {', '.join(rec.path.name for rec in recordings)}"):
            return analyse(
                *(recording.path for recording in recordings), sheet=self.sheet_path,
                plan=self.plan_path, marker=self.off_line,
                off_at=tuple(parse_stated_s(text) for text in self.off_at) or None,
                convention=self.convention_name,
                limits=None if limit is None else {"failsafe_s": parse_instant_s(limit)},
                span=(begin_s, end_s), hints=recordings[0].hints,
            )  # fmt: skip

    def check(self) -> str:
        """Refuse a sheet, plan or convention that cannot be read; give the robot's name."""
        from pwmscope.bench import load_plan, load_sheet
        from pwmscope.pulses import convention_named

        sheet = None if self.sheet_path is None else load_sheet(self.sheet_path)
        if self.plan_path is not None:
            load_plan(self.plan_path)
        if self.convention_name is not None:
            convention_named(self.convention_name)
        return "" if sheet is None else sheet.robot

    def refuse_stated(self, count: int) -> None:
        """Refuse stated times where several recordings are examined one by one."""
        if self.off_at and count > 1:
            raise HintError(
                f"--off-at states times of one recording, and {count} are given. Give them one "
                "by one, or put the transmitter's switch on a marker line."
            )


def examining_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command --sheet, --plan, --off-line, --off-at, --convention, --from and --to."""

    @functools.wraps(command)
    def collected(**given: Any) -> None:  # noqa: ANN401
        own = {name: given.pop(name) for name in _EXAMINING}
        command(examination=Examination(**own), **given)

    return _with_options(collected, _EXAMINING)


_EXAMINING: Final[_Options] = {
    "sheet_path": (
        "--sheet", "FILE",
        "The bench sheet: what is on each line, when it stands still, the event's limit "
        "(docs/sheet.md).",
    ),
    "plan_path": (
        "--plan", "FILE", "The plan that the hands followed; it tells where the sticks were."
    ),
    "off_line": (
        "--off-line", "LINE",
        "The line that marks the transmitter's switch: its level at the start means "
        "on, the other means off. By default the bench sheet's marker.",
    ),
    "off_at": (
        "--off-at", "TIME",
        "Without a marker: when the transmitter was switched off, such as 12.4s; may be "
        "given several times. It is taken as right within half a unit of its last digit.",
    ),
    "convention_name": (
        "--convention", "NAME",
        "Hold every line against this convention: 'standard servo', 'fast servo', "
        "'eighth width' or 'twenty-fourth width'. By default its pulses choose it.",
    ),
    "from_time": (
        "--from", "TIME", "Examine the recording from this instant on, such as 12.4s or 350ms."
    ),
    "to_time": ("--to", "TIME", "Examine the recording up to this instant."),
}  # fmt: skip
"""The fields of an `Examination`."""
