"""What binding left behind: the link, which control moves which output, and other memories."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import (
    BenchChannel,
    BenchSheet,
    CapturePlan,
    Judgement,
    Marker,
    Role,
    judge_band,
    judge_protocol,
)
from pwmscope.capture import Capture
from pwmscope.errors import HintError
from pwmscope.findings.link.following import Following, farthest_us, find_following, swings
from pwmscope.findings.link.moves import (
    EARLY_S,
    LATE_S,
    MIN_US,
    STIR_PUSHES,
    LineMoves,
    Move,
    Placed,
    Planned,
    find_moves,
    place_moves,
)
from pwmscope.model import (
    PS_PER_S,
    Definition,
    Evidence,
    Finding,
    Hazard,
    HazardKind,
    Verdict,
    format_line,
    format_list,
    measured,
    not_shown,
    worst,
)
from pwmscope.pulses import PulseTable

ALONE: Final = "outputs without the link"
FIRST: Final = "time to the first frame"
MAP: Final = "channel map"
PLUGS: Final = "plugs"
OTHER: Final = "other memory"
PROTOCOL: Final = "link protocol"
BAND: Final = "radio band"
AGAIN: Final = "failsafe after binding"
QUIET_S: Final = 0.5
"""An output without a pulse for so long is quiet."""
STIR_LASTS_S: Final = 4.0
"""The link must be gone so long, while the plan has the stir."""
CHANGED_US: Final = 15.0
"""A width that changes by more shows that the link is there."""
_FIRST_END: Final[dict[str, str]] = {
    "aileron": "right", "elevator": "forward", "throttle": "up", "rudder": "right",
}  # fmt: skip
_OTHER_LIMIT: Final = "no output follows another memory or transmitter"
_SAME_LIMIT: Final = "transmitter and receiver state the same"
_AGAIN_LIMIT: Final = "a failsafe check on the day of the binding or later"
FORWARD: Final[frozenset[str]] = frozenset({"elevator", "throttle"})
TURN: Final[frozenset[str]] = frozenset({"aileron", "rudder"})
_STICKS: Final[dict[str, str]] = {
    "stick-aileron": "aileron",
    "stick-elevator": "elevator",
    "stick-throttle": "throttle",
    "stick-rudder": "rudder",
}
_PLUGS_LIMIT: Final = "each output follows the controls that its role names (common practice)"
_ROLE_NAMES: Final = {
    "drive-left": "the left motor",
    "drive-right": "the right motor",
    "drive-forward": "the drive",
    "drive-turn": "the drive's turn",
    "weapon": "the weapon",
}

DEFINITIONS: Final = (
    Definition(
        ALONE,
        "What each output does while the transmitter is off.",
        "median width of the last second before the transmitter is on; quiet without a pulse in it",
        "own algorithm",
    ),
    Definition(
        FIRST,
        "How long after the transmitter is on the last of the outputs shows the link.",
        "the first pulse of an output that was quiet, or the first of five that stand 15 us off; "
        "the marker may be late by late_s, u = late_s / sqrt(12)",
        "own algorithm; JCGM 100, 4.3.7, from memory",
    ),
    Definition(
        MAP,
        "Which control moves which output, and which way. Corners in which no two axes go the same "
        "ways show two sticks that were exchanged. One exchanged in every step they do not.",
        "moves between two stirs of both sticks, by the plan's clock; a line follows a control "
        "that moves it by 0.4 of its farthest move, or by 0.15 of it in the corners, by least "
        "squares",
        "own algorithm",
    ),
    Definition(
        PLUGS,
        "Whether each output follows the controls that its role names.",
        "drives follow elevator or throttle; a weapon follows no control of a drive; a stick "
        "follows itself",
        "common practice",
    ),
    Definition(
        OTHER,
        "Whether outputs follow another model memory, or another transmitter that is bound.",
        "pushes while the plan has the other memory; three or more on a line are the stir",
        "own algorithm",
    ),
    Definition(
        PROTOCOL, "Whether both ends state one link protocol.", "texts compared", "common practice"
    ),
    Definition(
        BAND, "Whether both ends state one radio band.", "texts compared", "common practice"
    ),
    Definition(
        AGAIN,
        "Whether a failsafe check was made since the receiver was bound. Some receivers lose their "
        "presets by binding.",
        "receiver.bound_on against the last failsafe check in the register",
        "common practice",
    ),
)


@dataclass(frozen=True, slots=True)
class Follower:
    """An output that follows a control."""

    line: str  # The output
    # 1 where the control's first end (right, forward or up) makes its pulses longer, else -1
    direction: int
    # By the sheet; empty where it does not say
    role: Role | str
    device: str


@dataclass(frozen=True, slots=True)
class ControlRow:
    """What one control moves."""

    control: str  # The stick axis, or "switch of RX5": what moves that line by the sheet
    seen: bool  # Whether a move was seen where the plan has it
    followers: tuple[Follower, ...]  # The outputs that it moves
    # Outputs that it moves a little: by itself, or by a hand that moved the other axis too
    unsure: tuple[str, ...]
    # Of a switch, a dial or a button, the line that it moves by the sheet; empty of a stick
    line: str = ""

    @property
    def sentence(self) -> str:
        """What it moves, for a person."""
        if not self.seen:
            return f"The {self.control} moves no recorded output, or the hands left it out."
        told = [
            f"{'longer' if f.direction > 0 else 'shorter'} pulses on {format_line(f.line)}"
            f"{f' ({f.device or f.role})' if f.device or f.role else ''}"
            for f in self.followers
        ]
        said = f"The {self.control} moves nothing for sure."
        if told:
            way = _FIRST_END.get(self.control, "on")
            said = f"{self.control[0].upper()}{self.control[1:]} {way}: {format_list(told)}."
        if self.unsure:
            said += f" Perhaps also {format_list([format_line(line) for line in self.unsure])}."
        return said


@dataclass(frozen=True, slots=True)
class LinkRecord:
    """What a link record shows."""

    plan: CapturePlan  # The plan that the hands followed
    # The channel map, a row for each control of the plan; empty where it is not shown
    rows: tuple[ControlRow, ...]
    findings: tuple[Finding, ...]  # All findings, in the order in which they are told
    wrong_plugs: tuple[WrongPlug, ...] = ()  # Outputs on the wrong plug
    hazards: tuple[Hazard, ...] = ()  # Outputs that follow another memory or transmitter
    assumptions: tuple[str, ...] = ()  # What was taken for granted
    # Pairs of controls that the hands may have exchanged unnoticed, each at the other's time
    unseen_exchanges: tuple[tuple[str, str], ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The worst over what has a limit."""
        return worst(self.findings)

    def __getitem__(self, name: str) -> Finding:
        """Return a finding by its name."""
        return next(finding for finding in self.findings if finding.name == name)


