"""A capture plan as TOML, both ways; a bad one gives one sentence that says why."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Final, TypeAlias

from pydantic import Field, ValidationError
from pydantic_core import ErrorDetails

from pwmscope.bench.plan import AXES, Axis, CapturePlan, Mode, PlanStep
from pwmscope.bench.sheet_model import Allowed, Table, Text, fault_of, toml_schema
from pwmscope.bench.toml_text import (
    MAX_SHOWN,
    MISSING,
    Fault,
    TomlError,
    nearest,
    parse_toml,
    quoted,
    read_toml_text,
    refuse_other_kind,
    short,
    shown,
    toml_error,
)

MAX_STEPS: Final = 500


_PLAIN: Final = r"^[^\x00-\x1f\x7f]*$"
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
        dict[Axis, _Part], Allowed(f"each axis, one of {_AXES}, with a number from -1 to 1")
    ] = Field(
        default_factory=dict,
        description="Where each stick axis is held, from -1 to 1; right and forward are positive. "
        "An axis that is left out rests.",
    )
    hands: Text = Field(default="", description="What the hands do.")
    shows: Text = Field(default="", description="What the step will show.")
    controls: Annotated[
        dict[str, _Part],
        Allowed("each line that a switch or dial moves, with a number from -1 to 1"),
    ] = Field(
        default_factory=dict,
        description="Where switches, dials and buttons stand, by the line that they move.",
    )
    who: Text = Field(default="", description="Who does it: one person, or two.")
    moves: Annotated[list[Axis], Allowed(f"a list of stick axes, each one of {_AXES}")] = Field(
        default_factory=list, description="Stick axes that are kept moving meanwhile."
    )
    transmitter_on: Annotated[bool, Allowed("true or false")] = Field(
        default=True, description="Whether the transmitter is on meanwhile."
    )
    other_memory: Annotated[bool, Allowed("true or false")] = Field(
        default=False,
        description="Whether another model memory is chosen, or another transmitter on instead.",
    )


class PlanTable(Table):
    """The whole plan."""

    robot: Text = Field(default="", description="The robot's name, free text.")
    mode: Annotated[Mode, Allowed("1 or 2")] = Field(
        default=2,
        description="Which axes lie on which stick: 2 has throttle and rudder on the left one, "
        "1 elevator and rudder.",
    )
    marker: Text = Field(
        default="", description="The line that shows whether the transmitter is on."
    )
    within_us: Annotated[
        float, Field(gt=0, le=1000), Allowed("a number of microseconds above 0, at most 1000")
    ] = Field(default=1.0, description="Half-width of the 95 % interval wanted of a width.")
    sample_rate_hz: Annotated[
        float, Field(ge=1000, le=1e11), Allowed("a number of hertz from 1000 to 1e11")
    ] = Field(default=1_000_000.0, description="Least sample rate for that.")
    shows_motion: Annotated[bool, Allowed("true or false")] = Field(
        default=False,
        description="Whether a rotation line shows what turns; it turns in a test box only.",
    )
    steps: Annotated[
        list[StepTable],
        Field(min_length=1, max_length=MAX_STEPS),
        Allowed(f"1 to {MAX_STEPS} tables [[steps]]"),
    ] = Field(description="The steps, one after the other.")


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of a capture plan, as docs/plan.schema.json holds it.

    >>> sorted(plan_schema()["properties"])
    ['marker', 'mode', 'robot', 'sample_rate_hz', 'shows_motion', 'steps', 'within_us']
    """
    return toml_schema(PlanTable, "pwmscope capture plan")


class PlanError(TomlError):
    """A capture plan cannot be used as it stands; the key's step is counted from 1.

    >>> print(PlanError("plan.toml", 4, "step 1, seconds", "the value is -2",
    ...                 "a number of seconds from 0.5 to 600"))
    plan.toml, line 4, step 1, seconds: the value is -2, expected a number of seconds from 0.5 to \
600.
    """


