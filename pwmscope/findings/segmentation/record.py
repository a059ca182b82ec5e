"""A line as analysers take it: its pulses, its record, and the dwells in which it stands still."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np

from pwmscope.bench import COMMON_PRACTICE, BenchSheet, Limits
from pwmscope.capture import PS_PER_US, Capture, Line
from pwmscope.errors import Reason, named
from pwmscope.findings.segmentation.change_points import SIDES, in_passing, split_levels
from pwmscope.findings.segmentation.stretches import (
    CALM,
    WidthNoise,
    find_noise,
    halved,
    measure_ranges,
    settled,
    still_stretches,
    stray_widths,
    trimmed,
)
from pwmscope.model import (
    BoolArray,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Plateaus,
    Span,
    at_once,
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
    without,
)

MIN_PULSES: Final = 6
MIN_S: Final = 0.4
"""A dwell lasts at least this long, unless the whole record is shorter."""
SWEEP_PER_S: Final = 0.0015
"""A steady drift slower than this part of the convention's span in a second is not a
hand's: it would take eleven minutes from end to end (common practice, from memory)."""
DRIFT: Final = 0.01
"""A dwell drifts by no more than this part of the span in all."""
LINE_LIMIT: Final = 3.5
"""A dwell's own line rises by no more than so many of its deviations above a slow drift."""


@dataclass(frozen=True, slots=True)
class Dwells:
    """The dwells of one channel, as columns, in order of time."""

    # shape (n,): Rows in the pulse table of each dwell's first and last pulse
    first: IntArray
    last: IntArray
    # shape (n,): Leading edges of those pulses in seconds
    start_s: FloatArray
    end_s: FloatArray
    # shape (n,): Mean width, its sample standard deviation, and largest minus smallest
    level_us: FloatArray
    std_us: FloatArray
    range_us: FloatArray
    count: IntArray  # shape (n,): Pulses counted in each
    # shape (n,): Pulses at the ends that were cut off since a hand may still have moved
    # (`settled`); most of them stood at the level too
    unsettled: IntArray
    noise_us: float  # Noise of the widths, as the segmentation took it
    # Rows of measured pulses whose width jumped away for one or two frames and back; they are in no
    # dwell
    stray: IntArray

    def __len__(self) -> int:
        return int(self.first.size)

    @property
    def evidence(self) -> tuple[Evidence, ...]:
        """The dwells as evidence, each a time span with its rows."""
        columns = (self.start_s, self.end_s, self.count, self.first, self.last)
        return tuple(
            Evidence(float(start), float(end), int(count), int(first), int(last))
            for start, end, count, first, last in zip(*columns, strict=True)
        )

    def select(self, mask: BoolArray) -> Dwells:
        """Keep the dwells where ``mask`` holds; bool, shape (n,)."""
        whole = {"noise_us", "stray"}
        kept = {n: getattr(self, n)[mask] for n in self.__slots__ if n not in whole}
        return replace(self, **kept)


