"""One setting of one channel, what a percent of it is worth, and what neutral and ends need."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from typing import Final, Literal, TypeAlias

import numpy as np

from pwmscope.bench import COMMON_PRACTICE, DEFAULT_STOP, MOTORS, BenchChannel
from pwmscope.errors import HintError, named
from pwmscope.findings.travel import EXERCISED, Amount, Level, Travel, weighed_sum
from pwmscope.model import CLOCK_TOLERANCE, COVERAGE, MIN_US, Verdict, judge
from pwmscope.pulses import STANDARD_SERVO

MIN: Final = 2


@dataclass(frozen=True, slots=True)
class PercentScale:
    """Microseconds for each percent of a setting."""

    us_per_percent: float  # Above 0
    # Its standard uncertainty; 0 where it is stated, None where it is not known
    uncertainty_us: float | None
    source: str  # Where it comes from, as a clause


@dataclass(frozen=True, slots=True)
class PercentReading:
    """A width, or a throw from neutral, measured at one percentage of a setting."""

    percent: float
    throw: Amount


def stated_scale(us_per_percent: float, source: str = "as stated") -> PercentScale:
    """Take a scale that a person states.

    >>> stated_scale(5.0).us_per_percent
    5.0
    """
    if not 0.0 < us_per_percent <= 100.0:
        raise HintError(
            f"{us_per_percent:g} us for each percent cannot be; expected a number above 0, "
            "such as 5 where 100 % is 500 us."
        )
    return PercentScale(us_per_percent, 0.0, source)


def solve_scale(readings: Sequence[PercentReading]) -> PercentScale:
    """Solve for the scale by what was measured at two settings or more.

    Generalised least squares of width = a + b percent: the readings' own
    uncertainties are independent, and the analyser's clock stretches all by one factor,
    so their covariance is diag(u_own^2) + c^2 w w', c = 100 ppm / sqrt(3) (JCGM 100, 5.2.2
    and H.3, from memory).

    >>> scale = solve_scale([PercentReading(100.0, Amount(490.0, 0.2)),
    ...                      PercentReading(110.0, Amount(539.0, 0.2))])
    >>> round(scale.us_per_percent, 3), round(scale.uncertainty_us, 3)
    (4.9, 0.028)
    """
    percent = np.array([reading.percent for reading in readings], dtype=float)
    throw_us = np.array([reading.throw.us for reading in readings], dtype=float)
    if len(readings) < MIN or not np.isfinite(percent).all() or float(np.ptp(percent)) == 0.0:
        raise HintError(
            "The size of a percent is not known: record the same setting at two different "
            "percentages."
        )
    known = [reading.throw.uncertainty_us for reading in readings]
    own_us2 = np.ones(len(readings))
    clock = CLOCK_TOLERANCE / math.sqrt(3.0)
    is_known = all(u is not None for u in known)
    if is_known:
        own_us2 = np.array([(u or 0.0) ** 2 for u in known]) - (clock * throw_us) ** 2
        own_us2 = np.maximum(own_us2, 1e-12)
    covariance = np.diag(own_us2) + clock**2 * np.outer(throw_us, throw_us)
    design = np.stack([np.ones(len(readings)), percent - percent.mean()], axis=1)
    weighed = np.linalg.solve(covariance, np.column_stack([design, throw_us]))
    of_both = np.linalg.inv(design.T @ weighed[:, :2])
    slope = float((of_both @ (design.T @ weighed[:, 2]))[1])
    uncertainty = float(np.sqrt(of_both[1, 1])) if is_known else None
    least = MIN_US / float(np.ptp(percent))
    if abs(slope) <= max(COVERAGE * (uncertainty or 0.0), least):
        raise HintError(
            "The size of a percent cannot be solved for: the widths at these settings do not "
            "differ beyond their uncertainty. Change the setting by more and record again."
        )
    return PercentScale(abs(slope), uncertainty, "solved from the two recordings")


@dataclass(frozen=True, slots=True)
class Transmitter:
    """A transmitter's settings for one channel."""

    scale: PercentScale | None = None  # What a percent is worth; None where it is not known
    step_percent: float = 1.0  # The smallest step
    # The largest endpoint that can be set; 125 is usual (common practice, from memory; the
    # transmitter's manual decides)
    most_percent: float = 125.0

    @property
    def reach_us(self) -> float | None:
        """How far from 0 % the width can go; None without a scale.

        >>> Transmitter(PercentScale(4.0, 0.0, "as stated")).reach_us
        500.0
        """
        return None if self.scale is None else self.scale.us_per_percent * self.most_percent


