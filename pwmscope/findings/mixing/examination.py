"""The whole question: what the drive outputs do with the sticks, or what else to record."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, get_args

import numpy as np

from pwmscope.bench import Axis, StepSpan
from pwmscope.errors import Reason
from pwmscope.findings.mixing.arrangement import (
    MAX_LEFT,
    Arrangement,
    Kind,
    fit_twice,
    mixed_twice,
    name_arrangement,
)
from pwmscope.findings.mixing.fit import (
    FORWARD,
    TURN,
    DriveLines,
    Frames,
    MixFit,
    OutputLine,
    Samples,
    Side,
    fit_mix,
    pair_outputs,
    with_plan,
    with_recorded,
)
from pwmscope.findings.mixing.straightness import DriveSide, Throttle
from pwmscope.findings.receivers import Step, Tie
from pwmscope.model import (
    COVERAGE,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Span,
    Verdict,
    format_list,
    governing,
    judge,
    measured,
    not_shown,
)
from pwmscope.pulses import PulseTable

_EQUAL: Final = 0.15
"""Speeds that differ by less than this part of the faster are told as equal."""
_STILL: Final = 0.03
"""A side slower than this part of its full speed is told as standing still."""


def format_motion(left: float, right: float) -> str:
    """Say how a robot moves.

    >>> format_motion(1.0, 0.0)
    'turns right (left side forward, right side still)'
    >>> format_motion(0.9, 0.88), format_motion(-1.0, 1.0)
    ('drives straight forward', 'turns left on the spot')
    >>> format_motion(0.5, 0.8)
    'drives forward in a curve to the left'
    >>> format_motion(0.9, -0.7)
    'turns right, drifting forward'
    """
    faster = max(abs(left), abs(right))
    if faster < _STILL:
        return "stands still"
    if abs(left - right) < _EQUAL * faster:
        return f"drives straight {_way(left + right)}"
    turn = "right" if left > right else "left"
    if abs(left + right) < _EQUAL * faster:
        return f"turns {turn} on the spot"
    if min(abs(left), abs(right)) < _EQUAL * faster:
        both = (("left", left), ("right", right))
        sides = [f"{side} side {_side(speed, faster)}" for side, speed in both]
        return f"turns {turn} ({', '.join(sides)})"
    if left * right < 0.0:
        return f"turns {turn}, drifting {_way(left + right)}"
    return f"drives {_way(left + right)} in a curve to the {_curve(left, right)}"


def _way(speed: float) -> str:
    return "forward" if speed > 0 else "back"


def _side(speed: float, faster: float) -> str:
    return "still" if abs(speed) < _EQUAL * faster else _way(speed)


def _curve(left: float, right: float) -> str:
    """Name the side to which the path bends: that of the slower wheel, forward or back."""
    return "right" if abs(left) > abs(right) else "left"


LIMIT: Final = "left = forward + turn, right = forward - turn"
MAX_UNEQUAL: Final = 3.0
"""Per cent by which the two outputs' gains may differ (own choice: a robot that drives
straight forward within some degrees a metre)."""
DIRECTIONS: Final = {"forward": (1.0, 0.0), "right": (0.0, 1.0), "forward-right": (1.0, 1.0)}
"""Stick directions that the answer tells: forward and turn, each from -1 to 1."""


@dataclass(frozen=True, slots=True)
class Response:
    """What happens at one position of the sticks."""

    stick: str  # The direction, such as "forward-right"
    # Outputs away from rest at its end, in half travels
    left: float
    right: float
    motion: str  # What the robot does half way there, a clause after "the robot"


def responses_of(fit: MixFit) -> tuple[Response, ...]:
    """Say what a robot does with the stick pushed forward, right and into the corner.

    Outputs are taken to end where the recording shows it, or else at the end of travel. The motion
    is that of half a push, by the neutrals that the sheet states.
    """
    stick = np.array([(0.0, 0.0), *DIRECTIONS.values()])
    end = np.maximum(1.0, np.max(np.abs(fit.samples.position), axis=0))
    position = np.clip(fit.position(stick), -end, end)
    travels = [output.travel for output in fit.samples.outputs]
    half_us = fit.position(COMMAND * stick) * fit.samples.half_us
    half_us -= np.where([travel.is_stated for travel in travels], 0.0, half_us[0])
    speeds = [t.throttle.commands(t.neutral_us + half_us[1:, k]) for k, t in enumerate(travels)]
    told = tuple(
        Response(name, float(left), float(right), format_motion(float(speed_l), float(speed_r)))
        for name, (left, right), speed_l, speed_r in zip(
            DIRECTIONS, position[1:] - position[0], *speeds, strict=True
        )
    )
    sides = drive_sides(fit)
    if sides is not None:
        known = [
            side if travel.is_stated else replace(side, neutral_offset_us=0.0)
            for side, travel in zip(sides, travels, strict=True)
        ]
        slower = _slower(known[0], known[1])
        if slower is not None and judge(slower[0], _EQUAL, slower[1]) is Verdict.NOT_SHOWN:
            left, right = (side.speed(COMMAND) for side in known)
            motion = f"drives forward, perhaps in a curve to the {_curve(left, right)}"
            return (replace(told[0], motion=motion), *told[1:])
    return told


def before_mixer_finding(
    found: Arrangement, lines: DriveLines, evidence: tuple[Evidence, ...]
) -> Finding:
    """Say whether what goes into a mixer is mixed already; what it makes of it is not recorded."""
    limit = "forward and turn go into the mixer unmixed"
    if found.kind is Kind.MIXED:
        return Finding(
            "arrangement", str(Kind.TWICE), "", None, limit, Verdict.DOES_NOT_MEET, evidence,
            f"Both channels follow both sticks, and {lines.the_mixer} mixes them again. Turn "
            "mixing off in the transmitter.",
        )  # fmt: skip
    behind = f"The mixing in {lines.the_mixer} lies behind the pins. Watch the wheels to see it."
    if found.kind is not Kind.UNMIXED:
        return not_shown("arrangement", "", f"{found.reason} {behind}".strip(), limit=limit)
    said = "Forward and turn reach the pins unmixed."
    if found.faults:
        said += f" But this is seen: {', '.join(found.faults)}."
    return not_shown("arrangement", "", f"{said} {behind}", limit=limit)


def arrangement_finding(
    found: Arrangement,
    responses: tuple[Response, ...],
    evidence: tuple[Evidence, ...],
    lines: DriveLines,
) -> Finding:
    """Word the arrangement as a finding."""
    if found.name is None:
        return not_shown("arrangement", "", found.reason, limit=LIMIT)
    meets = found.kind is Kind.MIXED and not found.faults
    words = ", ".join(f"stick {r.stick}: the robot {r.motion}" for r in responses)
    words = f" {words[:1].upper()}{words[1:]}." if words else ""
    named = _NAMED.get(found.kind or Kind.OTHER, "")
    if lines.mixer is not None and found.kind in {Kind.UNMIXED, Kind.TWICE}:
        named = (
            f"Each output follows one stick alone. The sheet says that {lines.the_mixer} mixes; it "
            "does not, or a second place undoes it."
        )
    sentence = f"{named}{found.reason}{words}"
    if found.also:
        sentence += f" The outputs look the same with: {'; '.join(found.also)}."
    return Finding(
        "arrangement",
        found.name,
        "",
        None,
        LIMIT,
        Verdict.MEETS if meets else Verdict.DOES_NOT_MEET,
        evidence,
        sentence.strip(),
    )


_NAMED: Final = {
    Kind.MIXED: "Each output follows both sticks.",
    Kind.UNMIXED: (
        "Each output follows one stick alone: this is what unmixed looks like; turn mixing on in "
        "exactly one place."
    ),
    Kind.TWICE: (
        "Each output follows one stick alone, with a mixer's clipping. Mixing is on in two "
        "places, and one undoes the other. Turn one of them off."
    ),
}


@dataclass(frozen=True, slots=True)
class Balance:
    """The right output's gain, set against the left's."""

    # Ratio of the sizes, right to left, for each stick
    forward: float
    # Their standard uncertainties
    forward_doubt: float
    turn: float
    turn_doubt: float

    @property
    def ratio(self) -> float:
        """Both in one: the geometric mean."""
        return math.sqrt(self.forward * self.turn)

    @property
    def doubt(self) -> float:
        """Standard uncertainty of `ratio`."""
        parts = math.hypot(self.forward_doubt / self.forward, self.turn_doubt / self.turn)
        return self.ratio * parts / 2.0


_HOLDS_FACTOR: Final = 1.5
"""A plan holds a stick once or twice each way: about 95 % needs three uncertainties, not two
(Student's t for some three holds; JCGM 100, G.3)."""


def balance_of(fit: MixFit) -> Balance:
    """Set the gains of two mixed outputs against each other."""
    size = np.abs(fit.matrix)
    relative = np.hypot(*(fit.uncertainty / size))
    if fit.samples.source == "plan":
        relative = relative * _HOLDS_FACTOR
    ratio = size[1] / size[0]
    doubt = ratio * relative
    return Balance(float(ratio[0]), float(doubt[0]), float(ratio[1]), float(doubt[1]))


def balance_finding(fit: MixFit, found: Arrangement) -> Finding:
    """Hold the two outputs' gains against each other."""
    limit = f"at most {MAX_UNEQUAL:g} %"
    if found.kind is not Kind.MIXED:
        return not_shown(
            "gain balance", "%",
            "The gains of left and right are compared once both outputs are mixed.",
        )  # fmt: skip
    if _only_at_ends(fit):
        return not_shown(
            "gain balance", "%",
            "Both outputs were at the end of their travel whenever they moved, where unequal gains "
            "do not show. Record again, and hold each stick half way too.",
            limit=limit,
        )  # fmt: skip
    balance = balance_of(fit)
    parts = (
        (balance.forward, balance.forward_doubt, "forward"),
        (balance.turn, balance.turn_doubt, "turn"),
    )
    verdicts = [
        judge(100.0 * abs(ratio - 1.0), MAX_UNEQUAL, 100.0 * doubt) for ratio, doubt, _ in parts
    ]
    words = " and ".join(
        f"{100.0 * (ratio - 1.0):+.1f} ± {100.0 * COVERAGE * doubt:.1f} % for {what}"
        for ratio, doubt, what in parts
    )
    worst = max(parts, key=lambda part: abs(part[0] - 1.0) / max(part[1], 1e-9))
    verdict = next(
        (v for v in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN) if v in verdicts), Verdict.MEETS
    )
    sentence = f"The right output's gain against the left's: {words}."
    if verdict is Verdict.NOT_SHOWN:
        sentence += (
            " That is not shown to be within the limit: hands hold a stick to some 4 % of its "
            "travel. Record the stick channels too, or repeat each step of the plan."
            if fit.samples.source == "plan"
            else " That is not shown to be within the limit. Record at a higher sample rate, and "
            "move each stick from end to end more often."
        )
    return Finding(
        "gain balance",
        100.0 * (worst[0] - 1.0),
        "%",
        100.0 * worst[1],
        limit,
        verdict,
        (),
        sentence,
    )


