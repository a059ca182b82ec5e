"""The answer: headline, cards of the devices, what to do next. The same on every output."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from pwmscope.advice.mixing import Advice
from pwmscope.advice.settings import Action as SettingAction
from pwmscope.advice.settings import Setting, SettingsAdvice
from pwmscope.analysis.checks import Check, LineChecks
from pwmscope.bench import BenchSheet
from pwmscope.findings import Finding, Verdict
from pwmscope.findings.failsafe import Failsafe, FailsafeLine
from pwmscope.findings.mixing import Mixing
from pwmscope.model import badness, governing
from pwmscope.report import format_failure, format_value

MAX_ACTIONS: Final = 5
Doing: TypeAlias = Literal["set", "do", "record"]

_THE: Final = {
    "weapon": "the weapon",
    "drive-left": "the left drive",
    "drive-right": "the right drive",
    "servo": "the servo",
}
_DANGER: Final = {"weapon": 0, "drive-left": 1, "drive-right": 1, "servo": 3}
_OTHER_DANGER: Final = 2
"""A line whose device is not stated may be anything but is not known to be a weapon."""


@dataclass(frozen=True, slots=True)
class Hazard:
    """What was seen that can hurt although no limit is held against it.

    Parameters
    ----------
    lines : tuple of str
        The lines on which it was seen.
    sentence : str
        What was seen, and what to do.
    """

    lines: tuple[str, ...]
    sentence: str

    def __str__(self) -> str:
        said = self.sentence.removeprefix("Hazard: ")
        return f"! Hazard: {', '.join(self.lines)}: {said}"


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do next.

    Parameters
    ----------
    doing : {"set", "do", "record"}
        Whether to set something, to do it with one's hands, or to record.
    lines : tuple of str
        The lines it is about; empty where it is about the bench.
    sentence : str
        What to do.
    value : float or None
        What to set it to; None where there is nothing to set.
    unit : str
        Unit of the value.
    """

    doing: Doing
    lines: tuple[str, ...]
    sentence: str
    value: float | None = None
    unit: str = ""


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
    """

    line: str
    role: str
    device: str
    verdict: Verdict
    figure: str
    action: str

    def __str__(self) -> str:
        about = ", ".join(filter(None, (self.role, self.device)))
        named = f"{self.line} ({about})" if about else self.line
        return f"{named}: {self.verdict}. {self.figure}." + (
            f" {self.action}" if self.action else ""
        )


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
        They change neither headline nor verdict.
    cards : tuple of Card
        One for each device.
    actions : tuple of Action
        At most five, the most dangerous first.
    left_out : tuple of str
        What was not judged, each a sentence.
    """

    headline: str
    verdict: Verdict
    hazards: tuple[Hazard, ...]
    cards: tuple[Card, ...]
    actions: tuple[Action, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the answer is made of.

    Parameters
    ----------
    failsafe : Failsafe
        The failsafe check.
    lines : list of LineChecks
        The checks of the pulses.
    sheet : BenchSheet or None
        The bench sheet.
    mixing : Mixing or None
        What the drive outputs do; None where there are none.
    ways : tuple of Advice
        What to change about it.
    settings : SettingsAdvice or None
        What to set; None without a bench sheet.
    """

    failsafe: Failsafe
    lines: list[LineChecks]
    sheet: BenchSheet | None
    mixing: Mixing | None
    ways: tuple[Advice, ...]
    settings: SettingsAdvice | None

    @property
    def pulses(self) -> list[LineChecks]:
        """The lines whose pulses are judged: all but those that carry nothing for nobody."""
        return [line for line in self.lines if self.is_stated(line.line) or not line.is_idle]

    @property
    def has_loss(self) -> bool:
        """Whether a signal loss was recorded."""
        return any(not event.is_restart for line in self.failsafe.lines for _, event in line.losses)

    def is_stated(self, line: str) -> bool:
        """Say whether the bench sheet names a device on a line."""
        channel = None if self.sheet is None else self.sheet.channels.get(line)
        return channel is not None and channel.is_device

    def role(self, line: str) -> str:
        """Return a line's role; empty where no sheet states it."""
        channel = None if self.sheet is None else self.sheet.channels.get(line)
        return "" if channel is None else channel.role

    def device(self, line: str) -> str:
        """Return the device on a line; empty where no sheet states it."""
        channel = None if self.sheet is None else self.sheet.channels.get(line)
        return "" if channel is None else channel.device

    def danger(self, line: str) -> int:
        """Rank a line by what its device can do; 0 for a weapon."""
        return _DANGER.get(self.role(line), _OTHER_DANGER)

    def the_device(self, line: str) -> str:
        """Name a line's device within a sentence."""
        role = self.role(line)
        channels = () if self.sheet is None else self.sheet.channels.values()
        is_only = sum(channel.role == role for channel in channels) == 1
        return _THE[role] if role in _THE and is_only else line


def make_answer(evidence: Evidence) -> Answer:
    """Make the answer of what was found."""
    hazards = _hazards(evidence)
    actions = tuple(action for _, action in sorted(_actions(evidence, hazards), key=_rank))
    return Answer(
        _headline(evidence),
        _verdict(evidence),
        hazards,
        tuple(_cards(evidence, actions)),
        actions[:MAX_ACTIONS],
        tuple(_left_out(evidence, len(actions))),
    )


def _verdict(evidence: Evidence) -> Verdict:
    """Take the worst; drive outputs that mix as wanted, or do not show it, change nothing."""
    verdicts = [evidence.failsafe.verdict, *(line.verdict for line in evidence.pulses)]
    if evidence.mixing is not None and evidence.mixing.verdict is Verdict.DOES_NOT_MEET:
        verdicts.append(Verdict.DOES_NOT_MEET)
    return governing(verdicts)


def _headline(evidence: Evidence) -> str:
    failsafe, mixing = evidence.failsafe, evidence.mixing
    failed = _lines_with(failsafe, Verdict.DOES_NOT_MEET, evidence)
    if failed:
        more = "" if len(failed) == 1 else f"; {_format_more(failed[1:])}"
        first = f"{evidence.the_device(failed[0].line)} {format_failure(failed[0])}"
        return f"FAILSAFE does not meet: {first}{more}"
    broken = _grouped(evidence.pulses, Verdict.DOES_NOT_MEET)
    if broken:
        return f"PULSES do not meet: {_told(broken)}"
    if mixing is not None and mixing.verdict is Verdict.DOES_NOT_MEET:
        return f"MIXING does not meet: {mixing.arrangement.name or 'the gains differ'}"
    if not evidence.has_loss:
        return f"{_format_pulses(evidence)}; failsafe not recorded"
    if failsafe.verdict is Verdict.MEETS:
        open_checks = _grouped(evidence.pulses, Verdict.NOT_SHOWN)
        also = f"; not shown: {_told(open_checks)}" if open_checks else ""
        return f"{_format_met(failsafe)}{also}"
    return f"FAILSAFE not shown: {_why_not_shown(evidence)}"


def _lines_with(failsafe: Failsafe, verdict: Verdict, evidence: Evidence) -> list[FailsafeLine]:
    """List the failsafe lines of a verdict, the most dangerous first."""
    found = [line for line in failsafe.judged if line.verdict is verdict]
    return sorted(found, key=lambda line: evidence.danger(line.line))


def _format_more(lines: list[FailsafeLine]) -> str:
    named = ", ".join(line.line for line in lines)
    return f"{named} {'does' if len(lines) == 1 else 'do'} not meet it either"


def _format_met(failsafe: Failsafe) -> str:
    trials = [line.trials for line in failsafe.judged]
    met = min((t.meets for t in trials), default=0)
    seen = max((t.meets + t.fails + t.not_shown for t in trials), default=0)
    slowest_s = max((t.stop_s[2] for t in trials if t.stop_s is not None), default=None)
    took = "" if slowest_s is None else f", slowest {slowest_s:.2f} s"
    return f"FAILSAFE meets, {met} of {seen}{took}"


def _why_not_shown(evidence: Evidence) -> str:
    """Give the reason of the most dangerous line that is not shown, in one sentence."""
    if not evidence.failsafe.judged:
        return "no line has a device that is held against the limit"
    if evidence.sheet is None:
        return "no bench sheet says at which widths the devices stand still"
    line = _lines_with(evidence.failsafe, Verdict.NOT_SHOWN, evidence)[0]
    return f"{evidence.the_device(line.line)}. {first_sentence(format_reason(line))}"


def format_reason(line: FailsafeLine) -> str:
    """Say why a line's failsafe is not shown."""
    reasons = [e.reason for _, e in line.losses if e.verdict is Verdict.NOT_SHOWN]
    return reasons[0] if reasons else line.sentence


def first_sentence(text: str) -> str:
    """Take the first sentence of a text, or its first clause.

    Examples
    --------
    >>> first_sentence("It stood at 1498.0 us before and after. Hold the stick off its rest.")
    'It stood at 1498.0 us before and after.'
    """
    return re.split(r"(?<=\.)\s+(?=[A-Z])", text, maxsplit=1)[0]


def _format_pulses(evidence: Evidence) -> str:
    lines = evidence.pulses
    met = sum(line.verdict is Verdict.MEETS for line in lines)
    if not any(line.checks for line in lines):
        return "PULSES not shown: no line carries servo pulses"
    if met == len(lines):
        return f"PULSES meet, {met} of {len(lines)}"
    told = _told(_grouped(lines, Verdict.NOT_SHOWN))
    return f"PULSES not shown, {met} of {len(lines)} meet: {told}"


def _told(groups: list[tuple[str, tuple[str, ...]]], most: int = 2) -> str:
    """Write checks with their lines; those of the same lines together."""
    names: dict[tuple[str, ...], list[str]] = {}
    for name, lines in groups:
        names.setdefault(lines, []).append(name)
    told = [f"{', '.join(of)} of {', '.join(lines)}" for lines, of in names.items()]
    more = f"; {len(told) - most} more" if len(told) > most else ""
    return f"{'; '.join(told[:most])}{more}"


def _grouped(lines: Iterable[LineChecks], verdict: Verdict) -> list[tuple[str, tuple[str, ...]]]:
    """List checks of a verdict with their lines; a line without pulses lacks them all."""
    named: dict[str, list[str]] = {}
    for line in lines:
        if not line.checks and verdict is Verdict.NOT_SHOWN:
            named.setdefault("servo pulses", []).append(line.line)
        for check in line.checks:
            if check.verdict is verdict:
                named.setdefault(check.finding.name, []).append(line.line)
    return [(name, tuple(of)) for name, of in named.items()]


def _hazards(evidence: Evidence) -> tuple[Hazard, ...]:
    lines: dict[str, list[str]] = {}
    for line in sorted(evidence.failsafe.lines, key=lambda line: evidence.danger(line.line)):
        for sentence in line.told_hazards:
            lines.setdefault(sentence, []).append(line.line)
    return tuple(Hazard(tuple(named), sentence) for sentence, named in lines.items())


Ranked: TypeAlias = tuple[tuple[int, int], Action]


def _rank(ranked: Ranked) -> tuple[int, int]:
    return ranked[0]


def _actions(evidence: Evidence, hazards: tuple[Hazard, ...]) -> Iterator[Ranked]:
    """List what to do, each with its rank: failures, hazards, mixing, settings, recordings."""
    yield from _failsafe_actions(evidence)
    if hazards:
        lines = tuple(dict.fromkeys(line for hazard in hazards for line in hazard.lines))
        said = (
            f"Bring the sticks to rest before you switch the transmitter on: {', '.join(lines)} "
            "jumped when the link came back."
        )
        yield (1, min(map(evidence.danger, lines))), Action("do", lines, said)
    yield from _mixing_actions(evidence)
    yield from _setting_actions(evidence)
    yield from _check_actions(evidence)
    yield from _recording_actions(evidence)


def _failsafe_actions(evidence: Evidence) -> Iterator[Ranked]:
    for line in _lines_with(evidence.failsafe, Verdict.DOES_NOT_MEET, evidence):
        name, limit_s = _named(line.line, evidence), evidence.failsafe.limits.failsafe_s
        target_us = _target_us(line.line, evidence)
        failed = format_failure(line)
        if target_us is None:
            said = f"Set the failsafe of {name} so that its device stands still: it {failed}."
            yield (0, evidence.danger(line.line)), Action("set", (line.line,), said)
            continue
        said = (
            f"Set the failsafe of {name} to {target_us:g} us: it {failed}. "
            f"The limit is {limit_s:g} s. Then record the loss again."
        )
        action = Action("set", (line.line,), said, target_us, "us")
        yield (0, evidence.danger(line.line)), action


def _named(line: str, evidence: Evidence) -> str:
    device = evidence.device(line)
    return f"{line} ({device})" if device else line


def _target_us(line: str, evidence: Evidence) -> float | None:
    """Return the width at which the device on a line stands still, where the sheet says it."""
    channel = None if evidence.sheet is None else evidence.sheet.channels.get(line)
    if channel is None:
        return None
    if channel.stop_us is not None:
        return sum(channel.stop_us) / 2.0
    if channel.role == "weapon" and channel.neutral_us is None:
        return channel.low_us
    return channel.neutral_us if channel.stop_band is not None else None


def _mixing_actions(evidence: Evidence) -> Iterator[Ranked]:
    mixing = evidence.mixing
    if mixing is None or mixing.verdict is not Verdict.DOES_NOT_MEET:
        return
    lines = tuple(output.line for output in mixing.lines.outputs)
    needed = next((way for way in evidence.ways if way.needed), None)
    if needed is not None:
        said = " ".join(change.words for change in needed.by_effort)
        yield (2, 0), Action("set", lines, said)


def _changes(evidence: Evidence) -> Iterator[tuple[str, Setting]]:
    """List the settings that are to be changed, with their lines."""
    wanted = (SettingAction.CHANGE, SettingAction.DEVICE)
    for channel in () if evidence.settings is None else evidence.settings.channels:
        for setting in channel.settings:
            if setting.action in wanted:
                yield channel.line, setting


def _setting_actions(evidence: Evidence) -> Iterator[Ranked]:
    """List what to set; what breaks a limit comes before what only suits the device better."""
    broken = {
        (line.line, check.finding.name)
        for line in evidence.pulses
        for check in line.checks
        if check.verdict is Verdict.DOES_NOT_MEET
    }
    for line, setting in _changes(evidence):
        unit = "" if setting.target_us is None else "us"
        said = f"{line}: {setting.sentence}"
        rank = (3 if (line, setting.name) in broken else 6, evidence.danger(line))
        yield rank, Action("set", (line,), said, setting.target_us, unit)


def _check_actions(evidence: Evidence) -> Iterator[Ranked]:
    """List the checks that are broken and that no setting deals with."""
    settled = {(line, setting.name) for line, setting in _changes(evidence)}
    lines: dict[tuple[str, str], list[str]] = {}
    for line in evidence.pulses:
        for check in line.checks:
            name, limit = check.finding.name, check.finding.limit
            if check.verdict is Verdict.DOES_NOT_MEET and (line.line, name) not in settled:
                lines.setdefault((name, limit), []).append(line.line)
    for (name, limit), named in lines.items():
        said = (
            f"Bring the {name} of {', '.join(named)} within its limit ({limit}), and record again."
        )
        danger = min(map(evidence.danger, named))
        yield (4, danger), Action("do", tuple(named), said)


def _recording_actions(evidence: Evidence) -> Iterator[Ranked]:
    limit_s = evidence.failsafe.limits.failsafe_s
    if evidence.sheet is None:
        said = "Write a bench sheet: it says at which widths each device stands still."
        yield (5, 0), Action("do", (), said)
    if not evidence.has_loss:
        said = (
            "Record a signal loss: hold every stick off its rest position, switch the transmitter "
            f"off for {limit_s + 2.0:g} s, then on again."
        )
        yield (5, 1), Action("record", (), said)
    elif evidence.sheet is not None:
        reasons: dict[str, list[str]] = {}
        for line in _lines_with(evidence.failsafe, Verdict.NOT_SHOWN, evidence):
            reasons.setdefault(format_reason(line), []).append(line.line)
        for reason, named in reasons.items():
            said = f"Record the loss of {', '.join(named)} again. {reason}"
            yield (5, min(map(evidence.danger, named))), Action("record", tuple(named), said)
    for name, named_lines in _grouped(evidence.pulses, Verdict.NOT_SHOWN):
        reason = _reason(name, named_lines[0], evidence)
        said = f"To show the {name} of {', '.join(named_lines)}, record again. {reason}".rstrip()
        danger = min(map(evidence.danger, named_lines))
        yield (7, danger), Action("record", named_lines, said)


def _reason(name: str, line: str, evidence: Evidence) -> str:
    own = next(found for found in evidence.lines if found.line == line)
    if own.refused:
        return own.refused
    return next(c.finding.sentence for c in own.checks if c.finding.name == name)


def _cards(evidence: Evidence, actions: Sequence[Action]) -> Iterator[Card]:
    pulses = {line.line: line for line in evidence.pulses}
    judged = {line.line: line for line in evidence.failsafe.judged}
    names = [*judged, *pulses] if evidence.sheet is None else [*judged]
    for name in dict.fromkeys(names):
        failsafe, checks = judged.get(name), pulses.get(name)
        if evidence.sheet is None and (checks is None or not checks.checks):
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
        )


