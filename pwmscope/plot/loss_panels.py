"""A line's pulse width around its losses, with the limit marked and the stop range shaded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pwmscope.errors import ArgumentError, format_given
from pwmscope.findings.failsafe import (
    Failsafe,
    FailsafeLine,
    Known,
    LineInRecording,
    LossEvent,
    quiet_limit_s,
)
from pwmscope.model import Verdict, badness, format_device, format_line
from pwmscope.plot.style import (
    ALARM,
    DWELL,
    GREY,
    INK,
    LOSS,
    axes_on,
    house_style,
    keep_extremes,
    panel,
    write_figure,
)

MAX_LOSSES: Final = 4
"""So many losses are drawn side by side, those that govern the verdict."""
MAX_LINES: Final = 16
_LEFT_IN: Final = 0.75
_PANEL_IN: Final = (2.75, 1.25)
_GAP_IN: Final = (0.2, 0.62)
_RIGHT_IN: Final = 0.15
_BOTTOM_IN: Final = 0.55
_COLUMNS: Final = 300
_ROW_PT: Final = 11
_LATE: Final = 0.8
"""What is marked beyond this part of a panel is named to the left of its line."""


@dataclass(frozen=True, slots=True)
class _Column:
    """One loss of one recording."""

    source: str
    lost_s: float
    from_s: float
    to_s: float


def losses(
    result: Failsafe | FailsafeResult,
    line: str | None = None,
    *,
    loss: int | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw a line's pulse width around one signal loss.

    The limit is marked, the stop range shaded, and hatched where the line was silent.

    Parameters
    ----------
    result : Failsafe, or what has one as ``failsafe``
        Such as what `pwmscope.analyse` gives.
    line : str, optional
        The line; by default one of the worst verdict.
    loss : int, optional
        Which of its losses, counted from 0; by default the one that governs.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        Seconds since the loss, width in microseconds; the verdict is its title.

    Raises
    ------
    ArgumentError
        If the result is something else, there is no such line, or it shows no such loss.

    Examples
    --------
    >>> import pwmscope
    >>> analysis = pwmscope.analyse("captures/drill.csv.gz", sheet="captures/bench.toml")
    >>> losses(analysis, "RX3", loss=0).get_title(loc="left")[:23]
    'meets: goes to preset, '
    """
    given: object = result if isinstance(result, Failsafe) else getattr(result, "failsafe", None)
    if not isinstance(given, Failsafe):
        expected = "what pwmscope.analyse gives; a line is named beside it"
        raise ArgumentError("result", format_given(result), expected)
    return _draw_one(given, line, loss, ax)


def _draw_one(check: Failsafe, line: str | None, loss: int | None, ax: Axes | None) -> Axes:
    chosen = _line_of(check, line)
    seen = chosen.losses
    if loss is None:
        (column,) = _columns(check, [chosen], most=1)
        rec, event = next(
            one for one in seen if (one[0].source, one[1].lost_s) == (column.source, column.lost_s)
        )
    elif isinstance(loss, int) and not isinstance(loss, bool) and 0 <= loss < len(seen):
        rec, event = seen[loss]
        column = _column(check, rec.source, event)
    else:
        raise ArgumentError("loss", format_given(loss), f"0 to {len(seen) - 1}")
    wide_in, high_in = 5.0, 2.4
    ax = axes_on(ax, (wide_in + 1.0, high_in + 0.95), (_LEFT_IN, _BOTTOM_IN, wide_in, high_in))
    ax.set_xlim(column.from_s, column.to_s)
    ax.set_ylim(*_limits_us(chosen))
    _draw_frame(ax, chosen, check.limits.failsafe_s, first=True)
    _draw_loss(ax, rec, event, column, first=True)
    ax.set_ylabel(f"pulse width of {format_line(chosen.line)} (us)")
    ax.set_xlabel(f"s since the loss at {column.lost_s:.3f} s{_of(check, column)}")
    return ax


def _line_of(check: Failsafe, name: str | None) -> FailsafeLine:
    """Choose the line to draw: the one of this name, or one of the worst verdict."""
    lost = [line for line in check.lines if line.losses]
    if name is None and lost:
        return min(lost, key=lambda line: badness(line.verdict))
    found = next((line for line in lost if line.line == name), None)
    if found is None:
        names = ", ".join(line.line for line in lost) or "none, for no signal loss was seen"
        raise ArgumentError("line", format_given(name), f"a line with a signal loss: {names}")
    return found


