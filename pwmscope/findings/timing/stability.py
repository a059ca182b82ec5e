"""How well the receiver's frame clock keeps time, over how long."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.segmentation import Record
from pwmscope.findings.timing.allan import Deviations, allan_deviation, octaves, time_deviation
from pwmscope.findings.timing.clock_stretch import ClockStretch, longest_stretch
from pwmscope.findings.timing.frame_clock import FrameClock
from pwmscope.model import Definition, Finding, measured, not_shown

MIN_S: Final = 30.0
ASKED_S: Final = 31.0
MIN_FRAMES: Final = 100
BRIDGED: Final = 0.01
"""Gaps are bridged where fewer than this part of the frames is missing."""
HIDDEN: Final = 2.0**0.5
"""Sampling can hide an Allan deviation of this times Ts / tau."""
NAME: Final = "frame clock stability"

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        NAME,
        "How much the rate of the frame clock changes from one stretch of time to the next, for "
        "stretches of about one second; the analyser's own clock is part of it. A steady clock "
        "is the sign of a crystal and of a receiver that is never too busy to be on time.",
        "overlapping Allan deviation sqrt(<(x[i+2m] - 2 x[i+m] + x[i])^2> / 2) / (m T0) of the "
        "time errors x, m a power of two with m T0 nearest 1 s; 95 % interval by chi-squared with "
        "the effective degrees of freedom of the dominant noise; sampling alone gives "
        "Ts / (2 m T0); where no more than that is seen the receiver's own is at most sqrt(2) Ts / "
        "(m T0) above what is seen",
        "IEEE Std 1139; NIST SP 1065, 5.2.4, 5.3 and 5.5.6; Riley and Greenhall 2004 (noise); "
        "sampling: white phase noise Ts / sqrt(12), JCGM 100, 4.3.7; clauses from memory",
        everyday=False,
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class Stability:
    """The stability of one channel's frame clock."""

    # Overlapping Allan deviation at octaves up to a quarter of the stretch; None where the
    # recording does not show it
    allan: Deviations | None
    time: Deviations | None  # Time deviation in seconds at octaves up to a fifth of the stretch
    # Allan deviation that sampling alone gives, as a rule, at 1 s; it falls with the averaging
    # time. None where the sample interval is not known.
    sampling_floor: float | None
    frames: int  # Frames in the stretch used
    bridged: int  # Missing frames among them that were bridged
    findings: tuple[Finding, ...]  # `frame clock stability`


def examine_stability(record: Record, clock: FrameClock | None) -> Stability:
    """Measure the stability of a channel's frame clock."""
    interval_us = record.table.sample_interval_us
    floor = None if interval_us is None else interval_us / 2e6
    if clock is None:
        return _not_shown(
            floor,
            "The frames follow no steady clock, so there is no stability of one; record frames "
            "that come evenly.",
        )
    whole = longest_stretch(clock)
    stretch = whole if whole.missing < BRIDGED * whole.frames else whole.without_gaps()
    # A recording of 30 s holds a frame or two less from its first edge to its last.
    if stretch.duration_s < MIN_S - 2.0 * clock.period_us / 1e6 or stretch.edges < MIN_FRAMES:
        return _not_shown(
            floor,
            f"Only {stretch.duration_s:.4g} s with {stretch.edges} frames in step were seen, too "
            f"short to tell how steady the frame clock is; record {ASKED_S:g} s and more than "
            f"{MIN_FRAMES} frames without a loss.",
        )
    tau0_s = clock.period_us / 1e6
    time_error_us = stretch.bridged_us()
    frames = time_error_us.size
    # In microseconds: the deviations are scaled afterwards, not ten million time errors.
    allan = allan_deviation(time_error_us, tau0_s, octaves(frames, 4).tolist()).scaled(1e-6)
    time = time_deviation(time_error_us, tau0_s, octaves(frames, 5).tolist()).scaled(1e-6)
    found = _finding(record, stretch, allan, floor, _taken_from(clock, whole, stretch))
    return Stability(allan, time, floor, frames, stretch.missing, (found,))


def _not_shown(floor: float | None, reason: str) -> Stability:
    return Stability(None, None, floor, 0, 0, (not_shown(NAME, "ppm", reason),))


def _taken_from(clock: FrameClock, whole: ClockStretch, stretch: ClockStretch) -> str:
    if stretch.missing == 1:
        return " One missing frame is bridged by a straight line."
    if stretch.missing:
        return f" {stretch.missing} missing frames are bridged by straight lines."
    if stretch is not whole:
        return (
            f" Of the {whole.frames} frames {100.0 * whole.missing / whole.frames:.2g} % are "
            f"missing, so it is taken from the longest stretch without gaps, "
            f"{stretch.duration_s:.3g} s."
        )
    if clock.borders.size:
        return (
            " The clock starts anew during the recording, so it is taken from the longest "
            f"stretch that is in step, {stretch.duration_s:.3g} s."
        )
    return ""


def _finding(
    record: Record,
    stretch: ClockStretch,
    allan: Deviations,
    floor: float | None,
    taken_from: str,
) -> Finding:
    near = int(np.argmin(np.abs(np.log(allan.tau_s))))
    tau_s, value = float(allan.tau_s[near]), float(allan.value[near])
    low, high = float(allan.low[near]), float(allan.high[near])
    evidence = stretch.evidence(record)
    if floor is not None and value <= floor / tau_s:
        # Each edge is read less than one sample interval late, so that no second
        # difference is wrong by more than two: the root mean squares add up at most.
        most = high + 2.0 * HIDDEN * floor / tau_s
        sentence = (
            f"Over {tau_s:.3g} s the frame clock keeps time to within {_time(most, tau_s)} as a "
            f"rule, {_share(most)}, or better: sampling alone gives {_share(floor / tau_s)}, and "
            "no more is seen, so the receiver's own share is not resolved; record at a higher "
            "sample rate."
        )
        return measured(
            NAME, value * 1e6, "ppm", sentence + taken_from,
            interval=(0.0, most * 1e6), evidence=evidence,
        )  # fmt: skip
    beside = (
        "how much of that the timing of edges gives is not known"
        if floor is None
        else f"sampling alone gives {_share(floor / tau_s)}"
    )
    return measured(
        NAME,
        value * 1e6,
        "ppm",
        f"Over {tau_s:.3g} s the frame clock keeps time to within {_time(value, tau_s)} as a "
        f"rule, {_share(value)} (95 %: {_share(low)} to {_share(high)}), against the analyser's "
        f"clock; {beside}." + taken_from,
        uncertainty=value * 1e6 / float(np.sqrt(2.0 * allan.freedom[near])),
        interval=(low * 1e6, high * 1e6),
        evidence=evidence,
    )


def _time(part: float, tau_s: float) -> str:
    return f"{part * tau_s * 1e6:.2g} us"


def _share(part: float) -> str:
    """Say a part of one in ppm or, where it is small, in ppb.

    Examples
    --------
    >>> _share(2.5e-6), _share(3.14e-9)
    ('2.5 ppm', '3.14 ppb')
    """
    return f"{part * 1e6:.3g} ppm" if part >= 1e-7 else f"{part * 1e9:.3g} ppb"
