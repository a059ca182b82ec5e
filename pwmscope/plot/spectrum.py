"""The picture of a channel's jitter by frequency, drawn where a rhythm stands out."""

from __future__ import annotations

from typing import Final

from matplotlib.figure import Figure

from pwmscope.findings import ChannelFindings
from pwmscope.findings.timing import LineSearch
from pwmscope.plot.style import GREY, INK, WIDTH_IN, Picture, panel, to_svg

_HIGH_IN: Final = 1.9
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
    figure = Figure((WIDTH_IN, 0.95 + _HIGH_IN))
    axes = panel(figure, 0.75, 0.55, WIDTH_IN - 1.1, _HIGH_IN)
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
