"""What else may have caused what a loss shows, and what in the recording refutes it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple

from pwmscope.findings.failsafe.delays import MACHINE_ODDS, PERSON
from pwmscope.findings.failsafe.evidence import Evidence
from pwmscope.findings.failsafe.losses import JUMP, Loss
from pwmscope.findings.failsafe.marker import Expectation, Polarity
from pwmscope.findings.failsafe.response import (
    LINK_S,
    Change,
    ChangeKind,
    LossClass,
    Response,
    entry_place,
)
from pwmscope.findings.failsafe.segments import Kind

SETTLES_S: Final = 0.3
"""A ramp is over by so long after it seems to be."""
EXTRA_FRAMES: Final = 5
"""A loss must be seen for so many frames longer than the limit."""
TOGETHER: Final = 2
"""So many losses in which lines changed together, with one delay, are no hand's."""
SLOW_RAMP_S: Final = 0.3
"""Two hands move two sticks evenly together for no longer (common practice, from memory)."""
OWNED: Final = 3
"""So many changes in one frame with a line that the receiver moved are no hand's by chance."""
SLOWED: Final = 3
"""So many changes with which the frame rate changed are no hand's by chance."""
CLOSE_TOGETHER: Final = 3
"""And so many in which they changed and returned together, where a hand may have moved."""
PULL_ODDS: Final = 1e-4
"""Stops whose delays a person would make alike with smaller odds are a machine's."""
SPREAD_S: Final = 0.25
"""A receiver's delays differ by no more, nor a marker's that is late by no more than it may be."""
QUICK_RETURN_S: Final = 0.08
"""No hand takes a stick from one place to another in less (common practice, from memory)."""
FOLLOW_S: Final = 3.0
"""A stick must be followed so soon after a return that no marker shows."""
STAYS_S: Final = 0.5
"""And losses must differ so much in length, or a receiver's own timer may have ended them."""


class Cause(StrEnum):
    """Another explanation of what was recorded than a failsafe that works."""

    NEVER_LOST = "the link was never lost"
    HAND = "a hand let go or moved a stick or a switch"
    UNPLUGGED = "a plug or a probe came off"
    SUPPLY = "the supply or the receiver went off or restarted"
    REVERSED_MARKER = "the marker is upside down"
    LATE_MARKER = "the marker is late or bounces"
    BACK_EARLY = "the link was back already"
    HELD = "the device stood still before, and the receiver holds"
    LEFT_EARLY = "the output ran before the link was back"
    UPSIDE_DOWN = "the line is read upside down"
    DAMAGED = "frames were damaged"


