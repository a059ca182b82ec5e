"""A capture plan as TOML, both ways; a bad one gives one sentence that says why."""

from __future__ import annotations

import json
import os
from typing import Final

from pydantic import ValidationError

from pwmscope.bench.cautions import CAUTIONS
from pwmscope.bench.plan import CapturePlan, PlanStep
from pwmscope.bench.plan_faults import PlanError, StepPath, fault_at, first_fault
from pwmscope.bench.plan_model import PlanTable
from pwmscope.bench.toml_text import parse_toml, read_toml_text, shown

MOST_BYTES: Final = 512 * 1024


def load_plan(path: str | os.PathLike[str]) -> CapturePlan:
    """Read a capture plan.

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
    """
    text = read_toml_text(
        path,
        "capture plan",
        most_bytes=MOST_BYTES,
        otherwise="name a file that pwmscope plan wrote",
    )
    return parse_plan(text, source=os.fspath(path))


def parse_plan(text: str, *, source: str = "capture plan") -> CapturePlan:
    r"""Read a capture plan from its text.

    Parameters
    ----------
    text : str
        TOML.
    source : str
        The file's name, for messages.

    Returns
    -------
    CapturePlan

    Raises
    ------
    PlanError
        As `load_plan`.

    Examples
    --------
    >>> parse_plan('[[steps]]\nname = "rest"\nseconds = 3').seconds
    3.0
    """
    lines = "lines such as [[steps]] and name = 'rest'"
    table = parse_toml(text, source, PlanError, deep=lines, lines=lines)
    try:
        model = PlanTable.model_validate(table)
    except ValidationError as error:
        raise first_fault(error, text, source) from None
    steps = tuple(
        PlanStep(s.name, s.seconds, dict(s.sticks), s.hands, s.shows, s.transmitter_on)
        for s in model.steps
    )
    _refuse_contradictions(steps, text, source)
    return CapturePlan(
        steps, model.robot, model.mode, model.marker, model.within_us, model.sample_rate_hz
    )


def plan_toml(plan: CapturePlan) -> str:
    """Write a capture plan as TOML, cautions first, as comments.

    Parameters
    ----------
    plan : CapturePlan
        The plan.

    Returns
    -------
    str
        `parse_plan` gives the same plan again.

    Examples
    --------
    >>> plan = CapturePlan((PlanStep("rest", 3.0, {}), PlanStep("go", 2.0, {"elevator": 1.0})))
    >>> parse_plan(plan_toml(plan)) == plan
    True
    """
    told = [*(f"# {caution}" for caution in CAUTIONS), ""]
    told += [f"robot = {_quoted(plan.robot)}", f"mode = {plan.mode}"]
    if plan.marker:
        told.append(f"marker = {_quoted(plan.marker)}")
    told += [f"within_us = {plan.within_us!r}", f"sample_rate_hz = {plan.sample_rate_hz!r}"]
    for step in plan.steps:
        told += ["", "[[steps]]", f"name = {_quoted(step.name)}", f"seconds = {step.seconds!r}"]
        if step.sticks:
            axes = ", ".join(f"{axis} = {float(to)!r}" for axis, to in step.sticks.items())
            told.append(f"sticks = {{ {axes} }}")
        if not step.transmitter_on:
            told.append("transmitter_on = false")
        told += [f"{key} = {_quoted(text)}" for key, text in _texts(step) if text]
    return "\n".join(told) + "\n"


def _texts(step: PlanStep) -> tuple[tuple[str, str], ...]:
    return ("hands", step.hands), ("shows", step.shows)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _refuse_contradictions(steps: tuple[PlanStep, ...], text: str, source: str) -> None:
    seen: set[str] = set()
    for at, step in enumerate(steps):
        if step.name in seen:
            path: StepPath = ("steps", at, "name")
            found, allowed = f"the value is {shown(step.name)}", "a name that no step before has"
        elif at == 0 and not step.transmitter_on:
            path = ("steps", at, "transmitter_on")
            found, allowed = "the value is false", "a first step with the transmitter on"
        else:
            seen.add(step.name)
            continue
        raise fault_at(path, found, allowed, text, source)
