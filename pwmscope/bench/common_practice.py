"""What the trade takes for granted: limits where no bench sheet says otherwise, and cautions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the trade; the event's rulebook and the devices' manuals come first.

    Parameters
    ----------
    neutral_us : float
        Largest distance of neutral from the convention's.
    overshoot_us : float
        How far a width may lie beyond the convention's endpoints.
    jitter_us : float
        Largest RMS jitter of the width while the stick stands still.
    failsafe_s : float
        Longest time from signal loss to a settled output.
    source : str
        Where the figures come from.
    excursion_us : float
        Farthest a single width may stray from its level while the stick stands still.
    weapon_motion_s, drive_motion_s : float
        Longest time from signal loss until a weapon, or a drive, turns slowly.
    """

    neutral_us: float
    overshoot_us: float
    jitter_us: float
    failsafe_s: float
    source: str
    excursion_us: float = 20.0
    weapon_motion_s: float = 60.0
    drive_motion_s: float = 2.0

    def scaled(self, span_us: float) -> Limits:
        """Return the limits for a convention whose endpoints lie ``span_us`` apart.

        The widths shrink with the convention's span, 1000 us for the standard
        servo; the failsafe time stays.

        Parameters
        ----------
        span_us : float
            Distance of the convention's endpoints, in microseconds.

        Returns
        -------
        Limits

        Examples
        --------
        >>> COMMON_PRACTICE.scaled(125.0).neutral_us
        2.5
        """
        scale = span_us / STANDARD_SPAN_US
        return replace(
            self, neutral_us=self.neutral_us * scale, overshoot_us=self.overshoot_us * scale,
            jitter_us=self.jitter_us * scale, excursion_us=self.excursion_us * scale,
        )  # fmt: skip


STANDARD_SPAN_US: Final = 1000.0
"""Distance of the standard servo convention's endpoints."""

COMMON_PRACTICE: Final = Limits(
    neutral_us=20.0,
    overshoot_us=10.0,
    jitter_us=4.0,
    failsafe_s=2.0,
    source=(
        "common practice, from memory. 20 us is a narrow ESC deadband, 10 us is 1 % of the "
        "travel, 4 us a servo's deadband. 2 s is the usual failsafe limit of event rulebooks. "
        "60 s is a usual time for a weapon to spin down"
    ),
)
"""Limits used when nothing more is known about the devices and the event."""


CAUTIONS: Final = (
    "Remove the weapon, or lock it so that it cannot turn.",
    "Lift the wheels off the ground and restrain the robot.",
    "Wear eye protection; keep hands, hair and bystanders away from everything that can move.",
    "Handle the battery as its maker says: undamaged, watched, fire protection at hand.",
    "Probe the receiver's 5 V servo pins only, never battery or motor wires; ground first.",
    "The event's rulebook and its safety officer decide; these measurements only inform them.",
)
"""The usual cautions, in the order in which they matter (common practice)."""
LINK_CAUTIONS: Final = (
    "Restrain everything on the bench that may be bound, not this robot alone.",
    "One transmitter at a time: the others are off, their batteries out.",
    "The receiver's manual decides how to bind. Some receivers lose their presets by it.",
)
"""What to mind before a link record, before the usual cautions (common practice)."""
MOTION_CAUTIONS: Final = (
    "Record a powered weapon only in the event's or club's closed test box, never on an open "
    "bench.",
    "Connect the analyser to the sensor's 5 V logic output only, never to motor or battery wires.",
)
"""What to mind before motion is recorded, before the usual cautions (common practice)."""
