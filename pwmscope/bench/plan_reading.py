"""A capture plan as TOML, both ways; a bad one gives one sentence that says why."""

from __future__ import annotations

import os
from typing import Annotated, Any, Final, TypeAlias

from pydantic import Field, ValidationError
from pydantic_core import ErrorDetails

from pwmscope.bench.plan import AXES, Axis, CapturePlan, Mode, PlanStep
from pwmscope.bench.sheet_model import Allowed, Table, Text, toml_schema
from pwmscope.bench.toml_text import (
    MAX_SHOWN,
    NumberedPath,
    TomlError,
    key_lines,
    line_of,
    nearest,
    parse_toml,
    quoted,
    read_toml_text,
    refuse_other_kind,
    short,
    shown,
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


_Fault: TypeAlias = tuple[NumberedPath, str, str]
"""The key, what was found there, and what was expected."""


class PlanError(TomlError):
    """A capture plan cannot be used as it stands; the key's step is counted from 1.

    >>> print(PlanError("plan.toml", 4, "step 1, seconds", "the value is -2",
    ...                 "a number of seconds from 0.5 to 600"))
    plan.toml, line 4, step 1, seconds: the value is -2, expected a number of seconds from 0.5 to \
600.
    """


def _first_fault(error: ValidationError, text: str, source: str) -> PlanError:
    """Make the error for the fault that stands first in the file, valid TOML."""
    lines = key_lines(text)
    faults = [_fault_of(details) for details in error.errors(include_url=False)]
    path, found, allowed = min(faults, key=lambda fault: line_of(lines, fault[0]))
    return PlanError(source, line_of(lines, path), _format_key(path), found, allowed)


def _fault_at(path: NumberedPath, found: str, allowed: str, text: str, source: str) -> PlanError:
    """Make the error for what stands at one key of a file, valid TOML."""
    return PlanError(source, line_of(key_lines(text), path), _format_key(path), found, allowed)


def _fault_of(details: ErrorDetails) -> _Fault:
    """Say in our words what pydantic found wrong."""
    loc: NumberedPath = details["loc"]
    value = shown(details["input"])
    in_step = len(loc) > 1 and loc[0] == "steps"
    model = StepTable if in_step else PlanTable
    path = loc[:3] if in_step else loc[:1]
    key = str(path[-1])
    if in_step and len(loc) == 2:
        return path, f"the value is {value}", "a table of keys, as under [[steps]]"
    if details["type"] == "extra_forbidden":
        found = f"there is no such key, and its value is {value}"
        keys = list(model.model_fields)
        return path, found, f"one of the keys {', '.join(keys)}{nearest(key, keys)}"
    if details["type"] == "missing":
        return path, "the value is missing", _allowed(model, key)
    if key == "sticks" and len(loc) > 3:
        axis = short(str(loc[3]), MAX_SHOWN)
        found = f"the value is {axis} = {value}"
        if loc[3] not in AXES:
            found = f"there is no axis {axis}{nearest(axis, list(AXES))}"
        return path, found, _allowed(model, key)
    return path, f"the value is {value}", _allowed(model, key)


def _allowed(model: type[StepTable] | type[PlanTable], key: str) -> str:
    field = model.model_fields[key]
    return next(part.text for part in field.metadata if isinstance(part, Allowed))


def _format_key(path: NumberedPath) -> str:
    """Name a key, its step counted from 1."""
    if len(path) < 2 or not isinstance(path[1], int):
        return short(str(path[0]), 60)
    return ", ".join([f"step {path[1] + 1}", *(short(str(part), 60) for part in path[2:])])


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
        raise _first_fault(error, text, source) from None
    steps = tuple(
        PlanStep(
            s.name,
            s.seconds,
            dict(s.sticks),
            s.hands,
            s.shows,
            s.transmitter_on,
            other_memory=s.other_memory,
            controls=dict(s.controls),
            who=s.who,
            moves=tuple(s.moves),
        )
        for s in model.steps
    )
    _refuse_contradictions(steps, text, source)
    return CapturePlan(
        steps, model.robot, model.mode, model.marker, model.within_us, model.sample_rate_hz,
        model.shows_motion,
    )  # fmt: skip


def plan_toml(plan: CapturePlan) -> str:
    """Write a capture plan as TOML, cautions first, as comments.

    >>> plan = CapturePlan((PlanStep("rest", 3.0, {}), PlanStep("go", 2.0, {"elevator": 1.0})))
    >>> parse_plan(plan_toml(plan)) == plan
    True
    """
    lines = [*(f"# {caution}" for caution in plan.cautions), ""]
    lines += [f"robot = {quoted(plan.robot)}", f"mode = {plan.mode}"]
    if plan.marker:
        lines.append(f"marker = {quoted(plan.marker)}")
    lines += [f"within_us = {plan.within_us!r}", f"sample_rate_hz = {plan.sample_rate_hz!r}"]
    if plan.shows_motion:
        lines.append("shows_motion = true")
    for step in plan.steps:
        lines += ["", "[[steps]]", f"name = {quoted(step.name)}", f"seconds = {step.seconds!r}"]
        if step.sticks:
            axes = ", ".join(f"{axis} = {float(to)!r}" for axis, to in step.sticks.items())
            lines.append(f"sticks = {{ {axes} }}")
        if step.controls:
            places = ", ".join(f"{quoted(at)} = {float(to)!r}" for at, to in step.controls.items())
            lines.append(f"controls = {{ {places} }}")
        if step.moves:
            lines.append(f"moves = [{', '.join(map(quoted, step.moves))}]")
        if not step.transmitter_on:
            lines.append("transmitter_on = false")
        if step.other_memory:
            lines.append("other_memory = true")
        lines += [f"{key} = {quoted(text)}" for key, text in _texts(step) if text]
    return "\n".join(lines) + "\n"


def _texts(step: PlanStep) -> tuple[tuple[str, str], ...]:
    return ("hands", step.hands), ("shows", step.shows), ("who", step.who)


def _refuse_contradictions(steps: tuple[PlanStep, ...], text: str, source: str) -> None:
    seen: set[str] = set()
    for at, step in enumerate(steps):
        if step.name in seen:
            path: NumberedPath = ("steps", at, "name")
            found, allowed = f"the value is {shown(step.name)}", "a name that no step before has"
        elif at == 0 and not any(each.transmitter_on for each in steps):
            path = ("steps", at, "transmitter_on")
            found, allowed = "it is false in every step", "a step with the transmitter on"
        else:
            seen.add(step.name)
            continue
        raise _fault_at(path, found, allowed, text, source)
