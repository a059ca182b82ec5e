"""What several losses say together: the worst of them, and how often the next may fail."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.motion import RotorLoss
from pwmscope.model import Definition, Evidence, Finding, Verdict, measured, not_shown, special

CONFIDENCE: Final = 0.95
NAME: Final = "signal loss trials"

DEFINITIONS: Final = (
    Definition(
        NAME,
        "The failure rate that the losses seen leave open. It is below this bound with 95 % "
        "confidence. Losses that show neither are left out.",
        "upper end p of the one-sided Clopper-Pearson interval: P(at most k failures in n | p) = "
        "0.05; for k = 0, p = 1 - 0.05^(1/n), about 3/n",
        "Clopper and Pearson, Biometrika 26 (1934); the rule of three is common practice; from "
        "memory",
    ),
)


@dataclass(frozen=True, slots=True)
class Trials:
    """Several losses of one line, in one or several recordings.

    Parameters
    ----------
    meets, fails, not_shown : int
        How many losses met the limit, broke it, or showed neither.
    bound : float or None
        Upper bound of the failure rate at 95 % confidence; None without a loss
        that showed either.
    stop_s : tuple of float or None
        Shortest, median and longest stop time of those that have one, in
        seconds, each the upper end of its uncertainty.
    finding : Finding
        ``signal loss trials``.
    """

    meets: int
    fails: int
    not_shown: int
    bound: float | None
    stop_s: tuple[float, float, float] | None
    finding: Finding


def failure_rate_bound(trials: int, failures: int = 0, confidence: float = CONFIDENCE) -> float:
    """Bound the failure rate from above by what was seen (Clopper and Pearson 1934).

    Parameters
    ----------
    trials : int
        Number of trials, at least 1.
    failures : int
        How many of them failed.
    confidence : float
        One-sided confidence, between 0 and 1.

    Returns
    -------
    float
        The rate at which so few failures, or fewer, would be seen with a chance of
        ``1 - confidence``.

    Raises
    ------
    ValueError
        If the numbers are not those of an experiment.

    Examples
    --------
    >>> round(failure_rate_bound(59), 4), round(failure_rate_bound(10, 1), 4)
    (0.0495, 0.3942)
    """
    if trials < 1 or not 0 <= failures <= trials or not 0.0 < confidence < 1.0:
        raise ValueError(f"{failures} failures in {trials} trials at {confidence} make no sense")
    if failures == trials:
        return 1.0
    return float(special.betaincinv(failures + 1, trials - failures, confidence))


def needed_trials(rate: float, confidence: float = CONFIDENCE) -> int:
    """Return how many trials, none of which may fail, bound the failure rate by ``rate``.

    Parameters
    ----------
    rate : float
        The bound, between 0 and 1.
    confidence : float
        One-sided confidence, between 0 and 1.

    Returns
    -------
    int

    Examples
    --------
    >>> needed_trials(0.05), needed_trials(0.3)
    (59, 9)
    """
    return math.ceil(math.log(1.0 - confidence) / math.log(1.0 - rate))


def examine_trials(events: Iterable[LossEvent | RotorLoss]) -> Trials:
    """Count what the losses of one line show together."""
    losses = [event for event in events if not event.is_restart]
    meets = sum(event.verdict is Verdict.MEETS for event in losses)
    fails = sum(event.verdict is Verdict.DOES_NOT_MEET for event in losses)
    shown = [e for e in losses if e.verdict in (Verdict.MEETS, Verdict.DOES_NOT_MEET)]
    times_s = np.array([bounds[1] for e in shown if (bounds := e.stop_bounds_s) is not None])
    stop_s = None
    if times_s.size:
        stop_s = (float(times_s.min()), float(np.median(times_s)), float(times_s.max()))
    left_out = len(losses) - meets - fails
    if not shown:
        reason = "No loss was seen that shows whether the limit is met, so there is no rate."
        return Trials(meets, fails, left_out, None, stop_s, not_shown(NAME, "%", reason))
    bound = failure_rate_bound(len(shown), fails)
    finding = measured(
        NAME,
        100.0 * bound,
        "%",
        _format(meets, fails, left_out, bound, stop_s),
        evidence=(Evidence(shown[0].lost_s, max(event.lost_s for event in shown), 0),),
    )
    return Trials(meets, fails, left_out, bound, stop_s, finding)


def _format(
    meets: int,
    fails: int,
    left_out: int,
    bound: float,
    stop_s: tuple[float, float, float] | None,
) -> str:
    whole = f"{meets} of {meets + fails} losses met the limit"
    also = f", {left_out} more showed neither" if left_out else ""
    times = ""
    if stop_s is not None:
        times = (
            f" Stop time at most {stop_s[0]:.2f} s, {stop_s[1]:.2f} s and {stop_s[2]:.2f} s "
            "(shortest, median, longest)."
        )
    if not meets:
        return f"{whole}{also}.{times}"
    return f"{whole}{also}: the failure rate is below {100.0 * bound:.2g} % (95 %).{times}"
