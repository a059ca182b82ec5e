"""The arrangement's name, from the matrix and its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from pwmscope.findings.mixing.faults import (
    SINGLE,
    WANTED,
    Fault,
    Kind,
    Pattern,
    explanations,
    format_name,
    pattern_of,
)
from pwmscope.findings.mixing.fit import MixFit
from pwmscope.model import COVERAGE, IntArray

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
        return _standing(fit, rows)
    return _moving(fit, rows)


def _standing(fit: MixFit, rows: list[_Row]) -> Arrangement:
    if rows == [_Row.NONE, _Row.NONE]:
        return Arrangement(
            None,
            reason="Neither output moves while the sticks do. Check that the lines named are the "
            "drive outputs, that the receiver is linked, and that no switch holds the drive; "
            "then record again.",
        )
    still = fit.samples.outputs[rows.index(_Row.NONE)].side
    return Arrangement(
        f"{still} output stands still",
        kind=Kind.OTHER,
        reason=f"The {still} output follows neither stick: check its plug, and that its "
        "channel is the one that the transmitter's mixing or stick drives.",
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
    told = {
        _Row.FORWARD: "Both outputs follow the forward stick alone; the other stick does nothing.",
        _Row.TURN: "Both outputs follow the turn stick alone; the other stick does nothing.",
        _Row.BOTH: "Both outputs follow the same mix of the sticks.",
    }[row]
    column = int(np.argmax(np.abs(fit.matrix[0])))
    opposite = fit.matrix[0, column] * fit.matrix[1, column] < 0
    return Arrangement(
        str(Kind.ALIKE),
        kind=Kind.ALIKE,
        reason=f"{told} {'They move opposite ways. ' if opposite else ''}Both seem to come from "
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
        reason=f"The matrix is none of the usual ones ({rows}): look for a second mix, a partial "
        "mix or a dual rate in the transmitter, and start from a fresh model memory.",
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
