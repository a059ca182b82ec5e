"""What each device does in each state of the link: a matrix of states and lines, with verdicts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.findings.failsafe.analysis import LossAnalysis
from pwmscope.findings.failsafe.check import (
    Failsafe,
    FailsafeLine,
    LineInRecording,
    RotorInRecording,
)
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.first_link import FIRST_LINK
from pwmscope.findings.failsafe.losses import (
    STEP_US,
    Output,
    QuietSpell,
    find_quiet_spells,
    keeps_beat,
    quiet_limit_s,
)
from pwmscope.findings.failsafe.power import POWER_UP
from pwmscope.findings.failsafe.recovery import is_held
from pwmscope.findings.failsafe.response import ChangeKind, sides
from pwmscope.model import Verdict, governing

SOON_S: Final = 3.0
"""A loss that begins so soon after the link came may find a receiver without its presets: some
systems send them only then (common practice, from memory)."""
AFTER_S: Final = 1.0
"""An output is looked at for so long after the link is back."""
AT_REST_S: Final = 0.5
MIN_PULSES: Final = 10


class LinkState(StrEnum):
    """A state of the link, in the order in which one recording can show them."""

    NEVER_LINKED = "never linked"
    LINKED = "linked"
    LOST = "lost"
    LOST_SOON = "lost within seconds of linking"
    RESTARTED = "receiver restarted, transmitter off"
    BACK_AT_REST = "link back, sticks at rest"
    BACK_STICKS_UP = "link back, sticks up"


@dataclass(frozen=True, slots=True)
class StateOfLine:
    """What one device was shown to do in one state of the link."""

    state: LinkState
    line: str  # The device's line
    # Whether it was commanded to stand still; None where nothing is held against it, which is so
    # with sticks up
    verdict: Verdict | None
    seen: int  # How often the recordings hold the state; 0 for never
    sentence: str  # What was seen


@dataclass(frozen=True, slots=True)
class _Silences:
    """A recording's servo lines, and where they went quiet: the same for each line and loss."""

    outputs: dict[str, Output]
    spells: list[QuietSpell]


Seen = tuple[Verdict | None, str]
NOT_RECORDED: Final = "The recording does not hold this state."
SAID: Final = {
    Verdict.MEETS: "It was commanded to stand still.",
    Verdict.DOES_NOT_MEET: "It was commanded to run.",
    Verdict.NOT_SHOWN: "Whether it was commanded to stand still is not shown.",
}


def link_states(check: Failsafe) -> tuple[StateOfLine, ...]:
    """Say of each device and each state, in order, what the recordings of a check show.

    Nothing without a bench sheet. A state that no recording holds is not shown.
    """
    if check.sheet is None:
        return ()
    used = {rec.source: (rec, _silences(rec)) for rec in check.recordings}
    found = []
    for line in check.lines:
        if line.expected.is_informative:
            continue
        seen: dict[LinkState, list[Seen]] = {state: [] for state in LinkState}
        for rec in line.recordings:
            for state, told in _of_recording(line, rec, *used[rec.source]):
                seen[state].append(told)
        for rotor in line.rotors:
            for state, told in _of_rotor(rotor):
                # A kill channel's verdict is the line's, below.
                if state is not LinkState.LOST or not line.is_guarded:
                    seen[state].append(told)
        if not line.recordings and line.is_guarded and line.verdict is not None:
            seen[LinkState.LOST].append((line.verdict, line.sentence))
        found += [_told(line, state, own) for state, own in seen.items()]
    return tuple(found)


def _told(line: FailsafeLine, state: LinkState, seen: list[Seen]) -> StateOfLine:
    if not seen:
        return StateOfLine(state, line.line, Verdict.NOT_SHOWN, 0, NOT_RECORDED)
    judged = [verdict for verdict, _ in seen if verdict is not None]
    if not judged:
        return StateOfLine(state, line.line, None, len(seen), seen[0][1])
    verdict = governing(judged)
    if verdict is Verdict.MEETS and line.why_not and line.seen_in:
        return StateOfLine(state, line.line, Verdict.NOT_SHOWN, len(seen), line.why_not)
    said = next(said for own, said in seen if own is verdict)
    return StateOfLine(state, line.line, verdict, len(seen), said)


