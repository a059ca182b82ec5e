"""The steps of what an output does in a loss, one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.response import LINK_S, LossClass, Response
from pwmscope.findings.failsafe.stretches import Kind, Stretch


class PhaseKind(StrEnum):
    """One step of what an output does in a loss."""

    FOLLOWS_ON = "follows on"
    STANDS = "stands"
    HOLDS = "holds"
    PRESET = "preset"
    STOPS = "stops"
    WANDERS = "wanders"
    RAMPS = "ramps"


@dataclass(frozen=True, slots=True)
class Phase:
    """One step of what an output did in a loss.

    Parameters
    ----------
    kind : PhaseKind
        ``stands`` where a hold or a preset cannot be told from a stick; ``ramps`` for
        a movement in one direction, which a hand may have made as well.
    start_s, end_s : float
        Its time span in seconds since the capture's start.
    level_us : float or None
        The width at which it stood, or at which a ramp ended.
    """

    kind: PhaseKind
    start_s: float
    end_s: float
    level_us: float | None


def phases_of(loss: Loss, response: Response, frame_s: float) -> tuple[Phase, ...]:
    """Tell a response as a sequence of phases from the loss to the return.

    Parameters
    ----------
    loss : Loss
        The loss.
    response : Response
        What the output did in it.
    frame_s : float
        Its usual frame period; what lasts less than half of it is no phase.

    Returns
    -------
    tuple of Phase
        In order of time.
    """
    phases: list[Phase] = []
    changed = moved = False
    during = response.during
    for i, stretch in enumerate(during):
        changed = changed or (stretch.jumped and i > 0) or stretch.kind is Kind.QUIET
        start_s = max(stretch.start_s, loss.lost_s)
        end_s = during[i + 1].start_s if i + 1 < len(during) else loss.back_s
        if end_s - start_s < 0.5 * frame_s:
            continue
        kind = _kind(loss, response, stretch, changed=changed, moved=moved)
        moved = moved or kind is PhaseKind.RAMPS
        level_us = None
        if stretch.kind is Kind.STANDS:
            level_us = stretch.level_us
        elif kind is PhaseKind.RAMPS:
            level_us = stretch.last_us
        if phases and phases[-1].kind is kind and not stretch.jumped:
            start_s = phases.pop().start_s
        phases.append(Phase(kind, start_s, end_s, level_us))
    return tuple(phases)


def _kind(
    loss: Loss, response: Response, stretch: Stretch, *, changed: bool, moved: bool
) -> PhaseKind:
    follows = response.behaviour is LossClass.KEEPS_FOLLOWING
    if stretch.kind is Kind.QUIET:
        return PhaseKind.STOPS
    if stretch.kind is Kind.WANDERS:
        return PhaseKind.WANDERS
    if stretch.kind is Kind.MOVES:
        in_flight = stretch.end_s <= loss.latest_s + LINK_S
        return PhaseKind.FOLLOWS_ON if follows or in_flight else PhaseKind.RAMPS
    if follows or moved or response.behaviour is LossClass.WANDERS:
        return PhaseKind.STANDS
    is_last = stretch is response.during[-1]
    if changed or (response.behaviour is LossClass.GOES_TO_PRESET and is_last):
        return PhaseKind.PRESET
    return PhaseKind.HOLDS if response.is_held else PhaseKind.STANDS
