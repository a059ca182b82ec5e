"""Rules of wiring, held against a bench sheet before anything is powered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pwmscope.bench.equipment import DRIVES, BenchChannel, BenchSheet, OnLoss
from pwmscope.bench.power import (
    POWER_RULES,
    Feed,
    Judgement,
    Ruling,
    WiringRule,
    breaks,
    feeds_of,
    listed,
    meets,
    named,
    unknown,
    verb,
)
from pwmscope.model import Verdict, governing

NO_DEVICES: Final = "The sheet states no device."
STATE_DEVICES: Final = "State each device on the receiver as [channels.LINE]."


def devices_by_output(
    sheet: BenchSheet, receiver: str = ""
) -> Mapping[int, tuple[BenchChannel, ...]]:
    """Group the devices whose output of a receiver is stated, by output in increasing order."""
    groups: dict[int, tuple[BenchChannel, ...]] = {}
    for device in sheet.devices:
        if device.output is not None and device.receiver == receiver:
            groups[device.output] = (*groups.get(device.output, ()), device)
    return dict(sorted(groups.items()))


def outputs_needed(sheet: BenchSheet) -> int:
    """Count the outputs that the functions need.

    Devices that share an output by a splitter need one between them, and a tank
    drive needs two even if the sheet states one of its sides only.

    >>> from pwmscope.bench import parse_sheet
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
    plugged = [device for device in sheet.devices if not device.receiver and not device.no_pin]
    return len(plugged) - shared + one_sided


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
    others = sorted({device.receiver for device in sheet.devices if device.receiver})
    if others:
        return unknown(
            f"How many outputs the receiver {listed(others)} has is not stated.",
            "Count its rows of pins for servos, and the devices on it.",
        )
    return meets(f"The functions need {_count(needed)}, and the receiver has {outputs}.")


def judge_shared(sheet: BenchSheet) -> Judgement:
    """Look for two devices on one output without a splitter, or with different roles."""
    if not sheet.devices:
        return unknown(NO_DEVICES, STATE_DEVICES)
    shared = {
        f"{output} of {receiver}" if receiver else str(output): group
        for receiver in dict.fromkeys(device.receiver for device in sheet.devices)
        for output, group in devices_by_output(sheet, receiver).items()
        if len(group) > 1
    }
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
    unstated = [d for d in sheet.devices if d.output is None and not d.no_pin]
    if unstated:
        return unknown(
            f"On which output {listed(named(device) for device in unstated)} is, is not stated.",
            "Read the number beside the row of pins and state output.",
            [("channels", device.line) for device in unstated],
        )
    split = f"; shared by a splitter: {listed(f'output {o}' for o in shared)}" if shared else ""
    return meets(f"Each function has an output of its own{split}.")


