"""The pictures of mixing: where the robot would go, and what the hands did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pwmscope.advice.drive import Hands
from pwmscope.advice.mixing import Course
from pwmscope.bench import Axis, StepSpan
from pwmscope.plot import Mode, Picture, draw_drive_path, draw_sticks
from pwmscope.pulses import PulseTable


def mixing_pictures(
    course: Course | None,
    sticks: Mapping[Axis, PulseTable],
    end_s: float,
    *,
    mode: Mode = 2,
    steps: Sequence[StepSpan] = (),
) -> tuple[Picture, ...]:
    """Draw where the robot would go, before and after the advice, and the sticks."""
    pictures = []
    if course is not None:
        pictures.append(draw_drive_path(course.before, course.after, change=course.change))
    if sticks:
        pictures.append(draw_sticks(Hands.of(sticks, end_s), mode=mode, steps=tuple(steps)))
    return tuple(pictures)
