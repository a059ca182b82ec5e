"""A table's lines in blocks, read by threads in the order of the file."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

import numpy as np

from pwmscope.capture.reader.unpack import is_damage, open_bytes, report
from pwmscope.capture.text.edges import ChangedRows, RowBatch, expected_rows
from pwmscope.capture.text.fixed_width import MAX_ROW, SLACK, Block, Plan, find_plan, read_block
from pwmscope.capture.text.layout import Layout
from pwmscope.model import thread_count

if TYPE_CHECKING:
    from concurrent.futures import Future

BLOCK_BYTES: Final = 1 << 22
_KEPT_BYTES: Final = 1 << 24
"""Freed memory that the C library is to keep: more than the arrays of a block take."""
_BOM: Final = b"\xef\xbb\xbf"


def stream_changes(
    path: Path,
    layout: Layout,
    *,
    batch_rows: int | None = None,
    threads: int | None = None,
) -> Iterator[ChangedRows | RowBatch]:
    """Stream a table's rows, of those that need no parser only what changes."""
    plan = find_plan(layout)
    if plan is None:
        from pwmscope.capture.text.rows import stream_rows  # noqa: PLC0415 - slow to import

        yield from stream_rows(path, layout, batch_rows=batch_rows)
        return
    size = BLOCK_BYTES if batch_rows is None else max(1, int(batch_rows * layout.row_bytes))
    expected = expected_rows(path, layout)
    rows = missed = 0
    is_whole = False
    report(rows, expected, "rows")
    with closing(read_lines(path, layout.skip_lines, plan, size, threads)) as blocks:
        for lines in blocks:
            for piece in lines.block.pieces:
                yield replace(piece, first_row=rows + piece.first_row)
            rows += lines.block.row_count
            missed = missed + 1 if lines.left else 0
            # Blank lines are no rows.
            if lines.left and not (lines.is_last and not lines.left.strip(b"\r\n")):
                from pwmscope.capture.text.rows import parse_lines  # noqa: PLC0415

                batch = parse_lines(lines.left, layout, rows) if missed < _MAX_MISSED else None
                if batch is None:
                    break
                yield batch
                rows += batch.words.size
            is_whole = lines.is_last
            report(rows, expected, "rows")
    if not is_whole:
        from pwmscope.capture.text.rows import stream_rows  # noqa: PLC0415

        rest = replace(layout, skip_lines=layout.skip_lines + rows)
        yield from stream_rows(path, rest, batch_rows=batch_rows, first_row=rows)


_MAX_MISSED: Final = 8
"""Blocks in a row with lines that do not fit, after which all else is left to the parser."""


@dataclass(frozen=True, slots=True)
class ReadLines:
    """Some lines of a file, and what was read of them."""

    block: Block
    left: bytes  # The lines of the block that were not read
    is_last: bool  # Whether the file ends with this block


@dataclass(frozen=True, slots=True)
class _Lines:
    """Whole lines in memory."""

    buffer: bytearray
    size: int
    is_last: bool


def read_lines(
    path: Path,
    skip_lines: int,
    plan: Plan,
    block_bytes: int = BLOCK_BYTES,
    threads: int | None = None,
) -> Generator[ReadLines, None, None]:
    """Read a table's lines block by block, by threads beside the one that reads or unpacks.

    A line longer than a block makes its block longer. Damage to the file, and a line without end,
    end the blocks before it; the last block that comes is then not marked as the last.
    """
    workers = thread_count() if threads is None else threads
    free: deque[bytearray] = deque()
    blocks = _blocks(path, skip_lines, block_bytes, free)
    first = next(blocks, None)
    if first is None:
        return
    if first.is_last or not workers:
        yield _told(first, read_block(first.buffer, first.size, plan))
        for lines in blocks:
            yield _told(lines, read_block(lines.buffer, lines.size, plan))
            free.append(lines.buffer)
        return
    from concurrent.futures import ThreadPoolExecutor  # noqa: PLC0415 - not for a short file

    waiting: deque[tuple[_Lines, Future[Block]]] = deque()
    _keep_memory()
    with ThreadPoolExecutor(workers) as pool:
        try:
            waiting.append((first, pool.submit(read_block, first.buffer, first.size, plan)))
            for lines in blocks:
                waiting.append((lines, pool.submit(read_block, lines.buffer, lines.size, plan)))
                while waiting and (len(waiting) > workers + 1 or waiting[0][1].done()):
                    yield _told(waiting[0][0], waiting[0][1].result())
                    free.append(waiting.popleft()[0].buffer)
            for lines, read in waiting:
                yield _told(lines, read.result())
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _keep_memory() -> None:
    """Have freed memory kept for the next block, which else is cleared page by page each time.

    glibc keeps as much as the largest piece that was ever freed on its own (mallopt(3)); this
    one's pages are never touched.
    """
    np.empty(_KEPT_BYTES, np.uint8)


def _told(lines: _Lines, block: Block) -> ReadLines:
    return ReadLines(block, bytes(lines.buffer[block.stop : lines.size]), lines.is_last)


def _blocks(
    path: Path, skip_lines: int, block_bytes: int, free: deque[bytearray]
) -> Iterator[_Lines]:
    """Cut a file into blocks of whole lines, into buffers that are free again or new."""
    try:
        with open_bytes(path) as file:
            rest = _skip(file, skip_lines)
            while True:
                buffer = free.popleft() if free else bytearray(block_bytes + SLACK)
                used, is_end = _fill(file, buffer, rest)
                cut = used if is_end else buffer.rfind(b"\n", 0, used) + 1
                if not cut and not is_end:
                    return
                rest = bytes(buffer[cut:used])
                yield _Lines(buffer, _ended(buffer, cut) if is_end else cut, is_end)
                if is_end:
                    return
    except Exception as error:
        if not is_damage(error):
            raise


def _skip(file: BinaryIO, lines: int) -> bytes:
    """Read past some lines; return what was read beyond them."""
    for _ in range(lines):
        file.readline()
    if lines:
        return b""
    start = file.read(len(_BOM))
    return b"" if start == _BOM else start


def _fill(file: BinaryIO, buffer: bytearray, rest: bytes) -> tuple[int, bool]:
    """Fill a buffer, longer if no line ends in it; return how far, and whether the file ends."""
    size = max(len(buffer) - SLACK, len(rest) + 1)
    buffer.extend(bytes(max(0, size + SLACK - len(buffer))))
    buffer[: len(rest)] = rest
    used = len(rest)
    while True:
        with memoryview(buffer) as memory:
            while used < size:
                got = file.readinto(memory[used:size])  # type: ignore[attr-defined]
                if not got:
                    return used, True
                used += got
        if size >= MAX_ROW + len(rest) or buffer.find(b"\n", 0, used) >= 0:
            return used, False
        size += MAX_ROW
        buffer.extend(bytes(MAX_ROW))


def _ended(buffer: bytearray, size: int) -> int:
    """End the file's last line where it only lacks the mark that others have."""
    begin = buffer.rfind(b"\n", 0, size) + 1
    if begin == size or buffer.find(b"\r", 0, size) >= 0:
        return size
    buffer[size] = 10
    return size + 1