class Ground(StrEnum):
    """What refutes a cause, or what leaves it open."""

    BACK_TOGETHER = "two sticks' lines returned together"
    TOGETHER = "two sticks' lines changed together"
    GONE_BEFORE = "two sticks' lines had changed together before"
    ENDED_WITH = "another line's pulses ended with it, which no stick does"
    RAMPED = "two sticks' lines moved together for longer than hands keep in step"
    SLOWED = "its frame rate changed with it, which no stick does"
    OWN_WIDTH = "it went to a width at which its stick was never seen"
    PLACED = "it went to one and the same width each time, where its stick was never seen"
    OTHER_OWN_WIDTH = "a line that changed with it went to a width no stick commands"
    MACHINE = "its delay is a machine's"
    PULSES_ENDED = "pulses ended, which no stick does"
    NO_CHANGE = "nothing changed"
    PULSES_SEEN = "pulses went on"
    OTHER_WENT_ON = "another line changed with it and went on"
    CHANGED_WITH = "another line changed with it"
    EVERY_TIME = "the same pause came in every loss"
    KEPT_BEAT = "its frames came on in their old beat, as after no start"
    STATED = "it is stated"
    SHOWN = "the outputs show it"
    NO_MARKER = "no marker is used"
    COUNTED = "it is counted against the limit"
    LASTED = "the marker showed off for longer"
    FOLLOWED_SOON = "a stick was followed soon after"
    WAS_OUTSIDE = "it was outside its stop range before"
    STAYED = "it stayed in its stop range until then"
    READ_ONE_WAY = "only one reading has servo pulses"
    WHOLE = "all frames are whole"
    TURNED_AGAIN = "its rotor turned again later"
    WAS_TURNING = "its rotor turned at a steady speed before"
    STARTED_WHILE_ON = "its rotor was stopped and started while the marker shows on"
    SUPPLY_HELD = "the recorded supply did not sag"
    # From here on they leave it open.
    OPEN = "nothing refutes it"
    FOLLOWS = "an output still followed a moving stick"
    SMOOTH = "the output moved smoothly"
    SMALL = "the change is small"
    UNCLEAR = "the change is not clear"
    SEEN_CLOSE = "it came with the loss itself"
    ONE_SWITCH = "one switch may have moved all of them"
    ALL_ENDED = "one plug may carry all of them"
    NOT_BACK = "the pulses did not come back with the link"
    OFF_IN_SILENCE = "a plug may have been off in the silence"
    PAUSED = "lines paused as in a restart"
    POLARITY = "which level means on is not known"
    CONTRADICTED = "the outputs contradict the marker"
    SHORT = "the loss was too short"
    SPREAD = "the delays after the marker differ by more than it may be late"
    STATED_SPREAD = "the delays after the stated times differ by more than a receiver's do"
    UNMARKED_RETURN = "the return is not marked"
    RESUMED = "pulses came again before the marker, and no return was seen after it"
    INSIDE = "it was inside its stop range before"
    NEVER_IN = "it was outside its stop range before, and did not go into it"
    NO_RANGE = "its stop range is not known"
    LEAPT = "it left its stop range"
    QUICK_RETURN = "it left faster than a hand, and in several steps"
    EITHER_WAY = "both readings have servo pulses"
    BROKEN = "frames are missing"
    RAN_DOWN = "its rotor did not turn at a steady speed before"
    SAGGED = "the supply may have sagged, or was not recorded"


_REFUTE: Final = frozenset(list(Ground)[: list(Ground).index(Ground.OPEN)])


class Alternative(NamedTuple):
    """One alternative cause of one loss of one line."""

    cause: Cause  # The cause
    ground: Ground  # What refutes it, or leaves it open
    lines: tuple[str, ...] = ()  # Other lines that show it
    at_s: float | None = None  # When
    odds: float | None = None  # The odds that it was so all the same, where they were reckoned
    losses: int | None = None  # In how many losses, where that counts

    @property
    def refuted(self) -> bool:
        """Whether the recording refutes it."""
        return self.ground in _REFUTE


@dataclass(frozen=True, slots=True)
class Setting:
    """What all losses of one line share."""

    line: str  # Its name
    expected: Expectation  # What the bench sheet expects of it
    limit_s: float  # The failsafe limit
    # Frame period, the convention's span, and what counts as one level
    frame_s: float
    span_us: float
    range_us: float
    end_s: float  # End of the capture
    polarity: Polarity  # How it is known which level of the marker means on
    reads_either_way: bool = False  # Whether the line's other polarity has servo pulses as well
    # From when to when frames of it are missing or cannot be read
    damaged_s: tuple[tuple[float, float], ...] = ()
    # Whether the recording's times are those of servo lines at another sample rate only
    is_time_doubted: bool = False
    is_lateness_known: bool = True
    losses: int = 0  # How many losses of it were recorded
    is_switch: bool = False  # Whether a wire on the transmitter's own switch marks them


