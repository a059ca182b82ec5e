"""When the pulses come: frame period, rate, jitter, the frame clock and what departs from it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record
from pwmscope.findings.timing.frame_clock import OF_CLOCK, FrameClock, clock_findings, fit_clock
from pwmscope.findings.timing.frame_faults import (
    NO_PATTERN,
    OF_FAULTS,
    FrameFaults,
    fault_findings,
    find_faults,
    pattern_finding,
)
from pwmscope.findings.timing.held_pulses import (
    HeldPulses,
    find_held_pulses,
    scatter_of_held,
    worst_excursion,
)
from pwmscope.findings.timing.jitter import (
    OF_JITTER,
    Jitter,
    Periods,
    excursion_finding,
    jitter_of,
    read_periods,
    separate_changes,
    separate_errors,
    separate_periods,
    separated_finding,
    width_jitter_finding,
)
from pwmscope.findings.timing.separation import Separation, separate
from pwmscope.model import (
    CLOCK_TOLERANCE,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Summary,
    Verdict,
    format_us,
    half_width,
    not_shown,
    sampling_floor_us,
)
from pwmscope.pulses import MIN, Flag, Frames, Pattern, PulseTable, describe

OF_PERIOD: Final[tuple[Definition, ...]] = (
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
        "Whether the pulses are whole and in time. Missing, late, extra, too short and out of "
        "range are counted together.",
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
    table: PulseTable, faults: FrameFaults, glitches: int, stray_us: FloatArray, far_us: float
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


DEFINITIONS: Final[tuple[Definition, ...]] = (*OF_PERIOD, *OF_JITTER, *OF_CLOCK, *OF_FAULTS)


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """The timing of one channel."""

    # Frame periods in which no frame is missing, late or extra, outside loss spans, in microseconds
    # (period of a pulse train, IEEE Std 181)
    period_us: Summary
    frame_rate_hz: float | None  # Reciprocal of the mean period
    # Of the same periods about their mean, or about that of their place in the pattern (period
    # jitter, IEEE Std 2414)
    period_jitter_us: Jitter
    # Of the change from one period to the next (cycle-to-cycle jitter, same standard), about the
    # pattern
    cycle_jitter_us: Jitter
    # Of the leading edges about the frame clock (time interval error, same standard)
    time_interval_error_us: Jitter
    # Of the width about each dwell's mean, pooled over the dwells; the peak-to-peak figure is the
    # largest of any dwell
    width_jitter_us: Jitter
    # Period jitter and width jitter apart from sampling; None where there is nothing to take them
    # from
    period_separation: Separation | None
    width_separation: Separation | None
    # The same of cycle-to-cycle jitter and time interval error
    cycle_separation: Separation | None
    error_separation: Separation | None
    # The frame periods that repeat, in order of appearance; empty where most periods follow no
    # pattern, or where there is none
    patterns: tuple[Pattern, ...]
    # The frame clock, with the time interval error of each leading edge; None where there is none
    clock: FrameClock | None
    faults: FrameFaults  # Dropped, late and extra frames
    missing_frames: int  # Frames missing outside loss spans
    glitches: int  # Pulses shorter than the glitch limit, or with a notch bridged
    # `frame period`, `frame pattern`, `frame clock offset`, `frame clock drift`, `clean pulses`,
    # `dropped frames`, `late frames`, `extra frames`, `width jitter`, `worst excursion while held`,
    # `period jitter`, `cycle-to-cycle jitter` and `time interval error`
    findings: tuple[Finding, ...]

    @property
    def own_width_jitter_us(self) -> Jitter:
        """Width jitter with the RMS of the pulses' own, sampling taken out; None if not shown."""
        return _own(self.width_jitter_us, self.width_separation)

    @property
    def own_period_jitter_us(self) -> Jitter:
        """Period jitter with the RMS of the pulses' own, sampling taken out; None if not shown."""
        return _own(self.period_jitter_us, self.period_separation)


def _own(jitter: Jitter, separation: Separation | None) -> Jitter:
    return replace(jitter, rms=None if separation is None else separation.jitter_rms_us)


