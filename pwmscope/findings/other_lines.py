"""Lines that carry no servo pulses, and what they look like instead."""

from __future__ import annotations

import numpy as np

from pwmscope.capture import PS_PER_US, Line
from pwmscope.pulses import Flag, PulseTable

MIN_PULSES = 3
MANY_LEVELS = 20
"""Levels of a line from which their usual length can be told."""


def why_not_servo(table: PulseTable, line: Line) -> str | None:
    """Say why a line does not carry servo pulses."""
    return _by_levels(table, line) or _by_pulses(table)


def _by_levels(table: PulseTable, line: Line) -> str | None:
    levels_us = np.diff(line.edges_ps) / PS_PER_US
    if levels_us.size < MANY_LEVELS:
        return None
    usual_us = float(np.median(levels_us))
    if usual_us >= table.convention.glitch_us:
        return None
    return (
        f"It does not look like servo pulses: of its {levels_us.size} levels half last less than "
        f"{usual_us:.3g} us; serial data or a clock look like that."
    )


def _by_pulses(table: PulseTable) -> str | None:
    convention = table.convention
    whole = int(np.count_nonzero(~table.has(Flag.CUT)))
    if not whole:
        return "It carries no whole pulse."
    pulses = int(np.count_nonzero(~table.has(Flag.CUT | Flag.GLITCH | Flag.NOTCHED)))
    good = int(np.count_nonzero(table.measured))
    if whole <= MIN_PULSES and not good:
        return (
            f"It changes level only a few times. If it is wired to the transmitter's switch, "
            f"name it with --off-line {table.line}."
        )
    accepted = f"{convention.accepted_low_us:g} to {convention.accepted_high_us:g} us"
    if not pulses:
        return f"All its {whole} pulses are shorter than {convention.glitch_us:g} us."
    if good < 0.5 * pulses:
        usual_us = float(np.nanmedian(table.width_us))
        return (
            f"It does not look like servo pulses: {pulses - good} of {pulses} are not "
            f"{accepted} wide; the usual width is {usual_us:.1f} us."
        )
    if good < MIN_PULSES:
        return f"Only {good} whole servo pulses were seen; at least {MIN_PULSES} are needed."
    return None
