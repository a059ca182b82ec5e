"""A capture plan as text and as a card to print."""

from __future__ import annotations

import importlib.resources
import json
import math
import textwrap
from collections.abc import Iterator
from typing import Final

from pwmscope import __version__
from pwmscope.bench import NO_HAND, ONE_HAND, TWO_HANDS, TWO_PEOPLE, CapturePlan
from pwmscope.capture import format_rate
from pwmscope.model import CLOCK_TOLERANCE, COVERAGE

_FOLDER: Final = "pwmscope.report.cards"


def fill_card(template: str, **values: object) -> str:
    """Fill a card's template, its style inside."""
    import jinja2  # noqa: PLC0415 - slow to import
    from markupsafe import Markup  # noqa: PLC0415

    folder = importlib.resources.files(_FOLDER)
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    style = Markup(folder.joinpath("card.css").read_text("utf-8"))
    return environment.from_string(folder.joinpath(template).read_text("utf-8")).render(
        style=style, version=__version__, **values
    )


WIDTH: Final = 100
SPARE_S: Final = 10.0
"""Seconds by which the recorder shall run longer than the steps, for starting and stopping it."""
BEFORE: Final = "Before anything is powered"
BEGIN: Final = (
    "Start the recorder first, then the steps. Some spare seconds at either end do no harm. Move "
    "the sticks briskly, then hold them still. Lay the transmitter on a table: the column hands "
    "says how many each step takes."
)

BEGIN_MOVING: Final = (
    "Start the recorder first, then the steps. Lay the transmitter on the table: one thumb keeps a "
    "stick moving, the other hand switches. A light needs its sensor taped over it, dark all "
    "round. Power the sensor from the analyser's side, never from the receiver."
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
      begins  lasts  hands  step
        0:00    5 s         rest            Touch nothing.
    <BLANKLINE>
    """
    told = [BEFORE, *(_wrapped(caution, "  - ", "    ", width) for caution in plan.cautions), ""]
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
        f"Each width is then known within {plan.within_us:g} us (95 %). Sampling gives "
        f"{sampling_us:.2g} us of that, the analyser's clock (100 ppm) {clock_us:.2g} us.",
        "A longer recording does not make up for a lower rate. The same sampling error may repeat "
        "in every pulse.",
    ]
    if plan.marker:
        begin = (
            "Begin with it on."
            if plan.steps[0].transmitter_on
            else "Begin with it off, and the robot without power."
        )
        needs.append(f"Line {plan.marker} must show whether the transmitter is on. {begin}")
    elif any(not step.transmitter_on for step in plan.steps):
        needs.append(
            "There is no marker line. The moment of the loss and the stop time will not be "
            "recorded. docs/bench.md says how to add a marker."
        )
    return (*needs, BEGIN_MOVING if plan.is_marker_calibration else BEGIN)


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


def format_who(who: str) -> str:
    """Write who does a step as a table's column has it.

    Examples
    --------
    >>> format_who("one person, two hands"), format_who("two people"), format_who("")
    ('two', '2 people', '')
    """
    return _HANDS.get(who, who)


_HANDS: Final = {NO_HAND: "none", ONE_HAND: "one", TWO_HANDS: "two", TWO_PEOPLE: "2 people"}


def _table(plan: CapturePlan, width: int) -> Iterator[str]:
    names = max(14, *(len(step.name) for step in plan.steps))
    hands = max(5, *(len(format_who(step.who)) for step in plan.steps))
    yield f"  begins  lasts  {'hands':<{hands}}  step"
    for begin_s, step in zip(plan.starts_s, plan.steps, strict=True):
        lead = f"{format_clock(begin_s):>8}  {step.seconds:>3g} s  "
        lead += f"{format_who(step.who):<{hands}}  {step.name:<{names}}  "
        told = step.hands + (f" Shows {step.shows}." if step.shows else "")
        yield _wrapped(told, lead, " " * len(lead), max(width, len(lead) + 20)) or lead.rstrip()


def _wrapped(text: str, first: str, next_lines: str, width: int) -> str:
    return textwrap.fill(text, width, initial_indent=first, subsequent_indent=next_lines)


def plan_json(plan: CapturePlan) -> str:
    """Write a plan as JSON: its steps with their times, and how long it takes."""
    steps = [
        {
            "name": step.name, "begins_s": at_s, "seconds": step.seconds,
            "transmitter_on": step.transmitter_on, "sticks": dict(step.sticks),
            "controls": dict(step.controls), "moves": list(step.moves), "who": step.who,
            "hands": step.hands, "shows": step.shows,
        }
        for at_s, step in zip(plan.starts_s, plan.steps, strict=True)
    ]  # fmt: skip
    told = {
        "schema": 1, "robot": plan.robot, "mode": plan.mode, "marker": plan.marker,
        "duration_s": round(plan.seconds, 3), "sample_rate_hz": plan.sample_rate_hz,
        "within_us": plan.within_us, "cautions": list(plan.cautions), "steps": steps,
    }  # fmt: skip
    return json.dumps(told, indent=2, ensure_ascii=False) + "\n"


def plan_card(plan: CapturePlan) -> str:
    """Write a plan as one page of HTML: cautions, what to set, the steps with boxes to tick."""
    return fill_card(
        "plan_card.html.j2",
        title=plan_title(plan),
        before=BEFORE,
        cautions=plan.cautions,
        needs=plan_needs(plan),
        steps=[
            (format_clock(at), format_who(step.who), step)
            for at, step in zip(plan.starts_s, plan.steps, strict=True)
        ],
    )
