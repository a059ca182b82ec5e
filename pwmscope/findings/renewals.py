"""When a line's width was renewed, and where a frame that repeats the width before would show."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record
from pwmscope.model import BoolArray, FloatArray, IntArray, median_of, sampling_floor_us

CHANGED: Final = 3.5
"""Neighbouring widths differ if it is by more than so many deviations of their difference."""
CLEAR: Final = 5.5
"""A jump is clear of the noise by so many deviations of a single width."""
LESS: Final = 1.0
SELDOM: Final = 3
"""Chance seldom makes so many repeats: a jump after them may be less clear by `LESS`."""
STEPS: Final = 1.2
"""A jump of no more than so many of the stick's steps may be one step."""
FINEST: Final = 2.5
"""In noise no step is known to be finer than so many deviations."""
LEAPS: Final = 1.3
"""A stick that sets off goes no farther in one frame than so many times its pace after that."""
UNLIKE: Final = 5.0
"""A stick that moves on through a freeze has no pace so many times another's beside it."""
MARGIN: Final = 2.5
"""A repeat is sure to show where its jump would be clear by so many more deviations."""
EVEN: Final = 0.34
"""A stick that moves changes in so large a part of the frames beside a freeze, in effect."""
LONG_S: Final = 0.1
"""In so long a hand may stop and set off again."""
LATE_S: Final = 0.025
"""So shortly before it stops, a hand has slowed down."""
BESIDE_S: Final = 0.06
"""How long before and after a frame the pace is taken from."""
MIN_TOLD: Final = 20
"""Frames from which the share of fresh ones is told."""
MAX_TURNS: Final = 6
"""A link that sends its lines by turns renews each at least every so many frames."""
MIN_LARGE: Final = 24
"""Large changes from which such turns are known; nearly all come in the same frame of each."""
MOST_HIDDEN: Final = 10.0
ALIKE: Final = 0.75
"""Levels lie on steps where the mean of their phases is longer."""
SURE: Final = 20.0
"""By chance they do with exp(-20) for each step tried."""
_NOTCHED: Final = 128
_PASSES: Final = 3
_NEARLY_ALL: Final = 0.95
_NEAR: Final = 10
_LOOK_BACK: Final = 256
_BATCH: Final = 4096
_COARSE_PART: Final = 8.0
_REPEATS: Final = 6
"""Repeats that are looked at together, to tell whether they come regularly."""
_REACH: Final = 1.2
_MOSTLY: Final = 0.4
_LOW: Final = 0.02
_CHANCE: Final = 4.7e-4
"""That noise parts two widths by more than `CHANGED` of its deviations."""
_MIN_HELD: Final = 6
_ENOUGH_HELD: Final = 40
_DRIFT: Final = 1.5
"""A dwell's deviation is at most so many times that of its differences; the rest is drift."""
_QUARTILE: Final = 0.31864
_MEDIAN: Final = 0.67449
"""Quarter point and median of the absolute value of a standard normal variable."""


@dataclass(frozen=True, slots=True)
class Renewals:
    """Where a line's width was renewed while its stick moved, and where it was not."""

    # shape (n,): Rows in the pulse table of the frames after which a repeat would show: the stick
    # moves fast enough, before and after
    told: IntArray
    fresh: IntArray  # shape (f,): Those after which the width was renewed
    # shape (k,): Row of the frame that each freeze repeats, and how many frames up to the next
    # renewal; only those that last longer than usual
    first: IntArray
    frames: IntArray
    # shape (k,): When the first repeat began, and the next renewal
    start_s: FloatArray
    end_s: FloatArray
    missed: FloatArray  # shape (k,): Renewals that did not come in each
    in_told: FloatArray  # shape (k,): Part of each in which a repeat would show
    began_told: BoolArray  # shape (k,): Whether it began where a repeat would show
    # shape (k,): How many as long there were for each that is found; a turn hides the others
    weight: FloatArray
    every: float  # Frames from one renewal to the next that are usual; mostly 1
    step_us: float  # The largest step of the width that may be
    moved: bool  # Whether the width ranges over more than a step and noise

    @property
    def stale(self) -> int:
        """Renewals that did not come where that would show, had no turn hidden any."""
        return round(float(np.sum(self.missed * self.in_told * self.weight)))

    @property
    def effect(self) -> float:
        """Variance of the stale ones over that of independent frames.

        That of an alternating renewal process with geometric stretches between its freezes. A
        burst of three is taken besides those seen, since few tell little.
        """
        freezes = float(np.sum(self.weight)) + 1.0
        mean = (float(np.sum(self.weight * self.missed)) + 3.0) / freezes
        square = (float(np.sum((self.weight * self.missed) ** 2)) + 15.0) / freezes
        between = max(mean * self.fresh.size / max(self.stale, 1), 1.0)
        spread = between**2 * max(square - mean**2, 0.0) + mean**2 * (between**2 - between)
        return max(1.0, spread / ((between + mean) * between * mean))


