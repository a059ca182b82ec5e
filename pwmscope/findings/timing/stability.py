"""How well the receiver's frame clock keeps time, over how long: its Allan and time deviation."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Record
from pwmscope.findings.timing.frame_clock import FrameClock
from pwmscope.model import (
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    chi_squared_above,
    inside,
    measured,
    not_shown,
)


@dataclass(frozen=True, slots=True, eq=False)
class ClockStretch:
    """Consecutive edges of one frame clock."""

    clock: FrameClock  # The clock
    # Its edges from `first` up to, without, `after`
    first: int
    after: int

    @property
    def number(self) -> IntArray:
        """Frame numbers; shape (edges,)."""
        return self.clock.frame_number[self.first : self.after]

    @property
    def time_error_us(self) -> FloatArray:
        """Time errors; shape (edges,)."""
        return self.clock.time_error_us[self.first : self.after]

    @property
    def edges(self) -> int:
        """Edges seen."""
        return self.after - self.first

    @property
    def frames(self) -> int:
        """Frames from the first to the last edge, with those that are missing."""
        return int(self.number[-1] - self.number[0]) + 1 if self.edges else 0

    @property
    def missing(self) -> int:
        """Frames whose edge was not seen."""
        return self.frames - self.edges

    @property
    def duration_s(self) -> float:
        """Seconds from the first to the last edge."""
        return max(self.frames - 1, 0) * self.clock.period_us / 1e6

    def part(self, edges: int) -> ClockStretch:
        """Return the stretch of its first edges, at most so many."""
        return ClockStretch(self.clock, self.first, min(self.after, self.first + edges))

    def without_gaps(self) -> ClockStretch:
        """Return the longest part in which no frame is missing."""
        if not self.missing:
            return self
        gaps = np.flatnonzero(np.diff(self.number) > 1) + 1
        bounds = np.concatenate([[0], gaps, [self.edges]])
        longest = int(np.argmax(np.diff(bounds)))
        return ClockStretch(
            self.clock, self.first + int(bounds[longest]), self.first + int(bounds[longest + 1])
        )

    def bridged_us(self) -> FloatArray:
        """Return the time errors of all frames, missing ones between their neighbours'."""
        if not self.missing:
            return self.time_error_us
        number, error_us = self.number, self.time_error_us
        return np.interp(np.arange(number[0], number[-1] + 1), number, error_us)

    def instants_s(self) -> FloatArray:
        """Return the edges' instants, in seconds since the first; shape (edges,)."""
        pattern = self.clock.pattern
        turn = pattern.starts_us / pattern.mean_us - np.arange(len(pattern))
        place = (self.number - self.number[0]) + turn[self.number % len(pattern)]
        instants_s = (place * self.clock.period_us + self.time_error_us) / 1e6
        since_first_s: FloatArray = instants_s - instants_s[0]
        return since_first_s

    def evidence(self, record: Record) -> tuple[Evidence, ...]:
        """Name the stretch as evidence, to the nearest pulse."""
        start_s = _first_edge_s(record, self.clock)
        if start_s is None or not self.edges:
            return ()
        period_s = self.clock.period_us / 1e6
        number = self.clock.frame_number
        ends_s = start_s + period_s * (self.number[[0, -1]] - number[0])
        rise_s = record.table.rise_s
        # Across new starts of the clock its numbers keep time to half a frame.
        first = int(np.searchsorted(rise_s, ends_s[0] - 0.5 * period_s))
        last = int(np.searchsorted(rise_s, ends_s[1] + 0.5 * period_s)) - 1
        return (Evidence.of(rise_s, first, last, self.edges),)


def longest_stretch(clock: FrameClock) -> ClockStretch:
    """Return the longest stretch in which the clock does not start anew."""
    bounds = np.concatenate([[0], clock.borders, [clock.frame_number.size]])
    longest = int(np.argmax(np.diff(bounds)))
    return ClockStretch(clock, int(bounds[longest]), int(bounds[longest + 1]))


