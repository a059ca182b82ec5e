"""Which variables of a value change dump are lines, and what they are called."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

from pwmscope.capture.hints import Hints
from pwmscope.capture.text.layout import MOST_LINES
from pwmscope.capture.vcd.header import Header, Variable
from pwmscope.errors import CaptureError, HintError

NO_WIRES: Final = frozenset({"event", "integer", "parameter", "realtime", "string", "time"})
REALS: Final = frozenset({"real", "shortreal", "real_parameter"})
"""Kinds of variable that hold numbers of a program rather than a wire's level,
and kinds that hold a quantity (IEEE Std 1364-2005, 18.2.3.8)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line to be read from a dump.

    Parameters
    ----------
    name : str
        What the line is called.
    variable : Variable
        The variable that it is, or whose bit it is.
    bit : int
        Position of its bit in written order, 0 for the leftmost.
    """

    name: str
    variable: Variable
    bit: int

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

    Returns
    -------
    wanted : tuple of Wanted
        The lines, in the order of the hint or else of the file.
    said : tuple of str
        What was assumed, each a plain sentence.

    Raises
    ------
    CaptureError
        If no variable is a line, or there are more than 64.
    HintError
        If a line that was asked for is not there.
    """
    primary: dict[bytes, Variable] = {}
    aliases: list[tuple[Variable, Variable]] = []
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
    said = [*_say_left_out(list(primary.values())), *_say_aliases(aliases, names)]
    count = sum(len(names[v.code]) for v in wires)
    if count > MOST_LINES:
        raise CaptureError(
            source,
            f"{count} lines are declared, at most {MOST_LINES} are read",
            "name those of interest with --lines",
        )
    if not wires:
        raise CaptureError(
            source,
            f"no wires among the {len(primary)} variables declared",
            "export at least one digital line, or name variables with --lines",
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
            raise HintError(f"{source}: '{line}' may be {paths}; name its scope with --lines.")
        if any(line == done.name for done in wanted):
            raise HintError(f"{source}: the line '{line}' is named twice; name it once.")
        wanted.append(Wanted(line, *held[0]))
    if not wanted:
        raise HintError(f"{source}: no lines are named; name at least one with --lines.")
    return tuple(wanted)


def _say_left_out(variables: list[Variable]) -> list[str]:
    left_out = [v for v in variables if v.kind in NO_WIRES]
    if not left_out:
        return []
    kinds = ", ".join(sorted({v.kind for v in left_out}))
    shown = ", ".join(v.name for v in left_out[:8]) + (", ..." if len(left_out) > 8 else "")
    return [f"Variables of type {kinds} are no wires and were left out ({shown})."]


def _say_aliases(
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
