"""The answer of an analysis: its headline, its cards, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, Protocol, TypeAlias

from pwmscope.bench import BenchSheet
from pwmscope.capture import Capture
from pwmscope.errors import Reason
from pwmscope.findings import LINK_RECORD, Findings, Verdict
from pwmscope.findings.failsafe import NAME as SIGNAL_LOSS
from pwmscope.findings.failsafe import POWER_UP, Failsafe, FailsafeLine, LeftOutKind
from pwmscope.findings.sensors import MOTION_STOP
from pwmscope.model import (
    Hazard,
    HazardKind,
    badness,
    format_line,
    format_list,
    format_plainly,
    governing,
)
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
from pwmscope.report.sentences import format_few, format_link

if TYPE_CHECKING:
    from pwmscope.advice import Setting
    from pwmscope.bench import Wiring

Doing: TypeAlias = Literal["set", "do", "record"]


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


Ranked: TypeAlias = tuple[tuple[int, int], Action]
"""An action with what it deals with, and how dangerous the device is; the lowest comes first.

0 swapped plugs or a wrong marker, 1 failsafe, 2 a rest that runs, 3 hazards, 4 broken checks,
5 mixing, 6 wiring, 7 what no loss showed, 8 what no pulses showed, 9 what only suits a device
better.
"""
MAX_ACTIONS: Final = 5


def list_actions(evidence: Evidence) -> tuple[Action, ...]:
    """List everything that is to be done, the most dangerous first, each once.

    What the headline calls for is among those that are told.
    """
    told: dict[str, tuple[int, Action]] = {}
    for (about, _), action in sorted(_actions(evidence), key=lambda each: each[0]):
        told.setdefault(action.sentence, (about, action))
    ranked = list(told.values())
    called = [each for each in ranked if each[0] in _called(evidence)][:1]
    if called and called[0] in ranked[MAX_ACTIONS:]:
        ranked.remove(called[0])
        ranked.insert(MAX_ACTIONS - 1, called[0])
    return tuple(action for _, action in ranked)


def _called(evidence: Evidence) -> tuple[int, ...]:
    """Say what the headline is about, in the headline's order."""
    wrong = Verdict.DOES_NOT_MEET
    checks = [*evidence.sensor_checks, *(c for line in evidence.pulses for c in line.checks)]
    if _failed(evidence):
        return (1,)
    if evidence.swapped:
        return (0,)
    if any(check.verdict is wrong for check in checks):
        return 2, 4
    if evidence.mixing is not None and evidence.mixing.verdict is wrong:
        return (5,)
    if evidence.wiring is not None and evidence.wiring.verdict is wrong:
        return (6,)
    return (3,) if evidence.hazards else (7, 8)


def _actions(evidence: Evidence) -> Iterator[Ranked]:
    """List what to do: failures, hazards, mixing, wiring, settings, recordings."""
    if evidence.swapped:
        said = (
            f"Swap the plugs of {format_list(list(map(format_line, evidence.swapped)))}, or their "
            "lines in the sheet. Record again."
        )
        yield (0, -1), Action("do", evidence.swapped, said)
    yield from _marker_actions(evidence)
    failed = _failed(evidence)
    late = [line for line in failed if _is_late(line)]
    for line in failed:
        if line not in late:
            yield (1, evidence.danger(line.line)), _failsafe_setting(line, evidence)
    if late:
        yield (1, evidence.danger(late[0].line)), _sooner(late, evidence)
    yield from _hazard_actions(evidence)
    yield from _mixing_actions(evidence)
    yield from _wiring_actions(evidence)
    yield from _setting_actions(evidence)
    yield from _check_actions(evidence)
    yield from _sensor_actions(evidence)
    yield from _loss_actions(evidence)
    unnamed = {left.what for left in evidence.failsafe.left_out if left.said}
    for name, lines in grouped_checks(evidence.pulses, Verdict.NOT_SHOWN):
        if evidence.wrong_markers:
            break
        if unnamed.issuperset(lines) and name in _OF_STICKS:
            continue
        rank = (8, min(map(evidence.danger, lines)))
        yield rank, Action("record", lines, _format_to_show(name, lines, evidence))


