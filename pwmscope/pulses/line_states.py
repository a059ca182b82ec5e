"""What a line does where it carries no pulses: it is stuck at a level, or nothing drives it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_S, PS_PER_US, Line
from pwmscope.pulses.convention import LOOKED_AT, Convention, choose_convention, is_inverted
from pwmscope.pulses.decode import TrainChannel

StateKind: TypeAlias = Literal["stuck high", "stuck low", "noise"]

STUCK_S: Final = 0.25
"""A level that lasts for ten of the longest usual frames (25 ms) is stuck."""
QUIET_S: Final = 0.1
"""So long without frames, a line with edges is looked at for noise."""
MIN_EDGES: Final = 6
"""Fewer edges in a stretch without frames are glitches."""
MARGIN_S: Final = 1.0
"""So much of the recording on each side of the time span shows what frames look like."""
CALM_S: Final = 0.005
"""A glitch between two stretches of one level that last so long is looked through."""
_MAX_PULSE: Final = 2.0
"""Pulses up to so many times the accepted range may make a frame structure."""
_REGULAR: Final = 0.02
_LAGS: Final = 3
_MAX_MISSING: Final = 7
_WIDTHS_ALIKE: Final = 0.25
_MIN_FRAMES: Final = 6


@dataclass(frozen=True, slots=True)
class LineState:
    """A stretch in which a line carries no pulses."""

    kind: StateKind  # One level throughout, or edges without frames: an undriven line
    level: int | None  # The level, 0 or 1, of a stuck line; None for noise
    # From when to when, in seconds of the recording
    since_s: float
    until_s: float


def find_line_states(line: Line, start_s: float, end_s: float) -> tuple[LineState, ...]:
    """Find where a line is stuck or undriven.

    A level that lasts 0.25 s is stuck; a single glitch (of the line's convention) does
    not end it. Elsewhere edges count as noise where for 0.1 s or longer none of them
    belong to frames: at least six pulses in a row, none longer than twice the
    accepted range, whose periods return after one to three periods within 2 %.
    Own algorithm.

    Parameters
    ----------
    line : Line
        The line.
    start_s, end_s : float
        The time span that is asked about, in seconds of the recording; states are cut
        at its ends.

    Returns
    -------
    tuple of LineState
        In order, none overlapping another. Where pulses come in frames there is none,
        none where single frames are missing, and none where a sum train's frames could
        not be read.

    Examples
    --------
    >>> edges_us = np.stack([20_000.0 * np.arange(50) + 5000, 20_000.0 * np.arange(50) + 6500])
    >>> line = Line("RX1", (edges_us.T.ravel()[:-1] * PS_PER_US).astype(np.int64), 0)
    >>> find_line_states(line, 0.0, 3.0)
    (LineState(kind='stuck high', level=1, since_s=0.985, until_s=3.0),)
    """
    if end_s <= start_s:
        return ()
    if isinstance(line, TrainChannel) and line.damaged:
        damaged_s = [(d.start_s, d.end_s) for d in line.damaged]
        whole = Line(line.name, line.edges_ps, line.initial_level)
        return tuple(
            state
            for begin_s, finish_s in _between(damaged_s, start_s, end_s)
            for state in find_line_states(whole, begin_s, finish_s)
            if state.until_s - state.since_s >= STUCK_S
        )
    convention = choose_convention(line)
    inverted = is_inverted(_part(line, 0, LOOKED_AT), convention)
    near_ps = [1e12 * (start_s - MARGIN_S), 1e12 * (end_s + MARGIN_S)]
    near = np.searchsorted(line.edges_ps, near_ps)
    line = _part(line, int(near[0]), int(near[1]))
    edges_s = line.edges_ps / PS_PER_S
    stuck = _stuck(line, edges_s, convention, start_s, end_s)
    framed_s = _framed(line, convention, inverted=inverted)
    noise = [
        LineState("noise", None, since_s, until_s)
        for begin_s, finish_s in _between([(s.since_s, s.until_s) for s in stuck], start_s, end_s)
        for since_s, until_s in _noise(edges_s, framed_s, begin_s, finish_s)
    ]
    return tuple(sorted([*stuck, *noise], key=lambda state: state.since_s))


def _part(line: Line, first: int, end: int) -> Line:
    """Take some of a line's edges, by number."""
    return Line(line.name, line.edges_ps[first:end], (line.initial_level + first) % 2)


def _stuck(
    line: Line,
    edges_s: npt.NDArray[np.float64],
    convention: Convention,
    start_s: float,
    end_s: float,
) -> list[LineState]:
    """List the levels that last, looking through single glitches."""
    bounds_s = np.concatenate([[-np.inf], edges_s, [np.inf]])
    lasts_s = np.diff(bounds_s)
    glitch = np.zeros(lasts_s.size, bool)
    glitch[1:-1] = lasts_s[1:-1] < convention.glitch_us / 1e6
    glitch[1:-1] &= np.minimum(lasts_s[:-2], lasts_s[2:]) >= CALM_S
    # A glitch belongs to the level on both its sides.
    first = np.flatnonzero(np.concatenate([[True], ~(glitch[1:] | glitch[:-1])]))
    since_s = np.maximum(bounds_s[first], start_s)
    until_s = np.minimum(bounds_s[np.append(first[1:], lasts_s.size)], end_s)
    held = until_s - since_s >= min(STUCK_S, end_s - start_s)
    since_s, until_s, level = since_s[held], until_s[held], (line.initial_level + first[held]) % 2
    return [
        LineState(
            "stuck high" if level[k] else "stuck low",
            int(level[k]),
            float(since_s[k]),
            float(until_s[k]),
        )
        for k in range(level.size)
    ]


def _framed(line: Line, convention: Convention, *, inverted: bool) -> npt.NDArray[np.float64]:
    """List the leading edges that belong to frames, in seconds."""
    rise_ps, fall_ps = line.rises_ps(inverted=inverted), line.falls_ps(inverted=inverted)
    if rise_ps.size and fall_ps.size and fall_ps[0] < rise_ps[0]:
        fall_ps = fall_ps[1:]
    rise_ps = rise_ps[: fall_ps.size]
    width_us = (fall_ps - rise_ps) / PS_PER_US
    likely = width_us >= convention.glitch_us
    likely &= width_us <= _MAX_PULSE * convention.accepted_high_us
    rise_s, width_us = rise_ps[likely] / PS_PER_S, width_us[likely]
    if rise_s.size < _MIN_FRAMES:
        return np.zeros(0)
    returns = _returning(np.diff(rise_s)) & _alike(width_us)
    # Runs of periods that return, four or more of them, are frames.
    edge = np.diff(np.concatenate([[0], returns.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    long = ends - begins >= _MIN_FRAMES - 1
    cover = np.zeros(rise_s.size + 1, np.int64)
    np.add.at(cover, begins[long], 1)
    np.add.at(cover, ends[long] + 1, -1)
    return rise_s[np.cumsum(cover)[:-1] > 0]


def _returning(period_s: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Say which periods come again nearby, or hold whole ones that do."""
    returns = np.zeros(period_s.size, bool)
    for lag in range(1, min(_LAGS, period_s.size - 1) + 1):
        shorter_s = np.minimum(period_s[lag:], period_s[:-lag])
        times = np.rint(np.maximum(period_s[lag:], period_s[:-lag]) / shorter_s)
        off_s = np.abs(np.maximum(period_s[lag:], period_s[:-lag]) - times * shorter_s)
        alike = (off_s <= _REGULAR * shorter_s) & (times <= _MAX_MISSING + 1)
        returns[lag:] |= alike
        returns[:-lag] |= alike
    return returns


def _alike(width_us: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Say for each two pulses in a row whether their widths are near each other."""
    wider_us = np.maximum(width_us[1:], width_us[:-1])
    near: npt.NDArray[np.bool_] = np.abs(np.diff(width_us)) <= _WIDTHS_ALIKE * wider_us
    return near


def _between(
    taken_s: list[tuple[float, float]], start_s: float, end_s: float
) -> list[tuple[float, float]]:
    """List what is left of a time span beside what is taken, in order."""
    begins = [start_s, *(max(until_s, start_s) for _, until_s in taken_s)]
    finishes = [*(min(since_s, end_s) for since_s, _ in taken_s), end_s]
    pairs = zip(begins, finishes, strict=True)
    return [(begin_s, finish_s) for begin_s, finish_s in pairs if begin_s < finish_s]


def _noise(
    edges_s: npt.NDArray[np.float64],
    framed_s: npt.NDArray[np.float64],
    begin_s: float,
    finish_s: float,
) -> list[tuple[float, float]]:
    """List the stretches of edges without frames between two instants."""
    inside = framed_s[np.searchsorted(framed_s, begin_s) : np.searchsorted(framed_s, finish_s)]
    cuts_s = np.concatenate([[begin_s], inside, [finish_s]])
    at = np.searchsorted(edges_s, cuts_s)
    # The edges that a frame's own pulse begins and ends with are not noise.
    first = at[:-1] + np.where(np.arange(at.size - 1) > 0, 2, 0)
    last = at[1:] - 1
    lonely = (np.diff(cuts_s) >= QUIET_S) & (last - first + 1 >= MIN_EDGES)
    found: list[tuple[float, float]] = []
    for k in np.flatnonzero(lonely):
        since_s, until_s = float(edges_s[first[k]]), float(edges_s[last[k]])
        if found and since_s - found[-1][1] < QUIET_S:  # a few edges alike by chance
            since_s, _ = found.pop()
        found.append((since_s, until_s))
    return found
