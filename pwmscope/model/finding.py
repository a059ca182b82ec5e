"""One answer: a value with its uncertainty, held against a limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.errors import named
from pwmscope.model.uncertainty import COVERAGE
from pwmscope.model.verdict import Verdict, governing

__all__ = [
    "MAX_SPANS",
    "Evidence",
    "Finding",
    "Verdict",
    "judge",
    "measured",
    "not_shown",
    "worst",
]

MAX_SPANS: Final = 20
"""Time spans that are named as evidence for one finding, where there are more."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Where in the recording an answer rests.

    Parameters
    ----------
    start_s, end_s : float
        Time span in seconds since the capture's start.
    pulses : int
        Pulses of the channel within it that were used.
    first, last : int or None
        Rows in the channel's pulse table of the first and the last of them; None
        where the answer rests on no pulse of the channel's own.
    """

    start_s: float
    end_s: float
    pulses: int
    first: int | None = None
    last: int | None = None

    @classmethod
    def of(
        cls, rise_s: npt.NDArray[np.float64], first: int, last: int, pulses: int = 1
    ) -> Evidence:
        """Name the stretch from one pulse to another.

        Parameters
        ----------
        rise_s : ndarray of float64, shape (n,)
            Leading edges of all pulses of the channel, in seconds.
        first, last : int
            Rows of the first and the last pulse.
        pulses : int, optional
            Pulses within it that were used.

        Examples
        --------
        >>> Evidence.of(np.array([0.0, 0.02, 0.04]), 1, 2, 2)
        Evidence(start_s=0.02, end_s=0.04, pulses=2, first=1, last=2)
        """
        first, last = int(first), int(last)
        return cls(float(rise_s[first]), float(rise_s[last]), int(pulses), first, last)


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
        What it was held against, with its unit; empty where there is no limit.
    verdict : Verdict or None
        Whether the limit is met; None for a value without a limit to hold it
        against. A value that could not be measured is `Verdict.NOT_SHOWN`
        either way.
    evidence : tuple of Evidence
        Where in the recording it rests.
    sentence : str
        The answer for a person.
    interval : tuple of float, optional
        Lower and upper end of the 95 % coverage interval, in the value's unit,
        where it is not the value plus and minus twice the uncertainty.
    """

    name: str
    value: float | str | None
    unit: str
    uncertainty: float | None
    limit: str
    verdict: Verdict | None
    evidence: tuple[Evidence, ...]
    sentence: str
    interval: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "sentence", named(self.sentence))


def measured(
    name: str,
    value: float | str,
    unit: str,
    sentence: str,
    *,
    uncertainty: float | None = None,
    interval: tuple[float, float] | None = None,
    evidence: tuple[Evidence, ...] = (),
) -> Finding:
    """Make a finding that has no limit to be held against.

    Examples
    --------
    >>> measured("skew", 12.5, "us", "RX2 begins 12.5 us after RX1.").verdict is None
    True
    """
    return Finding(name, value, unit, uncertainty, "", None, evidence, sentence, interval)


def not_shown(name: str, unit: str, reason: str, *, limit: str = "") -> Finding:
    """Make a finding for what the recording does not show, with the reason.

    Examples
    --------
    >>> not_shown("skew", "us", "There is only one channel.").verdict.value
    'not shown'
    """
    return Finding(name, None, unit, None, limit, Verdict.NOT_SHOWN, (), reason)


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
    """Verdict over several findings: one that does not meet governs, then one not shown.

    Findings without a limit do not count.

    Examples
    --------
    >>> worst((not_shown("skew", "us", "There is only one channel."),)).value
    'not shown'
    """
    return governing(
        finding.verdict for finding in findings if finding.limit and finding.verdict is not None
    )
