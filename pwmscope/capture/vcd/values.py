"""What a value change dump declares, and the values of its variables over time."""

from __future__ import annotations

import math
import re
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.reader.unpack import reading
from pwmscope.capture.text.comparator import (
    MAX_NUMBER,
    AmplitudeHistogram,
    Threshold,
    judge_levels,
)
from pwmscope.capture.vcd.words import REAL, SCALAR, VECTOR, Bytes, CodeBook, Words, no_dump
from pwmscope.errors import CaptureError, HintError
from pwmscope.model import Assumption, BoolArray, FloatArray, IntArray

MAX_HEADER_BYTES: Final = 16 * 1024 * 1024
MAX_BITS: Final = 1_000_000
MAX_LINES_SEEN: Final = 16_384
"""Lines that are looked at to find the 64 to keep."""
FEMTOSECONDS_OF_UNIT: Final = {
    "s": 10**15, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 10**3, "fs": 1,
}  # fmt: skip
"""Units of ``$timescale`` (IEEE Std 1364-2005, 18.2.3.6)."""

_END: Final = re.compile(rb"\$enddefinitions\s+\$end(?=\s)")
_TIMESCALE: Final = re.compile(r"\s*(10{0,2})\s*([munpf]?s)\s*")
_SELECT: Final = re.compile(
    r"(?P<name>.*?)\s*\[\s*(?P<left>-?\d+)\s*(?::\s*(?P<right>-?\d+)\s*)?\]"
)
LOW, HIGH, UNKNOWN, NO_STATE = 0, 1, 2, 3


@dataclass(frozen=True, slots=True)
class Variable:
    """One ``$var`` declaration, such as ``$var wire 4 " sticks [3:0] $end``."""

    kind: str  # `wire`, `reg`, `real`, `integer`, ..
    size: int  # Number of bits
    code: bytes  # The short identifier code by which value changes name it
    scope: tuple[str, ...]  # The scopes around it, outermost first
    name: str  # Its own name, without a bit select
    # The bit select's bounds as declared; `right` is None for one bit, both are None where there is
    # no bit select
    left: int | None
    right: int | None
    row: int  # Line of the file where the declaration begins, counted from 1

    def bits(self) -> tuple[int | None, ...]:
        """Index of each bit, first written first; a single None where it has no index.

        >>> Variable("wire", 3, b"!", (), "bus", 2, 0, 1).bits()
        (2, 1, 0)
        >>> Variable("wire", 1, b"!", (), "RX1", None, None, 1).bits()
        (None,)
        """
        if self.size == 1:
            return (self.left,)
        if self.left is not None and self.right is not None:
            step = -1 if self.left > self.right else 1
            # Counted before it is built: a range may say anything.
            if abs(self.left - self.right) + 1 == self.size:
                return tuple(range(self.left, self.right + step, step))
        return tuple(range(self.size - 1, -1, -1))


@dataclass(frozen=True, slots=True)
class Header:
    """The declarations of a value change dump."""

    unit_fs: int  # One unit of time in femtoseconds, 1 to 10**17
    timescale: str | None  # The unit as the file writes it, such as `10 ns`; None where it does not
    # Every declaration, in file order; several may share one identifier code
    variables: tuple[Variable, ...]
    rows: int  # Line ends within the header
    rest: bytes  # The first bytes after the header, already read

    @property
    def codes(self) -> tuple[bytes, ...]:
        """The identifier codes in order of first declaration."""
        return tuple(dict.fromkeys(v.code for v in self.variables))


