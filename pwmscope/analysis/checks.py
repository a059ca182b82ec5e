"""What each line's pulses show over all recordings, check by check."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pwmscope.bench import BenchSheet
from pwmscope.findings import ChannelFindings, Finding, Findings, Verdict
from pwmscope.model import governing

_NEUTRAL = "neutral"


@dataclass(frozen=True, slots=True)
class Check:
    """One check of one line, as the recording shows it that governs."""

    line: str  # The line
    finding: Finding  # What was found; it has a limit
    source: str  # The recording

    @property
    def verdict(self) -> Verdict:
        """The finding's verdict."""
        return self.finding.verdict or Verdict.NOT_SHOWN


@dataclass(frozen=True, slots=True)
class LineChecks:
    """The checks of one line's pulses; those about a signal loss are the failsafe check's."""

    line: str  # The line
    checks: tuple[Check, ...]  # Each once
    refused: str  # Why no recording shows servo pulses on it; empty where one does
    is_idle: bool  # Whether it changed its level in no recording

    @property
    def verdict(self) -> Verdict:
        """The worst verdict; not shown where no recording shows servo pulses."""
        return governing(check.verdict for check in self.checks)


def line_checks(recordings: Sequence[Findings], sheet: BenchSheet | None) -> list[LineChecks]:
    """Put the checks of several recordings together, line by line.

    One proven failure governs. Otherwise what one recording shows to meet its limit is
    met, although another did not show it.
    """
    markers = {findings.listened.marking.line for findings in recordings}
    names = dict.fromkeys(name for findings in recordings for name in findings.channels)
    return [
        _line(name, [(f, f.channels[name]) for f in recordings if name in f.channels], sheet)
        for name in names
        if name not in markers
    ]


def _line(
    name: str, seen: list[tuple[Findings, ChannelFindings]], sheet: BenchSheet | None
) -> LineChecks:
    stated = None if sheet is None else sheet.channels.get(name)
    has_neutral = stated is None or stated.neutral_us is not None
    best: dict[str, Check] = {}
    for check in _checks(name, seen):
        if check.finding.name == _NEUTRAL and not has_neutral:
            continue
        before = best.get(check.finding.name)
        if before is None or _GOVERNS.index(check.verdict) < _GOVERNS.index(before.verdict):
            best[check.finding.name] = check
    refused = [found.not_servo for _, found in seen if found.not_servo is not None]
    is_idle = not any(f.capture.lines[name].edges_ps.size for f, _ in seen)
    return LineChecks(name, tuple(best.values()), "" if best else refused[0], is_idle)


def _checks(name: str, seen: list[tuple[Findings, ChannelFindings]]) -> Iterator[Check]:
    for findings, channel in seen:
        for finding in channel.pulse_checks:
            yield Check(name, finding, findings.capture.source)


_GOVERNS = (Verdict.DOES_NOT_MEET, Verdict.MEETS, Verdict.NOT_SHOWN)
