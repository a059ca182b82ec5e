"""Rules of wiring and of power, held against a bench sheet before anything is powered."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

from pwmscope.bench.equipment import DRIVES, BenchChannel, BenchSheet, OnLoss
from pwmscope.bench.toml_text import KeyPath
from pwmscope.model import Verdict, format_list, governing


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a rule says of one sheet."""

    verdict: Verdict  # `not shown` where the sheet does not state enough
    sentence: str  # The answer for a person
    advice: str = ""  # What to do about it; empty where there is nothing to do
    at: tuple[KeyPath, ...] = ()  # The tables of the sheet that the answer is about


_Judge: TypeAlias = Callable[[BenchSheet], Judgement]


@dataclass(frozen=True, slots=True)
class WiringRule:
    """One rule of wiring."""

    name: str  # Its name
    demands: str  # What it demands, as a sentence
    reason: str  # Why, as a sentence
    source: str  # Where it comes from; "common practice" for a fact of the trade
    judge: _Judge  # Holds a sheet against it
    of_devices: bool  # Whether it asks for devices, and shows nothing without one


@dataclass(frozen=True, slots=True)
class Ruling:
    """A rule held against one sheet."""

    # As the rule has them
    name: str
    verdict: Verdict  # What the sheet shows
    # The answer for a person, and what to do
    sentence: str
    reason: str
    advice: str
    source: str
    at: tuple[KeyPath, ...]  # The tables of the sheet that the answer is about


_RULES: Final[list[WiringRule]] = []


def _rule(
    name: str, demands: str, reason: str, source: str, *, of_devices: bool = False
) -> Callable[[_Judge], _Judge]:
    """Put a function among the rules, in the order of this module."""

    def ruled(judge: _Judge) -> _Judge:
        _RULES.append(WiringRule(name, demands, reason, source, judge, of_devices))
        return judge

    return ruled


def meets(sentence: str) -> Judgement:
    """Make the judgement of a rule that is met."""
    return Judgement(Verdict.MEETS, sentence)


def breaks(sentence: str, advice: str, at: Iterable[KeyPath]) -> Judgement:
    """Make the judgement of a rule that is not met."""
    return Judgement(Verdict.DOES_NOT_MEET, sentence, advice, tuple(at))


def unknown(sentence: str, advice: str, at: Iterable[KeyPath] = ()) -> Judgement:
    """Make the judgement where the sheet does not state enough."""
    return Judgement(Verdict.NOT_SHOWN, sentence, advice, tuple(at))


def named(channel: BenchChannel) -> str:
    r"""Name a device in a sentence.

    >>> from pwmscope.bench import parse_sheet
    >>> sheet = parse_sheet("[channels.RX3]\nrole = 'weapon'\ndevice = 'drum ESC'")
    >>> named(sheet.channels["RX3"])
    'RX3 (drum ESC)'
    """
    return f"{channel.line} ({channel.device or channel.role})"


def _names(devices: Iterable[BenchChannel]) -> str:
    return format_list([named(device) for device in devices])


def _tables(devices: Iterable[BenchChannel]) -> list[KeyPath]:
    return [("channels", device.line) for device in devices]


def verb(count: int, one: str, many: str) -> str:
    """Choose the form of a word by how many it is about."""
    return one if count == 1 else many


FEEDS_5V: Final = 5.0
"""What ``feeds_5v = true`` states, in volts."""


@dataclass(frozen=True, slots=True)
class Feed:
    """One source, or a device that may be one."""

    said: str  # How it is named in a sentence
    path: KeyPath  # Its table in the sheet
    cable: str | None  # The channel on whose cable it comes; None for a cable of its own
    # Whether its power wire is connected to the receiver; None where the sheet does not say
    powers: bool | None
    # Its voltage in volts and continuous current in amperes; None where the sheet does not say
    voltage_v: float | None
    continuous_a: float | None


