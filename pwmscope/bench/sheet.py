"""The bench sheet: one TOML file that says what is wired to what and what is expected."""

from __future__ import annotations

import datetime
import os
from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np

from pwmscope.bench.equipment import (
    DRIVES,
    INTO_MIXER,
    MOTORS,
    NO_DEVICE,
    NO_NEUTRAL,
    SENSORS,
    STICKS,
    Analyser,
    BenchChannel,
    BenchSheet,
    Marker,
    PowerSource,
    Receiver,
    Stretch,
    Transmitter,
    stretch_fault,
)
from pwmscope.bench.toml_text import (
    MISSING,
    Fault,
    SheetError,
    format_key,
    key_lines,
    nearest,
    parse_toml,
    quoted,
    read_toml_text,
    refuse_other_kind,
    short,
    shown,
    toml_error,
)
from pwmscope.errors import ArgumentError, require_type
from pwmscope.pulses import STANDARD_SERVO

if TYPE_CHECKING:
    from pwmscope.bench.sheet_model import (
        AnalyserTable,
        ChannelTable,
        MarkerTable,
        ReceiverTable,
        SheetTable,
    )

_Contradiction: TypeAlias = tuple[tuple[str, ...], str]
"""The keys that may be at fault, the likeliest first, and what was expected."""
_OF_SETTINGS = ("low_us", "neutral_us", "high_us", "us_per_percent", "reversed")
"""Keys of devices and sticks alike."""
_OF_DEVICES = (
    "deadband_us",
    "no_pulses",
    "no_pulses_after_s",
    "stop_us",
    "feeds_5v",
    "output",
    "splitter",
    "same_device_as",
    "supplied_by",
    "signal_and_ground_only",
    "stall_a",
    "draws_a",
    "guards",
    "mixed_in",
    "turns",
    "below_neutral",
    "no_pin",
)
_OF_SENSORS: Final = {
    "rotation": ("of", "marks_per_turn", "edge", "slow_per_minute"),
    "supply": ("least_v", "probe", "trips_v"),
}
"""Keys of lines that show what a device does, or what the receiver runs on."""


def find_contradictions(sheet: BenchSheet, table: Mapping[str, Any]) -> Iterator[Fault]:
    """Find the contradictions of a sheet of allowed values; ``table`` is what its TOML states."""
    marker = sheet.marker
    if marker is not None and marker.line in sheet.channels:
        yield Fault(
            ("marker", "line"), marker.line, "a line that is not among the channels as well"
        )
    for line, channel in sheet.channels.items():
        stated = table["channels"][line]
        for keys, allowed in _of_channel(channel, stated):
            key = next(key for key in keys if key in stated)
            yield Fault(("channels", line, key), stated[key], allowed)
    if marker is not None:
        yield from _of_marker(marker, table["marker"])
    yield from _of_rotation(sheet)
    yield from _of_drive(sheet)
    yield from _of_guards(sheet)
    yield from _of_wiring(sheet, table)
    found = stretch_fault(sheet.stretches)
    if found is not None:
        place, key, value, allowed = found
        yield Fault(("stretch", place, key), value, allowed)


def _of_marker(marker: Marker, stated: Mapping[str, Any]) -> Iterator[Fault]:
    """Refuse a light without its delay, and bounds of a delay that cross."""
    if marker.kind == "light" and marker.stated_late_s is None:
        allowed = "a number of seconds from 0 to 5 for a light: the most that it may be late"
        yield Fault(("marker", "late_s"), MISSING, allowed)
        return
    for key in ("late_least_s", "back_late_s"):
        if key in stated and marker.kind != "light":
            yield Fault(("marker", key), stated[key], 'no such key without kind = "light"')
        elif key in stated and stated[key] > marker.late_s:
            allowed = f"no more than late_s, which is {marker.late_s:g}"
            yield Fault(("marker", key), stated[key], allowed)


