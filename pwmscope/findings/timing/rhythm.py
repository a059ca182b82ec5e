"""Whether a receiver's jitter has a rhythm: lines in the spectra of widths and time errors."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation import Record
from pwmscope.findings.timing.clock_stretch import longest_stretch
from pwmscope.findings.timing.frame_clock import FrameClock
from pwmscope.findings.timing.spectral_lines import (
    MIN_VALUES,
    RESOLUTION_US,
    LineSearch,
    SpectralLine,
    find_lines,
)
from pwmscope.model import COVERAGE, Definition, Evidence, Finding, inside, measured, not_shown
from pwmscope.pulses import UNMEASURED

MAX_PULSES: Final = 8192
SAMPLING: Final = 2.0 / math.pi
"""Largest amplitude, in sample intervals, of a line that sampling alone makes: a
reading that is a sample interval too long in half of each cycle is a square wave of
half a sample interval, and the line of that is 4/pi times as large."""
ENDS: Final = 1.02
"""So many times as large it is found at most where the record ends within a cycle."""
SPARSE: Final = 1.25
"""A stretch with more frames than so many times its edges is not searched across gaps."""
WIDTH: Final = "periodic width jitter"
TIME: Final = "periodic time error"

_FORMULA: Final = (
    "amplitude of the strongest sinusoid in {what}: Lomb-Scargle periodogram, least squares with "
    "the other lines and drift; chance 1 - (1 - q) exp(-g W q sqrt(z)), q = (1 + 2z/v)^(-v/2), "
    "z its power over the noise's, known with v degrees of freedom, W = f_max sqrt(4 pi var t); "
    "u^2 = 2 S / n + ((2/pi) Ts)^2 / 3, S the noise's power"
)
_SOURCE: Final = (
    "periodic jitter: IEEE Std 2414; Lomb 1976, Scargle 1982; Baluev 2008, equation 6 and Table 1 "
    "(z_2); noise by power laws: IEEE Std 1139; sampling: own derivation, JCGM 100, 4.3.7; all "
    "from memory"
)
DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        WIDTH,
        "Whether the pulse width swings to and fro in a rhythm while the stick stands still: a "
        "servo hums or twitches in that rhythm. Rhythms of up to half the frame rate are seen; a "
        "faster one shows folded below that. A line no larger than sampling itself can make is "
        "not taken for the receiver's.",
        _FORMULA.format(what="the widths of the longest dwell"),
        _SOURCE,
        everyday=False,
    ),
    Definition(
        TIME,
        "Whether the frames come early and late in a rhythm, as where another task of the "
        "receiver holds up its outputs. Rhythms of up to half the frame rate are seen; a faster "
        "one shows folded below that. A line no larger than sampling itself can make is not "
        "taken for the receiver's.",
        _FORMULA.format(what="the time errors of the frames"),
        _SOURCE,
        everyday=False,
    ),
)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Rhythms in one channel's jitter."""

    # Lines in the spectrum of each; None where the recording does not show it
    width: LineSearch | None
    time_error: LineSearch | None
    # Largest amplitude of a line that sampling alone makes; None where the sample interval is not
    # known
    sampling_us: float | None
    findings: tuple[Finding, ...]  # `periodic width jitter` and `periodic time error`


def examine_rhythm(
    record: Record, clock: FrameClock | None, clock_record: Record | None = None
) -> Rhythm:
    """Look for rhythms in a channel's widths and time errors."""
    interval_us = record.table.sample_interval_us
    sampling_us = None if interval_us is None else SAMPLING * interval_us
    width, width_finding = _in_widths(record, sampling_us)
    error, error_finding = _in_time_errors(clock_record or record, clock, sampling_us)
    return Rhythm(width, error, sampling_us, (width_finding, error_finding))


def _in_widths(record: Record, sampling_us: float | None) -> tuple[LineSearch | None, Finding]:
    rows = _longest_dwell(record)
    usual_us = record.frames.usual_us
    if rows.size < MIN_VALUES or usual_us is None:
        return None, not_shown(
            WIDTH,
            "us",
            f"The stick never stood still for {MIN_VALUES} pulses, so a rhythm in the width "
            "is not shown; hold it still for a minute.",
        )
    rise_s = record.table.rise_s[rows]
    # Frame by frame, so that an error of the usual period does not add up.
    steps = np.maximum(np.rint(np.diff(rise_s) * 1e6 / usual_us).astype(np.int64), 1)
    place = np.concatenate([np.zeros(1, np.int64), np.cumsum(steps)])
    search = find_lines(place, rise_s, record.table.width_us[rows])
    of_what = f"{search.count} pulses of the longest dwell"
    return search, _finding(WIDTH, search, sampling_us, of_what, record.evidence(rows))


