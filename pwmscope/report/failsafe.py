"""What the failsafe check found, as text and as data (docs/failsafe.schema.json)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from pwmscope.bench import CAUTIONS
from pwmscope.errors import Reason, named
from pwmscope.findings.failsafe import (
    CONFIDENCE,
    PULL_SCATTER_S,
    Alternative,
    Failsafe,
    FailsafeLine,
    Ground,
    InRecording,
    LeftOut,
    LinkState,
    LossEvent,
    RotorInRecording,
    RotorLoss,
    StateOfLine,
    link_states,
    needed_trials,
)
from pwmscope.findings.sensors import MOTION_STOP, Motion
from pwmscope.model import Hazard, Verdict, badness, format_device, format_line
from pwmscope.report.answer import MAX_ACTIONS, format_headline, list_actions
from pwmscope.report.data import Json, capture_data, event_data, finding_data, json_text, picked
from pwmscope.report.evidence import Evidence, format_left_out, format_reason
from pwmscope.report.sentences import (
    format_number,
    print_section,
    print_table,
    print_wrapped,
    table_of,
)

MAX_EVENTS: Final = 6
"""So many losses of a line are told one by one on the screen; the JSON tells all."""
COLUMNS: Final = (
    "'stops in': the longest time from the loss until the device was commanded to stand still, "
    "uncertainty included.",
    "'back at': when the output pulsed or moved again.",
)
"""What the table's columns mean."""
WANTED_RATE: Final = 0.05


def print_failsafe_details(check: Failsafe, console: Console) -> None:
    """Print what each line did at each loss, how that is known, and what was assumed."""
    sources = [rec.source for rec in check.recordings]
    for line in check.lines:
        print_section(_heading(line), [line.sentence], console)
        if line.rotor_losses:
            print_table(_rotor_table(line, sources), console)
            _print_reasons(line, console)
        if line.losses:
            console.print(losses_table(line, sources))
            _print_reasons(line, console)
    if check.sheet is not None:
        console.print()
        console.print(Text("By the state of the link", style="bold"))
        console.print(states_table(check))
    for heading, sentences in _parts(check):
        print_section(heading, sentences, console)


def _print_reasons(line: FailsafeLine, console: Console) -> None:
    for reason in format_reasons(line):
        print_wrapped(reason, console, "  - ", "    ")


def print_causes(check: Failsafe, console: Console, why: str) -> None:
    """Print which other causes of each loss are refuted, of one line or of all."""
    sources = [rec.source for rec in check.recordings]
    for line in check.lines:
        if why in (line.line, "all"):
            for heading, table in _causes_tables(line, sources):
                console.print()
                console.print(Text(heading, style="bold"))
                print_table(table, console)


def format_failsafe_line(line: FailsafeLine) -> str:
    """Name a line with its role and device."""
    return format_device(line.line, line.expected.role or "", line.device)


def overall_failsafe_sentence(check: Failsafe) -> str:
    """Say in one sentence what the check shows about the whole bench."""
    limit = f"the limit of {check.limits.failsafe_s:g} s after the signal is lost"
    judged = check.judged
    if not judged:
        return f"Not shown: no line has a device to hold against {limit}."
    by = {
        verdict: ", ".join(format_line(line.line) for line in judged if line.verdict is verdict)
        for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN, Verdict.MEETS)
    }
    if check.verdict is Verdict.MEETS:
        return f"Every line with a device meets {limit}: {by[Verdict.MEETS]}."
    said = [f"{verdict.value}: {lines}" for verdict, lines in by.items() if lines]
    told = "; ".join(said)
    return f"Held against {limit}, {told}."


def _parts(check: Failsafe) -> Iterator[tuple[str, list[str]]]:
    several = len(check.recordings) > 1
    if several:
        numbered = enumerate((rec.source for rec in check.recordings), start=1)
        yield "Recordings", [f"{number}: {source}" for number, source in numbered]
    yield "The columns", list(COLUMNS) if any(line.losses for line in check.lines) else []
    lines = [line for line in check.lines if line.recordings or line.rotors]
    for name, heading in (
        ("signal loss trials", "The losses together"),
        ("recovery", "When the link came back"),
        ("power-up", "Before the link"),
        ("start-up width", "What it learns at start"),
        (MOTION_STOP, "What the device itself did"),
    ):
        yield heading, list(_format_findings(lines, name, several=several))
    known = dict.fromkeys(e.known_from for line in lines for _, e in line.losses)
    yield "How the moments of loss are known", [*known][:MAX_EVENTS]
    if check.verdict is not Verdict.MEETS:
        yield (
            "Before you record again",
            list(CAUTIONS if check.sheet is None else check.sheet.cautions),
        )
        yield "What to record", list(procedure(check.limits.failsafe_s))
    yield "Held against", list(_limits(lines))
    yield "Assumed", assumptions(check)


