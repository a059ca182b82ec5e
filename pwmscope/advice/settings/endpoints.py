"""Advice on a channel's neutral and endpoints: how far off, and the change in us and percent."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Final, Literal

from pwmscope.advice.settings.setting import Action, Setting, Transmitter
from pwmscope.bench import COMMON_PRACTICE, DEFAULT_STOP, MOTORS, BenchChannel
from pwmscope.findings.travel import EXERCISED, Amount, Level, Travel, weighed_sum
from pwmscope.model import COVERAGE, Verdict, judge
from pwmscope.pulses import STANDARD_SERVO

CAN_CREEP: Final = MOTORS
RATE_UNKNOWN: Final = (
    "The uncertainty is not known, since the sample interval is not. Give it with `rate`."
)
_IF_HELD: Final = "Only a plan shows whether the stick was held at its end. If it was"


def _within(now: Amount, target_us: float, tolerance_us: float) -> Verdict:
    """Say whether a width is near enough, giving the doubt to neither side."""
    doubt_us = now.doubt_us
    doubt_us = None if doubt_us is None else doubt_us / COVERAGE
    return judge(abs(now.us - target_us), tolerance_us, doubt_us)


@dataclass(frozen=True, slots=True)
class PlannedChange:
    """A change as the transmitter can make it."""

    change: Amount  # By how much the width should change
    # The same in whole steps of the transmitter; None without a scale. Its sign is that of the
    # width's change.
    percent: float | None
    predicted: Amount  # The width afterwards


def plan_change(now: Amount, target_us: float, transmitter: Transmitter) -> PlannedChange:
    """Work out a change and what it leads to.

    The prediction's uncertainty is that of the width now and, in quadrature, that of the
    scale times the percentage (JCGM 100, 5.1.2).

    Examples
    --------
    >>> from pwmscope.advice.settings.setting import PercentScale
    >>> made = plan_change(Amount(1012.0, 0.3), 1000.0, Transmitter(PercentScale(5.0, 0.2, "")))
    >>> made.change.us, made.percent, made.predicted.us, round(made.predicted.uncertainty_us, 3)
    (-12.0, -2.0, 1002.0, 0.5)
    """
    change = Amount(target_us - now.us, now.uncertainty_us)
    scale, step_percent = transmitter.scale, transmitter.step_percent
    if scale is None:
        return PlannedChange(change, None, Amount(target_us, now.uncertainty_us))
    percent = round(change.us / scale.us_per_percent / step_percent) * step_percent
    doubt_us = None
    if now.uncertainty_us is not None and scale.uncertainty_us is not None:
        doubt_us = math.hypot(now.uncertainty_us, percent * scale.uncertainty_us)
    predicted = Amount(now.us + percent * scale.us_per_percent, doubt_us)
    return PlannedChange(change, percent, predicted)


def format_change(
    made: PlannedChange, percent: float | None, transmitter: Transmitter, which: str = ""
) -> str:
    """Say a change as it can be set, and what that leads to.

    Examples
    --------
    >>> made = plan_change(Amount(1012.0, 0.25), 1000.0, Transmitter())
    >>> format_change(made, None, Transmitter())
    'by -12.0 ± 0.5 us. If it can be set so finely, that should give 1000.0 ± 0.5 us'
    """
    scale = transmitter.scale
    if percent is None or scale is None or made.percent is None:
        by = f"by {'+' if made.change.us > 0 else ''}{made.change.said}"
        return f"{by}. If it can be set so finely, that should give {made.predicted.said}"
    worth = f"{scale.us_per_percent:.3g} us for each percent, {scale.source}"
    moves_us = made.percent * scale.us_per_percent
    return (
        f"by {percent:+g} %{which} ({worth}). That moves it by {moves_us:+.1f} us and should "
        f"give {made.predicted.said}"
    )


def _format_offset(now: Amount, target_us: float) -> str:
    """Write how far a width is from what is wanted, with no minus before a zero."""
    off_us = round(now.us - target_us, 1) + 0.0
    return f"{now.said}, {off_us:+.1f} us from the {target_us:g} us wanted"


def _why_leave(
    at: str,
    near: Verdict,
    *,
    limit: str,
    over: str,
    percent: float | None,
    transmitter: Transmitter,
) -> str:
    """Say why a setting is left as it is; empty where it needs a change."""
    if near is Verdict.MEETS:
        return f"{at}; that is within {limit}. Leave it."
    if near is Verdict.NOT_SHOWN:
        return f"{at}; whether that is {over} {limit}, lies within the uncertainty. Leave it."
    if percent == 0.0:
        return f"{at}; that is less than half a step of {transmitter.step_percent:g} %. Leave it."
    return ""


def advise_neutral(
    channel: BenchChannel, travel: Travel, transmitter: Transmitter
) -> Setting | None:
    """Say what to do about neutral; None for a device that has none."""
    target_us = channel.neutral_us
    if target_us is None:
        return None
    tolerance_us, why = _neutral_tolerance(channel)
    setting = partial(Setting, "neutral", target_us=target_us, tolerance_us=tolerance_us)
    if travel.neutral is None:
        reason = travel.reasons.get("neutral", "The stick was never let go.")
        return setting(Action.NOT_SHOWN, f"Neutral is not shown. {reason}")
    now = travel.neutral.repeated.amount
    at = f"Neutral is {_format_offset(now, target_us)}"
    if now.uncertainty_us is None:
        return setting(Action.NOT_SHOWN, f"{at}. {RATE_UNKNOWN}", now)
    near = _within(now, target_us, tolerance_us)
    made = plan_change(now, target_us, transmitter)
    leave = _why_leave(
        at, near, limit=why, over="more than", percent=made.percent, transmitter=transmitter
    )
    if leave:
        return setting(Action.LEAVE, leave, now)
    how = format_change(made, made.percent, transmitter)
    return setting(
        Action.CHANGE, f"{at}; that is more than {why}. Change neutral {how}.", now,
        change=made.change, percent=made.percent, predicted=made.predicted,
    )  # fmt: skip


def _neutral_tolerance(channel: BenchChannel) -> tuple[float, str]:
    """How far neutral may be from what the device expects, and why."""
    if channel.deadband_us is not None:
        half_us = channel.deadband_us / 2.0
        return half_us, f"half the deadband, {half_us:g} us"
    part = DEFAULT_STOP if channel.role in CAN_CREEP else 0.01
    most_us = part * (channel.high_us - channel.low_us)
    return most_us, f"{most_us:g} us, since the sheet states no deadband (common practice)"


def advise_endpoint(
    end: str,
    channel: BenchChannel,
    travel: Travel,
    neutral: Setting | None,
    transmitter: Transmitter,
    *,
    held: bool,
) -> Setting:
    """Say what to do about one endpoint, after neutral is set."""
    is_low = end == "low"
    name: Literal["low endpoint", "high endpoint"] = "low endpoint" if is_low else "high endpoint"
    target_us = channel.low_us if is_low else channel.high_us
    tolerance_us = COMMON_PRACTICE.scaled(channel.high_us - channel.low_us).overshoot_us
    setting = partial(Setting, name, target_us=target_us, tolerance_us=tolerance_us)
    level = travel.low if is_low else travel.high
    reason = _why_not(end, channel, travel, level, held=held)
    if level is None or reason:
        return setting(Action.NOT_SHOWN, f"The {name} is not shown. {reason}")
    now = level.repeated.amount
    at = f"The {name} is {_format_offset(now, target_us)}"
    if now.uncertainty_us is None:
        return setting(Action.NOT_SHOWN, f"{at}. {RATE_UNKNOWN}", now)
    then = _after_neutral(level, travel, neutral)
    if neutral is not None and neutral.action is Action.CHANGE:
        at += f"; with neutral set it will be {then.said}"
    near = _within(then, target_us, tolerance_us)
    made = plan_change(then, target_us, transmitter)
    limit = f"{tolerance_us:g} us, 1 % of the travel"
    leave = _why_leave(
        at, near, limit=limit, over="within", percent=made.percent, transmitter=transmitter
    )
    if leave:
        return setting(Action.LEAVE, leave, now)
    percent = made.percent
    if percent is not None and is_low:
        percent = -percent
    outward = (made.change.us < 0.0) == is_low
    device, reach_us = "servo" if channel.role == "servo" else "ESC", transmitter.reach_us
    centre_us = _centre_us(channel)
    if outward and reach_us is not None and abs(target_us - centre_us) > reach_us:
        reached_us = centre_us + (-reach_us if is_low else reach_us)
        sentence = (
            f"{at}. That is out of the transmitter's reach: at {transmitter.most_percent:g} % the "
            f"width comes to about {reached_us:.0f} us. Calibrate your {device} to the "
            f"transmitter's endpoints instead: teach it {now.us:.0f} us as its {end} end, as its "
            "manual says."
        )
        return setting(Action.DEVICE, sentence, now, change=made.change)
    which = f" on this side, {'farther from' if outward else 'nearer to'} neutral"
    how = format_change(made, percent, transmitter, which)
    change = f"Change the {name}" if held else f"{_IF_HELD}, change the {name}"
    sentence = f"{at}. {change} {how}."
    if outward and reach_us is None:
        sentence += (
            f" If the setting ends before that, your {device} needs calibrating to the endpoints "
            "that are reached instead."
        )
    return setting(
        Action.CHANGE, sentence, now,
        change=made.change, percent=percent, predicted=made.predicted,
    )  # fmt: skip


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
        f"The outermost dwell on this side, {level.width_us:.1f} us, is near the middle. Perhaps "
        "the stick was not held at its end. Hold it there for two seconds and record again, or "
        "record by a `plan`."
    )
