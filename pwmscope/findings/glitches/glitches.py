"""Glitches of one channel: of what kind, how often, and when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from pwmscope.findings.glitches.glitch_kinds import (
    STUCK_FRAMES,
    TOO_SOON,
    GlitchKind,
    Moments,
    find_glitches,
)
from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    MAX_SPANS,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Span,
    format_list,
    format_s,
    measured,
    not_shown,
)

_PLURAL: Final = {
    GlitchKind.RUNT: "runt pulses",
    GlitchKind.NOTCH: "notches",
    GlitchKind.MISSING: "missing pulses",
    GlitchKind.DOUBLE: "double pulses",
    GlitchKind.STUCK_HIGH: "times stuck high",
    GlitchKind.STUCK_LOW: "times stuck low",
    GlitchKind.FOREIGN: "foreign widths",
    GlitchKind.STRAY: "stray widths",
}
_SINGULAR: Final = {
    GlitchKind.STUCK_HIGH: "time stuck high",
    GlitchKind.STUCK_LOW: "time stuck low",
}


@dataclass(frozen=True, slots=True)
class GlitchCount:
    """Glitches of one kind on one line, outside loss spans."""

    kind: GlitchKind  # What is wrong
    moments: Moments  # Where and when, all of them
    per_minute: float | None  # Count over the time observed; None where there is none
    interval_per_minute: tuple[float, float] | None  # Its 95 % interval
    while_lost: int  # How many more there were inside loss spans

    @property
    def count(self) -> int:
        """How many there were."""
        return len(self.moments)


@dataclass(frozen=True, slots=True)
class Glitches:
    """All glitches of one line.

    Parameters
    ----------
    line : str
        The line.
    observed_s : float
        Length of the recording without the channel's loss spans.
    kinds : tuple of GlitchCount
        Every kind, also those that did not occur.
    time_s : ndarray of float64, shape (n,)
        When each began, of whatever kind, in order.
    findings : tuple of Finding
        ``glitches``.
    """

    line: str
    observed_s: float
    kinds: tuple[GlitchCount, ...]
    time_s: FloatArray
    findings: tuple[Finding, ...]

    @property
    def count(self) -> int:
        """How many there were in all."""
        return int(self.time_s.size)


def examine_glitches(record: Record, recorded: Span) -> Glitches:
    """Find, sort and count one channel's glitches."""
    lost_s = sum(
        max(0.0, min(span.end_s, recorded.end_s) - max(span.start_s, recorded.start_s))
        for span in record.losses
    )
    observed_s = max(0.0, recorded.end_s - recorded.start_s - lost_s)
    period_us = record.frames.usual_us or record.table.convention.period_us
    found, while_lost = find_glitches(record, period_us, recorded)
    kinds = tuple(
        GlitchCount(
            kind,
            moments,
            _per_minute(len(moments), observed_s),
            poisson_interval_per_minute(len(moments), observed_s),
            while_lost.get(kind, 0),
        )
        for kind, moments in found.items()
    )
    time_s = np.sort(np.concatenate([moments.start_s for moments in found.values()]))
    finding = _finding(record, kinds, observed_s)
    return Glitches(record.table.line, observed_s, kinds, time_s, (finding,))


def poisson_interval_per_minute(count: int, observed_s: float) -> tuple[float, float] | None:
    """Return the exact two-sided 95 % interval of a Poisson rate.

    The ends of the interval of the expected count are half the 2.5 % quantile
    of chi-squared with 2 n degrees of freedom and half the 97.5 % quantile with
    2 n + 2 (F. Garwood, "Fiducial limits for the Poisson distribution",
    Biometrika 28, 1936; from memory). Half a chi-squared variable is a gamma
    variable, whose quantile is used here.

    Examples
    --------
    >>> low, high = poisson_interval_per_minute(5, 60.0)
    >>> round(low, 3), round(high, 3)
    (1.623, 11.668)
    """
    if observed_s <= 0.0:
        return None
    low = float(special.gammaincinv(count, 0.025)) if count else 0.0
    high = float(special.gammaincinv(count + 1, 0.975))
    return 60.0 * low / observed_s, 60.0 * high / observed_s


