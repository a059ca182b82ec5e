"""Which settings of the transmitter to change, by how much, and what that leads to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from typing import Final

import numpy as np

from pwmscope.advice.endpoints import (
    CAN_CREEP,
    RATE_UNKNOWN,
    ChannelSettings,
    Setting,
    SettingAction,
    SettingName,
    Transmitter,
    advise_endpoint,
    advise_neutral,
)
from pwmscope.bench import (
    DRIVES,
    NO_DEVICE,
    SENSORS,
    STICKS,
    Axis,
    BenchChannel,
    BenchSheet,
    CapturePlan,
    PlanStep,
)
from pwmscope.errors import HintError
from pwmscope.findings import Alignment, ChannelFindings, Findings
from pwmscope.findings.failsafe import Polarity
from pwmscope.findings.travel import (
    LET_GO,
    MIN_THROW,
    Amount,
    Level,
    Travel,
    against_band,
    judge_rest,
    weighed_sum,
)
from pwmscope.model import COVERAGE, Verdict, governing
from pwmscope.pulses import PulseTable


def creep_warning(channel: BenchChannel, setting: Setting | None) -> str | None:
    """Warn of a robot that creeps: neutral off by more than half the deadband."""
    if setting is None or setting.measured is None or channel.role not in CAN_CREEP:
        return None
    doubt_us = COVERAGE * (setting.measured.uncertainty_us or 0.0)
    off_us = abs(setting.measured.us - (setting.target_us or 0.0))
    what = "the weapon may turn" if channel.role == "weapon" else "the robot creeps"
    if channel.deadband_us is None:
        if setting.action is not SettingAction.CHANGE:
            return None
        return (
            f"With the stick let go {what} if the deadband is narrower than {2 * off_us:.0f} us. "
            "The sheet does not state it."
        )
    half_us = channel.deadband_us / 2.0
    if off_us + doubt_us <= half_us:
        return None
    more = f"more than half the deadband ({half_us:g} us)"
    if off_us - doubt_us > half_us:
        return f"Neutral lies {off_us:.1f} us off, {more}. With the stick let go {what}."
    return (
        f"Neutral lies {off_us:.1f} us off. By the uncertainty that is perhaps {more}. If it is, "
        f"{what} with the stick let go."
    )


def weapon_warning(channel: BenchChannel, travel: Travel) -> str | None:
    """Warn of a weapon that does not stop at the low end of its stick."""
    band = channel.stop_band
    if channel.role != "weapon" or channel.neutral_us is not None or band is None:
        return None
    if travel.low is None:
        return None
    low_us = travel.low.width_us
    doubt_us = COVERAGE * (travel.low.uncertainty_us or 0.0)
    if low_us + doubt_us <= band.high_us:
        return None
    perhaps = "is" if low_us - doubt_us > band.high_us else "is perhaps, by the uncertainty,"
    return (
        f"The stick's lowest held width is {low_us:.1f} us. It {perhaps} above the stop range, "
        f"which ends at {band.high_us:g} us. With the stick down the weapon may turn."
    )


_WRONG_MARKER: Final = (
    "The outputs follow the sticks only while the marker says off, so its level is stated wrongly. "
    "Turn `on` round under [marker] in the sheet, and read the recording again."
)
_ASKED: Final[tuple[SettingName, ...]] = ("neutral", "low endpoint", "high endpoint")


@dataclass(frozen=True, slots=True, repr=False)
class SettingsAdvice:
    """What to set on a bench."""

    # The sheet's devices whose lines are in the recording, in the sheet's order
    channels: tuple[ChannelSettings, ...]
    missing: tuple[str, ...]  # The sheet's devices whose lines are not
    alignment: Alignment | None  # Where the plan's steps are, if there was a plan
    swapped: str = ""  # Which lines follow each other's sticks, and what to do; empty for none

    def __repr__(self) -> str:
        lines = ", ".join(channel.line for channel in self.channels) or "no line"
        return f"<SettingsAdvice of {lines}: {self.changes} to change, {self.not_shown} not shown>"

    def actions(self, action: SettingAction) -> tuple[tuple[str, SettingName], ...]:
        """Return line and setting wherever this is what to do."""
        return tuple(
            (channel.line, setting.name)
            for channel in self.channels
            for setting in channel.settings
            if setting.action is action
        )

    @property
    def changes(self) -> int:
        """How many settings, or devices, need a change."""
        return len(self.actions(SettingAction.CHANGE)) + len(self.actions(SettingAction.DEVICE))

    @property
    def not_shown(self) -> int:
        """How many settings the recording does not show."""
        return len(self.actions(SettingAction.NOT_SHOWN))


def advise_settings(
    findings: Findings,
    sheet: BenchSheet,
    *,
    transmitters: Mapping[str, Transmitter] | None = None,
    alignment: Alignment | None = None,
    swapped: Mapping[str, str] | None = None,
) -> SettingsAdvice:
    """Hold each channel's travel against what its device expects, and say what to change.

    Nothing is changed that the uncertainty leaves open.
    Sticks are no devices and are left out. A plan's alignment shows directions, and that the
    sticks were held at their ends. Nothing is advised for lines that follow each other's sticks,
    ``swapped``, but what it says of each.
    """
    others = (*STICKS, *NO_DEVICE, *SENSORS)
    devices = {line: c for line, c in sheet.channels.items() if c.role not in others}
    present = [line for line in devices if line in findings.channels]
    if not present:
        raise HintError(
            f"None of the devices of {sheet.source} ({', '.join(devices) or 'there are none'}) "
            f"is a line of {findings.capture.source} ({', '.join(findings.channels)}). Name the "
            "sheet of this bench."
        )
    known, swapped = transmitters or {}, swapped or {}
    refused = dict.fromkeys(swapped, "It follows another line's stick.")
    if findings.loss_analysis.found.polarity is Polarity.CONTRADICTED:
        refused = dict.fromkeys(present, _WRONG_MARKER)
    channels = tuple(
        ChannelSettings(
            line,
            devices[line].role,
            devices[line].device,
            _all_not_shown(devices[line], refused[line]),
            (),
        )
        if line in refused
        else _advise_channel(
            devices[line], findings.channels[line], known.get(line, Transmitter()), alignment
        )
        for line in present
    )
    missing = tuple(
        line
        for line, channel in devices.items()
        if line not in findings.channels and channel.is_device
    )
    return SettingsAdvice(channels, missing, alignment, next(iter(swapped.values()), ""))


def _advise_channel(
    channel: BenchChannel,
    found: ChannelFindings,
    transmitter: Transmitter,
    alignment: Alignment | None,
) -> ChannelSettings:
    travel = None if found.wrong_times else found.travel
    settings: list[Setting | None] = []
    warnings: tuple[str | None, ...] = ()
    reason = found.wrong_times or found.not_servo or "It carries no servo pulses."
    if travel is not None:
        direction = advise_direction(channel, found, alignment)
        neutral = advise_neutral(channel, travel, transmitter)
        warnings = (creep_warning(channel, neutral), weapon_warning(channel, travel))
        settings.append(direction)
        if direction is not None and direction.action is SettingAction.CHANGE:
            # The rest position and all others change with the direction.
            reason = "Reverse the channel first and record again: that changes this setting."
        else:
            reason = ""
            ends = [
                advise_endpoint(
                    end,
                    channel,
                    travel,
                    neutral,
                    transmitter,
                    held=_is_held(level, channel, alignment),
                )
                for end, level in (("low", travel.low), ("high", travel.high))
            ]
            rest = advise_rest(channel, found, alignment)
            if rest is not None and direction is not None and rest.action is SettingAction.CHANGE:
                rest = _unless_plug(rest, direction, channel, alignment)
            other = ends[0] if neutral is None else neutral
            if _is_set_by(rest, other):
                rest = None
            settings += [rest, neutral, *ends]
    if reason:
        settings += _all_not_shown(channel, reason)
    return ChannelSettings(
        channel.line, channel.role, channel.device,
        tuple(setting for setting in settings if setting is not None),
        tuple(warning for warning in warnings if warning),
    )  # fmt: skip


def _is_set_by(rest: Setting | None, other: Setting) -> bool:
    """Say whether another setting's change puts the rest position right as well."""
    if rest is None or not rest.action is other.action is SettingAction.CHANGE:
        return False
    if rest.target_us != other.target_us or rest.measured is None or other.measured is None:
        return False
    return abs(rest.measured.us - other.measured.us) <= (other.tolerance_us or 0.0)


