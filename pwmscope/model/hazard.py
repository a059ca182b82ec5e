"""A device that is commanded to run when the link comes back."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pwmscope.model.letters import format_line


class HazardKind(StrEnum):
    """Why a device was commanded to run."""

    STICK_HELD = "jumps to the held stick"
    NO_STICK = "jumps to a width no stick commanded"
    LEAP = "runs before the link is back"


@dataclass(frozen=True, slots=True)
class Hazard:
    """A jump of outputs to active widths around the return of the link.

    It changes neither a verdict nor an exit code. Printed, it begins with ``! Hazard:``.

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

    Examples
    --------
    >>> print(Hazard(HazardKind.LEAP, ("RX3",), 13.015, 1700.0, None, 1, 2, "a.csv"))
    ! Hazard: RX3 is commanded to run at 1700 us before the link is back (13.015 s; 1 of 2 losses).
    """

    kind: HazardKind
    lines: tuple[str, ...]
    at_s: float
    width_us: float
    from_us: float | None
    times: int
    losses: int
    source: str

    @property
    def sentence(self) -> str:
        """Where devices are commanded to run, and when."""
        names = [format_line(name) for name in self.lines]
        several = len(names) > 1
        who = f"{', '.join(names[:-1])} and {names[-1]}" if several else names[0]
        runs = f"{who} {'are' if several else 'is'} commanded to run"
        when = f"({self.at_s:.3f} s; {self.times} of {self.losses} losses)"
        if self.kind is HazardKind.STICK_HELD:
            held = "their held sticks" if several else "its held stick"
            return f"{runs} by {held} when the link is back {when}."
        if self.kind is HazardKind.NO_STICK:
            return f"{runs} at {self.width_us:.0f} us by no stick when the link is back {when}."
        return f"{runs} at {self.width_us:.0f} us before the link is back {when}."

    def __str__(self) -> str:
        return f"! Hazard: {self.sentence}"
