"""A line's losses as a table for the terminal, with what each did step by step."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rich.table import Table

from pwmscope.findings.failsafe import FailsafeLine, LineInRecording, LossEvent
from pwmscope.model import Verdict, badness
from pwmscope.report.sentences import format_number

MAX_EVENTS: Final = 6
"""So many losses of a line are told one by one; the JSON tells all."""
COLUMNS: Final = (
    "'stops in' is the most that may have passed from the loss until the device was commanded to "
    "stand still for good, uncertainty included; 'back at' is when the output pulsed or moved "
    "again."
)
"""What the table's columns mean."""


def losses_table(line: FailsafeLine, sources: list[str]) -> Table:
    """Tell a line's losses, those that govern the verdict first."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    if len(sources) > 1:
        table.add_column("recording", justify="right")
    table.add_column("lost at, s", justify="right")
    table.add_column("what it did", overflow="fold")
    table.add_column("stops in, s", justify="right")
    table.add_column("back at, s", justify="right")
    table.add_column("verdict")
    for rec, event in _governing(line):
        bounds_s = None if event.verdict is Verdict.NOT_SHOWN else event.stop_bounds_s
        table.add_row(
            *([str(sources.index(rec.source) + 1)] if len(sources) > 1 else []),
            f"{event.lost_s:.3f}",
            f"{format_phases(event)}{_format_odd(event)}",
            format_number(bounds_s[1] if bounds_s else None, 3),
            format_number(event.recovered_s, 3),
            "" if event.verdict is None else event.verdict.value,
        )
    return table


def _governing(line: FailsafeLine) -> list[tuple[LineInRecording, LossEvent]]:
    """Choose the losses that are told one by one, the worst first."""

    def urgency(pair: tuple[LineInRecording, LossEvent]) -> tuple[int, float]:
        event = pair[1]
        return badness(event.verdict), -event.stop_bounds_s[1] if event.stop_bounds_s else 0.0

    return sorted(line.losses, key=urgency)[:MAX_EVENTS]


def format_phases(event: LossEvent) -> str:
    """Say what an output did in a loss, step by step."""
    if event.is_restart:
        return "supply or receiver restart"
    phases = event.phases
    told = []
    for phase in phases:
        level = "" if phase.level_us is None else f" {phase.level_us:.0f} us"
        lasted = f" for {phase.end_s - phase.start_s:.2f} s" if phase is not phases[-1] else ""
        told.append(f"{phase.kind.value}{level}{lasted}")
    return ", ".join(told) if told else "no pulses around the loss"


def _format_odd(event: LossEvent) -> str:
    recovery = event.recovery
    told = [
        f"{count} {what}"
        for count, what in (
            (recovery.odd_pulses, "glitches or foreign pulses"),
            (recovery.outside_convention, "pulses well outside the convention"),
        )
        if count
    ]
    return f"; {' and '.join(told)}" if told else ""


def format_reasons(line: FailsafeLine) -> Iterator[str]:
    """Say why losses do not meet the limit or do not show it, each reason once."""
    told: dict[str, list[str]] = {}
    for _, event in _governing(line):
        if event.verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN):
            told.setdefault(event.reason, []).append(f"{event.lost_s:.3f} s")
    for reason, moments in told.items():
        yield f"{', '.join(moments)}: {reason}"
    if len(line.losses) > MAX_EVENTS:
        yield f"{len(line.losses) - MAX_EVENTS} more losses are left out here; --json tells all."