def _of_rotation(sheet: BenchSheet) -> Iterator[Fault]:
    """Find rotation lines of no device, and two of one."""
    turning = [c.line for c in sheet.devices if c.role in MOTORS]
    taken: dict[str, str] = {}
    for channel in sheet.sensors:
        if channel.role != "rotation":
            continue
        at, of = ("channels", channel.line, "of"), channel.of
        if of not in turning:
            allowed = f"the line of a drive or weapon of this sheet{nearest(of or '', turning)}"
            yield Fault(at, MISSING if of is None else of, allowed)
        elif of in taken:
            yield Fault(at, of, f"one rotation line for each device, and {taken[of]} is of it")
        else:
            taken[of] = channel.line


def _of_drive(sheet: BenchSheet) -> Iterator[Fault]:
    """Refuse roles that mix twice, and a mixer for one half of the drive only."""
    mixed = {c.line: c for c in sheet.devices if c.mixed_in is not None}
    roles = {c.role for c in sheet.devices}
    for channel in mixed.values():
        at = ("channels", channel.line, "mixed_in")
        others = {c.mixed_in for c in mixed.values()} - {channel.mixed_in}
        if channel.role not in (*DRIVES, *INTO_MIXER):
            yield Fault(at, channel.mixed_in, f"no such key, since a {channel.role} is not mixed")
        elif channel.role in INTO_MIXER and channel.mixed_in == "transmitter":
            allowed = (
                f'"ESC", "gyro" or "converter", since a {channel.role} channel is mixed behind its '
                "pin"
            )
            yield Fault(at, channel.mixed_in, allowed)
        elif channel.role in DRIVES and channel.mixed_in == "ESC":
            allowed = (
                '"transmitter", "gyro" or "converter", since an ESC that mixes takes drive-forward '
                "and drive-turn"
            )
            yield Fault(at, channel.mixed_in, allowed)
        elif others:
            other = sorted(str(place) for place in others)[0]
            yield Fault(at, channel.mixed_in, f'"{other}" as at the other one, or mixing is twice')
    for channel in sheet.devices:
        if channel.role not in INTO_MIXER:
            continue
        other = next(role for role in INTO_MIXER if role != channel.role)
        if other not in roles:
            at = ("channels", channel.line, "role")
            yield Fault(at, channel.role, f"a channel of role {other} beside it, or another role")


def _of_guards(sheet: BenchSheet) -> Iterator[Fault]:
    """Refuse a kill channel that guards itself, another one, or what is no device."""
    guarded = [c.line for c in sheet.devices if c.role not in ("kill", "spare")]
    for channel in sheet.channels.values():
        at = ("channels", channel.line, "guards")
        for place, line in enumerate(channel.guards):
            if channel.role != "kill":
                yield Fault(at, list(channel.guards), 'no such key without role = "kill"')
                break
            if line == channel.line:
                allowed = "lines of other devices, since no kill channel guards itself"
                yield Fault(at, line, allowed, "one of the lines is")
            elif line not in guarded:
                allowed = f"lines of devices of this sheet{nearest(line, guarded)}"
                yield Fault(at, line, allowed, "one of the lines is")
            elif line in channel.guards[:place]:
                yield Fault(at, line, "each line once", "one of the lines is")


def _of_channel(channel: BenchChannel, stated: Mapping[str, Any]) -> Iterator[_Contradiction]:
    yield from _of_role(channel, stated)
    if channel.role in SENSORS:
        return
    yield from _of_control(channel)
    if channel.role in STICKS:
        for key in _OF_DEVICES:
            if key in stated:
                yield (key,), f"no such key, since {channel.role} is a stick and not a device"
    if channel.role in NO_DEVICE:
        spare = channel.role == "spare"
        kept = ("output",) if spare else ()
        for key in (*_OF_DEVICES, *(() if spare else _OF_SETTINGS), "device"):
            if key in stated and key not in kept:
                yield (key,), f"no such key, since {_AN[channel.role]} line has nothing on it"
        if not spare:
            return
    if channel.no_pulses_after_s is not None and channel.no_pulses != "stops":
        yield ("no_pulses_after_s",), 'no such key without no_pulses = "stops" beside it'
    yield from _of_travel(channel)
    if channel.stop_us is not None and channel.stop_us[0] > channel.stop_us[1]:
        yield ("stop_us",), "the lower width first"
    else:
        yield from _of_stop(channel)


