"""What a capture plan's file may say: each key with its range, checked by pydantic."""

from __future__ import annotations

from typing import Annotated, Any, Final, TypeAlias

from pydantic import Field
from pydantic.json_schema import GenerateJsonSchema

from pwmscope.bench.plan import AXES, Axis, Mode
from pwmscope.bench.sheet_model import Table
from pwmscope.bench.sheet_units import Allowed

MOST_STEPS: Final = 500


_PLAIN: Final = r"^[^\x00-\x1f\x7f]*$"
_Text: TypeAlias = Annotated[
    str,
    Field(max_length=200, pattern=_PLAIN),
    Allowed("text in quotes, on one line, of at most 200 characters"),
]
_Part: TypeAlias = Annotated[float, Field(ge=-1, le=1)]
_AXES: Final = ", ".join(AXES)


class StepTable(Table):
    """One step."""

    name: Annotated[
        str,
        Field(min_length=1, max_length=60, pattern=_PLAIN),
        Allowed("a name in quotes, on one line, of at most 60 characters"),
    ] = Field(description="Its name, unique in the plan.")
    seconds: Annotated[
        float, Field(ge=0.5, le=600), Allowed("a number of seconds from 0.5 to 600")
    ] = Field(description="How long it takes.")
    sticks: Annotated[
        dict[Axis, _Part],
        Allowed(f"each axis, one of {_AXES}, with a number from -1 to 1"),
    ] = Field(
        default_factory=dict,
        description="Where each stick axis is held, from -1 to 1; right and forward are positive. "
        "An axis that is left out rests.",
    )
    hands: _Text = Field(default="", description="What the hands do.")
    shows: _Text = Field(default="", description="What the step will show.")
    transmitter_on: Annotated[bool, Allowed("true or false")] = Field(
        default=True, description="Whether the transmitter is on meanwhile."
    )


class PlanTable(Table):
    """The whole plan."""

    robot: _Text = Field(default="", description="The robot's name, free text.")
    mode: Annotated[Mode, Allowed("1 or 2")] = Field(
        default=2,
        description="Which axes lie on which stick: 2 has throttle and rudder on the left one, "
        "1 elevator and rudder.",
    )
    marker: _Text = Field(
        default="", description="The line that shows whether the transmitter is on."
    )
    within_us: Annotated[
        float, Field(gt=0, le=1000), Allowed("a number of microseconds above 0, at most 1000")
    ] = Field(default=1.0, description="Half-width of the 95 % interval wanted of a width.")
    sample_rate_hz: Annotated[
        float, Field(ge=1000, le=1e11), Allowed("a number of hertz from 1000 to 1e11")
    ] = Field(default=1_000_000.0, description="Least sample rate for that.")
    steps: Annotated[
        list[StepTable],
        Field(min_length=1, max_length=MOST_STEPS),
        Allowed(f"1 to {MOST_STEPS} tables [[steps]]"),
    ] = Field(description="The steps, one after the other.")


class _PlainSchema(GenerateJsonSchema):
    """JSON Schema without invented titles."""

    def field_title_should_be_set(self, schema: object) -> bool:
        return False


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of a capture plan, as docs/plan.schema.json holds it.

    Examples
    --------
    >>> sorted(plan_schema()["properties"])
    ['marker', 'mode', 'robot', 'sample_rate_hz', 'steps', 'within_us']
    """
    schema = PlanTable.model_json_schema(schema_generator=_PlainSchema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "pwmscope capture plan",
    }
