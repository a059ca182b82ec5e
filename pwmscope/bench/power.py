"""What a wiring rule is, and the rules of power: what feeds the receiver, and whether it can."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from pwmscope.bench.equipment import BenchChannel, BenchSheet
from pwmscope.bench.toml_text import KeyPath
from pwmscope.model import Verdict


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a rule says of one sheet."""

    verdict: Verdict  # `not shown` where the sheet does not state enough
    sentence: str  # The answer for a person
    advice: str = ""  # What to do about it; empty where there is nothing to do
    at: tuple[KeyPath, ...] = ()  # The tables of the sheet that the answer is about


@dataclass(frozen=True, slots=True)
class WiringRule:
    """One rule of wiring."""

    name: str  # Its name
    demands: str  # What it demands, as a sentence
    reason: str  # Why, as a sentence
    source: str  # Where it comes from; "common practice" for a fact of the trade
    judge: Callable[[BenchSheet], Judgement]  # Holds a sheet against it


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


def listed(names: Iterable[str]) -> str:
    """List names in a sentence.

    >>> listed(["RX1", "RX2", "RX3"]), listed(["RX1"])
    ('RX1, RX2 and RX3', 'RX1')
    """
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def verb(count: int, one: str, many: str) -> str:
    """Choose the form of a word by how many it is about.

    >>> verb(1, "draws", "draw"), verb(2, "draws", "draw")
    ('draws', 'draw')
    """
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


def judge_one_source(sheet: BenchSheet) -> Judgement:
    """Count the sources whose power wire is connected to the receiver.

    >>> from pwmscope.bench import parse_sheet
    >>> sheet = parse_sheet('''
    ... [channels]
    ... RX1 = {role = "drive-left", feeds_5v = true}
    ... RX2 = {role = "drive-right", feeds_5v = true}
    ... ''')
    >>> judge_one_source(sheet).sentence
    'Two sources power the receiver at once: RX1 (drive-left) and RX2 (drive-right).'
    """
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
        f"{count} sources power the receiver at once: {listed(feed.said for feed in on)}.",
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
    said = listed(feed.said for feed in open_)
    one = on[0].said if on else "No source"
    verb = "powers" if on else "is stated to power"
    also = " as well" if on else ""
    return unknown(
        f"{one} {verb} the receiver, and whether {said} does{also} is not stated.",
        advice,
        [feed.path for feed in open_],
    )


def judge_receiver_supply(sheet: BenchSheet) -> Judgement:
    """Hold the voltage of what powers the receiver against the receiver's stated range."""
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
        volts = listed(f"{feed.said} with {feed.voltage_v:g} V" for feed in outside)
        return breaks(
            f"Outside {said}: {volts}.",
            f"{_UNPOWERED}, disconnect it from the receiver and take a source of {low_v:g} to "
            f"{high_v:g} V.",
            [feed.path for feed in outside],
        )
    unstated = [feed for feed in on if feed.voltage_v is None]
    if unstated:
        return unknown(
            f"The voltage of {listed(feed.said for feed in unstated)} is not stated.",
            "Read it on the source and state voltage_v.",
            [feed.path for feed in unstated],
        )
    return meets(f"{listed(f'{f.said} gives {f.voltage_v:g} V' for f in on)}, within {said}.")


def judge_current(sheet: BenchSheet) -> Judgement:
    """Hold the sum of all currents against what the one source can give all the time.

    The sum is Kirchhoff's current law at the receiver's power rail: what flows
    out to the devices and into the receiver comes from the source.
    """
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
    draw = f"{listed(known_a)} {verb(len(known_a), 'draws', 'draw')} {sum_said}" if known_a else ""
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
            f"{draw[:1].upper()}{draw[1:] or 'No current is stated'}. What {listed(missing)} "
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


POWER_RULES: Final = (
    WiringRule(
        "one source",
        "Exactly one source powers the receiver.",
        "With none the receiver stays dark. Two regulators on one rail can destroy each other or "
        "the receiver.",
        "common practice",
        judge_one_source,
    ),
    WiringRule(
        "receiver supply",
        "The source's voltage lies within the receiver's stated range; 5 V is usual.",
        "Below its range a receiver restarts in a fight. Above its range the receiver and its "
        "devices can be destroyed.",
        "the receiver's manual; 5 V: common practice",
        judge_receiver_supply,
    ),
    WiringRule(
        "current budget",
        f"All devices held fast draw at most {USABLE:.0%} of the source's continuous current.",
        "An overloaded source lets its voltage fall, and the receiver restarts just when servos "
        "work hardest.",
        f"Kirchhoff's current law; stall currents and {USABLE:.0%}: common practice, from memory",
        judge_current,
    ),
)
