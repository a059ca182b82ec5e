"""How often delay and transfer of simulated devices are found right; prints a table.

.venv/bin/python tests/benchmarks/lag_devices.py [DEVICES]

Each device is drawn at random: in step with its input (none to three frames late) or on a
frame clock of its own, straight or reversed, with or without a deadband, clipped ends and
steps, with up to 3 us RMS of jitter, sampled at 1, 4 or 24 MS/s for 7 to 30 s.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.lag import Lag, examine_lag
from pwmscope.findings.lag.delay import Trigger
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

FloatArray = npt.NDArray[np.float64]
DEVICES = 200


@dataclass(frozen=True, slots=True)
class Device:
    """What was drawn, and what must be found."""

    gain: float
    dead_us: float
    clip: bool
    step_us: float
    own_clock: bool
    start_us: FloatArray
    width_us: FloatArray
    carried: npt.NDArray[np.int64]


def record(line: str, rise_us: FloatArray, width_us: FloatArray, interval_us: float) -> Record:
    """Sample a line: an edge shows in the first sample at or after it."""
    fall_us = np.ceil((rise_us + width_us) / interval_us) * interval_us
    rise_us = np.ceil(rise_us / interval_us) * interval_us
    table = PulseTable(
        line,
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


def draw_hand(rng: np.random.Generator, frames: int, period_s: float) -> FloatArray:
    """Draw a stick that goes to both ends and back to rest, at unlike paces."""
    at_s, at_us, now_s = [0.0], [1500.0], 0.0
    while now_s < frames * period_s:
        for place_us in (rng.uniform(1020, 1450), rng.uniform(1550, 1980), 1500.0):
            travel_s, hold_s = rng.uniform(0.15, 0.9), rng.uniform(0.3, 0.8)
            at_s += [now_s + travel_s, now_s + travel_s + hold_s]
            at_us += [place_us, place_us]
            now_s += travel_s + hold_s
    return np.interp(period_s * np.arange(frames), at_s, at_us)


def draw_device(rng: np.random.Generator, rise_us: FloatArray, width_us: FloatArray) -> Device:
    """Draw a device and run it."""
    gain = float(rng.uniform(0.4, 2.0) * rng.choice([-1, 1]))
    dead_us, step_us = float(rng.choice([0, 0, 16, 50])), float(rng.choice([0, 0, 1, 4, 8]))
    clip, own_clock = bool(rng.random() < 1 / 3), bool(rng.random() < 0.4)
    offset_us, noise_us = float(rng.uniform(-40, 40)), float(rng.choice([0, 0.3, 1, 3]))
    period_us = float(np.median(np.diff(rise_us)))
    if own_clock:
        ratio = float(rng.choice([1.00002, 1.003, 1.01, 0.7, 0.5003, 1.6]))
        start_us = np.arange(rise_us[0] + 27_000.0, rise_us[-1], max(ratio * period_us, 5_000.0))
        known_us = start_us - float(rng.uniform(0, 2000))
        carried = np.searchsorted(rise_us + width_us, known_us, side="right") - 1
    else:
        late = int(rng.integers(0, 4))
        carried = np.arange(rise_us.size - late)
        start_us = (rise_us + width_us)[late:] + float(rng.uniform(20, 3000))
        start_us = start_us + rng.normal(0, float(rng.choice([0, 1, 20])), start_us.size)
    off_us = width_us[carried] - 1500.0
    off_us = gain * np.sign(off_us) * np.maximum(np.abs(off_us) - dead_us / 2.0, 0.0)
    if clip:
        off_us = np.clip(off_us, -250.0 * abs(gain), 280.0 * abs(gain))
    made_us = 1500.0 + offset_us + off_us
    if step_us:
        made_us = np.round(made_us / step_us) * step_us
    made_us = made_us + rng.normal(0, noise_us, made_us.size)
    kept = (made_us > 760.0) & (made_us < 2240.0)
    return Device(
        gain, dead_us, clip, step_us, own_clock, start_us[kept], made_us[kept], carried[kept]
    )


def judge(
    device: Device, rise_us: FloatArray, lag: Lag, interval_us: float, told: Counter[str]
) -> None:
    """Count what was found right."""
    told["devices"] += 1
    if not lag.by_content or lag.pairs is None or lag.delay is None or lag.transfer is None:
        told["delay not shown"] += 1
        return
    found = np.full(device.start_us.size, -1)
    found[lag.pairs.output] = lag.pairs.source
    wrong = int(np.count_nonzero(found != device.carried))
    told["pulses"] += device.start_us.size
    told["pulses said to be in doubt"] += lag.pairs.in_doubt
    told["pulses paired wrong"] += wrong
    right = "all pulses but those in doubt paired right"
    told[right if wrong <= lag.pairs.in_doubt else "more paired wrong than in doubt"] += 1
    if not wrong and lag.delay.late_us.size == device.start_us.size:
        off_us = lag.delay.late_us - (device.start_us - rise_us[device.carried])
        told["delay compared"] += 1
        told["delay within one sample"] += bool(np.abs(off_us).max() <= interval_us * 1.0001)
    told["clock right"] += (lag.delay.trigger is Trigger.OWN_CLOCK) is device.own_clock
    curve = lag.transfer.curve
    told["gain within 2 u"] += abs(curve.gain.value - device.gain) <= 2 * curve.gain.uncertainty
    told["gain within 3 u"] += abs(curve.gain.value - device.gain) <= 3 * curve.gain.uncertainty
    for name, there, seen in (
        ("deadband", device.dead_us > 0, curve.dead_us is not None),
        ("lower clip", device.clip, curve.low_us is not None),
        ("upper clip", device.clip, curve.high_us is not None),
        ("step", device.step_us > 0, lag.transfer.step_us is not None),
    ):
        told[f"{name}: there"] += there
        told[f"{name}: found"] += there and seen
        told[f"{name}: found where none is"] += seen and not there


def main() -> None:
    """Draw devices, examine them, print the counts."""
    devices = int(sys.argv[1]) if len(sys.argv) > 1 else DEVICES
    told: Counter[str] = Counter()
    for seed in range(devices):
        rng = np.random.default_rng(seed)
        frames, period_us = (
            int(rng.integers(600, 1400)),
            float(rng.choice([11e3, 14e3, 20e3, 22e3])),
        )
        interval_us = float(rng.choice([1.0, 0.25, 1 / 24]))
        width_us = draw_hand(rng, frames, period_us / 1e6)
        width_us = width_us + rng.normal(0, float(rng.choice([0, 0.3, 1])), frames)
        rise_us = 3e3 + period_us * np.arange(frames) + rng.normal(0, 2.0, frames)
        device = draw_device(rng, rise_us, width_us)
        lag = examine_lag(
            record("in", rise_us, width_us, interval_us),
            record("out", device.start_us, device.width_us, interval_us),
        )
        judge(device, rise_us, lag, interval_us, told)
    for name, count in told.items():
        print(f"{count:>8}  {name}")


if __name__ == "__main__":
    main()
