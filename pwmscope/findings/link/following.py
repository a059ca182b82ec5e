"""What each control moves, by how far it takes each line, and whether one was pushed for another.

A hand may move both axes of a stick, leave a control out, or exchange two. Corners in which no two
axes go the same ways show an exchange.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import Final

import numpy as np

from pwmscope.bench import Axis, Mode
from pwmscope.findings.link.moves import (
    EARLY_S,
    LATE_S,
    MIN_US,
    LineMoves,
    Move,
    Placed,
    Planned,
    PlannedControl,
)
from pwmscope.model import FloatArray, format_line

SWING_US: Final = 30.0
"""A line that goes back by so much has swung; jitter, its median taken, does not (own choice)."""
SWINGS: Final = 3
"""Going there, back and there again; without the link a line goes there, and back once."""
FOLLOWS: Final = 0.4
"""A line follows a control that moves it by this part of its own farthest move, or more."""
CROSSES: Final = 0.28
"""A hand that pushes one axis may move the other on its stick by so much (own choice)."""
ALIKE: Final = 0.08
"""So well must a cross-coupling show alike on two lines of one axis."""
UNLIKE: Final = 0.3
"""Two ends of opposite sign that differ by more of their sum are no share of a control."""
LAME: Final = 0.2
"""A line that a control takes to one end by less than this part of the other is not pushed by it.
"""
ONE_SIDED: Final = 0.15
"""A line that goes no farther to its other side rests at its end."""
STEADY: Final = 0.8
"""A stick that is bumped into does not stay for so much of a push one way."""
TWIN: Final = 0.95
"""Least cosine between what two controls do to all lines, if it may be one of them pushed twice."""
ADDS_UP: Final = 0.25
"""So well must what the controls do to a line add up to the stir, in parts of its farthest move."""
CORNER_STEP_S: Final = 0.05
MIN_CORNER_S: Final = 0.4
"""A hand stays in a corner for so long at least (own choice)."""
SURE: Final = 0.5
"""A line that the controls in a corner take so far, in parts of all together, goes there."""
NOWHERE: Final = 0.12
"""And one that they take no farther stays at rest."""
WENT: Final = 0.25
AT_REST: Final = 0.4
SHARE: Final = 0.15
"""An axis that has such a part in where a line goes in the corners moves it (own choice)."""
NO_SHARE: Final = 0.06
"""And one that has no more does not."""
OFF: Final = 0.15
OFF_TIMES: Final = 2.0
"""An exchange that is off by more than that, and so much more than none, is refuted (own choice).
"""
MISFIT: Final = 0.3
"""A line that stops at a limit does not go where the axes add up to."""
AGREES: Final = 0.6
"""A line agrees with a corner in this part of it: the hand needs the rest to get there."""
PARTNERS: Final[dict[Mode, dict[Axis, Axis]]] = {
    1: {"rudder": "elevator", "elevator": "rudder", "aileron": "throttle", "throttle": "aileron"},
    2: {"rudder": "throttle", "throttle": "rudder", "aileron": "elevator", "elevator": "aileron"},
}
"""The other axis on the same stick (common practice)."""


@dataclass(frozen=True, slots=True)
class Reaction:
    """How far one control moves one line."""

    first_us: float  # At the control's first end, from rest
    second_us: float  # At its other end; 0 where it has none
    one_way: bool = False  # Whether the control goes to one end only
    steady: bool = True  # Whether it stays where it is taken; asked of one way only

    @property
    def farthest_us(self) -> float:
        """The farther of both."""
        return max(abs(self.first_us), abs(self.second_us))


def react(line: LineMoves, move: Move) -> Reaction:
    """Take what is held before the move's turn, and after it."""
    if move.turn_s is None:
        held_us = float(np.nan_to_num(_held(line, move.start_s, move.end_s)))
        spare_s = 0.2 * (move.end_s - move.start_s)
        off = line.from_rest_us[line.between(move.start_s + spare_s, move.end_s - spare_s)]
        near = np.abs(off - held_us) <= UNLIKE * abs(held_us)
        steady = bool(off.size) and float(near.mean()) >= STEADY
        return Reaction(held_us, 0.0, one_way=True, steady=steady)
    ends_us = _held(line, move.start_s, move.turn_s), _held(line, move.turn_s, move.end_s)
    first_us, second_us = np.nan_to_num(ends_us).tolist()
    return Reaction(first_us, second_us)