@dataclass(frozen=True, slots=True)
class Case:
    """All that the verdict on one loss of one line rests on."""

    loss: Loss  # The loss
    response: Response  # What the line did
    evidence: Evidence  # What bears on it, the other lines included
    setting: Setting  # What all losses of the line share
    # How far the difference of two instants may be off: a sample interval and the clock; None where
    # the sample interval is not known
    error_s: float | None
    # As in `StopTimes`; NaN where there is no stop range
    stopped_s: float
    last_outside_s: float
    before_us: float
    # As in `StopTimes`
    was_outside: bool
    ran_on: bool

    @property
    def behaviour(self) -> LossClass | None:
        """What the line did in the end; None where that is not told, or it was no loss."""
        return None if self.loss.is_restart else self.response.behaviour

    @property
    def lasted_s(self) -> float:
        """How long the loss lasted at least: a width that no stick commands shows it as well."""
        return max(self.loss.back_s, self.evidence.own_until_s) - self.loss.latest_s

    @property
    def needed_s(self) -> float:
        """How long it must last to show anything."""
        return self.setting.limit_s + EXTRA_FRAMES * self.setting.frame_s

    @property
    def is_short(self) -> bool:
        """Whether it was over too soon."""
        return self.lasted_s < self.needed_s

    @property
    def stop_least_s(self) -> float:
        """Least time from the loss until the device was commanded to stand still."""
        own_s = (self.setting.expected.no_pulses_after_s or 0.0) if self.ran_on else 0.0
        return max(0.0, self.last_outside_s + own_s - self.loss.gone_by_s)

    @property
    def stop_most_s(self) -> float:
        """Most time from the loss until then; infinity where it never was."""
        return self.stopped_s - self.loss.earliest_s + (self.error_s or 0.0)

    @property
    def moves_on(self) -> bool:
        """Whether it moved smoothly, and no machine is shown to have made it do so."""
        return self.response.moved_until_s is not None and not self.evidence.is_ramp

    @property
    def settles_s(self) -> float:
        """How much later than it seems a ramp may be over; 0 for a jump."""
        entry = self.evidence.entry
        if entry is None or entry.end_s <= entry.by_s:
            return 0.0
        slope_us = entry.far_us / (entry.end_s - entry.after_s)
        return min(self.setting.range_us / max(slope_us, 1.0), SETTLES_S)

    @property
    def needs_device_time(self) -> bool:
        """Whether the device ran on without pulses for a time that is not known."""
        return self.ran_on and self.setting.expected.no_pulses_after_s is None


def alternatives_of(case: Case) -> tuple[Alternative, ...]:
    """List every alternative cause of one loss of one line, with what refutes it."""
    return tuple([ask(case) for ask in ASKED])


def first_open(case: Case) -> Alternative | None:
    """Return the first cause that nothing refutes; None where all are refuted."""
    return next((answer for ask in ASKED if not (answer := ask(case)).refuted), None)


def never_lost(case: Case) -> Alternative:  # noqa: PLR0911 - an answer for each ground
    """Ask whether the link may never have been lost."""
    cause, evidence, entry = Cause.NEVER_LOST, case.evidence, case.evidence.entry
    if case.behaviour is LossClass.KEEPS_FOLLOWING or case.moves_on:
        until_s = case.response.moved_until_s
        return Alternative(cause, Ground.FOLLOWS, (case.setting.line,), until_s)
    if evidence.follows:
        return Alternative(cause, Ground.FOLLOWS, (evidence.follows,))
    if evidence.back_lines:
        lines, at_s = evidence.back_lines, evidence.back_s
        return Alternative(cause, Ground.BACK_TOGETHER, lines, at_s)
    if entry is None:
        return Alternative(cause, Ground.OPEN)
    if entry.kind in _ENDED:
        return Alternative(cause, Ground.PULSES_ENDED, (), entry.by_s)
    if evidence.partner and evidence.together >= TOGETHER and not evidence.is_close:
        lines = (case.setting.line, evidence.partner)
        return Alternative(cause, Ground.TOGETHER, lines, entry.by_s, None, evidence.together)
    if evidence.odds <= MACHINE_ODDS:
        return Alternative(cause, Ground.MACHINE, (), entry.by_s, evidence.odds)
    if evidence.placed_odds <= MACHINE_ODDS:
        return Alternative(cause, Ground.PLACED, (), entry.by_s, evidence.placed_odds)
    if evidence.slowed >= SLOWED:
        return Alternative(cause, Ground.SLOWED, (), entry.by_s, None, evidence.slowed)
    return Alternative(cause, Ground.OPEN)


