"""Levels: the widths that a channel stands at, its neutral and endpoints, and the moves between."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Dwells, Record
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    NORMAL_95,
    BoolArray,
    Evidence,
    FloatArray,
    IntArray,
    Span,
    half_width,
    inside,
    mean_of,
    median_of,
    sampling_floor_us,
)
from pwmscope.pulses import UNMEASURED, PulseTable

_MIX: Final = np.uint32(2_654_435_761)
"""An odd number near 2^32 over the golden ratio: multiplied by it, neighbouring places
come out in no order, which settles ties."""


def turning_points(width_us: FloatArray, least_us: float) -> IntArray:
    """Find the extremes between which the width moves by at least ``least_us``.

    From all local extremes, pairs of neighbours closer than ``least_us`` are taken out, the
    closest first, until none is left: what remains are the extremes whose topological
    persistence is at least ``least_us`` (the hysteresis filter that precedes rainflow
    counting, ASTM E1049, does the same; from memory). Pairs that are the closest ones among
    their neighbours go at once, so that a handful of passes over ever fewer points does.

    >>> turning_points(np.array([0.0, 3.0, 2.0, 60.0, 61.0, 10.0, 12.0]), 50.0)
    array([0, 4, 5])
    """
    if width_us.size < 2:
        return np.zeros(0, np.int64)
    at = np.concatenate([[0], np.flatnonzero(np.diff(width_us)) + 1])
    rises = np.diff(width_us[at]) > 0
    at = at[np.concatenate([[True], rises[1:] != rises[:-1], [True]])] if at.size > 1 else at
    while at.size > 2:
        size_us = np.abs(np.diff(width_us[at]))
        small = (size_us < least_us) & _least_of_three(size_us)
        if not small.any():
            return at
        kept = np.ones(at.size, dtype=bool)
        kept[1:-1] = ~(small[1:] | small[:-1])
        # An end has no pair: the point beside it takes its place.
        kept[[0, -1]] = ~small[[0, -1]]
        kept[1] |= small[0]
        kept[-2] |= small[-1]
        at = at[kept]
    moved = at.size > 1 and abs(width_us[at[1]] - width_us[at[0]]) >= least_us
    return at if moved else np.zeros(0, np.int64)


def _least_of_three(size_us: FloatArray) -> BoolArray:
    """Say which sizes are less than both neighbours; of equal ones, one is drawn."""
    draw = np.arange(size_us.size, dtype=np.uint32) * _MIX
    before = (size_us[:-1] < size_us[1:]) | ((size_us[:-1] == size_us[1:]) & (draw[:-1] < draw[1:]))
    least = np.ones(size_us.size, dtype=bool)
    least[:-1] &= before
    least[1:] &= ~before
    return least


SAME_AS_DWELL: Final = 4.0
"""A pulse this many noise deviations from a dwell's level, or nearer, may stand at it."""
MIN_THROW: Final = 0.05
"""A change of width by this part of the span, or more, was made by moving the stick."""


@dataclass(frozen=True, slots=True)
class Moves:
    """The moves of one channel, as columns, in order of time."""

    row: IntArray  # shape (n,): Rows of the pulse table, one move's after the other's
    width_us: FloatArray  # shape (n,): Their widths in microseconds
    # shape (m,): The half-open range in `row` of each move
    begin: IntArray
    end: IntArray
    # shape (m,): The dwell that each one leaves and the one that it reaches; -1 where it begins or
    # ends otherwise: by turning round, in a signal loss, or at an end of the recording
    before: IntArray
    after: IntArray
    # shape (k,): Rows of the turning points, dwells counted, both ends of the movement included
    turn_row: IntArray
    turn_us: FloatArray  # shape (k,): Their widths
    least_us: float  # Smallest movement between two turning points

    def __len__(self) -> int:
        return int(self.begin.size)

    @property
    def owner(self) -> IntArray:
        """The move that each row belongs to; shape (n,)."""
        return np.repeat(np.arange(len(self)), self.end - self.begin)


