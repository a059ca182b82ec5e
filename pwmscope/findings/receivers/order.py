"""Receivers, the order of their outputs and the skew between them, as findings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pwmscope.findings.receivers.common_clock import (
    MIN_FRAMES,
    Pulses,
    Step,
    Tie,
    gather,
    most_complete,
    pulses_of,
)
from pwmscope.findings.receivers.frame_order import Link, Receiver, Start, arrange
from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    COVERAGE,
    MIN_US,
    Definition,
    Evidence,
    Finding,
    format_list,
    format_range_us,
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
    unknown: dict[str, str]
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
    unknown: dict[str, str],
    records: Mapping[str, Record],
) -> Finding:
    if len(records) < 2:
        return not_shown(
            "receivers", "", "There is only one servo channel, so there is nothing to compare."
        )
    reasons = [
        f"Whether {format_list(group)} belong{'s' if len(group) == 1 else ''} to "
        "another receiver is "
        f"not shown: {unknown[group[0]]}."
        for group in groups
        if group[0] in unknown
    ]
    shown = [group for group in groups if not (len(group) == 1 and group[0] in unknown)]
    if not shown or (len(shown) == 1 and len(shown[0]) == 1):
        return not_shown("receivers", "", " ".join(reasons))
    sentences = [_format_group(group, ties) for group in shown if len(group) > 1]
    sentences += [_format_apart(t, records) for t in ties if t.step is Step.DRIFTS]
    apart = sum(group[0] not in unknown for group in shown)
    count = "One receiver" if apart == 1 else f"{apart} receivers"
    return measured(
        "receivers",
        "; ".join(", ".join(group) for group in shown),
        "",
        " ".join([f"At least {count.lower()}." if reasons else f"{count}.", *sentences, *reasons]),
        evidence=_evidence(shown, records),
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
        f"{format_s(over_s)}. Unrelated "
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


_RECEIVERS_DEFINED: Final = (
    Definition(
        "receivers",
        "Which lines share a frame clock, and so come from one receiver. Lines of one receiver "
        "keep their distance in the frame. Another receiver's lines have another frame period, or "
        "drift by some parts in a million. Channels follow their own receiver's link only.",
        "d = steadiest of (start to start, end to start) in each frame; drift = least-squares "
        "slope of the medians of d in 32 stretches; one clock if |drift| + 2 u < 0.5 us/s, or "
        "< 2 us/s and |drift| < 4 u; two if |drift| > 10 u and the line explains 95 %; chance "
        "P = 1 - (1 - b / 200 ppm)^2 for a drift bounded by b",
        "own algorithm; the chance from the triangular distribution (JCGM 100, 4.3.9) of two "
        "crystals within 100 ppm each (common practice, from memory)",
    ),
)


@dataclass(frozen=True, slots=True)
class Order:
    """Receivers, order and skew of a whole recording."""

    grouping: Receivers  # Which lines belong to one receiver, and how that is known
    receivers: tuple[Receiver, ...]  # Those with at least two lines, in the recording's order
    # `receivers`; then for each receiver `order of channels`, `start of outputs` and, for each line
    # but its first, `skew`
    findings: tuple[Finding, ...]


def examine_order(records: Mapping[str, Record]) -> Order:
    """Find out which lines belong together, in what order they start, and how."""
    pulses = {}
    if len(records) > 1:
        taken = {line: pulses_of(line, record) for line, record in records.items()}
        pulses = {line: found for line, found in taken.items() if found is not None}
    grouping = find_receivers(records, pulses)
    receivers = tuple(
        arrange([pulses[line] for line in group], records[group[0]].table.convention.glitch_us)
        for group in grouping.groups
        if len(group) > 1
    )
    return Order(grouping, receivers, (grouping.finding, *_findings(records, receivers)))


def clock_lines(order: Order) -> dict[str, str]:
    """Say whose output shows the frame clock of each line that waits for others.

    Where outputs start one after another, the start of each but the first moves with the
    widths before it; the receiver's frame clock is that of the first.
    """
    shown: dict[str, str] = {}
    for receiver in order.receivers:
        first = receiver.lines[0]
        for link in receiver.links:
            if link.start is not Start.CHAIN and receiver.start is not Start.CHAIN:
                first = link.second
            else:
                shown[link.second] = first
    return shown


def _findings(
    records: Mapping[str, Record], receivers: tuple[Receiver, ...]
) -> tuple[Finding, ...]:
    if not receivers:
        reason = (
            "There is only one servo channel."
            if len(records) == 1
            else "No two lines are shown to belong to one receiver."
        )
        return (
            not_shown("order of channels", "", reason),
            not_shown("start of outputs", "", reason),
            not_shown("skew", "us", reason),
        )
    return tuple(
        finding
        for receiver in receivers
        for finding in (
            _order_finding(receiver, records),
            _start_finding(receiver, records),
            *(_skew_finding(receiver, at, records) for at in range(1, len(receiver.lines))),
        )
    )


def _order_finding(receiver: Receiver, records: Mapping[str, Record]) -> Finding:
    value = receiver.lines[0]
    for link in receiver.links:
        value += f" + {link.second}" if _inseparable(link) else f", {link.second}"
    first, pause = receiver.lines[0], receiver.pause_us
    begin = f"No pause tells where the frame begins, so the order is told from {first} on."
    if receiver.begins_clearly:
        begin = f"The frame's longest pause comes before {first}."
        if pause.mean is not None and pause.min is not None and pause.max is not None:
            begin = (
                f"The frame's longest pause, {format_us(pause.mean)} "
                f"({format_range_us(pause.min, pause.max)}), comes before {first}."
            )
    same = " A plus joins starts too near to each other to be told apart." if "+" in value else ""
    return measured(
        "order of channels",
        value,
        "",
        f"Outputs start in the order {value}. {begin}{same}",
        evidence=records[first].evidence(receiver.skews[0].rows),
    )


def _inseparable(link: Link) -> bool:
    return link.uncertainty_us is not None and abs(link.after_us) <= COVERAGE * link.uncertainty_us


def _start_finding(receiver: Receiver, records: Mapping[str, Record]) -> Finding:
    lines = format_list(receiver.lines)
    links = receiver.links
    if receiver.start is None:
        return not_shown("start of outputs", "", f"How {lines} start is not shown: {_why(links)}")
    latest_us = receiver.skews[-1].skew_us.mean or 0.0
    shown = {
        Start.TOGETHER: f"{lines} start all together, within {format_us(latest_us)} on "
        "the average.",
        Start.CHAIN: f"{lines} start one after another: {_format_gaps(links)}.",
        Start.SLOTS: (
            f"{lines} start at fixed times in the frame, whatever the widths: the last "
            f"{format_us(latest_us)} after the first."
        ),
        Start.MIXED: f"{lines} start in different ways: {_format_links(links)}.",
    }
    return measured(
        "start of outputs",
        receiver.start.value,
        "",
        shown[receiver.start],
        evidence=records[receiver.lines[0]].evidence(receiver.skews[0].rows),
    )


def _why(links: tuple[Link, ...]) -> str:
    unclear = [link for link in links if link.start is None]
    still = [link.first for link in unclear if link.slope is None]
    if not still:
        link = unclear[0]
        return (
            f"the start of {link.second} follows the width of {link.first} in part only (slope "
            f"{link.slope:.2f})."
        )
    return (
        f"the width of {format_list(still)} did not move enough. With the weapon removed and the "
        "wheels off the ground, record again while each stick moves from end to end."
    )


def _format_gaps(links: tuple[Link, ...]) -> str:
    gaps_us = [link.gap_us.mean or 0.0 for link in links]
    scatter_us = max(link.gap_us.std or 0.0 for link in links)
    low_us, high_us = min(gaps_us), max(gaps_us)
    gap = format_us(low_us) if len(links) == 1 else format_range_us(low_us, high_us)
    return f"each {gap} after the one before ends. The scatter is {format_us(scatter_us)} RMS"


def _format_links(links: tuple[Link, ...]) -> str:
    words = {
        Start.TOGETHER: "with",
        Start.CHAIN: "after the end of",
        Start.SLOTS: "at a fixed time after",
        None: "in a way not shown after",
    }
    return "; ".join(f"{link.second} {words[link.start]} {link.first}" for link in links)


def _skew_finding(receiver: Receiver, at: int, records: Mapping[str, Record]) -> Finding:
    skew, link = receiver.skews[at], receiver.links[at - 1]
    figures = skew.skew_us
    if figures.mean is None or figures.min is None or figures.max is None:
        return not_shown(
            "skew", "us",
            f"{skew.line} and {receiver.lines[0]} never had a pulse in the same frame.",
        )  # fmt: skip
    spread = "the same in every frame"
    if figures.std is not None and figures.max - figures.min > MIN_US:
        spread = f"{format_range_us(figures.min, figures.max)}, {format_us(figures.std)} RMS"
    sentence = f"{skew.line} starts {format_us(figures.mean)} after {receiver.lines[0]} ({spread})."
    if link.start is Start.CHAIN and link.gap_us.std is not None:
        sentence += (
            f" That is no jitter: it waits for the end of {link.first}'s pulse (slope "
            f"{link.slope:.3f}). It scatters about that by {format_us(link.gap_us.std)} RMS."
        )
    return measured(
        "skew",
        figures.mean,
        "us",
        sentence,
        uncertainty=skew.uncertainty_us,
        interval=None
        if skew.reach_us is None
        else (figures.mean - skew.reach_us, figures.mean + skew.reach_us),
        evidence=records[skew.line].evidence(skew.rows),
    )


DEFINITIONS: Final = (
    *_RECEIVERS_DEFINED,
    Definition(
        "order of channels",
        "The order in which a receiver's outputs start their pulses within a frame. The frame "
        "is taken to end with the longest pause between pulses.",
        "lines sorted by the median of (leading edge - first line's leading edge)",
        "common practice; the leading edge by IEEE Std 181",
    ),
    Definition(
        "skew",
        "How much later than its receiver's first output a line starts its pulse. Where outputs "
        "start one after another it changes with the widths of the pulses before; that is no "
        "jitter.",
        "skew = leading edge - leading edge of the first line's pulse in the same frame, "
        "averaged over the n recorded frames; u^2 = 2 v + (1e-4 skew / sqrt(3))^2, v the variance "
        "of the mean sampling error: Ts^2/12 / n, more where edges keep step with the samples",
        "delay between the mid-reference instants of two waveforms, IEEE Std 181; JCGM 100, "
        "4.3.7 and 5.1.2; clauses from memory",
    ),
    Definition(
        "start of outputs",
        "Whether a receiver's outputs start together, each at the end of the one before, or at "
        "fixed times.",
        "b = slope of (start to start) against the width of the pulse before, by least squares; "
        "together if the starts lie within a glitch's width (100 us for the standard servo); "
        "else one after another if |b - 1| < 0.1, at fixed times if |b| < 0.1",
        "own algorithm; least squares as in JCGM 100, H.3 (from memory)",
    ),
)
