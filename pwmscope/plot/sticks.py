"""The picture of what the hands did: both sticks over the whole recording."""

from __future__ import annotations

from typing import Final, Literal, TypeAlias

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pwmscope.advice.drive import Hands
from pwmscope.bench import Axis, StepSpan
from pwmscope.plot.style import (
    FONT_PT,
    LABEL_IN,
    LETTER_IN,
    WIDTH_IN,
    Picture,
    house_style,
    keep_extremes,
    panel,
    to_svg,
)
from pwmscope.plot.svg import BAND, GREY, INK

Mode: TypeAlias = Literal[1, 2]
STICKS: Final[dict[Mode, tuple[tuple[Axis, Axis], tuple[Axis, Axis]]]] = {
    1: (("rudder", "elevator"), ("aileron", "throttle")),
    2: (("rudder", "throttle"), ("aileron", "elevator")),
}
"""For each mode the sideways and the forward axis of the left and of the right stick
(common practice)."""
ENDS: Final[dict[Axis, tuple[str, str]]] = {
    "aileron": ("left", "right"),
    "rudder": ("left", "right"),
    "elevator": ("back", "forward"),
    "throttle": ("low", "high"),
}
_SIDE_IN: Final = 2.2
_LEFT_IN: Final = 0.55
_APART_IN: Final = 0.8
_FOOT_IN: Final = 0.55
_HEAD_IN: Final = 0.4
_MAX_TRACE: Final = 4000


def draw_sticks(hands: Hands, *, mode: Mode = 2, steps: tuple[StepSpan, ...] = ()) -> Picture:
    """Draw the trace of both sticks, seen from above.

    Parameters
    ----------
    hands : Hands
        Where the sticks were.
    mode : {1, 2}, optional
        Which axes are on which stick. Mode 2: rudder and throttle left, aileron and
        elevator right; mode 1: rudder and elevator left, aileron and throttle right.
    steps : tuple of StepSpan, optional
        Where the steps of a plan were found; each is numbered where its sticks were
        held, and named beside.

    Returns
    -------
    Picture
        ``sticks``. Forward is up.
    """
    listed_in = LABEL_IN * (len(steps) + 1) + 0.2
    drawn_in = max(_HEAD_IN + _SIDE_IN, listed_in)
    with house_style():
        figure = Figure((WIDTH_IN, drawn_in + _FOOT_IN))
        for k, axes_pair in enumerate(STICKS[mode]):
            left_in = _LEFT_IN + k * (_SIDE_IN + _APART_IN)
            bottom_in = _FOOT_IN + drawn_in - _HEAD_IN - _SIDE_IN
            axes = panel(figure, left_in, bottom_in, _SIDE_IN, _SIDE_IN)
            _draw_square(axes, ("left stick", "right stick")[k], axes_pair)
            _draw_trace(axes, hands, axes_pair)
            _draw_steps(axes, hands, axes_pair, steps)
        _list_steps(figure, steps)
        svg = to_svg(figure)
    return Picture("sticks", svg, _caption(mode, steps), _alt(hands, mode, steps))


def _draw_square(axes: Axes, name: str, pair: tuple[Axis, Axis]) -> None:
    sideways, forward = pair
    axes.set_xlim(-1.15, 1.15)
    axes.set_ylim(-1.15, 1.15)
    axes.fill([-1, 1, 1, -1], [-1, -1, 1, 1], color=BAND, linewidth=0, zorder=0)
    axes.plot([-1, 1], [0, 0], color=GREY, linewidth=0.5, linestyle=(0, (6, 4)), zorder=1)
    axes.plot([0, 0], [-1, 1], color=GREY, linewidth=0.5, linestyle=(0, (6, 4)), zorder=1)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.tick_params(length=0)
    axes.set_xticks([-1, 0, 1], [ENDS[sideways][0], sideways, ENDS[sideways][1]])
    axes.set_yticks([-1, 0, 1], [ENDS[forward][0], forward, ENDS[forward][1]])
    for label, place in zip(axes.get_yticklabels(), ("bottom", "center", "top"), strict=True):
        label.set(rotation=90, verticalalignment=place)
    left, _, right = axes.get_xticklabels()
    left.set_horizontalalignment("left")
    right.set_horizontalalignment("right")
    axes.set_title(name, weight="bold", loc="left")


