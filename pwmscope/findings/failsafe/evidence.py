"""What all lines together show about each loss: what came together, and when the link was back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.failsafe.delays import chance_odds, hand_odds
from pwmscope.findings.failsafe.expectation import Expectation
from pwmscope.findings.failsafe.losses import JUMP, Loss, Output
from pwmscope.findings.failsafe.response import Change, ChangeKind, LossClass, Response
from pwmscope.findings.failsafe.segments import RANGE_LIMIT, Kind, Stretch
from pwmscope.findings.failsafe.sticks import find_own_sticks
from pwmscope.model.spans import Span, inside

CLOSE_S: Final = 0.25
"""A change so soon after the marker may be on its way from the stick: packets under way,
and a transmitter that dies a tenth of a second late (common practice, from memory)."""
SLACK_FRAMES: Final = 0.25
"""Changes come together whose pulses leave room for one moment, give or take this much."""
RAMP_S: Final = 0.05
"""Ramps are seen to begin so much later than they do, and later still by their slope."""
SAME: Final = 0.05
"""Levels within this part of the span may be one position of a stick held by hand."""
ALIKE_S: Final = 0.05
ALIKE_FRAMES: Final = 2.0
MIN_RAMPS: Final = 3
"""So many ramps that begin with one delay are no hand's."""
THROUGH_FRAMES: Final = 1.6
"""Pulses that come no further apart than this went on."""
PULL_SCATTER_S: Final = 0.02
"""Standard deviation of the moment at which somebody pulls a plug by habit, at least (common
practice, from memory)."""
PULL_SCATTER: Final = 0.03
"""And this part of the delay, where that is more."""
MIN_PAUSES: Final = 3
OWN_WIDTH: Final = 0.003
"""A preset further than this part of the convention's span from where a stick rests is no
width that the stick commands."""
_MOST: Final = 4

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
_CODES: Final = {
    ChangeKind.JUMP: 1,
    ChangeKind.MOVE: 2,
    ChangeKind.STOP: 3,
    ChangeKind.START: 4,
}
_JUMP, _MOVE, _STOP, _START = (_CODES[kind] for kind in ChangeKind)


@dataclass(frozen=True, slots=True)
class Watched:
    """One line with what it did at each of its losses.

    Parameters
    ----------
    output : Output
        The line.
    expected : Expectation
        What is expected of it.
    losses : tuple of Loss
        The losses that concern it, in order of time.
    places : tuple of int
        Their places among all losses.
    responses : tuple of Response
        What it did at each.
    range_us : float
        Widths that differ by less are one level.
    """

    output: Output
    expected: Expectation
    losses: tuple[Loss, ...]
    places: tuple[int, ...]
    responses: tuple[Response, ...]
    range_us: float

    @property
    def frame_s(self) -> float:
        """Its usual frame period."""
        return self.output.usual_us / 1e6


@dataclass(frozen=True, slots=True)
class Leap:
    """A width outside the stop range that an output left again before the link was back.

    Parameters
    ----------
    at_s : float
        When it went there.
    from_us, to_us : float
        Widths before and after; the first is NaN where there were no pulses.
    """

    at_s: float
    from_us: float
    to_us: float


