"""What one output did in one loss: its class, its steps, and when it stood still for good."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.errors import Reason, named
from pwmscope.findings.failsafe.losses import Known, Loss, quiet_limit_s
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.segmentation import Dwells
from pwmscope.findings.travel import pooled_level_us
from pwmscope.model import CLOCK_TOLERANCE, BoolArray, FloatArray
from pwmscope.pulses import UNMEASURED, Convention, Flag, PulseTable

ALIKE_US: Final = 40.0
ALIKE_S: Final = 0.2
"""Pulses beyond what servos take are a command where they differ by no more and come so often."""
PULSE_S: Final = 0.003
"""Length taken for a pulse whose width is not known."""
LINK_S: Final = 0.1
"""What a stick did last may show on the output for so long after the transmitter went
off: packets on their way, and the receiver's frame (common practice, from memory)."""
MIN_SEEN: Final = 15
"""Pulses that must be seen moving to tell what kind of movement it is."""
AWAY: Final = 0.02
"""A stick this part of the convention's span from rest is off its rest position."""
NEUTRAL_REACH: Final = 0.05
"""A rest position this part of the span from the convention's neutral may be a trimmed one."""
OFF_STEPS: Final = 2.5
"""A movement breaks off, or begins, with a step so many times its own largest."""
PLATEAU_S: Final = 0.25
"""A ramp may seem to stand for so long on its way."""


@dataclass(frozen=True, slots=True)
class StopTimes:
    """For each loss, when the device stood still for good, as columns."""

    # shape (n,): Fall of the first pulse from which on every one until the return was inside the
    # stop range; where pulses ended, the fall of the last one plus the device's own time. Infinity
    # where there is no such instant. Every pulse counts, also one that is no servo pulse.
    stopped_s: FloatArray
    # shape (n,): Fall of the last servo pulse of the loss that was outside the stop range by more
    # than its uncertainty; minus infinity where there is none
    last_outside_s: FloatArray
    # shape (n,): Width of the last servo pulse before the loss; NaN where there is none
    before_us: FloatArray
    # shape (n,): Whether that width was outside by more than its uncertainty
    was_outside: BoolArray
    # shape (n,): Whether the pulses ended outside the stop range, so that the device's own time
    # decides
    ran_on: BoolArray


@dataclass(frozen=True, slots=True)
class Windows:
    """The losses of one line as columns, each of shape (n,)."""

    earliest_s: FloatArray  # The earliest that the signal can have gone
    # The earliest that it can have been back; up to here a pulse outside is the receiver's
    back_s: FloatArray
    until_s: FloatArray  # When the outputs' own return was; up to here no pulse may be outside


def width_doubt_us(width_us: FloatArray, interval_us: float | None) -> FloatArray:
    """Return the largest error of single widths: a sample interval, and the clock's 100 ppm.

    This is not the expanded uncertainty but the bound beyond which the true width
    cannot lie, so that a pulse counts on either side of a stop range's end only
    where it lies there for certain.

    >>> width_doubt_us(np.array([1500.0]), 1.0)
    array([1.15])
    """
    return (interval_us or 0.0) + CLOCK_TOLERANCE * np.abs(width_us)