def examine_link(
    capture: Capture,
    tables: Mapping[str, PulseTable],
    plan: CapturePlan,
    sheet: BenchSheet | None = None,
    *,
    marker: Marker | None = None,
    last_failsafe: datetime.date | None = None,
) -> LinkRecord:
    """Tell what a link record shows: a recording made by a plan of `make_link_plan`.

    ``tables`` are the pulses of its servo lines. The marker is by default the sheet's, and
    ``last_failsafe`` the day of the last failsafe check of this robot. A `HintError` is raised if
    the plan is not one of a link record.
    """
    if not plan.is_link_record:
        raise HintError("The plan has no step with another memory. Make one of a link record.")
    marker = marker or (None if sheet is None else sheet.marker)
    on_s = _transmitter_on_s(capture, marker)
    lines = {name: own for name, table in tables.items() if (own := LineMoves.of(table))}
    moves = find_moves(lines)
    channels = {} if sheet is None else sheet.channels
    planned = Planned.of(plan, {name: channel.other_control for name, channel in channels.items()})
    placed = place_moves(moves, planned)
    following: Following | str = placed if isinstance(placed, str) else ""
    if not isinstance(placed, str):
        following = find_following(lines, placed, planned, plan.mode)
    findings = list(_before_link(capture, tables, marker, on_s))
    rows: tuple[ControlRow, ...] = ()
    hazards: tuple[Hazard, ...] = ()
    wrong: tuple[WrongPlug, ...] = ()
    if isinstance(placed, str):
        other, hazards = _other_unplaced(capture, lines, moves, planned, placed, on_s)
    else:
        other, hazards = _other_memory(capture, tables, lines, moves, placed, planned)
        if other.verdict is Verdict.MEETS:
            other = _of_all_outputs(other, capture, sheet)
    said = ["The hands pushed the sticks that the plan names, in its order."]
    if isinstance(placed, str) or isinstance(following, str):
        findings.append(not_shown(MAP, "", str(following)))
        plugs, _ = _judge_plugs({}, frozenset(), sheet, frozenset(), {})
    else:
        rows = _rows(following, placed, planned, sheet)
        said += _unseen(following, planned)
        findings.append(_map_finding(rows, placed))
        followed = {line: frozenset[str]() for line in tables}
        for row in rows:
            for follower in row.followers:
                followed[follower.line] |= {row.control}
        unsure = frozenset(line for row in rows for line in row.unsure)
        seen = frozenset(row.control for row in rows if row.seen)
        others = {row.control: row.line for row in rows if row.line}
        plugs, wrong = _judge_plugs(followed, unsure, sheet, seen, others)
    findings += [plugs, other, *_both_ends(sheet), _after_binding(sheet, last_failsafe)]
    unseen = () if isinstance(following, str) else following.unseen
    return LinkRecord(plan, rows, tuple(findings), wrong, hazards, tuple(said), unseen)