def _failed(evidence: Evidence) -> list[FailsafeLine]:
    """List the lines that fail, but for those whose device is another than the sheet says."""
    failed = evidence.failsafe_lines(Verdict.DOES_NOT_MEET)
    return [line for line in failed if line.line not in evidence.swapped]


def _marker_actions(evidence: Evidence) -> Iterator[Ranked]:
    """Say how to state the marker where the outputs contradict what is stated."""
    for name, level in evidence.wrong_markers:
        said = (
            f"The outputs follow the sticks while marker {format_line(name)} says off. Write "
            f'on = "{level}" under [marker] in the sheet, and read the recording again.'
        )
        yield (0, 0), Action("set", (name,), said)
    for stated, near in evidence.misnamed_markers.items():
        said = (
            f'Write line = "{near}" under [marker] in the sheet: the recording has no '
            f"{format_line(stated)}. Read it again."
        )
        yield (0, 0), Action("set", (near,), said)


def _failsafe_setting(line: FailsafeLine, evidence: Evidence) -> Action:
    """Say which width to set a failing line's failsafe to."""
    name = format_line(line.line)
    if line.failure is None and line.governing and line.governing.name == MOTION_STOP:
        mend = (
            "Store a failsafe in its board at which this motor stands still"
            if line.rotors
            else "Set the ESC's brake, or slow the rotor"
        )
        said = f"{name}: its motor runs on. {mend}, and record again."
        return Action("do", (line.line,), said)
    target, where = _target(line, evidence), _where_set(evidence)
    if line.failure is not None and line.failure.came_out_again:
        said = (
            f"{name}: pulses outside its stop range came after it had stopped. Check the "
            "receiver's supply, or take another receiver, and record again."
        )
        return Action("do", (line.line,), said)
    if line.failure is None and line.governing and line.governing.name == POWER_UP and target:
        said = (
            f"{name} runs before the link. Set what the receiver sends without a link to "
            f"{target[0]:g} us ({target[1]}). Give {name}'s device no power before the link until "
            "a recording shows it."
        )
        return Action("set", (line.line,), said, target[0], "us")
    if line.failure is None:
        return Action("do", (line.line,), f"{name}: {_with_to_do(line.sentence)}")
    if target is None:
        said = f"Set {name}'s failsafe to where its device stands still, {where}, record again."
        return Action("set", (line.line,), said)
    width_us, what = target
    said = f"Set {name}'s failsafe to {width_us:g} us ({what}), {where}, record again."
    return Action("set", (line.line,), said, width_us, "us")


def _is_late(line: FailsafeLine) -> bool:
    """Say whether each failing loss ended in the stop range, too late."""
    if line.failure is not None and line.failure.came_out_again:
        return False
    failed = [e for _, e in line.all_losses if e.verdict is Verdict.DOES_NOT_MEET]
    return bool(failed) and all(event.stop_bounds_s is not None for event in failed)


def _sooner(late: list[FailsafeLine], evidence: Evidence) -> Action:
    """Say what to change where the width is right and only comes too late."""
    lines = tuple(line.line for line in late)
    bounds_s = [e.stop_bounds_s for line in late for _, e in line.all_losses if e.stop_bounds_s]
    said = (
        f"{format_lines(lines)}: stopped too late, up to {max(bounds_s)[1]:.2f} s after the loss; "
        f"the limit is {evidence.failsafe.limits.failsafe_s:g} s. Its width is not the cause. "
        "Shorten the receiver's hold time (failsafe delay), or take another receiver. Record again."
    )
    return Action("do", lines, said)


def _with_to_do(reason: str) -> str:
    """Say why, and what to do: to record again where nothing else is known."""
    said = format_plainly(reason)
    return said if isinstance(reason, Reason) or "ecord" in said else f"{said} Record it again."


def _where_set(evidence: Evidence) -> str:
    """Say how a failsafe is set, and where if the sheet knows."""
    place = None if evidence.sheet is None else evidence.sheet.receiver.failsafe_in
    if place is None:
        return "bind or store it"
    return "in the transmitter's menu" if place == "transmitter" else "store it in the receiver"


