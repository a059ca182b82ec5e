"""What all lines together show about each loss: what came together, and when the link was back."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.failsafe.coincidence import (
    JUMPS,
    MOST,
    MOVES,
    RAMP_MAX_S,
    RAMP_S,
    SLACK_FRAMES,
    STARTS,
    STOPS,
    ChangeColumns,
    count_alike,
    find_own_sticks,
    find_partners,
    find_ramps,
    same_clock,
    with_wandering,
)
from pwmscope.findings.failsafe.delays import (
    MACHINE_ODDS,
    PERSON,
    PULL_SCATTER_S,
    beat_odds,
    find_pauses,
    goes_to_own,
    is_own_width,
    person_odds,
    placed_odds,
    pull_odds,
    range_odds,
    resting_levels,
    seen_levels,
)
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import (
    STATES,
    Change,
    ChangeKind,
    LossClass,
    Response,
    entry_place,
)
from pwmscope.findings.failsafe.returns import (
    SUDDEN,
    TWO_FRAMES,
    Leap,
    LinkSeen,
    find_leaps,
    is_where_it_was,
    judged_until_s,
    left_before_s,
    steps_with,
)
from pwmscope.findings.failsafe.segments import Kind
from pwmscope.findings.failsafe.watched import Watched
from pwmscope.model import BoolArray, FloatArray, IntArray, Span, inside

CLOSE_S: Final = 0.25
"""A change so soon after the marker may be on its way from the stick: packets under way,
and a transmitter that dies a tenth of a second late (common practice, from memory)."""
ALIKE_S: Final = 0.05
ALIKE_FRAMES: Final = 2.0
MIN_STAYS: Final = 3
MIN_RAMPS: Final = 3
"""So many ramps that begin with one delay are no hand's."""
SAME_FRAME: Final = 0.6
"""Outputs of one receiver change in one frame, so far apart at most."""
RATE_FRAMES: Final = 8
"""The frame rate is told from so many frames."""
RATE_CHANGE: Final = 0.15
"""And has changed where it differs by more than this part."""

Columns = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What bears on one loss of one line, the other lines included."""

    # The change with which the device's standing still began; None where it stood still before, or
    # nothing changed
    entry: Change | None
    is_close: bool  # Whether a stick's last command may have made it
    partner: str  # Another line, moved by another stick or in another way, that changed with it
    ended_with: bool  # Whether that line's pulses, or its own, ended with it, which no stick does
    # Whether it went to a width in the stop range at which its stick was never seen
    own_width: bool
    # Losses in which a line that changed with it went at once to a width of its own, here included;
    # 0 where none did here
    owned: int
    # That a hand put it, or a line that changed with it, in several losses at one and the same
    # width at which its stick was never seen
    placed_odds: float
    # Losses in which its frame rate had changed with or before this change, here included; 0 where
    # it had not here
    slowed: int
    is_ramp: bool  # Whether a machine is shown to have made its smooth movement
    # Losses in which it and another stick's line went evenly from one instant to another, and alike
    # each time, here included; 0 where they did not here
    ramped: int
    ramped_s: float  # When that was over here; NaN where it was not seen
    back_partner: str  # Another such line that returned with this one
    back_s: float | None  # When the outputs returned, by two such lines
    back_lines: tuple[str, ...]  # Two lines that show it
    # From when on the link is shown to be gone: two such lines changed together
    gone_s: float | None
    gone_lines: tuple[str, ...]  # Two lines that show it
    together: int  # Losses in which it changed with another, with this delay
    both: int  # Losses in which it changed and returned with another
    odds: float  # That a hand made this change's delay and those like it
    pull_odds: float  # That a person pulled a plug by habit at such times
    follows: str  # Another line that still followed a moving stick
    stop_partner: str  # Another line that changed as this one's pulses ended
    goes_on: str  # Such a line whose pulses went on
    restarted: bool  # Whether lines paused as in a restart
    restart_odds: float  # That chance brought the pauses of all losses so close together
    # That a receiver that started anew came on in the beat of the frames before each pause
    beat_odds: float
    alone_back: bool  # Whether another line returned earlier than this one
    leaps: tuple[Leap, ...]  # Where it went before the link was back
    until_s: float  # Up to when no pulse may be outside the stop range
    # From its return until a stick was seen to be followed; infinity where none was
    follow_s: float
    # How far apart its longest and shortest delay after the marker lie, in all losses
    spread_s: float
    # How far apart the longest and the shortest time from change to return lie, in all losses
    stays_s: float
    # Until when it stood at a width that no stick commands; minus infinity where it did not
    own_until_s: float
    is_still: bool  # Whether no line moved as a stick does
    # Losses in which this line and another were stuck or undriven to the end, here included
    undriven: int
    # Lines that keep its frame clock, as those of one receiver do; itself among them
    one_clock: tuple[str, ...]
    # Two sticks' lines that jumped together before the marker can have changed, stood until the
    # return and then went back; empty where none did
    left_before: tuple[str, ...]


def gather(
    watched: Mapping[str, Watched], losses: Sequence[Loss], capture: Span, limit_s: float
) -> tuple[dict[str, tuple[Response, ...]], dict[str, tuple[Evidence, ...]]]:
    """Put together what all lines show about each loss."""
    lines, names = list(watched.values()), list(watched)
    if not lines or not losses:
        return {name: line.responses for name, line in watched.items()}, dict.fromkeys(names, ())
    count = len(losses)
    changes = [[own.changes[-MOST:] for own in line.responses] for line in lines]
    departures = [[own.departures[:MOST] for own in line.responses] for line in lines]
    during = ChangeColumns.of(lines, count, changes)
    after = ChangeColumns.of(lines, count, departures)
    lost = _lost_spans(losses, after)
    apart = find_own_sticks(lines, lost)
    partner = find_partners(during, lines, apart)
    first = _only(after, 0)
    back_partner = find_partners(first, lines, apart)[:, :, 0]
    bench = _Bench(
        lines, names, losses, during, after, partner, back_partner, capture.end_s, limit_s,
        same_clock(lines, losses), apart,
    )  # fmt: skip
    lines = with_wandering(lines, losses, apart, lost)
    bench = replace(bench, lines=lines)
    ramped = find_ramps(lines, losses, apart)
    ramps = bench.ramps() | np.isfinite(ramped)
    responses = {
        name: tuple(
            [
                _with_ramp(own, line.range_us) if ramp else own
                for own, ramp in zip(line.responses, ramps[i, list(line.places)], strict=True)
            ]
        )
        for i, (name, line) in enumerate(zip(names, lines, strict=True))
    }
    told = zip(names, lines, strict=True)
    bench = replace(bench, lines=[replace(own, responses=responses[name]) for name, own in told])
    return responses, bench.evidence(ramps, ramped)


def _only(columns: ChangeColumns, m: int) -> ChangeColumns:
    """Leave out all changes but each line's first, or another by its place."""
    kind = columns.kind.copy()
    kind[:, :, np.arange(MOST) != m] = 0
    return replace(columns, kind=kind)


