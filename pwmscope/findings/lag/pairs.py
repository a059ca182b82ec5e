"""Which input pulse each output pulse was made from, how surely, and along what curve."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.receivers import usual_offset
from pwmscope.findings.segmentation import Record
from pwmscope.model import FROM_MAD, BoolArray, FloatArray, IntArray, median_of

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
        return self.weights(widths_us) @ widths_us

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
        return (squares - least) / (2.0 * (least / self.rise_s.size + self.floor_us2))

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


PLAIN: Final = 20.0
"""What a further feature of the curve must gain in the Bayesian information criterion."""
MIN_BEND: Final = 1.0
MAX_POINTS: Final = 4000


@dataclass(frozen=True, slots=True)
class Parameter:
    """One figure of the curve with its standard uncertainty, in microseconds or of unit one."""

    value: float
    uncertainty: float


@dataclass(frozen=True, slots=True)
class Curve:
    """Output width as a function of input width.

    ``clip(centre_us + gain * dead(x - neutral_us), low_us, high_us)``, where ``dead``
    takes away up to half a deadband about the middle of the band.
    """

    gain: Parameter  # Microseconds of output for one of input; negative for a reversed output
    centre_us: Parameter  # Output width at the input's neutral, as the straight line gives it
    neutral_us: float  # The input's neutral
    # Whole width of the deadband, in input widths; None where there is none
    dead_us: Parameter | None
    dead_at_us: float | None  # Input width at the deadband's middle
    # Output widths at which it is clipped; None where it is not
    low_us: Parameter | None
    high_us: Parameter | None
    rms_us: float  # What is left of the output's width

    def of(self, width_us: FloatArray) -> FloatArray:
        """Return the output widths for input widths; both shape (n,)."""
        half_us = 0.0 if self.dead_us is None else self.dead_us.value / 2.0
        middle_us = self.neutral_us if self.dead_at_us is None else self.dead_at_us
        low_us = -np.inf if self.low_us is None else self.low_us.value
        high_us = np.inf if self.high_us is None else self.high_us.value
        values = [self.gain.value, self.centre_us.value, half_us, middle_us, low_us, high_us]
        return _made(np.array(values), self.neutral_us, width_us)

    def at_full_slope(self, width_us: FloatArray, margin_us: float) -> BoolArray:
        """Say for which input widths the curve is neither clipped nor dead, nor nearly so."""
        made_us = self.of(width_us)
        slope = (self.of(width_us + margin_us) - self.of(width_us - margin_us)) / (2.0 * margin_us)
        return np.isfinite(made_us) & (
            np.abs(slope - self.gain.value) <= 1e-6 * abs(self.gain.value)
        )


_FEATURES: Final = ((2, 3), (4,), (5,))
"""What a curve may have beside gain and centre: a deadband, by half its width and its middle; a
lower clip; an upper clip. Numbers are places among the six values."""


def _made(values: FloatArray, neutral_us: float, x_us: FloatArray) -> FloatArray:
    gain, centre_us, half_us, middle_us, low_us, high_us = values
    from_us = x_us - middle_us
    off_us = np.sign(from_us) * np.maximum(np.abs(from_us) - abs(half_us), 0.0)
    line_us = centre_us + gain * (middle_us - neutral_us + off_us)
    made_us: FloatArray = np.minimum(np.maximum(line_us, low_us), high_us)
    return made_us


@dataclass(frozen=True, slots=True)
class _Fit:
    values: FloatArray  # shape (6,): As `_made` takes them; without a feature those that lack it
    free: BoolArray  # shape (6,): Which of them were fitted
    covariance: FloatArray
    residual_us: FloatArray
    repeats: float
    cost: float


def fit_curve(
    x_us: FloatArray, y_us: FloatArray, neutral_us: float, scale_us: float
) -> Curve | None:
    """Fit the curve, with only those features that the widths plainly show.

    All of them come first; then the feature (lower clip, upper clip, deadband) that
    gains least in the Bayesian information criterion is left out, as long as one
    gains less than 20. Fits are least squares with the loss ``2 (sqrt(1 + z) - 1)`` of
    squared residuals, so that strays count little. Uncertainties are from the
    Jacobian, times what neighbouring residuals repeat.

    >>> x_us = np.linspace(1000.0, 2000.0, 400)
    >>> y_us = np.minimum(1520.0 - 1.2 * (x_us - 1500.0), 1900.0)
    >>> curve = fit_curve(x_us, y_us, 1500.0, 0.5)
    >>> round(curve.gain.value, 3), round(curve.centre_us.value, 1), round(curve.high_us.value, 1)
    (-1.2, 1520.0, 1900.0)
    >>> curve.low_us is None, curve.dead_us is None
    (True, True)
    """
    if np.unique(np.rint(x_us)).size < 3:
        return None
    if x_us.size > MAX_POINTS:
        kept = np.linspace(0, x_us.size - 1, MAX_POINTS).astype(np.int64)
        x_us, y_us = x_us[kept], y_us[kept]
    absent = np.array([0.0, 0.0, 0.0, neutral_us, -np.inf, np.inf])

    def fit(free: BoolArray, starts: list[FloatArray]) -> _Fit:
        whole = [np.where(free, start, absent) for start in starts]
        fits = [_solve(free, start, neutral_us, x_us, y_us, scale_us) for start in whole]
        return min(fits, key=lambda found: found.cost)

    best = fit(np.ones(6, bool), _starts(x_us, y_us, neutral_us))
    while held := [feature for feature in _FEATURES if best.free[feature[0]]]:
        masks = [best.free & ~np.isin(np.arange(6), feature) for feature in held]
        poorer = [fit(free, [best.values]) for free in masks]
        gains = [_gain(each, best, neutral_us, x_us) for each in poorer]
        if min(gains) >= PLAIN:
            break
        best = poorer[int(np.argmin(gains))]
    return _curve(best, neutral_us)


def _gain(plain: _Fit, richer: _Fit, neutral_us: float, x_us: FloatArray) -> float:
    """Say what a feature gains in the Bayesian information criterion; repeats count once.

    One that bends the curve by less than the deviation of what is left gains nothing.
    """
    bends_us = _made(richer.values, neutral_us, x_us) - _made(plain.values, neutral_us, x_us)
    if float(np.abs(bends_us).max()) < MIN_BEND * float(np.sqrt(np.mean(richer.residual_us**2))):
        return 0.0
    independent = x_us.size / max(3.0, richer.repeats)
    further = int(richer.free.sum() - plain.free.sum())
    return independent * math.log(plain.cost / richer.cost) - further * math.log(x_us.size)


def _solve(  # noqa: PLR0917 - what is fitted, and to what
    free: BoolArray,
    start: FloatArray,
    neutral_us: float,
    x_us: FloatArray,
    y_us: FloatArray,
    scale_us: float,
) -> _Fit:
    from scipy.optimize import least_squares  # noqa: PLC0415 - slow to import

    scale_us = max(scale_us, 1e-3)
    size = np.maximum(np.abs(start[free]), 1e-3)
    values = start.copy()

    def off(parameters: FloatArray) -> FloatArray:
        values[free] = parameters * size
        return (_made(values, neutral_us, x_us) - y_us) / scale_us

    found = least_squares(off, start[free] / size, loss="soft_l1", f_scale=3.0, max_nfev=60)
    residual_us = -scale_us * off(np.asarray(found.x, np.float64))
    jacobian = np.asarray(found.jac, np.float64) / size
    variance = float(np.sum((residual_us / scale_us) ** 2)) / max(x_us.size - size.size, 1)
    repeats = _repeats(residual_us)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance * repeats
    cost = max(2.0 * float(found.cost), 1e-9)
    return _Fit(values, free, np.asarray(covariance, np.float64), residual_us, repeats, cost)


def _repeats(residual_us: FloatArray) -> float:
    """Say how many neighbouring residuals tell the same: ``1 + 2 sum r_k``.

    The sum ends where the autocorrelation, averaged in pairs, first is not positive
    (initial positive sequence; Geyer, Statistical Science 7, 1992, from memory).
    """
    away_us = residual_us - residual_us.mean()
    size = 1 << int(2 * away_us.size - 1).bit_length()
    power = np.abs(np.fft.rfft(away_us, size)) ** 2
    sums = np.fft.irfft(power, size)[: away_us.size // 2 * 2]
    if sums[0] <= 0.0:
        return 1.0
    pairs = sums.reshape(-1, 2).sum(axis=1) / sums[0]
    ends = np.flatnonzero(pairs <= 0.0)
    kept = pairs[: ends[0] if ends.size else pairs.size]
    return float(np.clip(2.0 * kept.sum() - 1.0, 1.0, away_us.size / 5.0))


def _starts(x_us: FloatArray, y_us: FloatArray, neutral_us: float) -> list[FloatArray]:
    """Choose where fits begin: the slope of the whole and of the middle, narrow and wide bands."""
    low_us, high_us = np.percentile(y_us, (1.0, 99.0))
    middle = np.abs(y_us - (low_us + high_us) / 2.0) <= 0.35 * (high_us - low_us)
    starts = []
    for part in (np.ones(x_us.size, bool), middle):
        if not part.any() or np.ptp(x_us[part]) <= 0.0:
            continue
        gain, offset_us = np.polyfit(x_us[part] - neutral_us, y_us[part], 1)
        starts += [
            np.array([gain, offset_us, half_us, neutral_us, low_us, high_us])
            for half_us in np.ptp(x_us) * np.array([0.01, 0.08])
        ]
    return starts


def _curve(fit: _Fit, neutral_us: float) -> Curve:
    doubts = np.zeros(6)
    doubts[fit.free] = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
    columns = zip(fit.values.tolist(), doubts.tolist(), strict=True)
    gain, centre, half, middle, low, high = (Parameter(*each) for each in columns)
    is_dead, _, is_low, is_high = fit.free[2:].tolist()
    return Curve(
        gain,
        centre,
        neutral_us,
        Parameter(2.0 * abs(half.value), 2.0 * half.uncertainty) if is_dead else None,
        middle.value if is_dead else None,
        low if is_low else None,
        high if is_high else None,
        float(np.sqrt(np.mean(fit.residual_us**2))),
    )


CONCENTRATED: Final = 0.5
LIKE: Final = 0.1
"""Frame periods that differ by less than this part may keep step."""
STALE: Final = 2.5
"""An output whose input pulse is older by this many input frames had no input to follow."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Output pulses, each with the input pulse that it belongs to."""

    # shape (n,): Places in the output's and in the input's train
    output: IntArray
    source: IntArray
    # shape (n,): Whether the output pulse before carried the same input pulse
    again: BoolArray
    # shape (m,): Places in the input's train, between the first and the last pulse that came
    # through, of those that no output pulse carries
    without_output: IntArray
    without_input: int  # Output pulses that came while the input had been silent for long
    # Output pulses that begin so near to where the next width is taken over that they may carry a
    # neighbour of their input pulse
    in_doubt: int
    # Whether the widths tell which belongs to which; otherwise it is the newest input pulse that
    # began before the output pulse
    by_content: bool

    def __len__(self) -> int:
        return int(self.output.size)

    def late_us(self, source: Train, output: Train) -> FloatArray:
        """From each input pulse's leading edge to its output pulse's; shape (n,)."""
        late_s = output.rise_s[self.output] - source.rise_s[self.source]
        return late_s * 1e6

    def frames_late(self, source: Train, output: Train) -> IntArray:
        """How many newer input pulses had begun when each output pulse began; shape (n,)."""
        newest = newest_before(source.rise_s, output.rise_s[self.output])
        return newest - self.source