COMMAND: Final = 0.5
"""Half stick, for which it is told how straight a robot drives."""
MIN_GAIN: Final = 0.1
STRAIGHT: Final = "straight line"


def drive_sides(
    fit: MixFit, throttles: Sequence[Throttle] | None = None
) -> tuple[DriveSide, DriveSide] | None:
    """Set the two sides' gains and neutrals against their controllers'; None where one is idle."""
    known = throttles or [output.travel.throttle for output in fit.samples.outputs]
    many = _HOLDS_FACTOR if fit.samples.source == "plan" else 1.0
    sides = []
    for output, throttle in zip(fit.outputs, known, strict=True):
        whole_us = throttle.high_us - throttle.neutral_us
        doubt_us = np.sqrt(np.diag(output.covariance))
        off_us = float(output.terms_us[-1]) - throttle.neutral_us
        gain, doubt = float(output.terms_us[0]) / whole_us, many * float(doubt_us[0]) / whole_us
        sides.append(DriveSide(off_us, gain, float(doubt_us[-1]), doubt, throttle))
    left, right = sides
    return None if min(left.gain, right.gain) < MIN_GAIN else (left, right)


def rests_at_neutral(side: DriveSide) -> Verdict:
    """Say whether a side stands still at rest: within half the deadband, where one is stated."""
    half_us = side.throttle.deadband_us / 2.0
    return judge(abs(side.neutral_offset_us), half_us or math.inf, side.u_neutral_us)


