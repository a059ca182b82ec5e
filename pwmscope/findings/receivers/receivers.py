"""Which lines come from one receiver: those that share a frame clock."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pwmscope.findings.receivers.common_clock import Pulses, gather, most_complete
from pwmscope.findings.receivers.ties import MIN_FRAMES, Step, Tie
from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    Definition,
    Evidence,
    Finding,
    format_list,
    format_s,
    format_us,
    measured,
    not_shown,
)


@dataclass(frozen=True, slots=True)
class Receivers:
    """Which lines share a frame clock."""

    # The lines of each receiver, in the recording's order. A line that is not shown to belong to
    # any stands alone.
    groups: tuple[tuple[str, ...], ...]
    # How each line of a group stands to the member that ties it to the group, and how each later
    # group stands to an earlier one
    ties: tuple[Tie, ...]
    # The first line of each group that is not shown to be another receiver's, with the reason
    untold: dict[str, str]
    finding: Finding  # `receivers`


def find_receivers(records: Mapping[str, Record], pulses: Mapping[str, Pulses]) -> Receivers:
    """Group the lines of a recording by their frame clock."""
    left = list(pulses)
    groups: list[tuple[str, ...]] = []
    ties: list[Tie] = []
    strangers: list[dict[str, Tie]] = []
    reasons: dict[str, str] = {}
    while left:
        reference = most_complete([pulses[line] for line in left]).line
        within, others = gather({line: pulses[line] for line in left}, reference)
        group = tuple(line for line in left if line == reference or line in within)
        if strangers:
            between = _between(group, strangers)
            if between.step is Step.NOT_SHOWN:
                reasons[group[0]] = between.reason
            ties.append(between)
        ties.extend(within.values())
        groups.append(group)
        strangers.append(others)
        left = [line for line in left if line not in group]
    few = {
        line: f"it has fewer than {MIN_FRAMES} frames outside signal loss"
        for line in records
        if line not in pulses
    }
    groups += [(line,) for line in few]
    reasons |= few
    place = {line: at for at, line in enumerate(records)}
    ordered = tuple(sorted(groups, key=lambda group: min(place[line] for line in group)))
    found = _finding(ordered, tuple(ties), reasons, records)
    return Receivers(ordered, tuple(ties), reasons, found)


def _between(group: tuple[str, ...], strangers: list[dict[str, Tie]]) -> Tie:
    """Choose what tells a group from all earlier ones; what is not shown comes first."""
    best = [
        min((others[line] for line in group), key=lambda t: t.step is not Step.DRIFTS)
        for others in strangers
    ]
    return max(best, key=lambda t: t.step is Step.NOT_SHOWN)


def _finding(
    groups: tuple[tuple[str, ...], ...],
    ties: tuple[Tie, ...],
    untold_lines: dict[str, str],
    records: Mapping[str, Record],
) -> Finding:
    if len(records) < 2:
        return not_shown(
            "receivers", "", "There is only one servo channel, so there is nothing to compare."
        )
    reasons = [
        f"Whether {format_list(group)} belong{'s' if len(group) == 1 else ''} to "
        "another receiver is "
        f"not shown: {untold_lines[group[0]]}."
        for group in groups
        if group[0] in untold_lines
    ]
    told = [group for group in groups if not (len(group) == 1 and group[0] in untold_lines)]
    if not told or (len(told) == 1 and len(told[0]) == 1):
        return not_shown("receivers", "", " ".join(reasons))
    said = [_format_group(group, ties) for group in told if len(group) > 1]
    said += [_format_apart(t, records) for t in ties if t.step is Step.DRIFTS]
    apart = sum(group[0] not in untold_lines for group in told)
    count = "One receiver" if apart == 1 else f"{apart} receivers"
    return measured(
        "receivers",
        "; ".join(", ".join(group) for group in told),
        "",
        " ".join([f"At least {count.lower()}." if reasons else f"{count}.", *said, *reasons]),
        evidence=_evidence(told, records),
    )


def _format_group(group: tuple[str, ...], ties: tuple[Tie, ...]) -> str:
    inner = [t for t in ties if t.step is Step.KEEPS and t.second in group]
    spread_us = max(t.spread_us or 0.0 for t in inner)
    over_s = min(t.over_s for t in inner)
    chance = max(t.chance or 0.0 for t in inner)
    odds = max(1.0 / chance, 1.0) if chance else math.inf
    seldom = f"in 1 case of {odds:.0f}" if odds < 1e4 else "in less than 1 case of 10000"
    return (
        f"{format_list(group)} keep step within {format_us(spread_us)} over "
        f"{format_s(over_s)}; unrelated "
        f"crystals would do so {seldom}."
    )


def _format_apart(found: Tie, records: Mapping[str, Record]) -> str:
    drift = found.drift_us_per_s or 0.0
    if abs(drift) > 1e4:
        own_us = records[found.second].frames.usual_us or 0.0
        other_us = records[found.first].frames.usual_us or 0.0
        return (
            f"{found.second} has another frame period than {found.first}: {own_us / 1e3:.3f} ms "
            f"against {other_us / 1e3:.3f} ms."
        )
    return f"{found.second} drifts against {found.first} by {format_us(abs(drift))} a second."


def _evidence(groups: list[tuple[str, ...]], records: Mapping[str, Record]) -> tuple[Evidence, ...]:
    """One time span over all the pulses of each receiver; they are no one line's rows."""
    spans = []
    for group in groups:
        tables = [records[line].table for line in group if len(records[line].table)]
        start_s = min(float(t.rise_s[0]) for t in tables)
        end_s = max(float(t.rise_s[-1]) for t in tables)
        spans.append(Evidence(start_s, end_s, sum(len(t) for t in tables)))
    return tuple(spans)


DEFINITIONS: Final = (
    Definition(
        "receivers",
        "Which lines share a frame clock, and so come from one receiver. Lines of one receiver "
        "keep their distance in the frame; those of another have another frame period, or drift "
        "by some parts in a million. Channels follow their own receiver's link only.",
        "d = steadiest of (start to start, end to start) in each frame; drift = least-squares "
        "slope of the medians of d in 32 stretches; one clock if |drift| + 2 u < 0.5 us/s, or "
        "< 2 us/s and |drift| < 4 u; two if |drift| > 10 u and the line explains 95 %; chance "
        "P = 1 - (1 - b / 200 ppm)^2 for a drift bounded by b",
        "own algorithm; the chance from the triangular distribution (JCGM 100, 4.3.9) of two "
        "crystals within 100 ppm each (common practice, from memory)",
    ),
)