def _unseen(following: Following, planned: Planned) -> list[str]:
    """Say which exchanges of controls the record would not show."""
    sticks = {each.name for each in planned.controls if not each.line}
    said = []
    if any(one in sticks for one, _ in following.unseen):
        said.append(
            "Two sticks exchanged by the hand would not show: the plan has no corners that tell "
            "them apart. Make it anew."
        )
    said += [
        f"The {one} and the {other}, exchanged by the hand, would not show."
        for one, other in following.unseen
        if one not in sticks
    ]
    if planned.corners:
        said.append("No two sticks were exchanged in every step, the corners too.")
    return said


def _transmitter_on_s(capture: Capture, marker: Marker | None) -> float | None:
    """When the transmitter went on for the first time; None where no marker shows it."""
    if marker is None or marker.line not in capture.lines:
        return None
    line = capture.lines[marker.line]
    on = 1 - line.initial_level if marker.on is None else int(marker.on == "high")
    if line.initial_level == on or not line.edges_ps.size:
        return None
    return float(line.edges_ps[0]) / PS_PER_S


def _before_link(
    capture: Capture, tables: Mapping[str, PulseTable], marker: Marker | None, on_s: float | None
) -> tuple[Finding, Finding]:
    """Tell what each output did before the transmitter was on, and how soon it showed the link."""
    if on_s is None or marker is None:
        why = "No marker shows when the transmitter went on. Name it as marker in the sheet."
        return not_shown(ALONE, "", why), not_shown(FIRST, "s", why)
    late_s = marker.late_s
    from_s = on_s - late_s
    told, first_s, silent_too = [], {}, []
    for name, table in tables.items():
        own = table.measured
        time_s, width_us = table.rise_s[own], table.width_us[own]
        before = width_us[(time_s >= from_s - 1.0) & (time_s < from_s - 0.05)]
        if before.size < 5:
            told.append(f"{format_line(name)} quiet")
            after = time_s[time_s >= from_s]
            if after.size:
                first_s[name] = float(after[0]) - on_s
            continue
        stood_us = float(np.median(before))
        told.append(f"{format_line(name)} {stood_us:.0f} us")
        other = np.abs(width_us - stood_us) > CHANGED_US
        lasting = np.convolve(other, np.ones(5), "full")[4:] >= 5
        changed = time_s[lasting & (time_s >= from_s) & (time_s < from_s + 30.0)]
        still = time_s[(time_s >= from_s) & (time_s < from_s + 30.0)]
        gap = still[1:][np.diff(still) > QUIET_S]
        moved = changed[:1] if changed.size else gap[:1]
        if moved.size and moved[0] - on_s < 6.0:
            first_s[name] = float(moved[0]) - on_s
        else:
            silent_too.append(name)
    said = f"With the transmitter off: {', '.join(told)}."
    alone = measured(
        ALONE, ", ".join(told), "", said, evidence=(Evidence(capture.start_s, from_s, 0),)
    )
    if not first_s:
        why = "The outputs look the same before and after the link, so no frame shows it."
        return alone, not_shown(FIRST, "s", why)
    last = max(first_s, key=lambda line: first_s[line])
    at_s = max(first_s[last] + late_s / 2.0, 0.0)
    u = (late_s + 1e-6 * (capture.sample_interval_us or 0.0)) / np.sqrt(12.0)
    said = (
        f"{format_line(last)}, the last, shows the link {at_s:.2f} s after the transmitter is on."
    )
    if silent_too:
        names = format_list([format_line(line) for line in silent_too])
        said += f" {names} does not show it." if len(silent_too) == 1 else f" {names} do not."
    evidence = (Evidence(on_s, on_s + first_s[last], 0),)
    return alone, measured(FIRST, at_s, "s", said, uncertainty=float(u), evidence=evidence)


