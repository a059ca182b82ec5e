"""Rules of each device: what it does at signal loss, and where its power comes from."""

from __future__ import annotations

from typing import Final

from pwmscope.bench.equipment import OnLoss
from pwmscope.bench.sheet import BenchChannel, BenchSheet
from pwmscope.bench.wiring.outputs import NO_DEVICES, STATE_DEVICES
from pwmscope.bench.wiring.rule import (
    Judgement,
    Rule,
    breaks,
    listed,
    meets,
    named,
    unknown,
    verb,
)

_MEASURE: Final = "The recording of a signal loss shows whether it does so."


def judge_failsafe(sheet: BenchSheet) -> Judgement:
    """Ask of each moving device what is stated about signal loss."""
    if not sheet.devices:
        return unknown(NO_DEVICES, STATE_DEVICES)
    on_loss = sheet.receiver.on_loss
    moving = [device for device in sheet.devices if _stops(device, on_loss) is False]
    if moving:
        return breaks(
            f'At signal loss the receiver\'s outputs are set to "{on_loss}", and '
            f"{listed(named(device) for device in moving)} would keep going.",
            "Set the receiver's failsafe so that each device stands still, with the weapon "
            "removed, the wheels off the ground and the robot restrained; then record a signal "
            "loss.",
            [("receiver",), *(("channels", device.line) for device in moving)],
        )
    silent = [device for device in sheet.devices if _stops(device, on_loss) is None]
    if silent:
        return unknown(
            f"What makes {listed(named(device) for device in silent)} stand still at signal loss "
            "is not stated.",
            "State no_pulses (what the device does without pulses) or stop_us (the widths at "
            "which it stands still), by its manual or by trying with the weapon removed, the "
            "wheels off the ground and the robot restrained.",
            [("channels", device.line) for device in silent],
        )
    return meets(
        f"For {listed(named(device) for device in sheet.devices)} it is stated what stops each "
        f"at signal loss. {_MEASURE}"
    )


def _stops(device: BenchChannel, on_loss: OnLoss | None) -> bool | None:
    """Say whether a device stands still at signal loss by what is stated; None: not stated."""
    if on_loss == "holds last":
        return False
    if on_loss == "pulses stop":
        return None if device.no_pulses is None else device.no_pulses == "stops"
    if on_loss == "goes to preset":
        return True if device.stop_band is not None else None
    stated = device.no_pulses == "stops" or device.stop_us is not None
    if device.no_pulses == "keeps going" and device.stop_band is not None:
        stated = True  # its stop range is what the receiver's preset must reach
    return True if stated else None


def judge_own_supply(sheet: BenchSheet) -> Judgement:
    """Ask of each device without a power wire whether it has a supply of its own."""
    if not sheet.devices:
        return unknown(NO_DEVICES, STATE_DEVICES)
    bare = [device for device in sheet.devices if device.signal_and_ground_only]
    dark = [device for device in bare if device.supplied_by == "receiver"]
    if dark:
        return breaks(
            f"{_bare(dark)}, but {verb(len(dark), 'is', 'are')} stated to run on the receiver's "
            "supply.",
            "Give it a supply of its own, its ground joined to the receiver's.",
            [("channels", device.line) for device in dark],
        )
    silent = [device for device in bare if device.supplied_by is None]
    if silent:
        return unknown(
            f"{_bare(silent)}, and the supply is not stated.",
            'State supplied_by = "outside" if there is one, its ground joined to the receiver\'s.',
            [("channels", device.line) for device in silent],
        )
    open_ = [device for device in sheet.devices if _has_power_wire(device) is None]
    if open_:
        return unknown(
            f"Whether the cable of {listed(named(device) for device in open_)} has a power wire "
            "is not stated.",
            "Look at the cables and state signal_and_ground_only, or supplied_by.",
            [("channels", device.line) for device in open_],
        )
    if not bare:
        return meets("Every device has a power wire in its cable or a supply of its own.")
    return meets(f"{_bare(bare)}, and {verb(len(bare), 'is', 'are')} supplied from outside.")


def _bare(devices: list[BenchChannel]) -> str:
    have = verb(len(devices), "has", "have")
    return f"{listed(named(device) for device in devices)} {have} signal and ground only"


def _has_power_wire(device: BenchChannel) -> bool | None:
    """Say whether the cable has a power wire or does not need one; None: not stated."""
    if device.signal_and_ground_only is not None or device.feeds_5v:
        return not device.signal_and_ground_only
    return None if device.supplied_by is None else True


RULES: Final = (
    Rule(
        "failsafe stated",
        "For every moving device it is stated what makes it stand still at signal loss.",
        "A robot whose link is cut must stop by itself; event rulebooks demand it, and a "
        "measurement needs to know what counts as standing still.",
        "common practice; the event's rulebook",
        judge_failsafe,
    ),
    Rule(
        "signal and ground only",
        "A device whose cable has signal and ground only has a supply of its own.",
        "Without a power wire nothing reaches it from the receiver.",
        "common practice",
        judge_own_supply,
    ),
)
