"""How far the pulses travel: widths, endpoints, neutral, and what is out of convention."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.bench import Limits
from pwmscope.findings.dwells import Dwells
from pwmscope.findings.finding import Evidence, Finding, Verdict, judge
from pwmscope.findings.moments import Summary, mean_of, std_of, summarise
from pwmscope.findings.record import Record
from pwmscope.findings.spans import inside
from pwmscope.findings.uncertainty import of_mean_us
from pwmscope.pulses import Flag, PulseTable

SAME_LEVEL: Final = 0.01
"""Dwells within this part of the convention's span are visits to one level."""
NEUTRAL_REACH: Final = 0.1
"""A dwell this part of the span from the convention's neutral may still be a badly set one."""
LEAST_THROW: Final = 0.05
"""A dwell this part of the span from neutral, or more, was reached by moving the stick."""


@dataclass(frozen=True, slots=True)
class Level:
    """A width that the channel stood at, once or several times.

    Parameters
    ----------
    width_us : float
        Mean over all visits, weighted by their pulses.
    uncertainty_us : float or None
        Standard uncertainty; None where the sample interval is not known.
    visits : tuple of Evidence
        When.
    """

    width_us: float
    uncertainty_us: float | None
    visits: tuple[Evidence, ...]


@dataclass(frozen=True, slots=True)
class Travel:
    """The travel of one channel.

    Parameters
    ----------
    width_us : Summary
        All measured widths outside loss spans, in microseconds.
    low, high, neutral : Level or None
        Endpoints and neutral from dwells; None where the stick never stood there.
    neutral_offset_us : float or None
        Neutral minus the convention's neutral.
    outside_convention : int
        Pulses outside the convention's endpoints by more than a sample interval.
    reasons : dict of str to str
        For each of ``low, high, neutral`` that is None, why.
    findings : tuple of Finding
        ``pulse width range``, ``low endpoint``, ``high endpoint``, ``neutral``.
    """

    width_us: Summary
    low: Level | None
    high: Level | None
    neutral: Level | None
    neutral_offset_us: float | None
    outside_convention: int
    reasons: dict[str, str]
    findings: tuple[Finding, ...]


def examine_travel(record: Record) -> Travel:
    """Measure one channel's travel.

    Parameters
    ----------
    record : Record
        The channel.

    Returns
    -------
    Travel
    """
    table, dwells, limits = record.table, record.dwells, record.limits
    width_us = table.width_us[record.rows]
    outside = table.has(Flag.OUTSIDE) & ~inside(record.losses, table.rise_s)
    neutral, why_not = _neutral(table, dwells)
    low, high, reasons = _endpoints(table, dwells, neutral)
    if neutral is None:
        reasons["neutral"] = why_not
    offset_us = None if neutral is None else neutral.width_us - table.convention.neutral_us
    found = (
        _range_finding(table, width_us, outside, limits),
        _endpoint_finding("low endpoint", low, table, limits, reasons.get("low", "")),
        _endpoint_finding("high endpoint", high, table, limits, reasons.get("high", "")),
        _neutral_finding(neutral, table, limits, reasons.get("neutral", "")),
    )
    return Travel(
        summarise(width_us), low, high, neutral, offset_us, int(np.count_nonzero(outside)),
        reasons, found,
    )  # fmt: skip


def _level_near(table: PulseTable, dwells: Dwells, target_us: float) -> Level:
    same_us = SAME_LEVEL * table.convention.span_us
    near = dwells.select(np.abs(dwells.level_us - target_us) <= same_us)
    weights = near.count / near.count.sum()
    width_us = target_us + float(np.sum(weights * (near.level_us - target_us)))
    # Visits scatter more than pulses within a visit where the stick's spring
    # or the hand returns differently; the larger of the two scatters counts.
    within_us = float(np.sqrt(np.sum(weights * near.std_us**2) / near.count.sum()))
    between_us = std_of(near.level_us) / len(near) ** 0.5 if len(near) > 1 else 0.0
    uncertainty_us = of_mean_us(width_us, max(within_us, between_us), 1, table.sample_interval_us)
    return Level(width_us, uncertainty_us, near.evidence)


def _neutral(table: PulseTable, dwells: Dwells) -> tuple[Level | None, str]:
    """Find the most visited level near the convention's neutral, if it is the channel's rest.

    A channel that neither starts near the centre nor comes back there more
    often, or stays longer, than elsewhere is one-sided: it has no neutral to see.
    """
    span_us = table.convention.span_us
    near = np.abs(dwells.level_us - table.convention.neutral_us) <= NEUTRAL_REACH * span_us
    if not near.any():
        return None, (
            f"The stick never stood within {NEUTRAL_REACH * span_us:.4g} us of "
            f"{table.convention.neutral_us:g} us."
        )
    stay, visits = _company(dwells.level_us, dwells.count, SAME_LEVEL * span_us)
    centre = int(np.where(near, stay, -1).argmax())
    rest = int(stay.argmax())
    if not near[0] and stay[rest] > stay[centre] and visits[rest] >= visits[centre]:
        return None, (
            f"The stick rests at {dwells.level_us[rest]:.0f} us; where it stood near "
            f"{table.convention.neutral_us:g} us it was passing by."
        )
    return _level_near(table, dwells, float(dwells.level_us[centre])), ""


