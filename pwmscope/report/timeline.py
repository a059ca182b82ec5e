"""The zoomable timeline as parts of a page: what is kept of each line, packed, and its script."""

from __future__ import annotations

import base64
import json
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture import Capture
from pwmscope.findings import ChannelFindings, Findings
from pwmscope.findings.failsafe import quiet_limit_s, worst_loss
from pwmscope.model import (
    PS_PER_S,
    PS_PER_US,
    FloatArray,
    IntArray,
    Span,
    Verdict,
    badness,
    format_line,
)
from pwmscope.plot import format_loss, named_levels
from pwmscope.pulses import Flag, PulseTable
from pwmscope.report.data import Json
from pwmscope.report.document import fill, template_text

REACHES_S: Final = (
    300.0, 200.0, 120.0, 90.0, 60.0, 45.0, 30.0, 20.0, 15.0, 10.0, 7.0, 5.0, 4.0, 3.0, 2.0, 1.5,
    1.0, 0.7, 0.5, 0.3, 0.2, 0.1,
)  # fmt: skip
"""How far round a moment pulses are kept; the farthest that fits."""


def kept_spans(
    losses_s: FloatArray, strays_s: FloatArray, rises_s: list[FloatArray], recorded: Span, most: int
) -> tuple[tuple[Span, ...], float, int]:
    """Choose the spans in which every pulse is kept.

    >>> rise_s = np.arange(0.0, 100.0, 0.02)
    >>> none = np.zeros(0)
    >>> kept_spans(np.array([50.0]), none, [rise_s], Span(0.0, 100.0), 600)
    ((Span(start_s=45.0, end_s=55.0),), 5.0, 0)
    """
    whole = np.unique(np.concatenate([losses_s, strays_s]))
    for reach_s in REACHES_S:
        ends_s = _joined(whole, reach_s, recorded)
        if _count(ends_s, rises_s) <= most:
            return _spans(ends_s), reach_s, 0
    reach_s = REACHES_S[-1]
    thinned = ((losses_s, strays_s[::every]) for every in _doubling(strays_s.size))
    fewer = ((losses_s[::every], strays_s[:0]) for every in _doubling(losses_s.size))
    for some in (*thinned, *fewer):
        moments_s = np.unique(np.concatenate(some))
        ends_s = _joined(moments_s, reach_s, recorded)
        if _count(ends_s, rises_s) <= most:
            return _spans(ends_s), reach_s, int(whole.size - moments_s.size)
    return (), 0.0, int(whole.size)


def _doubling(size: int) -> list[int]:
    return [2**power for power in range(1, size.bit_length() + 1)]


def _joined(moments_s: FloatArray, reach_s: float, recorded: Span) -> FloatArray:
    """Give the starts and ends of the spans round the moments, those that touch made one."""
    if not moments_s.size:
        return np.zeros((2, 0))
    breaks = np.flatnonzero(np.diff(moments_s) > 2.0 * reach_s)
    starts_s = moments_s[np.concatenate([[0], breaks + 1])] - reach_s
    ends_s = moments_s[np.concatenate([breaks, [moments_s.size - 1]])] + reach_s
    ends: FloatArray = np.stack([starts_s, ends_s])
    return ends.clip(recorded.start_s, recorded.end_s)


def _count(ends_s: FloatArray, rises_s: list[FloatArray]) -> int:
    return sum(int(np.diff(np.searchsorted(rise_s, ends_s), axis=0).sum()) for rise_s in rises_s)


def _spans(ends_s: FloatArray) -> tuple[Span, ...]:
    return tuple(Span(start_s, end_s) for start_s, end_s in ends_s.T.tolist())


Packed = dict[str, int | str]
"""Whole numbers as text: ``count``, ``first``, ``step``, ``planes`` and ``text``.

The differences from one number to the next, less ``step``, are folded to
natural numbers (0, -1, 1, -2, ... become 0, 1, 2, 3, ...) and written in
``planes`` bytes each: the lowest bytes of all, then the next, and so on.
These are deflated (RFC 1950) and written in base64 (RFC 4648).
"""


