"""Mishaps, and markers that lie, in the random recordings of `loss_scripts`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_S, Capture, Line
from pwmscope.synth import Loss

FloatArray = npt.NDArray[np.float64]


def strike(
    rng: np.random.Generator, mishap: str, losses: list[Loss], lines: list[str]
) -> tuple[int | None, dict[str, tuple[float, float]]]:
    """Say which loss a mishap falls on (None for all) and which pulses it takes, by line."""
    k = int(rng.integers(len(losses)))
    off_s = losses[k].off_s
    back_s = losses[k].follows_s if np.isfinite(losses[k].follows_s) else off_s + 5.0
    if mishap == "supply fails":
        begin_s = off_s - rng.uniform(0.2, 2.0)
        return None, {name: (begin_s, begin_s + rng.uniform(0.3, 1.5)) for name in lines}
    if mishap == "plug pulled":
        begin_s = off_s + rng.uniform(0.35, 1.8)
        return k, dict.fromkeys(lines, (begin_s, back_s + rng.uniform(0.0, 0.5)))
    if mishap == "restart while off":
        begin_s = off_s + rng.uniform(0.1, 1.8)
        return k, {name: (begin_s, begin_s + rng.uniform(0.05, 1.0)) for name in lines}
    if mishap == "probe falls off":
        begin_s = off_s + rng.uniform(0.0, 1.8)
        end_s = np.inf if rng.random() < 0.5 else begin_s + rng.uniform(0.5, 3.0)
        return k, {lines[rng.integers(len(lines))]: (begin_s, end_s)}
    return k, {}


def without_pulses(
    capture: Capture, spans: dict[str, tuple[float, float]], inverted: dict[str, bool]
) -> Capture:
    """Take the pulses that begin in a span off each line."""
    lines = dict(capture.lines)
    for name, (begin_s, end_s) in spans.items():
        line = lines[name]
        edges_ps = line.edges_ps
        rise = line.initial_level ^ int(inverted[name])
        pairs = edges_ps[rise : rise + (edges_ps.size - rise) // 2 * 2].reshape(-1, 2)
        taken = (pairs[:, 0] >= begin_s * PS_PER_S) & (pairs[:, 0] < end_s * PS_PER_S)
        keep = np.ones(edges_ps.size, dtype=bool)
        keep[rise : rise + pairs.size] = np.repeat(~taken, 2)
        lines[name] = Line(name, edges_ps[keep], line.initial_level)
    return replace(capture, lines=lines)


def marked(
    rng: np.random.Generator, capture: Capture, losses: list[Loss], mark: str
) -> tuple[Capture, str | None, tuple[tuple[float, float], ...], FloatArray]:
    """Let the marker bounce, come early, or be left out for stated times.

    Returns the capture, the marker line, the stated times, and the moment told for each loss.
    """
    lines = dict(capture.lines)
    marker = lines.pop("tx-on")
    edges_s = marker.edges_ps / PS_PER_S
    off_s = np.array([loss.off_s for loss in losses])
    if mark == "goes off late":  # the switch is off, the transmitter sends on for a while
        edges_s[0::2] -= rng.uniform(0.2, 1.5, edges_s[0::2].size)
    if mark in {"marked", "goes off late"}:
        bounces = [t + np.array([0.0, 0.001, 0.0023]) if rng.random() < 0.5 else np.array([t])
                   for t in edges_s if t < capture.duration_s - 0.01]  # fmt: skip
        edges_ps = (np.concatenate(bounces) * PS_PER_S).astype(np.int64)
        lines["tx-on"] = Line("tx-on", edges_ps, marker.initial_level)
        return replace(capture, lines=lines), "tx-on", (), edges_s[0::2]
    capture = replace(capture, lines=lines)
    if mark == "none":
        return capture, None, (), off_s
    within_s = float(rng.choice([0.01, 0.05, 0.2]))
    wrong_s = float(rng.choice([-1.5, -0.6, 0.6, 1.5])) if mark == "stated wrongly" else 0.0
    told_s = off_s + wrong_s + rng.uniform(-within_s, within_s, off_s.size)
    inside = tuple((float(t), within_s) for t in told_s if 0 < t < capture.duration_s)
    return capture, None, inside, told_s - within_s
