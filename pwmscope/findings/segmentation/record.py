"""The lines of a recording as analysers take them: which carry servo pulses, and their records."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from pwmscope.bench import COMMON_PRACTICE, BenchSheet, Limits
from pwmscope.capture import PS_PER_US, Capture, Line
from pwmscope.errors import named
from pwmscope.findings.segmentation.dwells import Dwells, find_dwells
from pwmscope.model import (
    BoolArray,
    Evidence,
    Finding,
    IntArray,
    Plateaus,
    Span,
    inside,
    median_of,
    overlaps,
)
from pwmscope.pulses import (
    Convention,
    Flag,
    Frames,
    PulseTable,
    decode,
    find_frames,
    split_sum_trains,
)

MIN_PULSES = 3
MIN_AT_LEVEL = 0.7
"""Between two dwells of one hold at least this share of the widths is about their levels."""
WANDER = 3.0
"""Dwells next to each other are one hold whose width wandered, if their levels are nearer
than so many deviations of their own scatter."""
MANY_LEVELS = 20
"""Levels of a line from which their usual length can be told."""


def why_not_servo(table: PulseTable, line: Line) -> str | None:
    """Say why a line does not carry servo pulses."""
    return _by_levels(table, line) or _by_pulses(table)


def _by_levels(table: PulseTable, line: Line) -> str | None:
    levels_us = np.diff(line.edges_ps) / PS_PER_US
    if levels_us.size < MANY_LEVELS:
        return None
    usual_us = median_of(levels_us)
    if usual_us >= table.convention.glitch_us:
        return None
    return (
        f"These are no servo pulses: half of its {levels_us.size} levels last under "
        f"{usual_us:.3g} us. Serial data or a clock do that."
    )


def _by_pulses(table: PulseTable) -> str | None:
    convention = table.convention
    whole = int(np.count_nonzero(~table.has(Flag.CUT)))
    if not whole:
        return "It carries no whole pulse."
    pulses = int(np.count_nonzero(~table.has(Flag.CUT | Flag.GLITCH | Flag.NOTCHED)))
    good = int(np.count_nonzero(table.measured))
    if whole <= MIN_PULSES and not good:
        return named(
            "It changes level only a few times. If it is wired to the transmitter's switch, name "
            f"it with `marker='{table.line}'`."
        )
    accepted = f"{convention.accepted_low_us:g} to {convention.accepted_high_us:g} us"
    if not pulses:
        return f"All its {whole} pulses are shorter than {convention.glitch_us:g} us."
    if good < 0.5 * pulses:
        usual_us = float(np.nanmedian(table.width_us))
        return (
            f"It does not look like servo pulses: {pulses - good} of {pulses} are not "
            f"{accepted} wide. The usual width is {usual_us:.1f} us."
        )
    if good < MIN_PULSES:
        return f"Only {good} whole servo pulses were seen; at least {MIN_PULSES} are needed."
    return None


@dataclass(frozen=True, slots=True)
class ServoLines:
    """A recording decoded, its servo lines apart from the others."""

    capture: Capture  # The recording; PPM sum trains are split into their channels
    tables: dict[str, PulseTable]  # The pulses of every line but the marker, in the capture's order
    refused: dict[str, str]  # The lines without servo pulses, and why, as a sentence
    frames: dict[str, Frames]  # The frames of the servo lines

    @property
    def servo(self) -> dict[str, PulseTable]:
        """The pulses of the servo lines."""
        return {name: t for name, t in self.tables.items() if name not in self.refused}

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed while decoding, each a plain sentence."""
        return tuple(
            named(f"Line {name}: {note}") for name, t in self.tables.items() for note in t.notes
        )


def find_servo_lines(
    capture: Capture,
    marker: str | None = None,
    convention: Convention | None = None,
    sensors: Collection[str] = (),
) -> ServoLines:
    """Decode a recording and find its servo lines; sensors' lines carry no pulses."""
    own = {name: line for name, line in capture.lines.items() if name not in sensors}
    others = {name: line for name, line in capture.lines.items() if name in sensors}
    capture = split_sum_trains(replace(capture, lines=own) if others else capture)
    tables = {name: t for name, t in decode(capture, convention).items() if name != marker}
    refused = {
        name: why
        for name, t in tables.items()
        if (why := why_not_servo(t, capture.lines[name])) is not None
    }
    frames = {name: find_frames(t) for name, t in tables.items() if name not in refused}
    if others:
        capture = replace(capture, lines={**capture.lines, **others})
    return ServoLines(capture, tables, refused, frames)


