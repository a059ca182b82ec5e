"""The house style of all pictures, and figures turned into SVG text.

Ink on white; what matters differs in shape, hatch or weight as well as in
colour, so a copy in black and white tells the same.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol, TypeAlias

import matplotlib.style
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pwmscope.errors import ArgumentError, OutputError, format_given, require_type
from pwmscope.findings import ChannelFindings, Findings, Verdict
from pwmscope.output import refuse_to_overwrite, replace_file, write_text
from pwmscope.plot.strips import Tile
from pwmscope.plot.svg import ALARM, GREY, INK

WIDTH_IN: Final = 8.0
FONT_PT: Final = 9.0
PNG_DPI: Final = 160
PICTURE_FORMS: Final = ("svg", "png", "pdf")
LETTER_IN: Final = 0.58 * FONT_PT / 72.0
"""Mean width of a letter, a little generous."""
LABEL_IN: Final = 1.4 * FONT_PT / 72.0
"""Least distance between the middles of two labels, one above the other."""

_STYLE: Final[dict[str, Any]] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "pwmscope",
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Helvetica", "Arial"],
    "font.size": FONT_PT,
    "axes.titlesize": FONT_PT,
    "axes.titley": 1.0,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "text.color": INK,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "hatch.color": GREY,
    "hatch.linewidth": 0.5,
    "lines.linewidth": 0.9,
}


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture, ready for any output.

    Parameters
    ----------
    name : str
        What it is, as a word for a file name: ``first-frames``,
        ``width-over-time`` or ``width-histogram``.
    svg : str
        One ``<svg>`` element.
    caption : str
        How to read it, in whole sentences.
    alt : str
        What it shows, for someone who cannot see it.
    tiles : tuple of Tile
        The small drawings that it is put together from, which a page sets side by side; empty
        for a picture in one piece.
    """

    name: str
    svg: str
    caption: str
    alt: str
    tiles: tuple[Tile, ...] = ()


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the house style, whatever settings the person's matplotlib has."""
    with matplotlib.style.context(["default", _STYLE]):
        yield


def new_axes(size_in: tuple[float, float], place_in: tuple[float, float, float, float]) -> Axes:
    """Make axes on a figure of their own, which a notebook shows."""
    import matplotlib.pyplot as plt  # noqa: PLC0415 - it chooses how figures are shown

    # Outside the house style: making the first figure settles how figures are shown for good.
    figure = plt.figure(figsize=size_in, facecolor="white")
    with house_style():
        return panel(figure, *place_in)


def channel_of(result: ChannelResult, recording: int = 0) -> ChannelFindings:
    """Take a channel out of what shows one line, in one recording or in several."""
    wanted = "what was found about a line, such as analysis['RX1']"
    found: object = result
    if not isinstance(result, ChannelFindings):
        several = getattr(result, "channels", None)
        if not isinstance(several, tuple) or not -len(several) <= recording < len(several):
            raise ArgumentError("result", format_given(result), wanted)
        found = several[recording]
    require_type("result", found, ChannelFindings, wanted)
    assert isinstance(found, ChannelFindings)  # just seen
    if found.not_servo is not None:
        raise ArgumentError("result", f"about {found.line}. {found.not_servo}", wanted)
    return found


def findings_of(result: Findings | RecordingsResult, recording: int = 0) -> Findings:
    """Take the findings of one recording out of what shows one or several."""
    wanted = "what pwmscope.examine or pwmscope.analyse gives"
    found: object = result
    if not isinstance(result, Findings):
        several = getattr(result, "findings", None)
        if not isinstance(several, tuple) or not -len(several) <= recording < len(several):
            raise ArgumentError("result", format_given(result), wanted)
        found = several[recording]
    require_type("result", found, Findings, wanted)
    assert isinstance(found, Findings)  # just seen
    return found


class RecordingsResult(Protocol):
    """What shows several recordings, as `pwmscope.analyse` gives it."""

    @property
    def findings(self) -> tuple[Findings, ...]:
        """What each recording shows."""


class LineResult(Protocol):
    """What shows one line in several recordings, as ``analysis["RX1"]`` does."""

    @property
    def channels(self) -> tuple[ChannelFindings, ...]:
        """What each recording shows of it."""


ChannelResult: TypeAlias = ChannelFindings | LineResult


def outside_colour(channel: ChannelFindings) -> str:
    """Choose the colour of pulses outside the convention: an alarm only beyond the limit."""
    within = any(
        finding.name == "pulse width range" and finding.verdict is Verdict.MEETS
        for finding in channel.findings
    )
    return GREY if within else ALARM


