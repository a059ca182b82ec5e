"""Bases of three and four wheels: given outputs in this order and way round, so they are told."""

import itertools

import numpy as np
import pytest

from pwmscope.advice.mixing.wheels import advise_wheels
from pwmscope.bench.plan import PlanStep, StepSpan
from pwmscope.findings.mixing.layouts import FOUR_WHEELS, LAYOUTS, THREE_WHEELS, recognise
from pwmscope.findings.mixing.lines import OutputLine, StickLine, Travel
from pwmscope.findings.mixing.wheels import DEFINITIONS, examine_wheels
from pwmscope.model.finding import Verdict
from pwmscope.pulses import STANDARD_SERVO, PulseTable

TRAVEL = Travel(1500.0, 500.0)
AXES = ("elevator", "aileron", "rudder")
AROUND = np.repeat(np.vstack([np.kron(np.eye(3), [[1], [0], [-1], [0]]), np.eye(3)]), 30, axis=0)
STICKS = tuple(StickLine(axis, axis, TRAVEL) for axis in AXES)
BASES = [THREE_WHEELS, FOUR_WHEELS]


def table(name, begin_us, position, rng):
    width_us = 1500.0 + 500.0 * position + rng.normal(0.0, 0.5, len(begin_us))
    return PulseTable(
        name, begin_us / 1e6, width_us, np.append(np.diff(begin_us), np.nan),
        np.zeros(len(begin_us), np.uint8), inverted=False, convention=STANDARD_SERVO,
        sample_interval_us=0.25,
    )  # fmt: skip


def recorded(matrix, around=AROUND):
    rng = np.random.default_rng(3)
    stick = 0.6 * around
    begin_us = 5_000.0 + 20_000.0 * np.arange(len(stick))
    lines = [f"RX{at + 1}" for at in range(len(matrix))]
    columns = dict(zip((*lines, *AXES), np.hstack([stick @ matrix.T, stick]).T, strict=True))
    tables = {name: table(name, begin_us, column, rng) for name, column in columns.items()}
    return tables, tuple(OutputLine(line, line, TRAVEL) for line in lines)


@pytest.mark.parametrize("layout", BASES, ids=lambda layout: layout.name)
def test_a_base_as_wanted(layout):
    found = examine_wheels(*recorded(0.5 * layout.matrix), STICKS)
    assert found.finding.verdict is Verdict.MEETS
    assert found.fitting.wheels == layout.wheels
    np.testing.assert_allclose(found.fitting.gains, 0.5, rtol=0.01)
    assert advise_wheels(found) is None


@pytest.mark.parametrize("layout", BASES, ids=lambda layout: layout.name)
def test_swapped_and_reversed_outputs_are_told_and_the_advice_puts_them_right(layout):
    matrix = 0.5 * layout.matrix
    matrix[[0, -1]] = matrix[[-1, 0]]
    matrix[1] *= -1.0
    found = examine_wheels(*recorded(matrix), STICKS)
    assert found.finding.verdict is Verdict.DOES_NOT_MEET
    assert found.fitting.changes <= 2
    advice = advise_wheels(found)
    assert advice.works
    assert len(advice.words) >= 1
    assert advice.proof.wheels == layout.wheels


def test_every_order_and_way_round_is_put_right():
    """Holonomic bases: the matrix up to the order and the sign of the outputs."""
    for layout in BASES:
        count = len(layout.wheels)
        for order in itertools.permutations(range(count)):
            for signs in itertools.product((1.0, -1.0), repeat=count):
                matrix = np.array(signs)[:, None] * layout.matrix[list(order)]
                found = recognise(matrix, np.full(matrix.shape, 1e-3), layout)
                rows = layout.matrix[[layout.wheels.index(wheel) for wheel in found.wheels]]
                told = np.where(found.reversed_outputs, -1.0, 1.0)[:, None] * rows
                told = told * np.where(found.reversed_motions, -1.0, 1.0)
                np.testing.assert_allclose(told * found.gains, matrix, atol=1e-9)


def test_an_unknown_base_is_not_named():
    matrix = 0.5 * np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    found = examine_wheels(*recorded(matrix), STICKS)
    assert found.fitting is None
    assert found.finding.verdict is Verdict.NOT_SHOWN
    assert advise_wheels(found) is None


def test_a_stick_that_never_moved_is_asked_for():
    still = AROUND * [1.0, 1.0, 0.0]
    found = examine_wheels(*recorded(0.5 * THREE_WHEELS.matrix, still), STICKS)
    assert "The rudder stick never moved" in found.finding.sentence


def test_five_outputs_are_no_known_base():
    found = examine_wheels(*recorded(np.ones((5, 3))), STICKS)
    assert "Bases of 3 and 4 wheels are known, and 5 outputs are named" in found.finding.sentence


def test_without_sticks_a_plan_is_asked_for_or_used():
    tables, outputs = recorded(0.5 * FOUR_WHEELS.matrix)
    assert "record to a plan" in examine_wheels(tables, outputs, ()).finding.sentence
    spans = [
        StepSpan(PlanStep(str(at), 0.6, dict(zip(AXES, AROUND[at], strict=True))),
                 0.02 * at, 0.02 * at + 0.6)
        for at in range(0, len(AROUND), 30)
    ]  # fmt: skip
    found = examine_wheels(tables, outputs, (), spans=spans)
    assert found.finding.verdict is Verdict.MEETS


def test_layouts_and_findings_are_defined():
    assert {len(layout.wheels) for layout in LAYOUTS} == {2, 3, 4}
    assert [definition.name for definition in DEFINITIONS] == ["wheel layout"]
    for layout in LAYOUTS:
        assert np.linalg.matrix_rank(layout.matrix) == len(layout.motions)