def read_header(file: BinaryIO, source: str) -> Header:
    r"""Read up to and including ``$enddefinitions $end``.

    >>> import io
    >>> text = b"$timescale 1 us $end $var wire 1 ! RX1 $end $enddefinitions $end\n#0\n"
    >>> header = read_header(io.BytesIO(text), "a.vcd")
    >>> header.unit_fs, header.variables[0].name, header.rest
    (1000000000, 'RX1', b'\n#0\n')
    """
    head, end = bytearray(), None
    while end is None:
        with reading(Path(source)):
            chunk = file.read(65_536)
        # A file that ends with the header's last word has no white space after it.
        end = _END.search(head + chunk if chunk else head + b"\n", max(0, len(head) - 128))
        head += chunk
        if end is None and (not chunk or len(head) > MAX_HEADER_BYTES):
            found = "no $enddefinitions found, so the list of variables has no end"
            raise no_dump(source, found, bytes(head).count(b"\n") + 1)
    text = bytes(head[: end.start()]).removeprefix(b"\xef\xbb\xbf")
    unit_fs, timescale, variables = _declarations(text, source)
    rows = bytes(head[: end.end()]).count(b"\n")
    if not variables:
        raise CaptureError(
            source, "no variable is declared", "export at least one digital line", row=rows + 1
        )
    return Header(unit_fs, timescale, tuple(variables), rows, bytes(head[end.end() :]))


def _declarations(text: bytes, source: str) -> tuple[int, str | None, list[Variable]]:
    unit_fs, timescale = FEMTOSECONDS_OF_UNIT["s"], None
    variables: list[Variable] = []
    scope: list[str] = []
    bits = 0
    for row, keyword, words in _commands(text, source):
        body = [word.decode("utf-8", errors="replace") for word in words]
        if keyword == b"$timescale":
            timescale = " ".join(body)
            unit_fs = _unit_fs(timescale, source, row)
        elif keyword == b"$scope":
            scope.append(body[-1] if len(body) > 1 else "")
        elif keyword == b"$upscope":
            if not scope:
                raise no_dump(source, "an $upscope without its $scope", row)
            scope.pop()
        elif keyword == b"$var":
            variables.append(_variable(body, words, tuple(s for s in scope if s), source, row))
            bits += variables[-1].size
            if bits > MAX_BITS:
                found = f"more than {MAX_BITS} bits are declared"
                raise CaptureError(source, found, "export fewer variables", row=row)
    return unit_fs, timescale, variables


def _commands(text: bytes, source: str) -> list[tuple[int, bytes, list[bytes]]]:
    """Cut the header into (row, keyword, words up to ``$end``)."""
    commands: list[tuple[int, bytes, list[bytes]]] = []
    keyword: bytes | None = None
    begun, words = 1, list[bytes]()
    for row, line in enumerate(text.split(b"\n"), 1):
        for word in line.split():
            if keyword is None:
                if not word.startswith(b"$") or word == b"$end":
                    shown = word[:20].decode("utf-8", errors="replace")
                    raise no_dump(source, f"'{shown}' found where a $ keyword is expected", row)
                keyword, begun, words = word, row, []
            elif word == b"$end":
                commands.append((begun, keyword, words))
                keyword = None
            else:
                words.append(word)
    if keyword is not None:
        shown = keyword[:20].decode("utf-8", errors="replace")
        raise no_dump(source, f"{shown} has no $end", begun)
    return commands


def _unit_fs(timescale: str, source: str, row: int) -> int:
    match = _TIMESCALE.fullmatch(timescale)
    if match is None:
        expected = "expected 1, 10 or 100 of s, ms, us, ns, ps or fs"
        raise no_dump(source, f"the timescale is '{timescale[:20]}', {expected}", row)
    return int(match[1]) * FEMTOSECONDS_OF_UNIT[match[2]]


def _variable(
    body: list[str], words: list[bytes], scope: tuple[str, ...], source: str, row: int
) -> Variable:
    if len(body) < 4 or not (body[1].isascii() and body[1].isdigit() and 0 < len(body[1]) < 8):
        raise no_dump(source, "a $var needs type, size, identifier code and name", row)
    reference = " ".join(body[3:])
    name, left, right = reference, None, None
    if reference.startswith("\\"):  # an escaped identifier holds its brackets in its name
        name, _, reference = reference[1:].partition(" ")
        reference = f"{name} {reference}".strip() if reference else ""
    match = _SELECT.fullmatch(reference)
    if match is not None and (match["name"] or name != body[3]):
        name = match["name"] or name
        left = int(match["left"][:18])
        right = None if match["right"] is None else int(match["right"][:18])
    return Variable(body[0], max(1, int(body[1])), words[2], scope, name, left, right, row)


