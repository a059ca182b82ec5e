"""When the signal was lost: as a person states it, or as the outputs alone suggest."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.errors import HintError
from pwmscope.findings.segmentation import Dwells
from pwmscope.model import CLOCK_TOLERANCE, FloatArray
from pwmscope.pulses import PulseTable

QUIET_S: Final = 0.2
"""A line without pulses for longer than this, and for 5 frames, has gone quiet."""
QUIET_FRAMES: Final = 5
JUMP: Final = 0.04
"""A change from one frame to the next by more than this part of the convention's span is
a jump; a hand takes several frames for it (common practice, from memory)."""
NOISE_LIMIT: Final = 12.0
"""And so must it be by more than this many noise deviations."""
MIN_STAND_S: Final = 0.5
SAME: Final = 0.05
"""Levels within this part of the span may be one position of a stick held by hand."""
STAYS: Final = 5
"""An output stands where it stays for so many frames; no stick does at once after a jump."""
STEP_US: Final = 3.0
"""A step from the preset to the stick's rest; the widths of either scatter by less."""
STEP_FRAMES: Final = 2.5
"""A width that is another so soon was not moved by a hand."""
BEAT_FRAMES: Final = 100
MIN_BEAT_FRAMES: Final = 20
"""The beat of the frames is taken from the last hundred before a silence, from twenty at least."""
BEAT_REACH: Final = 0.2
"""Frames differ by no more than this part of a period."""
IN_BEAT: Final = 0.05
"""Pulses that come on within this part of a frame of the old beat may be of the same clock."""


class Known(StrEnum):
    """How the moment of a loss is known."""

    MARKED = "marked"
    STATED = "stated"
    INFERRED = "inferred"


@dataclass(frozen=True, slots=True)
class Moment:
    """How, and how well, the moment of a loss is known."""

    known: Known  # From a marker line, from a person, or from the outputs alone
    # Marked: the sample interval before the marker's edge. Stated: half-width about the stated
    # time. None where inferred.
    within_s: float | None
    # Where inferred: when an output was last seen to follow a moving stick, which is the earliest
    # the signal can have gone. None otherwise.
    last_following_s: float | None
    # How late the marker may show it: a push-button is pressed after the switch
    late_s: float = 0.0
    least_late_s: float = 0.0  # How late a light shows it at least


@dataclass(frozen=True, slots=True)
class Loss:
    """One loss of the signal, or what looks like one."""

    # Moment of loss in seconds since the capture's start; where it is inferred, the moment of its
    # first visible effect
    lost_s: float
    # The earliest moment at which the transmitter, or the first output, may have been back; the
    # capture's end where it never was
    back_s: float
    came_back: bool  # Whether it came back within the capture
    moment: Moment  # How well `lost_s` is known
    lines: frozenset[str]  # The lines it concerns
    sentence: str  # How it is known
    # Whether all lines went quiet while the transmitter was on, so that it is a supply or receiver
    # restart rather than a loss
    is_restart: bool = False
    # Whether a marker, or the outputs beyond doubt, tell when it came back
    is_return_shown: bool = False
    doubt: str = ""  # Why the recording contradicts it, as a sentence; empty where it does not
    # Of a restart: whether no lead that came off, and no loss that was missed, looks the same
    is_proven: bool = False

    # The earliest and the latest that the signal can have gone
    earliest_s: float = field(init=False)
    latest_s: float = field(init=False)
    # The latest that it can have gone where a light was calibrated; else `latest_s`
    gone_by_s: float = field(init=False)
    # From when on the outputs are looked at: an inferred loss begins with its first effect
    seen_from_s: float = field(init=False)
    # Whether a marker line gives the moment, or only the outputs suggest it
    is_marked: bool = field(init=False)
    is_inferred: bool = field(init=False)

    def __post_init__(self) -> None:
        moment = self.moment
        within_s = moment.within_s or 0.0
        stated = moment.known is Known.STATED
        followed_s = moment.last_following_s
        earliest_s = self.lost_s - within_s - moment.late_s if followed_s is None else followed_s
        object.__setattr__(self, "earliest_s", earliest_s)
        object.__setattr__(self, "latest_s", self.lost_s + within_s * stated)
        object.__setattr__(self, "gone_by_s", self.latest_s - moment.least_late_s)
        object.__setattr__(self, "is_marked", moment.known is Known.MARKED)
        inferred = moment.known is Known.INFERRED
        object.__setattr__(self, "is_inferred", inferred)
        object.__setattr__(self, "seen_from_s", self.lost_s if inferred else earliest_s)

    def timing_error_s(self, interval_us: float | None) -> float | None:
        """Say how far the difference of two instants in it may be off, by sampling and clock."""
        if interval_us is None:
            return None
        return interval_us / 1e6 + CLOCK_TOLERANCE * (self.back_s - self.earliest_s)


