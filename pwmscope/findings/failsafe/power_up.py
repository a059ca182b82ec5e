"""What a line does before the link is there, and what its device learns and arms by at power-up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.bench import MOTORS, StopBand
from pwmscope.capture import PS_PER_S, Line
from pwmscope.errors import Reason, preceded
from pwmscope.findings.failsafe.losses import quiet_limit_s
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import width_doubt_us
from pwmscope.model import Definition, Evidence, Finding, FloatArray, Verdict, measured, not_shown
from pwmscope.pulses import UNMEASURED, PulseTable

Places = npt.NDArray[np.int64]

POWER_UP: Final = "power-up"
LIMIT: Final = "no pulse outside the stop range before the link"
MIN_S: Final = 1.0
"""A line must be seen for so long before the link to show what it does."""
POWER_UP_DEFINITION: Final = Definition(
    POWER_UP,
    "What a line does before the link is there: silent at which level, or with which pulses. A "
    "weapon must not get an active width before the link.",
    "pulses before the link that lie outside the stop range by more than a sample interval and "
    "100 ppm; the link is there when a marker first shows the transmitter on, otherwise the time "
    "before the first servo pulse is told without a verdict",
    "own algorithm; that a weapon may not start before the link is common practice",
)


@dataclass(frozen=True, slots=True)
class BeforeLink:
    """The time before the link as one line shows it."""

    # The time span; the first servo pulse or the marker's first on ends it
    start_s: float
    until_s: float
    is_marked: bool  # Whether a marker says that the transmitter was off


def before_link(
    table: PulseTable, usual_us: float, start_s: float, linked_s: float | None
) -> BeforeLink | None:
    """Find the time before the link; None where the recording begins after it."""
    if linked_s is not None and linked_s > start_s:
        return BeforeLink(start_s, linked_s, is_marked=True)
    measured_s = table.rise_s[table.measured]
    if measured_s.size and measured_s[0] - start_s > quiet_limit_s(usual_us):
        return BeforeLink(start_s, float(measured_s[0]), is_marked=False)
    return None


def power_up_finding(
    table: PulseTable,
    line: Line,
    before: BeforeLink | None,
    expected: Expectation,
    limit_s: float,
) -> Finding:
    """Say what a line did before the link."""
    limit = LIMIT if expected.drives_something else ""
    if before is None:
        return not_shown(
            POWER_UP, "",
            Reason(
                "The recording begins after the link.",
                "Weapon removed, wheels off the ground, robot restrained: start recording "
                "before the receiver has power."
            ),
            limit=limit,
        )  # fmt: skip
    did = _format_levels(line, before)
    _, servo = _pulses(table, before)
    span = Evidence(before.start_s, before.until_s, int(servo.size))
    lasted = f"In the {before.until_s - before.start_s:.2f} s before the link"
    if servo.size:
        did += (
            f"; {servo.size} servo pulses of {table.width_us[servo].min():.1f} to "
            f"{table.width_us[servo].max():.1f} us"
        )
    sentence = f"{lasted} the line was {did}."
    if not limit or expected.band is None:
        return measured(POWER_UP, did, "", sentence, evidence=(span,))
    verdict, why = _verdict(table, before, expected, expected.band, limit_s)
    return Finding(POWER_UP, did, "", None, limit, verdict, (span,), preceded(sentence, why))


def cuts_before_link(
    guarded: PulseTable, kill: PulseTable, span: Evidence, expected: Expectation
) -> bool:
    """Say whether a kill channel cuts the power from a guarded line's first pulse to the link."""
    if expected.band is None:
        return False
    before = BeforeLink(span.start_s, span.end_s, is_marked=True)
    rows, servo = _pulses(kill, before)
    width_us = kill.width_us[servo]
    doubt_us = width_doubt_us(width_us, kill.sample_interval_us)
    inside = (width_us >= expected.band.low_us + doubt_us) & (
        width_us <= expected.band.high_us - doubt_us
    )
    if servo.size < rows.size or not inside.all():
        return False
    first_s = guarded.rise_s[_pulses(guarded, before)[0][:1]]
    rise_s = np.maximum(kill.rise_s[servo], first_s)
    gaps_s = np.diff(rise_s, prepend=first_s, append=span.end_s)
    return expected.no_pulses_stop is True or bool(
        np.all(gaps_s <= quiet_limit_s(_usual_us(kill, servo)))
    )


