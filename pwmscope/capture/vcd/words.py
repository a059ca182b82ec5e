"""The values of a value change dump as white-space separated words, block by block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.unpack import reading
from pwmscope.errors import CaptureError

BLOCK_BYTES: Final = 1024 * 1024
MOST_WORD_BYTES: Final = 65_536
MOST_CARRIED_BYTES: Final = 4 * 1024 * 1024
_SPACES: Final = (b"\n", b" ", b"\r", b"\t")

SCALAR, TIME, KEYWORD, VECTOR, REAL, TEXT = 1, 2, 3, 4, 5, 6


def _classes() -> npt.NDArray[np.uint8]:
    table = np.zeros(256, np.uint8)
    table[list(b"01xXzZuUwWlLhH-")] = SCALAR
    table[ord("#")] = TIME
    table[ord("$")] = KEYWORD
    table[list(b"bB")] = VECTOR
    table[list(b"rR")] = REAL
    table[list(b"sS")] = TEXT
    return table


CLASS_OF_BYTE: Final = _classes()


@dataclass(frozen=True, slots=True)
class Words:
    """Consecutive words of one block, comments left out.

    Parameters
    ----------
    data : ndarray of uint8, shape (n_bytes,)
        The block's bytes.
    starts, ends : ndarray of int64, shape (n_words,)
        Where each word lies in `data`; `ends` is one past its last byte.
    kinds : ndarray of uint8, shape (n_words,)
        What each word is by its first byte, 0 where nothing begins like this;
        the kind of an identifier code that follows a value has no meaning.
    is_code : ndarray of bool, shape (n_words,), or None
        Which words are identifier codes after a vector, real or text value;
        None where the block holds no such value.
    row : int
        Line of the file in which the block begins, counted from 1.
    """

    data: npt.NDArray[np.uint8]
    starts: npt.NDArray[np.int64]
    ends: npt.NDArray[np.int64]
    kinds: npt.NDArray[np.uint8]
    is_code: npt.NDArray[np.bool_] | None
    row: int

    def row_of(self, word: int) -> int:
        """Line of the file that holds a word."""
        return self.row + int(np.count_nonzero(self.data[: self.starts[word]] == 10))

    def text_of(self, word: int) -> str:
        """Give a word as text, cut at 24 bytes, for messages."""
        return self.bytes_of(word)[:24].decode("utf-8", errors="replace")

    def bytes_of(self, word: int) -> bytes:
        """Give a word's bytes."""
        return self.data[self.starts[word] : self.ends[word]].tobytes()


