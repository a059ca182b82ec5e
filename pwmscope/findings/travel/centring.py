"""How well the stick comes back to neutral, from below and from above."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr, stdtrit

from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.levels import Level, half_of_both_us, level_of
from pwmscope.findings.travel.middles import middles, spaced
from pwmscope.findings.travel.neutral_flat import DEFINITIONS as OF_FLAT
from pwmscope.findings.travel.neutral_flat import Flat, examine_flat
from pwmscope.findings.travel.travel import Travel
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    MAX_SPANS,
    Definition,
    Evidence,
    Finding,
    mean_of,
    measured,
    not_shown,
    sampling_floor_us,
    std_of,
)

RETURN_REACH: Final = 0.03
"""A dwell this part of the span from neutral, or less, is a return to it."""
MIN_RETURNS: Final = 2
MAX_RETURNS: Final = 500
"""Of more returns, so many evenly spaced ones are used."""
MAX_IN_RETURN: Final = 200
OF_HALF: Final = 1.8
"""How much less well the middle half of a stay is known than the whole: it holds half the
pulses, and where it lies depends on where the stay ends."""
MAX_KNOWN: Final = 60
"""Returns whose own uncertainty is worked out; the others are taken to be like them."""
SIGNIFICANT: Final = 0.05
_WHAT_TO_DO: Final = (
    "Move the stick to one end and let it come back to neutral, wait a second, then the same "
    "to the other end; do both three times or more while recording."
)

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "centring",
        "How far apart the widths are at which the stick comes to rest when it comes back to "
        "neutral from one side, again and again. The two sides are taken apart, so that a "
        "difference between them does not count here.",
        "s = sqrt(((n1-1) s1^2 + (n2-1) s2^2) / (n1+n2-2)), of the mean width in the middle "
        "half of each stay; its interval is that of the returns recorded, "
        "u = 1.8 u(level) / sqrt(n1+n2-2)",
        "repeatability, JCGM 200, 2.20 and 2.21; JCGM 100, 4.2.2 and 5.1.2, from memory",
    ),
    Definition(
        "hysteresis",
        "How much higher the stick comes to rest when it comes back from above than when it "
        "comes back from below. Its interval is that of the returns recorded. It is significant "
        "where Welch's test gives a chance below 5 % that it would not come again, and the "
        "interval of that, sampling included, leaves 0 out.",
        "mean(from above) - mean(from below); u^2 = (1.8 u(level))^2 (1/n1 + 1/n2); "
        "t = difference / sqrt(s1^2/n1 + s2^2/n2), degrees of freedom by Welch and Satterthwaite",
        "B. L. Welch, Biometrika 34, 1947; JCGM 100, G.4.1 and 4.3.9, from memory",
    ),
    *OF_FLAT,
)


@dataclass(frozen=True, slots=True)
class Returns:
    """Returns to neutral from one side."""

    count: int  # How many
    # Of the widths at which they came to rest; None below one and two returns
    mean_us: float | None
    std_us: float | None


@dataclass(frozen=True, slots=True)
class Difference:
    """The difference of two means, by Welch's test."""

    # First minus second, and its standard uncertainty
    us: float
    uncertainty_us: float
    interval_us: tuple[float, float]  # 95 % interval
    chance: float  # That two sides without a difference differ as much (two-sided p)
    significant: bool  # Whether the chance is below 5 % and the interval leaves 0 out


@dataclass(frozen=True, slots=True)
class Centring:
    """How one channel comes back to neutral."""

    # Returns from widths below neutral, and from above it
    below: Returns
    above: Returns
    repeatability_us: float | None  # Standard deviation of returns from one side, pooled
    hysteresis: Difference | None  # Mean of the returns from above minus that of those from below
    flat: Flat  # The flat in slow sweeps through neutral
    findings: tuple[Finding, ...]  # `centring`, `hysteresis` and `deadband`