def _slower(left: DriveSide, right: DriveSide) -> tuple[float, float] | None:
    """By what part one side is slower than the other at half stick, and the uncertainty of that.

    None where neither is seen to drive.
    """
    speeds = [side.speed(COMMAND) for side in (left, right)]
    if max(speeds) <= 0.0:
        return None
    doubt = math.hypot(*(side.u_speed(COMMAND) for side in (left, right)))
    return abs(speeds[0] - speeds[1]) / max(speeds), doubt / max(speeds)


def straight_finding(fit: MixFit, found: Arrangement) -> Finding:
    """Say whether the robot drives straight at half stick, and stands still at rest."""
    if found.kind is not Kind.MIXED or found.faults:
        return not_shown(STRAIGHT, "%", "How straight it drives is told once it mixes as wanted.")
    limit = f"speeds alike within {100 * _EQUAL:g} % at half stick, each side still at rest"
    sides = drive_sides(fit)
    slower = None if sides is None or _only_at_ends(fit) else _slower(*sides)
    if sides is None or slower is None:
        return not_shown(STRAIGHT, "%", "No side is seen to drive at half stick.", limit=limit)
    apart, doubt = slower
    left, right = (side.speed(COMMAND) for side in sides)
    names = ("left", "right") if left >= right else ("right", "left")
    verdicts = [judge(apart, _EQUAL, doubt)]
    said = (
        f"At half stick forward the {names[1]} side runs {100 * apart:.0f} ± "
        f"{100 * COVERAGE * doubt:.0f} % slower than the {names[0]}."
    )
    if verdicts[0] is Verdict.DOES_NOT_MEET:
        said += f" The robot turns {names[1]}."
    for output, side in zip(fit.samples.outputs, sides, strict=True):
        half_us, off_us = output.travel.deadband_us / 2.0, side.neutral_offset_us
        verdicts.append(rests_at_neutral(side))
        if verdicts[-1] is not Verdict.MEETS:
            way = "above" if off_us > 0 else "below"
            said += f" At rest {output.line} lies {abs(off_us):.1f} us {way} its neutral. Half the "
            said += f"deadband is {half_us:g} us."
    verdict = governing(verdicts)
    assumed = [output.line for output in fit.samples.outputs if not output.travel.is_stated]
    no_band = [output.line for output in fit.samples.outputs if not output.travel.deadband_us]
    if assumed:
        verdict = Verdict.NOT_SHOWN
        said += f" That is by the convention's neutral: state neutral_us of {', '.join(assumed)}."
    if no_band and verdict is not Verdict.DOES_NOT_MEET:
        verdict = Verdict.NOT_SHOWN
        said += f" That is without a deadband: state deadband_us of {', '.join(no_band)}."
    return Finding(STRAIGHT, 100.0 * apart, "%", 100.0 * doubt, limit, verdict, (), said)


