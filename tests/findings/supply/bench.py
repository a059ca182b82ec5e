"""A supply with source resistance: V = E - I R, recorded as a voltage beside servo lines."""

import math
from functools import cache

import numpy as np

from pwmscope.capture import Line
from pwmscope.model import Voltage

PS = 10**12
KHZ = 20
"""Samples in a millisecond."""


@cache
def noise(count, seed):
    return np.random.default_rng(seed).standard_normal(count)


def volts(end_s, sags=(), *, noise_v=0.01, seed=3, step_v=0.0):
    """Samples of a supply; ``sags`` are (begin, length, depth) in seconds and volts."""
    count = int(end_s * KHZ * 1000)
    v = 5.0 + noise_v * np.sqrt(KHZ) * noise(count, seed)
    for begin_s, lasts_s, depth_v in sags:
        begin, end = (math.ceil(at_s * KHZ * 1000.0) for at_s in (begin_s, begin_s + lasts_s))
        v[begin:end] -= depth_v
    return np.round(v / step_v) * step_v if step_v else v


def supply_line(name, samples, scale=1.0):
    """The line as a reader keeps it: least, mean and most of each millisecond."""
    each = samples[: samples.size // KHZ * KHZ].reshape(-1, KHZ) * scale
    kept = [f(axis=1).astype(np.float32) for f in (each.min, each.mean, each.max)]
    return Line(name, np.zeros(0, np.int64), 0, voltage=Voltage(0, PS / 1000, *kept))
