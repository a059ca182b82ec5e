"""A script read from TOML; a recording written as a CSV file, and its truth as JSON beside it."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import os
import tomllib
import types
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import (
    Any,
    BinaryIO,
    Final,
    Literal,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

import numpy as np
import numpy.typing as npt

from pwmscope.errors import PwmscopeError
from pwmscope.model import PS_PER_S, PS_PER_US, IntArray
from pwmscope.output import replace_file
from pwmscope.synth.recording import (
    ChannelLoss,
    ChannelTruth,
    FrameTruth,
    Level,
    Recording,
    RotorTruth,
    SampledLine,
    SupplyTruth,
    Truth,
    sample_instants_ps,
)
from pwmscope.synth.script import (
    BEHAVIOURS,
    SHAPES,
    Behaviour,
    Dwell,
    Loss,
    Move,
    Script,
    ScriptError,
    Shape,
    Sine,
    Sweep,
    stream,
)

_Part = TypeVar("_Part")
_KEYS: Final = {
    "channels": "channel", "interferences": "interference", "losses": "loss", "rotors": "rotor",
    "supplies": "supply", "shape": "output",
}  # fmt: skip
"""A script's lists stand as arrays of tables, each named as one of them."""
_INNER: Final = {"marker": "name", "output": "shape"}
"""Names that stand in a table of their own."""
_MOVES: dict[str, type[Move]] = {"dwell_us": Dwell, "sweep_to_us": Sweep, "sine_us": Sine}
TIME_COLUMN: Final = "time_s"
_BATCH_ROWS: Final = 1 << 18
_ZERO, _COMMA, _NEWLINE, _POINT = b"0,\n."


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
    for name in ("marker", "output"):
        if name in table:
            table[name] = _named(table[name], _INNER[name], f"{source}, {name}")
    return _make(Script, {"frame": {}, "channel": [], **table}, source)


def _named(entry: object, key: str, place: str) -> str:
    """Read a table that holds one name."""
    inner = _as_table(entry, place)
    _refuse_unknown(inner, (key,), place)
    name = inner.get(key)
    if not isinstance(name, str):
        raise ScriptError(key, name, "text in quotes", place=place)
    return name


