"""The few elements that drawings made by hand are built of, as SVG text."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from pwmscope.model import format_plainly

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

    Examples
    --------
    >>> "&lt;b&gt;?" in words(0, 0, "<b>\n")
    True
    """
    shown = escape(format_plainly(text))
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" font-weight="{weight}" '
        f'text-anchor="{anchor}" fill="{fill}">{shown}</text>'
    )


def stroke(
    points: Sequence[tuple[float, float]],
    *,
    width: float = 1.5,
    dash: str = "",
    colour: str = INK,
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


def tag(x: float, y: float, text: str, *, size: float = 11.0) -> str:
    """Write a text about the middle x, y on a white ground, so that it can lie on a line."""
    half = 0.5 * cells(text) * size * _LETTER + 4.0
    ground = (
        f'<rect x="{x - half:g}" y="{y - 0.75 * size:g}" width="{2 * half:g}" '
        f'height="{1.5 * size:g}" fill="#ffffff"/>'
    )
    return ground + words(x, y + 0.35 * size, text, size=size, anchor="middle")


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

    Examples
    --------
    >>> cells("RX1"), cells("左")
    (3, 2)
    """
    return sum(1 + (unicodedata.east_asian_width(letter) in "WF") for letter in text)


def fit(text: str, width: float, size: float = SIZE) -> str:
    """Cut a text off where it would grow wider than a width.

    Examples
    --------
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

    Examples
    --------
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
