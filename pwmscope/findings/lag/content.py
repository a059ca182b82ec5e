"""Which input pulse each output pulse was made from, by the widths."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record
from pwmscope.model import FloatArray, IntArray, median_of

MIN_PULSES: Final = 10
MOVED: Final = 0.02
"""A stick moved if its width ran over this part of the convention's span or more."""


@dataclass(frozen=True, slots=True)
class Train:
    """One line's measured pulses outside loss spans."""

    line: str  # The line's name
    rows: IntArray  # shape (n,): Their rows in the pulse table
    rise_s: FloatArray  # shape (n,): Leading edges in seconds
    width_us: FloatArray  # shape (n,): Widths in microseconds
    period_us: float  # Median frame period
    noise_us: float  # Noise of the widths while they stand still
    # Of the line's convention
    neutral_us: float
    span_us: float
    interval_us: float | None  # Interval between samples in microseconds, where known

    @property
    def end_s(self) -> FloatArray:
        """Trailing edges in seconds; shape (n,)."""
        return self.rise_s + self.width_us / 1e6

    @property
    def run_us(self) -> float:
        """From the smallest width to the largest, single stray pulses left out."""
        width_us = self.width_us
        if width_us.size < 3:
            return 0.0
        inner = np.stack([width_us[:-2], width_us[1:-1], width_us[2:]])
        return float(np.ptp(np.median(inner, axis=0)))

    @property
    def moved(self) -> bool:
        """Whether the width ran over a part of the span that noise does not reach."""
        return self.run_us >= max(MOVED * self.span_us, 10.0 * self.noise_us)

    @property
    def floor_us2(self) -> float:
        """Variance that sampling alone gives a width (JCGM 100, 4.3.7), at least 1e-6 us^2."""
        interval_us = self.interval_us or 0.0
        return max(interval_us**2 / 6.0, 1e-6)


def train_of(record: Record) -> Train | None:
    """Take from a record what delays need; None with fewer than ten pulses or no frames."""
    table, rows, frames = record.table, record.rows, record.frames
    if rows.size < MIN_PULSES or frames.usual_us is None:
        return None
    steady_us = frames.steady_us
    period_us = median_of(steady_us) if steady_us.size else frames.usual_us
    return Train(
        table.line,
        rows,
        table.rise_s[rows],
        table.width_us[rows],
        period_us,
        record.dwells.noise_us,
        table.convention.neutral_us,
        table.convention.span_us,
        table.sample_interval_us,
    )


IN_GROUP: Final = 25


def newest_before(known_s: FloatArray, aim_s: FloatArray) -> IntArray:
    """Find the last instant at or before each aim.

    Examples
    --------
    >>> newest_before(np.array([0.0, 1.0]), np.array([-0.5, 0.5, 1.0])).tolist()
    [-1, 0, 1]
    """
    return np.searchsorted(known_s, aim_s, side="right").astype(np.int64) - 1


def misfit_us2(x_us: FloatArray, y_us: FloatArray) -> float:
    """Variance of ``y`` about any smooth curve over ``x``, without fitting one.

    Sorted by ``x``, each value is held against the mean of its two neighbours;
    the squares' mean over 3/2 is the variance of the noise (a second-difference
    estimator of nonparametric regression: Gasser, Sroka and Jennen-Steinmetz,
    Biometrika 73, 1986, from memory). It holds for clipped, dead and stepped
    curves as for straight ones.

    Examples
    --------
    >>> x_us = np.array([3.0, 1.0, 4.0, 2.0])
    >>> misfit_us2(x_us, 10.0 * x_us)
    0.0
    """
    sorted_us = y_us[np.argsort(x_us, kind="stable")]
    off_us = sorted_us[1:-1] - (sorted_us[:-2] + sorted_us[2:]) / 2.0
    return float(np.mean(off_us**2)) / 1.5


