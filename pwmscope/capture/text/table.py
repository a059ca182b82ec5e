"""A text table as a Capture, whatever its form, or followed while it is still being written."""

from __future__ import annotations

import codecs
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np

from pwmscope.capture.reader.hints import Hints, kept, rate_needed
from pwmscope.capture.reader.unpack import HEAD_BYTES, open_bytes, reading, unprinted
from pwmscope.capture.text.columns import LevelColumn, groups_of
from pwmscope.capture.text.comparator import (
    HYSTERESIS,
    AmplitudeHistogram,
    Comparator,
    StateLevels,
    assumed_threshold,
    judge_levels,
)
from pwmscope.capture.text.edges import (
    ChangedRows,
    Changes,
    Clock,
    DisorderError,
    RowBatch,
    RowError,
    at_samples,
    come_evenly,
    doubted_clock,
    find_clock,
    gather_changes,
    joined,
    lists_changes,
    no_edges,
    passes_midnight,
    past_midnight,
    select_lines,
    timed_lines,
)
from pwmscope.capture.text.layout import (
    MAX_LINE_BYTES,
    Layout,
    Text,
    find_layout,
    open_text,
    rewritten,
    swept,
    swept_head,
)
from pwmscope.capture.text.line_blocks import stream_changes
from pwmscope.errors import CaptureError, HintError, PwmscopeError
from pwmscope.model import PS_PER_S, Assumption, Capture, FloatArray, IntArray, Line

FIRST_PASS_ROWS: Final = 1 << 17
"""Rows at a time in the first pass, fixed so that its sums are the same every time."""


def find_comparators(
    batches: Iterable[RowBatch], layout: Layout, hints: Hints, source: str
) -> tuple[dict[str, Comparator], tuple[str, ...]]:
    """Find each voltage column's threshold by a first pass over all rows."""
    names = [level.name for level in layout.analogue]
    histograms = [AmplitudeHistogram() for _ in names]
    for batch in batches:
        for histogram, volts in zip(histograms, batch.volts, strict=True):
            histogram.add(volts)
    found = {n: h.state_levels() for n, h in zip(names, histograms, strict=True) if not h.is_empty}
    threshold = hints.threshold_v
    ranges = ", ".join(f"{n} {lv.least:.4g} to {lv.most:.4g}" for n, lv in found.items())
    if (
        threshold is not None
        and found
        and not any(levels.least < threshold <= levels.most for levels in found.values())
    ):
        raise HintError(
            f"{source}: no voltage crosses `threshold` {threshold:g} ({ranges}); "
            "give one between the two levels, or leave it out."
        )
    comparators: dict[str, Comparator] = {}
    said: list[str] = []
    for name, levels in found.items():
        alike = [lv for other, lv in found.items() if _scale_of(other) == _scale_of(name)]
        largest = max(lv.high - lv.low for lv in alike if lv.lie_apart or lv is levels)
        are_shown = levels.are_two and levels.high - levels.low >= _LEAST * largest
        about = f"Line '{name}' is a voltage"
        found_so = judge_levels(about, levels, threshold, are_shown=are_shown)
        band = found_so.band if levels.are_two else 0.0
        is_flat = math.isinf(found_so.level)
        comparators[name] = Comparator(
            found_so.level, band, 0.0 if is_flat else levels.low, not is_flat and levels.are_all
        )
        said.append(found_so.assumption)
    said += _flat_beside_others(comparators, found)
    rate_hz = hints.rate_hz or layout.rate_hz
    for comparator in comparators.values():
        if rate_hz is not None:
            comparator.meter.rows_per_ms = max(int(rate_hz / 1000.0 + 1e-6), 1)
    if comparators:
        about = (
            f"Hysteresis: {HYSTERESIS:.0%} of the amplitude, or six deviations of the noise if "
            "that is more."
        )
        said.append(Assumption(about, "hysteresis", HYSTERESIS, "", "convention", ("threshold",)))
    return comparators, tuple(said)


_LEAST: Final = 0.05
"""Of the largest amplitude among its like; less is an idle line's noise (own choice)."""
_PASSES: Final = 0.3
"""So far beyond the others' threshold, in their amplitude, a voltage passes it (own choice)."""
_SCALE: Final = re.compile(r"(?<![a-z])(?:mv|millivolts?|adc|counts?)(?![a-z])", re.IGNORECASE)


