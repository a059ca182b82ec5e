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
FINEST: Final = 2.5
"""In noise no step is known to be finer than so many deviations."""
MARGIN: Final = 2.5
"""A repeat is sure to show where its jump would be clear by so many more deviations."""
LEAST: Final = 0.25
"""A stick that moves on goes through a freeze at so large a part of its pace beside, at least."""
BESIDE_S: Final = 0.12
MIN_BESIDE: Final = 6
"""How long before and after a freeze the stick is looked at, and how many frames at least."""
EVEN: Final = 0.25
MOVES: Final = 2.5
"""A stick that moves changes in so large a part of them, in effect, and so many at least."""
SEVERAL: Final = 20
"""Where only one jump in so many shows a freeze, chance made it: the stick leaps by itself."""
BURST: Final = (6.0, 60.0)
"""Mean and mean square of the one freeze that is taken besides those seen."""
MIN_TOLD: Final = 20
"""Frames from which the share of fresh ones is told."""
MAX_TURNS: Final = 6
"""A link that sends its lines by turns renews each at least every so many frames."""
MIN_LARGE: Final = 24
"""Large changes from which such turns are known; nearly all come in the same frame of each."""
MOST_HIDDEN: Final = 10.0
_PASSES: Final = 3
_NEARLY_ALL: Final = 0.95
_LOOK_BACK: Final = 256
_BATCH: Final = 4096
_COARSE_PART: Final = 8.0
_REPEATS: Final = 6
"""Repeats that are looked at together, to tell whether they come regularly."""
_REACH: Final = 1.2
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
    turns: int  # Frames that are taken as one, where a link sends its lines by turns; mostly 1
    step_us: float  # The largest step of the width that may be
    moved: bool  # Whether the width ranges over more than a step and noise

    @property
    def stale(self) -> int:
        """Renewals that did not come where that would show, had no turn hidden any."""
        return round(float(np.sum(self.missed * self.in_told * self.weight)))

    @property
    def cycle(self) -> tuple[float, float, float]:
        """Mean and variance of the renewals that a freeze lacks, and mean of those between two.

        One more is taken besides those seen, since few tell little.
        """
        freezes = float(np.sum(self.weight)) + 1.0
        mean = (float(np.sum(self.weight * self.missed)) + BURST[0]) / freezes
        square = (float(np.sum((self.weight * self.missed) ** 2)) + BURST[1]) / freezes
        between = max(mean * self.fresh.size / max(self.stale, 1), 1.0)
        return mean, max(square - mean**2, 0.0), between

    @property
    def effect(self) -> float:
        """Variance of the stale ones over that of independent frames.

        That of an alternating renewal process with geometric stretches between its freezes.
        """
        mean, variance, between = self.cycle
        spread = between**2 * variance + mean**2 * (between**2 - between)
        return max(1.0, spread / ((between + mean) * between * mean))

    @property
    def dispersion(self) -> float:
        """Variance of the number of freezes over its mean, of the same process."""
        mean, variance, between = self.cycle
        return (between**2 - between + variance) / (between + mean) ** 2


