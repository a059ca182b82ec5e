"""What is known of a text table before it is decided which column is what."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

from pwmscope.capture.hints import Hints
from pwmscope.capture.text.cells import NUMERIC, CellKind, kind_of, kind_of_column
from pwmscope.capture.text.dialect import Dialect
from pwmscope.capture.text.preamble import Stated

_ENOUGH: Final = 1000
"""Cells that show how many decimals are printed."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a text table.

    Parameters
    ----------
    name : str
        Its name, unique in the table.
    position : int
        Its place, from 0.
    kind : CellKind
        What its first cells hold.
    cells : list of str
        Its first cells.
    unit : str
        What the row of units says of it; empty where there is none.
    """

    name: str
    position: int
    kind: CellKind
    cells: list[str]
    unit: str = ""

    @property
    def numbers(self) -> list[Decimal]:
        """The cells that are numbers, exact."""
        return [Decimal(c.replace(",", ".")) for c in self.cells if kind_of(c) in NUMERIC]

    @property
    def decimals(self) -> int:
        """Most decimals printed in the cells that are numbers."""
        numbers = replace(self, cells=self.cells[:_ENOUGH]).numbers
        exponents = [number.as_tuple().exponent for number in numbers]
        return max((-e for e in exponents if isinstance(e, int)), default=0)

    @property
    def is_rising(self) -> bool:
        """Whether the numbers never fall, do change, and are not mere levels."""
        if self.kind not in ("integer", "decimal"):
            return False
        numbers = self.numbers
        if len(numbers) < 2:
            return self.position == 0 and bool(numbers)  # a single row shows no more than that
        return numbers[0] < numbers[-1] and all(a <= b for a, b in itertools.pairwise(numbers))


@dataclass(frozen=True, slots=True)
class Sheet:
    """A text table's head with everything said about it.

    Parameters
    ----------
    source : str
        The file's name, for messages.
    dialect : Dialect
        How the rows are written.
    columns : tuple of Column
        All columns in file order.
    stated : Stated
        What the remarks above the table say.
    hints : Hints
        What the person said.
    more_text : callable
        Gives more of the file's text, to infer an unstated unit from.
    """

    source: str
    dialect: Dialect
    columns: tuple[Column, ...]
    stated: Stated
    hints: Hints
    more_text: Callable[[], str]

    @property
    def has_header(self) -> bool:
        """Whether the columns' names come from the file."""
        return self.dialect.headings is not None

    @property
    def rate_hz(self) -> float | None:
        """The sample rate as the person or else the file states it."""
        return self.hints.rate_hz or self.stated.rate_hz


def find_columns(dialect: Dialect) -> tuple[Column, ...]:
    r"""Name the columns of a table and look at their first cells.

    Parameters
    ----------
    dialect : Dialect
        How the rows are written.

    Returns
    -------
    tuple of Column
        In file order; a name that comes again gets a prime, a nameless column
        is called by its position.

    Examples
    --------
    >>> from pwmscope.capture.text.dialect import find_dialect
    >>> columns = find_columns(find_dialect("t,a,a,\n0.5,1,H,2\n0.6,0,L,2\n", "a.csv"))
    >>> [(column.name, column.kind) for column in columns]
    [('t', 'decimal'), ('a', 'digit'), ("a'", 'word'), ('column4', 'integer')]
    """
    widths = [len(row) for row in dialect.rows]
    width = len(dialect.headings or ()) or max(set(widths), key=widths.count)
    if dialect.headings is not None and widths[0] == width + 1:
        width += 1  # a delimiter after the last cell of each row
    headings = [*(dialect.headings or ()), *[""] * width][:width]
    units = [*(dialect.units or ()), *[""] * width]
    columns: list[Column] = []
    for i, heading in enumerate(headings):
        name = heading or f"column{i + 1}"
        while name in [column.name for column in columns]:
            name += "'"
        cells = [row[i] for row in dialect.rows if i < len(row)]
        columns.append(Column(name, i, kind_of_column(cells), cells, units[i].strip("()[] ")))
    return tuple(columns)
