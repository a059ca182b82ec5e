"""Where the steps of a capture plan are in the recording that was made by it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import CapturePlan, PlanStep, StepSpan
from pwmscope.findings.segmentation import (
    MIN_HELD_S,
    SAME_POSITION,
    HeldPositions,
    distances,
    find_held_positions,
)
from pwmscope.model import (
    MAX_SPANS,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Span,
    format_list,
    format_s,
    measured,
    not_shown,
)
from pwmscope.pulses import PulseTable

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
MAX_RESTS: Final = 4
"""Positions that are tried as the rest, the most visited."""
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

    A chain of pairs (step k, position j), both rising. Each pair pays for standing at
    a wrong place, each link for what it leaves out and for time that does not fit:
    x^2/2 up to x = 1, then x - 1/2 (Huber 1964), x being the seconds by which planned
    and seen distance differ over 0.5 s plus a fifth of the planned one. The cheapest
    chain is exact, O(K J) links of at most 12 by 6.
    """
    rests = {step.name for step in plan.steps if step.is_at_rest}
    candidates = _rest_candidates(held) if rests else [None]
    found = [_refined(plan, held, rest) for rest in candidates]
    return min(found, key=lambda matching: matching.cost)


def _rest_candidates(held: HeldPositions) -> list[int | None]:
    """Positions that may be the rest: the most visited, the longest held, the first.

    Sticks held half way before and after each loss are met as often as the rest, so several are
    tried.
    """
    same = held.apart <= SAME_AGAIN
    places = same.argmax(axis=1)
    visits = np.bincount(places, minlength=len(held))
    stay = same @ (held.end_s - held.start_s)
    found = (*np.argsort(-visits, kind="stable")[:MAX_RESTS], places[int(stay.argmax())], 0)
    return list(dict.fromkeys(int(at) for at in found if visits[at]))


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
    absent = np.isnan(held.level).any(axis=1)
    at_rest = np.zeros(len(held), dtype=bool)
    if rest is not None:
        at_rest = held.apart[rest] <= SAME_AGAIN
    for k, step in enumerate(plan.steps):
        if not step.transmitter_on:
            continue
        wrong = absent.copy()
        if rest is not None:
            wrong |= ~at_rest if step.is_at_rest else at_rest
        cost[k] = WRONG_PLACE * wrong
    return cost


def _repeat_cost(plan: CapturePlan, held: HeldPositions, matching: Matching) -> FloatArray:
    """Price of each step at each position by where the same sticks stood elsewhere."""
    cost = np.zeros((len(plan.steps), len(held)))
    absent = np.isnan(held.level.sum(axis=1))
    groups: dict[tuple[tuple[str, float], ...], list[int]] = {}
    begun = dict(matching.begun)
    for k, step in enumerate(plan.steps):
        # A hand meets an end again, but not a place between.
        if step.transmitter_on and any(abs(to) >= 1.0 for to in step.sticks.values()):
            groups.setdefault(tuple(sorted(step.sticks.items())), []).append(k)
    for members in groups.values():
        seen = [begun[k] for k in members if k in begun and not absent[begun[k]]]
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
    each = np.arange(positions)
    earlier = each[:, None] - np.arange(MAX_SPARE, 0, -1)  # Shape (J, e)
    known = np.maximum(earlier, 0)
    # Since when the first position was held before the recording is not known.
    seen_s = np.where(earlier > 0, held.start_s[:, None] - held.start_s[known], np.nan)
    moved, spare = moved[known, each[:, None]], each[:, None] - 1 - earlier
    for k in range(1, steps):
        before = np.arange(max(0, k - MAX_UNSEEN), k)
        link = _link_cost(plan, before, k, seen_s, moved, spare)
        link += cost[before][:, known] + omitted[before, k][:, None, None]
        link[:, earlier < 0] = np.inf
        flat = link.swapaxes(0, 1).reshape(positions, -1)
        least = flat.argmin(axis=1)
        b, e = np.unravel_index(least, (before.size, MAX_SPARE))
        reached = flat[each, least] + place[k]
        better = reached < cost[k]
        cost[k, better] = reached[better]
        source[k, better, 0], source[k, better, 1] = before[b][better], earlier[each, e][better]
    total = cost + omitted[:, -1][:, None] + outside[None, ::-1]
    k, j = (int(at) for at in np.unravel_index(int(total.argmin()), total.shape))
    price, begun = float(total[k, j]), []
    while k >= 0:
        begun.append((k, j))
        k, j = (int(at) for at in source[k, j])
    return Matching(tuple(reversed(begun)), price)


