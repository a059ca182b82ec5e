"""The findings about mixing: arrangement, balance of the gains, corners, what the robot does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.mixing.arrangement import MAX_LEFT, Arrangement, Kind
from pwmscope.findings.mixing.fit import MixFit
from pwmscope.findings.mixing.lines import DriveLines
from pwmscope.model import (
    COVERAGE,
    Definition,
    Evidence,
    Finding,
    Verdict,
    judge,
    measured,
    not_shown,
)

_EQUAL: Final = 0.15
"""Speeds that differ by less than this part of the faster are told as equal."""
_STILL: Final = 0.03
"""A side slower than this part of its full speed is told as standing still."""


def format_motion(left: float, right: float) -> str:
    """Say how a robot moves.

    Examples
    --------
    >>> format_motion(1.0, 0.0)
    'turns right (left side forward, right side still)'
    >>> format_motion(0.9, 0.88), format_motion(-1.0, 1.0)
    ('drives straight forward', 'turns left on the spot')
    >>> format_motion(0.5, 0.8)
    'drives forward in a curve to the left'
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
    # Outputs away from rest, in half travels
    left: float
    right: float
    motion: str  # What the robot does, a clause after "the robot"


def responses_of(fit: MixFit) -> tuple[Response, ...]:
    """Say what a robot does with the stick pushed forward, right and into the corner.

    Outputs are taken to end where the recording shows it, or else at the end of travel.
    """
    stick = np.array([(0.0, 0.0), *DIRECTIONS.values()])
    end = np.maximum(1.0, np.max(np.abs(fit.samples.position), axis=0))
    position = np.clip(fit.position(stick), -end, end)
    return tuple(
        Response(name, float(left), float(right), format_motion(float(left), float(right)))
        for name, (left, right) in zip(DIRECTIONS, position[1:] - position[0], strict=True)
    )


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
    named = _NAMED.get(found.kind or Kind.OTHER, "")
    if lines.mixer is not None and found.kind in {Kind.UNMIXED, Kind.TWICE}:
        named = (
            f"Each output follows one stick alone. The sheet says that {lines.the_mixer} mixes; it "
            "does not, or a second place undoes it."
        )
    sentence = f"{named}{found.reason} {_capital(words)}."
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


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


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
