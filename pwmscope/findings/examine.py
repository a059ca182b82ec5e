"""All findings of a recording."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pwmscope.bench import BenchSheet, Limits
from pwmscope.capture import Capture
from pwmscope.findings.failsafe import Silence, listen_to
from pwmscope.findings.glitches.coincidence import examine_coincidence
from pwmscope.findings.glitches.glitches import examine_glitches
from pwmscope.findings.receivers.skew import examine_order
from pwmscope.findings.record import Record
from pwmscope.findings.results import ChannelFindings, Findings
from pwmscope.findings.timing.rhythm import examine_rhythm
from pwmscope.findings.timing.stability import examine_stability
from pwmscope.findings.timing.timing import examine_timing
from pwmscope.findings.travel.centring import examine_centring
from pwmscope.findings.travel.resolution import examine_resolution
from pwmscope.findings.travel.sweep import examine_sweeps
from pwmscope.findings.travel.travel import examine_travel
from pwmscope.model.spans import Span
from pwmscope.pulses import Convention


def examine(
    capture: Capture,
    *,
    off_line: str | None = None,
    off_at_s: Sequence[tuple[float, float]] = (),
    sheet: BenchSheet | None = None,
    convention: Convention | None = None,
    limits: Limits | None = None,
) -> Findings:
    """Find out everything about every channel of a recording.

    Parameters
    ----------
    capture : Capture
        The recording.
    off_line : str, optional
        A line that shows whether the transmitter is on: its level at the start
        means on, the other off. By default the bench sheet's. Without a marker or
        stated times, losses are inferred from the outputs, which cannot show a hold.
    off_at_s : sequence of tuple of float, optional
        Times in seconds at which the transmitter went off, each with the half-width
        of its uncertainty, where there is no marker.
    sheet : BenchSheet, optional
        What is on each line; without it no channel can be said to stop in time.
    convention : Convention, optional
        What the pulses are held against; by default each line's is chosen from
        its pulses, and said where it is not the standard servo convention.
    limits : Limits, optional
        What the figures are held against, for a convention that spans 1000 us; they
        are scaled to the others. By default the sheet's, or common practice.

    Returns
    -------
    Findings

    Raises
    ------
    HintError
        If ``off_line`` is not a line of the capture or marks nothing, a stated time
        lies outside it, or both are given.

    Examples
    --------
    >>> import numpy as np
    >>> from pwmscope.capture import Capture, Line
    >>> rise_us = 5_000 + 20_000 * np.arange(100)
    >>> edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    >>> line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, initial_level=0)
    >>> capture = Capture({"RX1": line}, 2_000_000_000_000, 1e6, "an example")
    >>> channel = examine(capture).channels["RX1"]
    >>> channel.travel.neutral_offset_us, channel.timing.frame_rate_hz
    (20.0, 50.0)
    >>> channel.silence.finding.verdict.value
    'not shown'
    """
    listened = listen_to(
        capture,
        off_line=off_line,
        off_at_s=off_at_s,
        sheet=sheet,
        convention=convention,
        limits=limits,
    )
    lines, heard = listened.lines, listened.heard
    capture, limits = lines.capture, limits or listened.marking.limits
    channels = {
        name: _channel(
            heard.records[name], heard.silences[name], Span(capture.start_s, capture.end_s)
        )
        if name not in lines.refused
        else ChannelFindings(name, table, 0, lines.refused[name], None, None, None, ())
        for name, table in lines.tables.items()
    }
    glitches = {name: c.glitches for name, c in channels.items() if c.glitches is not None}
    order = examine_order(heard.records)
    coincidence = examine_coincidence(glitches, heard.records, order.grouping.groups)
    assumptions = (*capture.assumptions, *heard.said, *lines.notes, *_FIXED)
    return Findings(capture, limits, channels, order, coincidence, assumptions, listened)


_FIXED = (
    "Endpoints are the outermost dwells; they are the channel's own only if the stick was held "
    "at its ends.",
    "An edge is timed at the first sample that shows it.",
    "The analyser's clock is taken to be right within 100 ppm (common practice).",
)


def _channel(record: Record, silence: Silence, recorded: Span) -> ChannelFindings:
    table = record.table
    timing, travel = examine_timing(record), examine_travel(record)
    return ChannelFindings(
        table.line,
        table,
        int(np.count_nonzero(table.measured)),
        None,
        timing,
        travel,
        silence,
        record.losses,
        examine_rhythm(record, timing.clock),
        examine_stability(record, timing.clock),
        examine_glitches(record, recorded),
        examine_resolution(record, travel.moves),
        examine_centring(record, travel),
        examine_sweeps(record, travel),
    )
