"""What a line's pulses are held against: conventions as data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


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
