"""The analysis of one recording: when the signal was lost, and what each line then did."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from pwmscope.bench import LEVELS, STICKS, BenchSheet, Limits, Marker
from pwmscope.capture import Capture, Line
from pwmscope.errors import HintError, named
from pwmscope.findings.failsafe.alternatives import Case, Setting
from pwmscope.findings.failsafe.event import (
    RESTART,
    SIGNAL_LOSS,
    STOP_TIME,
    TRIALS_DEFINITIONS,
    LossEvent,
    Recovery,
    Trials,
    examine_trials,
    loss_finding,
    restart_finding,
    stop_time_finding,
)
from pwmscope.findings.failsafe.evidence import Evidence, gather
from pwmscope.findings.failsafe.first_link import (
    FIRST_LINK_DEFINITION,
    first_link_finding,
    first_link_hazards,
)
from pwmscope.findings.failsafe.losses import (
    STEP_FRAMES,
    STEP_US,
    Loss,
    Output,
    inferred_losses,
    is_first_link,
    is_return,
    quiet_limit_s,
    quiet_losses,
    restarts,
    stated_losses,
)
from pwmscope.findings.failsafe.marker import (
    FoundMoments,
    Polarity,
    Reference,
    expectation_of,
    marked_losses,
    reference_of,
)
from pwmscope.findings.failsafe.motion import (
    RotorLosses,
    Watch,
    measure_rotations,
    motions_of,
    unpinned_losses,
)
from pwmscope.findings.failsafe.power import (
    ARMING_DEFINITION,
    POWER_UP_DEFINITION,
    answer_supplies,
    arming_finding,
    before_link,
    power_up_finding,
    power_up_hazard,
    read_supplies,
    told_of,
    with_supplies,
)
from pwmscope.findings.failsafe.recovery import (
    JUMP_DEFINITION,
    count_odd,
    hazards_of,
    jump_us,
    recovered_s,
    recovery_finding,
)
from pwmscope.findings.failsafe.response import Windows, find_stop_times
from pwmscope.findings.failsafe.returns import with_returns
from pwmscope.findings.failsafe.verdict import judge_loss
from pwmscope.findings.failsafe.watched import Watched, watch_line
from pwmscope.findings.segmentation import Record, ServoLines, find_dwells, find_servo_lines
from pwmscope.findings.sensors import Motion, Rotation, Supply, SupplyAnswer
from pwmscope.model import (
    Assumption,
    Definition,
    Finding,
    Hazard,
    HazardKind,
    Span,
    at_once,
    inside,
)
from pwmscope.pulses import Convention, Frames, PulseTable, find_frames

MIN_GOOD: Final = 50
"""So many servo pulses, of a line that the sheet lists, show that it carries them."""
EITHER_WAY: Final = 0.5
"""Where more than this part of the pauses are as long as a pulse, either level may be the pulse."""
MIN_LONG_PAUSES: Final = 3
"""Unless so many last over a frame that is missing, as no pulse does."""
SAME_WIDTH: Final = 0.01
"""Widths so near, in parts of the convention's span, are one position of the stick."""
DEFINITIONS: Final = (
    Definition(
        SIGNAL_LOSS,
        "What the output does after a loss. Whether it commands its device to stand still, for "
        "good, within the limit. It is 'meets' only where every other cause is refuted: hand, "
        "plug or probe, restart, marker and link.",
        "stop time = fall of the first pulse from which on every pulse lies in the stop range, or "
        "fall of the last pulse plus the device's own time - earliest moment of loss, plus a "
        "sample interval; over several losses the worst governs",
        "own algorithm; the limit of 2 s is common practice, the event's rulebook decides",
    ),
    Definition(
        STOP_TIME,
        "How long after the loss the device was commanded to stand still for good, in the slowest "
        "loss. The value is the most that it may have been, the interval what it was at least and "
        "at most.",
        "fall of the first pulse from which on all are in the stop range - moment of loss, with "
        "the moment's uncertainty, a sample interval and 100 ppm on either side",
        "own algorithm",
    ),
    *TRIALS_DEFINITIONS,
    JUMP_DEFINITION,
    POWER_UP_DEFINITION,
    FIRST_LINK_DEFINITION,
    ARMING_DEFINITION,
    Definition(
        RESTART,
        "All lines went quiet at once while the transmitter was on: the receiver or its supply "
        "failed for a moment. It is not a loss of the radio signal and shows nothing about it. "
        "Frames that come on in their old beat may be those of a ground lead that came off. A "
        "receiver whose frames begin anew after losses may have been lost there as well.",
        "no pulse on any line for more than 0.2 s and 5 frames while the marker shows on; then a "
        "first pulse more than 5 % of a frame out of the old beat",
        "own algorithm",
    ),
)