NO_WIRES: Final = frozenset({"event", "integer", "parameter", "realtime", "string", "time"})
REALS: Final = frozenset({"real", "shortreal", "real_parameter"})
"""Kinds of variable that hold numbers of a program rather than a wire's level,
and kinds that hold a quantity (IEEE Std 1364-2005, 18.2.3.8)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line to be read from a dump."""

    name: str  # What the line is called
    variable: Variable  # The variable that it is, or whose bit it is
    bit: int  # Position of its bit in written order, 0 for the leftmost

    @property
    def is_real(self) -> bool:
        """Whether its values are numbers."""
        return self.variable.kind in REALS


def choose_lines(
    header: Header, hints: Hints, source: str
) -> tuple[tuple[Wanted, ...], tuple[str, ...]]:
    """Choose and name the lines of a dump.

    A line is called by its own name where no other line has that name, else by
    its scopes and name joined with dots; a hint may use either.
    """
    primary: dict[bytes, Variable] = {}
    aliases: list[tuple[Variable, Variable]] = []
    for variable in header.variables:
        first = primary.setdefault(variable.code, variable)
        if first is variable:
            continue
        if first.size != variable.size or (first.kind in REALS) != (variable.kind in REALS):
            found = f"'{variable.name}' shares the identifier code of '{first.name}'"
            raise no_dump(source, f"{found} but not its size", variable.row)
        aliases.append((variable, first))
    wires = [v for v in primary.values() if v.kind not in NO_WIRES]
    taken = Counter(label for variable in wires for label in _labels(variable))
    names = {v.code: _names(v, taken) for v in primary.values()}
    if hints.lines is not None:
        return _asked(header.variables, names, hints.lines, source), ()
    said = [*_format_left_out(list(primary.values())), *_format_aliases(aliases, names)]
    count = sum(len(names[v.code]) for v in wires)
    if count > MAX_LINES_SEEN:
        raise CaptureError(
            source,
            f"{count} lines are declared, at most {MAX_LINES_SEEN} are looked at",
            "name those of interest with `lines`",
        )
    if not wires:
        raise CaptureError(
            source,
            f"no wires among the {len(primary)} variables declared",
            "export at least one digital line, or name variables with `lines`",
        )
    wanted = [Wanted(name, v, bit) for v in wires for bit, name in enumerate(names[v.code])]
    return tuple(wanted), tuple(said)


def _labels(variable: Variable) -> tuple[str, ...]:
    """Names of a variable's bits, without its scopes."""
    if variable.kind in REALS:
        return (variable.name,)
    return tuple(
        variable.name if index is None else f"{variable.name}[{index}]" for index in variable.bits()
    )


def _names(variable: Variable, taken: Counter[str]) -> tuple[str, ...]:
    labels = _labels(variable)
    if all(taken[label] <= 1 for label in labels):
        return labels
    names = tuple(".".join((*variable.scope, label)) for label in labels)
    if any(taken[name] for name in names) or not variable.scope:
        # Two variables of one scope and name: the identifier code tells them apart.
        code = variable.code.decode("utf-8", errors="replace")
        names = tuple(f"{name} ({code})" for name in names)
    return names


def _asked(
    variables: tuple[Variable, ...],
    names: dict[bytes, tuple[str, ...]],
    lines: tuple[str, ...],
    source: str,
) -> tuple[Wanted, ...]:
    known: dict[str, list[tuple[Variable, int]]] = {}
    for variable in variables:
        for bit, label in enumerate(_labels(variable)):
            spellings = {label, ".".join((*variable.scope, label)), names[variable.code][bit]}
            for spelling in spellings:
                held = known.setdefault(spelling, [])
                if all((v.code, b) != (variable.code, bit) for v, b in held):
                    held.append((variable, bit))
    wanted: list[Wanted] = []
    for line in lines:
        held = known.get(line, [])
        if not held:
            shown = ", ".join(list(dict.fromkeys(n for ns in names.values() for n in ns))[:8])
            raise HintError(f"{source}: there is no line '{line}'; the file has {shown}.")
        if len(held) > 1:
            paths = " and ".join(".".join((*v.scope, line)) for v, _ in held[:2])
            raise HintError(f"{source}: '{line}' may be {paths}; name its scope with `lines`.")
        if any(line == done.name for done in wanted):
            raise HintError(f"{source}: the line '{line}' is named twice; name it once.")
        wanted.append(Wanted(line, *held[0]))
    if not wanted:
        raise HintError(f"{source}: no lines are named; name at least one with `lines`.")
    return tuple(wanted)


