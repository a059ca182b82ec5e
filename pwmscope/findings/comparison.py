"""The same findings of several recordings side by side: two receivers, or before and after."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from pwmscope.errors import HintError
from pwmscope.findings.results import ChannelFindings, Findings, SensorFindings
from pwmscope.model import COVERAGE, Finding


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
    names = dict.fromkeys(name for channels in servo for name in channels)
    shared = [name for name in names if sum(name in channels for channels in servo) > 1]
    if not shared:
        have = "; ".join(
            f"{findings.capture.source} has {', '.join(channels) or 'none'}"
            for findings, channels in zip(recordings, servo, strict=True)
        )
        raise HintError(
            f"The recordings have no servo line of one name in common ({have}); record with the "
            "same line names."
        )
    return Comparison(
        tuple(findings.capture.source for findings in recordings),
        tuple(
            row
            for name in shared
            for row in _rows(name, [channels.get(name) for channels in servo])
        )
        + tuple(
            row
            for name in dict.fromkeys(n for findings in recordings for n in findings.sensors)
            if sum(name in findings.sensors for findings in recordings) > 1
            for row in _rows(name, [findings.sensors.get(name) for findings in recordings])
        ),
    )


def _rows(
    line: str, channels: Sequence[ChannelFindings | SensorFindings | None]
) -> list[ComparedRow]:
    own = [{} if c is None else {f.name: f for f in c.findings} for c in channels]
    names = dict.fromkeys(name for findings in own for name in findings)
    rows = []
    for name in names:
        findings = tuple(found.get(name) for found in own)
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
    5.1.2, for independent values, k = 2). Texts differ where they are not the same.

    Examples
    --------
    >>> from pwmscope.model import measured
    >>> one, two = (measured("neutral", v, "us", "", uncertainty=0.5) for v in (1500.0, 1501.3))
    >>> differ(one, two), differ(one, measured("neutral", 1501.5, "us", "", uncertainty=0.5))
    (False, True)
    """
    if first is None or second is None or first.value is None or second.value is None:
        return None
    if isinstance(first.value, str) or isinstance(second.value, str):
        return first.value != second.value
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