def feeds_of(sheet: BenchSheet) -> tuple[Feed, ...]:
    """List the sheet's sources, then its devices without one of them on their cable.

    >>> from pwmscope.bench import parse_sheet
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


USABLE: Final = 0.8
"""Part of a source's continuous current that may be used; the rest is margin (common practice,
from memory)."""
_UNPOWERED: Final = "With everything unpowered"


@_rule(
    "one source",
    "Exactly one source powers the receiver.",
    "With none the receiver stays dark. Two regulators on one rail can destroy each other or "
    "the receiver.",
    "common practice",
)
def _judge_one_source(sheet: BenchSheet) -> Judgement:
    feeds = feeds_of(sheet)
    on = [feed for feed in feeds if feed.powers]
    on_receiver = {device.line: device.receiver for device in sheet.devices}
    receivers = sorted(set(on_receiver.values()))
    if len(receivers) > 1:
        own = [[f for f in on if f.cable and on_receiver.get(f.cable) == r] for r in receivers]
        twice = next((several for several in own if len(several) > 1), None)
        return _conflict(twice) if twice else unknown(
            "The robot has several receivers. Which source powers each is not judged.",
            f"{_UNPOWERED}, check that exactly one source powers each receiver.",
            [("receiver",)],
        )  # fmt: skip
    open_ = [feed for feed in feeds if feed.powers is None]
    if len(on) > 1:
        return _conflict(on)
    if open_ or not feeds:
        return _not_stated(on, open_)
    if not on:
        return breaks(
            "Nothing on this sheet powers the receiver, so it stays dark.",
            f"{_UNPOWERED}, connect the power wire of one source, or state the one that is "
            "missing here as [sources.NAME].",
            [("receiver",)],
        )
    voltage_v = on[0].voltage_v
    at = "its voltage is not stated" if voltage_v is None else f"{voltage_v:g} V"
    return meets(f"Exactly one source powers the receiver: {on[0].said}, {at}.")


def _conflict(on: list[Feed]) -> Judgement:
    count = {2: "Two", 3: "Three", 4: "Four"}.get(len(on), str(len(on)))
    rated = [feed for feed in on if feed.continuous_a is not None]
    keep = "all of them but one"
    if len(rated) == len(on):
        strongest = max(rated, key=lambda feed: feed.continuous_a or 0.0)
        keep = f"all but the strongest ({strongest.said}, {strongest.continuous_a:g} A)"
    return breaks(
        f"{count} sources power the receiver at once: {format_list([feed.said for feed in on])}.",
        f"{_UNPOWERED}, lift the power pin out of the plug of {keep}. It is the middle pin "
        "(common practice). Insulate it, and state powers_receiver or feeds_5v = false there.",
        [feed.path for feed in on],
    )


def _not_stated(on: list[Feed], open_: list[Feed]) -> Judgement:
    advice = (
        f"{_UNPOWERED}, look at each cable's middle wire, or read the device's manual. State "
        "feeds_5v at its channel or powers_receiver at its source."
    )
    if not open_:
        return unknown("What powers the receiver is not stated.", advice, [("receiver",)])
    said = format_list([feed.said for feed in open_])
    one = on[0].said if on else "No source"
    verb = "powers" if on else "is stated to power"
    also = " as well" if on else ""
    do = "do" if len(open_) > 1 else "does"
    return unknown(
        f"{one} {verb} the receiver, and whether {said} {do}{also} is not stated.",
        advice,
        [feed.path for feed in open_],
    )


@_rule(
    "receiver supply",
    "The source's voltage lies within the receiver's stated range; 5 V is usual.",
    "Below its range a receiver restarts in a fight. Above its range the receiver and its "
    "devices can be destroyed.",
    "the receiver's manual; 5 V: common practice",
)
def _judge_receiver_supply(sheet: BenchSheet) -> Judgement:
    on = [feed for feed in feeds_of(sheet) if feed.powers]
    supply_v = sheet.receiver.supply_v
    if not on:
        return unknown(
            "What powers the receiver is not stated.",
            "Settle first which source does (rule 1).",
            [("receiver",)],
        )
    if supply_v is None:
        return unknown(
            "The receiver's supply range is not stated; 5 V is usual (common practice).",
            "Read it on the receiver's label or in its manual and state receiver.supply_v.",
            [("receiver",)],
        )
    low_v, high_v = supply_v
    outside = [f for f in on if f.voltage_v is not None and not low_v <= f.voltage_v <= high_v]
    said = f"the receiver's {low_v:g} to {high_v:g} V"
    if outside:
        volts = format_list([f"{feed.said} with {feed.voltage_v:g} V" for feed in outside])
        return breaks(
            f"Outside {said}: {volts}.",
            f"{_UNPOWERED}, disconnect it from the receiver and take a source of {low_v:g} to "
            f"{high_v:g} V.",
            [feed.path for feed in outside],
        )
    unstated = [feed for feed in on if feed.voltage_v is None]
    if unstated:
        return unknown(
            f"The voltage of {format_list([feed.said for feed in unstated])} is not stated.",
            "Read it on the source and state voltage_v.",
            [feed.path for feed in unstated],
        )
    volts = format_list([f"{feed.said} gives {feed.voltage_v:g} V" for feed in on])
    return meets(f"{volts}, within {said}.")


@_rule(
    "current budget",
    f"All devices held fast draw at most {USABLE:.0%} of the source's continuous current.",
    "An overloaded source lets its voltage fall, and the receiver restarts just when servos "
    "work hardest.",
    f"Kirchhoff's current law; stall currents and {USABLE:.0%}: common practice, from memory",
)
def _judge_current(sheet: BenchSheet) -> Judgement:
    on = [feed for feed in feeds_of(sheet) if feed.powers]
    if len(on) != 1:
        return unknown(
            "The current cannot be held against a source, since not exactly one is stated to "
            "power the receiver.",
            "Settle first which source does (rule 1).",
            [feed.path for feed in on],
        )
    source = on[0]
    if source.continuous_a is None:
        return unknown(
            f"How much current {source.said} can give all the time is not stated.",
            "Read it in the source's manual and state continuous_a in [sources.NAME], with the "
            "channel as its cable.",
            [source.path],
        )
    known_a, missing = stated_currents(sheet)
    total_a, usable_a = sum(known_a.values()), USABLE * source.continuous_a
    terms = " + ".join(f"{current_a:g}" for current_a in known_a.values())
    sum_said = f"{terms} = {total_a:.4g} A" if len(known_a) > 1 else f"{total_a:.4g} A"
    draw = (
        f"{format_list([*known_a])} {verb(len(known_a), 'draws', 'draw')} {sum_said}"
        if known_a
        else ""
    )
    rating = f"{source.continuous_a:g} A of {source.said}"
    if total_a > usable_a:
        over = total_a > source.continuous_a
        reached = "more than the" if over else f"more than {USABLE:.0%} of the"
        return breaks(
            f"With all devices held fast, {draw}. That is {reached} {rating}.",
            "Take a source for more current, or give the strongest devices their own supply. "
            "Their ground stays joined to the receiver's.",
            [source.path],
        )
    if missing:
        return unknown(
            f"{draw[:1].upper()}{draw[1:] or 'No current is stated'}. What {format_list(missing)} "
            f"{verb(len(missing), 'draws', 'draw')} from the {rating} is not stated.",
            'State stall_a or draws_a, or supplied_by = "outside" for what has its own supply.',
            [source.path],
        )
    return meets(
        f"With all devices held fast, {draw}. That is within {USABLE:.0%} of the {rating}."
    )


def stated_currents(sheet: BenchSheet) -> tuple[dict[str, float], list[str]]:
    """Gather the currents drawn from the receiver's power rail, and who draws an unknown one."""
    known_a: dict[str, float] = {}
    missing: list[str] = []
    receiver_a = sheet.receiver.draws_a
    if receiver_a is None:
        missing.append("the receiver itself")
    else:
        known_a["the receiver itself"] = receiver_a
    for device in sheet.devices:
        if _own_supply(device):
            continue
        current_a = device.draws_a if device.stall_a is None else device.stall_a
        if current_a is None:
            missing.append(named(device))
        else:
            known_a[named(device)] = current_a
    return known_a, missing


