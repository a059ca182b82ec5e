"""Bench sheets to begin with: a blank one with every key, and one filled from a few answers."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias, get_args

from pwmscope.bench.equipment import (
    INTO_MIXER,
    MAX_LATE_S,
    MOTORS,
    Control,
    FailsafeIn,
    Level,
    MarkerKind,
    Mixer,
    Role,
)
from pwmscope.bench.toml_text import quoted
from pwmscope.pulses import STANDARD_SERVO

Weapon: TypeAlias = Literal["none", "one way", "both ways"]
WEAPONS: Final[tuple[Weapon, ...]] = get_args(Weapon)
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")

BLANK: Final = """\
# A bench sheet: what is wired to what, and what is expected of it. docs/sheet.md explains each key.
# Take the # off a line and write your own value. What is left out counts as not known.
# Voltages are in volts, currents in amperes, widths in microseconds: numbers without quotes.
#robot = "your robot"
#club = "your club"

[limits]
# Longest time from signal loss until each device stands still. The event's rulebook decides.
#failsafe_s = 2.0
#rulebook = "where that limit stands"
# Longest time from signal loss until a weapon, or a drive, turns slowly by its rotation line.
#weapon_motion_s = 60
#drive_motion_s = 2

# The line that shows whether the transmitter is on.
#[marker]
#line = "tx-on"
# The level that means on: "high" or "low".
#on = "high"
# "switch": the transmitter's own switch drives it. "button": a hand presses it as it switches.
# "light": a sensor over the transmitter's power light; it needs late_s.
#kind = "light"
# How late it may change after the transmitter at most, in seconds; 0.3 for a button if left out.
#late_s = 0.6
# Of a light: how late it is at least, and at most as the transmitter comes on again.
# `pwmscope sheet marker` measures all three.
#late_least_s = 0.4
#back_late_s = 0

[transmitter]
#device = "what it is"
#protocol = "as in its settings"
#band = "2.4 GHz"
# How long it takes to start, in seconds, and whether it starts while sticks are up.
#boot_s = 12
#starts_with_sticks_up = false

[receiver]
#device = "what it is"
#protocol = "as in its manual"
#band = "2.4 GHz"
#outputs = 4
#supply_v = [4.0, 8.4]
#signal_v = 3.3
#draws_a = 0.1
# What its outputs are set to do at signal loss: "pulses stop", "holds last" or "goes to preset".
#on_loss = "goes to preset"
# Where its failsafe is set: in the "transmitter", by its menu, or in the "receiver", by its button.
#failsafe_in = "transmitter"
# The day on which it was last bound; the failsafe check comes after it.
#bound_on = "2026-11-20"

# One table for each source that may power the receiver; exactly one may.
#[sources."left BEC"]
#kind = "BEC in an ESC"
#voltage_v = 5.0
#continuous_a = 3.0
# The channel on whose cable it comes; leave this out for a cable of its own.
#cable = "RX1"
#powers_receiver = true

[analyser]
#device = "what it is"
# Highest voltage that its inputs take.
#input_v = 5.25
#lines = ["RX1", "RX2", "RX3", "RX4", "tx-on"]
#ground_first = true
# A divider before each input, in ohms: towards the signal, towards ground. Or shifted_v, the high
# level behind a level shifter.
#divider_ohm = [10000, 18000]

# One table for each line of the recording, by its name there.
#[channels.RX1]
#role = "drive-left"
#device = "left drive ESC"
#output = 1
#low_us = 1000
#neutral_us = 1500
#high_us = 2000
# The whole width of the band round neutral in which it does not move.
#deadband_us = 60
# What it does without pulses: "stops" or "keeps going".
#no_pulses = "stops"
# The longest time from the last pulse until it stops, in seconds: its manual says, or a test.
#no_pulses_after_s = 0.5
#feeds_5v = true
# Where it has its power from: "receiver" or "outside".
#supplied_by = "outside"
# What one percent of the transmitter's travel setting moves the pulse width, and its direction.
#us_per_percent = 5
#reversed = false
# The one place that mixes the drive: "transmitter", "ESC", "gyro" or "converter". Give channels
# that are mixed behind the receiver the roles "drive-forward" and "drive-turn".
#mixed_in = "transmitter"
# Which ways the motor turns, "one way" or "both ways"; below neutral its ESC may "brake" or
# "reverse".
#turns = "both ways"
#below_neutral = "reverse"

