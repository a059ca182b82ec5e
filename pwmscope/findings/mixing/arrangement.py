"""The name of the arrangement, from the matrix: what is mixed, swapped or reversed."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from enum import Enum, StrEnum
from typing import Final, TypeAlias

import numpy as np

from pwmscope.errors import named
from pwmscope.findings.mixing.fit import MixFit, fit_outputs, left_us, loss
from pwmscope.model import COVERAGE, FloatArray, IntArray

Pattern: TypeAlias = tuple[tuple[int, int], tuple[int, int]]
"""Signs of the matrix: rows left and right, columns forward and turn right."""


class Kind(StrEnum):
    """How the outputs follow the sticks, whatever is swapped or reversed."""

    MIXED = "mixed"
    UNMIXED = "unmixed"
    TWICE = "mixed twice"
    ALIKE = "both outputs alike"
    OTHER = "no known arrangement"


class Fault(StrEnum):
    """One thing that is swapped or reversed."""

    OUTPUTS = "outputs swapped"
    LEFT = "left output reversed"
    RIGHT = "right output reversed"
    STICKS = "elevator and aileron swapped"
    FORWARD = "elevator reversed"
    TURN = "aileron reversed"


WANTED: Final[Pattern] = ((1, 1), (1, -1))
"""Left = forward + turn, right = forward - turn (common practice)."""
SINGLE: Final[Pattern] = ((1, 0), (0, 1))
"""Left follows the elevator alone, right the aileron alone."""

_SWAP = np.array([[0, 1], [1, 0]])
_FIRST = np.array([[-1, 0], [0, 1]])
_SECOND = np.array([[1, 0], [0, -1]])
AT_OUTPUTS: Final[dict[Fault, IntArray]] = {
    Fault.LEFT: _FIRST,
    Fault.RIGHT: _SECOND,
    Fault.OUTPUTS: _SWAP,
}
"""Faults that multiply from the left, in the order in which they act."""
AT_STICKS: Final[dict[Fault, IntArray]] = {
    Fault.STICKS: _SWAP,
    Fault.FORWARD: _FIRST,
    Fault.TURN: _SECOND,
}
"""Faults that multiply from the right, in the order in which they act."""


def apply(faults: tuple[Fault, ...], base: Pattern) -> Pattern:
    """Return the pattern that faults make of a base.

    >>> apply((Fault.OUTPUTS,), WANTED) == apply((Fault.TURN,), WANTED)
    True
    """
    made = np.array(base)
    for fault, matrix in AT_OUTPUTS.items():
        if fault in faults:
            made = matrix @ made
    for fault, matrix in AT_STICKS.items():
        if fault in faults:
            made = made @ matrix
    return pattern_of(made)


def pattern_of(matrix: IntArray) -> Pattern:
    """Write a 2 x 2 array of signs as a pattern."""
    (a, b), (c, d) = matrix.tolist()
    return (a, b), (c, d)


def explanations(pattern: Pattern, base: Pattern) -> tuple[tuple[Fault, ...], ...]:
    """List the fewest faults that make a pattern of a base; those at the outputs first.

    >>> [[str(fault) for fault in faults] for faults in explanations(((1, 1), (-1, 1)), WANTED)]
    [['right output reversed'], ['elevator and aileron swapped']]
    """
    for count in range(len(Fault) + 1):
        found = tuple(
            faults
            for faults in itertools.combinations(Fault, count)
            if apply(faults, base) == pattern
        )
        if found:
            return tuple(sorted(found, key=lambda faults: len(AT_STICKS.keys() & set(faults))))
    return ()


def format_name(kind: Kind, faults: tuple[Fault, ...]) -> str:
    """Name an arrangement.

    >>> format_name(Kind.MIXED, (Fault.LEFT, Fault.RIGHT)), format_name(Kind.UNMIXED, ())
    ('mixed, both outputs reversed', 'unmixed')
    """
    words = [str(fault) for fault in faults]
    if Fault.LEFT in faults and Fault.RIGHT in faults:
        words = [word for word in words if word not in {Fault.LEFT, Fault.RIGHT}]
        words.append("both outputs reversed")
    return ", ".join([str(kind), *words])


_GAINS: Final = (0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4)
"""Gains of the first mixer that are tried; below 0.5 it does not clip at all."""
_FULL: Final = (0.85, 1.15)
"""A plan tells the hands' corners, which a round stick gate may keep them from: only a gain
of about one is believed then."""
_WORTH: Final = 0.4
_MIN_FALL: Final = 40.0
_MIN: Final = 12
_HANDS_LEAVE: Final = 0.08
"""Hands that follow a plan leave less than this part of the movement unexplained (own estimate)."""
_MIXER = np.array([[1.0, 1.0], [1.0, -1.0]])


def through_first_mixer(stick: FloatArray, gain: float) -> FloatArray:
    """Give the sticks as they would look behind a mixer that clips, and its inverse.

    Two mixers in a row undo each other, since the mixing matrix [[1, 1], [1, -1]]
    squared is twice the identity; only the first one's clipping remains.

    >>> through_first_mixer(np.array([[1.0, 0.0], [1.0, 1.0]]), 1.0).tolist()
    [[1.0, 0.0], [0.5, 0.5]]
    """
    mixed = np.clip(gain * stick @ _MIXER, -1.0, 1.0)
    return np.asarray(mixed @ _MIXER / (2.0 * gain), dtype=np.float64)


def fit_twice(fit: MixFit) -> tuple[MixFit, bool] | None:
    """Fit outputs behind two mixers of which the first clips."""
    samples = fit.samples
    corner = np.sum(np.abs(samples.stick), axis=1)
    if np.count_nonzero(corner > 1.1) < _MIN:
        return None
    by_plan, width_us = samples.source == "plan", samples.width_us
    if by_plan and fit.unexplained < _HANDS_LEAVE:
        return None
    behind = {gain: through_first_mixer(samples.stick, gain) for gain in _GAINS}
    gain = min(_GAINS, key=lambda gain: left_us(behind[gain], width_us))
    best = MixFit(samples, fit_outputs(samples, behind[gain]))
    scales_us = [
        min(one.scale_us, other.scale_us)
        for one, other in zip(fit.outputs, best.outputs, strict=True)
    ]
    before, after = _loss(fit, scales_us), _loss(best, scales_us)
    if after > _WORTH * before or before - after < _MIN_FALL:
        return None
    return best, not by_plan or _FULL[0] <= gain <= _FULL[1]


def _loss(fit: MixFit, scales_us: list[float]) -> float:
    return sum(
        loss(output.residual_us, scale_us)
        for output, scale_us in zip(fit.outputs, scales_us, strict=True)
    )


ALONE_DEG: Final = 12.0
"""A row within this angle of one stick's axis follows that stick alone ..."""
BOTH_DEG: Final = 17.0
"""... and one farther than this from both axes follows both; a turn of 31 % of the forward."""
MIN_GAIN: Final = 0.05
"""An output that moves less than this part of its travel follows no stick."""
MAX_DIFFERENT: Final = 1.8
"""If one output's turn, set against the other's as its forward is, differs by more than this
factor, the two are not one mixer's."""
MAX_LEFT: Final = 0.4
"""Part of an output's movement that the fit may leave."""


