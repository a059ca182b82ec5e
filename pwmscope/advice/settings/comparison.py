"""Before and after: what a change of settings made better and what worse."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pwmscope.advice.settings.advise import SettingsAdvice
from pwmscope.advice.settings.setting import ChannelSettings, Name, Setting
from pwmscope.findings.travel import Amount, Level, weighed_sum
from pwmscope.model import COVERAGE


class Trend(StrEnum):
    """What became of a setting."""

    IMPROVED = "improved"
    WORSE = "worse"
    UNCHANGED = "unchanged within the uncertainty"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class Compared:
    """One setting before and after.

    Parameters
    ----------
    line : str
        The channel.
    name : str
        The setting.
    trend : Trend
        What became of it.
    before, after : Amount or None
        The widths.
    gain : Amount or None
        By how much it came nearer to what the device expects; below 0 where it went farther.
    sentence : str
        The same for a person.
    """

    line: str
    name: Name
    trend: Trend
    before: Amount | None
    after: Amount | None
    gain: Amount | None
    sentence: str


def compare_settings(before: SettingsAdvice, after: SettingsAdvice) -> tuple[Compared, ...]:
    """Say per channel and setting what improved from one recording to the next.

    Parameters
    ----------
    before, after : SettingsAdvice
        Of the two recordings, by one sheet.

    Returns
    -------
    tuple of Compared
        For each neutral and endpoint of each channel of the later recording.
    """
    earlier = {channel.line: channel for channel in before.channels}
    return tuple(
        _compare(channel.line, setting, _named(earlier.get(channel.line), setting.name))
        for channel in after.channels
        for setting in channel.settings
        if setting.name not in {"direction", "rest position"}
    )


def _named(channel: ChannelSettings | None, name: Name) -> Setting | None:
    return None if channel is None else channel.named(name)


def _compare(line: str, after: Setting, before: Setting | None) -> Compared:
    now, was = after.measured, None if before is None else before.measured
    target_us = after.target_us
    if now is None or was is None or target_us is None:
        missing = "earlier" if now is not None else "later"
        said = f"{after.name} is not shown by the {missing} recording, so nothing can be compared."
        return Compared(line, after.name, Trend.NOT_SHOWN, was, now, None, said)
    gain = nearer(was, now, target_us)
    doubt_us = COVERAGE * (gain.uncertainty_us or 0.0)
    if gain.uncertainty_us is None:
        trend, how = Trend.NOT_SHOWN, "by how much is not shown, since the uncertainty is not known"
    elif abs(gain.us) <= doubt_us:
        trend, how = Trend.UNCHANGED, "unchanged within the uncertainty"
    else:
        trend = Trend.IMPROVED if gain.us > 0 else Trend.WORSE
        size = Amount(abs(gain.us), gain.uncertainty_us)
        how = f"{trend.value}, {size.said} {'nearer to' if gain.us > 0 else 'farther from'} it"
    said = f"{after.name} went from {was.said} to {now.said}, wanted {target_us:g} us: {how}."
    return Compared(line, after.name, trend, was, now, gain, said)


def nearer(before: Amount, after: Amount, target_us: float) -> Amount:
    """By how much a width came nearer to a target, errors of one analyser shared.

    Examples
    --------
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