_ENDED: Final = (ChangeKind.STOP, ChangeKind.START)


def by_hand(case: Case) -> Alternative:  # noqa: PLR0911 - an answer for each ground
    """Ask whether a hand may have moved the output to where the device stands still."""
    cause, evidence, entry = Cause.HAND, case.evidence, case.evidence.entry
    if entry is None:
        if entry_place(case.response, case.setting.expected) > 0:
            return Alternative(cause, Ground.UNCLEAR)
        return Alternative(cause, Ground.NO_CHANGE)
    at_s = entry.by_s
    if entry.kind in _ENDED:
        return Alternative(cause, Ground.PULSES_ENDED, (), at_s)
    if evidence.placed_odds <= MACHINE_ODDS:
        return Alternative(cause, Ground.PLACED, (), at_s, evidence.placed_odds)
    if evidence.ramped:
        return Alternative(cause, Ground.RAMPED, (), at_s, None, evidence.ramped)
    # A receiver slows its frames when it has waited for packets: none brought a command since.
    # One that does so at once may still pass on what a thumb did at the switch.
    if evidence.slowed >= SLOWED and not evidence.is_close:
        return Alternative(cause, Ground.SLOWED, (), at_s, None, evidence.slowed)
    doubt = _doubt_about(case, entry)
    if doubt is not None:
        return Alternative(cause, doubt, (), at_s)
    if evidence.odds <= MACHINE_ODDS:
        return Alternative(cause, Ground.MACHINE, (), at_s, evidence.odds)
    if evidence.partner and _is_shown_with(evidence):
        return _with_partner(case, at_s)
    gone_s = evidence.gone_s
    is_gone = gone_s is not None and gone_s < entry.after_s and bool(evidence.back_lines)
    if is_gone and not evidence.is_close and evidence.own_width:
        return Alternative(cause, Ground.GONE_BEFORE, evidence.gone_lines, gone_s)
    ground = Ground.SEEN_CLOSE if evidence.is_close else Ground.OPEN
    return Alternative(cause, ground, (), at_s)


def _doubt_about(case: Case, entry: Change) -> Ground | None:
    """Say why a change proves nothing whatever came with it; None where it may."""
    is_machine = case.evidence.is_ramp or bool(case.evidence.partner)
    if entry.kind is ChangeKind.MOVE and not is_machine:
        return Ground.SMOOTH
    if entry.far_us < JUMP * case.setting.span_us:
        return Ground.SMALL
    if not case.evidence.partner and not _stands_long(case, entry):
        return Ground.UNCLEAR
    return None


def _is_shown_with(evidence: Evidence) -> bool:
    """Say whether lines that changed together also returned, or did so again and again."""
    if evidence.is_close:
        return bool(evidence.back_partner) and evidence.both >= CLOSE_TOGETHER
    return bool(evidence.back_lines) or evidence.together >= TOGETHER


def _with_partner(case: Case, at_s: float) -> Alternative:
    """Ask whether one switch, or two hands, may have moved lines that changed together."""
    cause, evidence = Cause.HAND, case.evidence
    lines = (case.setting.line, evidence.partner)
    if evidence.ended_with:
        return Alternative(cause, Ground.ENDED_WITH, lines, at_s)
    entry, count = evidence.entry, evidence.together
    is_slow = entry is not None and entry.end_s - entry.after_s >= SLOW_RAMP_S
    if is_slow and count >= CLOSE_TOGETHER:
        return Alternative(cause, Ground.RAMPED, lines, at_s, None, count)
    if evidence.own_width:
        return Alternative(cause, Ground.OWN_WIDTH, lines, at_s)
    if evidence.owned >= OWNED:
        return Alternative(cause, Ground.OTHER_OWN_WIDTH, lines, at_s, None, evidence.owned)
    return Alternative(cause, Ground.ONE_SWITCH, lines, at_s)


def _stands_long(case: Case, entry: Change) -> bool:
    """Say whether it stood before and after its change, as a link that brings steps does not."""
    during = case.response.during
    before, into = during[entry.place - 1], during[entry.place]
    return min(before.end_s - before.start_s, into.end_s - into.start_s) >= LINK_S


