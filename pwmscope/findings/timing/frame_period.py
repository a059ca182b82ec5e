"""What is said about frame periods and clean pulses."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.timing.frame_faults import FrameFaults
from pwmscope.findings.timing.jitter import Periods
from pwmscope.model import (
    CLOCK_TOLERANCE,
    Definition,
    Evidence,
    Finding,
    Summary,
    Verdict,
    format_us,
    half_width,
    not_shown,
    sampling_floor_us,
)
from pwmscope.pulses import Flag, Pattern, PulseTable, describe

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "frame period",
        "Time from one frame's leading edge to the next one's. A device that takes 50 frames a "
        "second may overheat or stay still at another rate.",
        "mean of t[n+1] - t[n] over n regular frames, which is (last edge - first edge) / n; "
        "u^2 = (Ts^2/6) / n^2 + (100 ppm T)^2 / 3; 95 % interval of "
        "a normal and a rectangular part",
        "IEEE Std 181 (pulse period); JCGM 100, 4.3.7, 4.3.9 and 5.1.2; periods that devices take: "
        "common practice, from memory",
    ),
    Definition(
        "clean pulses",
        "Whether the pulses are whole and come in time: what is missing, late, extra, too short or "
        "out of range is counted together.",
        "dropped + late + extra frames + glitches + pulses out of the accepted range + widths "
        "that stray too far while held",
        "own algorithm; glitch and range limits: common practice",
    ),
)


def whole(table: PulseTable, pulses: int) -> tuple[Evidence, ...]:
    """Name all pulses of a table as evidence, of which so many were used."""
    if not len(table):
        return ()
    return (Evidence.of(table.rise_s, 0, len(table) - 1, pulses),)


def period_finding(table: PulseTable, periods: Periods, patterns: tuple[Pattern, ...]) -> Finding:
    """Say how often frames come, and whether devices take that."""
    convention, summary = table.convention, periods.summary
    low_ms, high_ms = convention.period_low_us / 1e3, convention.period_high_us / 1e3
    limit = f"{low_ms:g} to {high_ms:g} ms ({convention.name})"
    if summary.mean is None:
        return not_shown(
            "frame period",
            "us",
            "Fewer than two frames were seen, so there is no frame period.",
            limit=limit,
        )
    verdict, outside, near = _held(summary, patterns, table)
    uncertainty_us, reach_us = _doubt_us(summary, table.sample_interval_us)
    several = len(patterns) > 1 or any(len(pattern) > 1 for pattern in patterns)
    often = f" on the average ({describe(patterns)})" if several else ""
    sentence = (
        f"Frames come every {summary.mean / 1e3:.4f} ms{often}, {1e6 / summary.mean:.3f} a second; "
        f"devices take {low_ms:g} to {high_ms:g} ms"
    )
    if near:
        sentence += ". Whether that is met is not shown: the analyser's clock is known to 100 ppm"
    elif verdict is Verdict.NOT_SHOWN:
        sentence += f", and whether they take {outside} ms in between is not shown"
    elif outside and several:
        sentence += f", not {outside} ms"
    return Finding(
        "frame period",
        summary.mean,
        "us",
        uncertainty_us,
        limit,
        verdict,
        whole(table, summary.count),
        f"{sentence}.",
        None if reach_us is None else (summary.mean - reach_us, summary.mean + reach_us),
    )


def _doubt_us(summary: Summary, interval_us: float | None) -> tuple[float | None, float | None]:
    """Return standard uncertainty and half-width of the 95 % interval of a mean period.

    The periods between two edges sum to their distance, so the mean holds the sampling errors
    of two edges only.
    """
    floor_us = sampling_floor_us(interval_us)
    if floor_us is None or summary.mean is None:
        return None, None
    edges_us, clock_us = floor_us / summary.count, CLOCK_TOLERANCE * summary.mean
    return math.hypot(edges_us, clock_us / math.sqrt(3.0)), half_width(edges_us, clock_us)


def _held(
    summary: Summary, patterns: tuple[Pattern, ...], table: PulseTable
) -> tuple[Verdict, str, bool]:
    """Hold the periods against the limits; say which lie outside, and if any is too near one."""
    assert summary.mean is not None
    low_us, high_us = table.convention.period_low_us, table.convention.period_high_us
    means_us = [pattern.mean_us for pattern in patterns] if len(patterns) > 1 else [summary.mean]
    sampled_us = (table.sample_interval_us or 0.0) / max(summary.count, 1)
    reach_us = {mean_us: CLOCK_TOLERANCE * mean_us + sampled_us for mean_us in means_us}
    wrong = [
        mean_us
        for mean_us, reach in reach_us.items()
        if mean_us + reach < low_us or mean_us - reach > high_us
    ]
    if wrong:
        return Verdict.DOES_NOT_MEET, _ms(wrong), False
    near = any(
        mean_us - reach < low_us or mean_us + reach > high_us for mean_us, reach in reach_us.items()
    )
    if near:
        return Verdict.NOT_SHOWN, "", True
    parts = {period for pattern in patterns if len(pattern) > 1 for period in pattern.periods_us}
    between = [period_us for period_us in parts if not low_us <= period_us <= high_us]
    return Verdict.NOT_SHOWN if between else Verdict.MEETS, _ms(between), False


def _ms(values_us: list[float]) -> str:
    return " and ".join(f"{value_us / 1e3:.4g}" for value_us in sorted(values_us))


def clean_finding(
    table: PulseTable,
    faults: FrameFaults,
    glitches: int,
    stray_us: npt.NDArray[np.float64],
    far_us: float,
) -> Finding:
    """Say whether all pulses are whole and in time."""
    convention = table.convention
    foreign = int(np.count_nonzero(table.has(Flag.FOREIGN)))
    late, extra = int(faults.late_row.size), int(faults.extra_row.size)
    counts = (
        (faults.dropped, "missing frames"),
        (late, "late frames"),
        (extra, "extra frames"),
        (glitches, f"glitches shorter than {convention.glitch_us:g} us"),
        (
            foreign,
            f"pulses outside {convention.accepted_low_us:g} to {convention.accepted_high_us:g} us",
        ),
        (int(np.count_nonzero(stray_us > far_us)), f"widths that stray more than {far_us:g} us"),
    )
    troubles = [f"{count} {what}" for count, what in counts if count]
    pulses = int(np.count_nonzero(table.measured))
    if troubles:
        sentence = f"{', '.join(troubles)} among {pulses} good pulses."
    elif faults.is_irregular:
        sentence = f"All {pulses} pulses are whole: no glitch; no frame clock tells late frames."
    else:
        sentence = f"All {pulses} pulses are whole: no frame missing, late or extra, no glitch."
    if stray_us.size and not np.any(stray_us > far_us):
        sentence += (
            f" {stray_us.size} widths stray while held, by up to {format_us(stray_us.max())}."
        )
    return Finding(
        "clean pulses",
        float(sum(count for count, _ in counts)),
        "",
        None,
        "no frame missing, late or extra, no glitch, no pulse out of range, no stray width",
        Verdict.DOES_NOT_MEET if troubles else Verdict.MEETS,
        whole(table, pulses),
        sentence,
    )
