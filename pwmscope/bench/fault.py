"""A key of a bench sheet whose value cannot stand."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.bench.key_lines import KeyPath


@dataclass(frozen=True, slots=True)
class Fault:
    """A key of a sheet whose value cannot stand.

    Parameters
    ----------
    path : tuple of str
        The key with its tables.
    value : object
        What stands there.
    allowed : str
        What may stand there, as it reads after the word "expected".
    lead : str
        What is said before the value.
    """

    path: KeyPath
    value: object
    allowed: str
    lead: str = "the value is"
