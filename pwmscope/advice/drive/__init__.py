"""Where a robot would drive: widths to commands, wheel speeds and an exact path."""

from pwmscope.advice.drive.path import (
    Base,
    Hands,
    Outputs,
    Path,
    Side,
    Straightness,
    Throttle,
    differential,
    drive_path,
    integrate,
    straight_line_error,
)

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
