"""The picture of one frame of all lines of a receiver: which pulse starts when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pwmscope.capture import PS_PER_S, Line
from pwmscope.errors import ArgumentError, format_given
from pwmscope.findings import ChannelFindings, Findings
from pwmscope.findings.receivers import Receiver
from pwmscope.model import IntArray, Span, format_line
from pwmscope.plot.strips import SCREEN, Tile, assemble, drawing, label, line_of
from pwmscope.plot.style import (
    ALARM,
    DWELL,
    FONT_PT,
    GREY,
    INK,
    LETTER_IN,
    WIDTH_IN,
    Picture,
    RecordingsResult,
    axes_on,
    findings_of,
    panel,
    stack,
    to_svg,
)
from pwmscope.pulses import Flag, PulseTable, find_frames

FRAMES: Final = 3
MAX_EDGES: Final = 60
"""Edges drawn at most, so that a noisy line stays a picture."""
_ROWS: Final = 4
_LEVEL_IN: Final = 0.5
"""Height of the line's swing on the picture."""
_DRAWN_IN: Final = WIDTH_IN - 1.1


def frames(
    result: Findings | RecordingsResult,
    line: str | None = None,
    *,
    receiver: int = 1,
    recording: int = 0,
    ax: Axes | None = None,
) -> Axes:
    """Draw one frame of all lines of a receiver, or the first frames of one line.

    Parameters
    ----------
    result : Findings, or what has several as ``findings``
        Such as what `pwmscope.examine` or `pwmscope.analyse` gives.
    line : str, optional
        Draw the first frames of this line as they were on the wire. By default one frame
        of all lines of a receiver, in the order in which their pulses start.
    receiver : int, optional
        Which of several receivers, counted from 1.
    recording : int, optional
        Which of several recordings.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        Of all lines: microseconds since the first starts. Of one line: milliseconds since
        the start of the recording.

    Raises
    ------
    ArgumentError
        If the result is something else, there is no such line or receiver, or the line
        never changes.

    Examples
    --------
    >>> import pwmscope
    >>> analysis = pwmscope.analyse("captures/clean-sweep.csv")
    >>> [label.get_text() for label in frames(analysis).get_yticklabels()]
    ['RX1', 'RX2', 'RX3', 'RX4']
    >>> frames(analysis, "RX2").get_ylabel()
    'level'
    """
    findings = findings_of(result, recording)
    if line is not None:
        return _first_frames(findings, line, ax)
    receivers = findings.order.receivers
    if not 1 <= receiver <= len(receivers):
        raise ArgumentError(
            "receiver", format_given(receiver),
            f"1 to {len(receivers)}" if receivers else "a recording of lines that keep step",
        )  # fmt: skip
    rows = len(receivers[receiver - 1].lines)
    wide_in = WIDTH_IN - _LEFT_IN - _WORDS_IN
    size_in = WIDTH_IN, _BOTTOM_IN + 0.25 + _ROW_IN * rows
    ax = axes_on(ax, size_in, (_LEFT_IN, _BOTTOM_IN, wide_in, _ROW_IN * rows))
    _draw_frame(ax, receivers[receiver - 1], findings)
    return ax


def _first_frames(findings: Findings, line: str, ax: Axes | None) -> Axes:
    channel, capture = findings[line], findings.capture
    wire = capture.lines[line]
    if not wire.edges_ps.size:
        raise ArgumentError("line", f"{line}, which never changes its level", "one that does")
    view = _view(channel, wire, Span(capture.start_s, capture.end_s))
    ax = axes_on(ax, (WIDTH_IN, 0.6 + view.high_in), (0.75, 0.55, _DRAWN_IN, view.high_in))
    _draw_view(ax, channel.table, wire, view)
    return ax


@dataclass(frozen=True, slots=True)
class _View:
    """What is drawn of a line's first frames, and how high."""

    start_s: float
    end_s: float
    rows: IntArray
    labels: list[tuple[float, float, int, int]]

    @property
    def top(self) -> float:
        return 1.25 + 0.45 * max((row + 1 for _, _, _, row in self.labels), default=0)

    @property
    def bottom(self) -> float:
        return -0.75 if self.rows.size else -0.15

    @property
    def high_in(self) -> float:
        return (self.top - self.bottom) * _LEVEL_IN


