"""What is said about the frame clock: its offset and its drift."""

from __future__ import annotations

from typing import Final

from pwmscope.findings.timing.frame_clock import EVIDENT, FrameClock
from pwmscope.model.definition import Definition
from pwmscope.model.finding import Evidence, Finding, measured, not_shown
from pwmscope.model.uncertainty import CLOCK_TOLERANCE, half_width
from pwmscope.pulses.frame_pattern import describe

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "frame clock offset",
        "How far the frame period is from the round one that it is evidently meant to have: the "
        "error of the receiver's clock, and of the analyser's.",
        "(T / T0 - 1) in ppm, T0 the nearest whole multiple of 100 us, if within 500 ppm; "
        "u^2 = u(T)^2 / T^2 + (100 ppm)^2 / 3",
        "JCGM 100, 4.3.7 and 5.1.2; 100 ppm for an analyser's crystal and round periods: common "
        "practice, from memory",
    ),
    Definition(
        "frame clock drift",
        "Whether the frame period grows or shrinks during the recording, as that of a clock does "
        "which warms up; against the analyser's own clock.",
        "2 c / T^2 with t[n] = a + T n + c n^2, least squares, in ppm per minute; 95 % interval by "
        "Student's t, widened for the clock's random walk; seen where it leaves out zero",
        "ordinary least squares; JCGM 100, G.4.1 (effective degrees of freedom); random walk: own "
        "method",
    ),
)


def clock_findings(
    clock: FrameClock | None, evidence: tuple[Evidence, ...], why_not: str
) -> tuple[Finding, Finding]:
    """Say how the frame clock keeps time.

    Parameters
    ----------
    clock : FrameClock or None
        The clock; None where there is none.
    evidence : tuple of Evidence
        Where it was seen.
    why_not : str
        Why there is no clock; not used where there is one.

    Returns
    -------
    tuple of Finding
        ``frame clock offset`` and ``frame clock drift``.
    """
    if clock is None:
        return (
            not_shown("frame clock offset", "ppm", why_not),
            not_shown("frame clock drift", "ppm/min", why_not),
        )
    return _offset(clock, evidence), _drift(clock, evidence)


def _offset(clock: FrameClock, evidence: tuple[Evidence, ...]) -> Finding:
    offset_ppm, round_us = clock.offset_ppm, clock.round_us
    if offset_ppm is None or round_us is None:
        return not_shown(
            "frame clock offset",
            "ppm",
            f"The frame period, {describe((clock.pattern,))}, is not within "
            f"{EVIDENT * 1e6:.0f} ppm of a whole multiple of 100 us, so it is not evident what it "
            "is meant to be.",
        )
    doubt_ppm = half_width(
        1e6 * clock.period_uncertainty_us / clock.period_us, 1e6 * CLOCK_TOLERANCE
    )
    turn = "frame" if len(clock.pattern) == 1 else f"turn of {len(clock.pattern)} frames"
    seen = (
        "an offset is seen"
        if abs(offset_ppm) > doubt_ppm
        else "no offset is seen: the difference may be the analyser's own"
    )
    than = "more" if offset_ppm > 0 else "less"
    length = f"{abs(offset_ppm):.1f} ppm {than} than " if abs(offset_ppm) >= 0.05 else ""
    return measured(
        "frame clock offset",
        offset_ppm,
        "ppm",
        f"A {turn} takes {length}{round_us / 1e3:g} ms. The analyser's clock is known within "
        f"{CLOCK_TOLERANCE * 1e6:.0f} ppm only, which makes {doubt_ppm:.0f} ppm of doubt (95 %); "
        f"{seen}.",
        uncertainty=clock.offset_uncertainty_ppm,
        interval=(offset_ppm - doubt_ppm, offset_ppm + doubt_ppm),
        evidence=evidence,
    )


def _drift(clock: FrameClock, evidence: tuple[Evidence, ...]) -> Finding:
    if clock.drift is None:
        return not_shown("frame clock drift", "ppm/min", "Fewer than four frames tell no drift.")
    drift = clock.drift
    low, high = drift.interval
    size = max(abs(low), abs(high))
    places = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 4
    range_ = f"{low:.{places}f} to {high:.{places}f} ppm a minute"
    sentence = (
        f"The frame period {'grows' if low > 0 else 'shrinks'} by "
        f"{abs(drift.ppm_per_min):.{places}f} ppm a minute (95 %: {range_}), against the "
        "analyser's clock: either of the two may drift."
        if drift.is_seen
        else f"No drift of the frame clock is seen (95 %: {range_})."
    )
    return measured(
        "frame clock drift",
        drift.ppm_per_min,
        "ppm/min",
        sentence,
        uncertainty=drift.uncertainty,
        interval=drift.interval,
        evidence=evidence,
    )