def _company(
    level_us: npt.NDArray[np.float64], count: npt.NDArray[np.int64], same_us: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """For each dwell, pulses and visits within ``same_us`` of its level."""
    order = np.argsort(level_us)
    ordered_us = level_us[order]
    total = np.concatenate([[0], np.cumsum(count[order])])
    low = np.searchsorted(ordered_us, level_us - same_us)
    high = np.searchsorted(ordered_us, level_us + same_us, side="right")
    return total[high] - total[low], high - low


def _endpoints(
    table: PulseTable, dwells: Dwells, neutral: Level | None
) -> tuple[Level | None, Level | None, dict[str, str]]:
    if not len(dwells):
        reason = "The stick never stood still at an end."
        return None, None, {"low": reason, "high": reason}
    least_us, most_us = float(dwells.level_us.min()), float(dwells.level_us.max())
    middle_us = (least_us + most_us) / 2 if neutral is None else neutral.width_us
    throw_us = LEAST_THROW * table.convention.span_us
    reasons: dict[str, str] = {}
    low = high = None
    if least_us <= middle_us - throw_us:
        low = _level_near(table, dwells, least_us)
    else:
        reasons["low"] = _not_held("low", middle_us, throw_us)
    if most_us >= middle_us + throw_us:
        high = _level_near(table, dwells, most_us)
    else:
        reasons["high"] = _not_held("high", middle_us, throw_us)
    return low, high, reasons


def _not_held(end: str, middle_us: float, throw_us: float) -> str:
    return (
        f"The stick was never held at its {end} end: no dwell lies {throw_us:.4g} us or more "
        f"from {middle_us:.0f} us on that side."
    )


def _say_range(table: PulseTable, limits: Limits) -> str:
    low_us, high_us = table.convention.low_us, table.convention.high_us
    return (
        f"{low_us:g} to {high_us:g} us ({table.convention.name}), "
        f"{limits.overshoot_us:g} us over allowed"
    )


def _range_finding(
    table: PulseTable,
    width_us: npt.NDArray[np.float64],
    outside: npt.NDArray[np.bool_],
    limits: Limits,
) -> Finding:
    convention = table.convention
    limit = _say_range(table, limits)
    rows = np.flatnonzero(outside)
    if not width_us.size and not rows.size:
        return Finding(
            "pulse width range", None, "", None, limit, Verdict.NOT_SHOWN, (),
            "No pulse could be measured.",
        )  # fmt: skip
    if not rows.size:
        span = Evidence(
            float(table.rise_s[0]), float(table.rise_s[-1]), int(width_us.size), 0, len(table) - 1
        )
        return Finding(
            "pulse width range", 0.0, "", None, limit, Verdict.MEETS, (span,),
            f"All {width_us.size} pulses lie within {convention.low_us:g} to "
            f"{convention.high_us:g} us: {width_us.min():.1f} to {width_us.max():.1f} us.",
        )  # fmt: skip
    over_us = np.maximum(
        convention.low_us - table.width_us[rows], table.width_us[rows] - convention.high_us
    )
    meets = bool(over_us.max() <= limits.overshoot_us + (table.sample_interval_us or 0.0))
    return Finding(
        "pulse width range", float(rows.size), "", None, limit,
        Verdict.MEETS if meets else Verdict.DOES_NOT_MEET,
        (
            Evidence(
                float(table.rise_s[rows[0]]), float(table.rise_s[rows[-1]]), int(rows.size),
                int(rows[0]), int(rows[-1]),
            ),
        ),
        f"{rows.size} pulses lie outside {convention.low_us:g} to {convention.high_us:g} us; the "
        f"farthest, {table.width_us[rows[over_us.argmax()]]:.1f} us, by {over_us.max():.1f} us.",
    )  # fmt: skip


def _endpoint_finding(
    name: str, level: Level | None, table: PulseTable, limits: Limits, reason: str
) -> Finding:
    convention = table.convention
    limit = _say_range(table, limits)
    if level is None:
        return Finding(name, None, "us", None, limit, Verdict.NOT_SHOWN, (), reason)
    over_us = max(convention.low_us - level.width_us, level.width_us - convention.high_us)
    end_us = convention.low_us if name.startswith("low") else convention.high_us
    return Finding(
        name, level.width_us, "us", level.uncertainty_us, limit,
        judge(over_us, limits.overshoot_us, level.uncertainty_us), level.visits,
        f"The {name} (outermost dwell) is {level.width_us:.1f} us, "
        f"{round(level.width_us - end_us, 1) + 0.0:+.1f} us from {end_us:.4g} us.",
    )  # fmt: skip


def _neutral_finding(
    level: Level | None, table: PulseTable, limits: Limits, reason: str
) -> Finding:
    centre_us = table.convention.neutral_us
    limit = f"{centre_us:g} us within {limits.neutral_us:g} us (common practice)"
    if level is None:
        return Finding("neutral", None, "us", None, limit, Verdict.NOT_SHOWN, (), reason)
    offset_us = level.width_us - centre_us
    return Finding(
        "neutral", level.width_us, "us", level.uncertainty_us, limit,
        judge(abs(offset_us), limits.neutral_us, level.uncertainty_us), level.visits,
        f"Neutral is {level.width_us:.1f} us, {round(offset_us, 1) + 0.0:+.1f} us from "
        f"{centre_us:.4g} us.",
    )  # fmt: skip


def pooled_level_us(dwells: Dwells, span_us: float) -> float | None:
    """Return the level of the channel's longest stay, by pulses, in microseconds.

    Parameters
    ----------
    dwells : Dwells
        The channel's dwells.
    span_us : float
        The convention's span.

    Returns
    -------
    float or None
        None where the channel never stood still.
    """
    if not len(dwells):
        return None
    best = int(dwells.count.argmax())
    near = np.abs(dwells.level_us - dwells.level_us[best]) <= SAME_LEVEL * span_us
    return mean_of(dwells.level_us[near])
