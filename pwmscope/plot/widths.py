"""A line's pulse width over time, and how it is distributed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from pwmscope.capture import Capture
from pwmscope.findings import ChannelFindings, LossEvent
from pwmscope.findings.failsafe import quiet_limit_s
from pwmscope.findings.timing import Jitter, LineSearch
from pwmscope.findings.travel import Level, Travel
from pwmscope.model import BoolArray, FloatArray, Span, inside
from pwmscope.plot.frame_timing import draw_first_frames
from pwmscope.plot.style import (
    ALARM,
    BAND,
    DWELL,
    GREY,
    INK,
    LABEL_IN,
    LOSS,
    WIDTH_IN,
    ChannelResult,
    Picture,
    axes_on,
    channel_of,
    house_style,
    keep_extremes,
    outside_colour,
    panel,
    spread,
    to_svg,
)
from pwmscope.pulses import Flag, PulseTable, find_frames

DRAWN_IN: Final = 5.2
DRAWN_HIGH_IN: Final = 2.7
_HEAD_IN: Final = 0.45
_NUMBER_IN: Final = 0.25


def format_loss(event: LossEvent) -> tuple[str, str]:
    """Write what stands over a loss, in two lines."""
    did = event.behaviour.value if event.behaviour else "response not shown"
    level = f" {event.preset_us:.1f} us" if event.behaviour and event.preset_us else ""
    known = "" if event.is_marked else ", inferred"
    if event.recovered_s is None:
        return did + level, f"{event.lost_s:.3f} s, no change after{known}"
    return did + level, f"{event.lost_s:.3f} to {event.recovered_s:.3f} s{known}"


def _draw_losses(axes: Axes, losses: list[tuple[LossEvent, Span]]) -> None:
    """Hatch each loss and write its number over it, where there is room for one."""
    from_s, to_s = axes.get_xlim()
    s_per_in = (to_s - from_s) / DRAWN_IN
    numbered_s = -math.inf
    for number, (_, span) in enumerate(losses, start=1):
        axes.axvspan(
            span.start_s, span.end_s, facecolor=LOSS, edgecolor=GREY, hatch="////",
            alpha=0.55, linewidth=0.8, zorder=0.5,
        )  # fmt: skip
        middle_s = (span.start_s + span.end_s) / 2
        if middle_s - numbered_s < _NUMBER_IN * s_per_in or not from_s <= middle_s <= to_s:
            continue
        numbered_s = middle_s
        axes.annotate(
            str(number), (middle_s, 1.0), (0, 2), xycoords=axes.get_xaxis_transform(),
            textcoords="offset points", ha="center", va="bottom", color=INK,
        )  # fmt: skip
    if losses:
        several = "es" if len(losses) > 1 else ""
        axes.annotate(
            f"{len(losses)} loss{several}, numbered in order of time", (0.0, 1.0), (0, 14),
            xycoords="axes fraction", textcoords="offset points", color=INK,
        )  # fmt: skip


_LEFT_IN: Final = 0.75
_COLUMNS: Final = 600
"""Pixel columns of the drawn part, at about 110 to the inch."""
_BAR: Final = "_"
_MARK_COLUMNS: Final = 120


@dataclass(frozen=True, slots=True)
class _Label:
    """Words beside the drawn part, with the mark that they explain."""

    height_us: float
    words: str
    colour: str
    mark: str = ""


def width_over_time(
    result: ChannelResult,
    *,
    recording: int = 0,
    span: tuple[float, float] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the pulse width of a line over time, with levels, losses, glitches, the convention.

    Parameters
    ----------
    result : ChannelFindings, or what has several as ``channels``
        Such as ``findings["RX1"]`` or ``analysis["RX1"]``.
    recording : int, optional
        Which of several recordings.
    span : tuple of float, optional
        From and to, in seconds; by default all pulses.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        Time in seconds, width in microseconds. Labels stand to the right of it.

    Raises
    ------
    ArgumentError
        If the result is something else, or shows no servo pulses.

    Examples
    --------
    >>> import pwmscope
    >>> analysis = pwmscope.analyse("captures/clean-sweep.csv")
    >>> axes = width_over_time(analysis["RX1"])
    >>> axes.get_ylabel()
    'pulse width (us)'
    """
    channel = channel_of(result, recording)
    shown = Span(*span) if span is not None else _seen(channel.table)
    losses = _losses(channel)
    size_in = WIDTH_IN, 0.55 + DRAWN_HIGH_IN + _HEAD_IN
    ax = axes_on(ax, size_in, (_LEFT_IN, 0.55, DRAWN_IN, DRAWN_HIGH_IN))
    _draw(ax, channel, shown, losses)
    return ax


