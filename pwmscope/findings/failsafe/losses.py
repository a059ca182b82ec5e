"""When the signal was lost: what a loss is, and the marker line that shows it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_S, Line
from pwmscope.errors import HintError

QUIET_S: Final = 0.2
"""A line without pulses for longer than this, and for 5 frames, has gone quiet."""
QUIET_FRAMES: Final = 5
BOUNCE_S: Final = 0.05
"""Marker levels shorter than this are contact bounce."""


class Known(StrEnum):
    """How the moment of a loss is known."""

    MARKED = "marked"
    STATED = "stated"
    INFERRED = "inferred"


@dataclass(frozen=True, slots=True)
class Moment:
    """How, and how well, the moment of a loss is known.

    Parameters
    ----------
    known : Known
        From a marker line, from a person, or from the outputs alone.
    within_s : float or None
        Marked: the sample interval before the marker's edge. Stated: half-width
        about the stated time. None where inferred.
    last_following_s : float or None
        Where inferred: when an output was last seen to follow a moving stick,
        which is the earliest the signal can have gone. None otherwise.
    """

    known: Known
    within_s: float | None
    last_following_s: float | None


@dataclass(frozen=True, slots=True)
class Loss:
    """One loss of the signal, or what looks like one.

    Parameters
    ----------
    lost_s : float
        Moment of loss in seconds since the capture's start; where it is inferred,
        the moment of its first visible effect.
    back_s : float
        The earliest moment at which the transmitter, or the first output, may
        have been back; the capture's end where it never was.
    came_back : bool
        Whether it came back within the capture.
    moment : Moment
        How well ``lost_s`` is known.
    lines : frozenset of str
        The lines it concerns.
    sentence : str
        How it is known.
    is_restart : bool
        Whether all lines went quiet while the transmitter was on, so that it is
        a supply or receiver restart rather than a loss.
    is_return_shown : bool
        Whether a marker, or the outputs beyond doubt, tell when it came back.
    doubt : str
        Why the recording contradicts it, as a sentence; empty where it does not.
    earliest_s, latest_s : float
        The earliest and the latest that the signal can have gone.
    """

    lost_s: float
    back_s: float
    came_back: bool
    moment: Moment
    lines: frozenset[str]
    sentence: str
    is_restart: bool = False
    is_return_shown: bool = False
    doubt: str = ""

    earliest_s: float = field(init=False)
    latest_s: float = field(init=False)

    def __post_init__(self) -> None:
        within_s = self.moment.within_s or 0.0
        stated = self.moment.known is Known.STATED
        followed_s = self.moment.last_following_s
        earliest_s = self.lost_s - within_s if followed_s is None else followed_s
        object.__setattr__(self, "earliest_s", earliest_s)
        object.__setattr__(self, "latest_s", self.lost_s + within_s * stated)

    @property
    def is_marked(self) -> bool:
        """Whether a marker line gives the moment."""
        return self.moment.known is Known.MARKED


@dataclass(frozen=True, slots=True)
class Marks:
    """What a marker line says.

    Parameters
    ----------
    losses : tuple of Loss
        Each stretch in which the transmitter went off.
    linked_s : float
        When the transmitter was first on; the capture's start where it was on
        from the beginning.
    """

    losses: tuple[Loss, ...]
    linked_s: float


def quiet_limit_s(usual_us: float) -> float:
    """Longest pause between pulses, in seconds, that is not yet quiet."""
    return max(QUIET_S, QUIET_FRAMES * usual_us / 1e6)


def marked_losses(
    marker: Line,
    end_s: float,
    lines: Iterable[str],
    *,
    on_level: int | None = None,
    start_s: float = 0.0,
    interval_us: float | None = None,
) -> Marks:
    """Read the losses off a wire that shows whether the transmitter is on.

    A level held for at least 50 ms counts; shorter ones are contact bounce. A
    change is timed at its first edge, so that a loss begins as early as it may
    have and ends as early as it may have.

    Parameters
    ----------
    marker : Line
        The wire on the transmitter's switch or on a push-button.
    end_s : float
        End of the capture in seconds.
    lines : iterable of str
        The lines that depend on the transmitter.
    on_level : int, optional
        The level, 0 or 1, that means on; by default that at the start.
    start_s : float
        Start of the capture in seconds.
    interval_us : float or None
        Interval between samples in microseconds.

    Returns
    -------
    Marks

    Raises
    ------
    HintError
        If the marker never changes, never holds a level, or is never on.
    """
    edges_s = marker.edges_ps / PS_PER_S
    if not edges_s.size:
        raise HintError(
            f"The marker line {marker.name} never changes, so it marks no loss; "
            "check its wire, or leave --off-line out."
        )
    begin_s, level = _held_levels(edges_s, marker, start_s, end_s)
    if begin_s.size < 2:
        raise HintError(
            f"The marker line {marker.name} changes {edges_s.size} times and never holds another "
            f"level for {BOUNCE_S * 1e3:.0f} ms, so it marks no loss; check its wire, or leave "
            "--off-line out."
        )
    is_on = level == (marker.initial_level if on_level is None else on_level)
    if not is_on.any():
        raise HintError(
            f"The marker line {marker.name} never shows the transmitter on; check which of its "
            "levels means on."
        )
    within = f", within a sample of {interval_us:.4g} us" if interval_us else ""
    moment = Moment(Known.MARKED, (interval_us or 0.0) / 1e6, None)
    concerned = frozenset(lines)
    ends_s = np.append(begin_s[1:], end_s)
    first_on = int(is_on.argmax())
    return Marks(
        tuple(
            Loss(
                off_s, on_s, on_s < end_s, moment, concerned,
                f"Line {marker.name} marks the transmitter off at {off_s:.3f} s{within}.",
                is_return_shown=True,
            )
            for off_s, on_s, on in zip(
                begin_s.tolist()[first_on:], ends_s.tolist()[first_on:], is_on[first_on:],
                strict=True,
            )
            if not on
        ),
        float(begin_s[first_on]),
    )  # fmt: skip


def _held_levels(
    edges_s: npt.NDArray[np.float64], marker: Line, start_s: float, end_s: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """List the levels that were held, and since when; each differs from the one before.

    The level at the start counts however soon it changes, one at the end only if it
    was seen for long enough.
    """
    bounds_s = np.concatenate([[start_s], edges_s, [end_s]])
    level = (marker.initial_level + np.arange(bounds_s.size - 1)) % 2
    held = np.diff(bounds_s) >= BOUNCE_S
    held[0] = True
    at = np.flatnonzero(held)
    changes = np.append(True, np.diff(level[at]) != 0)
    # A change began where the level held before it ended: at the first edge of its bounce.
    before_s = np.append(start_s, bounds_s[at[:-1] + 1])
    return before_s[changes], level[at][changes]
