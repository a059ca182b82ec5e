"""Levels: the widths that a channel stands at, with its neutral and its endpoints."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation.dwells import Dwells
from pwmscope.findings.travel.moves import LEAST_THROW
from pwmscope.model.finding import Evidence
from pwmscope.model.moments import mean_of, std_of
from pwmscope.model.uncertainty import CLOCK_TOLERANCE, of_mean_us
from pwmscope.pulses import PulseTable

SAME_LEVEL: Final = 0.01
"""Dwells within this part of the convention's span are visits to one level."""
NEUTRAL_REACH: Final = 0.1
"""A dwell this part of the span from the convention's neutral may still be a badly set one."""


@dataclass(frozen=True, slots=True)
class Level:
    """A width that the channel stood at, once or several times.

    Parameters
    ----------
    width_us : float
        Mean over all visits, weighted by their pulses.
    uncertainty_us : float or None
        Standard uncertainty; None where the sample interval is not known.
    visits : tuple of Evidence
        When.
    """

    width_us: float
    uncertainty_us: float | None
    visits: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class Amount:
    """A figure in microseconds with its standard uncertainty; None where that is not known."""

    us: float
    uncertainty_us: float | None

    @property
    def said(self) -> str:
        """The figure with its expanded uncertainty, k = 2 (JCGM 100, 6.3.3).

        Examples
        --------
        >>> Amount(488.123, 0.25).said, Amount(488.123, None).said
        ('488.1 ± 0.5 us', '488.1 us')
        """
        if self.uncertainty_us is None:
            return f"{self.us:.1f} us"
        places = 1 if self.uncertainty_us >= 0.05 else 2
        return f"{self.us:.{places}f} ± {2.0 * self.uncertainty_us:.{places}f} us"


def weighed_sum(*terms: tuple[float, Level]) -> Amount:
    """Add levels, each times a weight, so that errors they share cancel or add as they should.

    The analyser's clock stretches all widths by one factor, so its part of the uncertainty
    is that of the sum; the rest of each level's is its own (JCGM 100, 5.1.2 and, for what
    is shared, 5.2.2).

    Parameters
    ----------
    *terms : tuple of float and Level
        Weight and level.

    Returns
    -------
    Amount

    Examples
    --------
    >>> low, high = Level(1000.0, 0.1, ()), Level(2000.0, 0.2, ())
    >>> throw = weighed_sum((1.0, high), (-1.0, low))
    >>> throw.us, round(throw.uncertainty_us, 3)
    (1000.0, 0.191)
    """
    total_us = sum(weight * level.width_us for weight, level in terms)
    variance = (_clock_us(total_us)) ** 2
    for weight, level in terms:
        if level.uncertainty_us is None:
            return Amount(total_us, None)
        own = level.uncertainty_us**2 - _clock_us(level.width_us) ** 2
        variance += weight**2 * max(own, 0.0)
    return Amount(total_us, math.sqrt(variance))


def _clock_us(width_us: float) -> float:
    return abs(width_us) * CLOCK_TOLERANCE / math.sqrt(3.0)


def level_near(table: PulseTable, dwells: Dwells, target_us: float) -> Level:
    """Take all dwells within `SAME_LEVEL` of a width together; there is at least one."""
    same_us = SAME_LEVEL * table.convention.span_us
    near = dwells.select(np.abs(dwells.level_us - target_us) <= same_us)
    weights = near.count / near.count.sum()
    width_us = target_us + float(np.sum(weights * (near.level_us - target_us)))
    # Visits scatter more than pulses within a visit where the stick's spring
    # or the hand returns differently; the larger of the two scatters counts.
    within_us = float(np.sqrt(np.sum(weights * near.std_us**2) / near.count.sum()))
    between_us = std_of(near.level_us) / len(near) ** 0.5 if len(near) > 1 else 0.0
    uncertainty_us = of_mean_us(width_us, max(within_us, between_us), 1, table.sample_interval_us)
    return Level(width_us, uncertainty_us, near.evidence)


