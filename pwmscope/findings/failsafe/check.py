"""The failsafe check: what one or several recordings show about every line that matters."""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final, TypeAlias

import numpy as np

from pwmscope.bench import STICKS, BenchSheet, Limits
from pwmscope.capture import PART, Capture
from pwmscope.errors import Reason, preceded
from pwmscope.findings.failsafe.analysis import LineLosses, LossAnalysis
from pwmscope.findings.failsafe.event import RESTART, LossEvent, RotorLoss, Trials, examine_trials
from pwmscope.findings.failsafe.first_link import FIRST_LINK
from pwmscope.findings.failsafe.marker import Expectation, expectation_of
from pwmscope.findings.failsafe.motion import RotorLosses
from pwmscope.findings.failsafe.power import (
    NO_PIN,
    POWER_UP,
    Guard,
    covers,
    cuts_before_link,
    guards_of,
    rests_by_s,
)
from pwmscope.findings.failsafe.response import LossClass, sides
from pwmscope.findings.sensors import MOTION_STOP, looks_like_marks, looks_like_sagging_supply
from pwmscope.model import WORST_FIRST, Assumption, Finding, Hazard, HazardKind, Verdict, governing
from pwmscope.pulses import PulseTable

NOTHING_TO_STOP = "This line has no device that a signal loss is to stop."
UNLISTED = Reason(
    "The bench sheet does not list this line, and it carries servo pulses.",
    "Write in the sheet what is on it.",
)

ALONE = (RESTART, FIRST_LINK)
"""Findings that weigh also where they are not shown."""
NEAR_FRAMES: Final = 3.0
"""A width that a device is sent within so many frames of its power is what it starts with."""


