"""Freezes of a second maker: other hands, frames, steps and jitter than `freshness_study`.

    python tests/adversary/freshness_afresh.py 200 --seed 1

Written from the issue's words at edge level; it shares no code with the product, with
`pwmscope.synth` or with the first study. Sticks stir, sweep, wander, spring, click over notches,
creep, tremble and rest; steps of 1 to 8 us, jitter of 0 to 3 us, white, stepped or 1/f. Outages
of 3 to 40 frames come beside single losses, on all lines of a link or on each line by itself, and
some links send their lines by turns.

A freeze is asked for where it lasts three renewals or more (frames, unless the link sends its
lines by turns), the stick moves one way from 60 ms before to 60 ms after, never by less than a
third of its pace over the freeze, and two things hold of that pace: three equal frames are not
ordinary (half a step and one deviation of the noise in each renewal), and the jump at the end,
less one renewal's way, is over two steps and eight deviations. The other freezes are counted too,
beside what the best detector finds that knows the hand: it sees the widths that came and those
that a fresh link had sent, and is wrong once in ten thousand times.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import signal, stats

from pwmscope import Capture, examine
from pwmscope.findings.freshness import Freshness
from pwmscope.model import Line

Reals = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

HANDS: Final = ("stir", "sweep", "wander", "spring", "gated", "flick")
QUIET: Final = ("notch", "creep", "tremor", "still")
LENGTHS: Final = (3, 4, 5, 10, 20)
SPEEDS: Final = (0.0, 0.5, 1.0, 1.5, 2.0, 4.0)
MIN_FREEZE: Final = 3


@dataclass(frozen=True)
class Link:
    """How one recording was drawn."""

    seed: int
    period_ms: float
    step_us: float
    jitter_us: float
    shape: str
    rate_mhz: float
    shares: str  # "all", "each" or "turns"
    gap: float  # Mean number of frames between outages; 0: a link without loss
    single: float  # Chance that a frame is lost by itself
    seconds: float
    hands: tuple[str, ...]


def drawn(seed: int) -> Link:
    """Draw a recording."""
    rng = np.random.default_rng([20, seed])
    quiet, clean = rng.random() < 0.35, rng.random() < 0.4
    lines = int(rng.integers(1, 4))
    return Link(
        seed,
        float(rng.choice([11.0, 14.0, 20.0, 22.0])),
        float(rng.choice([1.0, 2.0, 4.0, 8.0])),
        float(rng.choice([0.0, rng.uniform(0.0, 3.0)])),
        str(rng.choice(["white", "stepped", "1/f"])),
        float(rng.choice([1.0, 2.0, 4.0, 8.0, 24.0])),
        str(rng.choice(["all", "each", "turns"], p=[0.5, 0.3, 0.2])),
        0.0 if clean else float(rng.uniform(40.0, 200.0)),
        0.0 if clean else float(rng.choice([0.0, 0.02, 0.1, 0.22])),
        float(rng.uniform(25.0, 50.0)),
        tuple(str(rng.choice(QUIET if quiet else HANDS)) for _ in range(lines)),
    )


def smooth(path: Reals, frames: float) -> Reals:
    """Take the corners off a path."""
    width = max(1, round(frames))
    padded = np.pad(path, (width, width), mode="edge")
    return np.convolve(padded, np.full(width, 1.0 / width), "same")[width:-width]


def targets(rng: np.random.Generator, t: Reals, low_s: float, high_s: float) -> Reals:
    """Give places to go to, each kept for a while."""
    times = np.cumsum(rng.uniform(low_s, high_s, int(t[-1] / low_s) + 2))
    return rng.uniform(-420.0, 420.0, times.size + 1)[np.searchsorted(times, t)]


def hand(rng: np.random.Generator, t: Reals, kind: str) -> Reals:
    """Move a stick; what it does at the times `t` (seconds), in microseconds of width."""
    every_s = t[1] - t[0]
    path = np.zeros(t.size)
    if kind == "stir":
        for hz, share in zip(rng.uniform(0.05, 0.7, 3), rng.dirichlet([2, 1, 1]), strict=True):
            path += rng.uniform(150.0, 420.0) * share * np.sin(6.283 * (hz * t + rng.random()))
    elif kind == "sweep":
        turn_s, over = rng.uniform(1.5, 10.0), rng.uniform(1.0, 1.3)
        wave = signal.sawtooth(6.283 * (t / turn_s + rng.random()), 0.5)
        path = smooth(rng.uniform(100.0, 480.0) * np.clip(over * wave, -1.0, 1.0), 0.08 / every_s)
    elif kind in ("wander", "gated"):
        pole = np.exp(-every_s / rng.uniform(0.06, 0.4))  # Four times: the jerk stays finite
        noise = signal.lfilter([1.0], np.poly([pole] * 4), rng.normal(size=t.size))
        path = rng.uniform(60.0, 220.0) * noise / np.std(noise)
        if kind == "gated":  # Moves for some seconds, then rests where it is
            moves = smooth((targets(rng, t, 1.0, 4.0) > -80.0).astype(float), 0.15 / every_s)
            path = np.cumsum(np.diff(path, prepend=path[0]) * moves)
    elif kind == "spring":
        rate, damping = rng.uniform(8.0, 45.0), rng.uniform(0.5, 1.2)
        fine = np.arange(0.0, t[-1] + 0.001, 0.001)
        goal = targets(rng, fine, 0.3, 2.5) * (rng.random() < 0.7) + 0.0
        goal = np.where(targets(rng, fine, 0.3, 2.5) > 0, goal, 0.0)
        system = signal.cont2discrete(
            ([rate**2], [1.0, 2 * damping * rate, rate**2]), 0.001, method="zoh"
        )
        path = np.interp(t, fine, signal.lfilter(system[0].ravel(), system[1], goal))
    elif kind == "flick":
        path = smooth(targets(rng, t, 0.3, 3.0), rng.uniform(0.06, 0.2) / every_s)
        path = smooth(path, rng.uniform(0.03, 0.1) / every_s)
    elif kind == "notch":  # A throttle on a ratchet, clicked up and down
        notch = rng.uniform(10.0, 45.0)
        slow = rng.uniform(100.0, 400.0) * np.sin(6.283 * t * rng.uniform(0.02, 0.2))
        path = smooth(notch * np.round(slow / notch), rng.uniform(0.5, 2.0))
    elif kind == "creep":
        path = rng.uniform(0.5, 15.0) * (t - t[-1] / 2) * rng.choice([-1.0, 1.0])
    elif kind == "tremor":
        noise = np.cumsum(rng.normal(0.0, 0.8, t.size))
        path = rng.uniform(1.0, 6.0) * np.sin(6.283 * rng.uniform(7.0, 12.0) * t + 0.3 * noise)
    end = rng.uniform(380.0, 520.0)
    return 1500.0 + np.asarray(np.clip(path + rng.uniform(-40.0, 40.0), -end, end))


def jitter(rng: np.random.Generator, of: Link, count: int) -> Reals:
    """Draw the width's jitter, in microseconds."""
    if of.shape == "white":
        return rng.normal(0.0, of.jitter_us, count)
    if of.shape == "stepped":  # The ticks of a timer
        return of.jitter_us * np.rint(rng.normal(0.0, 0.9, count))
    falls = np.sqrt(np.maximum(1, np.arange(count // 2 + 1)))
    noise = np.fft.irfft(np.fft.rfft(rng.normal(size=count)) / falls, count)
    return np.asarray(of.jitter_us * noise / np.std(noise))


def outages(rng: np.random.Generator, of: Link, frames: int) -> Flags:
    """Draw which packets do not come."""
    lost = rng.random(frames) < of.single
    at = 0
    while of.gap:
        at += 5 + int(rng.geometric(1.0 / of.gap))
        if at >= frames:
            break
        length = int(np.exp(rng.uniform(np.log(3.0), np.log(41.0))))
        lost[at : at + length] = True
        lost[at + length : at + length + 1] = False
        at += length
    return lost


@dataclass(frozen=True)
class Told:
    """What one line truly did."""

    path_us: Reals
    code_us: Reals  # What a fresh link had sent
    source: Places  # The packet whose width each frame has
    noise_us: float


def recorded(of: Link) -> tuple[Capture, dict[str, Told]]:
    """Make the recording of a link and the truth of its lines."""
    rng = np.random.default_rng([21, of.seed])
    frames = int(of.seconds * 1e3 / of.period_ms) // 2 * 2
    start_us = 4_000.0 + 1e3 * of.period_ms * np.arange(frames) + rng.normal(0.0, 0.5, frames)
    every_ps = round(1e6 / of.rate_mhz)
    lost = outages(rng, of, frames)
    lines, told = {}, {}
    for k, kind in enumerate(of.hands):
        own = outages(rng, of, frames) if of.shares == "each" else lost
        gone = own | (np.arange(frames) % 2 != k % 2) if of.shares == "turns" else own.copy()
        gone[0] = False
        source = np.maximum.accumulate(np.where(gone, 0, np.arange(frames)))
        path_us = hand(rng, start_us / 1e6, kind)
        code_us = of.step_us * np.round(path_us / of.step_us)
        width_us = code_us[source] + jitter(rng, of, frames)
        rise_us = start_us + 1_700.0 * k * (of.seed % 2) + 3.0 * k
        edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
        name = f"RX{k + 1}"
        lines[name] = Line(name, np.ceil(edges_us * 1e6 / every_ps).astype(np.int64) * every_ps, 0)
        noise_us = float(np.hypot(of.jitter_us, 0.41 / of.rate_mhz))
        told[name] = Told(path_us, code_us, source, noise_us)
    end_ps = int((start_us[-1] + 1e3 * of.period_ms) * 1e6)
    return Capture(lines, end_ps, every_ps, f"link {of.seed}"), told


def repeats(source: Places) -> list[tuple[int, int]]:
    """First frame and length of each run of frames that repeat the one before."""
    same = np.concatenate([[False], np.diff(source) == 0, [False]])
    edge = np.flatnonzero(np.diff(same.astype(int))) + 1
    return [(int(a), int(b - a)) for a, b in edge.reshape(-1, 2)]


@dataclass(frozen=True)
class Freeze:
    """One freeze of three renewals or more, and whether it was found."""

    seed: int
    line: str
    first: int
    length: int  # Renewals that did not come
    way: str  # "on": one way, from before to after; "turns"; "stops"
    speed: float  # Its jump, less one renewal's way, over two steps and eight deviations
    is_slow: bool  # Three equal frames are ordinary
    known: float  # Chance that the best detector finds it
    found: bool

    @property
    def is_asked(self) -> bool:
        """Whether it had to be found."""
        return self.way == "on" and self.speed >= 1.0 and not self.is_slow


def freeze(
    of: Link, name: str, truth: Told, first: int, frames: int, *, found: bool
) -> Freeze | None:
    """Say what a freeze was like; none where the recording begins or ends beside it."""
    beside = int(np.ceil(60.0 / of.period_ms))
    before, after = first - 1 - beside, first + frames + beside
    every = 2 if of.shares == "turns" else 1
    length = (frames + 1) // every - 1
    if length < MIN_FREEZE or before < 0 or after >= truth.path_us.size:
        return None
    moved = np.diff(truth.path_us[before : after + 1])
    over = truth.path_us[first + frames] - truth.path_us[first - 1]
    pace = abs(float(over)) / (frames + 1)
    way = "on"
    if np.any(moved * np.sign(over) < -0.02 * np.max(np.abs(moved))):
        way = "turns"
    elif np.any(np.abs(moved) < pace / 3):
        way = "stops"
    held = truth.code_us[truth.source[first - 1]]
    apart = np.sqrt(np.sum((truth.code_us[first : first + frames] - held) ** 2)) / truth.noise_us
    known = float(stats.norm.cdf(apart - stats.norm.isf(1e-4)))
    speed = pace * (frames + 1 - every) / (2.0 * of.step_us + 8.0 * truth.noise_us)
    is_slow = pace * every < max(of.step_us / 2.0, truth.noise_us)
    return Freeze(of.seed, name, first, length, way, speed, is_slow, known, found)


@dataclass
class Tally:
    """What a study came to."""

    freezes: list[Freeze] = field(default_factory=list)
    still: int = 0  # Lines without loss: still or coarse ones
    moving: int = 0  # And those that move
    invented_still: list[tuple[int, str, str]] = field(default_factory=list)
    invented_moving: list[tuple[int, str, str]] = field(default_factory=list)
    claimed: int = 0
    false: list[tuple[int, str, int]] = field(default_factory=list)
    shares: list[bool] = field(default_factory=list)
    rates: list[bool] = field(default_factory=list)

    def take_clean(self, seed: int, line: str, hand: str, *, is_still: bool, wrong: bool) -> None:
        """Count a line without loss, and whether a freeze of it was invented."""
        self.still += is_still
        self.moving += not is_still
        if wrong:
            (self.invented_still if is_still else self.invented_moving).append((seed, line, hand))

    def take_intervals(self, answer: Freshness, share: float, rate: float) -> None:
        """Hold the intervals against the link's long-run share (percent) and rate (a minute)."""
        for held, finding, true in zip(
            (self.shares, self.rates), answer.findings, (share, rate), strict=False
        ):
            if finding.interval is not None:
                held.append(finding.interval[0] <= true <= finding.interval[1])


def long_run(of: Link) -> float:
    """Share of packets that come in the long run, in percent."""
    lengths = np.floor(np.exp(np.linspace(np.log(3.0), np.log(41.0), 20001)))
    between = 5.0 + of.gap
    stale = np.mean(lengths) + (between - 1.0) * of.single if of.gap else 0.0
    return float(100.0 * (1.0 - stale / (between + np.mean(lengths))))


def onsets(of: Link) -> float:
    """Share of frames in which a run of lost packets begins, in the long run."""
    between = 5.0 + of.gap
    mean = np.mean(np.floor(np.exp(np.linspace(np.log(3.0), np.log(41.0), 20001))))
    return float(1.0 + (between - 1.0) * of.single * (1.0 - of.single)) / float(between + mean)


def judge(of: Link, tally: Tally) -> None:
    """Examine a recording and hold what is said against the truth."""
    capture, truths = recorded(of)
    findings = examine(capture)
    for k, (name, truth) in enumerate(truths.items()):
        answer = findings[name].freshness
        assert answer is not None, (of, name)
        begins_us = 4_000.0 + 1_700.0 * k * (of.seed % 2)
        first, last = (
            np.rint((at_s * 1e6 - begins_us) / (1e3 * of.period_ms)).astype(int)
            for at_s in (answer.renewals.start_s, answer.renewals.end_s)
        )
        if not of.gap:
            wrong = bool(np.any(last - first > (of.shares == "turns")))
            wrong |= answer.share is not None and answer.share < 1.0
            hand_ = of.hands[k]
            tally.take_clean(of.seed, name, hand_, is_still=hand_ in QUIET, wrong=wrong)
            continue
        stale = np.concatenate([[False], np.diff(truth.source) == 0])
        tally.claimed += first.size
        for a, b in zip(first, last, strict=True):
            if not stale[a:b].any():
                tally.false.append((of.seed, name, int(a)))
        for begin, length in repeats(truth.source):
            overlap = np.minimum(last, begin + length) - np.maximum(first, begin)
            found = bool(np.any(overlap >= length / 2))
            one = freeze(of, name, truth, begin, length, found=found)
            tally.freezes += [one] if one else []
        if of.shares != "turns":
            tally.take_intervals(answer, long_run(of), 60e3 / of.period_ms * onsets(of))


def study(seeds: Iterable[int]) -> Tally:
    """Judge some recordings."""
    tally = Tally()
    for seed in seeds:
        judge(drawn(seed), tally)
    return tally


def told(name: str, freezes: list[Freeze]) -> None:
    """Print how many freezes were found, and how many the best detector finds."""
    if freezes:
        found = np.mean([one.found for one in freezes])
        known = np.mean([one.known for one in freezes])
        print(f"  {name:<34}{len(freezes):>6} {found:>8.1%} {known:>8.1%}")


def answer_command(study: Callable[[Iterable[int]], Tally], description: str) -> None:
    """Print what a study came to."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("count", type=int)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--missed", action="store_true")
    given = parser.parse_args()
    tally = study(range(given.seed * 100_000, given.seed * 100_000 + given.count))
    print("freezes of three renewals or more    count    found     best")
    asked = [one for one in tally.freezes if one.is_asked]
    told("asked for", asked)
    for low, high in itertools.pairwise((*LENGTHS, 10_000)):
        told(f"  of {low} renewals or more", [one for one in asked if low <= one.length < high])
    on = [one for one in tally.freezes if one.way == "on"]
    for low, high in itertools.pairwise((*SPEEDS, np.inf)):
        some = [one for one in on if low <= one.speed < high and not one.is_slow]
        told(f"one way, speed {low:g} or more", some)
    told("one way, three equal are ordinary", [one for one in on if one.is_slow])
    for way in ("stops", "turns"):
        some = [one for one in tally.freezes if one.speed >= 1.0 and not one.is_slow]
        told(f"the stick {way}, speed 1 or more", [one for one in some if one.way == way])
    for kind, wrong, of in (
        ("still or coarse", tally.invented_still, tally.still),
        ("moving", tally.invented_moving, tally.moving),
    ):
        print(f"{kind} lines without loss on which a freeze is invented: {len(wrong)} of {of}")
    print(f"freezes that were none: {len(tally.false)} of {tally.claimed}")
    for name, held in (("share of fresh frames", tally.shares), ("rate of freezes", tally.rates)):
        if held:
            print(f"{name}: {sum(held)} of {len(held)} intervals hold it ({np.mean(held):.1%})")
    if given.missed:
        invented = (*tally.invented_still, *tally.invented_moving)
        for each in (*(one for one in asked if not one.found), *invented, *tally.false):
            print(each)


if __name__ == "__main__":
    answer_command(study, __doc__ or "")
