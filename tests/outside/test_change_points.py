"""Dwell borders against truth and against ruptures, a general-purpose change-point library.

ruptures (Truong, Oudre and Vayatis, Signal Processing 167, 2020; from memory) finds the
segmentation of least squared error about piecewise constant levels, plus a penalty for each
border: exact dynamic programming with pruning (Killick, Fearnhead and Eckley, JASA 107,
2012; `KernelCPD` with the linear kernel is that with the l2 cost). It is told the true noise
s, which pwmscope has to find; the penalty is 3 s^2 ln n, half as much again as Schwarz's
criterion for a border (Yao 1988; from memory).

The shared records are 1500 pulses of 20 ms: 2 to 20 levels, steps of 3 to 500 us either way
(log-uniform), noise of 0.2 to 3 us (log-uniform), edges sampled at 24 MS/s. In half of them
a step is a sweep of 5 to 14 frames every second time.
"""

from dataclasses import dataclass
from importlib import import_module

import numpy as np
import pytest
from scipy import signal

from pwmscope.findings.segmentation import find_dwells
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

PULSES = 1500
INTERVAL_US = 1 / 24
NEAR = 5
"""A border within so many frames of the true one is right."""


@dataclass(frozen=True)
class Shared:
    """A record, its noise, and its true transitions: first pulse off, first pulse on again."""

    width_us: np.ndarray
    noise_us: float
    transitions: list[tuple[int, int]]


def record(seed, *, sweeps):
    rng = np.random.default_rng(seed)
    levels = int(rng.integers(2, 21))
    noise_us = float(np.exp(rng.uniform(np.log(0.2), np.log(3.0))))
    sweep = [int(rng.integers(5, 15)) * int(sweeps and rng.random() < 0.5) for _ in range(levels)]
    holds = np.maximum(rng.dirichlet(np.full(levels, 6.0)) * (PULSES - sum(sweep)), 25).astype(int)
    level_us, parts, transitions, at = 1500.0, [], [], 0
    for count, frames in zip(holds, sweep, strict=True):
        parts.append(np.full(count, level_us))
        step_us = np.exp(rng.uniform(np.log(3.0), np.log(500.0))) * rng.choice([-1, 1])
        step_us = -step_us if abs(level_us + step_us - 1500.0) > 600.0 else step_us
        parts.append(np.linspace(level_us, level_us + step_us, frames + 2)[1:-1])
        level_us += step_us
        at += count + frames
        transitions.append((at - frames, at))
    true_us = np.concatenate(parts[:-1])
    true_us += rng.normal(0.0, noise_us, true_us.size)
    rise = rng.random(true_us.size) * INTERVAL_US
    sampled = np.floor((rise + true_us) / INTERVAL_US) - np.floor(rise / INTERVAL_US)
    return Shared(sampled * INTERVAL_US, noise_us, transitions[:-1])