def find_neutral(
    table: PulseTable, dwells: Dwells, marked_us: float | None = None
) -> tuple[Level | None, str]:
    """Find the most visited level near the convention's neutral, if it is the channel's rest.

    A channel that neither starts near the centre nor comes back there more
    often, or stays longer, than elsewhere is one-sided: it has no neutral to see.

    Parameters
    ----------
    table : PulseTable
        The channel's pulses.
    dwells : Dwells
        Its dwells.
    marked_us : float, optional
        Where neutral is known to be, as a bench sheet may mark it: then the dwell nearest
        to it is at neutral, if it is near at all.

    Returns
    -------
    level : Level or None
    reason : str
        Why there is none; empty where there is one.
    """
    span_us = table.convention.span_us
    centre_us = table.convention.neutral_us if marked_us is None else marked_us
    off_us = np.abs(dwells.level_us - centre_us)
    near = off_us <= NEUTRAL_REACH * span_us
    if not near.any():
        return None, (
            f"The stick never stood within {NEUTRAL_REACH * span_us:.4g} us of {centre_us:g} us."
        )
    if marked_us is not None:
        return level_near(table, dwells, float(dwells.level_us[off_us.argmin()])), ""
    stay, visits = _company(dwells.level_us, dwells.count, SAME_LEVEL * span_us)
    centre = int(np.where(near, stay, -1).argmax())
    rest = int(stay.argmax())
    if not near[0] and stay[rest] > stay[centre] and visits[rest] >= visits[centre]:
        return None, (
            f"The stick rests at {dwells.level_us[rest]:.0f} us; where it stood near "
            f"{centre_us:g} us it was passing by."
        )
    return level_near(table, dwells, float(dwells.level_us[centre])), ""


def _company(
    level_us: npt.NDArray[np.float64], count: npt.NDArray[np.int64], same_us: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """For each dwell, pulses and visits within ``same_us`` of its level."""
    order = np.argsort(level_us)
    ordered_us = level_us[order]
    total = np.concatenate([[0], np.cumsum(count[order])])
    low = np.searchsorted(ordered_us, level_us - same_us)
    high = np.searchsorted(ordered_us, level_us + same_us, side="right")
    return total[high] - total[low], high - low


def find_endpoints(
    table: PulseTable, dwells: Dwells, neutral: Level | None
) -> tuple[Level | None, Level | None, dict[str, str]]:
    """Find the outermost levels, if they lie `LEAST_THROW` or more from neutral.

    Returns
    -------
    low, high : Level or None
    reasons : dict of str to str
        For each of ``low, high`` that is None, why.
    """
    if not len(dwells):
        reason = "The stick never stood still at an end."
        return None, None, {"low": reason, "high": reason}
    least_us, most_us = float(dwells.level_us.min()), float(dwells.level_us.max())
    middle_us = (least_us + most_us) / 2 if neutral is None else neutral.width_us
    throw_us = LEAST_THROW * table.convention.span_us
    reasons: dict[str, str] = {}
    low = high = None
    if least_us <= middle_us - throw_us:
        low = level_near(table, dwells, least_us)
    else:
        reasons["low"] = _not_held("low", middle_us, throw_us)
    if most_us >= middle_us + throw_us:
        high = level_near(table, dwells, most_us)
    else:
        reasons["high"] = _not_held("high", middle_us, throw_us)
    return low, high, reasons


def _not_held(end: str, middle_us: float, throw_us: float) -> str:
    return (
        f"The stick was never held at its {end} end: no dwell lies {throw_us:.4g} us or more "
        f"from {middle_us:.0f} us on that side."
    )


def pooled_level_us(dwells: Dwells, span_us: float) -> float | None:
    """Return the level of the channel's longest stay, by pulses, in microseconds.

    Parameters
    ----------
    dwells : Dwells
        The channel's dwells.
    span_us : float
        The convention's span.

    Returns
    -------
    float or None
        None where the channel never stood still.
    """
    if not len(dwells):
        return None
    best = int(dwells.count.argmax())
    near = np.abs(dwells.level_us - dwells.level_us[best]) <= SAME_LEVEL * span_us
    return mean_of(dwells.level_us[near])
