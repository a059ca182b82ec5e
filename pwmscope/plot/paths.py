"""The bench as a whole: where a robot drives, what hands did, what each control moves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final
from xml.sax.saxutils import quoteattr

import numpy as np
from matplotlib.axes import Axes
from matplotlib.markers import MarkerStyle
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D

from pwmscope.advice import Course, DrivePath, Hands, advise_mixing, course_of
from pwmscope.bench import Axis, BenchSheet, Mode, StepSpan, check_wiring
from pwmscope.errors import ArgumentError, format_given, require_type
from pwmscope.findings import Findings
from pwmscope.findings.link import ControlRow
from pwmscope.findings.mixing import examine_mixing, find_lines
from pwmscope.model import FloatArray, format_line
from pwmscope.plot.frame_timing import draw_frames
from pwmscope.plot.strips import SCREEN, Tile, assemble, drawing, label, line_of
from pwmscope.plot.style import GREY, INK, Picture, axes_on, box, dot, keep_extremes, stroke, words
from pwmscope.plot.wiring_drawing import draw_wiring
from pwmscope.pulses import PulseTable

MARKS: Final = 5
"""Most heading marks along a path, its end's apart."""
_APART_IN: Final = 0.3
"""Two heading marks are at least so far apart on the picture."""
SPOT: Final = 0.02
"""A path shorter than this part of the picture's longest is drawn as turning on the spot."""
_ARROW: Final = Outline(
    [(0.0, 0.6), (0.36, -0.45), (0.0, -0.22), (-0.36, -0.45), (0.0, 0.6)], closed=True
)


def drive_path(path: DrivePath | Sequence[DrivePath], *, ax: Axes | None = None) -> Axes:
    """Draw where a robot would drive, seen from above.

    Parameters
    ----------
    path : DrivePath or sequence of DrivePath
        One path as `pwmscope.advice.drive_path` gives it, or several, which all begin
        at the same place; they are named at their ends then.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        Metres; ahead is up, left is left. An open circle is the start, the large arrowhead
        the end.

    Raises
    ------
    ArgumentError
        If it is something else.

    Examples
    --------
    >>> ahead_m = np.linspace(0.0, 1.0, 50)
    >>> pose = np.column_stack([ahead_m, np.zeros(50), np.zeros(50)])
    >>> axes = drive_path(DrivePath("forward", pose, 1.0))
    >>> axes.get_ylabel()
    'ahead (m)'
    """
    wanted = "a path, or several, as pwmscope.advice.drive_path gives them"
    several = [path] if isinstance(path, DrivePath) else path
    if not isinstance(several, Sequence) or not several:
        raise ArgumentError("path", format_given(path), wanted)
    for one in several:
        require_type("path", one, DrivePath, wanted)
    ax = axes_on(ax, (4.6, 4.6), (0.7, 0.6, 3.7, 3.7))
    places = [_page(one.pose) - _page(one.pose)[0] for one in several]
    every = np.concatenate(places)
    reach_m = max(0.55 * float(np.ptp(every, axis=0).max()), 0.1)
    middle = (every.min(axis=0) + every.max(axis=0)) / 2.0
    ax.set_xlim(middle[0] - reach_m, middle[0] + reach_m)
    ax.set_ylim(middle[1] - reach_m, middle[1] + reach_m)
    ax.set_aspect("equal")
    for one, place in zip(several, places, strict=True):
        _draw_path(ax, one, place, reach_m, per_m_in=3.7 / (2.0 * reach_m))
        if len(several) > 1:
            ax.annotate(one.name, place[-1], (6, 2), textcoords="offset points", color=GREY)
    ax.set_xlabel("to the right (m)")
    ax.set_ylabel("ahead (m)")
    return ax


def _draw_path(
    axes: Axes, path: DrivePath, place: FloatArray, reach_m: float, *, per_m_in: float
) -> None:
    """Draw a path with its start, or turning on the spot."""
    if path.length_m < SPOT * reach_m:
        _draw_spot(axes, path, place[-1], reach_m)
    else:
        _draw_track(axes, path, place, per_m_in=per_m_in)
    axes.plot(
        *place[0], marker="o", markersize=6, markerfacecolor="white", markeredgecolor=INK,
        markeredgewidth=1.2, zorder=4,
    )  # fmt: skip