def _view(channel: ChannelFindings, line: Line, recorded: Span) -> _View:
    table = channel.table
    start_s, end_s = _window(channel, line, recorded)
    rows = np.flatnonzero(
        (table.rise_s >= start_s) & (table.rise_s < end_s) & (channel.not_servo is None)
    )
    return _View(start_s, end_s, rows, _place_labels(table, rows, start_s, end_s))


def _draw_view(axes: Axes, table: PulseTable, line: Line, view: _View) -> None:
    axes.set_xlim(view.start_s * 1e3, view.end_s * 1e3)
    axes.set_ylim(view.bottom, view.top)
    _draw_level(axes, line, view.start_s, view.end_s)
    _draw_labels(axes, table, view.labels)
    _draw_periods(axes, table, view.rows, view.end_s)
    axes.set_yticks([0, 1], ["low", "high"])
    axes.set_ylabel("level", y=(0.5 - view.bottom) / (view.top - view.bottom))
    axes.spines["left"].set_bounds(0, 1)
    axes.set_xlabel("time since the start of the recording (ms)")


def draw_first_frames(channel: ChannelFindings, line: Line, recorded: Span) -> Picture:
    """Draw the first frames of a servo channel, or the first edges of another line."""
    view = _view(channel, line, recorded)
    figure = Figure((WIDTH_IN, 0.6 + view.high_in))
    _draw_view(panel(figure, 0.75, 0.55, _DRAWN_IN, view.high_in), channel.table, line, view)
    words = _words(channel.table, view.rows, line, view.start_s, view.end_s)
    return Picture("first-frames", to_svg(figure), *words)


def _window(channel: ChannelFindings, line: Line, recorded: Span) -> tuple[float, float]:
    """Choose the time span to draw, in seconds."""
    edges_s = line.edges_ps / PS_PER_S
    table = channel.table
    usual_us = find_frames(table).usual_us
    if channel.not_servo is not None or usual_us is None:
        last = min(int(edges_s.size), 12) - 1
        margin_s = max(0.1 * float(edges_s[last] - edges_s[0]), 1e-3)
        return max(recorded.start_s, float(edges_s[0]) - margin_s), min(
            recorded.end_s, float(edges_s[last]) + margin_s
        )
    frame_s = usual_us / 1e6
    first_s = float(table.rise_s[~table.has(Flag.GLITCH | Flag.FOREIGN)][0])
    early = first_s - recorded.start_s < 1.5 * frame_s
    start_s = recorded.start_s if early else first_s - 0.25 * frame_s
    end_s = first_s + (FRAMES - 0.25) * frame_s
    if edges_s.size > MAX_EDGES:
        end_s = min(end_s, max(float(edges_s[MAX_EDGES]), start_s + 0.5 * frame_s))
    return start_s, min(end_s, recorded.end_s)


def _draw_level(axes: Axes, line: Line, start_s: float, end_s: float) -> None:
    edges_s = line.edges_ps / PS_PER_S
    first, last = np.searchsorted(edges_s, [start_s, end_s], side="right")
    level = line.initial_level ^ (np.arange(first, last + 1) & 1)
    times_ms = np.concatenate([[start_s], edges_s[first:last], [end_s]]) * 1e3
    axes.step(times_ms, np.append(level, level[-1]), where="post", color=INK, linewidth=1.2)


def _pulse_words(table: PulseTable, row: int) -> tuple[str, str]:
    """Say what is written over a pulse, and in which colour."""
    flags = Flag(int(table.flags[row]))
    if Flag.CUT in flags:
        return ("cut by the start" if row == 0 else "cut by the end"), ALARM
    width = f"{table.width_us[row]:.1f} us"
    for flag, word in (
        (Flag.GLITCH, "glitch"),
        (Flag.FOREIGN, "no servo pulse"),
        (Flag.NOTCHED, "notched"),
    ):
        if flag in flags:
            return f"{word}, {width}", ALARM
    return width, INK