def find_stop_times(
    table: PulseTable, usual_us: float, windows: Windows, expected: Expectation, end_s: float
) -> StopTimes:
    """Find when a line's pulses were inside the stop range for good, at each loss.

    A device acts on a pulse when it is over. Where none follows for longer than the
    quiet limit and no pulses mean stop, it runs on for its own time. A pause that long
    counts as outside the range where no pulses do not mean stop. In a range that is only
    assumed no pulse is known to stop the device. Without a range nothing is said.
    """
    earliest_s, until_s, band = windows.earliest_s, windows.until_s, expected.band
    nan, no = np.full(earliest_s.size, np.nan), np.zeros(earliest_s.size, dtype=bool)
    rise_s, width_us = table.rise_s, table.width_us
    if band is None:
        return StopTimes(nan, nan, nan, no, no)
    if not len(table):
        never = np.full(earliest_s.size, np.inf)
        return StopTimes(earliest_s if expected.no_pulses_stop else never, -never, nan, no, no)
    is_servo, inside, outside = sides(table, band)
    fall_s = rise_s + np.where(np.isfinite(width_us), width_us / 1e6, PULSE_S)
    # Of a pulse cut by the capture's end the width is not known; the one before is in force.
    at_end = np.zeros(rise_s.size, dtype=bool)
    at_end[-1] = rise_s.size > 1 and bool(table.has(Flag.CUT)[-1])
    is_quiet = np.append(rise_s[1:], end_s) - rise_s > quiet_limit_s(usual_us)
    stops, own_s = bool(expected.no_pulses_stop), expected.no_pulses_after_s
    bad_pulse = ~(is_servo & inside & (not expected.is_band_assumed)) & ~at_end
    bad = bad_pulse | (is_quiet & (not stops))
    place = np.arange(rise_s.size)
    final = np.searchsorted(rise_s, until_s) - 1
    seen = final >= 0
    last_bad = np.where(seen, np.maximum.accumulate(np.where(bad, place, -1))[final], -1)
    # The next pulse is a good one, and stops the device where it came before the return.
    follows = last_bad < final
    next_s = np.where(follows, fall_s[np.minimum(last_bad + 1, final)], np.inf)
    runs_s = np.where(follows, np.inf, 0.0) if own_s is None else own_s
    quiet_s = np.where(is_quiet[last_bad] & stops, fall_s[last_bad] + runs_s, np.inf)
    stopped_s = np.maximum(np.minimum(next_s, quiet_s), earliest_s)
    stopped_s = np.where(last_bad < 0, earliest_s, stopped_s)
    stopped_s = np.where((stopped_s >= until_s) | ~seen, np.inf, stopped_s)
    ran_on = seen & (last_bad >= 0) & (quiet_s < next_s) & (rise_s[last_bad] >= earliest_s - 1.0)
    out_place = np.maximum.accumulate(np.where(is_servo & outside, place, -1))
    back = np.searchsorted(rise_s, windows.back_s) - 1
    out = np.where(back >= 0, out_place[back], -1)
    last_outside_s = np.where((out >= 0) & (rise_s[out] >= earliest_s), fall_s[out], -np.inf)
    # The last servo pulse before the loss; what is put at the end stands for none.
    before = np.searchsorted(rise_s[is_servo], earliest_s) - 1
    before_us = np.append(width_us[is_servo], np.nan)[before]
    was_outside = np.append(outside[is_servo], False)[before]
    return StopTimes(stopped_s, last_outside_s, before_us, was_outside, ran_on)


