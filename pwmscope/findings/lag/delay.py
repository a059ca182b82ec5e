"""The delay from an input pulse to its output pulse: how long, how steady, on which clock."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.lag.pairs import Pairs
from pwmscope.findings.lag.train import Train
from pwmscope.findings.timing.scatter import scatter_of
from pwmscope.findings.timing.separation import Separation, separate
from pwmscope.model.median import FROM_MAD
from pwmscope.model.uncertainty import of_mean_us

FEWEST_PAIRS: Final = 10
STEADY_SLOPE: Final = 0.1
SURE: Final = 5.0
NEARLY: Final = 0.01
"""A period ratio that is so near to a simple one may be it."""
MOST_TO_ONE: Final = 6
"""Output periods to an input period, at most, of lines that keep step."""
Reals = npt.NDArray[np.float64]


class Trigger(StrEnum):
    """What an output pulse waits for."""

    INPUT_END = "a fixed time after the input pulse ends"
    INPUT_START = "a fixed time after the input pulse begins"
    OWN_CLOCK = "on its own clock"
    KEEPS_STEP = "in step with the input"


@dataclass(frozen=True, slots=True)
class Delay:
    """Delays from leading edge to leading edge.

    Parameters
    ----------
    late_us : ndarray of float64, shape (n,)
        One for each output pulse; where the output keeps step, for the first
        that each input pulse made.
    median_us, low_us, high_us : float
        Median, shortest and longest.
    interval_us : tuple of float
        The 2.5th and the 97.5th percentile.
    uncertainty_us : float or None
        Standard uncertainty of the median; None where the sample interval is
        not known.
    frames : int
        Usual number of newer input pulses that had begun.
    trigger : Trigger
        What the output pulse waits for.
    after_us : float
        Mean time from that event to the output pulse; from the newest input's
        leading edge where it is none of an input pulse's.
    jitter : Separation or None
        Scatter of that time, apart from sampling; None on an own clock.
    beat_s : float or None
        On an own clock: how long the delay takes to run through a whole frame.
    """

    late_us: Reals
    median_us: float
    low_us: float
    high_us: float
    interval_us: tuple[float, float]
    uncertainty_us: float | None
    frames: int
    trigger: Trigger
    after_us: float
    jitter: Separation | None
    beat_s: float | None


def measure_delay(source: Train, output: Train, pairs: Pairs, newest: Pairs) -> Delay | None:
    """Measure the delay of each pair, and find out what the output waits for.

    The output keeps step if its start, taken within the input's frame, wanders by
    no more than noise and sampling give over the whole recording. Then the time
    from the newest input pulse is regressed on that pulse's width (changes, least
    squares): a slope of 1 means that the output waits for the input pulse's end,
    0 for its start.

    Parameters
    ----------
    source, output : Train
        The input line and the output line.
    pairs : Pairs
        Which output pulse carries which input pulse, as far as is known.
    newest : Pairs
        Each output pulse with the newest input pulse that had begun.

    Returns
    -------
    Delay or None
        None with fewer than ten pairs.
    """
    if min(len(pairs), len(newest)) < FEWEST_PAIRS:
        return None
    interval_us = max(source.interval_us or 0.0, output.interval_us or 0.0)
    since_us = newest.late_us(source, output)
    width_us = source.width_us[newest.source]
    slope = _slope(since_us, width_us, newest.again, source)
    trigger = _trigger(slope)
    after_us = since_us - width_us if trigger is Trigger.INPUT_END else since_us
    wander = _wander(after_us, output.rise_s[newest.output], source, output, interval_us)
    jitter = None
    late_us, frames = pairs.late_us(source, output), pairs.frames_late(source, output)
    if wander.keeps:
        after_us, late_us, frames = (
            after_us[~newest.again], late_us[~pairs.again], frames[~pairs.again],
        )  # fmt: skip
        jitter = separate(scatter_of(after_us), interval_us or None)
    else:
        trigger = Trigger.OWN_CLOCK
    low_us, median_us, high_us = (float(v) for v in np.percentile(late_us, (2.5, 50.0, 97.5)))
    spread_us = 1.2533 * (high_us - low_us) / 4.0  # sqrt(pi / 2) for a median, from memory
    return Delay(
        late_us, median_us, float(late_us.min()), float(late_us.max()), (low_us, high_us),
        of_mean_us(median_us, spread_us, late_us.size, interval_us or None),
        round(float(np.median(frames))), trigger, float(np.mean(after_us)), jitter, wander.beat_s,
    )  # fmt: skip


def _trigger(slope: float | None) -> Trigger:
    if slope is None:
        return Trigger.KEEPS_STEP
    if abs(slope - 1.0) < STEADY_SLOPE:
        return Trigger.INPUT_END
    return Trigger.INPUT_START if abs(slope) < STEADY_SLOPE else Trigger.KEEPS_STEP


def _slope(
    late_us: Reals, width_us: Reals, again: npt.NDArray[np.bool_], source: Train
) -> float | None:
    """Regress changes of the delay on changes of the input's width; None where it stood still."""
    if not source.moved:
        return None
    step_us, rise_us = np.diff(late_us), np.diff(width_us)
    used = (np.abs(step_us) < source.period_us / 4.0) & ~again[1:]
    moving = used & (np.abs(rise_us) > 4.0 * max(source.noise_us, source.floor_us2**0.5))
    if np.count_nonzero(moving) < FEWEST_PAIRS:
        return None
    x_us, y_us = rise_us[moving], step_us[moving]
    return float(np.dot(x_us, y_us) / np.dot(x_us, x_us))


@dataclass(frozen=True, slots=True)
class _Wander:
    """How the output's start moves against the input's frames.

    Parameters
    ----------
    keeps : bool
        Whether it moves by no more than noise.
    beat_s : float or None
        Otherwise: how long the delay takes to run through a whole frame.
    """

    keeps: bool
    beat_s: float | None


def _wander(
    after_us: Reals, time_s: Reals, source: Train, output: Train, interval_us: float
) -> _Wander:
    """Find out whether an output keeps step, at the input's rate or a simple multiple.

    Where ``q`` output periods make an input period (or one output period makes several),
    ``q`` times the phase of the output's starts in the input's frame stands still.
    """
    ratio = output.period_us / source.period_us
    whole = np.arange(1, MOST_TO_ONE + 1)
    simple = (np.rint(whole * ratio) == 1.0) | (whole == 1)
    near = simple & (np.abs(whole * ratio - np.rint(whole * ratio)) <= NEARLY)
    if not near.any():
        fast, slow = max(1.0 / ratio, 1.0), min(1.0 / ratio, 1.0)
        gained = abs(fast - round(fast / slow) * slow)
        beat_s = source.period_us / 1e6 / gained if gained > 1e-6 else None
        return _Wander(keeps=False, beat_s=beat_s)
    q = int(whole[near][0])
    turns = q * after_us / source.period_us
    step = np.diff(turns)
    step_us = (step - np.rint(step)) * source.period_us / q
    wander_us = float(np.sum(step_us))
    noise_us = FROM_MAD * float(np.median(np.abs(step_us - np.median(step_us))))
    if abs(wander_us) <= SURE * noise_us + 3.0 * interval_us + 0.5:
        return _Wander(keeps=True, beat_s=None)
    took_s = float(time_s[-1] - time_s[0])
    return _Wander(keeps=False, beat_s=source.period_us / q * took_s / abs(wander_us))
