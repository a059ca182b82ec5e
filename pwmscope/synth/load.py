"""From a TOML file to a Script; keys of the file are the fields of the dataclasses."""

from __future__ import annotations

import dataclasses
import os
import tomllib
import types
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from pwmscope.errors import PwmscopeError
from pwmscope.synth.script import (
    BEHAVIOURS,
    Behaviour,
    Channel,
    Dwell,
    Frame,
    Glitches,
    Interference,
    Load,
    Loss,
    Move,
    Rotor,
    Script,
    ScriptError,
    Sine,
    Supply,
    Sweep,
    Width,
)

_Part = TypeVar("_Part")
_TABLES = (
    "frame", "width", "glitches", "marker", "output", "channel", "loss", "interference", "rotor",
    "supply",
)  # fmt: skip
_MOVES: dict[str, type[Move]] = {"dwell_us": Dwell, "sweep_to_us": Sweep, "sine_us": Sine}


def load_script(path: str | os.PathLike[str]) -> Script:
    """Read a script."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise PwmscopeError(
            f"{os.fspath(path)}: the script cannot be read ({error}); name a TOML file in UTF-8."
        ) from None
    return parse_script(text, source=os.fspath(path))


def parse_script(text: str, *, source: str = "script") -> Script:
    """Read a script from its text.

    Examples
    --------
    >>> script = parse_script('''
    ... duration_s = 4
    ... sample_rate_hz = 1_000_000
    ... seed = 7
    ... frame = { period_us = 20_000 }
    ... [[channel]]
    ... name = "RX1"
    ... moves = [{ dwell_us = 1500, for_s = 2 }, { sweep_to_us = 2000, over_s = 1 }]
    ... ''')
    >>> script.channels[0].moves[1]
    Sweep(sweep_to_us=2000, over_s=1)
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PwmscopeError(f"{source}: this is not TOML ({error}); mend it there.") from None
    plain = {key: value for key, value in table.items() if key not in _TABLES}
    parts: dict[str, Any] = {
        "frame": _make(Frame, _table(table, "frame", source), f"{source}, frame"),
        "width": _make(Width, _table(table, "width", source), f"{source}, width"),
        "glitches": _make(Glitches, _table(table, "glitches", source), f"{source}, glitches"),
        "channels": tuple(
            _channel(entry, f"{source}, channel {i + 1}")
            for i, entry in enumerate(_list(table, "channel", source))
        ),
        "interferences": tuple(
            _interference(entry, f"{source}, interference {i + 1}")
            for i, entry in enumerate(_list(table, "interference", source))
        ),
        "losses": tuple(
            _loss(entry, f"{source}, loss {i + 1}")
            for i, entry in enumerate(_list(table, "loss", source))
        ),
    }
    parts["rotors"] = tuple(
        _make(Rotor, _as_table(entry, f"{source}, rotor {i + 1}"), f"{source}, rotor {i + 1}")
        for i, entry in enumerate(_list(table, "rotor", source))
    )
    parts["supplies"] = tuple(
        _supply(entry, f"{source}, supply {i + 1}")
        for i, entry in enumerate(_list(table, "supply", source))
    )
    for name, key, part in (("marker", "name", "marker"), ("output", "shape", "shape")):
        if name in table:
            inner = _table(table, name, source)
            _refuse_unknown(inner, (key,), f"{source}, {name}")
            if not isinstance(inner.get(key), str):
                raise ScriptError(key, inner.get(key), "text in quotes", place=f"{source}, {name}")
            parts[part] = inner[key]
    return _make(Script, plain, source, parts)


def _supply(entry: object, place: str) -> Supply:
    table = dict(_as_table(entry, place))
    loads = _as_list(table.pop("loads", []), "loads", place)
    made = tuple(
        _make(Load, _as_table(load, f"{place}, load {i + 1}"), f"{place}, load {i + 1}")
        for i, load in enumerate(loads)
    )
    return _make(Supply, table, place, {"loads": made})


def _channel(entry: object, place: str) -> Channel:
    table = dict(_as_table(entry, place))
    made: dict[str, Any] = {}
    if "moves" in table:
        moves = _as_list(table.pop("moves"), "moves", place)
        made["moves"] = tuple(_move(m, f"{place}, move {i + 1}") for i, m in enumerate(moves))
    if "when_lost" in table:
        made["when_lost"] = _behaviour(table.pop("when_lost"), f"{place}, when_lost")
    return _make(Channel, table, place, made)