def find_renewals(record: Record, finest_us: float | None) -> Renewals:
    """Find where a line's width was renewed. Own algorithm.

    ``finest_us`` is the step of the width, or what its steps are surely finer than, as far as
    that is known. A run of frames of one width ends with a jump. Steps, noise and the stick's own
    leaps explain the jump unless it is larger than they make it; a stick that rests explains the
    run unless it moved up to it, and moves on as if it had never stopped. Through freezes the
    stick is taken to have gone evenly; where it then is fast enough for a repeat to show, frames
    are counted as fresh or not.
    """
    seen = _series(record)
    row, width_us, joined = seen.row, seen.width_us, seen.joined
    beside = max(round(BESIDE_S / seen.period_s), MIN_BESIDE)
    change_us = np.abs(np.diff(width_us))
    step_us = _step_us(change_us[joined], seen.noise_us, finest_us, width_us)
    if not step_us:  # Steps that a drift passes off as noise
        calm_us = min(seen.noise_us, _calm_us(width_us, joined, seen.floor_us))
        step_us = _step_us(change_us[joined], calm_us, None, width_us)
    least_us = step_us + CLEAR * seen.noise_us
    if width_us.size <= 2 * beside + 2:
        none, real = np.zeros(0, np.int64), np.zeros(0)
        return Renewals(
            none, none, none, none, real, real, real, real, none > 0, real, 1.0, 1, step_us, False
        )  # fmt: skip
    first, last, frozen, own_us = _freezes(seen, beside, least_us)
    if own_us > step_us:  # From notch to notch
        step_us = own_us
        least_us = step_us + CLEAR * seen.noise_us
        first, last, frozen, _ = _freezes(seen, beside, least_us)
    place, size = np.arange(width_us.size), width_us.size - 1
    known = np.append(True, ~_marked(first[frozen], last[frozen], size))
    path_us = np.interp(place, place[known], width_us[known])
    leaps = _Leaps(path_us, joined, beside, seen.noise_us)
    told = joined & leaps.shows(path_us, 1, least_us + MARGIN * seen.noise_us)
    renewed = told & ~_marked(first, last, size)
    every = _usual_interval(first, last, renewed)
    if every == 1.0:  # The other runs are neither freezes nor fresh
        doubtful = np.append(_marked(first[~frozen], last[~frozen] + 1, size), False)
        told &= ~(doubtful[:-1] | doubtful[1:])
        renewed &= told
    first, last = first[frozen], last[frozen]
    usual = math.ceil(every - 1e-9)
    frames = last - first + 1
    missed = np.maximum(np.ceil((frames - usual) / every - 1e-9), 0.0)
    total = np.concatenate([[0], np.cumsum(told)])
    in_told = (total[last] - total[first]) / np.maximum(last - first, 1)
    longer = missed > 0
    weight = _hidden(leaps, path_us, told, frames[longer], least_us)
    rise_s = record.table.rise_s
    return Renewals(
        row[:-1][told], row[:-1][renewed], row[first[longer]], seen.turns * frames[longer],
        rise_s[row[first] + 1][longer], rise_s[row[last + 1]][longer], missed[longer],
        in_told[longer], told[first][longer], weight, seen.turns * every, seen.turns, step_us,
        bool(np.ptp(width_us) > least_us + CLEAR * seen.noise_us),
    )  # fmt: skip


def _freezes(
    seen: _Series, beside: int, least_us: float
) -> tuple[IntArray, IntArray, BoolArray, float]:
    """Find the runs that end with a jump: first and last frame, and which of them are freezes.

    Besides, how large the leaps are that the stick makes by itself after it stood still; zero
    where freezes are no rare exception among them.
    """
    width_us, noise_us = seen.width_us, seen.noise_us
    first, last, jump_us = _still_runs(width_us, seen.joined, noise_us, least_us - LESS * noise_us)
    kept = ~_drifts(width_us, first, last, noise_us)
    first, last, jump_us = first[kept], last[kept], jump_us[kept]
    up, size_us, repeats = jump_us > 0.0, np.abs(jump_us), last - first
    long = repeats >= SELDOM
    clear_us = np.where(long, least_us - LESS * noise_us, least_us)
    known, place, path_us = np.ones(width_us.size, bool), np.arange(width_us.size), width_us
    for at in range(_PASSES):  # A freeze beside spoils the leaps until it is known
        leaps = _Leaps(path_us, seen.joined, beside, noise_us)
        before, after = leaps.before[:, 1 * up, first], leaps.after[:, 1 * up, last + 1]
        if at == 0:  # The evener side counts for both
            evener = before[0] ** 2 * after[1] > after[0] ** 2 * before[1]
            before = after = np.where(evener | (after[0] <= 0.0), before, after)
        frozen = leaps.clear(size_us, repeats, before, after, clear_us)
        known[1:] = ~_marked(first[frozen], last[frozen], width_us.size - 1)
        path_us = np.interp(place, place[known], width_us[known])
    on = long & (before[0] > 0.0) & (after[0] > 0.0)
    rare = max(int(np.count_nonzero(on & frozen)), 1)
    seldom = int(np.count_nonzero(on)) >= SEVERAL * rare
    own_us = float(np.quantile(size_us[on & ~frozen], 1.0 - 1.0 / SEVERAL)) if seldom else 0.0
    return first, last, frozen, own_us