def _losses(channel: ChannelFindings) -> list[tuple[LossEvent, Span]]:
    assert channel.losses is not None  # a servo channel has it
    return list(zip(channel.losses.events, channel.loss_spans, strict=True))


def _seen(table: PulseTable) -> Span:
    return Span(float(table.rise_s[0]), max(float(table.rise_s[-1]), float(table.rise_s[0]) + 1e-3))


def _draw(
    axes: Axes, channel: ChannelFindings, recorded: Span, losses: list[tuple[LossEvent, Span]]
) -> None:
    assert channel.travel is not None  # a servo channel has it
    axes.set_xlim(recorded.start_s, recorded.end_s)
    axes.set_ylim(*_limits_us(channel.table))
    _draw_losses(axes, losses)
    labels = [
        *_draw_convention(axes, channel.table, recorded),
        *_draw_widths(axes, channel.table, outside_colour(channel)),
        *_draw_levels(axes, channel.travel),
        *_draw_strays(axes, channel.table),
    ]
    _draw_labels(axes, labels)
    axes.set_xlabel("time since the start of the recording (s)")
    axes.set_ylabel("pulse width (us)")


def draw_width_over_time(channel: ChannelFindings, recorded: Span) -> Picture:
    """Draw the pulse width over time as a picture of its own, with caption and alternative text."""
    assert channel.travel is not None  # a servo channel has it
    figure = Figure((WIDTH_IN, 0.55 + DRAWN_HIGH_IN + _HEAD_IN))
    axes = panel(figure, _LEFT_IN, 0.55, DRAWN_IN, DRAWN_HIGH_IN)
    span = (recorded.start_s, recorded.end_s)
    width_over_time(channel, span=span, ax=axes)
    alt = _alt(channel, channel.travel, recorded)
    return Picture("width-over-time", to_svg(figure), _CAPTION, alt)


_CAPTION: Final = (
    "Pulse width over time. Grey band: the convention's range, dashed line: its neutral. Broad "
    "bars: the dwells that an endpoint or neutral was taken from. Hatched: signal lost, numbered "
    "as in the table of this line's losses. Crosses at the lower edge: glitches. Where many pulses "
    "share a pixel, its smallest and its largest width are drawn."
)


def _limits_us(table: PulseTable) -> tuple[float, float]:
    width_us = table.width_us[table.measured]
    low_us = min(table.convention.low_us, float(width_us.min()))
    high_us = max(table.convention.high_us, float(width_us.max()))
    margin_us = 0.09 * (high_us - low_us)
    return low_us - margin_us, high_us + margin_us


def _draw_convention(axes: Axes, table: PulseTable, recorded: Span) -> list[_Label]:
    convention = table.convention
    ends_s = [recorded.start_s, recorded.end_s]
    axes.axhspan(convention.low_us, convention.high_us, color=BAND, zorder=0, linewidth=0)
    for level_us in (convention.low_us, convention.high_us):
        axes.plot(ends_s, [level_us] * 2, color=GREY, linewidth=0.6, zorder=1)
    axes.plot(
        ends_s, [convention.neutral_us] * 2,
        color=GREY, linewidth=0.7, linestyle=(0, (6, 4)), zorder=1,
    )  # fmt: skip
    widths_us = (convention.low_us, convention.neutral_us, convention.high_us)
    return [_Label(width_us, f"convention {width_us:g} us", GREY) for width_us in widths_us]


