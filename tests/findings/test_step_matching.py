"""Which held position a step begins at, on positions put together by hand."""

import numpy as np

from pwmscope.bench import CapturePlan, PlanStep
from pwmscope.findings.plan_alignment import match_steps
from pwmscope.findings.segmentation import HeldPositions

FORWARD, RIGHT, REST = {"elevator": 1.0}, {"aileron": 1.0}, {}


def plan_of(*steps):
    return CapturePlan(tuple(PlanStep(f"s{k}", 2.0, sticks) for k, sticks in enumerate(steps)))


def held_at(*positions):
    start_s = np.array([start for start, _ in positions])
    level = np.array([levels for _, levels in positions])
    return HeldPositions(("A", "B"), start_s, start_s + 1.5, level)


def begun(plan, held):
    return dict(match_steps(plan, held).begun)


def test_a_stick_pushed_again_is_known_by_where_it_stood_before():
    # The hands left out one of the last two moves; by the clock it was the first of them.
    plan = plan_of(REST, FORWARD, REST, RIGHT, REST, FORWARD, REST, RIGHT, REST)
    rest, forward, right = (1.5, 1.5), (1.9, 1.5), (1.5, 1.9)
    start = [(0.0, rest), (2.0, forward), (4.0, rest), (6.0, right), (8.0, rest)]
    for late_s in (10.6, 11.0, 11.4):
        again = held_at(*start, (late_s, forward), (late_s + 2.0, rest))
        other = held_at(*start, (late_s, right), (late_s + 2.0, rest))
        assert begun(plan, again)[5] == 5
        assert 7 not in begun(plan, again)
        assert begun(plan, other)[7] == 5
        assert 5 not in begun(plan, other)


def test_a_place_between_need_not_be_met_again():
    half = {"elevator": 0.5}
    plan = plan_of(REST, half, REST, half, REST)
    rest = (1.5, 1.5)
    held = held_at((0.0, rest), (2.0, (1.75, 1.5)), (4.0, rest), (6.0, (1.6, 1.5)), (8.0, rest))
    assert match_steps(plan, held).begun == ((0, 0), (1, 1), (2, 2), (3, 3), (4, 4))
    assert match_steps(plan, held).cost < 0.1


def test_the_rest_is_where_the_sticks_come_back_to_not_where_they_stay_longest():
    plan = CapturePlan(
        tuple(
            PlanStep(f"s{k}", 22.0 if sticks == RIGHT else 2.0, sticks)
            for k, sticks in enumerate((REST, FORWARD, REST, RIGHT, REST))
        )
    )
    rest = (1.5, 1.5)
    start_s = np.array([0.0, 2.0, 4.0, 6.0, 28.0])
    level = np.array([rest, (1.9, 1.5), rest, (1.5, 1.9), rest])
    held = HeldPositions(("A", "B"), start_s, np.append(start_s[1:], 29.0) - 0.2, level)
    assert match_steps(plan, held).begun == ((0, 0), (1, 1), (2, 2), (3, 3), (4, 4))


def test_a_silent_line_is_no_place_for_a_stick_but_for_a_transmitter_that_is_off():
    steps = (
        PlanStep("rest", 2.0, {}),
        PlanStep("hold", 2.0, FORWARD),
        PlanStep("off", 3.0, FORWARD, transmitter_on=False),
        PlanStep("on", 2.0, FORWARD),
    )
    silent = (np.nan, np.nan)
    held = held_at((0.0, (1.5, 1.5)), (2.0, (1.9, 1.5)), (4.0, silent), (7.0, (1.9, 1.5)))
    assert match_steps(CapturePlan(steps), held).begun == ((0, 0), (1, 1), (2, 2), (3, 3))
