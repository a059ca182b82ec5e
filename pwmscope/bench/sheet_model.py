"""What a bench sheet may say: each key with its range, checked by pydantic, and its JSON Schema."""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final, TypeAlias, TypeGuard, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import ErrorDetails, core_schema

from pwmscope.bench.equipment import (
    BELOW_NEUTRAL,
    BUTTON_LATE_S,
    COMMON_PRACTICE,
    CONTROLS,
    EDGES,
    FAILSAFE_IN,
    LEVELS,
    MARKER_KINDS,
    MIXERS,
    NO_PULSES,
    ON_LOSS,
    ROLES,
    SLOW_PER_MINUTE,
    SUPPLIED_BY,
    TURNS,
    BelowNeutral,
    Control,
    Edge,
    FailsafeIn,
    Level,
    MarkerKind,
    Mixer,
    NoPulses,
    OnLoss,
    Role,
    SuppliedBy,
    Turns,
)
from pwmscope.bench.toml_text import MISSING, Fault, NumberedPath, nearest, nearest_of
from pwmscope.pulses import STANDARD_SERVO

_UNITS: Final = {
    "V": ("V", 1.0), "mV": ("V", 1e-3), "kV": ("V", 1e3), "volt": ("V", 1.0), "volts": ("V", 1.0),
    "A": ("A", 1.0), "mA": ("A", 1e-3), "uA": ("A", 1e-6), "\u03bcA": ("A", 1e-6),
    "amp": ("A", 1.0), "amps": ("A", 1.0), "ampere": ("A", 1.0), "amperes": ("A", 1.0),
    "us": ("us", 1.0), "\u03bcs": ("us", 1.0), "ns": ("us", 1e-3), "ms": ("us", 1e3),
    "s": ("us", 1e6), "sec": ("us", 1e6), "seconds": ("us", 1e6), "min": ("us", 6e7),
    "ohm": ("ohm", 1.0), "ohms": ("ohm", 1.0), "\u03a9": ("ohm", 1.0), "R": ("ohm", 1.0),
    "k": ("ohm", 1e3), "K": ("ohm", 1e3), "kohm": ("ohm", 1e3), "k\u03a9": ("ohm", 1e3),
    "M": ("ohm", 1e6), "Mohm": ("ohm", 1e6), "M\u03a9": ("ohm", 1e6),
    "mAh": ("mAh", 1.0), "Ah": ("mAh", 1e3), "W": ("W", 1.0), "Hz": ("Hz", 1.0),
    "kHz": ("Hz", 1e3), "%": ("%", 1.0), "us/%": ("us/%", 1.0), "\u03bcs/%": ("us/%", 1.0),
}  # fmt: skip
"""Each way of writing a unit: the unit it is measured in here, and how many of that it is."""
_DIMENSIONS: Final = {
    "V": "a voltage", "A": "a current", "us": "a time", "ohm": "a resistance",
    "mAh": "a battery's capacity", "W": "a power", "Hz": "a frequency", "%": "a part of travel",
    "us/%": "a travel setting's step",
}  # fmt: skip
_LIKELY: Final = {
    "V": (("mV", "millivolts", 1e-3),),
    "A": (("mA", "milliamperes", 1e-3),),
    "us": (("ms", "milliseconds", 1e3), ("ns", "nanoseconds", 1e-3), ("s", "seconds", 1e6)),
    "s": (("ms", "milliseconds", 1e-3), ("us", "microseconds", 1e-6)),
    "ohm": (("kohm", "kiloohms", 1e3),),
}
"""What people write instead of each unit."""
_WITH_UNIT: Final = re.compile(r"\s*([-+]?[0-9]{1,12}(?:[.,][0-9]{1,12})?)\s*([^\s0-9.,]{0,10})\s*")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with a unit and its range, both ends included but for a lower end of 0."""

    unit: str
    low: float
    high: float

    def holds(self, number: float) -> bool:
        """Say whether a number lies in the range."""
        return (number > 0 if self.low == 0 else number >= self.low) and number <= self.high


@dataclass(frozen=True, slots=True)
class Allowed:
    """What may stand at a key, as it reads after "expected", and the quantity if it is one."""

    text: str
    quantity: Quantity | None = None
    words: tuple[str, ...] = ()  # The words, where one of some may stand there


_NAMES: Final = {"V": "volts", "A": "amperes", "us": "microseconds", "s": "seconds", "ohm": "ohms"}


def number(unit: str, low: float, high: float) -> Allowed:
    """Say that a number with a unit may stand there, both ends included but for a low end of 0.

    >>> number("V", 1, 60).text, number("A", 0, 500).text
    ('a number of volts from 1 to 60', 'a number of amperes above 0, at most 500')
    """
    span = f"above 0, at most {high:.9g}" if low == 0 else f"from {low:.9g} to {high:.9g}"
    return Allowed(f"a number of {_NAMES[unit]} {span}", Quantity(unit, low, high))


def likely_meant(value: object, quantity: Quantity) -> str:
    """Say as a clause what a value with a wrong or missing unit was likely meant to be.

    >>> likely_meant("500mA", Quantity("A", 0, 1000))
    '; 500mA is 0.5 A, so write 0.5'
    >>> likely_meant(5000, Quantity("V", 1, 60))
    '; if 5000 was meant in millivolts, write 5'
    >>> likely_meant("5 V", Quantity("A", 0, 1000))
    '; 5 V is a voltage'
    """
    if isinstance(value, str):
        return _of_text(value, quantity)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return ""
    for _, name, factor in _LIKELY.get(quantity.unit, ()):
        if abs(value) < 1e12 and quantity.holds(value * factor):
            return f"; if {value:g} was meant in {name}, write {value * factor:g}"
    return ""


def _of_text(text: str, quantity: Quantity) -> str:
    found = _WITH_UNIT.fullmatch(text)
    if found is None:
        return ""
    number = float(found[1].replace(",", "."))
    said = unicodedata.normalize("NFKC", found[2])  # the micro sign becomes mu, the ohm sign omega
    unit, factor = quantity.unit, 1.0
    if said:
        if said not in _UNITS:
            return ""
        unit, factor = _UNITS[said]
        if unit == "us" and quantity.unit == "s":
            unit, factor = "s", factor * 1e-6
    if unit != quantity.unit:
        return f"; {text.strip()} is {_DIMENSIONS[unit]}"
    number *= factor
    if not quantity.holds(number):
        return ""
    if not said:
        return f"; write {number:g} without quotes"
    return f"; {text.strip()} is {number:g} {unit}, so write {number:g}"


def one_of(names: tuple[str, ...]) -> Allowed:
    """Say that one of some words may stand there.

    >>> one_of(("low", "high")).text
    'one of "low", "high"'
    """
    return Allowed("one of " + ", ".join(f'"{name}"' for name in names), words=names)


Text: TypeAlias = Annotated[
    str,
    Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("text in quotes, on one line, of at most 200 characters"),
]
Name: TypeAlias = Annotated[
    str,
    Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("the name of a line of the recording, in quotes"),
]
Width: TypeAlias = Annotated[float, Field(ge=10, le=10_000), number("us", 10, 10_000)]
Band: TypeAlias = Annotated[float, Field(gt=0, le=10_000), number("us", 0, 10_000)]
Voltage: TypeAlias = Annotated[float, Field(ge=1, le=60), number("V", 1, 60)]
Current: TypeAlias = Annotated[float, Field(gt=0, le=500), number("A", 0, 500)]
Resistance: TypeAlias = Annotated[float, Field(ge=10, le=10_000_000), number("ohm", 10, 1e7)]
Count: TypeAlias = Annotated[int, Field(ge=1, le=64), Allowed("a whole number from 1 to 64")]
Seconds: TypeAlias = Annotated[
    float, Field(ge=0, le=60), Allowed("a number of seconds from 0 to 60", Quantity("s", 0, 60))
]
Late: TypeAlias = Annotated[
    float, Field(ge=0, le=5), Allowed("a number of seconds from 0 to 5", Quantity("s", 0, 5))
]
FailsafeLimit: TypeAlias = Annotated[float, Field(ge=0.05, le=60), number("s", 0.05, 60)]
MotionLimit: TypeAlias = Annotated[float, Field(ge=0.05, le=600), number("s", 0.05, 600)]
Flag: TypeAlias = Annotated[bool, Allowed("true or false")]
Range: TypeAlias = Annotated[list[Width], Field(min_length=2, max_length=2)]


def left_out(description: str) -> Any:  # noqa: ANN401 - as `Field`
    """Describe a key that may be left out; what it says is then not known."""
    return Field(default=None, description=description)


class Table(BaseModel):
    """A table of the sheet: no key but its own, each value of exactly its kind."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class LimitsTable(Table):
    """What the measurements are held against."""

    failsafe_s: FailsafeLimit = Field(
        default=COMMON_PRACTICE.failsafe_s,
        description="Longest time in seconds from signal loss until each device stands still. "
        "2 is common practice; the event's rulebook decides.",
    )
    rulebook: Text = Field(default="", description="Where that limit stands, free text.")
    weapon_motion_s: MotionLimit = Field(
        default=COMMON_PRACTICE.weapon_motion_s,
        description="Longest time in seconds from signal loss until a weapon turns slowly, by its "
        "rotation line. 60 is common practice; the event's rulebook decides.",
    )
    drive_motion_s: MotionLimit = Field(
        default=COMMON_PRACTICE.drive_motion_s,
        description="The same for a drive. 2 is common practice; the event's rulebook decides.",
    )


