"""How evenly the width follows the stick in a sweep, and along what curve."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.centring import examine_flat
from pwmscope.findings.travel.levels import is_sharp, middles, spaced
from pwmscope.findings.travel.travel import Travel
from pwmscope.model import (
    MAX_SPANS,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    mean_of,
    measured,
    not_shown,
    std_of,
    student_beyond,
    student_quantile,
)

MIN_CURVE_FRAMES: Final = 30
"""Frames of a sweep whose shape is taken."""
MIN_EACH_WAY: Final = 2
MAX_SWEEPS: Final = 60
MAX: Final = 0.6
"""A sweep whose shape is taken runs over this part of the travel, or more."""
TRIM: Final = 0.05
"""Left out at each end of a sweep, where a hand speeds up and slows down."""
UNEVEN: Final = 0.03
"""A sweep whose widths scatter about its curve by this part of half the travel is uneven."""
HIDES: Final = 0.003
"""Noise of more than this part of a sweep hides a soft start: expo makes what follows look fast
beside the middle."""
STRAIGHT: Final = 0.1
"""A coefficient below this is told from a straight line by no one at the sticks."""
EVIDENCE: Final = math.log(20.0)
"""Natural logarithm of the evidence ratio from which one sweep speaks for a curve."""
CHANCE: Final = 0.01
"""A curve is claimed where sweeps without one would agree as well less often than this."""
REPEATS: Final = 0.03
"""A curve of the channel's has the same coefficient in every sweep, within this; a hand that minds
the detent at neutral does not slow down so alike (own choice)."""
_WHAT_TO_DO: Final = (
    "Sweep the stick evenly and slowly from one end to the other, at least "
    f"{MIN_EACH_WAY} times each way, while recording."
)

OF_CURVE: Final = (
    Definition(
        "curve",
        "Whether the width follows the stick in a straight line, softer round neutral (expo) or "
        "sharper. Time stands for the stick's position. An uneven hand looks the same, so several "
        "sweeps both ways must agree.",
        "least squares over each sweep, w = c0 + c1 x against w = c0 + c1 x + c3 x^3, x the "
        "time from neutral; F = (RSS1 - RSS3) / (RSS3 / (n - 3)); AICc = n ln(RSS/n) + 2k + "
        "2k(k+1)/(n-k-1); coefficient e of w = A ((1 - e) s + e s^3), A half the travel, "
        "averaged over sweeps, u = s / sqrt(n), its interval by Student's t",
        "F test of nested linear models and AICc (Burnham and Anderson, Model Selection, 2002, "
        "2.4), JCGM 100, 4.2.3 and G.3.2, from memory; the choice: own algorithm",
    ),
)


class Shape(StrEnum):
    """How the width follows the stick."""

    LINEAR = "linear"
    SOFTER = "curved, softer round neutral"
    SHARPER = "curved, sharper round neutral"


@dataclass(frozen=True, slots=True)
class Fit:
    """A straight line and an odd cubic through one sweep."""

    way: int  # 1 for a sweep upwards, -1 downwards
    # The expo coefficient and its standard uncertainty from the fit alone
    coefficient: float
    uncertainty: float
    # The F ratio of the cubic term, and the chance of as much without one
    f: float
    chance: float
    evidence: float  # Natural logarithm of the evidence ratio for the cubic, by AICc
    uneven_us: float  # Scatter about the cubic
    # Whether the sweep sets off and stops within a frame or two, as at an even pace
    is_sharp: bool = True


@dataclass(frozen=True, slots=True)
class Curve:
    """How the width of one channel follows the stick."""

    # 95 % interval of the mean expo coefficient of all even sweeps: 0 is a straight line, 1 a pure
    # cubic, less than 0 sharper round neutral; None where the sweeps do not show it
    interval: tuple[float, float] | None
    fits: tuple[Fit, ...]  # The even sweeps
    finding: Finding  # `curve`, a `Shape`


def examine_curve(
    record: Record, travel: Travel, sweeps: IntArray, way: FloatArray, noise_us: float
) -> Curve:
    """Find how the width follows the stick, from sweeps through neutral."""
    low, neutral, high = travel.low, travel.neutral, travel.high
    if low is None or neutral is None or high is None:
        missing = [travel.reasons[at] for at in ("low", "neutral", "high") if at in travel.reasons]
        return _hidden(missing[0], ())
    moves, half_us = travel.moves, (high.width_us - low.width_us) / 2.0
    off_us = [moves.width_us[at] - neutral.width_us for at in (moves.begin, moves.end - 1)]
    through = (off_us[0] * off_us[1] < 0.0)[sweeps]
    wide = (np.abs(off_us[1] - off_us[0]) >= 2.0 * MAX * half_us)[sweeps]
    enough = (moves.end - moves.begin >= MIN_CURVE_FRAMES)[sweeps]
    used = np.flatnonzero(through & wide & enough)
    fits = []
    for at in used[spaced(used.size, MAX_SWEEPS)]:
        places = slice(int(moves.begin[sweeps[at]]), int(moves.end[sweeps[at]]))
        fit = fit_sweep(
            record.table.rise_s[moves.row[places]],
            moves.width_us[places] - neutral.width_us,
            half_us,
            int(way[at]),
        )
        if fit is not None and fit.uneven_us <= max(3.0 * noise_us, UNEVEN * half_us):
            along_us = way[at] * moves.width_us[places]
            seen = noise_us <= HIDES * abs(float(along_us[-1] - along_us[0]))
            fits.append(replace(fit, is_sharp=seen and is_sharp(along_us, noise_us)))
    return _agreed(record, travel, sweeps[used], tuple(fits))


def fit_sweep(time_s: FloatArray, off_us: FloatArray, half_us: float, way: int) -> Fit | None:
    """Fit a straight line and an odd cubic about neutral to one sweep.

    >>> s = np.linspace(-1, 1, 101)
    >>> fit = fit_sweep(s, 500 * (0.7 * s + 0.3 * s**3) + np.tile([0.1, -0.1], 51)[:101], 500, 1)
    >>> round(fit.coefficient, 3)
    0.3
    """
    trim = int(TRIM * time_s.size)
    time_s, along_us = time_s[trim : time_s.size - trim], way * off_us[trim : off_us.size - trim]
    near = np.abs(along_us) <= 0.25 * half_us
    if np.count_nonzero(near) < 6 or time_s.size < MIN_CURVE_FRAMES // 2:
        return None
    slope, offset = np.polyfit(time_s[near] - time_s[0], along_us[near], 1)
    if slope <= 0.0:
        return None
    x = (time_s - time_s[0] + offset / slope) / ((time_s[-1] - time_s[0]) / 2.0)
    straight = np.stack([np.ones_like(x), x], axis=1)
    cubic = np.column_stack([straight, x**3])
    rss_straight, _ = _least_squares(straight, along_us)
    rss_cubic, weight = _least_squares(cubic, along_us)
    freedom = x.size - 3
    variance = max(rss_cubic / freedom, 1e-12)
    covariance = variance * np.linalg.inv(cubic.T @ cubic)
    bent = _coefficient(float(weight[1]), float(weight[2]), half_us, covariance[1:, 1:])
    if bent is None:
        return None
    f = max(rss_straight - rss_cubic, 0.0) / variance
    return Fit(
        way, *bent, f, student_beyond(math.sqrt(f), freedom),
        0.5 * (_aicc(rss_straight, x.size, 3) - _aicc(rss_cubic, x.size, 4)),
        math.sqrt(variance),
    )  # fmt: skip


def _least_squares(columns: FloatArray, along_us: FloatArray) -> tuple[float, FloatArray]:
    """Return the residual sum of squares and the weights."""
    weight = np.asarray(np.linalg.lstsq(columns, along_us)[0], np.float64)
    return float(np.sum((along_us - columns @ weight) ** 2)), weight


def _aicc(rss: float, count: int, parameters: int) -> float:
    """Akaike's criterion with the correction for small samples; the variance is a parameter."""
    spread = count * math.log(max(rss, 1e-12) / count)
    return spread + 2.0 * parameters * count / (count - parameters - 1)


