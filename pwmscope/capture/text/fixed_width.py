"""Rows of digits read without a parser: bytes held against a template, eight at a time.

A sampled table repeats one row with other digits. The first row of a run gives the template: which
bytes are digits of the time, which are levels, and what every other byte must be. Then 64-bit words
of all rows of the run are compared at once, and each byte is verified:

- the exclusive or of a word with its template leaves 0 to 9 where a digit stands, 0 or 1 where a
  level stands, and 0 elsewhere; a constant added to each byte carries into its highest bit where
  that does not hold;
- a word that differs from the one a row above shows a change of level;
- eight digits become a number in three steps that join neighbours: pairs, fours, all eight;
- where the first two rows are a step apart of which many make a power of ten, the text of all rows
  to come is known but for the levels, and only held against; so it is where times are written
  without the zeros at their end.

What does not fit is left to the general parser, from that row on.
"""

from __future__ import annotations

import functools
import itertools
import math
import re
from collections import deque
from dataclasses import dataclass, replace
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.hints import EXPONENT_OF_UNIT
from pwmscope.capture.text.dialect import SPACES
from pwmscope.capture.text.edges import NO_STEPS, ChangedRows, Steps, Words, find_steps
from pwmscope.capture.text.layout import Layout

Words64: TypeAlias = npt.NDArray[np.uint64]
Places: TypeAlias = npt.NDArray[np.int64]
Bytes: TypeAlias = npt.NDArray[np.uint8]

SLACK: Final = 64
"""Bytes that must follow a block's rows in memory, so that every word can be loaded whole."""
MAX_ROW: Final = 4096
"""A longer row is left to the general parser."""
_MIN_RUN: Final = 256
"""Rows of one width worth a pass of their own; shorter runs are read by their line ends."""
_MIN_PIECES: Final = 16
"""Pieces that a block may have however few rows it holds."""
_MIN_CYCLE: Final = 50
"""Rows after which the last digits come again that are worth being held against their text."""
_MAX_TEXT: Final = 1 << 18
"""Bytes of such a text: with all that is held against it, it stays in the cache."""
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
    shape: bytes  # The row, digits and levels written as 0
    # The bits of each byte that must be as they are written: all but a level's lowest; empty where
    # other digits than a time's stand in the row
    fixed: bytes
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
        shape,
        b"" if b"d" in kinds else bytes(0xFE if kind == ord("l") else 0xFF for kind in kinds),
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
        some = memory[place : min(size, place + _MIN_RUN * template.width)]
        run = _run_length(some, template.width)
        is_ragged = run < _MIN_RUN and place + run * template.width < size and plan.time == 0
        read = None
        if template.time_words and template.fixed:
            read = _read_known(memory, place, size, template, plan, is_ragged=is_ragged)
        if read is None and is_ragged:
            read = _read_ragged(memory, place, size, template, plan)
        elif read is None:
            run = _run_length(memory[place:size], template.width)
            read = _read_run(memory, place, run, template)
        if read is None:
            break
        piece, taken = read
        pieces.append(replace(piece, first_row=rows))
        rows += piece.row_count
        place += taken
    return Block(tuple(pieces), rows, place)


def _run_length(lines: Bytes, width: int) -> int:
    """Count the rows from the first on that end where the first row's width lets them end."""
    is_end = lines[width - 1 :: width] == _NEWLINE
    at = int(is_end.argmin())
    return is_end.size if is_end[at] else at


def _read_run(
    memory: Bytes, place: int, rows: int, template: _Template
) -> tuple[ChangedRows, int] | None:
    """Read rows of one width."""

    def load(word: _Word) -> Words64:
        shape, strides = (rows,), (template.width,)
        view = np.ndarray(shape, _U64, memory.data, place + word.offset, strides)
        found: Words64 = np.bitwise_xor(view, word.template)
        return found if word.size == 8 else np.bitwise_and(found, word.mask, out=found)

    piece = _read_words(template, template.words, [load(word) for word in template.words])
    return None if piece is None else (piece, piece.row_count * template.width)


