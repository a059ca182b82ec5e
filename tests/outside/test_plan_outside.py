"""A plan's alignment against dynamic time warping and brute force, and facts of the trade.

Sources: dtaidistance (a general-purpose library for dynamic time warping), on the same recordings;
a second search of all chains, written from the definition of the cost; common practice for which
axis lies on which stick.
"""

import itertools
from pathlib import Path

import numpy as np
import pytest
from dtaidistance import dtw_ndim

from pwmscope.bench import CapturePlan, PlanStep, load_sheet, make_plan
from pwmscope.findings import align_plan, plan_alignment
from pwmscope.findings.segmentation import HeldPositions
from pwmscope.pulses import decode
from pwmscope.synth import Output, build, follow_plan

QUINCE = load_sheet(Path(__file__).parents[2] / "captures" / "bench.toml")
PLAN = make_plan(QUINCE, losses=1)
OUTPUTS = {
    "RX1": Output(1500.0, {"elevator": 400.0, "aileron": 300.0}),
    "RX2": Output(1504.0, {"elevator": 400.0, "aileron": -300.0}),
    "RX3": Output(1000.0, {"throttle": 900.0}),
    "RX4": Output(1498.0, {"rudder": 300.0}),
}
GRID_S = 0.1
WAY_S = 0.25


def recorded(seed, late_s=None):
    followed = follow_plan(
        PLAN, OUTPUTS, seed=seed, sample_rate_hz=500_000, late_s=late_s, lead_s=2.0, way_s=WAY_S
    )
    return decode(build(followed.script).capture), followed.script.duration_s


def sampled(tables, duration_s):
    """Width of each line on a grid of time, in parts of 1000 us; shape (n, lines)."""
    grid_s = np.arange(GRID_S, duration_s, GRID_S)
    columns = []
    for table in tables.values():
        good = table.measured
        columns.append(np.interp(grid_s, table.rise_s[good], table.width_us[good]) / 1000.0)
    return grid_s, np.stack(columns, axis=1)


def expected():
    """What the lines would show if the hands kept the plan's clock; dynamic warping is told it."""
    grid_s = np.arange(0.0, PLAN.seconds, GRID_S)
    step = np.searchsorted(PLAN.starts_s, grid_s, side="right") - 1
    widths = [[o.width_us(PLAN.steps[k].sticks) / 1000.0 for o in OUTPUTS.values()] for k in step]
    return grid_s, np.array(widths)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_steps_begin_where_dynamic_time_warping_puts_them(seed):
    """dtaidistance is told which line follows which stick, pwmscope is not.

    The warping meets a move of 0.25 s anywhere in it, pwmscope takes its end: within
    0.25 s and two steps of the grid.
    """
    late_s = np.cumsum(np.random.default_rng(seed).uniform(-0.1, 0.4, len(PLAN.steps)))
    tables, duration_s = recorded(seed, late_s)
    found = align_plan(PLAN, tables)
    plan_s, wanted = expected()
    seen_s, seen = sampled(tables, duration_s)
    path = np.array(dtw_ndim.warping_path(wanted, seen, use_c=True))
    compared = 0
    for span in found.spans[1:]:
        if span.step.name in found.steps_by_clock:
            continue
        start_s = PLAN.starts_s[PLAN.steps.index(span.step)]
        at = int(np.searchsorted(plan_s, start_s - 1e-9))
        warped_s = seen_s[path[path[:, 0] == at, 1].min()]
        assert span.start_s == pytest.approx(warped_s + WAY_S / 2, abs=WAY_S / 2 + 2 * GRID_S)
        compared += 1
    assert compared >= 20


def brute_force(plan, held, place):
    """Cost of the cheapest of all chains, from the definition, without dynamic programming."""
    steps, starts_s = plan.steps, plan.starts_s

    def left_out(begun, name):
        step = steps[name]
        if step.transmitter_on and step.sticks == steps[begun].sticks:
            return 0.05
        return 1.0 if step.transmitter_on else 0.3

    def link(b, e, k, j):
        off = any(not step.transmitter_on for step in steps[b : k + 1])
        price = sum(left_out(b, m) for m in range(b + 1, k))
        price += (0.1 if off else 1.0) * (j - e - 1)
        moved = np.abs(held.level[e] - held.level[j]).max() > 0.045
        if not off and (steps[b].sticks == steps[k].sticks) == moved:
            price += 1.5
        if e > 0:
            planned_s = starts_s[k] - starts_s[b]
            x = abs(planned_s - (held.start_s[j] - held.start_s[e])) / (0.5 + 0.2 * planned_s)
            price += min(3.0, x * x / 2 if x < 1 else x - 0.5)
        return price

    best = np.inf
    for size in range(1, min(len(steps), len(held)) + 1):
        for ks in itertools.combinations(range(len(steps)), size):
            for js in itertools.combinations(range(len(held)), size):
                pairs = list(zip(ks, js, strict=True))
                price = 1.0 * ks[0] + 0.3 * js[0] + 0.3 * (len(held) - 1 - js[-1])
                price += sum(place[k, j] for k, j in pairs)
                price += sum(link(*one, *two) for one, two in itertools.pairwise(pairs))
                price += sum(left_out(ks[-1], m) for m in range(ks[-1] + 1, len(steps)))
                best = min(best, price)
    return best


@pytest.mark.parametrize("seed", range(12))
def test_the_chain_is_the_cheapest_of_all(seed):
    """All chains of up to six steps and six positions, tried one by one."""
    rng = np.random.default_rng(seed)
    count, positions = rng.integers(2, 7, 2)
    sticks = [{}, {"elevator": 1.0}, {"elevator": -1.0}, {"aileron": 1.0}]
    steps = tuple(
        PlanStep(f"s{k}", float(rng.uniform(1, 4)), sticks[rng.integers(4)],
                 transmitter_on=bool(k == 0 or rng.random() > 0.2))
        for k in range(count)
    )  # fmt: skip
    plan = CapturePlan(steps)
    start_s = np.cumsum(rng.uniform(0.5, 4.0, positions))
    level = rng.choice([1.1, 1.5, 1.9], (positions, 2))
    held = HeldPositions(("A", "B"), start_s, start_s + 0.4, level)
    place = rng.choice([0.0, 1.5], (count, positions))
    found = plan_alignment._cheapest(plan, held, place)
    assert found.cost == pytest.approx(brute_force(plan, held, place), abs=1e-9)


@pytest.mark.parametrize(
    ("mode", "left", "right"),
    [(2, ("throttle", "rudder"), ("elevator", "aileron")),
     (1, ("elevator", "rudder"), ("throttle", "aileron"))],
)  # fmt: skip
def test_each_axis_is_on_the_stick_where_the_trade_has_it(mode, left, right):
    """Common practice: mode 2 has throttle and rudder on the left stick, elevator and aileron
    on the right; in mode 1 throttle and elevator change places."""
    plan = make_plan(QUINCE, mode=mode, losses=0)
    for axes, stick in ((left, "left stick"), (right, "right stick")):
        for step in plan.steps:
            if set(step.sticks) & set(axes):
                assert stick in step.hands.lower(), step.name
