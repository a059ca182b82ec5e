"""Whether the link was there when a device first ran, and what ran as the link first came."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.failsafe.losses import JUMP, STAYS, STEP_US, Output, quiet_limit_s
from pwmscope.findings.failsafe.marker import MOVE_FRAMES, MOVE_S, Expectation, smooth_moves
from pwmscope.findings.failsafe.power import LIMIT
from pwmscope.findings.failsafe.response import sides
from pwmscope.findings.failsafe.returns import SUDDEN
from pwmscope.model import (
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Hazard,
    HazardKind,
    IntArray,
    Span,
    inside,
    not_shown,
)
from pwmscope.pulses import PulseTable

FIRST_LINK: Final = "first link"
FIRST_LINK_DEFINITION: Final = Definition(
    FIRST_LINK,
    "Whether the link was there when the device first ran, after the transmitter first came on. It "
    "is told only where that is not shown.",
    "pulses outside the stop range before outputs of its receiver step together, or leave their "
    "first widths for good within 5 frames, the last time before a hand moves another output or "
    "else the first, or before the last lone step of one "
    "from its first width, of at least 4 times its jitter; before a hand is seen to move an "
    "output, or silent lines to begin; or sooner than half the quickest later return (where 5 or "
    "more take 5 s or longer, than the quickest less what they differ by), unless a hand moved "
    "another output before, or this one where returns take less than 5 s; or, before any hand, "
    "there and back by more than 25 % of the span, each in one frame, within 4 frames or on a "
    "stick",
    "own algorithm",
)
NO_HAND_S: Final = 0.15
"""No hand answers what it sees or hears within this time (common practice, from memory)."""
SOONER: Final = 0.5
"""What ran sooner than this part of the quickest return may have had no link yet."""
MIN_RETURNS: Final = 5
"""Of so many returns none would be sooner than the quickest by more than all of them differ."""
BOOTS_S: Final = 5.0
"""A transmitter whose link is never back sooner boots, and so it does at first."""
STANDS_S: Final = 0.3
"""A switch that was set before a stick moved stays so for so long."""
STEADY: Final = 0.01
"""A jump ends where an output stays within this part of the convention's span."""
CLEAR: Final = 4.0
"""A lone step is no noise where it is so many times the jitter."""
SLEWS: Final = 5
"""Outputs may leave their presets for good over so many frames; no hand moves two at once so."""
SETTLED_S: Final = 1.0
"""What stays so long after so few frames was not on a stick's way to its end."""
MIN_WAY: Final = 2
FIRST_STEP: Final = 1.5
"""A stick goes in two frames at least, the first time no further than this against the most."""
NEAR_US: Final = 2.0
"""Widths nearer to each other than this and two sample intervals are one."""
ALWAYS: Final = Span(-np.inf, np.inf)