def _first_edge_s(record: Record, clock: FrameClock) -> float | None:
    """Return the instant of the clock's first edge: that of the first period it counts."""
    frames = record.frames
    own = np.flatnonzero(frames.pattern == frames.patterns.index(clock.pattern))
    begin_s = record.table.rise_s[frames.index[np.setdiff1d(own, frames.odd)]]
    begin_s = begin_s[~inside(record.losses, begin_s)]
    return float(begin_s[0]) if begin_s.size else None


NOISES: Final = (2, 1, 0, -1, -2)
"""Exponents of frequency in the spectrum of relative frequency: white phase, flicker
phase, white frequency, flicker frequency, random walk of frequency."""
MIN_PHASES: Final = 30
"""Noise is told from no fewer time errors (NIST SP 1065, 5.5.6, from memory)."""
_MAX_PHASES: Final = 8192
_MAX_LAGS: Final = 100


def identify_noise(time_error_s: FloatArray, factors: Sequence[int]) -> IntArray:
    """Tell the dominant power-law noise at each averaging time.

    By the lag-1 autocorrelation r of every m-th time error, freed of a parabola:
    with d = r / (1 + r), the series is differenced until d < 1/4, at most twice,
    and the exponent is 2 - 2 (d + differences) to the nearest whole number (Riley
    and Greenhall, "Power law noise identification using the lag 1
    autocorrelation", 18th European Frequency and Time Forum, 2004; NIST SP 1065,
    5.5.6; from memory); 8192 are enough. The exponent of the next shorter
    averaging time holds where fewer than `MIN_PHASES` are left, and where it is
    lower: of a sum of noises those of lower exponent govern at longer times, and few
    phases tell a higher one by chance.

    >>> white = np.random.default_rng(1).normal(size=4000)
    >>> identify_noise(white, [1, 4]).tolist()
    [2, 2]
    >>> identify_noise(np.cumsum(white), [1, 4]).tolist()
    [0, 0]
    """
    found: list[int] = []
    for factor in factors:
        phases = time_error_s[:: int(factor)][:_MAX_PHASES]
        if phases.size >= MIN_PHASES:
            told = _exponent(phases)
            found.append(min(found[-1], told) if found else told)
        else:
            found.append(found[-1] if found else 2)
    return np.array(found, np.int64)


def _exponent(phases: FloatArray) -> int:
    place = np.linspace(-1.0, 1.0, phases.size)
    legendre = np.polynomial.legendre
    rest = phases - legendre.legval(place, legendre.legfit(place, phases, 2))
    differences = 0
    while True:
        rest = rest - rest.mean()
        power = float(rest @ rest)
        if power == 0.0:
            return 2
        lag = float(rest[1:] @ rest[:-1]) / power
        share = lag / (1.0 + lag)
        if share < 0.25 or differences == 2:
            break
        rest = np.diff(rest)
        differences += 1
    return int(np.clip(2 - 2 * differences - round(2 * share), -2, 2))


def freedom_of_allan(phases: int, factor: int, exponent: int) -> float:
    """Return the effective degrees of freedom of an overlapping Allan deviation.

    By the approximations of Howe, Allan and Barnes ("Properties of signal
    sources and measurement methods", 35th Frequency Control Symposium, 1981; NIST SP
    1065, Table 5; from memory).

    >>> round(freedom_of_allan(1000, 10, 0), 2)
    146.03
    """
    n, m = float(phases), float(factor)
    if exponent == 2:
        freedom = (n + 1.0) * (n - 2.0 * m) / (2.0 * (n - m))
    elif exponent == 1:
        pairs = np.log((n - 1.0) / (2.0 * m)) * np.log((2.0 * m + 1.0) * (n - 1.0) / 4.0)
        freedom = float(np.exp(np.sqrt(max(pairs, 0.0))))
    elif exponent == 0:
        freedom = 1.5 * (n - 1.0) / m - 2.0 * (n - 2.0) / n
        freedom *= 4.0 * m**2 / (4.0 * m**2 + 5.0)
    elif exponent == -1:
        flicker = 5.0 * n**2 / (4.0 * m * (n + 3.0 * m))
        freedom = 2.0 * (n - 2.0) ** 2 / (2.3 * n - 4.9) if factor == 1 else flicker
    else:
        freedom = (n - 2.0) / m * ((n - 1.0) ** 2 - 3.0 * m * (n - 1.0) + 4.0 * m**2)
        freedom /= max(n - 3.0, 1.0) ** 2
    return max(freedom, 1.0)


