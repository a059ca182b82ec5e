"""Delay and transfer from one line to another."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from pwmscope.findings.lag import delay_findings as told
from pwmscope.findings.lag.content import Content, find_content
from pwmscope.findings.lag.correlation import Correlation, correlate_changes
from pwmscope.findings.lag.delay import Delay, Trigger, measure_delay
from pwmscope.findings.lag.latch import find_latches
from pwmscope.findings.lag.pairs import Pairs, pair_by_content, pair_by_edges
from pwmscope.findings.lag.train import MIN_PULSES, Train, train_of
from pwmscope.findings.lag.transfer import Transfer, measure_transfer
from pwmscope.findings.lag.transfer_findings import NAMES, no_transfer, transfer_findings
from pwmscope.findings.lag.width_jitter import (
    AddedJitter,
    added_jitter_finding,
    measure_added_jitter,
)
from pwmscope.findings.segmentation import Record
from pwmscope.model import Finding, format_list, not_shown


@dataclass(frozen=True, slots=True)
class Lag:
    """What comes out of an output line for what goes into an input line, and how late.

    Parameters
    ----------
    source, output : str
        The lines' names.
    delay : Delay or None
        Delays from leading edge to leading edge; None with too few pulses.
    content : Content or None
        What the widths tell of which pulse carries which.
    correlation : Correlation or None
        What the changes of width tell; None for a mixed output. The input's are put
        through the curve where there is one.
    pairs : Pairs or None
        Which output pulse belongs to which input pulse.
    transfer : Transfer or None
        Output width over input width; None where one input does not explain it.
    jitter : AddedJitter or None
        Width jitter of both lines and what is added.
    findings : tuple of Finding
        Those of `pwmscope.findings.lag.DEFINITIONS`, in that order.
    others : tuple of str
        Further inputs that were taken as mixed into the output.
    """

    source: str
    output: str
    delay: Delay | None
    content: Content | None
    correlation: Correlation | None
    pairs: Pairs | None
    transfer: Transfer | None
    jitter: AddedJitter | None
    findings: tuple[Finding, ...]
    others: tuple[str, ...] = ()

    @property
    def answer(self) -> Finding:
        """The finding ``delay``, by the widths where they tell it."""
        return self.findings[0]

    @property
    def by_content(self) -> bool:
        """Whether the widths tell which output pulse carries which input pulse."""
        return self.pairs is not None and self.pairs.by_content


def examine_lag(record_in: Record, record_out: Record, others: tuple[Record, ...] = ()) -> Lag:
    """Measure delay and transfer from an input line to an output line.

    Parameters
    ----------
    record_in, record_out : Record
        The line before and the line after a device: a mixing converter, a gyro, a
        servo slower.
    others : tuple of Record, optional
        Further inputs that are mixed into the output.

    Returns
    -------
    Lag
        With a reason for whatever the recording does not show.
    """
    names = record_in.table.line, record_out.table.line
    source, output = train_of(record_in), train_of(record_out)
    if source is None or output is None:
        return _nothing(*names, _too_few(names[0] if source is None else names[1]))
    mixed = tuple(train_of(other) for other in others)
    for other, train in zip(others, mixed, strict=True):
        if train is None:
            return _nothing(*names, _too_few(other.table.line))
    further = tuple(train for train in mixed if train is not None)
    content = find_content(source, output, further)
    newest = pair_by_edges(source, output)
    is_told = content is not None and content.explained and content.resolved
    pairs = pair_by_content(source, output, content) if is_told and content else newest
    delay = measure_delay(source, output, pairs, newest)
    if delay is None:
        return _nothing(*names, _apart(*names))
    transfer, given = None, source
    if is_told and not others:
        transfer = measure_transfer(source, output, pairs, (record_in, record_out))
    if transfer is not None and content is not None and delay.trigger is Trigger.OWN_CLOCK:
        latches = find_latches(source, output, pairs, content, transfer.curve)
        content = latches.content
        pairs = pair_by_content(source, output, content)
        delay = measure_delay(source, output, pairs, newest, latches)
        transfer = measure_transfer(source, output, pairs, (record_in, record_out), latches)
    if delay is None:
        return _nothing(*names, _apart(*names))
    if transfer is not None:
        given = replace(source, width_us=transfer.curve.of(source.width_us))
    correlation = None if others else correlate_changes(given, output)
    jitter = None
    if transfer is not None:
        dwells = record_in.dwells, record_out.dwells
        jitter = measure_added_jitter(source, output, pairs, dwells, transfer.curve.gain.value)
    inputs = tuple(other.table.line for other in others)
    found = _findings(
        source, output, record_out,
        Lag(*names, delay, content, correlation, pairs, transfer, jitter, (), inputs),
    )  # fmt: skip
    return Lag(*names, delay, content, correlation, pairs, transfer, jitter, found, inputs)


def _findings(source: Train, output: Train, record: Record, lag: Lag) -> tuple[Finding, ...]:
    delay, pairs, transfer = lag.delay, lag.pairs, lag.transfer
    assert delay is not None  # examine_lag has measured it
    assert pairs is not None
    seen = record.evidence(output.rows[pairs.output])
    later_us = 0.0
    if transfer is not None and transfer.memory.smoothed:
        later_us = transfer.memory.centre_frames * source.period_us
    answer = told.content_finding(
        source, output, delay, content=lag.content, correlation=lag.correlation,
        evidence=seen, by_content=pairs.by_content, later_us=later_us,
    )  # fmt: skip
    reason = _NO_CURVE.format(source=source.line, output=output.line)
    if lag.others and lag.by_content and lag.content is not None:
        reason = _format_mix(lag, lag.content.weights)
    if lag.jitter is not None:
        jitter = added_jitter_finding(lag.jitter, source.line, output.line, record)
    else:
        jitter = not_shown("added width jitter", "us", reason)
    return (
        answer,
        told.edge_finding(source, output, delay, seen),
        told.jitter_finding(output, delay, seen),
        told.beat_finding(source, output, delay),
        *told.count_findings(source, output, pairs, delay, seen),
        jitter,
        *(
            no_transfer(reason)
            if transfer is None
            else transfer_findings(source, output, transfer, seen)
        ),
    )


def _format_mix(lag: Lag, weights: tuple[float, ...]) -> str:
    mix = format_list(
        [
            f"{weight:.2f} of {line}"
            for weight, line in zip(weights, (lag.source, *lag.others), strict=True)
        ]
    )
    return (
        f"{lag.output} is mixed from {mix}, so there is no curve from one input alone. For that, "
        f"record again while only the stick of {lag.source} moves."
    )


_NO_CURVE: Final = (
    "One input, {source}, is not shown to explain the width of {output}, so there is no curve from "
    "one to the other. Record again while only the stick of {source} moves, from end to end."
)
_UNITS: Final = (
    ("delay", "ms"),
    ("start after input", "us"),
    ("added start jitter", "us"),
    ("beat of the clocks", "s"),
    ("input frames without output", ""),
    ("repeated outputs", ""),
    ("outputs without input", ""),
    ("added width jitter", "us"),
    *NAMES,
)


def _nothing(source: str, output: str, reason: str) -> Lag:
    found = tuple(not_shown(name, unit, reason) for name, unit in _UNITS)
    return Lag(source, output, None, None, None, None, None, None, found)


def _too_few(line: str) -> str:
    return (
        f"{line} has fewer than {MIN_PULSES} whole servo pulses outside signal loss. Check its "
        "wire and ground, and record ten seconds or more while the device is powered."
    )


def _apart(source: str, output: str) -> str:
    return (
        f"{source} and {output} hardly ever had pulses at the same time. Record ten seconds or "
        "more while both are powered."
    )
