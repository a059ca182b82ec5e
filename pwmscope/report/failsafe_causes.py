"""The table of alternative causes of a loss: what refutes each, as words and as data."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rich.table import Table

from pwmscope.findings.failsafe import Alternative, FailsafeLine, LossEvent
from pwmscope.model import Verdict, badness, format_line
from pwmscope.report.data import Json

MAX_EVENTS: Final = 6
"""So many losses of a line are explained one by one on the screen; the JSON explains all."""


def causes_data(event: LossEvent) -> list[Json]:
    """Turn the alternative causes of one loss of one line into plain data."""
    return [
        {
            "cause": alternative.cause.value,
            "refuted": alternative.refuted,
            "ground": alternative.ground.value,
            "lines": list(alternative.lines),
            "at_s": alternative.at_s,
            "odds": alternative.odds,
            "losses": alternative.losses,
        }
        for alternative in event.alternatives
    ]


def causes_tables(line: FailsafeLine, sources: list[str]) -> Iterator[tuple[str, Table]]:
    """Tell the alternative causes of a line's losses, those that govern first."""
    judged = [(rec, event) for rec, event in line.losses if event.alternatives]
    judged.sort(key=lambda pair: badness(pair[1].verdict))
    for rec, event in judged[:MAX_EVENTS]:
        where = f" in recording {sources.index(rec.source) + 1}" if len(sources) > 1 else ""
        word = event.verdict.value if event.verdict else "no verdict"
        heading = f"Why {format_line(line.line)} at {event.lost_s:.3f} s{where}: {word}"
        yield heading, _table(event)


def _table(event: LossEvent) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    table.add_column("another cause", overflow="fold")
    table.add_column("refuted")
    table.add_column("by what", overflow="fold")
    for alternative in event.alternatives:
        table.add_row(
            alternative.cause.value,
            "yes" if alternative.refuted else "no",
            format_ground(alternative),
        )
    if event.verdict is Verdict.NOT_SHOWN and all(a.refuted for a in event.alternatives):
        table.add_row("other", "no", event.reason)
    return table


def format_ground(alternative: Alternative) -> str:
    """Say what refutes a cause, or leaves it open, with lines, time and odds.

    Examples
    --------
    >>> from pwmscope.findings.failsafe import Cause, Ground
    >>> format_ground(Alternative(Cause.HAND, True, Ground.TOGETHER, ("RX1", "RX3"), 6.8, 2e-5, 10))
    "two sticks' lines changed together (RX1, RX3; 6.800 s; 10 losses; odds 2e-05)"
    """
    more = [", ".join(map(format_line, alternative.lines))] if alternative.lines else []
    if alternative.at_s is not None:
        more.append(f"{alternative.at_s:.3f} s")
    if alternative.losses is not None:
        more.append(f"{alternative.losses} losses")
    if alternative.odds is not None:
        more.append(f"odds {alternative.odds:.0e}")
    return alternative.ground.value + (f" ({'; '.join(more)})" if more else "")
