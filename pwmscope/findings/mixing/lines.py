"""Which lines of a recording drive motors and which carry sticks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

from pwmscope.bench import DRIVES, INTO_MIXER, Axis, BenchChannel, BenchSheet, Mixer
from pwmscope.errors import HintError
from pwmscope.pulses import STANDARD_SERVO, PulseTable

Side: TypeAlias = Literal["left", "right", "forward", "turn"]
"""A side of the robot, or the half of the drive that a mixer behind the pin takes."""

FORWARD: Final[tuple[Axis, ...]] = ("elevator", "throttle")
"""Axes that may drive forward and back, the usual one first."""
TURN: Final[tuple[Axis, ...]] = ("aileron", "rudder")
"""Axes that may turn, the usual one first."""


@dataclass(frozen=True, slots=True)
class Travel:
    """How a line's widths are read as positions from -1 to 1."""

    neutral_us: float  # The width at 0
    half_us: float  # From there to the width at 1


@dataclass(frozen=True, slots=True)
class OutputLine:
    """A line that drives a motor."""

    line: str  # Its name in the recording
    side: Side  # The side of the robot that its motor is on
    travel: Travel  # How its widths are read


@dataclass(frozen=True, slots=True)
class StickLine:
    """A line that carries one stick axis."""

    line: str  # Its name in the recording
    axis: Axis  # One of `pwmscope.bench.plan.AXES`
    travel: Travel  # How its widths are read


@dataclass(frozen=True, slots=True)
class DriveLines:
    """The lines that the question is about."""

    outputs: tuple[OutputLine, ...]  # Left before right
    # The axis for forward before the one for turning; empty where none is recorded
    sticks: tuple[StickLine, ...]
    mixer: Mixer | None = None  # The one place that mixes, where the sheet says so
    is_into_mixer: bool = False  # Whether the outputs go into a mixer, as forward and turn

    @property
    def the_mixer(self) -> str:
        """Name the one place that mixes, within a sentence."""
        return f"the {self.mixer}" if self.mixer else "what they go into"


def find_lines(
    tables: Mapping[str, PulseTable],
    sheet: BenchSheet | None = None,
    sides: Mapping[Literal["left", "right"], str | None] | None = None,
    axes: Mapping[Axis, str | None] | None = None,
) -> DriveLines:
    """Say which lines are the outputs and the sticks.

    Parameters
    ----------
    tables : mapping of str to PulseTable
        The lines with servo pulses.
    sheet : BenchSheet, optional
        Its roles, and the travel of its devices.
    sides : mapping of str to str or None, optional
        A line for "left" and "right"; these come before the sheet's.
    axes : mapping of str to str or None, optional
        A line for a stick axis; these come before the sheet's.

    Returns
    -------
    DriveLines

    Raises
    ------
    HintError
        If a named line is not in the recording, or one line is named twice.
    """
    named_sides = {side: line for side, line in (sides or {}).items() if line is not None}
    named_axes = {axis: line for axis, line in (axes or {}).items() if line is not None}
    _refuse_wrong_names(tables, [*named_sides.values(), *named_axes.values()])
    taken = {*named_sides.values(), *named_axes.values()}
    outputs = [
        OutputLine(line, side, _travel(line, tables, sheet)) for side, line in named_sides.items()
    ]
    sticks = [
        StickLine(line, axis, _travel(line, tables, sheet)) for axis, line in named_axes.items()
    ]
    for line, channel in sheet.channels.items() if sheet else ():
        if line not in tables or line in taken:
            continue
        place, _, what = channel.role.partition("-")
        travel = _travel(line, tables, sheet)
        if channel.role in DRIVES and what not in named_sides:
            outputs.append(OutputLine(line, "left" if what == "left" else "right", travel))
        axis = next((axis for axis in (*FORWARD, *TURN) if axis == what), None)
        if place == "stick" and axis is not None and axis not in named_axes:
            sticks.append(StickLine(line, axis, travel))
    outputs.sort(key=lambda output: output.side)
    mixer = None if sheet is None or named_sides else sheet.mixer
    return _with_mixer(DriveLines(tuple(outputs), _two_axes(sticks), mixer), tables, sheet, taken)


def _with_mixer(
    found: DriveLines,
    tables: Mapping[str, PulseTable],
    sheet: BenchSheet | None,
    taken: set[str],
) -> DriveLines:
    """Take what goes into a mixer: as its sticks, or as outputs where none is behind it."""
    channels = {} if sheet is None else sheet.channels
    into = {
        channel.role: channel
        for line, channel in reversed([*channels.items()])
        if channel.role in INTO_MIXER and line in tables and line not in taken
    }
    if not into:
        return found
    lines = [into[role] for role in INTO_MIXER if role in into]
    if not found.outputs:
        outputs = tuple(
            OutputLine(c.line, "forward" if c.role == "drive-forward" else "turn",
                       _travel(c.line, tables, sheet))
            for c in lines
        )  # fmt: skip
        return replace(found, outputs=outputs, is_into_mixer=True)
    if len(lines) == len(INTO_MIXER):
        sticks = tuple(
            StickLine(c.line, _axis_of(c), _travel(c.line, tables, sheet)) for c in lines
        )
        return replace(found, sticks=sticks)
    return found


def _axis_of(channel: BenchChannel) -> Axis:
    usual = FORWARD if channel.role == "drive-forward" else TURN
    return next((axis for axis in usual if axis == channel.control), usual[0])


def _two_axes(sticks: list[StickLine]) -> tuple[StickLine, ...]:
    """Keep the usual axis for forward and the usual one for turning."""
    by_axis = {stick.axis: stick for stick in reversed(sticks)}
    chosen = (
        next((by_axis[axis] for axis in wanted if axis in by_axis), None)
        for wanted in (FORWARD, TURN)
    )
    return tuple(stick for stick in chosen if stick is not None)


def _travel(line: str, tables: Mapping[str, PulseTable], sheet: BenchSheet | None) -> Travel:
    """Take the sheet's travel; its default is the standard servo's, which must fit the pulses."""
    convention = tables[line].convention
    channel = sheet.channels.get(line) if sheet else None
    if channel is None or channel.neutral_us is None:
        return Travel(convention.neutral_us, convention.span_us / 2.0)
    stated = (channel.low_us, channel.neutral_us, channel.high_us)
    if stated == _STANDARD and convention.span_us != STANDARD_SERVO.span_us:
        return Travel(convention.neutral_us, convention.span_us / 2.0)
    return Travel(channel.neutral_us, (channel.high_us - channel.low_us) / 2.0)


_STANDARD: Final = (STANDARD_SERVO.low_us, STANDARD_SERVO.neutral_us, STANDARD_SERVO.high_us)


def _refuse_wrong_names(tables: Mapping[str, PulseTable], named: list[str]) -> None:
    for line in named:
        if line not in tables:
            raise HintError(
                f"There is no line '{line}' with servo pulses in this recording; its lines with "
                f"servo pulses are {', '.join(tables) or 'none'}."
            )
        if named.count(line) > 1:
            raise HintError(f"The line '{line}' is named twice; each output and stick has its own.")