def _rows(
    found: Following, placed: Placed, planned: Planned, sheet: BenchSheet | None
) -> tuple[ControlRow, ...]:
    rows = []
    for control in planned.controls:
        name = control.name
        own = found.follows.get(name, {})
        followers = tuple(_follower(line, way, sheet) for line, way in own.items())
        unsure = found.unsure.get(name, ())
        rows.append(ControlRow(name, name in placed.controls, followers, unsure, control.line))
    return tuple(rows)


def _follower(line: str, way: int, sheet: BenchSheet | None) -> Follower:
    channel = None if sheet is None else sheet.channels.get(line)
    if channel is None:
        return Follower(line, way, "", "")
    return Follower(line, way, channel.role, channel.device)


def _map_finding(rows: tuple[ControlRow, ...], placed: Placed) -> Finding:
    value = "; ".join(
        f"{row.control}: {', '.join(f.line for f in row.followers) or 'none'}" for row in rows
    )
    unseen = [row.control for row in rows if not row.seen]
    told = " ".join(row.sentence for row in rows if row.seen)
    if unseen:
        several = "move no recorded output, or the hands left them out"
        single = "moves no recorded output, or the hands left it out"
        told += f" {format_list(unseen).capitalize()} {several if len(unseen) > 1 else single}."
        astray = sorted({line for row in rows if not row.seen for line in row.unsure})
        if astray:
            names = format_list([format_line(line) for line in astray])
            told += f" {names} moved otherwise in the stirs than by the controls that were seen."
    spans = tuple(Evidence(m.start_s, m.end_s, 0) for m in placed.controls.values())
    return measured(MAP, value, "", told.strip(), evidence=spans)