class LeftOutKind(StrEnum):
    """Why something was left out of the check, or could not be used."""

    PART = "only a part is examined"
    TWICE = "the same recording again"
    NO_LOSS = "no loss was seen"
    NO_LINE = "no line of the sheet"
    UNLISTED = "not listed in the sheet"
    UNUSED = "stated unused"
    STICK = "stated a stick, and follows none in a loss"
    NOT_READ = "lines that cannot be read"
    PLAN = "a plan that the recording does not follow"
    SWAPPED = "moved by another line's stick"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that the check does not rest on."""

    kind: LeftOutKind  # Why
    what: str  # The recording or the line
    # The part of a recording that is examined
    from_s: float | None = None
    to_s: float | None = None
    # The width that an unused line, or a stick's, carried while the signal was lost
    level_us: float | None = None
    said: str = ""  # What to do, where the whole recording was needed to tell it

    @property
    def weighs(self) -> bool:
        """Whether the check shows nothing because of it, unless a failure is proven."""
        kinds = (LeftOutKind.PART, LeftOutKind.TWICE, LeftOutKind.UNUSED, LeftOutKind.PLAN)
        return self.kind not in kinds


@dataclass(frozen=True, slots=True)
class LineInRecording:
    """One line as one recording shows it."""

    source: str  # The recording's file
    table: PulseTable  # Its pulses
    losses: LineLosses  # What it did at each loss

    def finding(self, name: str) -> Finding | None:
        """Return one of its findings, where there is one of that name."""
        return next((f for f in self.losses.findings if f.name == name), None)


@dataclass(frozen=True, slots=True)
class RotorInRecording:
    """The rotor of a device without a pin, as one recording shows it."""

    source: str  # The recording's file
    losses: RotorLosses  # What it did at each loss

    def finding(self, name: str) -> Finding | None:
        """Return one of its findings, where there is one of that name."""
        return next((f for f in self.losses.findings if f.name == name), None)


InRecording: TypeAlias = LineInRecording | RotorInRecording


@dataclass(frozen=True, slots=True, repr=False)
class FailsafeLine:
    """The failsafe check of one line."""

    line: str  # Its name
    expected: Expectation  # What the bench sheet expects of it
    device: str  # What is on it, by the bench sheet; empty where that is not told
    # The recordings in which it carries servo pulses, in order
    recordings: tuple[LineInRecording, ...]
    why_not: str  # Why there is nothing to judge, as a sentence; empty where there is
    # What all its losses say together; those of its kill channel where that decides
    trials: Trials
    guard: Guard | None = None  # The kill channel that cuts its power, and what was found of that
    # Its failures and restarts that no kill channel reaches, each with its recording
    unguarded: tuple[tuple[LineInRecording, Finding], ...] = ()
    # Of a device without a pin: its rotor, in the recordings of which a rotation line tells
    rotors: tuple[RotorInRecording, ...] = ()

    def __repr__(self) -> str:
        verdict = self.verdict or "no verdict"
        return f"<FailsafeLine {self.line}: {verdict}, {len(self.all_losses)} losses>"

    @property
    def rotor_losses(self) -> tuple[tuple[RotorInRecording, RotorLoss], ...]:
        """Every loss that the rotor of a device without a pin shows, with its recording."""
        return tuple((rec, event) for rec in self.rotors for event in rec.losses.events)

    @property
    def seen_in(self) -> tuple[InRecording, ...]:
        """What each recording shows of it: its pulses, or its rotor."""
        return (*self.recordings, *self.rotors)

    @property
    def all_losses(self) -> tuple[tuple[InRecording, LossEvent | RotorLoss], ...]:
        """Every loss that its pulses or its rotor show, with its recording."""
        return (*self.losses, *self.rotor_losses)

    @property
    def losses(self) -> tuple[tuple[LineInRecording, LossEvent], ...]:
        """Every loss and restart with its recording, in order."""
        return tuple((rec, event) for rec in self.recordings for event in rec.losses.events)

    @property
    def governing(self) -> Finding | None:
        """The finding that decides: one that does not meet, one not shown, the slowest."""
        decisive: list[tuple[InRecording, Finding]] = [
            (rec, finding)
            for rec in self.recordings
            for finding in (*map(rec.finding, ("signal loss", MOTION_STOP)), *self._alarms(rec))
            if finding is not None
        ]
        decisive += [(rec, finding) for rec in self.rotors for finding in rec.losses.findings]
        # Of what is not shown, a silence that may be a restart is the plainest to name.
        decisive.sort(key=lambda own: not (own[1].name == RESTART and _is_open(own[1])))
        # Of what is proven, a failure that no kill channel reaches.
        decisive.sort(key=lambda own: all(own[1] is not f for _, f in self.unguarded))
        shown = [(r, f) for r, f in decisive if f.evidence] or decisive
        return _worst(shown, several=len(self.seen_in) > 1)

    @staticmethod
    def _alarms(recording: LineInRecording) -> list[Finding]:
        """List what weighs by itself: an active width before the link, a restart or what may be."""
        own = recording.losses.findings
        return [f for f in own if f.verdict is Verdict.DOES_NOT_MEET or f.name in ALONE]

    @property
    def is_unlisted(self) -> bool:
        """Whether it carries servo pulses and the bench sheet does not say what is on it."""
        return self.expected.has_sheet and self.expected.role is None and bool(self.recordings)

    @property
    def verdict(self) -> Verdict | None:
        """The verdict; None where the bench sheet expects nothing of the line."""
        if self.is_unlisted:
            return Verdict.NOT_SHOWN
        if self.expected.is_informative:
            return None
        own = self._own_verdict
        if self.guard is None or own is None:
            return own
        found = (rec.finding(MOTION_STOP) for rec in self.recordings)
        moved = [f.verdict for f in found if f is not None and f.verdict is not None]
        moved += [rotor.losses.cut for rotor in self.rotors]
        moved += [f.verdict for _, f in self.unguarded if f.verdict is not None]
        return governing([self.guard.over(own), *moved])

    @property
    def _own_verdict(self) -> Verdict | None:
        """The verdict by its own pulses and rotor, whatever cuts its power."""
        decides = self.governing
        if decides is not None and decides.verdict is Verdict.DOES_NOT_MEET:
            return Verdict.DOES_NOT_MEET
        return Verdict.NOT_SHOWN if self.why_not or decides is None else decides.verdict

    @property
    def is_guarded(self) -> bool:
        """Whether its kill channel decides, and not its own pulses."""
        own = None if self.expected.is_informative else self._own_verdict
        if self.guard is None or own is None:
            return False
        decides = self.guard.verdict is Verdict.MEETS or self.guard.leaves_open(own)
        return decides and self.verdict is self.guard.over(own)

    @property
    def sentence(self) -> str:
        """The answer about this line, without its name."""
        if self.is_unlisted:
            return UNLISTED
        if self.guard is not None and self.is_guarded:
            return self.guard.sentence
        said = self.governing.sentence if self.governing is not None else ""
        if self.expected.is_informative:
            return f"The bench sheet gives this line no device to stop. {said}"
        if self.why_not and self.verdict is not Verdict.DOES_NOT_MEET:
            return self.why_not
        return said

    @property
    def hazards(self) -> tuple[Hazard, ...]:
        """Where its device was commanded to run around the return of the link."""
        return tuple(h for rec in self.seen_in for h in rec.losses.hazards)

    @property
    def slow_s(self) -> float | None:
        """The longest time until its rotor was slow, where a rotation line shows it."""
        found = (rec.finding(MOTION_STOP) for rec in self.seen_in)
        return max((f.value for f in found if f and isinstance(f.value, float)), default=None)

    @property
    def failure(self) -> LossEvent | None:
        """The loss that proves it most that the limit is not met, where one does.

        One in which the device was never stopped goes before the slowest stop.
        """
        failed = [e for _, e in self.losses if e.verdict is Verdict.DOES_NOT_MEET]
        return max(failed, key=_stopped_by_s, default=None)


def _is_open(finding: Finding) -> bool:
    return finding.verdict is Verdict.NOT_SHOWN


def _stopped_by_s(event: LossEvent) -> float:
    return math.inf if event.stop_bounds_s is None else event.stop_bounds_s[1]


def _worst(found: Sequence[tuple[InRecording, Finding]], *, several: bool) -> Finding | None:
    for verdict in WORST_FIRST:
        own = [(rec, f) for rec, f in found if f.verdict is verdict]
        if own:
            rec, finding = max(own, key=_slowest_s) if verdict is Verdict.MEETS else own[0]
            said = f"In {rec.source}: {finding.sentence}" if several else finding.sentence
            return replace(finding, sentence=said)
    return found[0][1] if found else None


def _slowest_s(own: tuple[InRecording, Finding]) -> float:
    bounds_s = (event.stop_bounds_s for event in own[0].losses.events)
    return max((most_s for _, most_s in filter(None, bounds_s)), default=0.0)


@dataclass(frozen=True, slots=True, repr=False)
class Failsafe:
    """The failsafe check of a bench."""

    recordings: tuple[LossAnalysis, ...]  # In order
    sheet: BenchSheet | None
    limits: Limits  # Gives the failsafe limit and where it stands
    lines: tuple[FailsafeLine, ...]  # The bench sheet's in its order, then the others
    left_out: tuple[LeftOut, ...] = ()

    def of_line(self, name: str) -> FailsafeLine:
        """Give the check of a line; one without a device to stop has none, and says so."""
        found = next((line for line in self.lines if line.line == name), None)
        if found is not None:
            return found
        expected = expectation_of(self.sheet, name)
        return FailsafeLine(name, expected, "", (), NOTHING_TO_STOP, examine_trials(()))

    def __repr__(self) -> str:
        lines = "\n".join(f"  {line!r}" for line in self.lines)
        return f"<Failsafe: {self.verdict}>\n{lines}".rstrip()

    @property
    def judged(self) -> tuple[FailsafeLine, ...]:
        """The lines that have a verdict."""
        return tuple(line for line in self.lines if line.verdict is not None)

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of all lines; not shown where there is none to judge.

        One proven failure governs. Otherwise the check shows nothing while something that
        was recorded could not be used.
        """
        verdicts = [line.verdict for line in self.lines if line.verdict is not None]
        if any(left.weighs for left in self.left_out):
            verdicts.append(Verdict.NOT_SHOWN)
        return governing(verdicts)

    @property
    def hazards(self) -> tuple[Hazard, ...]:
        """Where devices were commanded to run, those to held sticks as one, the worst first."""
        own = [hazard for line in self.lines for hazard in _powered(line, self.lines, self.sheet)]
        held = [hazard for hazard in own if hazard.kind is HazardKind.STICK_HELD]
        others = [hazard for hazard in own if hazard.kind is not HazardKind.STICK_HELD]
        order = list(HazardKind)[::-1]
        others.sort(key=lambda hazard: order.index(hazard.kind))
        if not held:
            return tuple(others)
        first = held[0]
        lines = tuple(dict.fromkeys(name for hazard in held for name in hazard.lines))
        merged = replace(
            first,
            lines=lines,
            times=max(hazard.times for hazard in held),
            losses=max(hazard.losses for hazard in held),
        )
        return (*others, merged)

    @property
    def slowest_s(self) -> float | None:
        """The longest stop time of all losses that show one; None where none does."""
        times = [line.trials.stop_s[2] for line in self.judged if line.trials.stop_s is not None]
        return max(times, default=None)

    @property
    def slow_s(self) -> float | None:
        """The longest time until a rotor was slow, of all losses that show one."""
        times = (line.slow_s for line in self.judged)
        return max((slow_s for slow_s in times if slow_s is not None), default=None)