def _only_at_ends(fit: MixFit) -> bool:
    """Say whether no output was seen between its rest and a full travel."""
    if any(output.clipped for output in fit.outputs):
        return False
    moved = np.abs(fit.samples.position - np.median(fit.samples.position, axis=0))
    between = (moved > 0.1) & (moved < _FULL)
    return bool(np.mean(between, axis=0).max() < _SELDOM and moved.max() >= _FULL)


_FULL: Final = 0.93
_SELDOM: Final = 0.01


def corner_part(fit: MixFit) -> float | None:
    """Return how far the sticks go together before an output clips; None without clipping."""
    parts = []
    for output in fit.outputs:
        reach_us = float(np.sum(np.abs(output.terms_us[:-1])))
        rooms_us = [
            abs(end_us - float(output.terms_us[-1]))
            for end_us in (output.low_us, output.high_us)
            if end_us is not None
        ]
        parts += [room_us / reach_us for room_us in rooms_us]
    return min(parts, default=None)


def corner_finding(fit: MixFit) -> Finding:
    """Say whether outputs clip, and from where on."""
    part = corner_part(fit)
    if part is not None and part < 1.0:
        sentence = (
            "Outputs clip at the ends of their travel: with both sticks pushed together, from "
            f"{100.0 * part:.0f} % of the stick's travel on. Beyond that the robot turns less, or "
            "drives slower, than the sticks ask. With full travel that is common."
        )
        return measured("clipped corners", 100.0 * part, "%", sentence)
    asked = float(np.max(np.sum(np.abs(fit.samples.stick), axis=1)))
    if asked > 1.5:
        return measured(
            "clipped corners", "none", "",
            "No output clipped, also with both sticks pushed together.",
        )  # fmt: skip
    return not_shown(
        "clipped corners", "",
        "No output clipped, but both sticks were never pushed far together. To see the corners, "
        "hold the stick forward and right at once.",
    )  # fmt: skip


def delay_finding(fit: MixFit) -> Finding:
    """Say by how many frames the outputs follow recorded sticks."""
    delay = fit.samples.delay_frames
    if delay is None:
        return not_shown(
            "stick to output delay", "",
            "The delay from stick to output is not shown: a plan does not tell it."
            if fit.samples.source == "plan"
            else "The delay from stick to output is not shown: several fit about equally well.",
        )  # fmt: skip
    when = "in the same frame" if delay <= 0 else f"{delay} frame{'s' if delay > 1 else ''} later"
    return measured("stick to output delay", f"{max(delay, 0)} frames", "",
                    f"The outputs follow the sticks {when}.")  # fmt: skip