def pair_by_content(source: Train, output: Train, content: Content) -> Pairs:
    """Give each output pulse the input pulse whose width it carries."""
    at = newest_before(source.end_s, output.rise_s - content.latch_us / 1e6)
    longest_s = (content.latch_us + STALE * source.period_us) / 1e6
    pairs = _pairs(source, output, at, longest_s, by_content=True)
    rise_s = output.rise_s[pairs.output]
    ends = (content.low_us, content.high_us)
    first, last = (newest_before(source.end_s, rise_s - end_us / 1e6) for end_us in ends)
    return replace(pairs, in_doubt=int(np.count_nonzero(first != last)))


def pair_by_edges(source: Train, output: Train) -> Pairs:
    """Give each output pulse the newest input pulse that began before it.

    Where the output keeps step, a start that jitters about the input's own
    belongs to the usual one.
    """
    period_us = source.period_us
    offset_us, concentration = usual_offset(source.rise_s, output.rise_s, period_us)
    tolerance_us = 0.0
    if concentration >= CONCENTRATED and abs(output.period_us / period_us - 1.0) < LIKE:
        if offset_us > period_us - 100.0:
            offset_us -= period_us
        tolerance_us = offset_us - period_us / 2.0
    at = newest_before(source.rise_s, output.rise_s - tolerance_us / 1e6)
    longest_s = (tolerance_us + STALE * period_us) / 1e6
    return _pairs(source, output, at, longest_s, by_content=False)