@dataclass(frozen=True, slots=True)
class Output:
    """One servo line as the search for losses takes it."""

    table: PulseTable  # Its pulses
    dwells: Dwells  # Its dwells
    usual_us: float  # Its usual frame period


@dataclass(frozen=True, slots=True)
class QuietSpell:
    """A time in which lines had no pulses at once."""

    start_s: float  # The first frame that was missing on any of them
    # The first pulse that came again on any of them; the capture's end where none did
    back_s: float
    lines: frozenset[str]  # The lines


def quiet_limit_s(usual_us: float) -> float:
    """Longest pause between pulses, in seconds, that is not yet quiet."""
    return max(QUIET_S, QUIET_FRAMES * usual_us / 1e6)


def stated_losses(
    off_at_s: Iterable[tuple[float, float]], lines: Iterable[str], start_s: float, end_s: float
) -> tuple[Loss, ...]:
    """Take a person's word for when the transmitter went off.

    >>> [loss.earliest_s for loss in stated_losses([(12.5, 0.25)], ["RX1"], 0.0, 20.0)]
    [12.25]
    """
    times = sorted(off_at_s)
    concerned = frozenset(lines)
    for time_s, _ in times:
        if not start_s < time_s < end_s:
            raise HintError(
                f"The stated time {time_s:g} s lies outside the recording, which is from "
                f"{start_s:g} to {end_s:g} s; state one within (`off_at_s`)."
            )
    for (time_s, within_s), (next_s, next_within_s) in itertools.pairwise(times):
        if next_s - next_within_s <= time_s + within_s:
            raise HintError(
                f"The stated times {time_s:g} s and {next_s:g} s are the same within their "
                "uncertainty; state each loss once (`off_at_s`)."
            )
    ends_s = [next_s - within_s for next_s, within_s in times[1:]] + [end_s]
    return tuple(
        Loss(
            time_s,
            over_s,
            came_back=False,
            moment=Moment(Known.STATED, within_s, None),
            lines=concerned,
            sentence=(f"Stated: the transmitter went off at {time_s:g} s, within {within_s:g} s."),
        )
        for (time_s, within_s), over_s in zip(times, ends_s, strict=True)
    )


def find_quiet_spells(outputs: Mapping[str, Output], end_s: float) -> list[QuietSpell]:
    """Find where lines went quiet, those that did so at once as one."""
    pauses = sorted(
        pause for name, output in outputs.items() for pause in _pauses(name, output, end_s)
    )
    spells: list[QuietSpell] = []
    lines: set[str] = set()
    start_s = back_s = np.inf
    for begin_s, next_s, name in [*pauses, (np.inf, np.inf, "")]:
        if lines and begin_s > back_s:
            spells.append(QuietSpell(start_s, back_s, frozenset(lines)))
            lines, back_s = set(), np.inf
        if not lines:
            start_s = begin_s
        lines.add(name)
        back_s = min(back_s, next_s)
    return spells


def _pauses(name: str, output: Output, end_s: float) -> list[tuple[float, float, str]]:
    """List when a line went quiet: from its first missing frame to its next pulse."""
    rise_s = output.table.rise_s[output.table.measured]
    gap_s = np.diff(rise_s, append=end_s)
    at = np.flatnonzero(gap_s > quiet_limit_s(output.usual_us))
    starts_s = (rise_s[at] + output.usual_us / 1e6).tolist()
    ends_s = (rise_s[at] + gap_s[at]).tolist()
    return [(start, end, name) for start, end in zip(starts_s, ends_s, strict=True)]


