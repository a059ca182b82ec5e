"""Delay and transfer from one line to another, and which line follows which."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.lag.answers import (
    NAMES,
    beat_finding,
    content_finding,
    count_findings,
    edge_finding,
    format_ms,
    jitter_finding,
    no_transfer,
    transfer_findings,
)
from pwmscope.findings.lag.content import MIN_PULSES, Content, Train, find_content, train_of
from pwmscope.findings.lag.delay import (
    Correlation,
    Delay,
    Trigger,
    correlate_changes,
    measure_delay,
)
from pwmscope.findings.lag.pairs import Pairs, find_latches, pair_by_content, pair_by_edges
from pwmscope.findings.lag.transfer import (
    AddedJitter,
    Transfer,
    added_jitter_finding,
    measure_added_jitter,
    measure_transfer,
)
from pwmscope.findings.segmentation import Record
from pwmscope.model import Finding, format_list, measured, not_shown


@dataclass(frozen=True, slots=True)
class Follow:
    """One line whose width is explained by another's.

    Parameters
    ----------
    source, output : str
        The two lines.
    late_us : float
        Median delay from leading edge to leading edge.
    unexplained : float
        Part of the output's variance that is left, 0 to 1.
    together : bool
        Whether the two lines' pulses overlap: then neither is made from the other, they
        carry the same command, or are one wire.
    """

    source: str
    output: str
    late_us: float
    unexplained: float
    side_by_side: bool


@dataclass(frozen=True, slots=True)
class Follows:
    """All pairs of lines of which one explains the other.

    Parameters
    ----------
    pairs : tuple of Follow
        In the recording's order of outputs, the best explanation first.
    findings : tuple of Finding
        One ``follows`` for each line that was asked about.
    """

    pairs: tuple[Follow, ...]
    findings: tuple[Finding, ...]


def find_follows(
    records: Mapping[str, Record], *, source: str | None = None, output: str | None = None
) -> Follows:
    """Find out which lines follow which.

    An output follows an input whose width explains it, at one delay only, and whose
    pulse has ended when the output's begins. Lines that carry the same command side by
    side, such as two outputs of one receiver that one stick moves, move together.

    Parameters
    ----------
    records : mapping of str to Record
        The lines in question.
    source, output : str, optional
        One of them, to ask only what follows it, or what it follows.

    Returns
    -------
    Follows
    """
    trains = {line: train for line, r in records.items() if (train := train_of(r)) is not None}
    pairs: list[Follow] = []
    asked = [line for line in records if output in {None, line}]
    for line in asked:
        sources = [name for name in trains if name != line and source in {None, name}]
        found = [_follow(trains[name], trains[line]) for name in sources if line in trains]
        pairs += sorted(
            (each for each in found if each is not None),
            key=lambda each: (each.side_by_side, each.unexplained),
        )
    findings = tuple(
        _finding(line, [pair for pair in pairs if pair.output == line], trains)
        for line in asked
        if line != source
    )
    return Follows(tuple(pairs), findings)


def _follow(source: Train, output: Train) -> Follow | None:
    content = find_content(source, output)
    if content is None or not (content.explained and content.resolved):
        return None
    pairs = pair_by_content(source, output, content)
    if not len(pairs):
        return None
    late_us = pairs.late_us(source, output)
    after_us = float(np.median(late_us - source.width_us[pairs.source]))
    ahead_us = float(np.median(late_us + output.width_us[pairs.output]))
    floor_us = max(source.interval_us or 0.0, output.interval_us or 0.0)
    if ahead_us < floor_us:
        return None
    return Follow(
        source.line,
        output.line,
        float(np.median(late_us)),
        content.unexplained,
        after_us < -floor_us,
    )


def _finding(line: str, pairs: list[Follow], trains: Mapping[str, Train]) -> Finding:
    if line not in trains:
        return not_shown("follows", "", f"{line} has too few servo pulses to follow any line.")
    if not pairs:
        why = (
            "no other line explains its width at one delay alone"
            if trains[line].moved
            else "its width did not move"
        )
        return not_shown(
            "follows", "",
            f"{line} is not shown to follow another line: {why}. With the weapon removed and the "
            "wheels off the ground, record the inputs too while one stick at a time moves from end "
            "to end.",
        )  # fmt: skip
    behind = [pair for pair in pairs if not pair.side_by_side]
    if not behind:
        names = " and ".join(pair.source for pair in pairs)
        return not_shown(
            "follows",
            "",
            f"{line} moves together with {names}: neither is shown to be made from the other.",
        )
    first = behind[0]
    others = "".join(
        f" So does it {other.source}, {format_ms(other.late_us)} late." for other in behind[1:]
    )
    return measured(
        "follows", first.source, "",
        f"{line} follows {first.source}, {format_ms(first.late_us)} late.{others}",
    )  # fmt: skip


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
    by_content = content is not None and content.explained and content.resolved
    pairs = pair_by_content(source, output, content) if by_content and content else newest
    delay = measure_delay(source, output, pairs, newest)
    if delay is None:
        return _nothing(*names, _apart(*names))
    transfer, given = None, source
    if by_content and not others:
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
    answer = content_finding(
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
        edge_finding(source, output, delay, seen),
        jitter_finding(output, delay, seen),
        beat_finding(source, output, delay),
        *count_findings(source, output, pairs, delay, seen),
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
