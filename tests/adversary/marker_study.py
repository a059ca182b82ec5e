"""Does the measured delay of a light hold? Calibration recordings made edge by edge.

    python tests/adversary/marker_study.py 400 --seed 1

A generator that shares no code with the product or with `pwmscope.synth`. Packets leave the
transmitter at their own period, some are lost, and none after the signal is gone; the receiver
shows the newest one at its next frame. A thumb circles a stick at an uneven pace, or moves it
fore and aft. At the loss receivers hold, fall silent, jump to a preset at once or later, or go
there by a ramp. The power light goes out late, by a delay with a spread of its own, and the
sensor's comparator bounces.

Two things are held against the truth. The interval of the delay: against the delay behind the
outputs as this generator's own frames have it, without noise. The range kept for the sheet:
against the delay of single times off, drawn anew, behind the signal itself.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope import Capture, examine
from pwmscope.bench import Marker
from pwmscope.findings import measure_marker
from pwmscope.model import Line

Reals = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
PS: Final = 1e12
OFFS: Final = 10
ACTS: Final = ("holds", "stops", "preset at once", "preset later", "ramp")


@dataclass(frozen=True)
class Draft:
    """A calibration recording to make."""

    seed: int
    frame_s: float
    packet_s: float
    lost: float  # Share of packets
    air_s: float  # From a packet's leaving to the receiver having it
    act: str
    delay_s: float
    spread_s: float
    jitter_us: float
    rate_hz: float
    step_us: float
    both_axes: bool
    lines: int
    stops_first: bool = False  # The thumb stops before the switch


@dataclass(frozen=True)
class Made:
    """A recording and what is true of it."""

    capture: Capture
    gone_s: Reals  # When the signal was gone
    behind_s: float  # Mean delay of the light behind the outputs


@dataclass
class Tally:
    """What a study came to."""

    made: int = 0
    shown: int = 0
    held: int = 0
    singles: int = 0
    single_held: int = 0
    missed: list[tuple[int, str, float, float, float]] = field(default_factory=list)
    half_s: list[float] = field(default_factory=list)


def draft(seed: int) -> Draft:
    """Draw what to record."""
    rng = np.random.default_rng([20, 6, seed])
    frame_s = float(rng.choice([0.007, 0.009, 0.011, 0.014, 0.018, 0.02, 0.022]))
    packet_s = frame_s if rng.random() < 0.5 else float(rng.choice([0.004, 0.009, 0.0225, 0.03]))
    delay_s = float(np.exp(rng.uniform(np.log(0.02), np.log(1.6))))
    return Draft(
        seed, frame_s, packet_s,
        float(rng.choice([0.0, 0.0, 0.02, 0.08])),
        float(rng.uniform(0.001, 0.012)),
        str(rng.choice(ACTS, p=[0.3, 0.25, 0.2, 0.2, 0.05])),
        delay_s,
        min(float(rng.choice([0.0, 0.002, 0.01, 0.03, 0.06])), delay_s / 4.0),
        float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))),
        float(rng.choice([5e5, 1e6, 2e6, 1.2e7])),
        float(rng.choice([0.25, 1.0, 2.0])),
        bool(rng.random() < 0.85),
        int(rng.integers(2, 5)),
    )  # fmt: skip


def circle(rng: np.random.Generator, time_s: Reals, *, both: bool) -> tuple[Reals, Reals]:
    """Move a stick about its middle at an uneven pace; parts of its travel on two axes."""
    steps = np.arange(0.0, time_s[-1] + 1.0, 0.2)
    turns = np.cumsum(rng.uniform(0.6, 1.5, steps.size)) * 0.2 + rng.random()
    phase = 2.0 * np.pi * np.interp(time_s, steps, turns)
    wide = rng.uniform(0.45, 0.95)
    across = wide * np.cos(phase) if both else np.zeros(time_s.size)
    return across, wide * np.sin(phase)


def clocks(of: Draft, rng: np.random.Generator, until_s: float) -> tuple[Reals, Reals]:
    """When frames begin, and when the packets were sent that arrive while the link is there."""
    start_s = float(rng.uniform(0.0, of.frame_s))
    frames_s = np.arange(start_s, until_s, of.frame_s)
    packets_s = np.arange(float(rng.uniform(0.0, of.packet_s)), until_s, of.packet_s)
    if of.packet_s == of.frame_s:  # The receiver's frames keep step with the packets
        packets_s = frames_s - float(rng.uniform(0.0, of.frame_s)) - of.air_s
    return frames_s, packets_s[rng.random(packets_s.size) >= of.lost]


def newest_of(of: Draft, frames_s: Reals, packets_s: Reals) -> Places:
    """Which packet each frame shows."""
    return np.maximum(np.searchsorted(packets_s, frames_s - of.air_s, side="right") - 1, 0)


def behind(of: Draft, frames_s: Reals, packets_s: Reals) -> float:
    """Give the mean delay behind the outputs: behind the last fresh frame, less its mean age.

    Moments at which the signal might go are laid evenly over the recording.
    """
    newest = newest_of(of, frames_s, packets_s)
    new = np.flatnonzero(np.diff(newest) > 0) + 1
    fresh_s, shown = frames_s[new], newest[new]
    moments = np.linspace(frames_s[0] + 1.0, frames_s[-1] - 1.0, 40_000)
    last_sent = np.searchsorted(packets_s, moments, side="right") - 1
    # The last frame that is fresh shows the last packet sent, or the newest before it.
    place = np.searchsorted(shown, last_sent, side="left")
    place = np.minimum(place, fresh_s.size - 1)
    # Of the packets up to the last one, the frame that comes first after it shows it.
    last_fresh_s = fresh_s[place]
    over = shown[place] > last_sent
    arrives_s = packets_s[np.maximum(last_sent, 0)] + of.air_s
    first_frame = np.minimum(np.searchsorted(frames_s, arrives_s), frames_s.size - 1)
    last_fresh_s = np.where(over, frames_s[first_frame], last_fresh_s)
    age_s = moments - fresh_s[np.searchsorted(fresh_s, moments, side="right") - 1]
    return float(of.delay_s + np.mean(moments - last_fresh_s) - np.mean(age_s))


def record(of: Draft) -> Made:
    """Make the recording of a draft."""
    rng = np.random.default_rng([6, 20, of.seed])
    at, gone, back, marks = 0.0, [], [], []
    for _ in range(OFFS):
        at += float(rng.uniform(1.6, 2.4))
        gone.append(at)
        off = at + of.delay_s + of.spread_s * float(rng.normal())
        at = max(at, off) + float(rng.uniform(1.2, 1.8))
        on = at + float(rng.uniform(0.02, 0.1))
        marks += [off, off + 0.0007, off + 0.0011, on, on + 0.0004, on + 0.0009]
        at += float(rng.uniform(0.25, 0.9))
        back.append(at)
    end_s, gone_s, back_s = at + 2.5, np.array(gone), np.array(back)
    frames_s, packets_s = clocks(of, rng, end_s)
    begun = np.searchsorted(gone_s, packets_s, side="right")
    sent_s = packets_s[(begun == 0) | (packets_s >= back_s[np.maximum(begun - 1, 0)])]
    across, along = circle(rng, sent_s, both=of.both_axes)
    for one in gone_s if of.stops_first else ():
        slow = np.clip((one - 0.15 - sent_s) / 0.3, 0.0, 1.0)
        slow[(sent_s <= one - 0.45) | (sent_s > one)] = 1.0
        across, along = across * slow, along * slow
    newest = newest_of(of, frames_s, sent_s)
    since_s = frames_s - sent_s[newest]
    waits_s = 0.15 if of.act in {"preset later", "stops"} else 2.5 * of.packet_s + of.frame_s
    lost = (since_s > waits_s) & np.isin(newest, np.searchsorted(sent_s, gone_s) - 1)
    mixed = rng.random() < 0.5
    paths = [0.5 * (along + across), 0.5 * (along - across)] if mixed else [along, across]
    lines = {}
    for k in range(of.lines):
        path = paths[k] if k < 2 else np.zeros(sent_s.size)
        sent_us = np.round((1500.0 + 480.0 * path) / of.step_us) * of.step_us
        width_us = shown(of, sent_us[newest], since_s, lost)
        width_us = width_us + rng.normal(0.0, of.jitter_us, frames_s.size)
        rise_s = frames_s + 0.0004 + 2e-6 * k + rng.normal(0.0, 2e-7, frames_s.size)
        edges_s = np.stack([rise_s, rise_s + 1e-6 * width_us], axis=1)
        kept = ~lost if of.act == "stops" else np.ones(frames_s.size, bool)
        name = f"RX{k + 1}"
        lines[name] = Line(name, sampled(edges_s[kept].ravel(), of.rate_hz), 0)
    lines["light"] = Line("light", sampled(np.array(marks), of.rate_hz), 1)
    capture = Capture(lines, round(end_s * PS), PS / of.rate_hz, f"draft {of.seed}")
    return Made(capture, gone_s, behind(of, frames_s, packets_s))


def shown(of: Draft, width_us: Reals, since_s: Reals, lost: npt.NDArray[np.bool_]) -> Reals:
    """Give the widths that a receiver makes, so long after the packet that it has."""
    if of.act == "preset later":
        return np.where(lost & (since_s > 0.7), 1500.0, width_us)
    if of.act == "preset at once":
        return np.where(lost, 1500.0, width_us)
    if of.act == "ramp":
        part = np.clip((since_s - 0.1) / 0.6, 0.0, 1.0) * lost
        ramped: Reals = width_us + part * (1500.0 - width_us)
        return ramped
    return width_us


def sampled(time_s: Reals, rate_hz: float) -> npt.NDArray[np.int64]:
    """Take the first sample that shows each edge, in picoseconds."""
    every_ps = round(PS / rate_hz)
    ticks: npt.NDArray[np.int64] = np.ceil(time_s * rate_hz).astype(np.int64) * every_ps
    return ticks


def judge(of: Draft, tally: Tally) -> None:
    """Calibrate, and hold what is said against the truth."""
    made = record(of)
    marker = Marker("light", "high", "light", 5.0)
    found = measure_marker(examine(made.capture, off_line=marker), marker)
    tally.made += 1
    if not found.is_shown:
        return
    tally.shown += 1
    low_s, high_s = found.findings[0].interval or (np.nan, np.nan)
    good = bool(low_s <= made.behind_s <= high_s)
    tally.held += good
    tally.half_s.append((high_s - low_s) / 2.0)
    if not good:
        tally.missed.append((of.seed, of.act, low_s, made.behind_s, high_s))
    rng = np.random.default_rng([9, of.seed])
    if not found.keys:
        return
    single_s = of.delay_s + of.spread_s * rng.normal(size=20)
    inside = (single_s >= found.keys["late_least_s"]) & (single_s <= found.keys["late_s"])
    tally.singles += inside.size
    tally.single_held += int(np.count_nonzero(inside))


def study(drafts: list[Draft]) -> Tally:
    """Judge some calibrations."""
    tally = Tally()
    for of in drafts:
        judge(of, tally)
    return tally


def main() -> None:
    """Print what a study came to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--missed", action="store_true")
    asked = parser.parse_args()
    tally = study([draft(asked.seed * 100_000 + k) for k in range(asked.count)])
    print(f"{tally.shown} of {tally.made} calibrations told a delay")
    share = tally.held / max(tally.shown, 1)
    print(f"the interval holds the delay behind the outputs in {tally.held} of them, {share:.1%}")
    print(f"its half-width: median {1e3 * np.median(tally.half_s):.1f} ms")
    single = tally.single_held / max(tally.singles, 1)
    print(f"the sheet's range holds {single:.2%} of {tally.singles} single delays drawn anew")
    if asked.missed:
        for one in tally.missed:
            print(*one)


if __name__ == "__main__":
    main()