@dataclass(frozen=True, slots=True)
class Evidence:
    """What bears on one loss of one line, the other lines included.

    Parameters
    ----------
    entry : Change or None
        The change with which the device's standing still began; None where it stood still
        before, or nothing changed.
    is_close : bool
        Whether a stick's last command may have made it.
    partner : str
        Another line, moved by another stick or in another way, that changed with it.
    ended_with : bool
        Whether that line's pulses, or its own, ended or began with it, which no stick does.
    own_width : bool
        Whether it went to a width in the stop range at which its stick was never seen.
    is_ramp : bool
        Whether a machine is shown to have made its smooth movement.
    back_partner : str
        Another such line that returned with this one.
    back_s : float or None
        When the outputs returned, by two such lines.
    back_lines : tuple of str
        Two lines that show it.
    gone_s : float or None
        From when on the link is shown to be gone: two such lines changed together.
    gone_lines : tuple of str
        Two lines that show it.
    together : int
        Losses in which it changed with another, with this delay.
    both : int
        Losses in which it changed and returned with another.
    odds : float
        That a hand made this change's delay and those like it.
    pull_odds : float
        That a person pulled a plug by habit at such times.
    follows : str
        Another line that still followed a moving stick.
    goes_on : str
        Another line that changed with it and whose pulses went on.
    restarted : bool
        Whether lines paused as in a restart.
    restart_odds : float
        That chance brought the pauses of all losses so close together.
    alone_back : bool
        Whether other lines returned at another time than this one.
    leaps : tuple of Leap
        Where it went before the link was back.
    until_s : float
        Up to when no pulse may be outside the stop range.
    follow_s : float
        From its return until a stick was seen to be followed; infinity where none was.
    stays_s : float
        How far apart the longest and the shortest time from change to return lie, in all losses.
    """

    entry: Change | None
    is_close: bool
    partner: str
    ended_with: bool
    own_width: bool
    is_ramp: bool
    back_partner: str
    back_s: float | None
    back_lines: tuple[str, ...]
    gone_s: float | None
    gone_lines: tuple[str, ...]
    together: int
    both: int
    odds: float
    pull_odds: float
    follows: str
    goes_on: str
    restarted: bool
    restart_odds: float
    alone_back: bool
    leaps: tuple[Leap, ...]
    until_s: float
    follow_s: float
    stays_s: float


def entry_place(response: Response, expected: Expectation) -> int:
    """Place of the stretch with which the device's standing still began."""
    during, band = response.during, expected.band
    place = len(during) - 1
    while place > 0:
        before = during[place - 1]
        if before.kind is Kind.QUIET:
            stops = bool(expected.no_pulses_stop)
        else:
            stops = before.kind is Kind.STANDS and band is not None and band.holds(before.level_us)
        if not stops:
            break
        place -= 1
    return place


@dataclass(frozen=True, slots=True)
class _Columns:
    """Changes as arrays of shape (lines, losses, 4); NaN and 0 where there is none."""

    after_s: FloatArray
    by_s: FloatArray
    end_s: FloatArray
    far: FloatArray
    to_us: FloatArray
    kind: IntArray
    doubt_s: FloatArray

    @classmethod
    def of(
        cls, lines: Sequence[Watched], losses: int, which: Sequence[Sequence[Sequence[Change]]]
    ) -> _Columns:
        """Take up to four changes of each line at each loss."""
        shape = len(lines), losses, _MOST
        rows = [
            (i, k, m, c.after_s, c.by_s, c.end_s, c.far_us, c.to_us, _CODES[c.kind])
            for i, (line, own) in enumerate(zip(lines, which, strict=True))
            for k, changes in zip(line.places, own, strict=True)
            for m, c in enumerate(changes)
        ]
        found = [np.full(shape, np.nan) for _ in range(5)]
        kind = np.zeros(shape, dtype=np.int64)
        doubt_s = np.zeros(shape)
        if rows:
            table = np.array(rows)
            at = tuple(table[:, :3].astype(np.int64).T)
            for column, values in zip(found, table[:, 3:8].T, strict=True):
                column[at] = values
            kind[at] = table[:, 8].astype(np.int64)
        span = np.array([line.output.table.convention.span_us for line in lines]).reshape(-1, 1, 1)
        range_us = np.array([line.range_us for line in lines]).reshape(-1, 1, 1)
        after_s, by_s, end_s, far_us, to_us = found
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = np.nan_to_num(far_us / np.maximum(end_s - after_s, 1e-3))
            doubt_s = np.where(kind == _MOVE, RAMP_S + range_us / np.maximum(slope, 1.0), 0.0)
        return cls(after_s, by_s, end_s, far_us / span, to_us, kind, np.minimum(doubt_s, 0.3))