@dataclass(frozen=True, slots=True)
class Record:
    """One channel's pulses with what every analyser needs of them, worked out once."""

    table: PulseTable  # The channel's pulses
    frames: Frames  # Its frames, whether the signal was lost or not
    dwells: Dwells  # Its dwells outside loss spans
    # Time spans without a link: before the first one, and in which its signal was lost. They count
    # in nothing but the findings about signal loss
    losses: tuple[Span, ...]
    limits: Limits  # What is held against it, scaled to the channel's convention

    @property
    def rows(self) -> IntArray:
        """Rows of the measured pulses outside loss spans; shape (n,)."""
        usable = self.table.measured
        if self.losses:
            usable &= ~inside(self.losses, self.table.rise_s)
        return np.flatnonzero(usable)

    @property
    def periods(self) -> IntArray:
        """Places in ``frames`` of the periods that lie wholly outside loss spans; shape (n,)."""
        if not self.losses:
            return np.arange(self.frames.index.size)
        begin_s = self.table.rise_s[self.frames.index]
        end_s = begin_s + self.frames.period_us / 1e6
        return np.flatnonzero(~overlaps(self.losses, begin_s, end_s))

    def evidence(self, rows: IntArray) -> tuple[Evidence, ...]:
        """Name a stretch of pulses as evidence."""
        if not rows.size:
            return ()
        return (Evidence.of(self.table.rise_s, int(rows[0]), int(rows[-1]), rows.size),)


def joined_dwells(record: Record) -> tuple[IntArray, IntArray, BoolArray]:
    """Say which dwells go on where the one before stopped, their width having wandered.

    First and last row of every dwell, and whether it goes on; shape (dwells,) each.
    """
    dwells, table = record.dwells, record.table
    first, last = dwells.first, dwells.last
    joined = np.zeros(first.size, bool)
    if first.size < 2:
        return first, last, joined
    interval_us = table.sample_interval_us or 0.0
    scatter_us = np.hypot(dwells.std_us[1:], dwells.std_us[:-1]) / math.sqrt(2.0)
    apart_us = np.abs(np.diff(dwells.level_us))
    near = apart_us <= WANDER * scatter_us + interval_us
    between = first[1:] - last[:-1] - 1
    short = between <= np.minimum(dwells.count[1:], dwells.count[:-1])
    stray = np.zeros(len(table), bool)
    stray[dwells.stray] = True
    for at in np.flatnonzero(near & short):
        part = slice(int(last[at]) + 1, int(first[at + 1]))
        width_us = table.width_us[part][~stray[part] & table.measured[part]]
        reach_us = WANDER * scatter_us[at] + interval_us
        low, high = np.sort(dwells.level_us[at : at + 2])
        within = (width_us >= low - reach_us) & (width_us <= high + reach_us)
        lost = inside(record.losses, table.rise_s[part])
        joined[at + 1] = not lost.any() and (
            not within.size or float(within.mean()) >= MIN_AT_LEVEL
        )
    return first, last, joined


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of a recording, each decoded once.

    Parameters
    ----------
    records : dict of str to Record
        Those with servo pulses, in the recording's order; no loss is taken out of them.
    others : dict of str to str
        The other lines, each with why it has none, as a sentence.
    notes : tuple of str
        What was assumed while decoding.
    """

    records: dict[str, Record]
    others: dict[str, str]
    notes: tuple[str, ...]


def read_lines(capture: Capture, convention: Convention | None = None) -> Lines:
    """Decode a recording's lines and find their frames and dwells.

    Parameters
    ----------
    capture : Capture
        The recording.
    convention : Convention, optional
        What all pulses are held against; by default chosen line by line.

    Returns
    -------
    Lines
    """
    lines = find_servo_lines(capture, convention=convention)
    records = {}
    for name, table in lines.servo.items():
        frames = lines.frames[name]
        limits = COMMON_PRACTICE.scaled(table.convention.span_us)
        records[name] = Record(table, frames, find_dwells(table, frames), (), limits)
    return Lines(records, lines.refused, lines.notes)


class Answer(Protocol):
    """What an analyser found about a question."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings, in the order in which they are told."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One line as an analyser takes it.

    Parameters
    ----------
    record : Record
        Its pulses outside signal loss.
    clock : Record
        The same of the line that shows its receiver's frame clock, mostly the line itself.
    recorded : Span
        The time span of the recording.
    sheet : BenchSheet or None
        What is on the lines, where that is known.
    answers : dict of str to Answer
        What was found about the questions that come first, by question.
    plateaus : Plateaus or None
        What its high state was like, where it was recorded as a voltage.
    at_rest : tuple of Span
        When the plan that the hands followed had the sticks let go; empty without a plan.
    """

    record: Record
    clock: Record
    recorded: Span
    sheet: BenchSheet | None
    answers: dict[str, Answer]
    plateaus: Plateaus | None = None
    at_rest: tuple[Span, ...] = ()