def _target(line: FailsafeLine, evidence: Evidence) -> tuple[float, str] | None:
    """Find the width at which a line's device stands still, and what it is."""
    channel = None if evidence.sheet is None else evidence.sheet.channels.get(line.line)
    if channel is None:
        return None
    band, role = line.expected.band, channel.role
    points = [(channel.neutral_us, f"{role} neutral"), (channel.low_us, f"{role} low end")]
    if role == "weapon" and channel.neutral_us is None:
        points.reverse()
    for width_us, what in points:
        if width_us is not None and band is not None and band.holds(width_us):
            return width_us, what
    if band is None:
        return None
    return 0.5 * (band.low_us + band.high_us), "middle of its stop range"


_STICKS_AT_REST: Final = "Bring the sticks to rest before you switch the transmitter on."
_SWITCHES_OFF: Final = (
    "Bring the sticks to rest, and switches to off, before you switch the transmitter on."
)
_AGAINST: Final = {
    HazardKind.MOTION: "lock what turns and take the power away. Find what drives it: check the "
    "ESC's stop point and its calibration.",
    HazardKind.FOREIGN: "bind the receiver to this robot's memory alone. Then record the link and "
    "the failsafe again.",
}
_JUMPS: Final = (
    "store the failsafe again, or take another receiver. No stick explains the jump. Record the "
    "loss again."
)


def _hazard_actions(evidence: Evidence) -> Iterator[Ranked]:
    runs = _broken(evidence, "rest position")
    held = (HazardKind.STICK_HELD, HazardKind.FIRST_LINK)
    running = [n for h in evidence.hazards if h.kind in held for n in h.lines if n in runs]
    first = [n for h in evidence.hazards if h.kind is HazardKind.FIRST_LINK for n in h.lines]
    started = format_lines(list(dict.fromkeys(first))) if evidence.lines is None else ""
    alone = [h for h in evidence.hazards if h.kind is HazardKind.UNLINKED]
    is_switched = any(not _broken_before_link(hazard, evidence) for hazard in alone)
    for hazard in evidence.hazards:
        rank = (3, min(map(evidence.danger, hazard.lines)))
        if hazard.kind in held and running:
            names = list(map(format_line, dict.fromkeys(running)))
            is_swapped = not set(running).difference(evidence.swapped)
            mend = "put the plugs right" if is_swapped else "bring the rest into the stop range"
            run = "drive. They run" if len(names) > 1 else "drives. It runs"
            said = (
                f"Give no power to what {format_list(names)} {run} with the stick at rest. First "
                f"{mend}, and record again."
            )
        elif hazard.kind in held and started:
            said = (
                f"{started}: look with `measure` whether it runs with the stick "
                "at rest. If not, bring the sticks to rest before you switch the transmitter on."
            )
        elif hazard.kind in held:
            said = _SWITCHES_OFF if is_switched else _STICKS_AT_REST
        elif hazard.kind is HazardKind.UNLINKED:
            if _broken_before_link(hazard, evidence):
                continue
            said = _SWITCHES_OFF
        elif hazard.kind is HazardKind.POWER:
            said = (
                f"Set the switch of {format_line(hazard.lines[-1])} to off before you switch the "
                "transmitter on."
            )
        else:
            said = f"{format_lines(hazard.lines)}: {_AGAINST.get(hazard.kind, _JUMPS)}"
        yield rank, Action("do", hazard.lines, said)


def _broken_before_link(hazard: Hazard, evidence: Evidence) -> bool:
    """Say whether a line's failure before the link is told by its failsafe's action."""
    failed = evidence.failsafe_lines(Verdict.DOES_NOT_MEET)
    return any(line.line in hazard.lines and line.failure is None for line in failed)