def _draw_widths(axes: Axes, table: PulseTable, alarm: str) -> list[_Label]:
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    kept = keep_extremes(rise_s, width_us, _COLUMNS)
    time_s, shown_us = rise_s[kept], width_us[kept]
    usual_us = find_frames(table).usual_us or table.convention.period_us
    silent = np.flatnonzero(np.diff(rise_s) > quiet_limit_s(usual_us))
    breaks = np.unique(np.searchsorted(time_s, rise_s[silent], side="right"))
    axes.plot(
        np.insert(time_s, breaks, np.nan), np.insert(shown_us, breaks, np.nan),
        color=INK, linewidth=0.6, marker=".", markersize=1.0, zorder=3,
    )  # fmt: skip
    rows = np.flatnonzero(table.measured & table.has(Flag.OUTSIDE))
    if not rows.size:
        return []
    outside_us = table.width_us[rows]
    few = keep_extremes(table.rise_s[rows], outside_us, _MARK_COLUMNS)
    axes.plot(
        table.rise_s[rows][few], outside_us[few], linestyle="none", marker="D", markersize=3.6,
        markerfacecolor="none", markeredgecolor=alarm, markeredgewidth=0.8, zorder=4,
    )  # fmt: skip
    convention = table.convention
    sides = (
        (outside_us[outside_us < convention.low_us], "under", convention.low_us),
        (outside_us[outside_us > convention.high_us], "over", convention.high_us),
    )
    return [
        _Label(
            float(side_us.min() if word == "under" else side_us.max()),
            f"{_pulses(side_us.size)} {word} {limit_us:g} us",
            alarm,
            "D",
        )
        for side_us, word, limit_us in sides
        if side_us.size
    ]


def _pulses(count: int) -> str:
    return f"{count} pulse" if count == 1 else f"{count} pulses"


def named_levels(travel: Travel) -> list[tuple[str, Level]]:
    """List the levels that a line shows, each with its name."""
    named = (
        ("low endpoint", travel.low),
        ("neutral", travel.neutral),
        ("high endpoint", travel.high),
    )
    return [(name, level) for name, level in named if level is not None]


def _draw_levels(axes: Axes, travel: Travel) -> list[_Label]:
    labels = []
    for name, level in named_levels(travel):
        starts_s, ends_s = zip(*((v.start_s, v.end_s) for v in level.visits), strict=True)
        axes.hlines(
            [level.width_us] * len(starts_s), starts_s, ends_s, color=DWELL, linewidth=6.0, zorder=2
        )
        labels.append(_Label(level.width_us, f"{name} {level.width_us:.1f} us", INK, _BAR))
    return labels


def _draw_strays(axes: Axes, table: PulseTable) -> list[_Label]:
    """Mark pulses without a width of their own at the edges of the drawn part."""
    bottom_us, top_us = axes.get_ylim()
    accepted_us = table.convention.accepted_high_us
    foreign = table.has(Flag.FOREIGN)
    notched = table.has(Flag.NOTCHED) & ~foreign
    with np.errstate(invalid="ignore"):
        wide = foreign & (table.width_us > accepted_us)
    kinds: tuple[tuple[BoolArray, str, float, str], ...] = (
        (table.has(Flag.GLITCH), "x", 0.02, f"under {table.convention.glitch_us:g} us"),
        (foreign & ~wide, "v", 0.05, f"under {table.convention.accepted_low_us:g} us"),
        (notched, "2", 0.08, "with a notch"),
        (wide, "^", 0.98, f"over {accepted_us:g} us"),
    )
    labels = []
    for mask, mark, place, words in kinds:
        time_s = table.rise_s[mask]
        if not time_s.size:
            continue
        height_us = bottom_us + place * (top_us - bottom_us)
        few = keep_extremes(time_s, np.zeros(time_s.size), _COLUMNS)
        axes.plot(
            time_s[few], np.full(few.size, height_us), linestyle="none", marker=mark,
            markersize=5, color=ALARM, markeredgewidth=1.0, zorder=4, clip_on=False,
        )  # fmt: skip
        labels.append(_Label(height_us, f"{_pulses(time_s.size)} {words}", ALARM, mark))
    return labels