def _counts_with(kind: IntArray, other: IntArray, apart: bool) -> BoolArray:  # noqa: FBT001
    """Say whether changes of two kinds, at one moment, have one cause only if it is the receiver.

    Jumps, and smooth movements, of one stick's lines are one witness. A stick stops no pulses.
    """
    alike = (kind == other) & ((kind == _JUMP) | (kind == _MOVE))
    ended = (kind == _STOP) | (kind == _START)
    other_ended = (other == _STOP) | (other == _START)
    mixed = (ended | other_ended) & (kind != _MOVE) & (other != _MOVE) & (kind > 0) & (other > 0)
    return (alike & apart) | mixed


def _partners(
    own: _Columns, others: _Columns, lines: Sequence[Watched], apart: BoolArray
) -> IntArray:
    """For each change, the place of a line that changed with it; -1 where there is none."""
    found = np.full(own.kind.shape, -1)
    is_real = own.kind > 0
    far = (own.kind != _JUMP) | (own.far >= JUMP)
    for i, line in enumerate(lines):
        for j, other in enumerate(lines):
            if i == j:
                continue
            slack_s = SLACK_FRAMES * max(line.frame_s, other.frame_s)
            for m in range(_MOST):
                kind = others.kind[j, :, m, None]
                if not kind.any():
                    break
                doubt_s = slack_s + own.doubt_s[i] + others.doubt_s[j, :, m, None]
                with np.errstate(invalid="ignore"):
                    together = (own.after_s[i] <= others.by_s[j, :, m, None] + doubt_s) & (
                        others.after_s[j, :, m, None] <= own.by_s[i] + doubt_s
                    )
                    together &= (kind != _JUMP) | (others.far[j, :, m, None] >= JUMP)
                together &= _counts_with(own.kind[i], kind, bool(apart[i, j]))
                together &= is_real[i] & far[i] & (found[i] < 0)
                found[i][together] = j
    return found


def gather(
    watched: Mapping[str, Watched], losses: Sequence[Loss], capture: Span
) -> tuple[dict[str, tuple[Response, ...]], dict[str, tuple[Evidence, ...]]]:
    """Put together what all lines show about each loss.

    Parameters
    ----------
    watched : mapping of str to Watched
        The lines.
    losses : sequence of Loss
        All losses of the recording.
    capture : Span
        The recording's span.

    Returns
    -------
    responses : dict of str to tuple of Response
        By line; smooth movements that a machine made are told as such.
    evidence : dict of str to tuple of Evidence
        By line, in order of time.
    """
    lines, names = list(watched.values()), list(watched)
    if not lines or not losses:
        return {name: line.responses for name, line in watched.items()}, {n: () for n in names}
    count = len(losses)
    changes = [[own.changes[-_MOST:] for own in line.responses] for line in lines]
    departures = [[own.departures[:_MOST] for own in line.responses] for line in lines]
    during = _Columns.of(lines, count, changes)
    after = _Columns.of(lines, count, departures)
    apart = find_own_sticks(
        {name: line.output for name, line in watched.items()},
        _lost_spans(losses, after, capture),
    )
    partner = _partners(during, during, lines, apart)
    first = _first_only(after)
    back_partner = _partners(first, first, lines, apart)[:, :, 0]
    bench = _Bench(lines, names, losses, during, after, partner, back_partner, capture)
    ramps = bench.ramps()
    responses = {
        name: tuple(
            [
                _with_ramp(own, line.range_us) if ramp else own
                for own, ramp in zip(line.responses, ramps[i, list(line.places)], strict=True)
            ]
        )
        for i, (name, line) in enumerate(zip(names, lines, strict=True))
    }
    bench = replace(
        bench,
        lines=[replace(line, responses=responses[name]) for name, line in zip(names, lines, strict=True)],
    )  # fmt: skip
    return responses, bench.evidence(ramps)


