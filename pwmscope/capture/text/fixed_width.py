"""Rows of digits read without a parser: bytes held against a template, eight at a time.

A sampled table repeats one row with other digits. The first row of a run gives the template: which
bytes are digits of the time, which are levels, and what every other byte must be. Then 64-bit words
of all rows of the run are compared at once, and each byte is verified:

- the exclusive or of a word with its template leaves 0 to 9 where a digit stands, 0 or 1 where a
  level stands, and 0 elsewhere; a constant added to each byte carries into its highest bit where
  that does not hold;
- a word that differs from the one a row above shows a change of level;
- eight digits become a number in three steps that join neighbours: pairs, fours, all eight;
- where the first two rows are a step apart of which many make a power of ten, the digits of all
  rows to come are known, and only held against; so are the places of rows whose times are
  written without the zeros at their end.

What does not fit is left to the general parser, from that row on.
"""

from __future__ import annotations

import functools
import math
import re
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.units import EXPONENT_OF_UNIT
from pwmscope.capture.text.dialect import SPACES
from pwmscope.capture.text.edges import ChangedRows, Steps, Words, find_steps
from pwmscope.capture.text.layout import Layout

Words64: TypeAlias = npt.NDArray[np.uint64]
Places: TypeAlias = npt.NDArray[np.int64]

SLACK: Final = 64
"""Bytes that must follow a block's rows in memory, so that every word can be loaded whole."""
MAX_ROW: Final = 4096
"""A longer row is left to the general parser."""
_MIN_RUN: Final = 256
"""Rows of one width worth a pass of their own; shorter runs are read by their line ends."""
_MIN_PIECES: Final = 16
"""Pieces that a block may have however few rows it holds."""
_MIN_EVEN: Final = 1024
"""Rows of one width whose times may be held against those of even steps."""
_MAX_CYCLE: Final = 1 << 17
"""Rows after which the last digits come again: a table of as many words stays in the cache."""
_MIN_COMB, _MAX_COMB = 200, 1000
"""Rows from one time that lacks some zeros at its end to the next, to be read in one view."""
_MAX_DIGITS: Final = 18
"""Digits of a time in picoseconds that surely fit 63 bits."""
_NEWLINE: Final = 10
_NUMBER: Final = re.compile(rb"(-?)(\d+)(?:([.,])(\d+))?")
_CELL: Final = re.compile(rb"[^ \t]+")
_SHAPE: Final = bytes.maketrans(b"123456789", b"0" * 9)
_U64: Final = np.dtype("<u8")
_HIGH: Final = np.uint64(0x8080808080808080)


@dataclass(frozen=True, slots=True)
class Plan:
    """What a row of a table must hold to be read by its template."""

    delimiter: bytes  # Between cells; a space stands for any run of spaces and tabs
    cell_count: int  # Cells in a row
    time: int | None  # Place of the time's cell; None where rows carry none
    exponent: int  # Power of ten from the time's unit to picoseconds; 0 for sample numbers
    point: bytes  # Before a number's decimals
    levels: tuple[tuple[int, int], ...]  # Place of each level's cell, and its bit in the row's word


def find_plan(layout: Layout) -> Plan | None:
    """Say how the rows of a layout are read by a template; None where they cannot be."""
    delimiter = layout.delimiter.encode()
    is_plain = layout.events is None and layout.time_kind != "stamp" and not layout.is_quoted
    is_plain = is_plain and layout.runs is None and not layout.is_loose and not layout.time_origin
    is_plain = is_plain and layout.time_unit in EXPONENT_OF_UNIT
    if not (is_plain and layout.levels and len(delimiter) == 1):
        return None
    if any(level.kind != "digit" for level in layout.levels):
        return None
    time = layout.time_column
    is_number = time is not None and layout.time_kind == "number"
    return Plan(
        delimiter,
        len(layout.columns),
        None if time is None else layout.columns.index(time),
        EXPONENT_OF_UNIT[layout.time_unit] if is_number else 0,
        b"," if layout.decimal_comma else b".",
        tuple((level.position, level.first_bit) for level in layout.levels),
    )


