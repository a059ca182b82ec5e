"""A value change dump (IEEE Std 1364) as a Capture, or followed while it is still being written."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.hints import (
    MAX_LINES,
    Hints,
    find_listed_interval,
    format_interval,
    kept,
    size_of_unit,
)
from pwmscope.capture.reader.unpack import find_packing, name_of, open_bytes, watched
from pwmscope.capture.text import NewEdges
from pwmscope.capture.text.comparator import AmplitudeHistogram, Threshold
from pwmscope.capture.text.edges import no_edges
from pwmscope.capture.vcd.values import (
    MAX_HEADER_BYTES,
    Header,
    RealTrace,
    Trace,
    Values,
    Wanted,
    choose_lines,
    find_threshold,
    find_values,
    read_header,
    real_values,
    states_of,
)
from pwmscope.capture.vcd.words import (
    BLOCK_BYTES,
    REAL,
    SCALAR,
    Bytes,
    Clock,
    CodeBook,
    Words,
    WordStream,
    awaits_code,
    no_dump,
)
from pwmscope.errors import CaptureError, HintError
from pwmscope.model import Assumption, Capture, IntArray, Line

Sink: TypeAlias = Callable[[Words, dict[int, Values]], None]


@dataclass(frozen=True, slots=True)
class _Reading:
    """One file and how it is to be read."""

    path: Path  # The file, plain or packed
    hints: Hints  # What the person said
    block_bytes: int  # Bytes to read at a time

    @property
    def source(self) -> str:
        """The file's name, for messages."""
        return name_of(self.path)

    def header(self) -> Header:
        """Read the declarations."""
        with open_bytes(self.path) as file:
            header = read_header(file, self.source)
        unit = self.hints.time_unit
        if header.timescale is not None and unit is not None:
            raise HintError(
                f"{self.source}: the file states its time unit ({header.timescale}); "
                "leave `time_unit` out."
            )
        if header.timescale is not None:
            return header
        if unit is None:
            raise HintError(
                f"{self.source}: the file states no time unit ($timescale); add `time_unit`, "
                "for example `time_unit='ns'`."
            )
        return replace(header, unit_fs=_femtoseconds(unit))

    def run(self, header: Header, sink: Sink) -> tuple[Clock, bool]:
        """Hand all values to a sink, block by block."""
        book = CodeBook(header.codes)
        clock = Clock(header.unit_fs, self.source)
        with open_bytes(self.path) as file:
            rest = read_header(file, self.source).rest
            stream = WordStream(file, self.source, rest, header.rows + 1, self.block_bytes)
            is_plain = find_packing(self.path) == "plain"
            size = self.path.stat().st_size if is_plain else None
            for words in watched(stream, size, lambda words: words.data.size, "bytes"):
                times = clock.times_of(words)
                left_out = clock.find_sections(words, times)
                sink(words, find_values(words, times, left_out, book, self.source))
        return clock, stream.cut_short


def _femtoseconds(unit: str) -> int:
    multiple, exponent = size_of_unit(unit)
    return int(multiple * 10**exponent * 1000)


@dataclass(frozen=True, slots=True)
class _Variables:
    """The wanted lines by the number of their identifier code."""

    lines: tuple[Wanted, ...]  # The lines
    # For each identifier code, in order of first declaration, the positions in `lines` of those
    # that are read from it
    groups: tuple[tuple[int, ...], ...]
    source: str  # The file's name, for messages

    @classmethod
    def of(cls, header: Header, lines: tuple[Wanted, ...], source: str) -> _Variables:
        """Group lines by identifier code."""
        groups: dict[bytes, list[int]] = {v.code: [] for v in header.variables}
        for i, line in enumerate(lines):
            groups[line.variable.code].append(i)
        return cls(lines, tuple(tuple(group) for group in groups.values()), source)

    def values_of(
        self, words: Words, values: Values | None, *, are_real: bool
    ) -> Iterator[tuple[tuple[int, ...], IntArray, IntArray]]:
        """Give, for each wanted variable, its lines, words and times in file order."""
        if values is None:
            return
        for number, positions in _by_number(values.numbers):
            group = self.groups[number]
            if not group:
                continue
            at = values.words[positions]
            line = self.lines[group[0]]
            if line.is_real != are_real:
                kind = f"does not fit a variable of type {line.variable.kind}"
                found = f"the value '{words.text_of(int(at[0]))}' {kind}"
                raise no_dump(self.source, found, words.row_of(int(at[0])), line.name)
            yield group, at, values.times[positions]


