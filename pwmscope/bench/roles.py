"""What a recorded line is for, and at which widths the device on it stands still."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

Role: TypeAlias = Literal[
    "drive-left",
    "drive-right",
    "weapon",
    "servo",
    "stick-aileron",
    "stick-elevator",
    "stick-throttle",
    "stick-rudder",
    "unused",
]
ROLES: Final[tuple[Role, ...]] = get_args(Role)
DRIVES: Final[tuple[Role, ...]] = ("drive-left", "drive-right")
STICKS: Final[tuple[Role, ...]] = (
    "stick-aileron",
    "stick-elevator",
    "stick-throttle",
    "stick-rudder",
)
UNUSED: Final[Role] = "unused"
"""A recorded line with nothing on it."""

NoPulses: TypeAlias = Literal["stops", "keeps going"]
NO_PULSES: Final[tuple[NoPulses, ...]] = get_args(NoPulses)

SuppliedBy: TypeAlias = Literal["receiver", "outside"]
SUPPLIED_BY: Final[tuple[SuppliedBy, ...]] = get_args(SuppliedBy)


@dataclass(frozen=True, slots=True)
class StopBand:
    """The stop range: the widths at which a device stands still.

    Parameters
    ----------
    low_us, high_us : float
        Its ends, both included.
    source : str
        Where it comes from, as a sentence; it says which default was taken.

    Examples
    --------
    >>> StopBand(1480.0, 1520.0, "The bench sheet states it.").holds(1520.0)
    True
    """

    low_us: float
    high_us: float
    source: str

    def holds(self, width_us: float) -> bool:
        """Say whether a width lies in the range."""
        return self.low_us <= width_us <= self.high_us

    @property
    def words(self) -> str:
        """The range as words.

        Examples
        --------
        >>> StopBand(1470.0, 1530.0, "").words, StopBand(0.0, 1020.0, "").words
        ('1470 to 1530 us', 'up to 1020 us')
        """
        if self.low_us <= 0:
            return f"up to {self.high_us:g} us"
        return f"{self.low_us:g} to {self.high_us:g} us"