@dataclass(frozen=True, slots=True)
class LineLosses:
    """All losses as one channel shows them."""

    events: tuple[LossEvent, ...]  # In order of time, restarts among them
    finding: Finding  # `signal loss`, held against the failsafe limit
    trials: Trials  # What the losses say together
    # `signal loss`, `stop time`, `signal loss trials`, `recovery`, `power-up` and, where one was
    # seen, `supply or receiver restart`
    findings: tuple[Finding, ...]
    # Where its device was commanded to run when the link came back, or ran unasked
    hazards: tuple[Hazard, ...] = ()
    motion: Motion | None = None  # What the device itself did, where a rotation line watches it


@dataclass(frozen=True, slots=True)
class FoundLosses:
    """What the analysis of a recording gave, by line."""

    records: dict[str, Record]  # Each servo line outside its losses
    line_losses: dict[str, LineLosses]  # What each did at its losses
    said: tuple[str, ...]  # What was assumed, each a plain sentence
    # How it is known which level of the marker means on; None without a marker
    polarity: Polarity | None = None
    rotations: dict[str, Rotation] = field(default_factory=dict)  # What each rotation line shows
    supplies: dict[str, SupplyAnswer] = field(default_factory=dict)  # And each supply line
    # What each device without a pin did at its losses, where a rotation line watches it
    rotors: dict[str, RotorLosses] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LossAnalysis:
    """One recording, analysed."""

    lines: ServoLines  # The recording, decoded
    found: FoundLosses  # What its lines did
    reference: Reference  # How the moments of loss are told

    @property
    def source(self) -> str:
        """The recording's file."""
        return self.lines.capture.source


def listen_to(
    capture: Capture,
    *,
    off_line: str | Marker | None = None,
    off_at_s: Sequence[tuple[float, float]] = (),
    sheet: BenchSheet | None = None,
    convention: Convention | None = None,
    limits: Limits | None = None,
) -> LossAnalysis:
    """Find the losses of one recording and what every line did in them.

    Takes what `pwmscope.findings.examine` does, and raises its errors.
    """
    reference = reference_of(capture, off_line, off_at_s, sheet)
    sensors = () if sheet is None else [channel.line for channel in sheet.sensors]
    lines = _with_listed(find_servo_lines(capture, reference.line, convention, sensors), sheet)
    return LossAnalysis(lines, find_losses(lines, reference, limits or reference.limits), reference)


def _with_listed(lines: ServoLines, sheet: BenchSheet | None) -> ServoLines:
    """Take lines that the sheet lists although most of their pulses are no servo pulses.

    While the signal is lost they may do what no servo line does.
    """
    listed = () if sheet is None else sheet.devices
    taken = [
        channel.line
        for channel in listed
        if channel.line in lines.refused
        and np.count_nonzero(lines.tables[channel.line].measured) >= MIN_GOOD
    ]
    if not taken:
        return lines
    refused = {name: why for name, why in lines.refused.items() if name not in taken}
    found = {name: find_frames(lines.tables[name]) for name in taken}
    return replace(lines, refused=refused, frames=lines.frames | found)


