"""What can be wrong between two sticks and two drive outputs, as small integer matrices."""

from __future__ import annotations

import itertools
from enum import StrEnum
from typing import Final, TypeAlias

import numpy as np

from pwmscope.model import IntArray

Pattern: TypeAlias = tuple[tuple[int, int], tuple[int, int]]
"""Signs of the matrix: rows left and right, columns forward and turn right."""


class Kind(StrEnum):
    """How the outputs follow the sticks, whatever is swapped or reversed."""

    MIXED = "mixed"
    UNMIXED = "unmixed"
    TWICE = "mixed twice"
    ALIKE = "both outputs alike"
    OTHER = "no known arrangement"


class Fault(StrEnum):
    """One thing that is swapped or reversed."""

    OUTPUTS = "outputs swapped"
    LEFT = "left output reversed"
    RIGHT = "right output reversed"
    STICKS = "elevator and aileron swapped"
    FORWARD = "elevator reversed"
    TURN = "aileron reversed"


WANTED: Final[Pattern] = ((1, 1), (1, -1))
"""Left = forward + turn, right = forward - turn (common practice)."""
SINGLE: Final[Pattern] = ((1, 0), (0, 1))
"""Left follows the elevator alone, right the aileron alone."""

_SWAP = np.array([[0, 1], [1, 0]])
_FIRST = np.array([[-1, 0], [0, 1]])
_SECOND = np.array([[1, 0], [0, -1]])
AT_OUTPUTS: Final[dict[Fault, IntArray]] = {
    Fault.LEFT: _FIRST,
    Fault.RIGHT: _SECOND,
    Fault.OUTPUTS: _SWAP,
}
"""Faults that multiply from the left, in the order in which they act."""
AT_STICKS: Final[dict[Fault, IntArray]] = {
    Fault.STICKS: _SWAP,
    Fault.FORWARD: _FIRST,
    Fault.TURN: _SECOND,
}
"""Faults that multiply from the right, in the order in which they act."""


def apply(faults: tuple[Fault, ...], base: Pattern) -> Pattern:
    """Return the pattern that faults make of a base.

    Examples
    --------
    >>> apply((Fault.OUTPUTS,), WANTED) == apply((Fault.TURN,), WANTED)
    True
    """
    made = np.array(base)
    for fault, matrix in AT_OUTPUTS.items():
        if fault in faults:
            made = matrix @ made
    for fault, matrix in AT_STICKS.items():
        if fault in faults:
            made = made @ matrix
    return pattern_of(made)


def pattern_of(matrix: IntArray) -> Pattern:
    """Write a 2 x 2 array of signs as a pattern."""
    (a, b), (c, d) = matrix.tolist()
    return (a, b), (c, d)


def explanations(pattern: Pattern, base: Pattern) -> tuple[tuple[Fault, ...], ...]:
    """List the fewest faults that make a pattern of a base; those at the outputs first.

    Examples
    --------
    >>> [[str(fault) for fault in faults] for faults in explanations(((1, 1), (-1, 1)), WANTED)]
    [['right output reversed'], ['elevator and aileron swapped']]
    """
    for count in range(len(Fault) + 1):
        found = tuple(
            faults
            for faults in itertools.combinations(Fault, count)
            if apply(faults, base) == pattern
        )
        if found:
            return tuple(sorted(found, key=lambda faults: len(AT_STICKS.keys() & set(faults))))
    return ()


def format_name(kind: Kind, faults: tuple[Fault, ...]) -> str:
    """Name an arrangement.

    Examples
    --------
    >>> format_name(Kind.MIXED, (Fault.LEFT, Fault.RIGHT)), format_name(Kind.UNMIXED, ())
    ('mixed, both outputs reversed', 'unmixed')
    """
    words = [str(fault) for fault in faults]
    if Fault.LEFT in faults and Fault.RIGHT in faults:
        words = [word for word in words if word not in {Fault.LEFT, Fault.RIGHT}]
        words.append("both outputs reversed")
    return ", ".join([str(kind), *words])