def _other_memory(  # noqa: PLR0917 - all that the answer rests on
    capture: Capture,
    tables: Mapping[str, PulseTable],
    lines: Mapping[str, LineMoves],
    moves: list[Move],
    placed: Placed,
    planned: Planned,
) -> tuple[Finding, tuple[Hazard, ...]]:
    """Say whether outputs followed while the plan had the other memory."""
    if len(planned.stirs_s) < 4:
        return _other_open("The plan has no stir with the other memory and with the own one again.")
    start_s = placed.before.start_s - planned.stirs_s[0]
    other_s, again_s = (start_s + at for at in planned.stirs_s[2:4])
    stirs = [m for m in moves if m.pushes >= STIR_PUSHES and m.start_s > placed.end_s]
    with_other = [m for m in stirs if m.start_s <= other_s + LATE_S]
    again = [m for m in stirs if -EARLY_S <= m.start_s - again_s <= LATE_S]
    if with_other:
        return _followed(capture, lines, with_other[0], other_s)
    if not again:
        return _other_open(
            "The stir with the own memory again was not seen, so nothing tells the link was back."
        )
    strange = [m for m in moves if placed.end_s < m.start_s < again[0].start_s and m not in again]
    from_s, to_s = other_s, other_s + STIR_LASTS_S
    gone = {name: _link_gone(tables[name], line, from_s, to_s) for name, line in lines.items()}
    live = [name for name, line in lines.items() if _is_live(line, placed)]
    undecided = [name for name in live if not gone[name]]
    span = (Evidence(from_s, to_s, 0),)
    until_s = min(to_s + LATE_S, again[0].start_s)
    swung = [name for name, line in lines.items() if swings(line, from_s - EARLY_S, until_s)]
    if swung or any(m.pushes > 1 for m in strange):
        named = format_list([format_line(name) for name in swung]) or "Outputs"
        why = f"{named} moved with the other memory, but not as in a stir. Record it again."
        # What moves later may have the own memory again
        by_s = min(until_s, to_s + EARLY_S)
        early = [n for n, line in lines.items() if swings(line, from_s - EARLY_S, by_s)]
        hazards = _foreign(capture, lines, early, from_s, by_s)
        return _other_open(why, hazards)
    if len(undecided) == len(live) or not live:
        return _other_open(
            "Nothing moved with the other memory: no output follows it, or nobody moved the "
            "sticks. The outputs show no loss of the link."
        )
    lost = format_list([format_line(name) for name in live if gone[name]])
    said = f"No output moved with the other memory; {lost} showed that the link was gone."
    return Finding(OTHER, "none follows", "", None, _OTHER_LIMIT, Verdict.MEETS, span, said), ()


def _other_open(why: str, hazards: tuple[Hazard, ...] = ()) -> tuple[Finding, tuple[Hazard, ...]]:
    return not_shown(OTHER, "", why, limit=_OTHER_LIMIT), hazards


def _of_all_outputs(found: Finding, capture: Capture, sheet: BenchSheet | None) -> Finding:
    """Hold that none follows only where every output on the sheet that has a pin is recorded."""
    devices = [] if sheet is None else [c for c in sheet.channels.values() if c.is_device]
    absent = [c.line for c in devices if not c.no_pin and c.line not in capture.lines]
    if not absent:
        return found
    names = format_list([format_line(line) for line in absent])
    why = f"The recording lacks {names}, which may follow the other memory. Record every output."
    return not_shown(OTHER, "", why, limit=_OTHER_LIMIT)


def _followed(
    capture: Capture, lines: Mapping[str, LineMoves], move: Move, other_s: float
) -> tuple[Finding, tuple[Hazard, ...]]:
    """Judge a stir while the other memory was chosen; one far off its time may be a hand's."""
    names = [name for name, line in lines.items() if len(_pushes(line, move)) > 1]
    hazards = _foreign(capture, lines, names, move.start_s, move.end_s)
    if abs(move.start_s - other_s - 0.5 * (LATE_S - EARLY_S)) > 0.5 * (LATE_S + EARLY_S):
        why = (
            f"A stir came at {move.start_s:.1f} s, {other_s - move.start_s:.0f} s before the plan "
            "has it. Which memory it was is not known."
        )
        return _other_open(why, hazards)
    span = (Evidence(move.start_s, move.end_s, 0),)
    shown = format_list([format_line(name) for name in names])
    said = f"{shown} {'follow' if len(names) > 1 else 'follows'} another memory or transmitter."
    finding = Finding(
        OTHER, ", ".join(names), "", None, _OTHER_LIMIT, Verdict.DOES_NOT_MEET, span, said
    )
    return finding, hazards


def _pushes(line: LineMoves, move: Move) -> list[tuple[int, float, float]]:
    return line.pushes(move.start_s - 0.1, move.end_s + 0.1)


