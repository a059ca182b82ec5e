"""A rotor driven by the pulses of a recording: it speeds up with them, and friction slows it."""

from dataclasses import replace

import numpy as np
from loss_drill import Drill, sheet_of

from pwmscope.bench import BenchChannel
from pwmscope.capture import Capture, Line

PS = 10**12
STEP_S = 1e-3


def speeds(rise_s, width_us, end_s, *, rest_us=1000.0, per_us=0.1, up_s=0.25, friction=20.0):
    """Turns a second at each millisecond: up to the command in ``up_s``, down by friction."""
    time_s = np.arange(0.0, end_s, STEP_S)
    row = np.searchsorted(rise_s, time_s) - 1
    fresh = (row >= 0) & (time_s - rise_s[np.maximum(row, 0)] < 0.2)
    asked = np.where(fresh, np.maximum(width_us[np.maximum(row, 0)] - rest_us - 30.0, 0.0), 0.0)
    hz, now = np.zeros(time_s.size), 0.0
    for k, wanted in enumerate(asked * per_us):
        now += STEP_S * ((wanted - now) / up_s if wanted > now else -friction)
        now = max(now, 0.0)
        hz[k] = now
    return time_s, hz


def marks_line(name, time_s, hz, per_turn=2):
    """A line that is high for a millisecond at each mark."""
    turns = np.concatenate([[0.0], np.cumsum(hz) * STEP_S])
    count = int(turns[-1] * per_turn)
    grid_s = np.concatenate([time_s, [time_s[-1] + STEP_S]])
    passed = np.flatnonzero(np.diff(turns, prepend=-1.0) > 0)
    at_s = np.interp((np.arange(count) + 0.5) / per_turn, turns[passed], grid_s[passed])
    high_s = np.minimum(1e-3, 0.4 * np.diff(at_s, append=at_s[-1:] + 1.0))
    edges_s = np.stack([at_s, at_s + high_s], axis=1).ravel()
    return Line(name, np.ceil(edges_s * 1e6).astype(np.int64) * 10**6, 0)


def sensor(line="D6", of="RX3", **changes):
    turns = BenchChannel(
        line, "rotation", "", 1000.0, None, 2000.0, None, None, None, None, of=of,
        marks_per_turn=2, slow_per_minute=120.0,
    )  # fmt: skip
    return replace(turns, **changes)


def sheet_with(*sensors, weapon_s=6.0, drive_s=2.0):
    sheet = sheet_of()
    channels = {**sheet.channels, **{each.line: each for each in sensors}}
    return replace(sheet, channels=channels, weapon_motion_s=weapon_s, drive_motion_s=drive_s)


def watched(drill=None, line="D6", of="RX3", per_turn=2, change=None, **rotor):
    """A drill's recording with a sensor on one of its devices."""
    drill = Drill(lengths_s=(8.0,), losses=3) if drill is None else drill
    capture = drill.capture()
    time_s, hz = speeds(*drill.pulses(of), drill.end_s, **rotor)
    hz = hz if change is None else change(time_s, hz)
    lines = {**capture.lines, line: marks_line(line, time_s, hz, per_turn)}
    return Capture(lines, capture.duration_ps, capture.sample_interval_ps, capture.source)


def truly_slow_s(drill, hz, time_s, slow_hz=2.0):
    """Seconds from each loss until the rotor was slower than stated for good."""
    told = []
    for off_s, on_s, _ in drill.spans:
        own = (time_s >= off_s) & (time_s < on_s)
        fast = np.flatnonzero(own & (hz >= slow_hz))
        told.append(float(time_s[fast[-1]] + STEP_S - off_s))
    return told
