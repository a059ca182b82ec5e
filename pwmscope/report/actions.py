"""What to do next: at most a few things, the most dangerous first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from pwmscope.findings import LINK_RECORD, Verdict
from pwmscope.findings.failsafe import FailsafeLine
from pwmscope.findings.rotation import MOTION_STOP
from pwmscope.model import HazardKind, format_line, format_plainly
from pwmscope.report.evidence import (
    Evidence,
    format_left_out,
    format_lines,
    format_reason,
    grouped_checks,
)

if TYPE_CHECKING:
    from pwmscope.advice.settings import Setting

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
"""An action with what it deals with, and how dangerous the device is; the lowest comes first."""


def list_actions(evidence: Evidence) -> tuple[Action, ...]:
    """List everything that is to be done, the most dangerous first, each once."""
    ranked = sorted(_actions(evidence), key=lambda each: each[0])
    told: dict[str, Action] = {}
    for _, action in ranked:
        told.setdefault(action.sentence, action)
    return tuple(told.values())


def _actions(evidence: Evidence) -> Iterator[Ranked]:
    """List what to do: failures, hazards, mixing, wiring, settings, recordings."""
    for line in evidence.failsafe_lines(Verdict.DOES_NOT_MEET):
        yield (0, evidence.danger(line.line)), _failsafe_setting(line, evidence)
    yield from _hazard_actions(evidence)
    yield from _mixing_actions(evidence)
    yield from _wiring_actions(evidence)
    yield from _setting_actions(evidence)
    yield from _check_actions(evidence)
    yield from _sensor_actions(evidence)
    yield from _loss_actions(evidence)
    for name, lines in grouped_checks(evidence.pulses, Verdict.NOT_SHOWN):
        rank = (7, min(map(evidence.danger, lines)))
        yield rank, Action("record", lines, _format_to_show(name, lines, evidence))


def _failsafe_setting(line: FailsafeLine, evidence: Evidence) -> Action:
    """Say which width to set a failing line's failsafe to."""
    name = format_line(line.line)
    if line.failure is None and line.governing and line.governing.name == MOTION_STOP:
        mend = "Set its failsafe to stop it" if line.rotors else "Set the ESC's brake"
        said = f"{name}: its motor runs on. {mend} or slow the rotor, and record again."
        return Action("do", (line.line,), said)
    if line.failure is None:
        return Action("do", (line.line,), f"{name}: {format_plainly(line.sentence)}")
    target, where = _target(line, evidence), _where_set(evidence)
    if target is None:
        said = f"Set {name}'s failsafe to where its device stands still, {where}, record again."
        return Action("set", (line.line,), said)
    width_us, what = target
    said = f"Set {name}'s failsafe to {width_us:g} us ({what}), {where}, record again."
    return Action("set", (line.line,), said, width_us, "us")


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


def _hazard_actions(evidence: Evidence) -> Iterator[Ranked]:
    for hazard in evidence.hazards:
        rank = (1, min(map(evidence.danger, hazard.lines)))
        if hazard.kind in (HazardKind.STICK_HELD, HazardKind.FIRST_LINK):
            said = "Bring the sticks to rest before you switch the transmitter on."
        elif hazard.kind is HazardKind.MOTION:
            said = (
                f"{format_lines(hazard.lines)}: lock what turns and take the power away. Find "
                "what drives it: check the ESC's stop point and its calibration."
            )
        elif hazard.kind is HazardKind.FOREIGN:
            said = (
                f"{format_lines(hazard.lines)}: bind the receiver to this robot's memory alone. "
                "Then record the link and the failsafe again."
            )
        else:
            said = (
                f"{format_lines(hazard.lines)}: store the failsafe again, or take another "
                "receiver. No stick explains the jump. Record the loss again."
            )
        yield rank, Action("do", hazard.lines, said)


def _mixing_actions(evidence: Evidence) -> Iterator[Ranked]:
    mixing = evidence.mixing
    if mixing is None or mixing.verdict is not Verdict.DOES_NOT_MEET:
        return
    lines = tuple(output.line for output in mixing.lines.outputs)
    needed = next((way for way in evidence.ways if way.needed), None)
    if mixing.lines.is_into_mixer:
        yield (2, 0), Action("set", lines, "Turn mixing off in the transmitter.")
    if needed is not None:
        said = " ".join(change.words for change in needed.by_effort)
        yield (2, 0), Action("set", lines, said)