def _first_only(columns: _Columns) -> _Columns:
    kind = columns.kind.copy()
    kind[:, :, 1:] = 0
    return replace(columns, kind=kind)


def _lost_spans(losses: Sequence[Loss], after: _Columns, capture: Span) -> tuple[Span, ...]:
    """Give the times at which levels may be the failsafe's: to the last line's own return."""
    back_s = after.by_s[:, :, 0]
    over_s = np.where(np.isfinite(back_s), back_s, -np.inf).max(axis=0)
    spans = [
        Span(loss.earliest_s, max(loss.back_s, float(over)))
        for loss, over in zip(losses, over_s, strict=True)
    ]
    return tuple([Span(capture.start_s - 1.0, capture.start_s), *spans])


def _with_ramp(response: Response, range_us: float) -> Response:
    """Tell a smooth movement that a machine made as its way to a preset."""
    final = response.during[-1]
    settled = response.behaviour is None and final.kind is Kind.STANDS
    if settled and abs(final.level_us - response.during[0].level_us) > range_us:
        return replace(
            response, behaviour=LossClass.GOES_TO_PRESET, why_not="", moved_until_s=None,
            settled_s=final.start_s, level_us=final.level_us,
        )  # fmt: skip
    return replace(response, moved_until_s=None)


@dataclass(frozen=True, slots=True)
class _Bench:
    """All lines at all losses."""

    lines: list[Watched]
    names: list[str]
    losses: Sequence[Loss]
    during: _Columns
    after: _Columns
    partner: IntArray
    back_partner: IntArray
    capture: Span

    @property
    def lost_s(self) -> FloatArray:
        return np.array([loss.lost_s for loss in self.losses])

    def ramps(self) -> BoolArray:
        """Say where a machine made a smooth movement: two sticks' lines at once, or as ever."""
        shape = len(self.lines), len(self.losses)
        found = np.zeros(shape, dtype=bool)
        is_move = self.during.kind == _MOVE
        paired = (is_move & (self.partner >= 0)).any(axis=2)
        late_s = max(loss.moment.late_s for loss in self.losses)
        for i, line in enumerate(self.lines):
            begun_s = np.full(shape[1], np.nan)
            for k, own in zip(line.places, line.responses, strict=True):
                if own.ramp_s is not None and self.losses[k].is_marked:
                    begun_s[k] = own.ramp_s[0] - self.losses[k].lost_s
            has = np.array([False] * shape[1])
            has[list(line.places)] = [own.ramp_s is not None for own in line.responses]
            reach_s = max(RAMP_S, ALIKE_FRAMES * line.frame_s) + late_s
            alike = _alike(begun_s, np.isfinite(begun_s), reach_s) >= MIN_RAMPS
            found[i] = has & (paired[i] | alike)
        return found

    def evidence(self, ramps: BoolArray) -> dict[str, tuple[Evidence, ...]]:
        """Give each line's evidence at each of its losses."""
        entries = [[_entry_at(own, line.expected) for own in line.responses] for line in self.lines]
        at = np.full(ramps.shape, -1)
        for i, line in enumerate(self.lines):
            at[i, list(line.places)] = entries[i]
        safe = np.maximum(at, 0)[:, :, None]
        has = at >= 0

        def pick(columns: npt.NDArray[np.generic]) -> npt.NDArray[np.generic]:
            return np.take_along_axis(columns, safe, axis=2)[:, :, 0]

        kind = np.where(has, pick(self.during.kind), 0)
        after_s = np.where(has, pick(self.during.after_s), np.nan)
        by_s = np.where(has, pick(self.during.by_s), np.nan)
        end_s = np.where(has, pick(self.during.end_s), np.nan)
        partner = np.where(has, pick(self.partner), -1)
        return self._told(ramps, at, kind, after_s, by_s, end_s, partner)

    def _told(
        self,
        ramps: BoolArray,
        at: IntArray,
        kind: IntArray,
        after_s: FloatArray,
        by_s: FloatArray,
        end_s: FloatArray,
        partner: IntArray,
    ) -> dict[str, tuple[Evidence, ...]]:
        losses = self.losses
        marked = np.array([loss.is_marked for loss in losses])
        earliest_s = np.array([loss.earliest_s for loss in losses])
        latest_s = np.array([loss.latest_s for loss in losses])
        late_s = np.array([loss.moment.late_s for loss in losses])
        delay_s = np.where(marked, by_s - self.lost_s, np.nan)
        # What a ramp does last shows that it is no stick's last command.
        decided_s = np.where(kind == _MOVE, end_s, after_s)
        close = ~(decided_s >= latest_s + CLOSE_S)
        back = self.back_partner
        returned = (back >= 0) & (self.after.kind[:, :, 0] != _MOVE)
        back_kind = self.after.kind[:, :, 0]
        jumped_back = returned & (back_kind == _JUMP)
        started_back = returned & (back_kind == _START)
        first_s = np.where(np.isfinite(self.after.by_s[:, :, 0]), self.after.by_s[:, :, 0], np.inf)
        shown = jumped_back | (started_back & _has_jump(back, back_kind))
        link_s, link_line = _earliest(np.where(shown, first_s, np.inf))
        start_s, _ = _earliest(np.where(started_back, first_s, np.inf))
        paired = (partner >= 0) & ((kind == _JUMP) | (kind == _MOVE) | _mixed(partner, kind))
        gone_s, gone_line = _earliest(np.where(paired, by_s, np.inf))
        both = (partner >= 0) & returned
        moves_s = np.where(self.after.kind == _MOVE, self.after.after_s, np.inf).min(axis=(0, 2))
        stays_s = np.full(at.shape[0], 0.0)
        told: dict[str, tuple[Evidence, ...]] = {}
        moved_s = self._moved_until_s()
        ended = self._ended_with(partner, by_s)
        resting = self._resting()
        restarted, restart_odds = self._restarts()
        window_s = self._window_ends_s()
        for i, (name, line) in enumerate(zip(self.names, self.lines, strict=True)):
            reach_s = np.maximum(ALIKE_S, ALIKE_FRAMES * line.frame_s) + late_s.max()
            together = _alike(by_s[i] - self.lost_s, partner[i] >= 0, float(reach_s))
            odds = hand_odds(
                np.where(kind[i] == _MOVE, after_s[i] - self.lost_s, delay_s[i]), line.frame_s
            )
            pulls = self._pull_odds(i, kind[i], delay_s[i])
            stays = first_s[i] - by_s[i]
            stays = stays[np.isfinite(stays)]
            stays_s[i] = float(np.ptp(stays)) if stays.size > 2 else 0.0
            others = [j for j in range(len(self.lines)) if j != i]
            follow_s = moved_s[others].max(axis=0) if others else np.full(len(losses), -np.inf)
            own: list[Evidence] = []
            entered_s = np.where(np.isfinite(by_s[i]), by_s[i], latest_s + CLOSE_S)
            elsewhere = [
                np.isfinite(first_s[j]) & (self.after.kind[j, :, 0] != _MOVE) for j in others
            ]
            others_back = np.any(elsewhere, axis=0) if elsewhere else np.zeros(len(losses), bool)
            for k, response in zip(line.places, line.responses, strict=True):
                entry = response.changes[-_MOST:][at[i, k]] if at[i, k] >= 0 else None
                mate, home = int(partner[i, k]), int(back[i, k])
                linked_s = float(link_s[k])
                leaps = self._leaps(
                    i, k, response, linked_s, float(moves_s[k]), returned=bool(returned[i, k])
                )
                until_s = self._until_s(
                    i,
                    k,
                    response,
                    min(linked_s, float(start_s[k])),
                    float(moves_s[k]),
                    float(window_s[k]),
                    leaps,
                    returned=bool(returned[i, k]),
                )
                follower = ""
                if follow_s[k] > entered_s[k]:
                    follower = self.names[others[int(moved_s[others, k].argmax())]]
                seen_back_s = first_s[i, k] if returned[i, k] else linked_s
                own.append(
                    Evidence(
                        entry,
                        bool(close[i, k]),
                        self.names[mate] if mate >= 0 else "",
                        bool(ended[i, k]),
                        _is_own_width(response, entry, resting[i], line),
                        bool(ramps[i, k]),
                        self.names[home] if returned[i, k] else "",
                        linked_s if math.isfinite(linked_s) else None,
                        self._pair(int(link_line[k]), back[:, k])
                        if math.isfinite(linked_s)
                        else (),
                        float(gone_s[k]) if math.isfinite(gone_s[k]) else None,
                        self._pair(int(gone_line[k]), partner[:, k])
                        if math.isfinite(gone_s[k])
                        else (),
                        int(together[k]) if mate >= 0 else 0,
                        int(both[i].sum()),
                        float(odds[k]),
                        float(pulls[k]),
                        follower,
                        self._goes_on(mate, k),
                        bool(restarted[k]),
                        restart_odds,
                        bool(others_back[k] and not returned[i, k]),
                        leaps,
                        until_s,
                        float(max(moves_s[k] - seen_back_s, 0.0))
                        if math.isfinite(seen_back_s)
                        else math.inf,
                        float(stays_s[i]),
                    )
                )
            told[name] = tuple(own)
        del earliest_s
        return told

    def _ended_with(self, partner: IntArray, by_s: FloatArray) -> BoolArray:
        """Say where another line's pulses ended or began with this one's change."""
        found = np.zeros(partner.shape, dtype=bool)
        for j, line in enumerate(self.lines):
            for m in range(_MOST):
                kind = self.during.kind[j, :, m]
                ends = (kind == _STOP) | (kind == _START)
                if not ends.any():
                    continue
                slack_s = (1.0 + SLACK_FRAMES) * line.frame_s
                with np.errstate(invalid="ignore"):
                    near = np.abs(self.during.by_s[j, :, m] - by_s) <= slack_s
                near[j] = False
                found |= near & ends
        return found & (partner >= 0)

    def _resting(self) -> list[FloatArray]:
        """List the levels inside each line's stop range at which its stick was seen."""
        over_s = np.where(np.isfinite(self.after.by_s[:, :, 0]), self.after.by_s[:, :, 0], -np.inf)
        found = []
        for i, line in enumerate(self.lines):
            spans = tuple(
                [
                    Span(loss.earliest_s, max(loss.back_s, float(over)))
                    for loss, over in zip(self.losses, over_s[i], strict=True)
                ]
            )
            dwells = line.output.dwells
            outside = ~inside(spans, 0.5 * (dwells.start_s + dwells.end_s))
            level_us, band = dwells.level_us[outside], line.expected.band
            if band is not None:
                reach_us = line.range_us
                level_us = level_us[
                    (level_us >= band.low_us - reach_us) & (level_us <= band.high_us + reach_us)
                ]
            found.append(level_us)
        return found

    def _pair(self, line: int, partner: IntArray) -> tuple[str, ...]:
        return self.names[line], self.names[int(partner[line])]

    def _goes_on(self, mate: int, k: int) -> str:
        """Name the line that changed with this one if its pulses went on."""
        if mate < 0:
            return ""
        line = self.lines[mate]
        if k not in line.places:
            return ""
        response = line.responses[line.places.index(k)]
        quiet = any(stretch.kind is Kind.QUIET for stretch in response.during)
        return "" if quiet else self.names[mate]

    def _moved_until_s(self) -> FloatArray:
        """Until when each line moved smoothly as a stick does, at each loss."""
        moved_s = np.full((len(self.lines), len(self.losses)), -np.inf)
        for i, line in enumerate(self.lines):
            for k, own in zip(line.places, line.responses, strict=True):
                if own.moved_until_s is not None:
                    moved_s[i, k] = own.moved_until_s
        return moved_s

    def _window_ends_s(self) -> FloatArray:
        """Until when each loss's outputs are looked at: to the next loss, or the end."""
        begins_s = [loss.seen_from_s for loss in self.losses[1:]]
        return np.array([*begins_s, self.capture.end_s + 1.0])

    def _pull_odds(self, i: int, kind: IntArray, delay_s: FloatArray) -> FloatArray:
        """Give the odds that a person pulled a plug and put it back at such times."""
        stops_s = np.where(kind == _STOP, delay_s, np.nan)
        return hand_odds(stops_s, self.lines[i].frame_s, PULL_SCATTER_S, PULL_SCATTER)

    def _restarts(self) -> tuple[BoolArray, float]:
        """Say where lines paused at once, or the only line did; and whether that is chance."""
        paused: list[list[tuple[int, Stretch]]] = [[] for _ in self.losses]
        for i, line in enumerate(self.lines):
            for k, own in zip(line.places, line.responses, strict=True):
                pauses = [s for s in own.pauses if s.end_s < self.losses[k].back_s]
                if pauses:
                    paused[k].append((i, pauses[0]))
        found = np.array([self._looks_restarted(own) for own in paused])
        if not found.any():
            return found, 1.0
        first = [
            min(own, key=lambda pair: pair[1].start_s)[1]
            for own, is_one in zip(paused, found, strict=True)
            if is_one
        ]
        hit = [loss for loss, is_one in zip(self.losses, found, strict=True) if is_one]
        if len(first) < MIN_PAUSES or not all(loss.is_marked for loss in hit):
            return found, 1.0
        frame_s = max(line.frame_s for line in self.lines)
        late_s = max(loss.moment.late_s for loss in hit)
        begun_s = np.array([s.start_s - loss.lost_s for s, loss in zip(first, hit, strict=True)])
        lasted_s = np.array([s.end_s - s.start_s for s in first])
        chance = chance_odds(
            begun_s, min(loss.back_s - loss.latest_s for loss in hit), 2 * frame_s + late_s
        )
        by_hand = float(
            (hand_odds(begun_s, frame_s, PULL_SCATTER_S, PULL_SCATTER)
             * hand_odds(lasted_s, frame_s, PULL_SCATTER_S, PULL_SCATTER)).max()
        )  # fmt: skip
        return found, max(chance, by_hand)

    def _looks_restarted(self, paused: list[tuple[int, Stretch]]) -> bool:
        """Say whether pauses look like a restart: no line's pulses are seen to go on."""
        if not paused:
            return False
        own = {i for i, _ in paused}
        for _, pause in paused:
            for j, other in enumerate(self.lines):
                if j not in own and _goes_through(other, pause):
                    return False
        return True

    def _leaps(
        self, i: int, k: int, response: Response, linked_s: float, moves_s: float, *, returned: bool
    ) -> tuple[Leap, ...]:
        """List the widths outside the stop range that it took before the link was back."""
        departures = response.departures
        if not departures or departures[0].kind is ChangeKind.MOVE:
            return ()
        line = self.lines[i]
        early = [c for c in departures if c.by_s <= moves_s and c.kind is not ChangeKind.MOVE]
        slack_s = SLACK_FRAMES * line.frame_s
        before = (
            []
            if returned
            else [c for c in early if c.by_s < linked_s - slack_s and math.isfinite(linked_s)]
        )
        if not before and len(early) > 1 and not self._is_where_it_was(line, response, early[0]):
            before = early[:1]
        band = line.expected.band
        return tuple(
            Leap(c.by_s, c.from_us, c.to_us)
            for c in before
            if c.kind is not ChangeKind.STOP and not (band is not None and band.holds(c.to_us))
        )

    @staticmethod
    def _is_where_it_was(line: Watched, response: Response, change: Change) -> bool:
        """Say whether a line went back to where it stood before the loss."""
        first = response.during[0]
        was_us = first.level_us if first.kind is Kind.STANDS else first.last_us
        same_us = max(2.0 * line.range_us, SAME * line.output.table.convention.span_us)
        return abs(change.to_us - was_us) <= same_us

    def _until_s(
        self,
        i: int,
        k: int,
        response: Response,
        linked_s: float,
        moves_s: float,
        window_s: float,
        leaps: tuple[Leap, ...],
        *,
        returned: bool,
    ) -> float:
        """Say up to when no pulse may be outside: the line's own return, or the others'."""
        first = response.departures[0] if response.departures else None
        ends_s = min(window_s, linked_s, moves_s)
        if first is None or (not returned and first.after_s > ends_s):
            return max(ends_s, self.losses[k].back_s) if math.isfinite(ends_s) else window_s
        if leaps and not returned:
            return max(ends_s, first.by_s + 1e-9)
        return max(first.after_s + 1e-9, self.losses[k].latest_s)