def inferred_losses(
    outputs: Mapping[str, Output], end_s: float, least_back: int = 1
) -> tuple[Loss, ...]:
    """Infer losses from the outputs alone: quiet lines, or outputs that jump together.

    So many lines must jump as they end; hands that let go of two sticks at once, and later
    move one of them, look like a loss that ends with one.
    """
    quiet = quiet_losses(outputs, end_s)
    begun_s = np.array([loss.lost_s for loss in quiet])
    over_s = np.array([loss.back_s for loss in quiet])
    apart = []
    for jump in _jump_losses(outputs, least_back):
        place = int(np.searchsorted(begun_s, jump.back_s, side="right")) - 1
        if place < 0 or over_s[place] < jump.lost_s:
            apart.append(jump)
    return tuple(sorted((*quiet, *apart), key=lambda loss: loss.lost_s))


def restarts(
    outputs: Mapping[str, Output], marked: tuple[Loss, ...], linked_s: float, end_s: float
) -> tuple[Loss, ...]:
    """Find where all lines went quiet although the transmitter was on."""
    # A button is pressed late, so the silence of a loss may begin before it.
    lost_s = np.array([loss.earliest_s for loss in marked])
    back_s = np.array([loss.back_s for loss in marked])
    gap_s = max((quiet_limit_s(output.usual_us) for output in outputs.values()), default=0.0)
    found = []
    spells = [spell for spell in find_quiet_spells(outputs, end_s) if spell.lines == outputs.keys()]
    places = np.searchsorted(lost_s, [spell.start_s + gap_s for spell in spells], side="right")
    free = np.array([spell.start_s for spell in spells]) >= np.append(-np.inf, back_s)[places]
    # Where frames begin anew after the silence of a loss, the marker may have missed one.
    lossy = [spell for spell, is_free in zip(spells, free.tolist(), strict=True) if not is_free]
    may_be_loss = any(not keeps_beat(outputs, spell) for spell in lossy)
    for spell, is_free, place in zip(spells, free.tolist(), places.tolist(), strict=True):
        if not is_free or spell.start_s < linked_s:
            continue
        over_s = min(spell.back_s, float(lost_s[place]) if place < lost_s.size else np.inf)
        may_be_lead = over_s < spell.back_s or over_s >= end_s or keeps_beat(outputs, spell)
        alike = ", or a ground lead or plugs that came off" if may_be_lead else ""
        alike += ", or a loss that the marker missed" if may_be_loss else ""
        found.append(
            Loss(
                spell.start_s, over_s, over_s < end_s, Moment(Known.INFERRED, None, spell.start_s),
                spell.lines,
                f"{'All lines' if len(outputs) > 1 else 'The line'} went quiet at "
                f"{spell.start_s:.3f} s while the transmitter was on. That is a supply or "
                f"receiver restart{alike}.",
                is_restart=True, is_proven=not alike,
            )
        )  # fmt: skip
    return tuple(found)


def keeps_beat(outputs: Mapping[str, Output], spell: QuietSpell) -> bool:
    """Say whether the pulses of all lines came on in their old beat, as far as it is known.

    A receiver that starts begins its frames anew; one whose lead comes off goes on.
    """
    away = []
    for output in outputs.values():
        rise_s = output.table.rise_s[output.table.measured]
        place = int(np.searchsorted(rise_s, spell.start_s))
        frames_s = np.diff(rise_s[max(place - BEAT_FRAMES - 1, 0) : place])
        usual_s = output.usual_us / 1e6
        frames_s = frames_s[np.abs(frames_s - usual_s) < BEAT_REACH * usual_s]
        if 0 < place < rise_s.size and frames_s.size >= MIN_BEAT_FRAMES:
            frames = float((rise_s[place] - rise_s[place - 1]) / frames_s.mean())
            away.append(abs(frames - round(frames)))
    return max(away, default=0.0) <= IN_BEAT


