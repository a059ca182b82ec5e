"""A table's lines in blocks, read by threads in the order of the file."""

from __future__ import annotations

import os
import zlib
from collections import deque
from collections.abc import Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from pwmscope.capture.reader.unpack import open_bytes
from pwmscope.capture.text.fixed_width import MAX_ROW, SLACK, Block, Plan, read_block

BLOCK_BYTES: Final = 1 << 20
_MAX_THREADS: Final = 8
_BOM: Final = b"\xef\xbb\xbf"


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


def thread_count() -> int:
    """Count the processors that this process may use, up to a limit."""
    if hasattr(os, "sched_getaffinity"):
        return min(_MAX_THREADS, len(os.sched_getaffinity(0)))
    return min(_MAX_THREADS, os.cpu_count() or 1)


def read_lines(
    path: Path,
    skip_lines: int,
    plan: Plan,
    block_bytes: int = BLOCK_BYTES,
    threads: int | None = None,
) -> Generator[ReadLines, None, None]:
    """Read a table's lines block by block.

    Damage to the file, and a line without end, end the blocks before it; the last block that
    comes is then not marked as the last.

    Parameters
    ----------
    path : Path
        The file, plain or packed.
    skip_lines : int
        Lines before the first row.
    plan : Plan
        How rows are read.
    block_bytes : int
        Bytes in a block; a longer line makes its block longer.
    threads : int, optional
        Threads beside the one that reads the file, or unpacks it; none where it is 0.
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
    waiting: deque[tuple[_Lines, Future[Block]]] = deque()
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


def _told(lines: _Lines, block: Block) -> ReadLines:
    return ReadLines(block, bytes(lines.buffer[block.stop : lines.size]), lines.is_last)


_DAMAGE: Final = (OSError, EOFError, zlib.error)


def _is_damage(error: Exception) -> bool:
    # The module of Zstandard need not be loaded to know its error.
    return isinstance(error, _DAMAGE) or type(error).__name__ == "ZstdError"


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
        if not _is_damage(error):
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
