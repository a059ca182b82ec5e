"""A value change dump (IEEE Std 1364) that is still being written: its changes as they come."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.text import NewEdges
from pwmscope.capture.vcd.header import (
    MAX_HEADER_BYTES,
    Header,
    Wanted,
    choose_lines,
    read_header,
)
from pwmscope.capture.vcd.values import STATE_OF_BYTE, Values, find_values, vector_states
from pwmscope.capture.vcd.words import SCALAR, Clock, CodeBook, Words, WordStream, awaits_code
from pwmscope.errors import CaptureError

_REMEDY: Final = "read it when it is whole, by `source`"
_END: Final = re.compile(rb"\$enddefinitions\s+\$end\s")
_STAMP: Final = re.compile(rb"#(\d{1,19})\s")
MAX_STEP_BYTES: Final = 4 << 20
"""What stands between two time stamps is held until the second one comes."""


class GrowingDump:
    r"""A value change dump, fed with its bytes as they come.

    What stands under a time stamp is told when the next one comes: only then is it whole.

    Parameters
    ----------
    source : str
        What to call it in messages.
    hints : mapping, optional
        Keywords of `load`: ``lines``.

    Examples
    --------
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
        self._wanted: tuple[tuple[Wanted, ...], ...] = ()  # By the number of the identifier code
        self._levels: dict[str, int] = {}

    def feed(self, data: bytes, *, is_last: bool = False) -> NewEdges | None:
        """Take more bytes; give what they show, or None while it is too little.

        Raises
        ------
        CaptureError
            If the bytes are no value change dump that can be followed.
        HintError
            If it lacks a line that was asked for.
        """
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
        return tuple(line.name for group in self._wanted for line in group)

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
        groups: dict[bytes, list[Wanted]] = {v.code: [] for v in header.variables}
        for line in wanted:
            groups[line.variable.code].append(line)
        self._header, self._left = header, header.rest + file.read()
        self._wanted = tuple(tuple(group) for group in groups.values())
        self._book = CodeBook(tuple(groups))
        self._clock = Clock(header.unit_fs, self._source)
        self._stream = WordStream(io.BytesIO(), self._source, b"", header.rows + 1)

    def _read(self, words: Words, next_stamp: int | None) -> NewEdges:
        times_ps = self._clock.times_of(words)
        left_out = self._clock.find_sections(words, times_ps)
        found = find_values(words, times_ps, left_out, self._book, self._source).get(SCALAR)
        edges_ps = {name: np.zeros(0, np.int64) for name in self._levels}
        if found is not None:
            for number in np.unique(found.numbers).tolist():
                self._note(words, found, self._wanted[number], found.numbers == number, edges_ps)
        now_ps = self._clock.now_ps
        if next_stamp is not None:  # time has gone on until there
            now_ps = max(now_ps, next_stamp * self._clock.unit_fs // 1000)
        return NewEdges(now_ps - (self._clock.start_ps or 0), edges_ps, dict(self._levels))

    def _note(
        self,
        words: Words,
        found: Values,
        group: tuple[Wanted, ...],
        are_its: npt.NDArray[np.bool_],
        edges_ps: dict[str, npt.NDArray[np.int64]],
    ) -> None:
        """Follow the lines of one variable; what is unknown stands for the level before."""
        if not group:
            return
        at, times_ps, variable = found.words[are_its], found.times[are_its], group[0].variable
        if variable.size == 1 and words.is_code is None:
            states = STATE_OF_BYTE[words.data[words.starts[at]]][:, None]
        else:
            states = vector_states(words, at, variable.size, variable.name, self._source)
        for line in group:
            state = states[:, line.bit]
            is_level = state <= 1
            is_level[:-1] &= times_ps[1:] != times_ps[:-1]  # of levels at one time the last counts
            levels, at_ps = state[is_level].astype(np.int64), times_ps[is_level]
            if not levels.size:
                continue
            before = self._levels.get(line.name, int(levels[0]))
            is_edge = levels != np.concatenate([[before], levels[:-1]])
            edges_ps[line.name] = at_ps[is_edge] - (self._clock.start_ps or 0)
            self._levels[line.name] = int(levels[-1])
