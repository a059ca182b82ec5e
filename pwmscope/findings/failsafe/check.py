"""The failsafe check: what one or several recordings show about every line that matters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pwmscope.bench import BenchSheet, Limits
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.expectation import Expectation, expectation_of
from pwmscope.findings.failsafe.listening import Listened
from pwmscope.findings.failsafe.silence import Silence
from pwmscope.findings.failsafe.trials import Trials, examine_trials
from pwmscope.model.finding import Finding, Verdict
from pwmscope.model.verdict import WORST_FIRST, governing
from pwmscope.pulses import PulseTable


@dataclass(frozen=True, slots=True)
class LineInRecording:
    """One line as one recording shows it.

    Parameters
    ----------
    source : str
        The recording's file.
    table : PulseTable
        Its pulses.
    silence : Silence
        What it did at each loss.
    """

    source: str
    table: PulseTable
    silence: Silence

    def finding(self, name: str) -> Finding | None:
        """Return one of its findings, where there is one of that name."""
        return next((f for f in self.silence.findings if f.name == name), None)


@dataclass(frozen=True, slots=True)
class FailsafeLine:
    """The failsafe check of one line.

    Parameters
    ----------
    line : str
        Its name.
    expected : Expectation
        What the bench sheet expects of it.
    device : str
        What is on it, by the bench sheet; empty where that is not told.
    recordings : tuple of LineInRecording
        The recordings in which it carries servo pulses, in order.
    why_not : str
        Why there is nothing to judge, as a sentence; empty where there is.
    trials : Trials
        What all its losses say together.
    """

    line: str
    expected: Expectation
    device: str
    recordings: tuple[LineInRecording, ...]
    why_not: str
    trials: Trials

    @property
    def losses(self) -> tuple[tuple[LineInRecording, LossEvent], ...]:
        """Every loss and restart with its recording, in order."""
        return tuple((rec, event) for rec in self.recordings for event in rec.silence.events)

    @property
    def governing(self) -> Finding | None:
        """The finding that decides: one that does not meet, one not shown, the slowest."""
        decisive = [
            (rec, finding)
            for rec in self.recordings
            for finding in (rec.finding("signal loss"), *self._alarms(rec))
            if finding is not None
        ]
        shown = [(r, f) for r, f in decisive if f.evidence] or decisive
        return _worst(shown, several=len(self.recordings) > 1)

    @staticmethod
    def _alarms(recording: LineInRecording) -> list[Finding]:
        """List what breaks a limit of its own: an active width before the link, a restart."""
        return [f for f in recording.silence.findings if f.verdict is Verdict.DOES_NOT_MEET]

    @property
    def verdict(self) -> Verdict | None:
        """The verdict; None where the bench sheet expects nothing of the line."""
        if self.expected.is_informative:
            return None
        if self.why_not or self.governing is None:
            return Verdict.NOT_SHOWN
        return self.governing.verdict

    @property
    def sentence(self) -> str:
        """The answer about this line, without its name."""
        if self.why_not:
            return self.why_not
        said = self.governing.sentence if self.governing is not None else ""
        if self.expected.is_informative:
            return f"The bench sheet gives this line no device to stop. {said}"
        return said

    @property
    def hazards(self) -> tuple[str, ...]:
        """What was seen that can hurt although no limit is held against it."""
        said = [rec.finding("recovery") for rec in self.recordings]
        return tuple(f.sentence for f in said if f is not None and f.sentence.startswith("Hazard"))


def _worst(found: Sequence[tuple[LineInRecording, Finding]], *, several: bool) -> Finding | None:
    for verdict in WORST_FIRST:
        own = [(rec, f) for rec, f in found if f.verdict is verdict]
        if own:
            rec, finding = max(own, key=_slowest_s) if verdict is Verdict.MEETS else own[0]
            said = f"In {rec.source}: {finding.sentence}" if several else finding.sentence
            return replace(finding, sentence=said)
    return found[0][1] if found else None


def _slowest_s(own: tuple[LineInRecording, Finding]) -> float:
    bounds_s = (event.stop_bounds_s for event in own[0].silence.events)
    return max((most_s for _, most_s in filter(None, bounds_s)), default=0.0)


@dataclass(frozen=True, slots=True)
class Failsafe:
    """The failsafe check of a bench.

    Parameters
    ----------
    recordings : tuple of Listened
        The recordings, in order.
    sheet : BenchSheet or None
        The bench sheet.
    limits : Limits
        Gives the failsafe limit and where it stands.
    lines : tuple of FailsafeLine
        The bench sheet's lines in its order, then the others.
    """

    recordings: tuple[Listened, ...]
    sheet: BenchSheet | None
    limits: Limits
    lines: tuple[FailsafeLine, ...]

    @property
    def judged(self) -> tuple[FailsafeLine, ...]:
        """The lines that have a verdict."""
        return tuple(line for line in self.lines if line.verdict is not None)

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of all lines; not shown where there is none to judge."""
        return governing(line.verdict for line in self.lines if line.verdict is not None)


def check_failsafe(
    recordings: Sequence[Listened], sheet: BenchSheet | None, limits: Limits
) -> Failsafe:
    """Put the losses of one or several recordings of one bench together.

    The worst case governs: one loss that does not meet the limit, in any recording,
    and the line does not meet it; one that shows nothing, and it is not shown. A line
    of the bench sheet that no recording holds is not shown.

    Parameters
    ----------
    recordings : sequence of Listened
        At least one, each listened to with the same sheet and limits.
    sheet : BenchSheet or None
        The bench sheet; without it nothing is said to meet the limit.
    limits : Limits
        The limits.

    Returns
    -------
    Failsafe
    """
    found = dict.fromkeys(name for rec in recordings for name in rec.lines.tables)
    stated = () if sheet is None else tuple(sheet.channels)
    markers = {rec.marking.line for rec in recordings}
    sought = (
        name
        for name in stated
        if name not in markers and (name in found or not expectation_of(sheet, name).is_informative)
    )
    names = dict.fromkeys((*sought, *found))
    lines = tuple(_line(name, recordings, sheet) for name in names)
    return Failsafe(tuple(recordings), sheet, limits, lines)


def _line(name: str, recordings: Sequence[Listened], sheet: BenchSheet | None) -> FailsafeLine:
    channel = None if sheet is None else sheet.channels.get(name)
    own = tuple(
        LineInRecording(rec.source, rec.lines.tables[name], rec.heard.silences[name])
        for rec in recordings
        if name in rec.heard.silences
    )
    refused = [rec.lines.refused[name] for rec in recordings if name in rec.lines.refused]
    why_not = ""
    if not own:
        why_not = refused[0] if refused else (
            "The bench sheet names this line, but no recording holds it; record it as well, or "
            "give it the name that it has in the recording."
        )  # fmt: skip
    elif refused and len(own) < len(recordings):
        why_not = f"In one of the recordings: {refused[0]}"
    events = [event for rec in own for event in rec.silence.events]
    return FailsafeLine(
        name,
        expectation_of(sheet, name),
        "" if channel is None else channel.device,
        own,
        why_not,
        examine_trials(events),
    )