def check_failsafe(
    recordings: Sequence[LossAnalysis], sheet: BenchSheet | None, limits: Limits
) -> Failsafe:
    """Put the losses of recordings of one bench together, at least one, read by the same sheet.

    The worst case governs: one loss that does not meet the limit, in any recording,
    and the line does not meet it; one that shows nothing, and it is not shown. A line
    of the bench sheet that a recording lacks is not shown, and so is the check while a
    recording shows no loss or a line with servo pulses is not in the sheet. The same
    recording given twice counts once. Without a sheet nothing is said to meet the limit.
    """
    used, left_out = _once(recordings)
    found = dict.fromkeys(name for rec in used for name in rec.lines.tables)
    stated = () if sheet is None else tuple(sheet.channels)
    markers = {rec.reference.line for rec in used}
    sought = (
        name
        for name in stated
        if name not in markers and (name in found or not expectation_of(sheet, name).is_informative)
    )
    names = dict.fromkeys((*sought, *found))
    lines = tuple(_line(name, used, sheet) for name in names)
    left_out += [*_parts(used), *_useless(used, sheet), *_idle(lines), *_turning(used, sheet)]
    return Failsafe(tuple(used), sheet, limits, _guarded(lines, used, sheet), tuple(left_out))


def _guarded(
    lines: tuple[FailsafeLine, ...], used: Sequence[LossAnalysis], sheet: BenchSheet | None
) -> tuple[FailsafeLine, ...]:
    """Give each line the kill channel that cuts its power, and what that does not reach."""
    if sheet is None:
        return lines
    verdicts = {line.line: line.verdict for line in lines if line.losses}
    guards = guards_of(sheet, verdicts)
    trials = {line.line: line.trials for line in lines}
    held = []
    for line in lines:
        guard = guards.get(line.line)
        if guard is None or not (line.recordings or line.rotors or line.why_not == NO_PIN):
            held.append(line)
            continue
        kills = sheet.guards_of[line.line]
        recs = [rec for rec in used if line.line in rec.found.line_losses]
        guard = replace(guard, uncovered=_uncovered(line, guard.line, used, sheet))
        is_cut = guard.verdict is Verdict.MEETS and not guard.uncovered
        tried = trials[guard.line] if is_cut else line.trials
        both = list(zip(line.recordings, recs, strict=True))
        unguarded = [(own, f) for own, rec in both for f in _unguarded(own, rec, kills)]
        is_open = any(_is_open_before_link(own, rec, kills, sheet) for own, rec in both)
        guard = replace(guard, is_open_before_link=is_open)
        held.append(replace(line, guard=guard, trials=tried, unguarded=tuple(unguarded)))
    return tuple(held)


