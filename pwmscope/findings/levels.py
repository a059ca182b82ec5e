"""High level, lowest high level, rise time and sag of a line that was recorded as a voltage."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Record
from pwmscope.model import (
    COVERAGE,
    PS_PER_S,
    PS_PER_US,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    IntArray,
    Plateaus,
    inside,
    measured,
    not_shown,
)

MIN_HIGH_US: Final = 100.0
"""A shorter high state is a glitch (common practice)."""
MIN_HIGHS: Final = 16
PARTS: Final = 16
"""Parts of the recording, equally long, whose mean levels are compared."""
ANY_PAIR: Final = 3.5
"""Normal deviate that any of 120 pairs of parts exceeds by chance once in 20 (Bonferroni)."""
RESOLVED: Final = 2.0
"""Sample intervals that a rise takes at least to be told; interpolation makes 0.8 of a jump."""

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "high level",
        "The voltage of the pulses' high state. Too low a one may be no high for the device. Only "
        "of a line recorded as a voltage; the error of the analyser's own scale is not counted.",
        "mean over n high states of the median of their samples; u^2 = s^2/n + q^2/12, q the "
        "smallest step between readings",
        "IEEE Std 181 (state levels); JCGM 100, 4.2.3 and 4.3.7, from memory",
    ),
    Definition(
        "lowest high level",
        "The lowest voltage within any pulse: ringing, dips and noise are part of it. A device "
        "that takes it for low sees two pulses.",
        "least sample of any high state, between the first and the last that come within 2 % of "
        "its own level; u = q / sqrt(12)",
        "IEEE Std 181 (percent reference levels); JCGM 100, 4.3.7, from memory",
    ),
    Definition(
        "rise time",
        "How long a leading edge takes. A slow one makes the width depend on the device's "
        "threshold, and on noise.",
        "median over n leading edges of the time from 10 % to 90 % of the way between the state "
        "levels, interpolated; u^2 = (1.25 s)^2/n + Ts^2/12; the analyser's own is part of it",
        "IEEE Std 181 (transition duration, 10 % and 90 % reference levels); JCGM 100, 4.3.7, "
        "from memory",
    ),
    Definition(
        "sag of the high level",
        "How far the high level fell during the recording: a supply that sags under load, or a "
        "flat battery.",
        "the largest fall from the mean of one sixteenth of the recording to that of a later one; "
        "shown where it exceeds 3.5 u, u^2 = (s_i^2/n_i + s_j^2/n_j), s within each part",
        "own algorithm; JCGM 100, 5.1.2",
    ),
)


@dataclass(frozen=True, slots=True)
class HighState:
    """What an analogue line's high state was like; without findings for a digital line."""

    plateaus: Plateaus | None
    findings: tuple[Finding, ...] = ()


def examine_levels(record: Record, plateaus: Plateaus | None) -> HighState:
    """Measure the high state of one line, outside its losses."""
    if plateaus is None:
        return HighState(None)
    begin_s = plateaus.begin_ps / PS_PER_S
    used = plateaus.lasts_ps >= MIN_HIGH_US * PS_PER_US
    if record.losses:
        used &= ~inside(record.losses, begin_s)
    row = np.flatnonzero(used)
    if row.size < MIN_HIGHS:
        why = Reason(
            f"The voltage shows {row.size} whole high states.",
            f"Record at least {MIN_HIGHS} pulses.",
        )
        units = ("V", "V", "us", "V")
        found = zip(DEFINITIONS, units, strict=True)
        return HighState(plateaus, tuple(not_shown(one.name, unit, why) for one, unit in found))
    step_v = _step_v(plateaus)
    seen = (Evidence(float(begin_s[row[0]]), float(begin_s[row[-1]]), row.size),)
    return HighState(
        plateaus,
        (
            _level(plateaus.level_v[row], step_v, seen),
            _lowest(plateaus, row, step_v),
            _rise(plateaus.rise_ps[row], plateaus.interval_ps, seen),
            _sag(begin_s[row], plateaus.level_v[row]),
        ),
    )


def _step_v(plateaus: Plateaus) -> float:
    """Return the smallest step between readings, 0 where all are alike."""
    steps = np.diff(np.unique(plateaus.lowest_v))
    return float(steps.min(initial=math.inf)) if steps.size else 0.0


