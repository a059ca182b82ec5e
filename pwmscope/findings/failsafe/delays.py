"""Whether delays and pauses that repeat are a machine's, and pauses those of a restart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.failsafe.coincidence import Watched
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.model import special

HAND_SCATTER_S: Final = 0.04
"""Standard deviation of the moment at which a hand does what it means to do, at least
(common practice, from memory)."""
HAND_SCATTER: Final = 0.08
"""And this part of the delay, where it is longer: people keep a second to a tenth or so."""
PULL_SCATTER_S: Final = 0.025
"""Standard deviation of the moment at which somebody pulls a plug by habit, or answers a cue, at
least: simple reactions scatter by 20 to 30 ms at the very best, by 50 ms as a rule (from memory).
However long after the marker: a beep, or another device that fails, may have been the cue."""
PERSON: Final = 0.1
"""A person who pulls plugs, or answers a cue, in every loss is taken to be so much less likely."""
MACHINE_ODDS: Final = 1e-4
"""Delays that a hand would make alike with smaller odds are a machine's."""
ALIKE_FRAMES: Final = (1.0, 2.0, 3.0)
ALIKE_S: Final = (0.01, 0.02, 0.04, 0.06, 0.09)
"""Ranges in which delays are looked for, in frame periods and in seconds."""
LATE_S: Final = 0.1
"""A machine's delay is longer by no more than this where packets got lost before."""
MOST: Final = 30
"""More delays than this make no difference."""

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@lru_cache(maxsize=4096)
def range_odds(count: int, range_over_scatter: float) -> float:
    """Return the odds that so many normal deviates range over no more.

    Examples
    --------
    >>> range_odds(1, 0.1), round(range_odds(2, 2.772), 3)
    (1.0, 0.95)
    """
    if count < 2:
        return 1.0
    at = np.linspace(-8.0 - range_over_scatter, 8.0, 2001)
    density = np.exp(-0.5 * at**2) / np.sqrt(2.0 * np.pi)
    within = special.ndtr(at + range_over_scatter) - special.ndtr(at)
    return float(min(1.0, count * np.trapezoid(density * within ** (count - 1), at)))


def hand_odds(
    delays_s: FloatArray,
    frame_s: float,
    least_scatter_s: float = HAND_SCATTER_S,
    part: float = HAND_SCATTER,
) -> FloatArray:
    """Return for each delay the odds that a hand made it and those like it.

    Delays that lie together in a range too short for a hand show a machine. The odds are those
    that some choice of so many delays lies so close together. Of a machine's delays a few come
    later, where packets got lost: these are taken as its own too, at the same odds.
    """
    odds = np.ones(delays_s.size)
    known = np.flatnonzero(np.isfinite(delays_s))
    if known.size < 2:
        return odds
    order = known[np.argsort(delays_s[known], kind="stable")]
    ordered_s = delays_s[order]
    scatter_s = np.maximum(least_scatter_s, part * np.abs(ordered_s))
    place = np.arange(order.size)
    best = np.ones(order.size)
    closest = (1.0, 0, 0.0)
    widths_s = {*ALIKE_S, *(count * frame_s for count in ALIKE_FRAMES)}
    # The range of all of them is as good a one, its odds being exact.
    widths_s.add(max(min(widths_s), float(ordered_s[-1] - ordered_s[0])))
    for width_s in widths_s:
        held = np.searchsorted(ordered_s, ordered_s + width_s, side="right") - place
        most = held.copy()
        for back in range(1, min(MOST, order.size)):
            reaches = ordered_s[back:] - ordered_s[:-back] <= width_s
            most[back:] = np.where(reaches, np.maximum(most[back:], held[:-back]), most[back:])
        pairs = np.stack([most, np.round(width_s / scatter_s, 3)], axis=1)
        unique, where = np.unique(pairs, axis=0, return_inverse=True)
        table = np.array(
            [_choice_odds(order.size, int(count), float(ratio)) for count, ratio in unique]
        )
        best = np.minimum(best, table[where.ravel()])
        start = int(held.argmax())
        ratio = float(np.round(width_s / scatter_s[start], 3))
        own = _choice_odds(order.size, int(held[start]), ratio)
        closest = min(closest, (own, start, width_s))
    chosen, start, width_s = closest
    over_s = ordered_s[start] + width_s
    is_late = (ordered_s > over_s) & (ordered_s <= over_s + LATE_S)
    best[is_late] = np.minimum(best[is_late], chosen)
    odds[order] = best
    return odds