@dataclass(slots=True)
class WordStream:
    """A stream of `Words`, with what was noticed at its end.

    Parameters
    ----------
    file : BinaryIO
        The file, just after what `rest` holds.
    source : str
        The file's name, for messages.
    rest : bytes
        Bytes already read that come first.
    row : int
        Line of the file in which `rest` begins, counted from 1.
    block_bytes : int
        Bytes to read at a time; how they are cut has no effect on the words.
    cut_short : bool
        Whether the last word was left out because no white space follows it,
        or a value without its identifier code was.
    """

    file: BinaryIO
    source: str
    rest: bytes
    row: int
    block_bytes: int = BLOCK_BYTES
    cut_short: bool = False
    _in_comment: bool = field(default=False, repr=False)

    def __iter__(self) -> Iterator[Words]:
        """Read block by block.

        Raises
        ------
        CaptureError
            If packed data are damaged, bytes are no text, or a word is longer
            than 64 KiB.
        """
        carry, row = b"", self.row
        while True:
            chunk = self._read()
            data = carry + chunk
            cut = 1 + max(data.rfind(space) for space in _SPACES)
            words = self._split(data[:cut], row)
            used = cut
            if words.kinds.size and _awaits_code(words):
                used = int(words.starts[-1])
                words = _without_last(words)
                self._in_comment = False  # what follows that value is read again
            if words.starts.size:
                yield words
            if not chunk:
                self.cut_short = len(data[used:].strip()) > 0 and data[used:].strip() != b"$end"
                self.cut_short |= self._in_comment
                return
            carry, row = data[used:], row + data.count(b"\n", 0, used)
            if len(data) - cut > MOST_WORD_BYTES or len(carry) > MOST_CARRIED_BYTES:
                raise _too_long(self.source, row)

    def _read(self) -> bytes:
        if self.rest:
            chunk, self.rest = self.rest[: self.block_bytes], self.rest[self.block_bytes :]
            return chunk
        with reading(Path(self.source)):
            return self.file.read(self.block_bytes)

    def _split(self, block: bytes, row: int) -> Words:
        data = np.frombuffer(block, np.uint8)
        if not data.size:
            nothing = np.empty(0, np.int64)
            return Words(data, nothing, nothing, np.empty(0, np.uint8), None, row)
        if int(data.min()) < 9:
            at = int((data < 9).argmax())
            raise CaptureError(
                self.source,
                f"byte 0x{int(data[at]):02x} is not text",
                "export the recording again as a value change dump (IEEE Std 1364)",
                row=row + block.count(b"\n", 0, at),
            )
        edges = np.empty(data.size + 1, np.bool_)
        inside = data > 32
        edges[:1], edges[-1:] = inside[:1], False
        np.not_equal(inside[1:], inside[:-1], out=edges[1:-1])
        # Blocks end with white space, so starts and ends take turns.
        bounds = np.flatnonzero(edges)
        starts, ends = bounds[0::2], bounds[1::2]
        kinds = CLASS_OF_BYTE[data[starts]]
        words = Words(data, starts, ends, kinds, None, row)
        if starts.size and int((ends - starts).max()) > MOST_WORD_BYTES:
            raise _too_long(self.source, words.row_of(int((ends - starts).argmax())))
        words = self._without_comments(words)
        return _with_codes(words)

    def _without_comments(self, words: Words) -> Words:
        """Drop ``$comment ... $end``, which may hold anything."""
        lengths = words.ends - words.starts
        candidates = np.flatnonzero((words.kinds == KEYWORD) & ((lengths == 4) | (lengths == 8)))
        if not candidates.size and not self._in_comment:
            return words
        keep: npt.NDArray[np.bool_] | None = None
        begun = 0
        for word in candidates.tolist():
            text = words.bytes_of(word)
            if not self._in_comment and text == b"$comment":
                self._in_comment, begun = True, word
            elif self._in_comment and text == b"$end":
                keep = np.ones(lengths.size, np.bool_) if keep is None else keep
                keep[begun : word + 1] = False
                self._in_comment = False
        if self._in_comment:
            keep = np.ones(lengths.size, np.bool_) if keep is None else keep
            keep[begun:] = False
        if keep is None:
            return words
        return Words(
            words.data, words.starts[keep], words.ends[keep], words.kinds[keep], None, words.row
        )


def _with_codes(words: Words) -> Words:
    """Mark the identifier codes that follow vector, real and text values.

    A code may itself begin like a value (``b01 b``), so within a run of words
    that begin like values every second one is a code.
    """
    opens = words.kinds >= VECTOR
    if not opens.any():
        return words
    at = np.arange(opens.size)
    begins_run = opens.copy()
    begins_run[1:] &= ~opens[:-1]
    run_start = np.maximum.accumulate(np.where(begins_run, at, 0))
    is_value = opens & ((at - run_start) % 2 == 0)
    is_code = np.zeros(opens.size, np.bool_)
    is_code[1:] = is_value[:-1]
    return Words(words.data, words.starts, words.ends, words.kinds, is_code, words.row)


def _awaits_code(words: Words) -> bool:
    is_code = words.is_code is not None and bool(words.is_code[-1])
    return bool(words.kinds[-1] >= VECTOR) and not is_code


def _without_last(words: Words) -> Words:
    codes = None if words.is_code is None else words.is_code[:-1]
    return Words(words.data, words.starts[:-1], words.ends[:-1], words.kinds[:-1], codes, words.row)


def _too_long(source: str, row: int) -> CaptureError:
    return CaptureError(
        source,
        f"a word of more than {MOST_WORD_BYTES} bytes found",
        "export the recording again as a value change dump (IEEE Std 1364)",
        row=row,
    )