def freedom_of_time(phases: int, factor: int, exponent: int) -> float:
    """Return the effective degrees of freedom of an overlapping time deviation.

    By the correlation of the differences of averaged phases (Greenhall and Riley,
    "Uncertainty of stability variances based on finite differences", 35th PTTI
    Meeting, 2003; NIST SP 1065, 5.4.1; from memory): 1/edf is the mean over all
    pairs of terms of their squared correlation. Of more than a hundred lags a
    hundred are taken, evenly.

    >>> round(freedom_of_time(1000, 10, 0), 1)
    94.5
    """
    terms = phases - 3.0 * factor + 1.0
    lags = min(terms, 3.0 * factor)
    coarse = min(1.0, _MAX_LAGS / lags)
    terms, per_tau, last = terms * coarse, factor * coarse, int(lags * coarse + 0.5)
    lag = np.arange(last + 1.0)
    squares = (_covariance(lag / per_tau, exponent) / _covariance(np.zeros(1), exponent)) ** 2
    weight = 2.0 * (1.0 - lag / terms)
    weight[[0, -1]] /= 2.0
    return max(terms / float(np.sum(weight * squares)), 1.0)


def _covariance(lag: FloatArray, exponent: int) -> FloatArray:
    """Return the covariance of modified second differences at lags in averaging times.

    The sixth difference of the generalised autocovariance of the noise summed once:
    four of its orders by the second difference of phase, two by the averaging.
    """
    coefficients = np.convolve([1.0, -4.0, 6.0, -4.0, 1.0], [-1.0, 2.0, -1.0])
    places = np.abs(lag[:, None] + np.arange(-3.0, 4.0))
    power = 3 - exponent
    kernel = places**power
    if exponent % 2:
        kernel *= np.log(np.where(places > 0.0, places, 1.0))
    covariance: FloatArray = kernel @ coefficients
    return covariance