def _foreign(
    capture: Capture, lines: Mapping[str, LineMoves], names: list[str], from_s: float, to_s: float
) -> tuple[Hazard, ...]:
    """Make the hazard of outputs that moved with the other memory; none without an output."""
    if not names:
        return ()
    line = lines[names[0]]
    off = line.from_rest_us[line.between(from_s, to_s)]
    width_us = line.rest_us + (float(off[np.abs(off).argmax()]) if off.size else 0.0)
    kind, source = HazardKind.FOREIGN, capture.source
    return (Hazard(kind, tuple(names), from_s, width_us, line.rest_us, 1, 1, source),)


def _other_unplaced(  # noqa: PLR0917 - all that the answer rests on
    capture: Capture,
    lines: Mapping[str, LineMoves],
    moves: list[Move],
    planned: Planned,
    why: str,
    on_s: float | None,
) -> tuple[Finding, tuple[Hazard, ...]]:
    """Look for the other memory where no map is shown: by the marker, the first and last stir."""
    shown = not_shown(OTHER, "", why, limit=_OTHER_LIMIT)
    stirs = [move for move in moves if move.pushes >= STIR_PUSHES]
    if len(planned.stirs_s) < 4 or not stirs:
        return shown, ()
    clocks_s = [stirs[0].start_s - planned.stirs_s[0], stirs[-1].start_s - planned.stirs_s[3]]
    if on_s is not None:
        clocks_s.insert(0, on_s - planned.on_s)
    found: list[tuple[Move, float]] = []
    for clock_s in clocks_s:
        other_s = clock_s + planned.stirs_s[2]
        own = [m for m in stirs if -EARLY_S <= m.start_s - other_s <= LATE_S]
        found += [(own[0], other_s)] if own else []
    if not found:
        from_s = clocks_s[0] + planned.stirs_s[2] - EARLY_S
        to_s = from_s + EARLY_S + LATE_S
        names = [name for name, line in lines.items() if swings(line, from_s, to_s)]
        return shown, _foreign(capture, lines, names, from_s, to_s)
    followed, hazards = _followed(capture, lines, *found[0])
    # One clock alone may be a hand's that fell behind
    return followed if len(found) > 1 else shown, hazards


def _is_live(line: LineMoves, placed: Placed) -> bool:
    return farthest_us(line, [placed.before, placed.after]) >= MIN_US


def _link_gone(table: PulseTable, line: LineMoves, from_s: float, to_s: float) -> bool:
    """Whether an output shows, all the while, that the link is gone: quiet, or off its rest."""
    own = table.measured
    at = table.rise_s[own]
    inside = at[(at >= from_s) & (at <= to_s)]
    if not inside.size:
        return True
    off = line.from_rest_us[line.between(from_s, to_s)]
    return bool(off.size) and bool(np.quantile(np.abs(off), 0.1) > MIN_US)


def _both_ends(sheet: BenchSheet | None) -> tuple[Finding, Finding]:
    """Compare protocol and band of both ends as texts, by the rules of wiring."""
    if sheet is None:
        why = "Without a bench sheet neither end is stated. Give a sheet."
        return (
            not_shown(PROTOCOL, "", why, limit=_SAME_LIMIT),
            not_shown(BAND, "", why, limit=_SAME_LIMIT),
        )
    return (
        _as_finding(PROTOCOL, judge_protocol(sheet), sheet.receiver.protocol),
        _as_finding(BAND, judge_band(sheet), sheet.receiver.band),
    )


def _as_finding(name: str, judged: Judgement, value: str) -> Finding:
    shown = value if judged.verdict is not Verdict.NOT_SHOWN else None
    return Finding(name, shown, "", None, _SAME_LIMIT, judged.verdict, (), judged.sentence)