def _move(entry: object, place: str) -> Move:
    table = _as_table(entry, place)
    for key, kind in _MOVES.items():
        if key in table:
            return _make(kind, table, place)
    raise ScriptError("move", entry, f"a table with one of {', '.join(_MOVES)}", place=place)


def _loss(entry: object, place: str) -> Loss:
    table = dict(_as_table(entry, place))
    made: dict[str, Any] = {}
    if "channels" in table:
        inner = _as_table(table.pop("channels"), f"{place}, channels")
        made["channels"] = {n: _behaviour(b, f"{place}, channels, {n}") for n, b in inner.items()}
    return _make(Loss, table, place, made)


def _interference(entry: object, place: str) -> Interference:
    table = dict(_as_table(entry, place))
    made: dict[str, Any] = {}
    if "lines" in table:
        lines = table.pop("lines")
        if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
            raise ScriptError("lines", lines, "a list of lines' names in quotes", place=place)
        made["lines"] = tuple(lines)
    return _make(Interference, table, place, made)


def _behaviour(entry: object, place: str) -> Behaviour:
    table = dict(_as_table(entry, place))
    name = table.pop("behaviour", None)
    for kind in BEHAVIOURS:
        if kind.behaviour == name:
            return _make(kind, table, place)
    names = ", ".join(f"'{kind.behaviour}'" for kind in BEHAVIOURS)
    raise ScriptError("behaviour", name, f"one of {names}", place=place)


def _make(
    kind: type[_Part],
    table: Mapping[str, object],
    place: str,
    made: Mapping[str, Any] | None = None,
) -> _Part:
    """Build one dataclass from plain values and parts that are built already."""
    hints = get_type_hints(kind)
    fields = {f.name: f for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    parts = dict(made or {})
    # "shape" and "marker" have a table of their own, so they may not stand loose as well.
    open_keys = tuple(key for key in fields if _plain_type(hints[key]) and key not in _TABLES)
    _refuse_unknown(table, (*open_keys, *_TABLES) if kind is Script else open_keys, place)
    for key, value in table.items():
        parts[key] = _plain(key, value, hints[key], place)
    for key, spec in fields.items():
        required = spec.default is dataclasses.MISSING and (
            spec.default_factory is dataclasses.MISSING
        )
        if required and key not in parts:
            raise ScriptError(key, None, "a value for it", place=place)
    try:
        return kind(**parts)
    except ScriptError as error:
        raise error.within(place) from None


def _plain_type(hint: Any) -> tuple[type, ...]:  # noqa: ANN401
    options = get_args(hint) if get_origin(hint) in (types.UnionType, Union) else (hint,)
    return tuple(t for t in options if t in (int, float, bool, str))


def _plain(key: str, value: object, hint: Any, place: str) -> object:  # noqa: ANN401
    wanted = _plain_type(hint)[0]
    if wanted is bool and isinstance(value, bool):
        return value
    if wanted is str and isinstance(value, str):
        return value
    if wanted in (int, float) and isinstance(value, int | float) and not isinstance(value, bool):
        if wanted is float or isinstance(value, int):
            return value
        if value.is_integer():
            return int(value)
    said = {bool: "true or false", str: "text in quotes", int: "a whole number", float: "a number"}
    raise ScriptError(key, value, said[wanted], place=place)


def _refuse_unknown(table: Mapping[str, object], allowed: tuple[str, ...], place: str) -> None:
    for key, value in table.items():
        if key not in allowed:
            said = f"one of the keys {', '.join(allowed)}" if allowed else "no further key here"
            raise ScriptError(key, value, said, place=place)


def _table(table: Mapping[str, object], key: str, source: str) -> Mapping[str, object]:
    return _as_table(table.get(key, {}), f"{source}, {key}")


def _list(table: Mapping[str, object], key: str, source: str) -> list[object]:
    return _as_list(table.get(key, []), key, source)


def _as_table(value: object, place: str) -> Mapping[str, object]:
    if not isinstance(value, dict):
        key = place.rsplit(", ", 1)[-1]
        raise ScriptError(key, value, "a table", place=place.removesuffix(f", {key}"))
    return value


def _as_list(value: object, key: str, place: str) -> list[object]:
    if not isinstance(value, list):
        raise ScriptError(key, value, "a list of tables", place=place)
    return value