def _by_number(numbers: npt.NDArray[np.int32]) -> Iterator[tuple[int, IntArray]]:
    # numpy sorts 16-bit numbers by radix.
    keys = numbers.astype(np.uint16) if int(numbers.max()) < 65_536 else numbers
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    bounds = np.flatnonzero(ordered[1:] != ordered[:-1]) + 1
    for positions in np.split(order, bounds):
        yield int(keys[positions[0]]), positions


def _histogram_sink(variables: _Variables, histograms: Sequence[AmplitudeHistogram]) -> Sink:
    """Make a sink that counts the numbers of real variables."""
    lines, source = variables.lines, variables.source

    def take(words: Words, found: dict[int, Values]) -> None:
        for group, at, _ in variables.values_of(words, found.get(REAL), are_real=True):
            for i in group:
                values = real_values(words, at, lines[i].name, source)
                histograms[i].add(values[np.isfinite(values)])

    return take


def _trace_sink(variables: _Variables, traces: Sequence[Trace | RealTrace]) -> Sink:
    """Make a sink that follows the level of every wanted line."""
    lines, source = variables.lines, variables.source

    def take(words: Words, found: dict[int, Values]) -> None:
        for group, at, times in variables.values_of(words, found.get(SCALAR), are_real=False):
            states = states_of(words, at, lines[group[0]].variable, source)
            for i in group:
                trace = traces[i]
                assert isinstance(trace, Trace)
                trace.feed(times, states[:, lines[i].bit])
        for group, at, times in variables.values_of(words, found.get(REAL), are_real=True):
            for i in group:
                real = traces[i]
                assert isinstance(real, RealTrace)
                real.feed(times, real_values(words, at, lines[i].name, source))

    return take


def _format_time(header: Header, clock: Clock, start_ps: int, *, ends_with_edge: bool) -> list[str]:
    """Say the unit of time, where time 0 lies and where the recording ends."""
    unit = (
        format_interval(header.unit_fs / 1000) if header.unit_fs >= 1000 else f"{header.unit_fs} fs"
    )
    by_file = header.timescale is not None
    said: list[str] = [
        Assumption(
            f"The file is a value change dump (IEEE Std 1364) in units of {unit}, "
            f"{'as the file states' if by_file else 'as you said'}.",
            "time unit", unit, "", "file" if by_file else "person", ("time_unit",),
        )
    ]  # fmt: skip
    if header.unit_fs < 1000:
        said.append("Times in femtoseconds were rounded to whole picoseconds.")
    if start_ps:
        said.append(
            f"Time 0 is the first time stamp, which the file calls {start_ps / 1e12:.9g} s."
        )
    if ends_with_edge:
        said.append(
            "The recording is taken to end at its last time stamp, a change. Lines that went "
            "quiet together after it cannot be seen."
        )
    offs_ps = list(clock.offs_ps)
    if clock.off_since_ps is not None:
        offs_ps.append((clock.off_since_ps, clock.now_ps))
    if offs_ps:
        spans = ", ".join(
            f"{(a - start_ps) / 1e12:.9g} s to {(b - start_ps) / 1e12:.9g} s"
            for a, b in offs_ps[:4]
        )
        more = f", and {len(offs_ps) - 4} more spans" if len(offs_ps) > 4 else ""
        said.append(
            f"Recording was switched off ($dumpoff) from {spans}{more}. Levels there are unknown "
            "and read as those before. What had changed is timed at the span's end."
        )
    return said