def _scale_of(name: str) -> str:
    """Name the scale that a heading says, where it is not volts: only like can be compared."""
    scale = _SCALE.search(name)
    return scale[0].lower() if scale else ""


def _flat_beside_others(
    comparators: dict[str, Comparator], found: dict[str, StateLevels]
) -> list[Assumption]:
    """Hold a voltage without two levels against the threshold that the others show.

    It may stay above it, or pass it from end to end: pulses, and a line undriven most of the time.
    """
    shown = [name for name, each in comparators.items() if not math.isinf(each.threshold)]
    said: list[Assumption] = []
    for name, comparator in comparators.items():
        levels = found[name]
        alike = [other for other in shown if _scale_of(other) == _scale_of(name)]
        if not alike or not math.isinf(comparator.threshold):
            continue
        threshold = float(np.median([comparators[other].threshold for other in alike]))
        amplitude = float(np.median([found[other].high - found[other].low for other in alike]))
        beyond = _PASSES * amplitude
        by = f"{threshold:.4g}{{}}, the threshold that the other voltages show, and is"
        if levels.least > threshold:
            comparators[name] = Comparator(threshold, 0.0)
            so = f"lies above {by.format(' throughout')} taken as high"
        elif levels.least < threshold - beyond and levels.most > threshold + beyond:
            comparators[name] = Comparator(threshold, HYSTERESIS * amplitude, levels.least)
            so = f"passes {by.format('')} read by it"
        else:
            continue
        said.append(assumed_threshold(f"Line '{name}' {so}.", threshold, "data"))
    return said


def compare(
    batches: Iterable[RowBatch], layout: Layout, comparators: dict[str, Comparator]
) -> Iterator[RowBatch]:
    """Put the levels of voltage columns into the rows' words."""
    for batch in batches:
        words = batch.words
        for level, volts in zip(layout.analogue, batch.volts, strict=True):
            if volts.size:  # a row that is cut short leaves none
                bits = comparators[level.name].feed(volts, batch.time_ps, batch.first_row)
                words = words | (bits << np.uint64(level.first_bit))
        yield replace(batch, words=words)


Rows: TypeAlias = Callable[[Layout, int | None], Iterator[RowBatch]]
"""Streams the rows of a table as a layout places its columns, so many at a time."""
ChangedOnly: TypeAlias = Callable[[Layout, int | None], Iterator[ChangedRows | RowBatch]]
"""The same, where it may keep only the rows that change a level."""


@dataclass(frozen=True, slots=True)
class _Group:
    """The changes of some columns, with the comparators of those that hold voltages."""

    layout: Layout
    changes: Changes
    comparators: dict[str, Comparator]
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Gathered:
    """The changes of all columns of a table."""

    changes: Changes  # Every row that changes any level
    said: tuple[str, ...]  # What was assumed of voltages, each a plain sentence
    _groups: tuple[_Group, ...]

    @property
    def voltages(self) -> dict[str, Comparator]:
        """The comparators of all columns that hold voltages."""
        return {name: each for group in self._groups for name, each in group.comparators.items()}

    def lines(
        self, clock: Clock, hints: Hints, source: str
    ) -> tuple[dict[str, Line], tuple[str, ...]]:
        """Time the changes; of more than 64 lines keep those named and those with servo pulses."""
        said: list[str] = []

        def timed(group: _Group) -> dict[str, Line]:
            lines, notes = timed_lines(group.changes, clock, group.layout, group.comparators)
            said.extend(note for note in notes if note not in said)
            return lines

        if len(self._groups) == 1 or hints.lines is not None:
            every = {name: ln for group in self._groups for name, ln in timed(group).items()}
            if not any(line.edges_ps.size for line in every.values()):
                raise CaptureError(
                    source,
                    "all changes of level share their time with another of the same line",
                    "export the times with more decimals",
                )
            lines = select_lines(every, hints, source)
        else:
            lines, sentence = kept(map(timed, self._groups), hints, source)
            said.append(sentence)
        if not any(line.edges_ps.size for line in lines.values()):
            raise no_edges(lines, f"{self.changes.row_count} rows", source)
        return lines, tuple(said)


