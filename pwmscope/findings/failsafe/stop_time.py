"""How long after a loss the device on a line was commanded to stand still, for good."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.losses import Loss, quiet_limit_s
from pwmscope.model.uncertainty import CLOCK_TOLERANCE
from pwmscope.pulses import UNMEASURED, Flag, PulseTable

Reals = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StopTimes:
    """For each loss, when the device stood still for good, as columns.

    Parameters
    ----------
    stopped_s : ndarray of float64, shape (n,)
        Instant from which every pulse until the return of the link was inside
        the stop range, or from which there was none where no pulses mean stop;
        infinity where there is no such instant. Every pulse counts, also one that
        is no servo pulse.
    last_outside_s : ndarray of float64, shape (n,)
        Leading edge of the last servo pulse of the loss that was outside the stop
        range by more than its uncertainty; minus infinity where there is none.
    before_us : ndarray of float64, shape (n,)
        Width of the last servo pulse before the loss; NaN where there is none.
    was_outside : ndarray of bool, shape (n,)
        Whether that width was outside by more than its uncertainty.
    """

    stopped_s: Reals
    last_outside_s: Reals
    before_us: Reals
    was_outside: npt.NDArray[np.bool_]


def width_doubt_us(width_us: Reals, interval_us: float | None) -> Reals:
    """Return the largest error of single widths: a sample interval, and the clock's 100 ppm.

    This is not the expanded uncertainty but the bound beyond which the true width
    cannot lie, so that a pulse counts on either side of a stop range's end only
    where it lies there for certain.

    Examples
    --------
    >>> width_doubt_us(np.array([1500.0]), 1.0)
    array([1.15])
    """
    return (interval_us or 0.0) + CLOCK_TOLERANCE * np.abs(width_us)


def find_stop_times(
    table: PulseTable,
    usual_us: float,
    losses: tuple[Loss, ...],
    band: StopBand,
    *,
    no_pulses_stop: bool | None,
    end_s: float,
) -> StopTimes:
    """Find when a line's pulses were inside the stop range for good, at each loss.

    A pulse outside the range is acted on until the next one; where none follows
    for longer than the quiet limit and no pulses mean stop, for one usual frame.
    A pause that long counts as outside the range where no pulses do not mean stop.

    Parameters
    ----------
    table : PulseTable
        The line's pulses.
    usual_us : float
        Its usual frame period.
    losses : tuple of Loss
        In order of time.
    band : StopBand
        The stop range.
    no_pulses_stop : bool or None
        Whether the device stands still without pulses; None where not known.
    end_s : float
        End of the capture.

    Returns
    -------
    StopTimes
    """
    earliest_s, lost_s, back_s = (
        np.array([getattr(loss, name) for loss in losses])
        for name in ("earliest_s", "lost_s", "back_s")
    )
    rise_s, width_us = table.rise_s, table.width_us
    if not len(table):
        nan = np.full(lost_s.size, np.nan)
        never = np.full(lost_s.size, np.inf)
        stopped_s = lost_s.copy() if no_pulses_stop else never
        return StopTimes(stopped_s, -never, nan, np.zeros(lost_s.size, bool))
    doubt_us = width_doubt_us(width_us, table.sample_interval_us)
    is_servo = (table.flags & np.uint8(UNMEASURED)) == 0
    with np.errstate(invalid="ignore"):
        inside = (width_us >= band.low_us + doubt_us) & (width_us <= band.high_us - doubt_us)
        outside = (width_us < band.low_us - doubt_us) | (width_us > band.high_us + doubt_us)
    # Of a pulse cut by the capture's end the width is not known; the one before is in force.
    at_end = np.zeros(rise_s.size, dtype=bool)
    at_end[-1] = rise_s.size > 1 and bool(table.has(Flag.CUT)[-1])
    next_s = np.append(rise_s[1:], end_s)
    is_quiet = next_s - rise_s > quiet_limit_s(usual_us)
    bad_pause = is_quiet if not no_pulses_stop else np.zeros(rise_s.size, dtype=bool)
    bad_pulse = ~(is_servo & inside) & ~at_end
    until_s = np.where(is_quiet & ~bad_pause, rise_s + usual_us / 1e6, next_s)
    last_bad = np.maximum.accumulate(np.where(bad_pulse | bad_pause, np.arange(rise_s.size), -1))
    final = np.searchsorted(rise_s, back_s) - 1
    bad = np.where(final >= 0, last_bad[final], -1)
    stopped_s = np.where(bad >= 0, np.maximum(until_s[bad], earliest_s), earliest_s)
    stopped_s = np.where((stopped_s >= back_s) | (final < 0), np.inf, stopped_s)
    last_outside = np.maximum.accumulate(np.where(is_servo & outside, np.arange(rise_s.size), -1))
    out = np.where(final >= 0, last_outside[final], -1)
    last_outside_s = np.where((out >= 0) & (rise_s[out] >= earliest_s), rise_s[out], -np.inf)
    servo = np.flatnonzero(is_servo)
    before = np.searchsorted(rise_s[servo], earliest_s) - 1
    if not servo.size:
        return StopTimes(
            stopped_s, last_outside_s, np.full(lost_s.size, np.nan), np.zeros(lost_s.size, bool)
        )
    seen = before >= 0
    return StopTimes(
        stopped_s,
        last_outside_s,
        np.where(seen, width_us[servo[before]], np.nan),
        seen & outside[servo[before]],
    )
