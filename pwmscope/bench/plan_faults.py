"""What is wrong in a capture plan's file, said in our words, with the line it stands on."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from typing import TypeAlias

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from pwmscope.bench.key_lines import statements
from pwmscope.bench.plan import AXES
from pwmscope.bench.plan_model import PlanTable, StepTable
from pwmscope.bench.sheet_units import Allowed
from pwmscope.bench.toml_text import MOST_SHOWN, TomlError, line_of, nearest, short, shown

StepPath: TypeAlias = tuple[str | int, ...]
"""A key with its tables, the steps numbered from 0."""

_Fault: TypeAlias = tuple[StepPath, str, str]
"""The key, what was found there, and what was expected."""


class PlanError(TomlError):
    """A capture plan cannot be used as it stands; the key's step is counted from 1.

    Examples
    --------
    >>> print(PlanError("plan.toml", 4, "step 1, seconds", "the value is -2",
    ...                 "a number of seconds from 0.5 to 600"))
    plan.toml, line 4, step 1, seconds: the value is -2, expected a number of seconds from 0.5 to \
600.
    """


def first_fault(error: ValidationError, text: str, source: str) -> PlanError:
    """Make the error for the fault that stands first in the file.

    Parameters
    ----------
    error : pydantic.ValidationError
        All faults.
    text : str
        The file's text, valid TOML.
    source : str
        The file's name.

    Returns
    -------
    PlanError
    """
    lines = _key_lines(text)
    faults = [_fault_of(details) for details in error.errors(include_url=False)]
    path, found, allowed = min(faults, key=lambda fault: line_of(lines, fault[0]))
    return PlanError(source, line_of(lines, path), _say_key(path), found, allowed)


def fault_at(path: StepPath, found: str, allowed: str, text: str, source: str) -> PlanError:
    """Make the error for what stands at one key.

    Parameters
    ----------
    path : tuple
        The key.
    found, allowed : str
        What is wrong, and what may stand there.
    text, source : str
        The file's text, valid TOML, and its name.

    Returns
    -------
    PlanError
    """
    return PlanError(source, line_of(_key_lines(text), path), _say_key(path), found, allowed)


def _fault_of(details: ErrorDetails) -> _Fault:
    """Say in our words what pydantic found wrong."""
    loc: StepPath = details["loc"]
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
        axis = short(str(loc[3]), MOST_SHOWN)
        found = f"the value is {axis} = {value}"
        if loc[3] not in AXES:
            found = f"there is no axis {axis}{nearest(axis, list(AXES))}"
        return path, found, _allowed(model, key)
    return path, f"the value is {value}", _allowed(model, key)


def _allowed(model: type[StepTable] | type[PlanTable], key: str) -> str:
    field = model.model_fields[key]
    return next(part.text for part in field.metadata if isinstance(part, Allowed))


def _key_lines(text: str) -> dict[StepPath, int]:
    """Find the line of each key."""
    lines: dict[StepPath, int] = {}
    table: StepPath = ()
    step = -1
    for line, statement in statements(text):
        paths = list(_paths(tomllib.loads(statement)))
        heading = statement.lstrip()
        if heading.startswith("["):
            table, paths = max(paths, key=len), [()]
            if table[0] == "steps":
                # A heading such as [[steps]] begins a step, one such as [steps.sticks] does not.
                step += heading.startswith("[[") and len(table) == 2
                table = ("steps", step, *(part for part in table[1:] if part != 0))
        for path in paths:
            lines.setdefault((*table, *path), line)
    return lines


def _paths(value: object, before: StepPath = ()) -> Iterator[StepPath]:
    """List the keys of a table and of the tables in it, lists of tables numbered."""
    parts: Iterator[tuple[str | int, object]] = iter(())
    if isinstance(value, Mapping):
        parts = iter(value.items())
    elif isinstance(value, list):
        parts = iter(enumerate(value))
    for key, inner in parts:
        yield (*before, key)
        yield from _paths(inner, (*before, key))


def _say_key(path: StepPath) -> str:
    """Name a key, its step counted from 1."""
    if len(path) < 2 or not isinstance(path[1], int):
        return short(str(path[0]), 60)
    return ", ".join([f"step {path[1] + 1}", *(short(str(part), 60) for part in path[2:])])
