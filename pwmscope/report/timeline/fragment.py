"""The timeline as a part of a page: markup with its data, style and script."""

from __future__ import annotations

import importlib.resources
import json
from dataclasses import dataclass
from typing import Final

import jinja2
import numpy as np
import numpy.typing as npt

from pwmscope.findings import Findings
from pwmscope.model.spans import Span
from pwmscope.report.json_text import Json
from pwmscope.report.sentences import say_line
from pwmscope.report.timeline.kept_spans import kept_spans
from pwmscope.report.timeline.lane import MOST_MARKED, Lane, lane_facts, lane_of
from pwmscope.report.timeline.packing import pack
from pwmscope.report.timeline.pyramid import FACTOR, build_pyramid, tidy_bucket_s

MOST_LETTERS: Final = 750_000
"""Letters that the data may take."""
_MOST_BUCKETS: Final = 131_072
_MOST_BUCKETS_A_LINE: Final = 16_384
_BUCKET_PULSES: Final = 8
_KEPT: Final = (650_000, 500_000, 400_000, 300_000, 200_000, 100_000, 50_000, 20_000, 5_000, 0)
"""Pulses of which every one is kept; the most that fit."""
_PIECES: Final = ("data.js", "scale.js", "widths.js", "pulses.js", "reading.js", "hand.js")


@dataclass(frozen=True, slots=True)
class Timeline:
    """The three parts of a timeline; none of them holds another.

    Parameters
    ----------
    html : str
        For the page's body, with the data in it; it refers to nothing outside.
    style : str
        For a ``<style>`` element in the page's head.
    script : str
        For a ``<script>`` element at the end of the page's body, unchanged, so that
        its hash can be stated in a content security policy.
    """

    html: str
    style: str
    script: str


@dataclass(frozen=True, slots=True)
class _Kept:
    """The spans in which every pulse is in the page."""

    spans: tuple[Span, ...]
    reach_s: float
    left_out: int
    is_all: bool


def timeline_fragment(findings: Findings) -> Timeline:
    """Make the timeline of a recording.

    Parameters
    ----------
    findings : Findings
        Everything found in it.

    Returns
    -------
    Timeline
        Its data take 0.75 million letters at most, or little more where a recording
        has many lines with hundreds of losses each. Where not every pulse fits, the page
        says which are kept.
    """
    capture = findings.capture
    channels = findings.channels.values()
    lanes = [lane_of(channel, capture) for channel in channels if channel.not_servo is None]
    folder = importlib.resources.files(__package__)
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = environment.from_string(folder.joinpath("timeline.html.j2").read_text("utf-8"))
    data, notes = _data(lanes, Span(capture.start_s, capture.end_s)) if lanes else ("", [])
    html = template.render(
        data=data,
        notes=notes,
        names=[say_line(lane.channel.line) for lane in lanes],
        left_out=[say_line(c.line) for c in channels if c.not_servo is not None],
    )
    script = "\n".join(folder.joinpath(piece).read_text("utf-8") for piece in _PIECES)
    style = folder.joinpath("timeline.css").read_text("utf-8")
    return Timeline(html, style, f'(() => {{\n"use strict";\n{script}}})();')