def find_losses(
    lines: ServoLines,
    reference: Reference,
    limits: Limits,
) -> FoundLosses:
    """Find the losses of a decoded recording, and say what each servo line did at each.

    The limits are for a convention that spans 1000 us. A `HintError` is raised if the marker marks
    nothing, or a stated time lies outside the recording.
    """
    capture, frames = lines.capture, lines.frames

    def output_of(name: str) -> Output:
        table = lines.tables[name]
        usual_us = frames[name].usual_us or table.convention.period_us
        return Output(table, find_dwells(table, frames[name]), usual_us)

    outputs = at_once(output_of, lines.servo, lines.pulses)
    told = _losses(capture, outputs, reference)
    losses = with_returns(outputs, told.losses, capture.start_s, capture.end_s)
    if reference.off_at_s:
        losses = _with_unstated(losses, quiet_losses(outputs, capture.end_s))
    told = replace(told, losses=losses)
    parted = at_once(
        lambda name: _parted(outputs[name], frames[name], told, name), outputs, lines.pulses
    )
    supplies = read_supplies(lines, reference.sheet)
    line_losses = _examine(parted, told, limits, capture, reference.sheet, supplies)
    records = {
        name: _record(output, frames[name], told, line_losses[name], limits, capture=capture)
        for name, output in parted.items()
    }
    rotations = measure_rotations(lines, reference.sheet, limits)
    events = {name: own.events for name, own in line_losses.items()}
    for name, motion in motions_of(events, rotations, reference, limits, told.polarity).items():
        before, rotation = line_losses[name], rotations.get(motion.line)
        hazards = before.hazards if rotation is None else (*before.hazards, *rotation.hazards)
        findings = (*before.findings, motion.finding)
        line_losses[name] = replace(before, findings=findings, hazards=hazards, motion=motion)
    seen = (event for own in events.values() for event in own)
    answers = answer_supplies(supplies, lines, reference.sheet, seen)
    watch = Watch(told, capture, events, supplies, limits)
    rotors = unpinned_losses(watch, rotations, reference.sheet)
    return FoundLosses(records, line_losses, told.said, told.polarity, rotations, answers, rotors)


def _losses(capture: Capture, outputs: Mapping[str, Output], reference: Reference) -> FoundMoments:
    end_s = capture.end_s
    if reference.line is not None:
        return _marked(capture, outputs, reference, capture.lines[reference.line])
    if reference.off_at_s:
        stated = stated_losses(reference.off_at_s, outputs, capture.start_s, end_s)
        said = "The times at which the transmitter went off are a person's (`off_at_s`)."
        return FoundMoments(stated, None, (named(said),))
    said = (
        "No marker line is named, so losses are inferred from the outputs. A held output and an "
        "idle stick then look alike."
    )
    sheet = reference.sheet
    if sheet is not None and sheet.marker is not None:
        said += f" The sheet's marker line {sheet.marker.line} is not in the recording."
    return FoundMoments(inferred_losses(outputs, end_s), None, (said,))


def _marked(
    capture: Capture, outputs: Mapping[str, Output], reference: Reference, marker: Line
) -> FoundMoments:
    """Find the losses that a marker shows, and restarts of the supply or the receiver."""
    on_level = reference.on_level
    never_off = not marker.edges_ps.size and on_level in {None, marker.initial_level}
    if never_off and not reference.is_asked:
        said = f"Line {marker.name}, the bench sheet's marker, shows on throughout."
        found = restarts(outputs, (), capture.start_s, capture.end_s)
        return FoundMoments(found, None, (said,), Polarity.ASSUMED)
    try:
        marks = marked_losses(
            marker, capture.end_s, outputs, on_level=on_level, start_s=capture.start_s,
            interval_us=capture.sample_interval_us, late_s=reference.late_s,
            least_late_s=reference.least_late_s, back_late_s=reference.back_late_s, outputs=outputs,
        )  # fmt: skip
    except HintError as error:
        # What is wrong with all times is not to be sought in the marker's wire.
        clock = ("time unit", "sampling rate")
        for said in capture.assumptions:
            if isinstance(said, Assumption) and said.what in clock and said.value is None:
                raise HintError(f"{capture.source}: {said}") from error
        raise
    said = f"Line {marker.name} is the marker: {LEVELS[marks.on_level]}, {_WHY[marks.polarity]}, "
    said += "means transmitter on."
    kind = _KIND.get(reference.kind, "is of no stated kind and counts as a button")
    late = f"; it may change up to {reference.late_s:g} s late" if reference.late_s else ""
    if reference.least_late_s:
        late = f"; it changes {reference.least_late_s:g} to {reference.late_s:g} s late"
    others = restarts(outputs, marks.losses, marks.linked_s, capture.end_s)
    known = (*marks.losses, *others)
    inferred = [
        own
        for own in inferred_losses(outputs, capture.end_s, least_back=2)
        if not is_return(own, marks.losses, outputs)
        and not is_first_link(own, marks.linked_s, marks.losses, outputs)
    ]
    losses = _with_unstated(known, inferred)
    both = (said, f"It {kind}{late}.")
    off_until_s = marks.linked_s - reference.back_late_s if marks.polarity.is_known else -math.inf
    return FoundMoments(
        losses, marks.linked_s, both, marks.polarity, reference.is_lateness_known, off_until_s,
        is_switch=reference.kind == "switch",
    )  # fmt: skip