def sides(table: PulseTable, band: StopBand) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Say which pulses are servo pulses, and which lie in or outside a range for certain."""
    width_us = table.width_us
    doubt_us = width_doubt_us(width_us, table.sample_interval_us)
    is_servo = (table.flags & np.uint8(UNMEASURED)) == 0
    is_servo |= regular_foreign(table)
    with np.errstate(invalid="ignore"):
        inside = (width_us >= band.low_us + doubt_us) & (width_us <= band.high_us - doubt_us)
        outside = (width_us < band.low_us - doubt_us) | (width_us > band.high_us + doubt_us)
    return is_servo, inside, outside


def regular_foreign(table: PulseTable) -> BoolArray:
    """Say which pulses no servo takes come one like the other, as a command beyond the range."""
    foreign = table.has(Flag.FOREIGN) & ~table.has(Flag.CUT)
    if not foreign.any():
        return foreign
    with np.errstate(invalid="ignore"):
        alike = np.abs(np.diff(table.width_us, prepend=np.nan)) <= ALIKE_US
    alike &= foreign & np.append(False, foreign[:-1])
    alike[1:] &= np.diff(table.rise_s) <= ALIKE_S
    found: BoolArray = alike | np.append(alike[1:], False)
    return found


class LossClass(StrEnum):
    """What an output does while the signal is lost."""

    PULSES_STOP = "pulses stop"
    STUCK_HIGH = "stuck high"
    STUCK_LOW = "stuck low"
    NOISE = "noise"
    HOLDS_LAST = "holds last"
    GOES_TO_PRESET = "goes to preset"
    WANDERS = "wanders"
    KEEPS_FOLLOWING = "keeps following"


STATES: Final = (LossClass.STUCK_HIGH, LossClass.STUCK_LOW, LossClass.NOISE)
"""What a device does with these, no bench sheet says."""


class ChangeKind(StrEnum):
    """How an output went from one stretch to the next."""

    JUMP = "jump"
    MOVE = "move"
    STOP = "stop"
    START = "start"


@dataclass(frozen=True, slots=True)
class Change:
    """One change of an output: it came after one pulse and shows by another."""

    # A jump from one level to another, a smooth movement, the end of pulses, or their return
    kind: ChangeKind
    # Leading edges of the last pulse before it and of the first that shows it
    after_s: float
    by_s: float
    # Widths before and after; NaN where there were no pulses
    from_us: float
    to_us: float
    end_s: float  # When a movement was over; `by_s` of the others
    place: int

    @property
    def far_us(self) -> float:
        """How far the width went; 0 where pulses began or ended."""
        return abs(self.to_us - self.from_us) if self.from_us == self.from_us else 0.0


@dataclass(frozen=True, slots=True)
class Scale:
    """What counts as one level, as a jump, and as the next frame."""

    frame_s: float  # Usual frame period
    range_us: float  # Widths that differ by less are one level
    jump_us: float  # Smaller steps are no jumps; a slow ramp is made of them


def changes_of(stretches: tuple[Stretch, ...], scale: Scale) -> list[Change]:
    """List an output's changes in order."""
    frame_s, range_us = scale.frame_s, scale.range_us
    found: list[Change] = []
    for i in range(1, len(stretches)):
        before, now = stretches[i - 1], stretches[i]
        merged = bool(found) and found[-1].place == i - 1 and before.is_movement
        if now.kind is Kind.QUIET:
            kind, last_s, from_us, to_us = ChangeKind.STOP, before.end_s, before.last_us, math.nan
        elif before.kind is Kind.QUIET:
            kind, last_s, from_us, to_us = (
                ChangeKind.START, now.start_s - frame_s, math.nan, now.first_us
            )  # fmt: skip
        elif now.jumped and _goes_far(stretches, i, scale.jump_us):
            source = stretches[i - 2] if before.is_movement and i > 1 else before
            if merged:
                found.pop()
            kind, last_s, from_us, to_us = (
                ChangeKind.JUMP, source.end_s, source.level_us, now.level_us
            )  # fmt: skip
        elif _breaks_off(before, now, range_us):
            kind, last_s, from_us, to_us = (
                ChangeKind.JUMP, before.end_s, before.last_us, now.first_us
            )  # fmt: skip
        elif now.is_movement or before.is_movement or _differ(before, now, range_us):
            _add_move(found, before, now, i)
            continue
        else:
            continue
        found.append(Change(kind, last_s, now.start_s, from_us, to_us, now.start_s, i))
    return found


def _goes_far(stretches: tuple[Stretch, ...], i: int, jump_us: float) -> bool:
    """Say whether a jump is a jump, and no step of a slow ramp."""
    before, now = stretches[i - 1], stretches[i]
    source = stretches[i - 2] if before.is_movement and i > 1 else before
    return abs(now.level_us - source.level_us) >= jump_us