class _Leaps:
    """How far a stick leaps from frame to frame just before and after each frame.

    Of leaps the sum S and the sum of squares Q say how many there are in effect, S^2 / Q, and how
    large they are, Q / S. They are taken over the stretch next to the frame that has most of them;
    zero where the stick does not move. Both have shape (2, 2, n): S and Q, down and up.
    """

    def __init__(
        self, path_us: FloatArray, joined: BoolArray, beside: int, noise_us: float
    ) -> None:
        def up_to(path_us: FloatArray, joined: BoolArray) -> FloatArray:
            square = np.append(0.0, np.cumsum(np.diff(path_us) ** 2))
            gaps = np.append(0, np.cumsum(~joined))
            best, most = np.zeros((2, path_us.size)), np.zeros(path_us.size)
            for over in range(1, beside + 1):
                net_us = path_us[over:] - path_us[:-over]
                leaps = square[over:] - square[:-over] - 2.0 * over * noise_us**2
                leaps = np.maximum(leaps, net_us**2 / over)
                moves = np.where(net_us > changed_us, net_us**2 / np.maximum(leaps, 1e-12), 0.0)
                more = (moves > most[over:]) & (gaps[over:] == gaps[:-over])
                best[:, over:] = np.where(more, [net_us, leaps], best[:, over:])
                most[over:] = np.where(more, moves, most[over:])
            return best

        changed_us = CHANGED * math.sqrt(2.0) * noise_us
        self.enough = 2.0 * max(MOVES, EVEN * beside)
        self.before = np.stack([up_to(way * path_us, joined) for way in (-1.0, 1.0)], axis=1)
        back = [up_to(-way * path_us[::-1], joined[::-1])[:, ::-1] for way in (-1.0, 1.0)]
        self.after = np.stack(back, axis=1)

    def clear(
        self,
        jump_us: FloatArray,
        repeats: IntArray | int,
        before: FloatArray,
        after: FloatArray,
        least_us: FloatArray | float,
    ) -> BoolArray:
        """Say which jumps after so many repeats show that the stick had moved on.

        It moved evenly beside and the same way, made no leap like that, and went through the
        repeats at no pace of its own.
        """
        (net, square), slow_us = before + after, np.inf
        moves: BoolArray = net**2 >= self.enough * square
        for one, other in (before, after):
            moves &= (one > 0.0) & (one**2 >= other)
            slow_us = np.minimum(slow_us, other / np.maximum(one, 1e-9))
        leap_us = square / np.maximum(net, 1e-9)
        moves &= jump_us > (1.0 + LEAST) * leap_us + least_us
        moves &= jump_us > (1.0 + LEAST * repeats) * leap_us
        return moves & (LEAST * jump_us <= (repeats + 1) * slow_us)

    def shows(self, path_us: FloatArray, repeats: int, least_us: float) -> BoolArray:
        """Say after which frames so many repeats would show; shape (n - 1,)."""
        end, shows = repeats + 1, np.zeros(path_us.size - 1, bool)
        for up, way in enumerate((-1.0, 1.0)):
            jump_us = way * (path_us[end:] - path_us[:-end])
            before, after = self.before[:, up, :-end], self.after[:, up, end:]
            shows[: jump_us.size] |= self.clear(jump_us, repeats, before, after, least_us)
        return shows


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


def _hidden(
    leaps: _Leaps, path_us: FloatArray, told: BoolArray, frames: IntArray, least_us: float
) -> FloatArray:
    """Say how many freezes as long there were for each found, at most `MOST_HIDDEN`.

    One may begin wherever it is told. It shows only where the stick goes on the same way to its
    end, and far enough for a jump.
    """
    weight = np.ones(frames.size)
    for length in np.unique(frames):
        shows = leaps.shows(path_us, int(length) - 1, least_us)
        share = (np.count_nonzero(shows & told) + 1.0) / (np.count_nonzero(told) + 1.0)
        weight[frames == length] = min(1.0 / share, MOST_HIDDEN)
    return weight


def _marked(first: IntArray, last: IntArray, size: int) -> BoolArray:
    """Mark the places from each first one up to, not with, its last."""
    begun = np.zeros(size + 1, np.int64)
    np.add.at(begun, first, 1)
    np.add.at(begun, last, -1)
    return np.cumsum(begun)[:size] > 0


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
        still = usable & (np.abs(seen_us - level_us[:, None]) <= (CHANGED + 1.0) * noise_us)
        length = np.logical_and.accumulate(still, axis=1).sum(axis=1)
        firsts.append(some - length + 1)
        jumps.append(width_us[some + 1] - level_us)
    first, jump_us = np.concatenate(firsts), np.concatenate(jumps)
    kept = (first < last) & (np.abs(jump_us) > least_us)
    first, last, jump_us = first[kept], last[kept], jump_us[kept]
    first[1:] = np.maximum(first[1:], last[:-1] + 1)
    kept = first < last
    return first[kept], last[kept], jump_us[kept]


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
    mean = float(np.mean(np.minimum(length, 2.0 * whole)))
    part = min(mean % 1.0, -mean % 1.0)
    turns = math.ceil(_REPEATS / part) if part > 0.02 else length.size
    if 2 * turns <= length.size:
        walk = np.concatenate([[0.0], np.cumsum(length - mean)])
        reach = np.ptp(np.lib.stride_tricks.sliding_window_view(walk, turns + 1), axis=1)
        if median_of(reach) <= _REACH:
            return mean
    return whole if np.mean(length >= whole) > _NEARLY_ALL else 1.0