@dataclass(frozen=True, slots=True)
class Arrangement:
    """What the outputs do with the sticks."""

    name: str | None  # None where the recording does not show it
    also: tuple[str, ...] = ()  # Other arrangements that make exactly the same outputs
    kind: Kind | None = None  # What remains of the name without what is swapped or reversed
    faults: tuple[Fault, ...] = ()  # What is swapped or reversed, in the name
    pattern: Pattern | None = None  # Signs of the matrix, for mixed, unmixed and mixed twice
    reason: str = ""  # Why it is not shown and what to record; otherwise what is peculiar, or empty

    def __post_init__(self) -> None:
        object.__setattr__(self, "reason", named(self.reason))


class _Row(Enum):
    """How one output follows two sticks."""

    FORWARD = "forward alone"
    TURN = "turn alone"
    BOTH = "both"
    PARTLY = "one, and a little of the other"
    NONE = "none"


def name_arrangement(fit: MixFit) -> Arrangement:
    """Name what two outputs do with two sticks."""
    if fit.unexplained > MAX_LEFT:
        return Arrangement(None, reason=_strange(fit))
    rows: list[_Row] = []
    for at, output in enumerate(fit.samples.outputs):
        row = _row(fit, at)
        if row is None:
            return Arrangement(
                None,
                reason=f"How the {output.side} output follows the two sticks is too uncertain to "
                "be named. Record again, and move each stick alone, slowly, from end to end.",
            )
        rows.append(row)
    if _Row.NONE in rows:
        return _still(fit, rows)
    return _moving(fit, rows)


def _still(fit: MixFit, rows: list[_Row]) -> Arrangement:
    if rows == [_Row.NONE, _Row.NONE]:
        return Arrangement(
            None,
            reason="Neither output moves while the sticks do. Check three things: the lines are "
            "the drive outputs, the receiver is linked, no switch holds the drive. Then "
            "record again.",
        )
    still = fit.samples.outputs[rows.index(_Row.NONE)].side
    return Arrangement(
        f"{still} output follows neither stick",
        kind=Kind.OTHER,
        reason=f"Check the {still} output's plug. Check that the transmitter's mixing or stick "
        "drives its channel.",
    )


def _moving(fit: MixFit, rows: list[_Row]) -> Arrangement:
    signs = np.sign(fit.matrix).astype(np.int64)
    if rows == [_Row.BOTH, _Row.BOTH]:
        return _both_mixed(fit, signs)
    if set(rows) == {_Row.FORWARD, _Row.TURN}:
        columns = [0 if row is _Row.FORWARD else 1 for row in rows]
        signs[0, 1 - columns[0]] = signs[1, 1 - columns[1]] = 0
        return _named(Kind.UNMIXED, pattern_of(signs))
    if rows[0] is rows[1] and rows[0] is not _Row.PARTLY:
        return _alike(fit, rows[0])
    return _other(fit)