def examine_centring(record: Record, travel: Travel) -> Centring:
    """Measure how well the stick comes back to neutral, and the flat there."""
    flat = examine_flat(record, travel)
    if travel.neutral is None:
        return _without(travel.reasons["neutral"], flat, Returns(0, None, None))
    chosen, side = find_returns(record, travel, travel.neutral)
    used = spaced(chosen.size, MAX_RETURNS)
    chosen, side = chosen[used], side[used]
    rest_us, own_us = _rests(record, chosen)
    below_us, above_us = rest_us[side < 0], rest_us[side > 0]
    below, above = _returns(below_us), _returns(above_us)
    if min(below.count, above.count) < MIN_RETURNS:
        return _without(
            f"The stick came back to neutral {_times(below)} from below and {_times(above)} from "
            f"above; at least {MIN_RETURNS} of each are needed. {_WHAT_TO_DO}",
            flat, below, above,
        )  # fmt: skip
    freedom = below.count + above.count - 2
    pooled_us = math.sqrt(
        ((below.count - 1) * std_of(below_us) ** 2 + (above.count - 1) * std_of(above_us) ** 2)
        / freedom
    )
    difference = welch(above_us, below_us, sampling_floor_us(record.table.sample_interval_us))
    spans = record.dwells.select(np.isin(np.arange(len(record.dwells)), chosen)).evidence
    found = (
        _centring_finding(
            below, above, pooled_us, _of_scatter(pooled_us, own_us, freedom), spans[:MAX_SPANS]
        ),
        _hysteresis_finding(
            difference,
            _of_difference(difference.us, own_us, (below.count, above.count)),
            spans[:MAX_SPANS],
        ),
        flat.finding,
    )
    return Centring(below, above, pooled_us, difference, flat, found)