def _is_own_width(
    response: Response, entry: Change | None, resting_us: FloatArray, line: Watched
) -> bool:
    """Say whether a preset lies away from every width at which the stick rests.

    The stick must have been seen at rest, or nothing is known of that.
    """
    if entry is None or not resting_us.size:
        return False
    stretch = response.during[entry.place]
    if stretch.kind is not Kind.STANDS:
        return False
    interval_us = line.output.table.sample_interval_us or 0.0
    noise_us = (line.range_us - interval_us) / RANGE_LIMIT
    apart_us = OWN_WIDTH * line.output.table.convention.span_us
    apart_us = max(apart_us, interval_us + 4.0 * noise_us * math.sqrt(2.0 / stretch.pulses))
    return bool(np.abs(resting_us - stretch.level_us).min() > apart_us)


def _has_jump(back: IntArray, kind: IntArray) -> BoolArray:
    """Say whether the line that returned with each one jumped."""
    mate = np.take_along_axis(kind, np.maximum(back, 0), axis=0)
    return (back >= 0) & (mate == _JUMP)


def _mixed(partner: IntArray, kind: IntArray) -> BoolArray:
    """Say whether pulses stopped or began with another line's jump."""
    mate = np.take_along_axis(kind, np.maximum(partner, 0), axis=0)
    return (partner >= 0) & (mate == _JUMP)