def chi_square_interval(
    deviation: FloatArray, freedom: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the 95 % interval of a deviation.

    The variance times its degrees of freedom over the true one follows
    chi-squared (NIST SP 1065, 5.3.2, from memory).

    >>> low, high = chi_square_interval(np.array([1.0]), np.array([10.0]))
    >>> round(float(low[0]), 3), round(float(high[0]), 3)
    (0.699, 1.755)
    """
    high, low = (
        deviation * np.sqrt(freedom / [chi_squared_above(chance, of) for of in freedom.tolist()])
        for chance in (0.975, 0.025)
    )
    return low, high


MAX_TERMS: Final = 2**18
"""At most this many differences are averaged for one factor."""
_BLOCK: Final = 2**15
_COARSENING: Final = 16
_MIN_STEPS: Final = 8


@dataclass(frozen=True, slots=True, eq=False)
class Deviations:
    """A deviation at each of several averaging times."""

    factor: IntArray  # shape (n,): Averaging factors: frames in each averaging time
    tau_s: FloatArray  # shape (n,): Averaging times in seconds
    # shape (n,): The deviation: of relative frequency (Allan, no unit) or of time (seconds)
    value: FloatArray
    # shape (n,): Its 95 % interval, from the chi-squared distribution
    low: FloatArray
    high: FloatArray
    freedom: FloatArray  # shape (n,): Effective degrees of freedom
    # shape (n,): Exponent of the dominant power-law noise: 2 white phase, 1 flicker phase, 0 white
    # frequency, -1 flicker frequency, -2 random walk of frequency
    noise: IntArray

    def scaled(self, scale: float) -> Deviations:
        """Return them for time errors in another unit."""
        return replace(self, value=scale * self.value, low=scale * self.low, high=scale * self.high)


def octaves(frames: int, parts: int) -> IntArray:
    """Return the powers of two up to a part of the record.

    >>> octaves(100, 4).tolist()
    [1, 2, 4, 8, 16]
    """
    most = frames // parts
    return 2 ** np.arange(most.bit_length(), dtype=np.int64)


def allan_deviation(time_error_s: FloatArray, tau0_s: float, factors: Sequence[int]) -> Deviations:
    """Return the overlapping Allan deviation of relative frequency.

    At tau = m tau0 it is sqrt(<(x[i+2m] - 2 x[i+m] + x[i])^2> / 2) / tau, the
    average over all i (IEEE Std 1139; NIST SP 1065, 5.2.4; clauses from memory).
    A time offset, and a steady frequency offset, do not count.

    Up to `MAX_TERMS` time errors every difference is averaged. Of longer
    records at most as many, in blocks spread evenly over the record; and where m
    is a multiple of 16, 256 and so on, i goes in steps of that number, no coarser
    than an eighth of tau: what lies between adds next to nothing.

    Phases that alternate between 0 and 1 s at steps of 1 s:

    >>> allan_deviation(np.arange(100) % 2.0, 1.0, [1, 2]).value.round(3).tolist()
    [1.414, 0.0]

    The plain form, without overlap, is that of every m-th time error:

    >>> phases_s = np.sin(np.arange(200.0))
    >>> float(allan_deviation(phases_s[::5], 5.0, [1]).value[0].round(4))
    0.1452
    """
    return _deviations(time_error_s, tau0_s, factors, modified=False)


def time_deviation(time_error_s: FloatArray, tau0_s: float, factors: Sequence[int]) -> Deviations:
    """Return the time deviation, from the modified Allan deviation.

    It is tau / sqrt(3) times the modified Allan deviation: the difference of
    `allan_deviation` is averaged over m neighbours before it is squared, and
    TDEV = sqrt(<mean^2> / 6) (ITU-T G.810; NIST SP 1065, 5.2.5 and 5.2.6; clauses from
    memory). White phase noise of deviation s gives s / sqrt(m).

    Long records are thinned as in `allan_deviation`; coarse steps then average
    the time errors between them, which changes nothing in the inner mean.

    >>> time_deviation(np.arange(100) % 2.0, 1.0, [1, 2]).value.round(3).tolist()
    [0.816, 0.0]
    """
    return _deviations(time_error_s, tau0_s, factors, modified=True)


def _deviations(
    time_error_s: FloatArray, tau0_s: float, factors: Sequence[int], *, modified: bool
) -> Deviations:
    """Work out Allan deviations, or time deviations, which come of modified differences."""
    size = time_error_s.size
    most = size // 3 if modified else (size - 1) // 2
    for factor in factors:
        if not 1 <= factor <= most:
            raise ValueError(
                f"The averaging factor {factor} is out of range: "
                f"{size} time errors allow 1 to {most}."
            )
    coarser = _averaged if modified else lambda fine: np.ascontiguousarray(fine[::_COARSENING])
    noise = identify_noise(time_error_s, factors)
    ladder = [time_error_s]
    value, freedom = [], []
    for factor, exponent in zip(factors, noise.tolist(), strict=True):
        steps, level = factor, 0
        while size > MAX_TERMS and steps % _COARSENING == 0 and steps // _COARSENING >= _MIN_STEPS:
            steps, level = steps // _COARSENING, level + 1
        while len(ladder) <= level:
            ladder.append(coarser(ladder[-1]))
        square, terms = _mean_square(ladder[level], steps, windowed=modified)
        # A thinned record is a shorter one at coarser steps, of terms + 2 or 3 m - 1 phases.
        if modified:
            value.append(math.sqrt(square / 6.0))
            freedom.append(freedom_of_time(terms + 3 * steps - 1, steps, exponent))
        else:
            value.append(math.sqrt(square / 2.0) / (factor * tau0_s))
            freedom.append(freedom_of_allan(terms + 2 * steps, steps, exponent))
    found, known = np.array(value), np.array(freedom)
    low, high = chi_square_interval(found, known)
    tau_s = np.array([tau0_s * factor for factor in factors])
    return Deviations(np.asarray(factors, np.int64), tau_s, found, low, high, known, noise)


def _averaged(values: FloatArray) -> FloatArray:
    whole = values.size // _COARSENING * _COARSENING
    # As quick as a matrix product, without its threads.
    sums: FloatArray = np.einsum("ij->i", values[:whole].reshape(-1, _COARSENING))
    return sums / _COARSENING


def _mean_square(values: FloatArray, steps: int, *, windowed: bool) -> tuple[float, int]:
    """Return the mean square of second differences and their number, block by block.

    Blocks stay in the processor's cache, and the running sums short.
    """
    inner = steps if windowed else 1
    terms = values.size - 2 * steps - inner + 1
    block = min(terms, max(_BLOCK, 4 * steps if windowed else 0))
    blocks = -(-terms // block)
    kept = min(blocks, max(1, MAX_TERMS // block))
    total, used = 0.0, 0
    for place in [k * blocks // kept * block for k in range(kept)]:
        piece = values[place : min(place + block, terms) + 2 * steps + inner - 1]
        bend = piece[2 * steps :] - piece[steps:-steps]
        bend -= piece[steps:-steps]
        bend += piece[: -2 * steps]
        if inner > 1:
            sums = np.cumsum(bend)
            bend = sums[inner - 1 :]
            bend[1:] -= sums[:-inner]
            bend /= inner
        total += float(np.einsum("i,i->", bend, bend))
        used += bend.size
    return total / used, used


MIN_S: Final = 30.0
ASKED_S: Final = 31.0
MIN_FRAMES: Final = 100
BRIDGED: Final = 0.01
"""Gaps are bridged where fewer than this part of the frames is missing."""
HIDDEN: Final = 2.0**0.5
"""Sampling can hide an Allan deviation of this times Ts / tau."""
NAME: Final = "frame clock stability"

STABILITY_DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        NAME,
        "How much the frame clock's rate changes from second to second. The analyser's own clock "
        "is part of it. A steady clock is the sign of a crystal and of a receiver that is always "
        "on time.",
        "overlapping Allan deviation sqrt(<(x[i+2m] - 2 x[i+m] + x[i])^2> / 2) / (m T0) of the "
        "time errors x, m a power of two with m T0 nearest 1 s; 95 % interval by chi-squared with "
        "the effective degrees of freedom of the dominant noise; sampling alone gives "
        "Ts / (2 m T0); where no more than that is seen the receiver's own is at most sqrt(2) Ts / "
        "(m T0) above what is seen",
        "IEEE Std 1139; NIST SP 1065, 5.2.4, 5.3 and 5.5.6; Riley and Greenhall 2004 (noise); "
        "sampling: white phase noise Ts / sqrt(12), JCGM 100, 4.3.7; clauses from memory",
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class Stability:
    """The stability of one channel's frame clock."""

    # Overlapping Allan deviation at octaves up to a quarter of the stretch; None where the
    # recording does not show it
    allan: Deviations | None
    time: Deviations | None  # Time deviation in seconds at octaves up to a fifth of the stretch
    # Allan deviation that sampling alone gives, as a rule, at 1 s; it falls with the averaging
    # time. None where the sample interval is not known.
    sampling_floor: float | None
    frames: int  # Frames in the stretch used
    bridged: int  # Missing frames among them that were bridged
    findings: tuple[Finding, ...]  # `frame clock stability`


def examine_stability(record: Record, clock: FrameClock | None) -> Stability:
    """Measure the stability of a channel's frame clock."""
    interval_us = record.table.sample_interval_us
    floor = None if interval_us is None else interval_us / 2e6
    if clock is None:
        return _not_shown(
            floor,
            Reason(
                "The frames follow no steady clock, so its stability is not shown.",
                "Record frames that come evenly.",
            ),
        )
    whole = longest_stretch(clock)
    stretch = whole if whole.missing < BRIDGED * whole.frames else whole.without_gaps()
    # A recording of 30 s holds a frame or two less from its first edge to its last.
    if stretch.duration_s < MIN_S - 2.0 * clock.period_us / 1e6 or stretch.edges < MIN_FRAMES:
        return _not_shown(
            floor,
            Reason(
                f"Only {stretch.duration_s:.4g} s with {stretch.edges} frames in step were seen. "
                "That is too short for the clock's stability.",
                f"Record {ASKED_S:g} s and more than {MIN_FRAMES} frames without a loss.",
            ),
        )
    tau0_s = clock.period_us / 1e6
    time_error_us = stretch.bridged_us()
    frames = time_error_us.size
    # In microseconds: the deviations are scaled afterwards, not ten million time errors.
    allan = allan_deviation(time_error_us, tau0_s, octaves(frames, 4).tolist()).scaled(1e-6)
    time = time_deviation(time_error_us, tau0_s, octaves(frames, 5).tolist()).scaled(1e-6)
    found = _finding(record, stretch, allan, floor, _taken_from(clock, whole, stretch))
    return Stability(allan, time, floor, frames, stretch.missing, (found,))


def _not_shown(floor: float | None, reason: str) -> Stability:
    return Stability(None, None, floor, 0, 0, (not_shown(NAME, "ppm", reason),))


def _taken_from(clock: FrameClock, whole: ClockStretch, stretch: ClockStretch) -> str:
    if stretch.missing == 1:
        return " One missing frame is bridged by a straight line."
    if stretch.missing:
        return f" {stretch.missing} missing frames are bridged by straight lines."
    if stretch is not whole:
        return (
            f" Of the {whole.frames} frames {100.0 * whole.missing / whole.frames:.2g} % lie in "
            "signal losses or were not seen. It is taken from the longest stretch without them, "
            f"{stretch.duration_s:.3g} s."
        )
    if clock.borders.size:
        return (
            " The clock starts anew during the recording. It is taken from the longest stretch in "
            f"step, {stretch.duration_s:.3g} s."
        )
    return ""


def _finding(
    record: Record, stretch: ClockStretch, allan: Deviations, floor: float | None, taken_from: str
) -> Finding:
    near = int(np.argmin(np.abs(np.log(allan.tau_s))))
    tau_s, value = float(allan.tau_s[near]), float(allan.value[near])
    low, high = float(allan.low[near]), float(allan.high[near])
    evidence = stretch.evidence(record)
    if floor is not None and value <= floor / tau_s:
        # Each edge is read less than one sample interval late, so that no second
        # difference is wrong by more than two: the root mean squares add up at most.
        most = high + 2.0 * HIDDEN * floor / tau_s
        sentence = (
            f"The frame clock usually keeps time within {_time(most, tau_s)} over "
            f"{tau_s:.3g} s ({_share(most)}), or better. Sampling alone gives "
            f"{_share(floor / tau_s)}, so the receiver's own share is not resolved. "
            "Record at a higher sample rate."
        )
        return measured(
            NAME, value * 1e6, "ppm", sentence + taken_from,
            interval=(0.0, most * 1e6), evidence=evidence,
        )  # fmt: skip
    beside = (
        "How much of that the timing of edges gives is not known"
        if floor is None
        else f"Sampling alone gives {_share(floor / tau_s)}"
    )
    return measured(
        NAME,
        value * 1e6,
        "ppm",
        f"The frame clock usually keeps time within {_time(value, tau_s)} over {tau_s:.3g} s, by "
        f"the analyser's clock. That is {_share(value)} (95 %: {_share(low)} to {_share(high)}). "
        f"{beside}." + taken_from,
        uncertainty=value * 1e6 / float(np.sqrt(2.0 * allan.freedom[near])),
        interval=(low * 1e6, high * 1e6),
        evidence=evidence,
    )


def _time(part: float, tau_s: float) -> str:
    return f"{part * tau_s * 1e6:.2g} us"


def _share(part: float) -> str:
    """Say a part of one in ppm or, where it is small, in ppb.

    >>> _share(2.5e-6), _share(3.14e-9)
    ('2.5 ppm', '3.14 ppb')
    """
    return f"{part * 1e6:.3g} ppm" if part >= 1e-7 else f"{part * 1e9:.3g} ppb"