@dataclass(frozen=True, slots=True)
class _Word:
    """Up to eight neighbouring bytes of a row, as the template has them.

    Bytes of a word count from its lowest: the first byte of the file is the lowest of the word.
    """

    offset: int  # Of its first byte in the row
    size: int  # Bytes of the row that it answers for, counted from its first
    template: np.uint64  # What stands there: the byte itself, or "0" for a digit or level
    mask: np.uint64  # All bits of the bytes it answers for
    ceiling: np.uint64  # What, added to each byte, carries into its highest bit if it is wrong
    levels: np.uint64  # The bit of each level
    has_digits: bool  # Whether any digit stands there, of the time or of a column left out
    picks: tuple[tuple[int, int], ...]  # How far each level's bit is shifted, and its bit in a row
    # The digits of the time: masks, and how far each is shifted to close up to the word's end
    digits: tuple[tuple[np.uint64, np.uint64], ...]
    weight: int  # Power of ten of the last digit of the time in this word


@dataclass(frozen=True, slots=True)
class _Template:
    """A row of which the bytes are known but for digits and levels."""

    width: int  # Bytes
    words: tuple[_Word, ...]  # Every byte is in the care of one of them
    # The same for the time's cell and for what follows it, each counted from its own first byte;
    # empty where the time does not come first
    time_words: tuple[_Word, ...]
    tail_words: tuple[_Word, ...]
    is_timed: bool
    sign: int
    scale_ps: int  # Picoseconds of the time's last digit; 1 for sample numbers
    whole_digits: int  # Bytes of the time's cell before its decimals, sign included
    time_size: int  # Bytes of the time's cell
    digit_places: tuple[int, ...]  # Of the time's digits, in a row


def _template_of(line: bytes, plan: Plan) -> _Template | None:
    """Make the template of a line with its line end; None where it is none of the plan's rows."""
    return _template(line.translate(_SHAPE), plan)


@functools.lru_cache(maxsize=256)
def _template(shape: bytes, plan: Plan) -> _Template | None:
    """Make a template of a line whose digits are all written as 0."""
    spans = _cells(shape.removesuffix(b"\n").removesuffix(b"\r"), plan)
    if len(spans) != plan.cell_count:
        return None
    kinds = bytearray(b" " * len(shape))  # "t" a digit of the time, "d" another, "l" a level
    bits: dict[int, int] = {}
    time = None
    for place, (begin, end) in enumerate(spans):
        if place != plan.time:
            kinds[begin:end] = shape[begin:end].translate(_KINDS)
    for place, bit in plan.levels:
        begin, end = spans[place]
        if shape[begin:end] != b"0":
            return None
        kinds[begin:end], bits[begin] = b"l", bit
    if plan.time is not None:
        begin, end = spans[plan.time]
        time = _NUMBER.fullmatch(shape, begin, end)
        if time is None or not _is_exact(time, plan):
            return None
        for group in (2, 4):
            if time[group]:
                kinds[time.start(group) : time.end(group)] = b"t" * len(time[group])
    cut = time.end() if time is not None and plan.time == 0 else 0
    rest = {at - cut: bit for at, bit in bits.items()}
    return _Template(
        len(shape),
        _cover(shape, bytes(kinds), bits),
        _cover(shape[:cut], bytes(kinds[:cut]), {}),
        _cover(shape[cut:], bytes(kinds[cut:]), rest) if cut else (),
        time is not None,
        -1 if time is not None and time[1] else 1,
        1 if time is None else 10 ** (plan.exponent - len(time[4] or b"")),
        0 if time is None else len(time[1]) + len(time[2]),
        0 if time is None else len(time[0]),
        tuple(i for i, kind in enumerate(kinds) if kind == ord("t")),
    )


_KINDS: Final = bytes(ord("d") if chr(byte).isdigit() and byte < 128 else 32 for byte in range(256))


def _cells(row: bytes, plan: Plan) -> list[tuple[int, int]]:
    """Where the cells of a row begin and end."""
    if plan.delimiter == SPACES.encode():
        return [match.span() for match in _CELL.finditer(row)]
    ends = [match.start() for match in re.finditer(re.escape(plan.delimiter), row)]
    return list(zip([0, *(end + 1 for end in ends)], [*ends, len(row)], strict=True))


def _is_exact(time: re.Match[bytes], plan: Plan) -> bool:
    """Whether every time written like this one is a whole number of picoseconds in 63 bits."""
    decimals = len(time[4] or b"")
    is_point = time[3] in (None, plan.point)
    return is_point and decimals <= plan.exponent and len(time[2]) + plan.exponent <= _MAX_DIGITS


