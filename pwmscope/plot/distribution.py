"""The pictures of a width's scatter: how often each was seen, and at which rhythm it jitters."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from pwmscope.findings import ChannelFindings
from pwmscope.findings.timing import Jitter, LineSearch
from pwmscope.findings.travel import Level, Travel
from pwmscope.model import inside
from pwmscope.plot.style import (
    WIDTH_IN,
    ChannelResult,
    Picture,
    channel_of,
    new_axes,
    outside_colour,
    panel,
    to_svg,
)
from pwmscope.plot.svg import ALARM, BAND, GREY, INK
from pwmscope.pulses import PulseTable

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
    if ax is None:
        ax = new_axes((WIDTH_IN, 2.85), (0.75, 0.55, WIDTH_IN - 1.0, _HIGH_IN))
    _draw_whole(ax, channel, _widths_us(channel))
    return ax


def _widths_us(channel: ChannelFindings) -> npt.NDArray[np.float64]:
    table = channel.table
    widths: npt.NDArray[np.float64] = table.width_us[
        table.measured & ~inside(channel.loss_spans, table.rise_s)
    ]
    return widths


def draw_width_histogram(channel: ChannelFindings) -> Picture:
    """Draw the histogram of a channel's widths outside loss spans.

    Beside it the widths about the longest-held level are drawn close up, with the
    sampling floor as a bar, where there is such a level.

    Parameters
    ----------
    channel : ChannelFindings
        Findings of a line with servo pulses.

    Returns
    -------
    Picture
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
    named = [
        (name, level)
        for name, level in (
            ("neutral", travel.neutral),
            ("low endpoint", travel.low),
            ("high endpoint", travel.high),
        )
        if level is not None
    ]
    return max(
        named, key=lambda entry: sum(visit.pulses for visit in entry[1].visits), default=None
    )


def _bins(
    low_us: float, high_us: float, interval_us: float | None, most: int
) -> npt.NDArray[np.float64]:
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


def _draw_bars(
    axes: Axes, counts: npt.NDArray[np.intp], borders_us: npt.NDArray[np.float64]
) -> PolyCollection:
    """Draw bars that stand on zero as one collection: a patch each takes ten times as long."""
    shown = counts > 0
    left_us, right_us = borders_us[:-1][shown], borders_us[1:][shown]
    high = counts[shown].astype(np.float64)
    corners = np.stack(
        [left_us, 0 * high, left_us, high, right_us, high, right_us, 0 * high], axis=1
    )
    bars = PolyCollection(
        list(corners.reshape(-1, 4, 2)),
        facecolors=INK,
        edgecolors="white",
        linewidths=0.3,
        zorder=2,
    )
    axes.add_collection(bars)
    return bars


def _draw_whole(axes: Axes, channel: ChannelFindings, width_us: npt.NDArray[np.float64]) -> float:
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
    axes: Axes,
    table: PulseTable,
    width_us: npt.NDArray[np.float64],
    close: tuple[str, Level],
    jitter: Jitter,
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
    """Draw the spectrum of the width, and of the time error, if a line counts in it.

    Parameters
    ----------
    channel : ChannelFindings
        Findings of a line with servo pulses.

    Returns
    -------
    tuple of Picture
        ``width-spectrum`` and ``time-error-spectrum``, each where a rhythm was found.
    """
    rhythm = channel.rhythm
    if rhythm is None:
        return ()
    searched = (("width", rhythm.width), ("time-error", rhythm.time_error))
    return tuple(
        _drawn(name, search)
        for name, search in searched
        if search is not None and search.spectrum is not None
    )


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
