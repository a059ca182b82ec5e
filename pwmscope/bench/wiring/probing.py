"""Rules of the analyser: its inputs take the signal's level, and its ground comes first."""

from __future__ import annotations

from typing import Final

from pwmscope.bench.equipment import BenchSheet
from pwmscope.bench.wiring.rule import Judgement, Rule, breaks, meets, unknown

ROUNDING: Final = 1e-9
"""A divided level may lie above the one it equals by what arithmetic rounds."""


def divided_v(signal_v: float, divider_ohm: tuple[float, float]) -> float:
    """Work out the level behind a divider without load.

    Examples
    --------
    >>> divided_v(5.0, (10_000.0, 15_000.0))
    3.0
    """
    upper_ohm, lower_ohm = divider_ohm
    return signal_v * lower_ohm / (upper_ohm + lower_ohm)


def judge_signal_level(sheet: BenchSheet) -> Judgement:
    """Hold the level at the analyser's inputs against what they take."""
    analyser, signal_v = sheet.analyser, sheet.receiver.signal_v
    if analyser.input_v is None:
        return unknown(
            "What voltage the analyser's inputs take is not stated.",
            "Read it in the analyser's manual and state analyser.input_v.",
            [("analyser",)],
        )
    if analyser.shifted_v is not None:
        level_v, how = analyser.shifted_v, "behind the level shifter"
    elif signal_v is None:
        return unknown(
            "The level of the receiver's signal is not stated; many give 3.3 V, some 5 V "
            "(common practice).",
            "Read it in the receiver's manual, or measure a signal pin, and state "
            "receiver.signal_v; until then count on the receiver's supply voltage.",
            [("receiver",)],
        )
    elif analyser.divider_ohm is not None:
        level_v, how = divided_v(signal_v, analyser.divider_ohm), "behind the divider"
    else:
        level_v, how = signal_v, "from the receiver"
    said = f"{level_v:.3g} V {how} at inputs that take {analyser.input_v:g} V"
    if level_v <= analyser.input_v * (1.0 + ROUNDING):
        return meets(f"The signal's level fits: {said}.")
    return breaks(
        f"The signal's level is too high: {said}.",
        _lower(signal_v, analyser.input_v),
        [("analyser",)],
    )


def _lower(signal_v: float | None, input_v: float) -> str:
    if signal_v is None or signal_v <= input_v:
        return f"Take a level shifter to at most {input_v:g} V."
    ratio = input_v / (signal_v - input_v)
    return (
        f"Put a level shifter to at most {input_v:g} V before the inputs, or a divider whose "
        f"resistor towards ground is at most {_down(ratio)} times the one towards the signal."
    )


def _down(ratio: float) -> str:
    """Write a ratio with two places, never rounded up."""
    return f"{int(ratio * 100.0) / 100.0:g}"


def judge_ground_first(sheet: BenchSheet) -> Judgement:
    """Ask whether the analyser's ground is connected before its inputs."""
    first = sheet.analyser.ground_first
    if first is None:
        return unknown(
            "Whether the analyser's ground is connected before its inputs is not stated.",
            "Connect its ground to one of the receiver's ground pins first, then the inputs, and "
            "state analyser.ground_first = true.",
            [("analyser",)],
        )
    if not first:
        return breaks(
            "The analyser's inputs are connected before its ground.",
            "Take the inputs off, connect the analyser's ground to one of the receiver's ground "
            "pins, then the inputs again.",
            [("analyser",)],
        )
    return meets("The analyser's ground is connected before its inputs.")


RULES: Final = (
    Rule(
        "signal level",
        "The level at the analyser's inputs is at most what they take.",
        "5 V into an input for 3.3 V can destroy it, and what hangs on it.",
        "the analyser's manual; U R2 / (R1 + R2) for a divider: Ohm's law",
        judge_signal_level,
    ),
    Rule(
        "ground first",
        "Analyser and receiver share their ground before any signal is connected.",
        "Without it the current returns through the inputs, and levels mean nothing.",
        "common practice",
        judge_ground_first,
    ),
)