def quiet_losses(outputs: Mapping[str, Output], end_s: float) -> list[Loss]:
    """Infer losses from lines that went quiet."""
    spells = find_quiet_spells(outputs, end_s)
    since_s = _still_since_s(outputs, np.array([spell.start_s for spell in spells])).tolist()
    losses: list[Loss] = []
    for spell, stood_s in zip(spells, since_s, strict=True):
        still_s = max(stood_s, losses[-1].back_s) if losses else stood_s
        alone = len(spell.lines) == 1 and len(outputs) > 1
        sentence = f"{', '.join(sorted(spell.lines))} went quiet at {spell.start_s:.3f} s"
        if alone:
            sentence += " while other lines kept their pulses; a loose wire looks the same"
        else:
            sentence += f"; {_format_still(still_s, spell.start_s)}"
        losses.append(
            Loss(
                spell.start_s,
                spell.back_s,
                spell.back_s < end_s,
                Moment(Known.INFERRED, None, still_s),
                spell.lines if alone else frozenset(outputs),
                f"Inferred: {sentence}.",
            )
        )
    return losses


def _still_since_s(outputs: Mapping[str, Output], seen_s: FloatArray) -> FloatArray:
    """Return since when all outputs had stood still before each of some instants."""
    since_s = np.zeros(seen_s.size)
    for output in outputs.values():
        stays = output.dwells
        if not len(stays):
            return seen_s
        place = np.searchsorted(stays.start_s, seen_s) - 1
        at = np.maximum(place, 0)
        still = (place >= 0) & (stays.end_s[at] >= seen_s - 3 * output.usual_us / 1e6)
        since_s = np.maximum(since_s, np.where(still, stays.start_s[at], seen_s))
    return since_s


def _format_still(since_s: float, seen_s: float) -> str:
    if since_s >= seen_s:
        return "a stick moved until then"
    return f"no output had moved since {since_s:.3f} s, so the signal went in between"


def _jump_losses(outputs: Mapping[str, Output], least_back: int) -> list[Loss]:
    """Find stretches in which all outputs stand still between two joint jumps."""
    losses: list[Loss] = []
    arrivals = sorted(
        (time_s, name)
        for name, output in outputs.items()
        for time_s in _jump_times_s(output, arriving=True).tolist()
    )
    leaving_s = {name: _jump_times_s(out, arriving=False) for name, out in outputs.items()}
    busy_until_s = -np.inf
    for (first_s, first), (second_s, second) in itertools.pairwise(arrivals):
        frame_s = outputs[first].usual_us / 1e6
        if first == second or second_s - first_s > frame_s or first_s <= busy_until_s:
            continue
        back_s = _stand_until_s(outputs, second_s, frame_s)
        if back_s is None or back_s - first_s < MIN_STAND_S:
            continue
        left = [
            name for name, times_s in leaving_s.items() if _is_near(times_s, back_s, 2 * frame_s)
        ]
        if len(left) < least_back:
            continue
        busy_until_s = back_s + 2 * frame_s
        still_s = float(_still_since_s(outputs, np.array([first_s]))[0])
        still_s = max(still_s, losses[-1].back_s) if losses else still_s
        losses.append(
            Loss(
                first_s,
                back_s,
                came_back=True,
                moment=Moment(Known.INFERRED, None, still_s),
                lines=frozenset(outputs),
                sentence=(
                    f"Inferred: outputs jumped together at {first_s:.3f} s, all stood still, and "
                    f"{', '.join(left)} jumped again at {back_s:.3f} s. Before the first jump "
                    f"{_format_still(still_s, first_s)}."
                ),
            )
        )
    return losses