_AN: Final = {"unused": "an unused", "spare": "a spare"}


def _of_control(channel: BenchChannel) -> Iterator[_Contradiction]:
    """Refuse positions of what is no switch, and ways of turning that exclude each other."""
    if channel.positions is not None and channel.control != "switch":
        yield ("positions",), 'no such key without control = "switch" beside it'
    if channel.role not in MOTORS:
        for key, value in (("turns", channel.turns), ("below_neutral", channel.below_neutral)):
            if value is not None:
                yield (key,), f"no such key, since a {channel.role} has no motor of its own to turn"
        return
    if channel.turns == "one way" and channel.neutral_us is not None:
        yield ("neutral_us", "turns"), "no neutral, since the motor turns one way"
    if channel.below_neutral is not None and channel.neutral_us is None:
        yield ("below_neutral",), "a motor with a neutral; add neutral_us, or take this key away"
    if channel.below_neutral == "reverse" and channel.turns == "one way":
        yield ("below_neutral", "turns"), '"brake", since the motor turns one way'


def _of_role(channel: BenchChannel, stated: Mapping[str, Any]) -> Iterator[_Contradiction]:
    """Refuse a sensor's keys for anything else, and a device's keys for a sensor."""
    for role, own in _OF_SENSORS.items():
        for key in own:
            if key in stated and channel.role != role:
                yield (key,), f'no such key without role = "{role}"'
    if channel.role in SENSORS:
        for key in (*_OF_DEVICES, *_OF_SETTINGS):
            if key in stated:
                yield (key,), f"no such key, since a {channel.role} line is a sensor, not a device"


def _of_travel(channel: BenchChannel) -> Iterator[_Contradiction]:
    low_us, neutral_us, high_us = channel.low_us, channel.neutral_us, channel.high_us
    if low_us >= high_us:
        yield (
            ("low_us", "high_us"),
            f"low_us below high_us, but they are {low_us:g} and {high_us:g}",
        )
    elif neutral_us is not None and not low_us < neutral_us < high_us:
        yield (
            ("neutral_us", "low_us", "high_us"),
            "low_us below neutral_us and neutral_us below high_us, but they are "
            f"{low_us:g}, {neutral_us:g} and {high_us:g}",
        )


def _of_stop(channel: BenchChannel) -> Iterator[_Contradiction]:
    """Refuse a stop range that reaches an end at which the device moves at full speed."""
    band, neutral_us = channel.stop_band, channel.neutral_us
    is_range = channel.stop_us is not None and channel.stop_us[0] < channel.stop_us[1]
    if channel.deadband_us is not None and not is_range and neutral_us is None:
        if channel.stop_us is None:
            yield ("deadband_us",), "neutral_us or one stop_us as well, which it lies round"
        return
    travel_us = channel.high_us - channel.low_us
    if not is_range and channel.deadband_us is not None and channel.deadband_us >= travel_us:
        yield ("deadband_us",), f"a width below high_us - low_us, which is {travel_us:g}"
        return
    if band is None or channel.role not in MOTORS:
        return
    keys = ("stop_us", "deadband_us", "neutral_us", "low_us", "high_us")
    said = f"but that is {band.low_us:g} to {band.high_us:g}"
    if band.high_us >= channel.high_us:
        yield keys, f"a stop range that ends below high_us at {channel.high_us:g}, {said}"
    elif channel.below_neutral == "brake":
        return
    elif neutral_us is not None and band.low_us <= channel.low_us:
        yield keys, f"a stop range that begins above low_us at {channel.low_us:g}, {said}"
    elif neutral_us is not None and not band.holds(neutral_us):
        yield keys, f"a stop range that holds neutral_us at {neutral_us:g}, {said}"