def unplugged(case: Case) -> Alternative:
    """Ask whether a plug or a probe may have come off this line."""
    cause, evidence, entry = Cause.UNPLUGGED, case.evidence, case.evidence.entry
    if not any(stretch.kind is Kind.QUIET for stretch in case.response.during):
        return Alternative(cause, Ground.PULSES_SEEN)
    if case.response.is_quiet and not _is_back(case):
        return Alternative(cause, Ground.NOT_BACK)
    at_s = None if entry is None else entry.by_s
    if evidence.stop_partner and (evidence.goes_on or not case.response.is_quiet):
        return Alternative(cause, Ground.CHANGED_WITH, (evidence.stop_partner,), at_s)
    # A person who unplugs all lines does so by habit: when they come again says nothing, as where
    # the receiver was silent by then, the return is its own.
    odds = evidence.pull_odds * (PERSON if evidence.stop_partner else 1.0)
    # A plug that was pulled and put back in the silence hides what came meanwhile; only a return
    # with outputs that jump back shows that the pulses came again by the link.
    if odds <= PULL_ODDS and evidence.back_lines:
        return Alternative(cause, Ground.MACHINE, (), at_s, odds)
    if evidence.stop_partner:
        return Alternative(cause, Ground.ALL_ENDED, (evidence.stop_partner,), at_s)
    ground = Ground.OFF_IN_SILENCE if odds <= PULL_ODDS else Ground.OPEN
    return Alternative(cause, ground, (), at_s)


def _is_back(case: Case) -> bool:
    """Say whether the pulses came back with the link."""
    departures = case.response.departures
    return (
        case.loss.came_back
        and bool(departures)
        and departures[0].kind is ChangeKind.START
        and not case.evidence.alone_back
    )


def supply_failed(case: Case) -> Alternative:
    """Ask whether the supply or the receiver may have gone off, or restarted."""
    cause, evidence = Cause.SUPPLY, case.evidence
    kept = Alternative(cause, Ground.KEPT_BEAT, (), None, evidence.beat_odds)
    in_beat, is_quiet = evidence.beat_odds <= MACHINE_ODDS, case.response.is_quiet
    if evidence.restarted and evidence.restart_odds > MACHINE_ODDS and not in_beat:
        return Alternative(cause, Ground.PAUSED)
    if evidence.restarted and not is_quiet:
        odds = evidence.restart_odds
        every = Alternative(cause, Ground.EVERY_TIME, (), None, odds)
        return every if odds <= MACHINE_ODDS else kept
    if not is_quiet:
        return Alternative(cause, Ground.PULSES_SEEN)
    if evidence.goes_on:
        return Alternative(cause, Ground.OTHER_WENT_ON, (evidence.goes_on,))
    if in_beat:
        return kept
    # A supply that goes off with the transmitter, by a relay, has a machine's delay as well.
    return Alternative(cause, Ground.OPEN)


def marker_reversed(case: Case) -> Alternative:
    """Ask whether the marker may show on where the transmitter is off."""
    cause = Cause.REVERSED_MARKER
    if not case.loss.is_marked:
        return Alternative(cause, Ground.NO_MARKER)
    return Alternative(cause, _OF_POLARITY[case.setting.polarity])


_OF_POLARITY: Final = {
    Polarity.STATED: Ground.STATED,
    Polarity.SHOWN: Ground.SHOWN,
    Polarity.ASSUMED: Ground.POLARITY,
    Polarity.CONTRADICTED: Ground.CONTRADICTED,
}


def marker_late(case: Case) -> Alternative:
    """Ask whether the moment of loss may be wrong by more than is counted."""
    ground = Ground.OPEN if case.loss.is_inferred else Ground.COUNTED
    if not case.loss.is_inferred and case.evidence.spread_s > case.loss.moment.late_s + SPREAD_S:
        ground = Ground.SPREAD if case.loss.is_marked else Ground.STATED_SPREAD
    return Alternative(Cause.LATE_MARKER, ground)


