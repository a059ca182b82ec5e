"""What a bench sheet may say: each key with its range, checked by pydantic, and its JSON Schema."""

from __future__ import annotations

from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from pwmscope.bench.common_practice import COMMON_PRACTICE
from pwmscope.bench.equipment import (
    BUTTON_LATE_S,
    LEVELS,
    MARKER_KINDS,
    ON_LOSS,
    Level,
    MarkerKind,
    OnLoss,
)
from pwmscope.bench.roles import NO_PULSES, ROLES, SUPPLIED_BY, NoPulses, Role, SuppliedBy
from pwmscope.bench.sheet_values import (
    Allowed,
    Band,
    Count,
    Current,
    Flag,
    Name,
    Quantity,
    Range,
    Resistance,
    Seconds,
    Text,
    Voltage,
    Width,
    one_of,
)
from pwmscope.pulses import STANDARD_SERVO


class Table(BaseModel):
    """A table of the sheet: no key but its own, each value of exactly its kind."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class LimitsTable(Table):
    """What the measurements are held against."""

    failsafe_s: Annotated[
        float,
        Field(ge=0.05, le=60),
        Allowed("a number of seconds from 0.05 to 60", Quantity("s", 0.05, 60)),
    ] = Field(
        default=COMMON_PRACTICE.failsafe_s,
        description="Longest time in seconds from signal loss until each device stands still. "
        "2 is common practice; the event's rulebook decides.",
    )
    rulebook: Text = Field(default="", description="Where that limit stands, free text.")


class MarkerTable(Table):
    """The line that shows whether the transmitter is on."""

    line: Name = Field(description="Its name in the recording.")
    on: Annotated[Level | None, one_of(LEVELS)] = Field(
        default=None,
        description="The level that means on. Without it, that is not known.",
    )
    kind: Annotated[MarkerKind | None, one_of(MARKER_KINDS)] = Field(
        default=None,
        description='"switch" where the transmitter\'s own switch drives it, "button" where a hand '
        "presses it. Without it, it counts as a button.",
    )
    late_s: Annotated[
        float | None,
        Field(ge=0, le=5),
        Allowed("a number of seconds from 0 to 5", Quantity("s", 0, 5)),
    ] = Field(
        default=None,
        description="How late in seconds it may change after the transmitter does. Without it, "
        f"{BUTTON_LATE_S:g} for a button (common practice) and 0 for a switch.",
    )


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


class ReceiverTable(Table):
    """What the devices are plugged into."""

    device: Text = Field(default="", description="What it is, free text.")
    protocol: Text = Field(
        default="", description="The link protocol it takes; compared with the transmitter's."
    )
    band: Text = Field(default="", description="The radio band; compared with the transmitter's.")
    outputs: Count | None = Field(default=None, description="How many servo outputs it has.")
    supply_v: Annotated[
        Annotated[list[Voltage], Field(min_length=2, max_length=2)] | None,
        Allowed("two numbers of volts from 1 to 60, such as [4.0, 8.4]", Quantity("V", 1, 60)),
    ] = Field(default=None, description="Lowest and highest supply in volts that its maker states.")
    signal_v: Voltage | None = Field(
        default=None, description="Level in volts of a pulse on its signal pins."
    )
    draws_a: Current | None = Field(
        default=None, description="Current in amperes that it draws itself."
    )
    on_loss: Annotated[OnLoss | None, one_of(ON_LOSS)] = Field(
        default=None,
        description="What its outputs are set to do at signal loss. The recording shows whether "
        "they do.",
    )


class SourceTable(Table):
    """A source that may power the receiver."""

    kind: Text = Field(default="", description='What it is, free text, such as "BEC in an ESC".')
    voltage_v: Voltage | None = Field(default=None, description="Its voltage, in volts.")
    continuous_a: Current | None = Field(
        default=None, description="Current in amperes that it gives without end."
    )
    cable: Name | None = Field(
        default=None,
        description="The channel on whose cable it comes. Without it, a cable of its own.",
    )
    powers_receiver: Flag | None = Field(
        default=None,
        description="Whether its power wire is connected to the receiver. Without it, the "
        "channel's feeds_5v says; without either, that is unknown.",
    )


class AnalyserTable(Table):
    """What records the receiver's pins."""

    device: Text = Field(default="", description="What it is, free text.")
    input_v: Voltage | None = Field(
        default=None, description="Highest voltage in volts that its inputs take."
    )
    lines: Annotated[
        Annotated[list[Name], Field(max_length=64)],
        Allowed('a list of at most 64 names of lines, such as ["RX1", "RX2"]'),
    ] = Field(default=[], description="The lines its inputs are on, in the inputs' order.")
    ground_first: Flag | None = Field(
        default=None, description="Whether its ground is connected before any input."
    )
    divider_ohm: Annotated[
        Annotated[list[Resistance], Field(min_length=2, max_length=2)] | None,
        Allowed(
            "two numbers of ohms from 10 to 10000000, towards the signal and towards ground",
            Quantity("ohm", 10, 10_000_000),
        ),
    ] = Field(
        default=None,
        description="Resistors in ohms of the divider before each input: towards the signal, "
        "towards ground.",
    )
    shifted_v: Voltage | None = Field(
        default=None, description="High level in volts behind a level shifter before each input."
    )


