"""When the pulses come: frame period, rate, jitter, missing frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pwmscope.bench import Limits
from pwmscope.findings.dwells import Dwells
from pwmscope.findings.finding import Evidence, Finding, Verdict, judge
from pwmscope.findings.moments import Summary, summarise
from pwmscope.findings.record import Record
from pwmscope.findings.uncertainty import largest_floor_us, of_mean_us, sampling_floor_us
from pwmscope.pulses import Flag, PulseTable


@dataclass(frozen=True, slots=True)
class Jitter:
    """Scatter of an interval that ought to repeat, beside what sampling alone gives.

    Parameters
    ----------
    rms, peak_to_peak : float or None
        In microseconds; None where there is nothing to take them from.
    sampling_floor_rms : float or None
        Ts / sqrt(6) in microseconds; None where the sample interval is not known.
    """

    rms: float | None
    peak_to_peak: float | None
    sampling_floor_rms: float | None


@dataclass(frozen=True, slots=True)
class Timing:
    """The timing of one channel.

    Parameters
    ----------
    period_us : Summary
        Frame periods with no frame missing and outside loss spans, in
        microseconds (period of a pulse train, IEEE Std 181).
    frame_rate_hz : float or None
        Reciprocal of the mean period.
    period_jitter_us : Jitter
        Of the same periods about their mean (period jitter, IEEE Std 2414).
    width_jitter_us : Jitter
        Of the width about each dwell's mean, pooled over the dwells; the
        peak-to-peak figure is the largest of any dwell.
    missing_frames : int
        Frames missing outside loss spans.
    glitches : int
        Pulses shorter than the glitch limit, or with a notch bridged.
    findings : tuple of Finding
        ``frame period``, ``clean pulses`` and ``width jitter``.
    """

    period_us: Summary
    frame_rate_hz: float | None
    period_jitter_us: Jitter
    width_jitter_us: Jitter
    missing_frames: int
    glitches: int
    findings: tuple[Finding, ...]


def examine_timing(record: Record) -> Timing:
    """Measure one channel's timing.

    Parameters
    ----------
    record : Record
        The channel.

    Returns
    -------
    Timing
    """
    table, frames, dwells = record.table, record.frames, record.dwells
    periods = record.periods
    steady_us = frames.period_us[periods[~frames.is_gap[periods]]]
    missing = int(frames.missing[periods].sum())
    period_us = summarise(steady_us)
    floor_us = sampling_floor_us(table.sample_interval_us)
    period_jitter = Jitter(
        period_us.std,
        float(np.ptp(steady_us)) if steady_us.size > 1 else None,
        floor_us,
    )
    width_jitter = _width_jitter(dwells, floor_us)
    rate_hz = None if period_us.mean is None else 1e6 / period_us.mean
    glitches = int(np.count_nonzero(table.has(Flag.GLITCH | Flag.NOTCHED)))
    found = (
        _period_finding(table, period_us, rate_hz),
        _clean_finding(table, missing, glitches),
        _jitter_finding(table, dwells, width_jitter, record.limits),
    )
    return Timing(period_us, rate_hz, period_jitter, width_jitter, missing, glitches, found)


def _width_jitter(dwells: Dwells, floor_us: float | None) -> Jitter:
    freedom = int((dwells.count - 1).sum())
    if freedom < 1:
        return Jitter(None, None, floor_us)
    pooled = float(np.sum((dwells.count - 1) * dwells.std_us**2)) / freedom
    return Jitter(pooled**0.5, float(dwells.range_us.max()), floor_us)


def _whole(table: PulseTable, pulses: int) -> tuple[Evidence, ...]:
    if not len(table):
        return ()
    last = len(table) - 1
    return (Evidence(float(table.rise_s[0]), float(table.rise_s[last]), pulses, 0, last),)


def _period_finding(table: PulseTable, period_us: Summary, rate_hz: float | None) -> Finding:
    convention = table.convention
    low_ms, high_ms = convention.period_low_us / 1e3, convention.period_high_us / 1e3
    limit = f"{low_ms:g} to {high_ms:g} ms ({convention.name})"
    if period_us.mean is None or rate_hz is None:
        return Finding("frame period", None, "us", None, limit, Verdict.NOT_SHOWN, (),
                       "Fewer than two frames were seen, so there is no frame period.")  # fmt: skip
    meets = convention.period_low_us <= period_us.mean <= convention.period_high_us
    return Finding(
        "frame period",
        period_us.mean,
        "us",
        of_mean_us(period_us.mean, period_us.std or 0.0, period_us.count, table.sample_interval_us),
        limit,
        Verdict.MEETS if meets else Verdict.DOES_NOT_MEET,
        _whole(table, period_us.count),
        f"Frames come every {period_us.mean / 1e3:.4f} ms, {rate_hz:.3f} a second; "
        f"devices take {low_ms:g} to {high_ms:g} ms.",
    )


def _clean_finding(table: PulseTable, missing: int, glitches: int) -> Finding:
    foreign = int(np.count_nonzero(table.has(Flag.FOREIGN)))
    convention = table.convention
    troubles = [
        f"{count} {what}"
        for count, what in (
            (missing, "missing frames"),
            (glitches, f"glitches shorter than {convention.glitch_us:g} us"),
            (foreign, f"pulses outside {convention.accepted_low_us:g} to "
                      f"{convention.accepted_high_us:g} us"),
        )
        if count
    ]  # fmt: skip
    pulses = int(np.count_nonzero(table.measured))
    sentence = (
        f"{', '.join(troubles)} among {pulses} good pulses."
        if troubles
        else f"All {pulses} pulses are whole: no frame missing, no glitch."
    )
    return Finding(
        "clean pulses",
        float(missing + glitches + foreign),
        "",
        None,
        "no frame missing, no glitch, no pulse out of range",
        Verdict.DOES_NOT_MEET if troubles else Verdict.MEETS,
        _whole(table, pulses),
        sentence,
    )


def _jitter_finding(table: PulseTable, dwells: Dwells, jitter: Jitter, limits: Limits) -> Finding:
    limit = f"at most {limits.jitter_us:g} us RMS (common practice)"
    if jitter.rms is None:
        return Finding(
            "width jitter", None, "us", None, limit, Verdict.NOT_SHOWN, (),
            "The stick never stood still, so the width's jitter is not shown.",
        )  # fmt: skip
    freedom = int((dwells.count - 1).sum())
    # Relative uncertainty of a standard deviation, 1/sqrt(2 v): JCGM 100, E.4.3.
    uncertainty_us = jitter.rms / (2.0 * freedom) ** 0.5
    floor_us = jitter.sampling_floor_rms
    beside = (
        "the sampling floor is not known"
        if floor_us is None
        else f"sampling alone gives {floor_us:.3g} us as a rule and "
        f"{largest_floor_us(table.sample_interval_us):.3g} us at most"
    )
    verdict = judge(jitter.rms, limits.jitter_us, uncertainty_us)
    if verdict is Verdict.DOES_NOT_MEET and (floor_us or 0.0) > limits.jitter_us / 2:
        verdict = Verdict.NOT_SHOWN
        beside += ", too much to judge by: record at a higher sample rate"
    return Finding(
        "width jitter", jitter.rms, "us", uncertainty_us, limit, verdict,
        dwells.evidence[:MOST_SPANS],
        f"With the stick standing still the width scatters by {jitter.rms:.3g} us RMS; {beside}.",
    )  # fmt: skip


MOST_SPANS = 20
"""Most time spans given as evidence for one finding."""
