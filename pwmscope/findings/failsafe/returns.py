"""When the link was back, as the outputs show, and where they ran before it was."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import MAX_LATE_S
from pwmscope.findings.failsafe.coincidence import SLACK_FRAMES
from pwmscope.findings.failsafe.losses import JUMP, SAME, STAYS, STEP_US, Known, Loss, Output
from pwmscope.findings.failsafe.response import (
    LINK_S,
    Change,
    ChangeKind,
    Response,
    Scale,
    changes_of,
)
from pwmscope.findings.failsafe.segments import Kind, Stretch, find_stretches
from pwmscope.findings.failsafe.watched import Watched

SUDDEN: Final = 0.25
"""No stick gets further than this part of the span in a frame (common practice, from memory)."""
TWO_FRAMES: Final = 1.5
"""A jump that took longer than this many frame periods had pulses on its way."""
EXACT: Final = 0.01
"""A stick that was held is found within this part of the span, where nothing else is near it."""
MIN_LINES: Final = 2
"""So many lines must be back at once where the sticks were before the loss."""


def with_returns(
    outputs: Mapping[str, Output], losses: tuple[Loss, ...], start_s: float, end_s: float
) -> tuple[Loss, ...]:
    """Find out when stated losses were over; others are known already."""
    if not outputs or not any(loss.moment.known is Known.STATED for loss in losses):
        return losses
    around: dict[str, tuple[tuple[Stretch, ...], ...]] = {}
    same_us: dict[str, float] = {}
    scales: dict[str, Scale] = {}
    frame_s = max(output.usual_us for output in outputs.values()) / 1e6
    for name, output in outputs.items():
        found = find_stretches(output.table, output.usual_us, losses, start_s, end_s)
        around[name] = found.around
        span_us, range_us = output.table.convention.span_us, found.tolerance.range_us
        scales[name] = Scale(frame_s, range_us, JUMP * span_us)
        same_us[name] = max(2.0 * range_us, SAME * span_us)
    told = []
    for k, loss in enumerate(losses):
        own = {name: _from(loss, stretches[k]) for name, stretches in around.items()}
        told.append(with_return(loss, own, frame_s, scales, same_us))
    return tuple(told)


def _from(loss: Loss, stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Begin with the stretch at the earliest moment of the loss, and end where it may."""
    begin = max((i for i, s in enumerate(stretches) if s.start_s <= loss.earliest_s), default=0)
    return tuple(s for s in stretches[begin:] if s.start_s < loss.back_s)


def with_return(
    loss: Loss,
    around: Mapping[str, tuple[Stretch, ...]],
    frame_s: float,
    scales: Mapping[str, Scale],
    same_us: Mapping[str, float],
) -> Loss:
    """Find out when a stated loss was over, and whether the outputs contradict it.

    The link is back when two lines go back, in one frame, to where their sticks had been
    before; of a lone line, when it does so. Failing that, the first smooth movement
    shows that it was back by then, but not since when.
    """
    changes = {name: changes_of(own, scales[name]) if own else [] for name, own in around.items()}
    doubt = _doubt(loss, around)
    backs = sorted(
        (
            change
            for name, own in changes.items()
            for change in _back_where_it_was(around[name], own, same_us[name])
        ),
        key=lambda change: change.by_s,
    )
    needed = min(MIN_LINES, len(around))
    shown_s = _joint(backs, needed, SLACK_FRAMES * frame_s)
    begins_s = [
        c.by_s
        for own in changes.values()
        for c in own
        if c.kind is ChangeKind.MOVE and c.by_s > loss.latest_s + LINK_S
    ]
    moved_s = min(begins_s, default=math.inf)
    first_s = shown_s if math.isfinite(shown_s) else moved_s
    if not math.isfinite(first_s):
        return replace(loss, doubt=doubt)
    # The link was back at some time in the frame before the first output that shows it.
    over_s = max(first_s - frame_s, loss.latest_s)
    shown = math.isfinite(shown_s)
    return replace(loss, back_s=over_s, came_back=True, is_return_shown=shown, doubt=doubt)


def _back_where_it_was(
    stretches: tuple[Stretch, ...], changes: list[Change], same_us: float
) -> list[Change]:
    """List the jumps, or first pulses, back to where the output stood before it changed."""
    if not stretches or stretches[0].kind is Kind.QUIET:
        return []
    first = stretches[0]
    was_us = first.level_us if first.kind is Kind.STANDS else first.last_us
    ended = (ChangeKind.JUMP, ChangeKind.START)
    return [
        change
        for change in changes[1:]
        if change.kind in ended and abs(change.to_us - was_us) <= same_us
    ]


def _joint(backs: list[Change], needed: int, slack_s: float) -> float:
    """Return when so many of some changes came together first; infinity if never."""
    for change in backs:
        together = sum(
            other.after_s <= change.by_s + slack_s and change.after_s <= other.by_s + slack_s
            for other in backs
        )
        if together >= needed:
            return change.by_s
    return math.inf


