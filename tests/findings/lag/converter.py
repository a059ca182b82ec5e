"""Converters with known truth: an input line, and the output line that is made from it."""

import numpy as np

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

INTERVAL_US = 1 / 24


def record(name, rise_us, width_us, interval_us=INTERVAL_US):
    """The line as an analyser has it: an edge shows in the first sample at or after it."""
    order = np.argsort(rise_us)
    rise_us, width_us = np.asarray(rise_us)[order], np.asarray(width_us)[order]
    fall_us = np.ceil((rise_us + width_us) / interval_us) * interval_us
    rise_us = np.ceil(rise_us / interval_us) * interval_us
    table = PulseTable(
        name,
        rise_us / 1e6,
        fall_us - rise_us,
        np.append(np.diff(rise_us), np.nan),
        np.zeros(rise_us.size, np.uint8),
        inverted=False,
        convention=STANDARD_SERVO,
        sample_interval_us=interval_us,
    )
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)


def hand(frames, seed=1, period_s=0.02):
    """A stick that rests, goes to both ends in unlike times, and rests again; in microseconds."""
    rng = np.random.default_rng(seed)
    at_s, at_us, now_s = [0.0], [1500.0], 0.0
    while now_s < frames * period_s:
        for place_us in (rng.uniform(1020, 1450), rng.uniform(1550, 1980), 1500.0):
            travel_s, hold_s = rng.uniform(0.15, 0.9), rng.uniform(0.3, 0.8)
            at_s += [now_s + travel_s, now_s + travel_s + hold_s]
            at_us += [place_us, place_us]
            now_s += travel_s + hold_s
    return np.interp(period_s * np.arange(frames), at_s, at_us)


def source(frames=700, width_us=None, *, period_us=20_000.0, jitter_us=2.0, noise_us=0.5, seed=1):
    rng = np.random.default_rng(seed)
    rise_us = 3_000.0 + period_us * np.arange(frames) + rng.normal(0, jitter_us, frames)
    width_us = hand(frames, seed, period_us / 1e6) if width_us is None else width_us
    return rise_us, width_us + rng.normal(0, noise_us, frames)


def in_step(rise_us, width_us, *, after_us=300.0, frames_late=0, jitter_us=0.0, noise_us=0.3,
            curve=lambda x_us: x_us, seed=2):  # fmt: skip
    """Each output pulse a fixed time after an input pulse ends, with the width of an older one."""
    rng = np.random.default_rng(seed)
    n = rise_us.size - frames_late
    start_us = (rise_us + width_us)[frames_late:] + after_us + rng.normal(0, jitter_us, n)
    made_us = curve(width_us[:n]) + rng.normal(0, noise_us, n)
    return start_us, made_us


def own_clock(rise_us, width_us, *, period_us=20_011.0, latch_us=400.0, noise_us=0.3,
              curve=lambda x_us: x_us, seed=3):  # fmt: skip
    """Output pulses on a clock of their own, each with the newest width known by then."""
    rng = np.random.default_rng(seed)
    start_us = np.arange(rise_us[0] + 27_000.0, rise_us[-1], period_us)
    at = np.searchsorted(rise_us + width_us, start_us - latch_us, side="right") - 1
    made_us = curve(width_us[at]) + rng.normal(0, noise_us, start_us.size)
    return start_us, made_us, at