def _figure(evidence: Evidence, failsafe: FailsafeLine | None, checks: LineChecks | None) -> str:
    """Say what decides: the worst, and among equals the failsafe check."""
    worst = min(checks.checks, key=_badness) if checks is not None and checks.checks else None
    if failsafe is not None and failsafe.verdict is Verdict.DOES_NOT_MEET:
        return f"When the signal is lost it {format_failure(failsafe)}"
    if worst is not None and worst.verdict is Verdict.DOES_NOT_MEET:
        if not worst.finding.unit:
            return first_sentence(worst.finding.sentence).rstrip(".")
        return f"Its {worst.finding.name} is {format_value(worst.finding)}"
    if failsafe is not None and evidence.has_loss:
        return _failsafe_figure(failsafe, worst)
    if worst is None:
        return "It shows no servo pulses"
    pulses = "Its pulses meet every limit"
    if worst.verdict is Verdict.NOT_SHOWN:
        pulses = f"The {worst.finding.name} is not shown"
    return f"{pulses}; no signal loss was recorded"


def _failsafe_figure(failsafe: FailsafeLine, worst: Check | None) -> str:
    if failsafe.verdict is not Verdict.MEETS:
        return f"Failsafe not shown: {first_sentence(format_reason(failsafe))}".rstrip(".")
    stop_s = failsafe.trials.stop_s
    also = "" if worst is None or worst.verdict is Verdict.MEETS else _not_shown(worst)
    took = "It stops" if stop_s is None else f"It stops within {stop_s[2]:.2f} s"
    return f"{took}{also}"


def _not_shown(check: Check) -> str:
    return f"; the {check.finding.name} is not shown"


def _badness(check: Check) -> int:
    return badness(check.verdict)


def _left_out(evidence: Evidence, actions: int) -> Iterator[str]:
    idle = [line.line for line in evidence.lines if line not in evidence.pulses]
    if idle:
        yield f"Nothing was recorded on {', '.join(idle)}."
    stated = () if evidence.sheet is None else evidence.sheet.channels
    unnamed = [line.line for line in evidence.pulses if evidence.sheet and line.line not in stated]
    if unnamed:
        yield f"The bench sheet does not name {', '.join(unnamed)}; no failsafe is judged there."
    if actions > MAX_ACTIONS:
        yield f"{actions - MAX_ACTIONS} more things to do are not listed."


def finding_of(checks: Sequence[LineChecks], line: str, name: str) -> Finding | None:
    """Return the finding that governs a check over all recordings; None where there is none."""
    for found in checks:
        for check in found.checks:
            if found.line == line and check.finding.name == name:
                return check.finding
    return None