def _uncovered(
    line: FailsafeLine, kill: str, used: Sequence[LossAnalysis], sheet: BenchSheet
) -> int:
    """Count the losses through which a kill channel's cut is not shown to last.

    Of a line that is not recorded only the sheet tells which receiver brings it back.
    """
    is_one = sheet.channels[kill].receiver == sheet.channels[line.line].receiver
    count = 0
    for rec in used:
        cut = rec.found.line_losses.get(kill)
        cuts = {e.case.loss.lost_s: e for e in cut.events if not e.is_restart} if cut else {}
        own = rec.found.line_losses.get(line.line)
        if own is None or line.line not in rec.lines.tables:
            count += 0 if is_one else len(cuts)
            continue
        for event in own.events:
            if event.is_restart:
                continue
            table = rec.lines.tables[line.line]
            same = cuts.get(event.case.loss.lost_s)
            pulses = rec.lines.tables[kill] if same is not None else table
            count += not covers(event, table, same, pulses)
    return count


def _unguarded(
    own: LineInRecording, recording: LossAnalysis, kills: Iterable[str]
) -> Iterator[Finding]:
    """List a line's restarts, and its failures in a recording that shows no loss of a kill."""
    held = [recording.found.line_losses[k] for k in kills if k in recording.found.line_losses]
    is_guarded = any(
        kill.finding.verdict is not Verdict.DOES_NOT_MEET
        and any(not event.is_restart for event in kill.events)
        for kill in held
    )
    for finding in own.losses.findings:
        is_failure = finding.verdict is Verdict.DOES_NOT_MEET
        is_open = finding.name == FIRST_LINK and not _is_cut(own, recording, kills, finding)
        if finding.name == RESTART or is_open or (is_failure and not is_guarded):
            yield finding