#[channels.RX2]
#role = "drive-right"
#device = "right drive ESC"
#output = 2
#no_pulses = "stops"
#feeds_5v = false
#supplied_by = "outside"

#[channels.RX3]
# A weapon with neutral_us turns both ways.
#role = "weapon"
#device = "weapon ESC"
#output = 3
#no_pulses = "stops"
# Its cable has no power wire.
#signal_and_ground_only = true
#supplied_by = "outside"

#[channels.RX4]
#role = "servo"
#device = "lifter servo"
#output = 4
# The widths at which it stands still.
#stop_us = [1480, 1520]
#supplied_by = "receiver"
# What it draws when held fast, or else what it is stated to draw at most.
#stall_a = 1.2
#draws_a = 0.8
# Whether it shares its output with another device through a splitter.
#splitter = false
# What moves it: a stick axis, a "switch" with 2 or 3 positions, a "dial" or a "button".
#control = "switch"
#positions = 3
# Which receiver it is on, where the robot has several.
#receiver = "second"

# Another name of a line above, in another recording.
#[channels.left]
#role = "drive-left"
#same_device_as = "RX1"

# A relay or switch that cuts the power of what it guards.
#[channels.RX6]
#role = "kill"
#guards = ["RX3"]
#stop_us = [900, 1300]
#no_pulses = "stops"

# A device without a pin to record, as on a board with receiver and ESC in one.
#[channels.board]
#role = "self-righter"
#no_pin = true

# A recorded line with nothing on it.
#[channels.RX5]
#role = "unused"

# A sensor on its 5 V logic output, which sees marks on the weapon pass. Record a powered weapon
# only in the event's or club's closed test box.
#[channels.D6]
#role = "rotation"
#of = "RX3"
#marks_per_turn = 2
#edge = "rising"
# Slower than so many turns a minute counts as slow.
#slow_per_minute = 60

# The receiver's supply, recorded as a voltage, or as the output of a comparator that is low below
# trips_v. probe is 10 for a 10:1 probe.
#[channels.A0]
#role = "supply"
#least_v = 4.0
#probe = 1
#trips_v = 4.5