DEFINITIONS: Final = (
    Definition(
        "arrangement",
        "What two drive outputs do with the sticks: mixed as wanted, unmixed, mixed twice, "
        "outputs or sticks swapped or reversed. A matrix M says how far each output goes for each "
        "stick.",
        "outputs = clip(M x sticks + offset) by robust regression (Huber); rows within 12 degrees "
        "of a stick's axis follow that stick alone, rows beyond 17 degrees follow both, each with "
        "twice the uncertainty to spare; the signs name the rest; not shown if more than "
        f"{100 * MAX_LEFT:.0f} % of the movement is left",
        "wanted mix: common practice; Huber, Robust Statistics, 1981 (from memory); names: own",
    ),
    Definition(
        "gain balance",
        "How much stronger the right output answers than the left, for the stick that shows the "
        "larger difference. With unequal gains the robot does not drive straight.",
        "100 (|m_right| / |m_left| - 1), for forward and for turn; u by JCGM 100, 5.1.6",
        f"limit of {MAX_UNEQUAL:g} %: own choice; JCGM 100",
    ),
    Definition(
        STRAIGHT,
        "How much faster one side runs than the other at half stick forward, from gains and "
        "neutrals. A side that is off its deadband at rest creeps. Without a stated neutral the "
        "convention's stands in, which proves nothing. Without a deadband none is taken, which "
        "proves a failure alone.",
        "100 (1 - slower / faster), speeds in proportion from the deadband's edge to the end; u "
        "from neutrals and gains, JCGM 100, 5.1.2",
        f"limit of {100 * _EQUAL:g} %: own choice; JCGM 100",
    ),
    Definition(
        "clipped corners",
        "How far both sticks can be pushed together before an output reaches the end of its "
        "travel and clips.",
        "100 min over outputs of |end - offset| / (|m_forward| + |m_turn|)",
        "own algorithm; that mixers clip at their endpoints is common practice",
    ),
    Definition(
        "stick to output delay",
        "By how many frames the outputs follow the recorded sticks, as the fit sees it.",
        "delay in whole frames, 0 to 4, with the least mean absolute residual while sticks move",
        "own algorithm",
    ),
)


MIN_FRAMES: Final = 20
_MOVED: Final = 0.1
"""Part of half the travel by which an output or a stick that moves is off its rest."""
_MIN_TOGETHER: Final = 5
_MIN_MOVED: Final = 8
_CORRELATED: Final = 0.97
"""Sticks whose positions correlate by more than this were not moved apart."""
_ON_DIAGONAL: Final = 0.9
_RECORD: Final = (
    "Weapon removed, wheels off the ground, robot restrained: record the drive outputs with the "
    "stick channels or by a `plan`."
)


def format_comovement(position: FloatArray) -> str:
    """Say what two outputs do together, and what that leaves open.

    >>> one, two = np.repeat([0.0, 1, 0, 0], 50), np.repeat([0.0, 0, 0, -1], 50)
    >>> print(format_comovement(np.stack([one, two], axis=1))[:60])
    Each output moved while the other rested, never both togethe
    """
    away = position - np.median(position, axis=0)
    moved = np.abs(away) > _MOVED
    both = moved.all(axis=1)
    alone = [np.count_nonzero(moved[:, at] & ~both) >= _MIN_TOGETHER for at in (0, 1)]
    equal = np.abs(np.abs(away[:, 0]) - np.abs(away[:, 1])) < 0.2 * np.abs(away).max(axis=1)
    same = np.sign(away[:, 0]) == np.sign(away[:, 1])
    never_alone = not any(alone)
    as_one, opposite = (
        never_alone and bool(np.count_nonzero(both & equal & way) >= _MIN_TOGETHER)
        for way in (same, ~same)
    )
    seen = {
        (True, True): "The outputs moved together by equal or opposite amounts, never alone. "
        "Mixed outputs do that when one stick moves at a time.",
        (True, False): "The outputs only moved together, by equal amounts.",
        (False, True): "The outputs only moved opposite to each other, by equal amounts.",
        (False, False): "The outputs moved both together and alone.",
    }[as_one, opposite]
    if not moved.any():
        seen = "Neither output moved, so nothing is told about the mixing."
    elif all(alone) and not both.any():
        seen = (
            "Each output moved while the other rested, never both together. Unmixed outputs do "
            "that when one stick moves at a time."
        )
    return (
        f"{seen} The outputs alone do not show which stick does what. Record the receiver's stick "
        "channels too, or follow a `plan`."
    )


def missing_output(outputs: tuple[OutputLine, ...]) -> str:
    """Ask for the output that is missing."""
    if not outputs:
        return (
            "No drive output is named. Name them with `left` and `right`, or by the roles "
            "drive-left and drive-right in a bench sheet."
        )
    (only,) = outputs
    if only.side in ("forward", "turn"):
        return (
            f"Only {only.line} goes into the mixer, as the sheet has it. Record the other half of "
            "the drive in the same recording."
        )
    other = "right" if only.side == "left" else "left"
    return (
        f"Only the {only.side} output ({only.line}) is recorded or named. Record the {other} "
        f"output in the same recording, and name it with `{other}` or in the bench sheet."
    )