def _draw_labels(axes: Axes, labels: list[_Label]) -> None:
    """Write the labels beside the drawn part, each with its mark and a line to its height."""
    bottom_us, top_us = axes.get_ylim()
    ordered = sorted(labels, key=lambda label: label.height_us)
    gap_us = LABEL_IN / DRAWN_HIGH_IN * (top_us - bottom_us)
    places_us = spread([label.height_us for label in ordered], gap_us, bottom_us, top_us)
    across = axes.get_yaxis_transform()
    for label, place_us in zip(ordered, places_us, strict=True):
        axes.plot(
            [1.003, 1.025], [label.height_us, place_us], transform=across,
            color=label.colour, linewidth=0.6, clip_on=False,
        )  # fmt: skip
        if label.mark:
            axes.plot(
                [1.04], [place_us], transform=across, clip_on=False, marker=label.mark,
                color=DWELL if label.mark == _BAR else label.colour, markerfacecolor="none",
                markersize=5, markeredgewidth=4.0 if label.mark == _BAR else 1.0,
            )  # fmt: skip
        axes.text(
            1.057 if label.mark else 1.03, place_us, label.words, transform=across,
            color=label.colour, va="center",
        )  # fmt: skip


def _alt(channel: ChannelFindings, travel: Travel, recorded: Span) -> str:
    table = channel.table
    width_us = table.width_us[table.measured]
    lasts_s = recorded.end_s - recorded.start_s
    told = [
        f"Pulse width over {lasts_s:.1f} s: {_pulses(width_us.size)} between "
        f"{width_us.min():.1f} and {width_us.max():.1f} us, against a convention of "
        f"{table.convention.low_us:g} to {table.convention.high_us:g} us."
    ]
    levels = [f"{name} {level.width_us:.1f} us" for name, level in named_levels(travel)]
    if levels:
        told.append(f"Marked dwells: {', '.join(levels)}.")
    for flag, words in (
        (Flag.GLITCH | Flag.NOTCHED, "glitches"),
        (Flag.FOREIGN, "that are no servo pulses"),
    ):
        count = int(np.count_nonzero(table.has(flag)))
        if count:
            told.append(f"{_pulses(count)} marked as {words}.")
    assert channel.losses is not None
    events = channel.losses.events
    told += [f"Signal lost: {', '.join(format_loss(event))}." for event in events[:6]]
    if len(events) > 6:
        told.append(f"{len(events) - 6} more losses are in the table.")
    return " ".join(told)


MAX_BINS: Final = 110
_WHOLE_IN: Final = 4.1
_CLOSE_IN: Final = 2.1
_HIGH_IN: Final = 2.0


def histogram(result: ChannelResult, *, recording: int = 0, ax: Axes | None = None) -> Axes:
    """Draw how often each pulse width of a line was seen outside loss spans.

    Parameters
    ----------
    result : ChannelFindings, or what has several as ``channels``
        Such as ``findings["RX1"]`` or ``analysis["RX1"]``.
    recording : int, optional
        Which of several recordings.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        Width in microseconds, pulses on a logarithmic scale, so that a single one shows.

    Raises
    ------
    ArgumentError
        If the result is something else, or shows no servo pulses.

    Examples
    --------
    >>> import pwmscope
    >>> analysis = pwmscope.analyse("captures/clean-sweep.csv")
    >>> histogram(analysis["RX1"]).get_yscale()
    'log'
    """
    channel = channel_of(result, recording)
    ax = axes_on(ax, (WIDTH_IN, 2.85), (0.75, 0.55, WIDTH_IN - 1.0, _HIGH_IN))
    _draw_whole(ax, channel, _widths_us(channel))
    return ax


def _widths_us(channel: ChannelFindings) -> FloatArray:
    table = channel.table
    return table.width_us[table.measured & ~inside(channel.loss_spans, table.rise_s)]