# Parts of a recording in which one thing was done; `pwmscope stretches` compares their faults.
#[[stretch]]
#name = "motors off"
#from_s = 0
#to_s = 20
"""
"""A sheet with every key but `shifted_v`, which contradicts `divider_ohm`; each is taken back by a
``#`` without a space behind it."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What a person answered about the bench."""

    robot: str  # The robot's name; may be empty
    drive: bool  # Whether it drives on two sides
    weapon: Weapon  # Which way the weapon turns
    servos: int  # Other devices on the receiver
    lines: tuple[str, ...]  # The line of each device, in the order of `roles`
    # The lines whose devices feed 5 V to the receiver; None if that is not known
    feeding: tuple[str, ...] | None
    stopping: tuple[str, ...]  # The lines whose devices are known to stand still without pulses
    # Voltage of a separate source that powers the receiver; None if there is none
    separate_v: float | None
    outputs: int | None  # The receiver's outputs
    failsafe_s: float  # Longest time from signal loss until each device stands still
    marker: str  # The line that shows whether the transmitter is on; may be empty
    # Its level while the transmitter is on; None if that is not known
    marker_on: Level | None = None
    marker_kind: MarkerKind | None = None  # What drives it; None if that is not known
    # For lines of `stopping`, how long the device runs on after its last pulse
    stops_after_s: Mapping[str, float] = field(default_factory=dict)
    # Voltage of USB or another second source beside the first; None if there is none
    second_v: float | None = None
    failsafe_in: FailsafeIn | None = None  # Where the failsafe is set; None if that is not known
    mixer: Mixer | None = None  # What mixes the drive; None if that is not known
    others: tuple[Role, ...] = ()  # Kill channels, self-righters and spare outputs
    # Switches, dials and buttons, by the line that they move
    controls: Mapping[str, Control] = field(default_factory=dict)
    # The lines whose power each kill channel cuts
    guards: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    no_pin: tuple[str, ...] = ()  # Lines of devices without a pin to record
    on_second: tuple[str, ...] = ()  # Lines on a second receiver
    boot_s: float | None = None  # Seconds until the transmitter sends; None if that is not known
    # Whether the transmitter starts while sticks are up; None if that is not known
    starts_with_sticks_up: bool | None = None
    late_s: float | None = None  # Of a light, the most that it may be late; None if not known

    @property
    def roles(self) -> tuple[Role, ...]:
        """The devices' roles, in the order in which they are asked for."""
        return roles_of(
            drive=self.drive, weapon=self.weapon, servos=self.servos, mixer=self.mixer,
            others=self.others,
        )  # fmt: skip


def roles_of(
    *,
    drive: bool,
    weapon: Weapon,
    servos: int,
    mixer: Mixer | None = None,
    others: tuple[Role, ...] = (),
) -> tuple[Role, ...]:
    """List the roles of a robot's devices; an ESC that mixes takes forward and turn.

    >>> roles_of(drive=True, weapon="one way", servos=1)
    ('drive-left', 'drive-right', 'weapon', 'servo')
    """
    drives: tuple[Role, ...] = ("drive-left", "drive-right") if drive else ()
    if drive and mixer == "ESC":
        drives = INTO_MIXER
    weapons: tuple[Role, ...] = () if weapon == "none" else ("weapon",)
    servo: Role = "servo"
    return (*drives, *weapons, *(servo for _ in range(servos)), *others)


def filled_sheet(answers: Answers) -> str:
    """Write a bench sheet from answers; what was not asked stands in it as a comment.

    >>> answers = Answers("Quince", False, "one way", 0, ("RX3",), ("RX3",), (), None, 4, 2.0, "")
    >>> [line for line in filled_sheet(answers).splitlines() if line[:1] not in ("#", "")]
    ... # doctest: +NORMALIZE_WHITESPACE
    ['robot = "Quince"', '[limits]', 'failsafe_s = 2', '[transmitter]', '[receiver]',
     'outputs = 4', '[analyser]', '[channels.RX3]', 'role = "weapon"', 'feeds_5v = true']
    """
    return "\n".join(_lines(answers)) + "\n"


