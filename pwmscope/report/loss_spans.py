"""Spans of signal loss on the picture of the width over time, with their labels."""

from __future__ import annotations

from typing import Final

from matplotlib.axes import Axes

from pwmscope.findings import LossEvent
from pwmscope.model.spans import Span
from pwmscope.report.drawing import GREY, INK, LABEL_IN, LETTER_IN, LOSS, stack

DRAWN_IN: Final = 5.2
DRAWN_HIGH_IN: Final = 2.7
MOST_ROWS: Final = 4
_ROW_IN: Final = 2.25 * LABEL_IN


def say_loss(event: LossEvent) -> tuple[str, str]:
    """Write what stands over a loss, in two lines."""
    did = event.behaviour.value if event.behaviour else "response not shown"
    level = f" {event.preset_us:.1f} us" if event.behaviour and event.preset_us else ""
    known = "" if event.is_marked else ", inferred"
    if event.recovered_s is None:
        return did + level, f"{event.lost_s:.3f} s, no change after{known}"
    return did + level, f"{event.lost_s:.3f} to {event.recovered_s:.3f} s{known}"


def loss_rows(losses: list[tuple[LossEvent, Span]], recorded: Span) -> list[int | None]:
    """Choose the row above the picture in which each loss's label stands; None for no room."""
    s_per_in = (recorded.end_s - recorded.start_s) / DRAWN_IN
    spans = []
    for event, span in losses:
        half_s = 0.5 * s_per_in * LETTER_IN * (2 + max(map(len, say_loss(event))))
        middle_s = _clamped((span.start_s + span.end_s) / 2, half_s, recorded)
        spans.append((middle_s - half_s, middle_s + half_s))
    return stack(spans, MOST_ROWS)


def head_height_in(rows: list[int | None]) -> float:
    """Height in inches that the labels take above the drawn part."""
    used = 1 + max((row for row in rows if row is not None), default=-1)
    return 0.2 + _ROW_IN * used + (LABEL_IN if None in rows else 0.0)


def _clamped(middle_s: float, half_s: float, recorded: Span) -> float:
    least_s = recorded.start_s + half_s
    return min(max(middle_s, least_s), max(recorded.end_s - half_s, least_s))


def draw_losses(axes: Axes, losses: list[tuple[LossEvent, Span]], rows: list[int | None]) -> None:
    """Hatch each loss and write over it what the output did and from when to when."""
    recorded = Span(*axes.get_xlim())
    s_per_in = (recorded.end_s - recorded.start_s) / DRAWN_IN
    upright = axes.get_xaxis_transform()
    for (event, span), row in zip(losses, rows, strict=True):
        axes.axvspan(
            span.start_s, span.end_s, facecolor=LOSS, edgecolor=GREY, hatch="////",
            alpha=0.55, linewidth=0.8, zorder=0.5,
        )  # fmt: skip
        if row is None:
            continue
        words = say_loss(event)
        half_s = 0.5 * s_per_in * LETTER_IN * (2 + max(map(len, words)))
        middle_s = (span.start_s + span.end_s) / 2
        base = 1.0 + (0.08 + _ROW_IN * row) / DRAWN_HIGH_IN
        axes.plot(
            [middle_s] * 2, [1.0, base], transform=upright, color=GREY, linewidth=0.6,
            clip_on=False,
        )  # fmt: skip
        axes.text(
            _clamped(middle_s, half_s, recorded), base, "\n".join(words),
            transform=upright, ha="center", va="bottom", color=INK, linespacing=1.1,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5}, zorder=5,
        )  # fmt: skip
    hidden = sum(row is None for row in rows)
    if hidden:
        axes.text(
            0.0, 1.0 + (0.1 + _ROW_IN * MOST_ROWS) / DRAWN_HIGH_IN,
            f"{hidden} more losses without a label here; the table names them.",
            transform=axes.transAxes, color=INK,
        )  # fmt: skip
