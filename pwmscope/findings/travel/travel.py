"""How far the pulses travel: widths, endpoints, neutral, and what is out of convention."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.bench import BenchSheet, Limits, StopBand
from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.levels import (
    Level,
    find_endpoints,
    find_neutral,
    pooled_level_us,
)
from pwmscope.findings.travel.moves import Moves, find_moves
from pwmscope.findings.travel.rest_position import DEFINITIONS as OF_REST
from pwmscope.findings.travel.rest_position import RestPosition, examine_rest
from pwmscope.findings.travel.sides import DEFINITIONS as OF_SIDES
from pwmscope.findings.travel.sides import Sides, examine_sides
from pwmscope.model import (
    COVERAGE,
    Definition,
    Evidence,
    Finding,
    Summary,
    Verdict,
    inside,
    judge,
    summarise,
)
from pwmscope.pulses import Flag, PulseTable

__all__ = ["DEFINITIONS", "Level", "Travel", "examine_travel", "pooled_level_us"]

_LEVEL_SOURCE: Final = (
    "JCGM 100, 4.3.7, 4.3.9 and 5.1.2; JCGM 101, 5.2, from memory; dwells and sampling: own"
)
_LEVEL_FORMULA: Final = (
    "mean of the pulses held within 1 % of the span of it; u^2 = (what sampling leaves of the "
    "mean)^2 + (what was cut off at the dwells' ends)^2 + (100 ppm x level / sqrt(3))^2; "
    "interval: Gaussian and rectangular parts together"
)

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "pulse width range",
        "How many pulses lie outside the widths that the convention allows, by more than a "
        "sample interval: a device may clip them, or take them for no signal.",
        "the count of widths below low - Ts or above high + Ts",
        "IEEE Std 181 (pulse duration at the mid reference level); the range is common practice",
    ),
    Definition(
        "low endpoint",
        "The smallest width at which the stick was held. It is the channel's own end only if "
        "the stick was held at its end.",
        f"the outermost level 5 % of the span or more below neutral: {_LEVEL_FORMULA}",
        _LEVEL_SOURCE,
    ),
    Definition(
        "high endpoint",
        "The largest width at which the stick was held. It is the channel's own end only if "
        "the stick was held at its end.",
        f"the outermost level 5 % of the span or more above neutral: {_LEVEL_FORMULA}",
        _LEVEL_SOURCE,
    ),
    Definition(
        "neutral",
        "The width with the stick let go: what a drive must take for standing still.",
        "the most visited level within 10 % of the span of the convention's neutral, unless "
        "the channel rests elsewhere; or the level nearest to the one marked on the bench "
        f"sheet: {_LEVEL_FORMULA}",
        _LEVEL_SOURCE,
    ),
    *OF_REST,
    *OF_SIDES,
)


@dataclass(frozen=True, slots=True)
class Device:
    """What is known of the device on a line."""

    band: StopBand | None = None  # The widths at which it stands still
    # Whether it stands still in the middle, as a drive does; False for a weapon that turns one way.
    # None where that is not known.
    has_neutral: bool | None = None
    is_listed: bool = True  # False where there is a bench sheet and it says nothing of this line

    @classmethod
    def on(cls, line: str, sheet: BenchSheet | None) -> Device:
        """Look a line up in the bench sheet, if there is one."""
        if sheet is None:
            return UNKNOWN
        channel = sheet.channels.get(line)
        if channel is None:
            return cls(is_listed=False)
        one_way = channel.role == "weapon" and channel.neutral_us is None
        return cls(channel.stop_band, not one_way)


UNKNOWN: Final = Device()
RESTS: Final = 2
"""Of first dwell, last dwell, longest stay and most visits so many must be at what is held against
neutral's limit where nobody says what is on the line."""
EXERCISED: Final = 0.72
"""An outermost dwell nearer to neutral than this part of the throw expected is no end, unless a
plan shows that the stick was held there (own choice)."""


@dataclass(frozen=True, slots=True)
class Travel:
    """The travel of one channel."""

    width_us: Summary  # All measured widths outside loss spans, in microseconds
    # Endpoints and neutral from dwells; None where the stick never stood there
    low: Level | None
    high: Level | None
    neutral: Level | None
    neutral_offset_us: float | None  # Neutral minus the convention's neutral
    # Pulses outside the convention's endpoints by more than a sample interval
    outside_convention: int
    reasons: dict[str, str]  # For each of `low, high, neutral` that is None, why
    sides: Sides  # The travel on each side of neutral, its asymmetry, and reversals
    moves: Moves  # The stretches between dwells
    rest: RestPosition  # Where the channel rests with the stick let go
    # `pulse width range`, `low endpoint`, `high endpoint`, `neutral`, `rest position`, then those
    # of `sides`
    findings: tuple[Finding, ...]


def examine_travel(
    record: Record, marked_neutral_us: float | None = None, device: Device = UNKNOWN
) -> Travel:
    """Measure one channel's travel."""
    table, dwells, limits = record.table, record.dwells, record.limits
    outside = table.has(Flag.OUTSIDE)
    if record.losses:
        outside &= ~inside(record.losses, table.rise_s)
    width_us = summarise(_usable_us(record))
    neutral, why_not = find_neutral(table, dwells, marked_neutral_us)
    low, high, reasons = find_endpoints(table, dwells, neutral)
    if neutral is None:
        reasons["neutral"] = why_not
    offset_us = None if neutral is None else neutral.width_us - table.convention.neutral_us
    moves = find_moves(record)
    sides = examine_sides(record, (low, neutral, high), reasons, moves)
    rest = examine_rest(record, device.band, is_listed=device.is_listed)
    found = (
        _range_finding(table, width_us, outside, limits),
        _endpoint_finding("low endpoint", low, table, limits, reasons.get("low", "")),
        _endpoint_finding("high endpoint", high, table, limits, reasons.get("high", "")),
        _neutral_finding(
            neutral, table, limits, reasons.get("neutral", ""), device=device, rest=rest
        ),
        rest.finding,
        *sides.findings,
    )
    return Travel(
        width_us, low, high, neutral, offset_us, int(np.count_nonzero(outside)), reasons,
        sides, moves, rest, found,
    )  # fmt: skip