def pack(values: IntArray) -> Packed:
    """Pack whole numbers.

    >>> pack(np.array([7, 27, 47, 68]))["first"], pack(np.array([7, 27, 47, 68]))["step"]
    (7, 20)
    """
    if not values.size:
        return {"count": 0, "first": 0, "step": 0, "planes": 1, "text": _text(b"")}
    steps = np.diff(values)
    step = int(np.partition(steps, steps.size // 2)[steps.size // 2]) if steps.size else 0
    off = steps - step
    folded = ((off << 1) ^ (off >> 63)).astype("<u8")
    planes = max(1, (int(folded.max(initial=0)).bit_length() + 7) // 8)
    lanes = folded.view(np.uint8).reshape(-1, 8)[:, :planes].T
    return {
        "count": int(values.size),
        "first": int(values[0]),
        "step": step,
        "planes": planes,
        "text": _text(lanes.tobytes()),
    }


def _text(content: bytes) -> str:
    return base64.b64encode(zlib.compress(content, 6)).decode("ascii")


MEASURED: Final = 128
"""Bit of a bucket's marks: a measured pulse begins in it. The others are `Flag`'s."""
FACTOR: Final = 8
"""Buckets of one level that make one of the next."""
_FEW: Final = 300
"""A level of so few buckets is the coarsest."""
_TIDY: Final = (1.0, 2.0, 2.5, 5.0)


@dataclass(frozen=True, slots=True)
class Level:
    """Buckets of equal length, side by side from the recording's start."""

    bucket_s: float  # Length of each
    # shape (n,): Least and greatest width of the measured pulses that begin in it; where there are
    # none, those of the bucket before
    low: IntArray
    high: IntArray
    # shape (n,): The flags of all pulses that begin in it, and `MEASURED`
    marks: npt.NDArray[np.uint8]


def tidy_bucket_s(duration_s: float, most: int, least_s: float) -> float:
    """Choose a bucket's length.

    >>> tidy_bucket_s(3600.0, 16384, 0.16), tidy_bucket_s(10.0, 16384, 0.16)
    (0.25, 0.2)
    """
    wanted_s = max(duration_s / most, least_s)
    power = int(np.floor(np.log10(wanted_s)))
    sizes = [float(f"{tidy}e{power + more}") for more in (0, 1) for tidy in _TIDY]
    return next(size for size in sizes if size >= wanted_s)


def build_pyramid(
    since_s: FloatArray,
    width: IntArray,
    marks: npt.NDArray[np.uint8],
    bucket_s: float,
    duration_s: float,
) -> tuple[Level, ...]:
    """Sum pulses up in buckets, and those in longer ones.

    >>> fine, = build_pyramid(np.array([0.0, 0.1, 2.5]), np.array([5, 9, 1]),
    ...                       np.full(3, MEASURED, np.uint8), 1.0, 3.0)
    >>> fine.low, fine.high, fine.marks
    (array([5, 5, 1]), array([9, 9, 1]), array([128,   0, 128], dtype=uint8))
    """
    count = max(1, int(np.ceil(duration_s / bucket_s)))
    place = np.minimum((since_s / bucket_s).astype(np.int64), count - 1)
    seen = np.zeros(count, np.uint8)
    starts = np.flatnonzero(np.diff(place, prepend=-1))
    if starts.size:
        seen[place[starts]] = np.bitwise_or.reduceat(marks, starts)
    rows = np.flatnonzero(marks & MEASURED)
    low, high = np.zeros(count, np.int64), np.zeros(count, np.int64)
    if rows.size:
        starts = np.flatnonzero(np.diff(place[rows], prepend=-1))
        where = place[rows][starts]
        low[where] = np.minimum.reduceat(width[rows], starts)
        high[where] = np.maximum.reduceat(width[rows], starts)
    levels = [_filled(bucket_s, low, high, seen)]
    while levels[-1].marks.size > _FEW:
        levels.append(_coarser(levels[-1]))
    return tuple(levels)


def _coarser(fine: Level) -> Level:
    """Join the buckets of a level; an empty one takes no part."""
    count = -(-fine.marks.size // FACTOR)
    empty = (fine.marks & MEASURED) == 0
    most = np.iinfo(np.int64).max
    low = _joined_level(np.where(empty, most, fine.low), count, most).min(axis=1)
    high = _joined_level(np.where(empty, -most, fine.high), count, -most).max(axis=1)
    marks: npt.NDArray[np.uint8] = np.bitwise_or.reduce(_joined_level(fine.marks, count, 0), axis=1)
    return _filled(fine.bucket_s * FACTOR, low, high, marks.astype(np.uint8))


def _joined_level(
    values: npt.NDArray[np.integer], count: int, rest: int
) -> npt.NDArray[np.integer]:
    whole = np.full(count * FACTOR, rest, values.dtype)
    whole[: values.size] = values
    return whole.reshape(count, FACTOR)


def _filled(
    bucket_s: float,
    low: npt.NDArray[np.integer],
    high: npt.NDArray[np.integer],
    marks: npt.NDArray[np.uint8],
) -> Level:
    """Give empty buckets the numbers before them, which pack to almost nothing."""
    has = (marks & MEASURED) != 0
    if not has.any():
        nothing = np.zeros(marks.size, np.int64)
        return Level(bucket_s, nothing, nothing, marks)
    source = np.maximum.accumulate(np.where(has, np.arange(has.size), int(has.argmax())))
    return Level(bucket_s, low[source].astype(np.int64), high[source].astype(np.int64), marks)


STRAY: Final = Flag.CUT | Flag.GLITCH | Flag.NOTCHED | Flag.FOREIGN
"""A pulse with any of these is marked, since its width counts in nothing."""
MAX_MARKED: Final = 500
"""Losses of a line, and visits to a level, that are marked at most."""
_PS_PER_NS: Final = 1000.0
_ON_LATTICE_PS: Final = 2.0
_MARGIN: Final = 0.09


@dataclass(frozen=True, slots=True)
class _Lane:
    """One line's pulses, counted in a unit of time."""

    channel: ChannelFindings  # What was found about the line
    unit_ps: float  # The sample interval where all edges lie on samples, otherwise a nanosecond
    origin_ps: int  # The first leading edge, in picoseconds since the recording's start
    rise: IntArray  # shape (n,): Leading edges, in units since the first
    # shape (n,): Widths in units; for a pulse that is cut, as much of it as was recorded
    width: IntArray
    marks: npt.NDArray[np.uint8]  # shape (n,): Flags, and `MEASURED`

    @property
    def period_us(self) -> float:
        """Median frame period; the convention's where there is none."""
        table = self.channel.table
        known = table.period_us[np.isfinite(table.period_us)]
        return float(np.median(known)) if known.size else table.convention.period_us

    @property
    def moments_s(self) -> FloatArray:
        """Moments of interest: signal lost and found, least and greatest width."""
        table = self.channel.table
        ends_s = [end for span in self.channel.loss_spans for end in (span.start_s, span.end_s)]
        rows = np.flatnonzero(table.measured)
        if rows.size:
            width_us = table.width_us[rows]
            ends_s += table.rise_s[rows[[width_us.argmin(), width_us.argmax()]]].tolist()
        return np.array(ends_s)

    @property
    def strays_s(self) -> FloatArray:
        """Moments of the pulses that are marked."""
        return self.channel.table.rise_s[self.channel.table.has(STRAY)]


def _lane_of(channel: ChannelFindings, capture: Capture) -> _Lane:
    """Count one line's pulses in units."""
    table = channel.table
    rise_ps = np.rint(table.rise_s * PS_PER_S).astype(np.int64)
    width_ps = np.where(
        table.has(Flag.CUT), _cut_ps(table, rise_ps, capture), table.width_us * PS_PER_US
    )
    since_ps = (rise_ps - rise_ps[0]).astype(np.float64)
    unit_ps = capture.sample_interval_ps or _PS_PER_NS
    if not (_on_lattice(since_ps, unit_ps) and _on_lattice(width_ps, unit_ps)):
        unit_ps = _PS_PER_NS
    marks = table.flags | (table.measured * np.uint8(MEASURED))
    return _Lane(
        channel, unit_ps, int(rise_ps[0]), _counted(since_ps, unit_ps),
        _counted(width_ps, unit_ps), marks.astype(np.uint8),
    )  # fmt: skip


def _cut_ps(table: PulseTable, rise_ps: IntArray, capture: Capture) -> FloatArray:
    """As much of each pulse as was recorded, of meaning for the cut ones only."""
    edges_ps = capture.lines[table.line].edges_ps
    after = np.searchsorted(edges_ps, rise_ps, side="right")
    ends_ps = np.append(edges_ps, capture.end_ps)[after]
    return (ends_ps - rise_ps).astype(np.float64)


def _on_lattice(time_ps: FloatArray, unit_ps: float) -> bool:
    whole_ps = np.rint(time_ps / unit_ps) * unit_ps
    return bool(np.abs(time_ps - whole_ps).max(initial=0.0) <= _ON_LATTICE_PS)


def _counted(time_ps: FloatArray, unit_ps: float) -> IntArray:
    return np.rint(time_ps / unit_ps).astype(np.int64)


def _lane_facts(lane: _Lane) -> dict[str, Json]:
    """Tell a panel all but the pulses."""
    channel, table = lane.channel, lane.channel.table
    convention = table.convention
    width_us = table.width_us[table.measured]
    low_us = min(convention.low_us, float(width_us.min(initial=np.inf)))
    high_us = max(convention.high_us, float(width_us.max(initial=-np.inf)))
    margin_us = _MARGIN * (high_us - low_us)
    return {
        "name": format_line(channel.line),
        "inverted": table.inverted,
        "period_s": lane.period_us / 1e6,
        "quiet_s": quiet_limit_s(lane.period_us),
        "shown_us": [low_us - margin_us, high_us + margin_us],
        "convention_us": [convention.low_us, convention.neutral_us, convention.high_us],
        "unit_ps": lane.unit_ps,
        "origin_ps": lane.origin_ps,
        "decimals": 1 if lane.unit_ps >= PS_PER_US else 3,
        "levels": _levels(channel),
        "losses": _lane_losses(channel),
    }


def _levels(channel: ChannelFindings) -> list[Json]:
    return [
        {
            "name": name,
            "width_us": round(level.width_us, 4),
            "visits": [
                [round(visit.start_s, 6), round(visit.end_s, 6)]
                for visit in level.visits[:MAX_MARKED]
            ],
        }
        for name, level in (named_levels(channel.travel) if channel.travel else ())
    ]


def _lane_losses(channel: ChannelFindings) -> list[Json]:
    if channel.losses is None:
        return []
    lost = list(zip(channel.losses.events, channel.loss_spans, strict=True))
    return [
        {
            "start_s": round(span.start_s, 6),
            "end_s": round(span.end_s, 6),
            "words": format_loss(event)[0],
        }
        for event, span in lost[:MAX_MARKED]
    ]


MAX_DATA_LETTERS: Final = 750_000
"""Letters that the data may take."""
_MAX_BUCKETS: Final = 131_072
_MAX_BUCKETS_A_LINE: Final = 16_384
_BUCKET_PULSES: Final = 8
_KEPT: Final = (650_000, 500_000, 400_000, 300_000, 200_000, 100_000, 50_000, 20_000, 5_000, 0)
"""Pulses of which every one is kept; the most that fit."""
_PIECES: Final = ("data.js", "scale.js", "widths.js", "pulses.js", "reading.js", "hand.js")


@dataclass(frozen=True, slots=True)
class Timeline:
    """The three parts of a timeline; none of them holds another."""

    html: str  # For the page's body, with the data in it; it refers to nothing outside
    style: str  # For a `<style>` element in the page's head
    # For a `<script>` element at the end of the page's body, unchanged, so that its hash can be
    # stated in a content security policy
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

    Its data take 0.75 million letters at most, or little more where a recording has many lines
    with hundreds of losses each. Where not every pulse fits, the page says which are kept.
    """
    capture = findings.capture
    channels = findings.channels.values()
    lanes = [_lane_of(channel, capture) for channel in channels if channel.not_servo is None]
    data, notes = _data(lanes, Span(capture.start_s, capture.end_s)) if lanes else ("", [])
    html = fill(
        "timeline/timeline.html.j2",
        {},
        data=data,
        notes=notes,
        names=[format_line(lane.channel.line) for lane in lanes],
        left_out=[format_line(c.line) for c in channels if c.not_servo is not None],
    ).removesuffix("\n")
    return Timeline(html, template_text("timeline/timeline.css"), timeline_script())


def timeline_script() -> str:
    """Return the script of every timeline."""
    script = "\n".join(template_text(f"timeline/{piece}") for piece in _PIECES)
    return f'(() => {{\n"use strict";\n{script}}})();'


def _data(lanes: list[_Lane], recorded: Span) -> tuple[str, list[str]]:
    """Write all data as JSON that is harmless inside a script element, with notes about it."""
    lasts_s = recorded.end_s - recorded.start_s
    most = min(_MAX_BUCKETS_A_LINE, _MAX_BUCKETS // len(lanes) + 1)
    least_s = _BUCKET_PULSES * max(lane.period_us for lane in lanes) / 1e6
    bucket_s = tidy_bucket_s(lasts_s, most, least_s)
    facts = [_lane_facts(lane) | {"pyramid": _pyramid(lane, recorded, bucket_s)} for lane in lanes]
    pulses = sum(lane.rise.size for lane in lanes)
    for kept_most in (size for i, size in enumerate(_KEPT) if pulses > size or i == 0):
        kept = _kept(lanes, recorded, kept_most)
        rows = [_rows(lane, kept.spans) for lane in lanes]
        data: dict[str, Json] = {
            "start_s": recorded.start_s,
            "end_s": recorded.end_s,
            "factor": FACTOR,
            "view_s": _deciding_s(lanes, recorded),
            "kept_s": [[span.start_s, span.end_s] for span in kept.spans],
            "lanes": [
                fact | {"pulses": _pulses(lane, chosen)}
                for fact, lane, chosen in zip(facts, lanes, rows, strict=True)
            ],
        }
        text = json.dumps(data, separators=(",", ":"), allow_nan=False)
        if len(text) <= MAX_DATA_LETTERS:
            break
    for letter in "<>&":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text, _notes(lanes, kept, sum(chosen.size for chosen in rows), bucket_s)


def _deciding_s(lanes: list[_Lane], recorded: Span) -> list[Json]:
    """Choose what is shown first: the loss that decided, or where a limit was broken, or all."""
    ranked = []
    for lane in lanes:
        events = () if lane.channel.losses is None else lane.channel.losses.events
        losses = [event for event in events if not event.is_restart] or events
        if losses:
            worst = worst_loss(losses)
            late_s = (worst.stop_bounds_s or (0.0, 0.0))[1]
            span = lane.channel.loss_spans[events.index(worst)]
            ranked.append((badness(worst.verdict), -late_s, span))
    if ranked:
        _, _, span = min(ranked, key=lambda each: each[:2])
        around_s = max(0.25 * (span.end_s - span.start_s), 0.5)
        return [span.start_s - around_s, span.end_s + around_s]
    broken = [
        finding.evidence[0]
        for lane in lanes
        for finding in lane.channel.judged
        if finding.verdict is Verdict.DOES_NOT_MEET and finding.evidence
    ]
    first = broken[0] if broken else recorded
    return [first.start_s, first.end_s]


def _kept(lanes: list[_Lane], recorded: Span, most: int) -> _Kept:
    rises_s = [lane.channel.table.rise_s for lane in lanes]
    if sum(rise_s.size for rise_s in rises_s) <= most:
        return _Kept((recorded,), 0.0, 0, True)
    ends_s = np.array([recorded.start_s, recorded.end_s])
    spans, reach_s, left_out = kept_spans(
        np.unique(np.concatenate([ends_s, *(lane.moments_s for lane in lanes)])),
        np.unique(np.concatenate([lane.strays_s for lane in lanes])), rises_s, recorded, most,
    )  # fmt: skip
    return _Kept(spans, reach_s, left_out, False)


def _rows(lane: _Lane, spans: tuple[Span, ...]) -> IntArray:
    """Rows of the pulses that begin in the spans, and of the last one before each."""
    rise_s = lane.channel.table.rise_s
    first = np.searchsorted(rise_s, [span.start_s for span in spans], side="left") - 1
    last = np.searchsorted(rise_s, [span.end_s for span in spans], side="right")
    steps = np.zeros(rise_s.size + 1, np.int64)
    np.add.at(steps, np.maximum(first, 0), 1)
    np.add.at(steps, last, -1)
    return np.flatnonzero(np.cumsum(steps[:-1]) > 0)


def _pyramid(lane: _Lane, recorded: Span, bucket_s: float) -> list[Json]:
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


def _pulses(lane: _Lane, rows: IntArray) -> dict[str, Json]:
    return {
        "rise": pack(lane.rise[rows]),
        "width": pack(lane.width[rows]),
        "marks": pack(lane.marks[rows].astype(np.int64)),
    }


def _notes(lanes: list[_Lane], kept: _Kept, pulses: int, bucket_s: float) -> list[str]:
    """Say what is in the page and what is not."""
    total = sum(lane.rise.size for lane in lanes)
    crowded = any(len(lane.channel.loss_spans) > MAX_MARKED for lane in lanes)
    notes = [f"Of a line's losses the first {MAX_MARKED} are marked."] if crowded else []
    if kept.is_all:
        return [f"The page holds every one of the recording's {total:,} pulses.", *notes]
    wide_s = bucket_s * 1000.0
    told = (
        f"The recording's {total:,} pulses do not all fit into this page. It holds {pulses:,} of "
        f"them one by one. For the rest it holds the least and greatest width of each {bucket_s:g} "
        f"s, and the glitches. Views shorter than about {wide_s:.3g} s show a bar for each such "
        "stretch there."
    )
    if kept.reach_s:
        told += (
            f" Every pulse is kept within {kept.reach_s:g} s of each loss, odd pulse, outermost "
            "width and both ends."
        )
        told += f" Left out were {kept.left_out:,} such moments." if kept.left_out else ""
    return [told, *notes]
