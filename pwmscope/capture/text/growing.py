"""A text table that is still being written: its rows as they come, and the edges in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.text.edges import BeyondReachError, RowBatch, at_samples
from pwmscope.capture.text.layout import Layout, find_layout
from pwmscope.errors import CaptureError
from pwmscope.model import PS_PER_S

MIN_ROWS: Final = 50
"""So many rows show how a table is laid out."""
ENOUGH_BYTES: Final = 1 << 16
MAX_LINE_BYTES: Final = 1 << 20
_REMEDY: Final = "read it when it is whole, by `source`"


@dataclass(frozen=True, slots=True)
class NewEdges:
    """What some more rows show.

    Parameters
    ----------
    now_ps : int
        Time of the last row, in picoseconds since the first.
    edges_ps : mapping of str to ndarray of int64, shape (n_edges,)
        The edges of each line since the rows before, in picoseconds since the first row.
    levels : mapping of str to int
        Each line's level after them.
    """

    now_ps: int
    edges_ps: Mapping[str, npt.NDArray[np.int64]]
    levels: Mapping[str, int]

    @property
    def now_s(self) -> float:
        """Time of the last row in seconds."""
        return self.now_ps / PS_PER_S

    @property
    def edges_s(self) -> dict[str, npt.NDArray[np.float64]]:
        """The edges of each line in seconds."""
        return {name: edges_ps / PS_PER_S for name, edges_ps in self.edges_ps.items()}


class GrowingTable:
    r"""A table of one row per sample or per change, fed with its bytes as they come.

    Nothing is held but the last row and what is not a whole line yet.

    Parameters
    ----------
    source : str
        What to call it in messages.
    hints : mapping, optional
        Keywords of `load`: ``rate``, ``time_unit``, ``time_column``, ``lines``.

    Examples
    --------
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
        self._first_ps: int | None = None
        self._word: int | None = None

    def feed(self, data: bytes, *, is_last: bool = False) -> NewEdges | None:
        """Take more bytes; give what they show, or None while it is too little.

        Raises
        ------
        CaptureError
            If the rows are none of a table of times and levels.
        """
        whole, end, rest = (self._left + data).rpartition(b"\n")
        self._left = rest
        if len(rest) > MAX_LINE_BYTES:
            raise CaptureError(self._source, "a line is longer than 1024 KiB", _REMEDY)
        lines = whole + end
        if not lines:
            return None
        if self._layout is None:
            if lines.count(b"\n") < MIN_ROWS and len(lines) < ENOUGH_BYTES and not is_last:
                self._left = lines + rest
                return None
            self._layout = self._understood(lines)
            lines = b"\n".join(lines.split(b"\n")[self._layout.skip_lines :])
        return self._read(lines) if lines.strip() else None

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines that are read; empty until the table is understood."""
        return () if self._layout is None else self._layout.level_columns

    def _understood(self, head: bytes) -> Layout:
        text = head[:ENOUGH_BYTES]
        layout = find_layout(text[: text.rindex(b"\n") + 1].decode("utf-8-sig", "replace"),
                             self._source, self._hints)  # fmt: skip
        is_timed = layout.time_column is not None and layout.time_kind != "sample"
        if (
            layout.events
            or layout.runs
            or layout.analogue
            or any(level.is_bus for level in layout.placed_levels)
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

        batch = parse_lines(lines.lstrip(b"\r\n"), layout, self._rows)
        if batch is None:
            row = self._rows + layout.skip_lines + 1
            said = "a row here is none of times and levels"
            raise CaptureError(self._source, said, _REMEDY, row=row)
        times_ps = self._times_ps(batch, layout)
        words = batch.words
        before = words[0] if self._word is None else np.asarray(self._word, words.dtype)
        changed = words ^ np.concatenate([[before], words[:-1]]).astype(words.dtype)
        one = words.dtype.type(1)
        edges_ps, levels = {}, {}
        for level in layout.placed_levels:
            if self._hints.lines and level.name not in self._hints.lines:
                continue
            bit = words.dtype.type(level.first_bit)
            edges_ps[level.name] = times_ps[((changed >> bit) & one).astype(bool)]
            levels[level.name] = int((words[-1] >> bit) & one)
        self._rows += words.size
        self._word = int(words[-1])
        return NewEdges(int(times_ps[-1]), edges_ps, levels)

    def _times_ps(self, batch: RowBatch, layout: Layout) -> npt.NDArray[np.int64]:
        if batch.time_ps is not None and layout.time_kind != "sample":
            times_ps = batch.time_ps
        else:
            rows = np.arange(self._rows, self._rows + batch.words.size, dtype=np.int64)
            numbers = rows if batch.time_ps is None else batch.time_ps
            try:
                times_ps = at_samples(numbers, 1e12 / (self._rate_hz(layout) or 1.0))
            except BeyondReachError as error:
                raise error.of(self._source) from None
        if self._first_ps is None:
            self._first_ps = int(times_ps[0])
        since_ps: npt.NDArray[np.int64] = times_ps - self._first_ps
        return since_ps