def find_renewals(record: Record, finest_us: float | None) -> Renewals:
    """Find where a line's width was renewed. Own algorithm.

    ``finest_us`` is the step of the width, or what its steps are surely finer than, as far as
    that is known. A run of frames of one width ends with a jump. Steps, noise and a stick that
    sets off explain the jump unless it is larger than each of them makes it; a stick that rests
    explains the run unless the stick moved up to it, and moves on as if it had never stopped.
    Through freezes the stick is taken to have gone evenly; where it then is fast enough for a
    repeat to show, frames are counted as fresh or not.
    """
    seen = _series(record)
    row, width_us, joined = seen.row, seen.width_us, seen.joined
    beside = int(np.clip(round(BESIDE_S / seen.period_s), 3, 12))
    change_us = np.abs(np.diff(width_us))
    step_us = _step_us(change_us[joined], seen.noise_us, finest_us, width_us)
    if not step_us:  # Steps that a drift passes off as noise
        calm_us = min(seen.noise_us, _calm_us(width_us, joined, seen.floor_us))
        step_us = _step_us(change_us[joined], calm_us, None, width_us)
    least_us = STEPS * step_us + CLEAR * seen.noise_us
    if width_us.size <= 2 * beside + 2:
        none, real = np.zeros(0, np.int64), np.zeros(0)
        return Renewals(
            none, none, none, none, real, real, real, real, none > 0, real, 1.0, step_us, False
        )  # fmt: skip
    first, last, known = _freezes(seen, beside, least_us)
    notch_us = _notch_us(width_us[first], max(2.0 * step_us, 8.0 * seen.noise_us, 1.0))
    if notch_us:  # The stick moved from notch to notch, and rested in them
        step_us = notch_us
        least_us = STEPS * step_us + CLEAR * seen.noise_us
        first, last, known = _freezes(seen, beside, least_us)
    place = np.arange(width_us.size)
    path_us = np.interp(place, place[known], width_us[known])
    told = joined & _Paces(path_us, joined, beside).told(least_us + MARGIN * seen.noise_us)
    # A change far smaller than the pace may be a repeat that did not show.
    told &= ~known[1:] | (3.0 * change_us >= np.abs(np.diff(path_us)))
    renewed = told & known[1:]
    every = _usual_interval(first, last, renewed)
    usual = math.ceil(every - 1e-9)
    frames = last - first + 1
    missed = np.maximum(np.ceil((frames - usual) / every - 1e-9), 0.0)
    total = np.concatenate([[0], np.cumsum(told)])
    in_told = (total[last] - total[first]) / np.maximum(last - first, 1)
    longer = missed > 0
    weight = _hidden(path_us, told, frames[longer], least_us)
    rise_s = record.table.rise_s
    return Renewals(
        row[:-1][told], row[:-1][renewed], row[first[longer]], seen.turns * frames[longer],
        rise_s[row[first] + 1][longer], rise_s[row[last + 1]][longer], missed[longer],
        in_told[longer], told[first][longer], weight, seen.turns * every, step_us,
        bool(np.ptp(width_us) > least_us + CLEAR * seen.noise_us),
    )  # fmt: skip


