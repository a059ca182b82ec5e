"""What an output does when the link comes back: at once to the stick, or not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from pwmscope.bench import StopBand
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.losses import JUMP, SAME, Loss
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import ChangeKind, Response
from pwmscope.findings.failsafe.segments import Kind
from pwmscope.model import (
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Hazard,
    HazardKind,
    IntArray,
    measured,
    not_shown,
)
from pwmscope.pulses import Flag, PulseTable

NAME: Final = "recovery"
NO_JUMP: Final = "no jump"
MAX_EVIDENCE: Final = 100
"""So many jumps are named as evidence."""
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
    table: PulseTable, begin_s: FloatArray, end_s: FloatArray
) -> tuple[IntArray, IntArray]:
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
