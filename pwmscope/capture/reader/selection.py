"""Which lines are kept of a recording that holds more than can be examined at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Final

import numpy as np

from pwmscope.capture.reader.hints import Hints
from pwmscope.errors import CaptureError
from pwmscope.model import Line

MAX_LINES: Final = 64
_MIN_PS, _MAX_PS = 750 * 10**6, 2250 * 10**6
"""What counts as a servo pulse (common practice)."""
_MIN_PULSES: Final = 1


def has_servo_pulses(line: Line) -> bool:
    """Say whether a third of the spans between a line's edges are as long as servo pulses.

    The distances between the marks of a sum train count as well.

    Examples
    --------
    >>> edges = np.array([20, 21.5, 40, 41.5, 60, 61.5]) * 10**9
    >>> has_servo_pulses(Line("RX1", edges.astype(np.int64), 0))
    True
    """
    for edges_ps in (line.edges_ps, line.edges_ps[::2]):
        spans = np.diff(edges_ps)
        count = int(((spans >= _MIN_PS) & (spans <= _MAX_PS)).sum())
        if count >= _MIN_PULSES and 3 * count >= spans.size:
            return True
    return False


def kept(
    groups: Iterable[Mapping[str, Line]],
    hints: Hints,
    source: str,
    spelled: Callable[[str], str] = str,
    total: int | None = None,
) -> tuple[dict[str, Line], str]:
    """Keep the lines that a person named and those with servo pulses, and count the rest."""
    lines: dict[str, Line] = {}
    count = named = 0
    for group in groups:
        for name, line in group.items():
            count += 1
            is_named = name in hints.keep or spelled(name) in hints.keep
            named += is_named
            if is_named or has_servo_pulses(line):
                lines[name] = line
    count = max(count, total or 0)
    if not 0 < len(lines) <= MAX_LINES:
        what = "none shows" if not lines else f"{len(lines)} show"
        raise CaptureError(
            source,
            f"{count} lines, at most {MAX_LINES} lines are read, and {what} servo pulses",
            "name those to read with `lines`",
        )
    what = "those with servo pulses"
    if named:
        what = f"those named by sheet or marker, and {what}"
    return lines, (
        f"Of {count} lines {len(lines)} were kept, {what}; {count - len(lines)} were left out "
        "(`lines` names others)."
    )