def _doubt(loss: Loss, around: Mapping[str, tuple[Stretch, ...]]) -> str:
    """Say which line still followed a stick after the stated time; empty where none did."""
    for name, own in around.items():
        for stretch in own:
            if stretch.kind is Kind.QUIET or stretch.start_s > loss.latest_s + LINK_S:
                break
            if stretch.kind is Kind.MOVES and loss.latest_s + LINK_S < stretch.end_s < loss.back_s:
                return (
                    f"Line {name} still moved smoothly until {stretch.end_s:.3f} s, after the "
                    f"stated {loss.lost_s:g} s. The link was not lost then. State the right time, "
                    "or mark it with a line (`off_line`)."
                )
    return ""


@dataclass(frozen=True, slots=True)
class Leap:
    """A width outside the stop range that an output left again before the link was back."""

    at_s: float  # When it went there
    # Widths before and after; the first is NaN where there were no pulses
    from_us: float
    to_us: float


@dataclass(frozen=True, slots=True)
class LinkSeen:
    """What the other lines show about the return of the link after one loss."""

    linked_s: float  # When two sticks' lines returned together; infinity where they did not
    any_s: float  # The same, or when lines' pulses began again together
    moves_s: float  # When a stick was first seen to be followed; infinity where none was
    window_s: float  # Up to when the outputs are looked at
    returned: bool  # Whether this line returned together with another
    earliest_s: float = -math.inf  # The earliest moment of the loss
    left_with_leap: bool = False  # Whether what changed in its frame leapt, so that no link did it
    again_s: float = math.inf  # When a later leap shows that the link came then; else infinity


def find_leaps(line: Watched, response: Response, seen: LinkSeen) -> tuple[Leap, ...]:
    """List the widths outside the stop range that an output took before the link was back.

    It left before two others returned together, or it changed again before any stick was
    followed, and had not gone back to where its own stick was. Or what outputs of its receiver did
    later, before that, shows that the link came then.
    """
    departures = response.departures
    if not departures or departures[0].kind is ChangeKind.MOVE:
        return ()
    passed = _pulses_beyond(line, departures[0])
    if passed is not None:
        return (passed,)
    early = [c for c in departures if c.by_s <= seen.moves_s and c.kind is not ChangeKind.MOVE]
    before: list[Change] = []
    if not seen.returned and math.isfinite(seen.linked_s):
        slack_s = SLACK_FRAMES * line.frame_s
        before = [c for c in early if c.by_s < seen.linked_s - slack_s]
    went_back = bool(early) and is_where_it_was(line, response, early[0], seen.earliest_s)
    if early and not before:
        # Only the link makes outputs leap so: it came then, and not before.
        before_s = early[0].by_s + line.frame_s
        came = before_s < seen.again_s < math.inf and seen.again_s <= seen.moves_s
        is_left_again = seen.left_with_leap or came
        is_left_again |= _steps_nearer(line, response, seen) or (
            not went_back
            and (len(early) > 1 or _jumps_off(line, response) or _jumps_back(line, response, seen))
        )
        before = early[:1] if is_left_again else []
    band = line.expected.band
    return tuple(
        Leap(c.by_s, c.from_us, c.to_us)
        for c in before
        if c.kind is not ChangeKind.STOP and not (band is not None and band.holds(c.to_us))
    )


def left_before_s(line: Watched, loss: Loss) -> float:
    """When a line jumped, at the earliest before a marked loss, to where it stood until its return.

    NaN where it did not, or did not go back at once to where it had been: that was no loss.
    """
    if not loss.is_marked:
        return math.nan
    table = line.output.table
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    latest_s = loss.earliest_s - 2.0 * line.frame_s
    begin, end = np.searchsorted(rise_s, (latest_s - MAX_LATE_S, latest_s))
    level_us = np.median(width_us[end : end + STAYS]) if end < rise_s.size else math.nan
    same_us = max(2.0 * line.range_us, JUMP * line.span_us)
    off = np.abs(width_us - level_us) > same_us
    before, after = np.flatnonzero(off[begin:end]), np.flatnonzero(off[end:])
    if not before.size or not after.size:
        return math.nan
    at, back = begin + int(before[-1]) + 1, end + int(after[0])
    was_us, then_us = width_us[max(at - STAYS, 0) : at], width_us[back : back + STAYS]
    if rise_s[back] < loss.back_s or np.ptp(was_us) > same_us or np.ptp(then_us) > same_us:
        return math.nan
    went_back = abs(np.median(was_us) - np.median(then_us)) <= SAME * line.span_us
    return float(rise_s[at]) if went_back else math.nan