def _react_to_other(line: LineMoves, move: Move, control: PlannedControl) -> Reaction:
    """Take where a switch, dial or button holds a line while it is away from rest."""
    off = line.from_rest_us[line.between(move.start_s, move.end_s)]
    away = off[np.abs(off) > line.away_us]
    if not away.size:
        return Reaction(0.0, 0.0, one_way=True)
    strokes = len(line.pushes(move.start_s - 0.1, move.end_s + 0.1))
    most = STEADY if control.strokes == 1 else STEADY / 3.0
    steady = strokes == control.strokes and away.size >= most * off.size
    return Reaction(float(np.quantile(away, 0.8 if away.mean() > 0.0 else 0.2)), 0.0,
                    one_way=True, steady=steady)  # fmt: skip


def _held(line: LineMoves, from_s: float, to_s: float) -> float:
    """Return the middle of what stands between, a quarter at either end left to the hand's way.

    Not a number where no pulse is there.
    """
    spare_s = 0.25 * (to_s - from_s)
    off = line.from_rest_us[line.between(from_s + spare_s, to_s - spare_s)]
    return float(np.median(off)) if off.size else np.nan


def farthest_us(line: LineMoves, moves: list[Move]) -> float:
    """How far any of these moves takes a line from its rest."""
    found = [0.0]
    for move in moves:
        off = line.from_rest_us[line.between(move.start_s, move.end_s)]
        if off.size:
            found.append(float(np.quantile(np.abs(off), 0.95)))
    return max(found)


def swings(line: LineMoves, from_s: float, to_s: float) -> bool:
    """Whether a line goes there and back and there again, however far from its rest.

    A preset that sets in and ends goes there and back once; a stir does it twice.
    """
    off = line.from_rest_us[line.between(from_s, to_s)]
    turns, way, last_us = 0, 0, float(off[0]) if off.size else 0.0
    for us in off.tolist():
        if way * (us - last_us) > 0.0:
            last_us = us
        elif abs(us - last_us) >= SWING_US:
            turns += 1
            way, last_us = (1 if us > last_us else -1), us
    return turns >= SWINGS


@dataclass(frozen=True, slots=True)
class Following:
    """What each control moves, and what may or may not."""

    follows: dict[str, dict[str, int]]  # For each line +1 where the first end makes it longer
    unsure: dict[str, tuple[str, ...]]
    unseen: tuple[tuple[str, str], ...] = ()  # Controls whose exchange the record would not show


@dataclass(frozen=True, slots=True)
class _Record:
    """A link record: what each control does to each live line."""

    lines: Mapping[str, LineMoves]
    placed: Placed
    planned: Planned
    partners: Mapping[str, Axis]  # The other axis on the same stick
    far: dict[str, float]  # How far the controls and the stirs take each line from rest
    reactions: dict[str, dict[str, Reaction]]

    @property
    def of_sticks(self) -> dict[str, dict[str, Reaction]]:
        """The reactions to stick axes alone."""
        return {name: each for name, each in self.reactions.items() if name in self.partners}

    @property
    def axes(self) -> list[str]:
        """The stick axes of the plan."""
        return [each.name for each in self.planned.controls if not each.line]

    def whole_us(self, line: str) -> float:
        """How far all sticks together take a line, or what was seen if that is more."""
        return max(self.far[line], sum(r[line].farthest_us for r in self.of_sticks.values()))

    def follows(self, axis: str, line: str) -> bool:
        """Whether a control moves a line far."""
        return _follows(self.reactions[axis][line], self.far[line])

    def by_stick(self, line: str) -> bool:
        """Whether any stick moves a line far."""
        return any(self.follows(axis, line) for axis in self.of_sticks)

    def parts_of_partner(self, axis: str, line: str) -> tuple[float, float] | None:
        """Give what an axis does to a line, at either end, in parts of what its partner does.

        None where the line does not follow the partner.
        """
        partner = self.partners.get(axis, "")
        if partner not in self.reactions or not self.follows(partner, line):
            return None
        whole_us, seen = (
            self.reactions[partner][line].first_us or MIN_US,
            self.reactions[axis][line],
        )
        return seen.first_us / whole_us, seen.second_us / whole_us


