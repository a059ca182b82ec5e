"""How often the stated 95 % intervals of jitter hold the jitter of the recorded pulses.

    python tests/benchmarks/jitter_coverage.py [RECORDINGS] [SHAPE]

simulates RECORDINGS (200 unless given) for each sample rate and jitter, and prints a
Markdown table for widths and one for periods. SHAPE of the jitter is ``gaussian`` (unless given),
``uniform``, ``two-codes`` or ``heavy`` (Student's t with 5 degrees of freedom).

A recording is 600 frames of about 20 ms from a receiver whose clock is up to 50 ppm off
the analyser's, with four dwells of 150 frames at any widths. Each leading edge leaves the frame
clock's grid by chance, so that periods jitter by the cell's figure; so do the widths, on their own.
The analyser sees an edge at its next sample. The truth is the figure of the very pulses
before sampling, by NumPy; the cell's figure is what they were drawn from.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.findings.timing import Separation, scatter_of, separate
from pwmscope.findings.timing.jitter import with_shared_edges
from pwmscope.findings.timing.sampling import unevenness

RATES_HZ = (100e3, 250e3, 500e3, 1e6, 2e6, 8e6, 24e6, 100e6)
JITTERS_US = (0.0, 0.05, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
DWELLS = 4
FRAMES = 150
PERIOD_US = 20_000.0
CLOCK_PPM = 50.0
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Statement:
    """What was stated of one recording's widths or periods, beside their own jitter."""

    rate_hz: float
    jitter_us: float
    own_us: float
    kind: str
    found: Separation

    @property
    def holds(self) -> bool:
        """Whether the stated interval holds the pulses' own jitter."""
        low_us, high_us = self.found.interval_us
        return low_us <= self.own_us * (1 + 1e-9) and self.own_us * (1 - 1e-9) <= high_us


def draw(shape: str, size: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Draw deviations of unit RMS."""
    if shape == "gaussian":
        return rng.standard_normal(size)
    if shape == "uniform":
        return rng.uniform(-np.sqrt(3.0), np.sqrt(3.0), size)
    if shape == "two-codes":
        return rng.choice([-1.0, 1.0], size)
    if shape == "heavy":
        return rng.standard_t(5, size) / np.sqrt(5.0 / 3.0)
    raise ValueError(f"The shape {shape!r} is not known.")


def record(
    recordings: int, interval_us: float, jitter_us: float, shape: str, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Simulate recordings and return their readings and their own jitter.

    Returns
    -------
    widths_us, periods_us : ndarray of float64, shape (recordings, frames), (recordings, frames - 1)
    of_widths_us, of_periods_us : ndarray of float64, shape (recordings,)
    """
    frames = DWELLS * FRAMES
    clock_us = PERIOD_US * (1 + rng.uniform(-CLOCK_PPM, CLOCK_PPM, (recordings, 1)) * 1e-6)
    start_us = rng.uniform(0.0, 1000.0, (recordings, 1))
    size = (recordings, frames)
    # Two edges that each leave the grid by a share of 1/sqrt(2) make the period's jitter.
    leave_us = jitter_us / np.sqrt(2.0) * draw(shape, size, rng)
    rise_us = start_us + clock_us * np.arange(frames) + leave_us
    level_us = np.repeat(rng.uniform(1000.0, 2000.0, (recordings, DWELLS)), FRAMES, axis=1)
    fall_us = rise_us + level_us + jitter_us * draw(shape, size, rng)
    rises, falls = np.ceil(rise_us / interval_us), np.ceil(fall_us / interval_us)
    by_dwell_us = (fall_us - rise_us).reshape(recordings, DWELLS, FRAMES)
    return (
        (falls - rises) * interval_us,
        np.diff(rises, axis=1) * interval_us,
        np.sqrt(by_dwell_us.var(axis=2, ddof=1).mean(axis=1)),
        np.diff(rise_us, axis=1).std(axis=1, ddof=1),
    )


KINDS = ("width", "period")


def state(
    recordings: int, shape: str, seed: int, kinds: tuple[str, ...] = KINDS
) -> Iterator[Statement]:
    """State the jitter of every simulated recording, its widths' and its periods'."""
    rng = np.random.default_rng(seed)
    dwells = np.full(DWELLS, FRAMES)
    for rate_hz in RATES_HZ:
        interval_us = 1e6 / rate_hz
        for jitter_us in JITTERS_US:
            for widths_us, periods_us, of_widths_us, of_periods_us in zip(
                *record(recordings, interval_us, jitter_us, shape, rng), strict=True
            ):
                widths, periods = scatter_of(widths_us, dwells), scatter_of(periods_us)
                change_us = float(np.sqrt(np.mean(np.diff(periods_us) ** 2)))
                periods = with_shared_edges(periods, change_us, interval_us)
                uneven = unevenness(
                    float(periods.mean_us[0]) * np.arange(periods_us.size + 1),
                    # A period has two edges.
                    periods.rms_us / np.sqrt(2.0),
                    interval_us,
                )
                for kind in kinds:
                    scatter = widths if kind == "width" else periods
                    own_us = of_widths_us if kind == "width" else of_periods_us
                    found = separate(scatter, interval_us, unevenness=uneven)
                    assert found is not None
                    yield Statement(rate_hz, jitter_us, float(own_us), kind, found)


def share(statements: list[Statement]) -> float:
    """Share of the statements that hold; 1 where there are none."""
    return sum(each.holds for each in statements) / len(statements) if statements else 1.0


def cell(statements: list[Statement]) -> str:
    """Coverage in %, share resolved in %, median of the resolved estimates in us."""
    resolved = [each.found.jitter_rms_us for each in statements if each.found.jitter_rms_us]
    middle = f"{np.median(resolved):.3g}" if resolved else "–"
    return f"{share(statements):.1%} / {len(resolved) / len(statements):.0%} / {middle}"


def tell(statements: list[Statement]) -> None:
    """Print the tables and the figures over all."""
    for kind in KINDS:
        print(f"\n{kind}: coverage / share resolved / median estimate (us), by jitter put in\n")
        print("| sample rate | " + " | ".join(f"{jitter:g} us" for jitter in JITTERS_US) + " |")
        print("|" + " --- |" * (len(JITTERS_US) + 1))
        for rate_hz in RATES_HZ:
            cells = [
                cell([each for each in statements
                      if (each.kind, each.rate_hz, each.jitter_us) == (kind, rate_hz, jitter_us)])
                for jitter_us in JITTERS_US
            ]  # fmt: skip
            print(f"| {rate_hz / 1e6:g} MS/s | " + " | ".join(cells) + " |")
    resolved = [each for each in statements if each.found.resolved]
    bounds = [each for each in statements if not each.found.resolved]
    print(f"\nall {len(statements)} statements of {len(statements) // 2} recordings: "
          f"{share(statements):.2%} hold\n"
          f"resolved, two-sided: {len(resolved)}, {share(resolved):.2%} hold\n"
          f"not resolved, upper bound: {len(bounds)}, {share(bounds):.2%} hold")  # fmt: skip


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    tell(list(state(count, sys.argv[2] if len(sys.argv) > 2 else "gaussian", 2414)))
