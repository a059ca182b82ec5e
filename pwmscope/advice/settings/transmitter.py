"""What is known of a transmitter's settings for one channel."""

from __future__ import annotations

from dataclasses import dataclass

from pwmscope.advice.settings.scale import PercentScale


@dataclass(frozen=True, slots=True)
class Transmitter:
    """A transmitter's settings for one channel.

    Parameters
    ----------
    scale : PercentScale or None
        What a percent is worth; None where it is not known.
    step_percent : float
        The smallest step.
    most_percent : float
        The largest endpoint that can be set; 125 is usual (common practice, from memory;
        the transmitter's manual decides).
    """

    scale: PercentScale | None = None
    step_percent: float = 1.0
    most_percent: float = 125.0

    @property
    def reach_us(self) -> float | None:
        """How far from 0 % the width can go; None without a scale.

        Examples
        --------
        >>> Transmitter(PercentScale(4.0, 0.0, "as stated")).reach_us
        500.0
        """
        return None if self.scale is None else self.scale.us_per_percent * self.most_percent