def _pairs(
    source: Train, output: Train, at: IntArray, longest_s: float, *, by_content: bool
) -> Pairs:
    known_s = source.end_s if by_content else source.rise_s
    age_s = output.rise_s - known_s[np.maximum(at, 0)]
    within = (at >= 0) & (output.rise_s <= known_s[-1] + longest_s)
    stale = within & (age_s > longest_s)
    kept = np.flatnonzero(within & ~stale)
    at = at[kept]
    again = np.diff(at, prepend=-1) == 0
    first = int(at[0]) if at.size else 0
    unused = np.flatnonzero(np.bincount(at - first) == 0) + first
    return Pairs(kept, at, again, unused, int(np.count_nonzero(stale)), 0, by_content)


STRAY: Final = 25.0
"""A squared residual counts no more than this: one stray pulse may not choose the latch."""
WIDER: Final = 1.5
"""Latches are looked for as far again about those that fit equally well by groups of widths."""
UNLIKELY: Final = 1e-3
"""Latches less likely than this, taken together, are left out."""
MAX_WAYS: Final = 200


@dataclass(frozen=True, slots=True)
class Latches:
    """The latches that the widths leave open, and how likely each is."""

    content: Content  # With the likeliest middle and the ends of what is left open
    # Which output pulse carries which input pulse, for each latch that pairs differently
    pairs: tuple[Pairs, ...]
    weight: FloatArray  # shape (n,): How likely each is; their sum is 1