def find_following(
    lines: Mapping[str, LineMoves], placed: Placed, planned: Planned, mode: Mode
) -> Following | str:
    """Tell which line follows which control, from a hand that may move both axes of a stick."""
    moves = [placed.before, placed.after, *placed.controls.values()]
    far = {name: farthest_us(line, moves) for name, line in lines.items()}
    far = {name: us for name, us in far.items() if us >= MIN_US}
    reactions = {
        axis: {
            name: react(lines[name], move)
            if axis not in placed.others
            else _react_to_other(lines[name], move, placed.others[axis])
            for name in far
        }
        for axis, move in placed.controls.items()
    }
    partners: Mapping[str, Axis] = {str(axis): other for axis, other in PARTNERS[mode].items()}
    record = _Record(lines, placed, planned, partners, far, reactions)
    astray = [name for name in far if not _adds_up(record, name)]
    all_seen = placed.controls.keys() >= partners.keys()
    if why := _exchanged(record, astray, all_seen=all_seen):
        return why
    sure = [name for name in far if record.by_stick(name) and (all_seen or name not in astray)]
    seen = _see_corners(record, sure)
    if isinstance(seen, str):
        return seen
    told = _tell_followers(record, seen, frozenset() if all_seen else frozenset(astray))
    if isinstance(told, str):
        return told
    follows, unsure = told
    for pair in seen.alike:
        # Which of both moves these is open
        one, other = (follows.get(axis, {}) for axis in pair)
        differ = {n for n in (*one, *other) if one.get(n) != other.get(n)}
        for axis in pair:
            unsure[axis] = tuple(sorted({*unsure.get(axis, ()), *differ}))
        for own_way in (one, other):
            for name in differ & own_way.keys():
                del own_way[name]
    # What moved otherwise than by the controls seen, or is open, may follow one that was left out
    open_ = {*astray, *(name for axis in record.of_sticks for name in unsure[axis])}
    for axis in partners:
        if axis not in placed.controls:
            unsure[axis] = tuple(sorted({*unsure.get(axis, ()), *open_}))
    return Following(follows, unsure, _unseen_exchanges(follows, planned))


def _tell_followers(
    record: _Record, seen: _Seen, doubted: frozenset[str]
) -> tuple[dict[str, dict[str, int]], dict[str, tuple[str, ...]]] | str:
    """Tell for each control the lines that follow it, and those that may or may not."""
    follows: dict[str, dict[str, int]] = {axis: {} for axis in record.reactions}
    unsure: dict[str, tuple[str, ...]] = {}
    for axis, reactions in record.reactions.items():
        doubtful = []
        for name, reaction in reactions.items():
            told = _moves(record, axis, name, seen, is_doubted=name in doubted)
            if told:
                still = reaction.steady if reaction.one_way else not _one_sided(record, axis, name)
                told = told if still else None
            if told and _lame(reaction):
                at_s = record.placed.controls[axis].start_s
                return (
                    f"The move at {at_s:.1f} s takes {format_line(name)} to one side only, unlike "
                    f"the plan's for the {axis}. Record again."
                )
            if told:
                side = reaction.first_us or -reaction.second_us
                follows[axis][name] = 1 if side > 0 else -1
            elif told is None:
                doubtful.append(name)
        unsure[axis] = tuple(doubtful)
    return follows, unsure


