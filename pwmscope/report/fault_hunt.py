"""Faults in stretches of a recording as text and as data (docs/stretches.schema.json)."""

from __future__ import annotations

import math
from typing import Final

from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from pwmscope.bench import CAUTIONS, Stretch
from pwmscope.capture import Capture
from pwmscope.findings.comparison import (
    Change,
    FaultHunt,
    FaultKind,
    FaultRate,
    FaultRow,
)
from pwmscope.model import format_line, format_list, format_plainly, format_s
from pwmscope.report.data import Json, json_text
from pwmscope.report.sentences import RULEBOOK, wrapped

SCHEMA: Final = 1
DIFFERS: Final = "≠"
HOW: Final = (
    f"Faults a minute, with the 95 % interval (Garwood). {DIFFERS} marks what differs from the "
    "first stretch. Equal rates would do so in 5 % of hunts at most. The test is the exact "
    "conditional binomial one, with Holm's correction."
)
_SEVERAL: Final = 3
_CAUTION: Final = (
    "Before the motors get power: weapon removed or locked, wheels up, robot tied down, eyes "
    "protected, battery watched. Probe 5 V servo pins only."
)


def hunt_answer(hunt: FaultHunt) -> str:
    """Say in one line which faults came more, or less, often than in the first stretch."""
    first = hunt.stretches[0].name
    if not hunt.compared:
        return "FAULTS not shown: no line carries servo pulses in two stretches"
    groups: dict[tuple[FaultKind, str, Change], list[str]] = {}
    for row, rate in hunt.differing:
        assert rate.change is not None  # what differs has one
        groups.setdefault((row.kind, rate.stretch.name, rate.change), []).append(row.line)
    if not groups:
        return f"FAULTS: no difference from {first} shown, in {hunt.compared} rates"
    told = [
        f"{change} {kind} on {_format_lines(lines)} in {name}"
        for (kind, name, change), lines in list(groups.items())[:_SEVERAL]
    ]
    more = f"; {len(groups) - _SEVERAL} more" if len(groups) > _SEVERAL else ""
    return f"FAULTS differ from {first}: {'; '.join(told)}{more}"


def _format_lines(lines: list[str]) -> str:
    return format_list([format_line(line) for line in sorted(lines)])


def print_hunt(hunt: FaultHunt, assumptions: tuple[str, ...], console: Console) -> None:
    """Print the answer, the cautions, the rates, what differs, and what is not shown."""
    console.print(Text(_wrapped(hunt_answer(hunt), console), style="bold"))
    console.print(Text(_wrapped(_CAUTION, console)))
    console.print()
    console.print(_table(hunt))
    _section("What differs", [_said(hunt, row, rate) for row, rate in hunt.differing], console)
    _section("Not shown, and why", _not_shown(hunt), console)
    _section("Assumed", list(assumptions), console)
    console.print()
    console.print(Text(_wrapped(HOW, console)))
    console.print(Text(_wrapped(RULEBOOK, console)))


def _table(hunt: FaultHunt) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    table.add_column("")
    for stretch in hunt.stretches:
        spans = f"{stretch.from_s:g} to {stretch.to_s:g} s"
        table.add_column(f"{escape(format_line(stretch.name))}, {spans}", header_style="")
    for row in hunt.rows:
        table.add_row(
            Text(f"{format_line(row.line)}, {row.kind}"), *(_cell(rate) for rate in row.rates)
        )
    return table


def _cell(rate: FaultRate) -> str:
    if rate.per_minute is None or rate.interval is None:
        return "not shown"
    mark = f" {DIFFERS}" if rate.change in (Change.MORE, Change.FEWER) else ""
    low, high = rate.interval
    return f"{rate.per_minute:.3g} ({low:.3g} to {high:.3g}){mark}"


def _said(hunt: FaultHunt, row: FaultRow, rate: FaultRate) -> str:
    first, chance = row.rates[0], rate.chance or 0.0
    odds = "under 1 in a million" if chance < 1e-6 else f"{chance:.2g}"
    return (
        f"{format_line(row.line)}: {rate.count} {row.kind} in {format_s(rate.watched_s)} of "
        f"{rate.stretch.name}, {first.count} in {format_s(first.watched_s)} of "
        f"{hunt.stretches[0].name}. By chance: {odds}."
    )


def _not_shown(hunt: FaultHunt) -> list[str]:
    """Say where a rate is not known; only freezes and lost lines have such."""
    open_lines: dict[tuple[FaultKind, str], list[str]] = {}
    for row in hunt.rows:
        names = [rate.stretch.name for rate in row.rates if rate.per_minute is None]
        if names:
            open_lines.setdefault((row.kind, format_list(names)), []).append(row.line)
    why = {
        FaultKind.FREEZE: "The stick rested or moved slowly, or the link was frozen. "
        "Move the sticks briskly in every stretch.",
        FaultKind.GLITCH: "The signal was lost all the time.",
        FaultKind.RESTART: "The stretch has no length.",
    }
    return [
        f"{kind.capitalize()} on {_format_lines(lines)} in {name}: {why[kind]}"
        for (kind, name), lines in open_lines.items()
    ]


def _section(heading: str, sentences: list[str], console: Console) -> None:
    if not sentences:
        return
    console.print()
    console.print(Text(heading, style="bold"))
    for sentence in sentences:
        console.print(Text(_wrapped(sentence, console, "  - ", "    ")))


def _wrapped(sentence: str, console: Console, first: str = "", next_lines: str = "") -> str:
    return wrapped(format_plainly(sentence), console, first, next_lines)


def hunt_json(capture: Capture, hunt: FaultHunt, assumptions: tuple[str, ...]) -> str:
    """Write a fault hunt as JSON text, following schema 1 of docs/stretches.schema.json."""
    faults: list[Json] = [
        {"line": row.line, "kind": row.kind.value, "rates": [_rate(rate) for rate in row.rates]}
        for row in hunt.rows
    ]
    stretches: list[Json] = [_stretch(stretch) for stretch in hunt.stretches]
    return json_text(
        {
            "schema": SCHEMA,
            "capture": {
                "source": capture.source,
                "duration_s": capture.duration_s,
                "sample_interval_ps": capture.sample_interval_ps,
                "assumptions": list(assumptions),
            },
            "answer": hunt_answer(hunt),
            "stretches": stretches,
            "faults": faults,
            "cautions": list(CAUTIONS),
        }
    )


def _stretch(stretch: Stretch) -> Json:
    return {"name": stretch.name, "from_s": stretch.from_s, "to_s": stretch.to_s}


def _rate(rate: FaultRate) -> Json:
    ratio = rate.ratio

    def finite(value: float | None) -> float | None:
        return value if value is not None and math.isfinite(value) else None

    return {
        "stretch": rate.stretch.name,
        "count": rate.count,
        "watched_s": rate.watched_s,
        "per_minute": rate.per_minute,
        "interval_per_minute": None if rate.interval is None else list(rate.interval),
        "ratio": None if ratio is None else finite(ratio.ratio),
        "ratio_low": None if ratio is None else ratio.low,
        "ratio_high": None if ratio is None else finite(ratio.high),
        "chance": rate.chance,
        "change": None if rate.change is None else rate.change.value,
    }