def draw_drive_path(
    before: tuple[DrivePath, ...], after: tuple[DrivePath, ...] = (), *, change: str = ""
) -> Picture:
    """Draw paths seen from above, each from its own start, all to one scale."""
    # Half the side of the square that holds the widest path
    reach_m = max(1.15 * max(float(np.abs(_page(p.pose)).max()) for p in (*before, *after)), 0.1)
    tiles = []
    for at, path in enumerate(before):
        pair = [(path, "now" if after else "")]
        pair += [(after[at], "after")] if at < len(after) else []
        tiles += [
            Tile(
                f"{own.name}, {when}".strip(", "),
                _tile(own, reach_m),
                f"{when.capitalize()}: {own.sentence}".removeprefix(": "),
                (_CELL, _CELL + _FOOT),
            )
            for own, when in pair
        ]
    told = f" After: {change}." if change else ""
    caption = (
        f"Where the recorded widths would drive the robot, from above. Ahead is up.{told} Each "
        f"square is {2.0 * reach_m:.2g} m wide. Open circle: start. Arrow: the nose at the end. "
        "Wheels are taken not to slip and to reach their speed at once. Weight, friction and the "
        "way back are left out."
    )
    alt = f"Paths seen from above.{told} {' '.join(tile.alt for tile in tiles)}"
    columns = 4 if after or len(tiles) > 3 else len(tiles)
    return Picture("drive-path", assemble(tiles, columns, alt), caption, alt, tuple(tiles))


_CELL: Final = 150.0
_FOOT: Final = 30.0
_TURN_R: Final = 26.0


def _tile(path: DrivePath, reach_m: float) -> str:
    half = _CELL / 2.0
    px = half + half * (_page(path.pose) * (1.0, -1.0)) / reach_m
    heading = float(path.pose[-1, 2])
    turn = heading - float(path.pose[0, 2])
    parts = [f'<rect width="{_CELL:g}" height="{_CELL:g}" fill="{SCREEN.band}" rx="3"/>']
    nose, ink = px[-1], SCREEN.trace
    if path.length_m < SPOT * reach_m and abs(turn) >= 0.01:
        shown = math.copysign(min(abs(turn), math.radians(310.0)), turn)
        angle = np.linspace(0.0, shown, 40)
        px = half + _TURN_R * np.column_stack([-np.sin(angle), -np.cos(angle)])
        nose, heading = px[-1], shown + math.copysign(math.pi / 2.0, turn)
    points = "L".join(f"{x:.1f} {y:.1f}" for x, y in px)
    parts.append(line_of(f"M{points}", ink, 1.8))
    parts.append(
        f'<circle cx="{half:g}" cy="{half:g}" r="4" fill="{SCREEN.paper}" '
        f'stroke="{SCREEN.ink}" stroke-width="1.5"/>'
    )
    parts.append(
        f'<path d="M0 -9L5 6L0 3L-5 6z" fill="{ink}" transform="translate({nose[0]:.1f} '
        f'{nose[1]:.1f}) rotate({-math.degrees(heading):.0f})"/>'
    )
    for row, said in enumerate(_format_path(path)):
        parts.append(label(0.0, _CELL + 13.0 * (row + 1), said, SCREEN, anchor="start"))
    return drawing(_CELL, _CELL + _FOOT, path.sentence, parts)


def _page(pose: FloatArray) -> FloatArray:
    """Turn poses into places on the page: ahead is up, left is left."""
    return np.column_stack([-pose[:, 1], pose[:, 0]])


def _draw_track(axes: Axes, path: DrivePath, place: FloatArray, per_m_in: float) -> None:
    axes.plot(place[:, 0], place[:, 1], color=INK, linewidth=1.3, zorder=2)
    run_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place, axis=0).T))])
    marks = min(MARKS, int(float(run_m[-1]) * per_m_in / _APART_IN) - 1)
    wanted_m = run_m[-1] * np.arange(1, marks + 1) / (marks + 1)
    for row in np.unique(np.searchsorted(run_m, wanted_m)):
        _nose(axes, place[row], path.pose[row, 2], size=8, filled=False)
    _nose(axes, place[-1], path.pose[-1, 2], size=12, filled=True)


