"""The house's look of a picture, and its SVG: small, and the same bytes each time."""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, Protocol, TypeAlias, TypeVar
from xml.sax.saxutils import escape, quoteattr

import matplotlib.style
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pwmscope.errors import ArgumentError, OutputError, format_given, require_type
from pwmscope.findings import ChannelFindings, Findings, Verdict
from pwmscope.model import BoolArray, FloatArray, IntArray, format_plainly
from pwmscope.output import refuse_to_overwrite, replace_file, write_text
from pwmscope.plot.strips import Tile

_Kind = TypeVar("_Kind")

INK: Final = "#1b1f24"
GREY: Final = "#5b6470"
BAND: Final = "#e6efee"
DWELL: Final = "#9dbfbd"
ALARM: Final = "#b23a0e"
LOSS: Final = "#fff1d2"
"""The colours of all pictures; none carries a meaning alone."""
SIZE: Final = 13.0
"""Height of ordinary letters in px."""
_LETTER: Final = 0.58
"""Mean width of a letter over its height, a little generous."""
_FONT: Final = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif"
MARK: Final = 12.0
"""Half the width of a mark in px."""


def words(
    x: float,
    y: float,
    text: str,
    *,
    size: float = SIZE,
    weight: str = "normal",
    anchor: str = "start",
    fill: str = INK,
) -> str:
    r"""Write one line of text, its base line at y.

    >>> "&lt;b&gt;?" in words(0, 0, "<b>\n")
    True
    """
    shown = escape(format_plainly(text))
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" font-weight="{weight}" '
        f'text-anchor="{anchor}" fill="{fill}">{shown}</text>'
    )


def stroke(
    points: Sequence[tuple[float, float]], *, width: float = 1.5, dash: str = "", colour: str = INK
) -> str:
    """Draw a line through points."""
    path = " ".join(f"{x:g},{y:g}" for x, y in points)
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    drawn = f'fill="none" stroke="{colour}" stroke-width="{width:g}"{dashed}'
    return f'<polyline points="{path}" {drawn}/>'


def box(
    x: float,
    y: float,
    width: float,
    height: float,
    *,
    border: float = 1.5,
    dash: str = "",
    fill: str = "#ffffff",
) -> str:
    """Draw a box with its upper left corner at x, y."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" fill="{fill}" '
        f'stroke="{INK}" stroke-width="{border:g}"{dashed}/>'
    )


def shape(points: Iterable[tuple[float, float]], *, fill: str = INK) -> str:
    """Draw a filled shape with its corners at points."""
    return f'<polygon points="{" ".join(f"{x:g},{y:g}" for x, y in points)}" fill="{fill}"/>'


def arrow(x: float, y: float, towards: int, *, long: float = 12.0) -> str:
    """Draw an arrow's head with its point at x, y, to the right (1) or the left (-1)."""
    return shape([(x, y), (x - towards * long, y - 6.0), (x - towards * long, y + 6.0)])


def dot(x: float, y: float) -> str:
    """Draw the dot at which wires are joined."""
    return f'<circle cx="{x:g}" cy="{y:g}" r="4" fill="{INK}"/>'


_TAG: Final = 11.0
"""Size of a text that lies on a line."""


def tag(x: float, y: float, text: str) -> str:
    """Write a text about the middle x, y on a white ground, so that it can lie on a line."""
    half = 0.5 * cells(text) * _TAG * _LETTER + 4.0
    ground = (
        f'<rect x="{x - half:g}" y="{y - 0.75 * _TAG:g}" width="{2 * half:g}" '
        f'height="{1.5 * _TAG:g}" fill="#ffffff"/>'
    )
    return ground + words(x, y + 0.35 * _TAG, text, size=_TAG, anchor="middle")


def broken_mark(x: float, y: float, number: int) -> str:
    """Draw the mark of a rule that is not met: a filled triangle with its number."""
    top, bottom = y - 1.1 * MARK, y + 0.9 * MARK
    corners = [(x, top), (x + 1.25 * MARK, bottom), (x - 1.25 * MARK, bottom)]
    number_said = words(
        x,
        y + 0.6 * MARK,
        str(number),
        size=12 if number < 10 else 10,
        weight="bold",
        anchor="middle",
        fill="#ffffff",
    )
    return shape(corners, fill=ALARM) + number_said


def open_mark(x: float, y: float, number: int) -> str:
    """Draw the mark of a rule that is not shown: an open circle with its number."""
    circle = (
        f'<circle cx="{x:g}" cy="{y:g}" r="{0.9 * MARK:g}" fill="#ffffff" stroke="{INK}" '
        'stroke-width="1.5" stroke-dasharray="3 2"/>'
    )
    return circle + words(x, y + 4.2, str(number), size=12, anchor="middle")