def _own_supply(device: BenchChannel) -> bool:
    return bool(device.supplied_by == "outside" or device.feeds_5v or device.signal_and_ground_only)


@_rule(
    "link protocol",
    "Transmitter and receiver have the same link protocol.",
    "They can only be bound to each other if they speak the same one.",
    "common practice",
)
def judge_protocol(sheet: BenchSheet) -> Judgement:
    """Compare the stated link protocols."""
    return _compare("protocol", sheet.transmitter.protocol, sheet.receiver.protocol)


@_rule(
    "radio band",
    "Transmitter and receiver use the same radio band.",
    "A receiver hears nothing outside its own band.",
    "common practice",
)
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


@_rule(
    "enough outputs",
    "The receiver has an output for each function: two for a tank drive, one per weapon and "
    "per servo.",
    "A function without an output cannot be steered; tank drive plus weapon takes at least three.",
    "common practice",
    of_devices=True,
)
def _judge_enough(sheet: BenchSheet) -> Judgement:
    outputs, needed = sheet.receiver.outputs, outputs_needed(sheet)
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
            f"How many outputs the receiver {format_list(others)} has is not stated.",
            "Count its rows of pins for servos, and the devices on it.",
        )
    return meets(f"The functions need {_count(needed)}, and the receiver has {outputs}.")


@_rule(
    "one device an output",
    "No two devices are on one output, unless they do the same and share it by a splitter.",
    "What shares an output gets the same pulses and moves together.",
    "common practice",
    of_devices=True,
)
def _judge_shared(sheet: BenchSheet) -> Judgement:
    shared = {
        f"{output} of {receiver}" if receiver else str(output): group
        for receiver in dict.fromkeys(device.receiver for device in sheet.devices)
        for output, group in devices_by_output(sheet, receiver).items()
        if len(group) > 1
    }
    for output, group in shared.items():
        said = f"{_names(group)} are on output {output}"
        at = _tables(group)
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
            said = _names(group)
            return unknown(
                f"{said} are on output {output}; whether by a splitter is not stated.",
                "State splitter at each of them.",
                _tables(group),
            )
    unstated = [d for d in sheet.devices if d.output is None and not d.no_pin]
    if unstated:
        return unknown(
            f"On which output {_names(unstated)} is, is not stated.",
            "Read the number beside the row of pins and state output.",
            _tables(unstated),
        )
    split = format_list([f"output {output}" for output in shared])
    split = f"; shared by a splitter: {split}" if shared else ""
    return meets(f"Each function has an output of its own{split}.")


