"""How well the stick comes back to neutral, and the deadband around it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Record, joined_dwells
from pwmscope.findings.travel.levels import Level, is_sharp, level_of, middles, spaced
from pwmscope.findings.travel.travel import Travel
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    MAX_SPANS,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    half_width,
    mean_of,
    measured,
    normal_quantile,
    not_shown,
    sampling_floor_us,
    std_of,
    student_beyond,
    student_quantile,
)
from pwmscope.pulses import UNMEASURED, PulseTable

BAND: Final = 0.1
"""Sweeps are looked at from this part of the span below neutral to as much above it."""
STEADY: Final = 0.25
"""Rates before and behind neutral that differ by this part or less are one rate."""
FAR: Final = (0.2, 0.36)
"""Parts of the span from neutral between which the pace far off is taken."""
MIN_FAR: Final = 4
EVEN: Final = (0.9, 1.12)
"""Pace beside neutral over that far off: expo of a tenth, or a bell-shaped hand, is beyond."""
UNEVEN_PACE: Final = 2.0
"""The stick may go so much faster through neutral than the width shows, with expo of a half."""
MIN_ON_SIDE: Final = 6
"""Frames that a sweep must take between the band's end and neutral, each side."""
MIN_SWEEPS: Final = 2
ALIKE: Final = 0.07
ALIKE_FRAMES: Final = 0.8
"""Flats of a deadband scatter by no more than this part of their mean, or so many frames'
movement; those of a hand that pauses at neutral scatter by a tenth and more (from memory)."""
MAX_SWEEPS: Final = 40
MAX_FRAMES: Final = 5000
_SWEEP_SLOWLY: Final = (
    "While recording, move the stick slowly and evenly from end to end, twice each way. Do not "
    "stop at neutral."
)

OF_FLAT: Final = (
    Definition(
        "deadband",
        "How far the stick moves about neutral while the width stands still. Only a slow, even "
        "sweep shows it, as a flat at neutral. Its size is time on the flat times the sweep's "
        "rate. A hand that pauses at neutral looks alike, so the sweeps must agree within 7 % "
        "or 0.8 frames.",
        "(time on the flat) x (mean rate before and behind); flat: more frames in a row within "
        "4 sigma + Ts of neutral than 3 plus twice as many as at any other width; it begins "
        "where the line of the sweep meets it, or where the width steps on to it",
        "own algorithm; each end of the flat is known to a frame, JCGM 100, 4.3.7, from memory",
    ),
)


@dataclass(frozen=True, slots=True)
class Crossing:
    """One even sweep through neutral."""

    # Rows of the pulse table between which it crosses the band
    first: int
    last: int
    flat_s: float  # How long the width stands at neutral; 0 where there is no flat
    flat_us: float  # That, times the rate
    shortest_us: float  # The shortest flat that would have been seen at this rate
    frame_us: float  # How far the width goes in one frame
    # Step of the width on to the flat, and off it, along the sweep; 0 for none
    before_us: float
    behind_us: float
    is_even: bool = True  # Whether the width goes as fast beside neutral as far from it


@dataclass(frozen=True, slots=True)
class Flat:
    """What sweeps through neutral show there."""

    crossings: tuple[Crossing, ...]  # The even sweeps
    # Movement of the stick that changes nothing; 0 where there is no flat
    deadband_us: float | None
    uncertainty_us: float | None
    finding: Finding  # `deadband`


def examine_flat(record: Record, travel: Travel) -> Flat:
    """Look for a flat at neutral in slow sweeps."""
    if travel.neutral is None:
        return _hidden(travel.reasons["neutral"], ())
    std_us = middles(record, spaced(len(record.dwells), 16), 500).std_us
    near_us = 4.0 * std_us + (record.table.sample_interval_us or 0.0)
    band_us = BAND * record.table.convention.span_us
    if 3.0 * near_us > band_us / 2.0:
        return _hidden(f"At {std_us:.2g} us of noise a flat at neutral cannot be told.", ())
    neutral_us = travel.neutral.width_us
    measured_ways = (
        _crossing(record, way, neutral_us, near_us=near_us, band_us=band_us)
        for way in _through(record, travel, neutral_us, band_us, std_us)
    )
    crossings = tuple(crossing for crossing in measured_ways if crossing is not None)
    if len(crossings) < MIN_SWEEPS:
        seen = "Only one" if crossings else "No"
        return _hidden(
            Reason(
                f"{seen} slow, even sweep goes through neutral; {MIN_SWEEPS} are needed to see a "
                "flat there.",
                _SWEEP_SLOWLY,
            ),
            crossings,
        )
    return _agreed(record, crossings, band_us)