def two_receivers(outputs: tuple[OutputLine, ...], ties: Sequence[Tie]) -> str:
    """Say so if the outputs come from two receivers, or nothing."""
    first, second = (output.line for output in outputs)
    if any({t.first, t.second} == {first, second} and t.step is Step.DRIFTS for t in ties):
        return (
            f"{first} and {second} drift apart: they come from two receivers, which need not "
            f"follow the same sticks. {_RECORD} Both must come from one receiver or mixing "
            "converter."
        )
    return ""


def without_sticks(lines: DriveLines, frames: Frames, outputs: tuple[OutputLine, ...]) -> str:
    """Say what the outputs alone tell, and ask for the sticks."""
    if lines.sticks:
        (only,) = lines.sticks
        other = TURN if only.axis in FORWARD else FORWARD
        return (
            f"Only the {only.axis} stick ({only.line}) is recorded. Record the "
            f"{' or '.join(other)} stick's channel too, or record to a plan (`plan`)."
        )
    neutral_us = np.array([output.travel.neutral_us for output in outputs])
    half_us = np.array([output.travel.half_us for output in outputs])
    return format_comovement((frames.width_us - neutral_us) / half_us)


def lacking(samples: Samples, planned: tuple[Axis, ...] = (), mixer: str = "") -> str:
    """Say what the sticks did not do, or nothing.

    Where a plan moves an axis, ``planned``, and no output follows it, that has two causes.
    """
    still = [axes[0] for axes in (FORWARD, TURN) if not set(axes) & set(samples.axes)]
    if not still and len(samples.time_s) < MIN_FRAMES:
        where = "the plan's steps" if samples.source == "plan" else "sticks and outputs together"
        return (
            f"Only {len(samples.time_s)} frames lie in {where}; {MIN_FRAMES} are needed. Check "
            "that the plan belongs to this recording, and record for longer."
        )
    if not still:
        away = np.abs(samples.stick - np.median(samples.stick, axis=0)) > _MOVED
        moved = np.count_nonzero(away, axis=0) >= _MIN_MOVED
        still = [axis for axis, did in zip(samples.axes, moved, strict=True) if not did]
    if still and all(set(axes) & set(planned) for axes in (FORWARD, TURN)):
        return Reason(
            f"Neither output follows the {' or the '.join(still)}, which the plan moves. Either "
            "mixing is off, or the hands left those steps out.",
            f"Look whether mixing is on in {mixer or 'one place'}, and record again by the plan.",
        )
    if still:
        return (
            f"The {' and the '.join(still)} stick never moved. {_RECORD} Move each stick "
            "alone to both ends."
        )
    if abs(float(np.corrcoef(*samples.stick.T)[0, 1])) > _CORRELATED:
        return (
            f"The {samples.axes[0]} and {samples.axes[1]} sticks always moved together, so "
            f"what each does alone is not shown. {_RECORD} Move one stick at a time."
        )
    return ""


def only_corners(samples: Samples) -> str:
    """Say so if the sticks only went to corners, or recorded ones look mixed; or nothing."""
    size = np.abs(samples.stick - np.median(samples.stick, axis=0))
    moved = size.max(axis=1) > 0.15
    diagonal = size.min(axis=1) > 0.85 * size.max(axis=1)
    if np.count_nonzero(moved & diagonal) < _ON_DIAGONAL * np.count_nonzero(moved):
        return ""
    if samples.source == "plan":
        return (
            "The plan moves the stick to its corners only, where outputs may clip unseen. Record "
            "again with a plan that moves one stick at a time."
        )
    return (
        "Both stick channels always moved by equal amounts. Either the stick went to its corners "
        "only, or the transmitter mixes and these are not the sticks. Record again and move one "
        "stick at a time. If both channels still move, the transmitter mixes; then follow a "
        "`plan`."
    )


