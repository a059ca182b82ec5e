"""Advice on which way a channel goes, and where it rests."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

import numpy as np

from pwmscope.advice.settings.endpoints import RATE_UNKNOWN
from pwmscope.advice.settings.setting import Action, Setting
from pwmscope.bench import DRIVES, Axis, BenchChannel, PlanStep
from pwmscope.findings import Alignment, ChannelFindings
from pwmscope.findings.travel import LET_GO, MIN_THROW, Amount, against_band, judge_rest
from pwmscope.model import Verdict, governing
from pwmscope.pulses import PulseTable

_AXIS_OF: Final[dict[str, Axis]] = {
    "drive-left": "elevator",
    "drive-right": "elevator",
    "drive-forward": "elevator",
    "drive-turn": "aileron",
    "weapon": "throttle",
}
_MEANS: Final[dict[Axis, str]] = {
    "elevator": "forward", "throttle": "up", "aileron": "right", "rudder": "right",
}  # fmt: skip


_DIRECTION: Final = partial(Setting, "direction")
_REST: Final = partial(Setting, "rest position")
_BEFORE_POWER: Final = "Know it before anything is powered."


def advise_direction(
    channel: BenchChannel, found: ChannelFindings, alignment: Alignment | None
) -> Setting | None:
    """Say whether a channel must be reversed; None where that cannot be asked.

    A rising width is taken for forward, or for a faster weapon (common practice).
    """
    axis = _axis_of(channel)
    if axis is None:
        return None
    if alignment is None:
        return _of_resting_weapon(channel, found) if channel.role == "weapon" else None
    if not alignment.fits:
        return _DIRECTION(Action.NOT_SHOWN, f"The direction is not shown. {alignment.sentence}")
    change_us = _change_us(found.table, alignment, axis)
    least_us = MIN_THROW * found.table.convention.span_us
    if change_us is None or abs(change_us) < least_us:
        return _DIRECTION(
            Action.NOT_SHOWN,
            f"The direction is not shown: with the {axis} held alone the width did not move by "
            f"{least_us:g} us or more. Hold it as the plan says, or look whether the channel "
            "follows another stick.",
        )
    way = "rises" if change_us > 0 else "falls"
    seen = f"With the {axis} {_MEANS[axis]} the width {way} by {abs(change_us):.0f} us"
    if change_us > 0:
        return _DIRECTION(Action.LEAVE, f"{seen}, as most devices take it. Leave it.")
    unless = " Leave it where this side's motor is meant to turn the other way."
    return _DIRECTION(
        Action.CHANGE,
        f"{seen}; most devices take a rising width for {_MEANS[axis]} (common practice). Reverse "
        f"the channel in the transmitter{_set_now(channel)}."
        f"{unless if channel.role in DRIVES else ''}",
    )


def _axis_of(channel: BenchChannel) -> Axis | None:
    """Return the stick axis that moves a channel; None where a switch or a dial does, or none."""
    usual = _AXIS_OF.get(channel.role)
    if usual is None or channel.control is None:
        return usual
    return next((axis for axis in _MEANS if axis == channel.control), None)


def _set_now(channel: BenchChannel) -> str:
    if channel.reversed is None:
        return ""
    return f" (its direction is set to {'reversed' if channel.reversed else 'normal'} now)"


def _of_resting_weapon(channel: BenchChannel, found: ChannelFindings) -> Setting | None:
    """Judge a weapon that turns one way by the end at which it rests."""
    travel, band = found.travel, channel.stop_band
    if channel.neutral_us is not None or travel is None or band is None:
        return None
    if travel.low is None or travel.high is None:
        return None
    rest = travel.rest
    if judge_rest(rest, band, found.table.sample_interval_us)[0] is Verdict.MEETS:
        return _DIRECTION(Action.LEAVE, "The weapon's channel rests at its low end. Leave it.")
    if not rest.is_known or rest.level is None or rest.level.width_us < travel.high.width_us:
        return None
    return _DIRECTION(
        Action.CHANGE,
        f"The weapon's channel rests at its high end, {travel.high.width_us:.0f} us, at which "
        f"the weapon runs. Reverse the channel in the transmitter{_set_now(channel)} before the "
        "weapon is powered.",
    )


def advise_rest(
    channel: BenchChannel, found: ChannelFindings, alignment: Alignment | None
) -> Setting | None:
    """Say whether the device stands still with the stick let go; None where it has no stop.

    It is judged by the plan's steps in which no stick is held, or else by where the whole
    recording comes back to.
    """
    band, travel = channel.stop_band, found.travel
    if band is None or travel is None:
        return None
    target_us = channel.neutral_us if channel.neutral_us is not None else channel.low_us
    setting = partial(_REST, target_us=target_us)
    interval_us = found.table.sample_interval_us
    if alignment is None or not alignment.fits:
        verdict, sentence = judge_rest(travel.rest, band, interval_us)
        now = None if travel.rest.level is None else travel.rest.level.repeated.amount
        if now is not None and (now.uncertainty_us is None or interval_us is None):
            sentence = f"The rest position is {now.said}. {RATE_UNKNOWN}"
            return setting(Action.NOT_SHOWN, sentence, now)
        sentence = f"{sentence} "
    else:
        widths_us = _widths_us(found.table, alignment, _rests)
        if not widths_us:
            sentence = "The rest position is not shown: the plan never lets the sticks go."
            return setting(Action.NOT_SHOWN, f"{sentence} {LET_GO}")
        verdict = governing(against_band(Amount(us, None), band, interval_us) for us in widths_us)
        now = Amount(max(widths_us, key=lambda us: abs(us - target_us)), None)
        sentence = (
            f"At rest the width is {now.us:.1f} us, "
            f"{'inside' if verdict is Verdict.MEETS else 'at the edge of'} the stop range "
            f"{band.low_us:g} to {band.high_us:g} us. "
        )
    if verdict is Verdict.MEETS:
        return setting(Action.LEAVE, f"{sentence}Leave it.", now)
    if verdict is Verdict.NOT_SHOWN:
        return setting(Action.NOT_SHOWN, f"{sentence}{_BEFORE_POWER}", now)
    device = "weapon" if channel.role == "weapon" else "motor"
    what = "low endpoint, trim or direction" if channel.neutral_us is None else "trim and neutral"
    sentence = (
        f"With the stick let go the width{'' if now is None else f' is {now.said}, and that'} lies "
        f"outside the stop range {band.low_us:g} to {band.high_us:g} us. The {device} may run with "
        f"nobody at the stick. Set {what} so that the rest gives {target_us:g} us. Record again "
        f"before the {device} is powered."
    )
    return setting(Action.CHANGE, sentence, now)


def _change_us(table: PulseTable, alignment: Alignment, axis: Axis) -> float | None:
    """How far the width goes from rest while one axis alone is held forward of it."""
    forward_us = _widths_us(table, alignment, lambda step: _holds_alone(step, axis))
    rest_us = _widths_us(table, alignment, _rests)
    if not forward_us or not rest_us:
        return None
    return float(np.median(forward_us) - np.median(rest_us))


def _rests(step: PlanStep) -> bool:
    return step.is_at_rest and step.transmitter_on


def _holds_alone(step: PlanStep, axis: Axis) -> bool:
    return (
        step.transmitter_on
        and not step.controls
        and set(step.sticks) == {axis}
        and step.sticks[axis] > 0
    )


def _widths_us(
    table: PulseTable, alignment: Alignment, fits: Callable[[PlanStep], bool]
) -> list[float]:
    """Median width of each step that fits and holds a measured pulse."""
    widths_us = []
    for span in alignment.spans:
        inside = table.measured & (table.rise_s >= span.start_s) & (table.rise_s < span.end_s)
        if fits(span.step) and inside.any():
            widths_us.append(float(np.median(table.width_us[inside])))
    return widths_us
