"""What the hands do: sticks on a drawing of the transmitter, and which line each control moves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from xml.sax.saxutils import quoteattr

import numpy as np
import numpy.typing as npt

from pwmscope.advice import Hands
from pwmscope.bench import Axis, Mode, StepSpan
from pwmscope.findings.link import ControlRow
from pwmscope.model import format_line
from pwmscope.plot.strips import SCREEN, Tile, assemble, drawing, label, line_of
from pwmscope.plot.style import GREY, Picture, box, dot, keep_extremes, stroke, words

STICKS: Final[dict[Mode, tuple[tuple[Axis, Axis], tuple[Axis, Axis]]]] = {
    1: (("rudder", "elevator"), ("aileron", "throttle")),
    2: (("rudder", "throttle"), ("aileron", "elevator")),
}
"""For each mode the sideways and the forward axis of the left and of the right stick
(common practice)."""
ENDS: Final[dict[Axis, tuple[str, str]]] = {
    "aileron": ("left", "right"),
    "rudder": ("left", "right"),
    "elevator": ("back", "forward"),
    "throttle": ("low", "high"),
}
_SIDE: Final = 150.0
_LEFT: Final = 20.0
_TOP: Final = 18.0
_SIZE: Final = (_LEFT + _SIDE + 20.0, _TOP + _SIDE + 20.0)
_MAX_TRACE: Final = 2000


def draw_sticks(hands: Hands, *, mode: Mode = 2, steps: tuple[StepSpan, ...] = ()) -> Picture:
    """Draw the trace of both sticks, seen from above."""
    tiles = tuple(
        Tile(name, _drawn(hands, pair, steps, alt := _alt(name, hands, pair)), alt, _SIZE)
        for name, pair in zip(("left stick", "right stick"), STICKS[mode], strict=True)
    )
    alt = f"Both sticks in mode {mode}, seen from above. {' '.join(tile.alt for tile in tiles)}"
    return Picture("sticks", assemble(tiles, 2, alt), _caption(mode, steps), alt, tiles)


def _drawn(hands: Hands, pair: tuple[Axis, Axis], steps: tuple[StepSpan, ...], alt: str) -> str:
    sideways, forward = pair
    middle = _LEFT + _SIDE / 2.0, _TOP + _SIDE / 2.0
    parts = [
        f'<rect x="{_LEFT:g}" y="{_TOP:g}" width="{_SIDE:g}" height="{_SIDE:g}" '
        f'fill="{SCREEN.band}"/>',
        line_of(
            f"M{_LEFT:g} {middle[1]:g}h{_SIDE:g}M{middle[0]:g} {_TOP:g}v{_SIDE:g}",
            SCREEN.soft, 0.8, dash="2 3",
        ),
        label(middle[0], _TOP - 5.0, f"{forward} {ENDS[forward][1]}", SCREEN, anchor="middle"),
        *(
            label(x, _TOP + _SIDE + 14.0, said, SCREEN, anchor=anchor)
            for x, said, anchor in (
                (_LEFT, ENDS[sideways][0], "start"),
                (middle[0], sideways, "middle"),
                (_LEFT + _SIDE, ENDS[sideways][1], "end"),
            )
        ),
    ]  # fmt: skip
    unknown = [axis for axis in pair if axis not in hands.position]
    if unknown:
        said = "not recorded" if len(unknown) == 2 else f"{unknown[0]} not recorded"
        parts.append(label(middle[0], _TOP + _SIDE - 8.0, said, SCREEN, anchor="middle"))
    if len(unknown) < 2:
        x, y = _places(hands, pair)
        parts += _trace(hands, x, y)
        parts.append(_held(hands, x, y, steps))
    return drawing(*_SIZE, alt, parts)


def _places(
    hands: Hands, pair: tuple[Axis, Axis]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return where a stick was, in px; an axis that was not recorded is in the middle."""
    none = np.zeros(hands.time_s.size)
    sideways, forward = (np.clip(hands.position.get(axis, none), -1.0, 1.0) for axis in pair)
    half = _SIDE / 2.0
    return _LEFT + half * (1.0 + sideways), _TOP + half * (1.0 - forward)


def _trace(hands: Hands, x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> list[str]:
    if x.size > _MAX_TRACE:
        both = [keep_extremes(hands.time_s, each, _MAX_TRACE // 8) for each in (x, y)]
        kept = np.unique(np.concatenate(both))
        x, y = x[kept], y[kept]
    points = list(dict.fromkeys(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True)))
    start = points[0].split()
    return [
        line_of("M" + "L".join([*points, points[0]][: len(points) + (len(points) == 1)]),
                SCREEN.trace, 1.2),
        f'<circle cx="{start[0]}" cy="{start[1]}" r="4" fill="{SCREEN.paper}" '
        f'stroke="{SCREEN.ink}" stroke-width="1.5"/>',
    ]  # fmt: skip


def _held(
    hands: Hands,
    x: npt.NDArray[np.float64],
    y: npt.NDArray[np.float64],
    steps: tuple[StepSpan, ...],
) -> str:
    """Draw a dot at each place where the sticks of a step were held."""
    places: dict[tuple[int, int], None] = {}
    for span in steps:
        held = (hands.time_s >= span.start_s) & (hands.time_s < span.end_s)
        if held.any():
            places[round(float(np.median(x[held]))), round(float(np.median(y[held])))] = None
    return "".join(f'<circle cx="{a}" cy="{b}" r="3" fill="{SCREEN.ink}"/>' for a, b in places)


def _caption(mode: Mode, steps: tuple[StepSpan, ...]) -> str:
    left, right = (f"{forward} and {sideways}" for sideways, forward in STICKS[mode])
    held = " Dots: where the sticks were held. How long is left out." if steps else ""
    return (
        f"What the hands did, from above; forward is up. Mode {mode}: {left} on the left stick, "
        f"{right} on the right (common practice). Open circle: where the recording begins.{held} "
        "When the sticks moved is left out."
    )


def _alt(name: str, hands: Hands, pair: tuple[Axis, Axis]) -> str:
    told = []
    for axis in pair:
        position = hands.position.get(axis)
        told.append(
            f"{axis} not recorded"
            if position is None
            else f"{axis} from {float(position.min()):+.2f} to {float(position.max()):+.2f}"
        )
    return f"{name.capitalize()}: {', '.join(told)}."


_STICK: Final = 110.0
_WIDTH: Final = 720.0
_ROW: Final = 66.0


def draw_channel_map(rows: Sequence[ControlRow], mode: Mode) -> Picture:
    """Draw both sticks from above, and beside each axis what it moves."""
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
