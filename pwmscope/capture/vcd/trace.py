"""One line's level, followed through a stream of timed states."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pwmscope.capture.vcd.values import LOW, UNKNOWN


@dataclass(slots=True)
class Trace:
    """Edges of one line, from states that arrive block by block.

    Of several states at one time the last counts. An unknown state leaves the
    level as it was before, so no edge is made between a level, a stretch of
    unknown, and the same level. Before the first known state the level is taken
    to be that state.

    Parameters
    ----------
    first_level : int or None
        The first known level; None so far.
    unknown_count : int
        Stretches of unknown state.
    unknown_ps : int
        Their length together.
    unknown_from_ps : int
        Where the first begins.
    superseded : int
        Known states that were replaced by another state at the same time.
    """

    first_level: int | None = None
    unknown_count: int = 0
    unknown_ps: int = 0
    unknown_from_ps: int = 0
    superseded: int = 0
    _level: int = LOW
    _was_unknown: bool = False
    _pending_times: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    _pending_states: npt.NDArray[np.uint8] = field(default_factory=lambda: np.empty(0, np.uint8))
    _edges: list[npt.NDArray[np.int64]] = field(default_factory=list)

    def feed(self, times: npt.NDArray[np.int64], states: npt.NDArray[np.uint8]) -> None:
        """Take further states; times never decrease from one call to the next.

        Examples
        --------
        >>> trace = Trace()
        >>> trace.feed(np.array([0, 5, 9]), np.array([0, 1, UNKNOWN], np.uint8))
        >>> trace.feed(np.array([12, 15]), np.array([1, 0], np.uint8))
        >>> trace.finish(20), trace.first_level, trace.unknown_count, trace.unknown_ps
        (array([ 5, 15]), 0, 1, 3)
        """
        times = np.concatenate([self._pending_times, times])
        states = np.concatenate([self._pending_states, states])
        together = times[1:] == times[:-1]
        if together.any():
            differs = (
                (states[1:] != states[:-1]) & (states[:-1] != UNKNOWN) & (states[1:] != UNKNOWN)
            )
            self.superseded += int(np.count_nonzero(together & differs))
            keep = np.append(~together, True)
            times, states = times[keep], states[keep]
        self._pending_times, self._pending_states = times[-1:], states[-1:]
        self._settle(times, states[:-1])

    def _settle(self, times: npt.NDArray[np.int64], states: npt.NDArray[np.uint8]) -> None:
        """Take states that nothing can replace; `times` has the next time as well."""
        unknown = states == UNKNOWN
        if unknown.any() or self._was_unknown:
            self._count_unknown(times, unknown)
            known = ~unknown
            times, states = times[:-1][known], states[known]
        else:
            times = times[:-1]
        if not states.size:
            return
        if self.first_level is None:
            self.first_level = self._level = int(states[0])
        changed = np.empty(states.size, np.bool_)
        changed[0] = states[0] != self._level
        np.not_equal(states[1:], states[:-1], out=changed[1:])
        self._level = int(states[-1])
        self._edges.append(times[changed])

    def _count_unknown(self, times: npt.NDArray[np.int64], unknown: npt.NDArray[np.bool_]) -> None:
        if not unknown.size:
            return
        begins = unknown.copy()
        begins[1:] &= ~unknown[:-1]
        begins[0] &= not self._was_unknown
        if begins.any():
            if self.unknown_count == 0:
                self.unknown_from_ps = int(times[int(begins.argmax())])
            self.unknown_count += int(np.count_nonzero(begins))
        self.unknown_ps += int(np.diff(times)[unknown].sum())
        self._was_unknown = bool(unknown[-1])

    def finish(self, end_ps: int) -> npt.NDArray[np.int64]:
        """Close the line at the recording's end and return its edges' times."""
        self._settle(np.append(self._pending_times, end_ps), self._pending_states)
        edges_ps = np.concatenate(self._edges) if self._edges else np.empty(0, np.int64)
        self._edges.clear()
        return edges_ps
