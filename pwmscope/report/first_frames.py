"""The picture of a line's first frames, as they were on the wire."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pwmscope.capture import PS_PER_S, Line
from pwmscope.findings import ChannelFindings
from pwmscope.model.spans import Span
from pwmscope.pulses import Flag, PulseTable, find_frames
from pwmscope.report.drawing import (
    ALARM,
    FONT_PT,
    GREY,
    INK,
    LETTER_IN,
    WIDTH_IN,
    Picture,
    panel,
    stack,
    to_svg,
)

FRAMES: Final = 3
MOST_EDGES: Final = 60
"""Edges drawn at most, so that a noisy line stays a picture."""
_ROWS: Final = 4
_LEVEL_IN: Final = 0.5
"""Height of the line's swing on the picture."""
_DRAWN_IN: Final = WIDTH_IN - 1.1


def draw_first_frames(channel: ChannelFindings, line: Line, recorded: Span) -> Picture:
    """Draw the first frames of a servo channel, or the first edges of another line.

    Parameters
    ----------
    channel : ChannelFindings
        What was found about the line.
    line : Line
        The line itself, with at least one edge.
    recorded : Span
        When the recording begins and ends.

    Returns
    -------
    Picture
    """
    table = channel.table
    start_s, end_s = _window(channel, line, recorded)
    rows = np.flatnonzero(
        (table.rise_s >= start_s) & (table.rise_s < end_s) & (channel.not_servo is None)
    )
    labels = _place_labels(table, rows, start_s, end_s)
    top = 1.25 + 0.45 * max((row + 1 for _, _, _, row in labels), default=0)
    bottom = -0.75 if rows.size else -0.15
    high_in = (top - bottom) * _LEVEL_IN
    figure = Figure((WIDTH_IN, 0.6 + high_in))
    axes = panel(figure, 0.75, 0.55, _DRAWN_IN, high_in)
    axes.set_xlim(start_s * 1e3, end_s * 1e3)
    axes.set_ylim(bottom, top)
    _draw_level(axes, line, start_s, end_s)
    _draw_labels(axes, table, labels)
    _draw_periods(axes, table, rows, end_s)
    axes.set_yticks([0, 1], ["low", "high"])
    axes.set_ylabel("level", y=(0.5 - bottom) / (top - bottom))
    axes.spines["left"].set_bounds(0, 1)
    axes.set_xlabel("time since the start of the recording (ms)")
    return Picture("first-frames", to_svg(figure), *_words(table, rows, line, start_s, end_s))


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
    if edges_s.size > MOST_EDGES:
        end_s = min(end_s, max(float(edges_s[MOST_EDGES]), start_s + 0.5 * frame_s))
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
    table: PulseTable, rows: npt.NDArray[np.int64], start_s: float, end_s: float
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


def _draw_periods(axes: Axes, table: PulseTable, rows: npt.NDArray[np.int64], end_s: float) -> None:
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
    table: PulseTable, rows: npt.NDArray[np.int64], line: Line, start_s: float, end_s: float
) -> tuple[str, str]:
    """Write the caption and the alternative text."""
    span = f"{start_s * 1e3:.1f} to {end_s * 1e3:.1f} ms"
    if not rows.size:
        return (
            "The line's first edges, as they were on the wire.",
            f"Timing diagram from {span}: the line starts "
            f"{'high' if line.initial_level else 'low'} and changes level; "
            "no widths are given, since these are not servo pulses.",
        )
    widths = ", ".join(_pulse_words(table, int(row))[0] for row in rows[:8])
    more = f" and {rows.size - 8} more" if rows.size > 8 else ""
    idles = "high, so the pulses are its lows" if table.inverted else "low"
    return (
        f"The line's first frames, as they were on the wire (it idles {idles}). "
        "Over each pulse stands its width.",
        f"Timing diagram from {span}. The line idles {idles}. Pulses: {widths}{more}.",
    )