def _link_cost(  # noqa: PLR0917 - what is planned, and what is seen
    plan: CapturePlan,
    before: IntArray,
    k: int,
    seen_s: FloatArray,
    moved: BoolArray,
    spare: IntArray,
) -> FloatArray:
    """Price of going on to step k at each position from those before; (J, e) to (b, J, e)."""
    start_s, steps = np.array(plan.starts_s), plan.steps
    alike = np.array([steps[b].sticks == steps[k].sticks for b in before])[:, None, None]
    is_off = np.array([any(not step.transmitter_on for step in steps[b : k + 1]) for b in before])
    is_off, planned_s = is_off[:, None, None], (start_s[k] - start_s[before])[:, None, None]
    off = np.abs(planned_s - seen_s) / (MIN_TOLERANCE_S + TOLERANCE * planned_s)
    late = np.minimum(np.where(off < 1.0, off**2 / 2.0, off - 0.5), MAX_LATE)
    odd = (alike == moved) & ~is_off
    price: FloatArray = np.nan_to_num(late) + WRONG_PLACE * odd
    price += np.where(is_off, SPARE_OFF, SPARE) * spare
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


MAX_COST: Final = 0.32
"""A matching may cost so much for each step that should show. In simulations recordings of the
same plan cost 0.03 to 0.31, those of others 0.33 to 0.7 (docs/methods.md)."""
_NAME: Final = "plan alignment"

DEFINITIONS: Final = (
    Definition(
        _NAME,
        "How far from the plan's clock, at most, the hands did a step. Steps are found where all "
        "lines come to stand still; which line follows which stick need not be known.",
        "the chain of (step, held position) pairs of least cost: 1 for a step that does not show, "
        "1 for a held position too many, 1.5 for a position that contradicts the plan, and "
        "min(h(x), 3) with h(x) = x^2/2 up to 1, else x - 1/2, x = (planned - seen distance) / "
        "(0.5 s + 0.2 planned); refused above 0.32 for each step that should show, axes that move "
        "no line left out",
        "own algorithm, dynamic programming (Bellman); h is Huber's function (1964), from memory",
    ),
)


@dataclass(frozen=True, slots=True)
class Alignment:
    """A plan laid over a recording."""

    plan: CapturePlan  # The plan
    # The steps that were found, in order; none where the plan does not fit
    spans: tuple[StepSpan, ...]
    # Names of the steps that no movement shows: the axis moves no line, or the hands left it out
    steps_not_seen: tuple[str, ...]
    # Names of the steps in `spans` that begin without a movement of their own, and so were placed
    # by the plan's clock alone
    steps_by_clock: tuple[str, ...]
    # When in the recording the plan's clock was at 0, by the median of the steps; None where the
    # plan does not fit
    clock_s: float | None
    # How far from that clock the most distant step began: above 0 for late hands
    lateness_s: float | None
    finding: Finding  # `plan alignment`: the lateness, or `not shown` with the reason

    @property
    def fits(self) -> bool:
        """Whether the plan fits the recording."""
        return bool(self.spans)

    @property
    def at_rest(self) -> tuple[Span, ...]:
        """When the sticks were let go, the transmitter being on."""
        return tuple(
            Span(span.start_s, span.end_s)
            for span in self.spans
            if span.step.transmitter_on and span.step.is_at_rest
        )

    @property
    def sentence(self) -> str:
        """What was found, for a person."""
        return self.finding.sentence

    def span_of(self, name: str) -> StepSpan | None:
        """Return where the step of this name was found; None where it was not."""
        return next((span for span in self.spans if span.step.name == name), None)


def align_plan(plan: CapturePlan, tables: Mapping[str, PulseTable]) -> Alignment:
    """Find the steps of a plan in a recording.

    Expected movement is matched to seen movement (`match_steps`): late hands, an unknown
    start and steps that move nothing are allowed for. A recording that was made by another
    plan is refused: then there are no spans, and the finding says why.
    """
    held = find_held_positions(tables)
    steps = plan.steps
    showing = [
        k
        for k in range(1, len(steps))
        if steps[k].transmitter_on and steps[k].sticks != steps[k - 1].sticks
    ]
    if not showing:
        return _refusal(plan, "The plan moves no stick, so nothing in a recording can show it.")
    if len(held) < 2:
        return _refusal(
            plan,
            "No line moves from one held position to another, so the plan's steps cannot be found. "
            "Record the receiver's outputs while following the plan.",
        )
    matching = match_steps(plan, held)
    shown = [k for k, _ in matching.begun if k in showing]
    fits = _cost_per_step(plan, showing, matching) <= MAX_COST
    if not fits or len(shown) < min(2, len(showing)):
        return _refusal(
            plan,
            f"The recording does not follow this plan. At best {len(shown)} of {len(showing)} "
            f"steps match its {len(held)} held positions, and not well enough. Name the plan that "
            "it was made by, or record again while the plan's clock runs.",
        )
    return _aligned(plan, held, matching)