@dataclass(frozen=True, slots=True)
class _Way:
    """A way through the band: its first and last row, 1 upwards or -1 downwards, its pace far off.

    The pace is that on both sides at `FAR` of the span from neutral; None where it does not
    reach so far, or where the hand set off or stopped softly.
    """

    first: int
    last: int
    up: int
    far_per_s: float | None


def _through(
    record: Record, travel: Travel, neutral_us: float, band_us: float, noise_us: float
) -> list[_Way]:
    """List the ways through the band in which no signal was lost."""
    moves = travel.moves
    off_us = moves.turn_us - neutral_us
    through = (off_us[:-1] * off_us[1:] < 0) & (
        np.minimum(np.abs(off_us[:-1]), np.abs(off_us[1:])) >= band_us
    )
    strokes = np.flatnonzero(through)
    ways = []
    for stroke in strokes[spaced(strokes.size, MAX_SWEEPS)]:
        begin, end = np.searchsorted(moves.row, moves.turn_row[stroke : stroke + 2])
        up = 1 if off_us[stroke + 1] > 0 else -1
        along_us = up * (moves.width_us[begin:end] - neutral_us)
        entered = np.flatnonzero(along_us <= -band_us)
        left = np.flatnonzero(along_us >= band_us)
        if not entered.size or not left.size or left[0] <= entered[-1]:
            continue
        first, last = int(moves.row[begin + entered[-1]]), int(moves.row[begin + left[0]])
        lost = any(span.start_s < record.table.rise_s[last] and
                   span.end_s > record.table.rise_s[first] for span in record.losses)  # fmt: skip
        if last - first <= MAX_FRAMES and not lost:
            row = moves.row[begin:end]
            far_per_s = None
            if is_sharp(along_us, noise_us):
                far_per_s = _pace_far(record.table.rise_s[row], along_us, record.table)
            ways.append(_Way(first, last, up, far_per_s))
    return ways


def _pace_far(time_s: FloatArray, along_us: FloatArray, table: PulseTable) -> float | None:
    """Mean pace on both sides, well away from neutral; None where too little is seen there."""
    span_us = table.convention.span_us
    paces = []
    for side in (-1.0, 1.0):
        inside = (side * along_us >= FAR[0] * span_us) & (side * along_us <= FAR[1] * span_us)
        if np.count_nonzero(inside) < MIN_FAR:
            return None
        paces.append(float(np.polyfit(time_s[inside] - time_s[0], along_us[inside], 1)[0]))
    return mean_of(np.array(paces))


def _crossing(
    record: Record, way: _Way, neutral_us: float, *, near_us: float, band_us: float
) -> Crossing | None:
    """Measure one way through the band; None where it is not even."""
    table = record.table
    rows = np.arange(way.first, way.last + 1)
    rows = rows[(table.flags[rows] & np.uint8(UNMEASURED)) == 0]
    rows = rows[~np.isin(rows, record.dwells.stray)]
    time_s = table.rise_s[rows] - table.rise_s[way.first]
    along_us = way.up * (table.width_us[rows] - neutral_us)
    before, behind = np.flatnonzero(along_us < -near_us), np.flatnonzero(along_us > near_us)
    if min(before.size, behind.size) < MIN_ON_SIDE or before[-1] > behind[0]:
        return None
    lines = [np.polyfit(time_s[side], along_us[side], 1) for side in (before, behind)]
    rates = [float(line[0]) for line in lines]
    rate = mean_of(np.array(rates))
    if min(rates) <= 0.0 or abs(rates[1] - rates[0]) > STEADY * rate:
        return None
    for side, line in zip((before, behind), lines, strict=True):
        off_us = along_us[side] - np.polyval(line, time_s[side])
        if std_of(off_us) > max(near_us, 0.05 * band_us):
            return None
    frame_s = float(np.median(np.diff(time_s)))
    is_even = way.far_per_s is not None and EVEN[0] <= rate / way.far_per_s <= EVEN[1]
    # As many frames in a row as near to another width as these to neutral are no flat.
    usual = _most_near(along_us, near_us)
    standing = slice(int(before[-1]) + 1, int(behind[0]))
    shortest_us = (2 * usual + 3) * frame_s * rate
    if standing.stop - standing.start < 2 * usual + 3:
        return Crossing(
            way.first, way.last, 0.0, 0.0, shortest_us, frame_s * rate, 0.0, 0.0, is_even
        )
    level_us = mean_of(along_us[standing])
    ends_s, steps_us = [], []
    for line, at, sense in ((lines[0], standing.start, 1), (lines[1], standing.stop, -1)):
        frame_at_s = float(time_s[at - 1] + time_s[at]) / 2.0
        step_us = sense * (level_us - float(np.polyval(line, frame_at_s)))
        stepped = step_us > near_us + 1.5 * frame_s * rate
        meets_s = (level_us - float(line[1])) / float(line[0])
        ends_s.append(frame_at_s if stepped else meets_s)
        steps_us.append(step_us if stepped else 0.0)
    flat_s = max(ends_s[1] - ends_s[0], 0.0)
    return Crossing(
        way.first,
        way.last,
        flat_s,
        rate * flat_s,
        shortest_us,
        frame_s * rate,
        steps_us[0],
        steps_us[1],
        is_even,
    )


