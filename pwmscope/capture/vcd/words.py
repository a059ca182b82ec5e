"""The words of a value change dump, its identifier codes, and its clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.unpack import reading
from pwmscope.errors import CaptureError
from pwmscope.model import BoolArray, IntArray

Bytes: TypeAlias = npt.NDArray[np.uint8]
BLOCK_BYTES: Final = 1024 * 1024
MAX_WORD_BYTES: Final = 65_536
MAX_CARRIED_BYTES: Final = 4 * 1024 * 1024
_SPACES: Final = (b"\n", b" ", b"\r", b"\t")

SCALAR, TIME, KEYWORD, VECTOR, REAL, TEXT = 1, 2, 3, 4, 5, 6


def _classes() -> Bytes:
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
    """Consecutive words of one block, comments left out."""

    data: Bytes  # shape (n_bytes,): The block's bytes
    # shape (n_words,): Where each word lies in `data`; `ends` is one past its last byte
    starts: IntArray
    ends: IntArray
    # shape (n_words,): What each word is by its first byte, 0 where nothing begins like this; the
    # kind of an identifier code that follows a value has no meaning
    kinds: Bytes
    # shape (n_words,): Which words are identifier codes after a vector, real or text value; None
    # where the block holds no such value
    is_code: BoolArray | None
    row: int  # Line of the file in which the block begins, counted from 1

    def some(self, kept: BoolArray | slice) -> Words:
        """Pick some of them."""
        codes = None if self.is_code is None else self.is_code[kept]
        picked = (self.starts[kept], self.ends[kept], self.kinds[kept])
        return Words(self.data, *picked, codes, self.row)

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
    """A stream of `Words`, with what was noticed at its end."""

    file: BinaryIO  # The file, just after what `rest` holds
    source: str  # The file's name, for messages
    rest: bytes  # Bytes already read that come first
    row: int  # Line of the file in which `rest` begins, counted from 1
    # Bytes to read at a time; how they are cut has no effect on the words
    block_bytes: int = BLOCK_BYTES
    # Whether the last word was left out because no white space follows it, or a value without its
    # identifier code was
    cut_short: bool = False
    in_comment: bool = field(default=False, repr=False)

    def __iter__(self) -> Iterator[Words]:
        """Read block by block."""
        carry, row = b"", self.row
        while True:
            chunk = self._read()
            data = carry + chunk
            cut = 1 + max(data.rfind(space) for space in _SPACES)
            words = self.split(data[:cut], row)
            used = cut
            if words.kinds.size and awaits_code(words):
                used = int(words.starts[-1])
                words = words.some(slice(-1))
                self.in_comment = False  # what follows that value is read again
            if words.starts.size:
                yield words
            if not chunk:
                self.cut_short = len(data[used:].strip()) > 0 and data[used:].strip() != b"$end"
                self.cut_short |= self.in_comment
                return
            carry, row = data[used:], row + data.count(b"\n", 0, used)
            if len(data) - cut > MAX_WORD_BYTES or len(carry) > MAX_CARRIED_BYTES:
                raise _too_long(self.source, row)

    def _read(self) -> bytes:
        if self.rest:
            chunk, self.rest = self.rest[: self.block_bytes], self.rest[self.block_bytes :]
            return chunk
        with reading(Path(self.source)):
            return self.file.read(self.block_bytes)

    def split(self, block: bytes, row: int) -> Words:
        """Cut a block that ends with white space into words; a comment may go on in the next."""
        data = np.frombuffer(block, np.uint8)
        if not data.size:
            nothing = np.empty(0, np.int64)
            return Words(data, nothing, nothing, np.empty(0, np.uint8), None, row)
        if int(data.min()) < 9:
            at = int((data < 9).argmax())
            found = f"byte 0x{int(data[at]):02x} is not text"
            raise no_dump(self.source, found, row + block.count(b"\n", 0, at))
        edges = np.empty(data.size + 1, np.bool_)
        inside = data > 32
        edges[:1], edges[-1:] = inside[:1], False
        np.not_equal(inside[1:], inside[:-1], out=edges[1:-1])
        # Blocks end with white space, so starts and ends take turns.
        bounds = np.flatnonzero(edges)
        starts, ends = bounds[0::2], bounds[1::2]
        kinds = CLASS_OF_BYTE[data[starts]]
        words = Words(data, starts, ends, kinds, None, row)
        if starts.size and int((ends - starts).max()) > MAX_WORD_BYTES:
            raise _too_long(self.source, words.row_of(int((ends - starts).argmax())))
        words = self._without_comments(words)
        return _with_codes(words)

    def _without_comments(self, words: Words) -> Words:
        """Drop ``$comment ... $end``, which may hold anything."""
        lengths = words.ends - words.starts
        candidates = np.flatnonzero((words.kinds == KEYWORD) & ((lengths == 4) | (lengths == 8)))
        if not candidates.size and not self.in_comment:
            return words
        keep = np.ones(lengths.size, np.bool_)
        begun = 0
        for word in candidates.tolist():
            text = words.bytes_of(word)
            if not self.in_comment and text == b"$comment":
                self.in_comment, begun = True, word
            elif self.in_comment and text == b"$end":
                keep[begun : word + 1] = False
                self.in_comment = False
        if self.in_comment:
            keep[begun:] = False
        return words if keep.all() else words.some(keep)


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
    return replace(words, is_code=is_code)


def awaits_code(words: Words) -> bool:
    """Say whether the last word is a value whose identifier code has not come."""
    is_code = words.is_code is not None and bool(words.is_code[-1])
    return bool(words.kinds[-1] >= VECTOR) and not is_code


def _too_long(source: str, row: int) -> CaptureError:
    return no_dump(source, f"a word of more than {MAX_WORD_BYTES} bytes found", row)


def no_dump(source: str, found: str, row: int, column: str | None = None) -> CaptureError:
    """Refuse what the standard has not."""
    remedy = "export the recording again as a value change dump (IEEE Std 1364)"
    return CaptureError(source, found, remedy, row=row, column=column)


UNDECLARED: Final = -1


class CodeBook:
    """Numbers different identifier codes 0, 1, ... and looks them up by the array."""

    def __init__(self, codes: Sequence[bytes]) -> None:
        self._number = {code: number for number, code in enumerate(codes)}
        short = sorted(
            (int.from_bytes(code, "little"), number)
            for code, number in self._number.items()
            if len(code) <= 8
        )
        self._keys = np.array([key for key, _ in short], np.uint64)
        self._numbers = np.array([number for _, number in short], np.int32)
        self._dense = np.full(65_536, UNDECLARED, np.int32)
        small = self._keys < 65_536
        self._dense[self._keys[small].astype(np.int64)] = self._numbers[small]

    def look_up(self, data: Bytes, starts: IntArray, ends: IntArray) -> npt.NDArray[np.int32]:
        """Give each code's number, -1 where it is not declared."""
        if not starts.size:
            return np.empty(0, np.int32)
        lengths = ends - starts
        longest = int(lengths.max())
        if longest <= 2:
            keys = data[starts].astype(np.uint16)
            if longest == 2 or int(lengths.min()) < 1:
                last = data.size - 1
                second = data[np.minimum(starts + 1, last)].astype(np.uint16) << np.uint16(8)
                keys = np.where(lengths == 2, keys | second, np.where(lengths == 1, keys, 0))
            return self._dense[keys]
        keys = np.zeros(starts.size, np.uint64)
        for k in range(min(longest, 8)):
            has = lengths > k
            keys[has] |= data[starts[has] + k].astype(np.uint64) << np.uint64(8 * k)
        found = np.full(starts.size, UNDECLARED, np.int32)
        if self._keys.size:
            at = np.minimum(np.searchsorted(self._keys, keys), self._keys.size - 1)
            found = np.where(self._keys[at] == keys, self._numbers[at], np.int32(UNDECLARED))
        for i in np.flatnonzero(lengths > 8).tolist():
            found[i] = self._number.get(data[starts[i] : ends[i]].tobytes(), UNDECLARED)
        return found


