"""The moves in a link record: when outputs leave their rest, and how far each control moves them.

Nothing here knows what is plugged in. A move is a stretch in which any line is away from its rest;
a stir of both sticks is told by its pushes, a control by the plan's clock between two stirs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations, groupby, pairwise
from typing import Final

import numpy as np

from pwmscope.bench import Axis, CapturePlan, Mode
from pwmscope.model import BoolArray, FloatArray, format_line
from pwmscope.pulses import PulseTable

MEDIAN_OF: Final = 5
"""Pulses in the running median that takes single wrong ones out."""
MIN_US: Final = 60.0
"""A line that strays no farther from its rest is not moved (own choice)."""
AWAY: Final = 0.3
"""Part of a line's whole travel from rest at which it counts as away."""
BRIDGE_S: Final = 1.6
"""A shorter rest does not end a move: a hand may stop at neutral between the two ends."""
SWING_US: Final = 30.0
"""A line that goes back by so much has swung; jitter, its median taken, does not (own choice)."""
SWINGS: Final = 3
"""Going there, back and there again; without the link a line goes there, and back once."""
SAME_PUSH_S: Final = 0.15
"""A shorter rest does not end a push."""
MIN_PUSH_S: Final = 0.12
STIR_PUSHES: Final = 3
"""A control is pushed once or twice; a stir is at least three pushes."""
EARLY_S: Final = 2.5
LATE_S: Final = 5.5
"""So early and late a hand may be beside the plan. Controls are farther apart than both together.
"""
FOLLOWS: Final = 0.4
"""A line follows a control that moves it by this part of its own farthest move, or more."""
CROSSES: Final = 0.28
"""A hand that pushes one axis may move the other on its stick by so much (own choice)."""
ALIKE: Final = 0.08
"""So well must a cross-coupling show alike on two lines of one axis."""
CONTROL_S: Final = (1.4, 9.0)
"""A control that is shorter is a stick bumped into; one that is longer was held over the next."""
BOTH_S: Final = 2.2
"""The least of a control that goes both ways."""
UNLIKE: Final = 0.3
"""Two ends of opposite sign that differ by more of their sum are no share of a control."""
LAME: Final = 0.2
"""A line that a control takes to one end by less than this part of the other is not pushed by it.
"""
ONE_SIDED: Final = 0.15
"""A line that goes no farther to its other side rests at its end."""
STEADY: Final = 0.8
"""A stick that is bumped into does not stay for so much of a push one way."""
TWIN: Final = 0.98
"""Least cosine between what two controls do to all lines, if it may be one of them pushed twice."""
ADDS_UP: Final = 0.25
"""So well must what the controls do to a line add up to the stir, in parts of its farthest move."""
STIR_S: Final = (2.5, 9.0)
MAX_STIR_PUSHES: Final = 5
"""More pushes are a stir with a control in it."""
PARTNERS: Final[dict[Mode, dict[Axis, Axis]]] = {
    1: {
        "rudder": "elevator",
        "elevator": "rudder",
        "aileron": "throttle",
        "throttle": "aileron",
    },
    2: {
        "rudder": "throttle",
        "throttle": "rudder",
        "aileron": "elevator",
        "elevator": "aileron",
    },
}
"""The other axis on the same stick (common practice)."""
_BIN_US: Final = 10.0


