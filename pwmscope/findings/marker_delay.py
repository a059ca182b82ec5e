"""How late the marker line changes, held against the last fresh frame of the outputs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.bench import BUTTON_LATE_S, LEVELS, MAX_LATE_S, Marker
from pwmscope.errors import HintError
from pwmscope.findings.examine import Findings
from pwmscope.findings.failsafe import Loss, marked_losses
from pwmscope.findings.renewals import width_noise_us
from pwmscope.model import (
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    format_line,
    measured,
    not_shown,
    std_of,
    student_quantile,
)
from pwmscope.pulses import PulseTable

NAME: Final = "marker delay"
ONE: Final = "single marker delay"
BACK: Final = "marker delay on return"
MIN_OFFS: Final = 5
"""Fewer times off say too little about their spread."""
LINK_S: Final = 0.05
"""The last fresh frame left the transmitter at most so long before its pulse (common practice,
from memory)."""
SURE: Final = 0.99
"""Of the times off to come, so many lie in the range that the sheet keeps."""
CLEAR: Final = 4.5
"""A width is new where it differs from the one before by so many deviations of the difference."""
QUIET_S: Final = 0.5
"""So long without a fresh frame, and 8 frames, the stick rests or the link is gone."""
QUIET_FRAMES: Final = 8
MIN_RUN_S: Final = 1.0
MIN_RUN: Final = 20
MIN_TURNS: Final = 2
"""A stick that is kept moving turns so often; a ramp to a preset never does."""
EARLY_S: Final = 0.5
"""A marker that changes so much before the outputs is none of this transmitter."""
PRESET_US: Final = 2.0
LEAP: Final = 2.0
"""A preset is reached in one jump, so many times the large steps of the stick."""
ALIKE: Final = 0.05
MOSTLY: Final = 0.6
"""A stick that stands within this part of its range, so often, was let go before the switch."""
_QUARTILE: Final = 0.31864
"""Quarter point of the absolute value of a standard normal variable."""
_BESIDE: Final = 10
_LAST: Final = 3
_RAMP: Final = (
    "The outputs go to their presets slowly, as a stick may. Set the failsafe to hold for the "
    "calibration, and record again."
)
SLOW_CHANCE: Final = 1e-4
"""Chance of calling a steady stick one that slowed down before the switch."""

DEFINITIONS: Final = (
    Definition(
        NAME,
        "How long after the last fresh frame of the outputs the marker shows the transmitter off. "
        "The stick is kept moving, so each frame brings a new width until the link goes. The link "
        "went between that frame and the next. How old the last fresh frame is at any moment is "
        "taken from the time with the link.",
        "d = mean(m - f) - sum(g^2) / (2 sum(g)), m the marker's edge, f the last fresh frame, g "
        "the gaps between fresh frames, less half of h, T times the least step that shows over the "
        "usual one; 95 %: t(n - 1) sqrt(s^2 / n + u_g^2 + h^2 / 4)",
        "age of a renewal process at a random moment (D. R. Cox, Renewal Theory, 1962, from "
        "memory); Student's interval (JCGM 100, G.3, from memory); own algorithm",
    ),
    Definition(
        ONE,
        "Between which delays the marker lies at any single time off, 99 of 100 of them. Its "
        f"longer end has {LINK_S:g} s more for the way through the link (common practice).",
        "d -+ t(n - 1) s sqrt(1 + 1 / n), and so much more for the link",
        "prediction interval of a normal variable (from memory)",
    ),
    Definition(
        BACK,
        "How late the marker is at most when the transmitter is on again, against the first fresh "
        "frame. A light that comes before the link is not late.",
        "mean(n - r) + sum(g^2) / (2 sum(g)) + t(n - 1) s sqrt(1 + 1 / n) + the way through the "
        "link, at least 0; n the marker's edge, r the first fresh frame",
        "as above",
    ),
)


@dataclass(frozen=True, slots=True)
class MarkerDelay:
    """How late a marker is, and what a bench sheet shall keep of it."""

    marker: Marker  # The marker, as it was before
    # shape (n,): When the marker showed the transmitter off, in seconds of the recording
    offs_s: FloatArray
    last_fresh_s: FloatArray  # shape (n,): The last fresh frame before each
    unused: tuple[str, ...]  # Why other times off were not used, each a sentence
    # `marker delay`, `single marker delay`, `marker delay on return`, in seconds
    findings: tuple[Finding, ...]
    # Keys of the sheet's marker with their values in seconds; empty where nothing is shown
    keys: dict[str, float]

    @property
    def is_shown(self) -> bool:
        """Whether the delay was measured."""
        return self.findings[0].value is not None


@dataclass(frozen=True, slots=True)
class _Fresh:
    """The fresh frames of one receiver, on the frame clock of one of its lines."""

    lines: tuple[str, ...]  # Those that move; the frames of the first are the clock
    at_s: FloatArray  # shape (f,): Fresh frames
    pace: FloatArray  # shape (f,): By how many noise deviations the width that moved most changed
    period_s: float
    # shape (r,): First and last place in `at_s` of each stretch in which a stick kept moving
    first: IntArray
    last: IntArray

    @property
    def hidden_s(self) -> float:
        """How far the last fresh frame may stay hidden: a part of a frame, of a step too small."""
        return self.period_s * min(1.0, CLEAR / float(np.median(self.pace)))

    @property
    def gaps_s(self) -> FloatArray:
        """All gaps between fresh frames within the stretches."""
        gap = np.diff(self.at_s)
        inside = np.zeros(gap.size + 1, np.int64)
        np.add.at(inside, self.first, 1)
        np.add.at(inside, self.last, -1)
        return gap[np.cumsum(inside)[:-1] > 0]


def measure_marker(findings: Findings, marker: Marker) -> MarkerDelay:
    """Measure how late a marker changes, from a recording in which a stick kept moving.

    The recording is one by `pwmscope.bench.make_marker_plan`.
    """
    capture = findings.capture
    if marker.line not in capture.lines:
        raise HintError(
            f"There is no line '{marker.line}' in {capture.source}; its lines are "
            f"{', '.join(capture.lines)}."
        )
    if marker.on is None:
        raise HintError(
            f'The level of {marker.line} that means on is not known. Write on = "high" or '
            'on = "low" under [marker].'
        )
    losses = marked_losses(
        capture.lines[marker.line], capture.end_s, findings.channels,
        on_level=LEVELS.index(marker.on), start_s=capture.start_s,
    ).losses  # fmt: skip
    off_s = np.array([loss.lost_s for loss in losses])
    on_s = np.array([loss.back_s for loss in losses if loss.came_back])
    fresh = _fresh_frames(findings, losses)
    if isinstance(fresh, str):
        return _unknown(marker, (), fresh)
    since_s = [max([s for s in on_s.tolist() if s < moment], default=-math.inf) for moment in off_s]
    found = [_last_fresh(fresh, *at) for at in zip(since_s, off_s.tolist(), strict=True)]
    used = np.array([place is not None for place in found], bool)
    unused = tuple(
        f"At {moment:.2f} s no stick moved right up to the loss."
        for moment in off_s[~used].tolist()
    )
    run = np.array([place for place in found if place is not None], np.int64)
    if _moves_while_off(fresh, losses):
        why = (
            f"The outputs move while line {marker.line} shows off. Check `on` of the marker, and "
            "its wire."
        )
        return _unknown(marker, unused, why)
    off_s = off_s[used]
    if off_s.size < MIN_OFFS:
        count = int(off_s.size)
        why = (
            f"The stick moved right up to the loss {count} times; {MIN_OFFS} are needed. Keep it "
            "moving while you switch off."
        )
        return _unknown(marker, unused, why)
    if _stepped(fresh, run):
        return _unknown(marker, unused, _RAMP)
    if _slowed(fresh, run) or _stood_alike(findings, fresh, run):
        why = (
            "The stick stood or slowed down before the switch. When the link went is not shown. "
            "Keep it moving evenly."
        )
        return _unknown(marker, unused, why)
    return _told(marker, fresh, run, (off_s, on_s), unused)


def _unknown(marker: Marker, unused: tuple[str, ...], why: str) -> MarkerDelay:
    none = np.zeros(0)
    findings = tuple(not_shown(name, "s", why) for name in (NAME, ONE, BACK))
    return MarkerDelay(marker, none, none, unused, findings, {})


def _told(
    marker: Marker,
    fresh: _Fresh,
    run: IntArray,
    times_s: tuple[FloatArray, FloatArray],
    unused: tuple[str, ...],
) -> MarkerDelay:
    """Work the delays out of the times off that can be used, and of all times on again."""
    off_s, on_s = times_s
    gap_s = fresh.gaps_s
    age_s = float(np.sum(gap_s**2) / (2.0 * np.sum(gap_s)))
    varied = float(np.sum(gap_s**3) / (3.0 * np.sum(gap_s))) - age_s**2
    last_s = fresh.at_s[fresh.last[run]]
    late_s = off_s - last_s - age_s
    count = late_s.size
    # Few times off may lie alike by chance; the frames alone spread them.
    spread_s = max(std_of(late_s), math.sqrt(0.5 * varied))
    # The newest packet may move the last fresh frame by less than a whole step, and that not show.
    hidden_s = fresh.hidden_s
    u = math.sqrt(spread_s**2 / count + varied / gap_s.size + hidden_s**2 / 4.0)
    mean_s = float(np.mean(late_s)) - 0.5 * hidden_s
    half_s = student_quantile(0.975, count - 1) * u
    reach_s = (
        student_quantile(0.5 + SURE / 2.0, count - 1) * spread_s * math.sqrt(1.0 + 1.0 / count)
    )
    low_s, high_s = mean_s - reach_s, mean_s + reach_s + LINK_S
    evidence = tuple(
        Evidence(min(a, b), max(a, b), 0)
        for a, b in zip(last_s.tolist(), off_s.tolist(), strict=True)
    )
    line = format_line(marker.line)
    said = "late" if mean_s >= 0.0 else "early"
    delay = measured(
        NAME, mean_s, "s",
        f"{line} is {abs(mean_s):.3f} s {said}, over {count} times off (95 %: "
        f"{mean_s - half_s:.3f} to {mean_s + half_s:.3f} s).",
        uncertainty=u, interval=(mean_s - half_s, mean_s + half_s), evidence=evidence,
    )  # fmt: skip
    one = measured(
        ONE, high_s, "s",
        f"Any one time off it is {max(low_s, 0.0):.3f} to {max(high_s, 0.0):.3f} s late.",
        interval=(low_s, high_s),
    )  # fmt: skip
    back, back_s = _back(fresh, run, on_s, off_s, age_s)
    keys = _keys(marker, low_s, high_s, back_s)
    return MarkerDelay(marker, off_s, last_s, unused, (delay, one, back), keys)


def _back(
    fresh: _Fresh, run: IntArray, on_s: FloatArray, off_s: FloatArray, age_s: float
) -> tuple[Finding, float | None]:
    """Tell how late the marker is at most when the transmitter is on again."""
    late = []
    for place, moment in zip(run.tolist(), off_s.tolist(), strict=True):
        after = on_s[on_s > moment]
        later = fresh.at_s[fresh.first[fresh.first > fresh.last[place]]]
        if after.size and later.size:
            late.append(float(after[0] - later[0]) + age_s)
    if len(late) < MIN_OFFS:
        why = f"The outputs moved again after {len(late)} times off; {MIN_OFFS} are needed."
        return not_shown(BACK, "s", why), None
    late_s = np.array(late)
    spread = std_of(late_s) * math.sqrt(1.0 + 1.0 / late_s.size)
    mean_s = float(np.mean(late_s))
    reach_s = student_quantile(0.5 + SURE / 2.0, late_s.size - 1) * max(spread, fresh.period_s)
    most_s = max(0.0, mean_s + reach_s + LINK_S)
    said = (
        f"On again, it changes {-mean_s:.2f} s before the first fresh frame; it is not late."
        if most_s == 0.0
        else f"On again, it is {most_s:.3f} s late at most."
    )
    return measured(BACK, most_s, "s", said, interval=(0.0, most_s)), most_s


def _keys(marker: Marker, low_s: float, high_s: float, back_s: float | None) -> dict[str, float]:
    """Round the delays outward to what a sheet may state; empty where no key can say it."""
    most_s = math.ceil(max(high_s, 0.0) * 1e3) / 1e3
    if marker.kind != "light":
        least_s = 0.0 if marker.kind == "switch" else BUTTON_LATE_S
        return {} if most_s > MAX_LATE_S else {"late_s": max(most_s, least_s)}
    most_s = max(most_s, math.ceil((back_s or 0.0) * 1e3) / 1e3)
    if most_s > MAX_LATE_S:
        return {}
    keys = {"late_s": most_s, "late_least_s": math.floor(max(low_s, 0.0) * 1e3) / 1e3}
    if back_s is not None:
        keys["back_late_s"] = math.ceil(back_s * 1e3) / 1e3
    return keys


def _last_fresh(fresh: _Fresh, since_s: float, off_s: float) -> int | None:
    """Find the moving stretch that ends with the loss which the marker shows; None where none."""
    end_s = fresh.at_s[fresh.last]
    begin_s = max(since_s, off_s - MAX_LATE_S)
    near = np.flatnonzero((end_s >= begin_s) & (end_s <= off_s + EARLY_S))
    if not near.size:
        return None
    place = int(near[-1])
    # The stick moved on through the marker: no loss of this link.
    return None if fresh.last[place] + 1 >= fresh.at_s.size and end_s[place] > off_s else place


def _moves_while_off(fresh: _Fresh, losses: Sequence[Loss]) -> bool:
    """Say whether most of the time marked off shows a stick that moves: on and off are swapped."""
    begin_s, end_s = fresh.at_s[fresh.first], fresh.at_s[fresh.last]
    moved_s = sum(
        float(np.sum(np.clip(np.minimum(end_s, o.back_s) - np.maximum(begin_s, o.lost_s), 0, None)))
        for o in losses
    )
    return moved_s > 0.5 * sum(o.back_s - o.lost_s for o in losses)


def _stepped(fresh: _Fresh, run: IntArray) -> bool:
    """Say whether the last fresh frames came after a pause, most times: steps of the receiver's."""
    gaps_s = np.diff(fresh.at_s)
    inside = np.concatenate(
        [gaps_s[a : b - _LAST] for a, b in zip(fresh.first, fresh.last, strict=True)]
    )
    last_s = np.array([gaps_s[b - _LAST : b].max() for b in fresh.last[run]])
    usual_s = max(1.5 * float(np.quantile(inside, 0.99)), 3.0 * fresh.period_s)
    return float(np.mean(last_s > usual_s)) >= MOSTLY


