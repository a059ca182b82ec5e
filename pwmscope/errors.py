"""The one kind of error a person sees: what was found, where, and what to do."""

from __future__ import annotations

import re
from typing import Final

ARGUMENT: Final = re.compile(
    r"`(?P<name>[a-z_]+)(?:=(?P<quote>['\"]?)(?P<value>[^`]*?)(?P=quote))?`"
)
"""How a sentence names an argument of a function, alone or with an example of its value."""


class PwmscopeError(Exception):
    """Base of every error that pwmscope raises on purpose.

    Its text is one or two whole sentences for a person. Arguments of functions stand in
    backticks; the command line names its options instead, and ends with exit code 2.

    Examples
    --------
    >>> error = PwmscopeError("a.csv: the rate is needed; add `rate`, for example `rate='1MHz'`.")
    >>> error.arguments
    ('rate',)
    """

    @property
    def arguments(self) -> tuple[str, ...]:
        """Names of the arguments that would mend it, in the order they are named."""
        return tuple(dict.fromkeys(match["name"] for match in ARGUMENT.finditer(str(self))))


class CaptureError(PwmscopeError):
    """A recording could not be read.

    Parameters
    ----------
    source : str
        The file, as the person named it.
    found : str
        What is wrong, without a closing full stop.
    remedy : str
        What to do about it, as a clause after a semicolon or a sentence.
    row : int, optional
        Line of the file, counted from 1 as an editor counts.
    column : str, optional
        The column's name.

    Examples
    --------
    >>> print(CaptureError("a.csv", "the level is 'x', expected 0 or 1",
    ...                    "export this line as digital levels", row=3, column="RX1"))
    a.csv, row 3, column RX1: the level is 'x', expected 0 or 1; export this line as digital levels.
    """

    def __init__(
        self,
        source: str,
        found: str,
        remedy: str,
        *,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        place = source
        if row is not None:
            place += f", row {row}"
        if column is not None:
            place += f", column {column}"
        super().__init__(f"{place}: {found}; {remedy}.")
        self.source = source
        self.row = row
        self.column = column


class HintError(PwmscopeError):
    """A hint or option given by the person cannot be used as it stands."""


class OutputError(PwmscopeError):
    """A result could not be written."""
