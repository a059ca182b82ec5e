"""Pulses as they come: widths, rates and states of each line, and what happens at a loss.

States and times only, never a verdict. Times are seconds since the first row, as everywhere.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from typing import Final

import numpy as np

from pwmscope.model import FloatArray
from pwmscope.pulses.convention import STANDARD_SERVO, Convention, accepted

QUIET_S: Final = 0.2
QUIET_FRAMES: Final = 5
"""A line without pulses for longer than both has gone quiet, as in the failsafe check."""
STEP: Final = 0.04
"""A width farther from where it was than this part of the span has gone elsewhere."""
SETTLED: Final = 3
"""So many frames alike have settled."""
KEEPS_S: Final = 1.0
"""An output that is where it was so long after the loss is told to keep its width."""
_LOOKED_AT: Final = 9
_POLARITY_EDGES: Final = 12


class Happening(StrEnum):
    """What happens live."""

    LOST = "signal lost"
    BACK = "back"
    QUIET = "pulses stop"
    PULSING = "pulses again"
    GOES = "goes to"
    KEEPS = "keeps"
    STANDS = "commanded to stand still"
    MOVES = "leaves its stop range"


@dataclass(frozen=True, slots=True)
class LiveEvent:
    """Something that happened."""

    what: Happening  # What
    time_s: float  # When, in seconds since the first row
    line: str = ""  # On which line; empty where it concerns all
    width_us: float | None = None  # The width with which it happened
    after_s: float | None = None  # How long after the loss


@dataclass(frozen=True, slots=True)
class LineNow:
    """A line as it is now."""

    line: str
    width_us: float | None  # Mean of the last frames; None without pulses
    rate_hz: float | None
    is_quiet: bool


@dataclass(slots=True)
class _LiveLine:
    """One line's pulses as they come."""

    name: str
    stop_us: tuple[float, float] | None
    convention: Convention
    pulse_level: int | None = None  # Not known before some edges
    waiting_s: FloatArray = field(default_factory=lambda: np.zeros(0))  # Edges until then
    begun_s: float | None = None  # Of a pulse whose end has not come
    end_s: float = -math.inf  # Of the last pulse
    rises_s: deque[float] = field(default_factory=lambda: deque(maxlen=_LOOKED_AT))
    widths_us: deque[float] = field(default_factory=lambda: deque(maxlen=_LOOKED_AT))
    is_quiet: bool = True
    before_us: float | None = None  # Before the loss
    is_told: bool = False  # Whether what it does at this loss was told
    stands: bool = False

    def feed(self, edges_s: FloatArray, level: int) -> Iterator[tuple[float, float]]:
        """Take edges and the level after them; give the pulses that ended, rise and width."""
        if self.pulse_level is None:
            edges_s = self.waiting_s = np.concatenate([self.waiting_s, edges_s])
            if edges_s.size < _POLARITY_EDGES:
                return
            self.pulse_level = self._find_pulse_level(edges_s, level)
            self.waiting_s = self.waiting_s[:0].copy()
        if not edges_s.size:
            return
        starts_in_pulse = level ^ (edges_s.size & 1) == self.pulse_level
        if self.begun_s is not None:
            edges_s = np.concatenate([[self.begun_s], edges_s])
        elif starts_in_pulse:
            edges_s = edges_s[1:]
        pairs = edges_s[: edges_s.size // 2 * 2].reshape(-1, 2)
        self.begun_s = float(edges_s[-1]) if edges_s.size % 2 else None
        widths_us = 1e6 * (pairs[:, 1] - pairs[:, 0])
        taken = accepted(widths_us, self.convention)
        yield from zip(pairs[taken, 0].tolist(), widths_us[taken].tolist(), strict=True)

    def _find_pulse_level(self, edges_s: FloatArray, level: int) -> int:
        """Take the level at which most stretches are as long as a servo pulse."""
        fits = accepted(1e6 * np.diff(edges_s), self.convention)
        of_first = level ^ ((edges_s.size - 1) & 1)  # the level of the first stretch
        return of_first if fits[::2].sum() >= fits[1::2].sum() else of_first ^ 1

    def note(self, rise_s: float, width_us: float) -> None:
        """Take note of a pulse."""
        self.end_s = rise_s + width_us / 1e6
        self.rises_s.append(rise_s)
        self.widths_us.append(width_us)

    @property
    def period_s(self) -> float:
        """Median of the last frame periods."""
        rises_s = list(self.rises_s)
        periods_s = (after - before for before, after in itertools.pairwise(rises_s))
        known = sorted(period_s for period_s in periods_s if period_s < QUIET_S)
        return known[len(known) // 2] if known else self.convention.period_us / 1e6

    @property
    def quiet_s(self) -> float:
        """How long no pulse may come before the line is quiet."""
        return max(QUIET_S, QUIET_FRAMES * self.period_s)

    def recent_us(self, count: int = SETTLED) -> list[float]:
        """Give the last widths."""
        return list(self.widths_us)[-count:]


class LivePulses:
    """The lines of a recording that is still being made.

    Parameters
    ----------
    marker : str, optional
        The line that shows whether the transmitter is on. Without it a loss is told where
        frames are missing, and an output that holds its width cannot be seen.
    marker_on : int, optional
        Its level while on; by default the one at the start.
    stops_us : mapping of str to tuple of float, optional
        The stop range of each device.
    convention : Convention, optional
        What the widths are held against.
    """

    def __init__(
        self,
        *,
        marker: str = "",
        marker_on: int | None = None,
        stops_us: Mapping[str, tuple[float, float]] | None = None,
        convention: Convention = STANDARD_SERVO,
    ) -> None:
        self._marker, self._on = marker, marker_on
        self._stops, self._convention = stops_us or {}, convention
        self._lines: dict[str, _LiveLine] = {}
        self.lost_s: float | None = None
        self.now_s = 0.0

    def feed(
        self, edges_s: Mapping[str, FloatArray], levels: Mapping[str, int], now_s: float
    ) -> list[LiveEvent]:
        """Take the edges that came, each line's level after them, and the time now.

        Returns
        -------
        list of LiveEvent
            What happened, in order of time.
        """
        self.now_s = max(self.now_s, now_s)
        events: list[LiveEvent] = []
        order: list[tuple[float, int, Callable[[], Iterator[LiveEvent]]]] = []
        for name, edges in edges_s.items():
            if name == self._marker:
                continue
            line = self._lines.get(name)
            if line is None:
                stop_us = self._stops.get(name)
                line = self._lines[name] = _LiveLine(name, stop_us, self._convention)
            for rise_s, width_us in line.feed(edges, levels[name]):
                end_s = rise_s + width_us / 1e6
                order.append((end_s, 1, partial(self._pulsed, line, rise_s, width_us)))
        for at_s, is_on in self._marks(edges_s, levels):
            order.append((at_s, 0, partial(self._marked, at_s, is_on=is_on)))
        for at_s, _, happens in sorted(order, key=lambda each: each[:2]):
            events += self._quieted(at_s)
            events += happens()
        events += self._quieted(self.now_s)
        events += self._kept(self.now_s)
        return events

    def lines_now(self) -> tuple[LineNow, ...]:
        """Tell each line's width, rate and state."""
        return tuple(
            LineNow(
                line.name,
                None if line.is_quiet or not line.widths_us else float(np.mean(line.recent_us(5))),
                None if line.is_quiet or len(line.rises_s) < SETTLED else 1.0 / line.period_s,
                line.is_quiet,
            )
            for line in self._lines.values()
        )

    def _marks(
        self, edges_s: Mapping[str, FloatArray], levels: Mapping[str, int]
    ) -> Iterator[tuple[float, bool]]:
        if self._marker not in edges_s:
            return
        edges, level = edges_s[self._marker], levels[self._marker]
        if self._on is None:
            self._on = level ^ (edges.size & 1)
        for number, at_s in enumerate(edges.tolist()):
            now = level ^ ((edges.size - 1 - number) & 1)
            yield at_s, now == self._on

    def _marked(self, at_s: float, *, is_on: bool) -> Iterator[LiveEvent]:
        if is_on and self.lost_s is not None:
            yield from self._returned(at_s)
        elif not is_on and self.lost_s is None:
            yield from self._lost(at_s)

    def _lost(self, at_s: float) -> Iterator[LiveEvent]:
        self.lost_s = at_s
        for line in self._lines.values():
            recent = line.recent_us()
            line.before_us = sorted(recent)[len(recent) // 2] if recent else None
            if line.is_quiet:
                line.before_us = None
            line.is_told = False
            line.stands = line.before_us is not None and _holds(line.stop_us, line.before_us)
        yield LiveEvent(Happening.LOST, at_s)

    def _returned(self, at_s: float) -> Iterator[LiveEvent]:
        after_s = None if self.lost_s is None else at_s - self.lost_s
        self.lost_s = None
        yield LiveEvent(Happening.BACK, at_s, after_s=after_s)

    def _pulsed(self, line: _LiveLine, rise_s: float, width_us: float) -> Iterator[LiveEvent]:
        was_quiet, had_pulsed = line.is_quiet, bool(line.rises_s)
        line.note(rise_s, width_us)
        line.is_quiet = False
        if was_quiet and had_pulsed:
            yield LiveEvent(Happening.PULSING, rise_s, line.name, width_us, self._after(rise_s))
            if not self._marker and self.lost_s is not None:
                yield from self._returned(rise_s)
        if self.lost_s is None or not self._marker or line.before_us is None:
            return
        if line.stop_us is not None and _holds(line.stop_us, width_us) is not line.stands:
            line.stands = line.is_told = not line.stands
            what = Happening.STANDS if line.stands else Happening.MOVES
            yield LiveEvent(what, rise_s, line.name, width_us, self._after(rise_s))
        recent = line.recent_us()
        step_us = STEP * line.convention.span_us
        is_settled = len(recent) == SETTLED and max(recent) - min(recent) < step_us
        if not line.is_told and is_settled and abs(width_us - line.before_us) > step_us:
            line.is_told = True
            at_s = line.rises_s[-SETTLED]
            yield LiveEvent(Happening.GOES, at_s, line.name, width_us, self._after(at_s))

    def _quieted(self, now_s: float) -> Iterator[LiveEvent]:
        """Tell lines on which frames are missing."""
        for line in self._lines.values():
            if line.is_quiet or now_s - line.end_s <= QUIET_S or now_s - line.end_s <= line.quiet_s:
                continue
            line.is_quiet, line.is_told = True, True
            if not self._marker and self.lost_s is None:
                yield from self._lost(line.end_s)
            after_s = self._after(line.end_s) if self._marker else None
            yield LiveEvent(Happening.QUIET, line.end_s, line.name, after_s=after_s)

    def _kept(self, now_s: float) -> Iterator[LiveEvent]:
        """Tell outputs that are where they were, some time after a marked loss."""
        if self.lost_s is None or not self._marker or now_s - self.lost_s < KEEPS_S:
            return
        for line in self._lines.values():
            if not line.is_told and line.before_us is not None:
                line.is_told = True
                width_us = line.recent_us(1)[0]
                yield LiveEvent(Happening.KEEPS, now_s, line.name, width_us, self._after(now_s))

    def _after(self, at_s: float) -> float | None:
        return None if self.lost_s is None else at_s - self.lost_s


def _holds(stop_us: tuple[float, float] | None, width_us: float) -> bool:
    return stop_us is not None and stop_us[0] <= width_us <= stop_us[1]
