"""Widths that no stick commands: where an output went that its stick was never seen to send it."""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.coincidence import ChangeColumns, Watched
from pwmscope.findings.failsafe.delays import range_odds
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import Change, Response
from pwmscope.findings.failsafe.segments import RANGE_LIMIT, Kind, Stretch
from pwmscope.model import Span, inside

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

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


def entry_place(response: Response, expected: Expectation) -> int:
    """Place of the stretch with which the device's standing still began."""
    during, band = response.during, expected.band
    place = len(during) - 1
    while place > 0:
        before = during[place - 1]
        if before.kind is Kind.QUIET:
            stops = bool(expected.no_pulses_stop)
        else:
            stops = band is not None and _is_inside(before, band)
        if not stops:
            break
        place -= 1
    return place


def _is_inside(stretch: Stretch, band: StopBand) -> bool:
    """Say whether a stretch lies in the stop range, a few pulses that do not stand as well."""
    ends_us = (stretch.level_us, stretch.first_us, stretch.last_us)
    held = ends_us[:1] if stretch.kind is Kind.STANDS else ends_us
    return all(band.holds(us) for us in held)


def seen_levels(
    lines: Sequence[Watched], losses: Sequence[Loss], after: ChangeColumns
) -> list[FloatArray]:
    """List the levels at which each line's stick was seen, outside the losses."""
    over_s = np.where(np.isfinite(after.by_s[:, :, 0]), after.by_s[:, :, 0], -np.inf)
    found = []
    for i, line in enumerate(lines):
        spans = tuple(
            [
                Span(loss.earliest_s, max(loss.back_s, float(over)))
                for loss, over in zip(losses, over_s[i], strict=True)
            ]
        )
        dwells = line.output.dwells
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
    table = line.output.table
    least_us = max(HYSTERESIS * table.convention.span_us, table.sample_interval_us or 0.0)
    scatter_us = HAND_PLACES * table.convention.span_us
    noise_us = (line.range_us - (table.sample_interval_us or 0.0)) / RANGE_LIMIT
    resting_us = seen_us[_is_near(seen_us, band, line.range_us)]
    for is_first in (False, True):
        places, levels_us = [], []
        for k, response in zip(line.places, line.responses, strict=True):
            place = 1 if is_first else entry_place(response, line.expected)
            into = response.during[place] if 0 < place < len(response.during) else None
            if into is None or into.kind is not Kind.STANDS:
                continue
            is_still = band.holds(into.level_us)
            others_us = resting_us if is_still else seen_us
            is_own = (is_still or is_first) and others_us.size > 0
            # Two levels that differ by little are one stretch: it must begin there.
            firsts_us = Own(line, 0.0).widths_us(into.start_s, into.start_s + OWN_FIRST_S)
            if not is_own or not firsts_us.size:
                continue
            doubt_us = 4.0 * noise_us / math.sqrt(firsts_us.size)
            apart_us = np.abs(others_us - into.level_us).min()
            first_apart_us = np.abs(others_us - firsts_us.mean()).min()
            if apart_us > least_us and first_apart_us > least_us + doubt_us:
                places.append(k)
                levels_us.append(into.level_us)
        if len(places) > 1:
            range_us = float(np.ptp(levels_us)) + (table.sample_interval_us or 0.0)
            ratio = round(range_us / scatter_us, 3)
            odds[places] = np.minimum(odds[places], range_odds(len(places), ratio))
    return odds


def _is_near(level_us: FloatArray, band: StopBand, reach_us: float) -> BoolArray:
    near: BoolArray = (level_us >= band.low_us - reach_us) & (level_us <= band.high_us + reach_us)
    return near


def goes_to_own(line: Watched, end_s: FloatArray, resting_us: FloatArray) -> BoolArray:
    """Say where a line's first pulses after a change lie away from where its stick rests."""
    table = line.output.table
    found = np.zeros(end_s.size, dtype=bool)
    seen = np.flatnonzero(np.isfinite(end_s))
    if not seen.size or not resting_us.size:
        return found
    measured = table.measured
    total_us = np.append(0.0, np.cumsum(np.where(measured, table.width_us, 0.0)))
    pulses = np.append(0, np.cumsum(measured))
    low = np.searchsorted(table.rise_s, end_s[seen])
    high = np.searchsorted(table.rise_s, end_s[seen] + OWN_FIRST_S)
    count = np.maximum(pulses[high] - pulses[low], 1)
    mean_us = (total_us[high] - total_us[low]) / count
    interval_us = table.sample_interval_us or 0.0
    noise_us = (line.range_us - interval_us) / RANGE_LIMIT
    doubt_us = interval_us + 4.0 * noise_us * np.sqrt(OWN_SPREAD / count)
    least_us = np.maximum(doubt_us, OWN_WIDTH * table.convention.span_us)
    apart_us = np.abs(mean_us[:, None] - resting_us[None, :]).min(axis=1)
    band = line.expected.band
    holds = np.ones(seen.size, dtype=bool)
    if band is not None:
        holds = (mean_us >= band.low_us) & (mean_us <= band.high_us)
    found[seen] = holds & (apart_us > least_us)
    return found


