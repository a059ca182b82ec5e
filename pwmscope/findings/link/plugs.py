"""Whether each output follows the controls that its role on the sheet names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pwmscope.bench import BenchChannel, BenchSheet
from pwmscope.model import Finding, Verdict, format_line, format_list, not_shown

PLUGS: Final = "plugs"
FORWARD: Final[frozenset[str]] = frozenset({"elevator", "throttle"})
TURN: Final[frozenset[str]] = frozenset({"aileron", "rudder"})
_STICKS: Final[dict[str, str]] = {
    "stick-aileron": "aileron",
    "stick-elevator": "elevator",
    "stick-throttle": "throttle",
    "stick-rudder": "rudder",
}
_LIMIT: Final = "each output follows the controls that its role names (common practice)"
_NAMES: Final = {
    "drive-left": "the left motor",
    "drive-right": "the right motor",
    "drive-forward": "the drive",
    "drive-turn": "the drive's turn",
    "weapon": "the weapon",
}


@dataclass(frozen=True, slots=True)
class WrongPlug:
    """An output that follows controls which its role does not name."""

    line: str  # The output
    controls: tuple[str, ...]  # What moves it
    # The output whose cable to swap it with; None where no swap mends it, or several would
    swap_with: str | None
    can_mix: bool  # Whether mixing elevator and aileron mends it as well
    sentence: str  # What is wrong and what to do
    # Every output with which a swap would mend it; which of several is right no record shows
    swaps: tuple[str, ...] = ()


def find_wrong_plugs(
    followed: Mapping[str, frozenset[str]],
    sheet: BenchSheet,
    others: Mapping[str, str] | None = None,
) -> tuple[WrongPlug, ...]:
    """Name the outputs whose controls their roles do not allow; what follows nothing is left out.

    `followed` has the controls that move each line that is known for sure, `others` the line that
    each switch, dial or button moves by the sheet.
    """
    others = others or {}
    channels = {name: c for name, c in sheet.channels.items() if followed.get(name)}
    wrong = [
        c for c in channels.values() if not _fits(c, followed[c.line], channels, followed, others)
    ]
    # What should follow a control and follows none may have the other end of a swapped plug
    idle = [
        c
        for c in sheet.channels.values()
        if c.line not in channels
        and (c.role in _STICKS or c.role.startswith("drive-") or c.line in others.values())
    ]
    return tuple(_wrong(channel, wrong, idle, channels, followed, others) for channel in wrong)


def _fits(
    channel: BenchChannel,
    controls: frozenset[str],
    channels: Mapping[str, BenchChannel],
    followed: Mapping[str, frozenset[str]],
    others: Mapping[str, str],
) -> bool:
    """Whether such controls may move what has this role; what none moves fits what none shall."""
    role = channel.role
    own = {name for name, line in others.items() if line == channel.line}
    # It may have what another output waits for
    taken = any(name not in followed.get(others[name], ()) for name in controls & others.keys())
    if own or taken:
        return bool(own) and own <= controls
    if role in _STICKS:
        return controls == {_STICKS[role]}
    if role in {"drive-left", "drive-right", "drive-forward"}:
        return bool(controls & FORWARD)
    if role == "drive-turn":
        return bool(controls & TURN) and not controls & FORWARD
    if role == "weapon":
        driven: set[str] = set()
        for other in channels.values():
            if other.role.startswith("drive-"):
                driven |= followed[other.line]
        return not controls & driven
    return True


def _wrong(  # noqa: PLR0917 - all that the answer rests on
    channel: BenchChannel,
    wrong: list[BenchChannel],
    idle: list[BenchChannel],
    channels: Mapping[str, BenchChannel],
    followed: Mapping[str, frozenset[str]],
    others: Mapping[str, str],
) -> WrongPlug:
    own = followed[channel.line]
    can_mix = channel.role in {"drive-left", "drive-right"} and own <= TURN
    fitting = [
        other
        for other in [*channels.values(), *idle]
        if other.line != channel.line
        and (other in wrong or not can_mix)
        and _swap_mends(channel, other, channels, followed, others)
    ]
    fitting = [other for other in fitting if other in wrong] or fitting
    swap = fitting[0].line if len(fitting) == 1 else None
    controls = tuple(sorted(own))
    what = _NAMES.get(channel.role, f"what has the role {channel.role}")
    names = format_list(list(controls))
    said = f"{names[0].upper()}{names[1:]} {'drives' if len(own) == 1 else 'drive'} "
    said += f"{what}, {format_line(channel.line)}."
    ways = []
    if swap is not None:
        ways.append(f"swap {format_line(channel.line)} and {format_line(swap)}")
    if can_mix:
        ways.append("mix elevator and aileron")
    if len(fitting) > 1:
        # Which of them is the right plug no record shows
        names = format_list([format_line(other.line) for other in fitting]).replace(" and ", " or ")
        ways.append(f"look which plug is wrong: a swap with {names} would fit")
    if not ways:
        ways.append("check its plug and the transmitter's channel order")
    todo = ", or ".join(ways)
    said = f"{said} {todo[0].upper()}{todo[1:]}."
    swaps = tuple(other.line for other in fitting)
    return WrongPlug(channel.line, controls, swap, can_mix, said, swaps)


def _swap_mends(
    one: BenchChannel,
    other: BenchChannel,
    channels: Mapping[str, BenchChannel],
    followed: Mapping[str, frozenset[str]],
    others: Mapping[str, str],
) -> bool:
    """Whether both fit once their cables are swapped, and the drive still turns if it did."""
    swapped = dict(followed)
    swapped[one.line] = followed.get(other.line, frozenset())
    swapped[other.line] = followed[one.line]
    if _turns(channels, followed) and not _turns(channels, swapped):
        return False
    return all(_fits(each, swapped[each.line], channels, swapped, others) for each in (one, other))


def _turns(channels: Mapping[str, BenchChannel], followed: Mapping[str, frozenset[str]]) -> bool:
    """Whether something turns the robot: a turning control, or drives that follow unlike ones."""
    drives = [
        followed.get(c.line, frozenset()) for c in channels.values() if c.role.startswith("drive-")
    ]
    return any(own & TURN for own in drives) or len(set(drives)) > 1


def _exchanged_throttle(
    channels: Mapping[str, BenchChannel], followed: Mapping[str, frozenset[str]]
) -> str:
    """Say that a drive has the throttle and a weapon the elevator; empty where the sheet does."""
    for drive in channels.values():
        driven = followed.get(drive.line, frozenset()) & FORWARD
        is_open = drive.role.startswith("drive-") and drive.control != "throttle"
        if not is_open or driven != {"throttle"}:
            continue
        for weapon in channels.values():
            own = followed.get(weapon.line, frozenset())
            if weapon.role == "weapon" and weapon.control != "elevator" and "elevator" in own:
                return (
                    f"The throttle moves {format_line(drive.line)} and the elevator "
                    f"{format_line(weapon.line)}: their plugs may be exchanged. State the "
                    "control of both, or swap them."
                )
    return ""


def judge_plugs(  # noqa: PLR0911 - the first reason that holds
    followed: Mapping[str, frozenset[str]],
    unsure: frozenset[str],
    sheet: BenchSheet | None,
    seen: frozenset[str],
    others: Mapping[str, str] | None = None,
) -> tuple[Finding, tuple[WrongPlug, ...]]:
    """Hold what each output follows against its role; one that is wrong for sure governs."""
    if sheet is None:
        why = "Without a bench sheet no output has a role to hold it against. Give a sheet."
        return not_shown(PLUGS, "", why, limit=_LIMIT), ()
    sure = {line: own for line, own in followed.items() if line not in unsure}
    drive = {c.line for c in sheet.channels.values() if c.role.startswith("drive-")}
    if FORWARD - seen and drive & unsure:
        # The hands may have left out what drives it: then no drive is wrong for sure
        sure = {line: own for line, own in sure.items() if line not in drive}
    others = others or {}
    wrong = find_wrong_plugs(sure, sheet, others)
    if wrong:
        said = " ".join(each.sentence for each in wrong)
        value = ", ".join(each.line for each in wrong)
        return Finding(PLUGS, value, "", None, _LIMIT, Verdict.DOES_NOT_MEET, (), said), wrong
    strangers = [line for line in followed if followed[line] and line not in sheet.channels]
    if strangers:
        names = format_list([format_line(line) for line in strangers])
        why = f"The sheet does not list {names}, which a control moves. Add what is on it."
        return not_shown(PLUGS, "", why, limit=_LIMIT), ()
    judged = [
        c.line
        for c in sheet.channels.values()
        if c.role in _STICKS
        or c.role == "weapon"
        or c.role.startswith("drive-")
        or c.line in others.values()
    ]
    if not judged:
        why = "The sheet has no drive, weapon or stick, whose controls a role would name."
        return not_shown(PLUGS, "", why, limit=_LIMIT), ()
    open_ = [line for line in judged if line in unsure or not followed.get(line)]
    if open_:
        names = format_list([format_line(line) for line in open_])
        why = f"No control moves {names} for sure. Push each stick straight, and record again."
        if all(line in others.values() for line in open_):
            why = f"No switch, dial or button moves {names} for sure. Check it, and record again."
        if not followed:
            why = "Without a channel map no plug can be judged."
        return not_shown(PLUGS, "", why, limit=_LIMIT), ()
    if drive and not _turns(sheet.channels, followed):
        named = format_list(sorted(TURN - seen))
        why = f"What turns the robot was not seen: {named} moved nothing, or was not pushed."
        if not named:
            why = "No control that was pushed turns the robot. Check what its drives follow."
        return not_shown(PLUGS, "", why, limit=_LIMIT), ()
    if why := _exchanged_throttle(sheet.channels, followed):
        return not_shown(PLUGS, "", why, limit=_LIMIT), ()
    said = f"{format_list([format_line(line) for line in judged])} follow what their roles name."
    if len(judged) == 1:
        said = f"{format_line(judged[0])} follows what its role names."
    return Finding(PLUGS, "as wired", "", None, _LIMIT, Verdict.MEETS, (), said), ()