def _cost_per_step(plan: CapturePlan, showing: list[int], matching: Matching) -> float:
    """Return what a matching costs per step that should show, without axes that move no line.

    An axis moves no line if it is held alone in the plan and no such step was seen.
    """
    steps = plan.steps
    begun = {k for k, _ in matching.begun}
    alone = {axis for k in showing for axis in steps[k].sticks if len(steps[k].sticks) == 1}
    dead = alone - {axis for k in begun for axis in steps[k].sticks if len(steps[k].sticks) == 1}

    def is_dead(k: int) -> bool:
        return k not in begun and bool(steps[k].sticks) and dead.issuperset(steps[k].sticks)

    held = [k for k in showing if is_dead(k)]
    let_go = [k for k in showing if k not in begun and not steps[k].sticks and is_dead(k - 1)]
    count = len(showing) - len(held) - len(let_go)
    return (matching.cost - UNSEEN * len(held)) / max(1, count)


def _refusal(plan: CapturePlan, reason: str) -> Alignment:
    names = tuple(step.name for step in plan.steps)
    return Alignment(plan, (), names, (), None, None, not_shown(_NAME, "s", reason))


def _aligned(plan: CapturePlan, held: HeldPositions, matching: Matching) -> Alignment:
    spans, by_clock = _spans(plan, held, matching)
    found = {span.step.name for span in spans}
    unseen = tuple(step.name for step in plan.steps if step.name not in found)
    # Since when the first position was held before the recording is not known.
    pairs = [(k, j) for k, j in matching.begun if j > 0]
    late_s = np.array([held.start_s[j] - plan.starts_s[k] for k, j in pairs])
    clock_s = float(np.median(late_s))
    late_s -= clock_s
    worst = int(np.abs(late_s).argmax())
    lateness_s = float(late_s[worst])
    name = plan.steps[pairs[worst][0]].name
    way = "late" if lateness_s >= 0 else "early"
    began = (
        f"its clock began at {clock_s:.2f} s of the recording"
        if clock_s >= 0
        else f"its clock began {-clock_s:.2f} s before the recording"
    )
    sentence = (
        f"The recording follows the plan: {len(spans)} of {len(plan.steps)} steps were found; "
        f"{began}. The hands were at most {format_s(abs(lateness_s))} {way} ({name})."
    )
    if by_clock:
        sentence += f" Placed by the clock alone, since nothing moved there: {_format(by_clock)}."
    if unseen:
        sentence += (
            f" Not seen: {_format(unseen)}; no recorded line follows these sticks, or "
            "the hands left "
            "the step out."
        )
    evidence = tuple(Evidence(span.start_s, span.end_s, 0) for span in spans[:MAX_SPANS])
    finding = measured(_NAME, lateness_s, "s", sentence, evidence=evidence)
    return Alignment(plan, spans, unseen, by_clock, clock_s, lateness_s, finding)


def _format(names: tuple[str, ...]) -> str:
    most = 8
    if len(names) <= most:
        return format_list(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"


def _spans(
    plan: CapturePlan, held: HeldPositions, matching: Matching
) -> tuple[tuple[StepSpan, ...], tuple[str, ...]]:
    """Give each step that begins at a position its span, and place by the clock what follows."""
    steps, starts_s = plan.steps, plan.starts_s
    after = (*matching.begun[1:], (len(steps), len(held)))
    spans: list[StepSpan] = []
    by_clock: list[str] = []
    for (k, j), (next_k, next_j) in zip(matching.begun, after, strict=True):
        clock_s = float(held.start_s[j]) - starts_s[k]
        if j == 0 and next_k < len(steps):
            clock_s = float(held.start_s[next_j]) - starts_s[next_k]
        limit_s = float(held.end_s[next_j - 1])
        placed = []
        for m in range(k + 1, next_k):
            if steps[m].transmitter_on and steps[m].sticks != steps[k].sticks:
                continue
            start_s = max(clock_s + starts_s[m], float(held.start_s[j]))
            end_s = min(clock_s + starts_s[m] + steps[m].seconds, limit_s)
            if end_s - start_s >= MIN_HELD_S:
                placed.append(StepSpan(steps[m], start_s, end_s))
        end_s = float(held.end_s[j]) if steps[k].transmitter_on else limit_s
        if next_k > k + 1:
            end_s = min(end_s, clock_s + starts_s[k + 1])
        if end_s - float(held.start_s[j]) >= MIN_HELD_S:
            spans.append(StepSpan(steps[k], float(held.start_s[j]), end_s))
        spans += placed
        by_clock += [span.step.name for span in placed]
    return tuple(spans), tuple(by_clock)