def _make(kind: type[_Part], table: Mapping[str, object], place: str) -> _Part:
    """Build one dataclass from a table, and what is in it from the tables within."""
    hints = get_type_hints(kind)
    keys = _KEYS if kind is Script else {}
    fields = {keys.get(f.name, f.name): f for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    _refuse_unknown(table, tuple(fields), place)
    parts = {
        fields[key].name: _value(hints[fields[key].name], key, value, place)
        for key, value in table.items()
    }
    for key, field in fields.items():
        defaults = (field.default, field.default_factory)
        if field.name not in parts and defaults == (dataclasses.MISSING,) * 2:
            raise ScriptError(key, None, "a value for it", place=place)
    try:
        return kind(**parts)
    except ScriptError as error:
        raise error.within(place) from None


def _value(hint: Any, key: str, value: object, place: str) -> object:  # noqa: ANN401
    """Read one field: a list of tables or names, tables by name, a table, or a plain value."""
    if get_origin(hint) is tuple:
        inner = get_args(hint)[0]
        if inner is not str:
            entries = enumerate(_as_list(value, key, place), start=1)
            word = {"moves": "move", "loads": "load"}.get(key, key)
            return tuple(_chosen(inner, entry, f"{place}, {word} {n}") for n, entry in entries)
        if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
            raise ScriptError(key, value, "a list of lines' names in quotes", place=place)
        return tuple(value)
    place_in = f"{place}, {key}"
    if get_origin(hint) is Mapping:
        tables = _as_table(value, place_in)
        inner = get_args(hint)[1]
        return {name: _chosen(inner, own, f"{place_in}, {name}") for name, own in tables.items()}
    if _plain_type(hint):
        return _plain(key, value, hint, place)
    return _chosen(hint, value, place_in)


def _chosen(hint: Any, entry: object, place: str) -> object:  # noqa: ANN401
    """Build the part that a table is; of moves and behaviours the one that it names."""
    table = dict(_as_table(entry, place))
    if hint == Move:
        for key, kind in _MOVES.items():
            if key in table:
                return _make(kind, table, place)
        raise ScriptError("move", entry, f"a table with one of {', '.join(_MOVES)}", place=place)
    if hint == Behaviour:
        name = table.pop("behaviour", None)
        known = {each.behaviour: each for each in BEHAVIOURS}
        if name not in known:
            names = ", ".join(f"'{each}'" for each in known)
            raise ScriptError("behaviour", name, f"one of {names}", place=place)
        hint = known[str(name)]
    return _make(hint, table, place)


def _plain_type(hint: Any) -> tuple[type, ...]:  # noqa: ANN401
    if get_origin(hint) is Literal:
        return (str,)
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


def _as_table(value: object, place: str) -> Mapping[str, object]:
    if not isinstance(value, dict):
        key = place.rsplit(", ", 1)[-1]
        raise ScriptError(key, value, "a table", place=place.removesuffix(f", {key}"))
    return value


def _as_list(value: object, key: str, place: str) -> list[object]:
    if not isinstance(value, list):
        raise ScriptError(key, value, "a list of tables", place=place)
    return value


def write(recording: Recording, path: str | os.PathLike[str], shape: Shape | None = None) -> None:
    """Write a recording as CSV.

    The shape is the script's by default: "samples", a row per sample with its time; "changes", a
    row per change with its time, a first row at 0 and a last row at the recording's end; or
    "levels", a row per sample without time. A name that ends in ``.gz`` gives a gzip file without
    a time stamp, so that the same recording gives the same bytes.

    Times are those of the samples, in seconds. Changes carry 12 decimals, each
    instant rounded to the picosecond. Samples carry the fewest decimals, at
    most 12, that give every sample instant of the rate exactly; where none do,
    12, rounded to the picosecond.
    """
    shape = recording.script.shape if shape is None else shape
    if shape not in SHAPES:
        raise ScriptError("shape", shape, f"one of {', '.join(SHAPES)}")
    file = Path(path)

    def fill(out: BinaryIO) -> None:
        for chunk in csv_chunks(recording, shape):
            out.write(chunk)

    replace_file(file, fill, gzipped=file.suffix == ".gz")


def csv_chunks(recording: Recording, shape: Shape) -> Iterator[bytes]:
    """Text of a recording's CSV file, piece by piece.

    >>> from pwmscope.synth import Channel, Dwell, Frame, Script, build
    >>> rx1 = Channel("RX1", (Dwell(1500, 1),), skew_us=3.2)
    >>> recording = build(Script(0.005, 24_000_000, 7, Frame(20_000), (rx1,)))
    >>> print(b"".join(csv_chunks(recording, "changes")).decode(), end="")
    time_s,RX1
    0.000000000000,0
    0.000003208333,1
    0.001503208333,0
    0.005000000000,0
    """
    names = [line.name for line in recording.lines]
    names += [truth.supply.name for truth in recording.truth.supplies]
    yield _header(names if shape == "levels" else [TIME_COLUMN, *names])
    if shape == "changes":
        ends = np.array([0, recording.sample_count - 1], np.int64)
        changes = np.concatenate([ends, *(line.changes for line in recording.lines)])
        yield from _rows(recording, np.unique(changes), 12)
        return
    decimals = None if shape == "levels" else _sample_decimals(recording.script.sample_rate_hz)
    for begin in range(0, recording.sample_count, _BATCH_ROWS):
        end = min(begin + _BATCH_ROWS, recording.sample_count)
        yield from _rows(recording, np.arange(begin, end, dtype=np.int64), decimals)


def _sample_decimals(rate_hz: int) -> int:
    """Count the fewest decimals of a second that give every sample instant exactly, at most 12.

    >>> _sample_decimals(1_000_000), _sample_decimals(500_000), _sample_decimals(24_000_000)
    (6, 6, 12)
    """
    return next((d for d in range(1, 12) if 10**d % rate_hz == 0), 12)


def _header(names: list[str]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(names)
    return text.getvalue().encode()


def _rows(recording: Recording, samples: IntArray, decimals: int | None) -> Iterator[bytes]:
    """Lines of text for the given samples, built as a table of bytes."""
    times_ps = sample_instants_ps(samples, recording.script.sample_rate_hz)
    seconds = times_ps // PS_PER_S
    digits = 0 if decimals is None else len(str(int(seconds[-1])))
    for places in range(min(digits, 1), digits + 1):
        # Rows whose whole seconds have equally many digits are equally long.
        low, high = (0 if places <= 1 else 10 ** (places - 1)), 10**places
        kept = slice(None) if decimals is None else slice(*np.searchsorted(seconds, [low, high]))
        table = _levels(recording.lines, samples[kept])
        if recording.truth.supplies:
            table[:, -1] = _COMMA
            table = np.concatenate([table, _volts(recording, samples[kept])], axis=1)
        if decimals is not None:
            fraction = times_ps[kept] % PS_PER_S // 10 ** (12 - decimals)
            parts = [
                _digits(seconds[kept], places),
                np.full((table.shape[0], 1), _POINT, np.uint8),
                _digits(fraction, decimals),
                np.full((table.shape[0], 1), _COMMA, np.uint8),
                table,
            ]
            table = np.concatenate(parts, axis=1)
        yield table.tobytes()


def _volts(recording: Recording, samples: IntArray) -> npt.NDArray[np.uint8]:
    """Write the readings of the supplies, in volts with three decimals, to the end of each row."""
    script = recording.script
    parts: list[npt.NDArray[np.uint8]] = []
    for truth in recording.truth.supplies:
        # Each batch of rows has a stream of its own, so that any of them can be made alone.
        number = int(samples[0]) if samples.size else 0
        drawn = stream(script.seed, "supply", truth.supply.name, number)
        noise = drawn.standard_normal(samples.size)
        read_mv = truth.millivolts(samples, script.sample_rate_hz, noise)
        point, comma = (np.full((samples.size, 1), mark, np.uint8) for mark in (_POINT, _COMMA))
        parts += [_digits(read_mv // 1000, 1), point, _digits(read_mv % 1000, 3), comma]
    parts[-1] = np.full((samples.size, 1), _NEWLINE, np.uint8)
    return np.concatenate(parts, axis=1)


def _levels(lines: tuple[SampledLine, ...], samples: IntArray) -> npt.NDArray[np.uint8]:
    table = np.full((samples.size, 2 * len(lines)), _COMMA, np.uint8)
    table[:, -1] = _NEWLINE
    for i, line in enumerate(lines):
        passed = np.searchsorted(line.changes, samples, side="right")
        table[:, 2 * i] = _ZERO + ((passed & 1) ^ line.initial_level)
    return table


def _digits(numbers: IntArray, places: int) -> npt.NDArray[np.uint8]:
    table = np.empty((numbers.size, places), np.uint8)
    left = numbers
    for column in range(places - 1, -1, -1):
        left, digit = np.divmod(left, 10)
        table[:, column] = _ZERO + digit
    return table


SCHEMA: Final = 1


def write_truth(recording: Recording, path: str | os.PathLike[str]) -> None:
    """Write the truth of a recording as JSON."""
    text = json.dumps(summarise_truth(recording), indent=2, ensure_ascii=False) + "\n"

    def fill(out: BinaryIO) -> None:
        out.write(text.encode())

    replace_file(Path(path), fill)


def summarise_truth(recording: Recording) -> dict[str, Any]:
    """Summarise the truth of a recording.

    Widths and jitter are in microseconds (rounded to the picosecond), times in seconds. ``asked``
    values are the script's; ``drawn`` values are statistics of what was drawn, exact before
    sampling, and a standard deviation about a known mean divides by n.
    """
    script, truth = recording.script, recording.truth
    return {
        "schema": SCHEMA,
        "title": script.title,
        "synthetic": True,
        "seed": script.seed,
        "duration_s": script.duration_s,
        "sample_rate_hz": script.sample_rate_hz,
        "shape": script.shape,
        "lines": list(script.line_names),
        "marker": script.marker,
        "frames": _frame_truth(truth.frames),
        "width": {
            "asked_jitter_us": truth.width_jitter_us,
            "resolution_us": truth.width_resolution_us,
            "tick_us": truth.width_tick_us,
        },
        "losses": [_loss_truth(loss) for loss in script.losses],
        "channels": {name: _channel_truth(own, truth) for name, own in truth.channels.items()},
        **({"supplies": [_supply_truth(s) for s in truth.supplies]} if truth.supplies else {}),
        **({"rotors": [_rotor_truth(rotor) for rotor in truth.rotors]} if truth.rotors else {}),
    }  # fmt: skip


def _loss_truth(loss: Loss) -> dict[str, Any]:
    told = {"off_s": loss.off_s, "on_s": loss.on_s, "follows_s": _finite(loss.follows_s)}
    return told | ({"marked_late_s": loss.marked_late_s} if loss.marked_late_s else {})


def _supply_truth(truth: SupplyTruth) -> dict[str, Any]:
    return {
        "line": truth.supply.name,
        "open_v": truth.supply.open_v,
        "source_ohm": truth.supply.source_ohm,
        "noise_v": truth.supply.noise_v,
        "sags": [dataclasses.asdict(sag) for sag in truth.sags],
    }


def _rotor_truth(rotor: RotorTruth) -> dict[str, Any]:
    return {
        "line": rotor.name,
        "of": rotor.of,
        "marks": int(rotor.edges_ps.size // 2),
        "top_per_minute": round(rotor.top_per_minute, 3),
        "slow_s": list(rotor.slow_s),
    }


def _plain_truth(part: Level | ChannelLoss) -> dict[str, Any]:
    """Fields of a record, free of the last digits that sums of decimals leave."""
    fields = dataclasses.asdict(part)
    return {k: round(v, 12) if isinstance(v, float) else v for k, v in fields.items()}


def _finite(time_s: float) -> float | None:
    return None if time_s == float("inf") else round(time_s, 12)


def _frame_truth(frames: FrameTruth) -> dict[str, Any]:
    at = np.flatnonzero(frames.missing)
    whole = ~frames.missing
    kept_ps = np.diff(frames.start_ps)[whole[1:] & whole[:-1]]
    return {
        "count": int(frames.nominal_ps.size),
        "first_start_us": _us(frames.nominal_ps[0]),
        "period_us": frames.period_us,
        "asked_start_jitter_us": frames.jitter_us,
        "drawn_start_jitter_us": _rms_us(frames.start_ps - frames.nominal_ps),
        "drawn_mean_period_us": _us(kept_ps.mean()) if kept_ps.size else None,
        "drawn_period_jitter_us": _us(kept_ps.std()) if kept_ps.size else None,
        "missing": [{"frame": int(i), "at_s": round(float(frames.start_ps[i]) / PS_PER_S, 9)}
                    for i in at],
        **_stale_truth(frames),
    }  # fmt: skip


def _stale_truth(frames: FrameTruth) -> dict[str, Any]:
    """List each run of frames that repeat the width before; nothing where there is none."""
    edge = np.flatnonzero(np.diff(frames.stale.astype(np.int8), prepend=0, append=0))
    runs = edge.reshape(-1, 2)
    if not runs.size:
        return {}
    return {
        "stale": [
            {"frame": first, "frames": end - first,
             "at_s": round(float(frames.start_ps[first]) / PS_PER_S, 9)}
            for first, end in runs.tolist()
        ]
    }  # fmt: skip


def _channel_truth(channel: ChannelTruth, truth: Truth) -> dict[str, Any]:
    is_whole = (channel.rise_ps > 0) & (channel.rise_ps + channel.width_ps <= truth.duration_ps)
    whole_ps = channel.width_ps[is_whole]
    return {
        "inverted": channel.inverted,
        "neutral_us": channel.neutral_us,
        "low_us": channel.low_us,
        "high_us": channel.high_us,
        "pulses": int(channel.rise_ps.size),
        "whole_pulses": int(whole_ps.size),
        "drawn_least_width_us": _us(whole_ps.min()) if whole_ps.size else None,
        "drawn_greatest_width_us": _us(whole_ps.max()) if whole_ps.size else None,
        "drawn_width_jitter_us": _rms_us(channel.width_ps - channel.command_ps),
        "levels": [_plain_truth(level) for level in channel.levels],
        "losses": [_plain_truth(loss) for loss in channel.losses],
        "rests_high": [
            {"from_s": round(rise / PS_PER_S, 12), "to_s": round((rise + width) / PS_PER_S, 12)}
            for rise, width in zip(
                channel.rest_rise_ps.tolist(), channel.rest_width_ps.tolist(), strict=True
            )
        ],
        "glitches": [
            {"at_s": round(rise / PS_PER_S, 12), "width_us": _us(width)}
            for rise, width in zip(
                channel.glitch_rise_ps.tolist(), channel.glitch_width_ps.tolist(), strict=True
            )
        ],
    }


def _us(value_ps: float | np.int64) -> float:
    return round(float(value_ps) / PS_PER_US, 6)


def _rms_us(values_ps: IntArray) -> float:
    if not values_ps.size:
        return 0.0
    return _us(float(np.sqrt(np.mean(np.square(values_ps.astype(np.float64))))))
