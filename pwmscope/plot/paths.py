"""The picture of where the robot would drive, seen from above, before and after a change."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.markers import MarkerStyle
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D

from pwmscope.advice.drive import Path
from pwmscope.errors import ArgumentError, format_given, require_type
from pwmscope.plot.style import (
    FONT_PT,
    LABEL_IN,
    LETTER_IN,
    WIDTH_IN,
    Picture,
    house_style,
    new_axes,
    panel,
    to_svg,
)
from pwmscope.plot.svg import BAND, GREY, INK

MARKS: Final = 5
"""Most heading marks along a path, its end's apart."""
_APART_IN: Final = 0.3
"""Two heading marks are at least so far apart on the picture."""
SPOT: Final = 0.02
"""A path shorter than this part of the picture's longest is drawn as turning on the spot."""
_MARGIN_IN: Final = 0.12
_HEAD_IN: Final = 0.4
_FOOT_IN: Final = 0.5
_WORDS_IN: Final = 0.58
_GAP_IN: Final = 0.14
_ARROW: Final = Outline(
    [(0.0, 0.6), (0.36, -0.45), (0.0, -0.22), (-0.36, -0.45), (0.0, 0.6)], closed=True
)


def drive_path(path: Path | Sequence[Path], *, ax: Axes | None = None) -> Axes:
    """Draw where a robot would drive, seen from above.

    Parameters
    ----------
    path : Path or sequence of Path
        One path as `pwmscope.advice.drive.drive_path` gives it, or several, which all begin
        at the same place; they are named at their ends then.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        Metres; ahead is up, left is left. An open circle is the start, the large arrowhead
        the end.

    Raises
    ------
    ArgumentError
        If it is something else.

    Examples
    --------
    >>> ahead_m = np.linspace(0.0, 1.0, 50)
    >>> pose = np.column_stack([ahead_m, np.zeros(50), np.zeros(50)])
    >>> axes = drive_path(Path("forward", pose, 1.0))
    >>> axes.get_ylabel()
    'ahead (m)'
    """
    wanted = "a path, or several, as pwmscope.advice.drive gives them"
    several = [path] if isinstance(path, Path) else path
    if not isinstance(several, Sequence) or not several:
        raise ArgumentError("path", format_given(path), wanted)
    for one in several:
        require_type("path", one, Path, wanted)
    if ax is None:
        ax = new_axes((4.6, 4.6), (0.7, 0.6, 3.7, 3.7))
    places = [_page(one.pose) - _page(one.pose)[0] for one in several]
    every = np.concatenate(places)
    reach_m = max(0.55 * float(np.ptp(every, axis=0).max()), 0.1)
    middle = (every.min(axis=0) + every.max(axis=0)) / 2.0
    ax.set_xlim(middle[0] - reach_m, middle[0] + reach_m)
    ax.set_ylim(middle[1] - reach_m, middle[1] + reach_m)
    ax.set_aspect("equal")
    for one, place in zip(several, places, strict=True):
        _draw_path(ax, one, place, reach_m, per_m_in=3.7 / (2.0 * reach_m))
        if len(several) > 1:
            ax.annotate(one.name, place[-1], (6, 2), textcoords="offset points", color=GREY)
    ax.set_xlabel("to the right (m)")
    ax.set_ylabel("ahead (m)")
    return ax


def _draw_path(
    axes: Axes, path: Path, place: npt.NDArray[np.float64], reach_m: float, *, per_m_in: float
) -> None:
    """Draw a path with its start, or turning on the spot."""
    if path.length_m < SPOT * reach_m:
        _draw_spot(axes, path, place[-1], reach_m)
    else:
        _draw_track(axes, path, place, per_m_in=per_m_in)
    axes.plot(
        *place[0], marker="o", markersize=6, markerfacecolor="white", markeredgecolor=INK,
        markeredgewidth=1.2, zorder=4,
    )  # fmt: skip