def _slowed(fresh: _Fresh, run: IntArray) -> bool:
    """Say whether the stick was slower at its last fresh frames than it was all the time."""
    before = np.lib.stride_tricks.sliding_window_view(fresh.pace, _LAST)
    pace = np.median(before, axis=1)  # Of the frames up to, and without, each from the third on
    inside = np.concatenate(
        [np.arange(a + _LAST, b) for a, b in zip(fresh.first, fresh.last, strict=True)]
    )
    # A moment picked by chance falls into long gaps more often than into short ones.
    order = np.argsort(pace[inside - _LAST])
    weight = np.cumsum(np.diff(fresh.at_s)[inside][order])
    ends = np.searchsorted(pace[inside - _LAST][order], pace[fresh.last[run] - _LAST])
    rank = weight[np.minimum(ends, weight.size - 1)] / weight[-1]
    # The mean of n uniform ranks has a mean of 1/2 and a variance of 1 / 12 n.
    z = (0.5 - float(np.mean(rank))) * math.sqrt(12.0 * run.size)
    return 0.5 * math.erfc(z / math.sqrt(2.0)) < SLOW_CHANCE


def _stood_alike(findings: Findings, fresh: _Fresh, run: IntArray) -> bool:
    """Say whether every output that moves stood at one place when the link went, most times."""
    alike = []
    for name in fresh.lines:
        table = findings.channels[name].table
        rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
        at = np.searchsorted(rise_s, fresh.at_s - 0.5 * fresh.period_s)
        seen_us = width_us[np.minimum(at, rise_s.size - 1)]
        range_us = float(np.quantile(seen_us, 0.95) - np.quantile(seen_us, 0.05))
        last_us = seen_us[fresh.last[run]]
        near = np.abs(last_us - np.median(last_us)) <= ALIKE * range_us
        alike.append(float(np.mean(near)) >= MOSTLY)
    return all(alike)