class ChannelTable(Table):
    """One line of the recording and the device on it."""

    role: Annotated[Role, one_of(ROLES)] = Field(description="What the line is for.")
    device: Text = Field(default="", description="What is connected to it, free text.")
    low_us: Width = Field(
        default=STANDARD_SERVO.low_us,
        description="Pulse width at the low end of the device's travel.",
    )
    neutral_us: Width | None = Field(
        default=None,
        description="Pulse width at the device's neutral; 1500 by default, but none for a weapon: "
        "a weapon with neutral_us turns both ways and stands still there.",
    )
    high_us: Width = Field(
        default=STANDARD_SERVO.high_us,
        description="Pulse width at the high end of the device's travel.",
    )
    deadband_us: Band | None = Field(
        default=None,
        description="Whole width of the band round neutral in which the device does not move.",
    )
    no_pulses: Annotated[NoPulses | None, one_of(NO_PULSES)] = Field(
        default=None,
        description="What the device does when no pulses come. Without it, that is unknown.",
    )
    no_pulses_after_s: Seconds | None = Field(
        default=None,
        description="Longest time in seconds from the last pulse until the device stands still, "
        "from its manual or measured. Without it, that is unknown.",
    )
    stop_us: Annotated[
        Width | Range | None,
        Allowed(
            "a width in microseconds, or two such as [1480, 1520], from 10 to 10000",
            Quantity("us", 10, 10_000),
        ),
    ] = Field(
        default=None,
        description="The width, or the lowest and the highest, at which the device stands still.",
    )
    feeds_5v: Flag | None = Field(
        default=None,
        description="Whether the device feeds 5 V to the receiver. Without it, that is unknown.",
    )
    output: Count | None = Field(
        default=None,
        description="The receiver's output that the device's cable is on, counted from 1.",
    )
    splitter: Flag | None = Field(
        default=None, description="Whether it shares that output through a splitter."
    )
    same_device_as: Name | None = Field(
        default=None,
        description="The line of this sheet that has the same device, where this line is only "
        "another name for it.",
    )
    supplied_by: Annotated[SuppliedBy | None, one_of(SUPPLIED_BY)] = Field(
        default=None,
        description="Whether the device runs on the receiver's power pins or on a supply of its "
        "own. Without it, that is unknown.",
    )
    signal_and_ground_only: Flag | None = Field(
        default=None, description="Whether its cable has no power wire."
    )
    stall_a: Current | None = Field(
        default=None,
        description="Current in amperes that it draws from the receiver's power pins when held "
        "fast.",
    )
    draws_a: Current | None = Field(
        default=None,
        description="Most current in amperes that it is stated to draw from the receiver's power "
        "pins; taken where stall_a is not stated.",
    )
    us_per_percent: Annotated[
        float | None,
        Field(gt=0, le=100),
        Allowed(
            "a number of microseconds for each percent, above 0, at most 100",
            Quantity("us/%", 0, 100),
        ),
    ] = Field(
        default=None,
        description="Microseconds that one percent of the transmitter's travel setting moves "
        "this channel's pulse width.",
    )
    reversed: Flag | None = Field(
        default=None,
        description="Whether the transmitter's direction setting for this channel is the "
        "reversed one.",
    )


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


ONE_TABLES: Final[dict[str, type[Table]]] = {
    "limits": LimitsTable,
    "marker": MarkerTable,
    "transmitter": TransmitterTable,
    "receiver": ReceiverTable,
    "analyser": AnalyserTable,
}
"""The tables of which the sheet has one."""
NAMED_TABLES: Final[dict[str, type[Table]]] = {"channels": ChannelTable, "sources": SourceTable}
"""The tables of which the sheet has one for each name."""


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

    Examples
    --------
    >>> sorted(sheet_schema()["properties"])
    ['analyser', 'channels', 'club', 'limits', 'marker', 'receiver', 'robot', 'sources', \
'transmitter']
    """
    return toml_schema(SheetTable, "pwmscope bench sheet")


def toml_schema(model: type[Table], title: str) -> dict[str, Any]:
    """Make the JSON Schema of a TOML file."""
    schema = model.model_json_schema(schema_generator=_TomlSchema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": title,
    }
