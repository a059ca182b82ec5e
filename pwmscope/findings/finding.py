"""One answer: a value with its uncertainty, held against a limit."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pwmscope.findings.uncertainty import COVERAGE


class Verdict(StrEnum):
    """What a measurement says about its limit."""

    MEETS = "meets"
    DOES_NOT_MEET = "does not meet"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Evidence:
    """Where in the recording an answer rests.

    Parameters
    ----------
    start_s, end_s : float
        Time span in seconds since the capture's start.
    pulses : int
        Pulses of the channel within it that were used.
    """

    start_s: float
    end_s: float
    pulses: int


@dataclass(frozen=True, slots=True)
class Finding:
    """One answer to a builder's question.

    Parameters
    ----------
    name : str
        What was asked, for instance ``"neutral"``.
    value : float, str or None
        The answer; None where the recording does not show it.
    unit : str
        Unit of the value; empty for a text or a count.
    uncertainty : float or None
        Standard uncertainty in the same unit; None where there is none to state.
    limit : str
        What it was held against, with its unit.
    verdict : Verdict
        Whether the limit is met.
    evidence : tuple of Evidence
        Where in the recording it rests.
    sentence : str
        The answer for a person.
    """

    name: str
    value: float | str | None
    unit: str
    uncertainty: float | None
    limit: str
    verdict: Verdict
    evidence: tuple[Evidence, ...]
    sentence: str


def judge(value: float, limit: float, uncertainty: float | None) -> Verdict:
    """Hold a value against an upper limit, giving the doubt to neither side.

    A value whose 95 % interval contains the limit is not shown to meet it and
    not shown to break it (the guard band of JCGM 106, cited from memory).

    Parameters
    ----------
    value, limit : float
        In one unit.
    uncertainty : float or None
        Standard uncertainty of the value; None counts as none.

    Returns
    -------
    Verdict

    Examples
    --------
    >>> [judge(value, 20.0, 1.0).value for value in (17.0, 19.0, 23.0)]
    ['meets', 'not shown', 'does not meet']
    """
    doubt = COVERAGE * (uncertainty or 0.0)
    if value + doubt <= limit:
        return Verdict.MEETS
    return Verdict.DOES_NOT_MEET if value - doubt > limit else Verdict.NOT_SHOWN


def worst(findings: tuple[Finding, ...]) -> Verdict:
    """Verdict over several findings: one that does not meet governs, then one not shown."""
    verdicts = {finding.verdict for finding in findings}
    for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN):
        if verdict in verdicts:
            return verdict
    return Verdict.MEETS if verdicts else Verdict.NOT_SHOWN
