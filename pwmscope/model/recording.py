"""A recording: named lines of edges over one span, and work on several of them at once."""

from __future__ import annotations

import contextlib
import math
import os
import threading
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

from pwmscope.errors import ArgumentError, format_given, named, require_type

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
Found = TypeVar("Found")

MIN_SIZE: Final = 1 << 18
"""Fewer values in all are worked on one line after the other, before a thread is under way."""
_MAX_THREADS: Final = 8
_is_one_by_one = False


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in seconds since the capture's start; its end is no part of it."""

    start_s: float
    end_s: float


def inside(spans: tuple[Span, ...], time_s: FloatArray) -> BoolArray:
    """Say which instants lie inside any of the spans.

    >>> inside((Span(1.0, 2.0), Span(5.0, 6.0)), np.array([0.5, 1.0, 3.0, 5.5]))
    array([False,  True, False,  True])
    """
    if not spans:
        return np.zeros(time_s.size, dtype=bool)
    starts = np.array([span.start_s for span in spans])
    ends = np.array([span.end_s for span in spans])
    span = np.searchsorted(starts, time_s, side="right") - 1
    return (span >= 0) & (time_s < ends[np.maximum(span, 0)])


def overlaps(spans: tuple[Span, ...], begin_s: FloatArray, end_s: FloatArray) -> BoolArray:
    """Say which stretches of time share any with one of the spans.

    >>> begin_s = np.array([0.0, 0.5, 1.2, 2.0])
    >>> overlaps((Span(1.0, 2.0),), begin_s, begin_s + 0.6)
    array([False,  True,  True, False])
    """
    if not spans:
        return np.zeros(begin_s.size, dtype=bool)
    starts = np.array([span.start_s for span in spans])
    ends = np.array([span.end_s for span in spans])
    span = np.searchsorted(starts, end_s, side="left") - 1
    return (span >= 0) & (ends[np.maximum(span, 0)] > begin_s)


Authority: TypeAlias = Literal["person", "file", "data", "convention", ""]


@dataclass(frozen=True, eq=False, repr=False)
class Assumption(str):
    """One thing assumed about a recording.

    It is its sentence: it prints, compares and joins as that text. Whoever wants to act
    on it reads the fields instead of the words.

    >>> assumed = Assumption("Column 't' is time in us.", "time unit", "us", source="file",
    ...                      arguments=("time_unit",))
    >>> print(assumed, assumed.value, assumed.arguments)
    Column 't' is time in us. us ('time_unit',)
    >>> assumed == "Column 't' is time in us."
    True
    """

    # The assumption for a person, made from the other fields. It may name an argument of `load` in
    # backticks.
    sentence: str
    what: str = ""  # What it is about, such as `time unit` or `sampling interval`
    value: object = None  # What was assumed of it; None where the file does not show it
    unit: str = ""  # Unit of the value, where it has one
    # Who or what says so: the person's argument, a statement in the file, what the numbers show, or
    # what is usual where nothing says it
    source: Authority = ""
    arguments: tuple[str, ...] = ()  # The arguments of `load` that change it

    def __new__(cls, sentence: str, *_fields: object, **_named: object) -> Assumption:
        """Make the text itself; the fields are set as in every dataclass."""
        return super().__new__(cls, named(sentence))

    @property
    def changed_by(self) -> tuple[str, ...]:
        """Arguments that would change it, none where the person has given one already."""
        return () if self.source == "person" else self.arguments


def assumed(sentences: Iterable[str]) -> tuple[Assumption, ...]:
    """Take plain sentences for assumptions that no argument changes."""
    return tuple(s if isinstance(s, Assumption) else Assumption(str(s)) for s in sentences)