SettingName: TypeAlias = Literal[
    "direction", "rest position", "neutral", "low endpoint", "high endpoint"
]

SETTINGS_ORDER: Final = (
    "First the direction: a reversed channel changes its other settings as well.",
    "Then neutral, with the trim levers centred: most transmitters shift both ends with it "
    "(common practice).",
    "Then the endpoints, one side at a time.",
    "Then record again: what is predicted here is not yet measured.",
)
"""The order in which settings are changed (common practice)."""


class SettingAction(StrEnum):
    """What to do about a setting."""

    CHANGE = "change"
    LEAVE = "leave"
    DEVICE = "calibrate the device"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of one channel."""

    # `"direction"`, `"rest position"`, `"neutral"`, `"low endpoint"` or `"high endpoint"`
    name: SettingName
    action: SettingAction  # What to do
    sentence: str  # The same for a person, with the reason
    # The width; None for a direction, and where the recording does not show it
    measured: Amount | None = None
    target_us: float | None = None  # What the device expects; None for a direction
    tolerance_us: float | None = None  # How far from that it may be without needing a change
    # By how much to change the width, after the settings before it in the order; None where there
    # is nothing to change
    change: Amount | None = None
    # The same in percent of the setting, in the transmitter's steps; for an endpoint, above 0 is
    # farther from neutral
    percent: float | None = None
    predicted: Amount | None = None  # The width after the change, with its uncertainty

    def __post_init__(self) -> None:
        object.__setattr__(self, "sentence", named(self.sentence))


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """What to do about one channel."""

    # As the bench sheet has them
    line: str
    role: str
    device: str
    settings: tuple[Setting, ...]  # In the order in which they are changed
    warnings: tuple[str, ...]  # What may go wrong with the channel as it is, each a sentence

    @property
    def not_shown(self) -> int:
        """How many settings the recording does not show."""
        return sum(setting.action is SettingAction.NOT_SHOWN for setting in self.settings)

    def named(self, name: SettingName) -> Setting | None:
        """Return a setting by its name."""
        return next((setting for setting in self.settings if setting.name == name), None)


CAN_CREEP: Final = MOTORS
RATE_UNKNOWN: Final = "The sample interval is not known. State the analyser's setting (`rate`)."
MIND_STOP: Final = "Mind its mechanical stop: go in small steps, and back where it strains."
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

    >>> from pwmscope.advice.endpoints import PercentScale
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

    >>> made = plan_change(Amount(1012.0, 0.25), 1000.0, Transmitter())
    >>> format_change(made, None, Transmitter())
    'by -12.0 ± 0.5 us. If it can be set so finely, that should give 1000.0 ± 0.5 us'
    """
    scale = transmitter.scale
    if percent is None or scale is None or made.percent is None:
        by = f"by {'+' if made.change.us > 0 else ''}{made.change.said}"
        return f"{by}. If it can be set so finely, that should give {made.predicted.said}"
    worth = f"{scale.us_per_percent:.3g} us for each, {scale.source}"
    moves_us = made.percent * scale.us_per_percent
    return (
        f"by {percent:+g} points of the transmitter's percent{which} ({worth}). That moves it by "
        f"{moves_us:+.1f} us and should give {made.predicted.said}"
    )


def _format_offset(now: Amount, target_us: float, *, is_assumed: bool) -> str:
    """Write how far a width is from what is wanted, with no minus before a zero."""
    off_us = round(now.us - target_us, 1) + 0.0
    wanted = "(default, not stated)" if is_assumed else "wanted"
    return f"{now.said}, {off_us:+.1f} us from the {target_us:g} us {wanted}"


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
        return setting(SettingAction.NOT_SHOWN, f"Neutral is not shown. {reason}")
    now = travel.neutral.repeated.amount
    at = f"Neutral is {_format_offset(now, target_us, is_assumed=channel.is_neutral_assumed)}"
    if now.uncertainty_us is None:
        return setting(SettingAction.NOT_SHOWN, f"{at}. {RATE_UNKNOWN}", now)
    near = _within(now, target_us, tolerance_us)
    made = plan_change(now, target_us, transmitter)
    leave = _why_leave(
        at, near, limit=why, over="more than", percent=made.percent, transmitter=transmitter
    )
    if travel.held_neutral or near is Verdict.NOT_SHOWN:
        edge = f"{leave.removesuffix(' Leave it.')} Set it nearer to {target_us:g} us."
        said = f"{at}. {travel.held_neutral}" if travel.held_neutral else edge
        return setting(SettingAction.NOT_SHOWN, said, now)
    if leave:
        return setting(SettingAction.LEAVE, leave, now)
    how = format_change(made, made.percent, transmitter)
    return setting(
        SettingAction.CHANGE, f"{at}; that is more than {why}. Change neutral {how}.", now,
        change=made.change, percent=made.percent, predicted=made.predicted,
    )  # fmt: skip


