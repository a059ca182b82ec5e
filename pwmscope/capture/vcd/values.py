"""The values of a dump's variables over time, as bits and as real numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.text.comparator import MAX_NUMBER, AmplitudeHistogram, assumed_threshold
from pwmscope.capture.vcd.words import REAL, SCALAR, VECTOR, CodeBook, Words
from pwmscope.errors import CaptureError
from pwmscope.model import Assumption

LOW, HIGH, UNKNOWN, NO_STATE = 0, 1, 2, 3


def _states() -> npt.NDArray[np.uint8]:
    table = np.full(256, NO_STATE, np.uint8)
    table[list(b"0lL")] = LOW
    table[list(b"1hH")] = HIGH
    table[list(b"xXzZuUwW-")] = UNKNOWN
    return table


STATE_OF_BYTE: Final = _states()
"""IEEE Std 1364 has 0, 1, x and z; the other letters are the strengths that
IEEE Std 1164 adds (weak low and high count as levels, the rest as unknown)."""


@dataclass(frozen=True, slots=True)
class Values:
    """The values of one kind within a block, in file order."""

    words: npt.NDArray[np.int64]  # shape (n,): Which word of the block holds each value
    numbers: npt.NDArray[np.int32]  # shape (n,): Number of the identifier code of each
    times: npt.NDArray[np.int64]  # shape (n,): Time of each in picoseconds, as the file counts it


def find_values(
    words: Words,
    times: npt.NDArray[np.int64],
    left_out: npt.NDArray[np.bool_] | None,
    book: CodeBook,
    source: str,
) -> dict[int, Values]:
    """Sort the values of a block by kind: states under `SCALAR`, numbers under `REAL`."""
    found: dict[int, Values] = {}
    is_first = None if words.is_code is None else ~words.is_code
    is_garbage = words.kinds == 0 if is_first is None else (words.kinds == 0) & is_first
    if is_garbage.any():
        word = int(is_garbage.argmax())
        raise CaptureError(
            source,
            f"'{words.text_of(word)}' is neither a time nor a value",
            "export the recording again as a value change dump (IEEE Std 1364)",
            row=words.row_of(word),
        )
    for kinds in ((SCALAR, VECTOR), (REAL,)):
        chosen = words.kinds == kinds[0]
        for other in kinds[1:]:
            chosen |= words.kinds == other
        if is_first is not None:
            chosen &= is_first
        if left_out is not None:
            chosen &= ~left_out
        at = np.flatnonzero(chosen)
        if not at.size:
            continue
        # The code stands in the same word after one state, else in the next word.
        is_scalar = words.kinds[at] == SCALAR
        named = at if is_scalar.all() else at + ~is_scalar
        numbers = book.look_up(words.data, words.starts[named] + is_scalar, words.ends[named])
        if int(numbers.min()) < 0:
            wrong = int((numbers < 0).argmax())
            _refuse_code(words, int(named[wrong]), bool(is_scalar[wrong]), source)
        found[kinds[0]] = Values(at, numbers, times[at])
    return found


def _refuse_code(words: Words, word: int, is_scalar: bool, source: str) -> None:
    text = words.text_of(word)
    code = text[1:] if is_scalar else text
    raise CaptureError(
        source,
        f"the identifier code '{code}' of '{text}' was never declared"
        if code
        else f"the value '{text}' has no identifier code",
        "export the recording again, with its list of variables",
        row=words.row_of(word),
    )


def vector_states(
    words: Words, at: npt.NDArray[np.int64], size: int, name: str, source: str
) -> npt.NDArray[np.uint8]:
    """States of each bit of vector (or one-bit) values of one variable."""
    skip = (words.kinds[at] != SCALAR).astype(np.int64)
    starts = words.starts[at] + skip
    lengths = np.where(skip == 1, words.ends[at] - starts, 1)
    states = np.empty((at.size, size), np.uint8)
    for length in np.unique(lengths).tolist():
        those = np.flatnonzero(lengths == length)
        if not 0 < length <= size:
            raise CaptureError(
                source,
                f"the value '{words.text_of(int(at[those[0]]))}' has {length} bits, at most "
                f"{size} were declared",
                "export the recording again as a value change dump (IEEE Std 1364)",
                row=words.row_of(int(at[those[0]])),
                column=name,
            )
        digits = STATE_OF_BYTE[words.data[starts[those, None] + np.arange(length)]]
        if int(digits.max()) == NO_STATE:
            word = int(at[those[int((digits == NO_STATE).any(axis=1).argmax())]])
            raise CaptureError(
                source,
                f"the value '{words.text_of(word)}' holds other digits than 0, 1, x and z",
                "export the recording again as a value change dump (IEEE Std 1364)",
                row=words.row_of(word),
                column=name,
            )
        states[those, size - length :] = digits
        states[those, : size - length] = np.where(digits[:, :1] == UNKNOWN, UNKNOWN, LOW)
    return states


def real_values(
    words: Words, at: npt.NDArray[np.int64], name: str, source: str
) -> npt.NDArray[np.float64]:
    """Read the numbers of real values such as ``r3.297``, NaN where unknown."""
    values = np.empty(at.size, np.float64)
    for i, word in enumerate(at.tolist()):
        try:
            values[i] = float(words.bytes_of(word)[1:])
        except ValueError:
            raise _bad_number(words, word, "is no number", name, source) from None
    beyond = np.isfinite(values) & (np.abs(values) > MAX_NUMBER)
    if beyond.any():
        word = int(at[int(beyond.argmax())])
        raise _bad_number(words, word, f"lies beyond {MAX_NUMBER:g}", name, source)
    return values


def _bad_number(words: Words, word: int, fault: str, name: str, source: str) -> CaptureError:
    return CaptureError(
        source,
        f"the value '{words.text_of(word)}' {fault}",
        "export the recording again as a value change dump (IEEE Std 1364)",
        row=words.row_of(word),
        column=name,
    )


@dataclass(slots=True)
class Trace:
    """Edges of one line, from states that arrive block by block.

    Of several states at one time the last counts. An unknown state leaves the
    level as it was before, so no edge is made between a level, a stretch of
    unknown, and the same level. Before the first known state the level is taken
    to be that state.
    """

    first_level: int | None = None  # The first known level; None so far
    unknown_count: int = 0  # Stretches of unknown state
    unknown_ps: int = 0  # Their length together
    unknown_from_ps: int = 0  # Where the first begins
    superseded: int = 0  # Known states that were replaced by another state at the same time
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


@dataclass(frozen=True, slots=True)
class Threshold:
    """How a real variable is read as a line."""

    level: float  # Where low ends and high begins
    reach: float  # How far beyond that a number must lie to count
    assumption: Assumption  # What is said about it


def find_threshold(name: str, histogram: AmplitudeHistogram, hint: float | None) -> Threshold:
    """Find the threshold between the two state levels (IEEE Std 181, histogram method).

    Each number counts once, however long it holds.

    Examples
    --------
    >>> histogram = AmplitudeHistogram()
    >>> histogram.add(np.array([0.0, 0.0, 1.0, 5.0, 5.0]))
    >>> find_threshold("volts", histogram, None).level
    2.5
    """
    if histogram.is_empty:
        about = f"Line {name} is a real variable without any number."
        return Threshold(math.inf, 0.0, Assumption(about, "threshold", None, "", "data"))
    levels = histogram.state_levels()
    about = (
        f"Line {name} is a real variable with state levels {levels.low:.4g} and "
        f"{levels.high:.4g} (histogram modes, IEEE Std 181)"
    )
    reach = levels.band / 2 if levels.lie_apart else 0.0
    holds = f"The hysteresis is {2 * reach:.4g}. Each number holds until the next."
    if hint is not None:
        said = f"{about}. Its threshold is {hint:g}, as you said. {holds}"
        return Threshold(hint, reach, assumed_threshold(said, hint, "person"))
    if not levels.lie_apart:
        return Threshold(
            math.inf,
            0.0,
            assumed_threshold(
                f"Line {name} is a real variable between {levels.least:.4g} and {levels.most:.4g} "
                "without two state levels. It is taken as low; `threshold` overrules this.",
                None,
                "data",
            ),
        )
    said = f"{about}. Its threshold is {levels.middle:.4g}, halfway. {holds}"
    return Threshold(levels.middle, reach, assumed_threshold(said, levels.middle, "data"))


@dataclass(slots=True)
class RealTrace:
    """A real variable's level.

    A number holds until the next (IEEE Std 1364), so the level changes at the
    time of the number that crosses the threshold, provided that numbers go on
    to pass the band of hysteresis before they cross back.
    """

    threshold: float  # Where low ends and high begins
    reach: float  # How far beyond the threshold a number must lie to count
    trace: Trace = field(default_factory=Trace)  # What collects the line's edges
    _side: int = -1
    _side_since: int = 0
    _side_told: bool = False

    def feed(self, times: npt.NDArray[np.int64], values: npt.NDArray[np.float64]) -> None:
        """Take further numbers, NaN where unknown.

        Examples
        --------
        >>> real = RealTrace(threshold=1.65, reach=0.165)
        >>> real.feed(np.array([0, 10, 20, 30, 40]), np.array([0, 1.7, 1.6, 1.7, 3.3]))
        >>> real.trace.finish(50)
        array([30])
        """
        side = np.where(values >= self.threshold, HIGH, LOW).astype(np.int8)
        side[np.isnan(values)] = UNKNOWN
        begins = np.empty(side.size, np.bool_)
        begins[0] = side[0] != self._side
        np.not_equal(side[1:], side[:-1], out=begins[1:])
        run = np.cumsum(begins)
        since = np.append(np.int64(self._side_since), times[begins])[run]
        passed = (side == UNKNOWN) | (np.abs(values - self.threshold) >= self.reach)
        at = np.flatnonzero(passed)
        # Of each run on one side only the first number that passes the band tells.
        first = at[np.diff(run[at], prepend=-1) != 0]
        if first.size and self._side_told and run[first[0]] == 0:
            first = first[1:]
        if first.size:
            self.trace.feed(since[first], side[first].astype(np.uint8))
        last_told = bool(at.size) and int(run[at[-1]]) == int(run[-1])
        self._side_told = last_told or (self._side_told and int(run[-1]) == 0)
        self._side, self._side_since = int(side[-1]), int(since[-1])