def _cover(shape: bytes, kinds: bytes, bits: dict[int, int]) -> tuple[_Word, ...]:
    """Cover a row with words from its end, the first of them as short as need be."""
    words: list[_Word] = []
    weight = 0
    end = len(shape)
    while end > 0:
        begin = max(0, end - 8)
        words.append(_word(shape, kinds, bits, slice(begin, end), weight))
        weight += kinds[begin:end].count(b"t")
        end = begin
    return tuple(words[::-1])


_CEILINGS: Final = {ord("t"): 0x76, ord("d"): 0x76, ord("l"): 0x7E, ord(" "): 0x7F}


def _word(shape: bytes, kinds: bytes, bits: dict[int, int], where: slice, weight: int) -> _Word:
    own = kinds[where]
    size = len(own)
    levels = {i: bits[where.start + i] for i, kind in enumerate(own) if kind == ord("l")}
    runs = [match.span() for match in re.finditer(rb"t+", own)]
    digits = []
    for begin, end in runs:
        mask = sum(0xFF << 8 * i for i in range(begin, end))
        # Bytes to its right that are no digits of the time, those beyond a short word included.
        gap = 8 - end - own[end:].count(b"t")
        digits.append((np.uint64(mask), np.uint64(8 * gap)))
    return _Word(
        where.start,
        size,
        np.uint64(int.from_bytes(shape[where], "little")),
        np.uint64((1 << 8 * size) - 1),
        np.uint64(sum(_CEILINGS[kind] << 8 * i for i, kind in enumerate(own))),
        np.uint64(sum(1 << 8 * i for i in levels)),
        b"t" in own or b"d" in own,
        tuple((8 * i, bit) for i, bit in levels.items()),
        tuple(digits),
        10**weight,
    )


@dataclass(frozen=True, slots=True)
class Block:
    """What was read of a block of whole lines."""

    pieces: tuple[ChangedRows, ...]  # Rows in order, counted from the block's first
    row_count: int  # Rows in the pieces
    stop: int  # Offset of the first byte that was not read; the block's size where all was


def read_block(buffer: bytearray, size: int, plan: Plan) -> Block:
    """Read the lines of a block as far as they fit templates."""
    memory = np.frombuffer(buffer, np.uint8)
    pieces: list[ChangedRows] = []
    place = rows = 0
    allowed = _MIN_PIECES + size // 4096
    while place < size and len(pieces) < allowed:
        end = buffer.find(b"\n", place, min(size, place + MAX_ROW)) + 1
        template = _template_of(bytes(buffer[place:end]), plan) if end else None
        if template is None:
            break
        run = _run_length(memory[place:size], template.width)
        if run < _MIN_RUN and place + run * template.width < size and plan.time == 0:
            read = _read_stepped(memory, place, size, template, plan)
            read = read or _read_ragged(memory, place, size, template, plan)
        else:
            read = _read_even(memory, place, run, template)
            read = read or _read_run(memory, place, run, template)
        if read is None:
            break
        piece, taken = read
        pieces.append(_moved(piece, rows))
        rows += piece.row_count
        place += taken
    return Block(tuple(pieces), rows, place)


def _moved(piece: ChangedRows, first_row: int) -> ChangedRows:
    return replace(piece, first_row=first_row)


def _run_length(lines: npt.NDArray[np.uint8], width: int) -> int:
    """Count the rows from the first on that end where the first row's width lets them end."""
    is_end = lines[width - 1 :: width] == _NEWLINE
    at = int(is_end.argmin())
    return is_end.size if is_end[at] else at


def _read_run(
    memory: npt.NDArray[np.uint8], place: int, rows: int, template: _Template
) -> tuple[ChangedRows, int] | None:
    """Read rows of one width."""

    def load(word: _Word) -> Words64:
        shape, strides = (rows,), (template.width,)
        view = np.ndarray(shape, _U64, memory.data, place + word.offset, strides)
        found: Words64 = np.bitwise_xor(view, word.template)
        return found if word.size == 8 else np.bitwise_and(found, word.mask, out=found)

    piece = _read_words(template, template.words, [load(word) for word in template.words])
    return None if piece is None else (piece, piece.row_count * template.width)