def _moves(record: _Record, axis: str, name: str, seen: _Seen, *, is_doubted: bool) -> bool | None:
    """Whether a control moves a line; None where that is open."""
    reaction = record.reactions[axis][name]
    if reaction.farthest_us < max(0.5 * MIN_US, 0.5 * ALIKE * record.far[name]):
        return False
    if not record.follows(axis, name):
        return seen.tells(axis, name, reaction, _weak(record, axis, name))
    if _slanted(record, axis, name):
        return seen.tells(axis, name, reaction, None)
    if axis not in record.partners:
        # A stick may have been pushed along, or in its place: those that move this line, or what
        # was left out and moved it in the stirs
        is_open = record.by_stick(name) or is_doubted or _pushed_along(record, axis, name)
        return None if is_open else True
    # Where a line went otherwise than the controls say, the corners alone tell
    return seen.tells(axis, name, reaction, None if is_doubted else True) or None


def _pushed_along(record: _Record, axis: str, name: str) -> bool:
    """Whether another switch, dial or button, thrown with this one, would do this to the line."""
    moved = {
        each: {line for line in record.far if record.follows(each, line)}
        for each in record.reactions.keys() - record.partners.keys()
    }
    return any(
        name in lines and lines <= moved[axis] for each, lines in moved.items() if each != axis
    )


def _exchanged(record: _Record, astray: list[str], *, all_seen: bool) -> str:
    """Say that a control was pushed in another's place; empty where nothing shows it."""
    twins = _twins(record)
    if twins and (astray or set(twins) & record.placed.others.keys()):
        alike = f"The {twins[0]} and the {twins[1]} moved the same outputs alike"
        if not astray:
            return f"{alike}. Perhaps one was moved for the other. Record again."
        return (
            f"{alike}, but {format_line(astray[0])} moved otherwise in the stir. Perhaps one was "
            "pushed for the other. Record again."
        )
    sticks = record.of_sticks.values()
    orphans = [
        name
        for name in astray
        if all(each[name].farthest_us < max(MIN_US, CROSSES * record.far[name]) for each in sticks)
    ]
    if orphans and all_seen:
        return (
            f"{format_line(orphans[0])} moved in the stirs, but with no control. Perhaps one "
            "control was pushed for another. Record again."
        )
    return ""


def _twins(record: _Record) -> tuple[str, str] | None:
    """Find two controls that move every line in one proportion: one may have been pushed twice."""
    pushed = {
        axis: np.array([reactions[name].first_us for name in record.far])
        for axis, reactions in record.reactions.items()
    }
    for one, other in combinations(pushed, 2):
        size = float(np.linalg.norm(pushed[one]) * np.linalg.norm(pushed[other]))
        if size and abs(float(pushed[one] @ pushed[other])) >= TWIN * size:
            return one, other
    return None


def _adds_up(record: _Record, name: str) -> bool:
    """Whether a line went in the stirs where what the controls do to it, added up, takes it.

    Otherwise a control that was left out may move it, or one was pushed for another. A sum may end
    at a limit, but not below what one control does alone.
    """
    line, reactions = record.lines[name], [each[name] for each in record.of_sticks.values()]
    total_us = sum(reaction.first_us for reaction in reactions)
    spare_us = max(MIN_US, ADDS_UP * record.far[name])
    most_us = abs(total_us)
    least_us = min(most_us, max((each.farthest_us for each in reactions), default=0.0))
    for stir in (record.placed.before, record.placed.after):
        off = line.from_rest_us[line.between(stir.start_s, stir.end_s)]
        way = float(np.sign(total_us)) if most_us >= MIN_US else 0.0
        went_us = float(np.quantile(off * way if way else np.abs(off), 0.85)) if off.size else 0.0
        first = line.pushes(stir.start_s, stir.end_s)[:1]
        same_way = not way or not first or first[0][0] == way
        if same_way and least_us - spare_us <= went_us <= most_us + spare_us:
            return True
    return False


def _one_sided(record: _Record, axis: str, name: str) -> bool:
    """Whether a line rests at its end, so that a bumped stick looks like a control that moves it.

    What this control itself does with it does not count.
    """
    placed, line = record.placed, record.lines[name]
    others = [move for each, move in placed.controls.items() if each != axis]
    low_us = high_us = 0.0
    for move in (placed.before, placed.after, *others):
        off = line.from_rest_us[line.between(move.start_s, move.end_s)]
        if off.size:
            low_us, high_us = min(low_us, float(off.min())), max(high_us, float(off.max()))
    return min(-low_us, high_us) < ONE_SIDED * record.far[name]