def first_link_finding(
    own: Output,
    expected: Expectation,
    mates: Mapping[str, Output],
    linked: Sequence[Span],
    delays_s: Callable[[tuple[str, ...]], Sequence[float]],
    *,
    was_off: bool,
) -> Finding | None:
    """Doubt that the link was there when a device first ran.

    ``linked`` are the times from each on of the transmitter to the next loss, and ``mates`` the
    outputs of its receiver, whose `link_delays_s` are ``delays_s``. What ran before these show that
    the link only comes had none. Where they do not, and the transmitter was off before, they must
    show by then that it was there.
    """
    if not expected.drives_something or expected.band is None:
        return None
    boot, frame_s, line = linked[0], own.usual_us / 1e6, own.table.line
    is_servo, stands, _ = sides(own.table, expected.band)
    rise_s, runs = own.table.rise_s[is_servo], ~stands[is_servo]
    first, end = np.searchsorted(rise_s, (boot.start_s, boot.end_s))
    ran = first + np.flatnonzero(runs[first:end])
    if not ran.size:
        return None
    tables = {name: mate.table for name, mate in mates.items()}
    took_s = delays_s(tuple(mates))
    begun_s = {name: _first_hand_s(mate, boot) for name, mate in mates.items()}
    ran_s, moves_s = float(rise_s[ran[0]]), min(begun_s.values(), default=np.inf)
    others_s = min((at_s for name, at_s in begun_s.items() if name != line), default=np.inf)
    came = _coming(line, mates, linked, took_s, ran_s=ran_s, others_s=others_s)
    starts_s = _start_s(tables, boot)
    known = came
    # A receiver sends on all its outputs once it is linked: silent ones begin by then.
    if boot.start_s + quiet_limit_s(own.usual_us) < starts_s < np.inf:
        known = _Coming(max(came.from_s, starts_s), max(came.to_s, starts_s))
    # What runs in the frame before may be in the link's own frame, unless it stops with it.
    goes_on = np.append(runs[1:], False)[ran]
    is_early = bool(np.any((rise_s[ran] < known.from_s)
                           & ((rise_s[ran] <= known.to_s - frame_s) | ~goes_on)))  # fmt: skip
    if not is_early and not was_off:
        return None
    # A switch may be thrown for longer than a few frames; no stick leaps however long it stays.
    most = ran.size if expected.is_on_stick else STAYS - 1
    leap_s = _first_leap_s(own.table, is_servo, ran, most, moves_s)
    returns_s = [took for took in took_s if took < np.inf] or [0.0]
    soonest_s = min(returns_s)
    is_slow, soon_s = soonest_s >= BOOTS_S, boot.start_s + SOONER * soonest_s
    if is_slow and len(returns_s) >= MIN_RETURNS:
        soon_s = max(soon_s, boot.start_s + 2.0 * soonest_s - max(returns_s))
    # Hands that go for several sticks begin with one or the other.
    hand_s = others_s - NO_HAND_S
    if came.from_s > -np.inf or not _leaps_back(own.table, boot, ran_s):
        hand_s = min(hand_s, begun_s[line] - frame_s)
    came_s = came.from_s if came.from_s > -np.inf else np.inf
    shown_s = min(came_s, np.inf if is_slow and starts_s < soon_s else starts_s) - frame_s
    stays = runs[ran[0] : np.searchsorted(rise_s, moves_s + STANDS_S)]
    is_switch = soon_s <= ran_s < moves_s and bool(stays.all())
    is_soon = ran_s < soon_s and (is_slow or not hand_s < ran_s)
    is_soon &= not others_s < min(ran_s, begun_s[line]) - NO_HAND_S
    is_shown = min(shown_s, hand_s) < ran_s and not is_early
    if not is_early and not is_soon and (is_shown or is_switch):
        if leap_s == np.inf:
            return None
        ran_s, doubt = leap_s, "no hand moves it there or back within one frame"
    else:
        doubt = "no later return shows that the link comes so soon" if is_shown else (
            "no output had shown the link"
        )  # fmt: skip
    why = Reason(
        f"It was commanded to run at {ran_s:.3f} s, and {doubt}. A receiver without the link, a "
        "hand and a transmitter's start look the same.",
        "Switch on again, wait, and move another stick first."
        if len(mates) > 1
        else "Record another output of its receiver as well.",
    )
    until_s = min(
        boot.end_s, known.to_s if is_early else min(moves_s, max(shown_s + frame_s, soon_s))
    )
    first, end = np.searchsorted(rise_s, (boot.start_s, until_s))
    seen = Evidence(boot.start_s, until_s, int(end - first))
    return replace(not_shown(FIRST_LINK, "s", why, limit=LIMIT), evidence=(seen,))


def link_delays_s(tables: Mapping[str, PulseTable], linked: Sequence[Span]) -> list[float]:
    """Give how long after each later on of the transmitter these outputs show the link."""
    return [_joint_s(tables, span) - span.start_s for span in linked[1:]]


class _Coming(NamedTuple):
    """When outputs of a receiver show that its link comes, in one frame; else minus infinity."""

    from_s: float = -np.inf
    to_s: float = -np.inf