def _format_left_out(variables: list[Variable]) -> list[str]:
    left_out = [v for v in variables if v.kind in NO_WIRES]
    if not left_out:
        return []
    kinds = ", ".join(sorted({v.kind for v in left_out}))
    shown = ", ".join(v.name for v in left_out[:8]) + (", ..." if len(left_out) > 8 else "")
    return [f"Variables of type {kinds} are no wires and were left out ({shown})."]


def _format_aliases(
    aliases: list[tuple[Variable, Variable]], names: dict[bytes, tuple[str, ...]]
) -> list[str]:
    said = []
    for alias, first in aliases[:8]:
        path = ".".join((*alias.scope, alias.name))
        name = names[first.code][0] if first.size == 1 else first.name
        said.append(f"'{path}' is the same wire as '{name}' and was read once.")
    if len(aliases) > 8:
        said.append(f"{len(aliases) - 8} more names belong to wires already read.")
    return said


def _states() -> Bytes:
    table = np.full(256, NO_STATE, np.uint8)
    table[list(b"0lL")] = LOW
    table[list(b"1hH")] = HIGH
    table[list(b"xXzZuUwW-")] = UNKNOWN
    return table


STATE_OF_BYTE: Final = _states()
"""IEEE Std 1364 has 0, 1, x and z; the other letters are the strengths that
IEEE Std 1164 adds (weak low and high count as levels, the rest as unknown)."""


@dataclass(frozen=True, slots=True)
class Values:
    """The values of one kind within a block, in file order."""

    words: IntArray  # shape (n,): Which word of the block holds each value
    numbers: npt.NDArray[np.int32]  # shape (n,): Number of the identifier code of each
    times: IntArray  # shape (n,): Time of each in picoseconds, as the file counts it


def find_values(
    words: Words, times: IntArray, left_out: BoolArray | None, book: CodeBook, source: str
) -> dict[int, Values]:
    """Sort the values of a block by kind: states under `SCALAR`, numbers under `REAL`."""
    found: dict[int, Values] = {}
    usable: BoolArray | np.bool_ = np.True_ if words.is_code is None else ~words.is_code
    is_garbage = (words.kinds == 0) & usable
    if is_garbage.any():
        word = int(is_garbage.argmax())
        what = f"'{words.text_of(word)}' is neither a time nor a value"
        raise no_dump(source, what, words.row_of(word))
    if left_out is not None:
        usable = usable & ~left_out
    are_states = (words.kinds == SCALAR) | (words.kinds == VECTOR)
    for kind, chosen in ((SCALAR, are_states), (REAL, words.kinds == REAL)):
        at = np.flatnonzero(chosen & usable)
        if not at.size:
            continue
        # The code stands in the same word after one state, else in the next word.
        is_scalar = words.kinds[at] == SCALAR
        named = at if is_scalar.all() else at + ~is_scalar
        numbers = book.look_up(words.data, words.starts[named] + is_scalar, words.ends[named])
        if int(numbers.min()) < 0:
            wrong = int((numbers < 0).argmax())
            raise _undeclared(words, int(named[wrong]), bool(is_scalar[wrong]), source)
        found[kind] = Values(at, numbers, times[at])
    return found


def _undeclared(words: Words, word: int, is_scalar: bool, source: str) -> CaptureError:
    text = words.text_of(word)
    code = text[1:] if is_scalar else text
    found = f"the value '{text}' has no identifier code"
    if code:
        found = f"the identifier code '{code}' of '{text}' was never declared"
    remedy = "export the recording again, with its list of variables"
    return CaptureError(source, found, remedy, row=words.row_of(word))


