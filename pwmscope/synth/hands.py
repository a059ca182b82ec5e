"""Hands that follow a capture plan: a script whose recording shows each of its steps."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pwmscope.bench import Axis, CapturePlan
from pwmscope.synth.recording import stream
from pwmscope.synth.script import (
    Behaviour,
    Channel,
    Dwell,
    Frame,
    HoldsLast,
    Loss,
    Move,
    Script,
    ScriptError,
    Sweep,
    Width,
    require,
)


@dataclass(frozen=True, slots=True)
class Output:
    """How one output follows the sticks: rest plus a share of each axis."""

    rest_us: float  # Its width with all sticks at rest
    # For each axis that moves it, by how much from rest to +1. A switch or dial is named by the
    # line that the plan has it move; it rests at -1, and the share is its whole way to +1.
    share_us: Mapping[str, float]
    # What it does while the transmitter is off
    when_lost: Behaviour = field(default_factory=HoldsLast)

    def width_us(
        self, sticks: Mapping[Axis, float], controls: Mapping[str, float] | None = None
    ) -> float:
        """Width at a stick position, switches and dials where they stand.

        >>> Output(1500.0, {"elevator": 400.0}).width_us({"elevator": -0.5})
        1300.0
        """
        moved: dict[str, float] = {str(axis): to for axis, to in sticks.items()}
        moved |= {line: 0.5 * (1.0 + to) for line, to in (controls or {}).items()}
        return self.rest_us + sum(self.share_us.get(name, 0.0) * to for name, to in moved.items())


@dataclass(frozen=True, slots=True)
class FollowedPlan:
    """A plan as it was followed."""

    script: Script  # What was done
    starts_s: tuple[float, ...]  # When the hands began each step, in seconds of the recording


def follow_plan(
    plan: CapturePlan,
    outputs: Mapping[str, Output],
    *,
    seed: int,
    sample_rate_hz: int = 1_000_000,
    lead_s: float = 2.0,
    late_s: Sequence[float] | None = None,
    way_s: float = 0.25,
    width: Width | None = None,
    marker: str | None = None,
) -> FollowedPlan:
    """Write the script of a recording in which the hands follow a plan.

    >>> from pwmscope.bench import PlanStep
    >>> plan = CapturePlan((PlanStep("rest", 3.0, {}), PlanStep("go", 2.0, {"elevator": 1.0})))
    >>> made = follow_plan(plan, {"RX1": Output(1500.0, {"elevator": 400.0})}, seed=1,
    ...                    late_s=[0.0, 0.5])
    >>> made.starts_s, made.script.duration_s
    ((0.0, 5.5), 8.5)
    """
    require("way_s", way_s, above=0)
    drawn = stream(seed, "hands").uniform(0.05, 0.6, len(plan.steps))
    late = drawn.tolist() if late_s is None else [float(late) for late in late_s]
    planned = zip(plan.starts_s, late, strict=True)
    starts_s = (0.0, *(lead_s + start + after for start, after in list(planned)[1:]))
    end_s = lead_s + plan.seconds + max(0.0, late[-1]) + 1.0
    ends_s = (*starts_s[1:], end_s)
    for begin_s, over_s in zip(starts_s, ends_s, strict=True):
        if over_s - begin_s <= way_s:
            raise ScriptError("late_s", late, f"steps that last longer than {way_s:g} s")
    channels = tuple(
        Channel(line, _moves(plan, output, starts_s, ends_s, way_s), skew_us=3.0 * place,
                when_lost=output.when_lost)
        for place, (line, output) in enumerate(outputs.items())
    )  # fmt: skip
    lost = itertools.groupby(
        zip(plan.steps, starts_s, ends_s, strict=True),
        key=lambda each: each[0].other_memory or (not each[0].transmitter_on and each[0].name),
    )
    spans = [[each[1:] for each in own] for is_lost, own in lost if is_lost]
    losses = tuple(Loss(own[0][0], own[-1][1], 0.3) for own in spans)
    script = Script(
        duration_s=end_s, sample_rate_hz=sample_rate_hz, seed=seed,
        frame=Frame(20_000, first_frame_us=5_000, jitter_us=0.8), channels=channels,
        width=Width(jitter_us=0.5) if width is None else width, losses=losses, marker=marker,
    )  # fmt: skip
    return FollowedPlan(script, starts_s)


def _moves(
    plan: CapturePlan,
    output: Output,
    starts_s: Sequence[float],
    ends_s: Sequence[float],
    way_s: float,
) -> tuple[Move, ...]:
    moves: list[Move] = []
    for step, begin_s, over_s in zip(plan.steps, starts_s, ends_s, strict=True):
        width_us = output.width_us(step.sticks, step.controls)
        if moves:
            moves += [Sweep(width_us, way_s), Dwell(width_us, over_s - begin_s - way_s)]
        else:
            moves.append(Dwell(width_us, over_s - begin_s))
    return tuple(moves)