def _coefficient(
    linear: float, cubic: float, half_us: float, covariance: FloatArray
) -> tuple[float, float] | None:
    """Turn ``c1 x + c3 x^3`` into ``A ((1 - e) s + e s^3)``: ``e``, and its uncertainty.

    With ``x`` at the stick's end scaled to ``z = c1 x / A`` and ``k = c3 A^2 / c1^3``,
    ``z + k z^3 = 1`` and ``e = 1 - z``; ``de/dk = z^3 / (1 + 3 k z^2)`` (law of
    propagation, JCGM 100, 5.1.2 and 5.2.2).
    """
    if linear <= 0.0:
        return None
    k = cubic * half_us**2 / linear**3
    # Below -4/27 the curve turns back before it reaches the end.
    if k <= -4.0 / 27.0:
        return None
    z = 1.0
    for _ in range(50):
        z -= (z + k * z**3 - 1.0) / (1.0 + 3.0 * k * z**2)
    by_k = z**3 / (1.0 + 3.0 * k * z**2)
    gradient = by_k * np.array([-3.0 * k / linear, half_us**2 / linear**3])
    return 1.0 - z, math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))


def _agreed(record: Record, travel: Travel, sweeps: IntArray, fits: tuple[Fit, ...]) -> Curve:
    """Say what the sweeps show together."""
    up = np.array([fit.coefficient for fit in fits if fit.way > 0])
    down = np.array([fit.coefficient for fit in fits if fit.way < 0])
    if min(up.size, down.size) < MIN_EACH_WAY:
        return _hidden(
            f"Even sweeps through neutral over {100 * MAX:.0f} % of the travel: {up.size} up, "
            f"{down.size} down; {MIN_EACH_WAY} each way are needed.",
            fits,
        )
    every = np.concatenate([up, down])
    mean = mean_of(every)
    within = math.sqrt(sum(fit.uncertainty**2 for fit in fits)) / every.size
    uncertainty = max(std_of(every) / math.sqrt(every.size), within)
    reach = student_quantile(0.975, every.size - 1) * uncertainty
    ends = (mean - reach, mean + reach)
    places = 2 if uncertainty >= 0.005 else 3
    said = (
        f"The expo coefficient is {mean:.{places}f} (95 %: {ends[0]:.{places}f} to "
        f"{ends[1]:.{places}f}) in {up.size} sweeps up and {down.size} down"
    )
    spans = record.evidence(_rows(travel, sweeps))
    sharp = sum(fit.is_sharp for fit in fits)
    if sharp < 0.8 * len(fits):
        return _hidden(
            f"A soft hand and a curved channel look alike. Only {sharp} of {len(fits)} sweeps "
            "begin and end at full pace.",
            fits,
        )
    if max(abs(ends[0]), abs(ends[1])) <= STRAIGHT:
        told = measured(
            "curve", Shape.LINEAR.value, "",
            f"The width follows the stick in a straight line. {said}.", evidence=spans,
        )  # fmt: skip
        return Curve(ends, fits, told)
    speaking = [fit for fit in fits if fit.evidence >= EVIDENCE and fit.coefficient * mean > 0.0]
    agree = abs(mean_of(up) - mean_of(down)) <= abs(mean)
    doubtful = abs(mean) <= student_quantile(1.0 - CHANCE / 2.0, every.size - 1) * uncertainty
    if doubtful or len(speaking) < 0.8 * len(fits) or not agree:
        return _hidden(
            f"The sweeps do not agree on a shape, as with a hand of uneven pace. {said}.", fits
        )
    # What the noise alone would scatter is no sign of a hand.
    by_hand = max(std_of(every) ** 2 - 2.0 * within**2 * every.size, 0.0) ** 0.5
    alike = _looks_alike(record, travel, mean, ends[0], by_hand)
    if alike:
        return _hidden(f"{alike} look alike. {said}.", fits)
    told = measured(
        "curve", Shape.SOFTER.value, "",
        f"The width is {Shape.SOFTER.value}. {said}. In {len(speaking)} of {len(fits)} sweeps the "
        "evidence for a curve is 20 to 1 or more. A hand that is slowest at neutral each time "
        "looks the same.",
        evidence=spans,
    )  # fmt: skip
    return Curve(ends, fits, told)