def _mixing_actions(evidence: Evidence) -> Iterator[Ranked]:
    mixing = evidence.mixing
    lines = () if mixing is None else tuple(output.line for output in mixing.lines.outputs)
    if mixing is None or set(lines).intersection(evidence.swapped):
        return
    if mixing.is_planned:
        said = f"{format_lines(lines)}: {format_plainly(mixing.findings[0].sentence)}"
        yield (7, 5), Action("do", lines, said)
    if mixing.verdict is not Verdict.DOES_NOT_MEET:
        return
    needed = next((way for way in evidence.ways if way.needed), None)
    if mixing.lines.is_into_mixer:
        yield (5, 0), Action("set", lines, "Turn mixing off in the transmitter.")
    if needed is not None:
        said = " ".join(change.words for change in needed.by_effort)
        yield (5, 0), Action("set", lines, said)


def _wiring_actions(evidence: Evidence) -> Iterator[Ranked]:
    ranks = {Verdict.DOES_NOT_MEET: (6, 1), Verdict.NOT_SHOWN: (8, 4)}
    for ruling in () if evidence.wiring is None else evidence.wiring.rulings:
        if rank := ranks.get(ruling.verdict):
            yield rank, Action("do", (), format_plainly(f"{ruling.sentence} {ruling.advice}"))


def _changes(evidence: Evidence) -> Iterator[tuple[str, Setting]]:
    """List the settings that are to be changed, with their lines.

    What the mixing's advice changes waits for it.
    """
    if evidence.settings is None or evidence.wrong_markers:
        return
    from pwmscope.advice import SettingAction  # noqa: PLC0415 - slow to import

    wanted = (SettingAction.CHANGE, SettingAction.DEVICE)
    mixed: tuple[str, ...] = ()
    if evidence.mixing is not None and any(way.needed for way in evidence.ways):
        mixed = tuple(output.line for output in evidence.mixing.lines.outputs)
    for channel in evidence.settings.channels:
        for setting in channel.settings:
            waits = channel.line in mixed and setting.name not in ("rest position", "neutral")
            if setting.action in wanted and not waits:
                yield channel.line, setting


def _broken(evidence: Evidence, name: str) -> set[str]:
    """Name the lines of which a check is broken."""
    return {
        line.line
        for line in evidence.pulses
        for check in line.checks
        if check.finding.name == name and check.verdict is Verdict.DOES_NOT_MEET
    }


_SETTLES: Final = {
    "direction": ("direction", "rest position", "neutral"),
    "neutral": ("neutral", "rest position"),
    "low endpoint": ("low endpoint", "rest position"),
}
"""Which checks a setting puts right, beside the one of its own name."""


def _setting_actions(evidence: Evidence) -> Iterator[Ranked]:
    """List what to set; what breaks a limit comes before what only suits the device better."""
    runs = _broken(evidence, "rest position")
    for line, setting in _changes(evidence):
        unit = "" if setting.target_us is None else "us"
        said = f"{format_line(line)}: {format_plainly(_format_setting(line, setting, evidence))}"
        settles = _SETTLES.get(setting.name, (setting.name,))
        about = 4 if any(line in _broken(evidence, name) for name in settles) else 9
        about = 2 if line in runs and "rest position" in settles else about
        yield (about, evidence.danger(line)), Action("set", (line,), said, setting.target_us, unit)


def _format_setting(line: str, setting: Setting, evidence: Evidence) -> str:
    """Say what to set to what; what has no width of its own keeps its sentence."""
    from pwmscope.advice import MIND_STOP, SettingAction  # noqa: PLC0415 - slow to import

    is_change = setting.action is SettingAction.CHANGE
    if not is_change or setting.target_us is None or setting.measured is None:
        return setting.sentence
    now_us, to_us = setting.measured.us, setting.target_us
    is_end = setting.name.endswith("endpoint")
    what = "trim" if setting.name == "neutral" else "trim or low endpoint"
    name = f"{setting.name} to" if is_end else f"{what} so that it rests at"
    said = f"Set the {name} {to_us:g} us; it is {now_us:.1f} us."
    if setting.percent is not None:
        said += f" Turn it by {setting.percent:+g} points of the transmitter's percent."
    laid = None if evidence.settings is None else evidence.settings.alignment
    if is_end and not (laid and laid.fits):
        said += " First make sure that the stick was at its end."
    if is_end and evidence.danger(line) > 1 and abs(to_us - 1500.0) > abs(now_us - 1500.0):
        said += f" {MIND_STOP}"
    return said


