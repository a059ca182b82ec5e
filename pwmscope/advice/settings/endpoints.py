"""Advice on a channel's endpoints."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from pwmscope.advice.settings.change import (
    Need,
    Reckoned,
    format_change,
    format_offset,
    needed,
    reckon,
)
from pwmscope.advice.settings.neutral import RATE_UNKNOWN
from pwmscope.advice.settings.setting import Action, Setting
from pwmscope.advice.settings.transmitter import Transmitter
from pwmscope.advice.settings.wanted import endpoint_tolerance_us
from pwmscope.bench import BenchChannel
from pwmscope.findings.travel import EXERCISED, Amount, Level, Travel, weighed_sum
from pwmscope.pulses import STANDARD_SERVO


def advise_endpoint(
    end: Literal["low", "high"],
    channel: BenchChannel,
    travel: Travel,
    neutral: Setting | None,
    transmitter: Transmitter,
    *,
    held: bool,
) -> Setting:
    """Say what to do about one endpoint, after neutral is set."""
    name: Literal["low endpoint", "high endpoint"] = (
        "low endpoint" if end == "low" else "high endpoint"
    )
    target_us = channel.low_us if end == "low" else channel.high_us
    tolerance_us = endpoint_tolerance_us(channel)
    level = travel.low if end == "low" else travel.high
    reason = _why_not(end, channel, travel, level, held=held)
    if level is None or reason:
        said = f"The {name} is not shown. {reason}"
        return Setting(name, Action.NOT_SHOWN, said, target_us=target_us, tolerance_us=tolerance_us)
    now = level.repeated.amount
    off = format_offset(now.us - target_us)
    at = f"The {name} is {now.said}, {off} from the {target_us:g} us wanted"
    if now.uncertainty_us is None:
        said = f"{at}, but {RATE_UNKNOWN}"
        return Setting(name, Action.NOT_SHOWN, said, now, target_us, tolerance_us)
    then = _after_neutral(level, travel, neutral)
    if neutral is not None and neutral.action is Action.CHANGE:
        at += f"; with neutral set it will be {then.said}"
    need = needed(replace(then, us=then.us - target_us), tolerance_us)
    if need is not Need.YES:
        within = f"within {tolerance_us:g} us, 1 % of the travel"
        said = (
            f"{at}; that is {within}. Leave it."
            if need is Need.NO
            else f"{at}; whether that is {within}, lies within the uncertainty. Leave it."
        )
        return Setting(name, Action.LEAVE, said, now, target_us, tolerance_us)
    made = reckon(then, target_us, transmitter)
    ending = _End(name, end, now, target_us, tolerance_us, at, held)
    return _change(ending, channel, made, transmitter)


@dataclass(frozen=True, slots=True)
class _End:
    """An endpoint that needs a change."""

    name: Literal["low endpoint", "high endpoint"]
    end: Literal["low", "high"]
    now: Amount
    target_us: float
    tolerance_us: float
    at: str
    held: bool


def _change(end: _End, channel: BenchChannel, made: Reckoned, transmitter: Transmitter) -> Setting:
    outward = made.change.us < 0.0 if end.end == "low" else made.change.us > 0.0
    percent = made.percent
    if percent is not None and end.end == "low":
        percent = -percent
    if percent == 0.0:
        said = (
            f"{end.at}; that is less than half a step of {transmitter.step_percent:g} %. Leave it."
        )
        return Setting(end.name, Action.LEAVE, said, end.now, end.target_us, end.tolerance_us)
    reach_us = transmitter.reach_us
    short = reach_us is not None and abs(end.target_us - _centre_us(channel)) > reach_us
    if outward and short and reach_us is not None:
        reached_us = _centre_us(channel) + (reach_us if end.end == "high" else -reach_us)
        said = (
            f"{end.at}. That is out of the transmitter's reach: at {transmitter.most_percent:g} % "
            f"the width comes to about {reached_us:.0f} us. Your {_device(channel)} needs "
            "calibrating to the endpoints that the transmitter gives instead: teach it "
            f"{end.now.us:.0f} us as its {end.end} end, as its manual says."
        )
        return Setting(
            end.name, Action.DEVICE, said, end.now, end.target_us, end.tolerance_us, made.change
        )
    which = f" on this side, {'farther from' if outward else 'nearer to'} neutral"
    how = format_change(made, percent, transmitter, which)
    change = f"Change the {end.name}" if end.held else f"{_IF_HELD}, change the {end.name}"
    said = f"{end.at}. {change} {how}."
    if outward and reach_us is None:
        said += (
            " If the setting ends before that, your "
            f"{_device(channel)} needs calibrating to the endpoints that are reached instead."
        )
    return Setting(
        end.name, Action.CHANGE, said, end.now, end.target_us, end.tolerance_us,
        made.change, percent, made.predicted,
    )  # fmt: skip


_IF_HELD: Final = "If the stick was held at its end, which only a plan shows"


def _device(channel: BenchChannel) -> str:
    return "servo" if channel.role == "servo" else "ESC"


def _centre_us(channel: BenchChannel) -> float:
    """Where a setting of 0 % lies: neutral, or the transmitter's own for a one-way weapon.

    A transmitter counts its percent from its own centre (common practice), not from the middle
    of what the device expects.
    """
    if channel.neutral_us is not None:
        return channel.neutral_us
    centre_us = STANDARD_SERVO.neutral_us
    if channel.low_us < centre_us < channel.high_us:
        return centre_us
    return (channel.low_us + channel.high_us) / 2.0


def _after_neutral(level: Level, travel: Travel, neutral: Setting | None) -> Amount:
    """Where an endpoint will be once neutral is set: most transmitters shift it along."""
    moved = neutral is not None and neutral.action is Action.CHANGE
    if not moved or neutral is None or neutral.predicted is None or travel.neutral is None:
        return level.repeated.amount
    throw = weighed_sum((1.0, level.repeated), (-1.0, travel.neutral.repeated))
    return replace(throw, us=neutral.predicted.us + throw.us)


def _why_not(
    end: str, channel: BenchChannel, travel: Travel, level: Level | None, *, held: bool
) -> str:
    """Why an endpoint is not shown; empty where it is."""
    if level is None:
        return travel.reasons.get(end, "The stick was never held at this end.")
    centre_us = travel.neutral.width_us if travel.neutral else _centre_us(channel)
    target_us = channel.low_us if end == "low" else channel.high_us
    wanted_us = abs(target_us - _centre_us(channel))
    sign = -1.0 if end == "low" else 1.0
    if held or sign * (level.width_us - centre_us) >= EXERCISED * wanted_us:
        return ""
    return (
        f"The outermost dwell on this side, {level.width_us:.1f} us, is not far from the middle, "
        "so the stick may not have been held at its end. Hold it there for two seconds and record "
        "again, or make the recording by a plan and name it with --plan."
    )
