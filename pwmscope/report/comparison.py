"""A comparison of recordings as text, JSON and a page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from pwmscope import __version__
from pwmscope.findings.comparison import ComparedRow, Comparison
from pwmscope.model import Finding, format_line, format_plainly
from pwmscope.report.data import Json, finding_data, json_text, picked
from pwmscope.report.document import fill_page, template_text
from pwmscope.report.sentences import RULEBOOK, format_value, wrapped

COMPARISON_SCHEMA: Final = 1
DIFFERS: Final = "≠"
"""Stands after a value that differs from the first recording's by more than its uncertainty."""
HOW: Final = (
    f"{DIFFERS} marks what differs from recording 1 by more than the uncertainty of both (95 %, "
    "JCGM 100). Without a mark the recordings show no difference, or no uncertainty is known."
)
"""How to read the marks."""
_TOLD: Final = 6


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison, what differs first."""
    for sentence in _comparison_sentences(comparison):
        console.print(Text(wrapped(sentence, console, next_lines="    ")))
    console.print()
    for number, source in enumerate(comparison.sources, start=1):
        console.print(Text(f"  {number}: {format_plainly(source)}"))
    for line in comparison.lines:
        console.print()
        console.print(_table(line, [row for row in comparison.rows if row.line == line]))
    console.print()
    console.print(Text(wrapped(HOW, console)))


def _comparison_sentences(comparison: Comparison) -> Iterator[str]:
    """Say for each line what differs."""
    for line in comparison.lines:
        rows = [row for row in comparison.rows if row.line == line]
        names = [row.name for row in rows if row.is_different]
        if not names:
            yield f"{format_line(line)}: none of {len(rows)} figures differs."
            continue
        more = f" and {len(names) - _TOLD} more" if len(names) > _TOLD else ""
        told = ", ".join(names[:_TOLD])
        verb = "differs" if len(names) == 1 else "differ"
        yield f"{format_line(line)}: {len(names)} of {len(rows)} figures {verb}: {told}{more}."


def _table(line: str, rows: list[ComparedRow]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    table.add_column(escape(format_line(line)))
    for number in range(1, len(rows[0].findings) + 1):
        table.add_column(str(number), justify="right", overflow="fold")
    for row in rows:
        cells = [
            escape(_format_compared(found)) + (f" {DIFFERS}" if differs else "")
            for found, differs in zip(row.findings, row.differs, strict=True)
        ]
        table.add_row(row.name, *cells)
    return table


def _format_compared(finding: Finding | None) -> str:
    """Write a finding's value as it stands in a comparison."""
    return "–" if finding is None else format_value(replace(finding, interval=None))


def comparison_json(comparison: Comparison) -> str:
    """Write a comparison as JSON text (docs/comparison.schema.json)."""
    rows: list[Json] = [
        {
            **picked(row, "line name unit"),
            "findings": [None if f is None else finding_data(f) for f in row.findings],
            "differs": list(row.differs),
        }
        for row in comparison.rows
    ]
    return json_text(
        {"schema": COMPARISON_SCHEMA, "recordings": list(comparison.sources), "rows": rows}
    )


def comparison_page(comparison: Comparison) -> str:
    """Write a comparison as HTML; names are words in it, whatever they hold."""
    lines = [
        (
            format_line(line),
            [
                (
                    row.name,
                    [
                        (_format_compared(found), bool(differs))
                        for found, differs in zip(row.findings, row.differs, strict=True)
                    ],
                )
                for row in comparison.rows
                if row.line == line
            ],
        )
        for line in comparison.lines
    ]
    text = fill_page(
        "comparison.html.j2",
        {},
        look=[template_text("look.css"), template_text("comparison.css")],
        sources=[format_plainly(source) for source in comparison.sources],
        sentences=list(_comparison_sentences(comparison)),
        how=HOW,
        differs_mark=DIFFERS,
        lines=lines,
        rulebook=RULEBOOK.replace("one recording", f"{len(comparison.sources)} recordings"),
        version=__version__,
    )
    return text + "\n"