_FIND: Final = "Find the cause and record again."
_CAUSE: Final = {
    "clean pulses": "Look at its wire, plug, ground and supply, one after the other, and record "
    "again after each.",
}


_OF_STICKS: Final = ("rest position", "neutral", "low endpoint", "high endpoint")


def _check_actions(evidence: Evidence) -> Iterator[Ranked]:
    """List the checks that are broken and that no setting deals with."""
    settled = {
        (line, name)
        for line, setting in _changes(evidence)
        for name in _SETTLES.get(setting.name, (setting.name,))
    }
    lines: dict[tuple[str, str], list[str]] = {}
    for line in evidence.pulses:
        for check in line.checks:
            name, limit = check.finding.name, check.finding.limit
            is_astray = line.line in evidence.swapped and name in _OF_STICKS
            is_open = not is_astray and (line.line, name) not in settled
            if check.verdict is Verdict.DOES_NOT_MEET and is_open:
                lines.setdefault((name, limit), []).append(line.line)
    for (name, limit), named in lines.items():
        who = format_lines(named)
        said = f"{who}: {name} is outside its limit ({limit}). {_CAUSE.get(name, _FIND)}"
        about = 2 if name == "rest position" else 4
        yield (about, min(map(evidence.danger, named))), Action("do", tuple(named), said)


def _sensor_actions(evidence: Evidence) -> Iterator[Ranked]:
    """List what sensors' lines show to be broken, or do not show."""
    for check in evidence.sensor_checks:
        if check.verdict is not Verdict.MEETS:
            broken = check.verdict is Verdict.DOES_NOT_MEET
            said = f"{format_line(check.line)}: {format_plainly(check.finding.sentence)}"
            if check.line == LINK_RECORD:
                said = format_plainly(check.finding.sentence)
            elif broken:
                said += " Take a stronger source, or give devices their own."
            yield (4 if broken else 8, 1), Action("do" if broken else "record", (check.line,), said)


def _loss_actions(evidence: Evidence) -> Iterator[Ranked]:
    """List what is missing for the failsafe check: a sheet, a loss, what no loss showed."""
    failsafe = evidence.failsafe
    if evidence.sheet is None:
        said = "Write a bench sheet. It says at which widths each device stands still."
        yield (7, 0), Action("do", (), said)
    if not evidence.has_loss:
        said = (
            "Record a signal loss. Hold every stick off its rest. Switch the transmitter "
            f"off for {failsafe.limits.failsafe_s + 2.0:g} s, then on again."
        )
        yield (7, 1), Action("record", (), said)
        return
    if evidence.wrong_markers:
        return
    is_named = any(left.said and left.kind is LeftOutKind.UNLISTED for left in failsafe.left_out)
    for left in failsafe.left_out:
        if (left.weighs or left.kind is LeftOutKind.PLAN) and left.kind is not LeftOutKind.SWAPPED:
            rank = (3, 9) if left.said else (7, -1)
            yield rank, Action("do", (), format_left_out(left))
    reasons: dict[str, list[str]] = {}
    for line in evidence.failsafe_lines(Verdict.NOT_SHOWN) if evidence.sheet is not None else ():
        if evidence.misnamed_markers and all(e.case.loss.is_inferred for _, e in line.losses):
            continue
        if not line.is_unlisted and (line.seen_in or not is_named):
            reasons.setdefault(format_reason(line), []).append(line.line)
    for reason, named in reasons.items():
        said = f"{format_lines(named)}: {_with_to_do(reason)}"
        yield (7, min(map(evidence.danger, named))), Action("record", tuple(named), said)