def is_return(own: Loss, losses: Iterable[Loss], outputs: Mapping[str, Output]) -> bool:
    """Say whether what looks like a loss begins with the return from a marked one.

    Two outputs stood until then where that loss had put them, or were silent, and jump from there.
    Only the link does that, also where a transmitter first sends old widths or widths of its own:
    a loss puts no output elsewhere than the one before.
    """
    before = max(
        (a for a in losses if a.back_s <= own.lost_s), key=lambda a: a.back_s, default=None
    )
    if before is None:
        return False
    back = 0
    for stays, place, slack_s, span_us in _arrived(outputs, own.lost_s):
        held = int(np.searchsorted(stays.start_s, before.earliest_s)) - 1
        if not 0 <= held < place:
            continue
        if held == place - 1:
            back += bool(stays.end_s[held] < before.back_s - slack_s)
            continue
        put_us = stays.level_us[place - 1]
        stood = stays.start_s[place - 1] <= before.back_s
        jumped = abs(stays.level_us[place] - put_us) > JUMP * span_us
        was_put = abs(put_us - stays.level_us[held]) > SAME * span_us
        is_held = abs(stays.level_us[place] - stays.level_us[held]) <= SAME * span_us
        back += stood and jumped and (was_put or is_held)
    return bool(back > 1)


def is_first_link(
    own: Loss, linked_s: float, losses: Sequence[Loss], outputs: Mapping[str, Output]
) -> bool:
    """Say whether what looks like a loss begins with the first link, however late that came.

    Two outputs stood from before the marker's first on until then, and jump to where no marked
    loss puts one: a transmitter first sends old widths or widths of its own.
    """
    if not losses or not linked_s <= own.lost_s < losses[0].earliest_s:
        return False
    came, back_s = 0, np.array([loss.back_s for loss in losses])
    for stays, place, slack_s, span_us in _arrived(outputs, own.lost_s):
        level_us = stays.level_us[place]
        jumped = place > 0 and abs(level_us - stays.level_us[place - 1]) > JUMP * span_us
        came += bool(jumped and stays.start_s[place - 1] <= linked_s)
        held = np.maximum(np.searchsorted(stays.start_s, back_s) - 1, 0)
        at = held[stays.end_s[held] >= back_s - slack_s]
        if jumped and (np.abs(stays.level_us[at] - level_us) <= SAME * span_us).any():
            return False
    return came > 1


def _arrived(
    outputs: Mapping[str, Output], at_s: float
) -> Iterator[tuple[Dwells, int, float, float]]:
    """Give the dwells of outputs that come to stand then, with place, slack in time, and span."""
    for output in outputs.values():
        stays, slack_s = output.dwells, 2 * output.usual_us / 1e6
        place = int(np.searchsorted(stays.start_s, at_s + slack_s)) - 1
        if place >= 0 and abs(stays.start_s[place] - at_s) <= slack_s:
            yield stays, place, slack_s, output.table.convention.span_us


def _jump_times_s(output: Output, *, arriving: bool) -> FloatArray:
    """Return when a width jumped to a dwell (or away from one) from frame to frame."""
    table, dwells = output.table, output.dwells
    rows = np.flatnonzero(table.measured)
    width_us = table.width_us[rows]
    place = np.searchsorted(rows, dwells.first if arriving else dwells.last) + int(not arriving)
    place = place[(place > 0) & (place < rows.size)]
    step_us = np.abs(width_us[place] - width_us[place - 1])
    jumps = step_us > max(JUMP * table.convention.span_us, NOISE_LIMIT * dwells.noise_us)
    times_s: FloatArray = table.rise_s[rows[place[jumps]]]
    return times_s


def _is_near(times_s: FloatArray, moment_s: float, within_s: float) -> bool:
    low, high = np.searchsorted(times_s, (moment_s - within_s, moment_s + within_s))
    return bool(high > low)


def _stand_until_s(outputs: Mapping[str, Output], from_s: float, frame_s: float) -> float | None:
    """Return when the first of all channels leaves the dwell it stands in."""
    ends_s = []
    for output in outputs.values():
        stays = output.dwells
        place = int(np.searchsorted(stays.end_s, from_s, side="right"))
        if place == len(stays) or stays.start_s[place] > from_s + frame_s:
            return None
        ends_s.append(float(stays.end_s[place]) + frame_s)
    return min(ends_s)
