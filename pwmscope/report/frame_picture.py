"""The picture of one frame of all lines of a receiver: which pulse starts when."""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pwmscope.findings import Findings
from pwmscope.findings.receivers.frame_order import Receiver
from pwmscope.report.drawing import (
    DWELL,
    GREY,
    INK,
    WIDTH_IN,
    Picture,
    house_style,
    panel,
    to_svg,
)
from pwmscope.report.sentences import say_line

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

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.

    Returns
    -------
    tuple of Picture
        One for each receiver with at least two lines.
    """
    with house_style():
        return tuple(
            _drawn(receiver, findings, number)
            for number, receiver in enumerate(findings.order.receivers, start=1)
        )


def _drawn(receiver: Receiver, findings: Findings, number: int) -> Picture:
    starts_us = [skew.skew_us.median or 0.0 for skew in receiver.skews]
    widths_us = [_width_us(findings, line) for line in receiver.lines]
    rows = len(receiver.lines)
    figure = Figure((WIDTH_IN, _BOTTOM_IN + 0.25 + _ROW_IN * rows))
    wide_in = WIDTH_IN - _LEFT_IN - _WORDS_IN
    axes = panel(figure, _LEFT_IN, _BOTTOM_IN, wide_in, _ROW_IN * rows)
    end_us = max(start + width for start, width in zip(starts_us, widths_us, strict=True))
    axes.set_xlim(-0.06 * end_us, _ROOM * end_us)
    axes.set_ylim(rows - 0.25, -0.75)
    for row, (start_us, width_us) in enumerate(zip(starts_us, widths_us, strict=True)):
        _draw_pulse(axes, row, start_us, width_us)
    axes.set_yticks(range(rows), [say_line(line) for line in receiver.lines])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(f"time since {say_line(receiver.lines[0])} starts (us)")
    told = [
        f"{say_line(line)} starts {start_us:.1f} us after and is {width_us:.0f} us wide"
        for line, start_us, width_us in zip(receiver.lines, starts_us, widths_us, strict=True)
    ]
    return Picture(
        f"frame-{number}",
        to_svg(figure),
        "One frame of the lines that keep step: each pulse at its usual start after the first "
        f"line's, with its usual width. A frame comes every {receiver.period_us / 1e3:.3f} ms.",
        f"One frame: {'; '.join(told)}.",
    )


def _width_us(findings: Findings, line: str) -> float:
    """Take the line's median width."""
    table = findings.channels[line].table
    return float(np.median(table.width_us[table.measured]))


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