def _draw_spot(axes: Axes, path: DrivePath, place: FloatArray, reach_m: float) -> None:
    """Draw turning on the spot as an arc round it, or standing still as a nose alone."""
    turn = float(path.pose[-1, 2] - path.pose[0, 2])
    if abs(turn) < 0.01:
        _nose(axes, place, 0.0, size=12, filled=True)
        return
    shown = math.copysign(min(abs(turn), math.radians(310.0)), turn)
    angle = np.linspace(0.0, shown, 80)
    arc = place + 0.35 * reach_m * np.column_stack([-np.sin(angle), np.cos(angle)])
    axes.plot(arc[:, 0], arc[:, 1], color=INK, linewidth=1.3, zorder=2)
    # The arrowhead points along the arc: a quarter turn on from the radius.
    _nose(axes, arc[-1], shown + math.copysign(math.pi / 2.0, turn), size=12, filled=True)


def _nose(axes: Axes, place: FloatArray, heading: float, *, size: float, filled: bool) -> None:
    mark = MarkerStyle(_ARROW, transform=Affine2D().rotate(heading))
    axes.plot(
        [place[0]], [place[1]], marker=mark, markersize=size, color=INK, linestyle="none",
        markerfacecolor=INK if filled else "white", markeredgecolor=INK, markeredgewidth=0.9,
        zorder=3,
    )  # fmt: skip


def _format_path(path: DrivePath) -> tuple[str, ...]:
    turned = path.turned_deg
    x_m, y_m, _ = path.pose[-1] - path.pose[0]
    went_m = math.hypot(x_m, y_m)
    if abs(turned) < 0.5:
        if went_m < 0.005:
            return ("stands still",)
        return (f"straight, {went_m:.2f} m" + (" back" if x_m < 0 else ""),)
    way = "left" if turned > 0 else "right"
    if went_m < 0.005:
        return f"turns {abs(turned):.0f}° {way}", "on the spot"
    return f"turns {abs(turned):.0f}° {way}", f"ends {went_m:.2f} m from start"


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


def _places(hands: Hands, pair: tuple[Axis, Axis]) -> tuple[FloatArray, FloatArray]:
    """Return where a stick was, in px; an axis that was not recorded is in the middle."""
    none = np.zeros(hands.time_s.size)
    sideways, forward = (np.clip(hands.position.get(axis, none), -1.0, 1.0) for axis in pair)
    half = _SIDE / 2.0
    return _LEFT + half * (1.0 + sideways), _TOP + half * (1.0 - forward)


def _trace(hands: Hands, x: FloatArray, y: FloatArray) -> list[str]:
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


def _held(hands: Hands, x: FloatArray, y: FloatArray, steps: tuple[StepSpan, ...]) -> str:
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


def bench_pictures(findings: Findings, sheet: BenchSheet | None = None) -> tuple[Picture, ...]:
    """Draw what concerns all lines together."""
    pictures = list(draw_frames(findings))
    if sheet is None:
        return tuple(pictures)
    if any(channel.feeds_5v is not None for channel in sheet.devices) or sheet.sources:
        wiring = check_wiring(sheet)
        pictures.append(
            Picture(
                "wiring",
                draw_wiring(wiring),
                "The wiring as the bench sheet states it; nobody has looked at the wires for it.",
                wiring.answer.sentence,
            )
        )
    servo = findings.servo_tables
    lines = find_lines(servo, sheet)
    if not lines.outputs or not lines.sticks:
        return tuple(pictures)
    mixing = examine_mixing(
        servo,
        lines,
        lost={name: channel.loss_spans for name, channel in findings.channels.items()},
        ties=findings.order.grouping.ties,
    )
    end_s = findings.capture.end_s
    course = course_of(mixing, advise_mixing(mixing), tables=servo, end_s=end_s, sheet=sheet)
    sticks = {stick.axis: servo[stick.line] for stick in lines.sticks}
    return (*pictures, *mixing_pictures(course, sticks, end_s))


def mixing_pictures(
    course: Course | None,
    sticks: Mapping[Axis, PulseTable],
    end_s: float,
    *,
    mode: Mode = 2,
    steps: Sequence[StepSpan] = (),
) -> tuple[Picture, ...]:
    """Draw where the robot would go, before and after the advice, and the sticks."""
    pictures = []
    if course is not None:
        pictures.append(draw_drive_path(course.before, course.after, change=course.change))
    if sticks:
        pictures.append(draw_sticks(Hands.of(sticks, end_s), mode=mode, steps=tuple(steps)))
    return tuple(pictures)
