"""The pictures of one channel; they draw results and measure nothing."""

from __future__ import annotations

from pwmscope.capture import Capture
from pwmscope.findings import ChannelFindings
from pwmscope.model import Span
from pwmscope.plot import (
    Picture,
    draw_first_frames,
    draw_jitter_spectra,
    draw_width_histogram,
    draw_width_over_time,
    house_style,
)


def draw_channel(channel: ChannelFindings, capture: Capture) -> tuple[Picture, ...]:
    """Draw a channel: its first frames, width over time, histogram, and rhythms if any.

    A line that does not carry servo pulses has only its first edges drawn, and
    a line that never changes has no picture.

    Examples
    --------
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