_KIND: Final[dict[str | None, str]] = {
    "switch": "is stated as the switch itself",
    "button": "is a push-button",
    "light": "is a sensor over the transmitter's power light",
}
_WHY: Final = {
    Polarity.STATED: "as stated",
    Polarity.SHOWN: "as the outputs show that follow moving sticks then",
    Polarity.ASSUMED: "as at the start, which nothing confirms",
    Polarity.CONTRADICTED: "as stated, although the outputs follow moving sticks only at the other",
}


def _record(
    output: Output,
    frames: Frames,
    told: FoundMoments,
    at_losses: LineLosses,
    limits: Limits,
    *,
    capture: Capture,
) -> Record:
    """Take a line as it was while it was not lost, from the first link on."""
    own = [loss for loss in told.losses if output.table.line in loss.lines]
    lost = tuple(
        Span(event.lost_s, _over_s(loss, event, capture.end_s))
        for loss, event in zip(own, at_losses.events, strict=True)
    )
    spans = (*_without_link(output, told.linked_s, capture.start_s, lost), *lost)
    return Record(
        output.table,
        frames,
        output.dwells.select(~inside(spans, output.dwells.start_s)),
        spans,
        limits.scaled(output.table.convention.span_us),
    )


def _without_link(
    output: Output, linked_s: float | None, start_s: float, lost: tuple[Span, ...]
) -> list[Span]:
    """Give the time before the first link, with what the receiver put out by itself after it.

    A transmitter may take long to begin, and its mark is there before its signal; a receiver may
    be given power later still. What was held since then is no stick's if it is never met again
    while the link is there: at all, or to `STEP_US` where it ends from one frame to the next.
    """
    dwells, until_s = output.dwells, start_s if linked_s is None else linked_s
    rise_s, frame_s = output.table.rise_s[output.table.measured], output.usual_us / 1e6
    place = int(np.searchsorted(rise_s, until_s))
    before_s = max(float(rise_s[place - 1]) if place else start_s, start_s)
    begins = place < rise_s.size and rise_s[place] - before_s > quiet_limit_s(output.usual_us)
    first = int(np.searchsorted(dwells.start_s, until_s))
    if first + 1 < len(dwells) and (begins or until_s > start_s):
        steps = bool(dwells.start_s[first + 1] - dwells.end_s[first] <= STEP_FRAMES * frame_s)
        span_us = output.table.convention.span_us
        near_us = SAME_WIDTH * span_us
        apart_us = np.abs(dwells.level_us - dwells.level_us[first])
        alike = (apart_us <= (STEP_US if steps else near_us)) & ~inside(lost, dwells.start_s)
        is_own = steps if begins else bool(first and apart_us[first - 1] <= near_us)
        if is_own and not alike[first + 1 :].any():
            until_s = float(dwells.end_s[first]) + frame_s / 2.0
    return [Span(start_s, until_s)] if until_s > start_s else []


def _over_s(loss: Loss, event: LossEvent, end_s: float) -> float:
    """Return when a loss is over for a channel; silence lasts until its own next pulse."""
    if event.recovered_s is not None:
        return max(loss.back_s, event.recovered_s)
    return end_s if event.case.response.is_quiet else loss.back_s