def examine_timing(record: Record, clock_record: Record | None = None) -> Timing:
    """Measure one channel's timing."""
    table, frames, kept = record.table, record.frames, record.periods
    faults = find_faults(table, frames, record.losses)
    patterns = () if faults.is_irregular else _followed(frames, kept)
    own = read_periods(table, frames, kept)
    steady = record if clock_record is None else clock_record
    follows = steady is not record
    periods = own
    if follows:
        periods = read_periods(steady.table, steady.frames, steady.periods)
    clock = fit_clock(steady.table, steady.frames, steady.periods)
    uneven = _unevenness(clock, faults)
    interval_us = table.sample_interval_us
    separation = separate_periods(periods, interval_us, uneven)
    of_change = separate_changes(periods, separation, interval_us, uneven)
    held = find_held_pulses(record)
    width_jitter, width_separation = _width_jitter(record, held, uneven)
    excursion = worst_excursion(held, table.width_us, interval_us)
    error = _time_interval_error(clock, interval_us)
    of_error = None
    if clock is not None and error.rms is not None:
        of_error = separate_errors(clock.time_error_us, error.rms, interval_us, uneven)
    glitches = int(np.count_nonzero(table.has(Flag.GLITCH | Flag.NOTCHED)))
    seen = _evidence(record, own)
    why_not = NO_PATTERN if faults.is_irregular else _TOO_FEW
    offset, drift = clock_findings(clock, seen, why_not)
    found: tuple[Finding, ...] = (
        period_finding(table, own, patterns),
        pattern_finding(table, frames, kept, patterns),
        offset,
        drift,
        clean_finding(table, faults, glitches, _stray_us(record, held), record.limits.excursion_us),
        *fault_findings(table, frames, faults, kept.size),
        width_jitter_finding(record.dwells.evidence, width_jitter, width_separation, record.limits),
        excursion_finding(excursion, table.rise_s, record.limits),
        separated_finding("period jitter", "the frame period", periods.jitter, separation, seen),
        separated_finding(
            "cycle-to-cycle jitter",
            "the period from one frame to the next",
            periods.change,
            of_change,
            seen,
        ),
        not_shown("time interval error", "us", why_not)
        if clock is None or of_error is None
        else separated_finding(
            "time interval error",
            "the leading edges about a steady clock",
            error,
            of_error,
            seen,
            clock.borders.size,
        ),
    )
    if follows:
        found = tuple(_of_clock(f, steady.table.line, own) for f in found)
    mean_us = own.summary.mean
    return Timing(
        period_us=own.summary,
        frame_rate_hz=None if mean_us is None else 1e6 / mean_us,
        period_jitter_us=periods.jitter,
        cycle_jitter_us=periods.change,
        time_interval_error_us=error,
        width_jitter_us=width_jitter,
        period_separation=separation,
        width_separation=width_separation,
        cycle_separation=of_change,
        error_separation=of_error,
        patterns=patterns,
        clock=clock,
        faults=faults,
        missing_frames=faults.dropped,
        glitches=glitches,
        findings=found,
    )


_OF_CLOCK: Final = {
    "frame clock offset",
    "frame clock drift",
    "period jitter",
    "cycle-to-cycle jitter",
    "time interval error",
}


def _of_clock(finding: Finding, line: str, own: Periods) -> Finding:
    """Say that a figure is that of the frame clock, and how much this line's start moves."""
    if finding.name not in _OF_CLOCK:
        return finding
    moves_us = own.jitter.peak_to_peak or 0.0
    sentence = (
        f"{finding.sentence} That is the receiver's clock, seen on {line}. This line waits for "
        f"the pulses before it, so its own periods range over {format_us(moves_us)}."
    )
    return replace(finding, sentence=sentence)


_TOO_FEW: Final = "Fewer than three frames follow one another outside signal loss."


def _followed(frames: Frames, kept: IntArray) -> tuple[Pattern, ...]:
    """Return the patterns that the periods outside loss spans follow for long enough."""
    if len(frames.patterns) < 2 or not kept.size:
        return frames.patterns if kept.size else ()
    count = np.bincount(frames.pattern[frames.regular(kept)], minlength=len(frames.patterns))
    enough = min(MIN, int(count.max()))
    return tuple(
        pattern for pattern, n in zip(frames.patterns, count, strict=True) if n >= max(enough, 1)
    )


def _unevenness(clock: FrameClock | None, faults: FrameFaults) -> float:
    """Say how far from uniform the edges' phases may be, where no clock tells."""
    if clock is not None:
        return clock.unevenness
    return 0.0 if faults.is_irregular else 1.0


def _width_jitter(
    record: Record, held: HeldPulses, uneven: float
) -> tuple[Jitter, Separation | None]:
    interval_us = record.table.sample_interval_us
    floor_us = sampling_floor_us(interval_us)
    if not held.rows.size:
        return Jitter(None, None, floor_us), None
    whole, parted, slow = scatter_of_held(held, record.table.width_us)
    separation = separate(whole, interval_us, unevenness=uneven)
    if separation is None:
        return Jitter(None, None, floor_us), None
    low_us, high_us = separation.interval_us
    # Whether the width wandered or the stick was moved a little cannot be told.
    if parted is not None and (least := separate(parted, interval_us, unevenness=uneven)):
        low_us = min(low_us, least.interval_us[0])
    if slow is not None and (most := separate(slow, interval_us, unevenness=uneven)):
        high_us = max(high_us, most.interval_us[1])
    separation = replace(separation, interval_us=(low_us, high_us))
    widths_us = record.table.width_us[held.rows]
    begin = np.cumsum(held.count) - held.count
    ranges_us = np.maximum.reduceat(widths_us, begin) - np.minimum.reduceat(widths_us, begin)
    return Jitter(separation.measured_rms_us, float(ranges_us.max()), floor_us), separation


def _stray_us(record: Record, held: HeldPulses) -> FloatArray:
    """How far the stray widths among the held pulses went."""
    if not held.rows.size or not record.dwells.stray.size:
        return np.zeros(0)
    return held.away_us(record.table.width_us)[np.isin(held.rows, record.dwells.stray)]


def _time_interval_error(clock: FrameClock | None, interval_us: float | None) -> Jitter:
    # A single edge is uncertain by a rectangular distribution (JCGM 100, 4.3.7).
    floor_us = None if interval_us is None else interval_us / math.sqrt(12.0)
    if clock is None:
        return Jitter(None, None, floor_us)
    return jitter_of(clock.time_error_us, clock.time_error_rms_us, floor_us)


def _evidence(record: Record, periods: Periods) -> tuple[Evidence, ...]:
    if periods.first is None or periods.last is None:
        return ()
    rise_s = record.table.rise_s
    return (Evidence.of(rise_s, periods.first, periods.last, periods.summary.count),)