@dataclass(frozen=True, slots=True)
class _Cycle:
    """The rows between two multiples of a power of ten, as they are printed at even steps.

    Only the digits above the power differ from one cycle to the next, and the row of the multiple
    itself, which may lack any number of zeros at its end. Where a row ends is a sum over the digits
    of its number, so that a view of as many axes holds all rows.
    """

    power: int  # The power of ten, counted in a time's last digit
    rows: int  # From one multiple to the next
    # The multiple's row up to its end at the template's width, the rows after it, and room for one
    # more; digits above the power and levels are 0
    text: Bytes
    fixed: Bytes  # The bits of each byte that must be as the text's: all but a level's lowest
    ends: Places  # shape (rows,): Where each row ends in the text
    shape: tuple[int, ...]
    strides: tuple[int, ...]
    # Copies of the text that no thread holds, with the digits above the power in each, and two
    # arrays of its size to work in
    free: deque[tuple[Bytes, str, Bytes, Bytes]]


@functools.lru_cache(maxsize=16)
def _cycle(template: _Template, power: int, step: int, phase: int, *, is_ragged: bool) -> _Cycle:
    """Print the rows from a multiple of a power of ten to the next; phase: how far beyond it."""
    rows, width = power // step, template.width
    times = np.arange(rows) * step + phase
    text = np.tile(np.frombuffer(template.shape, np.uint8), (rows, 1))
    kept = np.ones(text.shape, bool)
    periods = []
    for places, place in enumerate(reversed(template.digit_places)):
        ten = 10**places
        if ten == power:
            break
        text[:, place] += (times // ten % 10).astype(np.uint8)
        if is_ragged and places:
            kept[times % ten == 0, template.time_size - places] = False
            periods.append(ten // math.gcd(ten, step))
    kept[0] = True
    ends = np.cumsum(kept.sum(1))
    fixed = np.tile(np.frombuffer(template.fixed, np.uint8), (rows, 1))
    return _Cycle(
        power,
        rows,
        np.concatenate((text[kept], np.zeros(width + 8, np.uint8))),
        fixed[kept],
        ends,
        tuple(b // a for a, b in itertools.pairwise((1, *periods, rows)))[::-1],
        tuple(int(ends[row] - width) for row in (1, *periods))[::-1],
        deque(),
    )


def _power_of(step: int, most_digits: int, most_rows: int) -> int:
    """Find the longest power of ten that a step divides into a number of rows; 0 if none."""
    powers = (10**n for n in range(most_digits, 0, -1)) if step > 0 else ()
    fits = (p for p in powers if p % step == 0 and _MIN_CYCLE <= p // step <= most_rows)
    return next(fits, 0)


def _read_known(
    memory: Bytes, place: int, size: int, template: _Template, plan: Plan, *, is_ragged: bool
) -> tuple[ChangedRows, int] | None:
    """Read rows at even steps, each held against the text that it must be; None if not so."""
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
    longest: _Template | None = template
    if is_ragged:
        longest = _longest(memory, place, template, whole + bool(decimals) + decimals, plan)
    if longest is None or len(longest.digit_places) != whole + decimals:
        return None
    most_digits = decimals if is_ragged else whole + decimals - 1
    power = _power_of(step, most_digits, min(_MAX_TEXT, size - place) // longest.width)
    if not power or (is_ragged and first % step):
        return None
    cycle = _cycle(longest, power, step, first % step, is_ragged=is_ragged)
    return _held(memory[:size], place, longest, cycle, (first, step), is_ragged=is_ragged)


def _held(
    memory: Bytes,
    place: int,
    template: _Template,
    cycle: _Cycle,
    known: tuple[int, int],
    *,
    is_ragged: bool,
) -> tuple[ChangedRows, int] | None:
    """Hold rows from a place on against the cycles that they must be, given the first and step."""
    first, step = known
    width, count = template.width, len(template.digit_places)
    tail = template.shape[template.time_size :]

    def view(kind: npt.DTypeLike, of: Bytes, begin: int) -> npt.NDArray[Any]:
        return np.ndarray(cycle.shape, kind, of.data, begin, cycle.strides)

    above = count + 1 - len(str(cycle.power))
    try:
        text, printed, off, wrong = cycle.free.pop()
    except IndexError:
        text, off, wrong = (cycle.text.copy() for _ in range(3))
        printed = "0" * above
    uppers = [view(np.uint8, text, width + at) for at in template.digit_places[:above]]
    words = [word for word in template.tail_words if word.picks]
    levels = [view(_U64, off, template.time_size + word.offset) for word in words]
    last_end = int(cycle.ends[-1])
    most = (memory.size - place) // (last_end - width) + 2
    found = [np.empty((most, *cycle.shape), _U64) for _ in words]
    number, row = first // cycle.power, first % cycle.power // step
    begun, rows, at, taken = row, 0, place, 0
    while at < memory.size and number < 10**count // cycle.power:
        digits = f"{number:0{above}d}"
        for upper, new, old in zip(uppers, digits, printed, strict=True):
            if new != old:
                upper[...] = ord(new)
        printed = digits
        time = f"{number * cycle.power + first % step:0{count}d}".encode()
        top = _printed(time, template, is_ragged=is_ragged) + tail
        text[width - len(top) : width] = np.frombuffer(top, np.uint8)
        begin = width - len(top) if row == 0 else int(cycle.ends[row - 1])
        upto, most_bytes = cycle.rows, begin + memory.size - at
        if most_bytes < last_end:
            upto = int(np.searchsorted(cycle.ends, most_bytes, "right"))
        if upto <= row:
            break
        end = int(cycle.ends[upto - 1])
        part = off[begin:end]
        np.bitwise_xor(memory[at : at + end - begin], text[begin:end], out=part)
        if np.bitwise_or.reduce(np.bitwise_and(part, cycle.fixed[begin:end], out=wrong[begin:end])):
            return None
        for out, level, word in zip(found, levels, words, strict=True):
            np.bitwise_and(level, word.levels, out=out[taken])
        rows, at, number, taken = rows + upto - row, at + end - begin, number + 1, taken + 1
        if upto < cycle.rows:
            break
        row = 0
    cycle.free.append((text, printed, off, wrong))
    if not rows:
        return None
    pairs = [
        (word, out[:taken].reshape(-1)[begun : begun + rows])
        for word, out in zip(words, found, strict=True)
    ]
    scale = template.scale_ps
    even = _levels_of(pairs, rows)
    read = replace(
        even,
        time_ps=(first + even.at * step) * scale,
        first_ps=first * scale,
        last_ps=(first + (rows - 1) * step) * scale,
        steps=Steps(step * scale, step * scale, 1) if rows > 1 else NO_STEPS,
    )
    return read, at - place


def _printed(digits: bytes, template: _Template, *, is_ragged: bool) -> bytes:
    """Print a time's digits as a row has them, zeros at its end left out where it is ragged."""
    whole = template.whole_digits
    point, decimals = template.shape[whole : whole + 1], digits[whole:]
    if is_ragged:
        decimals = decimals.rstrip(b"0")
    return digits[:whole] + (point + decimals if decimals else b"")


def _read_ragged(
    memory: Bytes, place: int, size: int, template: _Template, plan: Plan
) -> tuple[ChangedRows, int] | None:
    """Read rows whose times have as many digits before the point but not after it.

    A decimal that is not printed is a 0, so bytes beyond a time's end count as the template's.
    """
    ends = np.flatnonzero(memory[place:size] == _NEWLINE) + (place + 1)
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
    memory: Bytes, place: int, template: _Template, length: int, plan: Plan
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
    changed = times[1:] if found.at.size == rows - 1 else times[found.at]  # all, in a list
    return replace(
        found,
        time_ps=changed * scale,
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
    if at.size == rows - 1:  # all, in a list of changes
        packed = _packed(levels, slice(None))
        return ChangedRows(0, rows, int(packed[0]), int(packed[-1]), at, packed[1:])
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
    if differs.all():  # as in a list of changes
        return _counted(differs.size.bit_length())[: differs.size]
    at = np.flatnonzero(differs)
    at += 1
    return at


@functools.lru_cache(maxsize=4)
def _counted(bits: int) -> Places:
    """Count from 1, for all pieces of which every row is a change."""
    counted = np.arange(1, 1 << bits)
    counted.flags.writeable = False
    return counted


def _packed(levels: list[tuple[_Word, Words64]], at: Places | slice) -> Words:
    """Levels of some rows, each at its bit, in as few bytes as hold them."""
    most = max(bit for word, _ in levels for _, bit in word.picks)
    kind = np.min_scalar_type((2 << most) - 1)
    parts: list[Words] = []
    for word, off in levels:
        cells = off[at].astype(_U64, copy=False).view(np.uint8).reshape(-1, 8)
        for shift, bit in word.picks:
            parts.append(np.left_shift(cells[:, shift // 8].astype(kind), bit, dtype=kind))
    return functools.reduce(np.bitwise_or, parts)


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
