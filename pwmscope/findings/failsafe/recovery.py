"""What an output does when the link comes back: at once to the stick, or not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from pwmscope.bench import StopBand
from pwmscope.errors import Reason
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.losses import (
    JUMP,
    SAME,
    STAYS,
    STEP_US,
    Loss,
    Output,
    quiet_limit_s,
)
from pwmscope.findings.failsafe.marker import Expectation, smooth_moves
from pwmscope.findings.failsafe.power import LIMIT
from pwmscope.findings.failsafe.response import ChangeKind, Response, sides
from pwmscope.findings.failsafe.segments import Kind
from pwmscope.model import (
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Hazard,
    HazardKind,
    Span,
    measured,
    not_shown,
)
from pwmscope.pulses import Flag, PulseTable

NAME: Final = "recovery"
NO_JUMP: Final = "no jump"
MAX_EVIDENCE: Final = 100
"""So many jumps are named as evidence."""
STEADY: Final = 0.01
"""A jump ends where an output stays within this part of the convention's span."""
NO_HAND_S: Final = 0.15
"""No hand answers what it sees or hears within this time (common practice, from memory)."""
SOONER: Final = 0.5
"""What ran sooner than this part of the quickest return may have had no link yet."""
STANDS_S: Final = 0.3
"""A switch that was set before a stick moved stays so for so long."""
BEYOND: Final = 0.01
"""Widths further outside the convention than this part of its span count as outside (common
practice, from memory, as the limit of the pulse width range)."""
JUMP_DEFINITION: Final = Definition(
    NAME,
    "What the output does when the transmitter is on again. A device that runs within one frame "
    "of the link's return can hurt. It is a hazard. No limit is held against it. The stick must "
    "be up to show a hold, and most receivers then jump.",
    "a jump is seen where the width leaves the stop range from one frame to the next, by more than "
    "4 % of the convention's span, or where the first pulse after a pause lies outside it by that",
    "own algorithm; that a jump on re-link is a hazard is common practice",
)

FIRST_LINK: Final = "first link"
FIRST_LINK_DEFINITION: Final = Definition(
    FIRST_LINK,
    "Whether the link was there when the device first ran, after the transmitter first came on. It "
    "is told only where that is not shown.",
    "pulses outside the stop range before two outputs of one receiver first step together, or one "
    "moves smoothly; or sooner than half the quickest later return, unless a stick moved before",
    "own algorithm",
)


def recovered_s(response: Response, end_s: float) -> float | None:
    """Return when an output that had settled was seen to pulse or move again."""
    if response.settled_s is None:
        return None
    final = response.during[-1]
    if final.kind is Kind.QUIET:
        return final.end_s if final.end_s < end_s else None
    return None if response.after is None else response.after.start_s


def jump_us(
    loss: Loss, response: Response, expected: Expectation, span_us: float
) -> tuple[float | None, float] | None:
    """Return the widths before and after a jump out of the stop range on re-link."""
    band, after = expected.band, response.after
    if after is None or not response.during or not loss.came_back:
        return None
    final = response.during[-1]
    far_us = JUMP * span_us
    if band is None:
        if final.kind is Kind.QUIET:
            return None, after.first_us
        jumped = after.jumped and abs(after.level_us - final.level_us) >= far_us
        return (final.level_us, after.level_us) if jumped else None
    if final.kind is Kind.QUIET:
        is_out = _outside_by_us(band, after.first_us) >= far_us
        return (None, after.first_us) if expected.no_pulses_stop and is_out else None
    stood = final.kind is Kind.STANDS and band.holds(final.level_us)
    jumped = after.jumped and abs(after.level_us - final.level_us) >= far_us
    if stood and jumped and _outside_by_us(band, after.level_us) > 0:
        return final.level_us, after.level_us
    return None


def hazards_of(
    events: Sequence[LossEvent], expected: Expectation, source: str
) -> tuple[Hazard, ...]:
    """List where a device was commanded to run around the return of the link.

    Without a sheet any jump away from the failsafe's width, and any first pulse, counts.
    """
    if expected.is_informative or (expected.has_sheet and not expected.drives_something):
        return ()
    losses = [event for event in events if not event.is_restart]
    found: dict[HazardKind, list[tuple[float, float | None, float]]] = {}
    for event in losses:
        for leap in event.case.evidence.leaps:
            from_us = None if leap.from_us != leap.from_us else leap.from_us
            found.setdefault(HazardKind.LEAP, []).append((leap.at_s, from_us, leap.to_us))
        jump, after = event.recovery.jump_us, event.case.response.after
        if jump is None or after is None:
            continue
        leapt = any(leap.at_s >= after.start_s - 1e-9 for leap in event.case.evidence.leaps)
        if not leapt:
            kind = HazardKind.STICK_HELD if is_held(event, jump[1]) else HazardKind.NO_STICK
            found.setdefault(kind, []).append((after.start_s, *jump))
    line = losses[0].case.setting.line if losses else ""
    return tuple(
        Hazard(kind, (line,), own[0][0], own[0][2], own[0][1], len(own), len(losses), source)
        for kind in HazardKind
        if (own := found.get(kind))
    )