def _unless_plug(
    rest: Setting, direction: Setting, channel: BenchChannel, alignment: Alignment | None
) -> Setting:
    """Ask for the plug before the rest, where a plan shows that the stick does not move it."""
    axis = axis_of(channel)
    moves = direction.action is not SettingAction.NOT_SHOWN
    if moves or axis is None or alignment is None or not alignment.fits:
        return rest
    said = rest.sentence.partition(" Set its ")[0]
    sentence = (
        f"{said} It does not follow the {axis}: look first whether its plug and its channel are "
        "the right ones. Record again before anything is powered."
    )
    return replace(rest, sentence=sentence, target_us=None)


def _all_not_shown(channel: BenchChannel, reason: str) -> tuple[Setting, ...]:
    return tuple(
        Setting(name, SettingAction.NOT_SHOWN, f"The {name} is not shown. {reason}")
        for name in _ASKED
        if name != "neutral" or channel.neutral_us is not None
    )


def _is_held(level: Level | None, channel: BenchChannel, alignment: Alignment | None) -> bool:
    """Say whether a channel stood at a level while a plan shows its control at one of its ends.

    A switch, dial or button that a plan moves is at its other end where it rests.
    """
    if level is None or alignment is None or not alignment.fits:
        return False
    at_ends = [span for span in alignment.spans if _is_at_end(span.step, channel, alignment.plan)]
    return any(
        visit.start_s < span.end_s and span.start_s < visit.end_s
        for visit in level.visits
        for span in at_ends
    )


