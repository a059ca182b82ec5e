"""The answer of a failsafe check in words: headline, hazards, what was left out, what to do."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from pwmscope.bench import BenchSheet
from pwmscope.findings.failsafe import (
    Failsafe,
    FailsafeLine,
    LeftOut,
    LeftOutKind,
    LossClass,
)
from pwmscope.model import Finding, Hazard, HazardKind, Verdict, format_line, format_plainly
from pwmscope.report.data import Json

MAX_ACTIONS: Final = 5
_DEVICES: Final = {
    "weapon": "the weapon",
    "drive-left": "the left drive",
    "drive-right": "the right drive",
    "servo": "the servo",
}
_URGENT: Final = ("weapon", "drive-left", "drive-right", "servo")
"""The roles, the most dangerous first."""


def format_device(line: FailsafeLine) -> str:
    """Name what a line drives: ``the weapon``, or the line where no sheet says."""
    role = line.expected.role
    if role is None:
        return format_line(line.line)
    return _DEVICES.get(role, format_line(line.device or line.line))


def _most_urgent_first(lines: list[FailsafeLine]) -> list[FailsafeLine]:
    def urgency(line: FailsafeLine) -> int:
        role = line.expected.role
        return _URGENT.index(role) if role in _URGENT else len(_URGENT)

    return sorted(lines, key=urgency)


def format_headline(check: Failsafe) -> str:  # noqa: PLR0911 - the first that holds
    """Say what an inspector can act on, in one line."""
    broken = [line for line in check.judged if line.verdict is Verdict.DOES_NOT_MEET]
    if broken:
        worst = _most_urgent_first(broken)[0]
        return f"FAILSAFE does not meet: {format_device(worst)} {format_failure(worst)}"
    strange = [h for h in check.hazards if h.kind is not HazardKind.STICK_HELD]
    if strange:
        return f"FAILSAFE {check.verdict.value}, with a hazard: {format_hazard(strange[0])}"
    if check.verdict is Verdict.MEETS:
        counts = [line.trials.meets for line in check.judged]
        slowest_s = check.slowest_s
        took = "" if slowest_s is None else f", slowest {slowest_s:.2f} s"
        return f"FAILSAFE meets, {min(counts)} of {max(counts)}{took}"
    if not any(line.losses for line in check.lines):
        return "FAILSAFE not shown: no loss was recorded"
    open_lines = [line for line in check.judged if line.verdict is Verdict.NOT_SHOWN]
    if open_lines:
        named = ", ".join(format_line(line.line) for line in _most_urgent_first(open_lines))
        return f"FAILSAFE not shown: {named}"
    weighs = [left for left in check.left_out if left.weighs]
    if weighs:
        return f"FAILSAFE not shown: {format_line(weighs[0].what)}, {weighs[0].kind.value}"
    return "FAILSAFE not shown: no line has a device to stop"


def format_failure(line: FailsafeLine) -> str:  # noqa: PLR0911 - words for each failure
    """Say what a device does that it must not."""
    event = line.failure
    if event is None:
        return _format_alarm(line.governing)
    level_us, behaviour = event.preset_us, event.behaviour
    if behaviour is LossClass.HOLDS_LAST and level_us is not None:
        return f"keeps {level_us:.0f} us"
    if behaviour is LossClass.WANDERS:
        return "wanders"
    if behaviour in (LossClass.STUCK_HIGH, LossClass.STUCK_LOW, LossClass.NOISE):
        return f"gets no pulses, its line is {behaviour.value}"
    if behaviour is LossClass.PULSES_STOP and line.expected.no_pulses_stop is False:
        return "gets no pulses and keeps going"
    bounds_s, band = event.stop_bounds_s, line.expected.band
    if bounds_s is not None:
        return f"stops after {bounds_s[1]:.2f} s"
    if level_us is not None and band is not None and not band.holds(level_us):
        return f"goes to {level_us:.0f} us, where it runs"
    return "runs on after the loss"


def _format_alarm(finding: Finding | None) -> str:
    if finding is not None and finding.name == "power-up":
        return "runs before the link"
    return "restarts while the transmitter is on"


def format_hazard(hazard: Hazard) -> str:
    """Say where devices are commanded to run, as a sentence without its full stop.

    Examples
    --------
    >>> format_hazard(Hazard(HazardKind.LEAP, ("RX3",), 13.015, 1700.0, None, 1, 2, "a.csv"))
    'RX3 is commanded to run at 1700 us before the link is back (13.015 s; 1 of 2 losses)'
    """
    names = [format_line(name) for name in hazard.lines]
    several = len(names) > 1
    who = f"{', '.join(names[:-1])} and {names[-1]}" if several else names[0]
    runs = f"{who} {'are' if several else 'is'} commanded to run"
    when = f"({hazard.at_s:.3f} s; {hazard.times} of {hazard.losses} losses)"
    if hazard.kind is HazardKind.STICK_HELD:
        held = "their held sticks" if several else "its held stick"
        return f"{runs} by {held} when the link is back {when}"
    if hazard.kind is HazardKind.NO_STICK:
        return f"{runs} at {hazard.width_us:.0f} us when the link is back, by no stick seen {when}"
    return f"{runs} at {hazard.width_us:.0f} us before the link is back {when}"


def format_left_out(left: LeftOut) -> str:
    """Say what the check does not rest on, and what to do about it."""
    what = format_line(left.what)
    if left.kind is LeftOutKind.PART and left.from_s is not None and left.to_s is not None:
        return f"Of {what} only {left.from_s:g} to {left.to_s:g} s is examined."
    return {
        LeftOutKind.PART: f"Of {what} only a part is examined.",
        LeftOutKind.TWICE: f"{what} holds the same recording again and counts once.",
        LeftOutKind.NO_LOSS: f"No loss is seen in {what}. Leave it out, or mark its losses.",
        LeftOutKind.NO_LINE: f"No line of the sheet is in {what}. Give it its own sheet.",
        LeftOutKind.UNLISTED: f'The sheet does not list {what}. Add it, or state role = "unused".',
        LeftOutKind.UNUSED: f"{what} is stated unused, and nothing is asked of it.",
    }[left.kind]


def actions(check: Failsafe) -> list[str]:
    """List what to do next, the most dangerous first."""
    told = dict.fromkeys(_actions(check))
    return list(told)[:MAX_ACTIONS]


def _actions(check: Failsafe) -> Iterator[str]:
    lines = _most_urgent_first(list(check.judged))
    for line in lines:
        if line.verdict is Verdict.DOES_NOT_MEET:
            yield format_setting(line, check.sheet)
    for left in check.left_out:
        if left.weighs:
            yield format_left_out(left)
    open_reasons: dict[str, list[str]] = {}
    for line in lines:
        if line.verdict is Verdict.NOT_SHOWN and not line.is_unlisted:
            reason = line.why_not or _open_reason(line)
            open_reasons.setdefault(reason, []).append(format_line(line.line))
    for reason, names in open_reasons.items():
        yield f"{', '.join(names)}: {format_plainly(reason)}"
    if any(hazard.kind is HazardKind.STICK_HELD for hazard in check.hazards):
        yield "Bring the sticks to rest before you switch the transmitter on."


def _open_reason(line: FailsafeLine) -> str:
    event = next((e for _, e in line.losses if e.verdict is Verdict.NOT_SHOWN), None)
    return line.sentence if event is None else event.reason


def format_setting(line: FailsafeLine, sheet: BenchSheet | None) -> str:
    """Say which width to set a failing line's failsafe to."""
    name = format_line(line.line)
    if line.failure is None:
        return f"{name}: {format_plainly(line.sentence)}"
    target = _target(line, sheet)
    if target is None:
        return f"Set {name}'s failsafe to where its device stands still, store it, record again."
    width_us, what = target
    return f"Set {name}'s failsafe to {width_us:g} us ({what}), bind or store it, record again."


def _target(line: FailsafeLine, sheet: BenchSheet | None) -> tuple[float, str] | None:
    channel = None if sheet is None else sheet.channels.get(line.line)
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


def hazard_data(hazard: Hazard) -> dict[str, Json]:
    """Turn a hazard into plain data."""
    return {
        "kind": hazard.kind.value,
        "lines": list(hazard.lines),
        "at_s": hazard.at_s,
        "width_us": hazard.width_us,
        "from_us": hazard.from_us,
        "times": hazard.times,
        "losses": hazard.losses,
        "source": hazard.source,
        "sentence": f"{format_hazard(hazard)}.",
    }


def left_out_data(left: LeftOut) -> dict[str, Json]:
    """Turn something that was left out into plain data."""
    return {
        "kind": left.kind.value,
        "what": left.what,
        "from_s": left.from_s,
        "to_s": left.to_s,
        "weighs": left.weighs,
        "sentence": format_left_out(left),
    }