def _place_labels(
    table: PulseTable, rows: IntArray, start_s: float, end_s: float
) -> list[tuple[float, float, int, int]]:
    """Place the words over the pulses: pulse and words in ms, pulse's row, row of words."""
    low_ms, high_ms = start_s * 1e3, end_s * 1e3
    width_ms = np.nan_to_num(table.width_us[rows] / 1e3)
    middles_ms = np.minimum(table.rise_s[rows] * 1e3 + width_ms / 2, high_ms).tolist()
    letter_ms = (high_ms - low_ms) / _DRAWN_IN * LETTER_IN
    halves_ms = [0.5 * letter_ms * (len(_pulse_words(table, int(row))[0]) + 1) for row in rows]
    places_ms = [
        min(max(middle, low_ms + half), high_ms - half)
        for middle, half in zip(middles_ms, halves_ms, strict=True)
    ]
    given = stack(
        [(at - half, at + half) for at, half in zip(places_ms, halves_ms, strict=True)], _ROWS
    )
    return [
        (middle, place, int(pulse), row)
        for middle, place, pulse, row in zip(middles_ms, places_ms, rows, given, strict=True)
        if row is not None
    ]


def _draw_labels(
    axes: Axes, table: PulseTable, labels: list[tuple[float, float, int, int]]
) -> None:
    for middle_ms, place_ms, pulse, row in labels:
        words, colour = _pulse_words(table, pulse)
        height = 1.35 + 0.45 * row
        axes.plot([middle_ms] * 2, [1.06, height - 0.08], color=colour, linewidth=0.6)
        axes.text(place_ms, height, words, color=colour, ha="center", va="bottom")


def _draw_periods(axes: Axes, table: PulseTable, rows: IntArray, end_s: float) -> None:
    """Draw an arrow under each whole frame from leading edge to leading edge."""
    whole = rows[np.isfinite(table.period_us[rows])]
    whole = whole[table.rise_s[whole] + table.period_us[whole] / 1e6 < end_s]
    for row in whole:
        begin_ms = float(table.rise_s[row]) * 1e3
        period_ms = float(table.period_us[row]) / 1e3
        axes.annotate(
            "",
            (begin_ms, -0.28),
            (begin_ms + period_ms, -0.28),
            arrowprops={"arrowstyle": "<->", "color": GREY, "shrinkA": 0, "shrinkB": 0},
        )
        axes.text(
            begin_ms + period_ms / 2, -0.34, f"frame period {period_ms:.3f} ms",
            ha="center", va="top", color=GREY, fontsize=FONT_PT - 0.5,
        )  # fmt: skip


def _words(
    table: PulseTable, rows: IntArray, line: Line, start_s: float, end_s: float
) -> tuple[str, str]:
    """Write the caption and the alternative text."""
    span = f"{start_s * 1e3:.1f} to {end_s * 1e3:.1f} ms"
    if not rows.size:
        return (
            "The line's first edges, as they were on the wire.",
            f"Timing diagram from {span}: the line starts "
            f"{'high' if line.initial_level else 'low'} and changes level. It has no servo "
            "pulses, so no widths are given.",
        )
    widths = ", ".join(_pulse_words(table, int(row))[0] for row in rows[:8])
    more = f" and {rows.size - 8} more" if rows.size > 8 else ""
    idles = "high, so the pulses are its lows" if table.inverted else "low"
    return (
        f"The line's first frames, as they were on the wire (it idles {idles}). "
        "Over each pulse stands its width.",
        f"Timing diagram from {span}. The line idles {idles}. Pulses: {widths}{more}.",
    )


_LEFT_IN: Final = 1.3
_WORDS_IN: Final = 1.75
_ROW_IN: Final = 0.42
_BOTTOM_IN: Final = 0.6
_PULSE: Final = 0.6
"""Height of a pulse, in rows."""
_ROOM: Final = 1.12


def draw_frames(findings: Findings) -> tuple[Picture, ...]:
    """Draw for each receiver one frame of its lines, in the order in which they start.

    Each pulse stands at its line's usual start after the first line and has its line's
    usual width; beside it stand both in numbers.
    """
    numbered = enumerate(findings.order.receivers, start=1)
    return tuple(_drawn(receiver, findings, number) for number, receiver in numbered)


_WIDE: Final = 360.0
_NAMES: Final = 96.0
_ROW: Final = 26.0
_NAME: Final = 14
"""Letters of a line's name that have room beside its pulse."""