def _most_near(along_us: FloatArray, near_us: float) -> int:
    """Count the frames around that width, off neutral, which has most."""
    ordered = np.sort(along_us)
    others_us = ordered[np.abs(ordered) > 2.0 * near_us]
    around = np.searchsorted(ordered, others_us + near_us, "right") - np.searchsorted(
        ordered, others_us - near_us
    )
    return int(around.max(initial=1))


def _agreed(record: Record, crossings: tuple[Crossing, ...], band_us: float) -> Flat:
    """Say what the sweeps show together."""
    flat_us = np.array([crossing.flat_us for crossing in crossings])
    rise_s = record.table.rise_s
    spans = tuple(
        Evidence.of(rise_s, c.first, c.last, c.last - c.first + 1) for c in crossings[:MAX_SPANS]
    )
    if not flat_us.any():
        return _none(crossings, band_us, spans)
    even = tuple(crossing for crossing in crossings if crossing.is_even)
    if len(even) < max(MIN_SWEEPS, 0.7 * len(crossings)):
        return _hidden(
            Reason(
                "The pace is not shown to be even: the width sets off softly, or changes pace "
                "beside neutral. A deadband, expo and a hand that slows down look alike.",
                _SWEEP_SLOWLY,
            ),
            crossings,
        )
    crossings, flat_us = even, np.array([crossing.flat_us for crossing in even])
    if not flat_us.any():
        return _none(crossings, band_us, spans)
    # A sweep too fast to show such a flat says nothing against it.
    could = np.array([crossing.shortest_us for crossing in crossings]) <= flat_us.max()
    crossings = tuple(c for c, kept in zip(crossings, could | (flat_us > 0), strict=True) if kept)
    flat_us = np.array([crossing.flat_us for crossing in crossings])
    if flat_us.size < MIN_SWEEPS:
        return _hidden(
            Reason("Only one sweep was slow enough to show a flat.", _SWEEP_SLOWLY), crossings
        )
    mean_us, scatter_us = mean_of(flat_us), std_of(flat_us)
    frame_us = float(np.median([crossing.frame_us for crossing in crossings]))
    alike_us = max(ALIKE * mean_us, ALIKE_FRAMES * frame_us)
    if scatter_us > alike_us or float(flat_us.max()) > 2.0 * band_us:
        return _hidden(
            Reason(
                f"The width stood at neutral for {flat_us.min():.0f} to {flat_us.max():.0f} us "
                f"of {flat_us.size} slow sweeps: too unlike or too long. A deadband and a "
                "pausing hand look alike.",
                _SWEEP_SLOWLY,
            ),
            crossings,
        )
    # Each end lies anywhere between two frames: together triangular, as for two sampled edges.
    # A pace that differs by up to EVEN unseen is rectangular (JCGM 100, 4.3.7).
    pace_us = 0.05 * mean_us / math.sqrt(3.0)
    uncertainty_us = math.hypot(
        scatter_us / math.sqrt(flat_us.size), frame_us / math.sqrt(6.0), pace_us
    )
    before_us = mean_of(np.array([crossing.before_us for crossing in crossings]))
    behind_us = mean_of(np.array([crossing.behind_us for crossing in crossings]))
    flat_s = mean_of(np.array([crossing.flat_s for crossing in crossings]))
    return Flat(crossings, mean_us, uncertainty_us, measured(
        "deadband", mean_us, "us",
        f"In {flat_us.size} slow sweeps the width stands still at neutral for {flat_s:.2g} s, or "
        f"{mean_us:.0f} us. It steps by {before_us:.1f} us on to that flat and {behind_us:.1f} us "
        "off it. A hand that pauses there looks the same.",
        uncertainty=uncertainty_us, evidence=spans,
    ))  # fmt: skip