def _count(number: int) -> str:
    return "1 output" if number == 1 else f"{number} outputs"


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
            "Weapon removed, wheels off the ground, robot restrained: set the receiver's failsafe "
            "to stop each device. Then record a signal loss.",
            [("receiver",), *(("channels", device.line) for device in moving)],
        )
    unstated = [device for device in sheet.devices if _stops(device, on_loss) is None]
    if unstated:
        return unknown(
            f"What makes {listed(named(device) for device in unstated)} stand still at signal loss "
            "is not stated.",
            "State no_pulses or stop_us from the device's manual. Or try it: weapon removed, "
            "wheels off the ground, robot restrained.",
            [("channels", device.line) for device in unstated],
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
    unstated = [device for device in bare if device.supplied_by is None]
    if unstated:
        return unknown(
            f"{_bare(unstated)}, and the supply is not stated.",
            'State supplied_by = "outside" if there is one, its ground joined to the receiver\'s.',
            [("channels", device.line) for device in unstated],
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


ROUNDING: Final = 1e-9
"""A divided level may lie above the one it equals by what arithmetic rounds."""


def divided_v(signal_v: float, divider_ohm: tuple[float, float]) -> float:
    """Work out the level behind a divider without load.

    >>> divided_v(5.0, (10_000.0, 15_000.0))
    3.0
    """
    upper_ohm, lower_ohm = divider_ohm
    return signal_v * lower_ohm / (upper_ohm + lower_ohm)


def judge_signal_level(sheet: BenchSheet) -> Judgement:
    """Hold the level at the analyser's inputs against what they take."""
    analyser, signal_v = sheet.analyser, sheet.receiver.signal_v
    if analyser.input_v is None:
        return unknown(
            "What voltage the analyser's inputs take is not stated.",
            "Read it in the analyser's manual and state analyser.input_v.",
            [("analyser",)],
        )
    if analyser.shifted_v is not None:
        level_v, how = analyser.shifted_v, "behind the level shifter"
    elif signal_v is None:
        return unknown(
            "The level of the receiver's signal is not stated; many give 3.3 V, some 5 V "
            "(common practice).",
            "Read it in the receiver's manual, or measure a signal pin. State receiver.signal_v; "
            "until then count on the supply voltage.",
            [("receiver",)],
        )
    elif analyser.divider_ohm is not None:
        level_v, how = divided_v(signal_v, analyser.divider_ohm), "behind the divider"
    else:
        level_v, how = signal_v, "from the receiver"
    said = f"{level_v:.3g} V {how} at inputs that take {analyser.input_v:g} V"
    if level_v <= analyser.input_v * (1.0 + ROUNDING):
        return meets(f"The signal's level fits: {said}.")
    return breaks(
        f"The signal's level is too high: {said}.",
        _lower(signal_v, analyser.input_v),
        [("analyser",)],
    )


def _lower(signal_v: float | None, input_v: float) -> str:
    if signal_v is None or signal_v <= input_v:
        return f"Take a level shifter to at most {input_v:g} V."
    ratio = input_v / (signal_v - input_v)
    return (
        f"Put a level shifter to at most {input_v:g} V before the inputs, or a divider. Its "
        f"resistor to ground is at most {_down(ratio)} times the one to the signal."
    )


def _down(ratio: float) -> str:
    """Write a ratio with two places, never rounded up."""
    return f"{int(ratio * 100.0) / 100.0:g}"


def judge_ground_first(sheet: BenchSheet) -> Judgement:
    """Ask whether the analyser's ground is connected before its inputs."""
    first = sheet.analyser.ground_first
    if first is None:
        return unknown(
            "Whether the analyser's ground is connected before its inputs is not stated.",
            "Connect its ground to one of the receiver's ground pins first, then the inputs, and "
            "state analyser.ground_first = true.",
            [("analyser",)],
        )
    if not first:
        return breaks(
            "The analyser's inputs are connected before its ground.",
            "Take the inputs off, connect the analyser's ground to one of the receiver's ground "
            "pins, then the inputs again.",
            [("analyser",)],
        )
    return meets("The analyser's ground is connected before its inputs.")


def judge_protocol(sheet: BenchSheet) -> Judgement:
    """Compare the stated link protocols."""
    return _compare("protocol", sheet.transmitter.protocol, sheet.receiver.protocol)


def judge_band(sheet: BenchSheet) -> Judgement:
    """Compare the stated radio bands."""
    return _compare("band", sheet.transmitter.band, sheet.receiver.band)


def _compare(key: str, sent: str, taken: str) -> Judgement:
    sides = {"transmitter": sent, "receiver": taken}
    unstated = [side for side, said in sides.items() if not said.strip()]
    if unstated:
        whose = "'s and the ".join(unstated)
        return unknown(
            f"The {whose}'s {key} is not stated.",
            f"Read it in the settings or the manual and state {key} in "
            f"{' and '.join(f'[{side}]' for side in unstated)}.",
            [(side,) for side in unstated],
        )
    if _folded(sent) != _folded(taken):
        return breaks(
            f'The transmitter\'s {key} is "{sent}", the receiver\'s "{taken}".',
            f"Set both to the same {key}, or take a receiver that has the transmitter's. If both "
            "mean the same, write both alike.",
            [("transmitter",), ("receiver",)],
        )
    return meets(f'Transmitter and receiver both state the {key} "{sent}".')


def _folded(text: str) -> str:
    return "".join(text.split()).casefold()


WIRING_RULES: Final[tuple[WiringRule, ...]] = (
    *POWER_RULES,
    WiringRule(
        "link protocol",
        "Transmitter and receiver have the same link protocol.",
        "They can only be bound to each other if they speak the same one.",
        "common practice",
        judge_protocol,
    ),
    WiringRule(
        "radio band",
        "Transmitter and receiver use the same radio band.",
        "A receiver hears nothing outside its own band.",
        "common practice",
        judge_band,
    ),
    WiringRule(
        "enough outputs",
        "The receiver has an output for each function: two for a tank drive, one per weapon and "
        "per servo.",
        "A function without an output cannot be steered; tank drive plus weapon takes at least "
        "three.",
        "common practice",
        judge_enough,
    ),
    WiringRule(
        "one device an output",
        "No two devices are on one output, unless they do the same and share it by a splitter.",
        "What shares an output gets the same pulses and moves together.",
        "common practice",
        judge_shared,
    ),
    WiringRule(
        "failsafe stated",
        "For every moving device it is stated what makes it stand still at signal loss.",
        "A robot without a link must stop by itself: event rulebooks demand it. A measurement "
        "must know what counts as standing still.",
        "common practice; the event's rulebook",
        judge_failsafe,
    ),
    WiringRule(
        "signal and ground only",
        "A device whose cable has signal and ground only has a supply of its own.",
        "Without a power wire nothing reaches it from the receiver.",
        "common practice",
        judge_own_supply,
    ),
    WiringRule(
        "signal level",
        "The level at the analyser's inputs is at most what they take.",
        "5 V into an input for 3.3 V can destroy it, and what hangs on it.",
        "the analyser's manual; U R2 / (R1 + R2) for a divider: Ohm's law",
        judge_signal_level,
    ),
    WiringRule(
        "ground first",
        "Analyser and receiver share their ground before any signal is connected.",
        "Without it the current returns through the inputs, and levels mean nothing.",
        "common practice",
        judge_ground_first,
    ),
)
"""All wiring rules; that of the one source comes first."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """What a bench sheet says about the wiring."""

    sheet: BenchSheet  # The sheet
    feeds: tuple[Feed, ...]  # Everything on it that may power the receiver
    rulings: tuple[Ruling, ...]  # One for each rule, in the order of `WIRING_RULES`

    @property
    def answer(self) -> Ruling:
        """Whether exactly one source powers the receiver."""
        return self.rulings[0]

    @property
    def verdict(self) -> Verdict:
        """The verdict over all rules."""
        return governing(ruling.verdict for ruling in self.rulings)


def check_wiring(sheet: BenchSheet) -> Wiring:
    r"""Hold a bench sheet against every wiring rule.

    >>> from pwmscope.bench import parse_sheet
    >>> wiring = check_wiring(parse_sheet("[channels.RX1]\nrole='weapon'\nfeeds_5v = true"))
    >>> wiring.answer.sentence, wiring.verdict.value
    ('Exactly one source powers the receiver: RX1 (weapon), 5 V.', 'not shown')
    """
    rulings = []
    for rule in WIRING_RULES:
        found = rule.judge(sheet)
        rulings.append(
            Ruling(
                name=rule.name,
                verdict=found.verdict,
                sentence=found.sentence,
                reason=rule.reason,
                advice=found.advice,
                source=rule.source,
                at=found.at,
            )
        )
    return Wiring(sheet, feeds_of(sheet), tuple(rulings))