PS_PER_S = 1_000_000_000_000
PS_PER_US = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Plateaus:
    """What an analogue line's high state was like, each time, as columns."""

    # shape (n,): When the voltage first reached nine tenths of the way up, in picoseconds
    begin_ps: IntArray
    lasts_ps: IntArray  # shape (n,): Until it was there for the last time
    # shape (n,): Median of the samples of the high state; its lowest sample between the first and
    # the last that come within 2 % of that
    level_v: FloatArray
    lowest_v: FloatArray
    # shape (n,): From one tenth of the way up to nine tenths; NaN where the beginning was not seen
    rise_ps: FloatArray
    interval_ps: float  # Mean distance of samples

    def between(self, start_ps: int, end_ps: int) -> Plateaus:
        """Keep those that begin and end within a span."""
        kept = (self.begin_ps > start_ps) & (self.begin_ps + self.lasts_ps <= end_ps)
        return Plateaus(
            self.begin_ps[kept], self.lasts_ps[kept], self.level_v[kept], self.lowest_v[kept],
            self.rise_ps[kept], self.interval_ps,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Voltage:
    """What a voltage was over time: least, mean and most of each millisecond, as columns."""

    start_ps: int  # When the first millisecond begins, in picoseconds since the recording's start
    step_ps: float  # How long each lasts: a whole number of samples, of a millisecond or just below
    # shape (n,): Of the samples in it
    least_v: npt.NDArray[np.float32]
    mean_v: npt.NDArray[np.float32]
    most_v: npt.NDArray[np.float32]

    def between(self, start_ps: int, end_ps: int) -> Voltage:
        """Keep those that begin and end within a span."""
        first = max(0, -int(-(start_ps - self.start_ps) // self.step_ps))
        last = max(first, int((end_ps - self.start_ps) // self.step_ps))
        return Voltage(
            self.start_ps + round(first * self.step_ps),
            self.step_ps,
            self.least_v[first:last],
            self.mean_v[first:last],
            self.most_v[first:last],
        )


@dataclass(frozen=True, slots=True, eq=False)
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
    plateaus : Plateaus or None
        Of a voltage, what its high state was like; None for a digital line.
    voltage : Voltage or None
        What the voltage was over time; None for a digital line.

    Raises
    ------
    ArgumentError
        If an argument is of another type, the edges are not strictly increasing or the level
        is not 0 or 1.
    """

    name: str
    edges_ps: IntArray
    initial_level: int
    plateaus: Plateaus | None = field(default=None, compare=False, repr=False)
    voltage: Voltage | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        require_type("name", self.name, str, "the line's name")
        level, edges_ps = self.initial_level, self.edges_ps
        if not isinstance(level, int | np.integer) or level not in {0, 1}:
            raise ArgumentError("initial_level", format_given(level), "0 or 1")
        expected = "a one-dimensional int64 array, picoseconds since the recording's start"
        require_type("edges_ps", edges_ps, np.ndarray, expected)
        if edges_ps.dtype != np.int64 or edges_ps.ndim != 1:
            given = f"an array of the shape {edges_ps.shape} and of {edges_ps.dtype}"
            raise ArgumentError("edges_ps", given, expected)
        if not bool((edges_ps[1:] > edges_ps[:-1]).all()):
            given = f"not in order for line {self.name}"
            raise ArgumentError("edges_ps", given, "instants that strictly increase")
        if edges_ps.size and edges_ps[0] < 0:
            raise ArgumentError("edges_ps", f"below 0 for line {self.name}", expected)

    def rises_ps(self, *, inverted: bool = False) -> IntArray:
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

    def falls_ps(self, *, inverted: bool = False) -> IntArray:
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


@dataclass(frozen=True, slots=True, eq=False)
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

    Raises
    ------
    ArgumentError
        If an argument is of another type.
    """

    lines: Mapping[str, Line]
    duration_ps: int
    sample_interval_ps: float | None
    source: str
    assumptions: tuple[str, ...] = ()
    start_ps: int = 0

    def __post_init__(self) -> None:
        require_type("lines", self.lines, Mapping, "the lines by name")
        require_type("source", self.source, str, "a text that names the recording")
        require_type("assumptions", self.assumptions, (tuple, list), "sentences")
        object.__setattr__(self, "assumptions", assumed(self.assumptions))
        for argument in ("duration_ps", "start_ps"):
            number, expected = getattr(self, argument), "a whole number of picoseconds"
            require_type(argument, number, (int, np.integer), expected)
            if number < 0:
                raise ArgumentError(argument, format_given(number), expected)
        interval_ps, expected = self.sample_interval_ps, "picoseconds above 0, or None"
        if interval_ps is not None:
            require_type("sample_interval_ps", interval_ps, (int, float, np.number), expected)
            if not 0 < interval_ps < math.inf:
                raise ArgumentError("sample_interval_ps", format_given(interval_ps), expected)
        for line in self.lines.values():
            if not isinstance(line, Line):
                raise ArgumentError("lines", f"a mapping that holds {format_given(line)}", "Lines")
        if any(line.name != name for name, line in self.lines.items()):
            named = {name: replace(line, name=name) for name, line in self.lines.items()}
            object.__setattr__(self, "lines", named)

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


def thread_count() -> int:
    """Count the processors that this process may use, up to a limit."""
    if hasattr(os, "sched_getaffinity"):
        return min(_MAX_THREADS, len(os.sched_getaffinity(0)))
    return min(_MAX_THREADS, os.cpu_count() or 1)


@contextlib.contextmanager
def one_by_one() -> Iterator[None]:
    """Let `at_once` work on one line after the other meanwhile, with memory for one alone."""
    global _is_one_by_one  # noqa: PLW0603 - one analysis at a time fills the memory
    before, _is_one_by_one = _is_one_by_one, True
    try:
        yield
    finally:
        _is_one_by_one = before


def at_once(work: Callable[[str], Found], names: Collection[str], size: int) -> dict[str, Found]:
    """Work on every line, on threads where they hold many edges or pulses in all (`size`).

    The work on one changes nothing that the work on another looks at. What was found for each
    stands in the order of the names.

    >>> at_once(str.lower, ["RX1", "RX2"], size=500)
    {'RX1': 'rx1', 'RX2': 'rx2'}
    """
    threads = min(thread_count(), len(names))
    if size < MIN_SIZE or threads < 2 or _is_one_by_one:
        return {name: work(name) for name in names}
    from concurrent.futures import Future  # noqa: PLC0415 - not for a short recording

    found: dict[str, Future[Found]] = {name: Future() for name in names}
    left = iter(list(names))

    def take() -> None:
        for name in left:
            try:
                found[name].set_result(work(name))
            except BaseException as error:  # raised below, in the order of the names
                found[name].set_exception(error)

    # This thread takes lines as well: its memory is there already.
    others = [threading.Thread(target=take) for _ in range(threads - 1)]
    for thread in others:
        thread.start()
    take()
    for thread in others:
        thread.join()
    return {name: each.result() for name, each in found.items()}
