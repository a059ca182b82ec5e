"""A capture plan as plain text, cautions first."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import Final

from pwmscope.bench import CAUTIONS, CapturePlan
from pwmscope.capture import format_rate
from pwmscope.model import CLOCK_TOLERANCE, COVERAGE

WIDTH: Final = 100
SPARE_S: Final = 10.0
"""Seconds by which the recorder shall run longer than the steps, for starting and stopping it."""
BEFORE: Final = "Before anything is powered"
BEGIN: Final = (
    "Start the recorder first, then the steps; some seconds more at either end do no harm. Be "
    "brisk on the way and still at the end of it: what counts is where the sticks are held."
)


def plan_text(plan: CapturePlan, width: int = WIDTH) -> str:
    """Write a plan as text: cautions, what to set, the steps with their times.

    Examples
    --------
    >>> from pwmscope.bench import PlanStep
    >>> print(plan_text(CapturePlan((PlanStep("rest", 5.0, {}, "Touch nothing."),))))
    ... # doctest: +ELLIPSIS
    Before anything is powered
      - Remove the weapon, or lock it so that it cannot turn.
    ...
      begins  lasts  step
        0:00    5 s  rest            Touch nothing.
    <BLANKLINE>
    """
    told = [BEFORE, *(_wrapped(caution, "  - ", "    ", width) for caution in CAUTIONS), ""]
    told += [plan_title(plan), *(_wrapped(line, "  ", "  ", width) for line in plan_needs(plan))]
    told += ["", *_table(plan, width)]
    return "\n".join(told) + "\n"


def plan_title(plan: CapturePlan) -> str:
    """Name a plan.

    Examples
    --------
    >>> plan_title(CapturePlan((), "Quince"))
    'One recording of Quince, mode 2'
    """
    return f"One recording{f' of {plan.robot}' if plan.robot else ''}, mode {plan.mode}"


def plan_needs(plan: CapturePlan) -> tuple[str, ...]:
    """Say what to set on the recorder, and why."""
    rate = format_rate(1e12 / plan.sample_rate_hz)
    length_s = math.ceil(plan.seconds + SPARE_S)
    sampling_us = COVERAGE * 1e6 / plan.sample_rate_hz / math.sqrt(6.0)
    clock_us = COVERAGE * 1500.0 * CLOCK_TOLERANCE / math.sqrt(3.0)
    needs = [
        f"Record at {rate} or faster, for {length_s} s or longer: {plan.seconds:.0f} s of steps "
        "and some to spare.",
        f"So each width is known within {plan.within_us:g} us (95 %): sampling at {rate} gives "
        f"{sampling_us:.2g} us, the analyser's clock (100 ppm) {clock_us:.2g} us, and each stick "
        "is held long enough to average the width's own scatter.",
        "A longer recording does not make up for a lower rate: where the receiver's edges keep "
        "step with the analyser's clock, every pulse repeats the same sampling error and "
        "averaging cannot lessen it. The rate reckons with that.",
    ]
    if plan.marker:
        needs.append(
            f"Line {plan.marker} must show whether the transmitter is on. Begin with it on."
        )
    elif any(not step.transmitter_on for step in plan.steps):
        needs.append(
            "There is no marker line, so the moment at which the transmitter goes off is not "
            "recorded, and neither is the time until the outputs stop; docs/bench.md says how to "
            "add one."
        )
    return (*needs, BEGIN)


def format_clock(time_s: float) -> str:
    """Write a time of the plan's clock as minutes and seconds.

    Examples
    --------
    >>> format_clock(0.0), format_clock(65.0), format_clock(12.5)
    ('0:00', '1:05', '0:12.5')
    """
    minutes, seconds = divmod(round(time_s, 1), 60.0)
    whole, tenth = divmod(round(seconds * 10), 10)
    return f"{int(minutes)}:{whole:02d}" + (f".{tenth}" if tenth else "")


def _table(plan: CapturePlan, width: int) -> Iterator[str]:
    names = max(14, *(len(step.name) for step in plan.steps))
    yield "  begins  lasts  step"
    for begin_s, step in zip(plan.starts_s, plan.steps, strict=True):
        lead = f"{format_clock(begin_s):>8}  {step.seconds:>3g} s  {step.name:<{names}}  "
        told = step.hands + (f" Shows {step.shows}." if step.shows else "")
        yield _wrapped(told, lead, " " * len(lead), max(width, len(lead) + 20)) or lead.rstrip()


def _wrapped(text: str, first: str, next_lines: str, width: int) -> str:
    return textwrap.fill(text, width, initial_indent=first, subsequent_indent=next_lines)
