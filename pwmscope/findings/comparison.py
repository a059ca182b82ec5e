"""Findings side by side: of several recordings, or faults in stretches of one."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final, TypeAlias

import numpy as np

from pwmscope.bench import Stretch, stretch_fault
from pwmscope.errors import ArgumentError, HintError, format_given
from pwmscope.findings.examine import ChannelFindings, Findings, SensorFindings
from pwmscope.findings.failsafe import NO_JUMP, RECOVERY
from pwmscope.findings.glitches import observed_in
from pwmscope.model import (
    COVERAGE,
    Finding,
    FloatArray,
    RateRatio,
    Span,
    compare_rates,
    poisson_interval,
)


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One finding of one line in all recordings."""

    line: str  # The line's name
    # The finding's
    name: str
    unit: str
    # One for each recording; None where the recording does not hold the line
    findings: tuple[Finding | None, ...]
    # For each recording, whether it differs from the first by more than the uncertainty of both;
    # None where that cannot be told
    differs: tuple[bool | None, ...]

    @property
    def is_different(self) -> bool:
        """Whether any recording differs from the first."""
        return any(self.differs)

    @property
    def is_shown_in_some(self) -> bool:
        """Whether one recording shows it and another, which holds the line, does not."""
        shown = [found.value is not None for found in self.findings if found is not None]
        return any(shown) and not all(shown)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Several recordings side by side."""

    sources: tuple[str, ...]  # The recordings' files; the first is what the others are held against
    rows: tuple[ComparedRow, ...]  # By line, in the findings' order

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines' names, each once."""
        return tuple(dict.fromkeys(row.line for row in self.rows))


def compare(recordings: Sequence[Findings]) -> Comparison:
    """Put the findings of several recordings side by side, line by line."""
    if len(recordings) < 2:
        raise HintError("One recording alone cannot be compared; name two or more.")
    servo = [findings.servo for findings in recordings]
    shared = _shared(servo)
    if not shared:
        have = "; ".join(
            f"{findings.capture.source} has {', '.join(channels) or 'none'}"
            for findings, channels in zip(recordings, servo, strict=True)
        )
        raise HintError(
            f"The recordings have no servo line of one name in common ({have}); record with the "
            "same line names."
        )
    sources = tuple(findings.capture.source for findings in recordings)
    sensors = [findings.sensors for findings in recordings]
    both = [own | beside for own, beside in zip(servo, sensors, strict=True)]
    rows = [_rows(name, [own.get(name) for own in both]) for name in shared + _shared(sensors)]
    return Comparison(sources, tuple(itertools.chain.from_iterable(rows)))


def _shared(recordings: Sequence[Mapping[str, object]]) -> list[str]:
    """List the lines that two recordings or more have."""
    count = Counter(name for own in recordings for name in own)
    return [name for name, recorded in count.items() if recorded > 1]


def _rows(
    line: str, channels: Sequence[ChannelFindings | SensorFindings | None]
) -> list[ComparedRow]:
    own = [{} if c is None else {f.name: f for f in c.findings} for c in channels]
    names = dict.fromkeys(name for findings in own for name in findings)
    rows = []
    for name in names:
        findings = tuple(found.get(name) for found in own)
        if name == RECOVERY:  # How often it jumped is how often the signal was lost
            findings = tuple(f and replace(f, value=_jumps(f)) for f in findings)
        unit = next((f.unit for f in findings if f is not None and f.unit), "")
        if all(f is None or f.value is None for f in findings):
            continue
        reference = findings[0]
        differs = tuple(
            None
            if k == 0
            else differ(reference, found, _scatter_us(name, channels[0], channels[k]))
            for k, found in enumerate(findings)
        )
        rows.append(ComparedRow(line, name, unit, findings, differs))
    return rows


def _jumps(recovery: Finding) -> str | float | None:
    return recovery.value if recovery.value in (NO_JUMP, None) else "jumps"


_LEVELS: Final = {
    "low endpoint": {"low": 1.0},
    "high endpoint": {"high": 1.0},
    "neutral": {"neutral": 1.0},
    "travel": {"low": 1.0, "high": 1.0},
    "asymmetry": {"low": 1.0, "high": 1.0, "neutral": 2.0},
}
"""The levels that make a figure, with their weights."""


def _scatter_us(name: str, *channels: ChannelFindings | SensorFindings | None) -> float:
    """Deviation by which a figure of another recording of the same would differ by chance.

    A level's own interval is that of the pulses recorded; two recordings of one channel differ
    by their jitter besides.
    """
    variance = 0.0
    for channel in channels:
        travel = channel.travel if isinstance(channel, ChannelFindings) else None
        for which, weight in _LEVELS.get(name, {}).items() if travel is not None else ():
            level = getattr(travel, which)
            variance += 0.0 if level is None else (weight * level.scatter_us) ** 2
    return math.sqrt(variance)


