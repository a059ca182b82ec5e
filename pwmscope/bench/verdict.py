"""What is said of anything that is held against a limit or a rule."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum


class Verdict(StrEnum):
    """What a measurement says about its limit, or a bench sheet about a rule."""

    MEETS = "meets"
    DOES_NOT_MEET = "does not meet"
    NOT_SHOWN = "not shown"


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
    given = set(verdicts)
    for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN):
        if verdict in given:
            return verdict
    return Verdict.MEETS if given else Verdict.NOT_SHOWN