def _looks_alike(record: Record, travel: Travel, mean: float, least: float, by_hand: float) -> str:
    """Name what looks like such a coefficient and is not excluded; empty where all is."""
    if mean < 0.0:
        return "A hand that is fastest in the middle, and a channel that is sharper round neutral,"
    if least <= STRAIGHT:
        return "A slight curve, and a straight line with a deadband,"
    if by_hand > REPEATS:
        return "Expo, and a hand that slows down at neutral each time by another amount,"
    flat = examine_flat(record, travel)
    if not flat.crossings or any(crossing.flat_us > 0.0 for crossing in flat.crossings):
        return "Expo and a deadband at neutral"
    return ""


def _rows(travel: Travel, sweeps: IntArray) -> IntArray:
    moves = travel.moves
    return moves.row[np.isin(moves.owner, sweeps)]


def _hidden(why: str, fits: tuple[Fit, ...]) -> Curve:
    reason = Reason(why, _WHAT_TO_DO)
    return Curve(None, fits, not_shown("curve", "", reason))


MIN_FRAMES: Final = 10
"""Frames that a sweep takes at least; faster ones show no shape."""

SWEEP_DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "sweep",
        "Whether the width only rises while the stick goes up, and only falls while it goes down. "
        "A step back comes from a worn stick, a code that is put out wrong, or the hand. Sweeps "
        "are moves of 10 frames or more by 5 % of the span or more. Going back as far counts as "
        "turning round.",
        "largest of (running extreme - width) along the sweep; steps back are stretches in which "
        "it exceeds 8 sigma + Ts; u = sqrt(2) sigma",
        "monotonicity as of a converter's code (IEEE Std 1241, from memory); threshold: own",
    ),
    *OF_CURVE,
)


