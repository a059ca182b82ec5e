"""How surely sags of a supply are found, and how often noise makes one: a study.

    python -m tests.adversary.sag_study

Sags, noise and drift are made here, from outside the product; a sag's share of a millisecond is
the part of it that it covers. ``python -m`` also tells the corner: 6 deviations, 2 ms.
"""

from __future__ import annotations

import sys

import numpy as np

from pwmscope.findings.sensors import find_sags
from pwmscope.model import Voltage

NOISE_V = 0.01


def supply(count_ms, sags, rng, drift_v=0.02):
    """Means of milliseconds of a supply with noise, drift and (begin, length, depth) sags."""
    at = np.arange(count_ms)
    volts = 5.0 - drift_v * at / count_ms + NOISE_V * rng.standard_normal(count_ms)
    for begin, length, depth_v in sags:
        near = slice(max(int(begin) - 1, 0), int(begin + length) + 2)
        covers = np.minimum(at[near] + 1, begin + length) - np.maximum(at[near], begin)
        volts[near] -= depth_v * np.clip(covers, 0.0, 1.0)
    columns = (volts - 3 * NOISE_V, volts, volts + 3 * NOISE_V)
    return Voltage(0, 1e9, *(column.astype(np.float32) for column in columns))


def drawn(count, rng, deepest=60.0, longest_ms=200.0):
    """Sags deeper than 6 noise deviations and longer than 2 ms, and when the record ends."""
    sags, begin = [], 300.0
    for _ in range(count):
        length = float(np.exp(rng.uniform(np.log(2.0), np.log(longest_ms))))
        depth_v = NOISE_V * float(np.exp(rng.uniform(np.log(6.0), np.log(deepest))))
        sags.append((begin + rng.random(), length, depth_v))
        begin += length + rng.uniform(300.0, 900.0)
    return sags, int(begin) + 500


def missed(sags, found):
    """Count the sags that none of those found overlaps."""
    return sum(
        not np.any((found.begin_s * 1e3 < begin + length) & (found.end_s * 1e3 > begin))
        for begin, length, _ in sags
    )


def study(records=25, hours=2, seed=17):
    """Sags made and missed, those found too many, and the invented ones of silent hours."""
    rng = np.random.default_rng([seed, 0x5A6])
    made = lost = extra = 0
    for _ in range(records):
        sags, end = drawn(50, rng)
        found, _ = find_sags(supply(end, sags, rng))
        made += len(sags)
        lost += missed(sags, found)
        extra += max(len(found) - len(sags), 0)
    invented = sum(len(find_sags(supply(3_600_000, [], rng))[0]) for _ in range(hours))
    return made, lost, extra, invented


def main():
    made, lost, extra, invented = study(40, 10, 23)
    sys.stdout.write(f"{made} sags, {lost} missed, {extra} split; {invented} invented in 10 h\n")
    rng = np.random.default_rng(5)
    corner = [(300.0 + 100 * k + rng.random(), 2.0, 6 * NOISE_V) for k in range(1000)]
    found, _ = find_sags(supply(101_000, corner, rng))
    sys.stdout.write(f"of 1000 at 6 deviations and 2 ms: {missed(corner, found)} missed\n")


if __name__ == "__main__":
    main()