class MarkerTable(Table):
    """The line that shows whether the transmitter is on."""

    line: Name = Field(description="Its name in the recording.")
    on: Annotated[Level | None, one_of(LEVELS)] = left_out(
        "The level that means on. Without it, that is not known."
    )
    kind: Annotated[MarkerKind | None, one_of(MARKER_KINDS)] = left_out(
        '"switch" where the transmitter\'s own switch drives it, "button" where a hand '
        'presses it. "light" is a sensor over its power light. Without it and late_s, no line '
        "meets."
    )
    late_s: Late | None = left_out(
        "How late in seconds it may change at most. Without it, "
        f"{BUTTON_LATE_S:g} for a button (common practice) and 0 for a switch. A light needs it."
    )
    late_least_s: Late | None = left_out(
        "Of a light: how late in seconds it is at least when the transmitter goes off. "
        "With late_s it bounds the delay that a calibration recording shows."
    )
    back_late_s: Late | None = left_out(
        "Of a light: how late in seconds it may be at most when the transmitter is on "
        "again. Without it, late_s."
    )


def _day(text: str) -> str:
    """Refuse a day that no calendar has."""
    datetime.date.fromisoformat(text)
    return text


class TransmitterTable(Table):
    """What the hands hold."""

    device: Text = Field(default="", description="What it is, free text.")
    protocol: Text = Field(
        default="",
        description="The link protocol it is set to, in the words of its manual; compared with "
        "the receiver's.",
    )
    band: Text = Field(
        default="", description='The radio band, such as "2.4 GHz"; compared with the receiver\'s.'
    )
    boot_s: Seconds = Field(
        default=0.0,
        description="Seconds from its switch until it sends, at most. A plan waits so much longer.",
    )
    starts_with_sticks_up: Flag = Field(
        default=True,
        description="Whether it starts when sticks or switches are not at rest. If not, a plan "
        "rests them first.",
    )


