"""What one channel of a receiver does while its transmitter is off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, TypeAlias

from pwmscope.synth.errors import ScriptError, require


@dataclass(frozen=True, slots=True)
class PulsesStop:
    """The pulses go on at the last width for a while and then stop.

    Parameters
    ----------
    after_s : float
        Seconds from the moment of loss until the pulses stop.
    rests_at : int
        Level at which the line rests without pulses, 0 or 1, before any
        inversion. A line pulled up rests at 1.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    behaviour: ClassVar[str] = "pulses stop"
    after_s: float = 0.0
    rests_at: int = 0

    def __post_init__(self) -> None:
        require("after_s", self.after_s, least=0)
        if self.rests_at not in (0, 1):
            raise ScriptError("rests_at", self.rests_at, "0 or 1")


@dataclass(frozen=True, slots=True)
class HoldsLast:
    """The pulses go on at the last width that was received."""

    behaviour: ClassVar[str] = "holds last"


@dataclass(frozen=True, slots=True)
class GoesToPreset:
    """The pulses go on at the last width for a while, then at a set width.

    Parameters
    ----------
    preset_us : float
        The set width in microseconds.
    after_s : float
        Seconds from the moment of loss for which the last width is held.
    silent_s : float
        Seconds for which the pulses then stop.
    ramp_s : float
        Seconds over which the width then goes evenly from the last to the set one.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    behaviour: ClassVar[str] = "goes to preset"
    preset_us: float
    after_s: float = 0.0
    silent_s: float = 0.0
    ramp_s: float = 0.0

    def __post_init__(self) -> None:
        require("preset_us", self.preset_us, above=0)
        for key in ("after_s", "silent_s", "ramp_s"):
            require(key, getattr(self, key), least=0)

    @property
    def settles_after_s(self) -> float:
        """Seconds from the moment of loss until the set width is reached."""
        return self.after_s + self.silent_s + self.ramp_s


@dataclass(frozen=True, slots=True)
class Wanders:
    """The width walks at random, turned back at two bounds.

    Parameters
    ----------
    low_us, high_us : float
        The bounds in microseconds.
    step_us : float
        Standard deviation of the step from one frame to the next.

    Raises
    ------
    ScriptError
        If a value is out of its range.
    """

    behaviour: ClassVar[str] = "wanders"
    low_us: float
    high_us: float
    step_us: float

    def __post_init__(self) -> None:
        require("low_us", self.low_us, above=0)
        require("high_us", self.high_us, above=self.low_us)
        require("step_us", self.step_us, above=0)


@dataclass(frozen=True, slots=True)
class KeepsFollowing:
    """The channel follows its stick all the time; its link is not lost."""

    behaviour: ClassVar[str] = "keeps following"


Behaviour: TypeAlias = PulsesStop | HoldsLast | GoesToPreset | Wanders | KeepsFollowing

BEHAVIOURS: tuple[type[Behaviour], ...] = (
    PulsesStop,
    HoldsLast,
    GoesToPreset,
    Wanders,
    KeepsFollowing,
)