def find_dwells(table: PulseTable, frames: Frames, breaks_s: tuple[float, ...] = ()) -> Dwells:
    """Segment a channel's widths into dwells.

    Widths that jump away for a pulse or two are set aside (`stray_widths`).
    Stretches that stand still for `MIN_S` at a time are found
    (`still_stretches`) and their ends trimmed (`trimmed`). Inside them changes of
    level are found and slow sweeps cut out (`split_levels`). What drifts by more than `DRIFT`
    in all is halved. What lasts `MIN_S`, give or take a tenth, and shows
    no slope that is steeper than `SWEEP_PER_S` beyond doubt, is a dwell; its ends, in
    which a hand may still have moved, are cut off at last (`settled`).
    """
    pulses = _Pulses.of(table, np.flatnonzero(~table.measured))
    span_us = table.convention.span_us
    noise = find_noise(pulses.width_us, table.sample_interval_us, span_us)
    if pulses.width_us.size < MIN_PULSES:
        return _no_dwells(noise, np.zeros(0, np.int64))
    window = _window(frames, pulses.width_us.size)
    stray = pulses.rows(stray_widths(pulses.width_us, noise, far_us=CALM * span_us))
    pulses = pulses.without(stray)
    if pulses.width_us.size < window:
        return _no_dwells(noise, stray)
    period_s = (frames.usual_us or table.convention.period_us) / 1e6
    slow_us = SWEEP_PER_S * span_us * period_s
    shortest = max(MIN_PULSES, round(0.9 * window))
    begin, end = still_stretches(pulses.width_us, pulses.places(breaks_s), noise, window)
    begin, end = trimmed(pulses.width_us, begin, end, noise, window)
    cell = max(1, round(window / 10))
    begin, end = split_levels(pulses.width_us, begin, end, noise, cell=cell, sweep_us=slow_us)
    most_us = DRIFT * span_us + noise.range_limit_us * 2.0 / math.sqrt(window)
    begin, end = halved(pulses.width_us, begin, end, window, most_us)
    long = end - begin >= shortest
    begin, end = begin[long], end[long]
    passing = in_passing(
        pulses.width_us, begin, end, noise, around=2 * SIDES[0] * cell, sweep_us=slow_us
    )
    begin, end = begin[~passing], end[~passing]
    lasts = end - begin
    for _ in range(2):
        begin, end = settled(pulses.width_us, begin, end, noise, pulses.places(breaks_s))
    found = measure_ranges(pulses.width_us, begin, end)
    doubt_us = noise.lasting_us(window) * np.sqrt(12.0 / np.maximum(found.count, 1))
    flat = np.abs(found.rise_us) <= (
        slow_us * found.count + noise.interval_us + LINE_LIMIT * doubt_us
    )
    first, last = pulses.rows(begin), pulses.rows(end - 1)
    return Dwells(
        first,
        last,
        table.rise_s[first],
        table.rise_s[last],
        found.level_us,
        found.std_us,
        found.range_us,
        found.count,
        lasts - found.count,
        noise.spread_us,
        stray,
    ).select(flat)


@dataclass(frozen=True, slots=True)
class _Pulses:
    """A table's widths without some of its rows, which are mostly few."""

    table: PulseTable
    skipped: IntArray
    width_us: FloatArray

    @classmethod
    def of(cls, table: PulseTable, skipped: IntArray) -> _Pulses:
        width_us = without(table.width_us, skipped) if skipped.size else table.width_us
        return cls(table, skipped, width_us)

    def without(self, rows: IntArray) -> _Pulses:
        """Skip further rows."""
        return _Pulses.of(self.table, np.union1d(self.skipped, rows)) if rows.size else self

    def rows(self, places: IntArray) -> IntArray:
        """Rows of the table at these places among the pulses."""
        before = self.skipped - np.arange(self.skipped.size)
        return places + np.searchsorted(before, places, side="right")

    def places(self, times_s: tuple[float, ...]) -> IntArray:
        """Places of the first pulses at or after these times, in order."""
        rows = np.searchsorted(self.table.rise_s, np.sort(np.asarray(times_s, dtype=float)))
        return rows - np.searchsorted(self.skipped, rows)


def _no_dwells(noise: WidthNoise, stray: IntArray) -> Dwells:
    whole, real = np.zeros(0, np.int64), np.zeros(0)
    return Dwells(
        whole, whole, real, real, real, real, real, whole, whole, noise.spread_us, stray
    )  # fmt: skip


def _window(frames: Frames, pulses: int) -> int:
    usual_us = frames.usual_us
    window = MIN_PULSES if usual_us is None else math.ceil(MIN_S * 1e6 / usual_us)
    return max(MIN_PULSES, min(window, pulses))


SAME_POSITION: Final = 0.015
"""Levels that differ by less than this part of the span are one position."""
MIN_HELD_S: Final = 0.25
MIN_STILL: Final = 0.25
"""A line that stands still for less than this part of the recording tells nothing of the hands."""
_GAP_FRAMES: Final = 5.0
_NONE: Final = np.zeros(0)


