"""Running through a value change dump, once or several times."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.hints import Hints
from pwmscope.capture.progress import watched
from pwmscope.capture.text.state_levels import AmplitudeHistogram
from pwmscope.capture.unpack import find_packing, open_bytes
from pwmscope.capture.vcd.clock import Clock
from pwmscope.capture.vcd.codes import CodeBook
from pwmscope.capture.vcd.header import FEMTOSECONDS_OF_UNIT, Header, read_header
from pwmscope.capture.vcd.lines import Wanted
from pwmscope.capture.vcd.reals import RealTrace
from pwmscope.capture.vcd.trace import Trace
from pwmscope.capture.vcd.values import (
    STATE_OF_BYTE,
    Values,
    find_values,
    real_values,
    vector_states,
)
from pwmscope.capture.vcd.words import REAL, SCALAR, Words, WordStream
from pwmscope.errors import CaptureError, HintError

Sink: TypeAlias = Callable[[Words, dict[int, Values]], None]


@dataclass(frozen=True, slots=True)
class Reading:
    """One file and how it is to be read.

    Parameters
    ----------
    path : Path
        The file, plain or packed.
    hints : Hints
        What the person said.
    block_bytes : int
        Bytes to read at a time.
    """

    path: Path
    hints: Hints
    block_bytes: int

    @property
    def source(self) -> str:
        """The file's name, for messages."""
        return str(self.path)

    def header(self) -> Header:
        """Read the declarations.

        Raises
        ------
        CaptureError
            If the file cannot be opened or its header is not as expected.
        HintError
            If a hint contradicts the file, or the time unit is needed.
        """
        if self.hints.time_column is not None:
            raise HintError(
                f"{self.source}: a value change dump has no time column; leave --time-column out."
            )
        with open_bytes(self.path) as file:
            header = read_header(file, self.source)
        unit = self.hints.time_unit
        if header.timescale is not None and unit is not None:
            raise HintError(
                f"{self.source}: the file states its time unit ({header.timescale}); "
                "leave --time-unit out."
            )
        if header.timescale is not None:
            return header
        if unit is None:
            raise HintError(
                f"{self.source}: the file states no time unit ($timescale); add --time-unit, "
                "for example --time-unit ns."
            )
        return replace(header, unit_fs=FEMTOSECONDS_OF_UNIT[unit])

    def run(self, header: Header, sink: Sink) -> tuple[Clock, bool]:
        """Hand all values to a sink, block by block.

        Returns
        -------
        clock : Clock
            The clock at the file's end.
        cut_short : bool
            Whether the file's last word was left out.
        """
        book = CodeBook(tuple(dict.fromkeys(v.code for v in header.variables)))
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


@dataclass(frozen=True, slots=True)
class Variables:
    """The wanted lines by the number of their identifier code.

    Parameters
    ----------
    lines : tuple of Wanted
        The lines.
    groups : tuple of tuple of int
        For each identifier code, in order of first declaration, the positions
        in `lines` of those that are read from it.
    source : str
        The file's name, for messages.
    """

    lines: tuple[Wanted, ...]
    groups: tuple[tuple[int, ...], ...]
    source: str

    @classmethod
    def of(cls, header: Header, lines: tuple[Wanted, ...], source: str) -> Variables:
        """Group lines by identifier code."""
        groups: dict[bytes, list[int]] = {v.code: [] for v in header.variables}
        for i, line in enumerate(lines):
            groups[line.variable.code].append(i)
        return cls(lines, tuple(tuple(group) for group in groups.values()), source)

    def values_of(
        self, words: Words, values: Values | None, *, are_real: bool
    ) -> Iterator[tuple[tuple[int, ...], npt.NDArray[np.int64], npt.NDArray[np.int64]]]:
        """Give, for each wanted variable, its lines, words and times in file order.

        Raises
        ------
        CaptureError
            If a real variable is given states, or a wire numbers.
        """
        if values is None:
            return
        for number, positions in _by_number(values.numbers):
            group = self.groups[number]
            if not group:
                continue
            at = values.words[positions]
            line = self.lines[group[0]]
            if line.is_real != are_real:
                raise CaptureError(
                    self.source,
                    f"the value '{words.text_of(int(at[0]))}' does not fit a variable of type "
                    f"{line.variable.kind}",
                    "export the recording again as a value change dump (IEEE Std 1364)",
                    row=words.row_of(int(at[0])),
                    column=line.name,
                )
            yield group, at, values.times[positions]


def _by_number(
    numbers: npt.NDArray[np.int32],
) -> Iterator[tuple[int, npt.NDArray[np.int64]]]:
    # numpy sorts 16-bit numbers by radix.
    keys = numbers.astype(np.uint16) if int(numbers.max()) < 65_536 else numbers
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    bounds = np.flatnonzero(ordered[1:] != ordered[:-1]) + 1
    for positions in np.split(order, bounds):
        yield int(keys[positions[0]]), positions


def histogram_sink(variables: Variables, histograms: Sequence[AmplitudeHistogram]) -> Sink:
    """Make a sink that counts the numbers of real variables."""
    lines, source = variables.lines, variables.source

    def take(words: Words, found: dict[int, Values]) -> None:
        for group, at, _ in variables.values_of(words, found.get(REAL), are_real=True):
            for i in group:
                values = real_values(words, at, lines[i].name, source)
                histograms[i].add(values[np.isfinite(values)])

    return take


def trace_sink(variables: Variables, traces: Sequence[Trace | RealTrace]) -> Sink:
    """Make a sink that follows the level of every wanted line."""
    lines, source = variables.lines, variables.source

    def take(words: Words, found: dict[int, Values]) -> None:
        for group, at, times in variables.values_of(words, found.get(SCALAR), are_real=False):
            line = lines[group[0]]
            if line.variable.size == 1 and words.is_code is None:
                states = STATE_OF_BYTE[words.data[words.starts[at]]][:, None]
            else:
                states = vector_states(words, at, line.variable.size, line.variable.name, source)
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