class ReceiverTable(Table):
    """What the devices are plugged into."""

    device: Text = Field(default="", description="What it is, free text.")
    protocol: Text = Field(
        default="", description="The link protocol it takes; compared with the transmitter's."
    )
    band: Text = Field(default="", description="The radio band; compared with the transmitter's.")
    outputs: Count | None = left_out("How many servo outputs it has.")
    supply_v: Annotated[
        Annotated[list[Voltage], Field(min_length=2, max_length=2)] | None,
        Allowed("two numbers of volts from 1 to 60, such as [4.0, 8.4]", Quantity("V", 1, 60)),
    ] = left_out("Lowest and highest supply in volts that its maker states.")
    signal_v: Voltage | None = left_out("Level in volts of a pulse on its signal pins.")
    draws_a: Current | None = left_out("Current in amperes that it draws itself.")
    on_loss: Annotated[OnLoss | None, one_of(ON_LOSS)] = left_out(
        "What its outputs are set to do at signal loss. The recording shows whether they do."
    )
    failsafe_in: Annotated[FailsafeIn | None, one_of(FAILSAFE_IN)] = left_out(
        "Where its failsafe is set: in the transmitter's menu or in it."
    )
    bound_on: Annotated[
        Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$"), AfterValidator(_day)] | None,
        Allowed('a day in quotes, such as "2026-11-20"'),
    ] = left_out("Day on which it was last bound; held against the last failsafe check.")


