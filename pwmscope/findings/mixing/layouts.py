"""Wheel layouts as data, and which wheel each output drives, from a matrix of any size."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.model.uncertainty import COVERAGE

Vector: TypeAlias = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Layout:
    """How the wheels of a base turn for each motion that is asked of it.

    Parameters
    ----------
    name : str
        What the trade calls it.
    motions : tuple of str
        The columns: forward, sideways to the right, turn to the right.
    wheels : tuple of str
        The rows.
    rows : tuple of tuple of float
        Speed of each wheel for each motion.
    source : str
        Where the rows come from.
    """

    name: str
    motions: tuple[str, ...]
    wheels: tuple[str, ...]
    rows: tuple[tuple[float, ...], ...]
    source: str

    @property
    def matrix(self) -> Vector:
        """The rows; shape (wheels, motions)."""
        return np.array(self.rows)


TWO_SIDES: Final = Layout(
    "two sides",
    ("forward", "turn"),
    ("left", "right"),
    ((1.0, 1.0), (1.0, -1.0)),
    "common practice",
)
_SIN_60: Final = math.sqrt(3.0) / 2.0
THREE_WHEELS: Final = Layout(
    "three wheels a third of a turn apart",
    ("forward", "sideways", "turn"),
    ("front left", "front right", "back"),
    ((_SIN_60, 0.5, 1.0), (-_SIN_60, 0.5, 1.0), (0.0, -1.0, 1.0)),
    "each wheel rolls along its tangent, v = t . (vx, vy) + R w, at 60, 180 and 300 degrees from "
    "ahead; the closed form in mobile-robotics handbooks (from memory)",
)
FOUR_WHEELS: Final = Layout(
    "four wheels with rollers at 45 degrees",
    ("forward", "sideways", "turn"),
    ("front left", "front right", "back left", "back right"),
    ((1.0, 1.0, 1.0), (1.0, -1.0, -1.0), (1.0, -1.0, 1.0), (1.0, 1.0, -1.0)),
    "the closed form in mobile-robotics handbooks (from memory)",
)
LAYOUTS: Final = (TWO_SIDES, THREE_WHEELS, FOUR_WHEELS)


@dataclass(frozen=True, slots=True)
class Fitting:
    """How outputs stand to the wheels of a layout.

    Parameters
    ----------
    layout : Layout
        The layout.
    wheels : tuple of str
        The wheel that each output drives, in the matrix's order.
    reversed_outputs : tuple of bool
        Whether each output runs its wheel backwards.
    reversed_motions : tuple of bool
        Whether each stick asks for the opposite.
    gains : tuple of float
        Of each motion.
    equal : int
        In how many other ways the same matrix can be told with equally few changes.
    """

    layout: Layout
    wheels: tuple[str, ...]
    reversed_outputs: tuple[bool, ...]
    reversed_motions: tuple[bool, ...]
    gains: tuple[float, ...]
    equal: int

    @property
    def changes(self) -> int:
        """Swaps of two plugs, outputs and sticks that are reversed."""
        return self.swaps + sum(self.reversed_outputs) + sum(self.reversed_motions)

    @property
    def swaps(self) -> int:
        """Swaps of two plugs that put every output on its wheel."""
        plugged = list(self.wheels)
        count = 0
        for place, wheel in enumerate(self.layout.wheels):
            at = plugged.index(wheel)
            if at != place:
                plugged[at], plugged[place] = plugged[place], plugged[at]
                count += 1
        return count


def recognise(matrix: Vector, uncertainty: Vector, layout: Layout) -> Fitting | None:
    """Find the fewest swaps and reversals that make a matrix of a layout, swaps before others.

    Parameters
    ----------
    matrix, uncertainty : ndarray of float64, shape (m, k)
        Outputs over the layout's motions, and the standard uncertainty of each element.
    layout : Layout
        With m wheels and k motions.

    Returns
    -------
    Fitting or None
        None where the matrix is not the layout's within 10 % of each motion's
        gain and the uncertainty, or has another shape, or a motion moves nothing.

    Examples
    --------
    >>> three = THREE_WHEELS.matrix * 0.8
    >>> found = recognise(three[[1, 0, 2]], np.full((3, 3), 0.01), THREE_WHEELS)
    >>> found.wheels, found.changes
    (('front right', 'front left', 'back'), 1)
    """
    wanted = layout.matrix
    if matrix.shape != wanted.shape:
        return None
    count, motions = wanted.shape
    signs = np.array(list(itertools.product((1.0, -1.0), repeat=count)))
    found: list[Fitting] = []
    for order in itertools.permutations(range(count)):
        rows = signs[:, :, None] * wanted[list(order)]
        gains = np.sum(rows * matrix, axis=1) / np.sum(wanted**2, axis=0)
        left = np.abs(matrix - rows * gains[:, None, :])
        allowed = _MOST_OFF * np.abs(gains)[:, None, :] + COVERAGE * uncertainty
        lively = np.all(np.abs(gains) > _LEAST_GAIN, axis=1)
        fits = lively & np.all(left <= allowed, axis=(1, 2))
        found += [
            Fitting(
                layout,
                tuple(layout.wheels[wheel] for wheel in order),
                tuple(bool(sign < 0) for sign in signs[at]),
                tuple(bool(gains[at, motion] < 0) for motion in range(motions)),
                tuple(abs(float(gain)) for gain in gains[at]),
                0,
            )
            for at in np.flatnonzero(fits)
        ]
    if not found:
        return None
    fewest = min(fitting.changes for fitting in found)
    best = [fitting for fitting in found if fitting.changes == fewest]
    first = max(best, key=lambda fitting: fitting.swaps)
    return Fitting(
        layout, first.wheels, first.reversed_outputs, first.reversed_motions, first.gains,
        len(best) - 1,
    )  # fmt: skip


_MOST_OFF: Final = 0.1
_LEAST_GAIN: Final = 0.05