def _choice_odds(count: int, held: int, range_over_scatter: float) -> float:
    """Bound the odds that some ``held`` of the delays lie so close together.

    Each delay left out halves the odds that are granted, so that over all numbers left out
    they add up to twice the odds at most. The ranges that are tried are nested and cost nothing.
    """
    left_out = count - held
    least = range_odds(min(held, MOST), range_over_scatter)
    return min(1.0, math.comb(count, left_out) * 2.0**left_out * least)


def pull_odds(delays_s: FloatArray, frame_s: float) -> FloatArray:
    """Return for each delay the odds that a person pulled a plug then, and at those like it."""
    return hand_odds(delays_s, frame_s, PULL_SCATTER_S, part=0.0)


def person_odds(delays_s: FloatArray, frame_s: float) -> FloatArray:
    """Return for each delay the odds that a person made it: of itself, or on a cue each time.

    A beep, or a motor that stops, may cue a hand long after the marker; its scatter is that of a
    reaction then. A person who waits for one in every loss is less likely from the start. Sticks
    that answer one cue go together, so lines that went with this one do not better the odds.
    """
    of_itself, on_cue = hand_odds(delays_s, frame_s), pull_odds(delays_s, frame_s)
    odds: FloatArray = np.maximum(of_itself, PERSON * on_cue)
    return odds


def chance_odds(moments_s: FloatArray, lasting_s: float, least_range_s: float) -> float:
    """Return the odds that events at any time of a loss come so close together by chance.

    Examples
    --------
    >>> chance_odds(np.array([0.5]), 2.0, 0.1)
    1.0
    >>> round(chance_odds(np.array([0.5, 0.5, 0.6]), 2.0, 0.1), 5)
    0.00725
    """
    count = moments_s.size
    if count < 2 or lasting_s <= 0.0:
        return 1.0
    part = min(1.0, max(float(np.ptp(moments_s)), least_range_s) / lasting_s)
    return float(count * part ** (count - 1) - (count - 1) * part**count)


THROUGH_FRAMES: Final = 1.6
"""Pulses that come no further apart than this went on."""
MIN_PAUSES: Final = 3
"""So many losses must show the same pause."""
STARTS_S: Final = 0.03
"""No receiver starts, and sends its first pulse, in less (common practice, from memory)."""
RATE_FRAMES: Final = 8
"""The frame rate is told from so many frames."""
MIN_BEAT: Final = 50
"""And the beat of the frames, to carry it through a pause, from so many."""
BEAT_REACH: Final = 0.2
"""Frames differ by no more than this part of a period; others are not the usual ones."""
MIN_AWAY: Final = 0.01
"""Pulses are in the beat within this part of a frame at best: outputs are staggered, and wait."""


def find_pauses(lines: Sequence[Watched], losses: Sequence[Loss]) -> tuple[BoolArray, FloatArray]:
    """Say where lines paused as in a restart; and by line the odds that its own are alike so."""
    paused: list[list[tuple[int, Stretch]]] = [[] for _ in losses]
    for i, line in enumerate(lines):
        for k, own in zip(line.places, line.responses, strict=True):
            found = [s for s in own.pauses if s.end_s < losses[k].back_s]
            found = found or _short_pauses(line, losses[k])
            if found:
                paused[k].append((i, found[0]))
    looks = np.zeros(len(losses), dtype=bool)
    if any(paused):
        rises_s = [line.output.table.rise_s[line.output.table.measured] for line in lines]
        looks[:] = [_looks_restarted(lines, rises_s, own) for own in paused]
    hit = [k for k, is_one in enumerate(looks.tolist()) if is_one]
    odds = np.ones(len(lines))
    if len(hit) < MIN_PAUSES or not all(losses[k].is_marked for k in hit):
        return looks, odds
    for i, line in enumerate(lines):
        pauses = {k: stretch for k in hit for place, stretch in paused[k] if place == i}
        if len(pauses) >= MIN_PAUSES:
            odds[i] = _alike_odds(line, losses, pauses)
    # A line without a pause of its own is judged by the one that is least alike.
    others = [float(odds[i]) for k in hit for i, _ in paused[k]]
    has = {i for k in hit for i, _ in paused[k]}
    odds[[i for i in range(len(lines)) if i not in has]] = max(others)
    return looks, odds


