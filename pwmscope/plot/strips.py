"""Loss strips and travel rulers: small drawings that go on a card, a page or paper."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import numpy.typing as npt

from pwmscope.findings import ChannelFindings
from pwmscope.findings.failsafe import FailsafeLine, LineInRecording, LossEvent, quiet_limit_s
from pwmscope.model import FloatArray, Span, Verdict, badness, format_line, format_plainly

_USUAL_US: Final = (900.0, 2100.0)
_FARTHEST_US: Final = (300.0, 2700.0)
_TICKS_US: Final = (1000, 1500, 2000)
_LEFT: Final = 34.0
_RIGHT: Final = 8.0
_TOP: Final = 4.0
_FOOT: Final = 17.0
_NO_PULSES: Final = 12.0
_LEAST_BAND: Final = 3.0


@dataclass(frozen=True, slots=True)
class Ink:
    """What a strip is drawn with: colours, or names that the page around it gives colours."""

    trace: str
    ink: str
    soft: str
    band: str
    limit: str
    paper: str
    lost: str


PAPER: Final = Ink("#000000", "#000000", "#333333", "#c4c4c4", "#000000", "#ffffff", "#dedede")
"""Black and white, for a copier."""
SCREEN: Final = Ink(
    "currentColor",
    "var(--ink)",
    "var(--soft)",
    "var(--band)",
    "var(--bad)",
    "var(--card)",
    "var(--warnbg)",
)
"""The page's own colours, light or dark; the traces have the colour of the verdict."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A drawing of a line's losses."""

    svg: str  # One `<svg>` element
    alt: str  # What it shows, for someone who cannot see it
    drawn: int  # How many losses are in it
    left_out: int  # How many are not


def loss_strip(
    line: FailsafeLine,
    limit_s: float,
    *,
    ink: Ink = SCREEN,
    size: tuple[float, float] = (300.0, 96.0),
    most: int | None = None,
) -> Strip | None:
    """Draw a line's pulse width around its losses, one thin line each and the worst one bold.

    Time runs from the moment of loss; each line ends where the transmitter was on again. A
    line along the lower edge stands for a silent line.
    """
    ranked = sorted(line.losses, key=_urgency)
    if not ranked:
        return None
    kept = ranked if most is None else ranked[:most]
    wide, high = size
    scale = _Scale.of(line, kept, limit_s, wide, high)
    traces = dict.fromkeys(scale.trace(rec, event) for rec, event in kept[1:])
    bold = scale.trace(*kept[0])
    band = line.expected.band
    parts = [] if band is None else [_band(scale, band.low_us, band.high_us, ink)]
    parts += _ticks(scale, ink)
    parts.append(line_of("".join(traces), ink.trace, 0.8, opacity=0.6) if traces else "")
    parts.append(line_of(bold, ink.trace, 2.4))
    parts += _moments(scale, limit_s, ink)
    if any(f"V{scale.floor:g}" in trace for trace in (bold, *traces)):
        at = float(scale.x(0.0)) + 5.0
        parts.append(label(at, scale.floor - 4.0, "silent", ink, anchor="start"))
    alt = _alt(line, kept, len(ranked), limit_s)
    return Strip(drawing(wide, high, alt, parts), alt, len(kept), len(ranked) - len(kept))


def _urgency(pair: tuple[LineInRecording, LossEvent]) -> tuple[int, float]:
    """Rank a loss: the worst verdict first, and of these the slowest."""
    bounds_s = pair[1].stop_bounds_s
    never_s = np.inf if pair[1].verdict is Verdict.DOES_NOT_MEET else 0.0
    return badness(pair[1].verdict), -(never_s if bounds_s is None else bounds_s[1])


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where times and widths lie on a strip."""

    from_s: float
    to_s: float
    low_us: float
    high_us: float
    wide: float
    high: float

    @classmethod
    def of(
        cls,
        line: FailsafeLine,
        kept: Sequence[tuple[LineInRecording, LossEvent]],
        limit_s: float,
        wide: float,
        high: float,
    ) -> _Scale:
        """Choose a scale that holds every loss, up to twice the limit after it."""
        lasted_s = max(event.case.loss.back_s - event.lost_s for _, event in kept)
        to_s = min(max(1.2 * limit_s, lasted_s), 2.0 * limit_s)
        low_us, high_us = _USUAL_US
        for rec in line.recordings:
            width_us = rec.table.width_us[rec.table.measured]
            low_us = min(low_us, float(width_us.min(initial=low_us)) - 20.0)
            high_us = max(high_us, float(width_us.max(initial=high_us)) + 20.0)
        low_us, high_us = max(low_us, _FARTHEST_US[0]), min(high_us, _FARTHEST_US[1])
        return cls(-0.4 * limit_s, to_s, low_us, high_us, wide, high)

    @property
    def bottom(self) -> float:
        """Where the least width lies; under it is the row of no pulses."""
        return self.high - _FOOT - _NO_PULSES

    @property
    def floor(self) -> float:
        """Where no pulses lie."""
        return self.high - _FOOT - 3.0

    def x(self, time_s: npt.ArrayLike) -> FloatArray:
        """Return where times lie, to a tenth of a px."""
        whole = self.wide - _LEFT - _RIGHT
        share = (np.asarray(time_s, np.float64) - self.from_s) / (self.to_s - self.from_s)
        return np.round(_LEFT + whole * np.clip(share, 0.0, 1.0), 1)

    def y(self, width_us: npt.ArrayLike) -> FloatArray:
        """Return where widths lie, to half a px."""
        share = (np.asarray(width_us, np.float64) - self.low_us) / (self.high_us - self.low_us)
        at = self.bottom - (self.bottom - _TOP) * np.clip(share, 0.0, 1.0)
        return np.round(2.0 * at) / 2.0

    def trace(self, rec: LineInRecording, event: LossEvent) -> str:
        """Write one loss as a path: level by level, along the floor where no pulses came."""
        table, loss = rec.table, event.case.loss
        end_s = min(loss.back_s - event.lost_s, self.to_s)
        span_s = [event.lost_s + self.from_s, event.lost_s + end_s]
        first, last = np.searchsorted(table.rise_s, span_s)
        inside = np.arange(first, last)[table.measured[first:last]]
        frame_s = event.case.setting.frame_s
        time_s = np.concatenate(
            [[self.from_s - frame_s], table.rise_s[inside] - event.lost_s, [end_s]]
        )
        height = np.concatenate([[self.floor], self.y(table.width_us[inside]), [self.floor]])
        quiet = np.flatnonzero(np.diff(time_s) > quiet_limit_s(frame_s * 1e6))
        x = self.x(np.insert(time_s, quiet + 1, time_s[quiet] + frame_s))
        y = np.insert(height, quiet + 1, self.floor)
        # The ends of the stretch are moments, not pulses: the line stays where it was.
        y[-1] = y[-2]
        if y.size > 2 and not (quiet.size and quiet[0] == 0):
            x, y = x[1:], y[1:]
        kept = np.flatnonzero(np.diff(y, prepend=np.nan) != 0)
        steps = "".join(
            f"H{x[at]:g}V{y[at]:g}" for at in kept[1:].tolist()
        )  # a width stands until the next pulse
        return f"M{x[0]:g} {y[0]:g}{steps}H{x[-1]:g}"