def draw_width_histogram(channel: ChannelFindings) -> Picture:
    """Draw the histogram of a channel's widths outside loss spans.

    Beside it the widths about the longest-held level are drawn close up, with the
    sampling floor as a bar, where there is such a level.
    """
    travel, timing, table = channel.travel, channel.timing, channel.table
    assert travel is not None  # a servo channel has both
    assert timing is not None
    width_us = _widths_us(channel)
    close = _closest(travel)
    jitter = timing.own_width_jitter_us
    figure = Figure((WIDTH_IN, 2.85))
    whole_in = _WHOLE_IN if close and jitter.rms is not None else WIDTH_IN - 1.0
    bin_us = _draw_whole(panel(figure, 0.75, 0.55, whole_in, _HIGH_IN), channel, width_us)
    close_words = ""
    if close is not None and jitter.rms is not None:
        axes = panel(figure, 0.75 + _WHOLE_IN + 0.7, 0.55, _CLOSE_IN, _HIGH_IN)
        close_words = _draw_close(axes, table, width_us, close, jitter)
    convention = table.convention
    spread = f"from {width_us.min():.1f} to {width_us.max():.1f} us" if width_us.size else ""
    return Picture(
        "width-histogram",
        to_svg(figure),
        "How often each pulse width was seen outside loss spans. The left scale is logarithmic, "
        "so that a single pulse shows. Grey band: the convention's range. Hatched bars lie "
        "outside it. The sampling floor is the scatter that sampling alone gives."
        + (f" {close_words}" if close_words else ""),
        f"Histogram of {width_us.size} pulse widths {spread} in bins of {bin_us:g} us. The "
        f"convention's range is {convention.low_us:g} to {convention.high_us:g} us; "
        f"{_format_floor(jitter)}. {close_words}".rstrip(),
    )


def _format_floor(jitter: Jitter) -> str:
    floor_us = jitter.sampling_floor_rms
    if floor_us is None:
        return "sampling floor not known"
    return f"sampling floor {_digits(floor_us)} us RMS"


def _digits(value: float) -> str:
    return f"{value:.3f}" if value < 1 else f"{value:.2f}"


def _closest(travel: Travel) -> tuple[str, Level] | None:
    """Choose the level that most pulses were seen at."""
    return max(
        named_levels(travel),
        key=lambda named: (sum(visit.pulses for visit in named[1].visits), named[0] == "neutral"),
        default=None,
    )


def _bins(low_us: float, high_us: float, interval_us: float | None, most: int) -> FloatArray:
    """Borders of at most ``most + 2`` bins.

    A bin is a round number of microseconds wide, or a whole number of sample
    intervals where these are coarser, and begins half-way between two samples'
    widths, so that no sampled width lies on a border.
    """
    span_us = max(high_us - low_us, 1e-3)
    grid_us = interval_us or 0.0
    if grid_us * 8 < span_us / most:
        # fine sampling: the comb of sampled widths is far narrower than a bin
        step_us = _round_up(span_us / most)
        start_us = math.floor(low_us / step_us) * step_us - grid_us / 2
    else:
        step_us = grid_us * math.ceil(span_us / most / grid_us)
        start_us = (math.floor(low_us / grid_us) - 0.5) * grid_us
    count = math.floor((high_us - start_us) / step_us) + 1
    return start_us + step_us * np.arange(count + 1, dtype=np.float64)


def _round_up(least: float) -> float:
    power: float = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= least * 0.999)


def _draw_bars(axes: Axes, counts: npt.NDArray[np.intp], borders_us: FloatArray) -> PolyCollection:
    """Draw bars that stand on zero as one collection: a patch each takes ten times as long."""
    shown = counts > 0
    left_us, right_us = borders_us[:-1][shown], borders_us[1:][shown]
    high = counts[shown].astype(np.float64)
    corners = np.stack(
        [left_us, 0 * high, left_us, high, right_us, high, right_us, 0 * high], axis=1
    )
    bars = PolyCollection(
        list(corners.reshape(-1, 4, 2)), facecolors=INK, edgecolors="white", linewidths=0.3,
        zorder=2,
    )  # fmt: skip
    axes.add_collection(bars)
    return bars


