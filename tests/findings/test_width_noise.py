"""Noise of widths: given noise of a known kind, its deviation, however the stick moved."""

import numpy as np
import pytest
from scipy import signal

from pwmscope.findings.segmentation import find_noise

RNG = np.random.default_rng(5)


def noise_of(width_us, interval_us=0.01):
    return find_noise(np.asarray(width_us, dtype=float), interval_us, 1000.0)


def test_noise_without_memory_averages_out():
    noise = noise_of(1500 + RNG.normal(0, 0.5, 50_000))
    assert noise.spread_us == pytest.approx(0.5, rel=0.03)
    for pulses in (1, 8, 32, 1000):
        assert noise.lasting_us(pulses) == pytest.approx(0.5, rel=0.08)


@pytest.mark.parametrize("memory", [0.3, 0.6, 0.8, 0.9])
def test_noise_with_memory_averages_out_more_slowly(memory):
    # The mean of n widths of a first-order autoregression of unit variance has variance
    # (1 + r) / (1 - r) / n for long n (Bartlett 1946; any book on time series).
    shocks = RNG.normal(0, (1 - memory**2) ** 0.5, 200_000)
    noise = noise_of(1500 + signal.lfilter([1], [1, -memory], shocks))
    lasting = ((1 + memory) / (1 - memory)) ** 0.5
    assert 0.55 < noise.spread_us < 1.05  # within 32 pulses; long waves are not yet seen
    assert 0.95 * lasting < noise.lasting_us(1000) < 1.6 * lasting


def test_steps_sweeps_and_glitches_leave_the_noise_alone():
    level = np.repeat(RNG.uniform(1000, 2000, 40), 100)
    sweep = 1500 + 400 * np.sin(np.arange(4000) / 200)
    for clean in (level, np.concatenate([sweep, level])):
        width = clean + RNG.normal(0, 0.5, clean.size)
        width[RNG.integers(0, width.size, 20)] += 300
        noise = noise_of(width)
        assert noise.spread_us == pytest.approx(0.5, rel=0.15)
        assert noise.lasting_us(1000) < 0.9


def test_a_constant_width_has_the_noise_of_sampling():
    noise = noise_of(np.full(1000, 1500.0), interval_us=1.0)
    assert noise.spread_us == pytest.approx(1.0 / 6**0.5)
    assert noise.lasting_us(64) == pytest.approx(1.0 / 6**0.5)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 31, 32, 33, 64])
def test_few_widths_do(count):
    noise = noise_of(1500 + RNG.normal(0, 0.5, count))
    assert 0.05 <= noise.spread_us < 2.0
    assert noise.lasting_us(100) >= noise.spread_us