def _band(scale: _Scale, low_us: float, high_us: float, ink: Ink) -> str:
    top, bottom = (float(at) for at in scale.y([high_us, low_us]))
    high = max(bottom - top, _LEAST_BAND)
    return (
        f'<rect x="{_LEFT:g}" y="{top:g}" width="{scale.wide - _LEFT - _RIGHT:g}" '
        f'height="{high:g}" fill="{ink.band}"/>'
    )


def _ticks(scale: _Scale, ink: Ink) -> list[str]:
    inside = [width for width in _TICKS_US if scale.low_us <= width <= scale.high_us]
    told = [
        label(_LEFT - 5.0, float(scale.y(width)) + 3.5, str(width), ink, anchor="end")
        for width in inside
    ]
    marks = "".join(f"M{_LEFT - 3:g} {float(scale.y(width)):g}h3" for width in inside)
    return [line_of(marks, ink.soft, 0.8), *told]


def _moments(scale: _Scale, limit_s: float, ink: Ink) -> list[str]:
    """Mark the moment of loss and the limit, with their names at the foot."""
    lost, limit = (float(at) for at in scale.x([0.0, limit_s]))
    foot = scale.high - _FOOT
    return [
        line_of(f"M{lost:g} {_TOP:g}V{foot:g}", ink.ink, 1.2),
        line_of(f"M{limit:g} {_TOP:g}V{foot:g}", ink.limit, 1.4, dash="4 3"),
        label(lost, scale.high - 5.0, "off", ink, anchor="middle"),
        label(limit, scale.high - 5.0, f"limit {limit_s:g} s", ink, anchor="middle"),
    ]


_PLURAL: Final = {
    Verdict.DOES_NOT_MEET: "do not meet",
    Verdict.NOT_SHOWN: "not shown",
    Verdict.MEETS: "meet",
    None: "without a verdict",
}


