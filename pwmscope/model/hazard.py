"""A device that is commanded to run when the link comes back."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class HazardKind(StrEnum):
    """Why a device was commanded to run."""

    STICK_HELD = "jumps to the held stick"
    NO_STICK = "jumps to a width no stick commanded"
    LEAP = "runs before the link is back"


@dataclass(frozen=True, slots=True)
class Hazard:
    """A jump of outputs to active widths around the return of the link.

    It changes neither a verdict nor an exit code. The sentence is made in `report`.

    Parameters
    ----------
    kind : HazardKind
        Why.
    lines : tuple of str
        The lines that jumped.
    at_s : float
        When the first of them did, in seconds since the recording's start.
    width_us : float
        The width that it jumped to.
    from_us : float or None
        The width before; None where there were no pulses.
    times : int
        In how many losses.
    losses : int
        Of how many.
    source : str
        The recording.
    """

    kind: HazardKind
    lines: tuple[str, ...]
    at_s: float
    width_us: float
    from_us: float | None
    times: int
    losses: int
    source: str
