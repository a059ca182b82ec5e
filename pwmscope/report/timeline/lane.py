"""One line's pulses as whole numbers, and what is marked on its panel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture import Capture
from pwmscope.findings import ChannelFindings
from pwmscope.findings.failsafe import quiet_limit_s
from pwmscope.model.recording import PS_PER_S, PS_PER_US
from pwmscope.pulses import Flag, PulseTable
from pwmscope.report.json_text import Json
from pwmscope.report.loss_spans import say_loss
from pwmscope.report.sentences import say_line
from pwmscope.report.timeline.pyramid import MEASURED

STRAY: Final = Flag.CUT | Flag.GLITCH | Flag.NOTCHED | Flag.FOREIGN
"""A pulse with any of these is marked, since its width counts in nothing."""
MOST_MARKED: Final = 500
"""Losses of a line, and visits to a level, that are marked at most."""
_PS_PER_NS: Final = 1000.0
_ON_LATTICE_PS: Final = 2.0
_MARGIN: Final = 0.09


@dataclass(frozen=True, slots=True)
class Lane:
    """One line's pulses, counted in a unit of time.

    Parameters
    ----------
    channel : ChannelFindings
        What was found about the line.
    unit_ps : float
        The sample interval where all edges lie on samples, otherwise a nanosecond.
    origin_ps : int
        The first leading edge, in picoseconds since the recording's start.
    rise : ndarray of int64, shape (n,)
        Leading edges, in units since the first.
    width : ndarray of int64, shape (n,)
        Widths in units; for a pulse that is cut, as much of it as was recorded.
    marks : ndarray of uint8, shape (n,)
        Flags, and `MEASURED`.
    """

    channel: ChannelFindings
    unit_ps: float
    origin_ps: int
    rise: npt.NDArray[np.int64]
    width: npt.NDArray[np.int64]
    marks: npt.NDArray[np.uint8]

    @property
    def period_us(self) -> float:
        """Median frame period; the convention's where there is none."""
        table = self.channel.table
        known = table.period_us[np.isfinite(table.period_us)]
        return float(np.median(known)) if known.size else table.convention.period_us

    @property
    def moments_s(self) -> npt.NDArray[np.float64]:
        """Moments of interest: signal lost and found, least and greatest width."""
        table = self.channel.table
        ends_s = [end for span in self.channel.loss_spans for end in (span.start_s, span.end_s)]
        rows = np.flatnonzero(table.measured)
        if rows.size:
            width_us = table.width_us[rows]
            ends_s += table.rise_s[rows[[width_us.argmin(), width_us.argmax()]]].tolist()
        return np.array(ends_s)

    @property
    def strays_s(self) -> npt.NDArray[np.float64]:
        """Moments of the pulses that are marked."""
        return self.channel.table.rise_s[self.channel.table.has(STRAY)]


def lane_of(channel: ChannelFindings, capture: Capture) -> Lane:
    """Count one line's pulses in units.

    Parameters
    ----------
    channel : ChannelFindings
        The line; it has pulses.
    capture : Capture
        Where it was recorded.

    Returns
    -------
    Lane
    """
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
    return Lane(
        channel, unit_ps, int(rise_ps[0]), _counted(since_ps, unit_ps),
        _counted(width_ps, unit_ps), marks.astype(np.uint8),
    )  # fmt: skip


def _cut_ps(
    table: PulseTable, rise_ps: npt.NDArray[np.int64], capture: Capture
) -> npt.NDArray[np.float64]:
    """As much of each pulse as was recorded, of meaning for the cut ones only."""
    edges_ps = capture.lines[table.line].edges_ps
    after = np.searchsorted(edges_ps, rise_ps, side="right")
    ends_ps = np.append(edges_ps, capture.end_ps)[after]
    return (ends_ps - rise_ps).astype(np.float64)


def _on_lattice(time_ps: npt.NDArray[np.float64], unit_ps: float) -> bool:
    whole_ps = np.rint(time_ps / unit_ps) * unit_ps
    return bool(np.abs(time_ps - whole_ps).max(initial=0.0) <= _ON_LATTICE_PS)


def _counted(time_ps: npt.NDArray[np.float64], unit_ps: float) -> npt.NDArray[np.int64]:
    return np.rint(time_ps / unit_ps).astype(np.int64)


def lane_facts(lane: Lane) -> dict[str, Json]:
    """Tell a panel all but the pulses.

    Parameters
    ----------
    lane : Lane
        The line.

    Returns
    -------
    dict
        Times in seconds, widths in microseconds.
    """
    channel, table = lane.channel, lane.channel.table
    convention = table.convention
    width_us = table.width_us[table.measured]
    low_us = min(convention.low_us, float(width_us.min(initial=np.inf)))
    high_us = max(convention.high_us, float(width_us.max(initial=-np.inf)))
    margin_us = _MARGIN * (high_us - low_us)
    return {
        "name": say_line(channel.line),
        "inverted": table.inverted,
        "period_s": lane.period_us / 1e6,
        "quiet_s": quiet_limit_s(lane.period_us),
        "shown_us": [low_us - margin_us, high_us + margin_us],
        "convention_us": [convention.low_us, convention.neutral_us, convention.high_us],
        "unit_ps": lane.unit_ps,
        "origin_ps": lane.origin_ps,
        "decimals": 1 if lane.unit_ps >= PS_PER_US else 3,
        "levels": _levels(channel),
        "losses": _losses(channel),
    }


def _levels(channel: ChannelFindings) -> list[Json]:
    travel = channel.travel
    if travel is None:
        return []
    named = (
        ("low endpoint", travel.low),
        ("neutral", travel.neutral),
        ("high endpoint", travel.high),
    )
    return [
        {
            "name": name,
            "width_us": round(level.width_us, 4),
            "visits": [
                [round(visit.start_s, 6), round(visit.end_s, 6)]
                for visit in level.visits[:MOST_MARKED]
            ],
        }
        for name, level in named
        if level is not None
    ]


def _losses(channel: ChannelFindings) -> list[Json]:
    if channel.silence is None:
        return []
    lost = list(zip(channel.silence.events, channel.loss_spans, strict=True))
    return [
        {
            "start_s": round(span.start_s, 6),
            "end_s": round(span.end_s, 6),
            "words": say_loss(event)[0],
        }
        for event, span in lost[:MOST_MARKED]
    ]