MAX_DIGITS: Final = 19
MAX_TIME_PS: Final = int(np.iinfo(np.int64).max)
_SECTIONS: Final = (b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff")


@dataclass(slots=True)
class Clock:
    """The time stamps of a dump, followed from block to block."""

    unit_fs: int  # One unit of the time stamps in femtoseconds
    source: str  # The file's name, for messages
    # Where the recording begins: 0 where values stand before the first time stamp, else the first
    # time stamp; None before either
    start_ps: int | None = None
    now_ps: int = 0  # The last time stamp so far
    off_since_ps: int | None = None  # Since when recording is switched off, if it is
    # Spans during which recording was switched off
    offs_ps: list[tuple[int, int]] = field(default_factory=list)
    _section: bytes | None = field(default=None, repr=False)

    def times_of(self, words: Words) -> IntArray:
        """Time in force at each word."""
        is_stamp = words.kinds == TIME
        if words.is_code is not None:
            is_stamp &= ~words.is_code
        stamps = np.flatnonzero(is_stamp)
        if self.start_ps is None and (not stamps.size or stamps[0] > 0):
            self.start_ps = 0
        listed = np.empty(stamps.size + 1, np.int64)
        listed[0] = self.now_ps
        listed[1:] = self._read_stamps(words, stamps)
        if self.start_ps is None:
            self.start_ps = int(listed[1])
        backwards = listed[1:] < listed[:-1]
        if backwards.any():
            at = int(backwards.argmax())
            raise CaptureError(
                self.source,
                f"time goes backwards, from {listed[at]} ps to {listed[at + 1]} ps",
                "export the recording again, or split the file here if it holds two recordings",
                row=words.row_of(int(stamps[at])),
            )
        self.now_ps = int(listed[-1])
        in_force: IntArray = listed[np.cumsum(is_stamp)]
        return in_force

    def _read_stamps(self, words: Words, stamps: IntArray) -> IntArray:
        starts, ends = words.starts[stamps] + 1, words.ends[stamps]
        lengths = ends - starts
        counts = np.zeros(stamps.size, np.uint64)
        is_bad = (lengths < 1) | (lengths > MAX_DIGITS)
        shortest, longest = (int(lengths.min()), int(lengths.max())) if lengths.size else (1, 0)
        for length in range(max(1, shortest), min(MAX_DIGITS, longest) + 1):
            those = np.flatnonzero(lengths == length)
            if not those.size:
                continue
            first = starts[those]
            value = np.zeros(those.size, np.uint64)
            for k in range(length):
                digit = words.data[first + k] - np.uint8(48)
                if int(digit.max()) > 9:
                    is_bad[those[digit > 9]] = True
                value *= np.uint64(10)
                value += digit
            counts[those] = value
        per_ps = max(1, 1000 // self.unit_fs)
        is_bad |= counts > np.uint64(MAX_TIME_PS // max(1, self.unit_fs // 1000))
        if is_bad.any():
            self._refuse(words, int(stamps[int(is_bad.argmax())]))
        if self.unit_fs >= 1000:
            return counts.astype(np.int64) * np.int64(self.unit_fs // 1000)
        whole: IntArray
        whole, part = np.divmod(counts.astype(np.int64), np.int64(per_ps))
        return whole + (2 * part >= per_ps)

    def _refuse(self, words: Words, word: int) -> None:
        text, row = words.text_of(word), words.row_of(word)
        if not (text[1:].isascii() and text[1:].isdigit()):
            raise no_dump(self.source, f"the time stamp '{text}' is no whole number", row)
        raise CaptureError(
            self.source,
            f"the time stamp '{text}' lies beyond reach (at most 106 days, and {MAX_DIGITS} "
            "digits)",
            "export the recording with times that begin at 0",
            row=row,
        )

    def find_sections(self, words: Words, times: IntArray) -> BoolArray | None:
        """Follow ``$dumpoff`` and its like; mark the words that are no values."""
        is_keyword: BoolArray = words.kinds == KEYWORD
        if words.is_code is not None:
            is_keyword &= ~words.is_code
        at = np.flatnonzero(is_keyword)
        if not at.size and self._section != b"$dumpoff":
            return None
        begun = 0
        for word in at.tolist():
            text = words.bytes_of(word)
            if self._section == b"$dumpoff":
                is_keyword[begun:word] = True
            if text == b"$end":
                self._section = None
            elif text in _SECTIONS:
                self._section, begun = text, word
                self._switch(text, int(times[word]))
            else:
                found = f"'{words.text_of(word)}' found among the values"
                raise no_dump(self.source, found, words.row_of(word))
        if self._section == b"$dumpoff":
            is_keyword[begun:] = True
        return is_keyword

    def _switch(self, keyword: bytes, time_ps: int) -> None:
        if keyword == b"$dumpoff" and self.off_since_ps is None:
            self.off_since_ps = time_ps
        elif keyword == b"$dumpon" and self.off_since_ps is not None:
            self.offs_ps.append((self.off_since_ps, time_ps))
            self.off_since_ps = None
