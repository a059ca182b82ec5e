"""Every line at every loss: what it did, held against what is expected of it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.failsafe.case import Case, Setting
from pwmscope.findings.failsafe.event import LossEvent, Recovery
from pwmscope.findings.failsafe.expectation import Expectation
from pwmscope.findings.failsafe.inferred import Output
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.recovery import count_odd, jump_us, recovered_s
from pwmscope.findings.failsafe.response import LossClass, Response, respond
from pwmscope.findings.failsafe.rest import find_rest
from pwmscope.findings.failsafe.stop_time import StopTimes, find_stop_times
from pwmscope.findings.failsafe.stretches import Kind, find_stretches
from pwmscope.findings.failsafe.verdict import judge_loss
from pwmscope.model.spans import Span, inside
from pwmscope.model.uncertainty import CLOCK_TOLERANCE

AT_ONCE_S: Final = 0.1
"""Pauses that begin within so long of one another are one failure's."""


@dataclass(frozen=True, slots=True)
class Watched:
    """One line with what it did at each of its losses.

    Parameters
    ----------
    output : Output
        The line.
    expected : Expectation
        What is expected of it.
    losses : tuple of Loss
        The losses that concern it, in order of time.
    places : tuple of int
        Their places among all losses.
    responses : tuple of Response
        What it did at each.
    range_us : float
        Widths that differ by less are one level.
    """

    output: Output
    expected: Expectation
    losses: tuple[Loss, ...]
    places: tuple[int, ...]
    responses: tuple[Response, ...]
    range_us: float


def watch(
    output: Output, expected: Expectation, losses: tuple[Loss, ...], start_s: float, end_s: float
) -> Watched:
    """Say what one line did at each loss, by itself.

    Parameters
    ----------
    output : Output
        The line, its dwells broken at each loss and each return.
    expected : Expectation
        What is expected of it.
    losses : tuple of Loss
        All losses of the recording.
    start_s, end_s : float
        Start and end of the capture.

    Returns
    -------
    Watched
    """
    places = tuple([k for k, loss in enumerate(losses) if output.table.line in loss.lines])
    own = tuple([losses[k] for k in places])
    stretches = find_stretches(output.table, output.usual_us, own, start_s, end_s)
    spans = tuple([Span(loss.lost_s, loss.back_s) for loss in own])
    following = output.dwells.select(~inside(spans, output.dwells.start_s))
    rest = find_rest(following, output.table.convention, expected.band)
    range_us = stretches.tolerance.range_us
    responses = tuple(
        [respond(loss, k, rest, range_us) for loss, k in zip(own, stretches.around, strict=True)]
    )
    return Watched(output, expected, own, places, responses, range_us)


def events_of(
    watched: Mapping[str, Watched], losses: Sequence[Loss], limit_s: float, end_s: float
) -> dict[str, tuple[LossEvent, ...]]:
    """Hold what every line did at each loss against what is expected, all lines together.

    Parameters
    ----------
    watched : mapping of str to Watched
        The lines.
    losses : sequence of Loss
        All losses of the recording.
    limit_s : float
        The failsafe limit.
    end_s : float
        End of the capture.

    Returns
    -------
    dict of str to tuple of LossEvent
        By line, in order of time.
    """
    own: list[list[Response]] = [[] for _ in losses]
    for line in watched.values():
        for place, response in zip(line.places, line.responses, strict=True):
            own[place].append(response)
    together = [tuple(responses) for responses in own]
    restarted = [_looks_restarted(*pair) for pair in zip(losses, together, strict=True)]
    return {
        name: tuple(_events(line, together, restarted, limit_s, end_s))
        for name, line in watched.items()
    }


def _looks_restarted(loss: Loss, together: tuple[Response, ...]) -> bool:
    """Say whether lines went quiet at once and came back before the link did.

    Two of several lines are enough: a pause too short to be quiet hides on the others.
    """
    paused_s = sorted(
        next(
            (s.start_s for s in own.during if s.kind is Kind.QUIET and s.end_s < loss.back_s),
            math.inf,
        )
        for own in together
    )
    if len(paused_s) < 2:
        return bool(paused_s) and math.isfinite(paused_s[0])
    return any(after - before <= AT_ONCE_S for before, after in itertools.pairwise(paused_s))


def _events(
    line: Watched,
    together: list[tuple[Response, ...]],
    restarted: list[bool],
    limit_s: float,
    end_s: float,
) -> list[LossEvent]:
    setting = _setting(line, limit_s, end_s)
    times = _stop_times(line, end_s)
    back_s = [recovered_s(response, end_s) for response in line.responses]
    until_s = np.array(
        [back or loss.back_s for back, loss in zip(back_s, line.losses, strict=True)]
    )
    lost_s = np.array([loss.lost_s for loss in line.losses])
    odd, outside = count_odd(line.output.table, lost_s, until_s)
    columns = (times.stopped_s, times.last_outside_s, times.before_us, times.was_outside, odd,
               outside)  # fmt: skip
    interval_us = line.output.table.sample_interval_us
    events = []
    for loss, response, place, recovered, *figures in zip(
        line.losses, line.responses, line.places, back_s, *(c.tolist() for c in columns),
        strict=True,
    ):  # fmt: skip
        stopped_s, last_outside_s, before_us, was_outside, glitches, beyond = figures
        if response.behaviour is LossClass.PULSES_STOP and stopped_s < math.inf:
            # What the pulses were before depends on the stick; that they stop does not.
            stopped_s = max(stopped_s, response.during[-1].start_s)
        error_s = None
        if interval_us is not None:
            error_s = interval_us / 1e6 + CLOCK_TOLERANCE * (loss.back_s - loss.earliest_s)
        case = Case(
            loss, response, setting, error_s, stopped_s, last_outside_s, before_us, was_outside,
            together[place], restarted[place],
        )  # fmt: skip
        relink_s = None
        if loss.is_marked and loss.came_back and recovered is not None:
            relink_s = max(0.0, recovered - loss.back_s)
        jump = jump_us(loss, response, line.expected, setting.span_us)
        recovery = Recovery(relink_s, jump, glitches, beyond)
        events.append(LossEvent(case, *judge_loss(case), recovered, recovery))
    return events


def _setting(line: Watched, limit_s: float, end_s: float) -> Setting:
    delays_s: dict[LossClass, list[float]] = {
        LossClass.PULSES_STOP: [],
        LossClass.GOES_TO_PRESET: [],
    }
    for loss, response in zip(line.losses, line.responses, strict=True):
        if loss.is_marked and response.behaviour in delays_s:
            delays_s[response.behaviour].append(response.during[-1].start_s - loss.lost_s)
    return Setting(
        line.expected,
        limit_s,
        line.output.usual_us / 1e6,
        line.output.table.convention.span_us,
        line.range_us,
        tuple(delays_s[LossClass.PULSES_STOP]),
        tuple(delays_s[LossClass.GOES_TO_PRESET]),
        end_s,
    )


def _stop_times(line: Watched, end_s: float) -> StopTimes:
    band, count = line.expected.band, len(line.losses)
    if band is None or not count:
        nan = np.full(count, np.nan)
        return StopTimes(nan, nan, nan, np.zeros(count, dtype=bool))
    return find_stop_times(
        line.output.table,
        line.output.usual_us,
        line.losses,
        band,
        no_pulses_stop=line.expected.no_pulses_stop,
        end_s=end_s,
    )