@dataclass(frozen=True, slots=True)
class LineMoves:
    """One line as its distance from rest."""

    line: str
    time_s: FloatArray  # Of each pulse, shape (n,)
    from_rest_us: FloatArray  # Smoothed by a running median, shape (n,)
    rest_us: float
    away_us: float  # From here on it is away

    @classmethod
    def of(cls, table: PulseTable) -> LineMoves | None:
        """Take the rest as the width that it has most often; None where it has hardly a pulse."""
        own = table.measured
        time_s, width_us = table.rise_s[own], table.width_us[own]
        if time_s.size < 10 * MEDIAN_OF:
            return None
        half = MEDIAN_OF // 2
        padded = np.pad(width_us, half, mode="edge")
        smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, MEDIAN_OF), axis=1)
        low = float(smooth.min())
        counts = np.bincount(((smooth - low) / _BIN_US).astype(np.int64))
        near = np.convolve(counts, np.ones(3), mode="same")
        peak_us = low + _BIN_US * (float(near.argmax()) + 0.5)
        rest_us = float(np.median(smooth[np.abs(smooth - peak_us) <= 1.5 * _BIN_US]))
        from_rest = smooth - rest_us
        full_us = float(np.quantile(np.abs(from_rest), 0.98))
        return cls(table.line, time_s, from_rest, rest_us, max(MIN_US, AWAY * full_us))

    def between(self, from_s: float, to_s: float) -> slice:
        """Return the place of the pulses in a span."""
        first, last = np.searchsorted(self.time_s, (from_s, to_s))
        return slice(int(first), int(last))

    def pushes(self, from_s: float, to_s: float) -> list[tuple[int, float, float]]:
        """List the pushes in a span, in order: the sign of each, its begin and its end."""
        at = self.between(from_s, to_s)
        time_s, off = self.time_s[at], self.from_rest_us[at]
        signs = np.where(np.abs(off) > self.away_us, np.sign(off), 0.0).astype(int)
        found: list[tuple[int, float, float]] = []
        for sign, places in groupby(range(signs.size), key=lambda k: int(signs[k])):
            kept = list(places)
            begin_s, end_s = float(time_s[kept[0]]), float(time_s[kept[-1]])
            if not sign or end_s - begin_s < MIN_PUSH_S:
                continue
            if found and found[-1][0] == sign:
                gap = np.abs(off[(time_s > found[-1][2]) & (time_s < begin_s)])
                # What hangs about the bound and never nears the rest is one push as well
                if begin_s - found[-1][2] < SAME_PUSH_S or gap.min() > 0.5 * self.away_us:
                    begin_s = found.pop()[1]
            found.append((sign, begin_s, end_s))
        return found


@dataclass(frozen=True, slots=True)
class Move:
    """A stretch in which any line is away from its rest."""

    start_s: float
    end_s: float
    pushes: int  # The most that any line shows
    turn_s: float | None  # When lines that go to both sides change over; None where none does


def find_moves(lines: Mapping[str, LineMoves]) -> list[Move]:
    """Find the moves of all lines together, in order."""
    spans = [span for line in lines.values() for span in _away_spans(line)]
    joined: list[list[float]] = []
    for begin_s, end_s in sorted(spans):
        if joined and begin_s - joined[-1][1] < BRIDGE_S:
            joined[-1][1] = max(joined[-1][1], end_s)
        else:
            joined.append([begin_s, end_s])
    moves = []
    for begin_s, end_s in joined:
        pushes = [line.pushes(begin_s - 0.1, end_s + 0.1) for line in lines.values()]
        turns = [
            0.5 * (one[2] + other[1])
            for own in pushes
            for one, other in pairwise(own)
            if one[0] != other[0]
        ]
        most = max(map(len, pushes))
        if most:
            turn_s = float(np.median(turns)) if turns else None
            moves.append(Move(begin_s, end_s, most, turn_s))
    return moves


