"""The one sentence that says why a bench sheet cannot be used."""

from __future__ import annotations

from pwmscope.bench.toml_text import TomlError


class SheetError(TomlError):
    """A bench sheet cannot be used as it stands; the key is written as TOML does.

    Examples
    --------
    >>> print(SheetError("bench.toml", 7, "limits.failsafe_s", "the value is -1",
    ...                  "a number of seconds from 0.05 to 60"))
    bench.toml, line 7, limits.failsafe_s: the value is -1, expected a number of seconds from \
0.05 to 60.
    """
