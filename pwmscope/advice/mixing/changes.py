"""Changes that a builder can make between sticks and motors, each with its effort."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from pwmscope.findings.mixing.faults import AT_OUTPUTS, WANTED, Fault, Kind
from pwmscope.findings.mixing.sticks import Samples
from pwmscope.model import FloatArray

ChangeKind: TypeAlias = Literal[
    "swap plugs", "reverse channel", "mixing on", "mixing off", "equalise gains", "reduce travel",
]  # fmt: skip
Place: TypeAlias = Literal["plugs", "ESC", "transmitter", "converter"]

_EFFORT: Final[dict[ChangeKind, float]] = {
    "swap plugs": 1.0,
    "reverse channel": 2.0,
    "mixing on": 5.0,
    "mixing off": 5.0,
    "equalise gains": 6.0,
    "reduce travel": 7.0,
}
"""Plugs before one reversal, settings of a mix last (own order)."""


@dataclass(frozen=True, slots=True)
class Change:
    """One change."""

    kind: ChangeKind  # What is done
    words: str  # An instruction, a whole sentence. It names one place.
    place: Place  # Where it is made; the proof holds for that place alone
    line: str  # The output that it changes; empty where it changes both
    at_outputs: FloatArray  # shape (2, 2): What it multiplies the outputs with, from the left
    # shape (2, 2): What it multiplies the sticks with, before anything else happens to them
    at_sticks: FloatArray
    effort: float  # For the order only


def _change(
    kind: ChangeKind,
    words: str,
    place: Place,
    *,
    line: str = "",
    outputs: FloatArray | None = None,
    sticks: FloatArray | None = None,
) -> Change:
    at_outputs = np.eye(2) if outputs is None else outputs
    at_sticks = np.eye(2) if sticks is None else sticks
    return Change(kind, words, place, line, at_outputs, at_sticks, _EFFORT[kind])


def plain_changes(samples: Samples) -> tuple[Change, ...]:
    """List what can be changed behind all mixing, wherever that is: plugs and motor wires.

    Every wrong sign or order of two mixed outputs can be put right there. What lies before
    the mixing is never advised: the pins do not show where that is. An output is named as it
    is recorded: its reversal comes before plugs are swapped.
    """
    left, right = (output.line for output in samples.outputs)
    outputs = {fault: matrix.astype(np.float64) for fault, matrix in AT_OUTPUTS.items()}
    changes = [
        _change(
            "reverse channel",
            f"Reverse the {side} output ({line}) at its ESC: swap the two wires of its motor, or "
            "set the ESC to reverse.",
            "ESC",
            line=line,
            outputs=outputs[fault],
        )
        for side, line, fault in (("left", left, Fault.LEFT), ("right", right, Fault.RIGHT))
    ]
    changes.append(
        _change(
            "swap plugs",
            f"Swap the two drive plugs, {left} and {right}.",
            "plugs",
            outputs=outputs[Fault.OUTPUTS],
        )
    )
    return tuple(changes)


def mixing_changes(
    kind: Kind, strongest: float, *, only_unmixed: bool, lines: tuple[str, str]
) -> tuple[Change, ...]:
    """Give the changes, each for one place, that leave mixing on in exactly one.

    A transmitter mixes before all that the recording shows, so its mixer multiplies the
    matrix from the right; a converter goes between the recorded pins and the ESCs, so its mixer
    multiplies from the left. Where two places mix, only the one nearer to the sticks can be
    taken out of the matrix without knowing what lies between them.
    """
    mixer = np.array(WANTED, dtype=np.float64)
    if kind is Kind.TWICE:
        words = "Turn mixing off in the transmitter, and leave the converter's on."
        return (_change("mixing off", words, "transmitter", sticks=mixer / 2.0),)
    if_off = "" if only_unmixed else "If no place mixes now: "
    twice = (
        ""
        if only_unmixed
        else (
            " If both transmitter and converter mix now, this recording cannot tell: record the "
            "converter's inputs too, by a plan, and ask again."
        )
    )
    left, right = lines
    here: tuple[tuple[Place, str], ...] = (
        (
            "transmitter",
            "Turn mixing on in the transmitter, in exactly one place, and fit no converter.",
        ),
        (
            "converter",
            f"Fit a mixing converter with {left} at its first input and {right} at its second; "
            "leave mixing off in the transmitter. Its outputs take their plugs.",
        ),
    )
    gain = mixer / max(1.0, strongest)
    return tuple(
        _change(
            "mixing on",
            f"{if_off}{words if only_unmixed else words[0].lower() + words[1:]}{twice}",
            place,
            sticks=gain if place == "transmitter" else None,
            outputs=gain if place == "converter" else None,
        )
        for place, words in here
        # A second converter behind one that is there already would be the wrong place.
        if only_unmixed or place == "transmitter"
    )


def equalising_change(samples: Samples, ratio: float, doubt: float, *, swapped: bool) -> Change:
    """Lower the stronger output to the weaker."""
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
        "ESC",
        line=line,
        outputs=gains,
    )


def smaller_travel(part: float) -> Change:
    """Lower both sticks' share so that the outputs reach their ends in the corner only."""
    return _change(
        "reduce travel",
        f"Lower the share of both sticks in the mixing to {100.0 * part:.0f} % of what it is now, "
        "so that the corners no longer clip; straight ahead is then as much slower.",
        "transmitter",
        sticks=part * np.eye(2),
    )