def find_latches(
    source: Train, output: Train, pairs: Pairs, content: Content, curve: Curve
) -> Latches:
    """Weigh every latch by the pulses that change their input pulse with it.

    Outputs are put in order of the latch at which they change from one input pulse to the
    one before. Between two neighbours all latches pair alike; their likelihood is Gaussian in
    what the curve leaves of the width of either input pulse. All latches are equally
    likely beforehand, so a stretch weighs its length times its likelihood (Bayes' theorem).
    """
    reach_us = _about_us(source, content)
    turn_us, gain = _turns(source, output, pairs, content, curve)
    ends_us = np.concatenate([[-reach_us], turn_us, [reach_us]])
    length_us = np.diff(ends_us)
    # Up to the first turn all pulses carry the newer one; each turn takes one away.
    likelihood = -np.concatenate([[0.0], np.cumsum(gain)])
    with np.errstate(divide="ignore"):
        log_weight = np.log(length_us) + likelihood
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    share = np.concatenate([[0.0], np.cumsum(weight)])
    low_us, middle_us, high_us = (
        content.latch_us + float(np.interp(part, share, ends_us))
        for part in (UNLIKELY / 2.0, 0.5, 1.0 - UNLIKELY / 2.0)
    )
    refined = replace(content, latch_us=middle_us, low_us=low_us, high_us=high_us)
    order = np.argsort(-weight, kind="stable")[:MAX_WAYS]
    kept = np.sort(order[np.cumsum(weight[order]) - weight[order] < 1.0 - UNLIKELY])
    at_us = content.latch_us + (ends_us[kept] + ends_us[kept + 1]) / 2.0
    ways = tuple(
        pair_by_content(source, output, replace(refined, latch_us=float(each))) for each in at_us
    )
    return Latches(refined, ways, weight[kept] / float(weight[kept].sum()))


def _about_us(source: Train, content: Content) -> float:
    """How far about the latch found so far others are weighed."""
    return min(WIDER * (content.high_us - content.low_us) / 2.0, source.period_us / 3.0)


def _turns(
    source: Train, output: Train, pairs: Pairs, content: Content, curve: Curve
) -> tuple[FloatArray, FloatArray]:
    """Say at which latch each output changes its input pulse, and what the newer one gains.

    Both shape (n,), in order of the latch, which is told from the one found so far.
    """
    end_s, rise_s = source.end_s, output.rise_s
    made_us = curve.of(source.width_us)
    left_us = output.width_us[pairs.output] - made_us[pairs.source]
    gain = curve.gain.value
    floor_us = math.sqrt(output.floor_us2 + gain**2 * source.floor_us2)
    noise_us = max(FROM_MAD * float(np.median(np.abs(left_us))), floor_us)
    left_us = left_us[np.abs(left_us) <= 4.0 * noise_us]
    noise_us = max(float(np.sqrt(np.mean(left_us**2))), floor_us)
    at = newest_before(end_s, rise_s - content.latch_us / 1e6)
    known = np.flatnonzero((at >= 1) & (at < end_s.size - 1))
    at, rise_s = at[known], rise_s[known]
    since_us = (rise_s - end_s[at]) * 1e6 - content.latch_us
    until_us = (rise_s - end_s[at + 1]) * 1e6 - content.latch_us
    newer = np.where(since_us <= -until_us, at, at + 1)
    turn_us = np.where(since_us <= -until_us, since_us, until_us)
    near = np.flatnonzero(np.abs(turn_us) < _about_us(source, content))
    near = near[np.argsort(turn_us[near], kind="stable")]
    newer, width_us = newer[near], output.width_us[known[near]]
    squares = [
        np.minimum(((width_us - made_us[place]) / noise_us) ** 2, STRAY)
        for place in (newer, newer - 1)
    ]
    return turn_us[near], (squares[1] - squares[0]) / 2.0
