"""Which freezes the lines of one receiver share: the link's, or one channel's alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.freshness.freshness import Freshness
from pwmscope.findings.freshness.renewals import Renewals
from pwmscope.findings.receivers import Receiver
from pwmscope.model import (
    MAX_SPANS,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    binomial_interval,
    format_list,
    measured,
    not_shown,
)

NAME: Final = "shared freezes"
DEFINITIONS: Final = (
    Definition(
        NAME,
        "The share of freezes that came on two lines of one receiver in the same frames. Only "
        "those count in which both moved. Shared ones are the link's or the receiver's. One on "
        "a line alone is that channel's own.",
        "k / n over freezes of a line in which another line of the receiver would have shown a "
        "repeat; shared where that one froze too; 95 %: Clopper-Pearson",
        "exact binomial interval (Clopper and Pearson, Biometrika 26, 1934, from memory); own "
        "algorithm",
    ),
)


@dataclass(frozen=True, slots=True)
class SharedFreezes:
    """Freezes that the lines of one receiver share."""

    witnessed: int  # Freezes of a line while another line of its receiver moved
    shared: int  # Those in which the other one froze, too
    alone: Mapping[str, int]  # By line, those in which it did not
    findings: tuple[Finding, ...]  # `shared freezes`


def examine_shared_freezes(
    lines: Mapping[str, Freshness], receivers: tuple[Receiver, ...]
) -> SharedFreezes:
    """Find out which freezes the lines of one receiver share."""
    witnessed = shared = 0
    alone: dict[str, int] = {}
    spans: list[Evidence] = []
    for line, others in _receivers(lines, receivers):
        own = lines[line].renewals
        seen, froze = _witnessed(own, [(lines[other], late_s) for other, late_s in others.items()])
        witnessed += int(np.count_nonzero(seen))
        shared += int(np.count_nonzero(froze))
        if lonely := int(np.count_nonzero(seen & ~froze)):
            alone[line] = lonely
        spans += [
            Evidence(float(own.start_s[k]), float(own.end_s[k]), 0)
            for k in np.flatnonzero(froze)[:MAX_SPANS]
        ]
    found = _finding(lines, witnessed, shared, alone, spans)
    return SharedFreezes(witnessed, shared, alone, (found,))


def _receivers(
    lines: Mapping[str, Freshness], receivers: tuple[Receiver, ...]
) -> Iterator[tuple[str, dict[str, float]]]:
    """List each line of a receiver; the others, and how much later those start in the frame."""
    for receiver in receivers:
        start_s = {skew.line: (skew.skew_us.mean or 0.0) / 1e6 for skew in receiver.skews}
        known = [line for line in receiver.lines if line in lines and line in start_s]
        for line in known:
            yield line, {o: start_s[o] - start_s[line] for o in known if o != line}


def _witnessed(own: Renewals, others: list[tuple[Freshness, float]]) -> tuple[BoolArray, BoolArray]:
    """Say which freezes of a line another would show, and in which one did freeze."""
    frame_s = (own.end_s - own.start_s) / np.maximum(own.frames - 1, 1)
    seen, froze = np.zeros(frame_s.size, bool), np.zeros(frame_s.size, bool)
    for other, late_s in others:
        start_s, end_s = own.start_s + late_s, own.end_s + late_s
        middle_s = 0.5 * (start_s + end_s)
        found = other.renewals
        before = np.searchsorted(found.start_s, middle_s) - 1
        frozen = (before >= 0) & (middle_s <= np.append(found.end_s, 0.0)[before])
        fresh = np.searchsorted(other.fresh_at_s, [end_s - frame_s / 2, start_s - frame_s / 2])
        seen |= frozen | (2 * (fresh[0] - fresh[1]) >= own.frames - 1)
        froze |= frozen
    return seen, froze


def _finding(
    lines: Mapping[str, Freshness],
    witnessed: int,
    shared: int,
    alone: Mapping[str, int],
    spans: list[Evidence],
) -> Finding:
    if not witnessed:
        froze = any(found.renewals.first.size for found in lines.values())
        reason = (
            Reason(
                "No freeze came while two lines of one receiver moved, so whether lines share "
                "them is not known.",
                "Move two sticks at once.",
            )
            if froze
            else "No line froze while its stick moved, so there is nothing to share."
        )
        return not_shown(NAME, "%", reason)
    low, high = (100.0 * end for end in binomial_interval(shared, witnessed))
    share = 100.0 * shared / witnessed
    told = f"{shared} of {witnessed} freezes came on several lines at once"
    cause = ": the link or the receiver." if shared else "."
    only = ""
    if alone:
        only = f" Alone: {format_list([f'{n} on {line}' for line, n in alone.items()])}."
    return measured(
        NAME,
        share,
        "%",
        f"{told} (95 %: {low:.3g} to {high:.3g} %){cause}{only}",
        interval=(low, high),
        evidence=tuple(sorted(spans, key=lambda span: span.start_s))[:MAX_SPANS],
    )
