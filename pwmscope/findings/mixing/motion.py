"""What the robot does when its two sides run at given speeds."""

from __future__ import annotations

from typing import Final

_EQUAL: Final = 0.15
"""Speeds that differ by less than this part of the faster are told as equal."""
_STILL: Final = 0.03
"""A side slower than this part of its full speed is told as standing still."""


def format_motion(left: float, right: float) -> str:
    """Say how a robot moves.

    Examples
    --------
    >>> format_motion(1.0, 0.0)
    'turns right (left side forward, right side still)'
    >>> format_motion(0.9, 0.88), format_motion(-1.0, 1.0)
    ('drives straight forward', 'turns left on the spot')
    >>> format_motion(0.5, 0.8)
    'drives forward in a curve to the left'
    """
    faster = max(abs(left), abs(right))
    if faster < _STILL:
        return "stands still"
    if abs(left - right) < _EQUAL * faster:
        return f"drives straight {_way(left + right)}"
    turn = "right" if left > right else "left"
    if abs(left + right) < _EQUAL * faster:
        return f"turns {turn} on the spot"
    if min(abs(left), abs(right)) < _EQUAL * faster:
        both = (("left", left), ("right", right))
        sides = [f"{side} side {_side(speed, faster)}" for side, speed in both]
        return f"turns {turn} ({', '.join(sides)})"
    return f"drives {_way(left + right)} in a curve to the {_curve(left, right)}"


def _way(speed: float) -> str:
    return "forward" if speed > 0 else "back"


def _side(speed: float, faster: float) -> str:
    return "still" if abs(speed) < _EQUAL * faster else _way(speed)


def _curve(left: float, right: float) -> str:
    """Name the side to which the path bends: that of the slower wheel, forward or back."""
    return "right" if abs(left) > abs(right) else "left"