def _level(level_v: FloatArray, step_v: float, seen: tuple[Evidence, ...]) -> Finding:
    mean_v = float(level_v.mean())
    u_v = math.hypot(float(level_v.std(ddof=1)) / math.sqrt(level_v.size), step_v / math.sqrt(12.0))
    return measured(
        "high level", mean_v, "V",
        f"The high level is {mean_v:.3f} V over {level_v.size} pulses.",
        uncertainty=u_v, interval=(mean_v - COVERAGE * u_v, mean_v + COVERAGE * u_v), evidence=seen,
    )  # fmt: skip


def _lowest(plateaus: Plateaus, row: IntArray, step_v: float) -> Finding:
    at = int(row[plateaus.lowest_v[row].argmin()])
    lowest_v, level_v = float(plateaus.lowest_v[at]), float(plateaus.level_v[at])
    begin_s = plateaus.begin_ps[at] / PS_PER_S
    half_v = step_v / 2.0
    return measured(
        "lowest high level", lowest_v, "V",
        f"The lowest voltage within a pulse is {lowest_v:.3f} V, at {begin_s:.3f} s; that pulse's "
        f"level is {level_v:.3f} V.",
        uncertainty=step_v / math.sqrt(12.0), interval=(lowest_v - half_v, lowest_v + half_v),
        evidence=(Evidence(begin_s, begin_s + plateaus.lasts_ps[at] / PS_PER_S, 1),),
    )  # fmt: skip


def _rise(rise_ps: FloatArray, interval_ps: float, seen: tuple[Evidence, ...]) -> Finding:
    rise_us = rise_ps[~np.isnan(rise_ps)] / PS_PER_US
    interval_us = interval_ps / PS_PER_US
    if rise_us.size < MIN_HIGHS:
        return not_shown(
            "rise time", "us", f"Only {rise_us.size} leading edges begin low and are seen whole."
        )
    middle_us = float(np.median(rise_us))
    if middle_us < RESOLVED * interval_us:
        why = Reason(
            f"The leading edges take less than {RESOLVED * interval_us:.3g} us, two sample "
            "intervals.",
            "Record at a higher rate to see more.",
        )
        return not_shown("rise time", "us", why)
    # A median's deviation is that of a mean times sqrt(pi/2), for normal scatter.
    of_scatter_us = math.sqrt(math.pi / 2.0) * float(rise_us.std(ddof=1)) / math.sqrt(rise_us.size)
    u_us = math.hypot(of_scatter_us, interval_us / math.sqrt(12.0))
    return measured(
        "rise time", middle_us, "us",
        f"Leading edges take {middle_us:.3g} us from 10 % to 90 %, the analyser's own rise "
        "included.",
        uncertainty=u_us, evidence=seen,
        interval=(max(middle_us - COVERAGE * u_us, 0.0), middle_us + COVERAGE * u_us),
    )  # fmt: skip


def _sag(begin_s: FloatArray, level_v: FloatArray) -> Finding:
    name = "sag of the high level"
    lasts_s = float(begin_s[-1] - begin_s[0])
    part = np.minimum((PARTS * (begin_s - begin_s[0]) / max(lasts_s, 1e-9)).astype(int), PARTS - 1)
    count = np.bincount(part, minlength=PARTS)
    full = np.flatnonzero(count >= 2)
    if full.size < 2:
        return not_shown(name, "V", "The pulses lie in one part of the recording only.")
    mean_v = np.bincount(part, level_v, PARTS)[full] / count[full]
    off_v2 = (level_v - (np.bincount(part, level_v, PARTS) / np.maximum(count, 1))[part]) ** 2
    # Parts of few pulses share their scatter, which does not vanish by chance.
    within_v2 = float(off_v2.sum()) / max(level_v.size - full.size, 1)
    u_v2 = within_v2 / count[full]
    highest = np.array([int(mean_v[: at + 1].argmax()) for at in range(full.size)])
    fall_v = mean_v[highest] - mean_v
    at = int(fall_v.argmax())
    fell_v, u_v = float(fall_v[at]), math.sqrt(float(u_v2[at] + u_v2[highest[at]]))
    interval = (max(fell_v - ANY_PAIR * u_v, 0.0), fell_v + COVERAGE * u_v)
    edges_s = begin_s[0] + lasts_s * np.array([full[highest[at]], full[at] + 1]) / PARTS
    evidence = (Evidence(float(edges_s[0]), float(edges_s[1]), level_v.size),)
    if interval[0] <= 0.0:
        said = f"No sag of the high level is shown: it fell by less than {interval[1]:.3f} V."
    else:
        said = (
            f"The high level fell by {fell_v:.3f} V between {edges_s[0]:.1f} s and "
            f"{edges_s[1]:.1f} s."
        )
    return measured(name, fell_v, "V", said, uncertainty=u_v, interval=interval, evidence=evidence)