def _row(fit: MixFit, at: int) -> _Row | None:
    """Say how one output follows the sticks; None where its uncertainty holds two answers."""
    forward, turn = fit.matrix[at]
    half_us = fit.samples.half_us[at]
    covariance = fit.outputs[at].covariance[:2, :2] / half_us**2
    gain = math.hypot(forward, turn)
    doubt = COVERAGE * math.sqrt(float(np.trace(covariance)))
    if gain + doubt < MIN_GAIN:
        return _Row.NONE
    if gain - doubt < MIN_GAIN:
        return None
    slope = np.array([-turn, forward]) / gain**2
    spread_deg = COVERAGE * math.degrees(math.sqrt(float(slope @ covariance @ slope)))
    angle_deg = math.degrees(math.atan2(abs(turn), abs(forward)))
    from_axis_deg = min(angle_deg, 90.0 - angle_deg)
    low_deg, high_deg = from_axis_deg - spread_deg, from_axis_deg + spread_deg
    if high_deg < ALONE_DEG:
        return _Row.FORWARD if angle_deg < 45.0 else _Row.TURN
    if low_deg > BOTH_DEG:
        return _Row.BOTH
    return _Row.PARTLY if low_deg > ALONE_DEG and high_deg < BOTH_DEG else None


def _both_mixed(fit: MixFit, signs: IntArray) -> Arrangement:
    pattern = pattern_of(signs)
    (a, b), (c, d) = pattern
    if a * d == b * c:
        return _alike(fit, _Row.BOTH)
    size = np.abs(fit.matrix)
    relative = fit.uncertainty / size
    apart = abs(math.log(size[0, 0] * size[1, 1] / (size[0, 1] * size[1, 0])))
    doubt = COVERAGE * math.sqrt(float(np.sum(relative**2)))
    if apart - doubt > math.log(MAX_DIFFERENT):
        return _other(fit)
    if apart + doubt > math.log(MAX_DIFFERENT):
        return Arrangement(
            None,
            reason="Whether both outputs come from one mixer is too uncertain to be named. Record "
            "again, and move each stick alone, slowly, from end to end.",
        )
    return _named(Kind.MIXED, pattern)


def _named(kind: Kind, pattern: Pattern) -> Arrangement:
    base = WANTED if kind is Kind.MIXED else SINGLE
    first, *others = explanations(pattern, base)
    also = [format_name(kind, faults) for faults in others]
    if kind is Kind.UNMIXED:
        also += [str(Kind.TWICE), "stick plane turned by 45 degrees"]
    return Arrangement(format_name(kind, first), tuple(also), kind, first, pattern)


def mixed_twice(arrangement: Arrangement) -> Arrangement:
    """Rename what looks unmixed where mixing in two places is shown."""
    return Arrangement(str(Kind.TWICE), (), Kind.TWICE, arrangement.faults, arrangement.pattern)


def _alike(fit: MixFit, row: _Row) -> Arrangement:
    words = {
        _Row.FORWARD: "Both outputs follow the forward stick alone; the other stick does nothing.",
        _Row.TURN: "Both outputs follow the turn stick alone; the other stick does nothing.",
        _Row.BOTH: "Both outputs follow the same mix of the sticks.",
    }[row]
    column = int(np.argmax(np.abs(fit.matrix[0])))
    opposite = fit.matrix[0, column] * fit.matrix[1, column] < 0
    return Arrangement(
        str(Kind.ALIKE),
        kind=Kind.ALIKE,
        reason=f"{words} {'They move opposite ways. ' if opposite else ''}Both seem to come from "
        "one channel: give each its own plug or channel.",
    )


def _other(fit: MixFit) -> Arrangement:
    rows = "; ".join(
        f"{output.side} = {forward:+.2f} forward {turn:+.2f} turn"
        for output, (forward, turn) in zip(fit.samples.outputs, fit.matrix, strict=True)
    )
    return Arrangement(
        str(Kind.OTHER),
        kind=Kind.OTHER,
        reason=f"The matrix is none of the usual ones ({rows}). Look for a second mix, a partial "
        "mix or a dual rate. Start from a fresh model memory.",
    )


def _strange(fit: MixFit) -> str:
    part = f"{100.0 * fit.unexplained:.0f} %"
    if fit.samples.source == "plan":
        return (
            f"The plan does not match the recording: {part} of an output's movement is not "
            "explained by it. Record again from the plan's first step, keep to its times, and "
            "hold each step still."
        )
    return (
        f"{part} of an output's movement is not explained by the two recorded sticks. Record "
        "with other controls, gyro and switches left alone, and move the sticks slowly."
    )
