"""Where every single pulse is kept, in a recording too long to keep all."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.model.spans import Span

REACHES_S: Final = (
    300.0, 200.0, 120.0, 90.0, 60.0, 45.0, 30.0, 20.0, 15.0, 10.0, 7.0, 5.0, 4.0, 3.0, 2.0, 1.5,
    1.0, 0.7, 0.5, 0.3, 0.2, 0.1,
)  # fmt: skip
"""How far round a moment pulses are kept; the farthest that fits."""


def kept_spans(
    losses_s: npt.NDArray[np.float64],
    strays_s: npt.NDArray[np.float64],
    rises_s: list[npt.NDArray[np.float64]],
    recorded: Span,
    most: int,
) -> tuple[tuple[Span, ...], float, int]:
    """Choose the spans in which every pulse is kept.

    Parameters
    ----------
    losses_s : ndarray of float64, shape (n,)
        Moments at which a line lost its signal or had it again.
    strays_s : ndarray of float64, shape (m,)
        Moments of glitches and other pulses that are not measured.
    rises_s : list of ndarray of float64
        Leading edges of each line, in order.
    recorded : Span
        When the recording begins and ends.
    most : int
        Pulses there may be in all lines together.

    Returns
    -------
    spans : tuple of Span
        In order, not overlapping.
    reach_s : float
        How far round each moment they reach; 0 where not even the nearest fits.
    left_out : int
        Moments that have no span of their own for want of room.

    Examples
    --------
    >>> rise_s = np.arange(0.0, 100.0, 0.02)
    >>> none = np.zeros(0)
    >>> kept_spans(np.array([50.0]), none, [rise_s], Span(0.0, 100.0), 600)
    ((Span(start_s=45.0, end_s=55.0),), 5.0, 0)
    """
    whole = np.unique(np.concatenate([losses_s, strays_s]))
    for reach_s in REACHES_S:
        ends_s = _joined(whole, reach_s, recorded)
        if _count(ends_s, rises_s) <= most:
            return _spans(ends_s), reach_s, 0
    reach_s = REACHES_S[-1]
    thinned = ((losses_s, strays_s[::every]) for every in _doubling(strays_s.size))
    fewer = ((losses_s[::every], strays_s[:0]) for every in _doubling(losses_s.size))
    for some in (*thinned, *fewer):
        moments_s = np.unique(np.concatenate(some))
        ends_s = _joined(moments_s, reach_s, recorded)
        if _count(ends_s, rises_s) <= most:
            return _spans(ends_s), reach_s, int(whole.size - moments_s.size)
    return (), 0.0, int(whole.size)


def _doubling(size: int) -> list[int]:
    return [2**power for power in range(1, size.bit_length() + 1)]


def _joined(
    moments_s: npt.NDArray[np.float64], reach_s: float, recorded: Span
) -> npt.NDArray[np.float64]:
    """Give the starts and ends of the spans round the moments, those that touch made one."""
    if not moments_s.size:
        return np.zeros((2, 0))
    breaks = np.flatnonzero(np.diff(moments_s) > 2.0 * reach_s)
    starts_s = moments_s[np.concatenate([[0], breaks + 1])] - reach_s
    ends_s = moments_s[np.concatenate([breaks, [moments_s.size - 1]])] + reach_s
    ends: npt.NDArray[np.float64] = np.stack([starts_s, ends_s])
    return ends.clip(recorded.start_s, recorded.end_s)


def _count(ends_s: npt.NDArray[np.float64], rises_s: list[npt.NDArray[np.float64]]) -> int:
    return sum(int(np.diff(np.searchsorted(rise_s, ends_s), axis=0).sum()) for rise_s in rises_s)


def _spans(ends_s: npt.NDArray[np.float64]) -> tuple[Span, ...]:
    return tuple(Span(start_s, end_s) for start_s, end_s in ends_s.T.tolist())
