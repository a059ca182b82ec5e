"""How well a delay explains an output's widths by an input's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.lag.train import Train
from pwmscope.model import FloatArray, IntArray

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
