"""Which input pulse each output pulse was made from, by the widths."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.lag.train import Train
from pwmscope.findings.lag.trial import Trial
from pwmscope.model import FloatArray, IntArray

MAX_S: Final = 0.5
"""Delays up to this, and as far ahead, are looked for."""
MAX_OUTPUTS: Final = 4000
EXPLAINED: Final = 0.01
"""An input explains an output if it leaves no more than this part of its variance."""
SURE: Final = 20.0
"""Log-likelihood by which a delay that is ruled out falls short of the best. Two deviations
would be 2, but widths in steps and in dwells are no independent Gaussians."""
AT_END_US: Final = 2.0
HALVINGS: Final = 8
FINEST: Final = 1e-3
"""A latch is told no closer than this part of a frame to either side: widths in steps make the
misfit jump."""


@dataclass(frozen=True, slots=True)
class Content:
    """When an output takes over the width of an input pulse.

    An output pulse carries the newest input pulse that had ended a certain time
    before the output pulse began: the latch.
    """

    # That time, the middle of those that fit equally well; negative where an output begins before
    # its input pulse has ended, as on a plain wire
    latch_us: float
    # Those that fit equally well. Where both lines keep step they lie about a frame apart and all
    # name the same pulses.
    low_us: float
    high_us: float
    unexplained: float  # Part of the output's variance that the input's width leaves, 0 to 1
    explained: bool  # Whether one input explains the output's width
    resolved: bool  # Whether every delay that is a frame or more away fits plainly worse
    # Of a mixed output: microseconds of output for one of each input, the input in question first;
    # empty for an output with one input
    weights: tuple[float, ...] = ()


def find_content(source: Train, output: Train, others: tuple[Train, ...] = ()) -> Content | None:
    """Find the latch at which an input's widths explain an output's best.

    Latches are tried every half frame from `MAX_S` before to `MAX_S`
    after, then ever finer about the best. Further inputs of a mixed output are taken out
    as a straight mix, over those outputs that are not at an end of their run, where a mix
    may be clipped.
    """
    period_us = source.period_us
    if not (source.moved and output.moved):
        return None
    reach_us = _reach_us(source, output)
    trial = _trial((source, *others), output, reach_us)
    if trial is None:
        return None
    coarse_us = np.arange(-reach_us, reach_us + 1.0, period_us / 2.0)
    misfits = trial.misfits(coarse_us)
    best_us, best = float(coarse_us[misfits.argmin()]), float(misfits.min())
    step_us = period_us / 2.0
    low_us = high_us = best_us
    for _ in range(4):
        fine_us = np.linspace(best_us - 3.0 * step_us, best_us + 3.0 * step_us, 49)
        tried = trial.misfits(fine_us)
        best = min(best, float(tried.min()))
        low_us, high_us = _as_good(trial, fine_us, trial.short(fine_us, tried, best), best)
        best_us = (low_us + high_us) / 2.0
        if high_us - low_us > 4.0 * (fine_us[1] - fine_us[0]):
            break
        step_us = 1.5 * float(fine_us[1] - fine_us[0])
    low_us = min(low_us, best_us - FINEST * period_us)
    high_us = max(high_us, best_us + FINEST * period_us)
    away = np.abs(coarse_us - best_us) > max(period_us, (high_us - low_us) / 2.0 + period_us / 2.0)
    short = trial.behind(misfits, best)
    variance_us2 = float(np.var(trial.output_us))
    noise_us2 = output.noise_us**2 + source.noise_us**2 + 2.0 * trial.floor_us2
    explained = best <= max(EXPLAINED * variance_us2, 4.0 * noise_us2)
    weights: tuple[float, ...] = ()
    if others:
        weights = tuple(trial.weights(trial.widths_us(best_us)).tolist())
        # A mix says nothing about an input that has no part in it.
        explained = explained and (weights[0] * source.run_us) ** 2 >= 100.0 * noise_us2
    return Content(
        best_us,
        low_us,
        high_us,
        min(best / max(variance_us2, trial.floor_us2), 1.0),
        explained,
        bool(away.any()) and float(short[away].min()) >= SURE,
        weights,
    )


def _reach_us(source: Train, output: Train) -> float:
    """Longest delay tried: half a second, but no more than a sixth of the time shared."""
    shared_s = min(source.rise_s[-1], output.rise_s[-1]) - max(source.rise_s[0], output.rise_s[0])
    return min(MAX_S, max(float(shared_s), 0.0) / 6.0) * 1e6


def _trial(inputs: tuple[Train, ...], output: Train, reach_us: float) -> Trial | None:
    source = inputs[0]
    first_s = max(each.end_s[0] for each in inputs) + reach_us / 1e6
    last_s = min(each.end_s[-1] for each in inputs) - reach_us / 1e6
    used = (output.rise_s >= first_s) & (output.rise_s <= last_s)
    if len(inputs) > 1 and used.any():
        width_us, margin_us = output.width_us, max(4.0 * output.noise_us, AT_END_US)
        low_us, high_us = (edge(width_us[used]) for edge in (np.min, np.max))
        used &= (width_us > low_us + margin_us) & (width_us < high_us - margin_us)
    rows = _liveliest(np.flatnonzero(used), source, output)
    if rows.size < 20 or reach_us < 1.5 * source.period_us:
        return None
    floor_us2 = max(source.floor_us2, output.floor_us2)
    return Trial(inputs, output.rise_s[rows], output.width_us[rows], floor_us2)


def _liveliest(used: IntArray, source: Train, output: Train) -> IntArray:
    """Of many outputs keep those round which input or output moves most."""
    if used.size <= MAX_OUTPUTS:
        return used
    across = max(1, math.ceil(0.5e6 / output.period_us))
    kernel = np.ones(2 * across + 1)
    run_us = np.convolve(
        np.abs(np.diff(output.width_us, prepend=output.width_us[0])), kernel, "same"
    )
    at = np.clip(np.searchsorted(source.rise_s, output.rise_s), 0, source.rise_s.size - 1)
    across = max(1, math.ceil(0.5e6 / source.period_us))
    moved_us = np.abs(np.diff(source.width_us, prepend=source.width_us[0]))
    run_us = run_us + np.convolve(moved_us, np.ones(2 * across + 1), "same")[at]
    return np.sort(used[np.argsort(-run_us[used], kind="stable")[:MAX_OUTPUTS]])


def _as_good(
    trial: Trial, latches_us: FloatArray, short: FloatArray, best: float
) -> tuple[float, float]:
    """Find the stretch about the best in which every latch is about as good."""
    at = int(short.argmin())
    worse = np.flatnonzero(short > SURE)
    before, after = worse[worse < at], worse[worse > at]
    low_us, high_us = float(latches_us[0]), float(latches_us[-1])
    middle_us = float(latches_us[at])
    if before.size:
        low_us = _border(trial, middle_us, latches_us[[before[-1] + 1, before[-1]]], best)
    if after.size:
        high_us = _border(trial, middle_us, latches_us[[after[0] - 1, after[0]]], best)
    return low_us, high_us


def _border(trial: Trial, middle_us: float, between_us: FloatArray, best: float) -> float:
    """Halve the distance between a latch that is good and one that is not, again and again."""
    good_us, bad_us = (float(each) for each in between_us)
    for _ in range(HALVINGS):
        tried_us = np.array([middle_us, (good_us + bad_us) / 2.0])
        if trial.short(tried_us, trial.misfits(tried_us), best)[1] > SURE:
            bad_us = float(tried_us[1])
        else:
            good_us = float(tried_us[1])
    return good_us