class SourceTable(Table):
    """A source that may power the receiver."""

    kind: Text = Field(default="", description='What it is, free text, such as "BEC in an ESC".')
    voltage_v: Voltage | None = left_out("Its voltage, in volts.")
    continuous_a: Current | None = left_out("Current in amperes that it can give all the time.")
    cable: Name | None = left_out(
        "The channel on whose cable it comes. Without it, a cable of its own."
    )
    powers_receiver: Flag | None = left_out(
        "Whether its power wire is connected to the receiver. Without it, the "
        "channel's feeds_5v says; without either, that is unknown."
    )


class AnalyserTable(Table):
    """What records the receiver's pins."""

    device: Text = Field(default="", description="What it is, free text.")
    input_v: Voltage | None = left_out("Highest voltage in volts that its inputs take.")
    lines: Annotated[
        Annotated[list[Name], Field(max_length=64)],
        Allowed('a list of at most 64 names of lines, such as ["RX1", "RX2"]'),
    ] = Field(default=[], description="The lines its inputs are on, in the inputs' order.")
    ground_first: Flag | None = left_out("Whether its ground is connected before any input.")
    divider_ohm: Annotated[
        Annotated[list[Resistance], Field(min_length=2, max_length=2)] | None,
        Allowed(
            "two numbers of ohms from 10 to 10000000, towards the signal and towards ground",
            Quantity("ohm", 10, 10_000_000),
        ),
    ] = left_out(
        "Resistors in ohms of the divider before each input: towards the signal, towards ground."
    )
    shifted_v: Voltage | None = left_out(
        "High level in volts behind a level shifter before each input."
    )


