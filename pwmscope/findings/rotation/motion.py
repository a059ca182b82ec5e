"""Whether a device is slow in time after a signal loss, by the marks of its rotor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.rotation.marks import Marks, below_per_minute
from pwmscope.findings.rotation.slow import SlowDown, fall_below
from pwmscope.model import (
    PS_PER_S,
    WORST_FIRST,
    Evidence,
    Finding,
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


@dataclass(frozen=True, slots=True)
class Rotor:
    """A rotor as its sensor shows it.

    Parameters
    ----------
    line, of : str
        The sensor's line, and that of the device that turns.
    marks : Marks
        When its marks passed.
    per_turn : int or None
        Marks that pass in each turn; None where that is not stated.
    slow_per_minute : float
        It counts as slow when it makes fewer turns a minute.
    limit_s : float
        Longest time from the loss until it must be slow.
    limit_from : str
        Where that limit stands, as a clause.
    """

    line: str
    of: str
    marks: Marks
    per_turn: int | None
    slow_per_minute: float
    limit_s: float
    limit_from: str

    @property
    def slow_hz(self) -> float:
        """The stated speed in turns a second."""
        return self.slow_per_minute / 60.0


@dataclass(frozen=True, slots=True)
class LossMoment:
    """When one signal loss was, as far as a rotor is concerned.

    Parameters
    ----------
    lost_s : float
        Its moment, in seconds since the recording's start.
    earliest_s, latest_s : float
        Between which the signal went; a transmitter may send on for a moment after its switch.
    back_s : float
        The earliest that it may have been back, or the recording's end.
    error_s : float or None
        How far the difference of two instants may be off; None where that is not known.
    doubt : str
        Why the moment is not certain, as a sentence; empty where it is.
    """

    lost_s: float
    earliest_s: float
    latest_s: float
    back_s: float
    error_s: float | None
    doubt: str


@dataclass(frozen=True, slots=True)
class MotionStop:
    """What a rotor did after one loss.

    Parameters
    ----------
    lost_s : float
        The moment of loss.
    verdict : Verdict
        Whether it was slow in time.
    reason : str
        Why, as a sentence.
    slow_s : tuple of float or None
        Least and most time from the loss until it was slower than stated; None where that is not
        seen.
    before_per_minute : float or None
        Turns a minute just before the loss; None where too few marks tell.
    silent_s : float
        How long no mark came before the link was back.
    below_per_minute : float or None
        So it turned more slowly than this at the end; None where the marks in a turn are not
        stated.
    """

    lost_s: float
    verdict: Verdict
    reason: str
    slow_s: tuple[float, float] | None
    before_per_minute: float | None
    silent_s: float
    below_per_minute: float | None


@dataclass(frozen=True, slots=True)
class Motion:
    """What a rotor did after the losses of a recording.

    Parameters
    ----------
    line : str
        The sensor's line.
    stops : tuple of MotionStop
        One for each loss, in order.
    finding : Finding
        ``motion stop``, held against the limit of its own.
    """

    line: str
    stops: tuple[MotionStop, ...]
    finding: Finding


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
    """Judge what a rotor did after each loss; the worst governs.

    Parameters
    ----------
    watched : Rotor
        The rotor.
    losses : sequence of LossMoment
        The losses.

    Returns
    -------
    Motion
    """
    stops = tuple([_judge(rotor, loss) for loss in losses])
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
        return told(Verdict.NOT_SHOWN, "The sample interval is not known, so no time is exact.")
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
        why = "No signal loss was recorded while this rotor was rotor."
        return not_shown(MOTION_STOP, "s", why, limit=limit)
    worst = min(stops, key=lambda stop: (WORST_FIRST.index(stop.verdict), -_most_s(stop)))
    which = "" if len(stops) == 1 else f" The loss at {worst.lost_s:.3f} s decides."
    sentence = f"{worst.reason}{which}{_bound(rotor, worst)}"
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