def _longest_dwell(record: Record) -> npt.NDArray[np.int64]:
    """List the rows of the first pulses of the dwell that has most."""
    dwells, table = record.dwells, record.table
    if not len(dwells):
        return np.zeros(0, np.int64)
    longest = int(np.argmax(dwells.count))
    first, last = int(dwells.first[longest]), int(dwells.last[longest])
    # As many again leave room for pulses that do not count.
    rows = np.arange(first, min(last + 1, first + 2 * MAX_PULSES))
    usable = (table.flags[rows] & np.uint8(UNMEASURED)) == 0
    usable &= ~inside(record.losses, table.rise_s[rows]) & ~np.isin(rows, dwells.stray)
    used: npt.NDArray[np.int64] = rows[usable][:MAX_PULSES]
    return used


def _in_time_errors(
    record: Record, clock: FrameClock | None, sampling_us: float | None
) -> tuple[LineSearch | None, Finding]:
    if clock is None:
        reason = "The frames follow no steady clock, so there is no rhythm about one to be shown."
        return None, not_shown(TIME, "us", reason)
    stretch = longest_stretch(clock).part(MAX_PULSES)
    if stretch.frames > SPARSE * stretch.edges:
        stretch = longest_stretch(clock).without_gaps().part(MAX_PULSES)
    if stretch.edges < MIN_VALUES:
        return None, not_shown(
            TIME,
            "us",
            f"Only {stretch.edges} frames in step were seen, too few for a rhythm; record at "
            f"least {MIN_VALUES} frames without a loss.",
        )
    number = stretch.number
    search = find_lines(number, stretch.instants_s(), stretch.time_error_us)
    of_what = f"{search.count} frames"
    return search, _finding(TIME, search, sampling_us, of_what, stretch.evidence(record))


def _finding(
    name: str,
    search: LineSearch,
    sampling_us: float | None,
    of_what: str,
    evidence: tuple[Evidence, ...],
) -> Finding:
    most_us = sampling_us or 0.0
    own: list[SpectralLine] = []
    made: list[SpectralLine] = []
    for line in search.lines:
        is_own = line.amplitude_us - COVERAGE * line.uncertainty_us > ENDS * most_us
        (own if is_own else made).append(line)
    beside = ""
    if made:
        beside = (
            f" The line of {_format_line(made[0])} is not shown to be larger than sampling "
            f"itself makes (up to {most_us:.2g} us)."
        )
    if not own:
        least_us = max(
            search.least_low_us,
            search.least_high_us,
            ENDS * most_us,
            RESOLUTION_US,
            *(line.amplitude_us + COVERAGE * line.uncertainty_us for line in made),
        )
        return measured(
            name,
            0.0,
            "us",
            f"No rhythm is found in {_WORDS[name][0]}: {_least(search, most_us)} would have been "
            f"seen ({of_what})." + beside,
            interval=(0.0, least_us),
            evidence=evidence,
        )
    line = own[0]
    more = "".join(f", and {_format_line(other)}" for other in own[1:])
    return measured(
        name,
        line.amplitude_us,
        "us",
        f"{_WORDS[name][1]} by {_format_line(line)}{more} ({of_what}). Noise alone shows a line as "
        f"strong with a chance {_format_chance(line.chance)}. A rhythm faster than "
        f"{search.high_hz:.4g} Hz shows folded below that." + beside,
        uncertainty=math.hypot(line.uncertainty_us, most_us / math.sqrt(3.0)),
        evidence=evidence,
    )


_WORDS: Final = {
    WIDTH: ("the pulse width", "With the stick standing still the width swings either way"),
    TIME: ("the frames' time errors", "The frames come early and late"),
}


def _least(search: LineSearch, most_us: float) -> str:
    low_us = max(search.least_low_us, most_us, RESOLUTION_US)
    high_us = max(search.least_high_us, most_us, RESOLUTION_US)
    if max(low_us, high_us) <= 1.5 * min(low_us, high_us):
        return (
            f"one above {max(low_us, high_us):.2g} us between {search.low_hz:.2g} and "
            f"{search.high_hz:.3g} Hz"
        )
    return (
        f"one above {low_us:.2g} us at {search.low_hz:.2g} Hz, above {high_us:.2g} us at "
        f"{search.high_hz:.3g} Hz,"
    )


def _format_line(line: SpectralLine) -> str:
    """Say a line.

    Examples
    --------
    >>> _format_line(SpectralLine(3.20049, 2.0512, 0.1, 1e-9))
    '2.05 us at 3.2 Hz'
    """
    return f"{line.amplitude_us:.3g} us at {line.frequency_hz:.4g} Hz"


def _format_chance(chance: float) -> str:
    """Say a small chance as one in a round number.

    Examples
    --------
    >>> _format_chance(3e-4), _format_chance(0.0)
    ('below 1 in 1000', 'below 1 in a million')
    """
    if chance < 1e-6:
        return "below 1 in a million"
    return f"below 1 in {10 ** math.floor(-math.log10(chance)):.0f}"
