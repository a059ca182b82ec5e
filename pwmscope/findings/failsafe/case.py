"""All that the verdict on one loss of one line rests on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from pwmscope.findings.failsafe.expectation import Expectation
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.response import LossClass, Response

EXTRA_FRAMES: Final = 5
"""A loss must be seen for so many frames longer than the limit."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What all losses of one line share.

    Parameters
    ----------
    expected : Expectation
        What the bench sheet expects of it.
    limit_s : float
        The failsafe limit.
    frame_s, span_us, range_us : float
        Frame period, the convention's span, and what counts as one level.
    stop_delays_s, preset_delays_s : tuple of float
        How long after each marked loss its pulses stopped, or it went to its preset.
    end_s : float
        End of the capture.
    """

    expected: Expectation
    limit_s: float
    frame_s: float
    span_us: float
    range_us: float
    stop_delays_s: tuple[float, ...]
    preset_delays_s: tuple[float, ...]
    end_s: float


@dataclass(frozen=True, slots=True)
class Case:
    """One loss of one line.

    Parameters
    ----------
    loss : Loss
        The loss.
    response : Response
        What the line did.
    setting : Setting
        What all losses of the line share.
    error_s : float or None
        How far the difference of two instants may be off: a sample interval and
        the clock; None where the sample interval is not known.
    stopped_s, last_outside_s, before_us : float
        As in `StopTimes`; NaN where there is no stop range.
    was_outside : bool
        As in `StopTimes`.
    together : tuple of Response
        What all lines did in the same loss, this one among them.
    looks_restarted : bool
        Whether lines went quiet at once and came back before the link did.
    """

    loss: Loss
    response: Response
    setting: Setting
    error_s: float | None
    stopped_s: float
    last_outside_s: float
    before_us: float
    was_outside: bool
    together: tuple[Response, ...]
    looks_restarted: bool

    @property
    def others(self) -> Iterator[Response]:
        """What the other lines did."""
        return (response for response in self.together if response is not self.response)

    @property
    def behaviour(self) -> LossClass | None:
        """What the line did in the end; None where that is not told, or it was no loss."""
        return None if self.loss.is_restart else self.response.behaviour

    @property
    def lasted_s(self) -> float:
        """How long the loss lasted at least."""
        return self.loss.back_s - self.loss.latest_s

    @property
    def needed_s(self) -> float:
        """How long it must last to show anything."""
        return self.setting.limit_s + EXTRA_FRAMES * self.setting.frame_s

    @property
    def is_short(self) -> bool:
        """Whether it was over too soon."""
        return self.lasted_s < self.needed_s

    @property
    def stop_least_s(self) -> float:
        """Least time from the loss until the device was commanded to stand still."""
        return max(0.0, self.last_outside_s - self.loss.latest_s)

    @property
    def stop_most_s(self) -> float:
        """Most time from the loss until then; infinity where it never was."""
        return self.stopped_s - self.loss.earliest_s + (self.error_s or 0.0)