def _lines(answers: Answers) -> Iterator[str]:
    yield "# Written by `pwmscope sheet new`; docs/sheet.md explains each key."
    yield "# Take the # off a line and write your own value. What is left out counts as not known."
    yield f"robot = {quoted(answers.robot)}"
    yield ""
    yield "[limits]"
    yield f"failsafe_s = {answers.failsafe_s:g}"
    yield '#rulebook = "where that limit stands"'
    if answers.marker:
        yield from ("", "[marker]", f"line = {quoted(answers.marker)}")
        on, kind = answers.marker_on, answers.marker_kind
        yield f'on = "{on}"' if on else '#on = "high" # or "low": the level that means on'
        yield f'kind = "{kind}"' if kind else '#kind = "switch" # or "button", pressed by a hand'
        if kind == "light":
            most_s = MAX_LATE_S if answers.late_s is None else answers.late_s
            yield f"late_s = {most_s:g} # the most; `pwmscope plan --marker` leads a calibration"
    else:
        yield from ("", "# The line that shows whether the transmitter is on.", "#[marker]")
        yield from ('#line = "tx-on"', '#on = "high" # or "low"', '#kind = "switch" # or "button"')
    yield from ("", "[transmitter]", '#protocol = "as in its settings"', '#band = "2.4 GHz"')
    boot_s, up = answers.boot_s, answers.starts_with_sticks_up
    yield "#boot_s = 12 # seconds until it sends" if boot_s is None else f"boot_s = {boot_s:g}"
    if up is None:
        yield "#starts_with_sticks_up = false # or true"
    else:
        yield f"starts_with_sticks_up = {'true' if up else 'false'}"
    yield from ("", "[receiver]", '#protocol = "as in its manual"', '#band = "2.4 GHz"')
    outputs = answers.outputs
    unknown = f"#outputs = {max(4, len(answers.lines))}"
    yield unknown if outputs is None else f"outputs = {outputs}"
    yield from ("#supply_v = [4.0, 8.4] # volts", "#signal_v = 3.3 # volts")
    yield "#draws_a = 0.1 # amperes"
    place = answers.failsafe_in
    yield f'failsafe_in = "{place}"' if place else '#failsafe_in = "transmitter" # or "receiver"'
    if answers.separate_v is not None:
        yield from ("", "[sources.separate]", f"voltage_v = {answers.separate_v:g}")
        yield from ("#continuous_a = 3.0 # amperes", "powers_receiver = true")
    if answers.second_v is not None:
        yield from ("", "[sources.second]", '#kind = "USB of the computer"')
        yield from (f"voltage_v = {answers.second_v:g}", "powers_receiver = true")
    yield from ("", "[analyser]", "#input_v = 5.25 # volts", "#ground_first = true")
    for number, (line, role) in enumerate(zip(answers.lines, answers.roles, strict=True), 1):
        yield from _channel(answers, number, line, role)


def _channel(answers: Answers, number: int, line: str, role: Role) -> Iterator[str]:
    feeds = None if answers.feeding is None else line in answers.feeding
    yield from ("", f"[channels.{line if _BARE.fullmatch(line) else quoted(line)}]")
    yield f"role = {quoted(role)}"
    if role != "spare":
        yield '#device = "what it is"'
    yield f"#output = {number} # the receiver's output that it is plugged into"
    if line in answers.on_second:
        yield 'receiver = "second"'
    if role == "spare":
        return
    if line in answers.controls:
        yield f"control = {quoted(answers.controls[line])}"
    if answers.mixer is not None and role.startswith("drive-"):
        yield f"mixed_in = {quoted(answers.mixer)}"
    if line in answers.no_pin:
        yield "no_pin = true"
    if line in answers.guards:
        yield f"guards = [{', '.join(map(quoted, answers.guards[line]))}]"
    if role == "weapon" and answers.weapon == "both ways":
        yield f"neutral_us = {STANDARD_SERVO.neutral_us:g}"
    if role in MOTORS and line not in answers.no_pin:
        is_one_way = role == "weapon" and answers.weapon == "one way"
        band = "[950, 1040]" if is_one_way else "[1470, 1530]"
        yield f"#stop_us = {band} # lowest and highest width at which it stands still, by a test"
    stops = line in answers.stopping
    yield 'no_pulses = "stops"' if stops else '#no_pulses = "stops" # or "keeps going"'
    after_s = answers.stops_after_s.get(line) if stops else None
    seconds = "0.5 # seconds, by its manual or a test" if after_s is None else f"{after_s:g}"
    yield f"{'#' if after_s is None else ''}no_pulses_after_s = {seconds}"
    if feeds:
        yield from ("feeds_5v = true", '#supplied_by = "outside" # as by the robot\'s battery')
        return
    yield "#feeds_5v = false # or true" if feeds is None else "feeds_5v = false"
    yield '#supplied_by = "receiver" # or "outside", and then without stall_a'
    yield "#stall_a = 1.2 # amperes"