def _fresh_frames(findings: Findings, losses: Sequence[Loss]) -> _Fresh | str:
    """Find the fresh frames of the receiver whose outputs move most, or say why there are none."""
    noises_us = _noises_us(findings)
    moves = {name: _changes(findings, name, noise_us) for name, noise_us in noises_us.items()}
    moves = {name: found for name, found in moves.items() if found[0].size >= MIN_RUN}
    still = "No output keeps moving. Circle a stick all the time while recording."
    if not moves:
        return still
    clock = max(moves, key=lambda name: moves[name][0].size)
    groups = findings.order.grouping.groups
    own = next((group for group in groups if clock in group), (clock,))
    table = findings.channels[clock].table
    rise_s = table.rise_s[table.measured]
    period_s = float(np.median(np.diff(rise_s)))
    pace = np.zeros(rise_s.size)
    turns = np.zeros(rise_s.size, np.int64)
    ramps: list[str] = []
    quiet_s = max(QUIET_S, QUIET_FRAMES * period_s)
    for name in own:
        if name not in moves:
            continue
        kept = _without_presets(moves[name], findings.channels[name].table, noises_us[name], losses)
        if kept is None:
            ramps.append(name)
            continue
        at_s, change = kept
        frame = np.clip(
            np.rint(np.interp(at_s, rise_s, np.arange(rise_s.size))), 0, rise_s.size - 1
        )
        frame = frame.astype(np.int64)
        np.maximum.at(pace, frame, np.abs(change))
        turned = np.diff(np.sign(change), prepend=np.sign(change[:1])) != 0
        np.add.at(turns, frame[turned], 1)
    at = np.flatnonzero(pace > 0.0)
    first, last = _moving_runs(rise_s[at], turns[at], quiet_s)
    if not first.size:
        return _RAMP if ramps else still
    used = [clock, *(name for name in own if name in moves and name not in (clock, *ramps))]
    return _Fresh(tuple(used), rise_s[at], pace[at], period_s, first, last)