def _freezes(seen: _Series, beside: int, least_us: float) -> tuple[IntArray, IntArray, BoolArray]:
    """Find all freezes: first and last frame of each, and which frames are in none."""
    width_us, noise_us = seen.width_us, seen.noise_us
    first, last, jump_us = _still_runs(width_us, seen.joined, noise_us, least_us - LESS * noise_us)
    kept = ~_drifts(width_us, first, last, noise_us)
    first, last, jump_us = first[kept], last[kept], jump_us[kept]
    clear_us = np.where(last - first >= SELDOM, least_us - LESS * noise_us, least_us)
    short = last - first < max(round(LONG_S / seen.period_s), 4)
    late = max(1, round(LATE_S / seen.period_s))
    near = max(_NEAR, round(2.0 * BESIDE_S / seen.period_s))
    frozen, known = np.zeros(first.size, bool), np.ones(width_us.size, bool)
    place, path_us = np.arange(width_us.size), width_us
    for _ in range(_PASSES):  # A freeze beside spoils the pace until it is known
        paces = _Paces(path_us, seen.joined, beside)
        on = short | paces.goes_on(last, np.abs(jump_us) / (last - first + 1))
        frozen |= on & paces.frozen(first, last, jump_us, clear_us)
        frozen |= paces.breaks_off(first, last, jump_us, clear_us, late=late, noise_us=noise_us)
        frozen &= _even(width_us, known, first, last, near=near, noise_us=noise_us)
        known[1:] = ~_marked(first[frozen], last[frozen], width_us.size - 1)
        path_us = np.interp(place, place[known], width_us[known])
    return first[frozen], last[frozen], known


def _notch_us(level_us: FloatArray, least_us: float) -> float:
    """Step on which nearly all levels lie at which the width stood still; 0 where there is none.

    A link freezes anywhere. By Rayleigh's test levels that lie anywhere do so with a chance of
    exp(-n R^2) for each step that is tried.
    """
    level_us = level_us[:_NOTCHED]
    range_us = float(np.ptp(level_us)) if level_us.size else 0.0
    if level_us.size * ALIKE**2 < SURE or range_us < 4.0 * least_us:
        return 0.0
    per_us = np.arange(4.0 / range_us, 1.0 / least_us, 0.1 / range_us)
    turn = np.exp(2j * np.pi * np.outer(per_us, level_us - level_us[0]))
    alike = np.abs(turn.mean(axis=1))
    best = int(np.argmax(alike))
    sure = alike[best] > ALIKE and level_us.size * alike[best] ** 2 > SURE
    return float(1.0 / per_us[best]) if sure else 0.0


def _drifts(width_us: FloatArray, first: IntArray, last: IntArray, noise_us: float) -> BoolArray:
    """Say which runs, with the frame after them, lie on one slope but for noise."""
    count = last - first + 2
    run, size = np.repeat(np.arange(first.size), count), first.size
    at = np.arange(run.size) - np.repeat(np.cumsum(count) - count, count)
    over_us = width_us[first[run] + at] - width_us[first[run]]
    total, square = np.bincount(run, over_us, size), np.bincount(run, over_us**2, size)
    moment = np.bincount(run, (at - 0.5 * (count[run] - 1)) * over_us, size)
    left = square - total**2 / count - 12.0 * moment**2 / (count * (count**2 - 1.0))
    spare = np.maximum(count - 2.0, 1.0)
    drifts: BoolArray = (count > SELDOM + 1) & (
        left < (spare + 4.0 * np.sqrt(2.0 * spare)) * noise_us**2
    )
    return drifts


def _even(
    width_us: FloatArray,
    known: BoolArray,
    first: IntArray,
    last: IntArray,
    *,
    near: int,
    noise_us: float,
) -> BoolArray:
    """Say beside which runs the stick moves evenly, not by a leap now and then.

    Of leaps L the sum's square over the sum of squares is how many there are in effect. What is
    known as a freeze is left out. A stick that did not move beside shows nothing.
    """
    change_us = np.diff(width_us)
    at = np.flatnonzero(known[1:] & known[:-1])
    total = np.append(0.0, np.cumsum(change_us[at]))
    square = np.append(0.0, np.cumsum(change_us[at] ** 2 - 2.0 * noise_us**2))
    even = np.zeros(first.size, bool)
    up_to, from_ = np.searchsorted(at, first), np.searchsorted(at, last + 1)
    for low, high in (
        (np.maximum(up_to - near, 0), up_to),
        (from_, np.minimum(from_ + near, at.size)),
    ):
        net_us = total[high] - total[low]
        leaps = EVEN * np.maximum(high - low, 4) * (square[high] - square[low])
        even |= net_us**2 > np.maximum(leaps, 2.0 * (CHANGED * noise_us) ** 2)
    return even


