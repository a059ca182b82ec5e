"""One line by itself: what it did at each of its losses, and where its stick may have put it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.capture import PS_PER_S, Capture, Line
from pwmscope.errors import Reason
from pwmscope.findings.failsafe.losses import JUMP, STEP_FRAMES, Loss, Output
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import (
    ChangeKind,
    LossClass,
    Response,
    Scale,
    find_rest,
    regular_foreign,
    respond,
)
from pwmscope.findings.failsafe.segments import RANGE_LIMIT, find_stretches
from pwmscope.model import BoolArray, FloatArray, Span, inside
from pwmscope.pulses import PulseTable, find_line_states

MIN_BEYOND: Final = 10
"""So many pulses beyond what servos take are a command."""
NOISE_PART: Final = 0.5
"""Noise for so much of a loss is what the line does in it."""
NOISE_PER_S: Final = 10.0
"""Edges a second, and more, on a line without servo pulses are those of an undriven line."""
STUCK_PART: Final = 0.5
"""A level of pulses for more than this part of a silence is stuck."""
LONG_LEVEL_S: Final = 0.005
"""And for longer than this it is no pulse: neither a command nor none is known."""


@dataclass(frozen=True, slots=True)
class Watched:
    """One line with what it did at each of its losses."""

    output: Output  # The line
    expected: Expectation  # What is expected of it
    losses: tuple[Loss, ...]  # The losses that concern it, in order of time
    places: tuple[int, ...]  # Their places among all losses
    responses: tuple[Response, ...]  # What it did at each
    range_us: float  # Widths that differ by less are one level
    # Until then its widths are its receiver's own: the link was not there
    linked_s: float = -math.inf

    @property
    def at_losses(self) -> Iterator[tuple[int, Response]]:
        """What it did at each, beside its place among all losses."""
        return zip(self.places, self.responses, strict=True)

    @property
    def frame_s(self) -> float:
        """Its usual frame period."""
        return self.output.usual_us / 1e6

    @property
    def span_us(self) -> float:
        """The span of its convention."""
        return self.output.table.convention.span_us

    @property
    def interval_us(self) -> float:
        """Its sample interval; 0 where that is not known."""
        return self.output.table.sample_interval_us or 0.0

    @property
    def noise_us(self) -> float:
        """Standard deviation of its widths, as far as they are one level."""
        return (self.range_us - self.interval_us) / RANGE_LIMIT

    def widths_us(self, begin_s: float, end_s: float) -> FloatArray:
        """Take its widths in a time span."""
        table = self.output.table
        rows = slice(*np.searchsorted(table.rise_s, (begin_s, end_s)))
        return table.width_us[rows][table.measured[rows]]


def watch_line(
    output: Output,
    expected: Expectation,
    losses: tuple[Loss, ...],
    capture: Capture,
    off_until_s: float,
) -> Watched:
    """Say what one line did at each loss, by itself.

    Until ``off_until_s`` the transmitter was off, before it first came on.
    """
    table = output.table
    places = tuple([k for k, loss in enumerate(losses) if table.line in loss.lines])
    own = tuple([losses[k] for k in places])
    stretches = find_stretches(table, output.usual_us, own, capture.start_s, capture.end_s)
    spans = tuple([Span(loss.seen_from_s, max(loss.back_s, loss.seen_from_s)) for loss in own])
    following = output.dwells.select(~inside(spans, output.dwells.start_s))
    rest = find_rest(following, table.convention, expected.band)
    range_us = stretches.tolerance.range_us
    scale = Scale(output.usual_us / 1e6, range_us, JUMP * table.convention.span_us)
    responses = tuple(
        [
            respond(loss, around, rest, scale)
            for loss, around in zip(own, stretches.around, strict=True)
        ]
    )
    if expected.band is not None:
        responses = tuple([_with_departures(own, expected.band) for own in responses])
    line = capture.lines.get(table.line)
    if line is not None:
        responses = _with_states(responses, own, table, line)
    linked_s = _linked_s(output, off_until_s, range_us)
    return Watched(output, expected, own, places, responses, range_us, linked_s)


def _linked_s(output: Output, off_until_s: float, range_us: float) -> float:
    """Say until when a line's widths are its receiver's own, before the first link.

    A width that goes on after the transmitter came on is, too, where it ends in a step: the link
    came then. What a hand leaves smoothly may have been its stick's before.
    """
    dwells, slack_s = output.dwells, STEP_FRAMES * output.usual_us / 1e6
    place = int(np.searchsorted(dwells.start_s, off_until_s)) - 1
    if place < 0 or dwells.end_s[place] < off_until_s - slack_s:
        return off_until_s
    follows = dwells.start_s[place + 1 :] - dwells.end_s[place:-1] <= slack_s
    stands = np.abs(dwells.level_us[place + 1 :] - dwells.level_us[place]) <= range_us
    ended = np.flatnonzero(~(follows & stands))
    is_step = bool(ended.size and follows[ended[0]])
    return max(off_until_s, float(dwells.end_s[place + ended[0]])) if is_step else off_until_s


def _with_departures(response: Response, band: StopBand) -> Response:
    """Leave out changes that end in the stop range before one that does not: none is the return."""
    first = next(
        (
            m
            for m, change in enumerate(response.departures)
            if change.kind not in _WITHIN or not band.holds(change.to_us)
        ),
        len(response.departures),
    )
    arrivals, departures = response.departures[:first], response.departures[first:]
    return replace(response, departures=departures, arrivals=arrivals)


_RESTLESS: Final = (LossClass.WANDERS, LossClass.KEEPS_FOLLOWING, None)
_WITHIN: Final = (ChangeKind.JUMP, ChangeKind.MOVE)


def _with_states(
    responses: tuple[Response, ...], losses: tuple[Loss, ...], table: PulseTable, line: Line
) -> tuple[Response, ...]:
    """Tell a line without pulses that is stuck at their level, or that nothing drives."""
    told = list(responses)
    restless = [k for k, own in enumerate(responses) if own.behaviour in _RESTLESS]
    if restless:
        begin_s, end_s = losses[restless[0]].lost_s, losses[restless[-1]].back_s
        noises = [s for s in find_line_states(line, begin_s, end_s) if s.kind == "noise"]
        for k in restless:
            noise_s = sum(
                max(0.0, min(s.until_s, losses[k].back_s) - max(s.since_s, losses[k].lost_s))
                for s in noises
            )
            if noise_s >= NOISE_PART * (losses[k].back_s - losses[k].lost_s):
                told[k] = replace(
                    responses[k], behaviour=LossClass.NOISE, moved_until_s=None, level_us=None
                )
    quiet = [k for k, own in enumerate(responses) if own.behaviour is LossClass.PULSES_STOP]
    if not quiet:
        return tuple(told)
    edges_s = line.edges_ps / PS_PER_S
    active, beyond = 1 - int(table.inverted), regular_foreign(table)
    for k in quiet:
        final = responses[k].during[-1]
        end_s = max(min(final.end_s, losses[k].back_s), final.start_s)
        low, high = np.searchsorted(edges_s, (final.start_s, end_s))
        lasted_s = end_s - final.start_s
        level = line.initial_level ^ (int(low) & 1)
        beyond_us = _beyond_us(table, beyond, final.start_s, end_s)
        if beyond_us is not None:
            told[k] = replace(responses[k], behaviour=LossClass.GOES_TO_PRESET, level_us=beyond_us)
            continue
        if high - low > max(6.0, NOISE_PER_S * lasted_s):
            told[k] = replace(responses[k], behaviour=LossClass.NOISE)
            continue
        bounds_s = np.concatenate([[final.start_s], edges_s[low:high], [end_s]])
        stays_s = np.diff(bounds_s)[int(level != active) :: 2]
        longest_s = float(stays_s.max(initial=0.0))
        if longest_s > max(STUCK_PART * lasted_s, table.convention.high_us / 1e6):
            state = LossClass.STUCK_HIGH if active else LossClass.STUCK_LOW
            told[k] = replace(responses[k], behaviour=state)
        elif longest_s > LONG_LEVEL_S:
            why_not = Reason(
                f"After its last pulse the line stood at its pulses' level for "
                f"{1e3 * longest_s:.0f} ms, then went quiet. A line that is stuck, and whose plug "
                "or probe comes off, looks the same.",
                "Check the wire.",
            )
            told[k] = replace(responses[k], behaviour=None, why_not=why_not)
    return tuple(told)


def _beyond_us(table: PulseTable, beyond: BoolArray, start_s: float, end_s: float) -> float | None:
    """Return the width of regular pulses beyond what servos take; None where there are few."""
    rows = slice(*np.searchsorted(table.rise_s, (start_s, end_s)))
    width_us = table.width_us[rows][beyond[rows]]
    return float(np.median(width_us)) if width_us.size >= MIN_BEYOND else None
