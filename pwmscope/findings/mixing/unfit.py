"""Recordings that cannot answer, each with what more to record."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final

import numpy as np

from pwmscope.bench import Axis
from pwmscope.findings.mixing.comovement import format_comovement
from pwmscope.findings.mixing.lines import FORWARD, TURN, DriveLines, OutputLine
from pwmscope.findings.mixing.sticks import Frames, Samples
from pwmscope.findings.receivers import Step, Tie

MIN_FRAMES: Final = 20
_MOVED: Final = 0.1
_MIN_MOVED: Final = 8
_TOGETHER: Final = 0.97
"""Sticks whose positions correlate by more than this were not moved apart."""
_ON_DIAGONAL: Final = 0.9
_RECORD: Final = (
    "With the weapon removed and the wheels off the ground, record the drive outputs and "
    "either the receiver's stick channels or a plan (--plan)"
)


def missing_output(outputs: tuple[OutputLine, ...]) -> str:
    """Ask for the output that is missing."""
    if not outputs:
        return (
            "No drive output is named. Say which lines they are with --left and --right, or give "
            "them the roles drive-left and drive-right in a bench sheet."
        )
    (only,) = outputs
    other = "right" if only.side == "left" else "left"
    return (
        f"Only the {only.side} output ({only.line}) is recorded or named. Record the {other} "
        f"output in the same recording, and name it with --{other} or in the bench sheet."
    )


def two_receivers(outputs: tuple[OutputLine, ...], ties: Sequence[Tie]) -> str:
    """Say so if the outputs come from two receivers, or nothing."""
    pair = {output.line for output in outputs}
    for tie in ties:
        if {tie.first, tie.second} == pair and tie.step is Step.DRIFTS:
            first, second = (output.line for output in outputs)
            return (
                f"{first} and {second} drift apart: they come from two receivers, which need not "
                f"follow the same sticks. {_RECORD} from one receiver or one mixing converter."
            )
    return ""


def without_sticks(lines: DriveLines, frames: Frames, outputs: tuple[OutputLine, ...]) -> str:
    """Say what the outputs alone tell, and ask for the sticks."""
    if lines.sticks:
        (only,) = lines.sticks
        other = TURN if only.axis in FORWARD else FORWARD
        return (
            f"Only the {only.axis} stick ({only.line}) is recorded. Record the "
            f"{' or '.join(other)} stick's channel too, or record to a plan (--plan)."
        )
    neutral_us = np.array([output.travel.neutral_us for output in outputs])
    half_us = np.array([output.travel.half_us for output in outputs])
    return format_comovement((frames.width_us - neutral_us) / half_us)


def lacking(samples: Samples, wanted: tuple[tuple[Axis, ...], ...] = (FORWARD, TURN)) -> str:
    """Say what the sticks did not do, or nothing."""
    still = [axes[0] for axes in wanted if not set(axes) & set(samples.axes)]
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
    if still:
        return (
            f"The {' and the '.join(still)} stick never moved. {_RECORD}, and move each stick "
            "alone to both ends."
        )
    for one, two in itertools.combinations(range(len(samples.axes)), 2):
        if abs(float(np.corrcoef(samples.stick[:, one], samples.stick[:, two])[0, 1])) > _TOGETHER:
            return (
                f"The {samples.axes[one]} and {samples.axes[two]} sticks always moved together, so "
                f"what each does alone is not shown. {_RECORD}, and move one stick at a time."
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
        "The two stick channels always moved by equal amounts: either the stick only went to its "
        "corners, or the transmitter mixes already, and then these channels are not the sticks. "
        "Record again and move one stick at a time; if both channels still move, mixing is on in "
        "the transmitter, and a plan (--plan) tells the rest."
    )
