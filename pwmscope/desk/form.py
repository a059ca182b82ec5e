"""The bench sheet as a form: fields made from the sheet's own schema, and back to a table."""

from __future__ import annotations

import base64
import contextlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from pwmscope.bench import (
    BenchSheet,
    Fault,
    Wiring,
    check_wiring,
    find_faults,
    parse_sheet,
    sheet_of,
    sheet_schema,
    sheet_toml,
)

MAX_ROWS: Final = 64
NAME: Final = "name"
ROWS: Final = ("channels", "sources")
"""The tables of which there may be several, each under a name."""
TABLES: Final = ("limits", "marker", "transmitter", "receiver", "analyser")
_OFTEN: Final = {
    "channels": ("role", "device", "output", "no_pulses", "no_pulses_after_s"),
    "sources": ("voltage_v", "cable", "powers_receiver"),
}
"""The keys of a row that are always seen; the others are behind a fold."""
_LABELS: Final = {
    "failsafe_s": "Must stand still within (s)",
    "rulebook": "Where that stands",
    "line": "Line",
    "on": "Level while on",
    "kind": "Kind",
    "late_s": "Late by at most (s)",
    "late_least_s": "A light: late by at least (s)",
    "back_late_s": "A light: late as it comes on (s)",
    "outputs": "Number of outputs",
    "supply_v": "Supply, lowest and highest (V)",
    "signal_v": "Signal level (V)",
    "draws_a": "Draws (A)",
    "on_loss": "Set to do at signal loss",
    "voltage_v": "Voltage (V)",
    "continuous_a": "Gives without end (A)",
    "cable": "On the cable of line",
    "powers_receiver": "Its power wire reaches the receiver",
    "boot_s": "Sends within (s) of its switch",
    "input_v": "Inputs take at most (V)",
    "lines": "Lines, in the inputs' order",
    "ground_first": "Ground connected first",
    "divider_ohm": "Divider: to signal, to ground (ohm)",
    "shifted_v": "High level behind a shifter (V)",
    "low_us": "Low end (us)",
    "neutral_us": "Neutral (us)",
    "high_us": "High end (us)",
    "deadband_us": "Deadband, whole width (us)",
    "no_pulses": "Without pulses it",
    "no_pulses_after_s": "Stops after at most (s)",
    "stop_us": "Stands still at (us)",
    "feeds_5v": "Feeds 5 V to the receiver",
    "output": "Receiver output",
    "splitter": "Shares its output by a splitter",
    "same_device_as": "Same device as line",
    "supplied_by": "Powered by",
    "signal_and_ground_only": "Cable without power wire",
    "stall_a": "Draws when held fast (A)",
    "us_per_percent": "One percent of travel (us)",
    "reversed": "Direction reversed",
    "weapon_motion_s": "Weapon turns slowly within (s)",
    "drive_motion_s": "Drive turns slowly within (s)",
    "failsafe_in": "Failsafe is set in the",
    "of": "Rotation of line",
    "marks_per_turn": "Marks in a turn",
    "edge": "Edge that is a mark",
    "slow_per_minute": "Slow below (turns a minute)",
    "least_v": "Works from (V)",
    "probe": "Volts for a volt recorded",
    "trips_v": "Comparator trips at (V)",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form."""

    name: str  # As the browser sends it
    key: str  # Of the sheet
    label: str
    kind: str  # choice, truth, number, numbers, names, text, or tables, which the form only keeps
    options: tuple[str, ...]
    help: str
    value: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """Fields that belong together."""

    title: str
    fields: tuple[Field, ...]
    more: tuple[Field, ...] = ()  # Behind a fold
    name: Field | None = None  # Of a row


@dataclass(frozen=True, slots=True)
class Form:
    """A sheet as a form, with what is wrong with it."""

    parts: tuple[Part, ...]
    channels: tuple[Part, ...]
    sources: tuple[Part, ...]
    toml: str
    faults: Mapping[str, str]  # By the field that it is about
    sheet: BenchSheet | None  # None while something is wrong


@cache
def _schema() -> dict[str, Any]:
    return sheet_schema()


@cache
def _kinds(table: str) -> tuple[tuple[str, str, tuple[str, ...], str], ...]:
    """Give key, kind, options and description of each key of a table; "" is the whole sheet's."""
    schema = _schema()
    if table:
        place = schema["properties"][table]
        schema = _found(place.get("additionalProperties", place))
    kinds = []
    for key, about in schema["properties"].items():
        about = _found(about)  # noqa: PLW2901 - what a reference stands for
        if "properties" in about or "additionalProperties" in about:
            continue
        options = tuple(about.get("enum", ()))
        told = about.get("description", "")
        kinds.append((key, _kind_of(about), options, told))
    return tuple(kinds)


def _found(about: dict[str, Any]) -> dict[str, Any]:
    """Follow a schema's reference."""
    for part in (about, *about.get("allOf", ())):
        if "$ref" in part:
            name = part["$ref"].rpartition("/")[2]
            return {**_schema()["$defs"][name], **{k: v for k, v in about.items() if k != "$ref"}}
    return about


def _kind_of(about: dict[str, Any]) -> str:
    kinds = {about.get("type"), *(part.get("type") for part in about.get("anyOf", ()))}
    if "enum" in about:
        return "choice"
    if "array" in kinds:
        items = about.get("items", {})
        if "$ref" in items:
            return "tables"
        return "names" if items.get("type") == "string" else "numbers"
    if "boolean" in kinds:
        return "truth"
    return "number" if kinds & {"number", "integer"} else "text"


def form_of(table: Mapping[str, Any], extra: Mapping[str, int] | None = None) -> Form:
    """Make the form of a table with a sheet's keys, with empty rows after those that it has."""
    return _form(table, {}, [], extra or {})


def read_form(sent: Mapping[str, str], extra: Mapping[str, int] | None = None) -> Form:
    """Make the form of what a browser sent, with each fault beside its field."""
    table, own = _table_of(sent)
    return _form(table, sent, own, extra or {})


def read_text(text: str, source: str) -> dict[str, Any]:
    """Read a sheet's text as a table; raise a `SheetError` where it is none."""
    import tomllib

    parse_sheet(text, source=source)
    return tomllib.loads(text)


def _form(
    table: Mapping[str, Any],
    sent: Mapping[str, str],
    own: list[tuple[str, str]],
    extra: Mapping[str, int],
) -> Form:
    faults: dict[str, str] = {}
    for name, said in own:
        faults.setdefault(name, said)
    rows = {kind: list(table.get(kind, {})) for kind in ROWS}
    named = [(m, name.strip()) for key, name in sent.items() if (m := _ROW_NAME.fullmatch(key))]
    numbers = {(kind, row): i for kind in ROWS for i, row in enumerate(rows[kind])}
    if sent:
        numbers = {(m[1], name): int(m[2]) for m, name in reversed(named) if name}
    for fault in find_faults(table):
        faults.setdefault(_field_of(fault, numbers), _told(fault))
    at = {(kind, number): row for (kind, row), number in numbers.items()}

    def parts_of(kind: str) -> Iterator[Part]:
        shown = max((int(m[2]) + 1 for m, _ in named if m[1] == kind), default=len(rows[kind]))
        for i in range(min(shown + extra.get(kind, 0), MAX_ROWS)):
            name = at.get((kind, i), "")
            values = table.get(kind, {}).get(name, {}) if name else {}
            yield _row(kind, i, name, values, sent, faults=faults)

    return Form(
        tuple(_parts(table, sent, faults)), tuple(parts_of("channels")),
        tuple(parts_of("sources")), sheet_toml(table), faults,
        None if faults else sheet_of(table),
    )  # fmt: skip


_ROW_NAME: Final = re.compile(r"(channels|sources)\.(\d{1,2})\.name")


def _parts(
    table: Mapping[str, Any], sent: Mapping[str, str], faults: Mapping[str, str]
) -> Iterator[Part]:
    titles = {
        "": "Robot", "limits": "Limit", "marker": "Line that shows the transmitter is on",
        "transmitter": "Transmitter", "receiver": "Receiver", "analyser": "Analyser",
    }  # fmt: skip
    for name, title in titles.items():
        values = table.get(name, {}) if name else table
        prefix = f"{name}." if name else ""
        yield Part(title, _fields(name, prefix, values, sent, faults))


def _row(
    kind: str,
    number: int,
    name: str,
    values: Mapping[str, Any],
    sent: Mapping[str, str],
    *,
    faults: Mapping[str, str],
) -> Part:
    prefix = f"{kind}.{number}."
    fields = _fields(kind, prefix, values, sent, faults)
    often = _OFTEN[kind]
    field, noun = f"{prefix}{NAME}", "Line" if kind == "channels" else "Source"
    label = "Name in the recording" if kind == "channels" else "Name"
    named = Field(field, NAME, label, "text", (), "", name or sent.get(field, ""),
                  faults.get(field, ""))  # fmt: skip
    return Part(
        f"{noun} {named.value or number + 1}",
        tuple(field for field in fields if field.key in often),
        tuple(field for field in fields if field.key not in often),
        named,
    )


def _fields(
    table: str,
    prefix: str,
    values: Mapping[str, Any],
    sent: Mapping[str, str],
    faults: Mapping[str, str],
) -> tuple[Field, ...]:
    return tuple(
        Field(
            f"{prefix}{key}",
            key,
            _LABELS.get(key, key.replace("_", " ").capitalize()),
            kind,
            ("yes", "no") if kind == "truth" else options,
            told,
            sent.get(f"{prefix}{key}") or _text_of(values.get(key)),
            faults.get(f"{prefix}{key}", ""),
        )
        for key, kind, options, told in _kinds(table)
    )


def _text_of(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list) and any(isinstance(each, dict) for each in value):
        return json.dumps(value)
    if isinstance(value, list):
        return ", ".join(map(_text_of, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _table_of(sent: Mapping[str, str]) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """Read the fields that a browser sent; give the table, and what it cannot hold."""
    table, faults = _filled("", "", sent), []
    table |= {name: inner for name in TABLES if (inner := _filled(name, f"{name}.", sent))}
    for kind in ROWS:
        rows: dict[str, Any] = {}
        for number in range(MAX_ROWS):
            prefix = f"{kind}.{number}."
            name, inner = sent.get(f"{prefix}{NAME}", "").strip(), _filled(kind, prefix, sent)
            if not name and not inner:
                continue
            if not name:
                faults.append((f"{prefix}{NAME}", "This row has values; give it a name."))
            elif name in rows:
                faults.append((f"{prefix}{NAME}", "This name is given twice; choose another."))
            else:
                rows[name] = inner
        if rows:
            table[kind] = rows
    return table, faults


def _filled(table: str, prefix: str, sent: Mapping[str, str]) -> dict[str, Any]:
    return {
        key: _value_of(text, kind)
        for key, kind, _, _ in _kinds(table)
        if (text := sent.get(f"{prefix}{key}", "").strip())
    }


def _value_of(text: str, kind: str) -> object:
    """Read a field; what cannot be read stays text, and the sheet's own rules say why not."""
    if kind == "truth":
        return {"yes": True, "no": False}.get(text, text)
    if kind == "number":
        return _number(text)
    if kind == "numbers":
        found = [_number(part) for part in re.split(r"\s*(?:[,;]\s*|\s+to\s+|\s+)", text)]
        return found if len(found) > 1 else found[0]
    if kind == "tables":
        with contextlib.suppress(ValueError, RecursionError):
            return json.loads(text)
    if kind == "names":
        return [name for part in text.split(",") if (name := part.strip())]
    return text


def _number(text: str) -> object:
    text = text.replace(",", ".") if text.count(",") == 1 else text
    try:
        return int(text) if re.fullmatch(r"[+-]?\d{1,15}", text) else float(text)
    except ValueError:
        return text


def _field_of(fault: Fault, numbers: Mapping[tuple[str, str], int]) -> str:
    """Name the field that a fault is about."""
    path = tuple(map(str, fault.path))
    if path[0] in ROWS and len(path) > 1:
        number = numbers.get((path[0], path[1]), 0)
        return f"{path[0]}.{number}.{path[2] if len(path) > 2 else NAME}"
    return ".".join(path[: 2 if path[0] in TABLES else 1])  # a list's parts share its field


def _told(fault: Fault) -> str:
    said = "".join(c for c in fault.allowed if c.isprintable())
    return f"Expected {said[:300]}."


def example() -> dict[str, Any]:
    """Give the table that a new sheet begins with: two drives, a weapon, a marker line."""
    return {
        "limits": {"failsafe_s": 2.0},
        "marker": {"line": "tx-on"},
        "channels": {
            "RX1": {"role": "drive-left"},
            "RX2": {"role": "drive-right"},
            "RX3": {"role": "weapon"},
        },
    }


def wiring_of(form: Form) -> tuple[Wiring | None, str]:
    """Hold a form's sheet against the wiring rules, and draw it as the address of a picture."""
    from pwmscope.plot import draw_wiring

    if form.sheet is None:
        return None, ""
    wiring = check_wiring(form.sheet)
    drawn = base64.b64encode(draw_wiring(wiring).encode()).decode("ascii")
    return wiring, f"data:image/svg+xml;base64,{drawn}"