def _breaks_off(before: Stretch, now: Stretch, range_us: float) -> bool:
    """Say whether a movement begins or ends in a step far beyond its own, as no stick's does."""
    if before.is_movement == now.is_movement:
        return False
    moves = before if before.is_movement else now
    return abs(now.first_us - before.last_us) > OFF_STEPS * max(moves.pace_us, range_us)


def _differ(before: Stretch, now: Stretch, range_us: float) -> bool:
    return abs(now.level_us - before.level_us) > range_us


def _add_move(found: list[Change], before: Stretch, now: Stretch, place: int) -> None:
    """Add a smooth movement, or make the one before longer that went the same way.

    A slow ramp may seem to stand for a moment on its way.
    """
    to_us = now.last_us if now.is_movement else now.level_us
    end_s = now.end_s if now.is_movement else now.start_s
    last = found[-1] if found and found[-1].kind is ChangeKind.MOVE else None
    if last is not None and last.place == place - 1 and before.is_movement:
        found[-1] = replace(last, to_us=to_us, end_s=end_s, place=place)
        return
    from_us = before.last_us
    same_way = last is not None and (to_us - from_us) * (last.to_us - last.from_us) > 0
    if last is not None and same_way and now.start_s - last.end_s <= PLATEAU_S:
        found[-1] = replace(last, to_us=to_us, end_s=end_s, place=place)
        return
    after_s, by_s = before.end_s, now.start_s
    if before.is_movement:  # it moved from the start on
        after_s = by_s = before.start_s
        from_us = before.first_us
    found.append(Change(ChangeKind.MOVE, after_s, by_s, from_us, to_us, end_s, place))


@dataclass(frozen=True, slots=True)
class Response:
    """What one output did in one loss."""

    behaviour: LossClass | None  # None where the recording does not tell
    why_not: str  # Why it does not tell; empty where it does
    settled_s: float | None  # Instant from which it stood, or was quiet, until the end of the loss
    level_us: float | None  # Width at which it then stood
    is_held: bool  # Whether what stood first after the loss was a held output for certain
    during: tuple[Stretch, ...]  # The stretches from the moment of loss to the return
    # Until when it moved smoothly after the loss, where it did so for longer than the link may take
    moved_until_s: float | None
    later: tuple[Stretch, ...] = ()  # The stretches after the earliest moment of return
    # From when to when it went, in one direction, from where it stood to where it stood for the
    # rest of the loss; a hand may have done that as well
    ramp_s: tuple[float, float] | None = None
    changes: tuple[Change, ...] = ()  # Its changes during the loss
    departures: tuple[Change, ...] = ()  # Its changes after the earliest moment of return
    arrivals: tuple[Change, ...] = ()  # Those before that ended in its stop range

    @property
    def after(self) -> Stretch | None:
        """The first stretch that differs, after the return."""
        return self.later[0] if self.later else None

    @property
    def is_quiet(self) -> bool:
        """Whether it had no pulses when the loss ended."""
        return bool(self.during) and self.during[-1].kind is Kind.QUIET

    @property
    def pauses(self) -> tuple[Stretch, ...]:
        """The times without pulses that were over before the loss was."""
        return tuple(s for s in self.during[:-1] if s.kind is Kind.QUIET)


def respond(loss: Loss, around: tuple[Stretch, ...], rest: Rest, scale: Scale) -> Response:
    """Say what an output did in a loss."""
    range_us = scale.range_us
    first, end = _bounds(loss, around)
    during, later = around[first:end], around[end:]
    if not during:
        why = "No pulse of this line was seen around the loss."
        return Response(None, why, None, None, False, (), None, later)
    is_held = _is_held(loss, around, first, end, rest)
    moved = _late(loss, during)
    behaviour, why_not = _judge(loss, during, moved, rest, range_us, is_held=is_held)
    final = during[-1]
    changes = changes_of(around[first:], scale)
    end -= first
    stands = final.kind is Kind.STANDS and behaviour is not LossClass.WANDERS
    return Response(
        behaviour,
        named(why_not),
        max(final.start_s, loss.lost_s) if stands or final.kind is Kind.QUIET else None,
        final.level_us if stands else None,
        is_held,
        during,
        max([s.end_s for s in moved if s.kind is Kind.MOVES], default=None) if moved else None,
        later,
        _ramp_s(during, moved) if moved else None,
        tuple([change for change in changes if change.place < end]),
        tuple([change for change in changes if change.place >= end]),
    )