def _hidden(path_us: FloatArray, told: BoolArray, frames: IntArray, least_us: float) -> FloatArray:
    """Say how many freezes as long there were for each found, at most `MOST_HIDDEN`.

    One may begin wherever it is told. It shows only where the stick goes on the same way to its
    end, and far enough for a jump.
    """
    pace_us, weight = np.diff(path_us), np.ones(frames.size)
    for length in np.unique(frames):
        begin, end = pace_us[:-length], pace_us[length:]
        jump_us = np.sign(begin) * (path_us[length:-1] - path_us[: -length - 1])
        beside_us = np.maximum(np.abs(begin), np.abs(end))
        shows = (begin * end > 0.0) & (jump_us > LEAPS * beside_us + least_us)
        at = told[:-length]
        share = (np.count_nonzero(shows & at) + 1.0) / (np.count_nonzero(at) + 1.0)
        weight[frames == length] = min(1.0 / share, MOST_HIDDEN)
    return weight


def _marked(first: IntArray, last: IntArray, size: int) -> BoolArray:
    """Mark the places from each first one up to, not with, its last."""
    begun = np.zeros(size + 1, np.int64)
    np.add.at(begun, first, 1)
    np.add.at(begun, last, -1)
    marked: BoolArray = np.cumsum(begun)[:size] > 0
    return marked


@dataclass(frozen=True, slots=True)
class _Series:
    """The widths of a line, one for each frame in which the link may renew it."""

    row: IntArray  # shape (n,): Rows in the pulse table
    width_us: FloatArray  # shape (n,)
    joined: BoolArray  # shape (n - 1,): Which follow the one before without a gap
    period_s: float
    turns: int  # Frames from one to the next; mostly 1
    noise_us: float  # Deviation of a single width
    floor_us: float  # What sampling alone makes of it


def _series(record: Record) -> _Series:
    """Measured widths of a line; those between two turns of a link are taken together."""
    table, frames = record.table, record.frames
    row = np.setdiff1d(record.rows, record.dwells.stray, assume_unique=True)
    width_us = table.width_us[row]
    plain = np.zeros(len(table) + 1, bool)
    plain[frames.index[~frames.is_gap]] = True
    joined = plain[row[:-1]] & (np.diff(row) == 1) if row.size else np.zeros(0, bool)
    period_s = (frames.usual_us or table.convention.period_us) / 1e6
    floor_us = max(sampling_floor_us(table.sample_interval_us) or 0.0, 1e-3)
    number = np.cumsum(np.rint(np.diff(table.rise_s[row], prepend=0.0) / period_s)).astype(int)
    turns, phase = _turns(width_us, joined, number)
    if turns == 1:
        noise_us = _noise_us(record, row, width_us, joined, floor_us)
        return _Series(row, width_us, joined, period_s, 1, noise_us, floor_us)
    repeats_us = np.abs(np.diff(width_us))[joined & ((number[1:] - phase) % turns > 0)]
    noise_us = max(median_of(repeats_us) / (_MEDIAN * math.sqrt(2.0)), floor_us)
    group = (number - phase) // turns
    begin = np.flatnonzero(np.diff(group, prepend=group[0] - 1))
    count = np.diff(np.append(begin, group.size))
    width_us = np.add.reduceat(width_us, begin) / count
    whole = count == turns
    joined = whole[:-1] & whole[1:] & (np.diff(group[begin]) == 1)
    calm_us = min(noise_us, _calm_us(width_us, joined, floor_us))
    noise_us = max(calm_us, noise_us / math.sqrt(turns))  # Of the mean of so many
    return _Series(row[begin], width_us, joined, turns * period_s, turns, noise_us, floor_us)