def _draw_whole(axes: Axes, channel: ChannelFindings, width_us: FloatArray) -> float:
    """Draw the whole travel; return the width of a bin in microseconds."""
    assert channel.timing is not None
    table, jitter = channel.table, channel.timing.own_width_jitter_us
    convention = table.convention
    low_us = min(convention.low_us, float(width_us.min()) if width_us.size else math.inf)
    high_us = max(convention.high_us, float(width_us.max()) if width_us.size else -math.inf)
    borders_us = _bins(low_us, high_us, table.sample_interval_us, MAX_BINS)
    bin_us = float(borders_us[1] - borders_us[0])
    axes.axvspan(convention.low_us, convention.high_us, color=BAND, zorder=0, linewidth=0)
    for level_us, dash in (
        (convention.low_us, "-"),
        (convention.neutral_us, "--"),
        (convention.high_us, "-"),
    ):
        axes.axvline(level_us, color=GREY, linewidth=0.7, linestyle=dash, zorder=1)
    counts, _ = np.histogram(width_us, borders_us)
    outside = (borders_us[1:] <= convention.low_us) | (borders_us[:-1] >= convention.high_us)
    _draw_bars(axes, np.where(outside, 0, counts), borders_us)
    _draw_bars(axes, np.where(outside, counts, 0), borders_us).set(
        facecolor="white", edgecolor=outside_colour(channel), hatch="xxxx", linewidth=0.8
    )
    axes.set_yscale("log")
    axes.set_ylim(0.5, max(10.0, 2.0 * width_us.size))
    axes.yaxis.set_major_formatter("{x:g}")
    margin_us = 0.03 * (high_us - low_us)
    axes.set_xlim(low_us - margin_us, high_us + margin_us)
    axes.set_xlabel("pulse width (us)")
    axes.set_ylabel(f"pulses in each {bin_us:g} us")
    axes.set_title(
        f"convention {convention.low_us:g} to {convention.high_us:g} us; {_format_floor(jitter)}",
        loc="left",
    )
    return bin_us


def _draw_close(
    axes: Axes, table: PulseTable, width_us: FloatArray, close: tuple[str, Level], jitter: Jitter
) -> str:
    """Draw the widths about one level; return a sentence about what is drawn."""
    name, level = close
    rms_us = jitter.rms or 0.0
    reach_us = max(5.0 * rms_us, 4.0 * (table.sample_interval_us or 0.0), 0.1)
    near_us = width_us[np.abs(width_us - level.width_us) <= reach_us]
    borders_us = _bins(
        level.width_us - reach_us, level.width_us + reach_us, table.sample_interval_us, 24
    )
    counts, _ = np.histogram(near_us, borders_us)
    _draw_bars(axes, counts, borders_us)
    tallest = float(counts.max(initial=0))
    axes.set_ylim(0.0, max(1.0, tallest) * 1.45)
    axes.set_xlim(level.width_us - 1.15 * reach_us, level.width_us + 1.15 * reach_us)
    axes.locator_params(axis="x", nbins=4)
    floor_us = jitter.sampling_floor_rms
    for half_us, place, words, weight in (
        (rms_us, 1.28, f"jitter ±{_digits(rms_us)}", 1.4),
        (floor_us, 1.1, f"sampling floor ±{_digits(floor_us or 0.0)}", 2.8),
    ):
        if half_us is None:
            continue
        height = max(1.0, tallest) * place
        axes.plot(
            [level.width_us - half_us, level.width_us + half_us], [height] * 2,
            color=INK if place > 1.2 else ALARM, linewidth=weight, marker="|", markersize=6,
        )  # fmt: skip
        axes.annotate(
            f"{words} us", (level.width_us, height), (0, 4), textcoords="offset points",
            ha="center", va="bottom",
        )  # fmt: skip
    axes.set_xlabel("pulse width (us)")
    axes.set_ylabel("pulses")
    axes.set_title(f"close up: {name}", loc="left")
    return (
        f"The close-up shows {near_us.size} pulses within {_digits(reach_us)} us of the {name}, "
        f"{level.width_us:.1f} us; RMS jitter over all dwells {_digits(rms_us)} us."
    )