def _lost_spans(losses: Sequence[Loss], after: ChangeColumns) -> tuple[Span, ...]:
    """Give the times at which levels may be the failsafe's: to the last line's own return."""
    back_s = after.by_s[:, :, 0]
    over_s = np.where(np.isfinite(back_s), back_s, -np.inf).max(axis=0)
    return tuple(
        [
            Span(loss.earliest_s, max(loss.back_s, float(over)))
            for loss, over in zip(losses, over_s, strict=True)
        ]
    )


def _with_ramp(response: Response, range_us: float) -> Response:
    """Tell a smooth movement that a machine made as its way to a preset."""
    final = response.during[-1]
    told = response.behaviour not in (None, LossClass.KEEPS_FOLLOWING)
    settled = not told and final.kind is Kind.STANDS
    if settled and abs(final.level_us - response.during[0].level_us) > range_us:
        return replace(
            response, behaviour=LossClass.GOES_TO_PRESET, why_not="", moved_until_s=None,
            settled_s=final.start_s, level_us=final.level_us,
        )  # fmt: skip
    return replace(response, moved_until_s=None)


def _moves_to_stand(response: Response) -> bool:
    """Say whether an output moved smoothly and stood in the end."""
    stands = bool(response.during) and response.during[-1].kind is Kind.STANDS
    return stands and response.moved_until_s is not None


@dataclass(frozen=True, slots=True)
class _Entered:
    """With which change each line's standing still began; arrays of shape (lines, losses)."""

    place: IntArray
    kind: IntArray
    after_s: FloatArray
    by_s: FloatArray
    end_s: FloatArray
    partner: IntArray


@dataclass(frozen=True, slots=True)
class _Returned:
    """Which lines returned together: arrays of shape (lines, losses), the others by loss."""

    is_one: BoolArray
    partner: IntArray
    first_s: FloatArray
    is_sudden: BoolArray
    linked_s: FloatArray
    linked_line: IntArray
    # By each line: when it showed the link back, when its pulses began, when it followed a stick,
    # and when it leapt, first and once more, as only the link makes it do
    shows_s: FloatArray
    begins_s: FloatArray
    moves_s: FloatArray
    again_s: FloatArray

    def of(self, lines: BoolArray, k: int, from_s: float) -> tuple[float, float, float, float]:
        """When some lines show the link back, also by pulses, by movements, and by later leaps."""
        shown_s = (self.shows_s, self.begins_s, self.moves_s)
        linked_s, begun_s, moves_s = (float(own[lines, k].min(initial=np.inf)) for own in shown_s)
        again_s = self.again_s[lines, k]
        again_s = again_s[again_s > from_s].min(initial=np.inf)
        return linked_s, min(linked_s, begun_s), moves_s, float(again_s)