def _of_recording(
    line: FailsafeLine, own: LineInRecording, rec: LossAnalysis, silences: _Silences
) -> Iterator[tuple[LinkState, Seen]]:
    """List what one recording shows of one line, state by state."""
    power_up = own.finding(POWER_UP)
    guard = line.guard
    if power_up is not None and power_up.evidence and power_up.verdict is not None:
        verdict = power_up.verdict
        if guard is not None and verdict is Verdict.DOES_NOT_MEET:
            verdict = guard.over(verdict)
        yield LinkState.NEVER_LINKED, (verdict, power_up.sentence)
    if (ran := own.finding(FIRST_LINK)) is not None and ran.verdict is not None:
        yield LinkState.NEVER_LINKED, (ran.verdict, ran.sentence)
    yield from _linked(own, rec)
    losses = [event for event in own.losses.events if not event.is_restart]
    next_s = [*(e.case.loss.earliest_s for e in losses[1:]), rec.lines.capture.end_s]
    for number, event in enumerate(losses):
        if event.verdict is None:
            continue
        verdict = event.verdict if guard is None else guard.over(event.verdict)
        restarted = list(_restarted(own, event, silences))
        # A restart in a loss is a state of its own, unless a failure is proven.
        if not restarted or verdict is Verdict.DOES_NOT_MEET:
            yield LinkState.LOST, (verdict, SAID[verdict])
        if _linked_for_s(own, losses, number) <= SOON_S:
            yield LinkState.LOST_SOON, (verdict, SAID[verdict])
        for state, told in (*restarted, *_back(own, event, next_s[number])):
            # Whether a kill channel cuts in this state as well is not asked.
            is_guarded = guard is not None and guard.verdict is not Verdict.DOES_NOT_MEET
            if is_guarded and told[0] is Verdict.DOES_NOT_MEET:
                yield state, (Verdict.NOT_SHOWN, SAID[Verdict.NOT_SHOWN])
            else:
                yield state, told


def _of_rotor(own: RotorInRecording) -> Iterator[tuple[LinkState, Seen]]:
    """List what one recording shows of a device without a pin by its rotor, state by state.

    What its stick does at the return is not recorded, so that state stays open.
    """
    early = own.finding(POWER_UP)
    if early is not None and early.verdict is not None:
        yield LinkState.NEVER_LINKED, (early.verdict, early.sentence)
    for event in own.losses.events:
        yield LinkState.LOST, (event.stop.verdict, event.stop.reason)


def _is_sure(event: LossEvent) -> bool:
    """Say whether widths and marker of a loss are beyond doubt."""
    case, setting = event.case, event.case.setting
    doubted = setting.reads_either_way or setting.is_time_doubted or case.error_s is None
    return event.is_marked and setting.polarity.is_known and not doubted and _has_range(event)


def _has_range(event: LossEvent) -> bool:
    expected = event.case.setting.expected
    return expected.band is not None and not expected.is_band_assumed


def _linked(own: LineInRecording, rec: LossAnalysis) -> Iterator[tuple[LinkState, Seen]]:
    """Say whether it stood still with its stick at rest, and never restarted."""
    restarts = [event for event in own.losses.events if event.is_restart]
    if any(event.case.loss.is_proven for event in restarts):
        yield LinkState.LINKED, (Verdict.DOES_NOT_MEET, "Supply or receiver restarted.")
        return
    losses = [event for event in own.losses.events if not event.is_restart]
    record = rec.found.records.get(own.table.line)
    band = losses[0].case.setting.expected.band if losses else None
    if record is None or band is None or not all(map(_is_sure, losses)):
        return
    lasts_s = record.dwells.end_s - record.dwells.start_s
    levels_us = record.dwells.level_us[lasts_s >= AT_REST_S]
    rests = any(band.holds(level_us) for level_us in levels_us.tolist()) and not restarts
    verdict = Verdict.MEETS if rests else Verdict.NOT_SHOWN
    yield LinkState.LINKED, (verdict, SAID[verdict])


def _linked_for_s(own: LineInRecording, losses: list[LossEvent], number: int) -> float:
    """How long the link had been there before a loss, as far as it was seen to come."""
    begun_s = losses[number].case.loss.earliest_s
    if number:
        before = losses[number - 1].case
        return begun_s - max(before.loss.back_s, before.evidence.back_s or 0.0)
    power_up = own.finding(POWER_UP)
    if power_up is None or not power_up.evidence or power_up.verdict is None:
        return np.inf
    linked_s = power_up.evidence[0].end_s
    rise_s = own.table.rise_s[own.table.measured]
    place = int(np.searchsorted(rise_s, linked_s))
    was_silent = place == 0 or linked_s - rise_s[place - 1] > AT_REST_S
    since_s = float(rise_s[place]) if was_silent and place < rise_s.size else linked_s
    return begun_s - since_s


