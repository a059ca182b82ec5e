"""Changes that a builder can make between sticks and motors, each with its effort."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.findings.mixing.faults import AT_OUTPUTS, AT_STICKS, WANTED, Fault, Kind
from pwmscope.findings.mixing.sticks import Samples

Matrix: TypeAlias = npt.NDArray[np.float64]

ChangeKind: TypeAlias = Literal[
    "swap plugs", "reverse channel", "swap sticks", "mixing on", "mixing off", "equalise gains",
    "reduce travel",
]  # fmt: skip

_EFFORT: Final[dict[ChangeKind, float]] = {
    "swap plugs": 1.0,
    "reverse channel": 2.0,
    "swap sticks": 3.5,
    "mixing on": 5.0,
    "mixing off": 5.0,
    "equalise gains": 6.0,
    "reduce travel": 7.0,
}
"""Plugs before one reversal, that before two at the sticks, settings of a mix last (own order)."""


@dataclass(frozen=True, slots=True)
class Change:
    """One change.

    Parameters
    ----------
    kind : str
        What is done.
    words : str
        An instruction, a whole sentence.
    at_outputs : ndarray of float64, shape (2, 2)
        What it multiplies the outputs with, from the left.
    at_sticks : ndarray of float64, shape (2, 2)
        What it multiplies the sticks with, before anything else happens to them.
    effort : float
        For the order only.
    """

    kind: ChangeKind
    words: str
    at_outputs: Matrix
    at_sticks: Matrix
    effort: float


def _change(
    kind: ChangeKind,
    words: str,
    *,
    outputs: Matrix | None = None,
    sticks: Matrix | None = None,
    more: float = 0.0,
) -> Change:
    at_outputs = np.eye(2) if outputs is None else outputs
    at_sticks = np.eye(2) if sticks is None else sticks
    return Change(kind, words, at_outputs, at_sticks, _EFFORT[kind] + more)


def plain_changes(samples: Samples) -> tuple[Change, ...]:
    """List the swaps and reversals, in the order in which a signal meets them.

    An output is named as it is recorded: its reversal comes before plugs are swapped.

    Parameters
    ----------
    samples : Samples
        For the names of its lines and axes.

    Returns
    -------
    tuple of Change
    """
    left, right = (output.line for output in samples.outputs)
    forward, turn = samples.axes
    outputs = {fault: matrix.astype(np.float64) for fault, matrix in AT_OUTPUTS.items()}
    sticks = {fault: matrix.astype(np.float64) for fault, matrix in AT_STICKS.items()}
    changes = [
        _change(
            "reverse channel",
            f"Reverse the {side} output ({line}) behind the mixing: its channel in a transmitter "
            "that mixes, or swap that motor's two wires at its ESC.",
            outputs=outputs[fault],
        )
        for side, line, fault in (("left", left, Fault.LEFT), ("right", right, Fault.RIGHT))
    ]
    changes.append(
        _change(
            "swap plugs",
            f"Swap the two drive plugs, {left} and {right}.",
            outputs=outputs[Fault.OUTPUTS],
        )
    )
    changes += [
        _change(
            "reverse channel",
            f"Reverse the {axis} stick's channel, as it leaves the stick, before the mixing.",
            sticks=sticks[fault],
            more=0.5,
        )
        for axis, fault in ((forward, Fault.FORWARD), (turn, Fault.TURN))
    ]
    changes.append(
        _change(
            "swap sticks",
            f"Swap the {forward} and {turn} channels, as they leave the sticks, before the mixing.",
            sticks=sticks[Fault.STICKS],
        )
    )
    return tuple(changes)


def mixing_change(kind: Kind, strongest: float, *, only_unmixed: bool) -> Change:
    """Give the change that leaves mixing on in exactly one place.

    Parameters
    ----------
    kind : Kind
        Unmixed, or mixed twice.
    strongest : float
        The largest gain now; a mixer is taken to give no more than full output for a full stick.
    only_unmixed : bool
        Whether the recording rules out that mixing is on in two places.

    Returns
    -------
    Change
    """
    mixer = np.array(WANTED, dtype=np.float64)
    if kind is Kind.TWICE:
        return _change(
            "mixing off",
            "Turn mixing off in one of the two places: in the transmitter or in the converter.",
            sticks=mixer / 2.0,
        )
    words = (
        "Turn mixing on in exactly one place: in the transmitter, or in a mixing converter or ESC "
        "pair, not in both."
    )
    if not only_unmixed:
        words += " If it is already on in two places, turn one of them off: two undo each other."
    return _change("mixing on", words, sticks=mixer / max(1.0, strongest))


def equalising_change(samples: Samples, ratio: float, doubt: float, *, swapped: bool) -> Change:
    """Lower the stronger output to the weaker.

    Parameters
    ----------
    samples : Samples
        For the names of its lines.
    ratio : float
        The gain of the output on the right over that on the left, after all other changes.
    doubt : float
        Standard uncertainty of that.
    swapped : bool
        Whether those changes swap the plugs.

    Returns
    -------
    Change
    """
    strong = 1 if ratio > 1.0 else 0
    part = 1.0 / ratio if strong else ratio
    spread = doubt / ratio * part
    gains = np.eye(2)
    gains[strong, strong] = part
    line = samples.outputs[1 - strong if swapped else strong].line
    return _change(
        "equalise gains",
        f"Lower the travel of {line}, behind the mixing, by {100.0 * (1.0 - part):.1f} ± "
        f"{200.0 * spread:.1f} % on both sides of neutral.",
        outputs=gains,
    )


def smaller_travel(part: float) -> Change:
    """Lower both sticks' share so that the outputs reach their ends in the corner only."""
    return _change(
        "reduce travel",
        f"Lower the share of both sticks in the mixing to {100.0 * part:.0f} % of what it is now, "
        "so that the corners no longer clip; straight ahead is then as much slower.",
        sticks=part * np.eye(2),
    )