def steps_with(line: Watched, jump: Change, since_s: float) -> bool:
    """Say whether a line that stood since some moment steps a little in the frame of a jump."""
    table = line.output.table
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    since, begin, end = np.searchsorted(
        rise_s, (since_s, jump.after_s + _TICK_S, jump.by_s - line.frame_s / 2.0)
    )
    stood = width_us[max(since - STAYS, 0) : since]
    was, now = width_us[max(begin - STAYS, 0) : begin], width_us[end + 1 : end + 1 + STAYS]
    if min(stood.size, was.size, now.size) < STAYS:
        return False
    by_us = max(now.min() - was.max(), was.min() - now.max())
    least_us = max(STEP_US, float(np.ptp(was)), float(np.ptp(now)))
    stands = abs(np.median(stood) - np.median(was)) < least_us
    return bool(stands and least_us <= by_us <= JUMP * table.convention.span_us)


def _pulses_beyond(line: Watched, change: Change) -> Leap | None:
    """Find a pulse on the way of a jump that lies far beyond both its ends, and runs the device."""
    took_s = change.by_s - change.after_s
    if change.kind is not ChangeKind.JUMP or took_s < TWO_FRAMES * line.frame_s:
        return None
    table = line.output.table
    rows = slice(*np.searchsorted(table.rise_s, (change.after_s + _TICK_S, change.by_s)))
    width_us = np.where(table.measured[rows], table.width_us[rows], np.nan)
    far_us = JUMP * table.convention.span_us
    ends_us = sorted((change.from_us, change.to_us))
    beyond = (width_us < ends_us[0] - far_us) | (width_us > ends_us[1] + far_us)
    if line.expected.band is not None:
        band = line.expected.band
        beyond &= (width_us < band.low_us) | (width_us > band.high_us)
    if not beyond.any():
        return None
    first = int(beyond.argmax())
    return Leap(float(table.rise_s[rows][first]), change.from_us, float(width_us[first]))


def _jumps_back(line: Watched, response: Response, seen: LinkSeen) -> bool:
    """Say whether a line jumped on to where it stood before the loss: only the link does that."""
    second = response.departures[1] if len(response.departures) > 1 else None
    return (
        second is not None
        and second.kind is ChangeKind.JUMP
        and is_where_it_was(line, response, second, seen.earliest_s)
    )


def _steps_nearer(line: Watched, response: Response, seen: LinkSeen) -> bool:
    """Say whether a line that went near where it stood stepped on to that very width.

    The first jump was not the return then, though a stick held by hand might be as near. The
    step is of one frame, from a stand to a stand, however small.
    """
    if len(response.departures) < 2:
        return False
    first, second = response.departures[:2]
    is_step = second.kind is ChangeKind.JUMP or (
        second.kind is ChangeKind.MOVE
        and second.end_s == second.by_s
        and second.by_s - second.after_s < TWO_FRAMES * line.frame_s
    )
    was_us = _was_us(line, response, seen.earliest_s)
    off_us = abs(first.to_us - was_us), abs(second.to_us - was_us)
    exact_us = max(2.0 * line.range_us, EXACT * line.span_us)
    return is_step and off_us[1] <= exact_us < off_us[0] - off_us[1]


def _jumps_off(line: Watched, response: Response) -> bool:
    """Say whether a line's next movement began further off than a stick gets in a frame."""
    departures = response.departures
    if len(departures) < 2:
        return False
    place = departures[1].place - len(response.during)
    if not 0 <= place < len(response.later):
        return False
    step_us = abs(response.later[place].first_us - departures[0].to_us)
    return step_us > SUDDEN * line.span_us


def is_where_it_was(
    line: Watched, response: Response, change: Change, earliest_s: float = -math.inf
) -> bool:
    """Say whether a line went back to where it stood before the loss."""
    same_us = max(2.0 * line.range_us, SAME * line.span_us)
    return abs(change.to_us - _was_us(line, response, earliest_s)) <= same_us


def _was_us(line: Watched, response: Response, earliest_s: float) -> float:
    """Where a line stood before the loss."""
    first = response.during[0]
    if first.kind is Kind.STANDS:
        return first.level_us
    return _last_stood_us(line, first, earliest_s)


def _last_stood_us(line: Watched, first: Stretch, earliest_s: float) -> float:
    """Where an output stood last before the loss, of a stretch in which it goes on to move."""
    dwells = line.output.dwells
    place = int(np.searchsorted(dwells.start_s, earliest_s)) - 1
    stood = place >= 0 and dwells.end_s[place] > first.start_s
    return float(dwells.level_us[place]) if stood else first.last_us


def judged_until_s(
    loss: Loss, response: Response, seen: LinkSeen, leaps: tuple[Leap, ...]
) -> float:
    """Say up to when no pulse may be outside: the line's own return, or the others'."""
    first = response.departures[0] if response.departures else None
    ends_s = min(seen.window_s, seen.any_s, seen.moves_s)
    if first is None or (not seen.returned and first.after_s > ends_s):
        return max(ends_s, loss.back_s)
    if leaps and not seen.returned:
        return max(ends_s, first.by_s + _TICK_S)
    return max(first.after_s + _TICK_S, loss.latest_s)


_TICK_S: Final = 1e-9