def find_moves(record: Record) -> Moves:
    """Find a channel's moves: what lies between dwells, cut where the movement turns round."""
    table, dwells = record.table, record.dwells
    least_us = max(MIN_THROW * table.convention.span_us, 12.0 * dwells.noise_us)
    gap, row = _between_dwells(record)
    width_us = table.width_us[row]
    # In the order of time each dwell is one point of the movement, at its level.
    of_dwell = np.searchsorted(row, dwells.first) + np.arange(len(dwells))
    is_dwell = np.zeros(row.size + len(dwells), dtype=bool)
    is_dwell[of_dwell] = True
    path_us = np.empty(is_dwell.size)
    path_us[is_dwell], path_us[~is_dwell] = dwells.level_us, width_us
    path_row = np.empty(is_dwell.size, np.int64)
    path_row[is_dwell], path_row[~is_dwell] = dwells.first, row
    # A pulse beside a dwell, at its level, is no turning point of its own.
    kept = np.flatnonzero(is_dwell | ~_beside(path_us, is_dwell, dwells))
    turn = kept[turning_points(path_us[kept], least_us)]
    turned = np.zeros(is_dwell.size, dtype=bool)
    turned[turn[1:-1]] = True
    begin, end, before, after = _pieces(record, row, gap, turned[~is_dwell])
    return Moves(
        row, width_us, begin, end, before, after, path_row[turn], path_us[turn], least_us
    )  # fmt: skip


def _beside(path_us: FloatArray, is_dwell: BoolArray, dwells: Dwells) -> BoolArray:
    """Say which points of the path are at the level of the dwell before or after them."""
    at = np.cumsum(is_dwell)
    level_us = np.concatenate([[np.inf], dwells.level_us, [np.inf]])
    near_us = SAME_AS_DWELL * dwells.noise_us
    beside: BoolArray = np.abs(path_us - level_us[at]) <= near_us
    beside |= np.abs(path_us - level_us[at + 1]) <= near_us
    return beside


def _between_dwells(record: Record) -> tuple[IntArray, IntArray]:
    """List the usable rows outside dwells: the dwell that each comes before, and the row."""
    table, dwells = record.table, record.dwells
    opens = np.concatenate([[0], dwells.last + 1])
    count = np.concatenate([dwells.first, [len(table)]]) - opens
    gap = np.repeat(np.arange(count.size), count)
    row = np.arange(gap.size) + np.repeat(opens - (np.cumsum(count) - count), count)
    usable = (table.flags[row] & np.uint8(UNMEASURED)) == 0
    if record.losses:
        usable &= ~inside(record.losses, table.rise_s[row])
    if dwells.stray.size and row.size:
        at = np.minimum(np.searchsorted(row, dwells.stray), row.size - 1)
        usable[at[row[at] == dwells.stray]] = False
    return gap[usable], row[usable]


def _pieces(
    record: Record, row: IntArray, gap: IntArray, turned: BoolArray
) -> tuple[IntArray, ...]:
    """Cut the rows at dwells, at signal losses and after turning points."""
    if not row.size:
        nothing = np.zeros(0, np.int64)
        return nothing, nothing, nothing, nothing
    dwells, rise_s = record.dwells, record.table.rise_s
    lost_s = np.array([span.start_s for span in record.losses])
    block = np.searchsorted(lost_s, rise_s[row], side="right")
    cut = (np.diff(gap) > 0) | (np.diff(block) > 0) | turned[:-1]
    begin = np.concatenate([[0], np.flatnonzero(cut) + 1])
    end = np.concatenate([begin[1:], [row.size]])
    first, last = gap[begin], gap[end - 1]
    new = np.concatenate([[True], first[1:] != first[:-1]])
    done = np.concatenate([last[:-1] != last[1:], [True]])
    # A dwell on the other side of a loss is not where the move came from or went to.
    leaves = np.append(np.searchsorted(lost_s, dwells.end_s, side="right"), -1)[first - 1]
    reaches = np.append(np.searchsorted(lost_s, dwells.start_s, side="right"), -1)[last]
    before = np.where(new & (leaves == block[begin]), first - 1, -1)
    after = np.where(done & (reaches == block[end - 1]), last, -1)
    return begin, end, before, after


ENDS: Final = 4
"""Frames at each end of a sweep, or more of a slow one, by which it is told whether the hand set
off at full pace."""
SHARP: Final = 0.75
UNLIKE: Final = 9.0
"""A dwell with more than so many times the usual variance holds more than noise."""