def _is_cut(
    own: LineInRecording, recording: LossAnalysis, kills: Iterable[str], finding: Finding
) -> bool:
    """Say whether a kill channel cuts a line's power while it may run without the link."""
    tables, sheet = recording.lines.tables, recording.reference.sheet
    return any(
        kill in tables
        and cuts_before_link(
            own.table, tables[kill], finding.evidence[0], expectation_of(sheet, kill)
        )
        for kill in kills
    )


def _is_open_before_link(
    own: LineInRecording, recording: LossAnalysis, kills: Iterable[str], sheet: BenchSheet
) -> bool:
    """Say whether a line runs before the link while no kill channel is shown to cut."""
    power_up = own.finding(POWER_UP)
    if power_up is None or power_up.verdict is not Verdict.DOES_NOT_MEET:
        return False
    tables, span = recording.lines.tables, power_up.evidence[0]
    clock = [name for event in own.losses.events for name in event.case.evidence.one_clock]
    rests_s = rests_by_s(
        own.table, expectation_of(sheet, own.table.line), own.table.convention.period_us,
        span.end_s, recording.lines.capture.end_s,
    )  # fmt: skip
    for kill in kills:
        # Another receiver's link may come later. Where the line stands still it needs no cut.
        until = span if kill in clock else replace(span, end_s=rests_s)
        if kill in tables and cuts_before_link(
            own.table, tables[kill], until, expectation_of(sheet, kill)
        ):
            return False
    return True


def _once(recordings: Sequence[LossAnalysis]) -> tuple[list[LossAnalysis], list[LeftOut]]:
    """Take each recording once, by what it holds."""
    seen: set[str] = set()
    used: list[LossAnalysis] = []
    again: list[LeftOut] = []
    for rec in recordings:
        digest = fingerprint(rec.lines.capture)
        if digest in seen:
            again.append(LeftOut(LeftOutKind.TWICE, rec.source))
            continue
        seen.add(digest)
        used.append(rec)
    return used, again


def fingerprint(capture: Capture) -> str:
    """Return the SHA-256 (FIPS 180-4) of a recording's edges, whatever file they came from."""
    digest = hashlib.sha256(f"{capture.start_ps} {capture.duration_ps}".encode())
    for name, line in capture.lines.items():
        digest.update(f"\0{name}\0{line.initial_level}".encode(errors="surrogatepass"))
        digest.update(line.edges_ps.tobytes())
    return digest.hexdigest()


