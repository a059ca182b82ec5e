"""Where a robot would drive: widths to commands, wheel speeds and an exact path."""

from pwmscope.advice.drive.outputs import Hands, Outputs, Throttle
from pwmscope.advice.drive.path import Base, Path, differential, drive_path, integrate
from pwmscope.advice.drive.straightness import Side, Straightness, straight_line_error

__all__ = [
    "Base",
    "Hands",
    "Outputs",
    "Path",
    "Side",
    "Straightness",
    "Throttle",
    "differential",
    "drive_path",
    "integrate",
    "straight_line_error",
]