def _read_even(
    memory: npt.NDArray[np.uint8], place: int, rows: int, template: _Template
) -> tuple[ChangedRows, int] | None:
    """Read rows of one width whose times come first and are even steps apart; None if not so."""
    if rows < _MIN_EVEN or not template.time_words or template.sign < 0:
        return None
    width, count = template.width, len(template.digit_places)
    printed = [
        bytes(memory[start + i] for i in template.digit_places) for start in (place, place + width)
    ]
    if not printed[1].isdigit():
        return None
    first, second = map(int, printed)
    step, last = second - first, template.time_words[-1]
    cycle = _cycle_of(step, sum(place >= last.offset for place in template.digit_places))
    if not cycle or len(str(first + (rows - 1) * step)) > count:
        return None

    def load(word: _Word, at: int, some: int, expected: np.uint64) -> Words64:
        begin = place + at * width + word.offset
        view = np.ndarray((some,), _U64, memory.data, begin, (width,))
        found: Words64 = np.bitwise_xor(view, expected)
        return found if word.size == 8 else np.bitwise_and(found, word.mask, out=found)

    known = _last_digits(last.offset, template.digit_places, cycle, step, first % step)
    at = 0
    while at < rows:
        from_ = (first + at * step) % cycle // step
        some = min(known.size - from_, rows - at)
        digits = f"{(first + at * step) // cycle * cycle:0{count}d}"
        above = _spread(digits, template)
        for word in template.time_words:
            part = int.from_bytes(above[word.offset : word.offset + word.size], "little")
            found = load(word, at, some, word.template ^ np.uint64(part))
            if bool(np.any(found != known[from_ : from_ + some]) if word is last else found.any()):
                return None
        at += some
    tail = [replace(word, offset=word.offset + template.time_size) for word in template.tail_words]
    pairs = [(word, load(word, 0, rows, word.template)) for word in tail]
    if any(_good_rows(word, off) < rows for word, off in pairs):
        return None
    return _at_even_steps(template, pairs, rows, first, step), rows * width


