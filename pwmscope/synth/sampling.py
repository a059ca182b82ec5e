"""How a clocked analyser sees an edge: at the first sample at or after it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pwmscope.model.recording import PS_PER_S


def sample_instants_ps(indices: npt.NDArray[np.int64], rate_hz: int) -> npt.NDArray[np.int64]:
    """Instants of samples, ``round(k / rate)`` in picoseconds, halves upward.

    Parameters
    ----------
    indices : ndarray of int64, shape (n,)
        Sample numbers, from 0.
    rate_hz : int
        Samples per second, at most 1 GHz.

    Returns
    -------
    ndarray of int64, shape (n,)
        Instants in picoseconds, exact in integers at any length.

    Examples
    --------
    >>> sample_instants_ps(np.array([0, 1, 2, 3, 24_000_000]), 24_000_000)
    array([            0,         41667,         83333,        125000,
           1000000000000])
    """
    seconds, rest = np.divmod(indices, rate_hz)
    whole_ps, left = divmod(PS_PER_S, rate_hz)
    # rest < 1e9 and left < 1e9, so that no product exceeds 2e18 < 2**63.
    part_ps = rest * whole_ps + (2 * rest * left + rate_hz) // (2 * rate_hz)
    instants: npt.NDArray[np.int64] = seconds * PS_PER_S + part_ps
    return instants


def first_sample_at(times_ps: npt.NDArray[np.int64], rate_hz: int) -> npt.NDArray[np.int64]:
    """Find the first sample at or after each time.

    Parameters
    ----------
    times_ps : ndarray of int64, shape (n,)
        Times in picoseconds; times at or before 0 give sample 0.
    rate_hz : int
        Samples per second, at most 1 GHz.

    Returns
    -------
    ndarray of int64, shape (n,)
        Sample numbers.

    Examples
    --------
    >>> first_sample_at(np.array([-5, 0, 1, 41667, 41668]), 24_000_000)
    array([0, 0, 1, 1, 2])
    """
    seconds, rest_ps = np.divmod(np.maximum(times_ps, 0), PS_PER_S)
    # The quotient in floating point is off by far less than one sample; whole steps settle it.
    near = np.floor(rest_ps.astype(np.float64) * (rate_hz / PS_PER_S)).astype(np.int64)
    first = np.maximum(seconds * rate_hz + near - 1, 0)
    for _ in range(3):
        first += sample_instants_ps(first, rate_hz) < times_ps
    return first


def count_samples(duration_ps: int, rate_hz: int) -> int:
    """Count the samples from time 0 to the end, both included.

    Examples
    --------
    >>> count_samples(2_000_000, 1_000_000)
    3
    """
    last = int(first_sample_at(np.array([duration_ps], np.int64), rate_hz)[0])
    is_late = int(sample_instants_ps(np.array([last], np.int64), rate_hz)[0]) > duration_ps
    return last + 1 - int(is_late)


def sample_edges(
    edges_ps: npt.NDArray[np.int64], rate_hz: int, sample_count: int
) -> tuple[npt.NDArray[np.int64], int]:
    """Sample numbers at which a line that begins low is seen to change.

    An even number of edges between two samples cancels: a pulse shorter than
    a sample interval may vanish, as it does on an analyser.

    Parameters
    ----------
    edges_ps : ndarray of int64, shape (n,)
        True edges in picoseconds, in order, the first a rise.
    rate_hz : int
        Samples per second.
    sample_count : int
        Samples in the recording.

    Returns
    -------
    indices : ndarray of int64, shape (m,)
        Samples whose level differs from the sample before, strictly increasing, from 1 on.
    initial_level : int
        Level of sample 0.

    Examples
    --------
    >>> sample_edges(np.array([-10, 500, 1_200_000, 1_300_000, 2_000_000]), 1_000_000, 10)
    (array([1, 2]), 1)
    """
    seen, counts = np.unique(first_sample_at(edges_ps, rate_hz), return_counts=True)
    seen = seen[counts % 2 == 1]
    initial_level = int(seen.size > 0 and seen[0] == 0)
    return seen[(seen > 0) & (seen < sample_count)], initial_level