def _coming(
    line: str,
    mates: Mapping[str, Output],
    linked: Sequence[Span],
    took_s: Sequence[float],
    *,
    ran_s: float,
    others_s: float,
) -> _Coming:
    """Find when outputs that no hand moved step together, or else when one last does alone.

    They may step to widths of the transmitter's own first: the last time counts before a hand
    moves another output than the device's, or else the first. A step counts from an output's
    first width, or before it first moves smoothly. One of a switch does not; nor does a large one
    alone of the device itself, or of a hand that moves both.
    """
    boot, found, alone = linked[0], list[tuple[float, str]](), [-np.inf]
    for name, mate in mates.items():
        steps, far_us = _steps(mate.table, boot), JUMP * mate.table.convention.span_us
        jitter_us = _jitter_us(mate.table, boot)
        moved_s = smooth_moves(mate)[0]
        moved_s = moved_s[moved_s >= boot.start_s].min(initial=np.inf)
        is_first = np.abs(steps.from_us - _first_us(mate.table, boot)) <= _near_us(mate.table)
        later = [
            Span(span.start_s + took + mate.usual_us / 1e6, span.end_s)
            for span, took in zip(linked[1:], took_s, strict=True)
            if took < np.inf
        ]
        by_hand = inside(tuple(_hand_moves(mate, boot)), steps.at_s)
        for k in np.flatnonzero((is_first | (steps.at_s <= moved_s)) & ~by_hand).tolist():
            at_s, from_us, to_us = (float(column[k]) for column in steps)
            is_large = abs(to_us - from_us) > far_us
            if is_large and _is_switch(mate, (at_s, from_us, to_us), boot, later):
                continue
            found.append((at_s, name))
            if (
                name != line and not ran_s <= at_s < ran_s + NO_HAND_S
                if is_large
                else abs(to_us - from_us) >= CLEAR * jitter_us
            ):
                alone.append(at_s)
        found += [(at_s, name) for at_s in _slews(mate.table, boot, jitter_us)]
    found.sort()
    together = [
        _Coming(at_s, next_s)
        for (at_s, name), (next_s, other) in itertools.pairwise(found)
        if name != other and next_s - at_s <= mates[name].usual_us / 1e6
    ]
    if together:
        return [together[0], *(come for come in together if come.to_s < others_s)][-1]
    return _Coming(max(alone), max(alone))


def _is_switch(
    mate: Output, step: tuple[float, float, float], boot: Span, later: Sequence[Span]
) -> bool:
    """Say whether a step is no link's: its output goes back, and no hand moves it meanwhile."""
    at_s, from_us, to_us = step
    if _stands_s(mate.table, to_us, Span(boot.start_s, at_s)) < np.inf:
        return True
    back_s = _stands_s(mate.table, from_us, Span(at_s, boot.end_s))
    if back_s < np.inf:
        return _first_hand_s(mate, Span(at_s, back_s)) == np.inf
    goes_back = any(_stands_s(mate.table, from_us, span) < np.inf for span in later)
    return goes_back and all(_first_hand_s(mate, span) == np.inf for span in (boot, *later))


def _stands_s(table: PulseTable, level_us: float, span: Span) -> float:
    """When a line first stands at a width in a span; infinity where it never does."""
    rise_s, width_us = _measured(table, span)
    if rise_s.size < STAYS:
        return np.inf
    is_near = np.abs(width_us - level_us) <= _near_us(table)
    stands = np.lib.stride_tricks.sliding_window_view(is_near, STAYS).all(axis=1)
    return float(rise_s[stands.argmax()]) if stands.any() else np.inf


def _measured(table: PulseTable, span: Span = ALWAYS) -> tuple[FloatArray, FloatArray]:
    """Give when the pulses of a span that were measured begin, and their widths."""
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    within = slice(*np.searchsorted(rise_s, (span.start_s, span.end_s)))
    return rise_s[within], width_us[within]


def _near_us(table: PulseTable) -> float:
    return NEAR_US + 2.0 * (table.sample_interval_us or 0.0)


class _Steps(NamedTuple):
    """Where a line that stood goes elsewhere in one frame, and stands again."""

    at_s: FloatArray
    from_us: FloatArray
    to_us: FloatArray