@dataclass(frozen=True, slots=True)
class Mixing:
    """What was found out about two drive outputs."""

    lines: DriveLines  # The lines in question
    fit: MixFit | None  # The matrix; None where nothing could be fitted
    arrangement: Arrangement  # Its name
    responses: tuple[Response, ...]  # What the robot does; empty where that is not shown
    findings: tuple[Finding, ...]  # `arrangement`, then those that the fit allows
    assumptions: tuple[str, ...]  # Whole sentences
    is_planned: bool = False  # Whether a plan moves both drive sticks, each by itself

    @property
    def verdict(self) -> Verdict:
        """Whether it drives as wanted: the arrangement's, and straight, unless a gain is wrong.

        Gains that are not shown do not hide an arrangement that is.
        """
        if Verdict.DOES_NOT_MEET in [finding.verdict for finding in self.findings]:
            return Verdict.DOES_NOT_MEET
        counts = [f for f in self.findings[1:] if f.name == STRAIGHT and f.limit]
        return governing(f.verdict or Verdict.NOT_SHOWN for f in (self.findings[0], *counts))

    @property
    def wrong(self) -> str:
        """What breaks a limit, in few words; empty where nothing does."""
        broken = {f.name: f for f in self.findings if f.verdict is Verdict.DOES_NOT_MEET}
        if "arrangement" in broken:
            return self.arrangement.name or "both channels are mixed before the mixer"
        told = []
        if "gain balance" in broken and isinstance(broken["gain balance"].value, float):
            percent = broken["gain balance"].value
            more = "more" if percent > 0.0 else "less"
            told.append(f"the right side answers {abs(percent):.0f} % {more} than the left")
        sides = drive_sides(self.fit) if STRAIGHT in broken and self.fit else None
        if sides is not None and self.fit is not None:
            off = [
                output.line
                for output, side in zip(self.fit.samples.outputs, sides, strict=True)
                if rests_at_neutral(side) is Verdict.DOES_NOT_MEET
            ]
            told += [f"the neutral of {format_list(off)} is off"] if off else []
            told += [] if off else ["it turns with the stick forward"]
        return ", ".join(told)


def examine_mixing(
    tables: Mapping[str, PulseTable],
    lines: DriveLines,
    *,
    spans: Sequence[StepSpan] = (),
    planned: tuple[Axis, ...] = (),
    lost: Mapping[str, tuple[Span, ...]] | None = None,
    ties: Sequence[Tie] = (),
) -> Mixing:
    """Find out what two drive outputs do with the sticks; what is missing is said in the findings.

    ``spans`` are where a plan's steps were found; they come before recorded sticks. ``planned`` are
    the stick axes that the plan moves by themselves, found or not. ``lost`` says where each line's
    signal was lost, and ``ties`` which lines keep step, to tell two receivers.
    """
    lost = lost or {}
    sides = {output.side: output for output in reversed(lines.outputs)}  # The first of each side
    outputs = tuple(sides[side] for side in get_args(Side) if side in sides)[:2]
    if len(outputs) < 2:
        return _unanswered(lines, missing_output(outputs))
    apart = two_receivers(outputs, ties)
    if apart:
        return _unanswered(lines, apart)
    frames = pair_outputs(tables, [output.line for output in outputs], lost)
    if frames.time_s.size < MIN_FRAMES:
        return _unanswered(
            lines,
            f"Only {frames.time_s.size} frames have a pulse on both outputs; {MIN_FRAMES} are "
            "needed. Record for some ten seconds, with both sticks moved.",
        )
    if spans:
        intervals_us = [tables[output.line].sample_interval_us or 0.0 for output in outputs]
        samples = with_plan(frames, outputs, spans, max(intervals_us))
    elif len(lines.sticks) == 2:
        samples = with_recorded(frames, outputs, lines.sticks, tables, lost)
    else:
        return _unanswered(lines, without_sticks(lines, frames, outputs))
    planned = planned if spans else ()
    mixer = lines.the_mixer if lines.mixer else ""
    missing = lacking(samples, planned, mixer) or only_corners(samples)
    if missing:
        is_planned = all(set(axes) & set(planned) for axes in (FORWARD, TURN))
        return replace(_unanswered(lines, missing), is_planned=is_planned)
    fit, found = _fit_and_name(samples)
    stages: tuple[str, ...] = ()
    if spans and len(lines.sticks) == 2 and not lines.is_into_mixer:
        first = _hands_to_sticks(lines, tables, lost, spans)
        second = with_recorded(frames, outputs, lines.sticks, tables, lost)
        found, stages = _by_stages(found, first, second)
    told = _before_mixer(lines, fit, found) if lines.is_into_mixer else None
    return told or _answered(lines, fit, found, stages)


def swapped_mixing(lines: DriveLines, said: str) -> Mixing:
    """Answer for outputs of which one follows another device's stick: its plug is swapped."""
    found = Arrangement("plugs swapped", kind=Kind.OTHER, reason=said)
    return Mixing(lines, None, found, (), (arrangement_finding(found, (), (), lines),), ())