def differ(first: Finding | None, second: Finding | None, scatter: float = 0.0) -> bool | None:
    """Say whether two findings differ by more than their uncertainty.

    Two numbers differ where the distance between them is more than the root sum of
    squares of the halves of their 95 % intervals that face each other (JCGM 100,
    5.1.2, for independent values, k = 2). A bound differs where the intervals are apart.
    Texts differ where they are not the same.

    >>> from pwmscope.model import measured
    >>> one, two = (measured("neutral", v, "us", "", uncertainty=0.5) for v in (1500.0, 1501.3))
    >>> differ(one, two), differ(one, measured("neutral", 1501.5, "us", "", uncertainty=0.5))
    (False, True)
    """
    if first is None or second is None or first.value is None or second.value is None:
        return None
    if isinstance(first.value, str) or isinstance(second.value, str):
        spans = sorted(filter(None, (first.interval, second.interval)))
        # A bound differs from what lies wholly outside it.
        return spans[0][1] < spans[1][0] if len(spans) == 2 else first.value != second.value
    if first.value == second.value:
        return False
    low, high = sorted((first, second), key=lambda finding: float(finding.value or 0.0))
    up, down = _half(low, above=True), _half(high, above=False)
    if up is None or down is None:
        return None
    return abs(first.value - second.value) > math.hypot(up, down, COVERAGE * scatter)


def _half(finding: Finding, *, above: bool) -> float | None:
    """Return the half of the 95 % interval above or below the value."""
    value = float(finding.value or 0.0)
    if finding.interval is not None:
        low, high = finding.interval
        return high - value if above else value - low
    return None if finding.uncertainty is None else COVERAGE * finding.uncertainty


ALPHA: Final = 0.05
"""Chance of calling any difference one where there is none."""


class FaultKind(StrEnum):
    """What is counted."""

    GLITCH = "glitches"
    FREEZE = "freezes"
    RESTART = "restarts"


class Change(StrEnum):
    """How a rate stands to that of the first stretch."""

    MORE = "more"
    FEWER = "fewer"
    NONE_SHOWN = "no difference shown"
    NOT_SHOWN = "not shown"


@dataclass(frozen=True, slots=True)
class FaultRate:
    """How often one kind of fault came on one line in one stretch."""

    stretch: Stretch  # Where
    count: int  # How many faults began there
    # For how long one could have shown: for glitches and restarts without the signal losses, for
    # freezes while the stick moved fast enough
    watched_s: float
    per_minute: float | None  # Their rate; None where nothing could have shown
    interval: tuple[float, float] | None  # Its exact 95 % Poisson interval (Garwood)
    # How it stands to the first stretch's rate; None for the first one, and where one of both is
    # not known
    ratio: RateRatio | None = None
    # That equal rates give counts as unequal, or more, in any comparison of the hunt (Holm)
    chance: float | None = None
    change: Change | None = None  # What that says; None for the first stretch


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One kind of fault on one line, in all stretches."""

    line: str
    kind: FaultKind
    rates: tuple[FaultRate, ...]  # By stretch, in the order in which they were named


@dataclass(frozen=True, slots=True)
class FaultHunt:
    """The faults of a recording's stretches, held against those of the first."""

    source: str  # The recording's file
    stretches: tuple[Stretch, ...]
    rows: tuple[FaultRow, ...]

    @property
    def differing(self) -> tuple[tuple[FaultRow, FaultRate], ...]:
        """The rates that differ from the first stretch's, the least chance first."""
        found = [
            (row, rate)
            for row in self.rows
            for rate in row.rates
            if rate.change in (Change.MORE, Change.FEWER)
        ]
        return tuple(sorted(found, key=lambda pair: pair[1].chance or 0.0))

    @property
    def compared(self) -> int:
        """How many rates could be held against the first stretch's."""
        return sum(rate.ratio is not None for row in self.rows for rate in row.rates)


_Counted: TypeAlias = tuple[int, float]
"""How many faults, and for how long one could have shown."""


def hunt_faults(findings: Findings, stretches: Sequence[Stretch]) -> FaultHunt:
    """Compare how often faults come in stretches of a recording.

    Given their sum, the counts of two Poisson rates are binomial (`compare_rates`); the chances
    of all comparisons with the first stretch are corrected by Holm's method (S. Holm, Scand. J.
    Statistics 6, 1979; from memory), so that any of them errs with a chance of 5 % at most.
    """
    _check(findings, stretches)
    rows = []
    for name, channel in findings.servo.items():
        for kind, counted in _COUNTED.items():
            counts = [counted(channel, stretch.span) for stretch in stretches]
            rows.append(FaultRow(name, kind, _rates(stretches, counts)))
    return FaultHunt(findings.capture.source, tuple(stretches), _judged(rows))