def panel(
    figure: Figure, left_in: float, bottom_in: float, width_in: float, height_in: float
) -> Axes:
    """Place axes on a figure, measured in inches from its lower left corner."""
    whole_in = figure.get_size_inches()
    axes = figure.add_axes(
        (
            left_in / whole_in[0],
            bottom_in / whole_in[1],
            width_in / whole_in[0],
            height_in / whole_in[1],
        )
    )
    axes.set_title("", y=1.0)  # a place that is settled costs no search for one at each drawing
    return axes


def to_svg(figure: Figure) -> str:
    """Write a figure as SVG text; the same figure gives the same text.

    Returns
    -------
    str
        One ``<svg>`` element; its words stay words.
    """
    written = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(written, format="svg", metadata=nothing)
    text = written.getvalue()
    return text[text.index("<svg") :]


def write_figure(figure: Figure, path: Path, *, replace: bool) -> None:
    """Write a figure to a file, whole or not at all; its suffix says in which form.

    Parameters
    ----------
    figure : Figure
        The figure, drawn in the house style.
    path : Path
        A file that ends in ``.svg``, ``.png`` or ``.pdf``.
    replace : bool
        Whether a file that is there may be replaced.

    Raises
    ------
    OutputError
        If it ends otherwise, a file is in the way, or it cannot be written.
    """
    form = picture_form(path)
    refuse_to_overwrite(path, replace=replace)
    if form == "svg":
        write_text(path, to_svg(figure), replace=replace)
        return
    replace_file(path, lambda out: figure.savefig(out, format=form, dpi=PNG_DPI))


def picture_form(path: Path) -> str:
    """Read off a file's name in which form a picture is wanted.

    Examples
    --------
    >>> picture_form(Path("losses.SVG"))
    'svg'
    """
    form = path.suffix.lower().removeprefix(".")
    if form not in PICTURE_FORMS:
        raise OutputError(f"{path}: a picture's name ends in .svg, .png or .pdf; choose one.")
    return form


def spread(middles: list[float], gap: float, low: float, high: float) -> list[float]:
    """Move labels apart along a line, as little as the order allows.

    Examples
    --------
    >>> spread([1.0, 1.5, 9.0], 1.0, 0.0, 10.0)
    [1.0, 2.0, 9.0]
    >>> spread([9.5, 10.0], 1.0, 0.0, 10.0)
    [9.0, 10.0]
    """
    placed: list[float] = []
    for middle in middles:
        placed.append(max(middle, placed[-1] + gap if placed else low))
    limit = high
    for i in range(len(placed) - 1, -1, -1):
        placed[i] = min(placed[i], limit)
        limit = placed[i] - gap
    return placed


def stack(spans: list[tuple[float, float]], rows: int) -> list[int | None]:
    """Give each label a row in which it lies over no earlier one.

    Examples
    --------
    >>> stack([(0, 4), (3, 6), (5, 8), (7, 9)], 2)
    [0, 1, 0, 1]
    >>> stack([(0, 4), (1, 5)], 1)
    [0, None]
    """
    filled = [float("-inf")] * rows
    given: list[int | None] = []
    for left, right in spans:
        row = next((i for i, end in enumerate(filled) if end <= left), None)
        if row is not None:
            filled[row] = right
        given.append(row)
    return given


def keep_extremes(
    time_s: npt.NDArray[np.float64],
    value: npt.NDArray[np.float64],
    columns: int,
) -> npt.NDArray[np.int64]:
    """Choose the points that show what all points would show.

    The time span is cut into equal columns, one for each pixel; each column
    keeps the first of its smallest and the first of its largest values, so an
    outlier of a single pulse is drawn whatever the number of pulses.

    Examples
    --------
    >>> time_s = np.arange(10.0)
    >>> keep_extremes(time_s, np.array([5.0, 5, 5, 9, 5, 5, 5, 5, 1, 5]), 2)
    array([0, 3, 5, 8])
    """
    if time_s.size <= 2 * columns:
        return np.arange(time_s.size)
    column = _columns(time_s, columns)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    counts = np.diff(starts, append=time_s.size)
    least = np.repeat(np.minimum.reduceat(value, starts), counts)
    most = np.repeat(np.maximum.reduceat(value, starts), counts)
    return np.union1d(_firsts(value == least, column), _firsts(value == most, column))


def _columns(time_s: npt.NDArray[np.float64], columns: int) -> npt.NDArray[np.int64]:
    since_s = time_s - time_s[0]
    if not since_s[-1] > 0:
        return np.zeros(time_s.size, np.int64)
    place = np.floor(since_s / since_s[-1] * columns).astype(np.int64)
    inside: npt.NDArray[np.int64] = np.minimum(place, columns - 1)
    return inside


def _firsts(wanted: npt.NDArray[np.bool_], column: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Rows of the first wanted point of every column."""
    rows = np.flatnonzero(wanted)
    firsts: npt.NDArray[np.int64] = rows[np.diff(column[rows], prepend=-1) > 0]
    return firsts
