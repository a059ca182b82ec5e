"""How a file was understood, on the terminal: kind, lines, first edges, every assumption."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Final

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from pwmscope.capture import PS_PER_S, PS_PER_US, Capture, Kind, Line, format_interval, format_rate
from pwmscope.model import Assumption, assumed, format_line

_MAX_EDGES: Final = 4
_INSTANT_WIDTH: Final = 15
_FIXED_WIDTH: Final = 52
_MAX_IN_US: Final = 10_000


def print_look(
    capture: Capture,
    kind: Kind,
    size_bytes: int,
    console: Console,
    option_of: Mapping[str, str],
) -> None:
    """Print how a file was understood."""
    console.print(Text(capture.source, style="bold"))
    for name, value in (
        ("file", f"{kind.words}, {_grouped(size_bytes)} bytes"),
        ("length", f"{capture.duration_s:.6f} s"),
        ("sampling", _sampling(capture, option_of)),
    ):
        console.print(Text(_filled(f"{name:<10}{value}", console, "", " " * 10)))
    console.print()
    console.print(_table(capture, console))
    console.print()
    console.print(Text("Understood so (the option in brackets sets it otherwise)", style="bold"))
    for each in assumed(capture.assumptions):
        console.print(Text(_filled(_with_options(each, option_of), console, "  - ", "    ")))
    if len(capture.lines) > 1:
        console.print(
            Text(_filled(f"{_all_lines(capture)} [{option_of['lines']}]", console, "  - ", "    "))
        )


def _filled(text: str, console: Console, first: str, next_lines: str) -> str:
    return textwrap.fill(
        text, console.width, initial_indent=first, subsequent_indent=next_lines,
        break_on_hyphens=False,
    )  # fmt: skip


def _grouped(count: int) -> str:
    return f"{count:,}".replace(",", " ")


def _sampling(capture: Capture, option_of: Mapping[str, str]) -> str:
    interval_ps = capture.sample_interval_ps
    if interval_ps is None:
        return f"not known; {option_of['rate']} would tell it"
    return f"every {format_interval(interval_ps)} ({format_rate(interval_ps)})"


def _table(capture: Capture, console: Console) -> Table:
    shown = max(1, min(_MAX_EDGES, (console.width - _FIXED_WIDTH) // _INSTANT_WIDTH))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    table.add_column("line", max_width=16, overflow="fold")
    table.add_column("begins", no_wrap=True)
    table.add_column("edges", justify="right", no_wrap=True)
    table.add_column("usual high", justify="right", no_wrap=True)
    table.add_column("first edges, s", no_wrap=True)
    for line in capture.lines.values():
        instants = "  ".join(f"{edge / PS_PER_S:.9f}" for edge in line.edges_ps[:shown].tolist())
        table.add_row(
            escape(format_line(line.name)),
            "high" if line.initial_level else "low",
            str(line.edges_ps.size),
            _usual_high(line),
            instants or "none",
        )
    return table


def _usual_high(line: Line) -> str:
    """Say the median time for which a line is high, which shows a wrong unit at once."""
    begins_ps = line.rises_ps()
    ends_ps = line.falls_ps()[line.initial_level :]
    whole = min(begins_ps.size, ends_ps.size)
    if not whole:
        return "–"
    usual_ps = float(np.median(ends_ps[:whole] - begins_ps[:whole]))
    if PS_PER_US <= usual_ps < _MAX_IN_US * PS_PER_US:
        return f"{usual_ps / PS_PER_US:.2f} us"
    return format_interval(usual_ps)


def _with_options(assumption: Assumption, option_of: Mapping[str, str]) -> str:
    """Add to an assumption the options that override it."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in assumption)
    options = [option_of[argument] for argument in assumption.changed_by]
    return f"{plain} [{', '.join(options)}]" if options else plain


def _all_lines(capture: Capture) -> str:
    names = [format_line(name) for name in capture.lines]
    return f"The lines read are {', '.join(names)}."
