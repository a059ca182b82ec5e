"""A plan that pwmscope makes, done by late hands: found in the recording, and the mixing named."""

import numpy as np
import pytest

from pwmscope.bench import make_plan, parse_sheet
from pwmscope.findings import align_plan
from pwmscope.findings.mixing import SINGLE, WANTED, examine_mixing, find_lines
from pwmscope.model import Verdict
from pwmscope.pulses import STANDARD_SERVO, PulseTable

STOPS = "neutral_us = 1500\ndeadband_us = 40\n"
SHEET = parse_sheet(
    f'[channels.RX1]\nrole = "drive-left"\n{STOPS}[channels.RX2]\nrole = "drive-right"\n{STOPS}'
)
PLAN = make_plan(SHEET)
MIXED, UNMIXED = np.array(WANTED), np.array(SINGLE)


def recorded(matrix, seed=5):
    """Hands are up to 0.2 s late, take 0.3 s to move and reach 97 to 100 % of the travel."""
    rng = np.random.default_rng(seed)
    at_s, place = [0.0], [np.zeros(2)]
    for step, start_s in zip(PLAN.steps, PLAN.starts_s, strict=True):
        begin_s = 2.0 + start_s + rng.uniform(0.0, 0.2)
        asked = np.array([step.sticks.get(axis, 0.0) for axis in ("elevator", "aileron")])
        at_s += [begin_s, begin_s + 0.3]
        place += [place[-1], asked * rng.uniform(0.97, 1.0)]
    begin_us = 4_000.0 + 20_000.0 * np.arange(int((PLAN.seconds + 2.0) * 50))
    columns = [np.interp(begin_us / 1e6, at_s, column) for column in np.array(place).T]
    position = np.clip(np.stack(columns, axis=1) @ matrix.T, -1.0, 1.0)
    return {
        line: PulseTable(
            line, (begin_us + 2.0 * at) / 1e6,
            1500.0 + 500.0 * position[:, at] + rng.normal(0.0, 1.0, len(begin_us)),
            np.append(np.diff(begin_us), np.nan), np.zeros(len(begin_us), np.uint8),
            inverted=False, convention=STANDARD_SERVO, sample_interval_us=0.25,
        )
        for at, line in enumerate(("RX1", "RX2"))
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "matrix", "verdict"),
    [
        ("mixed", 0.8 * MIXED, Verdict.MEETS),
        ("mixed, outputs swapped", 0.8 * MIXED[::-1], Verdict.DOES_NOT_MEET),
        ("unmixed", UNMIXED, Verdict.DOES_NOT_MEET),
        ("unmixed, outputs swapped", UNMIXED[::-1], Verdict.DOES_NOT_MEET),
    ],
)
def test_the_plan_that_is_made_tells_the_mixing(name, matrix, verdict):
    tables = recorded(matrix)
    alignment = align_plan(PLAN, tables)
    assert alignment.fits, alignment.sentence
    found = examine_mixing(tables, find_lines(tables, SHEET), spans=alignment.spans)
    assert found.arrangement.name == name
    assert found.verdict is verdict