def _wiring_actions(evidence: Evidence) -> Iterator[Ranked]:
    for ruling in () if evidence.wiring is None else evidence.wiring.rulings:
        if ruling.verdict is Verdict.DOES_NOT_MEET:
            yield (2, 1), Action("do", (), format_plainly(f"{ruling.sentence} {ruling.advice}"))
        elif ruling.verdict is Verdict.NOT_SHOWN:
            yield (8, 0), Action("do", (), format_plainly(f"{ruling.sentence} {ruling.advice}"))


def _changes(evidence: Evidence) -> Iterator[tuple[str, Setting]]:
    """List the settings that are to be changed, with their lines."""
    if evidence.settings is None:
        return
    from pwmscope.advice.settings import Action as SettingAction  # noqa: PLC0415 - slow to import

    wanted = (SettingAction.CHANGE, SettingAction.DEVICE)
    for channel in evidence.settings.channels:
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
        said = f"{format_line(line)}: {format_plainly(_format_setting(setting, evidence))}"
        rank = (3 if (line, setting.name) in broken else 6, evidence.danger(line))
        yield rank, Action("set", (line,), said, setting.target_us, unit)


def _format_setting(setting: Setting, evidence: Evidence) -> str:
    """Say what to set to what; what has no width of its own keeps its sentence."""
    from pwmscope.advice.settings import Action as SettingAction  # noqa: PLC0415 - slow to import

    is_change = setting.action is SettingAction.CHANGE
    if not is_change or setting.target_us is None or setting.measured is None:
        return setting.sentence
    percent = "" if setting.percent is None else f" Turn it by {setting.percent:+g} %."
    said = (
        f"Set the {setting.name} to {setting.target_us:g} us; it is {setting.measured.us:.1f} us."
    )
    is_end = setting.name.endswith("endpoint")
    if is_end and (evidence.settings is None or evidence.settings.alignment is None):
        return f"{said}{percent} First make sure that the stick was at its end."
    return f"{said}{percent}"


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
        who = format_lines(named)
        said = f"{who}: {name} is outside its limit ({limit}). Find the cause and record again."
        yield (4, min(map(evidence.danger, named))), Action("do", tuple(named), said)


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
            yield (3 if broken else 7, 1), Action("do" if broken else "record", (check.line,), said)


def _loss_actions(evidence: Evidence) -> Iterator[Ranked]:
    """List what is missing for the failsafe check: a sheet, a loss, what no loss showed."""
    failsafe = evidence.failsafe
    if evidence.sheet is None:
        said = "Write a bench sheet. It says at which widths each device stands still."
        yield (5, 0), Action("do", (), said)
    if not evidence.has_loss:
        said = (
            "Record a signal loss. Hold every stick off its rest. Switch the transmitter "
            f"off for {failsafe.limits.failsafe_s + 2.0:g} s, then on again."
        )
        yield (5, 1), Action("record", (), said)
        return
    for left in failsafe.left_out:
        if left.weighs:
            yield (5, 0), Action("do", (), format_left_out(left))
    reasons: dict[str, list[str]] = {}
    for line in evidence.failsafe_lines(Verdict.NOT_SHOWN) if evidence.sheet is not None else ():
        if not line.is_unlisted:
            reasons.setdefault(format_reason(line), []).append(line.line)
    for reason, named in reasons.items():
        said = f"{format_lines(named)}: {format_plainly(reason)}"
        yield (5, min(map(evidence.danger, named))), Action("record", tuple(named), said)


def _format_to_show(name: str, lines: tuple[str, ...], evidence: Evidence) -> str:
    """Say what to do to show a check; where that is not known, why it is not shown."""
    own = next(found for found in evidence.pulses if found.line == lines[0])
    finding = next((c.finding for c in own.checks if c.finding.name == name), None)
    if finding is not None and finding.to_do:
        return f"{format_lines(lines)}: {format_plainly(finding.to_do)} That shows the {name}."
    why = own.refused if finding is None or own.refused else finding.sentence
    said = f"To show the {name} of {format_lines(lines)}, record again."
    return f"{said} {format_plainly(why)}".rstrip()