MAX_NAME: Final = 200
"""Characters in the name of a line or a source."""
_ONCE: Final = (
    "output",
    "splitter",
    "supplied_by",
    "signal_and_ground_only",
    "stall_a",
    "draws_a",
    "feeds_5v",
)
"""Keys that are stated where the device is, and not at a second name of its line."""


def _of_wiring(sheet: BenchSheet, table: Mapping[str, Any]) -> Iterator[Fault]:
    """Find what contradicts itself in the wiring: devices, sources, analyser."""
    for kind, names in (("channels", sheet.channels), ("sources", sheet.sources)):
        for name in names:
            if not 0 < len(name) <= MAX_NAME:
                allowed = f"a name of 1 to {MAX_NAME} characters"
                yield Fault((kind, name), name, allowed, "the name is")
    supply_v = sheet.receiver.supply_v
    if supply_v is not None and supply_v[0] > supply_v[1]:
        yield Fault(("receiver", "supply_v"), list(supply_v), "the lower voltage first")
    for channel in sheet.channels.values():
        yield from _of_second_name(sheet, channel, table["channels"][channel.line])
        if channel.is_device:
            yield from _of_device(channel)
            yield from _of_output(sheet, channel)
    yield from _of_sources(sheet)
    yield from _of_analyser(sheet)


def _of_second_name(
    sheet: BenchSheet, channel: BenchChannel, stated: Mapping[str, Any]
) -> Iterator[Fault]:
    named = channel.same_device_as
    if named is None or "same_device_as" not in stated:
        return
    other = sheet.channels.get(named)
    at = ("channels", channel.line, "same_device_as")
    if other is None or other is channel or other.same_device_as is not None:
        lines = [device.line for device in sheet.devices]
        yield Fault(at, named, f"the line of the device itself{nearest(named, lines)}")
    elif other.role != channel.role:
        yield Fault(at, named, f"a line of the same role, but it is {other.role}")
    for key in _ONCE:
        if key in stated:
            allowed = "no such key, since it is stated where the device is"
            yield Fault((*at[:2], key), stated[key], allowed)


def _of_device(channel: BenchChannel) -> Iterator[Fault]:
    at = ("channels", channel.line)
    if channel.feeds_5v:
        if channel.signal_and_ground_only:
            allowed = "false, since the cable has no power wire (signal_and_ground_only)"
            yield Fault((*at, "feeds_5v"), True, allowed)
        if channel.supplied_by == "receiver":
            allowed = '"outside", since the device feeds the receiver (feeds_5v)'
            yield Fault((*at, "supplied_by"), "receiver", allowed)
    reason = _no_current(channel)
    for key, current_a in (("stall_a", channel.stall_a), ("draws_a", channel.draws_a)):
        if current_a is not None and reason:
            yield Fault((*at, key), current_a, f"no such key, since {reason}")
    if channel.stall_a is not None and (channel.draws_a or 0.0) > channel.stall_a:
        allowed = f"no more than stall_a, which is {channel.stall_a:g}"
        yield Fault((*at, "draws_a"), channel.draws_a, allowed)


def _no_current(channel: BenchChannel) -> str:
    """Say why a device draws nothing from the receiver's power pins; empty where it may."""
    if channel.supplied_by == "outside":
        return 'the device has its own supply (supplied_by "outside")'
    if channel.feeds_5v:
        return "the device feeds the receiver (feeds_5v)"
    if channel.signal_and_ground_only:
        return "the cable has no power wire (signal_and_ground_only)"
    return ""


def _of_output(sheet: BenchSheet, channel: BenchChannel) -> Iterator[Fault]:
    outputs = sheet.receiver.outputs
    if outputs is not None and (channel.output or 0) > outputs:
        allowed = f"at most {outputs}, the receiver's number of outputs"
        yield Fault(("channels", channel.line, "output"), channel.output, allowed)


