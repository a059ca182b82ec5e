"""When the link was back after a loss that a person states: the outputs must show it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from pwmscope.findings.failsafe.evidence import SAME, SLACK_FRAMES
from pwmscope.findings.failsafe.losses import Known, Loss, Output
from pwmscope.findings.failsafe.response import LINK_S, Change, ChangeKind, changes_of
from pwmscope.findings.failsafe.segments import Kind, Stretch, find_stretches

MIN_LINES: Final = 2
"""So many lines must be back at once where the sticks were before the loss."""


def with_returns(
    outputs: Mapping[str, Output], losses: tuple[Loss, ...], start_s: float, end_s: float
) -> tuple[Loss, ...]:
    """Find out when stated losses were over; others are known already.

    Parameters
    ----------
    outputs : mapping of str to Output
        The servo lines.
    losses : tuple of Loss
        In order of time.
    start_s, end_s : float
        Start and end of the capture.

    Returns
    -------
    tuple of Loss
    """
    if not outputs or not any(loss.moment.known is Known.STATED for loss in losses):
        return losses
    around: dict[str, tuple[tuple[Stretch, ...], ...]] = {}
    same_us: dict[str, float] = {}
    range_us: dict[str, float] = {}
    for name, output in outputs.items():
        found = find_stretches(output.table, output.usual_us, losses, start_s, end_s)
        around[name] = found.around
        range_us[name] = found.tolerance.range_us
        same_us[name] = max(2.0 * range_us[name], SAME * output.table.convention.span_us)
    frame_s = max(output.usual_us for output in outputs.values()) / 1e6
    told = []
    for k, loss in enumerate(losses):
        own = {name: _from(loss, stretches[k]) for name, stretches in around.items()}
        told.append(with_return(loss, own, frame_s, same_us, range_us))
    return tuple(told)


def _from(loss: Loss, stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Begin with the stretch at the earliest moment of the loss, and end where it may."""
    begin = max((i for i, s in enumerate(stretches) if s.start_s <= loss.earliest_s), default=0)
    return tuple(s for s in stretches[begin:] if s.start_s < loss.back_s)


def with_return(
    loss: Loss,
    around: Mapping[str, tuple[Stretch, ...]],
    frame_s: float,
    same_us: Mapping[str, float],
    range_us: Mapping[str, float],
) -> Loss:
    """Find out when a stated loss was over, and whether the outputs contradict it.

    The link is back when two lines go back, in one frame, to where their sticks had been
    before; of a lone line, when it does so. Failing that, the first smooth movement
    shows that it was back by then, but not since when.

    Parameters
    ----------
    loss : Loss
        A stated loss.
    around : mapping of str to tuple of Stretch
        Each line's stretches from its earliest moment on.
    frame_s : float
        The longest usual frame period of the lines.
    same_us, range_us : mapping of str to float
        Widths that are one position of a stick, and one level.

    Returns
    -------
    Loss
        With its return, and its doubt.
    """
    changes = {
        name: changes_of(own, frame_s, range_us[name]) if own else []
        for name, own in around.items()
    }
    doubt = _doubt(loss, changes)
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


def _doubt(loss: Loss, changes: Mapping[str, list[Change]]) -> str:
    """Say which line still followed a stick after the stated time; empty where none did."""
    for name, own in changes.items():
        for change in own:
            if change.kind is not ChangeKind.MOVE:
                break
            runs_on = change.after_s <= loss.latest_s + LINK_S < change.end_s
            if runs_on and change.end_s < loss.back_s:
                return (
                    f"Line {name} still moved smoothly until {change.end_s:.3f} s, after the "
                    f"stated {loss.lost_s:g} s, so the link was not lost then; state the right "
                    "time, or mark it with a line (--off-line)."
                )
    return ""