def gather(
    rows: Rows,
    layout: Layout,
    hints: Hints,
    source: str,
    batch_rows: int | None,
    *,
    changed: ChangedOnly | None = None,
) -> Gathered:
    """Read a table's rows once for every 64 levels, and keep those that change one."""

    def group(part: Layout) -> _Group:
        if not part.analogue:
            batches = (changed or rows)(part, batch_rows)
            return _Group(part, gather_changes(batches, source, part), {}, ())
        comparators, said = find_comparators(rows(part, FIRST_PASS_ROWS), part, hints, source)
        compared = compare(rows(part, batch_rows), part, comparators)
        return _Group(part, gather_changes(compared, source, part), comparators, said)

    found = tuple(group(replace(layout, levels=own)) for own in groups_of(layout.levels))
    changes = joined(group.changes for group in found)
    if not changes.words.size:
        voltages = [each for group in found for each in group.comparators.items()]
        quiet = [name for name, each in voltages if math.isinf(each.threshold)]
        raise no_edges(layout.level_columns, f"{changes.row_count} rows", source, quiet)
    said = dict.fromkeys(sentence for group in found for sentence in group.said)
    return Gathered(changes, tuple(said), found)


def whole_changes(
    gathered: Gathered,
    layout: Layout,
    left_out: Callable[[], Sequence[LevelColumn]],
    *,
    changed: ChangedOnly,
    source: str,
    batch_rows: int | None,
) -> Changes:
    """Give the changes that tell what uneven rows are: those of left out columns as well."""
    own = gathered.changes
    if come_evenly(own, layout, source) or not (columns := left_out()):
        return own
    try:
        others = [
            gather_changes(changed(replace(layout, levels=group), batch_rows), source, layout)
            for group in groups_of(columns)
        ]
    except CaptureError:  # they may be left out since they cannot be read
        return own
    whole = joined([own, *others])
    return whole if lists_changes(whole) else own


def read_table(path: Path, hints: Hints, *, batch_rows: int | None = None) -> Capture:
    """Read a delimited text table of levels, voltages, events or pulses.

    The forms are told apart from the data: one row per sample or per change
    with the levels or voltages of all lines, with or without a time column; one
    row per event (time, line, level); one row per pulse (time, line, duration).
    """
    with unprinted(), open_text(path) as text:
        if text.damage is not None:
            raise _first_of(text.damage, text, hints)
        return _read_either(text, hints, batch_rows)


def _first_of(damage: CaptureError, text: Text, hints: Hints) -> CaptureError:
    """Find a fault above the damage in a table's first lines, as far as these are a table."""
    from pwmscope.capture.text.faults import fault_in  # noqa: PLC0415 - slow to import

    try:
        layout = find_layout(text.head, text.source, hints)
    except PwmscopeError:
        return damage
    fault = fault_in([swept_head(text, layout)], replace(layout, is_loose=True), text.source)
    return min(damage, fault or damage, key=lambda each: each.row or 0)


def _read_either(text: Text, hints: Hints, batch_rows: int | None) -> Capture:
    """Read a table; where a row is wrong and some of it is no UTF-8, as Windows-1252."""
    try:
        return _read(text, hints, batch_rows)
    except RowError as error:
        if error.is_certain or _is_utf_8(text.path):
            raise
        first = error
    with rewritten(text) as again:
        try:
            return _read(again, hints, batch_rows)
        except PwmscopeError:
            raise first from None