def _after_binding(sheet: BenchSheet | None, last_failsafe: datetime.date | None) -> Finding:
    """Hold the last failsafe check against the day of the binding."""
    bound_on = None if sheet is None else sheet.receiver.bound_on
    ask = "Record the failsafe check again after binding: some receivers lose their presets by it."
    if bound_on is None or last_failsafe is None:
        why = f"No failsafe check is known since {bound_on}."
        if bound_on is None:
            why = "The day of the binding is not stated (receiver.bound_on)."
        return not_shown(AGAIN, "", f"{why} {ask}", limit=_AGAIN_LIMIT)
    value = last_failsafe.isoformat()
    verdict, said = Verdict.MEETS, f"Bound on {bound_on}, last failsafe check on {value}."
    if last_failsafe < bound_on:
        verdict, said = Verdict.DOES_NOT_MEET, f"{said} {ask}"
    elif last_failsafe == bound_on:
        verdict = Verdict.NOT_SHOWN
        said = f"Bound and checked on one day, {value}. Which came first is not known. {ask}"
    return Finding(AGAIN, value, "", None, _AGAIN_LIMIT, verdict, (), said)


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


@dataclass(frozen=True, slots=True)
class _Wired:
    """What moves each output, held against its role."""

    channels: Mapping[str, BenchChannel]
    followed: Mapping[str, frozenset[str]]  # The controls that move each line
    # The line that each switch, dial or button moves by the sheet
    others: Mapping[str, str]

    def of(self, channel: BenchChannel) -> frozenset[str]:
        return self.followed.get(channel.line, frozenset())

    @property
    def drives(self) -> list[BenchChannel]:
        return [c for c in self.channels.values() if c.role.startswith("drive-")]

    @property
    def turns(self) -> bool:
        """Whether something turns the robot: a turning control, or drives with unlike ones."""
        driven = [self.of(drive) for drive in self.drives]
        return any(own & TURN for own in driven) or len(set(driven)) > 1

    def names_controls(self, channel: BenchChannel) -> bool:
        """Whether a role, or the sheet, says which controls move an output."""
        is_named = channel.role in _STICKS or channel.role.startswith("drive-")
        return is_named or channel.line in self.others.values()

    def fits(self, channel: BenchChannel) -> bool:
        """Whether its controls may move what has this role; none fits what none shall move."""
        controls, role = self.of(channel), channel.role
        own = {name for name, line in self.others.items() if line == channel.line}
        # It may have what another output waits for
        taken = any(
            name not in self.followed.get(self.others[name], ())
            for name in controls & self.others.keys()
        )
        if own or taken:
            return bool(own) and own <= controls
        if role in _STICKS:
            return controls == {_STICKS[role]}
        if role in {"drive-left", "drive-right", "drive-forward"}:
            return bool(controls & FORWARD)
        if role == "drive-turn":
            return bool(controls & TURN) and not controls & FORWARD
        return role != "weapon" or not any(controls & self.of(drive) for drive in self.drives)

    def is_mended(self, one: BenchChannel, other: BenchChannel) -> bool:
        """Whether both fit once their cables are swapped, and the drive still turns if it did."""
        both = {one.line: self.of(other), other.line: self.of(one)}
        swapped = replace(self, followed={**self.followed, **both})
        return (swapped.turns or not self.turns) and swapped.fits(one) and swapped.fits(other)


def _find_wrong_plugs(wired: _Wired, sheet: BenchSheet) -> tuple[WrongPlug, ...]:
    """Name the outputs whose controls their roles do not allow; what follows nothing is left out.

    What should follow a control and follows none may have the other end of a swapped plug.
    """
    wrong = [c for c in wired.channels.values() if not wired.fits(c)]
    idle = [
        c
        for c in sheet.channels.values()
        if c.line not in wired.channels and wired.names_controls(c)
    ]
    return tuple(_wrong_plug(channel, wrong, idle, wired) for channel in wrong)


def _wrong_plug(
    channel: BenchChannel, wrong: list[BenchChannel], idle: list[BenchChannel], wired: _Wired
) -> WrongPlug:
    own = wired.of(channel)
    can_mix = channel.role in {"drive-left", "drive-right"} and own <= TURN
    fitting = [
        other
        for other in [*wired.channels.values(), *idle]
        if other.line != channel.line
        and (other in wrong or not can_mix)
        and wired.is_mended(channel, other)
    ]
    fitting = [other for other in fitting if other in wrong] or fitting
    swap = fitting[0].line if len(fitting) == 1 else None
    controls = tuple(sorted(own))
    what = _ROLE_NAMES.get(channel.role, f"what has the role {channel.role}")
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


