"""Receivers, the order in which their outputs start, and how much later each."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from pwmscope.findings.receivers.common_clock import (
    MAX_FRAMES,
    MIN_FRAMES,
    Pulses,
    Step,
    Tie,
    gather,
    most_complete,
    pair,
    pulses_of,
    spread_out,
    usual_offset,
)
from pwmscope.findings.segmentation import Record
from pwmscope.findings.timing import variance_of_mean
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    FROM_MAD,
    MIN_US,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Summary,
    at_once,
    format_list,
    format_range_us,
    format_s,
    format_us,
    half_width,
    mean_of,
    measured,
    median_of,
    not_shown,
    of_mean_us,
    sampling_floor_us,
    std_of,
    summarise,
)
from pwmscope.pulses import shelved, taken

SLOPE_NEAR: Final = 0.1
"""A slope this near to 1 follows the width; this near to 0 does not depend on it."""
OUTLIER: Final = 8.0
"""A distance farther from the line than this many robust deviations is left out of the fit."""
_ENOUGH: Final = 4096
"""Frames that are enough to find the robust deviation."""


class Start(StrEnum):
    """How one output's pulse starts after another's."""

    TOGETHER = "all together"
    CHAIN = "one after another"
    SLOTS = "at fixed times"
    MIXED = "in different ways"


@dataclass(frozen=True, slots=True)
class Link:
    """How the pulse of one line starts after that of the line before it in the frame."""

    # The lines, neighbours in the frame
    first: str
    second: str
    start: Start | None  # `TOGETHER`, `CHAIN` or `SLOTS`; None where it is not shown
    after_us: float  # Mean time from start to start
    # Its standard uncertainty; None where the sample interval is not known
    uncertainty_us: float | None
    # From the end of the first pulse to the start of the second; negative where they overlap
    gap_us: Summary
    # Change of the start per change of the first pulse's width; None where that width did not move
    # enough to tell
    slope: float | None
    slope_uncertainty: float | None  # Its standard uncertainty

    @property
    def is_at_once(self) -> bool:
        """Whether the two starts cannot be told apart."""
        doubt_us = self.uncertainty_us
        return doubt_us is not None and abs(self.after_us) <= COVERAGE * doubt_us

    def abuts(self, near_us: float) -> bool:
        """Say whether the second pulse begins within ``near_us`` of the first one's end."""
        return abs(self.gap_us.mean or 0.0) < near_us


@dataclass(frozen=True, slots=True)
class _Timed:
    """When the pulses of a line start in the frames of its receiver."""

    line: Pulses
    # shape (n_frames,): After the first line's, and how wide; NaN where a frame has none
    start_us: FloatArray
    width_us: FloatArray
    skew: Skew


def _link(first: _Timed, second: _Timed, near_us: float) -> Link:
    """Say how one line's pulses start after another's."""
    start_us = second.start_us - first.start_us
    both = np.flatnonzero(np.isfinite(start_us))
    start_us, width_us = taken(start_us, both), taken(first.width_us, both)
    interval_us = first.line.interval_us
    after_us = mean_of(start_us)
    std_us = std_of(start_us) if start_us.size > 1 else 0.0
    slope, doubt = _slope(width_us, start_us, interval_us)
    if doubt > SLOPE_NEAR / 2:
        slope = None
    start: Start | None = None
    if abs(after_us) < near_us:
        start = Start.TOGETHER
    elif slope is not None and abs(slope - 1.0) < SLOPE_NEAR:
        start = Start.CHAIN
    elif slope is not None and abs(slope) < SLOPE_NEAR:
        start = Start.SLOTS
    return Link(
        first.line.line,
        second.line.line,
        start,
        after_us,
        of_mean_us(after_us, std_us, start_us.size, interval_us),
        summarise(start_us - width_us),
        slope,
        None if slope is None else doubt,
    )


def overall(links: tuple[Link, ...], near_us: float) -> Start | None:
    """Say how all outputs of a receiver start, from what each pair of neighbours does.

    A pair that does not show it, because no width moved, but abuts goes with
    the others where those are a chain; any other such pair leaves it open.
    """
    kinds = {found.start for found in links}
    if kinds == {Start.TOGETHER}:
        all_us = sum(found.after_us for found in links)
        return Start.TOGETHER if all_us < near_us else Start.SLOTS
    if kinds == {Start.CHAIN, None}:
        unshown = [found for found in links if found.start is None]
        return Start.CHAIN if all(found.abuts(near_us) for found in unshown) else None
    if None in kinds or not kinds:
        return None
    return kinds.pop() if len(kinds) == 1 else Start.MIXED


