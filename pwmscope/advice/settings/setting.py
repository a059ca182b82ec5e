"""One setting of one channel: what was measured and wanted, what to do, what a percent is worth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal, TypeAlias

import numpy as np

from pwmscope.errors import HintError, named
from pwmscope.findings.travel import Amount
from pwmscope.model import CLOCK_TOLERANCE, COVERAGE, MIN_US

MIN: Final = 2


@dataclass(frozen=True, slots=True)
class PercentScale:
    """Microseconds for each percent of a setting.

    Parameters
    ----------
    us_per_percent : float
        Above 0.
    uncertainty_us : float or None
        Its standard uncertainty; 0 where it is stated, None where it is not known.
    source : str
        Where it comes from, as a clause.
    """

    us_per_percent: float
    uncertainty_us: float | None
    source: str


@dataclass(frozen=True, slots=True)
class PercentReading:
    """A width, or a throw from neutral, measured at one percentage of a setting."""

    percent: float
    throw: Amount


def stated_scale(us_per_percent: float, source: str = "as stated") -> PercentScale:
    """Take a scale that a person states.

    Raises
    ------
    HintError
        If it is not a number above 0 and up to 100.

    Examples
    --------
    >>> stated_scale(5.0).us_per_percent
    5.0
    """
    if not 0.0 < us_per_percent <= 100.0:
        raise HintError(
            f"{us_per_percent:g} us for each percent cannot be; expected a number above 0, "
            "such as 5 where 100 % is 500 us."
        )
    return PercentScale(us_per_percent, 0.0, source)


def solve_scale(readings: Sequence[PercentReading]) -> PercentScale:
    """Solve for the scale by what was measured at two settings or more.

    Generalised least squares of width = a + b percent: the readings' own
    uncertainties are independent, and the analyser's clock stretches all by one factor,
    so their covariance is diag(u_own^2) + c^2 w w', c = 100 ppm / sqrt(3) (JCGM 100, 5.2.2
    and H.3, from memory).

    Parameters
    ----------
    readings : sequence of PercentReading
        At least two, at two percentages or more. Throws to one end of one channel.

    Returns
    -------
    PercentScale

    Raises
    ------
    HintError
        If all settings are alike, or the widths do not differ beyond their uncertainty.

    Examples
    --------
    >>> scale = solve_scale([PercentReading(100.0, Amount(490.0, 0.2)),
    ...                      PercentReading(110.0, Amount(539.0, 0.2))])
    >>> round(scale.us_per_percent, 3), round(scale.uncertainty_us, 3)
    (4.9, 0.028)
    """
    percent = np.array([reading.percent for reading in readings], dtype=float)
    throw_us = np.array([reading.throw.us for reading in readings], dtype=float)
    if len(readings) < MIN or not np.isfinite(percent).all() or float(np.ptp(percent)) == 0.0:
        raise HintError(
            "The size of a percent is not known: record the same setting at two different "
            "percentages."
        )
    known = [reading.throw.uncertainty_us for reading in readings]
    own_us2 = np.ones(len(readings))
    clock = CLOCK_TOLERANCE / math.sqrt(3.0)
    is_known = all(u is not None for u in known)
    if is_known:
        own_us2 = np.array([(u or 0.0) ** 2 for u in known]) - (clock * throw_us) ** 2
        own_us2 = np.maximum(own_us2, 1e-12)
    covariance = np.diag(own_us2) + clock**2 * np.outer(throw_us, throw_us)
    design = np.stack([np.ones(len(readings)), percent - percent.mean()], axis=1)
    weighed = np.linalg.solve(covariance, np.column_stack([design, throw_us]))
    of_both = np.linalg.inv(design.T @ weighed[:, :2])
    slope = float((of_both @ (design.T @ weighed[:, 2]))[1])
    uncertainty = float(np.sqrt(of_both[1, 1])) if is_known else None
    least = MIN_US / float(np.ptp(percent))
    if abs(slope) <= max(COVERAGE * (uncertainty or 0.0), least):
        raise HintError(
            "The size of a percent cannot be solved for: the widths at these settings do not "
            "differ beyond their uncertainty. Change the setting by more and record again."
        )
    return PercentScale(abs(slope), uncertainty, "solved from the two recordings")


@dataclass(frozen=True, slots=True)
class Transmitter:
    """A transmitter's settings for one channel.

    Parameters
    ----------
    scale : PercentScale or None
        What a percent is worth; None where it is not known.
    step_percent : float
        The smallest step.
    most_percent : float
        The largest endpoint that can be set; 125 is usual (common practice, from memory;
        the transmitter's manual decides).
    """

    scale: PercentScale | None = None
    step_percent: float = 1.0
    most_percent: float = 125.0

    @property
    def reach_us(self) -> float | None:
        """How far from 0 % the width can go; None without a scale.

        Examples
        --------
        >>> Transmitter(PercentScale(4.0, 0.0, "as stated")).reach_us
        500.0
        """
        return None if self.scale is None else self.scale.us_per_percent * self.most_percent


Name: TypeAlias = Literal["direction", "rest position", "neutral", "low endpoint", "high endpoint"]

ORDER: Final = (
    "First the direction: a reversed channel changes its other settings as well.",
    "Then neutral, with the trim levers centred: most transmitters shift both ends with it "
    "(common practice).",
    "Then the endpoints, one side at a time.",
    "Then record again: what is predicted here is not yet measured.",
)
"""The order in which settings are changed (common practice)."""


class Action(StrEnum):
    """What to do about a setting."""

    CHANGE = "change"
    LEAVE = "leave"
    DEVICE = "calibrate the device"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of one channel.

    Parameters
    ----------
    name : str
        ``"direction"``, ``"rest position"``, ``"neutral"``, ``"low endpoint"`` or ``"high
        endpoint"``.
    action : Action
        What to do.
    sentence : str
        The same for a person, with the reason.
    measured : Amount or None
        The width; None for a direction, and where the recording does not show it.
    target_us : float or None
        What the device expects; None for a direction.
    tolerance_us : float or None
        How far from that it may be without needing a change.
    change : Amount or None
        By how much to change the width, after the settings before it in the order; None
        where there is nothing to change.
    percent : float or None
        The same in percent of the setting, in the transmitter's steps; for an endpoint,
        above 0 is farther from neutral.
    predicted : Amount or None
        The width after the change, with its uncertainty.
    """

    name: Name
    action: Action
    sentence: str
    measured: Amount | None = None
    target_us: float | None = None
    tolerance_us: float | None = None
    change: Amount | None = None
    percent: float | None = None
    predicted: Amount | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "sentence", named(self.sentence))


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """What to do about one channel.

    Parameters
    ----------
    line, role, device : str
        As the bench sheet has them.
    settings : tuple of Setting
        In the order in which they are changed.
    warnings : tuple of str
        What may go wrong with the channel as it is, each a sentence.
    """

    line: str
    role: str
    device: str
    settings: tuple[Setting, ...]
    warnings: tuple[str, ...]

    @property
    def not_shown(self) -> int:
        """How many settings the recording does not show."""
        return sum(setting.action is Action.NOT_SHOWN for setting in self.settings)

    def named(self, name: Name) -> Setting | None:
        """Return a setting by its name."""
        return next((setting for setting in self.settings if setting.name == name), None)