@dataclass(frozen=True, slots=True)
class _Bench:
    """All lines at all losses."""

    lines: list[Watched]
    names: list[str]
    losses: Sequence[Loss]
    during: ChangeColumns
    after: ChangeColumns
    partner: IntArray
    back_partner: IntArray
    end_s: float
    limit_s: float
    one_clock: BoolArray
    apart: BoolArray

    @property
    def lost_s(self) -> FloatArray:
        return np.array([loss.lost_s for loss in self.losses])

    @property
    def late_s(self) -> float:
        return max(loss.moment.late_s for loss in self.losses)

    @property
    def seen(self) -> list[FloatArray]:
        return seen_levels(self.lines, self.losses, self.after)

    def each(self, ask: Callable[[int, int, Response], object], otherwise: object) -> Columns:
        """Ask something of what each line did at each of its losses; shape (lines, losses)."""
        found = np.full((len(self.lines), len(self.losses)), otherwise)
        for i, line in enumerate(self.lines):
            for k, own in line.at_losses:
                found[i, k] = ask(i, k, own)
        return found

    def ramps(self) -> BoolArray:
        """Say where a machine made a smooth movement: of two sticks' lines, or alike each time."""

        def begun_s(_i: int, k: int, own: Response) -> float:
            is_timed = own.ramp_s is not None and self.losses[k].is_marked
            return own.ramp_s[0] - self.losses[k].lost_s if is_timed and own.ramp_s else np.nan

        paired = ((self.during.kind == MOVES) & (self.partner >= 0)).any(axis=2)
        placed = self._placed(self._entered(), self.seen) <= MACHINE_ODDS
        delays_s = self.each(begun_s, np.nan)
        has = self.each(lambda _i, _k, own: own.ramp_s is not None, otherwise=False)
        ends = self.each(lambda _i, _k, own: _moves_to_stand(own), otherwise=False)
        alike = np.zeros(has.shape, dtype=bool)
        for i, line in enumerate(self.lines):
            frame_s = line.frame_s
            for k in np.flatnonzero(np.isfinite(delays_s[i])):
                # Without the link frames may last longer, and begin a ramp so much later.
                ramp_s = line.responses[line.places.index(k)].ramp_s or ()
                first, end = np.searchsorted(line.output.table.rise_s, ramp_s)
                beat_s = np.diff(line.output.table.rise_s[first : end + 1])
                frame_s = max(frame_s, float(np.median(beat_s)) if beat_s.size else 0.0)
            reach_s = max(RAMP_S, ALIKE_FRAMES * frame_s) + self.late_s
            alike[i] = count_alike(delays_s[i], np.isfinite(delays_s[i]), reach_s) >= MIN_RAMPS
        found: BoolArray = (has & (paired | alike)) | (ends & placed)
        return found

    def evidence(self, ramps: BoolArray, ramped_s: FloatArray) -> dict[str, tuple[Evidence, ...]]:
        """Give each line's evidence at each of its losses."""
        entered, returned = self._entered(), self._returned()
        left = self._left_with_leap(returned)
        resting = resting_levels(self.lines, self.seen)
        placed, own = self._placed(entered, self.seen), self._own(entered, resting)
        moved_s = self.each(
            lambda _i, _k, own: -np.inf if own.moved_until_s is None else own.moved_until_s, -np.inf
        )
        undriven = self.each(lambda _i, _k, own: own.behaviour in STATES, otherwise=False)
        restarted, pause_odds = find_pauses(self.lines, self.losses)
        columns: dict[str, Columns] = {
            "ended_with": self._ended_with(entered),
            "own_width": own,
            "owned": _times(self._owned(entered, resting)),
            "placed_odds": placed,
            "is_ramp": ramps,
            "ramped": _times(np.isfinite(ramped_s)),
            "ramped_s": ramped_s,
            "restarted": restarted,
            "restart_odds": pause_odds[:, None],
            "own_until_s": self._own_until_s(own | (placed <= MACHINE_ODDS), returned),
            "is_still": np.isneginf(moved_s.max(axis=0)),
            "undriven": _times(undriven & (undriven.sum(axis=0) > 1)),
        }
        columns = {name: np.broadcast_to(c, ramps.shape) for name, c in columns.items()}
        link = self._link(entered, returned) | {"left_before": self._left_before()}
        found = {}
        for i, name in enumerate(self.names):
            told = {about: column[i].tolist() for about, column in columns.items()}
            told |= link | self._figures(i, entered, returned, ramped_s[i])
            told["follows"] = self._followers(i, entered, moved_s)
            found[name] = tuple(self._line(i, told, entered, returned, left))
        return found

    def _entered(self) -> _Entered:
        place = self.each(lambda i, _k, own: _entry_at(own, self.lines[i].expected), -1)

        def pick(column: Columns, otherwise: float) -> Columns:
            picked = np.take_along_axis(column, np.maximum(place, 0)[:, :, None], axis=2)
            return np.where(place >= 0, picked[:, :, 0], otherwise)

        during = self.during
        return _Entered(
            place,
            pick(during.kind, 0),
            pick(during.after_s, np.nan),
            pick(during.by_s, np.nan),
            pick(during.end_s, np.nan),
            pick(self.partner, -1),
        )

    def _returned(self) -> _Returned:
        kind, partner, by_s = self.after.kind[:, :, 0], self.back_partner, self.after.by_s[:, :, 0]
        is_one = (partner >= 0) & (kind != MOVES)
        first_s = np.where(np.isfinite(by_s), by_s, np.inf)
        started = is_one & (kind == STARTS)
        shown = (is_one & (kind == JUMPS)) | (started & _is_with(JUMPS, partner, kind))
        shows_s = np.where(shown, first_s, np.inf)
        linked_s, line = _earliest(shows_s)
        begins_s = np.where(started, first_s, np.inf)
        # Where nothing wandered or was undriven movements may be a stick's.
        restless = (LossClass.NOISE, LossClass.WANDERS)
        calm = self.each(lambda _i, _k, own: own.behaviour not in restless, otherwise=True)
        moves = (self.after.kind == MOVES) & calm[:, :, None]
        moves_s = np.where(moves, self.after.after_s, np.inf).min(axis=2)
        sudden = np.isfinite(by_s) & (kind != MOVES)
        again_s = self._again_s(moves_s)
        return _Returned(
            is_one, partner, first_s, sudden, linked_s, line, shows_s, begins_s, moves_s, again_s
        )

    def _again_s(self, moves_s: FloatArray) -> FloatArray:
        """After when each line shows, in up to three ways, that the link came; else infinity.

        A stick's line leapt, first or once more, as no hand moves it: too far in a frame, half as
        far together with another's, or back to where it was. Any line leapt half as far once more
        as another left its preset, or as another stepped from its preset.
        """
        after_s, by_s, kind = (
            c[:, :, :2] for c in (self.after.after_s, self.after.by_s, self.after.kind)
        )
        frame_s = np.array([line.frame_s for line in self.lines])
        on_stick = np.array([line.expected.is_on_stick for line in self.lines])
        quick = (kind == JUMPS) & (by_s - after_s < TWO_FRAMES * frame_s[:, None, None])
        far = self.after.far[:, :, :2]
        leaps = quick & (far > SUDDEN / 2.0)
        shows = quick & (far > SUDDEN)
        shows[:, :, 0] |= quick[:, :, 0] & self.each(self._goes_back, otherwise=False)
        for m in (0, 1):
            own = _only(self.after, m)
            own.kind[~(leaps[:, :, m] & on_stick[:, None]), m] = 0
            shows[:, :, m] |= find_partners(own, self.lines, self.apart)[:, :, m] >= 0
        shows &= on_stick[:, None, None]
        leaves = (self.during.kind > 0).any(axis=2)
        leaves &= (kind[:, :, 0] == JUMPS) | (kind[:, :, 0] == STARTS)
        for i, j in np.argwhere(self.one_clock).tolist():
            slack_s = SLACK_FRAMES * max(frame_s[i], frame_s[j])
            near = after_s[i, :, 1] <= by_s[j, :, 0] + slack_s
            near &= after_s[j, :, 0] <= by_s[i, :, 1] + slack_s
            near &= after_s[j, :, 0] > by_s[i, :, 0] + slack_s
            shows[i, :, 1] |= near & leaps[i, :, 1] & leaves[j]
        stepped_s = self.each(lambda i, k, own: self._stepped_s(i, k, own, moves_s), np.inf)
        return np.dstack([np.where(shows, after_s, np.inf), stepped_s])

    def _stepped_s(self, i: int, k: int, own: Response, moves_s: FloatArray) -> float:
        """After when a line leapt last as another of its receiver stepped from its preset."""
        line, same = self.lines[i], np.flatnonzero(self.one_clock[i])
        since_s, until_s = self.losses[k].back_s, moves_s[same, k].min(initial=np.inf)
        for change in reversed((*own.arrivals, *own.departures)):
            leaps = change.kind is ChangeKind.JUMP and change.by_s <= until_s
            leaps &= change.by_s - change.after_s < TWO_FRAMES * line.frame_s
            leaps &= change.far_us > SUDDEN / 2.0 * line.span_us
            if leaps and any(steps_with(self.lines[j], change, since_s) for j in same if j != i):
                return change.after_s
        return math.inf

    def _goes_back(self, i: int, k: int, own: Response) -> bool:
        """Say whether a line left its preset for where it stood before the loss."""
        earliest_s = self.losses[k].earliest_s
        return any(
            is_where_it_was(self.lines[i], own, change, earliest_s) for change in own.departures[:1]
        )

    def _seen(self, i: int, k: int, returned: _Returned) -> LinkSeen:
        """Say what the others show of a return; lines of another receiver say nothing of it."""
        window_s = self.end_s + 1.0
        if k + 1 < len(self.losses):
            window_s = self.losses[k + 1].seen_from_s
        slack_s = SLACK_FRAMES * self.lines[i].frame_s
        from_s = float(returned.first_s[i, k]) + slack_s
        linked_s, any_s, moves_s, again_s = returned.of(self.one_clock[i], k, from_s)
        return LinkSeen(
            linked_s, any_s, moves_s, window_s, bool(returned.is_one[i, k]),
            self.losses[k].earliest_s, again_s=again_s,
        )  # fmt: skip

    def _left_with_leap(self, returned: _Returned) -> BoolArray:
        """Say where what went with a line leapt elsewhere than its stick first: no link did it."""

        def leaps(i: int, k: int, own: Response) -> bool:
            is_one = bool(returned.is_one[i, k])
            return is_one and bool(find_leaps(self.lines[i], own, self._seen(i, k, returned)))

        leapt = self.each(leaps, otherwise=False)
        if not leapt.any():
            return leapt
        first = _only(self.after, 0)
        first.kind[leapt, 0] = 0
        partner = find_partners(first, self.lines, self.apart)[:, :, 0]
        others = replace(self, back_partner=partner)._returned()
        left: BoolArray = returned.is_one & ~others.is_one
        return left

    def _link(self, entered: _Entered, returned: _Returned) -> dict[str, list[Any]]:
        """Say when the link is shown to be gone, and back, at each loss, and by which two lines."""
        kind, partner = entered.kind, entered.partner
        moved = (kind == JUMPS) | (kind == MOVES) | _is_with(JUMPS, partner, kind)
        gone_s, gone_line = _earliest(np.where((partner >= 0) & moved, entered.by_s, np.inf))

        def pair(line: IntArray, mates: IntArray, k: int) -> tuple[str, str]:
            return self.names[line[k]], self.names[mates[line[k], k]]

        told: dict[str, list[Any]] = {}
        for name, at_s, line, mates in (
            ("gone", gone_s, gone_line, partner),
            ("back", returned.linked_s, returned.linked_line, returned.partner),
        ):
            seen = np.isfinite(at_s).tolist()
            told[f"{name}_s"] = [
                s if own else None for s, own in zip(at_s.tolist(), seen, strict=True)
            ]
            told[f"{name}_lines"] = [
                pair(line, mates, k) if own else () for k, own in enumerate(seen)
            ]
        return told

    def _left_before(self) -> list[tuple[str, ...]]:
        """Name at each loss two sticks' lines that show it before the marker."""
        left_s = np.array(
            [[left_before_s(line, loss) for loss in self.losses] for line in self.lines]
        )
        frame_s = np.array([line.frame_s for line in self.lines])
        pairs = [pair for pair in np.argwhere(self.apart).tolist() if pair[0] < pair[1]]
        return [
            next(
                (
                    (self.names[i], self.names[j])
                    for i, j in pairs
                    if abs(at_s[i] - at_s[j]) <= SAME_FRAME * max(frame_s[i], frame_s[j])
                ),
                (),
            )
            for at_s in left_s.T.tolist()
        ]

    def _followers(self, i: int, entered: _Entered, moved_s: FloatArray) -> list[str]:
        """Name at each loss another line that moved as a stick does after this one had changed."""
        latest_s = np.array([loss.latest_s for loss in self.losses])
        entered_s = np.where(entered.place[i] >= 0, entered.by_s[i], latest_s + CLOSE_S)
        others_s = moved_s.copy()
        others_s[i] = -np.inf
        follows = others_s.max(axis=0) > entered_s
        last = others_s.argmax(axis=0)
        return [self.names[j] if own else "" for j, own in zip(last, follows, strict=True)]

    def _line(
        self,
        i: int,
        told: Mapping[str, list[Any]],
        entered: _Entered,
        returned: _Returned,
        left: BoolArray,
    ) -> Iterator[Evidence]:
        """Give one line's evidence at each of its losses, beside what is told by loss already."""
        line, same = self.lines[i], np.flatnonzero(self.one_clock[i]).tolist()
        for k, response in line.at_losses:
            place, mate = int(entered.place[i, k]), int(entered.partner[i, k])
            is_back = bool(returned.is_one[i, k])
            seen = replace(self._seen(i, k, returned), left_with_leap=bool(left[i, k]))
            leaps = find_leaps(line, response, seen)
            back_s = float((returned.first_s[i] if is_back else returned.linked_s)[k])
            stop_partner, goes_on = self._stopped_with(i, k)
            yield Evidence(
                entry=response.changes[-MOST:][place] if place >= 0 else None,
                partner=self.names[mate] if mate >= 0 else "",
                back_partner=self.names[int(returned.partner[i, k])] if is_back else "",
                stop_partner=stop_partner,
                goes_on=goes_on,
                leaps=leaps,
                until_s=judged_until_s(self.losses[k], response, seen, leaps),
                follow_s=max(seen.moves_s - back_s, 0.0) if math.isfinite(back_s) else math.inf,
                one_clock=tuple([self.names[j] for j in same]),
                **{about: column[k] for about, column in told.items()},
            )

    def _figures(
        self, i: int, entered: _Entered, returned: _Returned, ramped_s: FloatArray
    ) -> dict[str, list[Any]]:
        """Work out what bears on all losses of one line at once."""
        line, losses = self.lines[i], self.losses
        kind, after_s, by_s = entered.kind[i], entered.after_s[i], entered.by_s[i]
        latest_s = np.array([loss.latest_s for loss in losses])
        marked = np.array([loss.is_marked for loss in losses])
        # What a ramp does last shows that it is no stick's last command.
        decided_s = np.where(kind == MOVES, entered.end_s[i], after_s)
        delay_s = np.where(kind == MOVES, after_s, by_s) - self.lost_s
        is_sudden = np.isfinite(delay_s) & (kind != MOVES) & np.isnan(ramped_s)
        known = np.array([not loss.is_inferred for loss in losses])
        sudden_s = delay_s[is_sudden & known]
        stated_s = 2.0 * max(loss.moment.within_s or 0.0 for loss in losses)
        delay_s = np.where(marked, delay_s, np.nan)
        stops_s = np.where(kind == STOPS, delay_s, np.nan)
        reach_s = max(ALIKE_S, ALIKE_FRAMES * line.frame_s) + self.late_s
        has_mate = entered.partner[i] >= 0
        stays_s = returned.first_s[i] - by_s
        stays_s = stays_s[np.isfinite(stays_s)]
        # A line whose pulses come later than another's return was not brought back by the link.
        others_s = np.where(returned.is_sudden, returned.first_s, np.inf)
        others_s[i] = np.inf
        follows_s = np.where(returned.is_one[i], returned.first_s[i], np.inf)
        together = count_alike(by_s - self.lost_s, has_mate, reach_s)
        figures = {
            "is_close": ~(decided_s >= latest_s + CLOSE_S),
            "together": np.where(has_mate, together, 0),
            "both": np.count_nonzero(has_mate & returned.is_one[i]),
            "odds": person_odds(delay_s, line.frame_s),
            "pull_odds": pull_odds(stops_s, line.frame_s),
            "alone_back": follows_s > others_s.min(axis=0) + (1.0 + SLACK_FRAMES) * line.frame_s,
            "spread_s": max(float(np.ptp(sudden_s)) - stated_s, 0.0) if sudden_s.size else 0.0,
            "stays_s": float(np.ptp(stays_s)) if stays_s.size >= MIN_STAYS else 0.0,
            "slowed": _times(_has_slowed(line, after_s, by_s, losses)),
            "beat_odds": beat_odds(line, losses),
        }
        return {name: np.broadcast_to(c, len(losses)).tolist() for name, c in figures.items()}

    def _ended_with(self, entered: _Entered) -> BoolArray:
        """Say where another line's pulses ended with this one's change.

        Pulses that begin may as well show that the link is back.
        """
        found = np.zeros(entered.partner.shape, dtype=bool)
        for j, line in enumerate(self.lines):
            slack_s = (1.0 + SLACK_FRAMES) * line.frame_s
            for m in range(MOST):
                kind = self.during.kind[j, :, m]
                ends = kind == STOPS
                if not ends.any():
                    continue
                near = np.abs(self.during.by_s[j, :, m] - entered.by_s) <= slack_s
                near[j] = False
                found |= near & ends
        return found & (entered.partner >= 0)

    def _owned(self, entered: _Entered, resting: list[FloatArray]) -> BoolArray:
        """Say where a line that changed with another went at once to a width of its own."""
        own = np.array(
            [goes_to_own(line, entered.end_s[i], resting[i]) for i, line in enumerate(self.lines)]
        )
        found = np.zeros(own.shape, dtype=bool)
        for i, line in enumerate(self.lines):
            reach_s = (1.0 + SLACK_FRAMES) * line.frame_s
            near = np.abs(entered.by_s - entered.by_s[i]) <= reach_s
            near[i] = False
            found[i] = (near & own).any(axis=0)
        return found & (entered.partner >= 0)

    def _placed(self, entered: _Entered, seen: list[FloatArray]) -> FloatArray:
        """Give the odds that a hand placed each output, or one that changed in its frame.

        A switch that cuts one channel sends one width each time as well, so a second output
        must change with it: in one frame again and again, or to a width of its own.
        """
        alone = np.ones(entered.kind.shape)
        for i, line in enumerate(self.lines):
            if line.expected.band is not None:
                alone[i] = placed_odds(line, len(self.losses), seen[i], line.expected.band)
        own = np.ones(alone.shape)
        for i in range(len(self.lines)):
            witness = self._same_time_odds(i, entered, alone < 1.0).min(axis=0)
            overlaps = (entered.kind == MOVES) & (entered.kind[i] == MOVES)
            overlaps &= entered.after_s <= entered.end_s[i]
            overlaps &= entered.after_s[i] <= entered.end_s
            overlaps[i] = False
            is_second = (self._apart_s(i, entered)[1] | overlaps) & (alone <= MACHINE_ODDS)
            witness[is_second.any(axis=0)] = 0.0
            own[i] = np.minimum(1.0, alone[i] + witness)
        best, one_clock = own.copy(), self.one_clock
        for i in range(len(self.lines)):
            moves = entered.kind[i] == MOVES
            # A ramp is seen to begin later than it does.
            gone_s = np.where(entered.kind == MOVES, entered.after_s + RAMP_S, entered.by_s)
            # Once another was put there the link was gone, and what changes is the receiver's,
            # where it is of that receiver.
            decided_s = np.where(moves, entered.end_s[i], entered.after_s[i])
            later = (decided_s >= gone_s) & one_clock[i][:, None]
            together = own + self._same_time_odds(i, entered, own < 1.0)
            best[i] = np.minimum(best[i], np.where(later, own, together).min(axis=0))
        # What moved to where its stick rests, and did not jump back with another, may have gone on
        # to follow that stick, whatever the others did.
        alone_back = (self.back_partner < 0) | (self.after.kind[:, :, 0] == MOVES)
        follows = (entered.kind == MOVES) & alone_back & (alone >= 1.0)
        return np.where(follows, 1.0, best)

    def _apart_s(self, i: int, entered: _Entered) -> tuple[FloatArray, BoolArray]:
        """Give the times between each line's own change and others', and where they go together."""
        moves = entered.kind[i] == MOVES
        apart_s = np.where(
            moves, entered.after_s - entered.after_s[i], entered.by_s - entered.by_s[i]
        )
        most_s = np.where(moves, RAMP_MAX_S, SAME_FRAME * self.lines[i].frame_s)
        near: BoolArray = (np.abs(apart_s) <= most_s) & (entered.kind == entered.kind[i])
        near[i] = False
        return apart_s, near

    def _same_time_odds(self, i: int, entered: _Entered, counted: BoolArray) -> FloatArray:
        """Give the odds that a person acts so alike in time with each line's own change.

        Jumps of one receiver come in one frame, its ramps begin at one time; of a person's two
        acts, or a person's and the receiver's, the times between them scatter.
        """
        apart_s, near = self._apart_s(i, entered)
        near &= counted | counted[i]
        odds = np.ones(near.shape)
        for j in np.flatnonzero(near.sum(axis=1) > 1):
            range_s = max(float(np.ptp(apart_s[j, near[j]])), self.lines[i].frame_s)
            count = int(near[j].sum())
            ratio = round(range_s / PULL_SCATTER_S, 3)
            odds[j, near[j]] = PERSON * range_odds(count, ratio)
        return odds

    def _stopped_with(self, i: int, k: int) -> tuple[str, str]:
        """Name lines that changed as this one's pulses ended, the second of which went on."""
        stops = np.flatnonzero(self.during.kind[i, k] == STOPS)
        if not stops.size or self.partner[i, k, stops[-1]] < 0:
            return "", ""
        mate, at_s = (
            self.names[int(self.partner[i, k, stops[-1]])],
            self.during.by_s[i, k, stops[-1]],
        )
        for j, line in enumerate(self.lines):
            slack_s = (1.0 + SLACK_FRAMES) * max(line.frame_s, self.lines[i].frame_s)
            jumps = self.during.kind[j, k] == JUMPS
            near = jumps & (np.abs(self.during.by_s[j, k] - at_s) <= slack_s)
            if j == i or k not in line.places or not near.any():
                continue
            response = line.responses[line.places.index(k)]
            if not any(stretch.kind is Kind.QUIET for stretch in response.during):
                return mate, self.names[j]
        return mate, ""

    def _own(self, entered: _Entered, resting: list[FloatArray]) -> BoolArray:
        """Say where each output stood at a width of its own when the limit was over."""

        def is_own(i: int, k: int, response: Response) -> bool:
            place = int(entered.place[i, k])
            entry = response.changes[-MOST:][place] if place >= 0 else None
            line = self.lines[i]
            return is_own_width(line, self.losses[k], response, entry, resting[i], self.limit_s)

        return self.each(is_own, otherwise=False)

    def _own_until_s(self, own: BoolArray, returned: _Returned) -> FloatArray:
        """Until when each output, or one that returned with it, stood at a width of its own."""
        until_s = self.each(
            lambda i, k, response: (
                _stood_until_s(response, self.lines[i].expected) if own[i, k] else -np.inf
            ),
            -np.inf,
        )
        best_s = until_s.copy()
        for i, line in enumerate(self.lines):
            reach_s = (1.0 + SLACK_FRAMES) * line.frame_s
            with np.errstate(invalid="ignore"):
                with_it = np.abs(returned.first_s - returned.first_s[i]) <= reach_s
            best_s[i] = np.where(with_it, until_s, until_s[i]).max(axis=0)
        return best_s