def _bounds(loss: Loss, around: tuple[Stretch, ...]) -> tuple[int, int]:
    """Return the places of the stretch at the moment of loss and of the first after the return."""
    # An inferred loss begins with the first frame that shows it; look before that.
    at_s = loss.seen_from_s - (1e-9 if loss.is_inferred else 0.0)
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
    if during[0].start_s > loss.seen_from_s or (
        during[0].kind is Kind.QUIET and during[0].start_s < loss.earliest_s
    ):
        return None, "No pulse was seen just before the loss to compare with."
    if final.kind is Kind.QUIET:
        return LossClass.PULSES_STOP, ""
    # What wandered before the loss is the hand's, or the noise's.
    since_s = loss.latest_s
    wanders = [s for s in moved if s.kind is Kind.WANDERS]
    wandered_s = sum([max(s.end_s - max(s.start_s, since_s), 0.0) for s in wanders])
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
    if (len(smooth) > 1 and _ramp_s(during, moved) is None) or smooth[0] is during[0] is during[-1]:
        return _if_seen(LossClass.KEEPS_FOLLOWING, moved)
    return None, Reason(
        f"The output moved smoothly to {smooth[0].last_us:.1f} us after the loss. A released "
        "stick on a live link looks the same.",
        "Hold the stick where it is until the transmitter is on again.",
    )


def _ramp_s(during: tuple[Stretch, ...], moved: list[Stretch]) -> tuple[float, float] | None:
    """Find one movement in one direction, all of it after the loss; plateaus may interrupt it."""
    places = [i for i, stretch in enumerate(during) if stretch.is_movement and stretch in moved]
    first, last = places[0], places[-1]
    if first == 0 or during[first - 1].kind is not Kind.STANDS:
        return None
    on_way = during[first : last + 1]
    if any(s.kind is Kind.QUIET for s in on_way):
        return None
    if any(s.kind is Kind.STANDS and s.end_s - s.start_s > PLATEAU_S for s in on_way):
        return None
    widths = [during[first - 1].level_us, *(u for s in on_way for u in (s.first_us, s.last_us))]
    steps = [after - before for before, after in itertools.pairwise(widths)]
    far = widths[-1] - widths[0]
    if sum(abs(step) for step in steps) > 1.2 * abs(far):
        return None
    ended_s = during[last + 1].start_s if last + 1 < len(during) else on_way[-1].end_s
    return during[first - 1].end_s, ended_s


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
    "The output jumped once and not again. It went to a preset, or held until the link came back. "
    "A marker line (`off_line`) shows which."
)


def _if_seen(behaviour: LossClass, moved: list[Stretch]) -> tuple[LossClass | None, str]:
    if sum(stretch.pulses for stretch in moved) < MIN_SEEN:
        return None, "The output moved too shortly during the loss to tell what it did."
    return behaviour, ""


def _unchanged(
    loss: Loss, level_us: float, rest: Rest, *, is_held: bool
) -> tuple[LossClass | None, str]:
    stood = f"The output stood at {level_us:.1f} us before and after"
    if loss.is_inferred:
        return None, (f"{stood}. Without a marker line (`off_line`) a held width is not shown.")
    if is_held:
        return LossClass.HOLDS_LAST, ""
    if not rest.is_at_rest(level_us) and loss.moment.known is Known.STATED:
        return None, (
            f"Nothing changed near the stated {loss.lost_s:.3f} s: the output stood at "
            f"{level_us:.1f} us before and after. It may hold its last width, or the time may be "
            "wrong. A marker line (`off_line`) shows which."
        )
    return None, Reason(
        f"{stood}, where the stick rests. A hold, a preset and an idle stick look alike.",
        "Weapon removed, wheels off the ground, robot restrained: hold the stick off its "
        "rest while switching off.",
    )


