"""A receiver's own jitter, separated from the scatter that sampling alone gives."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from scipy.special import chdtri

from pwmscope.findings.timing.sampled_readings import TAIL, SampledReadings
from pwmscope.findings.timing.scatter import Scatter
from pwmscope.model.uncertainty import sampling_floor_us

UNEVEN: Final = 0.05
"""From this unevenness of the phases on the law of readings is not trusted."""
STEP_UP: Final = 10.0
"""No more than about this many times the present sample rate is asked for at once."""


@dataclass(frozen=True, slots=True)
class Separation:
    """Jitter apart from sampling, with its 95 % interval.

    Parameters
    ----------
    measured_rms_us : float
        Scatter of the readings, pooled over the groups.
    floor_rms_us : float or None
        What sampling alone gives as a rule, Ts / sqrt(6); None where events are
        timed rather than sampled.
    jitter_rms_us : float or None
        The receiver's own; None where it is not resolved.
    interval_us : tuple of float
        Lower and upper end of the 95 % interval of the receiver's own jitter.
        Where it is not resolved the lower end is 0 and the upper one a bound
        that holds, with at least 95 %, for jitter of any shape.
    resolved : bool
        Whether the readings show the jitter.
    record_at_hz : float or None
        Sample rate from which on it may be resolved; None where it is.
    """

    measured_rms_us: float
    floor_rms_us: float | None
    jitter_rms_us: float | None
    interval_us: tuple[float, float]
    resolved: bool
    record_at_hz: float | None

    def sentence(self, of_what: str) -> str:
        """Say it in words.

        Parameters
        ----------
        of_what : str
            What the readings are of, such as ``the width``.

        Returns
        -------
        str

        Examples
        --------
        >>> Separation(0.66, 0.41, 0.52, (0.48, 0.57), True, None).sentence("the width")
        'The jitter of the width is 0.52 us RMS (95 %: 0.48 to 0.57 us), sampling taken out.'
        >>> Separation(0.43, 0.41, None, (0.0, 0.5), False, 5e6).sentence("the width")
        'The jitter of the width is not resolved at this sample rate: it is at most 0.5 us RMS. \
Record at 5 MS/s or faster.'
        """
        low_us, high_us = self.interval_us
        if self.record_at_hz is not None:
            return (
                f"The jitter of {of_what} is not resolved at this sample rate: it is at most "
                f"{high_us:.3g} us RMS. Record at {_rate(self.record_at_hz)} or faster."
            )
        out = "" if self.floor_rms_us is None else ", sampling taken out"
        return (
            f"The jitter of {of_what} is {self.jitter_rms_us:.3g} us RMS "
            f"(95 %: {low_us:.3g} to {high_us:.3g} us){out}."
        )


def separate(
    scatter: Scatter, sample_interval_us: float | None, *, unevenness: float = 0.0
) -> Separation | None:
    """Separate a receiver's own jitter from the scatter that sampling gives.

    The jitter is taken as Gaussian and equal in all groups. What the readings'
    variances have above that of intervals which do not scatter, summed over all
    readings, is a weighted count of readings outside the two neighbours that such an
    interval can give. Its expectation and variance for any jitter come from
    `reading_law`; jitter is estimated where the expectation is the count found, and
    the interval holds every jitter for which a gamma distribution of that mean and variance
    leaves at least 2.5 % on either side. Well above the sampling floor this is
    ``sqrt(s^2 - Ts^2/6)`` (JCGM 100, 4.3.7 and 4.3.9) with the chi-square interval of a
    variance with effective degrees of freedom (JCGM 100, G.4.1).

    Parameters
    ----------
    scatter : Scatter
        The readings.
    sample_interval_us : float or None
        Interval between samples; None where events are timed as they come. What
        is measured is then the jitter.
    unevenness : float
        How far the edges' phases are from uniform, see
        `pwmscope.findings.timing.sampling_law.unevenness`. Above 0.05 the law does not
        hold, and all that is known is that each reading is right within one
        sample interval: the interval is the measured scatter's, wider by one
        sample interval on either side.

    Returns
    -------
    Separation or None
        None where no group has two readings.
    """
    scatter = scatter.usable
    if not scatter.count.size:
        return None
    if sample_interval_us is None:
        return Separation(scatter.rms_us, None, scatter.rms_us, _chi_square(scatter), True, None)
    if unevenness > UNEVEN:
        return _bounded(scatter, sample_interval_us)
    return _sampled(scatter, sample_interval_us)


def _chi_square(scatter: Scatter) -> tuple[float, float]:
    """95 % interval of the readings' own deviation, effective degrees of freedom."""
    spread = scatter.variance_repeats * (1.0 + scatter.heavier(0.0) / 2.0)
    freedom = max(scatter.freedom / spread, 1.0)
    return (
        scatter.rms_us * math.sqrt(freedom / float(chdtri(freedom, TAIL))),
        scatter.rms_us * math.sqrt(freedom / float(chdtri(freedom, 1.0 - TAIL))),
    )


def _bounded(scatter: Scatter, sample_interval_us: float) -> Separation:
    """Give or take one sample interval: no errors within it deviate by more."""
    low_us, high_us = _chi_square(scatter)
    low_us, high_us = max(low_us - sample_interval_us, 0.0), high_us + sample_interval_us
    floor_us = sampling_floor_us(sample_interval_us)
    if low_us > 0.0:
        jitter_us = math.sqrt(scatter.rms_us**2 - sample_interval_us**2 / 6)
        return Separation(scatter.rms_us, floor_us, jitter_us, (low_us, high_us), True, None)
    record_at_hz = _faster_hz(0.0, sample_interval_us)
    return Separation(scatter.rms_us, floor_us, None, (0.0, high_us), False, record_at_hz)


def _sampled(scatter: Scatter, sample_interval_us: float) -> Separation:
    """Estimate the jitter where the readings show it, else bound it."""
    readings = SampledReadings.of(scatter, sample_interval_us)
    floor_us = sampling_floor_us(sample_interval_us)
    if not readings.show_jitter:
        high_us = readings.bound() * sample_interval_us
        record_at_hz = _faster_hz(readings.largest() * sample_interval_us, sample_interval_us)
        return Separation(scatter.rms_us, floor_us, None, (0.0, high_us), False, record_at_hz)
    jitter_us, low_us, high_us = (each * sample_interval_us for each in readings.estimate())
    return Separation(scatter.rms_us, floor_us, jitter_us, (low_us, high_us), True, None)


def _faster_hz(jitter_us: float, sample_interval_us: float) -> float:
    """Sample rate whose interval is no longer than a jitter, in steps of 1, 2, 5.

    Faster than the present rate, by about ten times at most.
    """
    wanted_us = min(max(jitter_us, sample_interval_us / STEP_UP), sample_interval_us)
    # The next step above the present rate, which may itself be one.
    least_hz = max(1e6 / wanted_us, 1e6 / sample_interval_us * 1.001)
    decade_hz = 10.0 ** math.floor(math.log10(least_hz))
    return next(
        step * decade_hz for step in (1.0, 2.0, 5.0, 10.0) if step * decade_hz >= least_hz * 0.9999
    )


def _rate(rate_hz: float) -> str:
    for size, unit in ((1e9, "GS/s"), (1e6, "MS/s"), (1e3, "kS/s")):
        if rate_hz >= size:
            return f"{rate_hz / size:g} {unit}"
    return f"{rate_hz:g} S/s"