def _of_sources(sheet: BenchSheet) -> Iterator[Fault]:
    devices = {device.line: device for device in sheet.devices}
    taken: dict[str, str] = {}
    for name, source in sheet.sources.items():
        if source.cable is None:
            continue
        at = ("sources", name)
        channel = devices.get(source.cable)
        if channel is None:
            allowed = f"the line of a device{nearest(source.cable, devices)}"
            yield Fault((*at, "cable"), source.cable, allowed)
            continue
        if source.cable in taken:
            allowed = f"a cable of its own, since {taken[source.cable]} comes on that one"
            yield Fault((*at, "cable"), source.cable, allowed)
        taken[source.cable] = name
        allowed = _allowed_by(channel, source.powers_receiver)
        if allowed:
            yield Fault((*at, "powers_receiver"), source.powers_receiver, allowed)


def _allowed_by(channel: BenchChannel, powers: bool | None) -> str:
    """Say what a source on a channel's cable may be stated to do; empty where that is no matter."""
    if powers is not None and channel.feeds_5v not in {None, powers}:
        stated = "true" if channel.feeds_5v else "false"
        return f"{stated}, as feeds_5v of {channel.line} says"
    if powers and channel.signal_and_ground_only:
        return f"false, since the cable of {channel.line} has no power wire"
    if powers and channel.supplied_by == "receiver":
        return f"false, since {channel.line} is stated to be supplied by the receiver"
    return ""


def _of_analyser(sheet: BenchSheet) -> Iterator[Fault]:
    analyser = sheet.analyser
    known = [*sheet.channels, *([] if sheet.marker is None else [sheet.marker.line])]
    at = ("analyser", "lines")
    for i, line in enumerate(analyser.lines):
        if line not in known:
            allowed = f"lines of channels or of the marker{nearest(line, known)}"
            yield Fault(at, line, allowed, "one of the lines is")
        elif line in analyser.lines[:i]:
            yield Fault(at, line, "each line once", "one of the lines is")
    if analyser.divider_ohm is not None and analyser.shifted_v is not None:
        allowed = "no such key, since divider_ohm is stated as well"
        yield Fault(("analyser", "shifted_v"), analyser.shifted_v, allowed)


MAX_BYTES: Final = 256 * 1024


def load_sheet(path: str | os.PathLike[str]) -> BenchSheet:
    """Read a bench sheet.

    Parameters
    ----------
    path : str or path-like
        A TOML file; its keys are listed in docs/sheet.md.

    Returns
    -------
    BenchSheet

    Raises
    ------
    SheetError
        If it is not TOML, or a key is unknown, missing, contradicted by another
        or its value not allowed.
    PwmscopeError
        If the file cannot be read, or is no bench sheet by its size.

    Examples
    --------
    >>> sheet = load_sheet("captures/bench.toml")
    >>> sheet.robot, sheet.channels["RX3"].role
    ('Quince', 'weapon')
    """
    text = read_toml_text(
        path,
        "bench sheet",
        most_bytes=MAX_BYTES,
        otherwise="name the TOML file that describes the bench",
    )
    return parse_sheet(text, source=os.fspath(path))


def parse_sheet(text: str, *, source: str = "bench sheet") -> BenchSheet:
    """Read a bench sheet from its text."""
    table = parse_toml(
        text, source, SheetError, deep="at most three, such as channels.RX1.role",
        lines="lines such as robot = 'Quince'",
    )  # fmt: skip
    refuse_other_kind(table, source, "sheet")
    sheet, faults = _held(table, source)
    if sheet is None or faults:
        raise toml_error(SheetError, faults, text, source)
    return sheet