@dataclass(frozen=True, slots=True)
class Middles:
    """The middle halves of some dwells."""

    level_us: FloatArray  # shape (n,): Mean width of each, in microseconds
    # Sample standard deviation about those means, pooled over all but the dwells that scatter far
    # more than most; the dwells' own noise where there is nothing to take it from
    std_us: float
    jitter_us: float  # The same without the sampling floor, taken out in quadrature; not below 0


def middles(record: Record, chosen: IntArray, most: int) -> Middles:
    """Measure the middle halves of dwells.

    A dwell's ends may hold the first and last steps of a slow sweep, which would shift its
    mean towards where the stick came from.
    """
    dwells, table = record.dwells, record.table
    first, last = dwells.first[chosen], dwells.last[chosen]
    length = np.clip((last - first) // 2 + 1, 1, most)
    begin = (first + last - length) // 2 + 1
    owner = np.repeat(np.arange(length.size), length)
    row = np.arange(owner.size) + np.repeat(begin - (np.cumsum(length) - length), length)
    good = (table.flags[row] & np.uint8(UNMEASURED)) == 0
    owner, row = owner[good], row[good]
    off_us = table.width_us[row] - dwells.level_us[chosen[owner]]
    count = np.bincount(owner, minlength=chosen.size)
    mean_us = np.bincount(owner, off_us, chosen.size) / np.maximum(count, 1)
    variance_us2 = dwells.noise_us**2
    if np.any(count > 1):
        squares = np.bincount(owner, (off_us - mean_us[owner]) ** 2, chosen.size)[count > 1]
        freedom = count[count > 1] - 1
        usual = float(np.median(squares / freedom)) + (table.sample_interval_us or 0.0) ** 2 / 4.0
        calm = squares / freedom <= UNLIKE * usual
        variance_us2 = float(squares[calm].sum() / freedom[calm].sum())
    floor_us = sampling_floor_us(table.sample_interval_us) or 0.0
    return Middles(
        dwells.level_us[chosen] + mean_us,
        math.sqrt(variance_us2),
        math.sqrt(max(variance_us2 - floor_us**2, 0.0)),
    )


def spaced(count: int, most: int) -> IntArray:
    """Choose at most ``most`` of ``count`` things, evenly.

    >>> spaced(3, 10), spaced(9, 3)
    (array([0, 1, 2]), array([0, 4, 8]))
    """
    if count <= most:
        return np.arange(count)
    return np.unique(np.linspace(0, count - 1, most).astype(np.int64))


def is_sharp(along_us: FloatArray, noise_us: float) -> bool:
    """Say whether a sweep goes as fast in its first and last frames as in its middle, or faster.

    Hands that set off and stop softly (bell-shaped pace) do not; their pace bends the
    width over time as a curve of the channel's does.
    """
    near_us = 4.0 * noise_us
    middle = slice(along_us.size * 2 // 5, along_us.size * 3 // 5)
    pace_us = (along_us[middle.stop] - along_us[middle.start]) / (middle.stop - middle.start)
    if pace_us <= 0.0:
        return False
    ends = max(ENDS, math.ceil(4.0 * near_us / pace_us))
    for run_us in (along_us - along_us[0], along_us[-1] - along_us[::-1]):
        off = np.flatnonzero(run_us > near_us)
        if not off.size or off[0] + ends > along_us.size:
            return False
        first = max(int(off[0]) - 1, 0)
        went_us = float(run_us[min(first + ends, run_us.size - 1)] - run_us[first])
        if went_us < SHARP * (ends - 0.5) * pace_us - near_us / 2.0:
            return False
    return True


def scatter_us(record: Record, chosen: IntArray, most: int) -> FloatArray:
    """Return how single widths lie about their dwell's mean, of some dwells; shape (n,)."""
    dwells, table = record.dwells, record.table
    parts = [np.zeros(0)]
    # A dwell that drifts scatters more than those that hold jitter alone.
    calm_us = 1.3 * float(np.min(dwells.std_us[chosen], initial=np.inf)) + dwells.noise_us / 4.0
    for at in chosen[dwells.std_us[chosen] <= calm_us]:
        width_us = table.width_us[
            dwells.first[at] : min(dwells.last[at] + 1, dwells.first[at] + most)
        ]
        off_us = width_us - dwells.level_us[at]
        parts.append(off_us[np.abs(off_us) <= 8.0 * dwells.noise_us])
    return np.concatenate(parts)


_END_DOUBT: Final = 1.5
"""Pulses by which the number that a dwell lost at its ends may be wrong, whatever is hidden."""
_CHOSEN: Final = 1.0
"""Where noise has a memory, a dwell ends where the width lies off: what is cut there lies farther
off than any other pulses, by as much in variance (own choice, from recordings with 1/f noise)."""
MOVE_S: Final = 0.6
"""What a hand takes to move a stick (common practice, from memory)."""
_LAGS: Final = 48
_MAX_ROWS: Final = 4096
_MAX_DWELLS: Final = 64
_TERMS: Final = 12
_TAIL: Final = 1.0 / 6.0 - sum(1.0 / (math.pi * k) ** 2 for k in range(1, _TERMS + 1))
"""What the terms beyond the twelfth would add, if they were as large."""
SAME_LEVEL: Final = 0.01
"""Dwells within this part of the convention's span are visits to one level."""
NEUTRAL_REACH: Final = 0.1
"""A dwell this part of the span from the convention's neutral may still be a badly set one."""


@dataclass(frozen=True, slots=True)
class Level:
    """A width that the channel stood at, once or several times."""

    width_us: float  # Mean of all pulses while the stick was held there
    # Standard uncertainty of that mean; None where the sample interval is not known
    uncertainty_us: float | None
    visits: tuple[Evidence, ...]  # When
    # Standard deviation by which the mean of another recording, as long, would differ: the width's
    # own jitter, and how differently the stick came to rest from visit to visit
    scatter_us: float = 0.0

    @property
    def own_us(self) -> float:
        """Standard uncertainty without the clock's part; 0 where it is not known."""
        known = (self.uncertainty_us or 0.0) ** 2 - _clock_us(self.width_us) ** 2
        return math.sqrt(max(known, 0.0))

    @property
    def amount(self) -> Amount:
        """The width with its uncertainty."""
        return weighed_sum((1.0, self))

    @property
    def repeated(self) -> Level:
        """The same level with the uncertainty of what holds beyond this recording.

        It is what a change of settings, or another recording, is held against.
        """
        if self.uncertainty_us is None:
            return self
        return replace(self, uncertainty_us=math.hypot(self.uncertainty_us, self.scatter_us))


@dataclass(frozen=True, slots=True)
class Amount:
    """A figure in microseconds with its standard uncertainty; None where that is not known."""

    us: float
    uncertainty_us: float | None
    half_us: float | None = None  # Half the 95 % interval, where it is not twice the uncertainty

    @property
    def doubt_us(self) -> float | None:
        """Half the 95 % interval; twice the uncertainty if not stated (JCGM 100, 6.3.3)."""
        if self.half_us is not None or self.uncertainty_us is None:
            return self.half_us
        return COVERAGE * self.uncertainty_us

    @property
    def interval_us(self) -> tuple[float, float] | None:
        """The 95 % interval; None where the uncertainty is not known."""
        doubt_us = self.doubt_us
        return None if doubt_us is None else (self.us - doubt_us, self.us + doubt_us)

    @property
    def said(self) -> str:
        """The figure with half its 95 % interval.

        >>> Amount(488.123, 0.25).said, Amount(488.123, None).said
        ('488.1 ± 0.5 us', '488.1 us')
        """
        doubt_us = self.doubt_us
        if doubt_us is None:
            return f"{self.us:.1f} us"
        places = 1 if doubt_us >= 0.1 else 2
        return f"{self.us:.{places}f} ± {doubt_us:.{places}f} us"


def weighed_sum(*terms: tuple[float, Level]) -> Amount:
    """Add levels, each times a weight, so that errors they share cancel or add as they should.

    The analyser's clock stretches all widths by one factor, so its part of the uncertainty
    is that of the sum; the rest of each level's is its own (JCGM 100, 5.1.2 and, for what
    is shared, 5.2.2). The clock's error is rectangular, the rest taken as Gaussian, and the
    95 % interval is that of their sum (`half_width`).

    >>> low, high = Level(1000.0, 0.1, ()), Level(2000.0, 0.2, ())
    >>> throw = weighed_sum((1.0, high), (-1.0, low))
    >>> throw.us, round(throw.uncertainty_us, 3), round(throw.half_us, 3)
    (1000.0, 0.191, 0.375)
    """
    total_us = sum(weight * level.width_us for weight, level in terms)
    variance = 0.0
    for weight, level in terms:
        if level.uncertainty_us is None:
            return Amount(total_us, None)
        variance += (weight * level.own_us) ** 2
    own_us = math.sqrt(variance)
    half_us = half_width(own_us, abs(total_us) * CLOCK_TOLERANCE)
    return Amount(total_us, math.hypot(own_us, _clock_us(total_us)), half_us)


def _clock_us(width_us: float) -> float:
    return abs(width_us) * CLOCK_TOLERANCE / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Levels:
    """The levels at which a channel's dwells stand, each worked out once."""

    table: PulseTable
    dwells: Dwells
    losses: tuple[Span, ...] = ()  # What was sent in them is no part of a level
    known: dict[bytes, Level] = field(default_factory=dict)

    def near(self, target_us: float) -> Level:
        """Take all dwells within `SAME_LEVEL` of a width together; there is at least one."""
        same_us = SAME_LEVEL * self.table.convention.span_us
        near = np.abs(self.dwells.level_us - target_us) <= same_us
        key = near.tobytes()
        if key not in self.known:
            self.known[key] = level_of(self.table, self.dwells.select(near), self.losses)
        return self.known[key]

    def company(self) -> tuple[IntArray, IntArray]:
        """For each dwell, pulses and visits within `SAME_LEVEL` of its level.

        A stick that stands at one level before a loss and after it was held there: one visit.
        """
        level_us, same_us = self.dwells.level_us, SAME_LEVEL * self.table.convention.span_us
        lost_before = np.searchsorted([span.start_s for span in self.losses], self.dwells.start_s)
        held = (np.diff(lost_before) > 0) & (np.abs(np.diff(level_us)) <= same_us)
        is_visit = np.concatenate([[True], ~held])[: level_us.size]
        order = np.argsort(level_us)
        low = np.searchsorted(level_us[order], level_us - same_us)
        high = np.searchsorted(level_us[order], level_us + same_us, side="right")
        pulses, visits = (
            np.concatenate([[0], np.cumsum(each[order])]) for each in (self.dwells.count, is_visit)
        )
        return pulses[high] - pulses[low], visits[high] - visits[low]


def level_of(table: PulseTable, near: Dwells, losses: tuple[Span, ...] = ()) -> Level:
    """Take some dwells, at least one, as one level.

    The level is the mean of all pulses while the stick was held: of those that the dwells
    hold, strays among them that stay within `NEUTRAL_REACH` counted, for those that were cut
    off where a hand may still have moved. Its uncertainty has three parts besides the clock
    (JCGM 100, 5.1.2): what sampling leaves of so many readings (`sampling_left_us`), what the
    pulses cut off may have been, and how many they were.
    """
    target_us = float(near.level_us[0])
    level_us, count, square_us2 = _with_gaps(table, near, losses)
    hidden = _hidden_pulses(table, near)
    in_doubt = np.maximum(near.unsettled - 2.0 * hidden, 0.0)
    held = count + in_doubt / 2.0
    held_doubt2 = hidden**2 + _END_DOUBT**2 + in_doubt**2 / 12.0
    weight = held / held.sum()
    width_us = target_us + float(np.sum(weight * (level_us - target_us)))
    variance_us2 = float(np.sum(square_us2) / max(int(np.sum(count - 1)), 1))
    memory = _memory(table, near)
    lasting_us2 = variance_us2 * memory
    between_us2 = float(np.var(level_us, ddof=1)) / len(near) if len(near) > 1 else 0.0
    scatter_us = math.sqrt(max(lasting_us2 / float(count.sum()), between_us2))
    uncertainty_us = None
    if table.sample_interval_us is not None:
        cut = in_doubt / 2.0 + np.sqrt(held_doubt2)
        unseen_us2 = np.minimum(lasting_us2 / cut, variance_us2) + lasting_us2 / count
        unseen_us2 *= 1.0 + _CHOSEN * (1.0 - 1.0 / memory)
        of_cut_us2 = float(np.sum((weight * cut / held) ** 2 * unseen_us2))
        of_cut_us2 += (_strays_lost_us(table, near, cut) / held.sum()) ** 2
        of_weight_us2 = float(np.sum(held_doubt2 * ((level_us - width_us) / held.sum()) ** 2))
        sampling_us = sampling_left_us(table, near, math.sqrt(variance_us2))
        uncertainty_us = math.sqrt(
            of_cut_us2 + of_weight_us2 + sampling_us**2 + _clock_us(width_us) ** 2
        )
    return Level(width_us, uncertainty_us, near.evidence, scatter_us)


def _strays_lost_us(table: PulseTable, dwells: Dwells, cut: FloatArray) -> float:
    """Deviation of the sum of the stray widths that may be among the pulses cut off.

    Rare and far off, they are no Gaussian: half the 97.5 % point of their Poisson number, from
    as many as the dwells show, times the size of one.
    """
    owner = np.searchsorted(dwells.first, dwells.stray, side="right") - 1
    own = (owner >= 0) & (dwells.stray <= dwells.last[owner])
    if not own.any():
        return 0.0
    off_us = table.width_us[dwells.stray[own]] - dwells.level_us[owner[own]]
    expected = float(cut.sum()) * off_us.size / float(dwells.count.sum() + off_us.size)
    number, term = 0, math.exp(-expected)
    below = term
    while below < 0.975:
        number += 1
        term *= expected / number
        below += term
    size_us = math.sqrt(float(off_us @ off_us) / off_us.size)
    return number / NORMAL_95 * size_us


def _hidden_pulses(table: PulseTable, dwells: Dwells) -> float:
    """Count the pulses for which noise hides that a hand still moves before it stops.

    A movement of minimum jerk is `10 (t/T)^3` of its way from its end (Flash and Hogan 1985,
    from memory): within three deviations of half the span for `(0.6 noise/span)^(1/3)` of
    its time.
    """
    part = (0.6 * dwells.noise_us / table.convention.span_us) ** (1.0 / 3.0)
    rise_s = table.rise_s[int(dwells.first[0]) : int(dwells.last[0]) + 1]
    per_s = (rise_s.size - 1) / max(float(rise_s[-1] - rise_s[0]), 1e-6)
    return float(MOVE_S * part * per_s)


def _with_gaps(
    table: PulseTable, dwells: Dwells, losses: tuple[Span, ...]
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Mean, count and sum of squares of each dwell, with what was held between it and the next.

    That is where the width never left their level. What a receiver sends in a loss is not the
    stick's, however near it lies.
    """
    span_us = table.convention.span_us
    level_us, count, square_us2 = _with_strays(table, dwells, NEUTRAL_REACH * span_us)
    reach_us = SAME_LEVEL * span_us + 4.0 * dwells.noise_us
    begin, after = dwells.last[:-1] + 1, dwells.first[1:]
    for at in np.flatnonzero((after > begin) & (after - begin <= count[:-1] + count[1:])):
        rows = np.arange(begin[at], after[at])
        off_us = table.width_us[rows[table.measured[rows]]] - level_us[at]
        stray = np.isin(rows, dwells.stray)[table.measured[rows]]
        if not off_us.size or np.any(np.abs(off_us[~stray]) > reach_us):
            continue
        if inside(losses, table.rise_s[rows]).any():
            continue
        total = int(count[at]) + off_us.size
        shift_us = float(off_us.sum()) / total
        square_us2[at] += float(off_us @ off_us) - total * shift_us**2
        level_us[at] += shift_us
        count[at] = total
    return level_us, count, square_us2


def _with_strays(
    table: PulseTable, dwells: Dwells, reach_us: float
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Mean, count and sum of squares about the mean of each dwell, its own strays counted."""
    level_us, count = dwells.level_us.copy(), dwells.count.copy()
    square_us2 = dwells.std_us**2 * (dwells.count - 1)
    owner = np.searchsorted(dwells.first, dwells.stray, side="right") - 1
    own = (owner >= 0) & (dwells.stray <= dwells.last[owner])
    owner, row = owner[own], dwells.stray[own]
    off_us = table.width_us[row] - level_us[owner]
    own = np.abs(off_us) <= reach_us
    owner, off_us = owner[own], off_us[own]
    added = np.bincount(owner, minlength=count.size)
    shift_us = np.bincount(owner, off_us, count.size) / (count + added)
    square_us2 += np.bincount(owner, off_us**2, count.size) - (count + added) * shift_us**2
    return level_us + shift_us, count + added, np.maximum(square_us2, 0.0)


def _memory(table: PulseTable, dwells: Dwells) -> float:
    """Long-run over single variance of the widths: 1 + 2 sum of their autocorrelation."""
    longest = int(dwells.count.argmax())
    first = int(dwells.first[longest])
    width_us = table.width_us[first : min(int(dwells.last[longest]) + 1, first + _MAX_ROWS)]
    off_us = width_us - median_of(width_us)
    off_us = np.clip(off_us, -4.0 * dwells.noise_us, 4.0 * dwells.noise_us)
    off_us -= off_us.mean()
    total = float(off_us @ off_us)
    if total == 0.0:
        return 1.0
    memory = 1.0
    for lag in range(1, min(_LAGS, off_us.size // 4) + 1):
        alike = float(off_us[lag:] @ off_us[:-lag]) / total
        if alike < 2.0 / math.sqrt(off_us.size):
            break
        memory += 2.0 * alike
    return memory


def sampling_left_us(table: PulseTable, dwells: Dwells, std_us: float) -> float:
    """Return the standard deviation that sampling leaves the mean of the dwells' widths.

    An edge is read late by what is missing to the next sample, a sawtooth of its phase: the
    mean of many is a Fourier series whose terms are those of the phases' mean,
    ``R_k = |mean exp(2 pi i k phi)|``, over ``pi k``. The phases are those of a line through
    the dwell's leading edges; jitter of the edge (the scatter about that line) or of the
    width blurs them, and leaves a part of ``1/n`` by chance. With both edges apart

        u^2 = Ts^2 sum over k of (R_k(leading)^2 + R_k(trailing)^2) / (2 pi^2 k^2),

    which is Ts^2/6 where the receiver keeps step with the analyser (JCGM 100, 4.3.9) and
    Ts^2/(6 n) where each reading stands for itself. Own derivation.
    """
    interval_us = table.sample_interval_us
    if interval_us is None:
        return 0.0
    chosen: IntArray = np.arange(len(dwells))
    if chosen.size > _MAX_DWELLS:
        chosen = np.unique(np.linspace(0, chosen.size - 1, _MAX_DWELLS).astype(np.int64))
    phases, square, freedom, pulses = [], 0.0, 0, 0
    for first, last in zip(
        dwells.first[chosen].tolist(), dwells.last[chosen].tolist(), strict=True
    ):
        read = table.rise_s[first : min(last + 1, first + _MAX_ROWS)] * (1e6 / interval_us)
        start = read[0] % 1.0
        read -= read[0]
        number = (
            np.rint(read / median_of(read[1:] - read[:-1]))
            if read.size > 2
            else np.arange(float(read.size))
        )
        lever = number - np.add.reduce(number) / number.size
        slope = float(lever @ read) / max(float(lever @ lever), 1.0)
        fitted = np.add.reduce(read) / read.size + slope * lever
        phases.append(fitted + start)
        read -= fitted
        square += float(read @ read)
        freedom += max(read.size - 2, 0)
        pulses += read.size
    phase = 2.0 * np.pi * (np.concatenate(phases) % 1.0)
    powers = np.empty((_TERMS, phase.size), complex)
    powers[0].real, powers[0].imag = np.cos(phase), np.sin(phase)
    for before, power in itertools.pairwise(powers):
        np.multiply(before, powers[0], out=power)
    spread = square / max(freedom, 1)
    # Phases count as locked as far as they may be, and as left to chance as far as they may be.
    doubt = 2.0 * math.sqrt(2.0 / max(freedom, 1))
    # Of an edge at a sample's border any jitter, however small, makes readings scatter by 1/4.
    of_start = (
        max((1.0 - doubt) * spread - 0.25, 0.0),
        max((1.0 + doubt) * spread - 1.0 / 12.0, 0.0),
    )
    of_width = max((1.0 - doubt) * (std_us / interval_us) ** 2 - 0.25, 0.0)
    k = np.arange(1, _TERMS + 1)
    locked = np.abs(powers.mean(axis=1)) ** 2
    steady, unsteady, of_both = (
        np.exp(-np.minimum((2.0 * np.pi * k) ** 2 * variance, 700.0))
        for variance in (*of_start, of_start[0] + of_width)
    )
    left = 0.5 * (steady + of_both) * locked + (1.0 - unsteady * of_both / steady) / pulses
    total = float(np.sum(left / (np.pi * k) ** 2))
    return interval_us * math.sqrt(total + float(left[-1]) * _TAIL)


def find_neutral(
    levels: Levels, marked_us: float | None = None, rest_us: float | None = None
) -> tuple[Level | None, str]:
    """Find the most visited level near the convention's neutral, if it is the channel's rest.

    A channel that neither starts near the centre nor comes back there more
    often, or stays longer, than elsewhere is one-sided: it has no neutral to see. Where a plan
    shows the rest, neutral is there or nowhere.
    """
    convention, dwells = levels.table.convention, levels.dwells
    span_us = convention.span_us
    centre_us = convention.neutral_us if marked_us is None else marked_us
    if rest_us is not None and marked_us is None:
        if abs(rest_us - centre_us) > NEUTRAL_REACH * span_us:
            return None, f"The stick rests at {rest_us:.0f} us."
        return levels.near(rest_us), ""
    off_us = np.abs(dwells.level_us - centre_us)
    near = off_us <= NEUTRAL_REACH * span_us
    if not near.any():
        return None, (
            f"The stick never stood within {NEUTRAL_REACH * span_us:.4g} us of {centre_us:g} us."
        )
    if marked_us is not None:
        return levels.near(float(dwells.level_us[off_us.argmin()])), ""
    stay, visits = levels.company()
    centre = int(np.where(near, stay, -1).argmax())
    rest = int(stay.argmax())
    if not near[0] and stay[rest] > stay[centre] and visits[rest] >= visits[centre]:
        return None, (
            f"The stick rests at {dwells.level_us[rest]:.0f} us; where it stood near "
            f"{centre_us:g} us it was passing by."
        )
    return levels.near(float(dwells.level_us[centre])), ""


def find_endpoints(
    levels: Levels, neutral: Level | None
) -> tuple[Level | None, Level | None, dict[str, str]]:
    """Find the outermost levels, if they lie `MIN_THROW` or more from neutral."""
    dwells = levels.dwells
    if not len(dwells):
        reason = "The stick never stood still at an end."
        return None, None, {"low": reason, "high": reason}
    least_us, most_us = float(dwells.level_us.min()), float(dwells.level_us.max())
    middle_us = (least_us + most_us) / 2 if neutral is None else neutral.width_us
    throw_us = MIN_THROW * levels.table.convention.span_us
    reasons: dict[str, str] = {}
    low = high = None
    if least_us <= middle_us - throw_us:
        low = levels.near(least_us)
    else:
        reasons["low"] = _not_held("low", middle_us, throw_us)
    if most_us >= middle_us + throw_us:
        high = levels.near(most_us)
    else:
        reasons["high"] = _not_held("high", middle_us, throw_us)
    return low, high, reasons


def _not_held(end: str, middle_us: float, throw_us: float) -> str:
    return Reason(
        f"The stick was never held at its {end} end: no dwell there lies {throw_us:.4g} us or "
        f"more from {middle_us:.0f} us.",
        f"Hold the stick at its {end} end for two seconds.",
    )


def pooled_level_us(dwells: Dwells, span_us: float) -> float | None:
    """Return the level of the channel's longest stay, by pulses, in microseconds."""
    if not len(dwells):
        return None
    best = int(dwells.count.argmax())
    near = np.abs(dwells.level_us - dwells.level_us[best]) <= SAME_LEVEL * span_us
    return mean_of(dwells.level_us[near])