_SPECTRUM_HIGH_IN: Final = 1.9
_TOLD: Final = 3
"""So many lines are named on the picture."""


def draw_jitter_spectra(channel: ChannelFindings) -> tuple[Picture, ...]:
    """Draw the spectrum of the width, and of the time error, if a line counts in it."""
    rhythm = channel.rhythm
    if rhythm is None:
        return ()
    searched = (("width", rhythm.width), ("time-error", rhythm.time_error))
    return tuple(_drawn(name, found) for name, found in searched if found and found.spectrum)


def _drawn(name: str, search: LineSearch) -> Picture:
    spectrum = search.spectrum
    assert spectrum is not None  # only such are drawn
    figure = Figure((WIDTH_IN, 0.95 + _SPECTRUM_HIGH_IN))
    axes = panel(figure, 0.75, 0.55, WIDTH_IN - 1.1, _SPECTRUM_HIGH_IN)
    axes.vlines(spectrum.frequency_hz, 0.0, spectrum.amplitude_us, color=INK, linewidth=0.8)
    top_us = 1.25 * max(float(spectrum.amplitude_us.max()), search.lines[0].amplitude_us)
    axes.set_ylim(0.0, top_us)
    axes.set_xlim(0.0, search.high_hz)
    axes.plot(
        [search.low_hz, search.high_hz], [search.least_low_us, search.least_high_us],
        color=GREY, linewidth=0.9, linestyle=(0, (5, 3)),
    )  # fmt: skip
    for line in search.lines[:_TOLD]:
        right = line.frequency_hz > 0.8 * search.high_hz
        axes.annotate(
            f"{line.frequency_hz:.2f} Hz, {line.amplitude_us:.2f} us",
            (line.frequency_hz, line.amplitude_us), (-4 if right else 4, 4),
            textcoords="offset points", ha="right" if right else "left", color=INK,
        )  # fmt: skip
    axes.set_xlabel("frequency (Hz)")
    axes.set_ylabel("amplitude (us)")
    what = {"width": "pulse width while the stick stood still", "time-error": "time error"}[name]
    told = ", ".join(f"{li.amplitude_us:.2f} us at {li.frequency_hz:.2f} Hz" for li in search.lines)
    return Picture(
        f"{name}-spectrum",
        to_svg(figure),
        f"Rhythm in the {what}: amplitude by frequency, the largest of each band. Dashed: what "
        "would have been seen with a probability of 95 %, from lowest to highest frequency.",
        f"Spectrum of the {what}, {search.low_hz:.2f} to {search.high_hz:.2f} Hz; lines: {told}.",
    )


def draw_channel(channel: ChannelFindings, capture: Capture) -> tuple[Picture, ...]:
    """Draw a channel: its first frames, width over time, histogram, and rhythms if any.

    A line that does not carry servo pulses has only its first edges drawn, and
    a line that never changes has no picture.

    >>> import numpy as np
    >>> from pwmscope.capture import Capture, Line
    >>> from pwmscope.findings import examine
    >>> rise_us = 5_000 + 20_000 * np.arange(100)
    >>> edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    >>> line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, initial_level=0)
    >>> capture = Capture({"RX1": line}, 2_000_000_000_000, 1e6, "an example")
    >>> channel = examine(capture).channels["RX1"]
    >>> [picture.name for picture in draw_channel(channel, capture)]
    ['first-frames', 'width-over-time', 'width-histogram']
    """
    line = capture.lines[channel.line]
    with house_style():
        drawn: list[Picture] = []
        if line.edges_ps.size:
            drawn.append(draw_first_frames(channel, line, Span(capture.start_s, capture.end_s)))
        if channel.not_servo is None:
            drawn.append(draw_width_over_time(channel, Span(capture.start_s, capture.end_s)))
            drawn.append(draw_width_histogram(channel))
            drawn += draw_jitter_spectra(channel)
    return tuple(drawn)