def sheet_of(table: Mapping[str, object]) -> BenchSheet:
    """Make a bench sheet of a table with the keys of docs/sheet.md.

    Tuples stand for lists, and numpy's numbers for Python's.

    >>> sheet_of({"channels": {"RX1": {"role": "weapon", "stop_us": (980, 1020)}}}).channels[
    ...     "RX1"
    ... ].stop_us
    (980.0, 1020.0)
    """
    sheet, faults = _held(_toml_table(table), "the table given as sheet")
    if sheet is None or faults:
        first = faults[0]
        found = f"a table in which {first.key} is wrong: {first.found}"
        raise ArgumentError("sheet", found, short(first.allowed, 400))
    return sheet


def _toml_table(table: Mapping[str, object]) -> dict[str, object]:
    """Write a table's values in the types that a TOML file has."""
    for key in table:
        require_type("sheet", key, str, "a table whose keys are texts")
    return {key: _toml_kind(value) for key, value in table.items()}


def _toml_kind(value: object) -> object:
    if isinstance(value, Mapping):
        return _toml_table(value)
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    return list(map(_toml_kind, value)) if isinstance(value, list | tuple) else value


def check_marker(argument: str, marker: Marker) -> None:
    """Hold a marker that was made by hand against what a sheet's may be.

    >>> check_marker("marker", Marker("tx-on", "high", "switch"))
    """
    stated = {
        "line": marker.line, "on": marker.on, "kind": marker.kind,
        "late_s": marker.stated_late_s,
        "late_least_s": None if marker.least_late_s == 0 else marker.least_late_s,
        "back_late_s": marker.stated_back_late_s,
    }  # fmt: skip
    names: dict[str | int, str] = dict(
        zip(stated, (field.name for field in fields(Marker)), strict=True)
    )
    _, faults = _held({"marker": {k: v for k, v in stated.items() if v is not None}}, "")
    if faults:
        first = faults[0]
        name = names.get(first.path[-1], "line")
        found = f"a Marker in which {name} is wrong: {first.found}"
        raise ArgumentError(argument, found, short(first.allowed, 400))


def find_faults(table: Mapping[str, object]) -> tuple[Fault, ...]:
    """List all that is wrong with a table of a sheet's keys, as for a form with many fields.

    None where `sheet_of` would make a sheet.
    """
    return tuple(_held(table, "")[1])


def with_marker_keys(text: str, keys: Mapping[str, float], *, source: str = "bench sheet") -> str:
    r"""Write keys of the marker into a sheet's text; all else in it stays as it is.

    >>> print(with_marker_keys('[marker]\nline = "lamp"\nkind = "light"\nlate_s = 5\n',
    ...                        {"late_s": 0.75, "late_least_s": 0.5}), end="")
    [marker]
    line = "lamp"
    kind = "light"
    late_s = 0.75
    late_least_s = 0.5
    """
    places, lines = key_lines(text), text.splitlines()
    begin = places.get(("marker",))
    inside = [line for path, line in places.items() if path[0] == "marker" and len(path) == 2]
    if begin is None or not inside or begin in inside:
        allowed = "a table of its own, [marker], whose keys can be written"
        raise SheetError(source, begin or 1, "marker", "there is no such table", allowed)
    last = max(inside)
    for key, value in keys.items():
        at = places.get(("marker", key))
        said = f"{key} = {value:g}"
        if at is None:
            lines[last - 1] += f"\n{said}"
        else:
            lines[at - 1] = said
    changed = "\n".join(lines) + "\n"
    parse_sheet(changed, source=source)
    return changed


def sheet_toml(table: Mapping[str, object]) -> str:
    """Write a table of a sheet's keys as TOML.

    >>> print(sheet_toml({"robot": "Quince", "channels": {"RX 1": {"stop_us": [1480, 1520]}}}))
    robot = "Quince"
    <BLANKLINE>
    [channels."RX 1"]
    stop_us = [1480, 1520]
    <BLANKLINE>
    """
    return "\n".join(_toml_lines(table, ())).lstrip("\n") + "\n"