def _away_spans(line: LineMoves) -> list[tuple[float, float]]:
    away: BoolArray = np.abs(line.from_rest_us) > line.away_us
    change = np.flatnonzero(np.diff(np.concatenate([[False], away, [False]]).astype(np.int8)))
    first, last = change[::2], change[1::2] - 1
    begin_s, end_s = line.time_s[first], line.time_s[last]
    long = end_s - begin_s >= MIN_PUSH_S
    return list(zip(begin_s[long].tolist(), end_s[long].tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class PlannedControl:
    """One control as a link plan has it."""

    axis: Axis
    begin_s: float
    first_s: float  # How long its first end is held
    second_s: float = 0.0  # And its second one; 0 where it has none

    def turns(self, move: Move) -> bool:
        """Say whether a move turns as this control does: not at all, or early, or late."""
        if move.turn_s is None or not self.second_s:
            return (move.turn_s is None) == (not self.second_s)
        is_late = move.turn_s - move.start_s > move.end_s - move.turn_s
        return is_late == (self.first_s > self.second_s) or self.first_s == self.second_s


@dataclass(frozen=True, slots=True)
class Planned:
    """When a link plan has its stirs and its controls, by its own clock."""

    stirs_s: tuple[float, ...]  # Before, after, with the other memory, with the own one again
    controls: tuple[PlannedControl, ...]

    @classmethod
    def of(cls, plan: CapturePlan) -> Planned:
        """Read the plan: steps of several axes are a stir, steps of one axis a control."""
        stirs: list[float] = []
        controls: list[PlannedControl] = []
        begun: object = None
        for at_s, step in zip(plan.starts_s, plan.steps, strict=True):
            kind: object = next(iter(step.sticks)) if len(step.sticks) == 1 else bool(step.sticks)
            if len(step.sticks) > 1 and begun is not True:
                stirs.append(at_s)
            elif len(step.sticks) == 1:
                axis = next(iter(step.sticks))
                if begun == axis:
                    controls[-1] = replace(controls[-1], second_s=step.seconds)
                else:
                    controls.append(PlannedControl(axis, at_s, step.seconds))
            begun = kind
        return cls(tuple(stirs), tuple(controls))


@dataclass(frozen=True, slots=True)
class Placed:
    """The moves of a record as the plan has them."""

    before: Move
    after: Move
    controls: dict[Axis, Move]  # Those that were seen
    reason: str = ""  # Why nothing may be told from them; empty where it may


def place_moves(  # noqa: PLR0911 - the first reason that holds
    moves: list[Move], planned: Planned
) -> Placed | str:
    """Say which move is which control; a sentence where that cannot be told."""
    stirs = [move for move in moves if move.pushes >= STIR_PUSHES]
    if len(stirs) < 2 or len(planned.stirs_s) < 2:
        return "The two stirs of both sticks, before and after the controls, were not seen."
    before, after = stirs[:2]
    wanted_s = planned.stirs_s[1] - planned.stirs_s[0]
    late_s = after.start_s - before.start_s - wanted_s
    if not -EARLY_S <= late_s <= LATE_S:
        return (
            f"The two stirs are {after.start_s - before.start_s:.0f} s apart; the plan has "
            f"{wanted_s:.0f} s. Wait for the link before the first stir. Record again by the "
            "plan's clock."
        )
    for stir in (before, after):
        lasts_s = stir.end_s - stir.start_s
        if stir.pushes > MAX_STIR_PUSHES or not STIR_S[0] <= lasts_s <= STIR_S[1]:
            return (
                f"The stir at {stir.start_s:.1f} s has {stir.pushes} pushes in {lasts_s:.0f} s. "
                "Another move may be in it. Record again by the plan's clock."
            )
    found: dict[Axis, Move] = {}
    for move in moves:
        if not before.end_s < move.start_s < after.start_s:
            continue
        at_s = move.start_s - before.start_s
        fits = [
            control
            for control in planned.controls
            if -EARLY_S <= at_s - (control.begin_s - planned.stirs_s[0]) <= LATE_S
        ]
        when = f"The move at {move.start_s:.1f} s"
        if len(fits) != 1:
            return f"{when} fits no control of the plan. Record again by the plan's clock."
        axis, least_s = fits[0].axis, BOTH_S if fits[0].second_s else CONTROL_S[0]
        if axis in found:
            return f"{when} is the second one where the plan has the {axis}. Record again."
        lasts_s = move.end_s - move.start_s
        if move.pushes > 2 or not least_s <= lasts_s <= CONTROL_S[1] or not fits[0].turns(move):
            return (
                f"{when} lasts {lasts_s:.1f} s and is pushed or held unlike the plan's for the "
                f"{axis}. Record again by the plan's clock."
            )
        found[axis] = move
    return Placed(before, after, found)


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
        held_us = _held(line, move.start_s, move.end_s)
        spare_s = 0.2 * (move.end_s - move.start_s)
        off = line.from_rest_us[line.between(move.start_s + spare_s, move.end_s - spare_s)]
        near = np.abs(off - held_us) <= UNLIKE * abs(held_us)
        steady = bool(off.size) and float(near.mean()) >= STEADY
        return Reaction(held_us, 0.0, one_way=True, steady=steady)
    first_us = _held(line, move.start_s, move.turn_s)
    return Reaction(first_us, _held(line, move.turn_s, move.end_s))


def _held(line: LineMoves, from_s: float, to_s: float) -> float:
    """Return the middle of what stands between, a quarter at either end left to the hand's way."""
    spare_s = 0.25 * (to_s - from_s)
    off = line.from_rest_us[line.between(from_s + spare_s, to_s - spare_s)]
    return float(np.median(off)) if off.size else 0.0


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

    follows: dict[Axis, dict[str, int]]  # For each line +1 where the first end makes it longer
    unsure: dict[Axis, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class _Own:
    """What each control does to each live line."""

    far: dict[str, float]  # How far the controls and the stirs take it from rest
    reactions: dict[Axis, dict[str, Reaction]]


def find_following(lines: Mapping[str, LineMoves], placed: Placed, mode: Mode) -> Following | str:
    """Tell which line follows which control, from a hand that may move both axes of a stick."""
    moves = [placed.before, placed.after, *placed.controls.values()]
    far = {name: farthest_us(line, moves) for name, line in lines.items()}
    far = {name: us for name, us in far.items() if us >= MIN_US}
    own = _Own(
        far,
        {
            axis: {name: react(lines[name], move) for name in far}
            for axis, move in placed.controls.items()
        },
    )
    follows: dict[Axis, dict[str, int]] = {axis: {} for axis in own.reactions}
    unsure: dict[Axis, tuple[str, ...]] = {}
    for axis, reactions in own.reactions.items():
        doubtful = []
        for name, reaction in reactions.items():
            told: bool | None = True
            if reaction.farthest_us < max(0.5 * MIN_US, 0.5 * ALIKE * far[name]):
                told = False
            elif not _follows(reaction, far[name]):
                told = _weak(axis, name, own, PARTNERS[mode].get(axis))
            elif _slanted(axis, name, own, PARTNERS[mode][axis]):
                told = None
            one_sided = _one_sided(lines[name], axis, placed, far[name])
            if told and not (reaction.steady if reaction.one_way else not one_sided):
                told = None
            if told and _lame(reaction):
                return (
                    f"The move at {placed.controls[axis].start_s:.1f} s takes {format_line(name)} "
                    f"to one side only, unlike the plan's for the {axis}. Record again."
                )
            if told:
                side = reaction.first_us or -reaction.second_us
                follows[axis][name] = 1 if side > 0 else -1
            elif told is None:
                doubtful.append(name)
        unsure[axis] = tuple(doubtful)
    astray = [name for name in far if not _adds_up(lines[name], placed, own)]
    if why := _exchanged(astray, placed.controls.keys() >= PARTNERS[mode].keys(), own):
        return why
    for axis in PARTNERS[mode]:
        if axis not in placed.controls:
            unsure[axis] = tuple(astray)
    return Following(follows, unsure)


def _exchanged(astray: list[str], all_seen: bool, own: _Own) -> str:
    """Say that a control was pushed in another's place; empty where nothing shows it."""
    twins = _twins(own)
    if twins and astray:
        return (
            f"The {twins[0]} and the {twins[1]} moved the same outputs alike, but "
            f"{format_line(astray[0])} moved otherwise in the stir. Perhaps one was pushed for "
            "the other. Record again."
        )
    orphans = [
        name
        for name in astray
        if all(each[name].farthest_us < MIN_US for each in own.reactions.values())
    ]
    if orphans and all_seen:
        return (
            f"{format_line(orphans[0])} moved in the stirs, but with no control. Perhaps one "
            "control was pushed for another. Record again."
        )
    return ""


def _twins(own: _Own) -> tuple[Axis, Axis] | None:
    """Find two controls that move every line in one proportion: one may have been pushed twice."""
    pushed = {
        axis: np.array([reactions[name].first_us for name in own.far])
        for axis, reactions in own.reactions.items()
    }
    for one, other in combinations(pushed, 2):
        size = float(np.linalg.norm(pushed[one]) * np.linalg.norm(pushed[other]))
        if size and abs(float(pushed[one] @ pushed[other])) >= TWIN * size:
            return one, other
    return None


def _adds_up(line: LineMoves, placed: Placed, own: _Own) -> bool:
    """Whether a line went in the stirs where what the controls do to it, added up, takes it.

    Otherwise a control that was left out may move it, or one was pushed for another. A sum may end
    at a limit, but not below what one control does alone.
    """
    reactions = [each[line.line] for each in own.reactions.values()]
    total_us = sum(reaction.first_us for reaction in reactions)
    spare_us = max(MIN_US, ADDS_UP * own.far[line.line])
    most_us = abs(total_us)
    least_us = min(most_us, max((each.farthest_us for each in reactions), default=0.0))
    for stir in (placed.before, placed.after):
        off = line.from_rest_us[line.between(stir.start_s, stir.end_s)]
        way = float(np.sign(total_us)) if most_us >= MIN_US else 0.0
        went_us = float(np.quantile(off * way if way else np.abs(off), 0.85)) if off.size else 0.0
        if least_us - spare_us <= went_us <= most_us + spare_us:
            return True
    return False


def _one_sided(line: LineMoves, axis: Axis, placed: Placed, far_us: float) -> bool:
    """Whether a line rests at its end, so that a bumped stick looks like a control that moves it.

    What this control itself does with it does not count.
    """
    others = [move for each, move in placed.controls.items() if each != axis]
    low_us = high_us = 0.0
    for move in (placed.before, placed.after, *others):
        off = line.from_rest_us[line.between(move.start_s, move.end_s)]
        if off.size:
            low_us, high_us = min(low_us, float(off.min())), max(high_us, float(off.max()))
    return min(-low_us, high_us) < ONE_SIDED * far_us


def _lame(reaction: Reaction) -> bool:
    """Whether a control that goes both ways takes a line to one side."""
    first, second = reaction.first_us, reaction.second_us
    low, high = sorted((abs(first), abs(second)))
    return not reaction.one_way and (first * second > 0.0 or low < LAME * high)


def _weak(axis: Axis, name: str, own: _Own, partner: Axis | None) -> bool | None:
    """Say whether a weak reaction is the control's own; None where that is not known.

    A hand that pushes one axis of a stick may move the other, its partner, too. That shows alike
    on each line that follows the partner: in the same part of what the partner itself does. A
    share of the control's own has opposite signs at its two ends.
    """
    reaction, far = own.reactions[axis][name], own.far
    partners = own.reactions.get(partner) if partner else None
    if partners is None or not _follows(partners[name], far[name]):
        return None

    def parts(line: str) -> tuple[float, float]:
        whole_us = partners[line].first_us or MIN_US
        seen = own.reactions[axis][line]
        return seen.first_us / whole_us, seen.second_us / whole_us

    mine, crossed = parts(name), reaction.farthest_us < CROSSES * far[name]
    for other in far:
        if other == name or not _follows(partners[other], far[other]):
            continue
        theirs = parts(other)
        if all(abs(a - b) <= ALIKE for a, b in zip(mine, theirs, strict=True)):
            return False if crossed else None
        if all(abs(a + b) <= ALIKE for a, b in zip(mine, theirs, strict=True)):
            return None if _same_side(reaction) else True
    return False if crossed and _same_side(reaction) else None


def _slanted(axis: Axis, name: str, own: _Own, partner: Axis) -> bool:
    """Whether a hand that pushed a stick far aslant explains what several lines show.

    Each line that follows the partner then goes in one part of what the partner does, the same way.
    """
    partners = own.reactions.get(partner)
    if partners is None or not _follows(partners[name], own.far[name]):
        return False
    parts = []
    for line in own.far:
        if _follows(partners[line], own.far[line]):
            whole_us, seen = partners[line].first_us or MIN_US, own.reactions[axis][line]
            parts.append((seen.first_us / whole_us, seen.second_us / whole_us))
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