def find_returns(
    record: Record, travel: Travel, neutral: Level
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Find the dwells at which the stick came back to neutral, and from which side."""
    dwells, moves = record.dwells, travel.moves
    span_us = record.table.convention.span_us
    at = np.flatnonzero(np.abs(dwells.level_us - neutral.width_us) <= RETURN_REACH * span_us)
    off_us = np.concatenate([moves.width_us, dwells.level_us]) - neutral.width_us
    row = np.concatenate([moves.row, dwells.last])
    far = np.abs(off_us) >= moves.least_us
    order = np.argsort(row[far], kind="stable")
    far_row, far_side = row[far][order], np.sign(off_us[far][order]).astype(np.int64)
    if not far_row.size or not at.size:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    first = dwells.first[at]
    before = np.searchsorted(far_row, first) - 1
    # Between two stays at neutral the stick must have been away, the signal not lost.
    left = np.concatenate([[-1], dwells.last[at][:-1]])
    came = (before >= 0) & (far_row[before] > left)
    lost_s = np.array([span.start_s for span in record.losses])
    rise_s = record.table.rise_s
    came &= np.searchsorted(lost_s, rise_s[far_row[before]]) == np.searchsorted(
        lost_s, rise_s[first]
    )
    return at[came], far_side[before[came]]


def _rests(record: Record, chosen: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.float64], float]:
    """Where the stick came to rest each time, and how well one such width is known."""
    rest_us = middles(record, chosen, MAX_IN_RETURN).level_us
    one = np.arange(len(record.dwells))
    known = [
        level_of(record.table, record.dwells.select(one == at)).own_us for at in chosen[:MAX_KNOWN]
    ]
    return rest_us, OF_HALF * math.sqrt(mean_of(np.square(known))) if known else 0.0


def _of_scatter(pooled_us: float, own_us: float, freedom: int) -> tuple[float, float]:
    """95 % interval of the scatter of the returns that were recorded.

    Errors of the single returns move it by their part along its deviations, u / sqrt(n), and
    lift it by what they add in quadrature.
    """
    lifted_us = pooled_us - math.sqrt(max(pooled_us**2 - own_us**2, 0.0))
    half_us = 1.96 * own_us / math.sqrt(freedom)
    return max(pooled_us - lifted_us - half_us, 0.0), pooled_us + half_us


def _of_difference(us: float, own_us: float, counts: tuple[int, int]) -> tuple[float, float]:
    """95 % interval of the difference of the means that were recorded."""
    own_us *= math.sqrt(sum(1.0 / count for count in counts))
    half_us = half_of_both_us(own_us, CLOCK_TOLERANCE * abs(us))
    return us - half_us, us + half_us


def welch(
    first: npt.NDArray[np.float64], second: npt.NDArray[np.float64], floor_us: float | None
) -> Difference:
    """Compare two means whose scatters may differ.

    Examples
    --------
    >>> found = welch(np.array([3.0, 4.0, 5.0]), np.array([1.0, 2.0, 3.0]), 0.0)
    >>> found.us, round(found.uncertainty_us, 4), round(found.chance, 4)
    (2.0, 0.8165, 0.0705)
    """
    parts = [std_of(values) ** 2 / values.size for values in (first, second)]
    us, variance = mean_of(first) - mean_of(second), sum(parts)
    both = variance + 2.0 * (floor_us or 0.0) ** 2
    if variance == 0.0:
        chance, factor = float(us == 0.0), float(stdtrit(np.inf, 0.975))
    else:
        slack = sum(p**2 / (v.size - 1) for p, v in zip(parts, (first, second), strict=True))
        chance = 2.0 * float(stdtr(variance**2 / slack, -abs(us) / math.sqrt(variance)))
        factor = float(stdtrit(both**2 / slack, 0.975))
    uncertainty_us = math.sqrt(both)
    ends = (us - factor * uncertainty_us, us + factor * uncertainty_us)
    significant = chance < SIGNIFICANT and not ends[0] <= 0.0 <= ends[1]
    return Difference(us, uncertainty_us, ends, chance, significant)


def _times(returns: Returns) -> str:
    return {0: "never", 1: "once"}.get(returns.count, f"{returns.count} times")


def _returns(rest_us: npt.NDArray[np.float64]) -> Returns:
    return Returns(
        int(rest_us.size),
        mean_of(rest_us) if rest_us.size else None,
        std_of(rest_us) if rest_us.size > 1 else None,
    )


def _without(reason: str, flat: Flat, below: Returns, above: Returns | None = None) -> Centring:
    found = (
        not_shown("centring", "us", reason),
        not_shown("hysteresis", "us", reason),
        flat.finding,
    )
    return Centring(below, above or below, None, None, flat, found)


def _centring_finding(
    below: Returns,
    above: Returns,
    pooled_us: float,
    interval_us: tuple[float, float],
    spans: tuple[Evidence, ...],
) -> Finding:
    return measured(
        "centring", pooled_us, "us",
        f"The stick comes back to neutral within {pooled_us:.2g} us RMS: to "
        f"{below.mean_us:.2f} us from below ({below.count} returns), to {above.mean_us:.2f} us "
        f"from above ({above.count} returns).",
        uncertainty=(interval_us[1] - interval_us[0]) / (2.0 * COVERAGE), interval=interval_us,
        evidence=spans,
    )  # fmt: skip


def _hysteresis_finding(
    difference: Difference, recorded_us: tuple[float, float], spans: tuple[Evidence, ...]
) -> Finding:
    low_us, high_us = difference.interval_us
    chance = f"by chance as much in {100.0 * difference.chance:.2g} % of cases"
    if difference.significant:
        higher = "higher" if difference.us > 0 else "lower"
        sentence = (
            f"Neutral is {abs(difference.us):.2f} us {higher} when the stick comes back from "
            f"above than from below (another time, 95 %: {low_us:.2f} to {high_us:.2f} us; "
            f"{chance})."
        )
    else:
        sentence = (
            f"No hysteresis is shown: from above neutral is {difference.us:+.2f} us off what it "
            f"is from below (another time, 95 %: {low_us:.2f} to {high_us:.2f} us; {chance})."
        )
    return measured(
        "hysteresis", difference.us, "us", sentence,
        uncertainty=(recorded_us[1] - recorded_us[0]) / (2.0 * COVERAGE), interval=recorded_us,
        evidence=spans,
    )  # fmt: skip