def _parted(output: Output, frames: Frames, told: FoundMoments, name: str) -> Output:
    """Break a line's dwells at the first link, and at each of its losses and returns."""
    own = (loss for loss in told.losses if name in loss.lines)
    moments = {moment for loss in own for moment in (loss.lost_s, loss.back_s)}
    breaks = sorted(moments | ({told.linked_s} if told.linked_s else set()))
    if not breaks:
        return output
    return replace(output, dwells=find_dwells(output.table, frames, tuple(breaks)))


def _with_unstated(losses: tuple[Loss, ...], inferred: Iterable[Loss]) -> tuple[Loss, ...]:
    """Add what the outputs show of losses that no marked or stated one covers."""
    others = [
        own
        for own in inferred
        if not any(own.lost_s <= loss.back_s and loss.earliest_s <= own.back_s for loss in losses)
    ]
    return tuple(sorted((*losses, *others), key=lambda loss: loss.lost_s))


def _examine(  # noqa: PLR0917 - all that every channel is examined with
    outputs: Mapping[str, Output],
    told: FoundMoments,
    limits: Limits,
    capture: Capture,
    sheet: BenchSheet | None,
    supplies: Mapping[str, Supply | None],
) -> dict[str, LineLosses]:
    """Say what every channel did at each loss, all lines together."""
    span = Span(capture.start_s, capture.end_s)
    pulses = sum(len(output.table) for output in outputs.values())
    watched = at_once(
        lambda n: watch_line(
            outputs[n], expectation_of(sheet, n), told.losses, capture, told.off_until_s
        ),
        outputs,
        pulses,
    )
    responses, evidence = gather(watched, told.losses, span, limits.failsafe_s)
    watched = {name: replace(line, responses=responses[name]) for name, line in watched.items()}
    stands = _where_limit_stands(sheet, limits)
    limit = f"stands still within {limits.failsafe_s:g} s of the loss ({stands})"
    polarity = told.polarity or Polarity.STATED
    # A button is pressed late: the link may have been there before it shows on.
    linked_s = told.linked_s if polarity.is_known else None
    if linked_s is not None and told.losses:
        linked_s -= max(loss.moment.late_s for loss in told.losses)
    was_off = linked_s is not None and linked_s > capture.start_s
    first_s = capture.start_s if linked_s is None else max(linked_s, capture.start_s)
    lost = [loss for loss in told.losses if loss.is_marked or linked_s is None]
    ons_s = (first_s, *(loss.back_s for loss in lost))
    offs_s = (*(loss.earliest_s for loss in lost), capture.end_s)
    linked = [Span(on_s, max(on_s, off_s)) for on_s, off_s in zip(ons_s, offs_s, strict=True)]
    first_link = first_link_hazards(
        {name: line.output.table for name, line in watched.items()},
        {name: line.expected for name, line in watched.items()},
        linked[0], capture.source,
    ) if was_off else {}  # fmt: skip

    def own_losses(name: str) -> LineLosses:
        line = watched[name]
        table = line.output.table
        before = before_link(table, line.output.usual_us, capture.start_s, linked_s)
        power_up = power_up_finding(
            table, capture.lines[name], before, line.expected, limits.failsafe_s
        )
        events = _events(
            line, evidence[name], limits.failsafe_s, capture.end_s, polarity, told=told
        )
        events = with_supplies(events, supplies)
        finding = loss_finding(events, "" if line.expected.is_informative else limit)
        trials, recovery = examine_trials(events), recovery_finding(events, line.expected)
        findings = [finding, stop_time_finding(events), trials.finding, recovery, power_up]
        restarts = [event for event in events if event.is_restart]
        if restarts:
            findings.append(told_of(restart_finding(restarts), restarts, supplies))
        # Lines of sticks may be the transmitter's, and show nothing of the link.
        mates = {
            mate: own
            for mate, own in _of_one_clock(name, outputs, evidence).items()
            if mate not in watched or watched[mate].expected.role not in STICKS
        }
        ran = first_link_finding(line.output, line.expected, mates, linked, was_off=was_off)
        arming = arming_finding(table, before, line.expected)
        findings += [found for found in (arming, ran) if found is not None]
        early = power_up_hazard(table, before, line.expected, limits.failsafe_s, capture.source)
        comes = early or first_link.get(name)
        # Where the link was there, a switch was thrown.
        is_switch = ran is None and early is None and comes and comes.kind is HazardKind.UNLINKED
        hazards = hazards_of(events, line.expected, capture.source)
        hazards = hazards if comes is None or is_switch else (*hazards, comes)
        return LineLosses(events, finding, trials, tuple(findings), hazards)

    return at_once(own_losses, watched, pulses)