class FailsafeResult(Protocol):
    """What holds a failsafe check, as `pwmscope.analyse` gives it."""

    @property
    def failsafe(self) -> Failsafe:
        """The check."""


def failsafe_figure(check: Failsafe) -> Figure | None:
    """Draw the picture as a figure; call it within `house_style`."""
    lines = [line for line in check.lines if line.losses][:MAX_LINES]
    columns = _columns(check, lines)
    return _drawn(check, lines, columns) if columns else None


def _column(check: Failsafe, source: str, event: LossEvent) -> _Column:
    """Choose how much around a loss is drawn."""
    limit_s, back_s = check.limits.failsafe_s, event.case.loss.back_s - event.lost_s
    to_s = min(max(1.3 * limit_s, back_s + 0.25 * limit_s), 4.0 * limit_s)
    return _Column(source, event.lost_s, -0.5 * limit_s, to_s)


def _columns(check: Failsafe, lines: list[FailsafeLine], most: int = MAX_LOSSES) -> list[_Column]:
    """Choose the losses that govern, in order of time."""
    ranked: dict[tuple[str, float], tuple[tuple[int, float, float], LossEvent]] = {}
    for line in lines:
        for rec, event in line.losses:
            bounds_s = event.stop_bounds_s
            slow_s = -bounds_s[1] if bounds_s else 0.0
            rank = (badness(event.verdict), slow_s, event.case.loss.back_s)
            key = (rec.source, event.lost_s)
            before = ranked.get(key)
            if before is None or rank < before[0]:
                ranked[key] = (rank, event)
    chosen = sorted(ranked, key=lambda key: ranked[key][0])[:most]
    order = [rec.source for rec in check.recordings]
    chosen.sort(key=lambda key: (order.index(key[0]), key[1]))
    return [_column(check, source, ranked[source, lost_s][1]) for source, lost_s in chosen]


def _drawn(check: Failsafe, lines: list[FailsafeLine], columns: list[_Column]) -> Figure:
    wide_in, high_in = _PANEL_IN
    gap_in, between_in = _GAP_IN
    figure = Figure(
        (
            _LEFT_IN + len(columns) * (wide_in + gap_in) + _RIGHT_IN,
            _BOTTOM_IN + len(lines) * (high_in + between_in),
        )
    )
    for row, line in enumerate(lines):
        bottom_in = _BOTTOM_IN + (len(lines) - 1 - row) * (high_in + between_in)
        events = {(rec.source, event.lost_s): (rec, event) for rec, event in line.losses}
        limits_us = _limits_us(line)
        for k, column in enumerate(columns):
            axes = panel(figure, _LEFT_IN + k * (wide_in + gap_in), bottom_in, wide_in, high_in)
            axes.set_xlim(column.from_s, column.to_s)
            axes.set_ylim(*limits_us)
            _draw_frame(axes, line, check.limits.failsafe_s, first=row == 0)
            own = events.get((column.source, column.lost_s))
            if own is not None:
                _draw_loss(axes, *own, column, first=row == 0)
            if k:
                axes.tick_params(labelleft=False)
            else:
                axes.set_ylabel("width (us)")
            if row + 1 < len(lines):
                axes.tick_params(labelbottom=False)
            else:
                axes.set_xlabel(f"s since the loss at {column.lost_s:.3f} s{_of(check, column)}")
        figure.text(
            0.1 / figure.get_size_inches()[0],
            (bottom_in + high_in + 0.3) / figure.get_size_inches()[1],
            _format_row(line), weight="bold", va="center",
        )  # fmt: skip
    return figure


def _format_row(line: FailsafeLine) -> str:
    band = line.expected.band
    shaded = "" if band is None else f"; shaded: stop range {band.words}"
    return f"{format_device(line.line, line.expected.role or '', line.device)}{shaded}"


def _of(check: Failsafe, column: _Column) -> str:
    return f"\nof {column.source}" if len(check.recordings) > 1 else ""


def _limits_us(line: FailsafeLine) -> tuple[float, float]:
    """Choose the heights that hold the convention and every measured width."""
    low_us, high_us = math.inf, -math.inf
    for rec in line.recordings:
        table = rec.table
        width_us = table.width_us[table.measured]
        low_us = min(low_us, table.convention.low_us, float(width_us.min()))
        high_us = max(high_us, table.convention.high_us, float(width_us.max()))
    margin_us = 0.12 * (high_us - low_us)
    return low_us - margin_us, high_us + 0.5 * margin_us