def _alt(
    line: FailsafeLine,
    kept: Sequence[tuple[LineInRecording, LossEvent]],
    losses: int,
    limit_s: float,
) -> str:
    """Say what a strip shows: how many losses, their verdicts, the worst, the stop range."""
    name, band, worst = format_line(line.line), line.expected.band, kept[0][1]
    few = "" if len(kept) == losses else f" The {len(kept)} worst of {losses} are drawn."
    counts = [
        f"{count} {words if count > 1 or verdict is None else verdict.value}"
        for verdict, words in _PLURAL.items()
        if (count := sum(event.verdict is verdict for _, event in kept))
    ]
    did = "restart" if worst.is_restart else worst.behaviour.value if worst.behaviour else "unclear"
    stopped = ""
    if worst.stop_bounds_s is not None and worst.verdict is not Verdict.NOT_SHOWN:
        stopped = f", stopped within {worst.stop_bounds_s[1]:.2f} s"
    shaded = "" if band is None else f" Shaded: {band.low_us:g} to {band.high_us:g} us."
    return (
        f"Pulse width of {name} at {losses} loss{'' if losses == 1 else 'es'}: "
        f"{', '.join(counts)}.{few} Bold: the loss at {worst.lost_s:.3f} s, {did}{stopped}. "
        f"Limit {limit_s:g} s.{shaded}"
    )


_RULER: Final = (300.0, 32.0)


def travel_ruler(channel: ChannelFindings) -> str:
    """Draw how far a line's width travels, with its neutral; empty where that is not known.

    It says nothing that the words beside it do not, so it has no alternative text.
    """
    travel = channel.travel
    if travel is None:
        return ""
    levels = [level.width_us for level in (travel.low, travel.neutral, travel.high) if level]
    if not levels:
        return ""
    low_us, high_us = min(_USUAL_US[0], *levels), max(_USUAL_US[1], *levels)

    def x(width_us: float) -> float:
        return round(8.0 + (_RULER[0] - 16.0) * (width_us - low_us) / (high_us - low_us), 1)

    marks = "".join(f"M{x(width):g} 8v9" for width in _TICKS_US)
    parts = [
        line_of(marks, SCREEN.soft, 1.0),
        *(label(x(width), 29.0, str(width), SCREEN, anchor="middle") for width in _TICKS_US),
    ]
    if travel.low is not None and travel.high is not None:
        ends = (travel.low.width_us, travel.high.width_us)
        parts.append(line_of(f"M{x(ends[0]):g} 12.5H{x(ends[1]):g}", SCREEN.ink, 5.0))
    if travel.neutral is not None:
        parts.append(
            f'<circle cx="{x(travel.neutral.width_us):g}" cy="12.5" r="5" fill="{SCREEN.paper}" '
            f'stroke="{SCREEN.ink}" stroke-width="2"/>'
        )
    return drawing(*_RULER, "", parts)


_COLUMNS: Final = 320
_STRIP: Final = (360.0, 132.0)


def width_strip(channel: ChannelFindings, recorded: Span) -> Strip | None:
    """Draw a line's pulse width over the whole recording: each column's least to its greatest.

    No pulse vanishes, however short the column's stretch. Shaded upright: signal lost. Dashed:
    neutral and the ends, where they are known.
    """
    table = channel.table
    rows = np.flatnonzero(table.measured)
    if channel.not_servo is not None or not rows.size:
        return None
    wide, high = _STRIP
    width_us = table.width_us[rows]
    low_us = max(min(_USUAL_US[0], float(width_us.min()) - 20.0), _FARTHEST_US[0])
    high_us = min(max(_USUAL_US[1], float(width_us.max()) + 20.0), _FARTHEST_US[1])
    scale = _Scale(recorded.start_s, recorded.end_s, low_us, high_us, wide, high + _NO_PULSES)
    parts = []
    if channel.loss_spans:
        starts, ends = (
            scale.x([getattr(span, end) for span in channel.loss_spans]).tolist()
            for end in ("start_s", "end_s")
        )
        boxes = "".join(
            f"M{start:g} {_TOP:g}H{max(end, start + 1.0):g}V{scale.bottom:g}H{start:g}z"
            for start, end in zip(starts, ends, strict=True)
        )
        parts.append(f'<path d="{boxes}" fill="{SCREEN.lost}"/>')
    parts += _ticks(scale, SCREEN)
    levels = []
    if channel.travel is not None:
        known = (channel.travel.low, channel.travel.neutral, channel.travel.high)
        levels = [level.width_us for level in known if level is not None]
    across = "".join(f"M{_LEFT:g} {float(scale.y(us)):g}H{wide - _RIGHT:g}" for us in levels)
    parts.append(line_of(across, SCREEN.soft, 0.8, dash="2 3") if across else "")
    parts.append(line_of(_columns(scale, table.rise_s[rows], width_us), SCREEN.ink, 1.3))
    parts += _seconds(scale, recorded, SCREEN)
    beyond = int(np.count_nonzero((width_us < low_us) | (width_us > high_us)))
    left_out = f" {beyond} widths lie beyond the picture and are drawn at its edge." * bool(beyond)
    alt = (
        f"Pulse width of {format_line(channel.line)} over {recorded.end_s - recorded.start_s:.1f} "
        f"s: {width_us.min():.0f} to {width_us.max():.0f} us in {rows.size} pulses, "
        f"{len(channel.loss_spans)} loss{'' if len(channel.loss_spans) == 1 else 'es'}.{left_out}"
    )
    return Strip(drawing(wide, high, alt, parts), alt, len(channel.loss_spans), beyond)