def _lame(reaction: Reaction) -> bool:
    """Whether a control that goes both ways takes a line to one side."""
    first, second = reaction.first_us, reaction.second_us
    low, high = sorted((abs(first), abs(second)))
    return not reaction.one_way and (first * second > 0.0 or low < LAME * high)


def _weak(record: _Record, axis: str, name: str) -> bool | None:
    """Say whether a weak reaction is the control's own; None where that is not known.

    A hand that pushes one axis of a stick may move the other, its partner, too. That shows alike
    on each line that follows the partner: in the same part of what the partner itself does. A
    share of the control's own has opposite signs at its two ends.
    """
    reaction, mine = record.reactions[axis][name], record.parts_of_partner(axis, name)
    if mine is None:
        return None
    crossed = reaction.farthest_us < CROSSES * record.far[name]
    for other in record.far:
        theirs = record.parts_of_partner(axis, other) if other != name else None
        if theirs is None:
            continue
        if all(abs(a - b) <= ALIKE for a, b in zip(mine, theirs, strict=True)):
            return False if crossed else None
        if all(abs(a + b) <= ALIKE for a, b in zip(mine, theirs, strict=True)):
            return None if _same_side(reaction) else True
    return False if crossed and _same_side(reaction) else None


def _slanted(record: _Record, axis: str, name: str) -> bool:
    """Whether a hand that pushed a stick far aslant explains what several lines show.

    Each line that follows the partner then goes in one part of what the partner does, the same way.
    """
    if record.parts_of_partner(axis, name) is None:
        return False
    parts = [part for line in record.far if (part := record.parts_of_partner(axis, line))]
    return len(parts) > 1 and float(np.ptp(parts, axis=0).max()) <= ALIKE


def _follows(reaction: Reaction, far_us: float) -> bool:
    return reaction.farthest_us >= max(MIN_US, FOLLOWS * far_us)


def _same_side(reaction: Reaction) -> bool:
    """Whether it is no share of the control's own, which would have opposite signs alike in size.

    A control that goes one way only cannot show it; there its part alone decides.
    """
    first, second = reaction.first_us, reaction.second_us
    if reaction.one_way:
        return True
    return first * second >= 0.0 or abs(first + second) > UNLIKE * abs(first - second)


