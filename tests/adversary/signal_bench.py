"""Receivers, hands and analysers at edge level, for judging what pwmscope says of them.

Nothing here comes from pwmscope or its `synth`: a hand moves a stick, a transmitter turns it into
widths, a receiver puts out pulses whose edges jitter, an analyser with a clock of its own samples
them. Instants are microseconds (float64) in true time until `sample` makes them picoseconds of the
analyser's time. What was truly held is known, frame by frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]
Ints = npt.NDArray[np.int64]

RATES_HZ = (1e6, 4e6, 24e6)
JITTERS = (
    "none",
    "gauss",
    "uniform",
    "two-code",
    "sine",
    "flicker",
    "ar1",
    "interrupt",
    "code",
)
PACES = ("even", "minimum-jerk", "bell", "eased", "let go")
NEUTRAL_US = 1500.0
THROW_US = 500.0
MOVING = -1


# --- the hand ---------------------------------------------------------------------------------


def pace(name: str, part: Array, sharpness: float = 6.0) -> Array:
    """How far a move has gone, 0 to 1, after a part of its time (0 to 1)."""
    u = np.clip(part, 0.0, 1.0)
    if name == "even":
        return u
    if name == "minimum-jerk":
        return np.asarray(u**3 * (10.0 - 15.0 * u + 6.0 * u**2))
    if name == "bell":
        return np.asarray(0.5 - 0.5 * np.cos(np.pi * u))
    if name == "eased":  # quick start, slow arrival
        return np.asarray((1.0 - np.exp(-sharpness * u)) / (1.0 - np.exp(-sharpness)))
    if name == "let go":  # a spring: quick, a small overshoot, then still
        return np.asarray(1.0 - np.exp(-5.0 * u) * np.cos(1.5 * np.pi * u) * (1.0 - u) ** 2)
    raise ValueError(name)


@dataclass(frozen=True)
class Hand:
    """One axis of a stick: moves, each followed by a hold until the next one starts.

    Positions are in half travels, 0 with the stick let go, -1 and 1 at its ends. ``kind`` of a
    hold is "neutral", "low", "high" or "other"; ``side`` is the side it was reached from, -1 or 1.
    """

    start_s: Array
    lasts_s: Array
    origin: Array
    target: Array
    pace: tuple[str, ...]
    kind: tuple[str, ...]
    side: Ints
    end_s: float

    def at(self, t_s: Array) -> tuple[Array, Ints]:
        """Return position and hold (its move's number, or MOVING) at some instants."""
        move = np.clip(np.searchsorted(self.start_s, t_s, side="right") - 1, 0, None)
        part = (t_s - self.start_s[move]) / self.lasts_s[move]
        gone = np.zeros_like(t_s)
        names = np.array(self.pace)[move]
        for name in set(self.pace):
            mine = names == name
            gone[mine] = pace(name, part[mine])
        position = self.origin[move] + (self.target[move] - self.origin[move]) * gone
        return position, np.where(part >= 1.0, move, MOVING)


@dataclass
class Script:
    """Writes a `Hand` move by move."""

    first_s: float
    first: float = 0.0
    first_kind: str = "neutral"
    rows: list[tuple[float, float, float, float, str, str, int]] = field(default_factory=list)
    now_s: float = 0.0

    def __post_init__(self) -> None:
        self.rows.append((-1.0, 0.5, self.first, self.first, "even", self.first_kind, 0))
        self.now_s = self.first_s

    def move(self, target: float, lasts_s: float, how: str, kind: str, dwell_s: float) -> None:
        """Add a move and the hold after it."""
        origin = self.rows[-1][3]
        side = int(np.sign(origin - target))
        self.rows.append((self.now_s, lasts_s, origin, target, how, kind, side))
        self.now_s += lasts_s + dwell_s

    def hand(self) -> Hand:
        """The finished hand."""
        start, lasts, origin, target, how, kind, side = zip(*self.rows, strict=True)
        return Hand(
            np.array(start),
            np.array(lasts),
            np.array(origin),
            np.array(target),
            how,
            kind,
            np.array(side, dtype=np.int64),
            self.now_s,
        )


def ends_and_neutral(
    rng: np.random.Generator,
    *,
    cycles: int = 8,
    return_us: float = 0.0,
    hysteresis_us: float = 0.0,
) -> Hand:
    """A hand that holds both ends and lets go (or leads back) to neutral, from both sides."""
    script = Script(rng.uniform(1.0, 3.0))
    sides = rng.permutation(np.repeat([-1.0, 1.0], cycles // 2))
    short = rng.uniform() < 0.5
    for side in sides:
        end = side + rng.normal(0, 0.4) / THROW_US
        kind = "low" if side < 0 else "high"
        how = str(rng.choice(["minimum-jerk", "bell", "even", "eased"]))
        script.move(end, rng.uniform(0.15, 0.9), how, kind, dwell(rng, short=short))
        last = side
        if rng.uniform() < 0.15:  # straight across to the other end
            kind = "high" if side < 0 else "low"
            script.move(-side, rng.uniform(0.3, 1.0), how, kind, dwell(rng, short=short))
            last = -side
        back = (last * hysteresis_us / 2 + rng.normal(0, return_us)) / THROW_US
        if rng.uniform() < 0.5:
            script.move(back, rng.uniform(0.1, 0.3), "let go", "neutral", dwell(rng, short=short))
        else:
            script.move(back, rng.uniform(0.2, 0.8), how, "neutral", dwell(rng, short=short))
    script.now_s += rng.uniform(0.3, 1.0)
    return script.hand()


def slow_sweeps(rng: np.random.Generator, how: str, *, each_way: int = 3) -> Hand:
    """A hand that goes slowly from end to end, through neutral without a stop."""
    script = Script(rng.uniform(1.0, 2.0))
    side = float(rng.choice([-1.0, 1.0]))
    kinds = {-1.0: "low", 1.0: "high"}
    script.move(side, rng.uniform(0.4, 0.9), "minimum-jerk", kinds[side], rng.uniform(0.6, 1.0))
    for _ in range(2 * each_way):
        side = -side
        script.move(side, rng.uniform(2.2, 4.5), how, kinds[side], rng.uniform(0.6, 1.0))
    script.move(0.0, rng.uniform(0.4, 0.9), "minimum-jerk", "neutral", rng.uniform(1.2, 2.0))
    return script.hand()


def throttle(rng: np.random.Generator, *, cycles: int = 6, rest: float = -1.0) -> Hand:
    """A stick that rests at an end and is held part of the way up, again and again."""
    script = Script(rng.uniform(1.5, 3.0), rest, "low")
    half_way = rng.uniform(-0.12, 0.12) if rng.uniform() < 0.4 else None  # always to the same mark
    for _ in range(cycles):
        up = rest + rng.uniform(0.3, 1.9) if half_way is None else half_way
        script.move(up, rng.uniform(0.3, 1.0), "minimum-jerk", "other", rng.uniform(0.7, 2.0))
        script.move(rest, rng.uniform(0.2, 0.8), "bell", "low", rng.uniform(0.8, 2.0))
    return script.hand()


def wandering(rng: np.random.Generator, *, moves: int = 10) -> Hand:
    """A stick that goes to and fro at unlike paces, with pauses: what `lag` asks for."""
    script = Script(rng.uniform(1.0, 2.0))
    side = 1.0
    for _ in range(moves):
        side = -side
        target = side * rng.uniform(0.75, 1.0)
        how = str(rng.choice(["minimum-jerk", "bell", "even"]))
        script.move(target, rng.uniform(0.3, 1.6), how, "other", rng.uniform(0.3, 0.9))
    return script.hand()


def dwell(rng: np.random.Generator, *, short: bool) -> float:
    """A hold's length in seconds; the shortest that is asked for is 0.6 s."""
    return float(rng.uniform(0.6, 0.95) if short else rng.uniform(1.0, 2.6))


# --- the transmitter --------------------------------------------------------------------------


@dataclass(frozen=True)
class Transmitter:
    """From stick to width: deadband, expo, ends, trim and steps."""

    low_us: float = -THROW_US
    high_us: float = THROW_US
    trim_us: float = 0.0
    expo: float = 0.0
    deadband: float = 0.0  # whole width, in half travels of the stick
    step_us: float = 0.0  # 0: no steps
    phase_us: float = 0.0

    def widths(self, stick: Array) -> Array:
        """Commanded widths in microseconds."""
        half = self.deadband / 2
        s = np.sign(stick) * np.maximum(np.abs(stick) - half, 0.0) / (1.0 - half)
        s = (1.0 - self.expo) * s + self.expo * s**3
        w = NEUTRAL_US + self.trim_us + np.where(s < 0, -s * self.low_us, s * self.high_us)
        if self.step_us:
            w = np.rint((w - self.phase_us) / self.step_us) * self.step_us + self.phase_us
        return w

    def deadband_us(self) -> float:
        """The flat's length, in stick time, times the mean rate of the width beside it."""
        # slope at the edge of the flat, per half travel of stick: A (1 - expo) / (1 - half)
        half = self.deadband / 2
        mean = (self.high_us - self.low_us) / 2
        return self.deadband * mean * (1.0 - self.expo) / (1.0 - half)


# --- jitter -----------------------------------------------------------------------------------


def jitter(kind: str, n: int, rms_us: float, rng: np.random.Generator) -> Array:
    """Deviations of n edges or widths, of about the given RMS (interrupts: outliers besides)."""
    if kind == "none" or not rms_us:
        return np.zeros(n)
    return _JITTER[kind](n, rng) * rms_us if kind != "interrupt" else interrupts(n, rms_us, rng)


def sine(n: int, rng: np.random.Generator) -> Array:
    """A sinusoid of unit RMS that no frame rate is a multiple of."""
    turns = rng.uniform(0.013, 0.47) * np.arange(n) + rng.uniform()
    return np.asarray(np.sqrt(2) * np.sin(2 * np.pi * turns))


def autoregressive(n: int, rng: np.random.Generator) -> Array:
    """First-order autoregressive noise of unit RMS."""
    rho = rng.uniform(0.5, 0.9)
    return recursive(rng.normal(0, np.sqrt(1 - rho**2), n + 200), rho)[200:]


def interrupts(n: int, rms_us: float, rng: np.random.Generator) -> Array:
    """Small Gaussian jitter, and now and then a delay of some ten microseconds."""
    is_late = rng.uniform(size=n) < rng.uniform(0.003, 0.04)
    return rng.uniform(0, rng.uniform(10, 80), n) * is_late + rng.normal(0, 0.3 * rms_us, n)


def flickering(n: int, rng: np.random.Generator) -> Array:
    """One step to and fro, each state lasting a few frames."""
    flips = rng.uniform(size=n) < rng.uniform(0.2, 0.6)
    return np.cumsum(flips) % 2 * 2.0 - 1.0


def shaped(n: int, rng: np.random.Generator, power: float) -> Array:
    """Noise of unit RMS whose amplitude falls as f^-power, above 1/n of the frame rate."""
    m = 1 << int(np.ceil(np.log2(max(n, 16))))
    f = np.fft.rfftfreq(m)
    f[0] = f[1]
    bins = rng.normal(size=f.size) + 1j * rng.normal(size=f.size)
    bins[0] = 0.0
    x = np.fft.irfft(bins / f**power, m)[:n]
    x = x - x.mean()
    return np.asarray(x / x.std())


def recursive(drive: Array, rho: float) -> Array:
    """First-order recursion x[i] = rho x[i-1] + drive[i], by doubling."""
    x = drive.copy()
    reach, factor = 1, rho
    while reach < x.size and factor > 1e-17:
        x[reach:] = x[reach:] + factor * x[:-reach].copy()
        reach *= 2
        factor *= factor
    return x


_JITTER: dict[str, Callable[[int, np.random.Generator], Array]] = {
    "gauss": lambda n, rng: rng.normal(0, 1, n),
    "uniform": lambda n, rng: rng.uniform(-np.sqrt(3), np.sqrt(3), n),
    "two-code": lambda n, rng: rng.choice([-1.0, 1.0], n),
    "sine": sine,
    "flicker": lambda n, rng: shaped(n, rng, 0.5),
    "ar1": autoregressive,
    "code": flickering,
}


# --- the receiver -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Pulses:
    """One line in true time: starts, widths, and what the hand held in each frame."""

    rise_us: Array
    width_us: Array
    held: Ints  # number of the hold in ``hand``, or MOVING
    hand: Hand
    transmitter: Transmitter
    commanded_us: Array

    @property
    def fall_us(self) -> Array:
        """Ends of the pulses."""
        return self.rise_us + self.width_us


def clock(frames: int, period_us: float, ppm: float, first_us: float) -> Array:
    """Frame instants of a receiver whose clock is off by some ppm."""
    return first_us + period_us * (1.0 + ppm * 1e-6) * np.arange(frames)


def commanded(
    hand: Hand, transmitter: Transmitter, frames_us: Array, packet_us: float, late_us: float
) -> tuple[Array, Ints]:
    """Widths and holds of the newest packet before each frame; packet_us 0: locked to frames."""
    seen = frames_us - late_us
    if packet_us:
        seen = np.floor(seen / packet_us) * packet_us
    position, held = hand.at(seen * 1e-6)
    return transmitter.widths(position), held


def receive(
    hands: Sequence[Hand],
    transmitters: Sequence[Transmitter],
    frames_us: Array,
    rng: np.random.Generator,
    *,
    kind: str,
    width_rms_us: float,
    start_rms_us: float,
    sequential: bool,
    apart_us: float = 0.0,
    packet_us: float = 0.0,
) -> list[Pulses]:
    """Put out the lines of one receiver, parallel or one after another.

    Parallel outputs start ``apart_us`` after one another and each start jitters by itself; of a
    sequential receiver only the first start follows the frame clock, the others follow the end of
    the pulse before. An interrupt delays starts and ends.
    """
    n = frames_us.size
    start_kind = "none" if kind == "code" else kind
    lines: list[Pulses] = []
    begin: Array = frames_us + jitter(start_kind, n, start_rms_us, rng)
    for k, (hand, transmitter) in enumerate(zip(hands, transmitters, strict=True)):
        command, held = commanded(hand, transmitter, frames_us, packet_us, 3_000.0)
        # a code that flickers does so by one step of its transmitter
        by_us = transmitter.step_us / 2 if kind == "code" and transmitter.step_us else width_rms_us
        width = command + jitter(kind, n, by_us, rng)
        if k and sequential:
            begin = lines[-1].fall_us + apart_us
        elif k:
            begin = frames_us + k * apart_us + jitter(start_kind, n, start_rms_us, rng)
        lines.append(Pulses(begin, width, held, hand, transmitter, command))
    return lines


# --- a device between two lines ---------------------------------------------------------------


@dataclass(frozen=True)
class Lagging:
    """What a device put out, and which input pulse each output carries."""

    rise_us: Array
    width_us: Array
    carried: Ints
    waits_for: str  # "start", "end" or "own clock"
    gain: float
    straight: npt.NDArray[np.bool_]  # neither clipped nor repeated for want of input


def lagging(
    source: Pulses,
    rng: np.random.Generator,
    *,
    waits_for: str,
    late_us: float,
    gain: float,
    period_us: float,
    jitter_us: float = 0.0,
    drops: float = 0.0,
    buffered: int = 0,
) -> Lagging:
    """Put pulses through a device that is late, with a gain, in step or on its own clock.

    ``buffered``: its width is of so many pulses before the one that its start follows.
    """
    n = source.rise_us.size
    if waits_for == "own clock":
        first = source.rise_us[0] + late_us + 1.5 * period_us
        count = int((source.rise_us[-1] - first) // period_us)
        start = first + period_us * np.arange(count)
        carried = np.searchsorted(source.fall_us, start - late_us, side="right") - 1
    else:
        carried = np.flatnonzero(rng.uniform(size=n) >= drops)[buffered:]
        event = source.rise_us if waits_for == "start" else source.fall_us
        start = event[carried] + late_us
        carried = carried - buffered
    start = start + rng.normal(0, jitter_us, start.size)
    width: Array = NEUTRAL_US + gain * (source.width_us[carried] - NEUTRAL_US)
    width = width + rng.normal(0, jitter_us, start.size)
    fits = start + width < source.rise_us[-1] + 30_000.0
    return Lagging(
        start[fits],
        width[fits],
        carried[fits].astype(np.int64),
        waits_for,
        gain,
        np.ones(int(fits.sum()), dtype=bool),
    )


# --- the analyser -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Analyser:
    """Samples every ``1 / rate_hz`` of its own time; its clock is off by ``ppm``."""

    rate_hz: float
    ppm: float
    phase: float  # of the first sample, in sample intervals

    @property
    def interval_us(self) -> float:
        """Sample interval of its own time."""
        return 1e6 / self.rate_hz

    def ticks(self, instants_us: Array) -> Ints:
        """Number of the first sample at or after each instant."""
        scaled = instants_us * (1.0 + self.ppm * 1e-6) / self.interval_us
        return np.asarray(np.ceil(scaled - self.phase).astype(np.int64) + 1)

    def sample(self, rise_us: Array, width_us: Array) -> tuple[Ints, Array, Array]:
        """Return the edges in picoseconds, and starts and widths as recorded, in microseconds."""
        ticks = np.stack([self.ticks(rise_us), self.ticks(rise_us + width_us)], axis=1)
        edges_ps = np.rint(ticks.ravel() * (1e12 / self.rate_hz)).astype(np.int64)
        rise = ticks[:, 0] * self.interval_us
        return edges_ps, rise, (ticks[:, 1] - ticks[:, 0]) * self.interval_us


def analyser(rate_hz: float, rng: np.random.Generator) -> Analyser:
    """An analyser whose crystal is off by up to 100 ppm."""
    return Analyser(rate_hz, float(rng.uniform(-100, 100)), float(rng.uniform()))


# --- one recording ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Recording:
    """A generated recording: the lines in true time and how they were sampled."""

    lines: dict[str, Pulses]  # in the order in which the receiver puts them out
    analyser: Analyser
    sequential: bool
    kind: str
    sweep_pace: str
    width_rms_us: float
    start_rms_us: float
    duration_us: float


def draw(rate_hz: float, kind: str, rng: np.random.Generator) -> Recording:
    """Draw one recording of a cell: three lines of one receiver, 20 to 40 s."""
    period = float(
        rng.choice([5_000, 7_000, 9_000, 11_000, 14_000, 18_000, 20_000, 22_000, 25_000])
    )
    period += float(rng.choice([0.0, rng.uniform(-300, 300)]))
    sweep_pace = str(rng.choice(["even", "even", "minimum-jerk", "bell"]))
    hands = {
        "levels": ends_and_neutral(
            rng,
            cycles=int(rng.choice([6, 8, 10])),
            return_us=float(rng.choice([0.0, rng.uniform(0.2, 2.0)])),
            hysteresis_us=float(rng.choice([0.0, rng.uniform(0.5, 4.0)])),
        ),
        "sweeps": slow_sweeps(rng, sweep_pace),
        "throttle": throttle(rng),
    }
    names = [str(name) for name in rng.permutation(list(hands))]
    end_s = max(hand.end_s for hand in hands.values())
    # the hand that ends first keeps its last hold until the end
    frames = clock(
        int(end_s * 1e6 / period), period, rng.uniform(-100, 100), rng.uniform(500, 4000)
    )
    senders = [transmitter(rng, sweeps=name == "sweeps") for name in names]
    sequential = bool(rng.uniform() < 0.25) and period > 3 * 2_150
    width_rms = 0.0 if kind == "none" else float(np.exp(rng.uniform(np.log(0.4), np.log(6.0))))
    start_rms = 0.0 if kind == "none" else float(np.exp(rng.uniform(np.log(0.3), np.log(4.0))))
    packet = float(rng.choice([0.0, rng.choice([4_000.0, 7_000.0, 11_000.0])]))
    apart = float(rng.uniform(0, 20) if not sequential else rng.choice([0.0, rng.uniform(0, 60)]))
    lines = receive(
        [hands[name] for name in names],
        senders,
        frames,
        rng,
        kind=kind,
        width_rms_us=width_rms,
        start_rms_us=start_rms,
        sequential=sequential,
        apart_us=apart if sequential else float(rng.choice([apart, rng.uniform(100, 400)])),
        packet_us=packet,
    )
    last = max(float(line.fall_us[-1]) for line in lines)
    return Recording(
        dict(zip(names, lines, strict=True)),
        analyser(rate_hz, rng),
        sequential,
        kind,
        sweep_pace,
        width_rms,
        start_rms,
        last + 400.0,
    )


def transmitter(rng: np.random.Generator, *, sweeps: bool) -> Transmitter:
    """Draw a transmitter's settings for one channel."""
    low, high = -rng.uniform(400, 505), rng.uniform(400, 505)
    trim = float(rng.choice([rng.uniform(-14, 14), rng.choice([-1, 1]) * rng.uniform(26, 45)]))
    step = float(rng.choice([0.0, 1024 / rng.choice([256, 512, 1024, 2048])]))
    expo, dead = 0.0, 0.0
    if sweeps:
        expo = float(rng.choice([0.0, 0.0, rng.uniform(0.2, 0.6)]))
        dead = float(rng.choice([0.0, 0.0, rng.uniform(0.04, 0.16)]))
    return Transmitter(low, high, trim, expo, dead, step, float(rng.uniform(0, max(step, 1e-9))))


def draw_lag(
    rate_hz: float, kind: str, rng: np.random.Generator
) -> tuple[Pulses, Lagging, Analyser]:
    """Draw an input line and the output line of a device, some 15 to 25 s."""
    period = float(rng.choice([7_000, 11_000, 14_000, 18_000, 20_000, 22_000]))
    period += float(rng.uniform(-200, 200))
    hand = wandering(rng)
    frames = clock(int(hand.end_s * 1e6 / period), period, rng.uniform(-100, 100), 2_000.0)
    width_rms = 0.0 if kind == "none" else float(np.exp(rng.uniform(np.log(0.3), np.log(3.0))))
    sender = transmitter(rng, sweeps=False)
    (line,) = receive(
        [hand],
        [sender],
        frames,
        rng,
        kind=kind,
        width_rms_us=width_rms,
        start_rms_us=0.5 * width_rms,
        sequential=False,
    )
    waits_for = str(rng.choice(["start", "end", "own clock"]))
    more = float(rng.choice([0.0, 0.0, rng.uniform(0.5, 2.8)])) * period
    buffered = int(rng.choice([0, 0, 1, 2, 3])) if waits_for != "own clock" else 0
    late = rng.uniform(50, 3_000) + more + (2_300 if waits_for == "start" else 0)
    own = period * rng.uniform(0.6, 1.7)
    device = lagging(
        line,
        rng,
        waits_for=waits_for,
        late_us=late,
        gain=float(rng.choice([1.0, rng.uniform(0.5, 1.1), -1.0])),
        period_us=own if waits_for == "own clock" else period,
        jitter_us=float(rng.choice([0.0, rng.uniform(0.2, 2.0)])),
        drops=0.0 if buffered else float(rng.choice([0.0, 0.01])),
        buffered=buffered,
    )
    return line, device, analyser(rate_hz, rng)