def _earliest(times_s: FloatArray) -> tuple[FloatArray, IntArray]:
    line = times_s.argmin(axis=0)
    return np.take_along_axis(times_s, line[None, :], axis=0)[0], line


def _entry_at(response: Response, expected: Expectation) -> int:
    """Place of the entry among the last changes of a response; -1 where there is none."""
    place = entry_place(response, expected)
    if place <= 0:
        return -1
    for m, change in enumerate(response.changes[-_MOST:]):
        if change.place == place:
            return m
    return -1


def _alike(delays_s: FloatArray, counted: BoolArray, reach_s: float) -> IntArray:
    """Count for each delay the counted ones that are alike."""
    chosen = np.sort(delays_s[counted & np.isfinite(delays_s)])
    low = np.searchsorted(chosen, delays_s - reach_s, side="left")
    high = np.searchsorted(chosen, delays_s + reach_s, side="right")
    return np.where(np.isfinite(delays_s), high - low, 0)


def _goes_through(line: Watched, pause: Stretch) -> bool:
    """Say whether a line's pulses went on throughout another's pause."""
    rise_s = line.output.table.rise_s[line.output.table.measured]
    low, high = np.searchsorted(rise_s, (pause.start_s - line.frame_s, pause.end_s))
    within_s = rise_s[max(low - 1, 0) : high + 1]
    if within_s.size < 2 or within_s[0] > pause.start_s or within_s[-1] < pause.end_s:
        return False
    return bool(np.diff(within_s).max() <= THROUGH_FRAMES * line.frame_s)
