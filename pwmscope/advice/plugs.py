"""Which line is which: plugs that are swapped against the sheet, and names that differ from it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import PurePath

from pwmscope.advice.settings import axis_of, change_us
from pwmscope.bench import AXES, DRIVES, NO_DEVICE, SENSORS, STICKS, Axis, BenchChannel, BenchSheet
from pwmscope.findings import Alignment, Findings
from pwmscope.findings.failsafe import LeftOut, LeftOutKind
from pwmscope.findings.travel import MIN_THROW
from pwmscope.model import format_line, format_list
from pwmscope.pulses import PulseTable

Followed = dict[Axis, float]
"""How far a line goes, in microseconds, with each stick axis that moves it."""


def follow(table: PulseTable, alignment: Alignment) -> Followed:
    """Say which stick axes, held alone in the plan's steps, move a line."""
    least_us = MIN_THROW * table.convention.span_us
    moved = {axis: change_us(table, alignment, axis) for axis in AXES}
    return {axis: us for axis, us in moved.items() if us is not None and abs(us) >= least_us}


def find_swapped(
    findings: Findings, sheet: BenchSheet, alignment: Alignment | None
) -> tuple[LeftOut, ...]:
    """List the lines that follow each other's sticks, each with what to do about all of them.

    Drive outputs that are swapped among themselves are the mixing's.
    """
    if alignment is None or not alignment.fits:
        return ()
    tables = findings.servo_tables
    known = {line: c for line, c in _devices(sheet).items() if line in tables}
    seen = {line: follow(tables[line], alignment) for line in known}
    asked = {axis for own in seen.values() for axis in own}
    wants = {line: _wanted(channel) for line, channel in known.items()}
    astray = {
        line: axis
        for line, axis in wants.items()
        if axis in asked and axis is not None and seen[line] and axis not in seen[line]
    }
    swapped: set[str] = set()
    for line, axis in astray.items():
        theirs = {
            other
            for other, own in seen.items()
            if axis in own and (other in astray or (known[other].control and not wants[other]))
        }
        swapped |= {line, *theirs} if theirs else set()
    if all(known[line].role in DRIVES for line in swapped):
        return ()
    ordered = [line for line in sheet.channels if line in swapped]
    told = [f"{format_line(line)} the {format_list(tuple(seen[line]))}" for line in ordered]
    first = told[0].replace(" the ", " follows the ", 1)
    said = (
        f"{', '.join([first, *told[1:]])}: swap their plugs or their lines in the sheet, "
        "and record again."
    )
    return tuple(LeftOut(LeftOutKind.SWAPPED, line, said=said) for line in ordered)


def _devices(sheet: BenchSheet) -> dict[str, BenchChannel]:
    others = (*STICKS, *NO_DEVICE, *SENSORS)
    return {line: c for line, c in sheet.channels.items() if c.role not in others and not c.no_pin}


def _wanted(channel: BenchChannel) -> Axis | None:
    """Return the stick axis that the sheet gives a channel; a drive's is the elevator."""
    stated = next((axis for axis in AXES if axis == channel.control), None)
    return stated or axis_of(channel)


def with_names(
    left_out: tuple[LeftOut, ...],
    findings: Findings,
    sheet: BenchSheet,
    alignment: Alignment | None,
) -> tuple[LeftOut, ...]:
    """Give lines that the sheet does not list one remedy, where its own are not recorded."""
    missing = {line: c for line, c in _devices(sheet).items() if line not in findings.capture.lines}
    others = [each.what for each in left_out if each.kind is LeftOutKind.UNLISTED]
    if not missing or not others:
        return left_out
    pairs = dict(_pairs(missing, others, findings, alignment))
    which = ", ".join(
        f"{format_line(other)} for {format_line(line)} ({missing[line].role})"
        for line, other in pairs.items()
    )
    source = PurePath(findings.capture.source).name
    wanted, has = (format_list(tuple(map(format_line, names))) for names in (missing, others))
    verb = "are" if len(missing) > 1 else "is"
    said = (
        f"The sheet's {wanted} {verb} not in {source}; it has {has}. "
        f"Write the recording's names into the sheet{f': {which}' if which else ''}."
    )
    kinds = (LeftOutKind.UNLISTED, LeftOutKind.NO_LINE)
    return tuple(replace(each, said=said) if each.kind in kinds else each for each in left_out)


def _pairs(
    missing: Mapping[str, BenchChannel],
    others: list[str],
    findings: Findings,
    alignment: Alignment | None,
) -> Iterator[tuple[str, str]]:
    """Pair the sheet's lines with the recording's where one alone fits.

    A plan shows which stick moves a line. Without one, only a weapon is known: alone it has no
    neutral.
    """
    tables = {line: t for line, t in findings.servo_tables.items() if line in others}
    fits = alignment is not None and alignment.fits
    seen = {line: follow(t, alignment) for line, t in tables.items()} if fits and alignment else {}
    travels = {line: findings.channels[line].travel for line in tables}
    one_way = [line for line, t in travels.items() if t and t.low and t.high and not t.neutral]
    for line, channel in missing.items():
        alike = [c for c in missing.values() if c.role == channel.role]
        axis = _wanted(channel)
        if fits:
            found = [other for other, own in seen.items() if axis in own]
            if channel.role in {"drive-left", "drive-right"}:
                way = 1.0 if channel.role == "drive-left" else -1.0
                turns = {other: seen[other].get("aileron", 0.0) for other in found}
                found = [o for o in found if way * seen[o]["elevator"] * turns[o] > 0.0]
        else:
            found = one_way if channel.role == "weapon" and channel.neutral_us is None else []
        if len(found) == len(alike) == 1:
            yield line, found[0]
