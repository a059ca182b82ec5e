"""What a recording is once it is read: named lines of edges over one time span."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.model.assumption import assumed

PS_PER_S = 1_000_000_000_000
PS_PER_US = 1_000_000


@dataclass(frozen=True, slots=True)
class Line:
    """One recorded wire, as the instants at which its level changed.

    Parameters
    ----------
    name : str
        The wire's name, as the file gives it.
    edges_ps : ndarray of int64, shape (n_edges,)
        Instants in picoseconds since the start of the recording, strictly
        increasing, each within ``start_ps < edge <= end_ps``. Levels alternate:
        edge ``i`` ends at level ``initial_level ^ ((i + 1) & 1)``.
    initial_level : int
        The level, 0 or 1, before the first edge.

    Raises
    ------
    ValueError
        If the edges are not strictly increasing or the level is not 0 or 1.
    """

    name: str
    edges_ps: npt.NDArray[np.int64]
    initial_level: int

    def __post_init__(self) -> None:
        if self.initial_level not in (0, 1):
            raise ValueError(f"initial_level is {self.initial_level}, expected 0 or 1")
        if self.edges_ps.dtype != np.int64 or self.edges_ps.ndim != 1:
            raise ValueError("edges_ps must be a one-dimensional int64 array")
        if self.edges_ps.size > 1 and not bool(np.all(np.diff(self.edges_ps) > 0)):
            raise ValueError(f"the edges of line {self.name} are not strictly increasing")

    def rises_ps(self, *, inverted: bool = False) -> npt.NDArray[np.int64]:
        """Return the instants of the low-to-high edges.

        Parameters
        ----------
        inverted : bool, optional
            Of the high-to-low edges instead.

        Returns
        -------
        ndarray of int64
            Picoseconds.
        """
        first = self.initial_level ^ int(inverted)
        return self.edges_ps[first::2]

    def falls_ps(self, *, inverted: bool = False) -> npt.NDArray[np.int64]:
        """Return the instants of the high-to-low edges.

        Parameters
        ----------
        inverted : bool, optional
            Of the low-to-high edges instead.

        Returns
        -------
        ndarray of int64
            Picoseconds.
        """
        first = 1 - (self.initial_level ^ int(inverted))
        return self.edges_ps[first::2]


@dataclass(frozen=True, slots=True)
class Capture:
    """Digital lines recorded together over one time span.

    Parameters
    ----------
    lines : mapping of str to Line
        The lines by name, in the file's order.
    duration_ps : int
        Length of the time span in picoseconds.
    sample_interval_ps : float or None
        Interval between samples in picoseconds. None where neither the file
        nor the person states it and the edge times do not show it.
    source : str
        Where it came from, usually the file's path.
    assumptions : tuple of str or Assumption
        Everything that was assumed while reading, each a sentence; once held, each is an
        `Assumption` with fields as well.
    start_ps : int
        Instant at which the time span begins, in picoseconds since the start of the
        recording; above 0 only where a part was cut out (`clip`).
    """

    lines: Mapping[str, Line]
    duration_ps: int
    sample_interval_ps: float | None
    source: str
    assumptions: tuple[str, ...] = ()
    start_ps: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(self, "assumptions", assumed(self.assumptions))

    @property
    def end_ps(self) -> int:
        """Instant at which the time span ends, in picoseconds."""
        return self.start_ps + self.duration_ps

    @property
    def start_s(self) -> float:
        """Instant at which the time span begins, in seconds."""
        return self.start_ps / PS_PER_S

    @property
    def end_s(self) -> float:
        """Instant at which the time span ends, in seconds."""
        return self.end_ps / PS_PER_S

    @property
    def duration_s(self) -> float:
        """Length of the time span in seconds."""
        return self.duration_ps / PS_PER_S

    @property
    def sample_interval_us(self) -> float | None:
        """Interval between samples in microseconds, or None where unknown."""
        if self.sample_interval_ps is None:
            return None
        return self.sample_interval_ps / PS_PER_US
