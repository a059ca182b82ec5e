"""What a value change dump declares: its time unit, variables and lines."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from pwmscope.capture.reader.hints import Hints
from pwmscope.capture.reader.unpack import reading
from pwmscope.errors import CaptureError, HintError

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


@dataclass(frozen=True, slots=True)
class _Variable:
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

        Examples
        --------
        >>> _Variable("wire", 3, b"!", (), "bus", 2, 0, 1).bits()
        (2, 1, 0)
        >>> _Variable("wire", 1, b"!", (), "RX1", None, None, 1).bits()
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
    variables: tuple[_Variable, ...]
    rows: int  # Line ends within the header
    rest: bytes  # The first bytes after the header, already read


def read_header(file: BinaryIO, source: str) -> Header:
    r"""Read up to and including ``$enddefinitions $end``.

    Examples
    --------
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
            raise CaptureError(
                source,
                "no $enddefinitions found, so the list of variables has no end",
                "export the recording again as a value change dump (IEEE Std 1364)",
                row=bytes(head).count(b"\n") + 1,
            )
    text = bytes(head[: end.start()]).removeprefix(b"\xef\xbb\xbf")
    unit_fs, timescale, variables = _declarations(text, source)
    rows = bytes(head[: end.end()]).count(b"\n")
    if not variables:
        raise CaptureError(
            source, "no variable is declared", "export at least one digital line", row=rows + 1
        )
    return Header(unit_fs, timescale, tuple(variables), rows, bytes(head[end.end() :]))


def _declarations(text: bytes, source: str) -> tuple[int, str | None, list[_Variable]]:
    unit_fs, timescale = FEMTOSECONDS_OF_UNIT["s"], None
    variables: list[_Variable] = []
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
                raise _bad("an $upscope without its $scope", source, row)
            scope.pop()
        elif keyword == b"$var":
            variables.append(_variable(body, words, tuple(s for s in scope if s), source, row))
            bits += variables[-1].size
            if bits > MAX_BITS:
                raise CaptureError(
                    source,
                    f"more than {MAX_BITS} bits are declared",
                    "export fewer variables",
                    row=row,
                )
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
                    raise _bad(f"'{shown}' found where a $ keyword is expected", source, row)
                keyword, begun, words = word, row, []
            elif word == b"$end":
                commands.append((begun, keyword, words))
                keyword = None
            else:
                words.append(word)
    if keyword is not None:
        shown = keyword[:20].decode("utf-8", errors="replace")
        raise _bad(f"{shown} has no $end", source, begun)
    return commands


def _bad(found: str, source: str, row: int) -> CaptureError:
    return CaptureError(
        source, found, "export the recording again as a value change dump (IEEE Std 1364)", row=row
    )


def _unit_fs(timescale: str, source: str, row: int) -> int:
    match = _TIMESCALE.fullmatch(timescale)
    if match is None:
        raise _bad(f"the timescale is '{timescale[:20]}', expected 1, 10 or 100 of s, ms, us, "
                   "ns, ps or fs", source, row)  # fmt: skip
    return int(match[1]) * FEMTOSECONDS_OF_UNIT[match[2]]


def _variable(
    body: list[str], words: list[bytes], scope: tuple[str, ...], source: str, row: int
) -> _Variable:
    if len(body) < 4 or not (body[1].isascii() and body[1].isdigit() and 0 < len(body[1]) < 8):
        raise _bad("a $var needs type, size, identifier code and name", source, row)
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
    return _Variable(body[0], max(1, int(body[1])), words[2], scope, name, left, right, row)


NO_WIRES: Final = frozenset({"event", "integer", "parameter", "realtime", "string", "time"})
REALS: Final = frozenset({"real", "shortreal", "real_parameter"})
"""Kinds of variable that hold numbers of a program rather than a wire's level,
and kinds that hold a quantity (IEEE Std 1364-2005, 18.2.3.8)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line to be read from a dump."""

    name: str  # What the line is called
    variable: _Variable  # The variable that it is, or whose bit it is
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
    primary: dict[bytes, _Variable] = {}
    aliases: list[tuple[_Variable, _Variable]] = []
    for variable in header.variables:
        first = primary.setdefault(variable.code, variable)
        if first is variable:
            continue
        if first.size != variable.size or (first.kind in REALS) != (variable.kind in REALS):
            raise CaptureError(
                source,
                f"'{variable.name}' shares the identifier code of '{first.name}' but not its size",
                "export the recording again as a value change dump (IEEE Std 1364)",
                row=variable.row,
            )
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


def _labels(variable: _Variable) -> tuple[str, ...]:
    """Names of a variable's bits, without its scopes."""
    if variable.kind in REALS:
        return (variable.name,)
    return tuple(
        variable.name if index is None else f"{variable.name}[{index}]" for index in variable.bits()
    )


def _names(variable: _Variable, taken: Counter[str]) -> tuple[str, ...]:
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
    variables: tuple[_Variable, ...],
    names: dict[bytes, tuple[str, ...]],
    lines: tuple[str, ...],
    source: str,
) -> tuple[Wanted, ...]:
    known: dict[str, list[tuple[_Variable, int]]] = {}
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


def _format_left_out(variables: list[_Variable]) -> list[str]:
    left_out = [v for v in variables if v.kind in NO_WIRES]
    if not left_out:
        return []
    kinds = ", ".join(sorted({v.kind for v in left_out}))
    shown = ", ".join(v.name for v in left_out[:8]) + (", ..." if len(left_out) > 8 else "")
    return [f"Variables of type {kinds} are no wires and were left out ({shown})."]


def _format_aliases(
    aliases: list[tuple[_Variable, _Variable]], names: dict[bytes, tuple[str, ...]]
) -> list[str]:
    said = []
    for alias, first in aliases[:8]:
        path = ".".join((*alias.scope, alias.name))
        name = names[first.code][0] if first.size == 1 else first.name
        said.append(f"'{path}' is the same wire as '{name}' and was read once.")
    if len(aliases) > 8:
        said.append(f"{len(aliases) - 8} more names belong to wires already read.")
    return said
