"""A capture plan as TOML, both ways; a bad one gives one sentence that says why."""

from __future__ import annotations

import difflib
import json
import os
import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from pwmscope.bench.cautions import CAUTIONS
from pwmscope.bench.key_lines import statements
from pwmscope.bench.plan import AXES, CapturePlan, PlanStep
from pwmscope.bench.plan_model import PlanTable, StepTable
from pwmscope.bench.sheet_model import Allowed
from pwmscope.errors import PwmscopeError

MOST_BYTES: Final = 512 * 1024
_MOST_SHOWN: Final = 40
_PLACE: Final = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")

_Path = tuple[str | int, ...]


class PlanError(PwmscopeError):
    """A capture plan cannot be used as it stands.

    Parameters
    ----------
    source : str
        The file, as the person named it.
    line : int
        Line of the file, counted from 1.
    key : str
        The key; empty for the file as a whole.
    found : str
        What is wrong, as a clause.
    allowed : str
        What may stand there, as it reads after the word "expected".

    Examples
    --------
    >>> print(PlanError("plan.toml", 4, "step 1, seconds", "the value is -2",
    ...                 "a number of seconds from 0.5 to 600"))
    plan.toml, line 4, step 1, seconds: the value is -2, expected a number of seconds from 0.5 to \
600.
    """

    def __init__(self, source: str, line: int, key: str, found: str, allowed: str) -> None:
        place = f"{source}, line {line}" + (f", {key}" if key else "")
        super().__init__(f"{place}: {found}, expected {allowed}.")
        self.source = source
        self.line = line
        self.key = key
        self.allowed = allowed


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
    source = os.fspath(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        text = data.decode("utf-8-sig") if len(data) <= MOST_BYTES else None
    except (OSError, UnicodeDecodeError) as error:
        raise PwmscopeError(
            f"{source}: the capture plan cannot be read ({error}); name a TOML file in UTF-8."
        ) from None
    if text is None:
        raise PwmscopeError(
            f"{source}: a capture plan has a few kilobytes of text, this file more than "
            f"{MOST_BYTES // 1024}; name a file that pwmscope plan wrote."
        )
    return parse_plan(text, source=source)


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
    table = _toml(text, source)
    try:
        model = PlanTable.model_validate(table)
    except ValidationError as error:
        lines = _key_lines(text)
        faults = [_fault(details) for details in error.errors(include_url=False)]
        path, found, allowed = min(faults, key=lambda fault: _line(lines, fault[0]))
        raise PlanError(source, _line(lines, path), _say(path), found, allowed) from None
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


def _toml(text: str, source: str) -> dict[str, Any]:
    expected = "lines such as [[steps]] and name = 'rest'"
    try:
        return tomllib.loads(text)
    except RecursionError:
        found = "tables or lists are nested too deeply"
        raise PlanError(source, 1, "", found, "at most three levels") from None
    except ValueError as error:
        # All but a number of thousands of digits is a TOMLDecodeError.
        said = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "a number is too long"
        place = _PLACE.search(said)
        line = int(place[1]) if place and place[1] else text.count("\n") + 1
        column = f" at column {place[2]}" if place and place[2] else ""
        what = said[: place.start()] if place else said
        found = f"this is not TOML ({_short(what, 120)}{column})"
        raise PlanError(source, line, "", found, expected) from None


def _refuse_contradictions(steps: tuple[PlanStep, ...], text: str, source: str) -> None:
    seen: set[str] = set()
    for at, step in enumerate(steps):
        if step.name in seen:
            path: _Path = ("steps", at, "name")
            found, allowed = f"the value is {_shown(step.name)}", "a name that no step before has"
        elif at == 0 and not step.transmitter_on:
            path = ("steps", at, "transmitter_on")
            found, allowed = "the value is false", "a first step with the transmitter on"
        else:
            seen.add(step.name)
            continue
        raise PlanError(source, _line(_key_lines(text), path), _say(path), found, allowed)


def _fault(details: ErrorDetails) -> tuple[_Path, str, str]:
    """Say in our words what pydantic found wrong, with the key's path."""
    loc: _Path = details["loc"]
    in_step = len(loc) > 1 and loc[0] == "steps"
    model = StepTable if in_step else PlanTable
    path = loc[:3] if in_step else loc[:1]
    shown = _shown(details["input"])
    if in_step and len(loc) == 2:
        return path, f"the value is {shown}", "a table of keys, as under [[steps]]"
    if details["type"] == "extra_forbidden":
        keys = list(model.model_fields)
        near = difflib.get_close_matches(str(path[-1]), keys, 1)
        hint = f", of which {near[0]} is the nearest" if near else ""
        found = f"there is no such key, and its value is {shown}"
        return path, found, f"one of the keys {', '.join(keys)}{hint}"
    value = "missing" if details["type"] == "missing" else shown
    if path[-1:] == ("sticks",) and len(loc) > 3:
        near = difflib.get_close_matches(str(loc[3]), AXES, 1)
        value = f"{_short(str(loc[3]), _MOST_SHOWN)} = {shown}"
        if str(loc[3]) not in AXES:
            value = f"there is no axis {_short(str(loc[3]), _MOST_SHOWN)}" + (
                f" ({near[0]} is the nearest)" if near else ""
            )
            return path, value, _allowed(model, "sticks")
    return path, f"the value is {value}", _allowed(model, str(path[-1]))


def _allowed(model: type[StepTable] | type[PlanTable], key: str) -> str:
    field = model.model_fields[key]
    # An alias of a type keeps what is allowed in the field's own metadata.
    return next(part.text for part in field.metadata if isinstance(part, Allowed))


def _key_lines(text: str) -> dict[_Path, int]:
    """Find the line of each key, the steps numbered from 0."""
    lines: dict[_Path, int] = {}
    table: _Path = ()
    step = -1
    for line, statement in statements(text):
        paths = list(_paths(tomllib.loads(statement)))
        if statement.lstrip().startswith("["):
            name = max(paths, key=len)
            if name[:1] == ("steps",):
                step += statement.lstrip().startswith("[[") and len(name) <= 2
                name = ("steps", step, *(part for part in name[1:] if part != 0))
            table, paths = name, [()]
        for path in paths:
            lines.setdefault((*table, *path), line)
    return lines


def _paths(value: object, before: _Path = ()) -> Iterator[_Path]:
    """List the keys of a table and of the tables in it, lists of tables numbered."""
    parts: Iterator[tuple[str | int, object]] = iter(())
    if isinstance(value, Mapping):
        parts = iter(value.items())
    elif isinstance(value, list):
        parts = iter(enumerate(value))
    for key, inner in parts:
        yield (*before, key)
        yield from _paths(inner, (*before, key))


def _line(lines: Mapping[_Path, int], path: _Path) -> int:
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def _say(path: _Path) -> str:
    """Name a key, its step counted from 1."""
    parts = (
        [f"step {path[1] + 1}" if path[0] == "steps" and isinstance(path[1], int) else ""]
        if (len(path) > 1)
        else []
    )
    parts += [_short(str(part), 60) for part in (path[2:] if parts else path)]
    return ", ".join(part for part in parts if part)


def _shown(value: object) -> str:
    said = str(value) if isinstance(value, float) else json.dumps(value, default=str)
    return _short(said, _MOST_SHOWN)


def _short(text: str, most: int) -> str:
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) <= most else plain[: most - 3] + "..."
