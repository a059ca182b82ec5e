"""The pictures of a report: of one line, of the bench, of the drive, and of a failsafe check."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from pwmscope.advice import Course, Hands, advise_mixing, course_of
from pwmscope.bench import Axis, BenchSheet, Mode, StepSpan, check_wiring
from pwmscope.capture import Capture
from pwmscope.findings import ChannelFindings, Findings
from pwmscope.findings.failsafe import Failsafe
from pwmscope.findings.mixing import examine_mixing, find_lines
from pwmscope.model import Span
from pwmscope.plot import (
    Picture,
    draw_drive_path,
    draw_first_frames,
    draw_frames,
    draw_jitter_spectra,
    draw_sticks,
    draw_width_histogram,
    draw_width_over_time,
    draw_wiring,
    failsafe_figure,
    house_style,
    write_figure,
)
from pwmscope.pulses import PulseTable


def draw_channel(channel: ChannelFindings, capture: Capture) -> tuple[Picture, ...]:
    """Draw a channel: its first frames, width over time, histogram, and rhythms if any.

    A line that does not carry servo pulses has only its first edges drawn, and
    a line that never changes has no picture.

    >>> import numpy as np
    >>> from pwmscope.capture import Capture, Line
    >>> from pwmscope.findings import examine
    >>> rise_us = 5_000 + 20_000 * np.arange(100)
    >>> edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    >>> line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, initial_level=0)
    >>> capture = Capture({"RX1": line}, 2_000_000_000_000, 1e6, "an example")
    >>> channel = examine(capture).channels["RX1"]
    >>> [picture.name for picture in draw_channel(channel, capture)]
    ['first-frames', 'width-over-time', 'width-histogram']
    """
    line = capture.lines[channel.line]
    with house_style():
        drawn: list[Picture] = []
        if line.edges_ps.size:
            drawn.append(draw_first_frames(channel, line, Span(capture.start_s, capture.end_s)))
        if channel.not_servo is None:
            drawn.append(draw_width_over_time(channel, Span(capture.start_s, capture.end_s)))
            drawn.append(draw_width_histogram(channel))
            drawn += draw_jitter_spectra(channel)
    return tuple(drawn)


def bench_pictures(findings: Findings, sheet: BenchSheet | None = None) -> tuple[Picture, ...]:
    """Draw what concerns all lines together."""
    pictures = list(draw_frames(findings))
    if sheet is None:
        return tuple(pictures)
    if any(channel.feeds_5v is not None for channel in sheet.devices) or sheet.sources:
        wiring = check_wiring(sheet)
        pictures.append(
            Picture(
                "wiring",
                draw_wiring(wiring),
                "The wiring as the bench sheet states it; nobody has looked at the wires for it.",
                wiring.answer.sentence,
            )
        )
    servo = findings.servo_tables
    lines = find_lines(servo, sheet)
    if not lines.outputs or not lines.sticks:
        return tuple(pictures)
    mixing = examine_mixing(
        servo,
        lines,
        lost={name: channel.loss_spans for name, channel in findings.channels.items()},
        ties=findings.order.grouping.ties,
    )
    end_s = findings.capture.end_s
    course = course_of(mixing, advise_mixing(mixing), tables=servo, end_s=end_s, sheet=sheet)
    sticks = {stick.axis: servo[stick.line] for stick in lines.sticks}
    return (*pictures, *mixing_pictures(course, sticks, end_s))


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


def write_failsafe_picture(check: Failsafe, path: Path, *, replace: bool) -> bool:
    """Write the picture to a file; False where no loss was seen, so that there is none."""
    with house_style():
        figure = failsafe_figure(check)
        if figure is not None:
            write_figure(figure, path, replace=replace)
    return figure is not None


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