def _steps(table: PulseTable, span: Span) -> _Steps:
    """Find the steps of a line in a span, and from where to where they go."""
    rise_s, width_us = _measured(table)
    first, end = np.searchsorted(rise_s, (span.start_s, span.end_s))
    first = max(first - STAYS, 0)
    if end - first < 2 * STAYS:
        return _Steps(np.empty(0), np.empty(0), np.empty(0))
    stands = np.lib.stride_tricks.sliding_window_view(width_us[first:end], STAYS)
    low_us, high_us = stands.min(axis=1), stands.max(axis=1)
    was, now = slice(None, -STAYS), slice(STAYS, None)
    apart_us = np.maximum(low_us[now] - high_us[was], low_us[was] - high_us[now])
    scatter_us = np.maximum((high_us - low_us)[now], (high_us - low_us)[was])
    is_clear = scatter_us <= STEADY * table.convention.span_us + _near_us(table)
    at = np.flatnonzero(is_clear & (apart_us >= scatter_us) & (apart_us > 0.0))
    from_us, to_us = np.median(stands[at], axis=1), np.median(stands[at + STAYS], axis=1)
    is_step = np.abs(to_us - from_us) >= max(STEP_US, 2.0 * (table.sample_interval_us or 0.0))
    return _Steps(rise_s[first + STAYS : end][at[is_step]], from_us[is_step], to_us[is_step])


def _slews(table: PulseTable, span: Span, jitter_us: float) -> list[float]:
    """Find where a line leaves its first width for good, within a few frames, and stays."""
    rise_s, width_us = _measured(table, span)
    near_us, first_us = _near_us(table) + CLEAR * jitter_us, _first_us(table, span)
    away = np.abs(width_us - first_us) > near_us
    if away.size < 2 * STAYS or not away.any() or away[:STAYS].any():
        return []
    left = int(away.argmax())
    left_s = float(rise_s[left])
    stays_us = width_us[left + SLEWS : np.searchsorted(rise_s, left_s + SETTLED_S)]
    back_s = _stands_s(table, first_us, Span(left_s, span.end_s))
    if stays_us.size < STAYS or left_s + SETTLED_S > span.end_s or back_s < np.inf:
        return []
    is_still = np.abs(stays_us - np.median(stays_us)).max() <= near_us
    return [left_s] if is_still else []


def _jitter_us(table: PulseTable, span: Span) -> float:
    """Give how far a line's widths scatter, of normal noise its standard deviation."""
    change_us = np.abs(np.diff(_measured(table, span)[1]))
    return float(np.median(change_us)) / 0.954 if change_us.size else 0.0


def _first_us(table: PulseTable, span: Span) -> float:
    """Give the width at which a line begins a span."""
    first_us = _measured(table, Span(span.start_s, np.inf))[1][:STAYS]
    return float(np.median(first_us)) if first_us.size else np.nan


def _first_hand_s(mate: Output, span: Span) -> float:
    """When a hand is first seen to move an output; infinity where none is."""
    return next((move.start_s for move in _hand_moves(mate, span)), np.inf)


def _hand_moves(mate: Output, span: Span) -> Iterator[Span]:
    """Give where a hand moves an output: smoothly, and never far in one frame."""
    begin_s, end_s = smooth_moves(mate)
    table, within = mate.table, (begin_s >= span.start_s) & (begin_s < span.end_s)
    rise_s, width_us = _measured(table)
    steady_us, most_us = (part * table.convention.span_us for part in (STEADY, SUDDEN))
    least_s = max(MOVE_FRAMES * mate.usual_us / 1e6, MOVE_S)
    for rows in zip(*np.searchsorted(rise_s, (begin_s[within], end_s[within])), strict=True):
        moving_us, at_s = width_us[rows[0] : rows[1] + 1], rise_s[rows[0] : rows[1] + 1]
        left = np.flatnonzero(np.abs(moving_us - moving_us[0]) > steady_us)
        moves = np.flatnonzero(np.abs(moving_us - moving_us[-1]) > steady_us)
        took_s = at_s[moves[-1] + 1] - at_s[left[0] - 1]
        if took_s > least_s and np.abs(np.diff(moving_us)).max() <= most_us:
            yield Span(float(at_s[left[0]]), float(at_s[moves[-1] + 1]))