class ChannelTable(Table):
    """One line of the recording and the device on it."""

    role: Annotated[Role, one_of(ROLES)] = Field(description="What the line is for.")
    device: Text = Field(default="", description="What is connected to it, free text.")
    low_us: Width = Field(
        default=STANDARD_SERVO.low_us,
        description="Pulse width at the low end of the device's travel.",
    )
    neutral_us: Width | None = left_out(
        "Pulse width at the device's neutral: 1500 by default, none for a weapon. A "
        "weapon with neutral_us turns both ways and stands still there."
    )
    high_us: Width = Field(
        default=STANDARD_SERVO.high_us,
        description="Pulse width at the high end of the device's travel.",
    )
    deadband_us: Band | None = left_out(
        "Whole width of the band round neutral in which the device does not move."
    )
    no_pulses: Annotated[NoPulses | None, one_of(NO_PULSES)] = left_out(
        "What the device does without pulses. Left out, that is unknown."
    )
    no_pulses_after_s: Seconds | None = left_out(
        "Longest time in seconds from the last pulse until the device stands still, "
        "from its manual or measured. Without it, that is unknown."
    )
    stop_us: Annotated[
        Width | Range | None,
        Allowed(
            "a width in microseconds, or two such as [1480, 1520], from 10 to 10000",
            Quantity("us", 10, 10_000),
        ),
    ] = left_out("The width, or the lowest and the highest, at which the device stands still.")
    feeds_5v: Flag | None = left_out(
        "Whether the device feeds 5 V to the receiver. Without it, that is unknown."
    )
    output: Count | None = left_out(
        "The receiver's output that the device's cable is on, counted from 1."
    )
    splitter: Flag | None = left_out("Whether it shares that output through a splitter.")
    same_device_as: Name | None = left_out(
        "The line of this sheet that has the same device, where this line is only "
        "another name for it."
    )
    supplied_by: Annotated[SuppliedBy | None, one_of(SUPPLIED_BY)] = left_out(
        "Whether the device runs on the receiver's power pins or on a supply of its "
        "own. Without it, that is unknown."
    )
    signal_and_ground_only: Flag | None = left_out("Whether its cable has no power wire.")
    stall_a: Current | None = left_out(
        "Current in amperes that it draws from the receiver's power pins when held fast."
    )
    draws_a: Current | None = left_out(
        "Its most stated current from the receiver's power pins, in amperes. Taken "
        "where stall_a is not stated."
    )
    us_per_percent: Annotated[
        float | None,
        Field(gt=0, le=100),
        Allowed(
            "a number of microseconds for each percent, above 0, at most 100",
            Quantity("us/%", 0, 100),
        ),
    ] = left_out(
        "Microseconds that one percent of the transmitter's travel setting moves "
        "this channel's pulse width."
    )
    reversed: Flag | None = left_out(
        "Whether the transmitter's direction setting for this channel is the reversed one."
    )
    of: Name | None = left_out("Of a rotation line: the line of the drive or weapon that turns.")
    marks_per_turn: Annotated[
        int | None, Field(ge=1, le=1000), Allowed("a whole number from 1 to 1000")
    ] = left_out(
        "Of a rotation line: marks that pass the sensor in each turn. Without it, "
        "times are told and no speed."
    )
    edge: Annotated[Edge, one_of(EDGES)] = Field(
        default="rising", description="Of a rotation line: the edge that is a mark."
    )
    slow_per_minute: Annotated[
        float, Field(ge=1, le=10_000), Allowed("a number of turns a minute from 1 to 10000")
    ] = Field(
        default=SLOW_PER_MINUTE,
        description="Of a rotation line: the device counts as slow when it makes fewer turns a "
        "minute.",
    )
    least_v: Voltage | None = left_out(
        "Of a supply line: the least voltage in volts at which the receiver works. "
        "Without it, the lower one of receiver.supply_v."
    )
    probe: Annotated[
        float,
        Field(ge=0.0001, le=10_000),
        Allowed("a number from 0.0001 to 10000: volts at the pin for each one recorded"),
    ] = Field(
        default=1.0,
        description="Of a supply line: volts at the pin for each volt recorded. A 10:1 probe "
        "has 10; a column in millivolts has 0.001.",
    )
    control: Annotated[Control | None, one_of(CONTROLS)] = left_out(
        "What on the transmitter moves this channel. Without it, the usual: elevator "
        "and aileron for a drive, throttle for a weapon. A kill channel has a switch."
    )
    positions: Annotated[int | None, Field(ge=2, le=3), Allowed("2 or 3")] = left_out(
        "Of a switch: how many positions it has. Without it, 2."
    )
    guards: Annotated[
        Annotated[list[Name], Field(max_length=16)],
        Allowed('a list of at most 16 names of lines, such as ["RX3"]'),
    ] = Field(
        default=[], description="Of a kill channel: the lines of the devices whose power it cuts."
    )
    mixed_in: Annotated[Mixer | None, one_of(MIXERS)] = left_out(
        "The one place that mixes the drive: before this pin for drive-left and "
        "drive-right, behind it for drive-forward and drive-turn. No other place is then advised."
    )
    turns: Annotated[Turns | None, one_of(TURNS)] = left_out(
        "Which ways the motor turns. Without it, both ways for a drive, and one way "
        "for a weapon without neutral_us."
    )
    below_neutral: Annotated[BelowNeutral | None, one_of(BELOW_NEUTRAL)] = left_out(
        "What the ESC does at widths below neutral. Where it brakes there, it stands still."
    )
    receiver: Text = Field(
        default="",
        description="Which receiver it is on, where the robot has several. Empty for the first.",
    )
    no_pin: Flag = Field(
        default=False,
        description="Whether the device has no pin to record. Its kill channel then decides, "
        "or it is not shown.",
    )
    trips_v: Voltage | None = left_out(
        "Of a supply line from a comparator: the voltage in volts below which its output is low."
    )


Instant: TypeAlias = Annotated[
    float,
    Field(ge=0, le=1e7),
    Allowed("a number of seconds from 0 to 1e7", Quantity("s", -1e-9, 1e7)),
]


class StretchTable(Table):
    """A part of the recording in which one thing was done."""

    name: Annotated[
        str,
        Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]*$"),
        Allowed("what was done, in quotes, of at most 60 characters"),
    ] = Field(description='What was done, such as "motors on".')
    from_s: Instant = Field(description="When it began, in seconds of the recording.")
    to_s: Instant = Field(description="When it was over.")


class SheetTable(Table):
    """The whole sheet."""

    robot: Text = Field(default="", description="The robot's name, free text.")
    club: Text = Field(default="", description="Whose it is, free text.")
    limits: LimitsTable = Field(default_factory=LimitsTable)
    marker: MarkerTable | None = None
    transmitter: TransmitterTable = Field(default_factory=TransmitterTable)
    receiver: ReceiverTable = Field(default_factory=ReceiverTable)
    sources: dict[str, SourceTable] = Field(
        default_factory=dict,
        description="The sources that may power the receiver, each by a name of your own.",
    )
    analyser: AnalyserTable = Field(default_factory=AnalyserTable)
    channels: dict[str, ChannelTable] = Field(
        default_factory=dict, description="The lines of the recording, each by its name."
    )
    stretch: Annotated[
        list[StretchTable], Field(max_length=20), Allowed("at most 20 tables [[stretch]]")
    ] = Field(
        default_factory=list,
        description="Parts of the recording whose faults `pwmscope stretches` compares.",
    )


