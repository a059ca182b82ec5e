"""Dwells and held positions, and the record of a line that every analyser stands on.

`record` decodes a recording's lines and makes their records, `dwells` finds where widths stand
still: `stretches` for a moment, `change_points` where a level changes inside them. `held_positions`
finds where all lines stand still together.
"""

from pwmscope.findings.segmentation.record import (
    MIN_HELD_S,
    SAME_POSITION,
    Answer,
    Channel,
    Dwells,
    HeldPositions,
    Lines,
    Record,
    ServoLines,
    distances,
    find_dwells,
    find_held_positions,
    find_servo_lines,
    joined_dwells,
    read_lines,
)
from pwmscope.findings.segmentation.stretches import WidthNoise, extremes, find_noise

__all__ = [
    "MIN_HELD_S",
    "SAME_POSITION",
    "Answer",
    "Channel",
    "Dwells",
    "HeldPositions",
    "Lines",
    "Record",
    "ServoLines",
    "WidthNoise",
    "distances",
    "extremes",
    "find_dwells",
    "find_held_positions",
    "find_noise",
    "find_servo_lines",
    "joined_dwells",
    "read_lines",
]