def _neutral_tolerance(channel: BenchChannel) -> tuple[float, str]:
    """How far neutral may be from what the device expects, and why."""
    half_us = channel.half_deadband_us
    if half_us is not None:
        return half_us, f"half the deadband, {half_us:g} us"
    most_us = DEFAULT_STOP * (channel.high_us - channel.low_us)
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
        return setting(SettingAction.NOT_SHOWN, f"The {name} is not shown. {reason}")
    now = level.repeated.amount
    is_assumed = channel.is_low_assumed if is_low else channel.is_high_assumed
    at = f"The {name} is {_format_offset(now, target_us, is_assumed=is_assumed)}"
    if now.uncertainty_us is None:
        return setting(SettingAction.NOT_SHOWN, f"{at}. {RATE_UNKNOWN}", now)
    then = _after_neutral(level, travel, neutral)
    if neutral is not None and neutral.action is SettingAction.CHANGE:
        at += f"; with neutral set it will be {then.said}"
    near = _within(then, target_us, tolerance_us)
    made = plan_change(then, target_us, transmitter)
    limit = f"{tolerance_us:g} us, 1 % of the travel"
    leave = _why_leave(
        at, near, limit=limit, over="within", percent=made.percent, transmitter=transmitter
    )
    if leave:
        said = leave if held else leave.replace("Leave it.", f"{_IF_HELD}, leave it.")
        return setting(SettingAction.LEAVE, said, now)
    percent = made.percent
    if percent is not None and is_low:
        percent = -percent
    outward = (made.change.us < 0.0) == is_low
    reach_us, centre_us = transmitter.reach_us, _centre_us(channel)
    which = f" on this side, {'farther from' if outward else 'nearer to'} neutral"
    how = format_change(made, percent, transmitter, which)
    is_out = outward and reach_us is not None and abs(target_us - centre_us) > reach_us
    has_figure, device = not is_out, _device(channel)
    if is_assumed:
        action, has_figure = SettingAction.NOT_SHOWN, not is_out and channel.role in MOTORS
        sentence = f"{at}. No change is advised: state {end}_us, from the {device}'s manual."
        sentence += f" If it is {target_us:g} us, change the {name} {how}." if has_figure else ""
    elif is_out:
        action, reached_us = SettingAction.DEVICE, centre_us + (reach_us or 0.0) * (1 - 2 * is_low)
        sentence = (
            f"{at}. That is out of the transmitter's reach: at {transmitter.most_percent:g} % the "
            f"width comes to about {reached_us:.0f} us. "
        )
        sentence += (
            f"Calibrate your ESC to the transmitter's endpoints instead: teach it {now.us:.0f} us "
            f"as its {end} end, as its manual says."
            if channel.role in MOTORS
            else f"Change what the {device} moves, or state the {end}_us that it needs."
        )
    else:
        action = SettingAction.CHANGE
        change = f"Change the {name}" if held else f"{_IF_HELD}, change the {name}"
        sentence = f"{at}. {change} {how}."
        if outward and channel.role not in (*MOTORS, "kill"):
            sentence += f" {MIND_STOP}"
        elif outward and reach_us is None and channel.role in MOTORS:
            sentence += (
                " If the setting ends before that, your ESC needs calibrating to the endpoints "
                "that are reached instead."
            )
    return setting(
        action, sentence, now,
        change=made.change if has_figure or action is SettingAction.DEVICE else None,
        percent=percent if has_figure else None,
        predicted=made.predicted if has_figure else None,
    )  # fmt: skip


def _device(channel: BenchChannel) -> str:
    """Name the device by its role, within a sentence."""
    names = {"servo": "servo", "kill": "kill switch", "self-righter": "self-righter"}
    return "ESC" if channel.role in MOTORS else names.get(channel.role, "device")


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
    moved = neutral is not None and neutral.action is SettingAction.CHANGE
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
        f"the {channel.other_control or 'stick'} was not held at its end. Hold it there for two "
        "seconds and record again, or record by a `plan`."
    )
