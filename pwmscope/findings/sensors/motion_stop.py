"""Whether a device is slow in time after a signal loss, by the marks of its rotor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.sensors.marks import (
    SUSTAINED,
    Marks,
    SlowDown,
    below_per_minute,
    fall_below,
)
from pwmscope.model import (
    FROM_MAD,
    PS_PER_S,
    WORST_FIRST,
    BoolArray,
    Evidence,
    Finding,
    FloatArray,
    Line,
    Verdict,
    format_line,
    not_shown,
)

MOTION_STOP: Final = "motion stop"
BEFORE_S: Final = 1.0
"""The rotor must turn faster than the stated speed in so many seconds before the loss."""
MIN_EVEN: Final = 7
EVEN: Final = 1.5
"""So many intervals, four fifths of them alike within this factor, are those of even marks."""
MIN_AGAIN: Final = 3
"""So many marks later in the recording show that the sensor still sees them."""
REST_S: Final = 0.3
"""Between two spells of turning no mark came fast for so long."""
SLOWED: Final = 0.05
"""A rotor that lost this part of its speed for good slows down."""
UNEVEN: Final = 6.0
"""Or so many deviations of its speed before, where that is more."""
MAX_UNEVEN: Final = 0.3
"""No more than this part, or its speed tells nothing."""
FITTED: Final = 0.7
MIN_FITTED: Final = 5
"""A line is fitted to so many speeds of its fall at least, down to this part of its speed."""
FITTED_S: Final = 0.2
"""And only to a fall that takes longer; of a quicker one the first slow mark tells as well."""
KEPT: Final = 0.98
"""A rotor that still has this part of its speed is driven; friction takes more in a second."""
KEPT_S: Final = 1.0
SPEEDS_UP: Final = 1.25
"""One that turns faster by this factor than it did since is driven as well."""
DRIVEN: Final = 0.5
"""A rotor that comes to this part of its usual speed is driven; a hand turns it more slowly."""
RAN: Final = 0.8
"""And one that came to this part of it ran."""
DRIVEN_S: Final = 0.3
"""A driven rotor turns for longer than this."""


@dataclass(frozen=True, slots=True)
class Rotor:
    """A rotor as its sensor shows it."""

    # The sensor's line, and that of the device that turns
    line: str
    of: str
    marks: Marks  # When its marks passed
    per_turn: int | None  # Marks that pass in each turn; None where that is not stated
    slow_per_minute: float  # It counts as slow when it makes fewer turns a minute
    limit_s: float  # Longest time from the loss until it must be slow
    limit_from: str  # Where that limit stands, as a clause

    @property
    def slow_hz(self) -> float:
        """The stated speed in turns a second."""
        return self.slow_per_minute / 60.0


@dataclass(frozen=True, slots=True)
class LossMoment:
    """When one signal loss was, as far as a rotor is concerned."""

    lost_s: float  # Its moment, in seconds since the recording's start
    # Between which the signal went; a transmitter may send on for a moment after its switch
    earliest_s: float
    latest_s: float
    back_s: float  # The earliest that it may have been back, or the recording's end
    # How far the difference of two instants may be off; None where that is not known
    error_s: float | None
    doubt: str  # Why the moment is not certain, as a sentence; empty where it is


@dataclass(frozen=True, slots=True)
class MotionStop:
    """What a rotor did after one loss."""

    lost_s: float  # The moment of loss
    verdict: Verdict  # Whether it was slow in time
    reason: str  # Why, as a sentence
    # Least and most time from the loss until it was slower than stated; None where that is not seen
    slow_s: tuple[float, float] | None
    # Turns a minute just before the loss; None where too few marks tell
    before_per_minute: float | None
    silent_s: float  # How long no mark came before the link was back
    # So it turned more slowly than this at the end; None where the marks in a turn are not stated
    below_per_minute: float | None


@dataclass(frozen=True, slots=True)
class Motion:
    """What a rotor did after the losses of a recording."""

    line: str  # The sensor's line
    stops: tuple[MotionStop, ...]  # One for each loss, in order
    finding: Finding  # `motion stop`, held against the limit of its own


def looks_like_marks(line: Line, lost_s: float) -> bool:
    """Say whether a line shows even marks in the second before a loss, as a turning rotor's are.

    Such a line may be a rotation line that the bench sheet does not list.
    """
    rises_ps = line.rises_ps()
    within = slice(
        *np.searchsorted(
            rises_ps, (round((lost_s - BEFORE_S) * PS_PER_S), round(lost_s * PS_PER_S))
        )
    )
    interval_ps = np.diff(rises_ps[within])
    if interval_ps.size < MIN_EVEN:
        return False
    low, high = np.quantile(interval_ps, (0.1, 0.9))
    return bool(high < EVEN * low)


def judge_motion(rotor: Rotor, losses: Sequence[LossMoment]) -> Motion:
    """Judge what a rotor did after each loss."""
    return put_together(rotor, tuple(_judge(rotor, loss) for loss in losses))


def put_together(rotor: Rotor, stops: tuple[MotionStop, ...]) -> Motion:
    """Make one finding of what a rotor did after each loss; the worst governs."""
    return Motion(rotor.line, stops, _finding(rotor, stops))


def missing_motion(line: str, limit: str, lost_s: Sequence[float]) -> Motion:
    """Say of some losses that the recording does not hold the rotation line of the sheet."""
    why = (
        f"The sheet names the rotation line {format_line(line)}, and the recording does not hold "
        "it. Record it as well."
    )
    seen = tuple(Evidence(at_s, at_s, 0) for at_s in lost_s)
    return Motion(line, (), replace(not_shown(MOTION_STOP, "s", why, limit=limit), evidence=seen))


def limit_of(rotor: Rotor) -> str:
    """Say what the motion is held against."""
    return (
        f"slower than {rotor.slow_per_minute:g} turns a minute within {rotor.limit_s:g} s of "
        f"the loss ({rotor.limit_from})"
    )


def _judge(rotor: Rotor, loss: LossMoment) -> MotionStop:
    marks, per_turn = rotor.marks, rotor.per_turn
    last = marks.first_at(loss.back_s)
    last_s = float(marks.seconds(last - 1, last)[0]) if last else -math.inf
    silent_s = loss.back_s - max(last_s, loss.earliest_s)
    below = None if per_turn is None else below_per_minute(silent_s, per_turn)
    before = _before(rotor, loss)

    def told(
        verdict: Verdict, reason: str, slow_s: tuple[float, float] | None = None
    ) -> MotionStop:
        return MotionStop(loss.lost_s, verdict, reason, slow_s, before, silent_s, below)

    if per_turn is None:
        return told(
            Verdict.NOT_SHOWN,
            f"How many marks pass in a turn is not stated (marks_per_turn). No mark came for "
            f"{silent_s:.2f} s before the link was back.",
        )
    if loss.error_s is None:
        return told(
            Verdict.NOT_SHOWN,
            Reason(
                "The sample interval is not known, so no time is exact.",
                "State the analyser's setting (`rate`).",
            ),
        )
    if before is None:
        return told(
            Verdict.NOT_SHOWN,
            f"It did not turn faster than {rotor.slow_per_minute:g} turns a minute in the "
            f"second before the loss. In the closed test box, run it up first.",
        )
    found = fall_below(marks, per_turn, rotor.slow_hz, loss.earliest_s, loss.back_s)
    if found is None:
        return told(*_still_fast(rotor, per_turn, loss))
    least_s = max(0.0, found.least_s - loss.latest_s - loss.error_s)
    most_s = max(0.0, found.most_s - loss.earliest_s + loss.error_s)
    return told(*_held(rotor, loss, found, least_s, most_s), (least_s, most_s))


def _before(rotor: Rotor, loss: LossMoment) -> float | None:
    """Return the turns a minute just before a loss; None where they were not above the stated."""
    if rotor.per_turn is None:
        return None
    marks, slow_hz = rotor.marks, rotor.slow_hz
    end = marks.first_at(loss.earliest_s)
    begin = max(marks.first_at(loss.earliest_s - BEFORE_S), end - rotor.per_turn - 1)
    if end - begin < 2:
        return None
    time_s = marks.seconds(begin, end)
    turns = (marks.number[end - 1] - marks.number[begin]) / rotor.per_turn
    hz = float(turns / (time_s[-1] - time_s[0]))
    # A mark that is overdue shows that it was slower already.
    overdue = loss.earliest_s - time_s[-1] > 1.0 / (rotor.per_turn * slow_hz)
    return None if hz <= slow_hz or overdue else 60.0 * hz


def _still_fast(rotor: Rotor, per_turn: int, loss: LossMoment) -> tuple[Verdict, str]:
    """Judge a rotor that is not seen to be slow before the link is back."""
    marks = rotor.marks
    begin, end = max(marks.first_at(loss.earliest_s) - 1, 0), marks.first_at(loss.back_s)
    time_s = marks.seconds(begin, end)
    turns = marks.number[begin:end] / per_turn
    fast = np.flatnonzero(np.diff(turns) >= rotor.slow_hz * np.diff(time_s))
    fast_s = float(time_s[fast[-1]]) - loss.latest_s - (loss.error_s or 0.0) if fast.size else 0.0
    speed = f"{rotor.slow_per_minute:g} turns a minute"
    if fast_s >= rotor.limit_s and not loss.doubt:
        return Verdict.DOES_NOT_MEET, (
            f"{fast_s:.2f} s after the loss it still turned faster than {speed}. The limit is "
            f"{rotor.limit_s:g} s."
        )
    if fast_s >= rotor.limit_s:
        return Verdict.NOT_SHOWN, loss.doubt
    lasted_s = loss.back_s - loss.latest_s
    return Verdict.NOT_SHOWN, (
        f"It was not seen slower than {speed} before the link was back, {lasted_s:.2f} s after "
        "the loss. Keep the transmitter off for longer."
    )


def _held(
    rotor: Rotor, loss: LossMoment, found: SlowDown, least_s: float, most_s: float
) -> tuple[Verdict, str]:
    """Hold the time until a rotor was slow against its limit."""
    speed = f"slower than {rotor.slow_per_minute:g} turns a minute"
    if loss.doubt:
        return Verdict.NOT_SHOWN, loss.doubt
    if least_s >= rotor.limit_s:
        return Verdict.DOES_NOT_MEET, (
            f"It was {speed} only {least_s:.2f} s after the loss. The limit is {rotor.limit_s:g} s."
        )
    if most_s > rotor.limit_s:
        return Verdict.NOT_SHOWN, (
            f"It was {speed} {least_s:.2f} to {most_s:.2f} s after the loss. The limit of "
            f"{rotor.limit_s:g} s lies between."
        )
    if not found.coasted and len(rotor.marks) - rotor.marks.first_at(loss.back_s) < MIN_AGAIN:
        return Verdict.NOT_SHOWN, (
            "Its marks ended at once. A brake and a sensor that came off look the same. Record "
            "until it turns again."
        )
    return Verdict.MEETS, f"It was {speed} within {most_s:.2f} s of the loss."


def _finding(rotor: Rotor, stops: tuple[MotionStop, ...]) -> Finding:
    limit = limit_of(rotor)
    if not stops:
        why = "No signal loss was recorded while this rotor was watched."
        return not_shown(MOTION_STOP, "s", why, limit=limit)
    worst = min(stops, key=lambda stop: (WORST_FIRST.index(stop.verdict), -_most_s(stop)))
    which = "" if len(stops) == 1 else f" The loss at {worst.lost_s:.3f} s decides."
    reason, also = worst.reason, f"{which}{_bound(rotor, worst)}"
    sentence = f"{reason}{also}"
    if isinstance(reason, Reason):
        sentence = Reason(f"{reason.why}{also}", reason.to_do)
    most_s = None if worst.slow_s is None else worst.slow_s[1]
    seen = Evidence(worst.lost_s, worst.lost_s + (most_s or 0.0), 0)
    return Finding(
        MOTION_STOP, most_s, "s", None, limit, worst.verdict, (seen,), sentence,
        interval=worst.slow_s,
    )  # fmt: skip


def _most_s(stop: MotionStop) -> float:
    return math.inf if stop.slow_s is None else stop.slow_s[1]


def _bound(rotor: Rotor, stop: MotionStop) -> str:
    """Say below which speed a rotor was in the end, by how long no mark came."""
    if stop.below_per_minute is None or stop.below_per_minute > rotor.slow_per_minute:
        return ""
    return (
        f" No mark came for {stop.silent_s:.2f} s before the link was back, so it turned below "
        f"{stop.below_per_minute:.3g} turns a minute."
    )


@dataclass(frozen=True, slots=True)
class Spells:
    """The stretches in which a rotor turned faster than stated, as columns of shape (n,)."""

    begin_s: FloatArray
    end_s: FloatArray
    top_hz: FloatArray  # The highest speed of a whole turn in it
    first_hz: FloatArray  # The speed between its first two marks

    def within(self, from_s: float, to_s: float) -> Spells:
        """Return those that begin within a span."""
        return self.where((self.begin_s >= from_s) & (self.begin_s < to_s))

    def driven(self, usual_hz: float) -> Spells:
        """Return those in which a motor turned it, and no hand."""
        is_long = self.end_s - self.begin_s >= DRIVEN_S
        return self.where((self.top_hz >= DRIVEN * usual_hz) & is_long)

    def where(self, own: BoolArray) -> Spells:
        """Return some of them."""
        return Spells(self.begin_s[own], self.end_s[own], self.top_hz[own], self.first_hz[own])


@dataclass(frozen=True, slots=True)
class Turns:
    """The whole turns of a rotor, as columns of shape (n,); marks out of place cancel in them."""

    over_s: FloatArray  # When each was over
    hz: FloatArray  # Its speed


def find_spells(rotor: Rotor, turns: Turns, until_s: float = math.inf) -> Spells:
    """Find where a rotor turned faster than stated, by a moment; one fast interval is no spell."""
    per_turn, marks = rotor.per_turn or 1, rotor.marks
    seen = len(marks) if math.isinf(until_s) else marks.first_at(until_s)
    time_s = marks.seconds(0, seen)
    part = np.diff(marks.number[:seen]) / per_turn
    fast = np.flatnonzero(part >= rotor.slow_hz * np.diff(time_s)) if seen else np.zeros(0, int)
    if not fast.size:
        return Spells(*[np.zeros(0)] * 4)
    apart = np.flatnonzero(time_s[fast[1:]] - time_s[fast[:-1] + 1] > REST_S)
    first = fast[np.concatenate([[0], apart + 1])]
    last = fast[np.concatenate([apart, [fast.size - 1]])]
    count = np.diff(np.concatenate([[-1], apart, [fast.size - 1]]))
    kept = count >= SUSTAINED
    begin_s, end_s = time_s[first[kept]], time_s[last[kept] + 1]
    at_s = turns.over_s
    top = [
        float(turns.hz[slice(*np.searchsorted(at_s, (begin, end), side="right"))].max(initial=0.0))
        for begin, end in zip(begin_s.tolist(), end_s.tolist(), strict=True)
    ]
    at = first[kept]
    return Spells(begin_s, end_s, np.array(top), part[at] / (time_s[at + 1] - begin_s))


def whole_turns(rotor: Rotor) -> Turns:
    """Find the whole turns of a rotor."""
    marks, per_turn = rotor.marks, rotor.per_turn or 1
    number = marks.number
    end = np.searchsorted(number, number + per_turn)
    begin = np.flatnonzero(end < number.size)
    begin = begin[number[end[begin]] == number[begin] + per_turn]
    time_s = marks.seconds(0, len(marks))
    over_s: FloatArray = time_s[end[begin]]
    return Turns(over_s, 1.0 / (over_s - time_s[begin]))


def ran_again(rotor: Rotor, turns: Turns, from_s: float, to_s: float, usual_hz: float) -> bool:
    """Say whether a rotor that ran lost speed in a span, and was driven again."""
    own = turns.hz[slice(*np.searchsorted(turns.over_s, (from_s, to_s)))]
    own = own[int(np.argmax(own >= RAN * usual_hz)) :] if (own >= RAN * usual_hz).any() else own[:0]
    return bool(_rises(rotor, own, usual_hz).any())


def _rises(rotor: Rotor, hz: FloatArray, usual_hz: float) -> BoolArray:
    """Say of speeds in a row where a rotor is driven again: for more than two turns, not a mark."""
    least = np.minimum.accumulate(hz) if hz.size else hz
    rises = (hz > SPEEDS_UP * least) & (hz > DRIVEN * usual_hz)
    count = SUSTAINED + 2 * (rotor.per_turn or 1)
    if rises.size < count:
        return np.zeros(0, dtype=bool)
    return np.convolve(rises, np.ones(count), "valid") >= count - 0.5


@dataclass(frozen=True, slots=True)
class RunDown:
    """How a rotor that nothing else tells of turned before a loss, and in it."""

    # Its speed in the second before; None where that is not steady enough to tell anything
    before_hz: float | None
    kept_before: float  # Part of its speed half a second earlier that it still had at the loss
    # When it began to slow down for good, and by when it had lost `SLOWED` of its speed; None where
    # it did not
    slowed_s: tuple[float, float] | None
    is_driven: bool  # Whether it is driven after the moment by which it must be commanded to stop
    # Whether it was seen slower before its marks ended; else they ended at once
    is_seen: bool = False


def run_down(rotor: Rotor, turns: Turns, loss: LossMoment, stop_by_s: float) -> RunDown:
    """Follow the speed of a rotor through a loss; it must be commanded to stop by a moment."""
    at_s, hz = turns.over_s, turns.hz
    begin, end, back = np.searchsorted(
        at_s, (loss.earliest_s - BEFORE_S, loss.earliest_s, loss.back_s), side="right"
    )
    before = hz[begin:end]
    if before.size < MIN_AGAIN:
        return RunDown(None, 0.0, None, is_driven=False)
    usual_hz = float(np.median(before))
    half = at_s[begin:end] > loss.earliest_s - BEFORE_S / 2.0
    halves = [float(np.median(h)) if h.size else usual_hz for h in (before[~half], before[half])]
    around = np.where(half, halves[1], halves[0])
    spread = FROM_MAD * float(np.median(np.abs(before - around))) / usual_hz
    lost = max(SLOWED, UNEVEN * spread)
    if lost > MAX_UNEVEN:
        return RunDown(None, 0.0, None, is_driven=False)
    since_s, since = at_s[end:back], hz[end:back]
    slow_hz = (1.0 - lost) * usual_hz
    late_s = max(stop_by_s, loss.latest_s + KEPT_S)
    late = since_s >= late_s
    kept = float(np.median(since[late][: 3 * MIN_AGAIN])) if late.sum() >= MIN_AGAIN else 0.0
    rises = _rises(rotor, since, usual_hz)
    rises &= late[late.size - rises.size :]
    is_driven = bool(kept >= KEPT * usual_hz or rises.any())
    if before[-1] < slow_hz:  # It ran down already when the signal went
        return RunDown(usual_hz, float(before[-1]) / usual_hz, None, is_driven)
    since_s, since = at_s[end - 1 : back], hz[end - 1 : back]
    slowed_s = _slowed_s(rotor, (since_s, since), slow_hz, usual_hz, loss)
    is_seen = bool(since.size and since[-1] < slow_hz) or _drags(rotor, loss.back_s)
    return RunDown(usual_hz, halves[1] / halves[0], slowed_s, is_driven, is_seen)


def _drags(rotor: Rotor, until_s: float) -> bool:
    """Say whether the last interval is longer than the one between the same marks a turn before."""
    count, last = (rotor.per_turn or 1) + 2, rotor.marks.first_at(until_s)
    interval_s = np.diff(rotor.marks.seconds(max(last - count, 0), last))
    return bool(interval_s.size == count - 1 and interval_s[-1] > SPEEDS_UP * interval_s[0])


def _slowed_s(
    rotor: Rotor,
    at_s: tuple[FloatArray, FloatArray],
    slow_hz: float,
    usual_hz: float,
    loss: LossMoment,
) -> tuple[float, float] | None:
    """Find when a rotor began to slow down for good, and by when it did at the latest.

    The first of the speeds is that just before the loss, and is not slow.
    """
    since_s, since = at_s
    at = int(np.flatnonzero(since >= slow_hz)[-1])
    if at + 1 < since.size:
        part = (since[at] - slow_hz) / (since[at] - since[at + 1])
        value_s = float(since_s[at] + part * (since_s[at + 1] - since_s[at]))
        begun_s = _begins_s(since_s[at:], since[at:], usual_hz)
        return value_s if begun_s is None else begun_s, float(since_s[at + 1])
    # The marks end at full speed.
    last = rotor.marks.first_at(loss.back_s)
    last_s = float(rotor.marks.seconds(last - 1, last)[0])
    most_s = last_s + 1.0 / ((rotor.per_turn or 1) * slow_hz)
    return (last_s, most_s) if most_s <= loss.back_s else None


def _begins_s(at_s: FloatArray, hz: FloatArray, usual_hz: float) -> float | None:
    """Return when a fall of the speed began, by a line through it; None where few marks tell.

    So the moment does not hang on how fast the rotor was.
    """
    slow = np.flatnonzero(hz < FITTED * usual_hz)
    last = int(slow[0]) if slow.size else hz.size
    if last < MIN_FITTED or at_s[last - 1] - at_s[0] < FITTED_S:
        return None
    from_s = float(at_s[0])
    slope, start_hz = np.polyfit(at_s[:last] - from_s, hz[:last], 1)
    if slope >= 0.0:
        return None
    # Each speed is the mean of a whole turn that was over then.
    return from_s + float((usual_hz - start_hz) / slope) - 0.5 / usual_hz