def _format_line(name: str, trace: Trace, start_ps: int) -> list[str]:
    """Say what of a line was unknown or had no length."""
    said = []
    if trace.first_level is None:
        return [f"Line {name} has no known level anywhere and was left out."]
    if trace.unknown_count:
        stretches = "1 stretch" if trace.unknown_count == 1 else f"{trace.unknown_count} stretches"
        said.append(
            f"Line {name} is unknown (x or z) for {stretches}, "
            f"{format_interval(trace.unknown_ps)} in all, the first at "
            f"{(trace.unknown_from_ps - start_ps) / 1e12:.9g} s. It is read as the level before; "
            "at the start, as the level after."
        )
    if trace.superseded:
        said.append(
            f"Line {name} has {trace.superseded} levels that another level replaces at the same "
            "time; pulses of no length were left out."
        )
    return said


def read_vcd(path: Path, hints: Hints, *, block_bytes: int = BLOCK_BYTES) -> Capture:
    r"""Read a value change dump: edges of every wire, each bit of a vector being one line.

    Time 0 is the first time stamp, or the file's own 0 where values stand before it. How many
    bytes are read at a time has no effect on the result.

    >>> import tempfile
    >>> text = "$timescale 1 us $end $var wire 1 ! RX1 $end $enddefinitions $end\n"
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder, "one.vcd")
    ...     _ = file.write_text(text + "#0\n0!\n#3000\n1!\n#4500\n0!\n#20000\n")
    ...     capture = read_vcd(file, Hints())
    >>> capture.lines["RX1"].edges_ps, capture.duration_s
    (array([3000000000, 4500000000]), 0.02)
    """
    reading = _Reading(path, hints, block_bytes)
    header = reading.header()
    wanted, said = choose_lines(header, hints, reading.source)
    groups = [wanted[at : at + _AT_ONCE] for at in range(0, len(wanted), _AT_ONCE)]
    found = [_followed(reading, header, group) for group in groups]
    clock, cut_short = found[0].clock, found[0].cut_short
    start_ps = clock.start_ps or 0
    duration_ps = clock.now_ps - start_ps
    if len(wanted) > MAX_LINES and hints.lines is None:
        lines, left_out = kept(
            (each.lines for each in found), hints, reading.source, _own_name, len(wanted)
        )
        said = (*said, left_out)
    else:
        lines = {name: line for each in found for name, line in each.lines.items()}
    thresholds = {n: held for each in found for n, held in each.thresholds.items() if n in lines}
    notes = [
        note for each in found for name, note in each.notes if len(found) == 1 or name in lines
    ]
    edges = [line.edges_ps for line in lines.values()]
    if not any(edges_ps.size for edges_ps in edges):
        raise no_edges([line.name for line in wanted], format_interval(duration_ps), reading.source)
    edges += _left_out_edges(reading, header, wanted)
    unit_ps = max(1, header.unit_fs // 1000)
    interval_ps, interval_note = find_listed_interval(
        edges, unit_ps, hints.rate_hz, hints, reading.source, digits="time unit"
    )
    ends_with_edge = any(e.size and int(e[-1]) == duration_ps for e in edges)
    said = (
        *_format_time(header, clock, start_ps, ends_with_edge=ends_with_edge),
        *said,
        *(held.assumption for held in thresholds.values()),
        *notes,
        interval_note,
    )
    if cut_short:
        said = (*said, "The last line is not closed, so it may be cut short; it was left out.")
    return Capture(lines, duration_ps, interval_ps, reading.source, said)


def _left_out_edges(
    reading: _Reading, header: Header, wanted: tuple[Wanted, ...]
) -> list[IntArray]:
    """Follow the lines that `lines` leaves out, as the interval is told from all changes."""
    if reading.hints.lines is None:
        return []
    whole = replace(reading, hints=Hints())
    taken = {(line.variable.code, line.bit) for line in wanted}
    try:
        every, _ = choose_lines(header, whole.hints, reading.source)
        digital = [line for line in every if not line.is_real]
        others = tuple(ln for ln in digital if (ln.variable.code, ln.bit) not in taken)
        if not others or len(every) > MAX_LINES:
            return []
        return [line.edges_ps for line in _followed(whole, header, others).lines.values()]
    except CaptureError:  # they may be left out since they cannot be read
        return []


_AT_ONCE: Final = 1024
"""Lines that are followed in one run through the file."""


def _own_name(name: str) -> str:
    """Tell a line's name without its scopes."""
    return name.rpartition(".")[2]


@dataclass(frozen=True, slots=True)
class _Followed:
    """What one run through the file found of some lines."""

    lines: dict[str, Line]
    thresholds: dict[str, Threshold]
    notes: list[tuple[str, str]]  # Each with the name of its line
    clock: Clock
    cut_short: bool


def _followed(reading: _Reading, header: Header, wanted: tuple[Wanted, ...]) -> _Followed:
    """Follow some lines through the file."""
    thresholds = _find_thresholds(reading, header, wanted)
    traces: list[Trace | RealTrace] = []
    for line in wanted:
        held = thresholds.get(line.name)
        traces.append(Trace() if held is None else RealTrace(held.level, held.band / 2))
    variables = _Variables.of(header, wanted, reading.source)
    clock, cut_short = reading.run(header, _trace_sink(variables, traces))
    lines, notes = _lines(wanted, traces, clock.start_ps or 0, clock.now_ps)
    return _Followed(lines, thresholds, notes, clock, cut_short)


def _find_thresholds(
    reading: _Reading, header: Header, wanted: tuple[Wanted, ...]
) -> dict[str, Threshold]:
    """Find the threshold of every real variable, which takes a run of its own."""
    reals = tuple(line for line in wanted if line.is_real)
    hint = reading.hints.threshold_v
    if not reals:
        if hint is not None:
            raise HintError(
                f"{reading.source}: none of the lines is a real variable, so no threshold is "
                "needed; leave `threshold` out."
            )
        return {}
    histograms = [AmplitudeHistogram() for _ in reals]
    sink = _histogram_sink(_Variables.of(header, reals, reading.source), histograms)
    # Blocks of one size, so that sums are rounded the same way every time.
    replace(reading, block_bytes=BLOCK_BYTES).run(header, sink)
    return {
        line.name: find_threshold(line.name, histogram, hint)
        for line, histogram in zip(reals, histograms, strict=True)
    }


def _lines(
    wanted: tuple[Wanted, ...], traces: list[Trace | RealTrace], start_ps: int, end_ps: int
) -> tuple[dict[str, Line], list[tuple[str, str]]]:
    lines: dict[str, Line] = {}
    notes: list[tuple[str, str]] = []
    for line, followed in zip(wanted, traces, strict=True):
        trace = followed.trace if isinstance(followed, RealTrace) else followed
        edges_ps = trace.finish(end_ps)
        if trace.first_level is not None:
            edges_ps -= start_ps
            lines[line.name] = Line(line.name, edges_ps, trace.first_level)
        notes += [(line.name, note) for note in _format_line(line.name, trace, start_ps)]
    return lines, notes


_REMEDY: Final = "read it when it is whole, by `source`"
_END: Final = re.compile(rb"\$enddefinitions\s+\$end\s")
_STAMP: Final = re.compile(rb"#(\d{1,19})\s")
MAX_STEP_BYTES: Final = 4 << 20
"""What stands between two time stamps is held until the second one comes."""


class GrowingDump:
    r"""A value change dump, fed with its bytes as they come; of hints it takes ``lines``.

    What stands under a time stamp is told when the next one comes: only then is it whole.

    >>> dump = GrowingDump("pipe")
    >>> head = b"$timescale 1 us $end $var wire 1 ! RX1 $end $enddefinitions $end\n"
    >>> new = dump.feed(head + b"#0\n0!\n#3000\n1!\n#4500\n0!\n#20000\n")
    >>> new.edges_s["RX1"].tolist(), new.levels, new.now_s
    ([0.003, 0.0045], {'RX1': 0}, 0.02)
    """

    def __init__(self, source: str, hints: Mapping[str, Any] | None = None) -> None:
        self._source = source
        self._hints = Hints.of(**(hints or {}))
        self._left = b""
        self._header: Header | None = None
        self._variables: _Variables | None = None
        self._levels: dict[str, int] = {}

    def feed(self, data: bytes, *, is_last: bool = False) -> NewEdges | None:
        """Take more bytes; give what they show, or None while it is too little."""
        self._left += data
        if self._header is None:
            if not _END.search(self._left) and not is_last and len(self._left) < MAX_HEADER_BYTES:
                return None
            self._understand()
        # A last line that is not closed may be cut short.
        at = self._left.rfind(b"\n" if is_last else b"\n#") + 1
        stamp = None if is_last else _STAMP.match(self._left, at)
        if not is_last and (not at or stamp is None):
            if len(self._left) > MAX_STEP_BYTES:
                raise CaptureError(self._source, "no time stamp in 4096 KiB", _REMEDY)
            return None
        whole, rest = self._left[:at], self._left[at:]
        row, was_in_comment = self._stream.row, self._stream.in_comment
        words = self._stream.split(whole, row)
        if words.starts.size and awaits_code(words) and not is_last:  # its code is no time stamp
            self._stream.in_comment = was_in_comment
            return None
        self._left, self._stream.row = rest, row + whole.count(b"\n")
        if not words.starts.size:
            return None
        return self._read(words, None if stamp is None else int(stamp[1]))

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines that are read; empty until the header is whole."""
        return () if self._variables is None else tuple(ln.name for ln in self._variables.lines)

    def _understand(self) -> None:
        file = io.BytesIO(self._left)
        header = read_header(file, self._source)
        if header.timescale is None:
            said = "the dump states no time unit ($timescale)"
            raise CaptureError(self._source, said, _REMEDY)
        wanted, _ = choose_lines(header, self._hints, self._source)
        real = next((line.name for line in wanted if line.is_real), None)
        if real is not None:
            raise CaptureError(
                self._source, f"'{real}' is a real variable and cannot be followed",
                "leave it out of `lines`, or " + _REMEDY,
            )  # fmt: skip
        self._header, self._left = header, header.rest + file.read()
        self._variables = _Variables.of(header, wanted, self._source)
        self._book = CodeBook(header.codes)
        self._clock = Clock(header.unit_fs, self._source)
        self._stream = WordStream(io.BytesIO(), self._source, b"", header.rows + 1)

    def _read(self, words: Words, next_stamp: int | None) -> NewEdges:
        assert self._variables is not None  # feed has seen to it
        times_ps = self._clock.times_of(words)
        left_out = self._clock.find_sections(words, times_ps)
        found = find_values(words, times_ps, left_out, self._book, self._source).get(SCALAR)
        edges_ps = {name: np.zeros(0, np.int64) for name in self._levels}
        lines = self._variables.lines
        for group, at, at_ps in self._variables.values_of(words, found, are_real=False):
            states = states_of(words, at, lines[group[0]].variable, self._source)
            for i in group:
                self._note(lines[i].name, at_ps, states[:, lines[i].bit], edges_ps)
        now_ps = self._clock.now_ps
        if next_stamp is not None:  # time has gone on until there
            now_ps = max(now_ps, next_stamp * self._clock.unit_fs // 1000)
        return NewEdges(now_ps - (self._clock.start_ps or 0), edges_ps, dict(self._levels))

    def _note(
        self, name: str, times_ps: IntArray, states: Bytes, edges_ps: dict[str, IntArray]
    ) -> None:
        """Follow a line; what is unknown stands for the level before."""
        is_level = states <= 1
        is_level[:-1] &= times_ps[1:] != times_ps[:-1]  # of levels at one time the last counts
        levels, at_ps = states[is_level].astype(np.int64), times_ps[is_level]
        if levels.size:
            before = self._levels.get(name, int(levels[0]))
            is_edge = np.diff(levels, prepend=before) != 0
            edges_ps[name] = at_ps[is_edge] - (self._clock.start_ps or 0)
            self._levels[name] = int(levels[-1])
