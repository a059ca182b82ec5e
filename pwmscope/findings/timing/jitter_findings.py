"""What is said about width jitter, period jitter and cycle-to-cycle jitter."""

from __future__ import annotations

from typing import Final

from pwmscope.bench import Limits
from pwmscope.findings.segmentation.dwells import Dwells
from pwmscope.findings.timing.clock_findings import say_floor, say_scatter
from pwmscope.findings.timing.period_jitter import Jitter, Periods
from pwmscope.findings.timing.separation import Separation
from pwmscope.model.definition import Definition
from pwmscope.model.finding import MOST_SPANS, Evidence, Finding, Verdict, measured, not_shown

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "width jitter",
        "How much the pulse width scatters while the stick stands still: a servo hums and a motor "
        "creeps where it is large. What sampling alone gives is taken out.",
        "pooled over dwells, s^2 = sum (n - 1) s_i^2 / sum (n - 1); jitter^2 = s^2 - Ts^2/6 well "
        "above the floor, below by the share of readings outside the two neighbouring ones",
        "JCGM 100, 4.3.7, 4.3.9 and G.4.1; own law of readings near the floor",
    ),
    Definition(
        "period jitter",
        "How much the frame period scatters about its mean, or about its pattern where several "
        "periods interleave. What sampling alone gives is taken out.",
        "RMS of T[n] - mean, n - 1 (one more for each further period of a pattern); "
        "jitter^2 = s^2 - Ts^2/6 well above the floor",
        "IEEE Std 2414 (period jitter), from memory; JCGM 100, 4.3.7, 4.3.9 and G.4.1",
    ),
    Definition(
        "cycle-to-cycle jitter",
        "How much the frame period changes from one frame to the next.",
        "RMS of T[n+1] - T[n] over adjacent regular frames, about zero; the sampling floor, "
        "Ts / sqrt(2), stands beside",
        "IEEE Std 2414 (cycle-to-cycle jitter), from memory",
    ),
)


def width_jitter_finding(
    dwells: Dwells, jitter: Jitter, separation: Separation | None, limits: Limits
) -> Finding:
    """Say how much the width scatters, and whether that meets the limit.

    Parameters
    ----------
    dwells : Dwells
        The channel's dwells.
    jitter : Jitter
        What was measured, pooled over them.
    separation : Separation or None
        The same apart from sampling; None where the stick never stood still.
    limits : Limits
        The limits.

    Returns
    -------
    Finding
        ``width jitter``: the verdict is by the 95 % interval of the receiver's own.
    """
    limit = f"at most {limits.jitter_us:g} us RMS (common practice)"
    if separation is None:
        return not_shown(
            "width jitter",
            "us",
            "The stick never stood still, so the width's jitter is not shown.",
            limit=limit,
        )
    low_us, high_us = separation.interval_us
    verdict = Verdict.NOT_SHOWN
    if high_us <= limits.jitter_us:
        verdict = Verdict.MEETS
    elif low_us > limits.jitter_us:
        verdict = Verdict.DOES_NOT_MEET
    value, unit, uncertainty, interval = _separated(separation)
    return Finding(
        "width jitter",
        value,
        unit,
        uncertainty,
        limit,
        verdict,
        dwells.evidence[:MOST_SPANS],
        separation.sentence("the width while the stick stands still") + _beside(jitter),
        interval,
    )


def period_jitter_finding(
    jitter: Jitter, separation: Separation | None, evidence: tuple[Evidence, ...]
) -> Finding:
    """Say how much the frame period scatters.

    Parameters
    ----------
    jitter : Jitter
        What was measured.
    separation : Separation or None
        The same apart from sampling; None with too few periods.
    evidence : tuple of Evidence
        Where.

    Returns
    -------
    Finding
        ``period jitter``.
    """
    if separation is None:
        return not_shown("period jitter", "us", _TOO_FEW)
    value, unit, uncertainty, interval = _separated(separation)
    sentence = separation.sentence("the frame period") + _beside(jitter)
    return measured(
        "period jitter", value, unit, sentence, uncertainty=uncertainty, interval=interval,
        evidence=evidence,
    )  # fmt: skip


def cycle_jitter_finding(periods: Periods, evidence: tuple[Evidence, ...]) -> Finding:
    """Say how much the frame period changes from one frame to the next.

    Parameters
    ----------
    periods : Periods
        The regular periods.
    evidence : tuple of Evidence
        Where.

    Returns
    -------
    Finding
        ``cycle-to-cycle jitter``.
    """
    change = periods.change
    if change.rms is None:
        return not_shown("cycle-to-cycle jitter", "us", _TOO_FEW)
    return measured(
        "cycle-to-cycle jitter",
        change.rms,
        "us",
        f"From one frame to the next the period changes by {say_scatter(change)}."
        f"{say_floor(change)}",
        uncertainty=periods.change_uncertainty_us,
        evidence=evidence,
    )


_TOO_FEW: Final = "Fewer than two frame periods follow one another outside signal loss."


def _separated(
    separation: Separation,
) -> tuple[float | str, str, float | None, tuple[float, float]]:
    """Return value, unit, uncertainty and interval; a bound in words where none is resolved."""
    low_us, high_us = separation.interval_us
    if separation.jitter_rms_us is None:
        return f"at most {high_us:.3g} us", "", None, separation.interval_us
    return separation.jitter_rms_us, "us", (high_us - low_us) / 4.0, separation.interval_us


def _beside(jitter: Jitter) -> str:
    """Say what was measured, sampling included."""
    spread = (
        ""
        if jitter.percentile_spread is None
        else f", {jitter.percentile_spread:.3g} us from the 2.5th to the 97.5th percentile"
    )
    return (
        f" Measured, sampling included: {jitter.rms or 0.0:.3g} us RMS, "
        f"{jitter.peak_to_peak or 0.0:.3g} us peak to peak{spread}.{say_floor(jitter)}"
    )
