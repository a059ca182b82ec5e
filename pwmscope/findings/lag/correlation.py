"""How late an output's width follows an input's, by cross-correlation of their changes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.lag.content import MAX_S
from pwmscope.findings.lag.train import Train
from pwmscope.model import FloatArray

CHANGE_S: Final = 0.1
"""Changes are taken over this time, in which a hand moves far more than a width jitters."""
PARTS: Final = 8
"""Parts of the recording, each left out once, that tell how well the peak is known."""
MIN_CHANGES: Final = 40
FINENESS: Final = 4
"""Delays tried in one frame."""


@dataclass(frozen=True, slots=True)
class Correlation:
    """The peak of the cross-correlation of width changes."""

    # From the input pulse's leading edge to the output pulse's, at the peak, interpolated between
    # the delays tried
    delay_us: float
    uncertainty_us: float  # Its standard uncertainty
    peak: float  # Correlation coefficient there, -1 to 1; negative for a reversed output


def correlate_changes(source: Train, output: Train) -> Correlation | None:
    """Find the delay at which changes of an output's width look most like an input's.

    The input's width, joined by straight lines between its leading edges, is
    taken each trial delay before the output's leading edges. The coefficient is
    Pearson's; the peak is the vertex of the parabola through the highest three.
    Its standard uncertainty is the jackknife's over eight parts of the recording
    (Efron and Tibshirani, "An introduction to the bootstrap", 1993, chapter 11,
    from memory).

    Examples
    --------
    >>> at_s = 0.02 * np.arange(500)
    >>> wave_us = 1500 + 300 * np.sin(at_s) + 100 * np.sin(7 * at_s)
    >>> rows = np.arange(500)
    >>> source = Train("RX1", rows, at_s, wave_us, 20_000.0, 1.0, 1500.0, 1000.0, 1.0)
    >>> output = Train("out1", rows, at_s + 0.0415, wave_us, 20_000.0, 1.0, 1500.0, 1000.0, 1.0)
    >>> found = correlate_changes(source, output)
    >>> round(found.delay_us / 1e3, 1), round(found.peak, 3)
    (41.5, 1.0)
    """
    shared_s = min(source.rise_s[-1], output.rise_s[-1]) - max(source.rise_s[0], output.rise_s[0])
    reach_s = min(MAX_S, max(float(shared_s), 0.0) / 6.0)
    across = max(1, round(CHANGE_S * 1e6 / output.period_us))
    first_s, last_s = source.rise_s[0] + reach_s, source.rise_s[-1] - reach_s
    used = np.flatnonzero((output.rise_s >= first_s) & (output.rise_s <= last_s))
    if used.size < MIN_CHANGES + across or not (source.moved and output.moved):
        return None
    rise_s = output.rise_s[used]
    step_s = source.period_us / 1e6 / FINENESS
    most = math.floor(reach_s / step_s)
    trials_s = step_s * np.arange(-most, most + 1).astype(np.float64)
    y_us = _changes(output.width_us[used], across)
    sums = np.stack(
        [
            _sums(
                _changes(np.interp(rise_s - late_s, source.rise_s, source.width_us), across), y_us
            )
            for late_s in trials_s
        ]
    )
    whole = sums.sum(axis=2)
    delay_s, peak = _peak(trials_s, _coefficients(whole))
    without = [_peak(trials_s, _coefficients(whole - sums[:, :, k]))[0] for k in range(PARTS)]
    # Jackknife variance: (k - 1)/k times the sum of squares about the mean.
    spread_s = math.sqrt((PARTS - 1) * float(np.var(without)))
    return Correlation(delay_s * 1e6, spread_s * 1e6, peak)


def _changes(width_us: FloatArray, across: int) -> FloatArray:
    return width_us[across:] - width_us[:-across]


def _sums(x_us: FloatArray, y_us: FloatArray) -> FloatArray:
    """Add up what makes a coefficient, for each part of the recording; shape (6, parts)."""
    begin = np.linspace(0, x_us.size, PARTS, endpoint=False).astype(np.int64)
    terms = np.stack([np.ones(x_us.size), x_us, y_us, x_us**2, y_us**2, x_us * y_us])
    sums: FloatArray = np.add.reduceat(terms, begin, axis=1)
    return sums


def _coefficients(sums: FloatArray) -> FloatArray:
    """Pearson's coefficient for each trial, 0 where one side does not change."""
    count, x, y, xx, yy, xy = sums.T
    spread = (count * xx - x**2) * (count * yy - y**2)
    coefficients: FloatArray = (count * xy - x * y) / np.sqrt(np.maximum(spread, 1e-9))
    return coefficients


def _peak(trials_s: FloatArray, coefficients: FloatArray) -> tuple[float, float]:
    at = int(np.abs(coefficients).argmax())
    if not 0 < at < trials_s.size - 1:
        return float(trials_s[at]), float(coefficients[at])
    before, here, after = (float(each) for each in coefficients[at - 1 : at + 2])
    bend = before - 2.0 * here + after
    off = 0.5 * (before - after) / bend if bend else 0.0
    peak = here - 0.25 * (before - after) * off
    return float(trials_s[at] + off * (trials_s[1] - trials_s[0])), peak