def _cycle_of(step: int, digits: int) -> int:
    """Find the longest power of ten of so many digits that a step divides into few; 0 if none."""
    powers = (10**n for n in range(digits, 0, -1)) if step > 0 else ()
    fits = (p for p in powers if p % step == 0 and 64 <= p // step <= _MAX_CYCLE)
    return next(fits, 0)


def _spread(digits: str, template: _Template) -> bytes:
    """Put the values of a time's digits where they stand in a row."""
    out = bytearray(template.time_size)
    for place, digit in zip(template.digit_places, digits, strict=True):
        out[place] = int(digit)
    return bytes(out)


@functools.lru_cache(maxsize=8)
def _last_digits(
    offset: int, places: tuple[int, ...], cycle: int, step: int, first: int
) -> Words64:
    """Make the words of all times within a power of ten, as they differ from zeros."""
    values = np.arange(first, cycle, step, dtype=np.uint64)
    words = np.zeros(values.size, np.uint64)
    for power, place in enumerate(reversed(places)):
        if 10**power == cycle:
            break
        digit = values // np.uint64(10**power) % np.uint64(10)
        words |= digit << np.uint64(8 * (place - offset))
    return words


@dataclass(frozen=True, slots=True)
class _Comb:
    """Where rows at even steps begin whose times lack the zeros at their end.

    Of the rows after one whose time is a multiple of a power of ten, the place is a sum over the
    digits of their number, so that a view of as many axes holds them all.
    """

    power: int  # The power of ten
    zeros: int  # Zeros at its end
    periods: tuple[int, ...]  # Rows from one time with so many zeros at its end to the next

    def starts_at(self, row: int, width: int) -> int:
        """Count the bytes from the first row to a later one, the longest having a width."""
        return row * width - sum(row // period for period in self.periods)


@functools.lru_cache(maxsize=64)
def _comb_of(step: int, decimals: int) -> _Comb | None:
    """Find the power of ten for times with at most so many decimals; None if there is none."""
    for zeros in range(min(decimals, 8) - 1, 0, -1):
        power = 10**zeros
        if power % step == 0 and _MIN_COMB <= power // step <= _MAX_COMB:
            tens = [10**n for n in range(1, zeros + 1)]
            return _Comb(power, zeros, tuple(ten // math.gcd(ten, step) for ten in tens))
    return None


@functools.lru_cache(maxsize=8)
def _comb_words(
    comb: _Comb, step: int, offset: int, size: int, places: tuple[int, ...]
) -> tuple[Words64, Words64]:
    """Make the masks and the digits of the last words of the times after a multiple's."""
    rows = np.arange(1, 10 * comb.periods[-1] + 1)
    lacks = np.sum([rows % period == 0 for period in comb.periods], axis=0)
    masks = _MASKS[np.maximum(size - lacks, 0)]
    digits = _last_digits(offset, places, 10 * comb.power, step, 0)
    return masks, np.roll(digits, -1) & masks


def _read_stepped(
    memory: npt.NDArray[np.uint8], place: int, size: int, template: _Template, plan: Plan
) -> tuple[ChangedRows, int] | None:
    """Read rows at even steps whose times lack the zeros at their end; None if not so.

    Rows before the first multiple of the power of ten are read by their line ends.
    """
    times = []
    for at in (place, place + template.width):
        cell = memory[at : min(at + 40, size)].tobytes().split(plan.delimiter, 1)[0]
        time = _NUMBER.fullmatch(cell)
        if time is None or time[1] or time[3] not in {None, plan.point}:
            return None
        times.append((time[2], time[4] or b""))
    whole = template.whole_digits
    decimals = max(len(part) for _, part in times)
    first, second = (int(number + part.ljust(decimals, b"0")) for number, part in times)
    step = second - first
    comb = _comb_of(step, decimals) if step > 0 and first % step == 0 else None
    longest = _longest(memory, place, template, whole + 1 + decimals, plan)
    if comb is None or longest is None or size - place < 2 * comb.periods[-1] * longest.width:
        return None
    before = -first % comb.power // step
    if before:
        end = place + before * longest.width
        return _read_ragged(memory, place, end, template, plan, most_rows=before)
    return _read_combs(memory, place, size, longest, plan, known=(first, step, comb))


def _read_combs(
    memory: npt.NDArray[np.uint8],
    place: int,
    size: int,
    template: _Template,
    plan: Plan,
    *,
    known: tuple[int, int, _Comb],
) -> tuple[ChangedRows, int] | None:
    """Read rows from a multiple of the power of ten up to one, all held against known times."""
    first, step, comb = known
    count, width = comb.periods[-1], template.width
    tail_size, most = width - template.time_size, 10 ** len(template.digit_places)
    shape = [b // a for a, b in zip((1, *comb.periods), comb.periods, strict=False)][::-1]
    strides = [comb.starts_at(row, width) for row in (1, *comb.periods)][::-1]
    # From the end of a multiple's row to the next multiple's.
    rest = comb.starts_at(count - 1, width)
    last = template.time_words[-1]
    if sum(at >= last.offset for at in template.digit_places) <= comb.zeros:
        return None
    masks, digits = _comb_words(comb, step, last.offset, last.size, template.digit_places)

    def load(word: _Word, begin: int, some: int, expected: np.uint64) -> Words64:
        view = np.ndarray((some, *shape), _U64, memory.data, begin + word.offset, strides)
        found: Words64 = np.bitwise_xor(view, expected, order="C").reshape(-1)
        return found if word.size == 8 else np.bitwise_and(found, word.mask, out=found)

    tails: list[list[Words64]] = [[] for _ in template.tail_words]
    at, time = place, first
    while True:
        text = _without_zeros(time, template, plan)
        origin = at + len(text) + tail_size
        part = time // comb.power % 10
        fits = (size - origin - rest) // strides[0] + 1
        some = min(10 - part, fits, (most - time) // comb.power)
        if some <= 0:
            break
        if memory[at : at + len(text)].tobytes() != text:
            return None
        above = time - time % (10 * comb.power)
        spread = _spread(f"{above:0{len(template.digit_places)}d}", template)
        rows = slice(part * count, (part + some) * count)
        for word in template.time_words:
            value = int.from_bytes(spread[word.offset : word.offset + word.size], "little")
            off = load(word, origin, some, word.template ^ np.uint64(value))
            if word is last:
                np.bitwise_and(off, masks[rows], out=off)
                np.bitwise_xor(off, digits[rows], out=off)
            # The last is of a row that the next view, or the next block, has in its care.
            if np.bitwise_or.reduce(off[:-1]):
                return None
        for word, offs in zip(template.tail_words, tails, strict=True):
            offs.append(load(word, origin - tail_size, some, word.template))
        at = origin + (some - 1) * strides[0] + rest
        time += some * comb.power
    rows_read = (time - first) // step
    if not rows_read:
        return None
    pairs = [(w, np.concatenate(offs)) for w, offs in zip(template.tail_words, tails, strict=True)]
    if any(_good_rows(word, off) < rows_read for word, off in pairs):
        return None
    return _at_even_steps(template, pairs, rows_read, first, step), at - place


def _without_zeros(time: int, template: _Template, plan: Plan) -> bytes:
    """Print a time, counted in its last digit, without the zeros at its end."""
    digits = str(time).zfill(len(template.digit_places)).encode()
    whole = digits[: template.whole_digits]
    return (whole + plan.point + digits[template.whole_digits :].rstrip(b"0")).rstrip(plan.point)


def _at_even_steps(
    template: _Template, pairs: list[tuple[_Word, Words64]], rows: int, first: int, step: int
) -> ChangedRows:
    """Find the rows that change a level among rows whose times are known."""
    scale = template.scale_ps
    even = _levels_of(pairs, rows)
    return replace(
        even,
        time_ps=(first + even.at * step) * scale,
        first_ps=first * scale,
        last_ps=(first + (rows - 1) * step) * scale,
        steps=Steps(step * scale, step * scale, 1),
    )


def _read_ragged(
    memory: npt.NDArray[np.uint8],
    place: int,
    size: int,
    template: _Template,
    plan: Plan,
    *,
    most_rows: int | None = None,
) -> tuple[ChangedRows, int] | None:
    """Read rows whose times have as many digits before the point but not after it.

    A decimal that is not printed is a 0, so bytes beyond a time's end count as the template's.
    """
    ends = np.flatnonzero(memory[place:size] == _NEWLINE)[:most_rows] + (place + 1)
    starts = np.concatenate(([place], ends[:-1]))
    tails = ends - (template.width - template.time_size)
    lengths = tails - starts
    whole = template.whole_digits
    most = whole + 1 + plan.exponent
    fits = (lengths == whole) | ((lengths >= whole + 2) & (lengths <= most))
    rows = fits.size if fits.all() else int(fits.argmin())
    if not rows:
        return None
    starts, tails, lengths = starts[:rows], tails[:rows], lengths[:rows]
    longest = _longest(memory, place, template, int(lengths.max()), plan)
    if longest is None:
        return None
    every = np.ndarray((memory.size - 7,), _U64, memory.data, 0, (1,))
    shortest = int(lengths.min())

    def load(word: _Word, begins: Places, *, is_time: bool) -> Words64:
        at = begins + word.offset
        if word.size == 1:  # mostly the delimiter before the levels; a byte is faster to fetch
            return np.bitwise_xor(memory[at], np.uint8(word.template)).astype(np.uint64)
        found: Words64 = every[at]
        np.bitwise_xor(found, word.template, out=found)
        if is_time and shortest < word.offset + word.size:
            masks = _MASKS[np.clip(np.arange(most + 1) - word.offset, 0, word.size)]
            return np.bitwise_and(found, masks[lengths], out=found)
        return found if word.size == 8 else np.bitwise_and(found, word.mask, out=found)

    words = [load(word, starts, is_time=True) for word in longest.time_words]
    words += [load(word, tails, is_time=False) for word in longest.tail_words]
    piece = _read_words(longest, (*longest.time_words, *longest.tail_words), words)
    return None if piece is None else (piece, int(ends[piece.row_count - 1]) - place)


_MASKS: Final = np.array([(1 << 8 * size) - 1 for size in range(9)], np.uint64)
"""For each number of bytes, the mask of a word's first ones."""


def _longest(
    memory: npt.NDArray[np.uint8], place: int, template: _Template, length: int, plan: Plan
) -> _Template | None:
    """Make the template of a row as the one at a place, with a time of another length."""
    whole = template.whole_digits
    row = memory[place : place + template.width].tobytes()
    decimals = plan.point + b"0" * (length - whole - 1) if length > whole else b""
    return _template_of(row[:whole] + decimals + row[template.time_size :], plan)


def _read_words(
    template: _Template, words: tuple[_Word, ...], offs: list[Words64]
) -> ChangedRows | None:
    """Verify rows by how their words differ from the template's, and read them."""
    pairs = list(zip(words, offs, strict=True))
    rows = min(_good_rows(word, off) for word, off in pairs)
    if not rows:
        return None
    pairs = [(word, off[:rows]) for word, off in pairs]
    found = _levels_of(pairs, rows)
    if not template.is_timed:
        return found
    times = _times(template, pairs)
    scale = template.scale_ps
    return replace(
        found,
        time_ps=times[found.at] * scale,
        first_ps=int(times[0]) * scale,
        last_ps=int(times[-1]) * scale,
        steps=find_steps(times, scale),
    )


def _levels_of(pairs: list[tuple[_Word, Words64]], rows: int) -> ChangedRows:
    """Find the rows that change a level; their times are still to be set."""
    levels = [
        (word, np.bitwise_and(off, word.levels) if word.has_digits else off)
        for word, off in pairs
        if word.picks
    ]
    at = _changes(levels)
    packed = _packed(levels, np.concatenate(([0, rows - 1], at)))
    return ChangedRows(0, rows, int(packed[0]), int(packed[1]), at, packed[2:])


def _good_rows(word: _Word, off: Words64) -> int:
    """Count the rows from the first on in which every byte of a word is as it must be."""
    if not word.has_digits:
        wrong = ~word.levels
        if not np.bitwise_or.reduce(off) & wrong:
            return off.size
        return int(np.bitwise_and(off, wrong).astype(bool).argmax())
    carried = np.add(off, word.ceiling)
    np.bitwise_or(carried, off, out=carried)
    if not np.bitwise_or.reduce(carried) & _HIGH:
        return off.size
    return int(np.bitwise_and(carried, _HIGH).astype(bool).argmax())


def _changes(levels: list[tuple[_Word, Words64]]) -> Places:
    """Rows in which a level differs from the row above."""
    differs = functools.reduce(
        np.logical_or, (np.not_equal(off[1:], off[:-1]) for _, off in levels)
    )
    return np.flatnonzero(differs) + 1


def _packed(levels: list[tuple[_Word, Words64]], at: Places) -> Words:
    """Levels of some rows, each at its bit, in as few bytes as hold them."""
    packed = np.zeros(at.size, np.uint64)
    bits = 0
    one = np.uint64(1)
    for word, off in levels:
        found = off[at]
        for shift, bit in word.picks:
            packed |= ((found >> np.uint64(shift)) & one) << np.uint64(bit)
            bits = max(bits, bit + 1)
    return packed.astype(np.min_scalar_type((1 << bits) - 1))


def _times(template: _Template, pairs: list[tuple[_Word, Words64]]) -> Places:
    """Read the times of rows, counted in their last digit."""
    total: Words64 | None = None
    fixed = 0
    for word, off in pairs:
        if not word.digits:
            continue
        is_last = word.weight == 1
        if not is_last and bool((off[1:] == off[:1]).all()):
            off = off[:1]  # noqa: PLW2901 - the leading digits are seldom any others
        number = _number(word, off)
        if number.size == 1 and not is_last:
            fixed += int(number[0]) * word.weight
        else:
            number = number if is_last else number * np.uint64(word.weight)
            total = number if total is None else total + number
    assert total is not None  # the time ends in some word
    times = total.view(np.int64)
    if fixed:
        times = times + fixed
    return times if template.sign > 0 else -times


def _number(word: _Word, off: Words64) -> Words64:
    """Join a word's digits of the time: neighbours to pairs, pairs to fours, fours to eight."""
    parts = [(off & mask) << shift for mask, shift in word.digits]
    number = functools.reduce(np.bitwise_or, parts)
    for factor, shift, mask in _JOINS:
        number *= factor
        number >>= shift
        if mask is not None:
            number &= mask
    return number


_JOINS: Final = (
    (np.uint64(10 << 8 | 1), np.uint64(8), np.uint64(0x00FF00FF00FF00FF)),
    (np.uint64(100 << 16 | 1), np.uint64(16), np.uint64(0x0000FFFF0000FFFF)),
    (np.uint64(10000 << 32 | 1), np.uint64(32), None),
)