def _parts(recordings: Iterable[LossAnalysis]) -> list[LeftOut]:
    """Name the recordings of which only a part is examined."""
    return [
        LeftOut(LeftOutKind.PART, rec.source, rec.lines.capture.start_s, rec.lines.capture.end_s)
        for rec in recordings
        if rec.lines.capture.start_ps > 0
        or any(
            isinstance(said, Assumption) and said.what == PART
            for said in rec.lines.capture.assumptions
        )
    ]


def _useless(recordings: Sequence[LossAnalysis], sheet: BenchSheet | None) -> list[LeftOut]:
    """Name the recordings that show no loss, or no line of the sheet."""
    left = []
    for rec in recordings:
        found, rotors = rec.found.line_losses, rec.found.rotors
        is_lost = any(not e.is_restart for own in found.values() for e in own.events)
        is_lost |= any(own.events for own in rotors.values())
        names = (*rec.lines.tables, *rotors)
        if sheet is not None and not any(name in sheet.channels for name in names):
            left.append(LeftOut(LeftOutKind.NO_LINE, rec.source))
        elif not is_lost:
            left.append(LeftOut(LeftOutKind.NO_LOSS, rec.source))
    return left


def _idle(lines: Iterable[FailsafeLine]) -> list[LeftOut]:
    """Name the lines that the sheet leaves out, calls unused, or gives a stick they do not follow.

    What follows no stick in a loss is an output of the receiver, and a device may be on it.
    """
    left = []
    for line in lines:
        losses = [event for _, event in line.losses if not event.is_restart]
        levels_us = [event.preset_us for event in losses if event.preset_us is not None]
        level_us = levels_us[0] if levels_us else None
        if line.expected.is_unused:
            left.append(LeftOut(LeftOutKind.UNUSED, line.line, level_us=level_us))
        elif line.is_unlisted:
            left.append(LeftOut(LeftOutKind.UNLISTED, line.line))
        elif line.expected.role in STICKS and not all(
            event.behaviour is LossClass.KEEPS_FOLLOWING for event in losses
        ):
            left.append(LeftOut(LeftOutKind.STICK, line.line, level_us=level_us))
    return left


def _turning(recordings: Iterable[LossAnalysis], sheet: BenchSheet | None) -> list[LeftOut]:
    """Name lines without pulses that the sheet does not list: a rotor's, or a supply that sags."""
    found = []
    for rec in recordings if sheet is not None else ():
        events = [e for own in rec.found.line_losses.values() for e in own.events]
        losses = [event.case.loss for event in events if not event.is_restart]
        moments_s = {loss.earliest_s for loss in losses}
        spans_s = {(loss.earliest_s, loss.back_s) for loss in losses}
        for name in rec.lines.refused:
            line = rec.lines.capture.lines.get(name)
            if line is None or sheet is None or name in sheet.channels:
                continue
            turns = any(looks_like_marks(line, at_s) for at_s in moments_s)
            if turns or looks_like_sagging_supply(line, spans_s):
                found.append(LeftOut(LeftOutKind.UNLISTED, name))
    return found


def _line(name: str, recordings: Sequence[LossAnalysis], sheet: BenchSheet | None) -> FailsafeLine:
    channel = None if sheet is None else sheet.channels.get(name)
    own = tuple(
        LineInRecording(rec.source, rec.lines.tables[name], rec.found.line_losses[name])
        for rec in recordings
        if name in rec.found.line_losses
    )
    refused = [rec.lines.refused[name] for rec in recordings if name in rec.lines.refused]
    missing = [rec.source for rec in recordings if name not in rec.lines.tables]
    rotors = tuple(
        RotorInRecording(rec.source, rec.found.rotors[name])
        for rec in recordings
        if name in rec.found.rotors
    )
    why_not = ""
    if not own and not rotors:
        why_not = refused[0] if refused else Reason(
            "The bench sheet names this line, but no recording holds it.",
            "Record it as well, or correct its name.",
        )  # fmt: skip
        why_not = NO_PIN if channel is not None and channel.no_pin else why_not
    elif refused:
        why_not = preceded("In one of the recordings:", refused[0])
    elif own and missing and sheet is not None:
        names = "names this line, but" if channel is not None else "does not list this line, and"
        why_not = Reason(
            f"The bench sheet {names} {missing[0]} does not hold it.",
            "Record it there as well, or leave that recording out.",
        )
    elif len(own) > 1:
        idle = [rec.source for rec in own if all(e.is_restart for e in rec.losses.events)]
        if idle:
            why_not = Reason(
                f"No loss of this line is seen in {idle[0]}.",
                "Mark the transmitter's switch there as well, or leave that recording out.",
            )
    events: list[LossEvent | RotorLoss] = [event for rec in own for event in rec.losses.events]
    events += [event for rec in rotors for event in rec.losses.events]
    return FailsafeLine(
        name,
        expectation_of(sheet, name),
        "" if channel is None else channel.device,
        own,
        why_not,
        examine_trials(events),
        rotors=rotors,
    )


