"""What each channel does when the signal is lost, and whether it stops in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pwmscope.bench import COMMON_PRACTICE, BenchSheet, Limits
from pwmscope.capture import Capture
from pwmscope.findings.failsafe.event import LossEvent, Recovery
from pwmscope.findings.failsafe.expectation import Expectation, expectation_of
from pwmscope.findings.failsafe.inferred import Output
from pwmscope.findings.failsafe.losses import Known, Loss
from pwmscope.findings.failsafe.phases import Phase, PhaseKind
from pwmscope.findings.failsafe.power_up import (
    POWER_UP_DEFINITION,
    before_link,
    power_up_finding,
)
from pwmscope.findings.failsafe.recovery import JUMP_DEFINITION, recovery_finding
from pwmscope.findings.failsafe.response import LossClass
from pwmscope.findings.failsafe.stated import with_return
from pwmscope.findings.failsafe.stretches import find_stretches
from pwmscope.findings.failsafe.trials import DEFINITIONS as TRIALS_DEFINITIONS
from pwmscope.findings.failsafe.trials import Trials, examine_trials
from pwmscope.findings.failsafe.watch import events_of, watch
from pwmscope.model.definition import Definition
from pwmscope.model.finding import Evidence, Finding, Verdict, measured, not_shown

__all__ = [
    "DEFINITIONS",
    "LossClass",
    "LossEvent",
    "Phase",
    "PhaseKind",
    "Recovery",
    "Silence",
    "examine_silences",
    "with_returns",
]

NAME: Final = "signal loss"
STOP_TIME: Final = "stop time"
RESTART: Final = "supply or receiver restart"
MOST_EVIDENCE: Final = 100
"""So many losses are named as evidence, of those that govern the verdict."""
DEFINITIONS: Final = (
    Definition(
        NAME,
        "What the output does when the transmitter goes off, and whether the device on it is "
        "commanded to stand still, for good, within the event's limit. It is 'meets' only where a "
        "marker or a person gives the moment, the stick was held off rest, the loss lasted longer "
        "than the limit, and neither a hand, a probe nor a restart explains what is seen.",
        "stop time = end of the last pulse outside the stop range (the next pulse, or one frame "
        "where none follows) - moment of loss, plus the moment's uncertainty and a sample "
        "interval; over several losses the worst governs",
        "own algorithm; the limit of 2 s is common practice, the event's rulebook decides",
    ),
    Definition(
        STOP_TIME,
        "How long after the loss the device was commanded to stand still for good, in the slowest "
        "loss. The value is the most that it may have been, the interval what it was at least and "
        "at most.",
        "end of the last pulse outside the stop range - moment of loss, with the moment's "
        "uncertainty, a sample interval and 100 ppm on either side",
        "own algorithm",
    ),
    *TRIALS_DEFINITIONS,
    JUMP_DEFINITION,
    POWER_UP_DEFINITION,
    Definition(
        RESTART,
        "All lines went quiet at once while the transmitter was on: the receiver or its supply "
        "failed for a moment. It is not a loss of the radio signal and shows nothing about it.",
        "no pulse on any line for more than 0.2 s and 5 frames while the marker shows on",
        "own algorithm",
    ),
)


@dataclass(frozen=True, slots=True)
class Silence:
    """All losses as one channel shows them.

    Parameters
    ----------
    events : tuple of LossEvent
        In order of time, restarts among them.
    finding : Finding
        ``signal loss``, held against the failsafe limit.
    trials : Trials
        What the losses say together.
    findings : tuple of Finding
        ``signal loss``, ``stop time``, ``signal loss trials``, ``recovery``, ``power-up`` and,
        where one was seen, ``supply or receiver restart``.
    """

    events: tuple[LossEvent, ...]
    finding: Finding
    trials: Trials
    findings: tuple[Finding, ...]


def with_returns(
    outputs: Mapping[str, Output], losses: tuple[Loss, ...], start_s: float, end_s: float
) -> tuple[Loss, ...]:
    """Find out when stated losses were over; others are known already.

    Parameters
    ----------
    outputs : mapping of str to Output
        The servo lines.
    losses : tuple of Loss
        In order of time.
    start_s, end_s : float
        Start and end of the capture.

    Returns
    -------
    tuple of Loss
    """
    if not outputs or not any(loss.moment.known is Known.STATED for loss in losses):
        return losses
    around = {
        name: find_stretches(output.table, output.usual_us, losses, start_s, end_s).around
        for name, output in outputs.items()
    }
    frame_s = max(output.usual_us for output in outputs.values()) / 1e6
    return tuple(
        with_return(loss, {name: own[k] for name, own in around.items()}, frame_s)
        for k, loss in enumerate(losses)
    )


def examine_silences(
    outputs: Mapping[str, Output],
    losses: tuple[Loss, ...],
    limits: Limits,
    capture: Capture,
    *,
    sheet: BenchSheet | None = None,
    linked_s: float | None = None,
) -> dict[str, Silence]:
    """Say what every channel did at each loss.

    Parameters
    ----------
    outputs : mapping of str to Output
        The servo lines, their dwells broken at each loss and each return.
    losses : tuple of Loss
        The losses of the recording, in order of time.
    limits : Limits
        Gives the failsafe time.
    capture : Capture
        The recording itself.
    sheet : BenchSheet, optional
        What is on each line; without it no channel is said to meet the limit.
    linked_s : float or None
        When a marker first showed the transmitter on; None without a marker.

    Returns
    -------
    dict of str to Silence
        By line.
    """
    start_s, end_s = capture.start_s, capture.end_s
    watched = {
        name: watch(output, expectation_of(sheet, name), losses, start_s, end_s)
        for name, output in outputs.items()
    }
    events = events_of(watched, losses, limits.failsafe_s, end_s)
    stands = _where_limit_stands(sheet, limits)
    limit = f"stands still within {limits.failsafe_s:g} s of the loss ({stands})"
    silences = {}
    for name, line in watched.items():
        table = line.output.table
        before = before_link(table, line.output.usual_us, start_s, linked_s)
        power_up = power_up_finding(
            table, capture.lines[name], before, line.expected, limits.failsafe_s
        )
        silences[name] = _told(events[name], line.expected, limit, power_up)
    return silences


def _where_limit_stands(sheet: BenchSheet | None, limits: Limits) -> str:
    if sheet is not None and limits.failsafe_s == sheet.failsafe_s:
        return f"limit of {sheet.rulebook or 'the bench sheet'}"
    if limits.failsafe_s == COMMON_PRACTICE.failsafe_s:
        return "common practice; the rulebook decides"
    return "as asked for; the rulebook decides"


def _told(
    events: tuple[LossEvent, ...], expected: Expectation, limit: str, power_up: Finding
) -> Silence:
    finding = _finding(events, "" if expected.is_informative else limit)
    trials = examine_trials(events)
    findings = [
        finding,
        _stop_time_finding(events),
        trials.finding,
        recovery_finding(events, expected),
        power_up,
    ]
    restarts = [event for event in events if event.is_restart]
    if restarts:
        findings.append(_restart_finding(restarts))
    return Silence(events, finding, trials, tuple(findings))


def _stop_time_finding(events: tuple[LossEvent, ...]) -> Finding:
    timed = [event for event in events if event.stop_bounds_s and not event.is_restart]
    if not timed:
        reason = (
            "No loss was seen in which the device on this line was commanded to stand still, or "
            "the bench sheet does not say at which widths it does."
        )
        return not_shown(STOP_TIME, "s", reason)
    slowest = max(timed, key=lambda event: event.stop_bounds_s or (0.0, 0.0))
    least_s, most_s = slowest.stop_bounds_s or (0.0, 0.0)
    return measured(
        STOP_TIME, most_s, "s",
        f"The slowest of {len(timed)} losses, at {slowest.lost_s:.3f} s: commanded to stand still "
        f"for good between {least_s:.3f} s and {most_s:.3f} s after the loss.",
        interval=(least_s, most_s),
        evidence=(Evidence(slowest.lost_s, slowest.lost_s + most_s, 0),),
    )  # fmt: skip


def _restart_finding(restarts: list[LossEvent]) -> Finding:
    count = len(restarts)
    return Finding(
        RESTART, float(count), "", None, "no restart while the transmitter is on",
        Verdict.DOES_NOT_MEET,
        tuple(Evidence(event.lost_s, event.recovered_s or event.lost_s, 0) for event in restarts),
        f"{count} restart{'s' if count > 1 else ''} of the supply or the receiver: no line had "
        f"pulses at {restarts[0].lost_s:.3f} s although the transmitter was on. Check battery, "
        "regulator and plugs.",
    )  # fmt: skip


def _finding(events: tuple[LossEvent, ...], limit: str) -> Finding:
    losses = [event for event in events if not event.is_restart]
    if not losses:
        return not_shown(
            NAME, "",
            "The signal was not seen to be lost, so what happens then is not shown. Record again "
            "and, with the weapon removed, the wheels off the ground and the robot restrained, "
            "switch the transmitter off while a stick is held off its rest position.",
            limit=limit,
        )  # fmt: skip
    value = ", ".join(
        dict.fromkeys(event.behaviour.value if event.behaviour else "not shown" for event in losses)
    )
    worst = _worst(losses)
    govern = [event for event in losses if event.verdict is worst.verdict][:MOST_EVIDENCE]
    spans = tuple([Evidence(e.lost_s, e.recovered_s or e.lost_s, 0) for e in govern])
    all_marked = all(event.moment.known is not Known.INFERRED for event in losses)
    times = "once" if len(losses) == 1 else f"{len(losses)} times"
    sentence = f"Signal {'lost' if all_marked else 'seen to be lost'} {times}: {value}."
    if limit:
        which = "" if len(losses) == 1 else f" (loss at {worst.lost_s:.3f} s)"
        sentence += f" {worst.reason[:-1]}{which}."
    return Finding(NAME, value, "", None, limit, worst.verdict, spans, sentence)


def _worst(losses: list[LossEvent]) -> LossEvent:
    """Return the loss that governs: one that does not meet, one not shown, the slowest."""
    for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN):
        for event in losses:
            if event.verdict is verdict:
                return event
    return max(losses, key=lambda event: event.stop_bounds_s[1] if event.stop_bounds_s else 0.0)
