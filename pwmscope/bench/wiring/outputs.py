"""Rules of the receiver's outputs: enough of them, and no two devices on one by accident."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pwmscope.bench.roles import DRIVES
from pwmscope.bench.sheet import BenchChannel, BenchSheet
from pwmscope.bench.wiring.rule import (
    Judgement,
    Rule,
    breaks,
    listed,
    meets,
    named,
    unknown,
)

NO_DEVICES: Final = "The sheet states no device."
STATE_DEVICES: Final = "State each device on the receiver as [channels.LINE]."


def devices_by_output(sheet: BenchSheet) -> Mapping[int, tuple[BenchChannel, ...]]:
    """Group the devices whose output is stated, by output in increasing order."""
    groups: dict[int, tuple[BenchChannel, ...]] = {}
    for device in sheet.devices:
        if device.output is not None:
            groups[device.output] = (*groups.get(device.output, ()), device)
    return dict(sorted(groups.items()))


def outputs_needed(sheet: BenchSheet) -> int:
    """Count the outputs that the functions need.

    Devices that share an output by a splitter need one between them, and a tank
    drive needs two even if the sheet states one of its sides only.

    Examples
    --------
    >>> from pwmscope.bench.sheet import parse_sheet
    >>> outputs_needed(parse_sheet('''
    ... [channels]
    ... RX1 = {role = "drive-left"}
    ... RX2 = {role = "weapon"}
    ... '''))
    3
    """
    shared = 0
    for group in devices_by_output(sheet).values():
        shared += max(0, sum(bool(device.splitter) for device in group) - 1)
    roles = {device.role for device in sheet.devices}
    one_sided = sum(role in roles for role in DRIVES) == 1
    return len(sheet.devices) - shared + one_sided


def judge_enough(sheet: BenchSheet) -> Judgement:
    """Hold the receiver's outputs against what the functions need."""
    outputs, needed = sheet.receiver.outputs, outputs_needed(sheet)
    if not sheet.devices:
        return unknown(NO_DEVICES, STATE_DEVICES)
    if outputs is None:
        return unknown(
            f"The functions need {_count(needed)}; how many the receiver has is not stated.",
            "Count its rows of pins for servos and state receiver.outputs.",
            [("receiver",)],
        )
    if outputs < needed:
        return breaks(
            f"The functions need {_count(needed)}, and the receiver has {outputs}.",
            "Take a receiver with more outputs, or let devices that do the same share one by a "
            "splitter.",
            [("receiver",)],
        )
    roles = {device.role for device in sheet.devices}
    missing = [role for role in DRIVES if role not in roles]
    if len(missing) == 1:
        return unknown(
            f"The sheet states one side of the drive but no {missing[0]}; a tank drive needs two "
            f"outputs. The receiver has {_count(outputs)}.",
            f"State the {missing[0]} as well.",
        )
    return meets(f"The functions need {_count(needed)}, and the receiver has {outputs}.")


def judge_shared(sheet: BenchSheet) -> Judgement:
    """Look for two devices on one output without a splitter, or with different roles."""
    if not sheet.devices:
        return unknown(NO_DEVICES, STATE_DEVICES)
    shared = {o: group for o, group in devices_by_output(sheet).items() if len(group) > 1}
    for output, group in shared.items():
        said = f"{listed(named(device) for device in group)} are on output {output}"
        at = [("channels", device.line) for device in group]
        if len({device.role for device in group}) > 1:
            return breaks(
                f"{said} although they do different things.",
                "Give each function an output of its own.",
                at,
            )
        if any(device.splitter is False for device in group):
            return breaks(
                f"{said} without a splitter.",
                "Move one to an output of its own, or share the output by a splitter.",
                at,
            )
    for output, group in shared.items():
        if not all(device.splitter for device in group):
            said = listed(named(device) for device in group)
            return unknown(
                f"{said} are on output {output}; whether by a splitter is not stated.",
                "State splitter at each of them.",
                [("channels", device.line) for device in group],
            )
    silent = [device for device in sheet.devices if device.output is None]
    if silent:
        return unknown(
            f"On which output {listed(named(device) for device in silent)} is, is not stated.",
            "Read the number beside the row of pins and state output.",
            [("channels", device.line) for device in silent],
        )
    split = f"; shared by a splitter: {listed(f'output {o}' for o in shared)}" if shared else ""
    return meets(f"Each function has an output of its own{split}.")


def _count(number: int) -> str:
    return "1 output" if number == 1 else f"{number} outputs"


RULES: Final = (
    Rule(
        "enough outputs",
        "The receiver has an output for each function: two for a tank drive, one for a weapon, "
        "one for each servo.",
        "A function without an output cannot be steered; tank drive plus weapon takes at least "
        "three.",
        "common practice",
        judge_enough,
    ),
    Rule(
        "one device an output",
        "No two devices are on one output, unless they do the same and share it by a splitter.",
        "What shares an output gets the same pulses and moves together.",
        "common practice",
        judge_shared,
    ),
)
