"""What is said of anything that is held against a limit or a rule."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Final


class Verdict(StrEnum):
    """What a measurement says about its limit, or a bench sheet about a rule."""

    MEETS = "meets"
    DOES_NOT_MEET = "does not meet"
    NOT_SHOWN = "not shown"


WORST_FIRST: Final = (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN, Verdict.MEETS)


def governing(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict over several: one that does not meet governs, then one not shown.

    Parameters
    ----------
    verdicts : iterable of Verdict
        None of them at all shows nothing.

    Examples
    --------
    >>> governing([Verdict.MEETS, Verdict.NOT_SHOWN, Verdict.MEETS]).value
    'not shown'
    """
    return min(verdicts, key=WORST_FIRST.index, default=Verdict.NOT_SHOWN)


def badness(verdict: Verdict | None) -> int:
    """Return 0 for a verdict that governs over all others, more for lesser ones, most for none.

    Examples
    --------
    >>> badness(Verdict.DOES_NOT_MEET), badness(None)
    (0, 3)
    """
    return len(WORST_FIRST) if verdict is None else WORST_FIRST.index(verdict)