@dataclass(frozen=True, slots=True)
class Trial:
    """What latches are tried on: outputs that every latch gives an input pulse."""

    inputs: tuple[Train, ...]  # The input in question, then those mixed with it
    # shape (n,): Leading edges and widths of the outputs
    rise_s: FloatArray
    output_us: FloatArray
    floor_us2: float  # Variance that sampling alone gives

    def widths_us(self, latch_us: float) -> FloatArray:
        """Take each input's width for each output; shape (inputs, n)."""
        aim_s = self.rise_s - latch_us / 1e6
        return np.stack([each.width_us[newest_before(each.end_s, aim_s)] for each in self.inputs])

    def source_us(self, latch_us: float) -> FloatArray:
        """Take what explains each output: the one input's width, or the mix; shape (n,)."""
        widths_us = self.widths_us(latch_us)
        if len(self.inputs) == 1:
            only: FloatArray = widths_us[0]
            return only
        mixed: FloatArray = self.weights(widths_us) @ widths_us
        return mixed

    def weights(self, widths_us: FloatArray) -> FloatArray:
        """Fit a straight mix (least squares); shape (inputs,)."""
        columns = np.vstack([widths_us, np.ones(self.rise_s.size)]).T
        fitted = np.asarray(np.linalg.lstsq(columns, self.output_us, rcond=None)[0], np.float64)
        return fitted[:-1]

    def misfit(self, latch_us: float) -> float:
        """Return what a latch leaves of the outputs' variance, in square microseconds."""
        widths_us = self.widths_us(latch_us)
        alone_us = self.output_us
        if len(self.inputs) > 1:
            alone_us = alone_us - self.weights(widths_us)[1:] @ widths_us[1:]
        return misfit_us2(widths_us[0], alone_us) + self.floor_us2

    def misfits(self, latches_us: FloatArray) -> FloatArray:
        """Return the same for several latches; both shape (n,)."""
        return np.array([self.misfit(float(latch_us)) for latch_us in latches_us])

    def behind(self, misfits: FloatArray, best: float) -> FloatArray:
        """Log-likelihood by which each falls short; neighbours share widths, so a third counts."""
        return self.rise_s.size / 3.0 * np.log(misfits / best)

    def short(self, latches_us: FloatArray, misfits: FloatArray, best: float) -> FloatArray:
        """Log-likelihood by which latches fall short, the smaller of both ways to tell it."""
        at = int(misfits.argmin())
        on_curve = self.behind_on_curve(latches_us, float(latches_us[at]))
        short: FloatArray = np.minimum(self.behind(misfits, best), on_curve)
        short[at] = 0.0
        return short

    def behind_on_curve(self, latches_us: FloatArray, about_us: float) -> FloatArray:
        """Log-likelihood by which each falls short on the curve that one of them gives.

        Sorting anew shuffles what a dwell's noise gives; on one curve only outputs that
        change their input pulse count.
        """
        x_us, y_us = self._curve(about_us)
        squares = np.empty(latches_us.size)
        for i, latch_us in enumerate(latches_us):
            off_us = self.output_us - np.interp(self.source_us(float(latch_us)), x_us, y_us)
            squares[i] = float(np.dot(off_us, off_us))
        least = float(squares.min())
        behind: FloatArray = (squares - least) / (2.0 * (least / self.rise_s.size + self.floor_us2))
        return behind

    def _curve(self, latch_us: float) -> tuple[FloatArray, FloatArray]:
        """Average the output's width over groups of like input widths."""
        source_us = self.source_us(latch_us)
        order = np.argsort(source_us, kind="stable")
        begin = np.arange(0, max(order.size - IN_GROUP + 1, 1), IN_GROUP)
        count = np.diff(begin, append=order.size)
        x_us, y_us = source_us[order], self.output_us[order]
        return np.add.reduceat(x_us, begin) / count, np.add.reduceat(y_us, begin) / count


MAX_S: Final = 0.5
"""Delays up to this, and as far ahead, are looked for."""
MAX_OUTPUTS: Final = 4000
EXPLAINED: Final = 0.01
"""An input explains an output if it leaves no more than this part of its variance."""
RULED_OUT: Final = 20.0
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
        bool(away.any()) and float(short[away].min()) >= RULED_OUT,
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
    worse = np.flatnonzero(short > RULED_OUT)
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
        if trial.short(tried_us, trial.misfits(tried_us), best)[1] > RULED_OUT:
            bad_us = float(tried_us[1])
        else:
            good_us = float(tried_us[1])
    return good_us