def _of_one_clock(
    name: str, outputs: Mapping[str, Output], evidence: Mapping[str, tuple[Evidence, ...]]
) -> dict[str, Output]:
    """Give the outputs of a line's receiver, itself among them."""
    mates = {name, *(mate for own in evidence[name][:1] for mate in own.one_clock)}
    return {mate: own for mate, own in outputs.items() if mate in mates}


def _events(
    line: Watched,
    evidence: tuple[Evidence, ...],
    limit_s: float,
    end_s: float,
    polarity: Polarity,
    *,
    told: FoundMoments,
) -> tuple[LossEvent, ...]:
    table = line.output.table
    setting = Setting(
        table.line,
        line.expected,
        limit_s,
        line.frame_s,
        table.convention.span_us,
        line.range_us,
        end_s,
        polarity,
        table.other_polarity is not None or _reads_either_way(table),
        tuple([(frames.start_s, frames.end_s) for frames in table.damaged]),
        table.time_scale is not None,
        told.is_lateness_known,
        sum(not loss.is_restart for loss in line.losses),
        told.is_switch,
    )
    windows = Windows(
        np.array([loss.earliest_s for loss in line.losses]),
        np.array([loss.back_s for loss in line.losses]),
        np.array([own.until_s for own in evidence]),
    )
    times = find_stop_times(table, line.output.usual_us, windows, line.expected, end_s)
    back_s = [recovered_s(response, end_s) for response in line.responses]
    until_s = np.array(
        [back or loss.back_s for back, loss in zip(back_s, line.losses, strict=True)]
    )
    lost_s = np.array([loss.lost_s for loss in line.losses])
    odd, outside = count_odd(table, lost_s, until_s)
    columns = (times.stopped_s, times.last_outside_s, times.before_us, times.was_outside,
               times.ran_on, odd, outside)  # fmt: skip
    interval_us = table.sample_interval_us
    events = []
    for loss, response, own, recovered, *figures in zip(
        line.losses, line.responses, evidence, back_s, *(c.tolist() for c in columns), strict=True
    ):
        stopped_s, last_outside_s, before_us, was_outside, ran_on, glitches, beyond = figures
        case = Case(
            loss, response, own, setting, loss.timing_error_s(interval_us), stopped_s,
            last_outside_s, before_us, was_outside, ran_on,
        )  # fmt: skip
        relink_s = None
        if loss.is_marked and loss.came_back and recovered is not None:
            relink_s = max(0.0, recovered - loss.back_s)
        jump = jump_us(loss, response, line.expected, setting.span_us)
        recovery = Recovery(relink_s, jump, glitches, beyond)
        events.append(LossEvent(case, *judge_loss(case), recovered, recovery))
    return tuple(events)


def _reads_either_way(table: PulseTable) -> bool:
    """Say whether the pauses between pulses last as long as servo pulses, too.

    Pulses that begin evenly and pauses of pulses that end evenly look alike.
    """
    convention, measured = table.convention, table.measured
    if np.count_nonzero(measured) < MIN_GOOD:
        return False
    pause_us = (1e6 * np.diff(table.rise_s) - table.width_us[:-1])[measured[:-1]]
    fits = (pause_us >= convention.accepted_low_us) & (pause_us <= convention.accepted_high_us)
    longer = (pause_us > convention.accepted_high_us) & (
        pause_us < 1e6 * quiet_limit_s(convention.period_us)
    )
    return bool(np.mean(fits) > EITHER_WAY and np.count_nonzero(longer) < MIN_LONG_PAUSES)


def _where_limit_stands(sheet: BenchSheet | None, limits: Limits) -> str:
    if sheet is not None and limits.failsafe_s == sheet.failsafe_s:
        return f"limit of {sheet.rulebook or 'the bench sheet'}"
    return f"{limits.basis_of('failsafe_s')}; the rulebook decides"