def _known(hands: Hands, axis: Axis) -> npt.NDArray[np.float64]:
    return hands.position.get(axis, np.zeros(hands.time_s.size))


def _draw_trace(axes: Axes, hands: Hands, pair: tuple[Axis, Axis]) -> None:
    unknown = [axis for axis in pair if axis not in hands.position]
    if len(unknown) == 2:
        axes.text(0.0, -0.5, "not recorded", ha="center", va="center", color=GREY)
        return
    x, y = (_known(hands, axis) for axis in pair)
    if x.size > _MAX_TRACE:
        both = [keep_extremes(hands.time_s, each, _MAX_TRACE // 8) for each in (x, y)]
        kept = np.unique(np.concatenate(both))
        x, y = x[kept], y[kept]
    axes.plot(x, y, color=INK, linewidth=0.8, zorder=2, clip_on=False)
    axes.plot(
        x[:1], y[:1], marker="o", markersize=6, markerfacecolor="white", markeredgecolor=INK,
        markeredgewidth=1.2, zorder=4,
    )  # fmt: skip
    if unknown:
        axes.text(
            0.0, -0.97, f"{unknown[0]} not recorded", ha="center", va="bottom", color=GREY,
            fontsize=FONT_PT - 0.5,
        )  # fmt: skip


def _draw_steps(
    axes: Axes, hands: Hands, pair: tuple[Axis, Axis], steps: tuple[StepSpan, ...]
) -> None:
    """Write the numbers of the steps where the sticks were held, together at one place."""
    if not any(axis in hands.position for axis in pair):
        return
    places: dict[tuple[float, float], list[str]] = {}
    for number, span in enumerate(steps, 1):
        held = (hands.time_s >= span.start_s) & (hands.time_s < span.end_s)
        if not held.any():
            continue
        x, y = (float(np.median(_known(hands, axis)[held])) for axis in pair)
        near = [at for at in places if abs(at[0] - x) < 0.16 and abs(at[1] - y) < 0.16]
        places.setdefault(near[0] if near else (x, y), []).append(str(number))
    for (x, y), numbers in places.items():
        axes.plot([x], [y], marker="s", markersize=5, color=INK, zorder=3)
        axes.annotate(
            " ".join(numbers), (x, y), (5 if x <= 0.7 else -5, 4), textcoords="offset points",
            ha="left" if x <= 0.7 else "right", weight="bold", zorder=5,
        )  # fmt: skip


def _list_steps(figure: Figure, steps: tuple[StepSpan, ...]) -> None:
    wide_in, high_in = figure.get_size_inches()
    left_in = _LEFT_IN + 2 * _SIDE_IN + _APART_IN + 0.3
    most = int((wide_in - left_in) / LETTER_IN)
    for number, span in enumerate(steps, 1):
        words = f"{number}  {span.step.name}, at {span.start_s:.1f} s"
        if len(words) > most:
            words = words[: most - 1] + "…"
        height_in = high_in - _HEAD_IN - LABEL_IN * number
        figure.text(left_in / wide_in, height_in / high_in, words)


def _caption(mode: Mode, steps: tuple[StepSpan, ...]) -> str:
    left, right = (f"{forward} and {sideways}" for sideways, forward in STICKS[mode])
    numbered = " Numbered squares: where the sticks were held in each step." if steps else ""
    return (
        f"What the hands did, from above; forward is up. Mode {mode}: {left} on the left stick, "
        f"{right} on the right (common practice). Open circle: where the recording "
        f"begins.{numbered}"
    )


def _alt(hands: Hands, mode: Mode, steps: tuple[StepSpan, ...]) -> str:
    told = [f"Both sticks in mode {mode}, seen from above."]
    for axis, position in hands.position.items():
        least, most = float(position.min()), float(position.max())
        told.append(f"{axis.capitalize()} from {least:+.2f} to {most:+.2f}.")
    told += [f"Step {number}: {span.step.name}." for number, span in enumerate(steps, 1)]
    return " ".join(told)
