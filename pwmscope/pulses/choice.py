"""Which convention a line's pulses follow, where the person does not say."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_US, Line
from pwmscope.pulses.convention import (
    EIGHTH_WIDTH,
    FAST_SERVO,
    STANDARD_SERVO,
    TWENTY_FOURTH_WIDTH,
    Convention,
)
from pwmscope.pulses.polarity import is_inverted

FEWEST_PULSES = 20
LOOKED_AT = 20_000
"""Edges from which the convention is chosen, the first of the line."""
FIT = 0.9
"""Share of pulses that must lie in a convention's accepted range to infer it."""


def choose_convention(line: Line) -> Convention:
    """Choose the convention that a line's pulses follow.

    The standard servo convention is taken unless at least 20 pulses speak
    against it: nine of ten pulses of standard width but too many frames a
    second make a fast servo line; nine of ten pulses within one of the shorter
    conventions, and fewer than one in ten within the standard one, that.

    Parameters
    ----------
    line : Line
        The line.

    Returns
    -------
    Convention

    Examples
    --------
    >>> edges_us = np.stack([1000.0 * np.arange(50), 1000.0 * np.arange(50) + 180], axis=1).ravel()
    >>> choose_convention(Line("M1", (edges_us * PS_PER_US).astype(np.int64) + 1, 0)).name
    'eighth width'
    """
    line = Line(line.name, line.edges_ps[:LOOKED_AT], line.initial_level)
    standard = _fit(line, STANDARD_SERVO, FAST_SERVO.period_low_us)
    if standard >= FIT:
        leads_ps = line.rises_ps(inverted=is_inverted(line, STANDARD_SERVO))
        is_fast = _usual_us(leads_ps) < STANDARD_SERVO.period_low_us
        return FAST_SERVO if is_fast else STANDARD_SERVO
    if standard < 1 - FIT:
        for convention in (EIGHTH_WIDTH, TWENTY_FOURTH_WIDTH):
            if _fit(line, convention, convention.period_low_us) >= FIT:
                return convention
    return STANDARD_SERVO


def _usual_us(leads_ps: npt.NDArray[np.int64]) -> float:
    """Median distance of leading edges; endless where there are too few pulses to judge."""
    if leads_ps.size < FEWEST_PULSES:
        return np.inf
    return float(np.median(np.diff(leads_ps))) / PS_PER_US


def _fit(line: Line, convention: Convention, least_period_us: float) -> float:
    """Share of a line's pulses whose width lies in the accepted range.

    Frames closer together than any device takes speak against the convention as
    a whole; too few pulses speak for the standard one.
    """
    inverted = is_inverted(line, convention)
    rise_ps, fall_ps = line.rises_ps(inverted=inverted), line.falls_ps(inverted=inverted)
    if rise_ps.size and fall_ps.size and fall_ps[0] < rise_ps[0]:
        fall_ps = fall_ps[1:]
    pulses = min(rise_ps.size, fall_ps.size)
    if pulses < FEWEST_PULSES:
        return 1.0 if convention is STANDARD_SERVO else 0.0
    if _usual_us(rise_ps) < least_period_us:
        return 0.0
    width_us = (fall_ps[:pulses] - rise_ps[:pulses]) / PS_PER_US
    return float(
        np.mean(
            (width_us >= convention.accepted_low_us) & (width_us <= convention.accepted_high_us)
        )
    )