def cells(text: str) -> int:
    """Count the letters of a text, wide ones twice.

    >>> cells("RX1"), cells("左")
    (3, 2)
    """
    return sum(1 + (unicodedata.east_asian_width(letter) in "WF") for letter in text)


def fit(text: str, width: float, size: float = SIZE) -> str:
    """Cut a text off where it would grow wider than a width.

    >>> fit("left drive ESC", 60.0)
    'left d…'
    """
    most = max(1, int(width / (_LETTER * size)))
    plain = format_plainly(text[: most + 1])
    if cells(plain) <= most:
        return plain
    while cells(plain) > most - 1:
        plain = plain[:-1]
    return plain + "…"


def fill_lines(text: str, width: float, size: float = SIZE, most: int = 4) -> list[str]:
    """Break a text into lines of a width; what is beyond the last one is cut off.

    >>> fill_lines("each with its own plug", 90.0)
    ['each with', 'its own', 'plug']
    """
    lines = [""]
    for word in format_plainly(text).split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and cells(longer) * size * _LETTER > width:
            lines.append(word)
        else:
            lines[-1] = longer
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [fit(line, width, size) for line in lines]


def document(width: float, height: float, title: str, told: str, parts: Iterable[str]) -> str:
    """Put parts together to one picture with a title and a description in words."""
    name = quoteattr(format_plainly(title))
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}" height="{height:g}" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" aria-label={name} '
        f'font-family="{_FONT}">'
    )
    title, told = escape(format_plainly(title)), escape(format_plainly(told))
    ground = f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>'
    return "\n".join(
        [head, f"<title>{title}</title>", f"<desc>{told}</desc>", ground, *parts, "</svg>", ""]
    )


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
    """One picture, ready for any output."""

    # What it is, as a word for a file name: `first-frames`, `width-over-time` or `width-histogram`
    name: str
    svg: str  # One `<svg>` element
    caption: str  # How to read it, in whole sentences
    alt: str  # What it shows, for someone who cannot see it
    # The small drawings that it is put together from, which a page sets side by side; empty for a
    # picture in one piece
    tiles: tuple[Tile, ...] = ()


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the house style, whatever settings the person's matplotlib has."""
    with matplotlib.style.context(["default", _STYLE]):
        yield


def axes_on(
    ax: Axes | None,
    size_in: tuple[float, float],
    place_in: tuple[float, float, float, float],
) -> Axes:
    """Take the axes that were given, or make some on a figure of their own for a notebook."""
    if ax is not None:
        require_type("ax", ax, Axes, "an Axes of matplotlib, or None")
        return ax
    import matplotlib.pyplot as plt  # noqa: PLC0415 - it chooses how figures are shown

    # Outside the house style: making the first figure settles how figures are shown for good.
    figure = plt.figure(figsize=size_in, facecolor="white")
    with house_style():
        return panel(figure, *place_in)


def channel_of(result: ChannelResult, recording: int = 0) -> ChannelFindings:
    """Take a channel out of what shows one line, in one recording or in several."""
    wanted = "what was found about a line, such as analysis['RX1']"
    found = _one_of(result, ChannelFindings, "channels", recording, wanted)
    if found.not_servo is not None:
        raise ArgumentError("result", f"about {found.line}. {found.not_servo}", wanted)
    return found


def findings_of(result: Findings | RecordingsResult, recording: int = 0) -> Findings:
    """Take the findings of one recording out of what shows one or several."""
    wanted = "what pwmscope.examine or pwmscope.analyse gives"
    return _one_of(result, Findings, "findings", recording, wanted)


def _one_of(result: object, kind: type[_Kind], several: str, recording: int, wanted: str) -> _Kind:
    found = result
    if not isinstance(result, kind):
        held = getattr(result, several, None)
        if not isinstance(held, tuple) or not -len(held) <= recording < len(held):
            raise ArgumentError("result", format_given(result), wanted)
        found = held[recording]
    require_type("result", found, kind, wanted)
    assert isinstance(found, kind)  # just seen
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
    """Write a figure as SVG text; the same figure gives the same text."""
    written = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(written, format="svg", metadata=nothing)
    text = written.getvalue()
    return text[text.index("<svg") :]


def write_figure(figure: Figure, path: Path, *, replace: bool) -> None:
    """Write a figure to a file, whole or not at all; its suffix says in which form."""
    form = picture_form(path)
    refuse_to_overwrite(path, replace=replace)
    if form == "svg":
        write_text(path, to_svg(figure), replace=replace)
        return
    replace_file(path, lambda out: figure.savefig(out, format=form, dpi=PNG_DPI))


