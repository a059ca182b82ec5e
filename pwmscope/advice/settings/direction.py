"""Advice on which way a channel goes."""

from __future__ import annotations

from typing import Final

import numpy as np

from pwmscope.advice.settings.setting import Action, Setting
from pwmscope.bench import BenchChannel
from pwmscope.bench.plan import Axis, PlanStep
from pwmscope.bench.roles import DRIVES
from pwmscope.findings.plan_alignment import Alignment
from pwmscope.findings.results import ChannelFindings
from pwmscope.findings.travel.moves import LEAST_THROW
from pwmscope.pulses import PulseTable

_AXIS_OF: Final[dict[str, Axis]] = {
    "drive-left": "elevator",
    "drive-right": "elevator",
    "weapon": "throttle",
}
_MEANS: Final[dict[Axis, str]] = {"elevator": "forward", "throttle": "up"}


def advise_direction(
    channel: BenchChannel, found: ChannelFindings, alignment: Alignment | None
) -> Setting | None:
    """Say whether a channel must be reversed; None where that cannot be asked.

    A rising width is taken for forward, or for a faster weapon (common practice).

    Parameters
    ----------
    channel : BenchChannel
        What the device is for.
    found : ChannelFindings
        What was measured.
    alignment : Alignment or None
        Where the steps of the plan are in the recording.

    Returns
    -------
    Setting or None
        None for a servo, since the sheet does not say which stick moves it, and for a drive
        without a plan.
    """
    axis = _AXIS_OF.get(channel.role)
    if axis is None:
        return None
    if alignment is None:
        return _of_resting_weapon(channel, found) if channel.role == "weapon" else None
    if not alignment.fits:
        return Setting(
            "direction", Action.NOT_SHOWN, f"The direction is not shown. {alignment.sentence}"
        )
    change_us = _change_us(found.table, alignment, axis)
    least_us = LEAST_THROW * found.table.convention.span_us
    if change_us is None or abs(change_us) < least_us:
        return Setting(
            "direction", Action.NOT_SHOWN,
            f"The direction is not shown: with the {axis} held alone the width did not move by "
            f"{least_us:g} us or more. Hold it as the plan says, or look whether the channel "
            "follows another stick.",
        )  # fmt: skip
    rises = change_us > 0
    said = (
        f"With the {axis} {_MEANS[axis]} the width {'rises' if rises else 'falls'} by "
        f"{abs(change_us):.0f} us"
    )
    if rises:
        return Setting("direction", Action.LEAVE, f"{said}, as most devices take it. Leave it.")
    mirrored = (
        ", unless this side's motor is meant to turn the other way"
        if channel.role in DRIVES
        else ""
    )
    return Setting(
        "direction", Action.CHANGE,
        f"{said}; most devices take a rising width for {_MEANS[axis]} (common practice). Reverse "
        f"the channel in the transmitter{_set_now(channel)}{mirrored}.",
    )  # fmt: skip


def _set_now(channel: BenchChannel) -> str:
    if channel.reversed is None:
        return ""
    return f" (its direction is set to {'reversed' if channel.reversed else 'normal'} now)"


def _of_resting_weapon(channel: BenchChannel, found: ChannelFindings) -> Setting | None:
    """Judge a weapon that turns one way by the end at which it rests."""
    travel = found.travel
    if channel.neutral_us is not None or travel is None or travel.low is None:
        return None
    if travel.high is None:
        return None
    visits = {
        end: sum(visit.pulses for visit in level.visits)
        for end, level in (("low", travel.low), ("high", travel.high))
    }
    first = "low" if travel.low.visits[0].start_s < travel.high.visits[0].start_s else "high"
    longest = max(visits, key=lambda end: visits[end])
    if first != longest:
        return None
    if first == "low":
        return Setting(
            "direction", Action.LEAVE, "The weapon's channel rests at its low end. Leave it."
        )
    return Setting(
        "direction", Action.CHANGE,
        f"The weapon's channel rests at its high end, {travel.high.width_us:.0f} us, at which "
        f"the weapon runs. Reverse the channel in the transmitter{_set_now(channel)} before the "
        "weapon is powered.",
    )  # fmt: skip


def _change_us(table: PulseTable, alignment: Alignment, axis: Axis) -> float | None:
    """How far the width goes from rest while one axis alone is held forward of it."""
    forward = [
        _width_us(table, span.start_s, span.end_s)
        for span in alignment.spans
        if _holds_alone(span.step, axis)
    ]
    rest = [
        _width_us(table, span.start_s, span.end_s)
        for span in alignment.spans
        if not span.step.sticks and span.step.transmitter_on
    ]
    forward, rest = [w for w in forward if w is not None], [w for w in rest if w is not None]
    if not forward or not rest:
        return None
    return float(np.median(np.array(forward)) - np.median(np.array(rest)))


def _holds_alone(step: PlanStep, axis: Axis) -> bool:
    return step.transmitter_on and set(step.sticks) == {axis} and step.sticks[axis] > 0


def _width_us(table: PulseTable, start_s: float, end_s: float) -> float | None:
    inside = table.measured & (table.rise_s >= start_s) & (table.rise_s < end_s)
    return float(np.median(table.width_us[inside])) if inside.any() else None