def _is_at_end(step: PlanStep, channel: BenchChannel, plan: CapturePlan) -> bool:
    """Say whether a step holds what moves a channel at one of its ends."""
    if not channel.other_control:
        return any(abs(to) >= 1.0 for to in step.sticks.values())
    is_moved = any(channel.line in other.controls for other in plan.steps)
    return is_moved and abs(step.controls.get(channel.line, 1.0)) >= 1.0


class Trend(StrEnum):
    """What became of a setting."""

    IMPROVED = "improved"
    WORSE = "worse"
    UNCHANGED = "unchanged within the uncertainty"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Compared:
    """One setting before and after."""

    line: str  # The channel
    name: SettingName  # The setting
    trend: Trend  # What became of it
    # The widths
    before: Amount | None
    after: Amount | None
    # By how much it came nearer to what the device expects; below 0 where it went farther
    gain: Amount | None
    sentence: str  # The same for a person


def compare_settings(before: SettingsAdvice, after: SettingsAdvice) -> tuple[Compared, ...]:
    """Say per channel and setting what improved from one recording to the next."""
    earlier = {channel.line: channel for channel in before.channels}
    return tuple(
        _compare(channel.line, setting, _named(earlier.get(channel.line), setting.name))
        for channel in after.channels
        for setting in channel.settings
        if setting.name not in {"direction", "rest position"}
    )


def _named(channel: ChannelSettings | None, name: SettingName) -> Setting | None:
    return None if channel is None else channel.named(name)


def _compare(line: str, after: Setting, before: Setting | None) -> Compared:
    now, was = after.measured, None if before is None else before.measured
    target_us = after.target_us
    if now is None or was is None or target_us is None:
        missing = "earlier" if now is not None else "later"
        sentence = (
            f"{after.name} is not shown by the {missing} recording, so nothing can be compared."
        )
        return Compared(line, after.name, Trend.NOT_SHOWN, was, now, None, sentence)
    gain = nearer(was, now, target_us)
    doubt_us = COVERAGE * (gain.uncertainty_us or 0.0)
    if gain.uncertainty_us is None:
        trend, how = Trend.NOT_SHOWN, "the uncertainty is not known"
    elif abs(gain.us) <= doubt_us:
        trend, how = Trend.UNCHANGED, "unchanged within the uncertainty"
    else:
        trend = Trend.IMPROVED if gain.us > 0 else Trend.WORSE
        size = Amount(abs(gain.us), gain.uncertainty_us)
        how = f"{trend.value}, {size.said} {'nearer to' if gain.us > 0 else 'farther from'} it"
    sentence = f"{after.name} went from {was.said} to {now.said}, wanted {target_us:g} us: {how}."
    return Compared(line, after.name, trend, was, now, gain, sentence)


def nearer(before: Amount, after: Amount, target_us: float) -> Amount:
    """By how much a width came nearer to a target, errors of one analyser shared.

    >>> gained = nearer(Amount(1012.0, 0.3), Amount(998.0, 0.4), 1000.0)
    >>> gained.us, round(gained.uncertainty_us, 2)
    (10.0, 0.51)
    """
    was_side = 1.0 if before.us >= target_us else -1.0
    now_side = 1.0 if after.us >= target_us else -1.0
    gain_us = abs(before.us - target_us) - abs(after.us - target_us)
    doubt = weighed_sum(
        (was_side, Level(before.us, before.uncertainty_us, ())),
        (-now_side, Level(after.us, after.uncertainty_us, ())),
    )
    return Amount(gain_us, doubt.uncertainty_us)


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
REST_BY: Final = ("trim", "trim or low endpoint")
"""What sets the rest position of a device: that has a neutral, and that has none."""
_BEFORE_POWER: Final = "Know it before anything is powered."