@dataclass(frozen=True, slots=True)
class HeldPositions:
    """The held positions of a recording, as columns, in order of time."""

    lines: tuple[str, ...]  # The lines that moved and stood still
    # shape (n,): When each was held, in seconds
    start_s: FloatArray
    end_s: FloatArray
    # shape (n, lines): Width of each line in parts of its convention's span; NaN while it was
    # silent
    level: FloatArray

    def __len__(self) -> int:
        return int(self.start_s.size)

    @property
    def apart(self) -> FloatArray:
        """How far each position lies from each other, largest line; shape (n, n).

        Where one of the two was silent on a line and the other not, they lie infinitely far
        apart.
        """
        return distances(self.level, self.level)


def distances(level: FloatArray, others: FloatArray) -> FloatArray:
    """Largest difference over the lines between positions, in parts of the span.

    >>> distances(np.array([[1.0, 1.5]]), np.array([[1.0, 1.4], [1.0, np.nan]])).round(3)
    array([[0.1, inf]])
    """
    one, other = level[:, None, :], others[None, :, :]
    apart = np.abs(one - other)
    absent, absent_too = np.isnan(one), np.isnan(other)
    apart = np.where(absent & absent_too, 0.0, np.where(absent ^ absent_too, np.inf, apart))
    found: FloatArray = apart.max(axis=2, initial=0.0)
    return found


def find_held_positions(tables: Mapping[str, PulseTable]) -> HeldPositions:
    """Find the stretches in which all lines that move stand still together."""
    found = {line: _Line.of(table) for line, table in tables.items()}
    used = {line: f for line, f in found.items() if f is not None and f.moves}
    if not used:
        return HeldPositions((), _NONE, _NONE, np.zeros((0, 0)))
    border_s = np.unique(np.concatenate([f.borders_s for f in used.values()]))
    middle_s = (border_s[1:] + border_s[:-1]) / 2.0
    columns = [f.state_at(middle_s) for f in used.values()]
    level = np.stack([level for level, _ in columns], axis=1)
    still = np.stack([still for _, still in columns], axis=1).all(axis=1)
    return _joined(tuple(used), border_s[:-1][still], border_s[1:][still], level[still])


def _joined(
    lines: tuple[str, ...], start_s: FloatArray, end_s: FloatArray, level: FloatArray
) -> HeldPositions:
    """Join neighbours at one position, and leave out what was held too briefly."""
    for least_s in (0.0, MIN_HELD_S):
        long = end_s - start_s > least_s
        start_s, end_s, level = start_s[long], end_s[long], level[long]
        if not start_s.size:
            break
        apart = distances(level, level).diagonal(1) if len(level) > 1 else _NONE
        new = np.concatenate([[True], (apart > SAME_POSITION)])
        first = np.flatnonzero(new)
        last = np.append(first[1:], start_s.size) - 1
        weight = end_s - start_s
        total = np.add.reduceat(weight, first)
        mean = np.add.reduceat(level * weight[:, None], first, axis=0) / total[:, None]
        start_s, end_s, level = start_s[first], end_s[last], mean
    return HeldPositions(lines, start_s, end_s, level)