def _heading(line: FailsafeLine) -> str:
    if line.rotors:
        return f"What {format_failsafe_line(line)} did, by its rotor: it has no pin to record"
    band = line.expected.band
    held = f"; stop range {band.words}" if band else ""
    silent = {True: "stops", False: "keeps going", None: "not known"}[line.expected.no_pulses_stop]
    also = f"; without pulses: {silent}" if line.expected.role else ""
    return f"What {format_failsafe_line(line)} did{held}{also}"


def _limits(lines: list[FailsafeLine]) -> Iterator[str]:
    recordings = (rec for line in lines for rec in line.seen_in)
    findings = (f for rec in recordings for f in rec.losses.findings)
    for limit in dict.fromkeys(f.limit for f in findings if f.limit):
        yield f"{limit[0].upper()}{limit[1:]}."


def _format_findings(lines: list[FailsafeLine], name: str, *, several: bool) -> Iterator[str]:
    """Say one finding of every line; lines that say the same are told together."""
    told: dict[str, list[str]] = {}
    jumped = [rec for line in lines for rec in line.recordings if rec.losses.hazards]
    for line in lines:
        if name == "signal loss trials" and several:
            told.setdefault(line.trials.finding.sentence, []).append(format_line(line.line))
            continue
        for rec in line.seen_in:
            finding = rec.finding(name)
            is_told = name == "recovery" and any(rec is own for own in jumped)
            if finding is not None and not is_told:
                where = f"{rec.source}: " if several else ""
                told.setdefault(f"{where}{finding.sentence}", []).append(format_line(line.line))
    for sentence, names in told.items():
        yield f"{', '.join(names)}: {sentence}"


def losses_table(line: FailsafeLine, sources: list[str]) -> Table:
    """Tell a line's losses, those that govern the verdict first."""
    rows = []
    for rec, event in sorted(line.losses, key=lambda pair: _urgency(pair[1]))[:MAX_EVENTS]:
        bounds_s = None if event.verdict is Verdict.NOT_SHOWN else event.stop_bounds_s
        rows.append(
            (
                str(sources.index(rec.source) + 1),
                f"{event.lost_s:.3f}",
                f"{format_phases(event)}{_format_odd(event)}",
                format_number(bounds_s[1] if bounds_s else None, 3),
                format_number(event.recovered_s, 3),
                "" if event.verdict is None else event.verdict.value,
            )
        )
    heads = ("recording", "lost at, s", "what it did", "stops in, s", "back at, s", "verdict")
    return _of_recordings(heads, rows, sources, right=(0, 1, 3, 4))


def _of_recordings(
    heads: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
    sources: list[str],
    right: Iterable[int],
) -> Table:
    """Lay out rows that begin with the recording's number; one recording needs none."""
    if len(sources) > 1:
        return table_of(heads, rows, right=right)
    return table_of(heads[1:], [row[1:] for row in rows], right=[at - 1 for at in right if at])


def _rotor_table(line: FailsafeLine, sources: list[str]) -> Table:
    """Tell the losses of a device without a pin, as its rotor shows them."""
    worst = sorted(line.rotor_losses, key=lambda own: _urgency(own[1]))
    rows = [
        (
            str(sources.index(rec.source) + 1),
            f"{event.lost_s:.3f}",
            format_number(event.stop.before_per_minute, 0),
            format_number(event.stop.slow_s[1] if event.stop.slow_s else None, 3),
            format_number(event.again_s, 3),
            event.verdict.value,
        )
        for rec, event in worst[:MAX_EVENTS]
    ]
    turning = ("turned before, 1/min", "slow in, s", "turns again in, s")
    return _of_recordings(("recording", "lost at, s", *turning, "verdict"), rows, sources, range(5))


def states_table(check: Failsafe) -> Table:
    """Tell what each device does in each state of the link."""
    cells = {(cell.state, cell.line): cell for cell in link_states(check)}
    lines = list(dict.fromkeys(line for _, line in cells))
    rows = [
        (state.value, *(format_state(cells[state, line]) for line in lines)) for state in LinkState
    ]
    return table_of(("state", *map(format_line, lines)), rows)


