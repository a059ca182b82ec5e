"""What one output did in one loss, read off its stretches."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from pwmscope.findings.failsafe.losses import Known, Loss
from pwmscope.findings.failsafe.rest import Rest
from pwmscope.findings.failsafe.stretches import Kind, Stretch

LINK_S: Final = 0.1
"""What a stick did last may show on the output for so long after the transmitter went
off: packets on their way, and the receiver's frame (common practice, from memory)."""
FEWEST_SEEN: Final = 15
"""Pulses that must be seen moving to tell what kind of movement it is."""


class LossClass(StrEnum):
    """What an output does while the signal is lost."""

    PULSES_STOP = "pulses stop"
    HOLDS_LAST = "holds last"
    GOES_TO_PRESET = "goes to preset"
    WANDERS = "wanders"
    KEEPS_FOLLOWING = "keeps following"


@dataclass(frozen=True, slots=True)
class Response:
    """What one output did in one loss.

    Parameters
    ----------
    behaviour : LossClass or None
        None where the recording does not tell.
    why_not : str
        Why it does not tell; empty where it does.
    settled_s : float or None
        Instant from which it stood, or was quiet, until the end of the loss.
    level_us : float or None
        Width at which it then stood.
    is_held : bool
        Whether what stood first after the loss was a held output for certain.
    during : tuple of Stretch
        The stretches from the moment of loss to the return.
    moved_until_s : float or None
        Until when it moved smoothly after the loss, where it did so for longer
        than the link may take.
    after : Stretch or None
        The first stretch that differs, after the return.
    """

    behaviour: LossClass | None
    why_not: str
    settled_s: float | None
    level_us: float | None
    is_held: bool
    during: tuple[Stretch, ...]
    moved_until_s: float | None
    after: Stretch | None

    @property
    def jumps_s(self) -> list[float]:
        """When it jumped from one level to another during the loss."""
        return [stretch.start_s for stretch in self.during[1:] if stretch.jumped]

    @property
    def stops_s(self) -> list[float]:
        """When its pulses stopped for the rest of the loss; a pause may be a restart."""
        last = self.during[1:][-1:]
        return [stretch.start_s for stretch in last if stretch.kind is Kind.QUIET]


def respond(loss: Loss, around: tuple[Stretch, ...], rest: Rest, range_us: float) -> Response:
    """Say what an output did in a loss.

    Parameters
    ----------
    loss : Loss
        The loss.
    around : tuple of Stretch
        The output's stretches around it.
    rest : Rest
        Where its stick rests.
    range_us : float
        Widths that differ by less are one level.

    Returns
    -------
    Response
    """
    first, end = _bounds(loss, around)
    during, after = around[first:end], around[end] if end < len(around) else None
    if not during:
        why = "No pulse of this line was seen around the loss."
        return Response(None, why, None, None, False, (), None, after)
    is_held = _is_held(loss, around, first, end, rest)
    moved = _late(loss, during)
    behaviour, why_not = _judge(loss, during, moved, rest, range_us, is_held=is_held)
    final = during[-1]
    stands = final.kind is Kind.STANDS and behaviour is not LossClass.WANDERS
    return Response(
        behaviour,
        why_not,
        max(final.start_s, loss.lost_s) if stands or final.kind is Kind.QUIET else None,
        final.level_us if stands else None,
        is_held,
        during,
        max([s.end_s for s in moved if s.kind is Kind.MOVES], default=None) if moved else None,
        after,
    )


def _bounds(loss: Loss, around: tuple[Stretch, ...]) -> tuple[int, int]:
    """Return the places of the stretch at the moment of loss and of the first after the return."""
    # An inferred loss begins with the first frame that shows it; look before that.
    at_s = loss.lost_s - (1e-9 if loss.moment.known is Known.INFERRED else 0.0)
    first, end, back_s = -1, 0, loss.back_s
    for stretch in around:
        if stretch.start_s <= at_s:
            first += 1
        if stretch.start_s >= back_s:
            break
        end += 1
    return max(first, 0), end


def _late(loss: Loss, during: tuple[Stretch, ...]) -> list[Stretch]:
    """List the stretches of movement that the link's delay does not explain."""
    from_s = loss.latest_s + LINK_S
    return [s for s in during if s.is_movement and s.end_s > from_s]