def _unseen_exchanges(
    follows: Mapping[str, Mapping[str, int]], planned: Planned
) -> tuple[tuple[str, str], ...]:
    """List the controls that the plan cannot tell apart, but for those that move nothing."""
    sticks = [each.name for each in planned.controls if not each.line and not planned.corners]
    others = [each.name for each in planned.controls if each.line]
    return tuple(
        (one, other)
        for group in (sticks, others)
        for one, other in combinations(group, 2)
        if follows.get(one) or follows.get(other)
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the corners that tell the axes apart show."""

    alike: list[tuple[str, str]] = field(default_factory=list)  # Controls that they leave open
    shares: dict[tuple[str, str], float] = field(default_factory=dict)  # By axis and line, 1 is all

    def tells(self, axis: str, line: str, reaction: Reaction, told: bool | None) -> bool | None:
        """Say whether an axis moves a line where its own push leaves that open."""
        share = self.shares.get((axis, line))
        if share is None:
            return told
        if abs(share) <= NO_SHARE:
            return False
        is_same = share * (reaction.first_us or -reaction.second_us) > 0.0
        return True if is_same and abs(share) >= SHARE else None


def _see_corners(record: _Record, names: list[str]) -> _Seen | str:
    """Hold the corners that tell the axes apart against what the controls do to the lines.

    A sentence where they contradict each other, and then which exchange they would fit.
    """
    placed, planned, lines = record.placed, record.planned, record.lines
    if not planned.corners or not names:
        return _Seen()
    begin_s = placed.after.start_s + planned.corners_s[0] - planned.stirs_s[1]
    lasts_s = planned.corners_s[1] - planned.corners_s[0]
    at_s = np.arange(begin_s - EARLY_S, begin_s + lasts_s + LATE_S, CORNER_STEP_S)
    went = np.array(
        [
            np.interp(at_s, lines[n].time_s, lines[n].from_rest_us) / record.whole_us(n)
            for n in names
        ]
    )
    if not (np.abs(went) > WENT).any():
        return "The corners that tell the axes apart were not seen. Record again with all steps."
    as_planned = _in_corners(_sums(record, names))
    cuts = _went_there(went, as_planned)
    pairs = []
    for pair in combinations(record.axes, 2):
        expected = _in_corners(_sums(record, names, pair))
        same = np.array_equal(expected, as_planned, equal_nan=True)
        pairs += [pair] if not same and _went_there(went, expected) else []
    if cuts:
        levels = np.array(
            [[_middle(went[column, slice(*cut)]) for column in range(len(names))] for cut in cuts]
        )
        most = max(OFF, OFF_TIMES * _rms(levels, _sums(record, names)))
        open_ = [pair for pair in pairs if _rms(levels, _sums(record, names, pair)) < most]
        return _Seen(open_, _shares(record, names, at_s, cuts))
    if len(pairs) == 1:
        return (
            f"In the corners the {pairs[0][0]} and the {pairs[0][1]} are exchanged. Each was "
            "perhaps pushed in the other's place. Record again."
        )
    return (
        f"In the corners {format_line(names[0]) if len(names) == 1 else 'the outputs'} moved "
        "otherwise than by the controls. Perhaps controls were exchanged. Record again."
    )


def _shares(
    record: _Record, names: list[str], at_s: FloatArray, cuts: list[tuple[int, int]]
) -> dict[tuple[str, str], float]:
    """Part of a line's farthest move that each axis has, by least squares over corners and stirs.

    A hand moves the other axis along when it pushes one alone; a corner takes both to their ends.
    """
    planned, placed, sticks = record.planned, record.placed, record.of_sticks
    one_way = {each.name for each in planned.controls if not each.line and not each.second_s}
    places: list[tuple[Mapping[str, float], float, float]] = [
        ({str(axis): to for axis, to in corner.items()}, at_s[begin], at_s[end - 1])
        for corner, (begin, end) in zip(planned.corners, cuts, strict=True)
    ]
    # When the sticks were in the first two corners of a stir, by a line that went both ways
    for stir in (placed.before, placed.after):
        pushed = [record.lines[name].pushes(stir.start_s, stir.end_s)[:2] for name in record.far]
        both = [ways for ways in pushed if len(ways) == 2 and ways[0][0] != ways[1][0]]
        for to, (_, begin_s, end_s) in zip((1.0, -1.0), both[0] if both else (), strict=False):
            # A throttle that rests at its low end stays there
            ends = {a: 0.0 if to < 0.0 and a in one_way else to for a in record.partners}
            places.append((ends, begin_s, end_s))
    found: dict[tuple[str, str], float] = {}
    for name, far_us in record.far.items():
        axes = [a for a, each in sticks.items() if each[name].farthest_us >= ALIKE * far_us]
        axes += [] if name in names else [a for a in record.partners if a not in placed.controls]
        rows = np.array([[to.get(axis, 0.0) for axis in axes] for to, _, _ in places])
        levels = np.array([_held(record.lines[name], *span) / far_us for _, *span in places])
        # Where a limit or an odd width left no pulses nothing is known
        rows, levels = rows[~np.isnan(levels)], levels[~np.isnan(levels)]
        if not (rows.size and levels.size):
            continue
        solved, _, rank, _ = np.linalg.lstsq(rows, levels, rcond=1e-6)
        if rank == len(axes) and np.abs(rows @ solved - levels).max() <= MISFIT:
            found |= {(axis, name): float(part) for axis, part in zip(axes, solved, strict=True)}
    return found


def _middle(went: FloatArray) -> float:
    """Return the middle of what stands, a quarter at either end left to the hand's way."""
    spare = went.size // 4
    return float(np.median(went[spare : went.size - spare]))


def _rms(levels: FloatArray, sums: FloatArray) -> float:
    """How far levels are from the sums, which a limit may cut off."""
    off = levels - np.clip(sums, -1.0, 1.0)
    return float(np.sqrt(np.nanmean(off**2)))


def _in_corners(sums: FloatArray) -> FloatArray:
    """Say where each line goes in each corner.

    Shape (corners and the rest before and after them, lines): 1, 0 or -1; not a number where the
    sum is too small to say.
    """
    ways = np.where(
        np.abs(sums) >= SURE, np.sign(sums), np.where(np.abs(sums) <= NOWHERE, 0.0, np.nan)
    )
    return np.pad(ways, ((1, 1), (0, 0)))


def _sums(record: _Record, names: list[str], exchanged: tuple[str, ...] = ()) -> FloatArray:
    """Add up what the controls do to each line in each corner, in parts of what all do together.

    Two of them may be exchanged. Shape (corners, lines); not a number where a control was not
    pushed that way.
    """
    found = np.zeros((len(record.planned.corners), len(names)))
    truly = dict(zip(exchanged, exchanged[::-1], strict=True))
    for k, corner in enumerate(record.planned.corners):
        to_axis: Mapping[str, float] = {str(axis): to for axis, to in corner.items()}
        for axis in record.axes:
            reactions, to = record.reactions.get(axis, {}), to_axis.get(truly.get(axis, axis), 0.0)
            for column, name in enumerate(names if reactions and to else ()):
                reaction = reactions[name]
                unknown = to < 0.0 and reaction.one_way and record.follows(axis, name)
                moved = reaction.first_us if to > 0.0 else reaction.second_us
                found[k, column] += np.nan if unknown else moved / record.whole_us(name)
    return found


def _went_there(went: FloatArray, expected: FloatArray) -> list[tuple[int, int]]:
    """Cut a span into corners where lines went from rest through them and back, as expected.

    Gives the first instant of each corner and the one past its last; none where they did not go.

    The hands take their own time: of all ways to cut the span the one that agrees most is taken.
    Shapes (lines, instants) and (corners and the rest before and after them, lines).
    """
    there = np.where(
        expected[:, :, None] == 0.0, np.abs(went) < AT_REST, went * expected[:, :, None] > WENT
    )
    asked = ~np.isnan(expected)[:, :, None]
    # Instants summed up that disagree, for each corner from the first instant on
    wrong = np.cumsum((asked & ~there).sum(axis=1), axis=1)
    wrong = np.concatenate([np.zeros((wrong.shape[0], 1), np.int64), wrong], axis=1)
    least = round(MIN_CORNER_S / CORNER_STEP_S)
    size = wrong.shape[1]
    best = wrong[0].copy()
    cuts = []
    for own in wrong[1:]:
        # The best end of the corner before, so much earlier at least
        before = best - own
        lowest = np.minimum.accumulate(before)
        at = np.arange(size)
        last = np.maximum.accumulate(np.where(before == lowest, at, 0))
        fell = np.concatenate([[True], lowest[1:] < lowest[:-1]])
        first = np.maximum.accumulate(np.where(fell, at, 0))
        # Where two corners look alike the cut lies anywhere between: take its middle
        middle = (first + last) // 2
        last = np.where(before[middle] == lowest, middle, last)
        cuts.append(np.concatenate([np.zeros(least, np.int64), last[:-least]]))
        best = np.concatenate([np.full(least, size * went.shape[0]), lowest[:-least]]) + own
    end, agree, parts = size - 1, True, []
    for k in range(len(cuts), -1, -1):
        begin = int(cuts[k - 1][end]) if k else 0
        part = there[k, :, begin:end].mean(axis=1) if end > begin else np.ones(went.shape[0])
        agree &= bool((part[asked[k, :, 0]] >= AGREES).all())
        parts.append((begin, end))
        end = begin
    return parts[-2:0:-1] if agree else []