def _changes(findings: Findings, name: str, noise_us: float) -> tuple[FloatArray, FloatArray]:
    """When a line's width was new, and by how many deviations of the noise."""
    channel = findings.channels[name].channel
    assert channel is not None
    table, dwells = channel.record.table, channel.record.dwells
    row = np.setdiff1d(np.flatnonzero(table.measured), dwells.stray, assume_unique=True)
    change = np.diff(table.width_us[row]) / (math.sqrt(2.0) * noise_us)
    new = np.abs(change) > CLEAR
    return table.rise_s[row[1:]][new], change[new]


def _noises_us(findings: Findings) -> dict[str, float]:
    """Deviation of a single width of each servo line, from its calmest quarter of changes."""
    found, silent = {}, []
    for name, channel in findings.channels.items():
        if channel.channel is None:
            continue
        table = channel.table
        width_us, rise_s = table.width_us[table.measured], table.rise_s[table.measured]
        calm_us = [width_noise_us(channel.channel.record)]
        for order, terms in ((1, 2.0), (2, 6.0), (3, 20.0)):
            bends_us = np.abs(np.diff(width_us, order))
            # A quarter that does not change at all bounds the noise by half a sample.
            quarter_us = float(np.quantile(bends_us, 0.25)) if bends_us.size else 0.0
            least_us = 0.5 * (table.sample_interval_us or 0.1)
            calm_us.append(max(quarter_us, least_us) / (_QUARTILE * math.sqrt(terms)))
        found[name] = max(0.41 * (table.sample_interval_us or 0.1), min(calm_us))
        if np.count_nonzero(np.diff(rise_s) > QUIET_S) >= 3:
            silent.append(name)
    # What falls silent in a loss may show no rest at all; its neighbours tell the noise.
    least_us = min(found.values(), default=0.0)
    return {name: least_us if name in silent else own for name, own in found.items()}