def _draw_frame(axes: Axes, line: FailsafeLine, limit_s: float, *, first: bool) -> None:
    """Draw the stop range, the moment of loss and the limit, in the first row with their names."""
    band = line.expected.band
    bottom_us, top_us = axes.get_ylim()
    if band is not None:
        low_us, high_us = max(band.low_us, bottom_us), min(band.high_us, top_us)
        axes.axhspan(low_us, high_us, facecolor=DWELL, alpha=0.55, linewidth=0, zorder=0)
        for edge_us in (low_us, high_us):
            axes.axhline(edge_us, color=GREY, linewidth=0.6, zorder=1)
    axes.axvline(0.0, color=INK, linewidth=1.2, zorder=2)
    axes.axvline(limit_s, color=ALARM, linewidth=1.0, linestyle=(0, (5, 3)), zorder=2)
    if first:
        _name(axes, 0.0, "lost", INK)
        _name(axes, limit_s, f"limit {limit_s:g} s", ALARM)


def _name(axes: Axes, time_s: float, words: str, colour: str, *, row: int = 0) -> None:
    """Write what a line across the panel marks, at its upper end."""
    low_s, high_s = axes.get_xlim()
    left = time_s > low_s + _LATE * (high_s - low_s)
    axes.annotate(
        words, (time_s, axes.get_ylim()[1]), (-3 if left else 3, -1 - _ROW_PT * row), color=colour,
        textcoords="offset points", va="top", ha="right" if left else "left", zorder=5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4, "alpha": 0.8},
    )  # fmt: skip


def _draw_loss(
    axes: Axes, rec: LineInRecording, event: LossEvent, column: _Column, *, first: bool
) -> None:
    table = rec.table
    rows = np.flatnonzero(table.measured)
    time_s = table.rise_s[rows] - column.lost_s
    inside = (time_s >= column.from_s) & (time_s <= column.to_s)
    time_s, width_us = time_s[inside], table.width_us[rows][inside]
    kept = keep_extremes(time_s, width_us, _COLUMNS)
    axes.plot(
        time_s[kept], width_us[kept], color=INK, linestyle="none", marker=".", markersize=2.2,
        zorder=3,
    )  # fmt: skip
    frame_s = event.case.setting.frame_s
    moments_s = np.concatenate([[column.from_s], time_s, [column.to_s]])
    quiet = np.flatnonzero(np.diff(moments_s) > quiet_limit_s(frame_s * 1e6))
    bottom_us, top_us = axes.get_ylim()
    for at in quiet.tolist():
        axes.barh(
            bottom_us, moments_s[at + 1] - moments_s[at], left=moments_s[at],
            height=0.1 * (top_us - bottom_us), align="edge", facecolor=LOSS, edgecolor=GREY,
            hatch="////", linewidth=0.6, zorder=1,
        )  # fmt: skip
        if moments_s[at + 1] - moments_s[at] > 0.25 * (column.to_s - column.from_s):
            axes.annotate(
                "silent", (moments_s[at], bottom_us + 0.1 * (top_us - bottom_us)), (3, 2),
                textcoords="offset points", color=GREY, zorder=5,
            )  # fmt: skip
    loss = event.case.loss
    back_s = loss.back_s - column.lost_s
    if loss.came_back and back_s < column.to_s:
        axes.axvline(back_s, color=GREY, linewidth=1.0, linestyle=(0, (1, 2)), zorder=2)
        if first:
            _name(axes, back_s, "on again" if loss.is_marked else "back", GREY, row=1)
    colour = ALARM if event.verdict is Verdict.DOES_NOT_MEET else INK
    axes.set_title(format_panel(event), loc="left", pad=3, color=colour)


def format_panel(event: LossEvent) -> str:
    """Write what stands over the picture of one loss."""
    if event.is_restart:
        return "supply or receiver restart"
    did = event.behaviour.value if event.behaviour else "response not shown"
    bounds_s = event.stop_bounds_s
    took = f", {bounds_s[1]:.2f} s" if bounds_s and event.verdict is Verdict.MEETS else ""
    inferred = " (inferred)" if event.moment.known is Known.INFERRED else ""
    word = "" if event.verdict is None else f"{event.verdict.value}: "
    return f"{word}{did}{took}{inferred}"


def write_failsafe_picture(check: Failsafe, path: Path, *, replace: bool) -> bool:
    """Write the picture to a file; False where no loss was seen, so that there is none."""
    with house_style():
        figure = failsafe_figure(check)
        if figure is not None:
            write_figure(figure, path, replace=replace)
    return figure is not None
