"""Does a link's freshness hold? Receivers that repeat old widths, judged frame by frame.

    python tests/adversary/freshness_study.py 400 --seed 1

A generator at edge level that shares no code with the product or with `pwmscope.synth`. Hands
move by the minimum-jerk law (T. Flash and N. Hogan, J. Neuroscience 5, 1985; from memory),
rest, creep and let the stick spring back; some sticks have 256 steps only; packets are lost one
by one or in bursts (E. N. Gilbert's channel, Bell System Technical Journal 39, 1960; from
memory). A lost packet makes every output of the receiver repeat its width in that frame.

A freeze is asked for where it lasts three frames or more while the stick moved all the time, one
way, from 60 ms before to 60 ms after: by fourteen deviations of the width's noise and three
steps in all, and never by less than a third of that pace.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope import Capture, examine
from pwmscope.model import Line

Reals = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

PS: Final = 1_000_000
"""Picoseconds in a microsecond."""
MIN_FREEZE: Final = 3
BESIDE_US: Final = 60_000.0
NOISES: Final = 14.0
STEPS: Final = 3.0
COARSE: Final = 256


@dataclass(frozen=True)
class Draft:
    """A recording to make, and what is true of it."""

    seed: int
    kind: str  # "moving", "still" or "coarse": which sticks it has
    loss: float  # Share of packets lost in the long run
    burst: float  # Mean length of a burst of losses, in packets
    period_us: float
    jitter_us: float
    rate_mhz: float
    steps: int
    seconds: float
    lines: int


@dataclass(frozen=True)
class Truth:
    """What one line did, frame by frame."""

    path_us: Reals  # Where the stick was at each frame
    noise_us: float  # Deviation of one width: jitter and sampling
    step_us: float


@dataclass
class Tally:
    """What a study came to."""

    asked: int = 0
    found: int = 0
    still_lines: int = 0  # Clean lines, still or coarse
    invented: int = 0  # Of those with a freeze or a share below one
    moving_lines: int = 0  # Clean lines that move
    invented_moving: int = 0
    false: int = 0  # Freezes of lossy lines where no packet was lost
    claimed: int = 0
    shares: list[bool] = field(default_factory=list)  # Whether each interval holds the truth
    rates: list[bool] = field(default_factory=list)
    told: int = 0
    lines: int = 0
    missed: list[tuple[int, str, int]] = field(default_factory=list)


def draft(seed: int) -> Draft:
    """Draw what to record."""
    rng = np.random.default_rng([7105, seed])
    kind = ("moving", "moving", "still", "coarse")[seed % 4]
    loss = 0.0 if kind != "moving" else float(rng.choice([0.0, 0.01, 0.03, 0.08, 0.22, 0.3]))
    return Draft(
        seed,
        kind,
        loss,
        float(rng.choice([1.0, 1.0, 3.0, 8.0])),
        float(rng.uniform(5_000, 30_000)),
        float(np.exp(rng.uniform(np.log(0.05), np.log(4.0)))),
        float(rng.choice([1.0, 2.0, 4.0, 12.0, 24.0])),
        COARSE if kind == "coarse" else int(rng.choice([COARSE, 1024, 4096])),
        float(rng.uniform(20.0, 60.0)),
        int(rng.integers(2, 5)),
    )


def lost_packets(of: Draft, frames: int) -> npt.NDArray[np.bool_]:
    """Draw which packets are lost: a chain of two states with the share and the burst asked."""
    lost = np.zeros(frames, bool)
    if of.loss <= 0.0:
        return lost
    rng = np.random.default_rng([11, of.seed])
    # Independent losses are the chain in which the state before does not count.
    closes = 1.0 - of.loss if of.burst == 1.0 else 1.0 / of.burst
    opens = closes * of.loss / (1.0 - of.loss)
    draws = rng.random(frames)
    state = False
    for k in range(1, frames):
        state = bool(draws[k] < (1.0 - closes if state else opens))
        lost[k] = state
    return lost


def onset(of: Draft) -> float:
    """Chance that a freeze begins at a frame."""
    if of.burst == 1.0:
        return of.loss * (1.0 - of.loss)
    return of.loss / of.burst


def hand(rng: np.random.Generator, time_s: Reals, kind: str) -> Reals:
    """Walk a stick from place to place; microseconds at each instant."""
    place = float(rng.choice([1500.0, 1500.0, 1000.0]))
    path = np.full(time_s.size, place)
    at = float(rng.uniform(0.3, 1.2))
    if kind == "still":
        drift = rng.uniform(-0.2, 0.2) if rng.random() < 0.5 else 0.0
        return path + drift * time_s
    busy = kind == "moving" and rng.random() < 0.8
    while at < time_s[-1]:
        manner = rng.random()
        target = float(rng.uniform(1010, 1990))
        lasts = float(rng.uniform(0.25, 1.0) if busy else rng.uniform(0.4, 4.0))
        if manner < 0.1:  # let go: a damped spring
            target, since = 1500.0, np.maximum(time_s - at, 0.0)
            pace = float(rng.uniform(60.0, 160.0))
            way = 1.0 - np.exp(-pace * since) * (1.0 + pace * since)
            lasts = 0.15
        elif manner < 0.2:  # creeps, by hardly more than a step
            target = float(np.clip(place + rng.uniform(-25, 25), 1005, 1995))
            part = np.clip((time_s - at) / lasts, 0.0, 1.0)
            way = part
        else:
            part = np.clip((time_s - at) / lasts, 0.0, 1.0)
            way = part**3 * (10.0 - 15.0 * part + 6.0 * part**2)
        moving = time_s >= at
        path[moving] = place + (target - place) * way[moving]
        place = target
        rests = rng.uniform(0.0, 0.3) if busy and rng.random() < 0.7 else rng.uniform(0.2, 1.5)
        at += lasts + float(rests)
    return path


def sampled(time_us: Reals, rate_mhz: float) -> Places:
    """Take the first sample that shows each edge, in picoseconds."""
    every_ps = round(PS / rate_mhz)
    ticks = np.ceil(time_us * PS / every_ps).astype(np.int64)
    return ticks * every_ps


def record(of: Draft) -> tuple[Capture, dict[str, Truth], npt.NDArray[np.bool_]]:
    """Make the recording of a draft, what each line did, and which packets were lost."""
    rng = np.random.default_rng([3, of.seed])
    frames = int(of.seconds * 1e6 / of.period_us)
    start_us = 3_000.0 + of.period_us * np.arange(frames) + rng.normal(0.0, 0.3, frames)
    lost = lost_packets(of, frames)
    source = np.maximum.accumulate(np.where(lost, 0, np.arange(frames)))
    step_us = 1000.0 / of.steps
    shape = int(rng.integers(3))
    lines, truths = {}, {}
    for k in range(of.lines):
        name = f"RX{k + 1}"
        path_us = hand(rng, start_us / 1e6, of.kind)
        code_us = np.round(path_us / step_us) * step_us
        if shape == 0:
            off_us = rng.normal(0.0, of.jitter_us, frames)
        elif shape == 1:
            off_us = rng.uniform(-1.7, 1.7, frames) * of.jitter_us
        else:
            off_us = rng.choice([-1.0, 1.0], frames) * of.jitter_us
        rise_us = start_us + 2.0 * k
        edges = np.stack([rise_us, rise_us + code_us[source] + off_us], axis=1).ravel()
        lines[name] = Line(name, sampled(edges, of.rate_mhz), 0)
        noise_us = float(np.hypot(of.jitter_us, 0.41 / of.rate_mhz))
        truths[name] = Truth(path_us, noise_us, step_us)
    end_ps = int((start_us[-1] + of.period_us) * PS)
    return Capture(lines, end_ps, PS / of.rate_mhz, f"draft {of.seed}"), truths, lost


def runs(lost: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First frame and length of each run of lost packets."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], lost, [False]]).astype(int)))
    return [(int(a), int(b - a)) for a, b in edge.reshape(-1, 2)]


def is_asked(of: Draft, truth: Truth, first: int, length: int) -> bool:
    """Say whether a freeze was one that must be found."""
    beside = int(np.ceil(BESIDE_US / of.period_us))
    begin, end = first - 1 - beside, first + length + beside + 1
    if length < MIN_FREEZE or begin < 0 or end > truth.path_us.size:
        return False
    moved = np.diff(truth.path_us[begin:end])
    over = abs(float(truth.path_us[first + length] - truth.path_us[first - 1]))
    if over < NOISES * truth.noise_us + STEPS * truth.step_us:
        return False
    pace = over / (length + 1)
    return bool(np.all(np.sign(moved) == np.sign(moved[0])) and np.all(np.abs(moved) > pace / 3))


def judge(of: Draft, tally: Tally) -> None:
    """Examine a recording and hold what is said against the truth."""
    capture, truths, lost = record(of)
    findings = examine(capture)
    gone = runs(lost)
    for name, truth in truths.items():
        answer = findings[name].freshness
        assert answer is not None, (of, name)
        tally.lines += 1
        tally.told += answer.share is not None
        first = np.rint((answer.renewals.start_s * 1e6 - 3_000) / of.period_us).astype(int)
        last = np.rint((answer.renewals.end_s * 1e6 - 3_000) / of.period_us).astype(int)
        if not of.loss:
            wrong = first.size > 0 or (answer.share is not None and answer.share < 1.0)
            tally.moving_lines += of.kind == "moving"
            tally.invented_moving += wrong and of.kind == "moving"
            tally.still_lines += of.kind != "moving"
            tally.invented += wrong and of.kind != "moving"
            if wrong:
                tally.missed.append((of.seed, f"{name} invented", int(first.sum())))
            continue
        tally.claimed += first.size
        tally.false += sum(not lost[a:b].any() for a, b in zip(first, last, strict=True))
        for begin, length in gone:
            if not is_asked(of, truth, begin, length):
                continue
            tally.asked += 1
            overlap = np.minimum(last, begin + length) - np.maximum(first, begin)
            good = bool(np.any(overlap >= length / 2))
            tally.found += good
            if not good:
                tally.missed.append((of.seed, name, begin))
        if answer.share is None:
            continue
        for held, (low, high), true in (
            (tally.shares, answer.findings[0].interval, 100.0 * (1.0 - of.loss)),
            (tally.rates, answer.findings[1].interval, 60e6 * onset(of) / of.period_us),
        ):
            held.append(low <= true <= high)


def study(drafts: Iterator[Draft] | list[Draft]) -> Tally:
    """Judge some recordings."""
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
    print(f"{tally.lines} lines, told on {tally.told}")
    print(f"freezes of 3 frames or more: {tally.found} of {tally.asked} found")
    print(f"still or coarse lines with an invented freeze: {tally.invented} of {tally.still_lines}")
    print(f"moving clean lines with one: {tally.invented_moving} of {tally.moving_lines}")
    print(f"freezes that were none: {tally.false} of {tally.claimed}")
    for name, held in (("share of fresh frames", tally.shares), ("rate of freezes", tally.rates)):
        if held:
            print(f"{name}: {sum(held)} of {len(held)} intervals hold it ({np.mean(held):.1%})")
    if asked.missed:
        for one in tally.missed:
            print(*one)


if __name__ == "__main__":
    main()
