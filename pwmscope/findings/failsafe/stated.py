"""Losses at times that a person states; when the link was back shows in the outputs."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from pwmscope.errors import HintError
from pwmscope.findings.failsafe.losses import Known, Loss, Moment
from pwmscope.findings.failsafe.response import LINK_S
from pwmscope.findings.failsafe.stretches import Kind, Stretch


def stated_losses(
    off_at_s: Iterable[tuple[float, float]],
    lines: Iterable[str],
    start_s: float,
    end_s: float,
) -> tuple[Loss, ...]:
    """Take a person's word for when the transmitter went off.

    Parameters
    ----------
    off_at_s : iterable of tuple of float
        Times in seconds, each with the half-width of its uncertainty.
    lines : iterable of str
        The lines that depend on the transmitter.
    start_s, end_s : float
        Start and end of the capture.

    Returns
    -------
    tuple of Loss
        In order of time, each lasting until the next or the capture's end;
        `with_return` finds out when it was over.

    Raises
    ------
    HintError
        If a time lies outside the recording, or two are the same within their
        uncertainty.

    Examples
    --------
    >>> [loss.earliest_s for loss in stated_losses([(12.5, 0.25)], ["RX1"], 0.0, 20.0)]
    [12.25]
    """
    times = sorted(off_at_s)
    concerned = frozenset(lines)
    for time_s, _ in times:
        if not start_s < time_s < end_s:
            raise HintError(
                f"The stated time {time_s:g} s lies outside the recording, which is from "
                f"{start_s:g} to {end_s:g} s; state a time within it (--off-at)."
            )
    for (time_s, within_s), (next_s, next_within_s) in itertools.pairwise(times):
        if next_s - next_within_s <= time_s + within_s:
            raise HintError(
                f"The stated times {time_s:g} s and {next_s:g} s are the same within their "
                "uncertainty; state each loss once (--off-at)."
            )
    ends_s = [next_s - within_s for next_s, within_s in times[1:]] + [end_s]
    return tuple(
        Loss(
            time_s,
            over_s,
            came_back=False,
            moment=Moment(Known.STATED, within_s, None),
            lines=concerned,
            sentence=(f"Stated: the transmitter went off at {time_s:g} s, within {within_s:g} s."),
        )
        for (time_s, within_s), over_s in zip(times, ends_s, strict=True)
    )


def with_return(loss: Loss, around: Mapping[str, Sequence[Stretch]], frame_s: float) -> Loss:
    """Find out when a stated loss was over, and whether the outputs contradict it.

    The link is back with the first pulse on a line that had gone quiet; failing
    that, with the second joint jump of the outputs (the first leads away from
    where they stood), or with the first smooth movement, whichever comes first.

    Parameters
    ----------
    loss : Loss
        A stated loss.
    around : mapping of str to sequence of Stretch
        Each line's stretches around it.
    frame_s : float
        The longest usual frame period of the lines.

    Returns
    -------
    Loss
        With its return, and its doubt.
    """
    after = {
        name: [s for s in stretches if s.start_s >= loss.earliest_s and s.start_s < loss.back_s]
        for name, stretches in around.items()
    }
    jumps_s = _joint(
        sorted(s.start_s for own in after.values() for s in own if s.jumped), 1.5 * frame_s
    )
    quiet = [s for own in after.values() for s in own if s.kind is Kind.QUIET]
    moves = sorted(
        (s.start_s, s.end_s, name)
        for name, own in around.items()
        for s in own
        if s.kind is Kind.MOVES and loss.earliest_s <= s.end_s and s.start_s < loss.back_s
    )
    late = [move for move in moves if move[1] > loss.latest_s + LINK_S]
    effects_s = [*jumps_s[:1], *(s.start_s for s in quiet)]
    effect_s = min(effects_s, default=None)
    doubt = ""
    if late and (
        late[0][0] <= loss.latest_s + LINK_S or (effect_s is not None and late[0][1] < effect_s)
    ):
        doubt = (
            f"Line {late[0][2]} still moved smoothly until {min(late[0][1], loss.back_s):.3f} s, "
            f"after the stated {loss.lost_s:g} s, so the link was not lost then; state the right "
            "time, or mark it with a line (--off-line)."
        )
    returns_s = [s.end_s for s in quiet if s.end_s < loss.back_s]
    if not quiet:
        returns_s = jumps_s[1:2]
    begins_s = [start_s for start_s, _, _ in moves if start_s > loss.latest_s + LINK_S]
    ends_s = returns_s if quiet else [*returns_s, *begins_s[:1]]
    if not ends_s:
        return replace(loss, doubt=doubt)
    # The link was back at some time in the frame before the first output that shows it.
    over_s = max(min(ends_s) - frame_s, loss.latest_s)
    shown = bool(returns_s) and min(returns_s) == min(ends_s)
    return replace(loss, back_s=over_s, came_back=True, is_return_shown=shown, doubt=doubt)


def _joint(times_s: list[float], within_s: float) -> list[float]:
    """Keep the first of instants that are closer together than ``within_s``."""
    joint: list[float] = []
    for time_s in times_s:
        if not joint or time_s - joint[-1] > within_s:
            joint.append(time_s)
    return joint