def _judge(
    loss: Loss,
    during: tuple[Stretch, ...],
    moved: list[Stretch],
    rest: Rest,
    range_us: float,
    *,
    is_held: bool,
) -> tuple[LossClass | None, str]:
    final = during[-1]
    if during[0].start_s > loss.lost_s or (
        during[0].kind is Kind.QUIET and during[0].start_s < loss.earliest_s
    ):
        return None, "No pulse was seen just before the loss to compare with."
    if final.kind is Kind.QUIET:
        return LossClass.PULSES_STOP, ""
    wandered_s = sum([s.end_s - s.start_s for s in moved if s.kind is Kind.WANDERS])
    if final.kind is Kind.WANDERS or wandered_s > 0.5 * (loss.back_s - loss.latest_s):
        return _if_seen(LossClass.WANDERS, moved)
    smooth = [stretch for stretch in moved if stretch.kind is Kind.MOVES]
    if smooth:
        return _moving(smooth, moved, during)
    return _standing(loss, during, rest, range_us, is_held=is_held)


def _moving(
    smooth: list[Stretch], moved: list[Stretch], during: tuple[Stretch, ...]
) -> tuple[LossClass | None, str]:
    """Tell a stick that is followed from a single movement, which may be a ramp."""
    if len(smooth) > 1 or smooth[0] is during[0] is during[-1]:
        return _if_seen(LossClass.KEEPS_FOLLOWING, moved)
    return None, (
        f"The output moved smoothly to {smooth[0].last_us:.1f} us after the loss; a stick that "
        "a hand lets go while the receiver still follows looks the same. Hold the stick where "
        "it is while switching off, and until the transmitter is on again."
    )


def _standing(
    loss: Loss, during: tuple[Stretch, ...], rest: Rest, range_us: float, *, is_held: bool
) -> tuple[LossClass | None, str]:
    """Tell a preset from what was not seen to change."""
    final, stood = during[-1], during[0].kind is Kind.STANDS
    before_us = during[0].level_us if stood else during[0].last_us
    reach_us = range_us if stood else range_us + 2.0 * during[0].pace_us
    if abs(final.level_us - before_us) <= reach_us:
        return _unchanged(loss, final.level_us, rest, is_held=is_held)
    if loss.moment.known is Known.STATED and not loss.is_return_shown:
        return None, _HOLD_OR_PRESET
    return LossClass.GOES_TO_PRESET, ""


_HOLD_OR_PRESET: Final = (
    "The output jumped once and not again: it may have gone to a preset, or have held until the "
    "link came back. A marker line (--off-line) would tell."
)


def _if_seen(behaviour: LossClass, moved: list[Stretch]) -> tuple[LossClass | None, str]:
    if sum(stretch.pulses for stretch in moved) < FEWEST_SEEN:
        return None, "The output moved too shortly during the loss to tell what it did."
    return behaviour, ""


def _unchanged(
    loss: Loss, level_us: float, rest: Rest, *, is_held: bool
) -> tuple[LossClass | None, str]:
    stood = f"The output stood at {level_us:.1f} us before and after"
    if loss.moment.known is Known.INFERRED:
        return None, (
            f"{stood}; whether it held its last width cannot be told without a marker line "
            "(--off-line)."
        )
    if is_held:
        return LossClass.HOLDS_LAST, ""
    if not rest.is_at_rest(level_us) and loss.moment.known is Known.STATED:
        return None, (
            f"Nothing changed near the stated {loss.lost_s:.3f} s: the output stood at "
            f"{level_us:.1f} us before and after. It may hold its last width, or the time may be "
            "wrong; a marker line (--off-line) would tell."
        )
    return None, (
        f"{stood}, where the stick rests: a hold, a preset and an idle stick look alike. With the "
        "weapon removed and the wheels off the ground, hold the stick off its rest position while "
        "switching off."
    )


def _is_held(loss: Loss, around: tuple[Stretch, ...], first: int, end: int, rest: Rest) -> bool:
    """Say whether what stands first after the loss is held, not an idle stick.

    It is where the stick was off rest, or where its movement froze at the loss.
    """
    if loss.moment.known is Known.INFERRED:
        return False
    for place in range(first, end):
        kind = around[place].kind
        if kind is Kind.QUIET:
            return False
        if kind is Kind.STANDS:
            break
    else:
        return False
    held = around[place]
    if place > 0 and around[place - 1].kind is Kind.MOVES:
        near_s = loss.latest_s - loss.earliest_s + LINK_S
        froze = abs(held.start_s - loss.latest_s) <= near_s
        if froze and not rest.is_at_rest(held.level_us):
            return True
    return loss.is_marked and rest.is_away(held.level_us)
