"""What a wiring drawing has in each row: one device, its cable, and the output it is on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from pwmscope.bench import BenchChannel
from pwmscope.bench.key_lines import KeyPath
from pwmscope.bench.wiring import Feed, Wiring
from pwmscope.model.verdict import Verdict

ROW: Final = 104.0
"""Height of a row in px."""


class PowerWire(StrEnum):
    """What the power wire of a device's cable does."""

    FEEDS = "feeds the receiver"
    TAKES = "takes power"
    LIFTED = "power pin lifted"
    NONE = "no power wire"
    IDLE = "feeds nothing"
    NOT_STATED = "not stated"


@dataclass(frozen=True, slots=True)
class Row:
    """One device with its cable.

    Parameters
    ----------
    device : BenchChannel
        The device.
    feed : Feed or None
        The source on its cable, if there may be one.
    probed : int or None
        The analyser's input on its line, counted from 1.
    y : float
        Its middle in px.
    """

    device: BenchChannel
    feed: Feed | None
    probed: int | None
    y: float


@dataclass(frozen=True, slots=True)
class Output:
    """One output of the receiver with the rows on it.

    Parameters
    ----------
    number : int or None
        As the sheet states it.
    rows : tuple of Row
        The devices on it; more than one where it is shared.
    y : float
        The middle of its pins in px, level with the first of its devices.
    """

    number: int | None
    rows: tuple[Row, ...]
    y: float


def outputs_of(wiring: Wiring, top: float) -> tuple[Output, ...]:
    """Lay the devices out in rows, those on one output together, by its number.

    Parameters
    ----------
    wiring : Wiring
    top : float
        Upper edge of the first row in px.

    Returns
    -------
    tuple of Output
        Devices without a stated output come last, each on an output of its own.
    """
    sheet = wiring.sheet
    feeds = {feed.cable: feed for feed in wiring.feeds if feed.cable is not None}
    probed = {line: i for i, line in enumerate(sheet.analyser.lines, 1)}
    groups: dict[tuple[int, str], list[BenchChannel]] = {}
    for device in sheet.devices:
        number = device.output
        key = (number, "") if number is not None else (10**6, device.line)
        groups.setdefault(key, []).append(device)
    outputs = []
    middle = top + ROW / 2.0
    for (number, _), devices in sorted(groups.items(), key=lambda item: item[0][0]):
        rows = []
        for device in devices:
            line = device.line
            rows.append(Row(device, feeds.get(line), probed.get(line), middle))
            middle += ROW
        outputs.append(Output(number if number < 10**6 else None, tuple(rows), rows[0].y))
    return tuple(outputs)


def marks_of(wiring: Wiring) -> Mapping[KeyPath, tuple[tuple[int, Verdict], ...]]:
    """List the marks of each table of the sheet: the rule's number and its verdict.

    Parameters
    ----------
    wiring : Wiring

    Returns
    -------
    mapping
        Rules are numbered from 1 in their order; those that are met leave no mark.
    """
    marks: dict[KeyPath, tuple[tuple[int, Verdict], ...]] = {}
    for number, ruling in enumerate(wiring.rulings, 1):
        if ruling.verdict is not Verdict.MEETS:
            for path in ruling.at:
                marks[path] = (*marks.get(path, ()), (number, ruling.verdict))
    return marks


def say_supply(device: BenchChannel) -> str:
    """Say where a device's power comes from, as a note in its box."""
    sources = {"outside": "supply: its own", "receiver": "supply: the receiver's"}
    return sources.get(device.supplied_by or "", "supply: not stated")


def power_wire(row: Row) -> PowerWire:
    """Say what the power wire of a cable does."""
    device, feed = row.device, row.feed
    if feed is not None and feed.powers:
        return PowerWire.FEEDS
    if device.signal_and_ground_only:
        return PowerWire.NONE
    if feed is not None and feed.path[0] == "sources" and feed.powers is False:
        return PowerWire.LIFTED
    if device.supplied_by == "receiver" or device.stall_a or device.draws_a:
        return PowerWire.TAKES
    if feed is None or feed.powers is None:
        return PowerWire.NOT_STATED
    return PowerWire.IDLE


def say_power(row: Row) -> str:
    """Write what the power wire of a cable does, as a note on the wire."""
    wire = power_wire(row)
    if wire is PowerWire.FEEDS:
        volts = None if row.feed is None else row.feed.voltage_v
        return wire.value if volts is None else f"{wire.value}, {volts:g} V"
    if wire is PowerWire.TAKES:
        device = row.device
        current_a = device.draws_a if device.stall_a is None else device.stall_a
        return f"takes {'power' if current_a is None else f'up to {current_a:g} A'}"
    return wire.value