@dataclass(frozen=True, slots=True)
class _Line:
    """One line's dwells and silences."""

    dwells: Dwells
    span_us: float
    period_s: float
    gap_start_s: FloatArray
    gap_end_s: FloatArray

    @classmethod
    def of(cls, table: PulseTable) -> _Line | None:
        """Take a line's dwells; None where it hardly ever stands still."""
        frames = find_frames(table)
        dwells = find_dwells(table, frames)
        if not len(dwells):
            return None
        rise_s = table.rise_s[table.measured]
        still_s = float((dwells.end_s - dwells.start_s).sum())
        if still_s < MIN_STILL * float(rise_s[-1] - rise_s[0]):
            return None
        period_s = (frames.usual_us or table.convention.period_us) / 1e6
        gap = np.flatnonzero(np.diff(rise_s) > _GAP_FRAMES * period_s)
        gap_start_s, gap_end_s = rise_s[gap] + period_s, rise_s[gap + 1]
        return cls(dwells, table.convention.span_us, period_s, gap_start_s, gap_end_s)

    @property
    def moves(self) -> bool:
        """Whether it stood at several positions, or fell silent."""
        level_us = self.dwells.level_us
        moved = float(level_us.max() - level_us.min()) > 2.0 * SAME_POSITION * self.span_us
        return moved or bool(self.gap_start_s.size)

    @property
    def borders_s(self) -> FloatArray:
        """Instants at which it begins or ends to stand still."""
        ends_s = self.dwells.end_s + self.period_s
        return np.concatenate([self.dwells.start_s, ends_s, self.gap_start_s, self.gap_end_s])

    def state_at(self, time_s: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Level, NaN in silence, and whether it stands still, at some instants."""
        at = np.searchsorted(self.dwells.start_s, time_s, side="right") - 1
        still = (at >= 0) & (time_s < self.dwells.end_s[at] + self.period_s)
        level = np.where(still, self.dwells.level_us[at] / self.span_us, np.nan)
        absent = np.zeros(time_s.size, dtype=bool)
        if self.gap_start_s.size:
            gap = np.searchsorted(self.gap_start_s, time_s, side="right") - 1
            absent = (gap >= 0) & (time_s < self.gap_end_s[gap])
        return np.where(absent, np.nan, level), still | absent


MIN_SERVO_PULSES = 3
MIN_AT_LEVEL = 0.7
"""Between two dwells of one hold at least this share of the widths is about their levels."""
WANDER = 3.0
"""Dwells next to each other are one hold whose width wandered, if their levels are nearer
than so many deviations of their own scatter."""
MANY_LEVELS = 20
"""Levels of a line from which their usual length can be told."""


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
        return Reason(
            "It carries no whole pulse.", "Check its plug and its wire, then record again."
        )
    pulses = int(np.count_nonzero(~table.has(Flag.CUT | Flag.GLITCH | Flag.NOTCHED)))
    good = int(np.count_nonzero(table.measured))
    if whole <= MIN_SERVO_PULSES and not good:
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
    if good < MIN_SERVO_PULSES:
        return f"Only {good} whole servo pulses were seen; at least {MIN_SERVO_PULSES} are needed."
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
    def pulses(self) -> int:
        """Pulses of all lines."""
        return sum(map(len, self.tables.values()))

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
    recorded = capture.lines
    tables = {name: t for name, t in decode(capture, convention).items() if name != marker}
    pulses = sum(map(len, tables.values()))

    def refuse(name: str) -> str | None:
        return _by_levels(tables[name], recorded[name]) or _by_pulses(tables[name])

    told = at_once(refuse, tables, pulses)
    refused = {name: why for name, why in told.items() if why is not None}
    servo = [name for name in tables if name not in refused]
    frames = at_once(lambda name: find_frames(tables[name]), servo, pulses)
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
    def period_us(self) -> float:
        """The usual frame period; the convention's where none is seen."""
        return self.frames.usual_us or self.table.convention.period_us

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
    """The lines of a recording, each decoded once."""

    # Those with servo pulses, in the recording's order; no loss is taken out of them
    records: dict[str, Record]
    others: dict[str, str]  # The other lines, each with why it has none, as a sentence
    notes: tuple[str, ...]  # What was assumed while decoding


def read_lines(capture: Capture, convention: Convention | None = None) -> Lines:
    """Decode a recording's lines and find their frames and dwells."""
    lines = find_servo_lines(capture, convention=convention)

    def own(name: str) -> Record:
        table, frames = lines.tables[name], lines.frames[name]
        limits = COMMON_PRACTICE.scaled(table.convention.span_us)
        return Record(table, frames, find_dwells(table, frames), (), limits)

    records = at_once(own, lines.frames, lines.pulses)
    return Lines(records, lines.refused, lines.notes)


class Answer(Protocol):
    """What an analyser found about a question."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings, in the order in which they are told."""


@dataclass(frozen=True, slots=True)
class Channel:
    """One line as an analyser takes it."""

    record: Record  # Its pulses outside signal loss
    # The same of the line that shows its receiver's frame clock, mostly the line itself
    clock: Record
    recorded: Span  # The time span of the recording
    sheet: BenchSheet | None  # What is on the lines, where that is known
    answers: dict[str, Answer]  # What was found about the questions that come first, by question
    # What its high state was like, where it was recorded as a voltage
    plateaus: Plateaus | None = None
    # When the plan that the hands followed had the sticks let go; empty without a plan
    at_rest: tuple[Span, ...] = ()