def states_of(words: Words, at: IntArray, variable: Variable, source: str) -> Bytes:
    """States of each bit of values of one variable, in written order."""
    size, name = variable.size, variable.name
    if size == 1 and words.is_code is None:
        return STATE_OF_BYTE[words.data[words.starts[at]]][:, None]
    skip = (words.kinds[at] != SCALAR).astype(np.int64)
    starts = words.starts[at] + skip
    lengths = np.where(skip == 1, words.ends[at] - starts, 1)
    states = np.empty((at.size, size), np.uint8)
    for length in np.unique(lengths).tolist():
        those = np.flatnonzero(lengths == length)
        if not 0 < length <= size:
            fault = f"has {length} bits, at most {size} were declared"
            raise _bad_value(words, int(at[those[0]]), fault, name, source)
        digits = STATE_OF_BYTE[words.data[starts[those, None] + np.arange(length)]]
        if int(digits.max()) == NO_STATE:
            word = int(at[those[int((digits == NO_STATE).any(axis=1).argmax())]])
            raise _bad_value(words, word, "holds other digits than 0, 1, x and z", name, source)
        states[those, size - length :] = digits
        states[those, : size - length] = np.where(digits[:, :1] == UNKNOWN, UNKNOWN, LOW)
    return states


def real_values(words: Words, at: IntArray, name: str, source: str) -> FloatArray:
    """Read the numbers of real values such as ``r3.297``, NaN where unknown."""
    values = np.empty(at.size, np.float64)
    for i, word in enumerate(at.tolist()):
        try:
            values[i] = float(words.bytes_of(word)[1:])
        except ValueError:
            raise _bad_value(words, word, "is no number", name, source) from None
    beyond = np.isfinite(values) & (np.abs(values) > MAX_NUMBER)
    if beyond.any():
        word = int(at[int(beyond.argmax())])
        raise _bad_value(words, word, f"lies beyond {MAX_NUMBER:g}", name, source)
    return values


def _bad_value(words: Words, word: int, fault: str, name: str, source: str) -> CaptureError:
    found = f"the value '{words.text_of(word)}' {fault}"
    return no_dump(source, found, words.row_of(word), name)


@dataclass(slots=True)
class Trace:
    """Edges of one line, from states that arrive block by block.

    Of several states at one time the last counts. An unknown state leaves the
    level as it was before, so no edge is made between a level, a stretch of
    unknown, and the same level. Before the first known state the level is taken
    to be that state.
    """

    first_level: int | None = None  # The first known level; None so far
    unknown_count: int = 0  # Stretches of unknown state
    unknown_ps: int = 0  # Their length together
    unknown_from_ps: int = 0  # Where the first begins
    superseded: int = 0  # Known states that were replaced by another state at the same time
    _level: int = LOW
    _was_unknown: bool = False
    _pending_times: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    _pending_states: Bytes = field(default_factory=lambda: np.empty(0, np.uint8))
    _edges: list[IntArray] = field(default_factory=list)

    def feed(self, times: IntArray, states: Bytes) -> None:
        """Take further states; times never decrease from one call to the next.

        >>> trace = Trace()
        >>> trace.feed(np.array([0, 5, 9]), np.array([0, 1, UNKNOWN], np.uint8))
        >>> trace.feed(np.array([12, 15]), np.array([1, 0], np.uint8))
        >>> trace.finish(20), trace.first_level, trace.unknown_count, trace.unknown_ps
        (array([ 5, 15]), 0, 1, 3)
        """
        times = np.concatenate([self._pending_times, times])
        states = np.concatenate([self._pending_states, states])
        together = times[1:] == times[:-1]
        if together.any():
            known = states != UNKNOWN
            differs = (states[1:] != states[:-1]) & known[1:] & known[:-1]
            self.superseded += int(np.count_nonzero(together & differs))
            keep = np.append(~together, True)
            times, states = times[keep], states[keep]
        self._pending_times, self._pending_states = times[-1:], states[-1:]
        self._settle(times, states[:-1])

    def _settle(self, times: IntArray, states: Bytes) -> None:
        """Take states that nothing can replace; `times` has the next time as well."""
        unknown = states == UNKNOWN
        if unknown.any() or self._was_unknown:
            self._count_unknown(times, unknown)
            known = ~unknown
            times, states = times[:-1][known], states[known]
        else:
            times = times[:-1]
        if not states.size:
            return
        if self.first_level is None:
            self.first_level = self._level = int(states[0])
        changed = np.empty(states.size, np.bool_)
        changed[0] = states[0] != self._level
        np.not_equal(states[1:], states[:-1], out=changed[1:])
        self._level = int(states[-1])
        self._edges.append(times[changed])

    def _count_unknown(self, times: IntArray, unknown: BoolArray) -> None:
        if not unknown.size:
            return
        begins = unknown.copy()
        begins[1:] &= ~unknown[:-1]
        begins[0] &= not self._was_unknown
        if begins.any():
            if self.unknown_count == 0:
                self.unknown_from_ps = int(times[int(begins.argmax())])
            self.unknown_count += int(np.count_nonzero(begins))
        self.unknown_ps += int(np.diff(times)[unknown].sum())
        self._was_unknown = bool(unknown[-1])

    def finish(self, end_ps: int) -> IntArray:
        """Close the line at the recording's end and return its edges' times."""
        self._settle(np.append(self._pending_times, end_ps), self._pending_states)
        edges_ps = np.concatenate(self._edges) if self._edges else np.empty(0, np.int64)
        self._edges.clear()
        return edges_ps


