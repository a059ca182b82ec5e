"""The capture plan: what the hands do during a recording, step by step."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

Axis: TypeAlias = Literal["aileron", "elevator", "throttle", "rudder"]
AXES: Final[tuple[Axis, ...]] = get_args(Axis)

Mode: TypeAlias = Literal[1, 2]
"""Which axes lie on which stick (common practice): in mode 2 throttle and rudder are on the
left stick, elevator and aileron on the right; in mode 1 throttle and elevator change places."""
MODES: Final[tuple[Mode, ...]] = get_args(Mode)


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step of a capture plan.

    Parameters
    ----------
    name : str
        Its name, unique in the plan.
    seconds : float
        How long it takes.
    sticks : mapping of str to float
        Where each stick axis is held, from -1 to 1; right and forward are
        positive. An axis that is left out rests. For a throttle that rests at its
        low end, 1 is its other end and it never goes below 0.
    hands : str
        What the hands do, for a person.
    shows : str
        What the step will show.
    transmitter_on : bool
        Whether the transmitter is on meanwhile.
    """

    name: str
    seconds: float
    sticks: Mapping[Axis, float]
    hands: str = ""
    shows: str = ""
    transmitter_on: bool = True


@dataclass(frozen=True, slots=True)
class CapturePlan:
    """The steps of one recording, in order, one after the other.

    Parameters
    ----------
    steps : tuple of PlanStep
        At least one.
    robot : str
        Free text.
    mode : {1, 2}
        Which axes lie on which stick.
    marker : str
        The line that shows whether the transmitter is on; empty where there is none.
    within_us : float
        Half-width of the 95 % interval that a measured width shall have.
    sample_rate_hz : float
        Least sample rate for that.

    Examples
    --------
    >>> plan = CapturePlan((PlanStep("rest", 3.0, {}), PlanStep("forward", 2.0, {"elevator": 1})))
    >>> plan.seconds, plan.starts_s
    (5.0, (0.0, 3.0))
    """

    steps: tuple[PlanStep, ...]
    robot: str = ""
    mode: Mode = 2
    marker: str = ""
    within_us: float = 1.0
    sample_rate_hz: float = 1_000_000.0

    @property
    def seconds(self) -> float:
        """How long the plan takes."""
        return sum(step.seconds for step in self.steps)

    @property
    def starts_s(self) -> tuple[float, ...]:
        """When each step begins, from the plan's own start."""
        return (0.0, *itertools.accumulate(step.seconds for step in self.steps[:-1]))


@dataclass(frozen=True, slots=True)
class StepSpan:
    """Where one step of a plan was found in a recording.

    Parameters
    ----------
    step : PlanStep
        The step.
    start_s, end_s : float
        From when to when its sticks were held, in seconds of the recording.
    """

    step: PlanStep
    start_s: float
    end_s: float