class _TomlSchema(GenerateJsonSchema):
    """JSON Schema without nulls, which TOML does not have, and without invented titles."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        if made.get("default", ...) is None:
            del made["default"]
        return made

    def field_title_should_be_set(self, schema: object) -> bool:
        return False


def sheet_schema() -> dict[str, Any]:
    """Return the JSON Schema of a bench sheet, as docs/sheet.schema.json holds it.

    >>> sorted(sheet_schema()["properties"])
    ['analyser', 'channels', 'club', 'limits', 'marker', 'receiver', 'robot', 'sources', \
'stretch', 'transmitter']
    """
    return toml_schema(SheetTable, "pwmscope bench sheet")


def toml_schema(model: type[Table], title: str) -> dict[str, Any]:
    """Make the JSON Schema of a TOML file."""
    schema = model.model_json_schema(schema_generator=_TomlSchema)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": title}


_MAX_LISTED: Final = 10


def checked(table: Mapping[str, object]) -> SheetTable | list[Fault]:
    """Hold a table against the keys of a sheet; give what is wrong with it, if anything is."""
    try:
        return SheetTable.model_validate(dict(table))
    except ValidationError as error:
        return [fault_of(details, SheetTable) for details in error.errors(include_url=False)]


def fault_of(details: ErrorDetails, model: type[Table]) -> Fault:
    """Say in our words what pydantic found wrong, with the path of the key as TOML has it."""
    path, owner = _owner(model, details["loc"])
    if owner is None or details["type"] == "model_type":
        return Fault(path, details["input"], "a table of keys")
    key = str(path[-1])
    if details["type"] == "extra_forbidden":
        lead = "there is no such key, and its value is"
        return Fault(path, details["input"], _known(key, list(owner.model_fields)), lead)
    value = MISSING if details["type"] == "missing" else details["input"]
    return Fault(path, value, _expected(_allowed(owner, key), value))


def _owner(model: type[Table], loc: NumberedPath) -> tuple[NumberedPath, type[Table] | None]:
    """Find the key at a place, and the table that has it; None for one of several tables itself.

    Behind a key pydantic goes on with the list's index or the alternative that it tried.
    """
    owner, at = model, 0
    while True:
        field = owner.model_fields.get(str(loc[at]))
        kind = None if field is None else field.annotation
        inner = next((t for t in (kind, *get_args(kind)) if _is_table(t)), None)
        is_many = get_origin(kind) in {dict, list}
        if inner is None or len(loc) == at + 1:
            return loc[: at + 1], owner
        at += 1 + is_many
        if len(loc) == at:
            return loc, None
        owner = inner


def _is_table(kind: object) -> TypeGuard[type[Table]]:
    return isinstance(kind, type) and issubclass(kind, Table)


def _allowed(model: type[Table], key: str) -> Allowed:
    field = model.model_fields[key]
    return next(_found([*field.metadata, field.annotation]), Allowed("a table of keys"))


def _expected(allowed: Allowed, value: object) -> str:
    near = nearest_of(value.lower(), allowed.words) if isinstance(value, str) else ""
    if near:
        if len(allowed.words) > _MAX_LISTED:
            return f'"{near}", or another that docs/sheet.md lists'
        return f'{allowed.text}, of which "{near}" is the nearest'
    meant = "" if allowed.quantity is None else likely_meant(value, allowed.quantity)
    return allowed.text + meant


def _found(annotations: Iterable[object]) -> Iterator[Allowed]:
    """Look for what is allowed in a type and, behind it, in the types it is made of."""
    for annotation in annotations:
        if isinstance(annotation, Allowed):
            yield annotation
        else:
            yield from _found([*getattr(annotation, "__metadata__", ()), *get_args(annotation)])


def _known(key: str, keys: list[str]) -> str:
    near = nearest(key, keys)
    listed = "that docs/sheet.md lists" if near and len(keys) > _MAX_LISTED else ", ".join(keys)
    return f"one of the keys {listed}{near}"