def picture_form(path: Path) -> str:
    """Read off a file's name in which form a picture is wanted.

    >>> picture_form(Path("losses.SVG"))
    'svg'
    """
    form = path.suffix.lower().removeprefix(".")
    if form not in PICTURE_FORMS:
        raise OutputError(f"{path}: a picture's name ends in .svg, .png or .pdf; choose one.")
    return form


def spread(middles: list[float], gap: float, low: float, high: float) -> list[float]:
    """Move labels apart along a line, as little as the order allows.

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


def keep_extremes(time_s: FloatArray, value: FloatArray, columns: int) -> IntArray:
    """Choose the points that show what all points would show.

    The time span is cut into equal columns, one for each pixel; each column
    keeps the first of its smallest and the first of its largest values, so an
    outlier of a single pulse is drawn whatever the number of pulses.

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


def _columns(time_s: FloatArray, columns: int) -> IntArray:
    since_s = time_s - time_s[0]
    if not since_s[-1] > 0:
        return np.zeros(time_s.size, np.int64)
    place = np.floor(since_s / since_s[-1] * columns).astype(np.int64)
    inside: IntArray = np.minimum(place, columns - 1)
    return inside


def _firsts(wanted: BoolArray, column: IntArray) -> IntArray:
    """Rows of the first wanted point of every column."""
    rows = np.flatnonzero(wanted)
    return rows[np.diff(column[rows], prepend=-1) > 0]


DECIMALS: Final = 2
"""Places kept of a coordinate, in points; a hundredth is 3.5 um on paper."""
_COORDINATES: Final = re.compile(r'(?<= )(?:d|x|y|width|height|transform)="[^"]*"')
_FRACTION: Final = re.compile(r"\d+\.\d{3,}")
_STILL: Final = re.compile(r' transform="rotate\(-?0 [^"]*\)"')
_USE: Final = r'<use xlink:href="#%s" x="[^"]*" y="[^"]*" style="%s"/>\s*'
_MARKS: Final = re.compile(
    _USE % ('(?P<mark>[^"]*)', '(?P<style>[^"]*)')
    + "(?:"
    + _USE % ("(?P=mark)", "(?P=style)")
    + ")+"
)
_PLACE: Final = re.compile(r'x="([^"]*)" y="([^"]*)"')
_DISC: Final = re.compile(
    r'<path id="([^"]*)" d="M 0 ([\d.]+)\s+C [^"MLz]*z\s*" style="stroke: [^";]*"/>'
)
_INK: Final = re.compile(r"fill: ([^;]+); stroke: ([^;]+)")
_STROKES: Final = re.compile(
    r'<path d="[^"]*" (?P<rest>(?:clip-path="[^"]*" )?style="fill: none;[^"]*")/>\s*'
    r'(?:<path d="[^"]*" (?P=rest)/>\s*)+'
)
_OUTLINE: Final = re.compile(r' d="([^"]*)"')


def compacted(picture: Picture) -> Picture:
    """Write a picture's coordinates shorter, and the style of a row of marks once.

    Nothing is left out: there are as many marks and corners as before, each within
    a hundredth of a point of its place. A row of discs becomes a row of round dots.
    """
    svg = _STILL.sub("", picture.svg)
    discs = {mark: float(radius) for mark, radius in _DISC.findall(svg)}
    svg = _COORDINATES.sub(_shortened, svg)
    svg = _STROKES.sub(_joined, svg)
    return replace(picture, svg=_MARKS.sub(lambda found: _row(found, discs), svg))


def _shortened(found: re.Match[str]) -> str:
    return re.sub(r"\s+", " ", _FRACTION.sub(_rounded, found[0]))


def _rounded(found: re.Match[str]) -> str:
    return f"{float(found[0]):.{DECIMALS}f}".rstrip("0").rstrip(".")


def _joined(found: re.Match[str]) -> str:
    """Draw strokes that look alike at one go; where they are seen through, one by one."""
    if "opacity" in found["rest"]:
        return found[0]
    return f'<path d="{"".join(_OUTLINE.findall(found[0]))}" {found["rest"]}/>'


def _row(found: re.Match[str], discs: dict[str, float]) -> str:
    """Write a row of marks: discs as dots of one stroke, others under one style."""
    style, ink = found["style"], _INK.fullmatch(found["style"])
    radius = discs.get(found["mark"])
    if radius is None or ink is None or ink[1] != ink[2]:
        said = f' style="{style}"'
        return f"<g{said}>{found[0].replace(said, '')}</g>"
    # A disc's outline is one unit wide, half of it outside; see SVG 2, 13.5.4 on empty subpaths.
    dots = "".join(f"M{x} {y}h0" for x, y in _PLACE.findall(found[0]))
    width = f"{2.0 * radius + 1.0:g}"
    return (
        f'<path d="{dots}" style="fill: none; stroke: {ink[1]}; stroke-width: {width}; '
        'stroke-linecap: round"/>'
    )