def format_state(cell: StateOfLine) -> str:
    """Give a device's verdict in one state; a dash where the recording does not hold it.

    >>> from pwmscope.findings.failsafe import LinkState, StateOfLine
    >>> format_state(StateOfLine(LinkState.LOST, "RX1", Verdict.MEETS, 10, ""))
    'meets'
    >>> format_state(StateOfLine(LinkState.LOST, "RX1", Verdict.NOT_SHOWN, 0, ""))
    'not shown: not recorded'
    >>> format_state(StateOfLine(LinkState.BACK_STICKS_UP, "RX1", None, 3, ""))
    'runs at once'
    """
    if not cell.seen:
        return f"{Verdict.NOT_SHOWN.value}: not recorded"
    return "runs at once" if cell.verdict is None else cell.verdict.value


@dataclass(frozen=True, slots=True)
class HomeTest:
    """The last failsafe check of a robot with several losses, by the register."""

    number: int  # The entry's
    day: str  # On which it was entered, UTC
    verdict: str
    losses: int  # The most that one line has
    levels: dict[str, tuple[str, float | None]]  # Each line's class, and width, in its last loss


SAME_US: Final = 10.0
"""Two recordings show an output at one width where it differs by no more."""


def left_open(check: Failsafe, home: HomeTest | None = None) -> Iterator[str]:
    """Say which other explanations one loss leaves open, and what the home test showed.

    Nothing is said where there are several losses, or nothing is open.
    """
    lines = [line for line in check.judged if line.verdict is Verdict.NOT_SHOWN]
    events = {
        line.line: [event for _, event in line.all_losses if not event.is_restart] for line in lines
    }
    if not lines or any(len(own) > 1 for own in events.values()):
        return
    causes: dict[str, list[str]] = {}
    for name, own in events.items():
        for alternative in (a for event in own for a in event.alternatives if not a.refuted):
            causes.setdefault(alternative.cause.value, []).append(format_line(name))
    if not causes:
        return
    yield "One loss leaves these explanations open:"
    for cause, names in causes.items():
        yield f"  - {cause}: {', '.join(names)}"
    if home is None:
        yield "Ten losses at home may close them. No register names such a test of this robot."
        return
    yield f"The home test, entry {home.number} of {home.day}: {home.verdict}, {home.losses} losses."
    unlike = [
        format_line(name)
        for name, own in events.items()
        if own
        and isinstance(last := own[-1], LossEvent)
        and not _is_alike(last, home.levels.get(name))
    ]
    if unlike:
        yield f"{', '.join(unlike)} did otherwise here than at home. Look at both."
    else:
        yield "Each output did the same here as at home. This loss alone stays not shown."


def _is_alike(event: LossEvent, level: tuple[str, float | None] | None) -> bool:
    """Say whether an output did in a loss what it did in another recording's."""
    if level is None or event.behaviour is None or event.behaviour.value != level[0]:
        return False
    here_us, there_us = event.preset_us, level[1]
    if here_us is None or there_us is None:
        return here_us is there_us
    return abs(here_us - there_us) <= SAME_US


def _urgency(event: LossEvent | RotorLoss) -> tuple[int, float]:
    return badness(event.verdict), -event.stop_bounds_s[1] if event.stop_bounds_s else 0.0


def format_phases(event: LossEvent) -> str:
    """Say what an output did in a loss, step by step."""
    if event.is_restart:
        return "supply or receiver restart"
    phases = event.phases
    told = []
    for phase in phases:
        level = "" if phase.level_us is None else f" {phase.level_us:.0f} us"
        lasted = f" for {phase.end_s - phase.start_s:.2f} s" if phase is not phases[-1] else ""
        told.append(f"{phase.kind.value}{level}{lasted}")
    return ", ".join(told) if told else "silent around the loss"


def _format_odd(event: LossEvent) -> str:
    recovery = event.recovery
    told = [
        f"{count} {what}"
        for count, what in (
            (recovery.odd_pulses, "glitches or foreign pulses"),
            (recovery.outside_convention, "pulses well outside the convention"),
        )
        if count
    ]
    return f"; {' and '.join(told)}" if told else ""


