"""A metronome for the hands: it counts each step of a plan down and rings."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pwmscope.bench import CapturePlan
from pwmscope.report.cards.plan_text import format_clock

LEAD_S: Final = 5.0
_BELL: Final = "\a"


@dataclass(frozen=True, slots=True)
class Clock:
    """Where the metronome takes its time from."""

    now_s: Callable[[], float] = time.monotonic  # Seconds of a clock that never goes back
    wait_s: Callable[[float], None] = time.sleep  # Waits so many seconds

    def wait_until(self, instant_s: float) -> None:
        """Wait until the clock shows an instant; not at all if that is over."""
        left_s = instant_s - self.now_s()
        if left_s > 0.0:
            self.wait_s(left_s)


def run_metronome(
    plan: CapturePlan, write: Callable[[str], object], clock: Clock, *, counts: bool
) -> None:
    """Lead the hands through a plan in real time."""
    begin_s = clock.now_s() + LEAD_S
    bell = _BELL if counts else ""
    write(f"{bell}Start the recorder now. The first step begins in {LEAD_S:g} s.\n")
    if counts:
        _count_down("first step in", begin_s, write, clock)
    clock.wait_until(begin_s)
    names = [step.name for step in plan.steps]
    for at_s, step, follows in zip(plan.starts_s, plan.steps, [*names[1:], "the end"], strict=True):
        write(f"{bell}{format_clock(at_s):>6}  {step.name}, {step.seconds:g} s: {step.hands}\n")
        end_s = begin_s + at_s + step.seconds
        if counts:
            _count_down(f"then {follows} in", end_s, write, clock)
        clock.wait_until(end_s)
    write(f"{bell}The plan is over: stop the recorder. Switch the robot off before you touch it.\n")


def _count_down(what: str, end_s: float, write: Callable[[str], object], clock: Clock) -> None:
    """Rewrite one line each second, and blank it at the end."""
    said = ""
    for left in range(math.ceil(end_s - clock.now_s()), 0, -1):
        clock.wait_until(end_s - left)
        said = f"        {what} {left} "
        write(f"\r{said}")
    clock.wait_until(end_s)
    write("\r" + " " * len(said) + "\r")