def _fit_and_name(samples: Samples) -> tuple[MixFit, Arrangement]:
    fit = fit_mix(samples)
    found = name_arrangement(fit)
    if found.kind is not Kind.MIXED:
        behind = fit_twice(fit)
        if behind is not None:
            other, shown = behind
            renamed = name_arrangement(other)
            if renamed.kind is Kind.UNMIXED:
                return other, mixed_twice(renamed) if shown else renamed
    return fit, found


def _hands_to_sticks(
    lines: DriveLines,
    tables: Mapping[str, PulseTable],
    lost: Mapping[str, tuple[Span, ...]],
    spans: Sequence[StepSpan],
) -> Samples:
    """Take the stick channels as outputs of the hands."""
    forward, turn = lines.sticks
    pins = (
        OutputLine(forward.line, "left", forward.travel),
        OutputLine(turn.line, "right", turn.travel),
    )
    frames = pair_outputs(tables, [pin.line for pin in pins], lost)
    return with_plan(frames, pins, spans, tables[forward.line].sample_interval_us or 0.0)


def _by_stages(
    found: Arrangement, first: Samples, second: Samples
) -> tuple[Arrangement, tuple[str, ...]]:
    """Look at the two stages apart: hands to stick channels, stick channels to outputs."""
    if lacking(first) or lacking(second):
        return found, ()
    at_pins = name_arrangement(fit_mix(first))
    to_outputs = name_arrangement(fit_mix(second))
    stages = (
        f"From the hands to the stick channels: {at_pins.name or 'not shown'}.",
        f"From the stick channels to the outputs: {to_outputs.name or 'not shown'}.",
    )
    mixes = [stage.kind for stage in (at_pins, to_outputs)]
    if found.kind is Kind.UNMIXED and mixes == [Kind.MIXED, Kind.MIXED]:
        return mixed_twice(found), stages
    if found.kind is Kind.UNMIXED and mixes == [Kind.UNMIXED, Kind.UNMIXED]:
        also = tuple(name for name in found.also if name != Kind.TWICE)
        return replace(found, also=also), stages
    return found, stages


def _before_mixer(lines: DriveLines, fit: MixFit, found: Arrangement) -> Mixing:
    """Judge what goes into a mixer: neither channel may be mixed before it."""
    time_s = fit.samples.time_s
    evidence = (Evidence(float(time_s[0]), float(time_s[-1]), time_s.size),)
    finding = before_mixer_finding(found, lines, evidence)
    kind = Kind.TWICE if finding.verdict is Verdict.DOES_NOT_MEET else None
    name = None if kind is None else str(kind)
    told = Arrangement(name, kind=kind, reason=finding.sentence)
    said = f"{lines.the_mixer[0].upper()}{lines.the_mixer[1:]} mixes both channels for the motors."
    return Mixing(lines, fit, told, (), (finding,), (said,))


def _unanswered(lines: DriveLines, reason: str) -> Mixing:
    found = Arrangement(None, reason=reason)
    return Mixing(lines, None, found, (), (arrangement_finding(found, (), (), lines),), ())


def _answered(
    lines: DriveLines, fit: MixFit, found: Arrangement, stages: tuple[str, ...]
) -> Mixing:
    responses = () if found.name is None else responses_of(fit)
    time_s = fit.samples.time_s
    evidence = (Evidence(float(time_s[0]), float(time_s[-1]), time_s.size),)
    findings = [arrangement_finding(found, responses, evidence, lines)]
    if found.name is not None:
        findings += [straight_finding(fit, found), balance_finding(fit, found)]
        findings += [corner_finding(fit), delay_finding(fit)]
    return Mixing(
        lines, fit, found, responses, tuple(findings), (*stages, *_assumptions(lines, fit))
    )


def _assumptions(lines: DriveLines, fit: MixFit) -> tuple[str, ...]:
    samples = fit.samples
    left, right = samples.outputs
    sentences = [
        f"{left.line} drives the left side and {right.line} the right side.",
        "A width above neutral means forward (common practice). A motor wired the other way looks "
        "like a reversed channel.",
    ]
    if samples.source == "plan":
        sentences.append("The sticks were where the plan tells, forward and right positive.")
    else:
        names = " and ".join(f"{stick.line} ({stick.axis})" for stick in lines.sticks)
        sentences.append(
            f"{names} carry the sticks, not yet mixed, and grow wider with forward and right "
            "(common practice)."
        )
    sentences += [
        f"{output.line}: neutral {output.travel.neutral_us:g} us, full speed "
        f"{output.travel.half_us:g} us away from it."
        for output in samples.outputs
    ]
    extra = [o.line for o in lines.outputs if o not in samples.outputs]
    if extra:
        sentences.append(f"{', '.join(extra)} were not examined: only one output of each side is.")
    return tuple(sentences)