def _moving_runs(at_s: FloatArray, turns: IntArray, quiet_s: float) -> tuple[IntArray, IntArray]:
    """First and last place of each stretch in which fresh frames come without a long gap."""
    if not at_s.size:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    breaks = np.flatnonzero(np.diff(at_s) > quiet_s)
    first = np.concatenate([[0], breaks + 1]).astype(np.int64)
    last = np.concatenate([breaks, [at_s.size - 1]]).astype(np.int64)
    total = np.concatenate([[0], np.cumsum(turns)])
    long = (last - first >= MIN_RUN) & (at_s[last] - at_s[first] >= MIN_RUN_S)
    long &= total[last + 1] - total[first] >= MIN_TURNS
    return first[long], last[long]


def _without_presets(
    moves: tuple[FloatArray, FloatArray], table: PulseTable, noise_us: float, losses: Sequence[Loss]
) -> tuple[FloatArray, FloatArray] | None:
    """Take out the jumps by which a line enters its preset: those are the receiver's.

    None where it goes there by a ramp, which looks like a stick.
    """
    at_s, change = moves
    rise_s, width_us = table.rise_s[table.measured], table.width_us[table.measured]
    spread_us = PRESET_US + CLEAR * noise_us
    # Where the line stands well before the marker shows on.
    late = [int(np.searchsorted(rise_s, o.lost_s + 0.8 * (o.back_s - o.lost_s))) for o in losses]
    seen = [
        n for n, o in zip(late, losses, strict=True) if n >= _BESIDE and rise_s[n - 1] > o.lost_s
    ]
    if len(seen) < 3:
        return moves
    level_us = np.array([np.median(width_us[n - 5 : n]) for n in seen])
    preset_us = float(np.median(level_us))
    alike = np.abs(level_us - preset_us) <= spread_us
    if np.count_nonzero(alike) < max(3.0, 0.5 * alike.size):
        return moves
    usual_us = float(np.quantile(np.abs(change), 0.9)) * math.sqrt(2.0) * noise_us
    entered, jumps = [], 0
    away = np.abs(width_us - preset_us) > spread_us
    for n in np.array(seen)[alike].tolist():
        before = np.flatnonzero(away[:n])
        if not before.size:
            continue
        out = int(before[-1])
        entry_us = abs(float(width_us[out + 1] - width_us[out]))
        held = out > 0 and abs(float(width_us[out] - width_us[out - 1])) <= spread_us
        jumps += entry_us > 3.0 * spread_us and (held or entry_us > LEAP * usual_us)
        entered.append(float(rise_s[out + 1]))
    if entered and jumps < 0.5 * len(entered):
        return None
    kept = ~np.isin(at_s, np.array(entered))
    return at_s[kept], change[kept]