def _check(findings: Findings, stretches: Sequence[Stretch]) -> None:
    if len(stretches) < 2:
        found = "one stretch" if stretches else "none"
        raise ArgumentError("stretches", found, "two stretches or more, such as motors off and on")
    fault = stretch_fault(stretches)
    if fault is not None:
        place, key, value, allowed = fault
        given = f"{value:g}" if isinstance(value, float) else format_given(value)
        found = f'stretch "{stretches[place].name}" with {key} = {given}'
        raise ArgumentError("stretches", found, allowed)
    capture = findings.capture
    for stretch in stretches:
        if stretch.from_s < capture.start_s - 1e-9 or stretch.to_s > capture.end_s + 1e-6:
            raise ArgumentError(
                "stretches",
                f'stretch "{stretch.name}" from {stretch.from_s:g} to {stretch.to_s:g} s',
                f"times within {capture.source}, {capture.start_s:g} to {capture.end_s:.6g} s",
            )


def _within(time_s: FloatArray, span: Span) -> int:
    return int(np.count_nonzero((time_s >= span.start_s) & (time_s < span.end_s)))


def _glitches(channel: ChannelFindings, span: Span) -> _Counted:
    assert channel.glitches is not None  # a servo line has them
    return _within(channel.glitches.time_s, span), observed_in(span, channel.loss_spans)


def _freezes(channel: ChannelFindings, span: Span) -> _Counted:
    assert channel.freshness is not None
    assert channel.channel is not None
    found, record = channel.freshness.renewals, channel.channel.record
    told = _within(record.table.rise_s[found.told], span)
    return _within(found.start_s[found.began_told], span), told * record.period_us / 1e6


def _restarts(channel: ChannelFindings, span: Span) -> _Counted:
    assert channel.losses is not None
    events = [event.lost_s for event in channel.losses.events if event.is_restart]
    return _within(np.array(events), span), span.end_s - span.start_s


_COUNTED: Final = {
    FaultKind.GLITCH: _glitches,
    FaultKind.FREEZE: _freezes,
    FaultKind.RESTART: _restarts,
}


def _rates(stretches: Sequence[Stretch], counts: list[_Counted]) -> tuple[FaultRate, ...]:
    first, first_s = counts[0]
    rates = []
    for place, (stretch, (count, watched_s)) in enumerate(zip(stretches, counts, strict=True)):
        if watched_s <= 0.0:
            change = Change.NOT_SHOWN if place else None
            rates.append(FaultRate(stretch, count, 0.0, None, None, change=change))
            continue
        low, high = poisson_interval(count, watched_s)
        ratio = None
        if place and first_s > 0.0:
            ratio = compare_rates(first, first_s, count, watched_s)
        rates.append(
            FaultRate(
                stretch,
                count,
                watched_s,
                60.0 * count / watched_s,
                (60.0 * low, 60.0 * high),
                ratio,
                change=Change.NOT_SHOWN if place else None,
            )
        )
    return tuple(rates)


def _judged(rows: list[FaultRow]) -> tuple[FaultRow, ...]:
    """Correct the chances of all comparisons, and say what they show."""
    # Two counts of 0 cannot differ, and are no trial (R. E. Tarone, Biometrics 46, 1990; from
    # memory).
    ratios = [rate.ratio for row in rows for rate in row.rates if rate.ratio is not None]
    corrected = iter(holm([each.chance for each in ratios if each.ratio is not None]))

    def judged(rate: FaultRate) -> FaultRate:
        if rate.ratio is None:
            return rate
        chance = 1.0 if rate.ratio.ratio is None else next(corrected)
        if chance > ALPHA:
            return replace(rate, chance=chance, change=Change.NONE_SHOWN)
        more = (rate.ratio.ratio or 0.0) > 1.0
        return replace(rate, chance=chance, change=Change.MORE if more else Change.FEWER)

    return tuple(replace(row, rates=tuple(judged(rate) for rate in row.rates)) for row in rows)


def holm(chances: Sequence[float]) -> list[float]:
    """Correct the chances of several tests, so that any errs as seldom as one would.

    >>> [round(chance, 3) for chance in holm([0.01, 0.04, 0.03])]
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(chances, kind="stable")
    left = len(chances) - np.arange(len(chances))
    raised = np.minimum(np.maximum.accumulate(np.asarray(chances)[order] * left), 1.0)
    corrected = np.empty(len(chances))
    corrected[order] = raised
    return [float(chance) for chance in corrected]
