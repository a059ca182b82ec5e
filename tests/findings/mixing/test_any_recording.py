"""Whatever is recorded, there is an answer: no exception, no warning, and a reason where none."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.advice import advise_mixing
from pwmscope.findings.mixing import DriveLines, OutputLine, StickLine, Throttle, examine_mixing
from pwmscope.pulses import STANDARD_SERVO, Flag, PulseTable

TRAVEL = Throttle()
LINES = DriveLines(
    (OutputLine("L", "left", TRAVEL), OutputLine("R", "right", TRAVEL)),
    (StickLine("E", "elevator", TRAVEL), StickLine("A", "aileron", TRAVEL)),
)


def table(rng, name, count, levels, period_us):
    width_us = 1500.0 + 400.0 * rng.choice(np.linspace(-1, 1, levels), count)
    width_us += rng.choice([0.0, 3.0]) * rng.normal(size=count)
    if rng.random() < 0.5:
        width_us = np.repeat(width_us[::25], 25)[:count]
    flags = np.where(rng.random(count) < 0.05, np.uint8(Flag.GLITCH), np.uint8(0))
    rise_us = rng.uniform(0, 9e3) + period_us * np.arange(count)
    return PulseTable(
        name, rise_us / 1e6, width_us, np.append(np.diff(rise_us), np.nan)[:count], flags,
        inverted=False, convention=STANDARD_SERVO, sample_interval_us=rng.choice([None, 1.0]),
    )  # fmt: skip


@settings(max_examples=60)
@given(st.integers(0, 2**32), st.integers(1, 5))
def test_there_is_always_an_answer(seed, levels):
    rng = np.random.default_rng(seed)
    tables = {
        name: table(rng, name, int(rng.choice([0, 1, 5, 40, 400])) if rng.random() < 0.2 else 400,
                    levels, rng.choice([20_000.0, 20_001.0]))
        for name in "LREA"
    }  # fmt: skip
    found = examine_mixing(tables, LINES)
    assert found.findings[0].sentence
    for way in advise_mixing(found):
        assert way.proof.works or not way.needed
    for finding in found.findings:
        assert finding.value is None or isinstance(finding.value, str) or np.isfinite(finding.value)