def first_link_hazards(
    tables: Mapping[str, PulseTable],
    expected: Mapping[str, Expectation],
    boot: Span,
    source: str,
) -> dict[str, Hazard]:
    """Find devices that are commanded to run as the link first comes, from a marker's on to a loss.

    A silent line's first pulse shows the link, and a jump in which outputs go together, were it by
    a few microseconds. So does a jump before outputs first go together. One that jumps alone
    later may be a switch that a hand moved, and one of a few frames a glitch.
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
        if not device.drives_something or device.band is None or not shows or name in hazards:
            continue
        if _outside_by_us(device.band, own.to_us) >= JUMP * convention.span_us:
            hazards[name] = Hazard(
                HazardKind.FIRST_LINK, (name,), own.at_s, own.to_us, own.from_us, 1, 1, source
            )
    return hazards


def first_link_finding(
    own: Output, expected: Expectation, mates: Mapping[str, Output], linked: Sequence[Span]
) -> Finding | None:
    """Doubt that the link was there when a device first ran, after a marker first showed on.

    ``linked`` are the times from each on to the next loss. Outputs of its receiver show the link
    as they step together, no sooner than after a loss, or as one moves smoothly. What ran before
    and stays so as a stick moves was a switch.
    """
    if not expected.drives_something or expected.band is None:
        return None
    boot, frame_s = linked[0], own.usual_us / 1e6
    begun_s = np.concatenate([smooth_moves(mate)[0] for mate in mates.values()])
    moves_s = float(begun_s[begun_s >= boot.start_s].min(initial=np.inf))
    is_servo, inside, _ = sides(own.table, expected.band)
    rise_s, runs = own.table.rise_s[is_servo], ~inside[is_servo]
    first, end = np.searchsorted(rise_s, (boot.start_s, min(moves_s, boot.end_s) - frame_s))
    if not runs[first:end].any():
        return None
    tables = {name: mate.table for name, mate in mates.items()}
    took_s = [_joint_s(tables, span) - span.start_s for span in linked]
    soon_s = boot.start_s + SOONER * min(took_s[1:], default=np.inf)
    joint_s = boot.start_s + took_s[0]
    at = first + int(runs[first:end].argmax())
    ran_s, stood = float(rise_s[at]), int(np.searchsorted(rise_s, moves_s + STANDS_S))
    if ran_s >= max(joint_s - frame_s, soon_s):
        return None
    if soon_s <= ran_s < moves_s < joint_s and runs[at:stood].all():
        return None
    is_soon = joint_s - frame_s <= ran_s
    doubt = "no later return shows that the link comes so soon" if is_soon else (
        "no output had shown the link"
    )  # fmt: skip
    why = Reason(
        f"It was commanded to run at {ran_s:.3f} s, and {doubt}. A receiver without the link, a "
        "hand and a transmitter's start look the same.",
        "Switch on again, wait, and move another stick first."
        if len(mates) > 1
        else "Record another output of its receiver as well.",
    )
    seen = Evidence(boot.start_s, min(moves_s, max(joint_s, soon_s), boot.end_s), int(end - first))
    return replace(not_shown(FIRST_LINK, "s", why, limit=LIMIT), evidence=(seen,))


class _Come(NamedTuple):
    """A line's first pulse after silence, or a jump of one that did not move before."""

    at_s: float
    to_us: float
    from_us: float | None
    starts: bool
    is_short: bool  # Whether it lasts for a few frames; a glitch of this line alone does so too


def _comes(table: PulseTable, boot: Span) -> Iterator[_Come]:
    """Give where a line first goes; where it stays for a few frames only, where it goes next."""
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
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
    if stays < STAYS:
        yield _Come(float(rise_s[at]), float(np.median(width_us[at : at + stays])), from_us,
                    starts, is_short=True)  # fmt: skip
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
                    float(width_us[at + stays - 1]), starts=False, is_short=True)  # fmt: skip


def _steps_s(
    comes: Mapping[str, tuple[_Come, ...]], tables: Mapping[str, PulseTable], boot: Span
) -> dict[str, FloatArray]:
    """Find where each line first goes, and where it steps by less than a jump."""
    return {
        name: np.append(_small_steps_s(tables[name], boot), [come.at_s for come in own])
        for name, own in comes.items()
    }


