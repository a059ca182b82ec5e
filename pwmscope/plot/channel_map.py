"""The drawing of the channel map: both sticks, and the outputs that each axis moves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from xml.sax.saxutils import quoteattr

from pwmscope.bench import Axis, Mode
from pwmscope.findings.link import ControlRow
from pwmscope.model import format_line
from pwmscope.plot.sticks import ENDS, STICKS
from pwmscope.plot.style import Picture
from pwmscope.plot.svg import GREY, box, dot, stroke, words

_STICK: Final = 110.0
_WIDTH: Final = 720.0
_ROW: Final = 66.0


def draw_channel_map(rows: Sequence[ControlRow], mode: Mode) -> Picture:
    """Draw both sticks from above, and beside each axis what it moves.

    Parameters
    ----------
    rows : sequence of ControlRow
        The channel map.
    mode : {1, 2}
        Which axes lie on which stick.

    Returns
    -------
    Picture
        ``channel-map``. Forward is up.
    """
    by_axis = {row.control: row for row in rows}
    parts: list[str] = []
    top = 30.0
    for name, (sideways, forward) in zip(("Left stick", "Right stick"), STICKS[mode], strict=True):
        parts += _stick(name, 24.0, top, sideways, forward)
        for at, axis in enumerate((forward, sideways)):
            parts += _moved(by_axis.get(axis), axis, top + 28.0 + at * _ROW)
        top += _STICK + 62.0
    for row in rows:
        if row.line:
            parts.append(words(24.0, top, row.sentence))
            top += 22.0
    alt = f"Channel map, mode {mode}. " + " ".join(row.sentence for row in rows)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {top:g}" role="img" '
        f"aria-label={quoteattr(alt)}>{''.join(parts)}</svg>\n"
    )
    caption = (
        f"Which output each stick axis moves, mode {mode} (common practice). + longer, - shorter "
        "pulses at the end that is named first."
    )
    return Picture("channel-map", svg, caption, alt)


def _stick(name: str, x: float, y: float, sideways: Axis, forward: Axis) -> list[str]:
    """Draw one stick's field with the names of its ends."""
    middle_x, middle_y = x + _STICK / 2.0, y + _STICK / 2.0
    return [
        words(x, y - 12.0, name, weight="bold"),
        box(x, y, _STICK, _STICK),
        stroke([(x + 12, middle_y), (x + _STICK - 12, middle_y)], width=1.0, dash="3 3"),
        stroke([(middle_x, y + 22), (middle_x, y + _STICK - 22)], width=1.0, dash="3 3"),
        dot(middle_x, middle_y),
        words(x + 4, y + 14, f"{forward} {ENDS[forward][1]}", size=10.0, fill=GREY),
        words(x + 4, y + _STICK - 6, f"{sideways} {ENDS[sideways][0]}, right", size=10.0,
              fill=GREY),
    ]  # fmt: skip


def _moved(row: ControlRow | None, axis: Axis, y: float) -> list[str]:
    """Write what an axis moves, an arrow from its stick to it."""
    left = 24.0 + _STICK
    told = "not shown"
    if row is not None and not row.seen:
        told = "moves no recorded output, or was left out"
    elif row is not None:
        own = [
            f"{format_line(f.line)} {'+' if f.direction > 0 else '-'}"
            f"{f' {f.device or f.role}' if f.device or f.role else ''}"
            for f in row.followers
        ]
        own += [f"{format_line(line)} perhaps" for line in row.unsure]
        told = ", ".join(own) or "nothing for sure"
    return [
        words(left + 20.0, y, f"{axis} ({ENDS[axis][1]})", weight="bold"),
        stroke([(left + 20.0, y + 16.0), (left + 50.0, y + 16.0)]),
        words(left + 60.0, y + 20.0, told),
    ]