def _drawn(receiver: Receiver, findings: Findings, number: int) -> Picture:
    pulses = _pulses(receiver, findings)
    high = _ROW * len(pulses) + 22.0
    end_us = max(start_us + width_us for _, start_us, width_us in pulses)
    per_us = (_WIDE - _NAMES - 66.0) / end_us
    parts = []
    for row, (line, start_us, width_us) in enumerate(pulses):
        low, top = _ROW * (row + 1) - 4.0, _ROW * row + 6.0
        x, wide = _NAMES + start_us * per_us, width_us * per_us
        parts += [
            f'<rect x="{x:.1f}" y="{top:g}" width="{wide:.1f}" height="{low - top:g}" '
            f'fill="{SCREEN.band}"/>',
            line_of(
                f"M{_NAMES - 6:g} {low:g}H{x:.1f}V{top:g}h{wide:.1f}V{low:g}H{_WIDE - 56:g}",
                SCREEN.trace, 1.3,
            ),
            label(0.0, low - 4.0, _cut(format_line(line)), SCREEN, anchor="start"),
            label(_WIDE, low - 4.0, f"{width_us:.0f} us", SCREEN, anchor="end"),
        ]  # fmt: skip
    step_us = next(size for size in _STEPS_US if end_us / size <= 5)
    for at_us in np.arange(0.0, end_us + 1.0, step_us).tolist():
        x = _NAMES + at_us * per_us
        parts.append(line_of(f"M{x:.1f} {high - 20:g}v4", SCREEN.soft, 0.8))
        parts.append(label(x, high - 5.0, f"{at_us:g}", SCREEN, anchor="middle"))
    parts.append(label(_WIDE, high - 5.0, "us", SCREEN, anchor="end"))
    told = [
        f"{format_line(line)} starts {start_us:.1f} us after and is {width_us:.0f} us wide"
        for line, start_us, width_us in pulses
    ]
    alt = f"One frame: {'; '.join(told)}."
    tile = Tile("One frame", drawing(_WIDE, high, alt, parts), alt, (_WIDE, high))
    return Picture(
        f"frame-{number}",
        assemble([tile], 1, alt),
        "One frame of the lines that keep step: each pulse at its usual start and with its usual "
        f"width. A frame comes every {receiver.period_us / 1e3:.3f} ms. How far starts and widths "
        "wander is left out.",
        alt,
        (tile,),
    )


def _cut(name: str) -> str:
    return name if len(name) <= _NAME else name[: _NAME - 1] + "…"


_STEPS_US: Final = (100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000)


def _pulses(receiver: Receiver, findings: Findings) -> list[tuple[str, float, float]]:
    """List each line with its usual start after the first line and its usual width."""
    pulses = []
    for line, skew in zip(receiver.lines, receiver.skews, strict=True):
        table = findings.channels[line].table
        width_us = float(np.median(table.width_us[table.measured]))
        pulses.append((line, skew.skew_us.median or 0.0, width_us))
    return pulses


def _draw_frame(axes: Axes, receiver: Receiver, findings: Findings) -> None:
    pulses, rows = _pulses(receiver, findings), len(receiver.lines)
    end_us = max(start_us + width_us for _, start_us, width_us in pulses)
    axes.set_xlim(-0.06 * end_us, _ROOM * end_us)
    axes.set_ylim(rows - 0.25, -0.75)
    for row, (_, start_us, width_us) in enumerate(pulses):
        _draw_pulse(axes, row, start_us, width_us)
    axes.set_yticks(range(rows), [format_line(line) for line in receiver.lines])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(f"time since {format_line(receiver.lines[0])} starts (us)")


def _draw_pulse(axes: Axes, row: int, start_us: float, width_us: float) -> None:
    """Draw a row's level: low, the pulse, low; and say start and width beside it."""
    low_us, high_us = axes.get_xlim()
    floor, top = row + _PULSE / 2.0, row - _PULSE / 2.0
    end_us = start_us + width_us
    axes.fill_between([start_us, end_us], floor, top, color=DWELL, alpha=0.5, linewidth=0)
    axes.plot(
        [low_us, start_us, start_us, end_us, end_us, high_us],
        [floor, floor, top, top, floor, floor],
        color=INK, linewidth=1.0,
    )  # fmt: skip
    axes.text(
        1.015, row, f"starts {start_us:+.1f} us\n{width_us:.0f} us wide", color=GREY,
        transform=axes.get_yaxis_transform(), va="center", linespacing=1.15,
    )  # fmt: skip