def _slope(
    width_us: FloatArray, start_us: FloatArray, interval_us: float | None
) -> tuple[float | None, float]:
    """Fit a straight line, once more without outliers; return its slope and its uncertainty."""
    slope, doubt, left_us = _fit(width_us, start_us, interval_us)
    if slope is None:
        return None, doubt
    off_us = np.abs(left_us)
    some_us = off_us[:: max(1, off_us.size // _ENOUGH)]
    usual_us = FROM_MAD * median_of(some_us) + (interval_us or 0.0)
    kept = off_us <= OUTLIER * usual_us
    if not kept.all():
        slope, doubt, _ = _fit(width_us[kept], start_us[kept], interval_us)
    return slope, doubt


def _fit(
    width_us: FloatArray, start_us: FloatArray, interval_us: float | None
) -> tuple[float | None, float, FloatArray]:
    """Fit a straight line; return its slope, that one's uncertainty, and what it leaves."""
    if width_us.size < 3:
        return None, math.inf, start_us
    lever_us, off_us = width_us - mean_of(width_us), start_us - mean_of(start_us)
    spread = float(np.sum(lever_us**2))
    if spread <= 0.0:
        return None, math.inf, off_us
    slope = float(np.sum(lever_us * off_us)) / spread
    left_us = off_us - slope * lever_us
    floor = (sampling_floor_us(interval_us) or 0.0) ** 2
    scatter = float(np.sum(left_us**2)) / (width_us.size - 2) + floor
    # Start and width share the first pulse's leading edge, whose sampling error, with half
    # the floor's variance, makes them seem to depend on one another.
    shared = floor / 2.0 / (spread / width_us.size)
    return slope, math.hypot(math.sqrt(scatter / spread), shared), left_us


CLEAR_PAUSE: Final = 1.2
"""The frame ends with its longest pause, if that is this much longer than the next."""


@dataclass(frozen=True, slots=True)
class Skew:
    """Start of one line's pulse after that of the first line of its receiver."""

    line: str  # The line
    skew_us: Summary  # Over the frames that have both pulses; nothing but 0 for the first line
    # Standard uncertainty of the mean; None where the sample interval is not known
    uncertainty_us: float | None
    reach_us: float | None  # Half-width of the 95 % interval of the mean; None as well
    rows: IntArray  # shape (n,): Rows of the line's pulses that were used


@dataclass(frozen=True, slots=True)
class Receiver:
    """The lines of one receiver in the order in which their pulses start."""

    lines: tuple[str, ...]  # In that order
    period_us: float  # Mean frame period
    skews: tuple[Skew, ...]  # One for each line, in order
    links: tuple[Link, ...]  # One for each pair of neighbours
    start: Start | None  # How the outputs start; None where it is not shown
    pause_us: Summary  # From the end of a frame's last pulse to the start of the next frame
    # Whether one pause is longer than all others, so that it tells where the frame begins;
    # otherwise the order starts with the recording's first line
    begins_clearly: bool


def arrange(lines: list[Pulses], near_us: float) -> Receiver:
    """Bring the lines of one receiver into the order of their starts, and measure those."""
    lines, offset_us, begins_clearly = _in_order(lines)
    first = lines[0]
    own = {line.line: (line, offset) for line, offset in zip(lines, offset_us, strict=True)}
    size = sum(line.rise_s.size for line in lines)

    def timed(name: str) -> _Timed:
        line, offset = own[name]
        if line is first:
            at, start_us = np.arange(first.rise_s.size), np.zeros(first.rise_s.size)
            return _Timed(line, start_us, first.width_us, _skew(first, first, at, start_us))
        at = pair(first.rise_s, line.rise_s, offset, first.period_us)
        absent = np.flatnonzero(at < 0)
        start_us, width_us = line.rise_s[at] - first.rise_s, line.width_us[at]
        start_us *= 1e6
        start_us[absent] = width_us[absent] = np.nan
        skew = _skew(first, line, at, start_us)
        return _Timed(line, shelved(start_us), shelved(width_us), skew)

    found = list(at_once(timed, own, size).values())
    after = {later.line.line: (before, later) for before, later in itertools.pairwise(found)}
    links = at_once(lambda name: _link(*after[name], near_us), after, size)
    return Receiver(
        tuple(own),
        first.period_us,
        tuple(line.skew for line in found),
        tuple(links.values()),
        overall(tuple(links.values()), near_us),
        _pause(first, found),
        begins_clearly,
    )


def _skew(first: Pulses, line: Pulses, at: IntArray, start_us: FloatArray) -> Skew:
    paired = np.flatnonzero(at >= 0)
    sampling_us = _sampling_us(first, taken(first.rise_s, paired))
    skew_us = summarise(taken(start_us, paired))
    uncertainty_us = reach_us = None
    if sampling_us is not None:
        # A distance k + f sample intervals long is read with a variance of f (1 - f), not 1/6.
        read = min((skew_us.std or 0.0) / (line.interval_us or 1.0), 0.5)
        few = math.sqrt(min(skew_us.count, MAX_FRAMES) / max(skew_us.count, 1))
        sampling_us *= few * max(1.0, read * math.sqrt(6.0))
        clock_us = CLOCK_TOLERANCE * abs(skew_us.mean or 0.0)
        uncertainty_us = math.hypot(sampling_us, clock_us / math.sqrt(3.0))
        reach_us = half_width(sampling_us, clock_us)
    return Skew(line.line, skew_us, uncertainty_us, reach_us, shelved(line.rows[taken(at, paired)]))


def _sampling_us(first: Pulses, rise_s: FloatArray) -> float | None:
    """Return the standard uncertainty of two edges' mean distance that sampling brings."""
    if first.interval_us is None or rise_s.size < 2:
        return None
    rise_s = spread_out(rise_s)
    rise_us = (rise_s - rise_s[0]) * 1e6
    frame = np.rint(rise_us / first.period_us)
    lever = frame - frame.mean()
    slope_us = float(lever @ rise_us / (lever @ lever)) if lever.any() else first.period_us
    line_us = rise_us.mean() + slope_us * lever
    rms_us = float(np.sqrt(np.mean((rise_us - line_us) ** 2)))
    return math.sqrt(2.0 * variance_of_mean(line_us, rms_us, first.interval_us))


def _pause(first: Pulses, lines: list[_Timed]) -> Summary:
    """Summarise what is left of each whole frame after the end of its last pulse."""
    end_us = lines[0].start_us + lines[0].width_us
    for line in lines[1:]:
        end_us = np.maximum(end_us, line.start_us + line.width_us)
    frame_us = np.diff(first.rise_s) * 1e6
    pause_us = frame_us - end_us[:-1]
    whole = np.isfinite(pause_us) & (np.abs(frame_us / first.period_us - 1.0) < 0.5)
    return summarise(pause_us[whole])


def _in_order(lines: list[Pulses]) -> tuple[list[Pulses], list[float], bool]:
    """Sort lines by their starts after the frame's longest pause; give those starts."""
    reference = most_complete(lines)
    period_us = reference.period_us
    frame_s = spread_out(reference.rise_s)
    phase_us = np.array([_phase_us(frame_s, reference, line) for line in lines])
    usual_us = np.array([mean_of(line.width_us) for line in lines])
    order = np.argsort(phase_us, kind="stable")
    pause_us = _pauses_us(phase_us[order], usual_us[order], period_us)
    longest = int(np.argmax(pause_us))
    others_us = np.delete(pause_us, longest)
    begins_clearly = bool(pause_us[longest] > CLEAR_PAUSE * max(float(others_us.max()), 0.0))
    if not begins_clearly:
        longest = int(np.flatnonzero(order == 0)[0])
    order = np.roll(order, -longest)
    offset_us = (phase_us[order] - phase_us[order[0]]) % period_us
    return [lines[at] for at in order], [float(offset) for offset in offset_us], begins_clearly


def _phase_us(frame_s: FloatArray, reference: Pulses, line: Pulses) -> float:
    """Median start of a line's pulse in the reference's frame."""
    if line is reference:
        return 0.0
    period_us = reference.period_us
    offset_us, _ = usual_offset(frame_s, line.rise_s, period_us)
    partner = pair(frame_s, line.rise_s, offset_us, period_us)
    start_us = (line.rise_s[partner] - frame_s)[partner >= 0] * 1e6
    return median_of(start_us) % period_us


def _pauses_us(phase_us: FloatArray, width_us: FloatArray, period_us: float) -> FloatArray:
    """Time from the end of all pulses before to each start; negative inside one.

    The starts are in order; those that come later in the frame began a period ago.
    """
    place = np.arange(phase_us.size)
    ago_us = np.where(place[None, :] < place[:, None], 0.0, period_us)
    pauses_us: FloatArray = phase_us - np.max(phase_us + width_us - ago_us, axis=1)
    return pauses_us


@dataclass(frozen=True, slots=True)
class Receivers:
    """Which lines share a frame clock."""

    # The lines of each receiver, in the recording's order. A line that is not shown to belong to
    # any stands alone.
    groups: tuple[tuple[str, ...], ...]
    # How each line of a group stands to the member that ties it to the group, and how each later
    # group stands to an earlier one
    ties: tuple[Tie, ...]
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
    return Receivers(ordered, tuple(ties), found)


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
        size = sum(len(record.table) for record in records.values())
        taken = at_once(lambda line: pulses_of(line, records[line]), records, size)
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
        value += f" + {link.second}" if link.is_at_once else f", {link.second}"
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
