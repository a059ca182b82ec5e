"""What a rotation line shows: speed, lag, spin-up, spin-down, and motion without a command."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.findings.sensors.marks import (
    SUSTAINED,
    Speeds,
    below_per_minute,
    count_speeds,
    fall_below,
    rolling,
)
from pwmscope.findings.sensors.motion_stop import MOTION_STOP, Rotor
from pwmscope.model import (
    MAX_SPANS,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Hazard,
    HazardKind,
    Span,
    measured,
    not_shown,
)
from pwmscope.pulses import UNMEASURED, PulseTable

MARKS: Final = "rotation marks"
TOP: Final = "top speed"
LAG: Final = "start lag"
SPIN_UP: Final = "spin-up time"
SPIN_DOWN: Final = "spin-down time"
AT_STOP: Final = "motion at stop"
REACHED: Final = 0.9
"""Part of the top speed of a run at which it counts as spun up."""
SETTLES_S: Final = 0.3
"""A device may still speed up for so long after the command to stop (common practice)."""
SPEEDS_UP: Final = 1.25
"""A rotor that turns faster by this factor than it did since is driven."""
KEEPS_S: Final = 1.0
KEPT: Final = 0.95
"""One that keeps so much of its speed in so many seconds, after its time to stop, is driven too."""
STILL_S: Final = 1.0
"""No mark for so long before a start shows that the rotor was slow."""
MIN_STOP_S: Final = 0.5

ROTATION_DEFINITIONS: Final = (
    Definition(
        MOTION_STOP,
        "How long after a signal loss the device itself was slower than the stated speed, for "
        "good. The command may stop in time and the motor not. It is 'not shown' unless the rotor "
        "turned faster than that in the second before the loss.",
        "moment at which the speed falls below the stated one - moment of loss. A polynomial of "
        "the angle, fitted to the marks around, tells it. Over several losses the worst governs",
        "own algorithm; JCGM 100, 4.2 and 5.1, from memory. The limits of 60 s and 2 s are common "
        "practice. The event's rulebook decides",
    ),
    Definition(
        MARKS,
        "How many marks the sensor saw. Marks seen twice or not at all point to a sensor that sits "
        "too far off, or bounces.",
        "edges of the stated kind, less those that come within 0.3 of the usual interval",
        "own algorithm",
    ),
    Definition(
        TOP,
        "The highest speed, counted over whole turns in at least 0.1 s.",
        "60 k/(m t), k marks of m in a turn in the time t; (u/n)^2 = Ts^2/(6 t^2) + (1e-4)^2/3",
        "reciprocal counting; JCGM 100, 4.3.7 and 5.1.2, from memory",
    ),
    Definition(
        LAG,
        "How long after the command to run the first mark passed, where the rotor was slow before. "
        "The rotor may have turned by up to one mark's pitch until then.",
        "first mark - end of the first pulse outside the stop range; median over the starts",
        "own algorithm",
    ),
    Definition(
        SPIN_UP,
        "How long the device takes from the command to nine tenths of the top speed of that run.",
        "end of the first count at 0.9 of the run's top speed - end of the first pulse outside "
        "the stop range. The longest of the runs",
        "own algorithm",
    ),
    Definition(
        SPIN_DOWN,
        "How long the device takes from the command to stop until it is slower than the stated "
        "speed. The value is the most that it may have been.",
        "as motion stop, from the end of the first pulse in the stop range; the longest of the "
        "stops",
        "own algorithm",
    ),
    Definition(
        AT_STOP,
        "How fast it turned while it was commanded to stop, after the time it may take for that. A "
        "drive that creeps at neutral shows here.",
        "highest speed over 3 intervals while pulses lie in the stop range, once the limit for "
        "the motion is over. Else 60/(m T), T the longest time without a mark",
        "own algorithm",
    ),
)


@dataclass(frozen=True, slots=True)
class Rotation:
    """What a rotation line shows."""

    rotor: Rotor  # The rotor's marks, and what they are held against
    # `rotation marks`, `top speed`, `start lag`, `spin-up time`, `spin-down time` and `motion at
    # stop`
    findings: tuple[Finding, ...]
    hazards: tuple[Hazard, ...]  # Motion without a command


def examine_rotation(
    rotor: Rotor, table: PulseTable | None, band: StopBand | None, usual_us: float, source: str
) -> Rotation:
    """Measure a rotor's speed, and hold its motion against the pulses of its device.

    The device, whose usual frame period is ``usual_us``, stands still in ``band``; ``source`` is
    the recording.
    """
    per_turn = rotor.per_turn
    if not len(rotor.marks):
        why = "The sensor saw no mark. Turn the rotor past it by hand, and watch its output."
        named = ((MARKS, ""), (TOP, "1/min"), (LAG, "s"), (SPIN_UP, "s"), (SPIN_DOWN, "s"))
        found = tuple(not_shown(name, unit, why) for name, unit in (*named, (AT_STOP, "1/min")))
        return Rotation(rotor, found, ())
    speeds = None if per_turn is None else count_speeds(rotor.marks, per_turn)
    stretches = () if table is None or band is None else find_stretches(table, band, usual_us)
    stops = [s for s in stretches if s.stops and s.span.end_s - s.span.start_s >= MIN_STOP_S]
    runs = [s for s in stretches if not s.stops and s.follows]
    findings = (
        _marks(rotor),
        _top(speeds),
        _lag(rotor, runs),
        _spin_up(speeds, runs),
        _spin_down(rotor, [s for s in stops if s.follows]),
        _at_stop(rotor, stops),
    )
    return Rotation(rotor, findings, tuple(_hazards(rotor, stops, source)))


def _marks(rotor: Rotor) -> Finding:
    marks = rotor.marks
    said = f"The sensor saw {len(marks)} marks."
    if marks.bounced:
        said += f" {marks.bounced} more edges are bounces and do not count."
    if marks.skipped:
        said += f" {marks.skipped} marks were not seen, by the intervals around them."
    first_s, last_s = (float(marks.seconds(k, k + 1)[0]) for k in (0, len(marks) - 1))
    return measured(
        MARKS, float(len(marks)), "", said, evidence=(Evidence(first_s, last_s, len(marks)),)
    )


_NO_SPEED: Final = (
    "How many marks pass in a turn is not stated (marks_per_turn). No speed is told without it."
)


def _top(speeds: Speeds | None) -> Finding:
    if speeds is None:
        return not_shown(TOP, "1/min", _NO_SPEED)
    if not speeds.hz.size:
        return not_shown(TOP, "1/min", "Only one mark was seen.")
    at = int(speeds.hz.argmax())
    per_minute, u = 60.0 * float(speeds.hz[at]), 60.0 * float(speeds.u_hz[at])
    begin_s = float(speeds.begin_s[at])
    return measured(
        TOP, per_minute, "1/min",
        f"The top speed is {per_minute:.0f} turns a minute, at {begin_s:.3f} s.",
        uncertainty=u, evidence=(Evidence(begin_s, begin_s + float(speeds.lasts_s[at]), 0),),
    )  # fmt: skip


def _lag(rotor: Rotor, runs: list[Stretch]) -> Finding:
    marks = rotor.marks
    lags = []
    for run in runs:
        begin = marks.first_at(run.span.start_s)
        before = marks.seconds(begin - 1, begin)
        still = not before.size or run.span.start_s - before[0] > STILL_S
        if still and begin < len(marks):
            first_s = float(marks.seconds(begin, begin + 1)[0])
            if first_s < run.span.end_s:
                lags.append((first_s - run.span.start_s, run.span.start_s))
    if not lags:
        why = "No command to run came while the rotor was slow."
        return not_shown(LAG, "s", why)
    lag_s = np.array([lag for lag, _ in lags])
    middle_s = float(np.median(lag_s))
    starts = "start" if len(lags) == 1 else "starts"
    return measured(
        LAG, middle_s, "s",
        f"The first mark passed {middle_s:.3f} s after the command to run, over {len(lags)} "
        f"{starts}.",
        interval=(float(lag_s.min()), float(lag_s.max())),
        evidence=tuple(Evidence(at, at + lag, 0) for lag, at in lags[:MAX_SPANS]),
    )  # fmt: skip


def _spin_up(speeds: Speeds | None, runs: list[Stretch]) -> Finding:
    if speeds is None:
        return not_shown(SPIN_UP, "s", _NO_SPEED)
    longest: tuple[float, float, float] | None = None
    ends_s = speeds.begin_s + speeds.lasts_s
    for run in runs:
        own = slice(*np.searchsorted(ends_s, (run.span.start_s, run.span.end_s)).tolist())
        hz = speeds.hz[own]
        if not hz.size:
            continue
        at = int(np.flatnonzero(hz >= REACHED * hz.max())[0])
        took_s = float(ends_s[own][at]) - run.span.start_s
        gate_s = float(speeds.lasts_s[own][at])
        if longest is None or took_s > longest[0]:
            longest = took_s, gate_s, run.span.start_s
    if longest is None:
        return not_shown(SPIN_UP, "s", "No command to run came while the rotor was watched.")
    took_s, gate_s, at_s = longest
    return measured(
        SPIN_UP, took_s, "s",
        f"At most {took_s:.2f} s pass from the command until it turns at nine tenths of its speed.",
        interval=(max(took_s - gate_s, 0.0), took_s), evidence=(Evidence(at_s, at_s + took_s, 0),),
    )  # fmt: skip


def _spin_down(rotor: Rotor, stops: list[Stretch]) -> Finding:
    if rotor.per_turn is None:
        return not_shown(SPIN_DOWN, "s", f"{_last_mark(rotor, stops)}{_NO_SPEED}")
    error_s = rotor.marks.interval_s
    seen = []
    for stop in stops:
        found = fall_below(
            rotor.marks, rotor.per_turn, rotor.slow_hz, stop.span.start_s, stop.span.end_s
        )
        if found is not None:
            least_s = max(found.least_s - stop.span.start_s - error_s, 0.0)
            seen.append((found.most_s - stop.span.start_s + error_s, least_s, stop.span.start_s))
    slow = f"slower than {rotor.slow_per_minute:g} turns a minute"
    if not seen:
        why = f"No stop was commanded in which it was seen to become {slow}."
        return not_shown(SPIN_DOWN, "s", why)
    most_s, least_s, at_s = max(seen)
    return measured(
        SPIN_DOWN, most_s, "s",
        f"It was {slow} at most {most_s:.2f} s after the command to stop at {at_s:.3f} s. That is "
        f"the longest of {len(seen)}.",
        interval=(least_s, most_s), evidence=(Evidence(at_s, at_s + most_s, 0),),
    )  # fmt: skip


def _last_mark(rotor: Rotor, stops: list[Stretch]) -> str:
    """Say how long after a command to stop the last mark passed; empty where none did."""
    seen = []
    for stop in stops:
        from_s, to_s = stop.span.start_s, stop.span.end_s
        passed_s = rotor.marks.seconds(rotor.marks.first_at(from_s), rotor.marks.first_at(to_s))
        if passed_s.size:
            seen.append((float(passed_s[-1]) - from_s, from_s))
    if not seen:
        return ""
    after_s, at_s = max(seen)
    return (
        f"The last mark passed {after_s:.2f} s after the command to stop at {at_s:.3f} s. "
        f"That is the longest of {len(seen)}. "
    )


def _at_stop(rotor: Rotor, stops: list[Stretch]) -> Finding:
    """Tell the fastest motion in commanded stops, after the time that they may take."""
    late = [s for s in stops if s.span.end_s - s.span.start_s > rotor.limit_s + MIN_STOP_S]
    if rotor.per_turn is None:
        return not_shown(AT_STOP, "1/min", _NO_SPEED)
    if not late:
        why = f"No commanded stop lasted longer than {rotor.limit_s:g} s."
        return not_shown(AT_STOP, "1/min", why)
    marks, fastest, silent_s = rotor.marks, (0.0, 0.0), math.inf
    for stop in late:
        from_s = stop.span.start_s + rotor.limit_s
        begin, end = marks.first_at(from_s), marks.first_at(stop.span.end_s)
        hz, at_s = rolling(marks, rotor.per_turn, begin, end)
        if hz.size:
            fastest = max(fastest, (float(hz.max()), float(at_s[hz.argmax()])))
        points_s = np.concatenate([[from_s], marks.seconds(begin, end), [stop.span.end_s]])
        silent_s = min(silent_s, float(np.diff(points_s).max()))
    if fastest[0] > 0.0:
        per_minute, when_s = 60.0 * fastest[0], fastest[1]
        said = f"Commanded to stop, it turned at {per_minute:.0f} turns a minute at {when_s:.3f} s."
        return measured(
            AT_STOP, per_minute, "1/min", said, evidence=(Evidence(when_s, when_s, SUSTAINED + 1),)
        )
    below = below_per_minute(silent_s, rotor.per_turn)
    said = (
        f"In each of {len(late)} commanded stops no mark came for {silent_s:.2f} s, so it turned "
        f"below {below:.3g} turns a minute."
    )
    spans = tuple(Evidence(s.span.start_s, s.span.end_s, 0) for s in late[:MAX_SPANS])
    return measured(AT_STOP, 0.0, "1/min", said, interval=(0.0, below), evidence=spans)


def _hazards(rotor: Rotor, stops: list[Stretch], source: str) -> Iterator[Hazard]:
    """Find motion that the pulses do not command: it goes on too long, or speeds up."""
    per_turn = rotor.per_turn or 1
    slow_hz = rotor.slow_hz if rotor.per_turn else 1.0
    seen = []
    for stop in stops:
        from_s = stop.span.start_s + SETTLES_S
        begin = max(rotor.marks.first_at(from_s) - 1, 0)
        end = rotor.marks.first_at(stop.span.end_s)
        hz, at_s = rolling(rotor.marks, per_turn, begin, end)
        first_s = rotor.marks.seconds(begin, begin + 1)
        was_slow = first_s.size and first_s[0] - from_s > 1.0 / (per_turn * slow_hz)
        least_hz = np.zeros(hz.size) if was_slow else _least_before(hz)
        # A rotor that coasts on loses speed; one that is driven keeps it.
        before = np.searchsorted(at_s, at_s - KEEPS_S)
        keeps = (at_s - stop.span.start_s > rotor.limit_s) & (before > 0) & (hz > KEPT * hz[before])
        driven = (hz >= slow_hz) & ((hz > SPEEDS_UP * least_hz) | keeps)
        if driven.any():
            at = int(np.flatnonzero(driven)[0])
            seen.append((float(at_s[at]), float(hz[driven].max()), stop.width_us))
    if seen:
        fastest = max(hz for _, hz, _ in seen)
        per_minute = 60.0 * fastest if rotor.per_turn else None
        yield Hazard(
            HazardKind.MOTION, (rotor.of,), seen[0][0], seen[0][2], None, len(seen), len(stops),
            source, per_minute,
        )  # fmt: skip


def _least_before(hz: FloatArray) -> FloatArray:
    """Return the least of each speed and those before it."""
    return np.minimum.accumulate(hz) if hz.size else hz


PAUSE_FRAMES: Final = 3.0
"""A longer pause between pulses ends a stretch: what it commands is not known."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of pulses that all command a stop, or all command to run."""

    span: Span  # From the end of its first pulse to the end of its last one
    stops: bool
    width_us: float  # Median of its pulses
    follows: bool  # Whether the stretch before it commanded the other, without a pause


def find_stretches(table: PulseTable, band: StopBand, usual_us: float) -> tuple[Stretch, ...]:
    """Find the stretches of one command; single damaged pulses are left out."""
    row = np.flatnonzero((table.flags & np.uint8(UNMEASURED)) == 0)
    if not row.size:
        return ()
    rise_s, width_us = table.rise_s[row], table.width_us[row]
    stops = (width_us >= band.low_us) & (width_us <= band.high_us)
    paused = np.diff(rise_s) > PAUSE_FRAMES * usual_us / 1e6
    breaks = np.flatnonzero((stops[1:] != stops[:-1]) | paused) + 1
    begin = np.concatenate([[0], breaks])
    end = np.concatenate([breaks, [row.size]])
    fall_s = rise_s + width_us / 1e6
    return tuple(
        Stretch(
            Span(float(fall_s[first]), float(fall_s[last - 1])),
            bool(stops[first]),
            float(np.median(width_us[first:last])),
            first > 0 and not paused[first - 1],
        )
        for first, last in zip(begin.tolist(), end.tolist(), strict=True)
    )