def _small_steps_s(table: PulseTable, boot: Span) -> FloatArray:
    """Find where a line that stood steps by less than a jump, in one frame, and stands again."""
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    first, end = np.searchsorted(rise_s, (boot.start_s, boot.end_s))
    first = max(first - STAYS, 0)
    if end - first < 2 * STAYS:
        return np.empty(0)
    stands = np.lib.stride_tricks.sliding_window_view(width_us[first:end], STAYS)
    low_us, high_us = stands.min(axis=1), stands.max(axis=1)
    was, now = slice(None, -STAYS), slice(STAYS, None)
    by_us = np.maximum(low_us[now] - high_us[was], low_us[was] - high_us[now])
    scatter_us = np.maximum((high_us - low_us)[now], (high_us - low_us)[was])
    least_us = max(STEP_US, 2.0 * (table.sample_interval_us or 0.0))
    is_step = (by_us >= np.maximum(scatter_us, least_us)) & (
        by_us <= JUMP * table.convention.span_us
    )
    return rise_s[first + STAYS : end][np.flatnonzero(is_step)]


def _joint_s(tables: Mapping[str, PulseTable], boot: Span) -> float:
    """When lines first step or jump together; infinity where they never do."""
    comes = {name: tuple(_comes(table, boot)) for name, table in tables.items()}
    return _together_s(_steps_s(comes, tables, boot), tables)


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


def is_held(event: LossEvent, to_us: float) -> bool:
    """Say whether a stick commanded a width: it was held there, or was followed from there."""
    case = event.case
    first = case.response.during[0]
    was_us = first.level_us if first.kind is Kind.STANDS else first.last_us
    same_us = max(2.0 * case.setting.range_us, SAME * case.setting.span_us)
    if abs(to_us - was_us) <= same_us:
        return True
    departures = case.response.departures
    return len(departures) > 1 and departures[1].kind is ChangeKind.MOVE


def _outside_by_us(band: StopBand, width_us: float) -> float:
    return max(band.low_us - width_us, width_us - band.high_us)


def count_odd(
    table: PulseTable, begin_s: npt.NDArray[np.float64], end_s: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Count pulses that are no clean servo pulses, and those well outside the convention."""
    begin, end = np.searchsorted(table.rise_s, begin_s), np.searchsorted(table.rise_s, end_s)
    convention = table.convention
    beyond_us = BEYOND * convention.span_us
    with np.errstate(invalid="ignore"):
        outside = table.measured & (
            (table.width_us < convention.low_us - beyond_us)
            | (table.width_us > convention.high_us + beyond_us)
        )
    counts = []
    for counted in (table.has(Flag.GLITCH | Flag.FOREIGN | Flag.NOTCHED), outside):
        total = np.append(0, np.cumsum(counted))
        counts.append(total[end] - total[begin])
    return counts[0], counts[1]


def recovery_finding(events: Sequence[LossEvent], expected: Expectation) -> Finding:
    """Say whether an output jumped out of its stop range when the link came back."""
    losses = [event for event in events if not event.is_restart]
    jumps = [event for event in losses if event.recovery.jump_us is not None]
    if not jumps:
        return _without_jump(losses)
    from_us, to_us = jumps[0].recovery.jump_us or (None, 0.0)
    came = "a silent line" if from_us is None else f"{from_us:.1f} us"
    after = [event.case.response.after for event in jumps]
    seen = [stretch.start_s for stretch in after if stretch is not None]
    sentence = (
        f"the output jumped from {came} to {to_us:.1f} us when the link came back. It took at "
        f"most one frame ({seen[0]:.3f} s; {len(jumps)} of {len(losses)} losses)"
    )
    if expected.drives_something:
        runs = "What is on this line runs at once. Bring the sticks to rest"
        if expected.role == "kill":
            runs = "What it guards gets its power at once. Set its switch to off"
        sentence = f"Hazard: {sentence}. {runs} before you switch the transmitter on."
    else:
        sentence = f"{sentence[0].upper()}{sentence[1:]}."
    spans = tuple([Evidence(moment_s, moment_s, 1) for moment_s in seen[:MAX_EVIDENCE]])
    value = f"{len(jumps)} jump{'s' if len(jumps) > 1 else ''}"
    return measured(NAME, value, "", sentence, evidence=spans)


def _without_jump(losses: Sequence[LossEvent]) -> Finding:
    if not losses:
        reason = "The signal was not seen to be lost, so what happens on its return is not shown."
        return not_shown(NAME, "", reason)
    seen = [event for event in losses if event.recovered_s is not None]
    if not seen:
        reason = "The output was not seen to follow again, so what happens then is not shown."
        return not_shown(NAME, "", reason)
    relinks_s = [e.recovery.relink_s for e in seen if e.recovery.relink_s is not None]
    took = f"seen to follow again in {len(seen)} of {len(losses)} losses"
    if relinks_s:
        took += f", {max(relinks_s):.3f} s after the transmitter was on at the latest"
    sentence = (
        f"No jump out of the stop range; {took}. The stick may have been at rest then, so this "
        "does not show that the receiver waits for it."
    )
    return measured(NAME, NO_JUMP, "", sentence)
