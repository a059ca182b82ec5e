"""The answer: headline, hazards, cards of the devices. The same on every output."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from pwmscope.bench import BenchSheet
from pwmscope.capture import Capture
from pwmscope.findings import LINK_RECORD, Findings, Verdict
from pwmscope.findings.failsafe import NAME as SIGNAL_LOSS
from pwmscope.findings.failsafe import Failsafe, FailsafeLine, LeftOutKind
from pwmscope.model import Hazard, HazardKind, badness, format_line, format_plainly, governing
from pwmscope.report.actions import Action, list_actions
from pwmscope.report.evidence import (
    Check,
    Evidence,
    Judged,
    LineChecks,
    format_failure,
    format_left_out,
    format_lines,
    format_reason,
    format_why,
    grouped_checks,
)
from pwmscope.report.sentences import format_link, format_value

if TYPE_CHECKING:
    from pwmscope.bench.wiring import Wiring

MAX_ACTIONS: Final = 5


@dataclass(frozen=True, slots=True)
class Card:
    """One device, or one line where no bench sheet names the devices.

    Parameters
    ----------
    line, role, device : str
        As the bench sheet has them; role and device are empty without one.
    verdict : Verdict
        The worst over the failsafe check and the checks of its pulses.
    figure : str
        What decides.
    action : str
        What to do; empty where there is nothing.
    link : str
        How fresh its frames are; empty where no recording shows it. It has no verdict.
    decides : str
        The name of the check that decides.
    """

    line: str
    role: str
    device: str
    verdict: Verdict
    figure: str
    action: str
    link: str = ""
    decides: str = ""

    @property
    def told(self) -> str:
        """What decides, and how fresh the link is."""
        return "; ".join(filter(None, (self.figure, self.link)))

    def __str__(self) -> str:
        about = ", ".join(filter(None, (self.role, self.device)))
        named = f"{self.line} ({about})" if about else self.line
        return f"{named}: {self.verdict}. {self.told}." + (f" {self.action}" if self.action else "")


@dataclass(frozen=True, slots=True)
class Answer:
    """What an inspector acts on.

    Parameters
    ----------
    headline : str
        One line.
    verdict : Verdict
        The worst over everything that was held against a limit.
    hazards : tuple of Hazard
        They change neither verdict nor exit code.
    cards : tuple of Card
        One for each device, the worst first.
    actions : tuple of Action
        At most five, the most dangerous first.
    left_out : tuple of str
        What was not judged, each a sentence.
    more_actions : int
        How many things to do beyond those five.
    judged : tuple of Judged
        Everything that was held against a limit; the verdict is the worst of it.
    """

    headline: str
    verdict: Verdict
    hazards: tuple[Hazard, ...]
    cards: tuple[Card, ...]
    actions: tuple[Action, ...]
    left_out: tuple[str, ...]
    more_actions: int = 0
    judged: tuple[Judged, ...] = ()


class Source(Protocol):
    """A recording, and the file that it came from."""

    @property
    def capture(self) -> Capture:
        """What was recorded."""

    @property
    def file(self) -> Path | None:
        """None where it came from no file."""


class Answered(Protocol):
    """What holds an answer, such as what `pwmscope.analyse` gives."""

    @property
    def findings(self) -> Sequence[Findings]:
        """What each recording shows."""

    @property
    def recordings(self) -> Sequence[Source]:
        """What was read."""

    @property
    def failsafe(self) -> Failsafe:
        """The failsafe check."""

    @property
    def sheet(self) -> BenchSheet | None:
        """The bench sheet."""

    @property
    def answer(self) -> Answer:
        """Headline, verdict, hazards, cards and actions."""


def make_answer(evidence: Evidence) -> Answer:
    """Make the answer of what was found."""
    actions = list_actions(evidence)

    def urgency(card: Card) -> tuple[int, int]:
        return badness(card.verdict), evidence.danger(card.line)

    return Answer(
        format_headline(evidence),
        evidence.verdict,
        evidence.hazards,
        tuple(sorted(_cards(evidence, actions), key=urgency)),
        actions[:MAX_ACTIONS],
        tuple(_left_out(evidence)),
        max(0, len(actions) - MAX_ACTIONS),
        evidence.judged,
    )


def format_headline(evidence: Evidence) -> str:
    """Say in one line what an inspector can act on."""
    return format_plainly(_headline(evidence))


def _headline(evidence: Evidence) -> str:  # noqa: PLR0911 - the first that holds
    failsafe, mixing, wiring = evidence.failsafe, evidence.mixing, evidence.wiring
    failed = evidence.failsafe_lines(Verdict.DOES_NOT_MEET)
    if failed:
        also = ", ".join(format_line(line.line) for line in failed[1:])
        more = f"; {also} {'do' if len(failed) > 2 else 'does'} not meet either" if also else ""
        first = f"{evidence.the_device(failed[0].line)} {format_failure(failed[0])}"
        return f"FAILSAFE does not meet: {first}{more}"
    sagging = [c for c in evidence.sensor_checks if c.verdict is Verdict.DOES_NOT_MEET]
    if sagging:
        what = "LINK" if sagging[0].line == LINK_RECORD else "SUPPLY"
        return f"{what} does not meet: {format_why(sagging[0].finding)}"
    broken = grouped_checks(evidence.pulses, Verdict.DOES_NOT_MEET)
    if broken:
        return f"PULSES do not meet: {format_checks(broken)}"
    if mixing is not None and mixing.verdict is Verdict.DOES_NOT_MEET:
        return f"MIXING does not meet: {mixing.arrangement.name or 'the gains differ'}"
    if wiring is not None and wiring.verdict is Verdict.DOES_NOT_MEET:
        return f"WIRING does not meet: {_rules(wiring)}"
    strange = [h for h in evidence.hazards if h.kind is not HazardKind.STICK_HELD]
    if strange:
        return (
            f"FAILSAFE {failsafe.verdict.value}, with a hazard: {strange[0].sentence.rstrip('.')}"
        )
    if not evidence.has_loss and evidence.lines:
        return f"{_format_pulses(evidence)}; failsafe not recorded"
    if failsafe.verdict is Verdict.MEETS:
        open_parts = _open_parts(evidence)
        also = f"; not shown: {'; '.join(open_parts)}" if open_parts else ""
        return f"{_format_met(failsafe)}{also}"
    return f"FAILSAFE not shown: {_why_not_shown(evidence)}"


def _rules(wiring: Wiring) -> str:
    """Name the rules that decide about the wiring."""
    names = [r.name for r in wiring.rulings if r.verdict is wiring.verdict]
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _open_parts(evidence: Evidence) -> list[str]:
    """List what is not shown beside a failsafe that meets its limit."""
    open_checks = grouped_checks(evidence.pulses, Verdict.NOT_SHOWN)
    told = [format_checks(open_checks)] if open_checks else []
    told += [
        f"{check.finding.name}"
        + ("" if check.line == LINK_RECORD else f" of {format_line(check.line)}")
        for check in evidence.sensor_checks
        if check.verdict is Verdict.NOT_SHOWN
    ]
    if evidence.wiring is not None and evidence.wiring.verdict is Verdict.NOT_SHOWN:
        told.append(f"wiring ({_rules(evidence.wiring)})")
    if evidence.asks_for_mixing and evidence.mixing is not None:
        told += ["mixing"] if evidence.mixing.verdict is Verdict.NOT_SHOWN else []
    return told


def _format_met(failsafe: Failsafe) -> str:
    trials = [line.trials for line in failsafe.judged]
    met = min((t.meets for t in trials), default=0)
    seen = max((t.meets + t.fails + t.not_shown for t in trials), default=0)
    slowest_s = failsafe.slowest_s
    took = "" if slowest_s is None else f", slowest {slowest_s:.2f} s"
    if failsafe.slow_s is not None:
        took += f"; motors slow within {failsafe.slow_s:.2f} s"
    return f"FAILSAFE meets, {met} of {seen}{took}"


def _why_not_shown(evidence: Evidence) -> str:
    """Name what is not shown, the most dangerous first."""
    if not evidence.has_loss:
        return "no loss was recorded"
    if evidence.failsafe.judged and evidence.sheet is None:
        return "no bench sheet says at which widths the devices stand still"
    names = [evidence.the_device(line.line) for line in evidence.failsafe_lines(Verdict.NOT_SHOWN)]
    if names:
        return ", ".join(names)
    weighs = [left for left in evidence.failsafe.left_out if left.weighs]
    if weighs:
        return f"{format_line(weighs[0].what)}, {weighs[0].kind.value}"
    return "no line has a device to stop"


def _format_pulses(evidence: Evidence) -> str:
    lines = evidence.pulses
    met = sum(line.verdict is Verdict.MEETS for line in lines)
    if not any(line.checks for line in lines):
        return "PULSES not shown: no line carries servo pulses"
    if met == len(lines):
        return f"PULSES meet, {met} of {len(lines)}"
    told = format_checks(grouped_checks(lines, Verdict.NOT_SHOWN))
    return f"PULSES not shown, {met} of {len(lines)} meet: {told}"


def format_checks(groups: list[tuple[str, tuple[str, ...]]], most: int = 2) -> str:
    """Write checks with their lines; those of the same lines together."""
    names: dict[tuple[str, ...], list[str]] = {}
    for name, lines in groups:
        names.setdefault(lines, []).append(name)
    told = [f"{', '.join(of)} of {format_lines(lines)}" for lines, of in names.items()]
    more = f"; {len(told) - most} more" if len(told) > most else ""
    return f"{'; '.join(told[:most])}{more}"


def _cards(evidence: Evidence, actions: Sequence[Action]) -> Iterator[Card]:
    pulses = {line.line: line for line in evidence.pulses}
    judged = {line.line: line for line in evidence.failsafe.judged}
    names = [*judged, *pulses] if evidence.sheet is None else [*judged]
    for name in dict.fromkeys(names):
        failsafe, checks = judged.get(name), pulses.get(name)
        is_pulsing = bool(failsafe and failsafe.recordings) or bool(checks and checks.checks)
        if evidence.sheet is None and not is_pulsing:
            continue
        verdicts = [failsafe.verdict] if failsafe is not None and failsafe.verdict else []
        verdicts += [checks.verdict] if checks is not None else []
        action = next((a.sentence for a in actions if name in a.lines), "")
        yield Card(
            name,
            evidence.role(name),
            evidence.device(name),
            governing(verdicts),
            _figure(evidence, failsafe, checks),
            action,
            "" if checks is None else format_link(checks.freshness),
            _decides(failsafe, checks),
        )
    linked = [check for check in evidence.sensor_checks if check.line == LINK_RECORD]
    own = [check for check in evidence.sensor_checks if check.line != LINK_RECORD]
    # One card for the link: what governs
    for check in (*own, *sorted(linked, key=_badness)[:1]):
        figure = format_why(check.finding)
        action = next((a.sentence for a in actions if check.line in a.lines), "")
        role, device = evidence.role(check.line), evidence.device(check.line)
        name = check.finding.name
        yield Card(check.line, role, device, check.verdict, figure, action, decides=name)


def _decides(failsafe: FailsafeLine | None, checks: LineChecks | None) -> str:
    """Name the check that decides: the worst, and among equals that of the failsafe."""
    worst = min(checks.checks, key=_badness) if checks is not None and checks.checks else None
    if failsafe is None or failsafe.verdict is None:
        return "" if worst is None else worst.finding.name
    if worst is not None and _badness(worst) < badness(failsafe.verdict):
        return worst.finding.name
    return SIGNAL_LOSS


def _figure(evidence: Evidence, failsafe: FailsafeLine | None, checks: LineChecks | None) -> str:
    """Say what decides: the worst, and among equals the failsafe check."""
    worst = min(checks.checks, key=_badness) if checks is not None and checks.checks else None
    if failsafe is not None and failsafe.verdict is Verdict.DOES_NOT_MEET:
        said = f"{format_failure(failsafe)} when the signal is lost"
        return said[0].upper() + said[1:]
    if worst is not None and worst.verdict is Verdict.DOES_NOT_MEET:
        name = worst.finding.name[0].upper() + worst.finding.name[1:]
        said = f"{name} is {format_value(worst.finding)}"
        return said if worst.finding.unit else format_why(worst.finding)
    if failsafe is not None and (evidence.has_loss or evidence.lines is None):
        return _failsafe_figure(failsafe, worst)
    if worst is None:
        return "No servo pulses were found"
    if worst.verdict is Verdict.NOT_SHOWN:
        return f"The {worst.finding.name} is not shown"
    return "The pulses meet every limit; no signal loss was recorded"


def _failsafe_figure(failsafe: FailsafeLine, worst: Check | None) -> str:
    trials = failsafe.trials
    if failsafe.is_guarded or failsafe.verdict is not Verdict.MEETS:
        return format_why(format_reason(failsafe))
    count = f"{trials.meets} of {trials.meets + trials.not_shown}"
    took = "Stops" if trials.stop_s is None else f"Stops within {trials.stop_s[2]:.2f} s"
    if failsafe.slow_s is not None:
        took += f", slow within {failsafe.slow_s:.2f} s"
    if worst is None or worst.verdict is Verdict.MEETS:
        return f"{took}, {count}"
    return f"{took}, {count}; {worst.finding.name} not shown"


def _badness(check: Check) -> int:
    return badness(check.verdict)


def _left_out(evidence: Evidence) -> Iterator[str]:
    if evidence.read_only:
        names = ", ".join(map(format_line, evidence.read_only))
        yield f"Only {names} were read, as asked. Other lines are not judged."
    for left in evidence.failsafe.left_out:
        if evidence.lines is None or left.kind is not LeftOutKind.NO_LOSS or evidence.has_loss:
            yield format_left_out(left)
    lines = evidence.lines or []
    idle = [line.line for line in lines if line not in evidence.pulses]
    others = [line.line for line in evidence.pulses if line.refused and not line.is_idle]
    if evidence.lines is None:
        others = [line.line for line in evidence.failsafe.lines if not line.recordings]
        others = [line for line in others if not evidence.is_stated(line)]
    if idle:
        yield f"Nothing was recorded on {', '.join(map(format_line, idle))}."
    if others:
        yield f"No servo pulses were found on {', '.join(map(format_line, others))}."