def ours(shared):
    size = shared.width_us.size
    rise_s = 0.02 * np.arange(size)
    period_us = np.append(np.full(size - 1, 20_000.0), np.nan)
    table = PulseTable(
        "RX1", rise_s, shared.width_us, period_us, np.zeros(size, np.uint8),
        inverted=False, convention=STANDARD_SERVO, sample_interval_us=INTERVAL_US,
    )  # fmt: skip
    dwells = find_dwells(table, find_frames(table))
    leaves, begins = dwells.last[:-1] + 1, dwells.first[1:]
    # What lies between two dwells is their border: a sweep, and where it is lost in the noise.
    apart = begins - leaves > 2
    return sorted(np.where(apart, (leaves + begins) // 2, begins).tolist())


def theirs(shared):
    ruptures = import_module("ruptures")
    variance = shared.noise_us**2 + INTERVAL_US**2 / 6.0
    penalty = 3.0 * variance * np.log(shared.width_us.size)
    search = ruptures.KernelCPD(kernel="linear", min_size=6).fit(shared.width_us[:, None])
    return search.predict(pen=penalty)[:-1]


def agreement(borders, transitions):
    """Borders that lie at a transition (within NEAR frames), and transitions that have one."""
    at = [any(low - NEAR <= b <= high + NEAR for low, high in transitions) for b in borders]
    seen = [any(low - NEAR <= b <= high + NEAR for b in borders) for low, high in transitions]
    return np.array([sum(at), len(at), sum(seen), len(seen)])


def compared(seeds, *, sweeps):
    """Precision and recall of ours and theirs against truth, and agreement of the two."""
    counts = np.zeros((3, 4), dtype=int)
    for seed in seeds:
        shared = record(seed, sweeps=sweeps)
        own, other = ours(shared), theirs(shared)
        counts[0] += agreement(own, shared.transitions)
        counts[1] += agreement(other, shared.transitions)
        counts[2] += agreement(own, [(border, border) for border in other])
    return counts[:, 0] / counts[:, 1], counts[:, 2] / counts[:, 3], counts[0, 3]


def test_steps_are_found_as_an_exact_search_finds_them():
    # Reached: precision 0.9973 and recall 0.9927 (ruptures 0.9991 and 0.9991); 0.9963 of our
    # borders are ruptures' too, and 0.9918 of ruptures' are ours.
    precision, recall, transitions = compared(range(100), sweeps=False)
    assert transitions == 1100
    assert (precision > [0.996, 0.998, 0.995]).all()
    assert (recall > [0.992, 0.998, 0.991]).all()


def test_dwells_between_sweeps_are_found_too():
    # Reached: precision 0.9900 and recall 0.9864 (ruptures 0.9956 and 0.9991, whose borders
    # within a sweep count as right); 0.9836 of our borders are ruptures' too, and 0.7055 of
    # ruptures' are ours, since it puts several into a sweep and ours is the middle of what lies
    # between two dwells, whose ends are cut off on one side more than on the other.
    precision, recall, transitions = compared(range(100), sweeps=True)
    assert transitions == 1100
    assert (precision > [0.989, 0.994, 0.982]).all()
    assert (recall > [0.985, 0.998, 0.70]).all()


def offsets(deviations, count, seeds):
    """How far the one true border is off, for records that show just one; for each method."""
    off = [[], []]
    for seed in seeds:
        noise = np.random.default_rng(seed).normal(0.0, 0.5, 2 * count)
        width_us = 1500.0 + noise + 0.5 * deviations * (np.arange(2 * count) >= count)
        shared = Shared(width_us, 0.5, [])
        for method, found in zip((ours, theirs), off, strict=True):
            borders = method(shared)
            found.extend(abs(b - count) for b in borders if len(borders) == 1)
    return [np.array(found) for found in off]


@pytest.mark.parametrize(
    ("deviations", "alone", "typical", "far"),
    [
        # Reached, of 200 records: 191, 200, 200 with just one border (ruptures 200, 199, 199);
        # half of them are within 2, 1, 0 pulses of the true one (1, 1, 0) and nine in ten within
        # 10, 3, 2 (9, 3, 2).
        (1.0, 190, 2, 10),
        (1.5, 199, 1, 3),
        (2.0, 199, 0, 2),
    ],
)
def test_two_levels_one_or_two_deviations_apart(deviations, alone, typical, far):
    own, other = offsets(deviations, 200, range(200))
    assert own.size >= alone
    assert np.median(own) <= typical
    assert np.percentile(own, 90) <= far
    assert np.percentile(own, 90) <= np.percentile(other, 90) + 1


def test_noise_with_memory_is_no_change_where_independence_is_not_assumed():
    # A first-order autoregression of 0.8. Least squares with Schwarz's penalty takes its waves
    # for levels; reached: no border of ours and 235 of ruptures' in 20 records.
    found = np.zeros(2, dtype=int)
    for seed in range(20):
        shocks = np.random.default_rng(seed).normal(0.0, 0.3, PULSES + 100)
        width_us = 1500.0 + signal.lfilter([1.0], [1.0, -0.8], shocks)[100:]
        shared = Shared(width_us, 0.5, [])
        found += [len(ours(shared)), len(theirs(shared))]
    assert found[0] <= 1
    assert found[1] > 200