def back_early(case: Case) -> Alternative:
    """Ask whether the link may have been back before the limit was over."""
    cause, loss, evidence = Cause.BACK_EARLY, case.loss, case.evidence
    if case.is_short:
        return Alternative(cause, Ground.SHORT)
    if loss.is_marked:
        again = [c for c in case.response.changes if c.kind is ChangeKind.START]
        # A return shows as a jump to a held stick; a hand moves on more slowly.
        jumps = [c for c in case.response.departures[:1] if c.kind is ChangeKind.JUMP]
        if again and not jumps:
            return Alternative(cause, Ground.RESUMED, (), again[0].by_s)
        return Alternative(cause, Ground.LASTED, (), loss.back_s)
    is_varied = evidence.stays_s >= STAYS_S
    if loss.is_return_shown and evidence.back_lines and is_varied and evidence.follow_s <= FOLLOW_S:
        return Alternative(cause, Ground.FOLLOWED_SOON, evidence.back_lines, evidence.back_s)
    return Alternative(cause, Ground.UNMARKED_RETURN)


def held(case: Case) -> Alternative:
    """Ask whether the device stood still already, so that a hold looks the same."""
    ground = _where_held(case)
    if case.was_outside and case.evidence.entry is not None:
        ground = Ground.WAS_OUTSIDE
    elif case.behaviour is LossClass.PULSES_STOP:
        ground = Ground.PULSES_ENDED
    return Alternative(Cause.HELD, ground)


def _where_held(case: Case) -> Ground:
    """Say where an output stood that nothing moved."""
    if case.setting.expected.band is None:
        return Ground.NO_RANGE
    return Ground.NEVER_IN if case.was_outside else Ground.INSIDE


def left_early(case: Case) -> Alternative:
    """Ask whether the output left its stop range before the link was back."""
    leaps = case.evidence.leaps
    if leaps:
        return Alternative(Cause.LEFT_EARLY, Ground.LEAPT, (), leaps[0].at_s)
    first = case.response.departures[0] if case.response.departures else None
    if first is not None and _is_too_quick(first, case):
        return Alternative(Cause.LEFT_EARLY, Ground.QUICK_RETURN, (), first.by_s)
    is_in = case.evidence.entry is not None or case.behaviour is LossClass.PULSES_STOP
    if not is_in and _where_held(case) is not Ground.INSIDE:
        return Alternative(Cause.LEFT_EARLY, _where_held(case))
    return Alternative(Cause.LEFT_EARLY, Ground.STAYED, (), case.evidence.back_s)


def _is_too_quick(first: Change, case: Case) -> bool:
    """Say whether an output left faster than a hand, and not in one step as a return does.

    A pulse of its own just before the return looks the same.
    """
    return (
        first.kind is ChangeKind.MOVE
        and not case.evidence.back_partner
        and first.end_s - first.after_s < QUICK_RETURN_S
        and first.far_us >= JUMP * case.setting.span_us
    )


def read_upside_down(case: Case) -> Alternative:
    """Ask whether the line's other polarity has servo pulses as well."""
    is_open = case.setting.reads_either_way
    return Alternative(Cause.UPSIDE_DOWN, Ground.EITHER_WAY if is_open else Ground.READ_ONE_WAY)


def frames_damaged(case: Case) -> Alternative:
    """Ask whether frames of the loss are missing or cannot be read."""
    for begin_s, end_s in case.setting.damaged_s:
        if begin_s <= case.evidence.until_s and case.loss.earliest_s <= end_s:
            return Alternative(Cause.DAMAGED, Ground.BROKEN, (), begin_s)
    return Alternative(Cause.DAMAGED, Ground.WHOLE)


ASKED: Final[tuple[Callable[[Case], Alternative], ...]] = (
    never_lost,
    by_hand,
    unplugged,
    supply_failed,
    marker_reversed,
    marker_late,
    back_early,
    held,
    left_early,
    read_upside_down,
    frames_damaged,
)
"""One question for each cause."""
