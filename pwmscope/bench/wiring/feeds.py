"""Everything that may power the receiver, as the sheet has it wired."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pwmscope.bench.key_lines import KeyPath
from pwmscope.bench.sheet import BenchChannel, BenchSheet
from pwmscope.bench.wiring.rule import named

FEEDS_5V: Final = 5.0
"""What ``feeds_5v = true`` states, in volts."""


@dataclass(frozen=True, slots=True)
class Feed:
    """One source, or a device that may be one.

    Parameters
    ----------
    said : str
        How it is named in a sentence.
    path : tuple of str
        Its table in the sheet.
    cable : str or None
        The channel on whose cable it comes; None for a cable of its own.
    powers : bool or None
        Whether its power wire is connected to the receiver; None where the
        sheet does not say.
    voltage_v, continuous_a : float or None
        Its voltage in volts and continuous current in amperes; None where the
        sheet does not say.
    """

    said: str
    path: KeyPath
    cable: str | None
    powers: bool | None
    voltage_v: float | None
    continuous_a: float | None


def feeds_of(sheet: BenchSheet) -> tuple[Feed, ...]:
    """List the sheet's sources, then its devices without one of them on their cable.

    Parameters
    ----------
    sheet : BenchSheet

    Returns
    -------
    tuple of Feed

    Examples
    --------
    >>> from pwmscope.bench.sheet import parse_sheet
    >>> sheet = parse_sheet('''
    ... [channels]
    ... RX1 = {role = "drive-left", feeds_5v = true}
    ... RX4 = {role = "servo", supplied_by = "receiver"}
    ... [sources.battery]
    ... voltage_v = 6.0
    ... powers_receiver = false
    ... ''')
    >>> [(feed.said, feed.powers, feed.voltage_v) for feed in feeds_of(sheet)]
    [('battery', False, 6.0), ('RX1 (drive-left)', True, 5.0), ('RX4 (servo)', False, None)]
    """
    devices = {device.line: device for device in sheet.devices}
    stated = [_stated(sheet, name, devices) for name in sheet.sources]
    cables = {feed.cable for feed in stated}
    return (*stated, *(_implied(device) for line, device in devices.items() if line not in cables))


def _stated(sheet: BenchSheet, name: str, devices: dict[str, BenchChannel]) -> Feed:
    source = sheet.sources[name]
    said, powers, voltage_v = name, source.powers_receiver, source.voltage_v
    if source.cable is not None:
        device = devices[source.cable]
        said = f"{name} on the cable of {named(device)}"
        powers = _powers(device) if powers is None else powers
        if voltage_v is None and device.feeds_5v:
            voltage_v = FEEDS_5V
    return Feed(said, ("sources", name), source.cable, powers, voltage_v, source.continuous_a)


def _implied(device: BenchChannel) -> Feed:
    voltage_v = FEEDS_5V if device.feeds_5v else None
    path = ("channels", device.line)
    return Feed(named(device), path, device.line, _powers(device), voltage_v, None)


def _powers(device: BenchChannel) -> bool | None:
    """Say whether a device's cable can feed the receiver, by all that is stated of it."""
    if device.feeds_5v is None and (
        device.supplied_by == "receiver" or device.signal_and_ground_only
    ):
        return False
    return device.feeds_5v
