"""Delay and transfer from one line to another, and which line follows which."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from pwmscope.findings.lag.answers import (
    OF_TRANSFER,
    UNITS,
    Subject,
    added_jitter_finding,
    beat_finding,
    content_finding,
    count_findings,
    edge_finding,
    format_ms,
    hidden,
    jitter_finding,
    transfer_findings,
)
from pwmscope.findings.lag.delay import Correlation, Delay, correlate_changes, measure_delay
from pwmscope.findings.lag.pairs import (
    MIN_PULSES,
    Content,
    Pairs,
    Train,
    find_content,
    find_latches,
    pair_by_content,
    pair_by_edges,
    train_of,
)
from pwmscope.findings.lag.transfer import (
    AddedJitter,
    Transfer,
    measure_added_jitter,
    measure_transfer,
)
from pwmscope.findings.segmentation import Record
from pwmscope.model import MAX_SPANS, Finding, format_list, measured, median_of, not_shown


@dataclass(frozen=True, slots=True)
class Follow:
    """One line whose width is explained by another's."""

    # The two lines
    source: str
    output: str
    late_us: float  # Median delay from leading edge to leading edge
    unexplained: float  # Part of the output's variance that is left, 0 to 1
    # Whether the two lines' pulses overlap: then neither is made from the other, they carry the
    # same command, or are one wire
    side_by_side: bool


@dataclass(frozen=True, slots=True)
class Follows:
    """All pairs of lines of which one explains the other."""

    pairs: tuple[Follow, ...]  # In the recording's order of outputs, the best explanation first
    findings: tuple[Finding, ...]  # One `follows` for each line that was asked about


def find_follows(
    records: Mapping[str, Record], *, source: str | None = None, output: str | None = None
) -> Follows:
    """Find out which lines follow which.

    An output follows an input whose width explains it, at one delay only, and whose
    pulse has ended when the output's begins. Lines that carry the same command side by
    side, such as two outputs of one receiver that one stick moves, move together. With
    ``source`` only what follows it is asked, with ``output`` what it follows.
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
    after_us = median_of(late_us - source.width_us[pairs.source])
    ahead_us = median_of(late_us + output.width_us[pairs.output])
    floor_us = max(source.interval_us or 0.0, output.interval_us or 0.0)
    if ahead_us < floor_us:
        return None
    return Follow(
        source.line, output.line, median_of(late_us), content.unexplained, after_us < -floor_us
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
            f"{line} is not shown to follow another line: {why}. Weapon removed, wheels off the "
            "ground, robot restrained: record the inputs too. Move one stick at a time from end "
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
    """What comes out of an output line for what goes into an input line, and how late."""

    # The lines' names
    source: str
    output: str
    delay: Delay | None = None  # Delays from leading edge to leading edge; None with too few pulses
    content: Content | None = None  # What the widths tell of which pulse carries which
    # What the changes of width tell; None for a mixed output. The input's are put through the curve
    # where there is one.
    correlation: Correlation | None = None
    pairs: Pairs | None = None  # Which output pulse belongs to which input pulse
    # Output width over input width; None where one input does not explain it
    transfer: Transfer | None = None
    jitter: AddedJitter | None = None  # Width jitter of both lines and what is added
    # Those of `pwmscope.findings.lag.DEFINITIONS`, in that order
    findings: tuple[Finding, ...] = ()
    others: tuple[str, ...] = ()  # Further inputs that were taken as mixed into the output

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

    They lie before and after a device: a mixing converter, a gyro, a servo slower. The others
    are further inputs that are mixed into the output.
    """
    lag = Lag(record_in.table.line, record_out.table.line)
    trains = []
    for record in (record_in, record_out, *others):
        train = train_of(record)
        if train is None:
            return _unanswered(lag, _TOO_FEW.format(line=record.table.line))
        trains.append(train)
    source, output, *further = trains
    content = find_content(source, output, tuple(further))
    newest = pair_by_edges(source, output)
    by_content = content is not None and content.explained and content.resolved
    pairs = pair_by_content(source, output, content) if by_content and content else newest
    delay = measure_delay(source, output, pairs, newest, others=tuple(further))
    transfer = None
    records = record_in, record_out
    if delay is not None and by_content and not others:
        transfer = measure_transfer(source, output, pairs, records)
        if transfer is not None and content is not None and not delay.trigger.in_step:
            latches = find_latches(source, output, pairs, content, transfer.curve)
            content = latches.content
            pairs = pair_by_content(source, output, content)
            delay = measure_delay(source, output, pairs, newest, latches)
            transfer = measure_transfer(source, output, pairs, records, latches)
    if delay is None:
        return _unanswered(lag, _APART.format(source=source.line, output=output.line))
    given, jitter = source, None
    if transfer is not None:
        given = replace(source, width_us=transfer.curve.of(source.width_us))
        dwells = record_in.dwells, record_out.dwells
        jitter = measure_added_jitter(source, output, pairs, dwells, transfer.curve.gain.value)
    lag = replace(
        lag,
        delay=delay,
        content=content,
        correlation=None if others else correlate_changes(given, output),
        pairs=pairs,
        transfer=transfer,
        jitter=jitter,
        others=tuple(other.table.line for other in others),
    )
    about = Subject(source, output, record_out.evidence(output.rows[pairs.output]))
    found = _of_delay(lag, about, delay, pairs)
    if transfer is None or jitter is None:
        reason = _NO_CURVE.format(source=source.line, output=output.line)
        if others and pairs.by_content and content is not None:
            reason = _format_mix(lag, content.weights)
        found += [hidden(name, reason) for name in OF_TRANSFER]
    else:
        still = replace(about, evidence=record_out.dwells.evidence[:MAX_SPANS])
        found += [added_jitter_finding(still, jitter), *transfer_findings(about, transfer)]
    return replace(lag, findings=tuple(found))


def _of_delay(lag: Lag, about: Subject, delay: Delay, pairs: Pairs) -> list[Finding]:
    later_us = 0.0
    if lag.transfer is not None and lag.transfer.memory.smoothed:
        later_us = lag.transfer.memory.centre_frames * about.source.period_us
    return [
        content_finding(
            about, delay, content=lag.content, correlation=lag.correlation,
            by_content=pairs.by_content, later_us=later_us,
        ),
        edge_finding(about, delay),
        jitter_finding(about, delay),
        beat_finding(about, delay),
        *count_findings(about, pairs, delay),
    ]  # fmt: skip


def _format_mix(lag: Lag, weights: tuple[float, ...]) -> str:
    parts = zip(weights, (lag.source, *lag.others), strict=True)
    mix = format_list([f"{weight:.2f} of {line}" for weight, line in parts])
    return (
        f"{lag.output} is mixed from {mix}, so there is no curve from one input alone. For that, "
        f"record again while only the stick of {lag.source} moves."
    )


def _unanswered(lag: Lag, reason: str) -> Lag:
    return replace(lag, findings=tuple(hidden(name, reason) for name in UNITS))


_NO_CURVE: Final = (
    "{source} alone is not shown to explain the width of {output}, so there is no curve. Record "
    "again while only the stick of {source} moves, from end to end."
)
_TOO_FEW: Final = (
    f"{{line}} has fewer than {MIN_PULSES} whole servo pulses outside signal loss. Check its wire "
    "and ground, and record ten seconds or more while the device is powered."
)
_APART: Final = (
    "{source} and {output} hardly ever had pulses at the same time. Record ten seconds or more "
    "while both are powered."
)
