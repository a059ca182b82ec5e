"""What a cell of a text table may hold: a number, a level, a bus value, a date and time."""

from __future__ import annotations

import re
from collections import Counter
from typing import Final, Literal, TypeAlias

CellKind: TypeAlias = Literal[
    "empty", "digit", "level number", "word", "hex", "binary", "integer", "decimal", "stamp", "text"
]

LOW_WORDS: Final = ("l", "low", "false", "off")
HIGH_WORDS: Final = ("h", "high", "true", "on")

_NUMBER: Final = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d{1,3})?")
_INTEGER: Final = re.compile(r"[+-]?\d+")
_HEX: Final = re.compile(r"0[xX][0-9a-fA-F]+|[0-9][0-9a-fA-F]*[hH]")
_BINARY: Final = re.compile(r"0[bB][01]+|[01]+[bB]")
STAMP: Final = re.compile(
    r"(?:(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[T ])?"
    r"(?P<clock>\d{1,2}:\d{2}:\d{2})(?:[.,](?P<fraction>\d{1,12}))?"
    r"(?P<zone>Z|[+-]\d{2}:?\d{2})?"
)
"""A date and time of day (ISO 8601 and common practice), or a time of day alone."""


def kind_of(cell: str) -> CellKind:
    """Tell what one cell holds, taken by itself.

    A comma counts as a decimal point here; the caller knows whether commas
    separate cells.

    Examples
    --------
    >>> [kind_of(cell) for cell in ("1", "1.0", "High", "0x1F", "1Fh", "0b01", "12", "-0,5")]
    ['digit', 'level number', 'word', 'hex', 'hex', 'binary', 'integer', 'decimal']
    >>> kind_of("2031-05-06T07:08:09.25Z"), kind_of("RX1"), kind_of("")
    ('stamp', 'text', 'empty')
    """
    if _NUMBER.fullmatch(cell):
        return _kind_of_number(cell)
    if cell.lower() in LOW_WORDS or cell.lower() in HIGH_WORDS:
        return "word"
    for kind, pattern in _PATTERNS:
        if pattern.fullmatch(cell):
            return kind
    return "text" if cell else "empty"


def _kind_of_number(cell: str) -> CellKind:
    if cell in ("0", "1"):
        return "digit"
    if float(cell.replace(",", ".")) in (0.0, 1.0):
        return "level number"
    return "integer" if _INTEGER.fullmatch(cell) else "decimal"


_PATTERNS: Final[tuple[tuple[CellKind, re.Pattern[str]], ...]] = (
    ("hex", _HEX),
    ("binary", _BINARY),
    ("stamp", STAMP),
)
NUMERIC: Final = frozenset({"digit", "level number", "integer", "decimal"})
_LEVELS: Final = ("digit", "level number", "word")


def kind_of_column(cells: list[str]) -> CellKind:
    """Tell what a column holds from its first cells.

    One odd cell in a column of levels or numbers does not change its kind:
    it is refused later, with its row.

    Examples
    --------
    >>> kind_of_column(["0", "1", "1"]), kind_of_column(["0", "1.0"]), kind_of_column(["H", "L"])
    ('digit', 'level number', 'word')
    >>> kind_of_column(["0", "3", "1"]), kind_of_column(["0", "2.5"])
    ('integer', 'decimal')
    >>> kind_of_column(["0000", "0101"]), kind_of_column(["0x1F", "0x2E"])
    ('binary', 'hex')
    >>> kind_of_column(["0", "high?", "1"]), kind_of_column(["RX1", "RX2", "1"])
    ('digit', 'text')
    """
    counts: Counter[CellKind] = Counter()
    for cell, times in Counter(cells).items():
        counts[kind_of(cell)] += times
    counts.pop("empty", None)
    if not counts:
        return "empty"
    odd = counts.pop("text", 0)
    if odd >= sum(counts.values()):
        return "text"
    for kind in ("stamp", "hex", "binary", "word"):
        if _dominates(kind, counts):
            return kind
    if "decimal" not in counts and _is_packed({cell for cell in cells if cell}):
        return "binary"
    by_rank: tuple[CellKind, ...] = ("decimal", "integer", "level number")
    return next((kind for kind in by_rank if kind in counts), "digit")


def _is_packed(cells: set[str]) -> bool:
    """Whether all cells are equally many binary digits, some of them with a leading zero."""
    widths = {len(cell) for cell in cells}
    digits = all(set(cell) <= {"0", "1"} for cell in cells)
    return digits and len(widths) == 1 and max(widths) > 1 and any(c[0] == "0" for c in cells)


def _dominates(kind: CellKind, counts: Counter[CellKind]) -> bool:
    """Whether a column with some cells of this kind is of this kind."""
    allies: dict[str, frozenset[str]] = {
        "word": frozenset({"word", "digit", "level number"}),
        "hex": NUMERIC | {"hex", "binary"},
        "binary": NUMERIC | {"binary"},
    }
    within = sum(count for other, count in counts.items() if other in allies.get(kind, {kind}))
    return kind in counts and within * 2 > sum(counts.values())