def format_reasons(line: FailsafeLine) -> Iterator[str]:
    """Say why losses do not meet the limit or do not show it, each reason once."""
    told: dict[str, list[str]] = {}
    events = [event for _, event in line.all_losses]
    for event in sorted(events, key=_urgency)[:MAX_EVENTS]:
        if event.verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN):
            told.setdefault(event.reason, []).append(f"{event.lost_s:.3f} s")
    for reason, moments in told.items():
        yield f"{', '.join(moments)}: {reason}"
    if len(events) > MAX_EVENTS:
        left = len(events) - MAX_EVENTS
        yield f"{left} more losses are not listed here. The JSON lists all."


def _causes_tables(line: FailsafeLine, sources: list[str]) -> Iterator[tuple[str, Table]]:
    """Tell the alternative causes of a line's losses, those that govern first."""
    losses = line.all_losses
    judged = [(rec, event) for rec, event in losses if event.alternatives]
    judged.sort(key=lambda pair: badness(pair[1].verdict))
    for rec, event in judged[:MAX_EVENTS]:
        where = f" in recording {sources.index(rec.source) + 1}" if len(sources) > 1 else ""
        word = event.verdict.value if event.verdict else "no verdict"
        heading = f"Why {format_line(line.line)} at {event.lost_s:.3f} s{where}: {word}"
        yield heading, _table(event)


def _table(event: LossEvent | RotorLoss) -> Table:
    odd, rows = event.recovery.odd_pulses if isinstance(event, LossEvent) else 0, []
    for alternative in event.alternatives:
        ground = format_ground(alternative)
        if odd and alternative.ground is Ground.WHOLE:
            ground += f", beside {odd} glitches"
        rows.append((alternative.cause.value, "yes" if alternative.refuted else "no", ground))
    if event.verdict is Verdict.NOT_SHOWN and all(a.refuted for a in event.alternatives):
        rows.append(("none of these", "no", event.reason))
    return table_of(("another cause", "refuted", "by what"), rows)


def format_ground(alternative: Alternative) -> str:
    """Say what refutes a cause, or leaves it open, with lines, time and odds.

    >>> from pwmscope.findings.failsafe import Cause, Ground
    >>> format_ground(Alternative(Cause.HAND, Ground.TOGETHER, ("RX1", "RX3"), 6.8, 2e-5, 10))
    "two sticks' lines changed together (RX1, RX3; 6.800 s; 10 losses; odds 2e-05)"
    >>> format_ground(Alternative(Cause.HAND, Ground.MACHINE, (), None, 2e-5))
    "its delay is a machine's (odds 2e-05; a person's times scatter by 25 ms at least)"
    """
    more = [", ".join(map(format_line, alternative.lines))] if alternative.lines else []
    if alternative.at_s is not None:
        more.append(f"{alternative.at_s:.3f} s")
    if alternative.losses is not None:
        more.append(f"{alternative.losses} losses")
    if alternative.odds is not None:
        more.append(f"odds {alternative.odds:.0e}")
    if alternative.ground is Ground.MACHINE:
        more.append(f"a person's times scatter by {1e3 * PULL_SCATTER_S:.0f} ms at least")
    return alternative.ground.value + (f" ({'; '.join(more)})" if more else "")


def procedure(limit_s: float) -> tuple[str, ...]:
    """List how to record a signal loss that shows something (common practice)."""
    trials = needed_trials(WANTED_RATE)
    return (
        "Wire the transmitter's switch to a spare input of the analyser. A push-button pressed "
        "with the switch does as well.",
        named("Name that line as the marker in the bench sheet, or with `marker`."),
        "Start recording before the receiver has power. The outputs are then seen before the link.",
        "Switch the transmitter on. Hold every stick well off its rest and keep it there.",
        f"Switch the transmitter off and wait {limit_s + 2.0:g} s. Keep holding the sticks.",
        "Switch it on again and expect every output to jump. Then let go.",
        f"Repeat it. {trials} losses that all meet the limit show a failure rate below "
        f"{WANTED_RATE:.0%} ({CONFIDENCE:.0%} confidence).",
    )


def assumptions(check: Failsafe) -> list[str]:
    """List what was assumed, once each: while reading, of the marker, of the stop ranges."""
    said = [
        sentence
        for rec in check.recordings
        for sentence in (*rec.lines.capture.assumptions, *rec.found.said, *rec.lines.notes)
    ]
    said += [
        f"{format_line(line.line)}: {line.expected.band.source}"
        for line in check.lines
        if line.expected.band is not None and not line.rotors
    ]
    said.append("The analyser's clock is taken to be right within 100 ppm (common practice).")
    return list(dict.fromkeys(said))


