"""What a device is given from power-up on: what it learns, and what it may arm by."""

from __future__ import annotations

from typing import Final

import numpy as np

from pwmscope.bench import MOTORS
from pwmscope.findings.failsafe.expectation import Expectation
from pwmscope.findings.failsafe.power_up import BeforeLink
from pwmscope.model import Definition, Evidence, Finding, FloatArray, measured, not_shown
from pwmscope.pulses import PulseTable

NAME: Final = "start-up width"
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
    NAME,
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
        return measured(NAME, "no pulses", "", f"No pulses came before the link. {first}".strip())
    start_us = float(np.median(width_us[:marked]))
    where = (Evidence(before.start_s, before.until_s, marked),)
    rest_us = _rest_us(rise_s[marked:], width_us[marked:], start_us)
    if rest_us is None:
        return not_shown(
            NAME, "us",
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
    return measured(NAME, off_us, "us", f"{said} {first}".strip(), evidence=where)


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