def _toml_lines(table: Mapping[str, object], path: tuple[str, ...]) -> Iterator[str]:
    tables = {key: value for key, value in table.items() if isinstance(value, Mapping)}
    lists = {
        key: value
        for key, value in table.items()
        if isinstance(value, list) and value and all(isinstance(each, Mapping) for each in value)
    }
    if path and (len(tables) + len(lists) < len(table) or not table):
        yield from ("", f"[{format_key(path)}]")
    for key, value in table.items():
        if key not in tables and key not in lists:
            yield f"{format_key((key,))} = {_toml_value(value)}"
    for key, inner in tables.items():
        yield from _toml_lines(inner, (*path, key))
    for key, entries in lists.items():
        for entry in entries:
            yield from ("", f"[[{format_key((*path, key))}]]")
            yield from (f"{format_key((k,))} = {_toml_value(v)}" for k, v in entry.items())


def _toml_value(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_toml_value, value))}]"
    return quoted(value) if isinstance(value, str) else shown(value)


def _held(table: Mapping[str, object], source: str) -> tuple[BenchSheet | None, list[Fault]]:
    """Hold a table against what may stand in a sheet; give the sheet and all that is wrong."""
    # The library that validates takes a tenth of a second to import; only sheets need it.
    from pwmscope.bench.sheet_model import checked  # noqa: PLC0415

    found = checked(table)
    if isinstance(found, list):
        return None, found
    sheet = _sheet(found, source)
    return sheet, list(find_contradictions(sheet, table))


def _sheet(model: SheetTable, source: str) -> BenchSheet:
    return BenchSheet(
        source=source, robot=model.robot, club=model.club, failsafe_s=model.limits.failsafe_s,
        rulebook=model.limits.rulebook, weapon_motion_s=model.limits.weapon_motion_s,
        drive_motion_s=model.limits.drive_motion_s, marker=_marker(model.marker),
        channels={line: _channel(line, table) for line, table in model.channels.items()},
        transmitter=Transmitter(**dict(model.transmitter)), receiver=_receiver(model.receiver),
        sources={name: PowerSource(name, **dict(table)) for name, table in model.sources.items()},
        analyser=_analyser(model.analyser),
        stretches=tuple(Stretch(each.name, each.from_s, each.to_s) for each in model.stretch),
    )  # fmt: skip


def _marker(table: MarkerTable | None) -> Marker | None:
    if table is None:
        return None
    least_s = table.late_least_s or 0.0
    return Marker(table.line, table.on, table.kind, table.late_s, least_s, table.back_late_s)


def _receiver(table: ReceiverTable) -> Receiver:
    day = None if table.bound_on is None else datetime.date.fromisoformat(table.bound_on)
    return Receiver(**{**dict(table), "supply_v": _pair(table.supply_v), "bound_on": day})


def _analyser(table: AnalyserTable) -> Analyser:
    pair = _pair(table.divider_ohm)
    return Analyser(**{**dict(table), "lines": tuple(table.lines), "divider_ohm": pair})


def _pair(values: list[float] | None) -> tuple[float, float] | None:
    return None if values is None else (values[0], values[1])


def _channel(line: str, table: ChannelTable) -> BenchChannel:
    neutral_us, stop_us = table.neutral_us, table.stop_us
    has_neutral = table.role not in ("weapon", *NO_NEUTRAL, *SENSORS)
    if table.turns is not None and table.role in MOTORS:
        has_neutral = table.turns == "both ways"
    is_assumed = neutral_us is None and has_neutral
    if is_assumed:
        neutral_us = STANDARD_SERVO.neutral_us
    if stop_us is not None:
        stop_us = [stop_us, stop_us] if isinstance(stop_us, float) else stop_us
    shaped = {
        "line": line, "neutral_us": neutral_us, "stop_us": _pair(stop_us),
        "guards": tuple(table.guards),
    }  # fmt: skip
    return BenchChannel(
        **{**dict(table), **shaped}, is_neutral_assumed=is_assumed,
        is_low_assumed="low_us" not in table.model_fields_set,
        is_high_assumed="high_us" not in table.model_fields_set,
    )  # fmt: skip
