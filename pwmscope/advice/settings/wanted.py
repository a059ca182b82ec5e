"""What a bench sheet's device wants of its channel, and how far from it is near enough."""

from __future__ import annotations

from typing import Final

from pwmscope.bench import COMMON_PRACTICE, DEFAULT_STOP, DRIVES, BenchChannel

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
