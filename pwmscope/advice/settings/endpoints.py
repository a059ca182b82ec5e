"""Advice on a channel's neutral and endpoints: how far off, and the change in us and percent."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum, auto
from typing import Final, Literal

from pwmscope.advice.settings.setting import Action, Setting, Transmitter
from pwmscope.bench import COMMON_PRACTICE, DEFAULT_STOP, DRIVES, BenchChannel
from pwmscope.findings.travel import EXERCISED, Amount, Level, Travel, weighed_sum
from pwmscope.model.finding import Verdict, judge
from pwmscope.model.uncertainty import COVERAGE
from pwmscope.pulses import STANDARD_SERVO

CAN_CREEP: Final = (*DRIVES, "weapon")


def endpoint_tolerance_us(channel: BenchChannel) -> float:
    """How far an endpoint may be from what the device expects."""
    return COMMON_PRACTICE.scaled(channel.high_us - channel.low_us).overshoot_us


def neutral_tolerance(channel: BenchChannel) -> tuple[float, str]:
    """How far neutral may be from what the device expects, and why."""
    if channel.deadband_us is not None:
        half_us = channel.deadband_us / 2.0
        return half_us, f"half the deadband, {half_us:g} us"
    travel_us = channel.high_us - channel.low_us
    part = DEFAULT_STOP if channel.role in CAN_CREEP else 0.01
    return part * travel_us, (
        f"{part * travel_us:g} us, since the sheet states no deadband (common practice)"
    )


class Need(Enum):
    """Whether a change is needed."""

    YES = auto()
    NO = auto()
    IN_DOUBT = auto()


@dataclass(frozen=True, slots=True)
class Reckoned:
    """A change as the transmitter can make it."""

    change: Amount  # By how much the width should change
    # The same in whole steps of the transmitter; None without a scale. Its sign is that of the
    # width's change.
    percent: float | None
    predicted: Amount  # The width afterwards


def needed(offset: Amount, tolerance_us: float) -> Need:
    """Say whether an offset is beyond its tolerance, giving the doubt to neither side.

    Examples
    --------
    >>> [needed(Amount(us, 1.0), 10.0).name for us in (-13.0, 11.0, 3.0)]
    ['YES', 'IN_DOUBT', 'NO']
    """
    doubt_us = offset.doubt_us
    verdict = judge(abs(offset.us), tolerance_us, None if doubt_us is None else doubt_us / COVERAGE)
    return {
        Verdict.MEETS: Need.NO,
        Verdict.DOES_NOT_MEET: Need.YES,
        Verdict.NOT_SHOWN: Need.IN_DOUBT,
    }[verdict]


def reckon(now: Amount, target_us: float, transmitter: Transmitter) -> Reckoned:
    """Reckon a change and what it leads to.

    The prediction's uncertainty is that of the width now and, in quadrature, that of the
    scale times the percentage (JCGM 100, 5.1.2).

    Examples
    --------
    >>> from pwmscope.advice.settings.setting import PercentScale
    >>> made = reckon(Amount(1012.0, 0.3), 1000.0, Transmitter(PercentScale(5.0, 0.2, "")))
    >>> made.change.us, made.percent, made.predicted.us, round(made.predicted.uncertainty_us, 3)
    (-12.0, -2.0, 1002.0, 0.5)
    """
    change = Amount(target_us - now.us, now.uncertainty_us)
    scale, step_percent = transmitter.scale, transmitter.step_percent
    if scale is None:
        return Reckoned(change, None, Amount(target_us, now.uncertainty_us))
    percent = round(change.us / scale.us_per_percent / step_percent) * step_percent
    predicted_us = now.us + percent * scale.us_per_percent
    if now.uncertainty_us is None or scale.uncertainty_us is None:
        return Reckoned(change, percent, Amount(predicted_us, None))
    doubt_us = math.hypot(now.uncertainty_us, percent * scale.uncertainty_us)
    return Reckoned(change, percent, Amount(predicted_us, doubt_us))


def format_change(
    made: Reckoned, percent: float | None, transmitter: Transmitter, which: str = ""
) -> str:
    """Say a change in microseconds and percent, and what it leads to.

    Examples
    --------
    >>> made = reckon(Amount(1012.0, 0.25), 1000.0, Transmitter())
    >>> format_change(made, None, Transmitter())
    'by -12.0 ± 0.5 us; if it can be set so finely, that should give 1000.0 ± 0.5 us'
    """
    said = f"by {_signed(made.change)}"
    scale = transmitter.scale
    if percent is None or scale is None:
        return f"{said}; if it can be set so finely, that should give {made.predicted.said}"
    worth = f"{scale.us_per_percent:.3g} us for each percent, {scale.source}"
    setting = f"a setting of {percent:+g} %{which} ({worth})"
    return f"{said}, {setting}; that should give {made.predicted.said}"


def format_offset(offset_us: float) -> str:
    """Write an offset with its sign, none before a zero that is below zero.

    Examples
    --------
    >>> format_offset(-12.04), format_offset(-0.01)
    ('-12.0 us', '+0.0 us')
    """
    return f"{round(offset_us, 1) + 0.0:+.1f} us"


def _signed(amount: Amount) -> str:
    return f"+{amount.said}" if amount.us > 0 else amount.said


RATE_UNKNOWN = (
    "the sample interval is not known, so neither is the uncertainty. Give it with --rate."
)


def advise_neutral(
    channel: BenchChannel, travel: Travel, transmitter: Transmitter
) -> Setting | None:
    """Say what to do about neutral; None for a device that has none."""
    target_us = channel.neutral_us
    if target_us is None:
        return None
    tolerance_us, why = neutral_tolerance(channel)
    level = travel.neutral
    if level is None:
        reason = travel.reasons.get("neutral", "The stick was never let go.")
        return Setting(
            "neutral", Action.NOT_SHOWN, f"Neutral is not shown. {reason}",
            target_us=target_us, tolerance_us=tolerance_us,
        )  # fmt: skip
    now = level.repeated.amount
    offset = replace(now, us=now.us - target_us)
    at = f"Neutral is {now.said}, {format_offset(offset.us)} from the {target_us:g} us wanted"
    if now.uncertainty_us is None:
        said = f"{at}, but {RATE_UNKNOWN}"
        return Setting("neutral", Action.NOT_SHOWN, said, now, target_us, tolerance_us)
    need = needed(offset, tolerance_us)
    if need is not Need.YES:
        said = (
            f"{at}; that is within {why}. Leave it."
            if need is Need.NO
            else f"{at}; whether that is more than {why}, lies within the uncertainty. Leave it."
        )
        return Setting("neutral", Action.LEAVE, said, now, target_us, tolerance_us)
    made = reckon(now, target_us, transmitter)
    if made.percent == 0.0:
        said = f"{at}; that is less than half a step of {transmitter.step_percent:g} %. Leave it."
        return Setting("neutral", Action.LEAVE, said, now, target_us, tolerance_us)
    how = format_change(made, made.percent, transmitter)
    said = f"{at}; that is more than {why}. Change neutral {how}."
    return Setting(
        "neutral", Action.CHANGE, said, now, target_us, tolerance_us,
        made.change, made.percent, made.predicted,
    )  # fmt: skip


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