def _first_leap_s(
    table: PulseTable, is_servo: BoolArray, ran: IntArray, most: int, until_s: float
) -> float:
    """When a line first runs and goes back, each in one frame, as no hand does; or infinity."""
    rise_s, width_us = table.rise_s[is_servo], table.width_us[is_servo]
    sudden = np.abs(np.diff(width_us, prepend=np.nan)) > SUDDEN * table.convention.span_us
    for spell in np.split(ran, np.flatnonzero(np.diff(ran) > 1) + 1):
        begins, ends = spell[0], min(spell[-1] + 1, rise_s.size - 1)
        if spell.size <= most and rise_s[ends] < until_s and sudden[begins] and sudden[ends]:
            return float(rise_s[begins])
    return np.inf


def _leaps_back(table: PulseTable, boot: Span, ran_s: float) -> bool:
    """Say whether a line that ran leaps in one frame afterwards, as no stick does."""
    steps = _steps(table, Span(min(ran_s, boot.end_s), boot.end_s))
    return bool((np.abs(steps.to_us - steps.from_us) > JUMP * table.convention.span_us).any())


def _start_s(tables: Mapping[str, PulseTable], boot: Span) -> float:
    """When the pulses of lines that were silent have begun in a span; infinity if none do."""
    comes = (come for table in tables.values() for come in _comes(table, boot))
    return max((come.at_s for come in comes if come.starts), default=np.inf)


def first_link_hazards(
    tables: Mapping[str, PulseTable],
    expected: Mapping[str, Expectation],
    boot: Span,
    source: str,
) -> dict[str, Hazard]:
    """Find devices that are commanded to run as the link first comes, from a marker's on to a loss.

    A silent line's first pulse shows the link, and a jump in which outputs go together, were it by
    a few microseconds; what moves on smoothly after that follows a stick. So does a jump before
    outputs first go together. Where they never do, one that jumps alone runs before the link is
    shown, though a hand may have moved its switch; one of a few frames may be a glitch.
    """
    comes = {name: tuple(_comes(table, boot)) for name, table in tables.items()}
    went = _steps_s(comes, tables, boot)
    seen_s = _together_s(went, tables)
    hazards: dict[str, Hazard] = {}
    for name, own in ((name, come) for name, found in comes.items() for come in found):
        device, convention = expected[name], tables[name].convention
        others_s = [t for other in went if other != name for t in went[other].tolist()]
        frame_s = convention.period_us / 1e6
        shows = any(-frame_s <= own.at_s - t <= NO_HAND_S for t in others_s)
        shows |= not own.is_short and (own.starts or own.at_s <= seen_s < np.inf)
        is_alone = seen_s == np.inf and not own.is_short
        if not device.drives_something or device.band is None or name in hazards:
            continue
        if own.is_smooth and seen_s < own.at_s - NO_HAND_S:
            continue
        beyond_us = max(device.band.low_us - own.to_us, own.to_us - device.band.high_us)
        if (shows or is_alone) and beyond_us >= JUMP * convention.span_us:
            kind = HazardKind.FIRST_LINK if shows else HazardKind.UNLINKED
            hazards[name] = Hazard(kind, (name,), own.at_s, own.to_us, own.from_us, 1, 1, source)
    return hazards


class _Come(NamedTuple):
    """A line's first pulse after silence, or a jump of one that did not move before."""

    at_s: float
    to_us: float
    from_us: float | None
    starts: bool
    is_short: bool  # Whether it lasts for a few frames; a glitch of this line alone does so too
    is_smooth: bool = False  # Whether it is on its way as a stick moves it


