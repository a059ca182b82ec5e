"""What a line's pulses are held against: conventions as data."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from pwmscope.errors import HintError


@dataclass(frozen=True, slots=True)
class Convention:
    """How a kind of output encodes a stick position as a pulse width.

    Parameters
    ----------
    name : str
        What the trade calls it.
    low_us, neutral_us, high_us : float
        Widths at the low endpoint, at neutral and at the high endpoint.
    period_us : float
        Nominal frame period.
    period_low_us, period_high_us : float
        Frame periods that devices of this kind take.
    accepted_low_us, accepted_high_us : float
        Widths outside this range are not taken for servo pulses at all and
        stay out of the statistics; they are counted.
    glitch_us : float
        A high or a low shorter than this is a glitch.
    source : str
        Where the figures come from.
    """

    name: str
    low_us: float
    neutral_us: float
    high_us: float
    period_us: float
    period_low_us: float
    period_high_us: float
    accepted_low_us: float
    accepted_high_us: float
    glitch_us: float
    source: str

    @property
    def span_us(self) -> float:
        """Width between the two endpoints."""
        return self.high_us - self.low_us


STANDARD_SERVO: Final = Convention(
    name="standard servo",
    low_us=1000.0,
    neutral_us=1500.0,
    high_us=2000.0,
    period_us=20_000.0,
    period_low_us=10_000.0,
    period_high_us=25_000.0,
    accepted_low_us=750.0,
    accepted_high_us=2250.0,
    glitch_us=100.0,
    source=(
        "common practice: 1000-1500-2000 us every 20 ms (10 to 25 ms are taken by analogue "
        "servos and ESCs alike, from memory); the accepted range is that of a "
        "transmitter set to 150 % travel; 100 us is a tenth of the shortest endpoint"
    ),
)
"""The convention of hobby servos and ESCs (common practice)."""

FAST_SERVO: Final = replace(
    STANDARD_SERVO,
    name="fast servo",
    period_us=3_000.0,
    period_low_us=2_400.0,
    period_high_us=10_000.0,
    source=(
        "common practice, from memory: the standard widths at 100 to 400 frames a second, "
        "for digital servos and ESCs only; an analogue servo may overheat"
    ),
)
"""Standard widths at higher frame rates (common practice, from memory)."""


def _shorter(name: str, divisor: float, period_us: tuple[float, float, float]) -> Convention:
    """Scale the standard convention's widths down by a divisor."""
    low_us, usual_us, high_us = period_us
    return Convention(
        name=name,
        low_us=STANDARD_SERVO.low_us / divisor,
        neutral_us=STANDARD_SERVO.neutral_us / divisor,
        high_us=STANDARD_SERVO.high_us / divisor,
        period_us=usual_us,
        period_low_us=low_us,
        period_high_us=high_us,
        accepted_low_us=STANDARD_SERVO.accepted_low_us / divisor,
        accepted_high_us=STANDARD_SERVO.accepted_high_us / divisor,
        glitch_us=STANDARD_SERVO.glitch_us / divisor,
        source=(
            f"common practice, from memory: the standard widths divided by {divisor:g}, for ESCs "
            "that are set to it"
        ),
    )


EIGHTH_WIDTH: Final = _shorter("eighth width", 8.0, (260.0, 1000.0, 25_000.0))
"""125 to 250 us, up to some 3800 frames a second (common practice, from memory)."""

TWENTY_FOURTH_WIDTH: Final = _shorter("twenty-fourth width", 24.0, (90.0, 500.0, 25_000.0))
"""About 42 to 83 us, up to some 11000 frames a second (common practice, from memory)."""

CONVENTIONS: Final = {
    convention.name: convention
    for convention in (STANDARD_SERVO, FAST_SERVO, EIGHTH_WIDTH, TWENTY_FOURTH_WIDTH)
}
"""All conventions by name."""


def convention_named(name: str) -> Convention:
    """Look up a convention.

    Raises
    ------
    HintError
        If there is none of this name.

    Examples
    --------
    >>> convention_named("fast servo").period_us
    3000.0
    """
    found = CONVENTIONS.get(" ".join(name.lower().split()))
    if found is None:
        raise HintError(
            f"There is no convention '{name}'; the conventions are {', '.join(CONVENTIONS)}."
        )
    return found