def _format_levels(line: Line, before: BeforeLink) -> str:
    edges_s = line.edges_ps / PS_PER_S
    changes = int(np.searchsorted(edges_s, before.until_s) - np.searchsorted(
        edges_s, before.start_s, side="right"
    ))  # fmt: skip
    level = "high" if line.initial_level else "low"
    return (
        f"{level} at first, with {changes} changes of level" if changes else f"{level} throughout"
    )


def _verdict(
    table: PulseTable,
    before: BeforeLink,
    expected: Expectation,
    band: StopBand,
    limit_s: float,
) -> tuple[Verdict, str]:
    rows, servo = _pulses(table, before)
    was_quiet = not rows.size or bool(
        table.rise_s[rows[0]] - before.start_s > quiet_limit_s(_usual_us(table, servo))
    )
    width_us = table.width_us[servo]
    doubt_us = width_doubt_us(width_us, table.sample_interval_us)
    outside = (width_us < band.low_us - doubt_us) | (width_us > band.high_us + doubt_us)
    inside = (width_us >= band.low_us + doubt_us) & (width_us <= band.high_us - doubt_us)
    counts = before.start_s if was_quiet else before.start_s + limit_s
    outside &= table.rise_s[servo] >= counts
    if before.is_marked and outside.any():
        first_s = float(table.rise_s[servo[outside.argmax()]])
        return Verdict.DOES_NOT_MEET, (
            f"{np.count_nonzero(outside)} of them were outside the stop range of "
            f"{band.low_us:g} to {band.high_us:g} us, the first at {first_s:.3f} s."
        )
    is_clean = servo.size == rows.size and bool(inside.all())
    if not is_clean and not was_quiet:
        return Verdict.NOT_SHOWN, Reason(
            "The line had pulses from the start. A loss may have begun just before it.",
            "Start recording before the receiver has power.",
        )
    doubt = next(_doubts(table, before, expected, servo, is_clean=is_clean), "")
    if doubt:
        return Verdict.NOT_SHOWN, doubt
    return Verdict.MEETS, "All were inside the stop range."


def _doubts(
    table: PulseTable, before: BeforeLink, expected: Expectation, servo: Places, *, is_clean: bool
) -> Iterator[str]:
    """Say why it is not shown that a line was inside its stop range before the link."""
    if not before.is_marked:
        yield "When the link came is not marked (`off_line`)."
    if table.sample_interval_us is None:
        yield Reason("The sample interval is not known.", "Give `rate`.")
    if before.until_s - before.start_s < MIN_S:
        yield f"At least {MIN_S:g} s before the link are needed."
    if not is_clean:
        yield "Some pulses were no clean servo pulses inside the stop range."
    gaps_s = np.diff(table.rise_s[servo], prepend=before.start_s, append=before.until_s)
    if not expected.no_pulses_stop and np.any(gaps_s > quiet_limit_s(_usual_us(table, servo))):
        yield "The bench sheet does not say whether the device stops without pulses (no_pulses)."
    if not servo.size:
        yield "Whether the receiver was powered by then is not shown without a pulse."


def _pulses(table: PulseTable, before: BeforeLink) -> tuple[Places, Places]:
    """Return the rows of all pulses before the link, and of the servo pulses among them."""
    low, high = np.searchsorted(table.rise_s, (before.start_s, before.until_s))
    rows = np.arange(low, high)
    return rows, rows[(table.flags[rows] & np.uint8(UNMEASURED)) == 0]


def _usual_us(table: PulseTable, servo: Places) -> float:
    if servo.size < 2:
        return table.convention.period_us
    return float(np.median(np.diff(table.rise_s[servo]))) * 1e6


