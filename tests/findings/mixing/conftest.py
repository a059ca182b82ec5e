"""A bench of two outputs and two sticks, made frame by frame from a known matrix."""

import numpy as np
import pytest

from pwmscope.bench import PlanStep, StepSpan
from pwmscope.findings.mixing import DriveLines, OutputLine, StickLine, Travel
from pwmscope.pulses import STANDARD_SERVO, PulseTable

PERIOD_US = 20_000.0
TRAVEL = Travel(1500.0, 500.0, 20.0, is_stated=True)
AROUND = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, 1), (1, -1))
OUTPUTS = (OutputLine("RX1", "left", TRAVEL), OutputLine("RX2", "right", TRAVEL))
STICKS = (StickLine("pin-e", "elevator", TRAVEL), StickLine("pin-a", "aileron", TRAVEL))


def table(name, begin_us, width_us, interval_us=0.25):
    rise_us = np.ceil(begin_us / interval_us) * interval_us
    width_us = np.ceil((begin_us + width_us) / interval_us) * interval_us - rise_us
    return PulseTable(
        name, rise_us / 1e6, width_us, np.append(np.diff(rise_us), np.nan),
        np.zeros(len(rise_us), np.uint8), inverted=False, convention=STANDARD_SERVO,
        sample_interval_us=interval_us,
    )  # fmt: skip


class Bench:
    """Sticks go to each place in turn, for a second, with a rest and two ramps of 0.2 s."""

    def __init__(self, matrix, around=AROUND, *, extent=0.8, end=1.0, noise_us=0.5, delay=0,
                 through=None, offset_us=(0.0, 0.0), seed=1):  # fmt: skip
        rng = np.random.default_rng(seed)
        at_s, place, self.spans = [0.0], [(0.0, 0.0)], []
        for number, direction in enumerate(around):
            begin_s = 1.0 + 2.0 * number
            held = tuple(extent * np.array(direction))
            at_s += [begin_s, begin_s + 0.2, begin_s + 1.0, begin_s + 1.2]
            place += [(0.0, 0.0), held, held, (0.0, 0.0)]
            sticks = {"elevator": direction[0], "aileron": direction[1]}
            step = PlanStep(f"step {number}", 1.0, sticks)
            rest = PlanStep(f"rest {number}", 1.0, {})
            self.spans.append(StepSpan(step, begin_s + 0.2, begin_s + 1.0))
            self.spans.append(StepSpan(rest, begin_s + 1.2, begin_s + 2.0))
        begin_us = 3_000.0 + PERIOD_US * np.arange(int((at_s[-1] + 1.0) * 50))
        columns = [np.interp(begin_us / 1e6, at_s, column) for column in np.array(place).T]
        self.stick = np.stack(columns, axis=1)
        late = self.stick[np.maximum(np.arange(len(begin_us)) - delay, 0)]
        mixed = through(late) if through else late @ np.asarray(matrix, float).T
        position = np.clip(mixed, -end, end)
        lines = ("RX1", "RX2", "pin-e", "pin-a")
        offsets_us = (*offset_us, 0.0, 0.0)
        both = np.concatenate([position, self.stick], axis=1).T
        self.tables = {
            line: table(line, begin_us + 2.3 * at, 1500.0 + offset + 500.0 * column
                        + rng.normal(0.0, noise_us, len(begin_us)))
            for at, (line, column, offset) in enumerate(zip(lines, both, offsets_us, strict=True))
        }  # fmt: skip
        self.lines = DriveLines(OUTPUTS, STICKS)
        self.without_sticks = DriveLines(OUTPUTS, ())


@pytest.fixture(scope="session")
def make_bench():
    return Bench
