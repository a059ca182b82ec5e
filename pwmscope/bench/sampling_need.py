"""How fast to sample and how many pulses to record for a wanted uncertainty (JCGM 100)."""

from __future__ import annotations

import math
from typing import Final

from pwmscope.errors import HintError

COVERAGE: Final = 2.0
"""Coverage factor for about 95 % (JCGM 100, 6.3.3)."""
CLOCK_TOLERANCE: Final = 100e-6
"""Largest relative error taken for an analyser's crystal (common practice, from memory)."""
RATES_HZ: Final = (
    100e3, 200e3, 250e3, 500e3, 1e6, 2e6, 4e6, 5e6, 8e6, 10e6, 12e6, 16e6, 20e6, 24e6, 25e6, 50e6,
    100e6, 200e6, 250e6, 500e6, 1e9,
)  # fmt: skip
"""Rates that analysers offer (common practice, from memory)."""


def needed_rate_hz(
    within_us: float,
    *,
    pulses: int = 1,
    scatter_us: float = 0.0,
    width_us: float = 1500.0,
    in_step: bool = True,
) -> float | None:
    """Return the least sample rate at which a mean width is known well enough.

    The width between two sampled edges has a triangular error of plus and minus Ts,
    so u = Ts / sqrt(6) (JCGM 100, 4.3.9). The mean's uncertainty adds in quadrature
    (5.1.2) the scatter, s / sqrt(n) (4.2.3), the sampling, and the analyser's clock,
    rectangular over 100 ppm of the width (4.3.7); the wanted half-width is twice that.

    Parameters
    ----------
    within_us : float
        Wanted half-width of the 95 % interval, in microseconds.
    pulses : int
        How many pulses are averaged.
    scatter_us : float
        Standard deviation of the width itself, pulse by pulse.
    width_us : float
        The width.
    in_step : bool
        Whether to reckon with edges that keep step with the sampling clock: then each
        pulse repeats the same sampling error and averaging does not lessen it. That is
        the careful assumption, since nobody knows before recording.

    Returns
    -------
    float or None
        In hertz; None where no rate is enough, because the clock or the scatter alone
        is too much.

    Raises
    ------
    HintError
        If a figure is out of its range.

    Examples
    --------
    >>> round(needed_rate_hz(1.0)), needed_rate_hz(0.1) is None
    (829027, True)
    >>> round(needed_rate_hz(1.0, pulses=50, in_step=False))
    117242
    """
    _check(within_us, scatter_us, width_us)
    if pulses < 1:
        raise HintError(f"{pulses} pulses cannot be averaged; give 1 or more.")
    left = _left_us2(within_us, width_us) - scatter_us**2 / pulses
    if left <= 0.0:
        return None
    return 1e6 / math.sqrt(6.0 * left * (1 if in_step else pulses))


def needed_pulses(
    within_us: float,
    rate_hz: float,
    *,
    scatter_us: float = 0.0,
    width_us: float = 1500.0,
    in_step: bool = True,
) -> int | None:
    """Return how many pulses to average so that a mean width is known well enough.

    Parameters
    ----------
    within_us : float
        Wanted half-width of the 95 % interval, in microseconds.
    rate_hz : float
        Sample rate.
    scatter_us, width_us, in_step
        As for `needed_rate_hz`.

    Returns
    -------
    int or None
        At least 1; None where averaging cannot help: the clock is too much, or the
        sampling error, which the same in each pulse stays in the mean.

    Raises
    ------
    HintError
        If a figure is out of its range.

    Examples
    --------
    >>> needed_pulses(1.0, 1e6, scatter_us=2.0), needed_pulses(1.0, 500e3, scatter_us=2.0)
    (53, None)
    >>> needed_pulses(1.0, 500e3, scatter_us=2.0, in_step=False)
    20
    """
    _check(within_us, scatter_us, width_us)
    if not 0.0 < rate_hz < math.inf:
        raise HintError(f"A sample rate of {rate_hz:g} Hz is none; give one above 0.")
    sampling_us2 = (1e6 / rate_hz) ** 2 / 6.0
    left = _left_us2(within_us, width_us) - (sampling_us2 if in_step else 0.0)
    averaged = scatter_us**2 + (0.0 if in_step else sampling_us2)
    if left <= 0.0 or averaged / left > 1e12:
        return None
    return max(1, math.ceil(averaged / left))


def offered_rate_hz(least_hz: float) -> float:
    """Return the lowest rate from `least_hz` on that analysers usually offer.

    Examples
    --------
    >>> offered_rate_hz(829_000), offered_rate_hz(3e9)
    (1000000.0, 3000000000.0)
    """
    return next((rate_hz for rate_hz in RATES_HZ if rate_hz >= least_hz), least_hz)


def _left_us2(within_us: float, width_us: float) -> float:
    """Variance that the clock leaves for scatter and sampling."""
    clock_us = width_us * CLOCK_TOLERANCE / math.sqrt(3.0)
    return (within_us / COVERAGE) ** 2 - clock_us**2


def _check(within_us: float, scatter_us: float, width_us: float) -> None:
    for name, value, least in (
        ("wanted uncertainty", within_us, "above 0"),
        ("scatter", scatter_us, "of 0 or more"),
        ("width", width_us, "above 0"),
    ):
        if not (math.isfinite(value) and (value > 0.0 or (value == 0.0 and "0 or" in least))):
            raise HintError(f"A {name} of {value:g} us cannot be; give a number {least}.")