@dataclass(frozen=True, slots=True)
class Sweeps:
    """The sweeps of one channel."""

    count: int  # How many
    steps_back: int  # How often the width stepped back in them, beyond noise
    curve: Curve  # How the width follows the stick
    findings: tuple[Finding, ...]  # `sweep` and `curve`


def examine_sweeps(record: Record, travel: Travel) -> Sweeps:
    """Measure whether sweeps go one way, and how they are curved."""
    moves = travel.moves
    noise_us = middles(record, spaced(len(record.dwells), 32), 200).std_us
    limit_us = 8.0 * noise_us + (record.table.sample_interval_us or 0.0)
    went_us = moves.width_us[moves.end - 1] - moves.width_us[moves.begin]
    long = moves.end - moves.begin >= MIN_FRAMES
    chosen = np.flatnonzero(long & (np.abs(went_us) >= moves.least_us))
    way = np.sign(went_us[chosen])
    curve = examine_curve(record, travel, chosen, way, noise_us)
    if not chosen.size:
        none = not_shown(
            "sweep", "us",
            Reason(
                f"No sweep of {MIN_FRAMES} frames or more was seen.",
                "Move the stick slowly from end to end while recording."
            ),
        )  # fmt: skip
        return Sweeps(0, 0, curve, (none, curve.finding))
    count = moves.end[chosen] - moves.begin[chosen]
    owner = np.repeat(np.arange(chosen.size), count)
    begin = np.cumsum(count) - count
    place = np.arange(owner.size) - begin[owner] + moves.begin[chosen][owner]
    back_us = _back_us(way[owner] * moves.width_us[place], owner)
    starts, farthest = _stretches(back_us, owner, limit_us)
    rows = moves.row[place]
    found = _sweep_finding(
        record, rows, rows[farthest], back_us[farthest],
        sweeps=chosen.size, limit_us=limit_us, noise_us=noise_us,
    )  # fmt: skip
    return Sweeps(int(chosen.size), int(starts.size), curve, (found, curve.finding))


def _back_us(along_us: FloatArray, owner: IntArray) -> FloatArray:
    """Say for each pulse how far it lies behind the farthest one before it in its sweep."""
    # Each sweep is lifted above the one before it, so that one running maximum does for all.
    apart_us = float(np.ptp(along_us)) + 1.0
    lifted_us = along_us + apart_us * owner
    back_us: FloatArray = np.maximum.accumulate(lifted_us) - lifted_us
    return back_us


def _stretches(back_us: FloatArray, owner: IntArray, limit_us: float) -> tuple[IntArray, IntArray]:
    """Find where each step back begins, and its farthest pulse."""
    is_back = back_us > limit_us
    before = np.concatenate([[False], is_back[:-1] & (owner[1:] == owner[:-1])])
    starts = np.flatnonzero(is_back & ~before)
    if not starts.size:
        return starts, starts
    places = np.flatnonzero(is_back)
    step = np.searchsorted(starts, places, side="right") - 1
    # Within each stretch, in order of distance, the last is the farthest.
    order = np.lexsort((back_us[places], step))
    last = np.concatenate([step[order][1:] != step[order][:-1], [True]])
    return starts, places[order][last]


def _sweep_finding(
    record: Record,
    rows: IntArray,
    back_row: IntArray,
    back_us: FloatArray,
    *,
    sweeps: int,
    limit_us: float,
    noise_us: float,
) -> Finding:
    said = "1 sweep" if sweeps == 1 else f"{sweeps} sweeps"
    if not back_row.size:
        return measured(
            "sweep", 0.0, "us",
            f"The width goes one way in {said}: it never steps back by more than "
            f"{limit_us:.2g} us, which noise does.",
            evidence=record.evidence(rows),
        )  # fmt: skip
    at_s = record.table.rise_s[back_row]
    largest = int(back_us.argmax())
    times = "once" if back_row.size == 1 else f"{back_row.size} times"
    return measured(
        "sweep", float(back_us[largest]), "us",
        f"The width steps back {times} in {said}, farthest at {at_s[largest]:.3f} s, by "
        f"{back_us[largest]:.1f} us. Noise steps back by {limit_us:.2g} us at most.",
        uncertainty=math.sqrt(2.0) * noise_us,
        evidence=tuple(
            Evidence(float(time_s), float(time_s), 1, int(row), int(row))
            for time_s, row in zip(at_s[:MAX_SPANS], back_row[:MAX_SPANS], strict=True)
        ),
    )  # fmt: skip
