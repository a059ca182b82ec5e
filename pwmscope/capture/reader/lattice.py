"""The sampling interval that a list of change times gives away."""

from __future__ import annotations

import random
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.reader.units import format_interval, format_rate
from pwmscope.model import Assumption

MIN_CHANGES: Final = 20
_MANTISSAS: Final = (1.0, 1.2, 1.25, 1.5, 1.6, 2.0, 2.4, 2.5, 3.0, 3.2, 4.0, 4.8, 5.0, 6.0, 6.25,
                     7.5, 8.0, 9.6)  # fmt: skip
_DRAWN: Final = 4096
"""Of a long list, this many are tried first; what fits them is held against all."""
RATES_HZ: Final = tuple(m * 10.0**e for e in range(4, 10) for m in _MANTISSAS)
"""Sample rates tried, slowest first: round figures and the divisors of common
crystal clocks, as analysers offer them (common practice)."""


def find_interval_ps(times_ps: npt.NDArray[np.int64], resolution_ps: int) -> float | None:
    """Find the sampling interval on whose ticks all change times lie.

    A clocked analyser that lists only changes still times them in whole
    sample intervals. The greatest common divisor of the differences shows an
    interval that the printed digits can express; an interval that they cannot
    (24 MS/s has 41.666... ns) is found by trying known rates, allowing each
    time its printed rounding. By chance, `n` unrelated times would fit a
    trial interval ``T`` with probability ``(2 r / T)^(n-1)``, where ``r`` is
    the printed resolution; with 20 times and ``T >= 8 r`` that is below 1e-11.

    Examples
    --------
    >>> ticks = np.array([0, 36000, 480000, 516001] + [516001 + 7 * k for k in range(1, 30)])
    >>> ns = np.round(ticks * 1000 / 24).astype(np.int64)
    >>> round(find_interval_ps(ns * 1000, 1000), 3)
    41666.667
    """
    if times_ps.size < MIN_CHANGES:
        return None
    if times_ps.size > 2 * _DRAWN:
        found_ps = find_interval_ps(_drawn(times_ps), resolution_ps)
        # What fits all times fits some of them, so where some show none there is none.
        if found_ps is None or _fits(times_ps, found_ps, resolution_ps):
            return found_ps
    return _search(times_ps, resolution_ps)


def find_listed_interval(
    times_ps: npt.NDArray[np.int64],
    resolution_ps: int,
    rate_hz: float | None,
    hints: Hints,
    digits: str = "printed to",
) -> tuple[float | None, Assumption]:
    """Find the sampling interval of a list of changes, stated or shown, and say how."""
    what, arguments = "sampling interval", ("rate",)
    if rate_hz is not None:
        stated_ps = 1e12 / rate_hz
        by_file = hints.rate_hz is None
        return stated_ps, Assumption(
            f"Samples were {format_interval(stated_ps)} apart, as "
            f"{'the file states' if by_file else 'you said'}.",
            what, stated_ps, "ps", "file" if by_file else "person", arguments,
        )  # fmt: skip
    interval_ps = find_interval_ps(times_ps, resolution_ps)
    if interval_ps is None:
        return None, Assumption(
            "The sampling interval is not stated, and the change times do not show it "
            f"({digits} {format_interval(resolution_ps)}). `rate` would tell it.",
            what, None, "ps", "", arguments,
        )  # fmt: skip
    return interval_ps, Assumption(
        f"All {times_ps.size} changes lie on ticks {format_interval(interval_ps)} apart, "
        f"which is taken as the sampling interval ({format_rate(interval_ps)}).",
        what, interval_ps, "ps", "data", arguments,
    )  # fmt: skip


def _search(times_ps: npt.NDArray[np.int64], resolution_ps: int) -> float | None:
    """Try the greatest common divisor, then the known rates."""
    offsets = times_ps - times_ps[0]
    divisor = int(np.gcd.reduce(offsets))
    if divisor >= 8 * resolution_ps:
        return float(divisor)
    for rate_hz in RATES_HZ:
        interval_ps = 1e12 / rate_hz
        if interval_ps < 8 * resolution_ps:
            break
        if _fits(times_ps, interval_ps, resolution_ps):
            return interval_ps
    return None


def _drawn(times_ps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Draw some of the times, always the same ones.

    At random, since evenly spaced ones may all be edges of one kind.
    """
    at = random.Random(0).choices(range(times_ps.size), k=_DRAWN)
    return times_ps[sorted(set(at))]


def _fits(times_ps: npt.NDArray[np.int64], interval_ps: float, resolution_ps: int) -> bool:
    """Say whether all times lie on ticks, but for their printed rounding; piece by piece."""
    for at in range(0, times_ps.size, 4 * _DRAWN):
        ticks = (times_ps[at : at + 4 * _DRAWN] - times_ps[0]) / interval_ps
        error_ps = float(np.abs(ticks - np.rint(ticks)).max()) * interval_ps
        if error_ps > resolution_ps + 1:
            return False
    return True