def _is_utf_8(path: Path) -> bool:
    """Whether all of a text is UTF-8; its head is, but a remark far below need not be."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    with reading(path), open_bytes(path) as file:
        try:
            while block := file.read(1 << 20):
                decoder.decode(block)
        except UnicodeDecodeError:
            return False
    return True


def _read(text: Text, hints: Hints, batch_rows: int | None) -> Capture:
    """Read a table as its head promises; where it does not hold, cell by cell without remarks."""
    layout = find_layout(text.head, text.source, hints, text.more)
    if not layout.is_spoilt:
        _refuse_without_rate(layout, text.source)
    if not layout.has_remarks:
        try:
            return _read_as(text, layout, hints, batch_rows)
        except RowError as error:
            # What spoils a head without remarks is none.
            if error.is_certain or layout.is_spoilt or text.path.stat().st_size == 0:
                raise
    with swept(text, layout) as (clean, loose):
        return _read_as(clean, loose, hints, batch_rows)


def _read_as(text: Text, layout: Layout, hints: Hints, batch_rows: int | None) -> Capture:
    """Read a table as its layout says; where it has a fault, name the first."""
    try:
        if layout.events is None:
            return _read_rows(text, layout, hints, batch_rows)
        from pwmscope.capture.text.event_list import read_event_list  # noqa: PLC0415 - slow

        return read_event_list(text, layout, hints, batch_rows=batch_rows)
    except CaptureError as error:
        if not (isinstance(error, RowError | DisorderError) or layout.is_spoilt):
            raise
        from pwmscope.capture.text.faults import first_fault  # noqa: PLC0415 - slow to import

        raise first_fault(text.path, layout, text.source, error) from None


def _refuse_without_rate(layout: Layout, source: str) -> None:
    if layout.rate_hz is not None or (layout.time_column and layout.time_kind != "sample"):
        return
    lack = "carry no time column" if layout.time_column is None else "carry sample numbers, no time"
    raise rate_needed(source, lack)


def _read_rows(text: Text, layout: Layout, hints: Hints, batch_rows: int | None) -> Capture:
    source = text.source
    is_clock = layout.stamp is not None and layout.stamp.is_clock

    def rows(placed: Layout, size: int | None) -> Iterator[RowBatch]:
        from pwmscope.capture.text.rows import stream_rows  # noqa: PLC0415 - slow to import

        found = stream_rows(text.path, placed, batch_rows=size)
        return past_midnight(found) if is_clock else found

    def changed(placed: Layout, size: int | None) -> Iterator[ChangedRows | RowBatch]:
        if is_clock:
            return rows(placed, size)
        return stream_changes(text.path, placed, batch_rows=size)

    gathered = gather(rows, layout, hints, source, batch_rows, changed=changed)
    _refuse_without_rate(layout, source)
    shape = whole_changes(
        gathered, layout, lambda: layout.left_out,
        changed=changed, source=source, batch_rows=batch_rows,
    )  # fmt: skip
    clock = find_clock(shape, layout, hints, source, gathered.voltages)
    lines, notes = gathered.lines(clock, hints, source)
    said = [*text.assumptions, *layout.assumptions, *gathered.said, *clock.assumptions, *notes]
    said += doubted_clock(lines, layout, hints)
    if is_clock and passes_midnight(layout, gathered.changes.end_ps):
        said.append("The time of day passes midnight; what follows is taken as the next day.")
    if gathered.changes.lost_last_row:
        said.append("The last row is cut short and was left out.")
    return Capture(lines, clock.duration_ps, clock.interval_ps, source, tuple(said))


MIN_ROWS: Final = 50
"""So many rows show how a table is laid out."""
_BLANK_LINES: Final = re.compile(rb"^\r?\n", re.MULTILINE)
_REMEDY: Final = "read it when it is whole, by `source`"


@dataclass(frozen=True, slots=True)
class NewEdges:
    """What some more rows show."""

    now_ps: int  # Time of the last row, in picoseconds since the first
    # shape (n_edges,): The edges of each line since the rows before, in picoseconds since the first
    # row
    edges_ps: Mapping[str, IntArray]
    levels: Mapping[str, int]  # Each line's level after them

    @property
    def now_s(self) -> float:
        """Time of the last row in seconds."""
        return self.now_ps / PS_PER_S

    @property
    def edges_s(self) -> dict[str, FloatArray]:
        """The edges of each line in seconds."""
        return {name: edges_ps / PS_PER_S for name, edges_ps in self.edges_ps.items()}


class GrowingTable:
    r"""A table of one row per sample or per change, fed with its bytes as they come.

    Nothing is held but the last row and what is not a whole line yet. Of hints it takes ``rate``,
    ``time_unit``, ``time_column`` and ``lines``.

    >>> table = GrowingTable("pipe")
    >>> rows = "".join(f"{n / 1000:.3f},{n % 20 // 18}\n" for n in range(100))
    >>> new = table.feed(("time_s,RX1\n" + rows).encode())
    >>> new.edges_s["RX1"][:3].tolist(), new.now_s
    ([0.018, 0.02, 0.038], 0.099)
    """

    def __init__(self, source: str, hints: Mapping[str, Any] | None = None) -> None:
        self._source = source
        self._hints = Hints.of(**(hints or {}))
        self._left = b""
        self._layout: Layout | None = None
        self._rows = 0
        self._line = 1  # The number of the line that comes next
        self._first_ps: int | None = None
        self._last_ps = 0
        self._word: int | None = None

    def feed(self, data: bytes, *, is_last: bool = False) -> NewEdges | None:
        """Take more bytes; give what they show, or None while it is too little."""
        whole, end, rest = (self._left + data).rpartition(b"\n")
        self._left = rest
        if len(rest) > MAX_LINE_BYTES:
            raise CaptureError(self._source, "a line is longer than 1024 KiB", _REMEDY)
        lines = whole + end
        if not lines:
            return None
        if self._layout is None:
            if lines.count(b"\n") < MIN_ROWS and len(lines) < HEAD_BYTES and not is_last:
                self._left = lines + rest
                return None
            self._layout = self._understood(lines)
            lines = b"\n".join(lines.split(b"\n")[self._layout.skip_lines :])
            self._line += self._layout.skip_lines
        found = self._read(lines) if lines.strip() else None
        self._line += lines.count(b"\n")
        return found

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines that are read; empty until the table is understood."""
        return () if self._layout is None else self._layout.level_columns

    def _understood(self, head: bytes) -> Layout:
        text = head[:HEAD_BYTES]
        layout = find_layout(text[: text.rindex(b"\n") + 1].decode("utf-8-sig", "replace"),
                             self._source, self._hints)  # fmt: skip
        is_timed = layout.time_column is not None and layout.time_kind != "sample"
        if layout.is_spoilt:
            raise self._fault(head, layout)
        if (
            layout.events
            or layout.runs
            or layout.analogue
            or any(level.is_bus for level in layout.levels)
        ):
            raise CaptureError(
                self._source, "rows other than times and levels cannot be followed", _REMEDY
            )
        if not is_timed and not self._rate_hz(layout):
            raise CaptureError(
                self._source, "the rows carry no time", "give the analyser's rate, `rate='1MHz'`"
            )
        return layout

    def _rate_hz(self, layout: Layout) -> float | None:
        return self._hints.rate_hz or layout.rate_hz

    def _read(self, lines: bytes) -> NewEdges:
        layout = self._layout
        assert layout is not None
        from pwmscope.capture.text.rows import parse_lines  # noqa: PLC0415 - slow to import

        batch = parse_lines(_BLANK_LINES.sub(b"", lines), layout, self._rows)
        if batch is None:
            raise self._fault(lines, replace(layout, skip_lines=0))
        times_ps = self._times_ps(batch, layout)
        if bool((np.diff(times_ps, prepend=self._last_ps) < 0).any()):
            raise self._fault(lines, replace(layout, skip_lines=0))
        self._last_ps = int(times_ps[-1])
        words = batch.words
        before = words[0] if self._word is None else np.asarray(self._word, words.dtype)
        changed = words ^ np.concatenate([[before], words[:-1]]).astype(words.dtype)
        one = words.dtype.type(1)
        edges_ps, levels = {}, {}
        for level in layout.levels:
            if self._hints.lines and level.name not in self._hints.lines:
                continue
            bit = words.dtype.type(level.first_bit)
            edges_ps[level.name] = times_ps[((changed >> bit) & one).astype(bool)]
            levels[level.name] = int((words[-1] >> bit) & one)
        self._rows += words.size
        self._word = int(words[-1])
        return NewEdges(int(times_ps[-1]), edges_ps, levels)

    def _fault(self, lines: bytes, layout: Layout) -> CaptureError:
        """Find the first fault in lines that are to be read."""
        from pwmscope.capture.text.faults import fault_in  # noqa: PLC0415 - slow to import

        said = "a row here is none of times and levels, or earlier than the one above"
        unread = CaptureError(self._source, said, _REMEDY, row=self._line + layout.skip_lines)
        return fault_in([lines], layout, self._source, self._line) or unread

    def _times_ps(self, batch: RowBatch, layout: Layout) -> IntArray:
        if batch.time_ps is not None and layout.time_kind != "sample":
            times_ps = batch.time_ps
        else:
            rows = np.arange(self._rows, self._rows + batch.words.size, dtype=np.int64)
            numbers = rows if batch.time_ps is None else batch.time_ps
            interval_ps = 1e12 / (self._rate_hz(layout) or 1.0)
            times_ps = at_samples(numbers, interval_ps, self._source)
        if self._first_ps is None:
            self._first_ps = int(times_ps[0])
        since_ps: IntArray = times_ps - self._first_ps
        return since_ps