def _data(lanes: list[Lane], recorded: Span) -> tuple[str, list[str]]:
    """Write all data as JSON that is harmless inside a script element, with notes about it."""
    lasts_s = recorded.end_s - recorded.start_s
    most = min(_MOST_BUCKETS_A_LINE, _MOST_BUCKETS // len(lanes) + 1)
    least_s = _BUCKET_PULSES * max(lane.period_us for lane in lanes) / 1e6
    bucket_s = tidy_bucket_s(lasts_s, most, least_s)
    facts = [lane_facts(lane) | {"pyramid": _pyramid(lane, recorded, bucket_s)} for lane in lanes]
    pulses = sum(lane.rise.size for lane in lanes)
    for kept_most in (size for i, size in enumerate(_KEPT) if pulses > size or i == 0):
        kept = _kept(lanes, recorded, kept_most)
        rows = [_rows(lane, kept.spans) for lane in lanes]
        data: dict[str, Json] = {
            "start_s": recorded.start_s,
            "end_s": recorded.end_s,
            "factor": FACTOR,
            "kept_s": [[span.start_s, span.end_s] for span in kept.spans],
            "lanes": [
                fact | {"pulses": _pulses(lane, chosen)}
                for fact, lane, chosen in zip(facts, lanes, rows, strict=True)
            ],
        }
        text = json.dumps(data, separators=(",", ":"), allow_nan=False)
        if len(text) <= MOST_LETTERS:
            break
    for letter in "<>&":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text, _notes(lanes, kept, sum(chosen.size for chosen in rows), bucket_s)


def _kept(lanes: list[Lane], recorded: Span, most: int) -> _Kept:
    rises_s = [lane.channel.table.rise_s for lane in lanes]
    if sum(rise_s.size for rise_s in rises_s) <= most:
        return _Kept((recorded,), 0.0, 0, True)
    ends_s = np.array([recorded.start_s, recorded.end_s])
    spans, reach_s, left_out = kept_spans(
        np.unique(np.concatenate([ends_s, *(lane.moments_s for lane in lanes)])),
        np.unique(np.concatenate([lane.strays_s for lane in lanes])),
        rises_s,
        recorded,
        most,
    )
    return _Kept(spans, reach_s, left_out, False)


def _rows(lane: Lane, spans: tuple[Span, ...]) -> npt.NDArray[np.int64]:
    """Rows of the pulses that begin in the spans, and of the last one before each."""
    rise_s = lane.channel.table.rise_s
    first = np.searchsorted(rise_s, [span.start_s for span in spans], side="left") - 1
    last = np.searchsorted(rise_s, [span.end_s for span in spans], side="right")
    steps = np.zeros(rise_s.size + 1, np.int64)
    np.add.at(steps, np.maximum(first, 0), 1)
    np.add.at(steps, last, -1)
    return np.flatnonzero(np.cumsum(steps[:-1]) > 0)


def _pyramid(lane: Lane, recorded: Span, bucket_s: float) -> list[Json]:
    since_s = lane.channel.table.rise_s - recorded.start_s
    lasts_s = recorded.end_s - recorded.start_s
    return [
        {
            "bucket_s": level.bucket_s,
            "low": pack(level.low),
            "high": pack(level.high),
            "marks": pack(level.marks.astype(np.int64)),
        }
        for level in build_pyramid(since_s, lane.width, lane.marks, bucket_s, lasts_s)
    ]


def _pulses(lane: Lane, rows: npt.NDArray[np.int64]) -> dict[str, Json]:
    return {
        "rise": pack(lane.rise[rows]),
        "width": pack(lane.width[rows]),
        "marks": pack(lane.marks[rows].astype(np.int64)),
    }


def _notes(lanes: list[Lane], kept: _Kept, pulses: int, bucket_s: float) -> list[str]:
    """Say what is in the page and what is not."""
    total = sum(lane.rise.size for lane in lanes)
    crowded = any(len(lane.channel.loss_spans) > MOST_MARKED for lane in lanes)
    notes = [f"Of a line's losses the first {MOST_MARKED} are marked."] if crowded else []
    if kept.is_all:
        return [f"The page holds every one of the recording's {total:,} pulses.", *notes]
    wide_s = bucket_s * 1000.0
    told = (
        f"The recording's {total:,} pulses do not all fit into this page; it holds {pulses:,} of "
        f"them one by one. For the rest it holds the least and the greatest width of each "
        f"{bucket_s:g} s and where a glitch was: views shorter than about {wide_s:.3g} s show "
        "there a bar for each such stretch instead of pulses."
    )
    if kept.reach_s:
        told += (
            f" Every pulse is kept within {kept.reach_s:g} s of each loss, of each glitch or "
            "other odd pulse, of each line's least and greatest width, and of both ends"
        )
        told += f", but for {kept.left_out:,} such moments too many." if kept.left_out else "."
    return [told, *notes]