def _turns(width_us: FloatArray, joined: BoolArray, number: IntArray) -> tuple[int, int]:
    """Find whether the link renews the width only every so many frames, and in which of them.

    Then every large change comes in the same frame of so many; by chance some 24 never do.
    """
    change_us = np.where(joined, np.abs(np.diff(width_us)), 0.0)
    if change_us.size < MIN_LARGE:
        return 1, 0
    twelfth_us, least_us = np.sort(change_us)[[-MIN_LARGE // 2, -MIN_LARGE]]
    large = change_us >= max(min(0.5 * twelfth_us, least_us), 1e-9)  # Freezes end in larger ones
    at = number[1:][large]
    for turns in range(MAX_TURNS, 1, -1):
        count = np.bincount(at % turns, minlength=turns)
        if at.size >= MIN_LARGE and count.max() >= _NEARLY_ALL * at.size:
            return turns, int(np.argmax(count))
    return 1, 0


def width_noise_us(record: Record) -> float:
    """Deviation of a single width of a line, in microseconds, although its stick never rests."""
    return _series(record).noise_us


def _noise_us(
    record: Record, row: IntArray, width_us: FloatArray, joined: BoolArray, floor_us: float
) -> float:
    """Deviation of a single width: in dwells, else what the calmest quarter of frames shows."""
    dwells = record.dwells
    held = np.flatnonzero(dwells.count >= _MIN_HELD)
    if int(dwells.count[held].sum()) < _ENOUGH_HELD:
        return max(min(_calm_us(width_us, joined, floor_us), dwells.noise_us), floor_us)
    square = np.append(0.0, np.cumsum(np.where(joined, np.diff(width_us) ** 2, 0.0)))
    begin, end = np.searchsorted(row, (dwells.first[held], dwells.last[held]))
    apart_us = np.sqrt((square[end] - square[begin]) / (2.0 * np.maximum(end - begin, 1)))
    std_us = np.minimum(dwells.std_us[held], _DRIFT * apart_us)
    order = np.argsort(std_us)
    total = np.cumsum(dwells.count[held][order])
    half = int(np.searchsorted(total, total[-1] / 2))
    return max(float(std_us[order[half]]), floor_us)


def _calm_us(width_us: FloatArray, joined: BoolArray, floor_us: float) -> float:
    """Deviation of a single width, by the calmest quarter of bends and of differences.

    In coarse steps some half of the frames differ by noise alone.
    """
    bends_us = np.abs(np.diff(width_us, 2))[joined[1:] & joined[:-1]]
    if not bends_us.size:
        return math.inf
    bend_us, change_us = (
        float(np.quantile(each, 0.25)) for each in (bends_us, np.abs(np.diff(width_us))[joined])
    )
    return min(bend_us / (_QUARTILE * math.sqrt(6.0)), max(change_us / 0.65, 2.0 * floor_us))


def _still_runs(
    width_us: FloatArray, joined: BoolArray, noise_us: float, least_us: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Find runs of frames of one width that end with a jump: first, last frame, and jump."""
    change_us = np.abs(np.diff(width_us))
    same = joined & (change_us <= CHANGED * np.sqrt(2.0) * noise_us)
    leaps = joined & (change_us > least_us - CHANGED * noise_us)
    last = np.flatnonzero(leaps[1:] & same[:-1]) + 1
    firsts, jumps = [np.zeros(0, np.int64)], [np.zeros(0)]
    back = np.arange(_LOOK_BACK)
    for begin in range(0, last.size, _BATCH):
        some = last[begin : begin + _BATCH]
        place = some[:, None] - back
        seen_us = width_us[np.maximum(place, 0)]
        # The first frames back tell the level, as long as they are of one width themselves.
        usable = (place >= 0) & np.concatenate(
            [np.ones((some.size, 1), bool), joined[np.maximum(place[:, 1:], 0)]], axis=1
        )
        two_us = seen_us[:, :2].mean(axis=1, keepdims=True)
        near = usable & (np.abs(seen_us - two_us) <= (CHANGED + 1.0) * noise_us)
        near = np.logical_and.accumulate(near, axis=1)
        count = np.maximum(near.sum(axis=1), 1)
        level_us = np.where(near, seen_us, 0.0)[:, :8].sum(axis=1) / np.minimum(count, 8)
        still = usable & (np.abs(seen_us - level_us[:, None]) <= CHANGED * noise_us)
        length = np.logical_and.accumulate(still, axis=1).sum(axis=1)
        firsts.append(some - length + 1)
        jumps.append(width_us[some + 1] - level_us)
    first, jump_us = np.concatenate(firsts), np.concatenate(jumps)
    kept = (first < last) & (np.abs(jump_us) > least_us)
    first, last, jump_us = first[kept], last[kept], jump_us[kept]
    first[1:] = np.maximum(first[1:], last[:-1] + 1)
    kept = first < last
    return first[kept], last[kept], jump_us[kept]


class _Paces:
    """Paces of the stick before and after frames, in microseconds a frame.

    Each is taken over two frames, over a few and over many: a freeze beside spoils some of them.
    The calmest of the first two says what the stick does at that frame, the largest of all
    whether it moves.
    """

    def __init__(self, width_us: FloatArray, joined: BoolArray, beside: int) -> None:
        self.beside, self.width_us = beside, width_us
        self.step_us = np.abs(np.diff(width_us, prepend=width_us[0]))  # Up to each frame
        gaps = np.concatenate([[0], np.cumsum(~joined)])
        total = np.concatenate([[0.0], np.cumsum(width_us - width_us[0])])
        scales = [_slopes(width_us, total, gaps, over) for over in (2, beside, 3 * beside)]
        self.before = np.array([before for before, _ in scales])
        self.after = np.array([after for _, after in scales])

    def frozen(
        self,
        first: IntArray,
        last: IntArray,
        jump_us: FloatArray,
        least_us: FloatArray,
    ) -> BoolArray:
        """Say which runs a stick that moves on has made, and neither steps nor noise explain."""
        way = np.sign(jump_us)
        before, after = way * self.before[:, first], way * self.after[:, last + 1]
        pace = np.abs(jump_us) / (last - first + 1)
        good, beside = _plausible(before, after, pace)
        good &= before[:2].max(axis=0) > 0.0
        frozen: BoolArray = good & (np.abs(jump_us) > LEAPS * beside + least_us)
        return frozen

    def breaks_off(
        self,
        first: IntArray,
        last: IntArray,
        jump_us: FloatArray,
        least_us: FloatArray,
        *,
        late: int,
        noise_us: float,
    ) -> BoolArray:
        """Say in which runs a stick in full motion stopped at once, leapt, and moved again.

        A hand slows down before it stops, unless at an end; so the stick may go another way.
        """
        earlier = np.maximum(first - late, 0)
        pace, way = np.abs(self.before[1, earlier]), np.sign(self.before[1, earlier])
        level_us, after = self.width_us[first], np.abs(self.after[:, last + 1])
        lately = way * (level_us - self.width_us[earlier]) / late
        end_us = np.where(way > 0, self.width_us.max(), self.width_us.min())
        # Or the jump makes up for what the stick would have gone.
        went_us = pace * (last - first + 1)
        as_far = np.abs(way * jump_us - went_us) < 0.4 * went_us
        as_far &= after[0] < 2.0 * pace  # A spring is faster
        off: BoolArray = (
            (last - first >= 2)
            & (pace * self.beside > least_us)
            & (lately > 0.6 * pace + 3.0 * noise_us / late)
            & (way * self.before[2, first] > 0.4 * pace)
            & (np.abs(end_us - level_us) > 2.0 * least_us)
            & (np.abs(jump_us) > LEAPS * np.maximum(pace, _calm(after)) + least_us)
            & (after[:2].max(axis=0) * self.beside > least_us)
            & (as_far | self.goes_on(last, np.maximum(pace, _calm(after))))
        )
        return off

    def goes_on(self, last: IntArray, pace: FloatArray) -> BoolArray:
        """Say after which runs the stick still moves when a spring would have taken it home."""
        size = self.width_us.size
        home = np.minimum(last + 1 + self.beside, size - 1)
        later = np.minimum(home + self.beside, size - 1)
        beside = np.array([[-1], [0], [1]])
        home_us, later_us = (
            self.width_us[np.clip(at + beside, 0, size - 1)].mean(axis=0) for at in (home, later)
        )
        on: BoolArray = np.abs(later_us - home_us) > 0.2 * pace * np.maximum(later - home, 1)
        return on

    def told(self, least_us: float) -> BoolArray:
        """Say after which frames a single repeat would show."""
        before, after = self.before[:, :-1], self.after[:, 1:]
        pace = 0.5 * (before[1] + after[1])
        way = np.sign(np.nan_to_num(pace))
        pace = np.abs(pace)
        good, beside = _plausible(way * before, way * after, pace)
        told: BoolArray = good & (2.0 * pace > LEAPS * beside + least_us)
        return told


def _plausible(
    before: FloatArray, after: FloatArray, pace: FloatArray
) -> tuple[BoolArray, FloatArray]:
    """Say where a stick of some pace moves before and after; and the larger pace of those."""
    beside = np.maximum(_calm(before), _calm(after))
    moves = np.minimum(_most(before), _most(after))
    good: BoolArray = (moves > 0.0) & (moves * UNLIKE >= pace) & (pace * UNLIKE >= beside)
    return good & np.isfinite(before[1]) & np.isfinite(after[1]), beside


def _slopes(
    width_us: FloatArray, total: FloatArray, gaps: IntArray, over: int
) -> tuple[FloatArray, FloatArray]:
    """Paces up to each frame from the mean of some before it, and from it to those after it."""
    before, after = np.full(width_us.size, np.nan), np.full(width_us.size, np.nan)
    if width_us.size > over:
        mean_us = (total[over:] - total[:-over]) / over + width_us[0]
        whole = gaps[over:] == gaps[:-over]
        lever = (over + 1) / 2.0
        before[over:] = np.where(whole, (width_us[over:] - mean_us[:-1]) / lever, np.nan)
        after[:-over] = np.where(whole, (mean_us[1:] - width_us[:-over]) / lever, np.nan)
    return before, after


def _calm(paces: FloatArray) -> FloatArray:
    """Return the smaller of the paces over two frames and over a few, whatever their way."""
    calm: FloatArray = np.nanmin(np.abs(paces[:2]), axis=0, initial=np.inf)
    return calm


def _most(paces: FloatArray) -> FloatArray:
    """Return the largest of the paces one way."""
    most: FloatArray = np.nanmax(paces, axis=0, initial=-np.inf)
    return most


def _step_us(
    size_us: FloatArray, noise_us: float, finest_us: float | None, width_us: FloatArray
) -> float:
    """Bound the steps of the width by the small ones among its jumps, and by what is known.

    A slow stick in coarse steps jumps by one step at a time. A search for steps may lower the
    bound where it looked so far up.
    """
    seen_us = np.sort(size_us[size_us > CHANGED * math.sqrt(2.0) * noise_us])
    # Noise alone makes some of them.
    by_noise = math.ceil(2.0 * _CHANCE * size_us.size + 1.0)
    if seen_us.size <= by_noise:
        return 0.0
    small_us = float(seen_us[max(by_noise, int(_LOW * seen_us.size))])
    if finest_us is not None and small_us < np.ptp(width_us) / _COARSE_PART:
        return min(small_us, max(finest_us, FINEST * noise_us))
    return small_us


def _usual_interval(first: IntArray, last: IntArray, renewed: BoolArray) -> float:
    """Frames between renewals where those come regularly; 1 where they do not.

    Renewals at a steady rate of their own never lie more than a frame from it; repeats that
    come by chance soon do.
    """
    frames = np.ones(renewed.size)
    frames[last] = last - first + 1
    length = frames[renewed]
    if length.size < MIN_TOLD:
        return 1.0
    whole = median_of(length)
    if whole >= 2.0 and float(np.mean(length == whole)) > _MOSTLY:
        return whole
    mean = float(np.mean(np.minimum(length, 2.0 * whole)))
    part = min(mean % 1.0, -mean % 1.0)
    turns = math.ceil(_REPEATS / part) if part > 0.02 else length.size
    if 2 * turns > length.size:
        return 1.0
    walk = np.concatenate([[0.0], np.cumsum(length - mean)])
    reach = np.ptp(np.lib.stride_tricks.sliding_window_view(walk, turns + 1), axis=1)
    return mean if median_of(reach) <= _REACH else 1.0
