"""All findings of a recording."""

from __future__ import annotations

import numpy as np

from pwmscope.bench import COMMON_PRACTICE, Limits
from pwmscope.capture import Capture
from pwmscope.errors import HintError
from pwmscope.findings.centring import examine_centring
from pwmscope.findings.coincidence import examine_coincidence
from pwmscope.findings.dwells import Dwells, find_dwells
from pwmscope.findings.glitches import examine_glitches
from pwmscope.findings.losses import Loss, inferred_losses, marked_losses
from pwmscope.findings.other_lines import why_not_servo
from pwmscope.findings.record import Record
from pwmscope.findings.resolution import examine_resolution
from pwmscope.findings.results import ChannelFindings, Findings
from pwmscope.findings.rhythm import examine_rhythm
from pwmscope.findings.silence import LossClass, LossEvent, Silence, examine_silence
from pwmscope.findings.skew import examine_order
from pwmscope.findings.spans import Span, inside
from pwmscope.findings.stability import examine_stability
from pwmscope.findings.sweep import examine_sweeps
from pwmscope.findings.timing import examine_timing
from pwmscope.findings.travel import examine_travel
from pwmscope.pulses import (
    Convention,
    Frames,
    PulseTable,
    decode,
    find_frames,
    split_sum_trains,
)


def examine(
    capture: Capture,
    *,
    off_line: str | None = None,
    convention: Convention | None = None,
    limits: Limits = COMMON_PRACTICE,
) -> Findings:
    """Find out everything about every channel of a recording.

    Parameters
    ----------
    capture : Capture
        The recording.
    off_line : str, optional
        A line that shows whether the transmitter is on: its level at the start
        means on, the other off. Without it, losses are inferred from the
        outputs, which cannot show a hold.
    convention : Convention, optional
        What the pulses are held against; by default each line's is chosen from
        its pulses, and said where it is not the standard servo convention.
    limits : Limits, optional
        What the other figures are held against, for a convention that spans
        1000 us; they are scaled to the others.

    Returns
    -------
    Findings

    Raises
    ------
    HintError
        If ``off_line`` is not a line of the capture, or never changes.

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
    if off_line is not None and off_line not in capture.lines:
        raise HintError(
            f"There is no line '{off_line}' in {capture.source}; "
            f"its lines are {', '.join(capture.lines)}."
        )
    capture = split_sum_trains(capture)
    tables = {name: t for name, t in decode(capture, convention).items() if name != off_line}
    refused = {
        name: why
        for name, t in tables.items()
        if (why := why_not_servo(t, capture.lines[name])) is not None
    }
    servo = {name: table for name, table in tables.items() if name not in refused}
    frames = {name: find_frames(table) for name, table in servo.items()}
    whole = {name: find_dwells(table, frames[name]) for name, table in servo.items()}
    losses, said = _losses(capture, servo, whole, off_line)
    heard = {
        name: _listen(table, frames[name], whole[name], losses, limits, end_s=capture.end_s)
        for name, table in servo.items()
    }
    channels = {
        name: _channel(*heard[name], Span(capture.start_s, capture.end_s))
        if name in servo
        else ChannelFindings(name, table, 0, refused[name], None, None, None, ())
        for name, table in tables.items()
    }
    records = {name: record for name, (record, _) in heard.items()}
    glitches = {name: c.glitches for name, c in channels.items() if c.glitches is not None}
    order = examine_order(records)
    coincidence = examine_coincidence(glitches, records, order.grouping.groups)
    notes = (f"Line {name}: {note}" for name, t in tables.items() for note in t.notes)
    assumptions = (*capture.assumptions, *said, *notes, *_FIXED)
    return Findings(capture, limits, channels, order, coincidence, assumptions)


_FIXED = (
    "Endpoints are the outermost dwells; they are the channel's own only if the stick was held "
    "at its ends.",
    "An edge is timed at the first sample that shows it.",
    "The analyser's clock is taken to be right within 100 ppm (common practice).",
)


def _losses(
    capture: Capture,
    servo: dict[str, PulseTable],
    whole: dict[str, Dwells],
    off_line: str | None,
) -> tuple[tuple[Loss, ...], tuple[str, ...]]:
    if off_line is not None:
        marker = capture.lines[off_line]
        level = "high" if marker.initial_level else "low"
        said = f"Line {off_line} is the marker: {level}, as at the start, means transmitter on."
        return marked_losses(marker, capture.end_s, frozenset(servo)), (said,)
    return inferred_losses(servo, whole, capture.end_s), (
        "No marker line is named, so losses are inferred from the outputs; "
        "a held output cannot be told from an idle stick that way.",
    )


def _over_s(loss: Loss, event: LossEvent, end_s: float) -> float:
    """Return when a loss is over for a channel; silence lasts until its own next pulse."""
    if event.recovered_s is not None:
        return max(loss.back_s, event.recovered_s)
    return end_s if event.behaviour is LossClass.PULSES_STOP else loss.back_s


def _listen(
    table: PulseTable,
    frames: Frames,
    whole: Dwells,
    losses: tuple[Loss, ...],
    limits: Limits,
    *,
    end_s: float,
) -> tuple[Record, Silence]:
    """Say what one channel did at each loss; the rest of it is its record."""
    own = tuple(loss for loss in losses if table.line in loss.lines)
    breaks = sorted({moment for loss in own for moment in (loss.lost_s, loss.back_s)})
    dwells = find_dwells(table, frames, tuple(breaks)) if breaks else whole
    limits = limits.scaled(table.convention.span_us)
    silence = examine_silence(table, dwells, own, limits)
    spans = tuple(
        Span(event.lost_s, _over_s(loss, event, end_s))
        for loss, event in zip(own, silence.events, strict=True)
    )
    following = dwells.select(~inside(spans, dwells.start_s))
    return Record(table, frames, following, spans, limits), silence


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