def _per_minute(count: int, observed_s: float) -> float | None:
    return 60.0 * count / observed_s if observed_s > 0.0 else None


def _finding(record: Record, kinds: tuple[GlitchCount, ...], observed_s: float) -> Finding:
    count = sum(found.count for found in kinds)
    per_minute = _per_minute(count, observed_s)
    interval = poisson_interval_per_minute(count, observed_s)
    if record.frames.usual_us is None:
        return not_shown(
            "glitches", "per minute", "Fewer than two frames were seen, so what a glitch would be "
            "is not known.",
        )  # fmt: skip
    if per_minute is None or interval is None:
        return not_shown(
            "glitches", "per minute", "The signal was lost all the time, so no glitch could show."
        )
    lost = {found.kind: found.while_lost for found in kinds if found.while_lost}
    more = f" {_format_kinds(lost)} more while the signal was lost." if lost else ""
    over = f"{format_s(observed_s)}{' outside signal loss' if record.losses else ''}"
    between = f"95 %: {interval[0]:.3g} to {interval[1]:.3g}"
    if not count:
        sentence = f"No glitch in {over}: 0 a minute ({between}).{more}"
    else:
        told = _format_kinds({found.kind: found.count for found in kinds if found.count})
        sentence = f"{told} in {over}: {per_minute:.3g} a minute ({between}).{more}"
    return measured(
        "glitches",
        per_minute,
        "per minute",
        sentence,
        interval=interval,
        evidence=_evidence(record, kinds),
    )


def _format_kinds(counts: dict[GlitchKind, int]) -> str:
    return format_list([
        f"{count} {_PLURAL[kind]}" if count > 1 else f"1 {_SINGULAR.get(kind, kind.value)}"
        for kind, count in counts.items()
    ])  # fmt: skip


def _evidence(record: Record, kinds: tuple[GlitchCount, ...]) -> tuple[Evidence, ...]:
    """Name the first glitches in order of time; a missing pulse by those around it."""
    last = len(record.table) - 1
    spans = []
    for found in kinds:
        around = found.kind in {GlitchKind.MISSING, _silent(record)}
        moments = found.moments
        for i in range(min(len(moments), MAX_SPANS)):
            row = int(moments.rows[i])
            to = min(row + 1, last) if around else row
            span = (float(moments.start_s[i]), float(moments.end_s[i]))
            spans.append(Evidence(*span, to - row + 1, row, to))
    return tuple(sorted(spans, key=lambda span: span.start_s)[:MAX_SPANS])


def _silent(record: Record) -> GlitchKind:
    return GlitchKind.STUCK_HIGH if record.table.inverted else GlitchKind.STUCK_LOW


DEFINITIONS: Final = (
    Definition(
        "glitches",
        "Single pulses that are wrong, by kind. Runt pulse: a high shorter than the glitch limit "
        "(100 us for the standard servo). Notch: so short a low inside a pulse. Missing pulse: a "
        "frame without one. Double pulse: two in one frame. Stuck high, stuck low: one level for "
        f"{STUCK_FRAMES} frames or more, without being a signal loss. Foreign width: outside the "
        "accepted range. Stray width: it jumped away for one or two frames. Each is counted once, "
        "outside signal loss; a runt in place of a pulse leaves a missing pulse too.",
        "rate = n / observed minutes; 95 % interval: chi2(0.025, 2n)/2 to chi2(0.975, 2n+2)/2 per "
        f"observed minutes; double: in a run of m steps shorter than {TOO_SOON:g} T that lasts S, "
        "m - round(S/T) pulses are too many",
        "kinds: own algorithm, limits common practice; interval: Garwood, Biometrika 28, 1936 "
        "(from memory)",
    ),
)
