"""Which freezes the lines of one receiver share: the link's, or one channel's alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.freshness.freshness import Freshness
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
        "The share of freezes that came on two lines of one receiver in the same frames, of those "
        "that two lines could show since both moved. Shared ones are the link's or the "
        "receiver's. One on a line alone comes from before the link: its stick or its channel.",
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
    lines: Mapping[str, Freshness], groups: tuple[tuple[str, ...], ...]
) -> SharedFreezes:
    """Find out which freezes the lines of one receiver share."""
    witnessed = shared = 0
    alone: dict[str, int] = {}
    spans: list[Evidence] = []
    for line, others in _groups(lines, groups):
        seen, froze = _witnessed(lines[line], [lines[other] for other in others])
        witnessed += int(np.count_nonzero(seen))
        shared += int(np.count_nonzero(froze))
        if lonely := int(np.count_nonzero(seen & ~froze)):
            alone[line] = lonely
        spans += [
            Evidence(float(lines[line].renewals.start_s[k]), float(lines[line].renewals.end_s[k]), 0)
            for k in np.flatnonzero(froze)[:MAX_SPANS]
        ]
    found = _finding(lines, witnessed, shared, alone, spans)
    return SharedFreezes(witnessed, shared, alone, (found,))


def _groups(
    lines: Mapping[str, Freshness], groups: tuple[tuple[str, ...], ...]
) -> Iterator[tuple[str, list[str]]]:
    """List each line of a receiver with the others of it."""
    for group in groups:
        known = [line for line in group if line in lines]
        for line in known if len(known) > 1 else ():
            yield line, [other for other in known if other != line]


def _witnessed(own: Freshness, others: list[Freshness]) -> tuple[BoolArray, BoolArray]:
    """Say which freezes of a line another would show, and in which one did freeze."""
    start_s, end_s = own.renewals.start_s, own.renewals.end_s
    middle_s = 0.5 * (start_s + end_s)
    seen, froze = np.zeros(middle_s.size, bool), np.zeros(middle_s.size, bool)
    for other in others:
        found = other.renewals
        before = np.searchsorted(found.start_s, middle_s) - 1
        frozen = (before >= 0) & (middle_s <= np.append(found.end_s, 0.0)[before])
        told = np.searchsorted(other.told_at_s, end_s) > np.searchsorted(other.told_at_s, start_s)
        seen |= frozen | told
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
            "No freeze came while two lines of one receiver moved, so whether lines share them is "
            "not known. Move two sticks at once."
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