def _format_exchanged_throttle(wired: _Wired) -> str:
    """Say that a drive has the throttle and a weapon the elevator; empty where the sheet does."""
    for drive in wired.drives:
        if drive.control == "throttle" or wired.of(drive) & FORWARD != {"throttle"}:
            continue
        for weapon in wired.channels.values():
            is_open = weapon.role == "weapon" and weapon.control != "elevator"
            if is_open and "elevator" in wired.of(weapon):
                return (
                    f"The throttle moves {format_line(drive.line)} and the elevator "
                    f"{format_line(weapon.line)}: their plugs may be exchanged. State the "
                    "control of both, or swap them."
                )
    return ""


def _judge_plugs(
    followed: Mapping[str, frozenset[str]],
    unsure: frozenset[str],
    sheet: BenchSheet | None,
    seen: frozenset[str],
    others: Mapping[str, str],
) -> tuple[Finding, tuple[WrongPlug, ...]]:
    """Hold what each output follows against its role; one that is wrong for sure governs."""
    if sheet is None:
        why = "Without a bench sheet no output has a role to hold it against. Give a sheet."
        return not_shown(PLUGS, "", why, limit=_PLUGS_LIMIT), ()
    wired = _Wired(sheet.channels, followed, others)
    drives = {drive.line for drive in wired.drives}
    # The hands may have left out what drives it: then no drive is wrong for sure
    open_ = unsure | drives if FORWARD - seen and drives & unsure else unsure
    sure = {line: own for line, own in followed.items() if line not in open_}
    channels = {name: c for name, c in sheet.channels.items() if sure.get(name)}
    wrong = _find_wrong_plugs(_Wired(channels, sure, others), sheet)
    if wrong:
        said = " ".join(each.sentence for each in wrong)
        value = ", ".join(each.line for each in wrong)
        return Finding(PLUGS, value, "", None, _PLUGS_LIMIT, Verdict.DOES_NOT_MEET, (), said), wrong
    judged = [
        c.line for c in sheet.channels.values() if wired.names_controls(c) or c.role == "weapon"
    ]
    why = next(_open_plugs(wired, judged, unsure, seen), "")
    if why:
        return not_shown(PLUGS, "", why, limit=_PLUGS_LIMIT), ()
    said = f"{format_list([format_line(line) for line in judged])} follow what their roles name."
    if len(judged) == 1:
        said = f"{format_line(judged[0])} follows what its role names."
    return Finding(PLUGS, "as wired", "", None, _PLUGS_LIMIT, Verdict.MEETS, (), said), ()


def _open_plugs(
    wired: _Wired, judged: list[str], unsure: frozenset[str], seen: frozenset[str]
) -> Iterator[str]:
    """Say why it is not shown that each output follows what its role names."""
    followed = wired.followed
    strangers = [line for line in followed if followed[line] and line not in wired.channels]
    if strangers:
        names = format_list([format_line(line) for line in strangers])
        yield f"The sheet does not list {names}, which a control moves. Add what is on it."
    if not judged:
        yield "The sheet has no drive, weapon or stick, whose controls a role would name."
    open_ = [line for line in judged if line in unsure or not followed.get(line)]
    if open_ and not followed:
        yield "Without a channel map no plug can be judged."
    if open_:
        names = format_list([format_line(line) for line in open_])
        if all(line in wired.others.values() for line in open_):
            yield f"No switch, dial or button moves {names} for sure. Check it, and record again."
        yield f"No control moves {names} for sure. Push each stick straight, and record again."
    if wired.drives and not wired.turns:
        named = format_list(sorted(TURN - seen))
        if not named:
            yield "No control that was pushed turns the robot. Check what its drives follow."
        yield f"What turns the robot was not seen: {named} moved nothing, or was not pushed."
    if why := _format_exchanged_throttle(wired):
        yield why