def _count(number: int) -> str:
    return "1 output" if number == 1 else f"{number} outputs"


_MEASURE: Final = "The recording of a signal loss shows whether it does so."


@_rule(
    "failsafe stated",
    "For every moving device it is stated what makes it stand still at signal loss.",
    "A robot without a link must stop by itself: event rulebooks demand it. A measurement "
    "must know what counts as standing still.",
    "common practice; the event's rulebook",
    of_devices=True,
)
def _judge_failsafe(sheet: BenchSheet) -> Judgement:
    on_loss = sheet.receiver.on_loss
    moving = [device for device in sheet.devices if _stops(device, on_loss) is False]
    if moving:
        return breaks(
            f'At signal loss the receiver\'s outputs are set to "{on_loss}", and '
            f"{_names(moving)} would keep going.",
            "Weapon removed, wheels off the ground, robot restrained: set the receiver's failsafe "
            "to stop each device. Then record a signal loss.",
            [("receiver",), *(("channels", device.line) for device in moving)],
        )
    unstated = [device for device in sheet.devices if _stops(device, on_loss) is None]
    if unstated:
        return unknown(
            f"What makes {_names(unstated)} stand still at signal loss is not stated.",
            "State no_pulses or stop_us from the device's manual. Or try it: weapon removed, "
            "wheels off the ground, robot restrained.",
            _tables(unstated),
        )
    return meets(
        f"For {_names(sheet.devices)} it is stated what stops each at signal loss. {_MEASURE}"
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


@_rule(
    "signal and ground only",
    "A device whose cable has signal and ground only has a supply of its own.",
    "Without a power wire nothing reaches it from the receiver.",
    "common practice",
    of_devices=True,
)
def _judge_own_supply(sheet: BenchSheet) -> Judgement:
    bare = [device for device in sheet.devices if device.signal_and_ground_only]
    dark = [device for device in bare if device.supplied_by == "receiver"]
    if dark:
        return breaks(
            f"{_bare(dark)}, but {verb(len(dark), 'is', 'are')} stated to run on the receiver's "
            "supply.",
            "Give it a supply of its own, its ground joined to the receiver's.",
            _tables(dark),
        )
    unstated = [device for device in bare if device.supplied_by is None]
    if unstated:
        return unknown(
            f"{_bare(unstated)}, and the supply is not stated.",
            'State supplied_by = "outside" if there is one, its ground joined to the receiver\'s.',
            _tables(unstated),
        )
    open_ = [device for device in sheet.devices if _has_power_wire(device) is None]
    if open_:
        return unknown(
            f"Whether the cable of {_names(open_)} has a power wire is not stated.",
            "Look at the cables and state signal_and_ground_only, or supplied_by.",
            _tables(open_),
        )
    if not bare:
        return meets("Every device has a power wire in its cable or a supply of its own.")
    return meets(f"{_bare(bare)}, and {verb(len(bare), 'is', 'are')} supplied from outside.")


def _bare(devices: list[BenchChannel]) -> str:
    have = verb(len(devices), "has", "have")
    return f"{_names(devices)} {have} signal and ground only"


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


@_rule(
    "signal level",
    "The level at the analyser's inputs is at most what they take.",
    "5 V into an input for 3.3 V can destroy it, and what hangs on it.",
    "the analyser's manual; U R2 / (R1 + R2) for a divider: Ohm's law",
)
def _judge_signal_level(sheet: BenchSheet) -> Judgement:
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


@_rule(
    "ground first",
    "Analyser and receiver share their ground before any signal is connected.",
    "Without it the current returns through the inputs, and levels mean nothing.",
    "common practice",
)
def _judge_ground_first(sheet: BenchSheet) -> Judgement:
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


WIRING_RULES: Final = tuple(_RULES)
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
    return Wiring(sheet, feeds_of(sheet), tuple(_ruling(rule, sheet) for rule in WIRING_RULES))


def _ruling(rule: WiringRule, sheet: BenchSheet) -> Ruling:
    state = "State each device on the receiver as [channels.LINE]."
    lacks_devices = rule.of_devices and not sheet.devices
    found = unknown("The sheet states no device.", state) if lacks_devices else rule.judge(sheet)
    return Ruling(
        rule.name, found.verdict, found.sentence, rule.reason, found.advice, rule.source, found.at
    )