def _alike_odds(line: Watched, losses: Sequence[Loss], paused: Mapping[int, Stretch]) -> float:
    """Give the odds that chance, or a person, made a line's pauses so alike."""
    own = [losses[k] for k in paused]
    late_s = max(loss.moment.late_s for loss in own)
    begun_s = np.array([s.start_s - losses[k].lost_s for k, s in paused.items()])
    lasted_s = np.array([s.end_s - s.start_s for s in paused.values()])
    shortest_s = min(loss.back_s - loss.latest_s for loss in own)
    chance = chance_odds(begun_s, shortest_s, 2 * line.frame_s + late_s)
    # A receiver may stop by itself and be started anew in its silence: both ends must be alike.
    begun = pull_odds(begun_s, line.frame_s)
    lasted = pull_odds(lasted_s, line.frame_s)
    by_hand = np.maximum(begun, lasted)
    # A person must be as unlikely as a machine's delay is to be a hand's where lines change
    # together; chance, which brings no two lines together, less.
    return max(chance, float(by_hand.max()) * PERSON)


def _short_pauses(line: Watched, loss: Loss) -> list[Stretch]:
    """Find where a line lacks frames in a loss, for as long as a receiver takes to start."""
    table, frame_s = line.output.table, line.frame_s
    rise_s = table.rise_s[table.measured]
    first, end = np.searchsorted(rise_s, (loss.earliest_s - frame_s, loss.back_s))
    gap_s = np.diff(rise_s[first:end])
    if gap_s.size < RATE_FRAMES:
        return []
    # A receiver may change its frame rate when the signal is lost.
    last = np.minimum(np.arange(1, gap_s.size + 1) + RATE_FRAMES, gap_s.size)
    place = np.minimum(np.arange(1, gap_s.size + 1), last - 1)
    rises_s = rise_s[first:end]
    own_s = (rises_s[last] - rises_s[place]) / (last - place)
    least_s = np.maximum(THROUGH_FRAMES * np.maximum(own_s, frame_s), frame_s + STARTS_S)
    return [
        Stretch(
            Kind.QUIET, float(rises_s[i] + frame_s), float(rises_s[i + 1]),
            np.nan, np.nan, np.nan, np.nan, 0, jumped=False,
        )
        for i in np.flatnonzero(gap_s > least_s)[:1]
    ]  # fmt: skip


def beat_odds(line: Watched, losses: Sequence[Loss]) -> float:
    """Give the odds that a receiver that started anew came on in its old beat.

    A frame clock that runs on through a pause brings the next pulse a whole number of frames
    after the last one; one that starts anew does so anywhere within a frame.
    """
    table, frame_s = line.output.table, line.frame_s
    rise_s = table.rise_s[table.measured]
    if rise_s.size < MIN_BEAT:
        return 1.0
    gap_s = np.diff(rise_s)
    is_lost = np.zeros(gap_s.size, dtype=bool)
    whole: list[IntArray] = []
    for k, own in zip(line.places, line.responses, strict=True):
        loss = losses[k]
        over_s = max([loss.back_s, *(change.by_s for change in own.departures[:1])])
        first, end = np.searchsorted(rise_s, (loss.earliest_s - frame_s, over_s + frame_s))
        is_lost[max(first - 1, 0) : end] = True
        quiet = np.arange(max(first - 1, 0), min(int(end), gap_s.size))
        long = quiet[gap_s[quiet] > frame_s + STARTS_S]
        if long.size:
            whole.append(long)
    usual = ~is_lost & (np.abs(gap_s - frame_s) < BEAT_REACH * frame_s)
    if len(whole) < MIN_PAUSES or np.count_nonzero(usual) < MIN_BEAT:
        return 1.0
    beat_s = float(gap_s[usual].mean())
    away = [
        float(np.abs(gap_s[own] / beat_s - np.rint(gap_s[own] / beat_s)).max()) for own in whole
    ]
    return float(min(1.0, 2.0 * max(*away, MIN_AWAY)) ** len(whole))


def _looks_restarted(
    lines: Sequence[Watched], rises_s: list[FloatArray], paused: list[tuple[int, Stretch]]
) -> bool:
    """Say whether pauses look like a restart: no line's pulses are seen to go on."""
    own = {i for i, _ in paused}
    return bool(paused) and not any(
        j not in own and goes_through(rises_s[j], other.frame_s, pause)
        for _, pause in paused
        for j, other in enumerate(lines)
    )


def goes_through(rise_s: FloatArray, frame_s: float, pause: Stretch) -> bool:
    """Say whether a line's pulses went on throughout another's pause."""
    low, high = np.searchsorted(rise_s, (pause.start_s - frame_s, pause.end_s))
    within_s = rise_s[max(low - 1, 0) : high + 1]
    if within_s.size < 2 or within_s[0] > pause.start_s or within_s[-1] < pause.end_s:
        return False
    return bool(np.diff(within_s).max() <= THROUGH_FRAMES * frame_s)
