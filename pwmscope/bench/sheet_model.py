"""What a bench sheet may say: each key with its range, checked by pydantic, which stays inside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final, TypeAlias

from pydantic import BaseModel, ConfigDict, Field
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from pwmscope.bench.limits import COMMON_PRACTICE
from pwmscope.bench.roles import NO_PULSES, ROLES, NoPulses, Role
from pwmscope.bench.sheet import LEVELS, Level
from pwmscope.pulses import STANDARD_SERVO


@dataclass(frozen=True, slots=True)
class Allowed:
    """What may stand at a key, as it reads after the word "expected"."""

    text: str


def _one_of(names: tuple[str, ...]) -> Allowed:
    return Allowed("one of " + ", ".join(f'"{name}"' for name in names))


_Text: TypeAlias = Annotated[
    str,
    Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("text in quotes, on one line, of at most 200 characters"),
]
_Name: TypeAlias = Annotated[
    str,
    Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("the name of a line of the recording, in quotes"),
]
_Width: TypeAlias = Annotated[
    float, Field(ge=10, le=10_000), Allowed("a number of microseconds from 10 to 10000")
]
_Band: TypeAlias = Annotated[
    float, Field(gt=0, le=10_000), Allowed("a number of microseconds above 0, at most 10000")
]
_Flag: TypeAlias = Annotated[bool, Allowed("true or false")]
_Range: TypeAlias = Annotated[list[_Width], Field(min_length=2, max_length=2)]


class Table(BaseModel):
    """A table of the sheet: no key but its own, each value of exactly its kind."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class LimitsTable(Table):
    """What the measurements are held against."""

    failsafe_s: Annotated[
        float, Field(ge=0.05, le=60), Allowed("a number of seconds from 0.05 to 60")
    ] = Field(
        default=COMMON_PRACTICE.failsafe_s,
        description="Longest time in seconds from signal loss until each device stands still. "
        "2 is common practice; the event's rulebook decides.",
    )
    rulebook: _Text = Field(default="", description="Where that limit stands, free text.")


class MarkerTable(Table):
    """The line that shows whether the transmitter is on."""

    line: _Name = Field(description="Its name in the recording.")
    on: Annotated[Level | None, _one_of(LEVELS)] = Field(
        default=None,
        description="The level that means on. Without it, the level at the recording's start.",
    )


class ChannelTable(Table):
    """One line of the recording and the device on it."""

    role: Annotated[Role, _one_of(ROLES)] = Field(description="What the line is for.")
    device: _Text = Field(default="", description="What is connected to it, free text.")
    low_us: _Width = Field(
        default=STANDARD_SERVO.low_us,
        description="Pulse width at the low end of the device's travel.",
    )
    neutral_us: _Width | None = Field(
        default=None,
        description="Pulse width at the device's neutral; 1500 by default, but none for a weapon: "
        "a weapon with neutral_us turns both ways and stands still there.",
    )
    high_us: _Width = Field(
        default=STANDARD_SERVO.high_us,
        description="Pulse width at the high end of the device's travel.",
    )
    deadband_us: _Band | None = Field(
        default=None,
        description="Whole width of the band round neutral in which the device does not move.",
    )
    no_pulses: Annotated[NoPulses | None, _one_of(NO_PULSES)] = Field(
        default=None,
        description="What the device does when no pulses come. Without it, that is unknown.",
    )
    stop_us: Annotated[
        _Width | _Range | None,
        Allowed("a width in microseconds, or two such as [1480, 1520], from 10 to 10000"),
    ] = Field(
        default=None,
        description="The width, or the lowest and the highest, at which the device stands still.",
    )
    feeds_5v: _Flag | None = Field(
        default=None,
        description="Whether the device feeds 5 V to the receiver. Without it, that is unknown.",
    )


class SheetTable(Table):
    """The whole sheet."""

    robot: _Text = Field(default="", description="The robot's name, free text.")
    club: _Text = Field(default="", description="Whose it is, free text.")
    limits: LimitsTable = Field(default_factory=LimitsTable)
    marker: MarkerTable | None = None
    channels: dict[str, ChannelTable] = Field(
        default_factory=dict, description="The lines of the recording, each by its name."
    )


ONE_TABLES: Final[dict[str, type[Table]]] = {"limits": LimitsTable, "marker": MarkerTable}
"""The tables of which the sheet has one; `channels` holds one for each line."""


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
    ['channels', 'club', 'limits', 'marker', 'robot']
    """
    schema = SheetTable.model_json_schema(schema_generator=_TomlSchema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "pwmscope bench sheet",
    }
