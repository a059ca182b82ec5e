"""What a device was commanded while its rotor was rotor: stretches of stop, and of running."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.model import Span
from pwmscope.pulses import UNMEASURED, PulseTable

PAUSE_FRAMES: Final = 3.0
"""A longer pause between pulses ends a stretch: what it commands is not known."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of pulses that all command a stop, or all command to run."""

    span: Span  # From the end of its first pulse to the end of its last one
    stops: bool
    width_us: float  # Median of its pulses
    follows: bool  # Whether the stretch before it commanded the other, without a pause


def find_stretches(table: PulseTable, band: StopBand, usual_us: float) -> tuple[Stretch, ...]:
    """Find the stretches of one command; single damaged pulses are left out."""
    row = np.flatnonzero((table.flags & np.uint8(UNMEASURED)) == 0)
    if not row.size:
        return ()
    rise_s, width_us = table.rise_s[row], table.width_us[row]
    stops = (width_us >= band.low_us) & (width_us <= band.high_us)
    paused = np.diff(rise_s) > PAUSE_FRAMES * usual_us / 1e6
    breaks = np.flatnonzero((stops[1:] != stops[:-1]) | paused) + 1
    begin = np.concatenate([[0], breaks])
    end = np.concatenate([breaks, [row.size]])
    fall_s = rise_s + width_us / 1e6
    return tuple(
        Stretch(
            Span(float(fall_s[first]), float(fall_s[last - 1])),
            bool(stops[first]),
            float(np.median(width_us[first:last])),
            first > 0 and not paused[first - 1],
        )
        for first, last in zip(begin.tolist(), end.tolist(), strict=True)
    )