_GIVES_POWER: Final = {
    HazardKind.STICK_HELD: HazardKind.POWER,
    HazardKind.LEAP: HazardKind.EARLY_POWER,
}
"""What a hazard of a kill channel is to the devices whose power it cuts."""


def _powered(
    kill: FailsafeLine, lines: Iterable[FailsafeLine], sheet: BenchSheet | None
) -> Iterator[Hazard]:
    """Give a line's hazards; a kill channel runs nothing itself, but gives power to its devices.

    Those are named that are not shown to be commanded to stand still then, and not named already.
    A line whose power a kill channel is shown to cut before the link does not run then.
    """
    guard = kill.guard
    is_cut = guard is not None and guard.verdict is Verdict.MEETS and not guard.is_open_before_link
    stated = None if sheet is None else sheet.channels.get(kill.line)
    guards = () if stated is None else stated.guards
    for hazard in kill.hazards:
        gives = _GIVES_POWER.get(hazard.kind)
        if not guards or gives is None:
            if not (is_cut and hazard.kind is HazardKind.UNLINKED):
                yield hazard
            continue
        rec = next(rec for rec in kill.recordings if rec.source == hazard.source)
        losses = [event for event in rec.losses.events if not event.is_restart]
        leaps_s = [[leap.at_s for leap in event.case.evidence.leaps] for event in losses]
        given_s = list(itertools.chain(*leaps_s))
        if hazard.kind is HazardKind.STICK_HELD:
            given_s = [
                event.case.response.after.start_s
                for event, early_s in zip(losses, leaps_s, strict=True)
                if event.recovery.jump_us and event.case.response.after and not early_s
            ]
        known = {line.line: line for line in lines if line.line in guards}
        seen: dict[str, list[float]] = {}
        widths_us = []
        for name in guards:
            line = known.get(name)
            if line is not None and any(h.kind is hazard.kind for h in line.hazards):
                continue
            own = [each for each in line.recordings if each.source == rec.source] if line else []
            for at_s in given_s:
                runs_us = _runs_us(own[0].table, line.expected, at_s) if line and own else math.nan
                if runs_us is not None:
                    seen.setdefault(name, []).append(at_s)
                    widths_us.append(runs_us)
        if seen:
            width_us = widths_us[0] if len(seen) == 1 and widths_us[0] == widths_us[0] else None
            times_s = max(seen.values(), key=len)
            yield replace(
                hazard, kind=gives, lines=(*seen, kill.line), at_s=times_s[0],
                width_us=width_us, from_us=None, times=len(times_s),
            )  # fmt: skip
        elif hazard.kind is HazardKind.LEAP:
            yield hazard


def _runs_us(table: PulseTable, expected: Expectation, at_s: float) -> float | None:
    """At which width a device runs as it gets power; NaN where not known, None where it stands."""
    if expected.band is None:
        return math.nan
    is_servo, inside, _ = sides(table, expected.band)
    near_s = NEAR_FRAMES * table.convention.period_us / 1e6
    first, end = np.searchsorted(table.rise_s, (at_s - near_s, at_s + near_s))
    runs = np.flatnonzero(is_servo[first:end] & ~inside[first:end])
    if runs.size:
        return float(table.width_us[first + runs[0]])
    stands = bool(is_servo[first:end].any()) or expected.no_pulses_stop is True
    return None if stands else math.nan