def is_own_width(
    loss: Loss, response: Response, entry: Change | None, resting_us: FloatArray, at: Own
) -> bool:
    """Say whether, when the limit was over, an output stood at a width of its own.

    It is asked at the limit after every moment down to the earliest that the loss may have
    had, in steps, so that a vaguer moment never shows more.
    """
    if entry is None or not resting_us.size or not _begins_apart(response, resting_us, at.line):
        return False
    doubt_s = loss.lost_s - loss.earliest_s
    count = bisect.bisect_left(OWN_STEPS_S, doubt_s - 1e-5) + 1
    if count > len(OWN_STEPS_S):
        return False
    overs_s = [loss.lost_s - step_s + at.limit_s for step_s in OWN_STEPS_S[:count]]
    return all(_stands_apart(loss, response, entry, resting_us, (at, over_s)) for over_s in overs_s)


def _begins_apart(response: Response, resting_us: FloatArray, line: Watched) -> bool:
    """Say whether an output came to stand still away from where its stick rests.

    A hand may have brought it to rest before the receiver moved it on.
    """
    place = entry_place(response, line.expected)
    into = response.during[place]
    firsts_us = Own(line, 0.0).widths_us(into.start_s, into.start_s + OWN_FIRST_S)
    if into.kind is not Kind.STANDS or not firsts_us.size:
        return into.kind is not Kind.STANDS
    apart_us = float(np.abs(resting_us - firsts_us.mean()).min())
    return apart_us > OWN_WIDTH * line.output.table.convention.span_us


def _stands_apart(
    loss: Loss, response: Response, entry: Change, resting_us: FloatArray, of: tuple[Own, float]
) -> bool:
    """Say whether an output stood, at one instant, away from every width of its stick at rest.

    The stick must have been seen there, or nothing is known of that. On its way from where
    a stick rests it would still move.
    """
    at, over_s = of
    line = at.line
    since_s = max((s.start_s for s in response.during if s.start_s < over_s), default=over_s)
    settles_s = OWN_AFTER * line.frame_s
    if entry.end_s > entry.by_s:
        slope_us = entry.far_us / (entry.end_s - entry.after_s)
        settles_s += min(line.range_us / max(slope_us, 1.0), OWN_SETTLES_S)
    begin_s = max(entry.end_s, since_s) + settles_s
    width_us = at.widths_us(begin_s, over_s)
    half = width_us.size // 2
    if not half:
        return False
    interval_us = line.output.table.sample_interval_us or 0.0
    noise_us = (line.range_us - interval_us) / RANGE_LIMIT
    doubt_us = interval_us + 4.0 * noise_us * math.sqrt(OWN_SPREAD / width_us.size)
    apart_us = float(np.abs(resting_us - width_us.mean()).min())
    if apart_us <= max(doubt_us, OWN_WIDTH * line.output.table.convention.span_us):
        return False
    moved_us = abs(float(width_us[:half].mean() - width_us[half:].mean()))
    if moved_us <= OWN_MOVES * apart_us * (over_s - begin_s):
        return True
    last_us = at.widths_us(loss.back_s - OWN_S, loss.back_s)
    return bool(last_us.size) and abs(last_us.mean() - width_us.mean()) <= OWN_MOVES * apart_us


@dataclass(frozen=True, slots=True)
class Own:
    """A line whose width is asked about, and the limit."""

    line: Watched
    limit_s: float

    def widths_us(self, begin_s: float, end_s: float) -> FloatArray:
        """Take its widths in a time span."""
        table = self.line.output.table
        rows = slice(*np.searchsorted(table.rise_s, (begin_s, end_s)))
        return table.width_us[rows][table.measured[rows]]