def draw_drive_path(
    before: tuple[Path, ...], after: tuple[Path, ...] = (), *, change: str = ""
) -> Picture:
    """Draw paths seen from above, each from its own start, all to one scale.

    Parameters
    ----------
    before : tuple of Path
        The paths as the recorded outputs drive them, at least one.
    after : tuple of Path, optional
        The same steps after a change.
    change : str, optional
        What was changed, in a few words.

    Returns
    -------
    Picture
        ``drive-path``. Ahead is up.
    """
    halves = 2 if after else 1
    half_in = (WIDTH_IN - 2 * _MARGIN_IN - (halves - 1) * 4 * _GAP_IN) / halves
    columns = min(len(before), 4 if halves == 1 else 2)
    cell_in = min((half_in - (columns - 1) * _GAP_IN) / columns, 3.2)
    rows = math.ceil(len(before) / columns)
    told = (("before", before), (f"after: {change}" if change else "after", after))
    headings = [textwrap.wrap(words, int(half_in / LETTER_IN))[:2] for words, _ in told]
    head_in = _MARGIN_IN
    if after:
        head_in = _HEAD_IN + LABEL_IN * (max(map(len, headings)) - 1)
    high_in = head_in + rows * (cell_in + _WORDS_IN) + _FOOT_IN
    reach_m = _reach_m((*before, *after))
    with house_style():
        figure = Figure((WIDTH_IN, high_in))
        for half, (_, paths) in enumerate(told[:halves]):
            left_in = _MARGIN_IN + half * (half_in + 4 * _GAP_IN)
            if halves == 2:
                for line, words in enumerate(headings[half]):
                    _write(figure, left_in, high_in - 0.2 - LABEL_IN * line, words, bold=True)
            for k, path in enumerate(paths):
                row, column = divmod(k, columns)
                at_in = (
                    left_in + column * (cell_in + _GAP_IN),
                    high_in - head_in - (row + 1) * (cell_in + _WORDS_IN),
                )
                _draw_cell(figure, at_in, cell_in, path, reach_m, first=half == k == 0)
        if halves == 2:
            middle = 0.5
            figure.add_artist(_line([middle, middle], [_FOOT_IN / high_in, 1.0 - 0.08 / high_in]))
        _draw_scale(figure, cell_in, reach_m, halves * len(before))
        svg = to_svg(figure)
    return Picture("drive-path", svg, _CAPTION, _alt(before, after, change))


_CAPTION: Final = (
    "Where the recorded widths would drive the robot, from above. Ahead is up. Open circles: "
    "steps begin. Arrowheads: the nose. Large arrowhead: the end. All to one scale. Wheels are "
    "taken not to slip and to reach their speed at once."
)


def _reach_m(paths: tuple[Path, ...]) -> float:
    """Half the side of the square that holds the widest path."""
    sizes = [float(np.ptp(path.pose[:, :2], axis=0).max()) for path in paths]
    return max(0.66 * max(sizes), 0.1)


