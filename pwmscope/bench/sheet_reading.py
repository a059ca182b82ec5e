"""From a bench sheet's text to a checked `BenchSheet`, or to one sentence that says why not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from pwmscope.bench.contradictions import Fault, find_contradictions
from pwmscope.bench.equipment import (
    Analyser,
    BenchChannel,
    BenchSheet,
    Marker,
    PowerSource,
    Receiver,
    Transmitter,
)
from pwmscope.bench.roles import UNUSED
from pwmscope.bench.sheet_model import (
    NAMED_TABLES,
    ONE_TABLES,
    AnalyserTable,
    ChannelTable,
    MarkerTable,
    ReceiverTable,
    SheetTable,
    Table,
)
from pwmscope.bench.sheet_values import Allowed, likely_meant
from pwmscope.bench.toml_text import (
    KeyPath,
    SheetError,
    format_key,
    key_lines,
    line_of,
    nearest,
    parse_toml,
    short,
    shown,
)
from pwmscope.errors import ArgumentError
from pwmscope.pulses import STANDARD_SERVO

MISSING: Final = object()
"""Stands for the value of a key that is not there."""
_MAX_KEY: Final = 120
_MAX_LISTED: Final = 10
_MAX_ALLOWED: Final = 400


def read_sheet(text: str, source: str) -> BenchSheet:
    """Read a bench sheet from its text."""
    table = parse_toml(
        text,
        source,
        SheetError,
        deep="at most three, such as channels.RX1.role",
        lines="lines such as robot = 'Quince'",
    )
    try:
        model = SheetTable.model_validate(table)
    except ValidationError as error:
        faults = [_fault(details) for details in error.errors(include_url=False)]
        raise _sheet_error(faults, text, source) from None
    sheet = _sheet(model, source)
    faults = list(find_contradictions(sheet, table))
    if faults:
        raise _sheet_error(faults, text, source)
    return sheet


def sheet_of(table: Mapping[str, object]) -> BenchSheet:
    """Make a bench sheet of a table with the keys of docs/sheet.md.

    Parameters
    ----------
    table : mapping
        As TOML would give it; what is not known is left out.

    Raises
    ------
    ArgumentError
        If a key is unknown, missing, contradicted by another or its value not allowed.
    """
    try:
        sheet = _sheet(SheetTable.model_validate(dict(table)), "the table given as sheet")
    except ValidationError as error:
        faults = [_fault(details) for details in error.errors(include_url=False)]
    else:
        faults = list(find_contradictions(sheet, dict(table)))
    if faults:
        first = faults[0]
        key = short(format_key(first.path), _MAX_KEY)
        found = f"a table in which {key} is wrong: {first.lead} {_shown(first.value)}"
        raise ArgumentError("sheet", found, short(first.allowed, _MAX_ALLOWED))
    return sheet


def _sheet(model: SheetTable, source: str) -> BenchSheet:
    return BenchSheet(
        source=source,
        robot=model.robot,
        club=model.club,
        failsafe_s=model.limits.failsafe_s,
        rulebook=model.limits.rulebook,
        marker=_marker(model.marker),
        channels={line: _channel(line, table) for line, table in model.channels.items()},
        transmitter=Transmitter(**dict(model.transmitter)),
        receiver=_receiver(model.receiver),
        sources={name: PowerSource(name, **dict(table)) for name, table in model.sources.items()},
        analyser=_analyser(model.analyser),
    )


def _marker(table: MarkerTable | None) -> Marker | None:
    return None if table is None else Marker(table.line, table.on, table.kind, table.late_s)


def _receiver(table: ReceiverTable) -> Receiver:
    return Receiver(**{**dict(table), "supply_v": _pair(table.supply_v)})


def _analyser(table: AnalyserTable) -> Analyser:
    pair = _pair(table.divider_ohm)
    return Analyser(**{**dict(table), "lines": tuple(table.lines), "divider_ohm": pair})


def _pair(values: list[float] | None) -> tuple[float, float] | None:
    return None if values is None else (values[0], values[1])


def _channel(line: str, table: ChannelTable) -> BenchChannel:
    neutral_us, stop_us = table.neutral_us, table.stop_us
    if neutral_us is None and table.role not in ("weapon", UNUSED):
        neutral_us = STANDARD_SERVO.neutral_us
    if stop_us is not None:
        stop_us = [stop_us, stop_us] if isinstance(stop_us, float) else stop_us
    shaped = {"line": line, "neutral_us": neutral_us, "stop_us": _pair(stop_us)}
    return BenchChannel(**{**dict(table), **shaped})


def _sheet_error(faults: Iterable[Fault], text: str, source: str) -> SheetError:
    """Make the error for the fault that stands first in the file."""
    lines = key_lines(text)
    first = min(faults, key=lambda fault: line_of(lines, fault.path))
    found = f"{first.lead} {_shown(first.value)}"
    key, allowed = short(format_key(first.path), _MAX_KEY), short(first.allowed, _MAX_ALLOWED)
    return SheetError(source, line_of(lines, first.path), key, found, allowed)


def _fault(details: ErrorDetails) -> Fault:
    """Say in our words what pydantic found wrong, with the path of the key as TOML has it."""
    loc = [str(part) for part in details["loc"]]
    # Behind a key pydantic goes on with the list's index or the alternative that it tried.
    path = tuple(loc[: 3 if loc[0] in NAMED_TABLES else 2 if loc[0] in ONE_TABLES else 1])
    model = _table_of(path)
    if model is None or details["type"] == "model_type":
        return Fault(path, details["input"], "a table of keys")
    if details["type"] == "extra_forbidden":
        lead = "there is no such key, and its value is"
        return Fault(path, details["input"], _known(path[-1], list(model.model_fields)), lead)
    value = MISSING if details["type"] == "missing" else details["input"]
    return Fault(path, value, _expected(_allowed(model, path[-1]), value))


def _table_of(path: KeyPath) -> type[Table] | None:
    """Return the table whose key a path names; None for a line or a source itself."""
    if path[0] in NAMED_TABLES and len(path) > 1:
        return NAMED_TABLES[path[0]] if len(path) == 3 else None
    return ONE_TABLES[path[0]] if len(path) == 2 else SheetTable


def _allowed(model: type[Table], key: str) -> Allowed:
    field = model.model_fields[key]
    return next(_found([*field.metadata, field.annotation]), Allowed("a table of keys"))


def _expected(allowed: Allowed, value: object) -> str:
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


def _shown(value: object) -> str:
    return "missing" if value is MISSING else shown(value)
