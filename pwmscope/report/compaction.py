"""Pictures in fewer bytes: the same marks, their numbers and styles written shorter."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

from pwmscope.plot import Picture

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