def _draw_cell(
    figure: Figure,
    at_in: tuple[float, float],
    cell_in: float,
    path: Path,
    reach_m: float,
    *,
    first: bool,
) -> None:
    axes = panel(figure, at_in[0], at_in[1] + _WORDS_IN, cell_in, cell_in)
    axes.set_facecolor("white")
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_color(BAND)
    axes.set_xticks([])
    axes.set_yticks([])
    place = _page(path.pose)
    middle = (place.min(axis=0) + place.max(axis=0)) / 2.0
    axes.set_xlim(middle[0] - reach_m, middle[0] + reach_m)
    axes.set_ylim(middle[1] - reach_m, middle[1] + reach_m)
    _draw_path(axes, path, place, reach_m, per_m_in=cell_in / (2.0 * reach_m))
    if first:
        onward = place[min(1 + len(place) // 8, len(place) - 1), 1]
        below = onward >= place[0, 1]  # behind the robot, where the path is not
        aside = float(middle[0] - place[0, 0]) / reach_m
        side = "center" if not 0.02 < abs(aside) < 0.5 else "right" if aside > 0 else "left"
        axes.annotate(
            "start", place[0], (0, -15 if below else 8), textcoords="offset points", color=GREY,
            fontsize=FONT_PT - 0.5, ha=side, zorder=5,
        )  # fmt: skip
    for line, words in enumerate((path.name, *_format_path(path))):
        height_in = at_in[1] + _WORDS_IN - 0.16 * (line + 1)
        _write(figure, at_in[0], height_in, _cut(words, cell_in), bold=not line)


def _page(pose: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Turn poses into places on the page: ahead is up, left is left."""
    return np.column_stack([-pose[:, 1], pose[:, 0]])


def _draw_track(axes: Axes, path: Path, place: npt.NDArray[np.float64], per_m_in: float) -> None:
    axes.plot(place[:, 0], place[:, 1], color=INK, linewidth=1.3, zorder=2)
    run_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(place, axis=0).T))])
    marks = min(MARKS, int(float(run_m[-1]) * per_m_in / _APART_IN) - 1)
    wanted_m = run_m[-1] * np.arange(1, marks + 1) / (marks + 1)
    for row in np.unique(np.searchsorted(run_m, wanted_m)):
        _nose(axes, place[row], path.pose[row, 2], size=8, filled=False)
    _nose(axes, place[-1], path.pose[-1, 2], size=12, filled=True)


def _draw_spot(axes: Axes, path: Path, place: npt.NDArray[np.float64], reach_m: float) -> None:
    """Draw turning on the spot as an arc round it, or standing still as a nose alone."""
    turn = float(path.pose[-1, 2] - path.pose[0, 2])
    if abs(turn) < 0.01:
        _nose(axes, place, 0.0, size=12, filled=True)
        return
    shown = math.copysign(min(abs(turn), math.radians(310.0)), turn)
    angle = np.linspace(0.0, shown, 80)
    arc = place + 0.35 * reach_m * np.column_stack([-np.sin(angle), np.cos(angle)])
    axes.plot(arc[:, 0], arc[:, 1], color=INK, linewidth=1.3, zorder=2)
    # The arrowhead points along the arc: a quarter turn on from the radius.
    _nose(axes, arc[-1], shown + math.copysign(math.pi / 2.0, turn), size=12, filled=True)


def _nose(
    axes: Axes, place: npt.NDArray[np.float64], heading: float, *, size: float, filled: bool
) -> None:
    mark = MarkerStyle(_ARROW, transform=Affine2D().rotate(heading))
    axes.plot(
        [place[0]], [place[1]], marker=mark, markersize=size, color=INK, linestyle="none",
        markerfacecolor=INK if filled else "white", markeredgecolor=INK, markeredgewidth=0.9,
        zorder=3,
    )  # fmt: skip


def _format_path(path: Path) -> tuple[str, ...]:
    turned = path.turned_deg
    x_m, y_m, _ = path.pose[-1] - path.pose[0]
    went_m = math.hypot(x_m, y_m)
    if abs(turned) < 0.5:
        if went_m < 0.005:
            return ("stands still",)
        return (f"straight, {went_m:.2f} m" + (" back" if x_m < 0 else ""),)
    way = "left" if turned > 0 else "right"
    if went_m < 0.005:
        return f"turns {abs(turned):.0f}° {way}", "on the spot"
    return f"turns {abs(turned):.0f}° {way}", f"ends {went_m:.2f} m from start"


def _draw_scale(figure: Figure, cell_in: float, reach_m: float, panels: int) -> None:
    """Draw a bar of a round length, with the length beside it."""
    per_m_in = cell_in / (2.0 * reach_m)
    longest_m = 1.2 / per_m_in
    decade_m = 10.0 ** math.floor(math.log10(longest_m))
    bar_m = max(step * decade_m for step in (1.0, 2.0, 5.0) if step * decade_m <= longest_m)
    wide_in, high_in = figure.get_size_inches()
    begin, end = _MARGIN_IN / wide_in, (_MARGIN_IN + bar_m * per_m_in) / wide_in
    height = 0.22 / high_in
    figure.add_artist(_line([begin, end], [height, height], INK, 2.4))
    _write(
        figure,
        _MARGIN_IN + bar_m * per_m_in + 0.08,
        0.17,
        f"{bar_m:g} m" + (", in every panel" if panels > 1 else ""),
    )


def _line(x: list[float], y: list[float], colour: str = GREY, width: float = 0.6) -> Line2D:
    return Line2D(x, y, color=colour, linewidth=width)


def _write(
    figure: Figure, left_in: float, bottom_in: float, words: str, *, bold: bool = False
) -> None:
    wide_in, high_in = figure.get_size_inches()
    weight = "bold" if bold else "normal"
    figure.text(left_in / wide_in, bottom_in / high_in, words, weight=weight)


def _cut(words: str, wide_in: float) -> str:
    most = max(int(wide_in / LETTER_IN), 4)
    return words if len(words) <= most else words[: most - 1] + "…"


def _alt(before: tuple[Path, ...], after: tuple[Path, ...], change: str) -> str:
    told = [f"Paths seen from above. {'Before the change: ' if after else ''}"]
    told += [path.sentence for path in before]
    if after:
        told.append(f"After the change{f' ({change})' if change else ''}:")
        told += [path.sentence for path in after]
    return " ".join(words.strip() for words in told)