def _format_to_show(name: str, lines: tuple[str, ...], evidence: Evidence) -> str:
    """Say what to do to show a check; where that is not known, why it is not shown."""
    own = next(found for found in evidence.pulses if found.line == lines[0])
    finding = next((c.finding for c in own.checks if c.finding.name == name), None)
    if finding is not None and finding.to_do:
        return f"{format_lines(lines)}: {format_plainly(finding.to_do)} That shows the {name}."
    why = own.refused if finding is None or own.refused else finding.sentence
    said = f"To show the {name} of {format_lines(lines)}, record again."
    return f"{said} {format_plainly(why)}".rstrip()


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
    """What an inspector acts on."""

    headline: str  # One line
    verdict: Verdict  # The worst over everything that was held against a limit
    hazards: tuple[Hazard, ...]  # They change neither verdict nor exit code
    cards: tuple[Card, ...]  # One for each device, the worst first
    actions: tuple[Action, ...]  # At most five, the most dangerous first
    left_out: tuple[str, ...]  # What was not judged, each a sentence
    further: tuple[Action, ...] = ()  # What is to be done beyond those five
    # Everything that was held against a limit; the verdict is the worst of it
    judged: tuple[Judged, ...] = ()

    @property
    def more_actions(self) -> int:
        """How many things there are to do beyond those five."""
        return len(self.further)


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
    actions, left_out = list_actions(evidence), tuple(_left_out(evidence))

    def urgency(card: Card) -> tuple[int, int]:
        return badness(card.verdict), evidence.danger(card.line)

    return Answer(
        format_headline(evidence), evidence.verdict, evidence.hazards,
        tuple(sorted(_cards(evidence, actions), key=urgency)), actions[:MAX_ACTIONS],
        left_out, actions[MAX_ACTIONS:], evidence.judged,
    )  # fmt: skip


def format_headline(evidence: Evidence) -> str:
    """Say in one line what an inspector can act on."""
    return format_plainly(_headline(evidence))


def _headline(evidence: Evidence) -> str:  # noqa: PLR0911 - the first that holds
    failsafe, failed = evidence.failsafe, _failed(evidence)
    astray = [left for left in failsafe.left_out if left.kind is LeftOutKind.SWAPPED]
    plugs = astray[0].said.partition(":")[0] if astray else ""
    if plugs and not failed:  # A swapped line's failure would be told of the wrong device.
        fails = failsafe.verdict is Verdict.DOES_NOT_MEET
        return f"PLUGS do not match the sheet: {plugs}{'; failsafe does not meet' if fails else ''}"
    if failed:
        also = ", ".join(format_line(line.line) for line in failed[1:])
        more = f"; {also} {'do' if len(failed) > 2 else 'does'} not meet either" if also else ""
        first = f"{evidence.the_device(failed[0].line)} {format_failure(failed[0])}"
        more += f"; plugs do not match the sheet: {plugs}" if plugs else ""
        return f"FAILSAFE does not meet: {first}{more}"
    if other := _other_failure(evidence):
        if not evidence.has_loss:
            return f"{other}; failsafe not recorded"
        is_met = failsafe.verdict is Verdict.MEETS
        beside = _format_met(failsafe) if is_met else f"not shown: {_why_not_shown(evidence)}"
        return f"{other}; failsafe {beside}"
    explained = (HazardKind.STICK_HELD, HazardKind.POWER)
    strange = [h for h in evidence.hazards if h.kind not in explained]
    if strange:
        return f"FAILSAFE {failsafe.verdict.value}, with a hazard: {strange[0].what}"
    if not evidence.has_loss and evidence.lines:
        return f"{_format_pulses(evidence)}; failsafe not recorded"
    if failsafe.verdict is Verdict.MEETS:
        open_parts = _open_parts(evidence)
        also = f"; not shown: {'; '.join(open_parts)}" if open_parts else ""
        return f"FAILSAFE {_format_met(failsafe)}{also}"
    return f"FAILSAFE not shown: {_why_not_shown(evidence)}"


def _other_failure(evidence: Evidence) -> str:
    """Say which check beside the failsafe's does not meet its limit; empty where none is."""
    mixing, wiring = evidence.mixing, evidence.wiring
    sagging = [c for c in evidence.sensor_checks if c.verdict is Verdict.DOES_NOT_MEET]
    if sagging:
        what = "LINK" if sagging[0].line == LINK_RECORD else "SUPPLY"
        return f"{what} does not meet: {format_why(sagging[0].finding)}"
    broken = grouped_checks(evidence.pulses, Verdict.DOES_NOT_MEET)
    if broken:
        return f"PULSES do not meet: {format_checks(broken)}"
    if mixing is not None and mixing.verdict is Verdict.DOES_NOT_MEET:
        return f"MIXING does not meet: {mixing.wrong}"
    if wiring is not None and wiring.verdict is Verdict.DOES_NOT_MEET:
        return f"WIRING does not meet: {_rules(wiring)}"
    return ""