SCHEMA: Final = 1


def failsafe_data(check: Failsafe) -> dict[str, Json]:
    """Turn a failsafe check into plain data, following schema 1."""
    sheet, evidence = check.sheet, Evidence(check, check.sheet)
    return {
        "schema": SCHEMA,
        "verdict": check.verdict.value,
        "headline": format_headline(evidence),
        "sentence": overall_failsafe_sentence(check),
        "hazards": [hazard_data(hazard) for hazard in check.hazards],
        "left_out": [left_out_data(left) for left in check.left_out],
        "actions": [action.sentence for action in list_actions(evidence)[:MAX_ACTIONS]],
        "limit": picked(check.limits, "failsafe_s source"),
        "sheet": None if sheet is None else picked(sheet, "source robot"),
        "recordings": [
            {
                **capture_data(rec.lines.capture),
                "source": rec.source,
                "marker": rec.reference.line,
                "marker_kind": rec.reference.kind,
                "marker_late_s": rec.reference.late_s if rec.reference.line else None,
                "marker_polarity": rec.found.polarity.value if rec.found.polarity else None,
            }
            for rec in check.recordings
        ],
        "assumptions": list(assumptions(check)),
        "lines": [_line(line) for line in check.lines],
        "link_states": [
            picked(cell, "state line verdict seen sentence") for cell in link_states(check)
        ],
    }


def failsafe_json(check: Failsafe) -> str:
    """Write a failsafe check as JSON text, two spaces deep, ending in a line break."""
    return json_text(failsafe_data(check))


def _line(line: FailsafeLine) -> dict[str, Json]:
    expected, trials = line.expected, line.trials
    band = expected.band
    motions = [(rec, m) for rec in line.seen_in if (m := rec.losses.motion) is not None]
    return {
        "line": line.line,
        "role": expected.role,
        **picked(line, "device verdict sentence"),
        **({"to_do": to_do} if (to_do := _to_do(line)) else {}),
        "hazards": [hazard.sentence for hazard in line.hazards],
        "stop_range": None if band is None else picked(band, "low_us high_us source"),
        "no_pulses_stop": expected.no_pulses_stop,
        "trials": {
            "meets": trials.meets,
            "does_not_meet": trials.fails,
            "not_shown": trials.not_shown,
            "failure_rate_below": trials.bound,
            **picked(trials, "stop_s"),
        },
        "findings": [
            {"source": rec.source, "finding": finding_data(finding)}
            for rec in line.seen_in
            for finding in rec.losses.findings
        ],
        "losses": [
            {
                "source": rec.source,
                "loss": event_data(event),
                "reasons": event.reasons,
                "alternatives": _causes_data(event),
            }
            for rec, event in line.losses
        ],
        **({"motion": [_motion(rec, motion) for rec, motion in motions]} if motions else {}),
    }


def _to_do(line: FailsafeLine) -> str:
    """Say what to do so that a line's failsafe is shown; empty where nobody knows, or it is."""
    if line.verdict is not Verdict.NOT_SHOWN:
        return ""
    reason = format_reason(line)
    return reason.to_do if isinstance(reason, Reason) else ""


def _motion(rec: InRecording, motion: Motion) -> dict[str, Json]:
    kept = "lost_s verdict reason slow_s before_per_minute silent_s below_per_minute"
    stops = [picked(stop, kept) for stop in motion.stops]
    if isinstance(rec, RotorInRecording):
        for stop, event in zip(stops, rec.losses.events, strict=True):
            stop |= {**picked(event, "slowed_s again_s"), "alternatives": _causes_data(event)}
    return {"source": rec.source, "line": motion.line, "stops": [*stops]}


def _causes_data(event: LossEvent | RotorLoss) -> list[Json]:
    """Turn the alternative causes of one loss of one line into plain data."""
    kept = "cause refuted ground lines at_s odds losses"
    return [picked(alternative, kept) for alternative in event.alternatives]


def hazard_data(hazard: Hazard) -> dict[str, Json]:
    """Turn a hazard into plain data."""
    rate = "" if hazard.per_minute is None else "per_minute"
    kept = "kind lines at_s width_us from_us times losses source sentence"
    return picked(hazard, f"{kept} {rate}")


def left_out_data(left: LeftOut) -> dict[str, Json]:
    """Turn something that was left out into plain data."""
    kept = picked(left, "kind what from_s to_s level_us weighs")
    return {**kept, "sentence": format_left_out(left)}
