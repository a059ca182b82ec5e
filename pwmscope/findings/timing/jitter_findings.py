"""What is said about the jitter of widths, periods and edges."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.bench import Limits
from pwmscope.findings.timing.held_pulses import Excursion
from pwmscope.findings.timing.jitter import Jitter
from pwmscope.findings.timing.separation import Separation
from pwmscope.model import (
    MAX_SPANS,
    Definition,
    Evidence,
    Finding,
    Verdict,
    format_us,
    measured,
    not_shown,
)

EXCURSION: Final = "worst excursion while held"
DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "width jitter",
        "How much the pulse width scatters while the stick stands still, stray widths included: a "
        "servo hums and a motor creeps where it is large. What sampling alone gives is taken out.",
        "pooled over holds, s^2 = sum (n - 1) s_i^2 / sum (n - 1); jitter^2 = s^2 - Ts^2/6 well "
        "above the floor, below by the share of readings outside the two neighbouring ones; "
        "95 % interval: of the recorded pulses' own jitter",
        "JCGM 100, 4.3.7, 4.3.9 and 5.1.2; own law of readings near the floor",
    ),
    Definition(
        EXCURSION,
        "How far a single width went from its level while the stick stood still, stray widths "
        "included: a servo twitches, and a motor may start, by one wrong pulse.",
        "greatest |w - mean of its hold|, and its 99.9 % quantile; each reading is right within Ts",
        "own definition; 20 us is a narrow ESC deadband (common practice, from memory)",
    ),
    Definition(
        "period jitter",
        "How much the frame period scatters about its mean, or about its pattern where several "
        "periods interleave. What sampling alone gives is taken out.",
        "RMS of T[n] - mean, n - 1 (one more for each further period of a pattern); "
        "jitter^2 = s^2 - Ts^2/6 well above the floor",
        "IEEE Std 2414 (period jitter), from memory; JCGM 100, 4.3.7, 4.3.9 and 5.1.2",
    ),
    Definition(
        "cycle-to-cycle jitter",
        "How much the frame period changes from one frame to the next. What sampling alone "
        "gives is taken out.",
        "RMS of T[n+1] - T[n] over adjacent regular frames, about zero; jitter^2 = s^2 - Ts^2/2 "
        "well above the floor",
        "IEEE Std 2414 (cycle-to-cycle jitter), from memory; JCGM 100, 4.3.7 and 5.1.2",
    ),
    Definition(
        "time interval error",
        "How far the leading edges lie from the steady clock that fits them best. Unlike period "
        "jitter it shows a clock that wanders slowly. What sampling alone gives is taken out.",
        "TIE[n] = t[n] - (a + T n), least squares, n counted across gaps; RMS = "
        "sqrt(sum TIE^2 / (edges - 2)), one less for each new start of the clock; "
        "jitter^2 = RMS^2 - Ts^2/12; the spread is from the 2.5th to the 97.5th percentile",
        "IEEE Std 2414 (time interval error), from memory; JCGM 100, 4.3.7 and 5.1.2",
    ),
)


def width_jitter_finding(
    evidence: tuple[Evidence, ...], jitter: Jitter, separation: Separation | None, limits: Limits
) -> Finding:
    """Say how much the width scatters, and whether that meets the limit."""
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
        evidence[:MAX_SPANS],
        separation.sentence("the width while the stick stands still") + _beside(jitter),
        interval,
    )


def excursion_finding(
    excursion: Excursion | None, rise_s: npt.NDArray[np.float64], limits: Limits
) -> Finding:
    """Say how far single widths strayed while the stick was held, and whether that is too far."""
    limit = f"at most {limits.excursion_us:g} us (common practice)"
    if excursion is None:
        return not_shown(
            EXCURSION, "us",
            "The stick never stood still, so no width is shown to stray.", limit=limit,
        )  # fmt: skip
    low_us, high_us = excursion.interval_us
    verdict = Verdict.NOT_SHOWN
    if high_us <= limits.excursion_us:
        verdict = Verdict.MEETS
    elif low_us > limits.excursion_us:
        verdict = Verdict.DOES_NOT_MEET
    return Finding(
        EXCURSION,
        excursion.peak_us,
        "us",
        None,
        limit,
        verdict,
        (Evidence.of(rise_s, excursion.row, excursion.row),),
        f"While held, one of {excursion.count} widths strays "
        f"{format_us(excursion.peak_us)} from its "
        f"level, at {rise_s[excursion.row]:.3f} s. 99.9 % stay within "
        f"{format_us(excursion.usual_us)}.",
        excursion.interval_us,
    )


def period_jitter_finding(
    jitter: Jitter, separation: Separation | None, evidence: tuple[Evidence, ...]
) -> Finding:
    """Say how much the frame period scatters."""
    if separation is None:
        return not_shown("period jitter", "us", _TOO_FEW)
    value, unit, uncertainty, interval = _separated(separation)
    sentence = separation.sentence("the frame period") + _beside(jitter)
    return measured(
        "period jitter", value, unit, sentence, uncertainty=uncertainty, interval=interval,
        evidence=evidence,
    )  # fmt: skip


def cycle_jitter_finding(
    change: Jitter, separation: Separation | None, evidence: tuple[Evidence, ...]
) -> Finding:
    """Say how much the frame period changes from one frame to the next."""
    if separation is None:
        return not_shown("cycle-to-cycle jitter", "us", _TOO_FEW)
    value, unit, uncertainty, interval = _separated(separation)
    sentence = separation.sentence("the period from one frame to the next") + _beside(change)
    return measured(
        "cycle-to-cycle jitter", value, unit, sentence, uncertainty=uncertainty,
        interval=interval, evidence=evidence,
    )  # fmt: skip


def time_error_finding(
    error: Jitter, separation: Separation, starts: int, evidence: tuple[Evidence, ...]
) -> Finding:
    """Say how far leading edges lie from a steady clock."""
    value, unit, uncertainty, interval = _separated(separation)
    sentence = separation.sentence("the leading edges about a steady clock")
    if starts:
        sentence += f" The clock starts anew {'once' if starts == 1 else f'{starts} times'}."
    return measured(
        "time interval error", value, unit, sentence + _beside(error), uncertainty=uncertainty,
        interval=interval, evidence=evidence,
    )  # fmt: skip


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
        f"{jitter.peak_to_peak or 0.0:.3g} us peak to peak{spread}.{_floor(jitter)}"
    )


def _floor(jitter: Jitter) -> str:
    """Say what sampling alone gives, as a sentence of its own; nothing where it is not known.

    Examples
    --------
    >>> _floor(Jitter(0.96, 5.0, 0.29, 3.7))
    ' Sampling alone gives 0.29 us RMS.'
    """
    floor_us = jitter.sampling_floor_rms
    return "" if floor_us is None else f" Sampling alone gives {format_us(floor_us)} RMS."
