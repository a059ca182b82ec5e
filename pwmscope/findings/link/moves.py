"""The moves in a link record: when outputs leave their rest, and how far each control moves them.

Nothing here knows what is plugged in. A move is a stretch in which any line is away from its rest;
a stir of both sticks is told by its pushes, a control by the plan's clock between two stirs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Final

import numpy as np

from pwmscope.bench import Axis, CapturePlan
from pwmscope.model import BoolArray, FloatArray
from pwmscope.pulses import PulseTable

MEDIAN_OF: Final = 5
"""Pulses in the running median that takes single wrong ones out."""
MIN_US: Final = 60.0
"""A line that strays no farther from its rest is not moved (own choice)."""
AWAY: Final = 0.2
"""Part of a line's whole travel from rest at which it counts as away."""
BRIDGE_S: Final = 1.6
"""A shorter rest does not end a move: a hand may stop at neutral between the two ends."""
SAME_PUSH_S: Final = 0.15
"""A shorter rest does not end a push."""
MIN_PUSH_S: Final = 0.12
STIR_PUSHES: Final = 3
"""A control is pushed once or twice; a stir is at least three pushes."""
EARLY_S: Final = 2.5
LATE_S: Final = 5.5
"""So early and late a hand may be beside the plan. Controls are farther apart than both together.
"""
CONTROL_S: Final = (1.4, 9.0)
"""A control that is shorter is a stick bumped into; one that is longer was held over the next."""
BOTH_S: Final = 2.2
"""The least of a control that goes both ways."""
STROKES_S: Final = 3.0
"""A longer rest is none between two strokes of one switch."""
STIR_S: Final = (2.5, 9.0)
MAX_STIR_PUSHES: Final = 5
"""More pushes are a stir with a control in it."""
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
        firsts = np.flatnonzero(np.diff(signs, prepend=0)) if signs.size else np.zeros(0, int)
        lasts = np.append(firsts[1:], signs.size) - 1
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=False):
            sign = int(signs[first])
            begin_s, end_s = float(time_s[first]), float(time_s[last])
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

    name: str
    begin_s: float
    first_s: float  # How long its first end is held
    second_s: float = 0.0  # And its second one; 0 where it has none
    line: str = ""  # Which line a switch, dial or button moves by the sheet; empty for a stick
    strokes: int = 1  # How often it goes there and back

    def turns(self, move: Move) -> bool:
        """Say whether a move turns as this control does: not at all, or early, or late."""
        if self.line:
            return move.turn_s is None and move.pushes == self.strokes
        if move.turn_s is None or not self.second_s:
            return (move.turn_s is None) == (not self.second_s)
        is_late = move.turn_s - move.start_s > move.end_s - move.turn_s
        return is_late == (self.first_s > self.second_s) or self.first_s == self.second_s


def _strokes_joined(
    moves: list[Move], before: Move, after: Move, planned: Planned
) -> Iterator[Move]:
    """Give the moves between the stirs; two strokes of a switch thrown slowly are one of them."""
    last: Move | None = None
    twice_s = [c.begin_s - planned.stirs_s[0] for c in planned.controls if c.strokes > 1]
    for move in moves:
        if not before.end_s < move.start_s < after.start_s:
            continue
        if last is not None:
            at_s = last.start_s - before.start_s
            is_first = any(-EARLY_S <= at_s - begin_s <= LATE_S for begin_s in twice_s)
            gap_s = move.start_s - last.end_s
            if is_first and gap_s < STROKES_S and last.pushes == move.pushes == 1:
                yield replace(last, end_s=move.end_s, pushes=2)
                last = None
                continue
            yield last
        last = move
    if last is not None:
        yield last


@dataclass(frozen=True, slots=True)
class Planned:
    """When a link plan has its stirs and its controls, by its own clock."""

    stirs_s: tuple[float, ...]  # Before, after, with the other memory, with the own one again
    controls: tuple[PlannedControl, ...]
    corners: tuple[Mapping[Axis, float], ...] = ()  # Where the axes go, no two of them alike
    corners_s: tuple[float, float] = (0.0, 0.0)  # When the first of them begins, the last one ends
    on_s: float = 0.0  # When the transmitter goes on

    @classmethod
    def of(cls, plan: CapturePlan, kinds: Mapping[str, str] | None = None) -> Planned:
        """Read the plan: steps of one axis are a control, steps of several a stir or a corner.

        In a stir all go to one end, in a corner that tells the axes apart they do not. `kinds` says
        what moves a line that no stick moves.
        """
        stirs: list[float] = []
        controls: list[PlannedControl] = []
        corners: list[Mapping[Axis, float]] = []
        corners_s = (0.0, 0.0)
        begun: object = None
        for at_s, step in zip(plan.starts_s, plan.steps, strict=True):
            kind: object = None
            if len({np.sign(to) for to in step.sticks.values()}) > 1:
                kind = "corner"
                corners_s = (corners_s[0] if corners else at_s, at_s + step.seconds)
                corners.append(step.sticks)
            elif len(step.sticks) > 1:
                kind = "stir"
                stirs += [at_s] if begun != kind else []
            elif step.sticks:
                (kind,) = step.sticks
                if begun == kind:
                    controls[-1] = replace(controls[-1], second_s=step.seconds)
                else:
                    controls.append(PlannedControl(str(kind), at_s, step.seconds))
            elif len(step.controls) == 1:
                (line,) = step.controls
                kind = ("other", line)
                if not controls or controls[-1].line != line:
                    name = f"{(kinds or {}).get(line, 'control')} of {line}"
                    controls.append(PlannedControl(name, at_s, step.seconds, 0.0, line))
                elif begun != kind:
                    controls[-1] = replace(controls[-1], strokes=controls[-1].strokes + 1)
            begun = kind
        on_s = next(
            at_s for at_s, s in zip(plan.starts_s, plan.steps, strict=True) if s.transmitter_on
        )
        return cls(tuple(stirs), tuple(controls), tuple(corners), corners_s, on_s)


@dataclass(frozen=True, slots=True)
class Placed:
    """The moves of a record as the plan has them."""

    before: Move
    after: Move
    controls: dict[str, Move]  # Those that were seen
    others: dict[str, PlannedControl] = field(default_factory=dict)  # Of these, what is no stick
    end_s: float = 0.0  # When the other memory is next


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
    found: dict[str, Move] = {}
    for move in _strokes_joined(moves, before, after, planned):
        at_s = move.start_s - before.start_s
        fits = [
            control
            for control in planned.controls
            if -EARLY_S <= at_s - (control.begin_s - planned.stirs_s[0]) <= LATE_S
        ]
        when = f"The move at {move.start_s:.1f} s"
        if len(fits) != 1:
            return f"{when} fits no control of the plan. Record again by the plan's clock."
        name, least_s = fits[0].name, BOTH_S if fits[0].second_s else CONTROL_S[0]
        if name in found:
            return f"{when} is the second one where the plan has the {name}. Record again."
        lasts_s = move.end_s - move.start_s
        if move.pushes > 2 or not least_s <= lasts_s <= CONTROL_S[1] or not fits[0].turns(move):
            return (
                f"{when} lasts {lasts_s:.1f} s and is pushed or held unlike the plan's for the "
                f"{name}. Record again by the plan's clock."
            )
        found[name] = move
    others = {each.name: each for each in planned.controls if each.line and each.name in found}
    end_s = after.end_s
    if planned.corners:
        end_s = max(end_s, after.start_s + planned.corners_s[1] - planned.stirs_s[1] + LATE_S)
    return Placed(before, after, found, others, end_s)