def _rules(wiring: Wiring) -> str:
    """Name the rules that decide about the wiring."""
    return format_few([r.name for r in wiring.rulings if r.verdict is wiring.verdict], 3)


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
    return f"meets, {met} of {seen}{took}"


def _why_not_shown(evidence: Evidence) -> str:
    """Name what is not shown, the most dangerous first."""
    if not evidence.has_loss:
        return "no loss was recorded"
    if evidence.failsafe.judged and evidence.sheet is None:
        return "no bench sheet says at which widths the devices stand still"
    if any(left.kind is LeftOutKind.NO_LINE for left in evidence.failsafe.left_out):
        return "no line of the sheet is in the recording"
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
        is_swapped = name in evidence.swapped
        verdicts += [Verdict.DOES_NOT_MEET] * is_swapped
        figure = "It follows another line's stick"
        figure = figure if is_swapped else _figure(evidence, failsafe, checks)
        action = next((a.sentence for a in actions if name in a.lines), "")
        yield Card(
            name, evidence.role(name), evidence.device(name), governing(verdicts),
            figure, action,
            "" if checks is None else format_link(checks.freshness), _decides(failsafe, checks),
        )  # fmt: skip
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
    worst = _worst(checks)
    if failsafe is None or failsafe.verdict is None:
        return "" if worst is None else worst.finding.name
    if worst is not None and _badness(worst) < badness(failsafe.verdict):
        return worst.finding.name
    return SIGNAL_LOSS


def _figure(evidence: Evidence, failsafe: FailsafeLine | None, checks: LineChecks | None) -> str:
    """Say what decides: the worst, and among equals the failsafe check."""
    worst = _worst(checks)
    if failsafe is not None and failsafe.verdict is Verdict.DOES_NOT_MEET:
        said = format_failure(failsafe)
        said = said if failsafe.failure is None else f"when the signal is lost it {said}"
        return said[0].upper() + said[1:]
    if worst is not None and worst.verdict is Verdict.DOES_NOT_MEET:
        beside = ""
        if failsafe is not None and evidence.has_loss:
            beside = _failsafe_figure(failsafe, None)
            beside = (
                f". {'' if failsafe.verdict is Verdict.MEETS else 'Failsafe not shown: '}{beside}"
            )
        is_told = worst.finding.name == "rest position" or not worst.finding.unit
        limit = "" if is_told else f" (limit {worst.finding.limit})"
        return f"{format_why(worst.finding)}{limit}{beside}"
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


def _worst(checks: LineChecks | None) -> Check | None:
    """Find the check that decides; of those that fail, a rest at which the device runs."""
    if checks is None or not checks.checks:
        return None
    return min(checks.checks, key=lambda c: (_badness(c), c.finding.name != "rest position"))


def _badness(check: Check) -> int:
    return badness(check.verdict)


def _left_out(evidence: Evidence) -> Iterator[str]:
    if evidence.read_only:
        names = ", ".join(map(format_line, evidence.read_only))
        yield f"Only {names} were read, as asked. Other lines are not judged."
    told: set[str] = set()
    marker = None if evidence.sheet is None else evidence.sheet.marker
    for recording in evidence.failsafe.recordings:
        held = recording.lines.capture.lines
        if marker and recording.reference.line is None and marker.line not in held:
            several = len(evidence.failsafe.recordings) > 1
            where = f" in {format_line(recording.source)}" if several else ""
            yield (
                f"The sheet's marker {format_line(marker.line)} is not recorded{where}. Recorded "
                f"are {', '.join(map(format_line, held))}."
            )
    for left in evidence.failsafe.left_out:
        if left.said in told or left.kind is LeftOutKind.SWAPPED:
            continue  # Swapped lines are judged; headline and first action tell of them
        told |= {left.said} - {""}
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