def advise_direction(
    channel: BenchChannel, found: ChannelFindings, alignment: Alignment | None
) -> Setting | None:
    """Say whether a channel must be reversed; None where that cannot be asked.

    A rising width is taken for forward, or for a faster weapon (common practice).
    """
    axis = axis_of(channel)
    if axis is None:
        return None
    if alignment is None:
        return _of_resting_weapon(channel, found) if channel.role == "weapon" else None
    if not alignment.fits:
        said = "The direction is not shown: the recording does not follow the plan."
        return _DIRECTION(SettingAction.NOT_SHOWN, said)
    moved_us = change_us(found.table, alignment, axis)
    least_us = MIN_THROW * found.table.convention.span_us
    if moved_us is None or abs(moved_us) < least_us:
        return _DIRECTION(
            SettingAction.NOT_SHOWN,
            f"The direction is not shown: with the {axis} held alone the width did not move by "
            f"{least_us:g} us or more. Hold it as the plan says, or look whether the channel "
            "follows another stick.",
        )
    way = "rises" if moved_us > 0 else "falls"
    seen = f"With the {axis} {_MEANS[axis]} the width {way} by {abs(moved_us):.0f} us"
    if moved_us > 0:
        return _DIRECTION(SettingAction.LEAVE, f"{seen}, as most devices take it. Leave it.")
    unless = (
        " Or reverse the motor at its ESC: one of the two, not both. Leave it where this side's "
        "motor is meant to turn the other way."
    )
    return _DIRECTION(
        SettingAction.CHANGE,
        f"{seen}; most devices take a rising width for {_MEANS[axis]} (common practice). Reverse "
        f"the channel in the transmitter{_set_now(channel)}."
        f"{unless if channel.role in DRIVES else ''}",
    )


def axis_of(channel: BenchChannel) -> Axis | None:
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
        return _DIRECTION(
            SettingAction.LEAVE, "The weapon's channel rests at its low end. Leave it."
        )
    if not rest.is_known or rest.level is None or rest.level.width_us < travel.high.width_us:
        return None
    return _DIRECTION(
        SettingAction.CHANGE,
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
    if not band.holds(target_us):
        target_us = 0.5 * (band.low_us + band.high_us)
    setting = partial(_REST, target_us=target_us)
    interval_us = found.table.sample_interval_us
    if alignment is None or not alignment.fits:
        verdict, sentence = judge_rest(travel.rest, band, interval_us)
        now = None if travel.rest.level is None else travel.rest.level.repeated.amount
        if now is not None and (now.uncertainty_us is None or interval_us is None):
            sentence = f"The rest position is {now.said}. {RATE_UNKNOWN}"
            return setting(SettingAction.NOT_SHOWN, sentence, now)
        sentence = f"{sentence} "
    else:
        widths_us = _widths_us(found.table, alignment, _rests)
        if not widths_us:
            sentence = "The rest position is not shown: the plan never lets the sticks go."
            return setting(SettingAction.NOT_SHOWN, f"{sentence} {LET_GO}")
        verdict = governing(against_band(Amount(us, None), band, interval_us) for us in widths_us)
        now = Amount(max(widths_us, key=lambda us: abs(us - target_us)), None)
        sentence = (
            f"At rest the width is {now.us:.1f} us, "
            f"{'inside' if verdict is Verdict.MEETS else 'at the edge of'} the stop range "
            f"{band.low_us:g} to {band.high_us:g} us. "
        )
    if verdict is Verdict.MEETS:
        return setting(SettingAction.LEAVE, f"{sentence}Leave it.", now)
    if verdict is Verdict.NOT_SHOWN:
        return setting(SettingAction.NOT_SHOWN, f"{sentence}{_BEFORE_POWER}", now)
    device = channel.role if channel.role in ("weapon", "servo") else "motor"
    what = REST_BY[channel.neutral_us is None]
    sentence = (
        f"With the stick let go the width{'' if now is None else f' is {now.said}, and that'} lies "
        f"outside the stop range {band.low_us:g} to {band.high_us:g} us. The {device} may "
        f"{'move' if device == 'servo' else 'run'} with nobody at the stick. Set its {what} so "
        f"that the rest gives {target_us:g} us. Record again before the {device} is powered."
    )
    return setting(SettingAction.CHANGE, sentence, now)


def change_us(table: PulseTable, alignment: Alignment, axis: Axis) -> float | None:
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