def _none(crossings: tuple[Crossing, ...], band_us: float, spans: tuple[Evidence, ...]) -> Flat:
    shortest_us = float(np.median([crossing.shortest_us for crossing in crossings]))
    if not all(crossing.is_even for crossing in crossings):
        shortest_us *= UNEVEN_PACE
    if shortest_us > band_us / 2.0:
        return _hidden(Reason("The sweeps through neutral are too fast.", _SWEEP_SLOWLY), crossings)
    return Flat(crossings, 0.0, None, measured(
        "deadband", 0.0, "us",
        f"{len(crossings)} slow sweeps show no flat at neutral; one of {shortest_us:.2g} us or "
        "more would have shown.",
        interval=(0.0, shortest_us), evidence=spans,
    ))  # fmt: skip


def _hidden(reason: str, crossings: tuple[Crossing, ...]) -> Flat:
    return Flat(crossings, None, None, not_shown("deadband", "us", reason))


RETURN_REACH: Final = 0.03
"""A dwell this part of the span from neutral, or less, is a return to it."""
MIN_RETURNS: Final = 2
MAX_RETURNS: Final = 500
"""Of more returns, so many evenly spaced ones are used."""
MAX_IN_RETURN: Final = 2000
OF_HALF: Final = 1.8
"""How much less well the middle half of a stay is known than the whole: it holds half the
pulses, and where it lies depends on where the stay ends."""
MAX_KNOWN: Final = 60
"""Returns whose own uncertainty is worked out; the others are taken to be like them."""
SIGNIFICANT: Final = 0.05
_WHAT_TO_DO: Final = (
    "While recording, move the stick to one end, let it go and wait a second. Do the same to the "
    "other end. Do both three times or more."
)