def _comes(table: PulseTable, boot: Span) -> Iterator[_Come]:
    """Give where a line first goes; where it stays for a few frames only, where it goes next."""
    rise_s, width_us = _measured(table)
    first, end = np.searchsorted(rise_s, (boot.start_s, boot.end_s))
    if end - first < STAYS:
        return
    steady_us = STEADY * table.convention.span_us
    quiet_s = quiet_limit_s(table.convention.period_us)
    starts = bool(first == 0 or rise_s[first] - rise_s[first - 1] > quiet_s)
    at, from_us = int(first), None
    if not starts:
        beyond_us = JUMP * table.convention.span_us
        changed = np.flatnonzero(np.abs(width_us[first:end] - width_us[first - 1]) > beyond_us)
        if not changed.size:
            return
        at += int(changed[0])
        from_us = float(width_us[at - 1])
        if abs(width_us[at - 1] - width_us[first - 1]) > steady_us:
            return
    apart = np.flatnonzero(np.abs(width_us[at : at + STAYS] - width_us[at]) > steady_us)
    stays = int(apart[0]) if apart.size else STAYS
    after_us = width_us[at + stays : at + stays + STAYS]
    settles = after_us.size == STAYS and np.ptp(after_us) <= steady_us
    is_smooth = not starts and _is_smooth(width_us[at - 1 : end], table.convention.span_us)
    if stays < STAYS:
        yield _Come(float(rise_s[at]), float(np.median(width_us[at : at + stays])), from_us,
                    starts, is_short=True, is_smooth=is_smooth)  # fmt: skip
    if starts:
        to_us = float(np.median(width_us[at : at + 3]))
        yield _Come(float(rise_s[at]), to_us, None, starts=True, is_short=False)
        if stays < STAYS:
            yield _Come(float(rise_s[at + stays]), float(width_us[at + stays]),
                        float(width_us[at + stays - 1]), starts=False, is_short=True)  # fmt: skip
    elif np.ptp(width_us[at : at + STAYS]) <= steady_us:
        to_us = float(np.median(width_us[at : at + STAYS]))
        yield _Come(float(rise_s[at]), to_us, from_us, starts=False, is_short=False)
    elif settles:
        yield _Come(float(rise_s[at + stays]), float(np.median(after_us)),
                    float(width_us[at + stays - 1]), starts=False, is_short=True,
                    is_smooth=is_smooth)  # fmt: skip


def _is_smooth(width_us: FloatArray, span_us: float) -> bool:
    """Say whether widths go one way in frames alike, none of them too far for a stick."""
    steps_us = np.diff(width_us[: 2 * STAYS])
    stops = np.flatnonzero(np.abs(steps_us) <= STEADY * span_us)
    way_us = steps_us[: stops[0] if stops.size else None]
    if way_us.size < MIN_WAY:
        return False
    way_us = way_us * np.sign(way_us[0])
    return bool(
        (way_us > 0.0).all()
        and way_us.max() <= SUDDEN * span_us
        and way_us[0] <= FIRST_STEP * way_us[1:].max()
    )


def _steps_s(
    comes: Mapping[str, tuple[_Come, ...]], tables: Mapping[str, PulseTable], boot: Span
) -> dict[str, FloatArray]:
    """Find where each line first goes, and where it steps by less than a jump."""
    found = {}
    for name, own in comes.items():
        steps, far_us = _steps(tables[name], boot), JUMP * tables[name].convention.span_us
        small_s = steps.at_s[np.abs(steps.to_us - steps.from_us) <= far_us]
        found[name] = np.append(small_s, [come.at_s for come in own])
    return found


def _joint_s(tables: Mapping[str, PulseTable], boot: Span) -> float:
    """When lines first step or jump together, or else one alone; infinity where none ever does."""
    comes = {name: tuple(_comes(table, boot)) for name, table in tables.items()}
    steps = _steps_s(comes, tables, boot)
    together_s = _together_s(steps, tables)
    return together_s if together_s < np.inf else min(np.concatenate([*steps.values(), [np.inf]]))


def _together_s(steps: Mapping[str, FloatArray], tables: Mapping[str, PulseTable]) -> float:
    """When lines first step or jump together; infinity where they never do."""
    together = [
        at_s
        for name, own in steps.items()
        for at_s in own.tolist()
        if any(
            np.any(np.abs(other - at_s) <= tables[name].convention.period_us / 1e6)
            for line, other in steps.items()
            if line != name
        )
    ]
    return min(together, default=np.inf)