def _columns(scale: _Scale, time_s: FloatArray, width_us: FloatArray) -> str:
    """Draw an upright stroke in each column that holds pulses."""
    whole_s = scale.to_s - scale.from_s
    column = np.clip(((time_s - scale.from_s) / whole_s * _COLUMNS).astype(np.int64), 0, None)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    top = scale.y(np.maximum.reduceat(width_us, starts)) - 0.5
    bottom = scale.y(np.minimum.reduceat(width_us, starts)) + 0.5
    at = scale.x(scale.from_s + (column[starts] + 0.5) / _COLUMNS * whole_s)
    strokes = zip(at.tolist(), bottom.tolist(), top.tolist(), strict=True)
    return "".join(f"M{x:g} {below:g}V{above:g}" for x, below, above in strokes)


def _seconds(scale: _Scale, recorded: Span, ink: Ink) -> list[str]:
    """Write a few moments at the foot, in seconds since the recording's start."""
    whole_s = recorded.end_s - recorded.start_s
    size = 10.0 ** np.floor(np.log10(whole_s / 3.0)) if whole_s > 0 else 1.0
    step_s = next(size * times for times in (1, 2, 5, 10) if whole_s / (size * times) <= 5)
    first = np.ceil(recorded.start_s / step_s)
    moments_s = np.arange(first, recorded.end_s / step_s + 1e-9) * step_s
    at = scale.x(moments_s).tolist()
    foot = scale.bottom + 14.0
    marks = "".join(f"M{x:g} {scale.bottom:g}v3" for x in at)
    told = [
        label(x, foot, f"{moment:g}" + (" s" if moment == moments_s[-1] else ""), ink,
               anchor="end" if x > scale.wide - 24.0 else "middle")
        for x, moment in zip(at, moments_s.tolist(), strict=True)
    ]  # fmt: skip
    return [line_of(marks, ink.soft, 0.8) if marks else "", *told]


@dataclass(frozen=True, slots=True)
class Tile:
    """One of several small drawings that stand side by side, for the screen."""

    title: str
    svg: str
    alt: str
    size: tuple[float, float]


_TITLE: Final = 20.0
_APART: Final = 14.0


def assemble(tiles: Sequence[Tile], columns: int, alt: str) -> str:
    """Put drawings side by side into one for a file, in the colours of paper."""
    wide = max(tile.size[0] for tile in tiles) + _APART
    high = max(tile.size[1] for tile in tiles) + _TITLE + _APART
    parts = []
    for at, tile in enumerate(tiles):
        row, column = divmod(at, columns)
        x, y = column * wide, row * high
        place = f'<svg x="{x:g}" y="{y + _TITLE:g}" width="{tile.size[0]:g}" '
        inner = tile.svg.replace("<svg ", f'{place}height="{tile.size[1]:g}" ', 1)
        parts += [label(x, y + _TITLE - 6.0, tile.title, SCREEN, anchor="start"), inner]
    rows = -(-len(tiles) // columns)
    whole = drawing(min(columns, len(tiles)) * wide - _APART, rows * high, alt, parts)
    return on_paper(whole.replace("<svg ", f'<svg style="background: {PAPER.paper}" ', 1))


def on_paper(svg: str) -> str:
    """Give a drawing for the screen the colours of paper."""
    for field in fields(Ink):
        svg = svg.replace(f'"{getattr(SCREEN, field.name)}"', f'"{getattr(PAPER, field.name)}"')
    return svg


def line_of(data: str, colour: str, width: float, *, dash: str = "", opacity: float = 1.0) -> str:
    """Draw along a path's data."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    seen = f' opacity="{opacity:g}"' if opacity < 1.0 else ""
    return (
        f'<path d="{data}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dashed}{seen}/>'
    )


def label(x: float, y: float, text: str, ink: Ink, *, anchor: str) -> str:
    """Write one line of text, its base line at y."""
    shown = escape(format_plainly(text))
    return f'<text x="{x:g}" y="{y:g}" fill="{ink.soft}" text-anchor="{anchor}">{shown}</text>'


def drawing(wide: float, high: float, alt: str, parts: Iterable[str]) -> str:
    """Put parts together into one drawing; without an alternative text it is hidden."""
    seen = f'role="img" aria-label={quoteattr(alt)}' if alt else 'aria-hidden="true"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" {seen}>'
        '<g font-family="system-ui, DejaVu Sans, sans-serif" font-size="11">'
        f"{''.join(parts)}</g></svg>"
    )
