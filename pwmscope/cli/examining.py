"""What every command that measures takes beside the recording: sheet, marker, convention."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from pwmscope.cli.reading import progress_bar
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.analysis import Analysis
    from pwmscope.bench import BenchSheet
    from pwmscope.capture import Capture
    from pwmscope.cli.reading import Recording
    from pwmscope.findings import Findings
    from pwmscope.findings.failsafe import Marking
    from pwmscope.pulses import Convention


@dataclass(frozen=True, slots=True)
class Examination:
    """How a recording is to be examined; not done yet."""

    sheet_path: str | None  # The bench sheet's file
    off_line: str | None  # The line that marks the transmitter's switch
    off_at: tuple[str, ...]  # Stated times at which the transmitter went off
    # Name of the convention to hold every line against; None chooses per line
    convention_name: str | None
    # The part of the recording that is examined; None from its start, to its end
    from_time: str | None
    to_time: str | None

    def sheet(self) -> BenchSheet | None:
        """Read the bench sheet, where one is named."""
        from pwmscope.bench import load_sheet  # noqa: PLC0415

        return None if self.sheet_path is None else load_sheet(self.sheet_path)

    def named_lines(self) -> tuple[str, ...]:
        """Names of lines that the sheet and the marker give: kept where a file holds too many."""
        sheet = self.sheet()
        named = [] if sheet is None else list(sheet.channels)
        if sheet is not None and sheet.marker is not None:
            named.append(sheet.marker.line)
        return tuple(dict.fromkeys([*named, *([self.off_line] if self.off_line else [])]))

    def convention(self) -> Convention | None:
        """Find the convention, where one is named."""
        from pwmscope.pulses import convention_named  # noqa: PLC0415

        return None if self.convention_name is None else convention_named(self.convention_name)

    def off_at_s(self) -> tuple[tuple[float, float], ...]:
        """Read the stated times, each with the half-width of its uncertainty."""
        from pwmscope.capture import parse_stated_s  # noqa: PLC0415

        return tuple(parse_stated_s(text) for text in self.off_at)

    def analyse(self, recording: Recording) -> Analysis:
        """Do the whole job for one recording, showing how far it has come."""
        from pwmscope.analysis import analyse  # noqa: PLC0415
        from pwmscope.capture.clip import parse_instant_s  # noqa: PLC0415

        begin, end = (
            None if text is None else parse_instant_s(text)
            for text in (self.from_time, self.to_time)
        )
        with progress_bar(f"analysing {recording.path.name}"):
            return analyse(
                recording.path,
                sheet=self.sheet_path,
                marker=self.off_line,
                off_at=self.off_at_s() or None,
                convention=self.convention_name,
                span=(begin, end),
                hints=recording.hints,
            )

    def of(self, capture: Capture) -> Findings:
        """Examine a recording, showing how far it has come where that takes long."""
        from pwmscope.findings import examine  # noqa: PLC0415

        sheet = self.sheet()
        part = self.part(capture, sheet)
        with progress_bar("measuring"):
            return examine(
                part,
                off_line=self.off_line,
                off_at_s=self.off_at_s(),
                sheet=sheet,
                convention=self.convention(),
            )

    def part(self, capture: Capture, sheet: BenchSheet | None) -> Capture:
        """Take the part of a recording that was asked for."""
        from pwmscope.capture import clip, parse_instant_s  # noqa: PLC0415
        from pwmscope.findings.failsafe import marking_of  # noqa: PLC0415

        part = clip(
            capture,
            None if self.from_time is None else parse_instant_s(self.from_time),
            None if self.to_time is None else parse_instant_s(self.to_time),
        )
        _refuse_other_start(capture, part, marking_of(capture, self.off_line, (), sheet))
        return part


def _keeping(value: object, named: tuple[str, ...]) -> object:
    """Add the names of lines to keep to a recording's hints; leave all else as it is."""
    from pwmscope.cli.reading import Recording  # noqa: PLC0415

    if isinstance(value, Recording):
        return replace(value, hints={**value.hints, "keep": named})
    if isinstance(value, tuple):
        return tuple(_keeping(each, named) for each in value)
    return value


def _refuse_other_start(capture: Capture, part: Capture, marking: Marking) -> None:
    """Refuse a part that begins with the marker at another level than the recording.

    The level at the start means that the transmitter is on, where no sheet says so.
    """
    if marking.line is None or marking.on_level is not None:
        return
    if capture.lines[marking.line].initial_level != part.lines[marking.line].initial_level:
        raise HintError(
            f"At {part.start_s:g} s the marker line {marking.line} says that the transmitter "
            "is off; choose a --from at which it is on, as at the recording's start."
        )


def examining_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command --sheet, --off-line, --off-at, --convention, --from and --to."""

    @functools.wraps(command)
    def collected(
        *,
        sheet_path: str | None,
        off_line: str | None,
        off_at: tuple[str, ...],
        convention_name: str | None,
        from_time: str | None,
        to_time: str | None,
        **others: Any,  # noqa: ANN401
    ) -> None:
        examination = Examination(sheet_path, off_line, off_at, convention_name, from_time, to_time)
        named = examination.named_lines()
        if named:
            others = {key: _keeping(value, named) for key, value in others.items()}
        command(examination=examination, **others)

    # An option stands above those that are already there, so the last is added first.
    decorated: Callable[..., None] = collected
    for option in reversed(_OPTIONS):
        decorated = option(decorated)
    return decorated


_OPTIONS = (
    click.option(
        "--sheet",
        "sheet_path",
        metavar="FILE",
        help="The bench sheet: what is on each line, when it stands still, the event's limit "
        "(docs/sheet.md).",
    ),
    click.option(
        "--off-line",
        metavar="LINE",
        help="The line that marks the transmitter's switch: its level at the start means "
        "on, the other means off. By default the bench sheet's marker.",
    ),
    click.option(
        "--off-at",
        metavar="TIME",
        multiple=True,
        help="Without a marker: when the transmitter was switched off, such as 12.4s; may be "
        "given several times. It is taken as right within half a unit of its last digit.",
    ),
    click.option(
        "--convention",
        "convention_name",
        metavar="NAME",
        help="Hold every line against this convention instead of choosing by its pulses: "
        "'standard servo', 'fast servo', 'eighth width' or 'twenty-fourth width'.",
    ),
    click.option(
        "--from",
        "from_time",
        metavar="TIME",
        help="Examine the recording from this instant on, such as 12.4s or 350ms.",
    ),
    click.option(
        "--to", "to_time", metavar="TIME", help="Examine the recording up to this instant."
    ),
)
