"""What shows a machine: delays that repeat, a restart's pauses, widths that no stick commands."""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.coincidence import ChangeColumns
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.response import Change, Response, entry_place
from pwmscope.findings.failsafe.segments import Kind, Stretch
from pwmscope.findings.failsafe.watched import Watched
from pwmscope.model import BoolArray, FloatArray, IntArray, Span, inside, normal_below

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

OWN_AFTER: Final = 3.0
"""Frame periods for which a ramp may still be on its way."""
OWN_FIRST_S: Final = 0.25
"""So long after a change a width is the one that the change went to."""
OWN_S: Final = 0.5
"""So much of the end of a loss tells the width in the end."""
OWN_STEPS_S: Final = (0.0, 0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Steps, before the stated moment, in which its doubt is gone through."""
OWN_SETTLES_S: Final = 0.3
"""A ramp is over by so long after it seems to be."""
OWN_MOVES: Final = 0.12
"""It stands there if the means of its halves differ by no more than this part, in a second, of how
far it is from them: a way of two seconds would give twice as much."""
OWN_SPREAD: Final = 1.3
"""The means that are compared: of these pulses, and of the stick's own, which are more."""
OWN_WIDTH: Final = 0.003
"""A preset further than this part of the convention's span from where a stick rests is no
width that the stick commands."""
HAND_PLACES: Final = 0.01
"""A hand puts a stick to one place of its travel again within this part of the span, at one
standard deviation (common practice, from memory)."""
HYSTERESIS: Final = 0.005
"""A stick that is let go rests within this part of the span (common practice, from memory)."""


@lru_cache(maxsize=4096)
def range_odds(count: int, range_over_scatter: float) -> float:
    """Return the odds that so many normal deviates range over no more.

    >>> range_odds(1, 0.1), round(range_odds(2, 2.772), 3)
    (1.0, 0.95)
    """
    if count < 2:
        return 1.0
    at = np.linspace(-8.0 - range_over_scatter, 8.0, 501)
    density = np.exp(-0.5 * at**2) / np.sqrt(2.0 * np.pi)
    within = normal_below(at + range_over_scatter) - normal_below(at)
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
        ratios = np.round(width_s / scatter_s, 3).tolist()
        pairs = zip(most.tolist(), ratios, strict=True)
        best = np.minimum(best, [_choice_odds(order.size, *pair) for pair in pairs])
        start = int(held.argmax())
        own = _choice_odds(order.size, int(held[start]), ratios[start])
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
    on_s = [loss.back_s + loss.moment.late_s for loss in losses]
    paused: list[list[tuple[int, Stretch]]] = [[] for _ in losses]
    for i, line in enumerate(lines):
        for k, own in line.at_losses:
            # What ended before a late marker showed the transmitter on may be a pause, too.
            found = [s for s in own.pauses if s.end_s < losses[k].back_s]
            if own.is_quiet and own.later and own.during[-1].end_s < on_s[k]:
                found.append(own.during[-1])
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
    for k, own in line.at_losses:
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


def seen_levels(
    lines: Sequence[Watched], losses: Sequence[Loss], after: ChangeColumns
) -> list[FloatArray]:
    """List the levels at which each line's stick was seen, from the link on, outside the losses."""
    over_s = np.where(np.isfinite(after.by_s[:, :, 0]), after.by_s[:, :, 0], -np.inf)
    found = []
    for i, line in enumerate(lines):
        spans = tuple(
            [
                Span(loss.earliest_s, max(loss.back_s, float(over)))
                for loss, over in zip(losses, over_s[i], strict=True)
            ]
        )
        dwells, spans = line.output.dwells, (Span(-np.inf, line.linked_s), *spans)
        outside = ~inside(spans, 0.5 * (dwells.start_s + dwells.end_s))
        found.append(dwells.level_us[outside])
    return found


def resting_levels(lines: Sequence[Watched], seen_us: Sequence[FloatArray]) -> list[FloatArray]:
    """Keep of the levels at which each line's stick was seen those inside its stop range."""
    bands = [line.expected.band for line in lines]
    return [
        levels_us if band is None else levels_us[_is_near(levels_us, band, line.range_us)]
        for line, band, levels_us in zip(lines, bands, seen_us, strict=True)
    ]


def placed_odds(line: Watched, losses: int, seen_us: FloatArray, band: StopBand) -> FloatArray:
    """Give for each loss the odds that a hand put the output where it stood after it changed.

    It came to stand, first or for good, where its stick was never seen, in several losses at
    one and the same width: a hand places a stick anew each time.
    """
    odds = np.ones(losses)
    least_us = max(HYSTERESIS * line.span_us, line.interval_us)
    scatter_us = HAND_PLACES * line.span_us
    resting_us = seen_us[_is_near(seen_us, band, line.range_us)]
    for is_first in (False, True):
        places, levels_us = [], []
        for k, response in line.at_losses:
            place = 1 if is_first else entry_place(response, line.expected)
            into = response.during[place] if 0 < place < len(response.during) else None
            if into is None or into.kind is not Kind.STANDS:
                continue
            is_still = band.holds(into.level_us)
            others_us = resting_us if is_still else seen_us
            is_own = (is_still or is_first) and others_us.size > 0
            # Two levels that differ by little are one stretch: it must begin there.
            firsts_us = line.widths_us(into.start_s, into.start_s + OWN_FIRST_S)
            if not is_own or not firsts_us.size:
                continue
            doubt_us = 4.0 * line.noise_us / math.sqrt(firsts_us.size)
            apart_us = np.abs(others_us - into.level_us).min()
            first_apart_us = np.abs(others_us - firsts_us.mean()).min()
            if apart_us > least_us and first_apart_us > least_us + doubt_us:
                places.append(k)
                levels_us.append(into.level_us)
        if len(places) > 1:
            ratio = round((float(np.ptp(levels_us)) + line.interval_us) / scatter_us, 3)
            odds[places] = np.minimum(odds[places], range_odds(len(places), ratio))
    return odds


def _is_near(level_us: FloatArray, band: StopBand, reach_us: float) -> BoolArray:
    near: BoolArray = (level_us >= band.low_us - reach_us) & (level_us <= band.high_us + reach_us)
    return near


def goes_to_own(line: Watched, end_s: FloatArray, resting_us: FloatArray) -> BoolArray:
    """Say where a line's first pulses after a change lie away from where its stick rests."""
    band = line.expected.band
    found = np.zeros(end_s.size, dtype=bool)
    for k in np.flatnonzero(np.isfinite(end_s)) if resting_us.size else ():
        width_us = line.widths_us(end_s[k], end_s[k] + OWN_FIRST_S)
        mean_us = float(width_us.mean()) if width_us.size else 0.0
        holds = band is None or band.low_us <= mean_us <= band.high_us
        found[k] = holds and _is_apart(line, mean_us, max(width_us.size, 1), resting_us)
    return found


def _is_apart(line: Watched, mean_us: float, count: int, resting_us: FloatArray) -> bool:
    """Say whether the mean of so many widths lies away from every width of the stick at rest."""
    doubt_us = line.interval_us + 4.0 * line.noise_us * math.sqrt(OWN_SPREAD / count)
    return bool(np.abs(resting_us - mean_us).min() > max(doubt_us, OWN_WIDTH * line.span_us))


def is_own_width(  # noqa: PLR0917 - all that it rests on
    line: Watched,
    loss: Loss,
    response: Response,
    entry: Change | None,
    resting_us: FloatArray,
    limit_s: float,
) -> bool:
    """Say whether, when the limit was over, an output stood at a width of its own.

    It is asked at the limit after every moment down to the earliest that the loss may have
    had, in steps, so that a vaguer moment never shows more.
    """
    if entry is None or not resting_us.size or not _begins_apart(line, response, resting_us):
        return False
    doubt_s = loss.lost_s - loss.earliest_s
    count = bisect.bisect_left(OWN_STEPS_S, doubt_s - 1e-5) + 1
    if count > len(OWN_STEPS_S):
        return False
    overs_s = [loss.lost_s - step_s + limit_s for step_s in OWN_STEPS_S[:count]]
    return all(_stands_apart(line, loss, response, entry, resting_us, s) for s in overs_s)


def _begins_apart(line: Watched, response: Response, resting_us: FloatArray) -> bool:
    """Say whether an output came to stand still away from where its stick rests.

    A hand may have brought it to rest before the receiver moved it on.
    """
    into = response.during[entry_place(response, line.expected)]
    firsts_us = line.widths_us(into.start_s, into.start_s + OWN_FIRST_S)
    if into.kind is not Kind.STANDS or not firsts_us.size:
        return into.kind is not Kind.STANDS
    return float(np.abs(resting_us - firsts_us.mean()).min()) > OWN_WIDTH * line.span_us


def _stands_apart(  # noqa: PLR0917 - all that it rests on
    line: Watched,
    loss: Loss,
    response: Response,
    entry: Change,
    resting_us: FloatArray,
    over_s: float,
) -> bool:
    """Say whether an output stood, at one instant, away from every width of its stick at rest.

    The stick must have been seen there, or nothing is known of that. On its way from where
    a stick rests it would still move.
    """
    since_s = max((s.start_s for s in response.during if s.start_s < over_s), default=over_s)
    settles_s = OWN_AFTER * line.frame_s
    if entry.end_s > entry.by_s:
        slope_us = entry.far_us / (entry.end_s - entry.after_s)
        settles_s += min(line.range_us / max(slope_us, 1.0), OWN_SETTLES_S)
    begin_s = max(entry.end_s, since_s) + settles_s
    width_us = line.widths_us(begin_s, over_s)
    half = width_us.size // 2
    if not half or not _is_apart(line, float(width_us.mean()), width_us.size, resting_us):
        return False
    apart_us = float(np.abs(resting_us - width_us.mean()).min())
    moved_us = abs(float(width_us[:half].mean() - width_us[half:].mean()))
    if moved_us <= OWN_MOVES * apart_us * (over_s - begin_s):
        return True
    last_us = line.widths_us(loss.back_s - OWN_S, loss.back_s)
    return bool(last_us.size) and abs(last_us.mean() - width_us.mean()) <= OWN_MOVES * apart_us
