"""The one sentence that says why a bench sheet cannot be used."""

from __future__ import annotations

from pwmscope.errors import PwmscopeError


class SheetError(PwmscopeError):
    """A bench sheet cannot be used as it stands.

    Parameters
    ----------
    source : str
        The file, as the person named it.
    line : int
        Line of the file, counted from 1.
    key : str
        The key with its tables, as TOML writes it; empty for the file as a whole.
    found : str
        What is wrong, as a clause.
    allowed : str
        What may stand there, as it reads after the word "expected".

    Examples
    --------
    >>> print(SheetError("bench.toml", 7, "limits.failsafe_s", "the value is -1",
    ...                  "a number of seconds from 0.05 to 60"))
    bench.toml, line 7, limits.failsafe_s: the value is -1, expected a number of seconds from \
0.05 to 60.
    """

    def __init__(self, source: str, line: int, key: str, found: str, allowed: str) -> None:
        place = f"{source}, line {line}" + (f", {key}" if key else "")
        super().__init__(f"{place}: {found}, expected {allowed}.")
        self.source = source
        self.line = line
        self.key = key
        self.allowed = allowed
