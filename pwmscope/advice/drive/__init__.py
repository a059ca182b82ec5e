"""Where a robot would drive: widths to commands, wheel speeds and an exact path."""

from pwmscope.advice.drive.base import Base, differential, holonomic
from pwmscope.advice.drive.commands import Throttle
from pwmscope.advice.drive.motion import integrate
from pwmscope.advice.drive.outputs import Correction, Outputs
from pwmscope.advice.drive.path import Path, drive_path
from pwmscope.advice.drive.straightness import (
    Side,
    Straightness,
    measured_side,
    straight_line_error,
)

__all__ = [
    "Base",
    "Correction",
    "Outputs",
    "Path",
    "Side",
    "Straightness",
    "Throttle",
    "differential",
    "drive_path",
    "holonomic",
    "integrate",
    "measured_side",
    "straight_line_error",
]