def _usable_us(record: Record) -> npt.NDArray[np.float64]:
    """Return the measured widths outside loss spans, without a copy where that is all."""
    if record.losses or record.table.flags.any():
        return record.table.width_us[record.rows]
    return record.table.width_us


def _format_range(table: PulseTable, limits: Limits) -> str:
    low_us, high_us = table.convention.low_us, table.convention.high_us
    return (
        f"{low_us:g} to {high_us:g} us ({table.convention.name}), "
        f"{limits.overshoot_us:g} us over allowed"
    )


def _range_finding(
    table: PulseTable,
    width_us: Summary,
    outside: npt.NDArray[np.bool_],
    limits: Limits,
) -> Finding:
    convention = table.convention
    limit = _format_range(table, limits)
    rows = np.flatnonzero(outside)
    if not width_us.count and not rows.size:
        return Finding(
            "pulse width range", None, "", None, limit, Verdict.NOT_SHOWN, (),
            "No pulse could be measured.",
        )  # fmt: skip
    if not rows.size:
        span = Evidence.of(table.rise_s, 0, len(table) - 1, width_us.count)
        return Finding(
            "pulse width range", 0.0, "", None, limit, Verdict.MEETS, (span,),
            f"All {width_us.count} pulses lie within {convention.low_us:g} to "
            f"{convention.high_us:g} us: {width_us.min:.1f} to {width_us.max:.1f} us.",
        )  # fmt: skip
    over_us = np.maximum(
        convention.low_us - table.width_us[rows], table.width_us[rows] - convention.high_us
    )
    meets = bool(over_us.max() <= limits.overshoot_us + (table.sample_interval_us or 0.0))
    return Finding(
        "pulse width range", float(rows.size), "", None, limit,
        Verdict.MEETS if meets else Verdict.DOES_NOT_MEET,
        (Evidence.of(table.rise_s, int(rows[0]), int(rows[-1]), rows.size),),
        f"{rows.size} pulses lie outside {convention.low_us:g} to {convention.high_us:g} us; the "
        f"farthest, {table.width_us[rows[over_us.argmax()]]:.1f} us, by {over_us.max():.1f} us.",
    )  # fmt: skip


def _doubt(level: Level) -> float | None:
    """Half of half a level's 95 % interval, of which `judge` takes twice."""
    half_us = level.amount.half_us
    return None if half_us is None else half_us / COVERAGE


def _endpoint_finding(
    name: str, level: Level | None, table: PulseTable, limits: Limits, reason: str
) -> Finding:
    convention = table.convention
    limit = _format_range(table, limits)
    if level is None:
        return Finding(name, None, "us", None, limit, Verdict.NOT_SHOWN, (), reason)
    over_us = max(convention.low_us - level.width_us, level.width_us - convention.high_us)
    end_us = convention.low_us if name.startswith("low") else convention.high_us
    verdict = judge(over_us, limits.overshoot_us, _doubt(level))
    exercised_us = EXERCISED * abs(end_us - convention.neutral_us)
    held = abs(level.width_us - convention.neutral_us) >= exercised_us
    said = (
        f"The {name} (outermost dwell) is {level.width_us:.1f} us, "
        f"{round(level.width_us - end_us, 1) + 0.0:+.1f} us from {end_us:.4g} us."
        if held
        else f"The outermost dwell is {level.width_us:.1f} us; the {name} itself is not shown: "
        "either the travel is short, or the stick was not held at its end."
    )
    return Finding(
        name, level.width_us, "us", level.uncertainty_us, limit, verdict, level.visits, said,
        level.amount.interval_us,
    )  # fmt: skip


def _neutral_finding(
    level: Level | None,
    table: PulseTable,
    limits: Limits,
    reason: str,
    *,
    device: Device,
    rest: RestPosition,
) -> Finding:
    centre_us = table.convention.neutral_us
    limit = f"{centre_us:g} us within {limits.neutral_us:g} us (common practice)"
    if device.has_neutral is False:
        limit = ""
    if level is None:
        return Finding("neutral", None, "us", None, limit, Verdict.NOT_SHOWN, (), reason)
    offset_us = level.width_us - centre_us
    said = (
        f"Neutral is {level.width_us:.1f} us, {round(offset_us, 1) + 0.0:+.1f} us from "
        f"{centre_us:.4g} us."
    )
    verdict: Verdict | None = None
    if limit:
        verdict = judge(abs(offset_us), limits.neutral_us, _doubt(level))
        near = np.abs(np.array(rest.rests_us) - level.width_us) <= 0.01 * table.convention.span_us
        rests_here = np.count_nonzero(near) >= RESTS
        if verdict is Verdict.DOES_NOT_MEET and device.has_neutral is None and not rests_here:
            verdict = Verdict.NOT_SHOWN
            said += (
                " Either neutral is off, or the channel rests elsewhere, as a weapon's does; a "
                "bench sheet says which."
            )
    return Finding(
        "neutral", level.width_us, "us", level.uncertainty_us, limit, verdict, level.visits, said,
        level.amount.interval_us,
    )  # fmt: skip