def find_threshold(name: str, histogram: AmplitudeHistogram, hint: float | None) -> Threshold:
    """Find the threshold between the two state levels (IEEE Std 181, histogram method).

    Each number counts once, however long it holds.

    >>> histogram = AmplitudeHistogram()
    >>> histogram.add(np.array([0.0, 0.0, 1.0, 5.0, 5.0]))
    >>> find_threshold("volts", histogram, None).level
    2.5
    """
    if histogram.is_empty:
        about = f"Line {name} is a real variable without any number."
        return Threshold(math.inf, 0.0, Assumption(about, "threshold", None, "", "data"))
    levels = histogram.state_levels()
    band = levels.band if levels.lie_apart else 0.0
    more = f" The hysteresis is {band:.4g}. Each number holds until the next."
    about = f"Line {name} is a real variable"
    found = judge_levels(about, levels, hint, are_shown=levels.lie_apart, more=more)
    return replace(found, band=band)


@dataclass(slots=True)
class RealTrace:
    """A real variable's level.

    A number holds until the next (IEEE Std 1364), so the level changes at the
    time of the number that crosses the threshold, provided that numbers go on
    to pass the band of hysteresis before they cross back.
    """

    threshold: float  # Where low ends and high begins
    reach: float  # How far beyond the threshold a number must lie to count
    trace: Trace = field(default_factory=Trace)  # What collects the line's edges
    _side: int = -1
    _side_since: int = 0
    _side_told: bool = False

    def feed(self, times: IntArray, values: FloatArray) -> None:
        """Take further numbers, NaN where unknown.

        >>> real = RealTrace(threshold=1.65, reach=0.165)
        >>> real.feed(np.array([0, 10, 20, 30, 40]), np.array([0, 1.7, 1.6, 1.7, 3.3]))
        >>> real.trace.finish(50)
        array([30])
        """
        side = np.where(values >= self.threshold, HIGH, LOW).astype(np.int8)
        side[np.isnan(values)] = UNKNOWN
        begins = np.empty(side.size, np.bool_)
        begins[0] = side[0] != self._side
        np.not_equal(side[1:], side[:-1], out=begins[1:])
        run = np.cumsum(begins)
        since = np.append(np.int64(self._side_since), times[begins])[run]
        passed = (side == UNKNOWN) | (np.abs(values - self.threshold) >= self.reach)
        at = np.flatnonzero(passed)
        # Of each run on one side only the first number that passes the band tells.
        first = at[np.diff(run[at], prepend=-1) != 0]
        if first.size and self._side_told and run[first[0]] == 0:
            first = first[1:]
        if first.size:
            self.trace.feed(since[first], side[first].astype(np.uint8))
        last_told = bool(at.size) and int(run[at[-1]]) == int(run[-1])
        self._side_told = last_told or (self._side_told and int(run[-1]) == 0)
        self._side, self._side_since = int(side[-1]), int(since[-1])