ARMING: Final = "start-up width"
LEAST: Final = 5
"""Pulses before the link that are enough to be learned from (own choice)."""
SETTLED_S: Final = 0.5
"""A leap stays for so long; a hand moves on."""
BOOT_S: Final = 30.0
"""The slowest transmitters start in so long (common practice, from memory)."""
SAME_US: Final = 10.0
"""Widths nearer to each other are the same to an ESC (common practice, from memory)."""
MIDDLE: Final = 0.2
"""A stop range that begins so far up the travel lies round a neutral."""
ARMING_DEFINITION: Final = Definition(
    ARMING,
    "The width before the link, set against where the link then puts it. An ESC that learns "
    "neutral at start learns the first. Many ESCs want low throttle before they arm.",
    "median width of the pulses before the marker shows on, minus the width that the first change "
    "after it leaps to and stays at for 0.5 s; the order of the first widths in and out of the "
    "stop range",
    "own algorithm; that ESCs learn neutral or arm at start is common practice",
)


def arming_finding(
    table: PulseTable, before: BeforeLink | None, expected: Expectation
) -> Finding | None:
    """Say what a device with a motor is given from power-up on; None where nothing is seen."""
    if before is None or not before.is_marked or expected.role not in MOTORS:
        return None
    good = table.measured
    rise_s, width_us = table.rise_s[good], table.width_us[good]
    marked = int(np.searchsorted(rise_s, before.until_s))
    first = _first(width_us, expected)
    if marked < LEAST:
        return measured(ARMING, "no pulses", "", f"No pulses came before the link. {first}".strip())
    start_us = float(np.median(width_us[:marked]))
    where = (Evidence(before.start_s, before.until_s, marked),)
    rest_us = _rest_us(rise_s[marked:], width_us[marked:], start_us)
    if rest_us is None:
        return not_shown(
            ARMING, "us",
            f"Before the link the width was {start_us:.0f} us, and it did not change for "
            f"{BOOT_S:g} s after the marker. A transmitter may start as slowly. Record for longer, "
            f"and move the stick at the end. {first}".strip(),
        )  # fmt: skip
    off_us = start_us - rest_us
    said = f"Before the link the width was {start_us:.0f} us, and {rest_us:.0f} us with it."
    middle_us = table.convention.low_us + MIDDLE * table.convention.span_us
    has_neutral = expected.band is not None and expected.band.low_us > middle_us
    if abs(off_us) > SAME_US and has_neutral:
        said += (
            f" An ESC that learns neutral at start learns one that is {off_us:+.0f} us off, if the "
            "stick rested. Set the preset to the rest."
        )
    return measured(ARMING, off_us, "us", f"{said} {first}".strip(), evidence=where)


def _rest_us(rise_s: FloatArray, width_us: FloatArray, start_us: float) -> float | None:
    """Give the width with the link: where the first change leaps to and stays, or the same.

    A width that moves on was moved by a hand, and the link was there before. Without a change
    that is not known, since a transmitter may start slowly.
    """
    changed = np.abs(width_us - start_us) > SAME_US
    if not changed.any():
        is_long = rise_s.size > 0 and rise_s[-1] - rise_s[0] >= BOOT_S
        return start_us if is_long else None
    at = int(np.argmax(changed)) + 1
    stays = width_us[at : int(np.searchsorted(rise_s, rise_s[at - 1] + SETTLED_S))]
    if stays.size < LEAST:
        return None
    level_us = float(np.median(stays))
    return level_us if np.all(np.abs(stays[1:] - level_us) <= SAME_US) else start_us


def _first(width_us: FloatArray, expected: Expectation) -> str:
    """Say whether low throttle, or neutral, came before an active width."""
    band = expected.band
    if band is None or not width_us.size:
        return ""
    inside = (width_us >= band.low_us) & (width_us <= band.high_us)
    if inside.all():
        return ""
    first_active = int(np.argmin(inside))
    if inside[:first_active].sum() >= LEAST:
        return "The stop range came first, by which an ESC may arm."
    return (
        f"It is commanded to run at {width_us[first_active]:.0f} us before it was ever told to "
        "stop. Many ESCs then want low throttle first; do not rely on it."
    )