CENTRING_DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "centring",
        "How much the rest width scatters when the stick returns from the same side. The two "
        "sides are taken apart, so that a difference between them does not count here.",
        "s = sqrt(((n1-1) s1^2 + (n2-1) s2^2) / (n1+n2-2)), of the mean width in the middle "
        "half of each stay; its interval is that of the returns recorded, "
        "u = 1.8 u(level) / sqrt(n1+n2-2)",
        "repeatability, JCGM 200, 2.20 and 2.21; JCGM 100, 4.2.2 and 5.1.2, from memory",
    ),
    Definition(
        "hysteresis",
        "How much higher the stick rests when it returns from above than from below. Its interval "
        "is that of the returns recorded. It counts where Welch's test gives a chance below 5 % "
        "and the interval, sampling included, leaves out 0.",
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
    rest_us, first_us, own_us = _rests(record, chosen)
    below_us, above_us = rest_us[side < 0], rest_us[side > 0]
    below, above = _returns(below_us), _returns(above_us)
    if min(below.count, above.count) < MIN_RETURNS:
        return _without(
            Reason(
                f"The stick came back to neutral {_times(below)} from below and {_times(above)} "
                f"from above; at least {MIN_RETURNS} of each are needed.",
                _WHAT_TO_DO
            ),
            flat, below, above,
        )  # fmt: skip
    freedom = below.count + above.count - 2
    pooled_us = _pooled(below_us, above_us)
    difference = welch(above_us, below_us, sampling_floor_us(record.table.sample_interval_us))
    first_below_us, first_above_us = first_us[side < 0], first_us[side > 0]
    scatter_us = _reaching(
        _of_scatter(pooled_us, own_us, freedom), _pooled(first_below_us, first_above_us)
    )
    apart_us = _reaching(
        _of_difference(difference.us, own_us, (below.count, above.count)),
        mean_of(first_above_us) - mean_of(first_below_us),
    )
    spans = record.dwells.select(np.isin(np.arange(len(record.dwells)), chosen)).evidence
    found = (
        _centring_finding(below, above, pooled_us, scatter_us, spans[:MAX_SPANS]),
        _hysteresis_finding(difference, apart_us, spans[:MAX_SPANS]),
        flat.finding,
    )
    return Centring(below, above, difference, flat, found)


def find_returns(record: Record, travel: Travel, neutral: Level) -> tuple[IntArray, IntArray]:
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


def _rests(record: Record, chosen: IntArray) -> tuple[FloatArray, FloatArray, float]:
    """Where the stick came to rest each time, and how well one such width is known.

    A stay whose width wandered is several dwells. A stick that was moved a little looks the
    same: then it rested where the first of them alone is, which comes second.
    """
    dwells = record.dwells
    _, last, joined = joined_dwells(record)
    ends = np.append(np.flatnonzero(~joined), joined.size)
    until = ends[np.searchsorted(ends, chosen, side="right")] - 1
    at = np.arange(len(dwells))
    stays = replace(dwells.select(np.isin(at, chosen)), last=last[until])
    every = np.arange(chosen.size)
    rest_us = middles(replace(record, dwells=stays), every, MAX_IN_RETURN).level_us
    first_us = middles(record, chosen, MAX_IN_RETURN).level_us
    known = [
        level_of(record.table, dwells.select((at >= first) & (at <= end)), record.losses).own_us
        for first, end in zip(chosen[:MAX_KNOWN], until, strict=False)
    ]
    return rest_us, first_us, OF_HALF * math.sqrt(mean_of(np.square(known))) if known else 0.0


def _pooled(below_us: FloatArray, above_us: FloatArray) -> float:
    """Scatter of returns, each about the mean of those from its side."""
    squares_us2 = sum((side.size - 1) * std_of(side) ** 2 for side in (below_us, above_us))
    return math.sqrt(squares_us2 / (below_us.size + above_us.size - 2))


def _reaching(interval_us: tuple[float, float], other_us: float) -> tuple[float, float]:
    """Let an interval reach to another value that may be the true one."""
    return min(interval_us[0], other_us), max(interval_us[1], other_us)


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
    half_us = half_width(own_us, CLOCK_TOLERANCE * abs(us))
    return us - half_us, us + half_us


def welch(first: FloatArray, second: FloatArray, floor_us: float | None) -> Difference:
    """Compare two means whose scatters may differ.

    >>> found = welch(np.array([3.0, 4.0, 5.0]), np.array([1.0, 2.0, 3.0]), 0.0)
    >>> found.us, round(found.uncertainty_us, 4), round(found.chance, 4)
    (2.0, 0.8165, 0.0705)
    """
    parts = [std_of(values) ** 2 / values.size for values in (first, second)]
    us, variance = mean_of(first) - mean_of(second), sum(parts)
    both = variance + 2.0 * (floor_us or 0.0) ** 2
    if variance == 0.0:
        chance, factor = float(us == 0.0), normal_quantile(0.975)
    else:
        slack = sum(p**2 / (v.size - 1) for p, v in zip(parts, (first, second), strict=True))
        chance = student_beyond(us / math.sqrt(variance), variance**2 / slack)
        factor = student_quantile(0.975, both**2 / slack)
    uncertainty_us = math.sqrt(both)
    ends = (us - factor * uncertainty_us, us + factor * uncertainty_us)
    significant = chance < SIGNIFICANT and not ends[0] <= 0.0 <= ends[1]
    return Difference(us, uncertainty_us, ends, chance, significant)


def _times(returns: Returns) -> str:
    return {0: "never", 1: "once"}.get(returns.count, f"{returns.count} times")


def _returns(rest_us: FloatArray) -> Returns:
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
    return Centring(below, above or below, None, flat, found)


def _centring_finding(
    below: Returns,
    above: Returns,
    pooled_us: float,
    interval_us: tuple[float, float],
    spans: tuple[Evidence, ...],
) -> Finding:
    return measured(
        "centring", pooled_us, "us",
        f"The stick returns to neutral within {pooled_us:.2g} us RMS. It rests at "
        f"{below.mean_us:.2f} us from below ({below.count} returns), at {above.mean_us:.2f} us "
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
            f"Neutral is {abs(difference.us):.2f} us {higher} from above than from below "
            f"({chance}). Another time it would be {low_us:.2f} to {high_us:.2f} us (95 %)."
        )
    else:
        sentence = (
            f"No hysteresis is shown: neutral from above differs by {difference.us:+.2f} us "
            f"({chance}). Another time it would be {low_us:.2f} to {high_us:.2f} us (95 %)."
        )
    return measured(
        "hysteresis", difference.us, "us", sentence,
        uncertainty=(recorded_us[1] - recorded_us[0]) / (2.0 * COVERAGE), interval=recorded_us,
        evidence=spans,
    )  # fmt: skip