def _silences(rec: LossAnalysis) -> _Silences:
    """Find the servo lines of a recording, and when they went quiet."""
    outputs = {}
    for name, record in rec.found.records.items():
        usual_us = record.frames.usual_us or record.table.convention.period_us
        outputs[name] = Output(record.table, record.dwells, usual_us)
    return _Silences(outputs, find_quiet_spells(outputs, rec.lines.capture.end_s))


def _restarted(
    own: LineInRecording, event: LossEvent, silences: _Silences
) -> Iterator[tuple[LinkState, Seen]]:
    """Say what a line does after all went quiet in a loss and began anew before its end."""
    case, loss = event.case, event.case.loss
    band = case.setting.expected.band
    if band is None or not _is_sure(event):
        return
    over_s = loss.earliest_s + case.setting.limit_s
    outputs = silences.outputs
    for spell in silences.spells:
        if not (over_s < spell.start_s and spell.back_s < loss.back_s):
            continue
        pulsing = {
            name for name, output in outputs.items()
            if np.searchsorted(output.table.rise_s, spell.start_s)
            > np.searchsorted(output.table.rise_s, over_s)
        }  # fmt: skip
        if not pulsing or spell.lines < pulsing or keeps_beat(outputs, spell):
            continue
        rows = slice(*np.searchsorted(own.table.rise_s, (spell.back_s, loss.back_s)))
        _, inside, outside = (column[rows] for column in sides(own.table, band))
        gaps_s = np.diff(own.table.rise_s[rows], prepend=spell.back_s, append=loss.back_s)
        quiet = bool(np.any(gaps_s > quiet_limit_s(1e6 * case.setting.frame_s)))
        stands = inside.all() and (case.setting.expected.no_pulses_stop or not quiet)
        verdict = Verdict.MEETS if stands else Verdict.NOT_SHOWN
        verdict = Verdict.DOES_NOT_MEET if np.count_nonzero(outside) > 1 else verdict
        yield LinkState.RESTARTED, (verdict, SAID[verdict])


def _back(
    own: LineInRecording, event: LossEvent, before_s: float
) -> Iterator[tuple[LinkState, Seen]]:
    """Say what a line does as the link is back: it stands still, or jumps to its held stick."""
    case = event.case
    if not case.loss.came_back or not _is_sure(event):
        return
    jump = event.recovery.jump_us
    if jump is not None and is_held(event, jump[1]) and not case.evidence.leaps:
        said = f"It is commanded to run at once, at {jump[1]:.0f} us."
        yield LinkState.BACK_STICKS_UP, (None, said)
        return
    if jump is not None or case.evidence.leaps:
        # A transmitter that starts with other widths looks the same as a device that runs.
        yield LinkState.BACK_AT_REST, (Verdict.NOT_SHOWN, SAID[Verdict.NOT_SHOWN])
        return
    band, until_s = case.setting.expected.band, _back_by_s(own, event, before_s)
    if band is None:
        return
    rows = slice(*np.searchsorted(own.table.rise_s, (case.loss.back_s, until_s or before_s)))
    inside = sides(own.table, band)[1][rows]
    is_told = until_s is not None or bool(inside.all())
    if inside.size < MIN_PULSES or not is_told:
        return
    # A short leap may be the transmitter's or the receiver's: it is not left out.
    stands = until_s is not None and bool(inside.all())
    verdict = Verdict.MEETS if stands else Verdict.NOT_SHOWN
    yield LinkState.BACK_AT_REST, (verdict, SAID[verdict])


def _back_by_s(own: LineInRecording, event: LossEvent, before_s: float) -> float | None:
    """Until when a line is looked at that nothing moved, where the link is shown to be back.

    A stick is followed later, or the output steps from its preset to where its stick rests.
    """
    case = event.case
    if case.evidence.back_s is not None:
        return min(case.evidence.back_s + AFTER_S, before_s)
    followed = [c for c in case.response.departures[:1] if c.kind is ChangeKind.MOVE]
    if followed:
        return min(followed[0].after_s, before_s)
    table, back_s = own.table, case.loss.back_s
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    spans_s = ((back_s - AFTER_S, back_s), (before_s - AFTER_S, before_s))
    put, now = (width_us[slice(*np.searchsorted(rise_s, span_s))] for span_s in spans_s)
    least_us = max(STEP_US, 2.0 * (table.sample_interval_us or 0.0))
    is_long = before_s - back_s >= 2.0 * AFTER_S and min(put.size, now.size) >= MIN_PULSES
    stepped = is_long and abs(float(np.median(now) - np.median(put))) >= least_us
    return before_s if stepped else None