def _is_held(loss: Loss, around: tuple[Stretch, ...], first: int, end: int, rest: Rest) -> bool:
    """Say whether what stands first after the loss is held, not an idle stick.

    It is where the stick was off rest, or where its movement froze at the loss.
    """
    if loss.is_inferred:
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


@dataclass(frozen=True, slots=True)
class Rest:
    """Where a channel's stick may rest."""

    # The widths round the usual rest position: the stop range where one is known, otherwise the
    # convention's neutral with room for trim
    low_us: float
    high_us: float
    # Where the channel stood longest; None where it never stood still, or where the stop range says
    # where it rests
    stays_us: float | None
    lowest_us: float | None  # Its lowest dwell, for a channel that has none near neutral
    away_us: float  # How far off rest a stick must be to be off it for certain
    is_known: bool  # Whether the recording or the stop range tell where the stick rests

    def is_at_rest(self, level_us: float) -> bool:
        """Say whether a level is, or may be, one at which the stick rests."""
        if self.low_us <= level_us <= self.high_us:
            return True
        if self.stays_us is not None and abs(level_us - self.stays_us) <= self.away_us:
            return True
        return self.lowest_us is not None and level_us <= self.lowest_us + self.away_us

    def is_away(self, level_us: float) -> bool:
        """Say whether a level is known to be off rest, which needs a rest to compare with."""
        return self.is_known and not self.is_at_rest(level_us)


def find_rest(dwells: Dwells, convention: Convention, band: StopBand | None) -> Rest:
    """Find where a channel's stick rests."""
    away_us = AWAY * convention.span_us
    if band is not None:
        low_us, high_us = band.low_us - away_us, band.high_us + away_us
        return Rest(low_us, high_us, None, None, away_us, is_known=True)
    stays_us = pooled_level_us(dwells, convention.span_us)
    reach_us = NEUTRAL_REACH * convention.span_us
    low_us, high_us = convention.neutral_us - reach_us, convention.neutral_us + reach_us
    has_neutral = bool(np.any((dwells.level_us >= low_us) & (dwells.level_us <= high_us)))
    lowest_us = None if has_neutral or not len(dwells) else float(dwells.level_us.min())
    is_known = stays_us is not None
    return Rest(low_us, high_us, stays_us, lowest_us, away_us, is_known)


def entry_place(response: Response, expected: Expectation) -> int:
    """Place of the stretch with which the device's standing still began."""
    during, band = response.during, expected.band
    place = len(during) - 1
    while place > 0:
        before = during[place - 1]
        if before.kind is Kind.QUIET:
            stops = bool(expected.no_pulses_stop)
        else:
            stops = band is not None and _is_inside(before, band)
        if not stops:
            break
        place -= 1
    return place


def _is_inside(stretch: Stretch, band: StopBand) -> bool:
    """Say whether a stretch lies in the stop range, a few pulses that do not stand as well."""
    ends_us = (stretch.level_us, stretch.first_us, stretch.last_us)
    held = ends_us[:1] if stretch.kind is Kind.STANDS else ends_us
    return all(band.holds(us) for us in held)


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
    """One step of what an output did in a loss."""

    # `stands` where a hold or a preset cannot be told from a stick; `ramps` for a movement in one
    # direction, which a hand may have made as well
    kind: PhaseKind
    # Its time span in seconds since the capture's start
    start_s: float
    end_s: float
    level_us: float | None  # The width at which it stood, or at which a ramp ended


def phases_of(loss: Loss, response: Response, frame_s: float) -> tuple[Phase, ...]:
    """Tell a response as a sequence of phases from the loss to the return."""
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
