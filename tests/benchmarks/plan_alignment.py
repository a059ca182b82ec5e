"""How often a capture plan is found in recordings made by it, and refused in those of others.

Run it from the project's folder; it takes about two minutes:

    .venv/bin/python tests/benchmarks/plan_alignment.py

The hands are late by 0.35 s with a deviation of 0.25 s, push 8 % across, and hold "half way"
anywhere within 0.2 of it. Recordings of others are made by plans of 30 random steps, and by the
plan's own steps in another order.
"""

from __future__ import annotations

import dataclasses
import sys

import numpy as np

from pwmscope.bench import AXES, CapturePlan, PlanStep, make_plan, parse_sheet
from pwmscope.findings import align_plan
from pwmscope.pulses import PulseTable, decode
from pwmscope.synth import FollowedPlan, Output, PulsesStop, build, follow_plan

SHEET = parse_sheet('[channels.L]\nrole = "drive-left"\n[channels.W]\nrole = "weapon"')
WHOLE, SHORT = make_plan(SHEET), make_plan(SHEET, losses=0)
TANK = {
    "L": Output(1500.0, {"elevator": 350.0, "aileron": 250.0}),
    "R": Output(1500.0, {"elevator": -350.0, "aileron": 250.0}),
}
FOUR = TANK | {
    "W": Output(1000.0, {"throttle": 950.0}),
    "S": Output(1498.0, {"rudder": 300.0}),
}
ROBOTS = {
    "tank drive alone": TANK,
    "four lines": FOUR,
    "four lines, pulses stop": {
        line: dataclasses.replace(output, when_lost=PulsesStop(0.1))
        for line, output in FOUR.items()
    },
}
RECORDINGS = int(sys.argv[1]) if len(sys.argv) > 1 else 15


def as_pushed(plan: CapturePlan, rng: np.random.Generator) -> CapturePlan:
    """Return where hands that are not exact push the sticks."""
    pushed: list[PlanStep] = []
    for before, step in zip((None, *plan.steps), plan.steps, strict=False):
        if before is not None and before.sticks == step.sticks:
            pushed.append(dataclasses.replace(step, sticks=pushed[-1].sticks))
            continue
        sticks = {a: to if abs(to) == 1 else to + rng.normal(0, 0.2)
                  for a, to in step.sticks.items()}  # fmt: skip
        across = {axis: rng.normal(0, 0.08) for axis in ("aileron", "elevator")}
        pushed.append(dataclasses.replace(step, sticks=(across | sticks) if sticks else {}))
    return CapturePlan(tuple(pushed))


def record(
    plan: CapturePlan, outputs: dict[str, Output], seed: int
) -> tuple[dict[str, PulseTable], FollowedPlan]:
    """Record hands that follow a plan."""
    rng = np.random.default_rng(seed)
    late_s = np.clip(rng.normal(0.35, 0.25, len(plan.steps)), -0.2, 1.2)
    followed = follow_plan(
        as_pushed(plan, rng), outputs, seed=seed, sample_rate_hz=500_000, late_s=late_s, way_s=0.4
    )
    return decode(build(followed.script).capture), followed


def random_plan(rng: np.random.Generator) -> CapturePlan:
    """Return a plan of 30 random steps."""
    steps = [PlanStep("rest", 3.0, {})]
    for number in range(30):
        to = float(rng.choice([-1.0, 1.0, 0.5, 0.0]))
        sticks = {AXES[rng.integers(4)]: to} if to else {}
        steps.append(PlanStep(f"step {number}", float(rng.uniform(1.5, 4.0)), sticks))
    return CapturePlan(tuple(steps))


def main() -> None:
    """Print a table."""
    print(f"{'robot':<26}{'own plan':>10}{'starts right':>16}{'random plans':>15}{'reordered':>12}")
    for name, outputs in ROBOTS.items():
        own = right = found = others = reordered = 0
        for seed in range(RECORDINGS):
            tables, followed = record(WHOLE, outputs, seed)
            alignment = align_plan(WHOLE, tables)
            own += alignment.fits
            for span in alignment.spans[1:]:
                if span.step.name not in alignment.steps_by_clock:
                    begun_s = followed.starts_s[WHOLE.steps.index(span.step)]
                    found += 1
                    right += abs(span.start_s - begun_s - 0.4) < 0.5
            rng = np.random.default_rng(1000 + seed)
            tables, _ = record(random_plan(rng), outputs, seed)
            others += align_plan(WHOLE, tables).fits
            order = 1 + rng.permutation(len(SHORT.steps) - 1)
            mixed = CapturePlan((SHORT.steps[0], *(SHORT.steps[k] for k in order)))
            tables, _ = record(mixed, outputs, seed)
            reordered += align_plan(SHORT, tables).fits
        print(
            f"{name:<26}{own:>6} of {RECORDINGS}{right:>9} of {found}{others:>10} of {RECORDINGS}"
            f"{reordered:>7} of {RECORDINGS}",
            flush=True,
        )


if __name__ == "__main__":
    main()