def _fault_of(details: ErrorDetails) -> Fault:
    """Say in our words what pydantic found wrong; of sticks, which axis."""
    fault, loc = fault_of(details, PlanTable), details["loc"]
    if fault.path[-1] != "sticks" or len(loc) < 4:
        return fault
    axis = short(str(loc[3]), MAX_SHOWN)
    lead = f"the value is {axis} = {shown(fault.value)}"
    if loc[3] not in AXES:
        lead = f"there is no axis {axis}{nearest(axis, AXES)}"
    return Fault(fault.path, MISSING, fault.allowed, lead)


MAX_BYTES: Final = 512 * 1024


def load_plan(path: str | os.PathLike[str]) -> CapturePlan:
    r"""Read a capture plan.

    Parameters
    ----------
    path : str or path-like
        A TOML file; its keys are listed in docs/plan.md.

    Returns
    -------
    CapturePlan

    Raises
    ------
    PlanError
        If it is not TOML, or a key is unknown, missing, or its value not allowed.
    PwmscopeError
        If the file cannot be read, or is no plan by its size.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "plan.toml")
    ...     _ = file.write_text("[[steps]]\nname = 'rest'\nseconds = 5\n")
    ...     plan = load_plan(file)
    >>> plan.seconds
    5.0
    """
    text = read_toml_text(
        path, "capture plan", most_bytes=MAX_BYTES, otherwise="name a file that pwmscope plan wrote"
    )
    return parse_plan(text, source=os.fspath(path))


def parse_plan(text: str, *, source: str = "capture plan") -> CapturePlan:
    r"""Read a capture plan from its text.

    >>> parse_plan('[[steps]]\nname = "rest"\nseconds = 3').seconds
    3.0
    """
    lines = "lines such as [[steps]] and name = 'rest'"
    table = parse_toml(text, source, PlanError, deep=lines, lines=lines)
    refuse_other_kind(table, source, "plan")
    try:
        model = PlanTable.model_validate(table)
    except ValidationError as error:
        faults = [_fault_of(details) for details in error.errors(include_url=False)]
        raise toml_error(PlanError, faults, text, source) from None
    steps = tuple(PlanStep(**{**dict(step), "moves": tuple(step.moves)}) for step in model.steps)
    faults = list(_contradictions(steps))
    if faults:
        raise toml_error(PlanError, faults, text, source)
    return CapturePlan(**{**dict(model), "steps": steps})


def plan_toml(plan: CapturePlan) -> str:
    """Write a capture plan as TOML, cautions first, as comments.

    >>> plan = CapturePlan((PlanStep("rest", 3.0, {}), PlanStep("go", 2.0, {"elevator": 1.0})))
    >>> parse_plan(plan_toml(plan)) == plan
    True
    """
    lines = [*(f"# {caution}" for caution in plan.cautions), "", f"robot = {quoted(plan.robot)}"]
    lines += _stated(plan, "mode marker within_us sample_rate_hz shows_motion")
    for step in plan.steps:
        lines += ["", "[[steps]]"]
        lines += _stated(step, "name seconds sticks controls moves")
        lines += ["transmitter_on = false"] * (not step.transmitter_on)
        lines += _stated(step, "other_memory hands shows who")
    return "\n".join(lines) + "\n"


def _stated(of: CapturePlan | PlanStep, keys: str) -> list[str]:
    """Write the keys of a table that state something."""
    values = ((key, getattr(of, key)) for key in keys.split())
    return [f"{key} = {_toml(value)}" for key, value in values if value]


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        names = {key: key if key in AXES else quoted(key) for key in value}
        pairs = (f"{names[key]} = {float(to)!r}" for key, to in value.items())
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, tuple):
        return f"[{', '.join(map(quoted, value))}]"
    return quoted(value) if isinstance(value, str) else str(value).replace("True", "true")


def _contradictions(steps: tuple[PlanStep, ...]) -> Iterator[Fault]:
    if not any(step.transmitter_on for step in steps):
        lead = "it is false in every step"
        yield Fault(("steps", 0, "transmitter_on"), MISSING, "a step with the transmitter on", lead)
    names = [step.name for step in steps]
    for at, name in enumerate(names):
        if name in names[:at]:
            yield Fault(("steps", at, "name"), name, "a name that no step before has")
