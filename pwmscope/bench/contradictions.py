"""What contradicts itself in a bench sheet although each key alone is allowed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, TypeAlias

from pwmscope.bench.equipment_contradictions import equipment_contradictions
from pwmscope.bench.fault import Fault
from pwmscope.bench.roles import DRIVES, STICKS, UNUSED
from pwmscope.bench.sheet import BenchChannel, BenchSheet

_Contradiction: TypeAlias = tuple[tuple[str, ...], str]
"""The keys that may be at fault, the likeliest first, and what was expected."""
_OF_SETTINGS = ("low_us", "neutral_us", "high_us", "us_per_percent", "reversed")
"""Keys of devices and sticks alike."""
_OF_DEVICES = (
    "deadband_us",
    "no_pulses",
    "no_pulses_after_s",
    "stop_us",
    "feeds_5v",
    "output",
    "splitter",
    "same_device_as",
    "supplied_by",
    "signal_and_ground_only",
    "stall_a",
    "draws_a",
)


def find_contradictions(sheet: BenchSheet, table: Mapping[str, Any]) -> Iterator[Fault]:
    """Find the contradictions of a sheet.

    Parameters
    ----------
    sheet : BenchSheet
        The sheet, each of its values allowed.
    table : mapping
        The same as TOML gave it, which shows what was stated.

    Yields
    ------
    Fault
    """
    marker = sheet.marker
    if marker is not None and marker.line in sheet.channels:
        yield Fault(
            ("marker", "line"), marker.line, "a line that is not among the channels as well"
        )
    for line, channel in sheet.channels.items():
        stated = table["channels"][line]
        for keys, allowed in _of_channel(channel, stated):
            key = next(key for key in keys if key in stated)
            yield Fault(("channels", line, key), stated[key], allowed)
    yield from equipment_contradictions(sheet, table)


def _of_channel(channel: BenchChannel, stated: Mapping[str, Any]) -> Iterator[_Contradiction]:
    if channel.role in STICKS:
        for key in _OF_DEVICES:
            if key in stated:
                yield (key,), f"no such key, since {channel.role} is a stick and not a device"
    if channel.role == UNUSED:
        for key in (*_OF_DEVICES, *_OF_SETTINGS, "device"):
            if key in stated:
                yield (key,), "no such key, since an unused line has nothing on it"
        return
    if channel.no_pulses_after_s is not None and channel.no_pulses != "stops":
        yield ("no_pulses_after_s",), 'no such key without no_pulses = "stops" beside it'
    yield from _of_travel(channel)
    if channel.stop_us is not None and channel.stop_us[0] > channel.stop_us[1]:
        yield ("stop_us",), "the lower width first"
    else:
        yield from _of_stop(channel)


def _of_travel(channel: BenchChannel) -> Iterator[_Contradiction]:
    low_us, neutral_us, high_us = channel.low_us, channel.neutral_us, channel.high_us
    if low_us >= high_us:
        yield (
            ("low_us", "high_us"),
            f"low_us below high_us, but they are {low_us:g} and {high_us:g}",
        )
    elif neutral_us is not None and not low_us < neutral_us < high_us:
        yield (
            ("neutral_us", "low_us", "high_us"),
            "low_us below neutral_us and neutral_us below high_us, but they are "
            f"{low_us:g}, {neutral_us:g} and {high_us:g}",
        )


def _of_stop(channel: BenchChannel) -> Iterator[_Contradiction]:
    """Refuse a stop range that reaches an end at which the device moves at full speed."""
    band, neutral_us = channel.stop_band, channel.neutral_us
    is_range = channel.stop_us is not None and channel.stop_us[0] < channel.stop_us[1]
    if channel.deadband_us is not None and not is_range and neutral_us is None:
        if channel.stop_us is None:
            yield ("deadband_us",), "neutral_us or one stop_us as well, which it lies round"
        return
    if band is None or channel.role not in (*DRIVES, "weapon"):
        return
    keys = ("stop_us", "deadband_us", "neutral_us", "low_us", "high_us")
    said = f"but that is {band.low_us:g} to {band.high_us:g}"
    if band.high_us >= channel.high_us:
        yield keys, f"a stop range that ends below high_us at {channel.high_us:g}, {said}"
    elif neutral_us is not None and band.low_us <= channel.low_us:
        yield keys, f"a stop range that begins above low_us at {channel.low_us:g}, {said}"
    elif neutral_us is not None and not band.holds(neutral_us):
        yield keys, f"a stop range that holds neutral_us at {neutral_us:g}, {said}"
