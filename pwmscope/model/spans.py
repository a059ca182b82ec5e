"""Time spans of a recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in seconds since the capture's start; its end is no part of it."""

    start_s: float
    end_s: float


def inside(spans: tuple[Span, ...], time_s: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Say which instants lie inside any of the spans.

    Examples
    --------
    >>> inside((Span(1.0, 2.0), Span(5.0, 6.0)), np.array([0.5, 1.0, 3.0, 5.5]))
    array([False,  True, False,  True])
    """
    if not spans:
        return np.zeros(time_s.size, dtype=bool)
    starts = np.array([span.start_s for span in spans])
    ends = np.array([span.end_s for span in spans])
    span = np.searchsorted(starts, time_s, side="right") - 1
    within: npt.NDArray[np.bool_] = (span >= 0) & (time_s < ends[np.maximum(span, 0)])
    return within


def overlaps(
    spans: tuple[Span, ...], begin_s: npt.NDArray[np.float64], end_s: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Say which stretches of time share any with one of the spans.

    Examples
    --------
    >>> begin_s = np.array([0.0, 0.5, 1.2, 2.0])
    >>> overlaps((Span(1.0, 2.0),), begin_s, begin_s + 0.6)
    array([False,  True,  True, False])
    """
    if not spans:
        return np.zeros(begin_s.size, dtype=bool)
    starts = np.array([span.start_s for span in spans])
    ends = np.array([span.end_s for span in spans])
    span = np.searchsorted(starts, end_s, side="left") - 1
    shared: npt.NDArray[np.bool_] = (span >= 0) & (ends[np.maximum(span, 0)] > begin_s)
    return shared