def _times(where: BoolArray) -> IntArray:
    """In how many losses something was seen, where it was seen; 0 elsewhere."""
    count: IntArray = np.where(where, where.sum(axis=-1, keepdims=True), 0)
    return count


def _has_slowed(
    line: Watched, after_s: FloatArray, by_s: FloatArray, losses: Sequence[Loss]
) -> BoolArray:
    """Say where a change came with, or after, the first frame of another rate than usual.

    A hand changes no frame rate, and a receiver does so when it has waited for packets.
    """
    rise_s = line.output.table.rise_s
    slowed = np.zeros(by_s.size, dtype=bool)
    seen = np.flatnonzero(np.isfinite(by_s))
    place = np.searchsorted(rise_s, by_s[seen])
    fits = place + RATE_FRAMES < rise_s.size
    seen, place = seen[fits], place[fits]
    # Until the link is back, however long after the switch, frames are not the usual ones.
    own = dict(zip(line.places, line.responses, strict=True))
    back_s = [
        max([loss.back_s, *(c.by_s for c in own[k].departures[:1])]) if k in own else loss.back_s
        for k, loss in enumerate(losses)
    ]
    spans = tuple([Span(loss.earliest_s, s) for loss, s in zip(losses, back_s, strict=True)])
    frames_s = np.diff(rise_s)[~inside(spans, rise_s[:-1])]
    if not seen.size or frames_s.size < RATE_FRAMES:
        return slowed
    usual_s = float(np.median(frames_s))
    later_s = (rise_s[place + RATE_FRAMES] - rise_s[place]) / RATE_FRAMES
    with_s = by_s[seen] - after_s[seen]
    least_s, most_s = usual_s * (1.0 - RATE_CHANGE), usual_s * (1.0 + RATE_CHANGE)
    slower = (later_s > most_s) & (with_s > most_s)
    slowed[seen] = slower | ((later_s < least_s) & (with_s < least_s))
    return slowed


def _stood_until_s(response: Response, expected: Expectation) -> float:
    """Until when an output stood where it came to stand still."""
    into = response.during[entry_place(response, expected)]
    return into.end_s if into.kind is Kind.STANDS else -math.inf


def _is_with(code: int, partner: IntArray, kind: IntArray) -> BoolArray:
    """Say whether each line's partner changed in a given way."""
    mate = np.take_along_axis(kind, np.maximum(partner, 0), axis=0)
    with_it: BoolArray = (partner >= 0) & (mate == code)
    return with_it


def _earliest(times_s: FloatArray) -> tuple[FloatArray, IntArray]:
    line = times_s.argmin(axis=0)
    return np.take_along_axis(times_s, line[None, :], axis=0)[0], line


def _entry_at(response: Response, expected: Expectation) -> int:
    """Place of the entry among the last changes of a response; -1 where there is none."""
    place = entry_place(response, expected)
    if place <= 0:
        return -1
    entered_s = response.during[place].start_s
    for m, change in enumerate(response.changes[-MOST:]):
        # A ramp may go on, a little, after it has come in.
        goes_on = change.kind is ChangeKind.MOVE and change.after_s < entered_s
        if change.place == place or (change.place > place and goes_on):
            return m
    return -1
