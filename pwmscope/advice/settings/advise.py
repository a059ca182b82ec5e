"""What to set, channel by channel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pwmscope.advice.settings.direction import advise_direction, advise_rest
from pwmscope.advice.settings.endpoints import advise_endpoint
from pwmscope.advice.settings.neutral import advise_neutral
from pwmscope.advice.settings.setting import Action, ChannelSettings, Name, Setting
from pwmscope.advice.settings.transmitter import Transmitter
from pwmscope.advice.settings.warnings import creep_warning, weapon_warning
from pwmscope.bench import STICKS, UNUSED, BenchChannel, BenchSheet
from pwmscope.errors import HintError
from pwmscope.findings import ChannelFindings, Findings
from pwmscope.findings.plan_alignment import Alignment
from pwmscope.findings.travel import Level

_ASKED: Final[tuple[Name, ...]] = ("neutral", "low endpoint", "high endpoint")


@dataclass(frozen=True, slots=True)
class SettingsAdvice:
    """What to set on a bench.

    Parameters
    ----------
    channels : tuple of ChannelSettings
        The sheet's devices whose lines are in the recording, in the sheet's order.
    missing : tuple of str
        The sheet's devices whose lines are not.
    alignment : Alignment or None
        Where the plan's steps are, if there was a plan.
    """

    channels: tuple[ChannelSettings, ...]
    missing: tuple[str, ...]
    alignment: Alignment | None

    def actions(self, action: Action) -> tuple[tuple[str, Name], ...]:
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
        return len(self.actions(Action.CHANGE)) + len(self.actions(Action.DEVICE))

    @property
    def not_shown(self) -> int:
        """How many settings the recording does not show."""
        return len(self.actions(Action.NOT_SHOWN))


def advise_settings(
    findings: Findings,
    sheet: BenchSheet,
    *,
    transmitters: Mapping[str, Transmitter] | None = None,
    alignment: Alignment | None = None,
) -> SettingsAdvice:
    """Hold each channel's travel against what its device expects, and say what to change.

    Nothing is changed that the uncertainty leaves open.

    Parameters
    ----------
    findings : Findings
        What was found in the recording.
    sheet : BenchSheet
        What each device expects. Sticks are no devices and are left out.
    transmitters : mapping of str to Transmitter, optional
        By line, what is known of the transmitter's settings.
    alignment : Alignment, optional
        Where the steps of the plan are that the recording was made by: it shows directions
        and that the sticks were held at their ends.

    Returns
    -------
    SettingsAdvice

    Raises
    ------
    HintError
        If none of the sheet's devices is in the recording.
    """
    devices = {line: c for line, c in sheet.channels.items() if c.role not in (*STICKS, UNUSED)}
    present = [line for line in devices if line in findings.channels]
    if not present:
        raise HintError(
            f"None of the devices of {sheet.source} ({', '.join(devices) or 'there are none'}) "
            f"is a line of {findings.capture.source} ({', '.join(findings.channels)}); name the "
            "sheet of this bench."
        )
    known = transmitters or {}
    channels = tuple(
        _advise_channel(
            devices[line], findings.channels[line], known.get(line, Transmitter()), alignment
        )
        for line in present
    )
    missing = tuple(
        line
        for line, channel in devices.items()
        if line not in findings.channels and channel.is_device
    )
    return SettingsAdvice(channels, missing, alignment)


def _advise_channel(
    channel: BenchChannel,
    found: ChannelFindings,
    transmitter: Transmitter,
    alignment: Alignment | None,
) -> ChannelSettings:
    def made(settings: tuple[Setting, ...], *warnings: str | None) -> ChannelSettings:
        said = tuple(warning for warning in warnings if warning)
        return ChannelSettings(channel.line, channel.role, channel.device, settings, said)

    travel = found.travel
    if travel is None:
        return made(_all_not_shown(channel, found.not_servo or "It carries no servo pulses."))
    direction = advise_direction(channel, found, alignment)
    rest = advise_rest(channel, found, alignment)
    if direction is not None and direction.action is Action.CHANGE:
        rest = None  # It changes with the direction.
    of_direction = tuple(setting for setting in (direction, rest) if setting is not None)
    neutral = advise_neutral(channel, travel, transmitter)
    warnings = (creep_warning(channel, neutral), weapon_warning(channel, travel))
    if direction is not None and direction.action is Action.CHANGE:
        reason = "Reverse the channel first and record again: that changes this setting."
        return made((*of_direction, *_all_not_shown(channel, reason)), *warnings)
    ends = (
        advise_endpoint(
            "low", channel, travel, neutral, transmitter, held=_is_held(travel.low, alignment)
        ),
        advise_endpoint(
            "high", channel, travel, neutral, transmitter, held=_is_held(travel.high, alignment)
        ),
    )
    of_neutral = () if neutral is None else (neutral,)
    return made((*of_direction, *of_neutral, *ends), *warnings)


def _all_not_shown(channel: BenchChannel, reason: str) -> tuple[Setting, ...]:
    return tuple(
        Setting(name, Action.NOT_SHOWN, f"The {name} is not shown. {reason}")
        for name in _ASKED
        if name != "neutral" or channel.neutral_us is not None
    )


def _is_held(level: Level | None, alignment: Alignment | None) -> bool:
    """Say whether a channel stood at a level while a plan shows a stick at one of its ends."""
    if level is None or alignment is None or not alignment.fits:
        return False
    at_ends = [
        span for span in alignment.spans if any(abs(to) >= 1.0 for to in span.step.sticks.values())
    ]
    return any(
        visit.start_s < span.end_s and span.start_s < visit.end_s
        for visit in level.visits
        for span in at_ends
    )
