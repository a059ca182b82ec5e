"""Where the steps of a capture plan are in the recording that was made by it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import CapturePlan, StepSpan
from pwmscope.findings.segmentation import MIN_S, HeldPositions, find_held_positions
from pwmscope.findings.step_matching import UNSEEN, Matching, match_steps
from pwmscope.model import (
    MAX_SPANS,
    Definition,
    Evidence,
    Finding,
    format_list,
    format_s,
    measured,
    not_shown,
)
from pwmscope.pulses import PulseTable

MAX_COST: Final = 0.32
"""A matching may cost so much for each step that should show. In simulations recordings of the
same plan cost 0.03 to 0.31, those of others 0.33 to 0.7 (docs/methods.md)."""
_NAME: Final = "plan alignment"

DEFINITIONS: Final = (
    Definition(
        _NAME,
        "How far from the plan's clock, at most, the hands did a step, after the plan has been "
        "laid over the recording. Steps are found where all lines come to stand still; which line "
        "follows which stick need not be known.",
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
    """A plan laid over a recording.

    Parameters
    ----------
    plan : CapturePlan
        The plan.
    spans : tuple of StepSpan
        The steps that were found, in order; none where the plan does not fit.
    steps_not_seen : tuple of str
        Names of the steps that no movement shows: the axis moves no line, or the hands left
        it out.
    steps_by_clock : tuple of str
        Names of the steps in `spans` that begin without a movement of their own, and so
        were placed by the plan's clock alone.
    clock_s : float or None
        When in the recording the plan's clock was at 0, by the median of the steps; None
        where the plan does not fit.
    lateness_s : float or None
        How far from that clock the most distant step began: above 0 for late hands.
    finding : Finding
        ``plan alignment``: the lateness, or `not shown` with the reason.
    """

    plan: CapturePlan
    spans: tuple[StepSpan, ...]
    steps_not_seen: tuple[str, ...]
    steps_by_clock: tuple[str, ...]
    clock_s: float | None
    lateness_s: float | None
    finding: Finding

    @property
    def fits(self) -> bool:
        """Whether the plan fits the recording."""
        return bool(self.spans)

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
    plan is refused.

    Parameters
    ----------
    plan : CapturePlan
        The plan that the recording was made by.
    tables : mapping of str to PulseTable
        The pulses of the recording's lines, by line.

    Returns
    -------
    Alignment
        Without spans where the plan does not fit; its finding says why.
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
            f"The recording does not follow this plan: of {len(showing)} steps that should show, "
            f"{len(shown)} at best can be matched to its {len(held)} held positions, and those "
            "not well enough. Name the plan that it was made by, or record again with "
            "pwmscope plan --run.",
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
    said = (
        f"The recording follows the plan: {len(spans)} of {len(plan.steps)} steps were found; "
        f"{began}, and the hands were at most {format_s(abs(lateness_s))} {way} ({name})."
    )
    if by_clock:
        said += f" Placed by the clock alone, since nothing moved there: {_format(by_clock)}."
    if unseen:
        said += (
            f" Not seen: {_format(unseen)}; no recorded line follows these sticks, or "
            "the hands left "
            "the step out."
        )
    evidence = tuple(Evidence(span.start_s, span.end_s, 0) for span in spans[:MAX_SPANS])
    finding = measured(_NAME, lateness_s, "s", said, evidence=evidence)
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
            if end_s - start_s >= MIN_S:
                placed.append(StepSpan(steps[m], start_s, end_s))
        end_s = float(held.end_s[j]) if steps[k].transmitter_on else limit_s
        if next_k > k + 1:
            end_s = min(end_s, clock_s + starts_s[k + 1])
        if end_s - float(held.start_s[j]) >= MIN_S:
            spans.append(StepSpan(steps[k], float(held.start_s[j]), end_s))
        spans += placed
        by_clock += [span.step.name for span in placed]
    return tuple(spans), tuple(by_clock)
