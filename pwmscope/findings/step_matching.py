"""The matching of a plan's steps to held positions that costs least, by dynamic programming."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import CapturePlan, PlanStep
from pwmscope.findings.segmentation import SAME_POSITION, HeldPositions, distances
from pwmscope.model import BoolArray, FloatArray, IntArray

UNSEEN: Final = 1.0
"""Price of a step that should show and does not. All prices are in this unit (own choice)."""
UNSEEN_OFF: Final = 0.3
"""Of a transmitter that goes off or on unseen: the outputs may hold."""
NO_CHANGE: Final = 0.05
"""Of a step that leaves the sticks where they were."""
SPARE: Final = 1.0
"""Of a held position that no step explains."""
SPARE_OFF: Final = 0.1
"""Of one while the transmitter is off: the receiver does what it does."""
SPARE_OUTSIDE: Final = 0.3
"""Of one before the first step or after the last."""
WRONG_PLACE: Final = 1.5
"""Of resting where sticks should be held, of holding where they should rest, of a change
without a move or a move without a change, and of one stick position seen at two widths."""
SAME_AGAIN: Final = 3.0 * SAME_POSITION
"""A stick let go comes back as near as this, in parts of the span (own choice)."""
AT_ENDS_AGAIN: Final = 0.12
"""So near comes a stick pushed to its end again, by a hand that does not push quite straight."""
MAX_UNSEEN: Final = 12
MAX_SPARE: Final = 6
MAX_LATE: Final = 3.0
"""A pause costs no more than this, so that a person may be interrupted."""
MIN_TOLERANCE_S: Final = 0.5
TOLERANCE: Final = 0.2
"""Hands are late or early by half a second and a fifth of the time planned, for a price of 0.5."""


@dataclass(frozen=True, slots=True)
class Matching:
    """Which steps begin at which held position."""

    # Pairs of step and held position, in order; steps between two pairs begin at no change of their
    # own
    begun: tuple[tuple[int, int], ...]
    cost: float  # What the whole matching costs, in unseen steps


def match_steps(plan: CapturePlan, held: HeldPositions) -> Matching:
    """Match the steps of a plan to the held positions of a recording.

    Notes
    -----
    A chain of pairs (step k, position j), both rising. Each pair pays for standing at
    a wrong place, each link for what it leaves out and for time that does not fit:
    x^2/2 up to x = 1, then x - 1/2 (Huber 1964), x being the seconds by which planned
    and seen distance differ over 0.5 s plus a fifth of the planned one. The cheapest
    chain is exact, O(K J) links of at most 12 by 6.
    """
    rests = {step.name for step in plan.steps if not step.sticks}
    candidates = _rest_candidates(held) if rests else [None]
    found = [_refined(plan, held, rest) for rest in candidates]
    return min(found, key=lambda matching: matching.cost)


def _rest_candidates(held: HeldPositions) -> list[int | None]:
    """Positions that may be the rest: the most visited, the longest held, the first."""
    same = held.apart <= SAME_AGAIN
    visits = same.sum(axis=1)
    stay = same @ (held.end_s - held.start_s)
    found = (int(visits.argmax()), int(stay.argmax()), 0)
    return list(dict.fromkeys(int(np.argmax(same[at])) for at in found))


def _refined(plan: CapturePlan, held: HeldPositions, rest: int | None) -> Matching:
    place = _place_cost(plan, held, rest)
    first = _cheapest(plan, held, place)
    again = place + _repeat_cost(plan, held, first)
    second = _cheapest(plan, held, again)
    final = place + _repeat_cost(plan, held, second)
    return Matching(second.begun, second.cost + _extra(final - again, second))


def _extra(change: FloatArray, matching: Matching) -> float:
    return float(sum(change[step, at] for step, at in matching.begun))


def _place_cost(plan: CapturePlan, held: HeldPositions, rest: int | None) -> FloatArray:
    """Price of each step at each position, by whether both are at rest; shape (K, J)."""
    cost = np.zeros((len(plan.steps), len(held)))
    silent = np.isnan(held.level).any(axis=1)
    at_rest = np.zeros(len(held), dtype=bool)
    if rest is not None:
        at_rest = held.apart[rest] <= SAME_AGAIN
    for k, step in enumerate(plan.steps):
        if not step.transmitter_on:
            continue
        wrong = silent.copy()
        if rest is not None:
            wrong |= at_rest if step.sticks else ~at_rest
        cost[k] = WRONG_PLACE * wrong
    return cost


def _repeat_cost(plan: CapturePlan, held: HeldPositions, matching: Matching) -> FloatArray:
    """Price of each step at each position by where the same sticks stood elsewhere."""
    cost = np.zeros((len(plan.steps), len(held)))
    silent = np.isnan(held.level.sum(axis=1))
    groups: dict[tuple[tuple[str, float], ...], list[int]] = {}
    begun = dict(matching.begun)
    for k, step in enumerate(plan.steps):
        # A hand meets an end again, but not a place between.
        if step.transmitter_on and any(abs(to) >= 1.0 for to in step.sticks.values()):
            groups.setdefault(tuple(sorted(step.sticks.items())), []).append(k)
    for members in groups.values():
        seen = [begun[k] for k in members if k in begun and not silent[begun[k]]]
        if len(members) > 1 and seen:
            usual = np.median(held.level[seen], axis=0, keepdims=True)
            apart = distances(usual, held.level)[0]
            cost[members] = np.where(apart > AT_ENDS_AGAIN, WRONG_PLACE, 0.0)
    return cost


def _cheapest(plan: CapturePlan, held: HeldPositions, place: FloatArray) -> Matching:
    """Find the cheapest chain of pairs of step and position."""
    steps, positions = place.shape
    omitted = _omitted_cost(plan.steps)
    moved = held.apart > SAME_AGAIN
    outside = SPARE_OUTSIDE * np.arange(positions)
    cost = UNSEEN * np.arange(steps)[:, None] + outside[None, :] + place
    source = np.full((steps, positions, 2), -1)
    for k in range(1, steps):
        before = np.arange(max(0, k - MAX_UNSEEN), k)
        planned = _Planned.of(plan, before, k)
        for j in range(1, positions):
            earlier = np.arange(max(0, j - MAX_SPARE), j)
            seen_s = held.start_s[j] - held.start_s[earlier]
            # Since when the first position was held before the recording is not known.
            seen_s[earlier == 0] = np.nan
            link = planned.link_cost(seen_s, moved[earlier, j], j - 1 - earlier)
            link += cost[before[:, None], earlier[None, :]] + omitted[before, k][:, None]
            b, e = np.unravel_index(int(link.argmin()), link.shape)
            if link[b, e] + place[k, j] < cost[k, j]:
                cost[k, j] = link[b, e] + place[k, j]
                source[k, j] = before[b], earlier[e]
    total = cost + omitted[:, -1][:, None] + outside[None, ::-1]
    k, j = (int(at) for at in np.unravel_index(int(total.argmin()), total.shape))
    least, begun = float(total[k, j]), []
    while k >= 0:
        begun.append((k, j))
        k, j = (int(at) for at in source[k, j])
    return Matching(tuple(reversed(begun)), least)


@dataclass(frozen=True, slots=True)
class _Planned:
    """What the plan says about one step beside each of some steps before it; shapes (b,)."""

    apart_s: FloatArray
    alike: BoolArray
    is_off: BoolArray

    @classmethod
    def of(cls, plan: CapturePlan, before: IntArray, k: int) -> _Planned:
        start_s, steps = np.array(plan.starts_s), plan.steps
        alike = np.array([steps[b].sticks == steps[k].sticks for b in before])
        is_off = np.array(
            [any(not step.transmitter_on for step in steps[b : k + 1]) for b in before]
        )
        return cls(start_s[k] - start_s[before], alike, is_off)

    def link_cost(self, seen_s: FloatArray, moved: BoolArray, spare: IntArray) -> FloatArray:
        """Price of going on from positions e to the next; shape (b, e)."""
        planned_s = self.apart_s[:, None]
        off = np.abs(planned_s - seen_s[None, :]) / (MIN_TOLERANCE_S + TOLERANCE * planned_s)
        late = np.minimum(np.where(off < 1.0, off**2 / 2.0, off - 0.5), MAX_LATE)
        odd = (self.alike[:, None] == moved[None, :]) & ~self.is_off[:, None]
        each = np.where(self.is_off, SPARE_OFF, SPARE)[:, None]
        price: FloatArray = np.nan_to_num(late) + WRONG_PLACE * odd + each * spare[None, :]
        return price


def _omitted_cost(steps: tuple[PlanStep, ...]) -> FloatArray:
    """Price of the steps between two that begin, at [first, second]; shape (K, K + 1).

    The last column is the price of all that come after the first.
    """
    count = len(steps)
    price = np.zeros((count, count + 1))
    for b, begun in enumerate(steps):
        each = [
            NO_CHANGE
            if step.sticks == begun.sticks and step.transmitter_on
            else (UNSEEN_OFF if not step.transmitter_on else UNSEEN)
            for step in steps[b + 1 :]
        ]
        price[b, b + 1 :] = np.concatenate([[0.0], np.cumsum(each)])
    return price
