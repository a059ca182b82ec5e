"""How long after a loss the device on a line was commanded to stand still, for good."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.losses import quiet_limit_s
from pwmscope.model import CLOCK_TOLERANCE
from pwmscope.pulses import UNMEASURED, Flag, PulseTable

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
ALIKE_US: Final = 40.0
ALIKE_S: Final = 0.2
"""Pulses beyond what servos take are a command where they differ by no more and come so often."""
PULSE_S: Final = 0.003
"""Length taken for a pulse whose width is not known."""


@dataclass(frozen=True, slots=True)
class StopTimes:
    """For each loss, when the device stood still for good, as columns."""

    # shape (n,): Fall of the first pulse from which on every one until the return was inside the
    # stop range; where pulses ended, the fall of the last one plus the device's own time. Infinity
    # where there is no such instant. Every pulse counts, also one that is no servo pulse.
    stopped_s: FloatArray
    # shape (n,): Fall of the last servo pulse of the loss that was outside the stop range by more
    # than its uncertainty; minus infinity where there is none
    last_outside_s: FloatArray
    # shape (n,): Width of the last servo pulse before the loss; NaN where there is none
    before_us: FloatArray
    # shape (n,): Whether that width was outside by more than its uncertainty
    was_outside: BoolArray
    # shape (n,): Whether the pulses ended outside the stop range, so that the device's own time
    # decides
    ran_on: BoolArray


@dataclass(frozen=True, slots=True)
class Windows:
    """The losses of one line as columns, each of shape (n,)."""

    earliest_s: FloatArray  # The earliest that the signal can have gone
    # The earliest that it can have been back; up to here a pulse outside is the receiver's
    back_s: FloatArray
    until_s: FloatArray  # When the outputs' own return was; up to here no pulse may be outside


def width_doubt_us(width_us: FloatArray, interval_us: float | None) -> FloatArray:
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


def no_stop_times(count: int) -> StopTimes:
    """Say nothing of so many losses of a line without a stop range."""
    nan, no = np.full(count, np.nan), np.zeros(count, dtype=bool)
    return StopTimes(nan, nan, nan, no, no)


def find_stop_times(
    table: PulseTable,
    usual_us: float,
    windows: Windows,
    band: StopBand,
    *,
    no_pulses_stop: bool | None,
    no_pulses_after_s: float | None,
    end_s: float,
    is_band_assumed: bool = False,
) -> StopTimes:
    """Find when a line's pulses were inside the stop range for good, at each loss.

    A device acts on a pulse when it is over. Where none follows for longer than the
    quiet limit and no pulses mean stop, it runs on for its own time. A pause that long
    counts as outside the range where no pulses do not mean stop. In a range that is only
    assumed no pulse is known to stop the device.
    """
    earliest_s, until_s = windows.earliest_s, windows.until_s
    never = np.full(earliest_s.size, np.inf)
    no = np.zeros(earliest_s.size, dtype=bool)
    rise_s, width_us = table.rise_s, table.width_us
    if not len(table):
        stopped_s = earliest_s.copy() if no_pulses_stop else never
        return StopTimes(stopped_s, -never, np.full(earliest_s.size, np.nan), no, no)
    is_servo, inside, outside = sides(table, band)
    fall_s = rise_s + np.where(np.isfinite(width_us), width_us / 1e6, PULSE_S)
    # Of a pulse cut by the capture's end the width is not known; the one before is in force.
    at_end = np.zeros(rise_s.size, dtype=bool)
    at_end[-1] = rise_s.size > 1 and bool(table.has(Flag.CUT)[-1])
    is_quiet = np.append(rise_s[1:], end_s) - rise_s > quiet_limit_s(usual_us)
    stops = bool(no_pulses_stop)
    bad_pulse = ~(is_servo & inside & (not is_band_assumed)) & ~at_end
    bad = bad_pulse | (is_quiet & (not stops))
    place = np.arange(rise_s.size)
    final = np.searchsorted(rise_s, until_s) - 1
    seen = final >= 0
    last_bad = np.where(seen, np.maximum.accumulate(np.where(bad, place, -1))[final], -1)
    # The next pulse is a good one, and stops the device where it came before the return.
    follows = last_bad < final
    next_s = np.where(follows, fall_s[np.minimum(last_bad + 1, final)], np.inf)
    own_s = np.where(follows, np.inf, 0.0) if no_pulses_after_s is None else no_pulses_after_s
    quiet_s = np.where(is_quiet[last_bad] & stops, fall_s[last_bad] + own_s, np.inf)
    stopped_s = np.maximum(np.minimum(next_s, quiet_s), earliest_s)
    stopped_s = np.where(last_bad < 0, earliest_s, stopped_s)
    stopped_s = np.where((stopped_s >= until_s) | ~seen, np.inf, stopped_s)
    ran_on = seen & (last_bad >= 0) & (quiet_s < next_s) & (rise_s[last_bad] >= earliest_s - 1.0)
    out_place = np.maximum.accumulate(np.where(is_servo & outside, place, -1))
    back = np.searchsorted(rise_s, windows.back_s) - 1
    out = np.where(back >= 0, out_place[back], -1)
    last_outside_s = np.where((out >= 0) & (rise_s[out] >= earliest_s), fall_s[out], -np.inf)
    servo = np.flatnonzero(is_servo)
    before = np.searchsorted(rise_s[servo], earliest_s) - 1
    if not servo.size:
        return StopTimes(stopped_s, last_outside_s, np.full(earliest_s.size, np.nan), no, ran_on)
    known = before >= 0
    return StopTimes(
        stopped_s,
        last_outside_s,
        np.where(known, width_us[servo[before]], np.nan),
        known & outside[servo[before]],
        ran_on,
    )


def sides(table: PulseTable, band: StopBand) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Say which pulses are servo pulses, and which lie in or outside a range for certain."""
    width_us = table.width_us
    doubt_us = width_doubt_us(width_us, table.sample_interval_us)
    is_servo = (table.flags & np.uint8(UNMEASURED)) == 0
    is_servo |= regular_foreign(table)
    with np.errstate(invalid="ignore"):
        inside = (width_us >= band.low_us + doubt_us) & (width_us <= band.high_us - doubt_us)
        outside = (width_us < band.low_us - doubt_us) | (width_us > band.high_us + doubt_us)
    return is_servo, inside, outside


def regular_foreign(table: PulseTable) -> BoolArray:
    """Say which pulses no servo takes come one like the other, as a command beyond the range."""
    foreign = table.has(Flag.FOREIGN) & ~table.has(Flag.CUT)
    if not foreign.any():
        return foreign
    with np.errstate(invalid="ignore"):
        alike = np.abs(np.diff(table.width_us, prepend=np.nan)) <= ALIKE_US
    alike &= foreign & np.append(False, foreign[:-1])
    alike[1:] &= np.diff(table.rise_s) <= ALIKE_S
    found: BoolArray = alike | np.append(alike[1:], False)
    return found
