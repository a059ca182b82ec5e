"""Freezes of a third maker: mixers, curves, limits, dials, trim keys and packets out of step.

    PYTHONPATH=.:tests python -m adversary.freshness_third 200 --seed 1

Written at edge level by an attacker; it shares no code with the product or with `pwmscope.synth`,
and no signal with the other two studies. Two lines are moved by hands of one kind. Packets come
with each frame, with every second one, or at a pace of their own, 1.05 to 2.2 frames apart. They
are lost one by one, in runs of 3 to 8, 15 or 40, or both.

A freeze is clear where it lasts three packets or more, the stick moves one way from 60 ms before
to 60 ms after, never by less than a third of its pace over the freeze, that pace is half a step
and one deviation of the noise for each packet at least, and the jump at the end, less one packet's
way, is over two steps and eight deviations. That is the second study's criterion, packet by packet,
and its code. Still or coarse are a stick that rests, a switch, a trim key that is held, and the
notches of a dial; the other lines without loss move.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage

from adversary.freshness_afresh import (
    Flags,
    Link,
    Places,
    Reals,
    Tally,
    Told,
    answer_command,
    freeze,
    repeats,
)
from pwmscope import Capture, examine
from pwmscope.model import Line

FINE_S: Final = 0.001
FIRST_S: Final = 0.005
END_US: Final = 450.0
LOSSES: Final = np.array([0.5, 0.3, 0.2])
"""How often they come in runs, in runs and one by one, and one by one."""


@dataclass(frozen=True)
class Draft:
    """How one recording was drawn."""

    seed: int
    hand: str
    period_s: float
    frames_a_packet: float  # 1, 2, or what a link out of step has
    step_us: float
    jitter_us: float
    sample_us: float
    wobble_us: float  # 1/f, of the stick
    seconds: float
    singles: float  # Chance that a packet begins a loss of one
    freezes: float  # Chance that it begins a run of 3 to `longest`
    longest: int


def drawn(seed: int) -> Draft:
    """Draw a recording."""
    rng = np.random.default_rng([9091, seed])
    period_s = float(rng.choice([0.007, 0.009, 0.011, 0.014, 0.02, 0.022]))
    every = float(rng.choice([1.0, 2.0, rng.uniform(1.05, 2.2)], p=[0.75, 0.15, 0.1]))
    hand = list(HANDS)[seed % len(HANDS)]
    clean = 0.8 if hand in STILL else 0.25
    loss = str(rng.choice(["", "f", "sf", "s"], p=[clean, *(1.0 - clean) * LOSSES]))
    return Draft(
        seed,
        hand,
        period_s,
        every,
        float(rng.choice([0.25, 0.5, 1.0, 2.0, 4.0, 8.0])),
        float(rng.choice([0.0, 0.0, 0.3, 1.0, 2.0, 3.0])),
        float(rng.choice([0.1, 0.25, 0.5, 1.0, 2.0])),
        float(rng.choice([0.0, 0.3, 1.0])),
        float(rng.uniform(40.0, 90.0)),
        float(rng.uniform(0.003, 0.03)) if "s" in loss else 0.0,
        float(rng.uniform(5.0, 25.0)) / 60.0 * period_s * every if "f" in loss else 0.0,
        int(rng.choice([8, 15, 40])),
    )


# --- hands: microseconds beside neutral, once a millisecond ----------------------------------


def noise(rng: np.random.Generator, size: int, falls: Callable[[Reals], Reals]) -> Reals:
    """Draw noise of deviation 1 whose amplitude falls with the frequency in hertz."""
    hz = np.maximum(np.fft.rfftfreq(size, FINE_S), 0.02)
    spectrum = rng.normal(size=hz.size) + 1j * rng.normal(size=hz.size)
    drawn_ = np.fft.irfft(spectrum * falls(hz), size)
    return np.asarray(drawn_ / np.std(drawn_))


def pink(rng: np.random.Generator, size: int) -> Reals:
    """Draw 1/f noise."""
    return noise(rng, size, lambda hz: 1.0 / np.sqrt(hz))


def strolls(rng: np.random.Generator, t: Reals, hz: float) -> Reals:
    """Walk without corners, up to some frequency."""
    return noise(rng, t.size, lambda f: 1.0 / (1.0 + (f / hz) ** 4))


def triangle(turns: Reals) -> Reals:
    """Go to and fro evenly between -1 and 1, once a turn."""
    return np.asarray(2.0 * np.abs(2.0 * (turns % 1.0) - 1.0) - 1.0)


def sine(rng: np.random.Generator, t: Reals, low_hz: float, high_hz: float) -> Reals:
    """Swing at a frequency between two."""
    return np.asarray(np.sin(6.283 * (rng.uniform(low_hz, high_hz) * t + rng.random())))


def wide(rng: np.random.Generator) -> float:
    """Draw how far a hand goes."""
    return float(rng.uniform(300.0, 450.0))


def brisk(rng: np.random.Generator, t: Reals) -> Reals:
    """To and fro with round corners."""
    window = np.hanning(int(rng.uniform(30.0, 80.0)) + 2)
    way = triangle(rng.uniform(0.6, 1.6) * t + rng.random())
    return wide(rng) * np.convolve(way, window / window.sum(), "same")


def taps(rng: np.random.Generator, t: Reals) -> Reals:
    """Tap the stick and let it follow the finger back."""
    path, at = np.zeros(t.size), 0.3
    while at < t[-1] - 1.0:
        lasts, far = rng.uniform(0.15, 0.5), rng.uniform(80.0, 400.0) * rng.choice([-1, 1])
        some = (t >= at) & (t < at + lasts)
        path[some] = far * 0.5 * (1.0 - np.cos(6.283 * (t[some] - at) / lasts))
        at += lasts + rng.exponential(0.4)
    return path


def swinging_back(rng: np.random.Generator, t: Reals) -> Reals:
    """Push, hold, and let the spring swing about the middle."""
    path, at = np.zeros(t.size), 0.5
    while at < t[-1] - 2.5:
        up, hold, far = rng.uniform(0.2, 0.8), rng.uniform(0.05, 0.8), rng.uniform(200.0, 450.0)
        far *= rng.choice([-1, 1])
        part = np.clip((t - at) / up, 0.0, 1.0)
        since = t - at - up - hold
        back = np.exp(-np.maximum(since, 0.0) / rng.uniform(0.015, 0.06))
        back *= np.cos(6.283 * rng.uniform(5.0, 12.0) * np.maximum(since, 0.0))
        some = (t >= at) & (since < 0.6)
        path[some] = (far * part**3 * (10.0 - 15.0 * part + 6.0 * part**2) * back)[some]
        at += up + hold + 0.6 + rng.uniform(0.0, 0.5)
    return path


def dial(rng: np.random.Generator, t: Reals) -> Reals:
    """Turn a dial from notch to notch."""
    step, place, way = float(rng.choice([10, 20, 40, 60])), 0.0, 1
    clicks = np.cumsum(rng.gamma(rng.uniform(2.0, 12.0), 1.0, 4000))
    clicks *= rng.uniform(0.05, 0.25) / np.mean(np.diff(clicks))
    places = [0.0]
    for turns in rng.random(4000) < 0.03:
        way = -way if turns or abs(place + way * step) > END_US else way
        place += way * step
        places.append(place)
    path = np.array(places)[np.searchsorted(clicks, t, "right")]
    return ndimage.uniform_filter1d(path, int(rng.integers(1, 31)), mode="nearest")


def dial_to_its_ends(rng: np.random.Generator, t: Reals) -> Reals:
    """Turn one that has an end of its own."""
    return np.clip(rng.uniform(1.0, 1.4) * dial(rng, t), -rng.uniform(200.0, 350.0), 350.0)


def switch(rng: np.random.Generator, t: Reals) -> Reals:
    """Throw a switch of three places."""
    at = np.cumsum(rng.exponential(rng.uniform(0.15, 1.5), 2000))
    return rng.choice([-400.0, 0.0, 400.0], 2001)[np.searchsorted(at, t)]


def trim(rng: np.random.Generator, t: Reals) -> Reals:
    """Hold a trim key: even steps at an even rate, up and down."""
    step, far = float(rng.choice([4, 8, 16, 25])), wide(rng)
    turns = t * step / rng.uniform(0.05, 0.2) / (4.0 * far) + rng.random()
    return step * np.round(far * triangle(turns) / step)


def limited(rng: np.random.Generator, t: Reals) -> Reals:
    """A transmitter that lets no output go faster than a limit."""
    at = np.cumsum(rng.exponential(rng.uniform(0.3, 0.9), 2000))
    goals = rng.uniform(-END_US, END_US, 2001)[np.searchsorted(at, t)]
    most, place = rng.uniform(400.0, 3000.0) * FINE_S, 0.0
    path = []
    for goal in goals.tolist():
        place += min(max(goal - place, -most), most)
        path.append(place)
    return np.array(path)


def expo(rng: np.random.Generator, t: Reals) -> Reals:
    """A curve that is flat in the middle."""
    way = triangle(rng.uniform(0.25, 0.9) * t) if rng.random() < 0.5 else sine(rng, t, 0.25, 0.9)
    part = rng.uniform(0.3, 0.9)
    return wide(rng) * ((1.0 - part) * way + part * way**3)


def clipped(rng: np.random.Generator, t: Reals) -> Reals:
    """Travel that ends before the stick does."""
    hz = rng.uniform(0.2, 1.5)
    way = triangle(hz * t) if rng.random() < 0.5 else sine(rng, t, hz, hz)
    return np.clip(rng.uniform(1.1, 3.0) * END_US * way, -400.0, rng.uniform(100.0, 400.0))


def clipped_walk(rng: np.random.Generator, t: Reals) -> Reals:
    """Two sticks mixed, at the ends shortly and often."""
    path = 300.0 * strolls(rng, t, rng.uniform(0.5, 3.0)) + 100.0 * strolls(rng, t, 2.0)
    return np.clip(path, -rng.uniform(250.0, 400.0), rng.uniform(250.0, 1e4))


def curve(rng: np.random.Generator, t: Reals) -> Reals:
    """A curve of points with level parts."""
    way = END_US * (triangle(rng.uniform(0.4, 1.3) * t) if rng.random() < 0.5 else
                    sine(rng, t, 0.4, 1.3))  # fmt: skip
    if rng.random() < 0.5:
        return np.sign(way) * np.maximum(np.abs(way) - rng.uniform(40.0, 150.0), 0.0)
    return np.interp(way, [-450, -200, -80, 150, 260, 450], [-400, -150, -150, 60, 60, 400])


def trembling(rng: np.random.Generator, t: Reals) -> Reals:
    """A slow walk of a hand that trembles at 6 to 10 Hz."""
    return 120.0 * strolls(rng, t, 0.3) + rng.uniform(5.0, 25.0) * sine(rng, t, 6.0, 10.0)


def by_turns(rng: np.random.Generator, t: Reals) -> Reals:
    """Slow sweeps, then brisk ones, then a rest, three seconds each."""
    paces = rng.choice([0.08, 0.15, 0.3, 0.9, 1.3, 0.0], int(t[-1] / 3.0) + 2)
    hz = ndimage.uniform_filter1d(np.repeat(paces, 3000)[: t.size], 200, mode="nearest")
    return np.asarray(wide(rng) * np.sin(6.283 * (np.cumsum(hz) * FINE_S + rng.random())))


def sinking_walk(rng: np.random.Generator, t: Reals) -> Reals:
    """A walk within the ends."""
    return np.clip(180.0 * strolls(rng, t, rng.uniform(0.4, 1.5)), -480.0, 480.0)


def even(rng: np.random.Generator, t: Reals) -> Reals:
    """A servo tester: to and fro evenly, with sharp corners."""
    far = wide(rng)
    return far * triangle(t * rng.uniform(150.0, 1500.0) / (4.0 * far) + rng.random())


def circle(rng: np.random.Generator, t: Reals) -> Reals:
    """Stir one stick round and round."""
    return wide(rng) * (1.0 + 0.15 * np.sin(0.69 * t)) * sine(rng, t, 0.4, 1.2)


def rest(rng: np.random.Generator, t: Reals) -> Reals:
    """Rest anywhere, not quite still."""
    return rng.uniform(0.5, 6.0) * pink(rng, t.size) + rng.uniform(-400.0, 400.0)


HANDS: Final[dict[str, Callable[[np.random.Generator, Reals], Reals]]] = {
    "slow": lambda rng, t: wide(rng) * sine(rng, t, 0.12, 0.3),
    "brisk": brisk, "walk": sinking_walk, "circle": circle, "taps": taps, "spring": swinging_back,
    "tester": even, "dial": dial, "rest": rest, "switch": switch, "limited": limited, "expo": expo,
    "clipped": clipped, "mixed": clipped_walk, "trim": trim, "curve": curve, "tremor": trembling,
    "by turns": by_turns, "dial with ends": dial_to_its_ends,
}  # fmt: skip
STILL: Final = ("dial", "dial with ends", "rest", "switch", "trim")


# --- what is recorded -------------------------------------------------------------------------


def lost_packets(rng: np.random.Generator, of: Draft, packets: int) -> Flags:
    """Draw which packets do not come; after each loss one or more do."""
    lost, at, chance = np.zeros(packets, bool), 5, of.singles + of.freezes
    while chance:
        at += int(rng.geometric(chance))
        if at >= packets:
            break
        is_single = rng.random() < of.singles / chance
        length = 1 if is_single else int(rng.integers(3, of.longest + 1))
        lost[at : at + length] = True
        at += length
    return lost


def recorded(of: Draft) -> tuple[Capture, dict[str, Told]]:
    """Make a recording and the truth of its lines, packet by packet."""
    rng = np.random.default_rng([9092, of.seed])
    frame_s = FIRST_S + of.period_s * np.arange(int(of.seconds / of.period_s))
    apart_s = of.frames_a_packet * of.period_s
    packet: Places = np.floor((frame_s - 0.0045) / apart_s + 1e-6).astype(np.int64)
    packet_s = 0.002 + apart_s * np.arange(packet[-1] + 2)
    lost = lost_packets(rng, of, packet_s.size)
    source = np.maximum.accumulate(np.where(lost, 0, np.arange(lost.size)))
    fine_s = np.arange(0.0, of.seconds + 1.0, FINE_S)
    lines, told = {}, {}
    for k in range(2):
        path_us = 1500.0 + HANDS[of.hand](rng, fine_s) + of.wobble_us * pink(rng, fine_s.size)
        path_us = np.interp(packet_s, fine_s, path_us)
        code_us = of.step_us * np.round(path_us / of.step_us)
        width_us = code_us[source][packet] + rng.normal(0.0, of.jitter_us, packet.size)
        rise_us = 1e6 * frame_s + rng.normal(0.0, 0.1, packet.size) + 37.0 * k
        edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
        ticks = np.ceil(edges_us / of.sample_us).astype(np.int64)
        lines[f"RX{k + 1}"] = Line(f"RX{k + 1}", ticks * round(of.sample_us * 1e6), 0)
        noise_us = np.hypot(np.hypot(of.jitter_us, 0.41 * of.sample_us), 0.3 * of.wobble_us)
        told[f"RX{k + 1}"] = Told(path_us, code_us, source, float(noise_us))
    end_ps = int((frame_s[-1] + of.period_s) * 1e12)
    return Capture(lines, end_ps, of.sample_us * 1e6, f"draft {of.seed}"), told


def long_run(of: Draft) -> tuple[float, float]:
    """Share of packets that come, in percent, and losses a minute, in the long run."""
    chance = of.singles + of.freezes
    if not chance:
        return 100.0, 0.0
    mean = (of.singles + of.freezes * 0.5 * (3 + of.longest)) / chance
    cycle = 1.0 / chance + mean
    return 100.0 / chance / cycle, 60.0 / (cycle * of.frames_a_packet * of.period_s)


def judge(of: Draft, tally: Tally) -> None:
    """Examine a recording and hold what is said against the truth."""
    capture, truths = recorded(of)
    findings = examine(capture)
    apart_s = of.frames_a_packet * of.period_s
    link = Link(
        of.seed, 1e3 * apart_s, of.step_us, of.jitter_us, "white",
        1.0 / of.sample_us, "all", of.freezes, of.singles, of.seconds, (),
    )  # fmt: skip
    share, rate = long_run(of)
    for name, truth in truths.items():
        answer = findings[name].freshness
        assert answer is not None, (of, name)
        start_s, end_s = answer.renewals.start_s, answer.renewals.end_s
        if share == 100.0:
            wrong = start_s.size > 0 or (answer.share is not None and answer.share < 1.0)
            tally.take_clean(of.seed, name, of.hand, is_still=of.hand in STILL, wrong=wrong)
            continue
        runs = repeats(truth.source)
        begin, length = np.array(runs).reshape(-1, 2).T
        begin_s = FIRST_S + apart_s * begin
        over_s = begin_s + apart_s * length
        overlap_s = np.minimum.outer(end_s, over_s) - np.maximum.outer(start_s, begin_s)
        tally.claimed += start_s.size
        for a in np.flatnonzero(~(overlap_s > 0.0).any(axis=1)):
            tally.false.append((of.seed, name, int(start_s[a] / of.period_s)))
        for k, run in enumerate(runs):
            found = bool(np.any(overlap_s[:, k] >= 0.5 * apart_s * length[k]))
            one = freeze(link, name, truth, *run, found=found)
            tally.freezes += [one] if one else []
        tally.take_intervals(answer, share, rate)


def study(seeds: Iterable[int]) -> Tally:
    """Judge some recordings."""
    tally = Tally()
    for seed in seeds:
        judge(drawn(seed), tally)
    return tally


if __name__ == "__main__":
    answer_command(study, __doc__ or "")
