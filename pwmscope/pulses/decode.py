"""Edges to pulses, vectorised, and whether the recording's times can be right."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_S, PS_PER_US, Capture, Line
from pwmscope.errors import require_type
from pwmscope.model import median_of
from pwmscope.pulses.convention import (
    FAST_SERVO,
    STANDARD_SERVO,
    Convention,
    Polarity,
    choose_convention,
    find_polarity,
)
from pwmscope.pulses.shelf import shelved
from pwmscope.pulses.sum_train import TrainChannel, split_sum_trains
from pwmscope.pulses.table import Flag, PulseTable

_STEPS: Final = (
    1.25, 1.5, 2.0, 2.4, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0, 24.0, 25.0, 50.0,
    100.0, 1e3, 1e6,
)  # fmt: skip
SCALES: Final = tuple(sorted({*_STEPS, *(1.0 / step for step in _STEPS)}))
"""Quotients of rates that analysers offer and of units of time (common practice)."""
MIN_PULSES: Final = 20
LOOKED_AT: Final = 20_000
"""Pulses from which the times are judged, the first of each line."""
_WIDTHS_US: Final = (850.0, 2150.0)
"""Endpoints with the travel that most transmitters allow beside them (common practice)."""
_PERIODS_US: Final = (STANDARD_SERVO.period_low_us, STANDARD_SERVO.period_high_us)
_MAX_AS_STATED: Final = 0.5
_MIN_SCALED: Final = 0.95


def with_time_scale(tables: Mapping[str, PulseTable]) -> dict[str, PulseTable]:
    """Say on each table by what the recording's times are likely wrong.

    All lines share one clock. It is doubted where fewer than half of the standard
    pulses lie between 850 and 2150 us as recorded, and 95 % of them, with frame
    periods of 10 to 25 ms, at another usual rate. Lines of other conventions and
    lines of fewer than 20 pulses say nothing. Own rule.

    Examples
    --------
    Frames of 750 us, a hundred a second, are frames of 1500 us, fifty a second:

    >>> n = np.arange(50)
    >>> table = PulseTable("RX1", 0.01 * n, np.full(50, 750.0), np.full(50, 10_000.0),
    ...                    np.zeros(50, np.uint8), False, STANDARD_SERVO, 1.0)
    >>> doubted = with_time_scale({"RX1": table})["RX1"]
    >>> doubted.time_scale, doubted.likely_rate_hz
    (2.0, 500000.0)
    """
    lines = [found for table in tables.values() if (found := _pulses(table)) is not None]
    if not lines or _mean_share(lines, 1.0) >= _MAX_AS_STATED:
        return dict(tables)
    fitting = [scale for scale in SCALES if _mean_share(lines, scale) >= _MIN_SCALED]
    if not fitting:
        return dict(tables)
    scale = min(fitting, key=lambda scale: _distance(lines, scale))
    return {
        name: replace(table, time_scale=scale, notes=(*table.notes, _doubt(table, scale)))
        for name, table in tables.items()
    }


_Pulses = tuple[npt.NDArray[np.float64], float]
"""The widths of a line's pulses, and their median period."""


def _pulses(table: PulseTable) -> _Pulses | None:
    """Return what is known of a line; None where it says nothing about the times."""
    if table.convention not in (STANDARD_SERVO, FAST_SERVO):
        return None
    head = slice(LOOKED_AT)
    whole = (table.flags[head] & np.uint8(Flag.CUT | Flag.NOTCHED)) == 0
    width_us, rise_s = table.width_us[head][whole], table.rise_s[head][whole]
    if width_us.size < MIN_PULSES:
        return None
    return width_us, 1e6 * median_of(np.diff(rise_s))


def _mean_share(lines: list[_Pulses], scale: float) -> float:
    """Share of pulses with a servo's width, each line with equal weight."""
    return sum(_share(width_us, period_us, scale) for width_us, period_us in lines) / len(lines)


def _share(width_us: npt.NDArray[np.float64], period_us: float, scale: float) -> float:
    if scale != 1.0 and not _PERIODS_US[0] <= scale * period_us <= _PERIODS_US[1]:
        return 0.0
    low_us, high_us = _WIDTHS_US[0] / scale, _WIDTHS_US[1] / scale
    return float(np.mean((width_us >= low_us) & (width_us <= high_us)))


def _distance(lines: list[_Pulses], scale: float) -> float:
    """How far the lines are from 1500 us every 20 ms, in octaves."""
    return sum(
        abs(math.log2(scale * median_of(width_us) / STANDARD_SERVO.neutral_us))
        + abs(math.log2(scale * period_us / STANDARD_SERVO.period_us))
        for width_us, period_us in lines
    )


def _doubt(table: PulseTable, scale: float) -> str:
    rate = ""
    if table.sample_interval_us is not None:
        rate = f" at {_hz(1e6 / (table.sample_interval_us * scale))} instead of "
        rate += _hz(1e6 / table.sample_interval_us)
    return (
        f"The recording's times look wrong. Pulses and frames fit a servo line only{rate} "
        f"({scale:.4g} times as long). Check the sample rate."
    )


def _hz(rate_hz: float) -> str:
    for unit, name in ((1e6, "MS/s"), (1e3, "kS/s")):
        if rate_hz >= unit:
            return f"{rate_hz / unit:.4g} {name}"
    return f"{rate_hz:.4g} S/s"


def decode(capture: Capture, convention: Convention | None = None) -> dict[str, PulseTable]:
    """Decode every line of a capture into servo pulses.

    Parameters
    ----------
    capture : Capture
        The recording.
    convention : Convention, optional
        What widths, glitches and endpoints are held against. By default each
        line's is chosen from its pulses, and said where it is not the standard
        servo convention.

    Returns
    -------
    dict of str to PulseTable
        One table per line, in the capture's order; a line that carries a PPM
        sum train gives one per channel. A line without a single pulse has a
        table of length 0.

    Raises
    ------
    ArgumentError
        If an argument is of another type.

    Examples
    --------
    >>> import numpy as np
    >>> from pwmscope.capture import Capture, Line
    >>> edges_us = np.array([5000, 6500, 25000, 26520, 45000])
    >>> line = Line("RX1", edges_us.astype(np.int64) * 1_000_000, initial_level=0)
    >>> capture = Capture({"RX1": line}, 46_000_000_000, 1e6, "an example")
    >>> table = decode(capture)["RX1"]
    >>> table.width_us, table.period_us
    (array([1500., 1520.,   nan]), array([20000., 20000.,    nan]))
    >>> [Flag(int(flag)).name for flag in table.flags if flag]
    ['CUT']
    """
    require_type(
        "capture", capture, Capture, "a Capture", "Read the file with pwmscope.load first."
    )
    if convention is not None:
        require_type(
            "convention", convention, Convention, "a Convention",
            "pwmscope.CONVENTIONS holds them by name.",
        )  # fmt: skip
    tables = {
        name: decode_line(
            line, capture.end_ps, capture.sample_interval_us, convention, start_ps=capture.start_ps
        )
        for name, line in split_sum_trains(capture).lines.items()
    }
    return with_time_scale(tables)


def decode_line(
    line: Line,
    end_ps: int,
    sample_interval_us: float | None,
    convention: Convention | None = None,
    *,
    start_ps: int = 0,
) -> PulseTable:
    """Decode one line.

    Lows shorter than the glitch limit are bridged first, so that a notch does
    not split a pulse; what remains is measured between its own two edges.

    Parameters
    ----------
    line : Line
        The line's edges.
    end_ps : int
        End of the capture in picoseconds.
    sample_interval_us : float or None
        Interval between samples in microseconds, where known.
    convention : Convention, optional
        What widths, glitches and endpoints are held against; by default chosen
        from the pulses.
    start_ps : int, optional
        Start of the capture in picoseconds.

    Returns
    -------
    PulseTable
        Every pulse, whole or cut, glitch or not, with its flags.
    """
    notes = []
    if convention is None:
        convention = choose_convention(line)
        if convention is not STANDARD_SERVO:
            notes.append(_chosen(convention))
    is_channel = isinstance(line, TrainChannel)
    polarity = Polarity(inverted=False) if is_channel else find_polarity(line, convention)
    inverted = polarity.inverted
    if inverted:
        notes.append(_INVERTED)
    if polarity.other_us is not None:
        notes.append(_either_way(polarity.other_us))
    rise_ps = line.rises_ps(inverted=inverted)
    fall_ps = line.falls_ps(inverted=inverted)
    cut_at_start = bool(line.initial_level ^ int(inverted))
    if cut_at_start:
        rise_ps = np.concatenate([np.array([start_ps], np.int64), rise_ps])
    cut_at_end = rise_ps.size > fall_ps.size
    if cut_at_end:
        fall_ps = np.concatenate([fall_ps, np.array([end_ps], np.int64)])
    rise_ps, fall_ps, notched = _bridge(rise_ps, fall_ps, convention.glitch_us)

    width_us = (fall_ps - rise_ps) / PS_PER_US
    cut = np.zeros(rise_ps.size, dtype=bool)
    if cut.size:
        cut[0] |= cut_at_start
        cut[-1] |= cut_at_end
    flags = _flags(width_us, cut, notched, sample_interval_us or 0.0, convention)
    leads = (flags & np.uint8(Flag.GLITCH | Flag.FOREIGN)) == 0
    if cut_at_start and leads.size:
        leads[0] = False
    if cut_at_end:
        # What was seen of it tells whether it can be a servo pulse at all.
        seen_us = width_us[-1]
        leads[-1] &= convention.accepted_low_us <= seen_us <= convention.accepted_high_us
    width_us[cut] = np.nan
    return PulseTable(
        line.name,
        shelved(rise_ps / PS_PER_S),
        shelved(width_us),
        shelved(_periods_us(rise_ps, leads, notched)),
        shelved(flags),
        inverted,
        convention,
        sample_interval_us,
        tuple(notes),
        polarity.other_us,
        damaged=line.damaged if isinstance(line, TrainChannel) else (),
    )


def _chosen(convention: Convention) -> str:
    return (
        f"Its pulses look like '{convention.name}' ({convention.low_us:.4g} to "
        f"{convention.high_us:.4g} us), which is taken; `convention` overrules this."
    )


def _either_way(other_us: float) -> str:
    return (
        "The pulses are read as high (common practice). Read as low they fit as well, with a "
        f"median of {other_us:.4g} us."
    )


_INVERTED = "The line idles high, so it is read as inverted: its pulses are low."


def _bridge(
    rise_ps: npt.NDArray[np.int64], fall_ps: npt.NDArray[np.int64], glitch_us: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Join pulses whose gap is shorter than a glitch; say which were joined."""
    is_notch = (rise_ps[1:] - fall_ps[:-1]) < glitch_us * PS_PER_US
    starts = np.concatenate([np.ones(min(1, rise_ps.size), bool), ~is_notch])
    ends = np.concatenate([~is_notch, np.ones(min(1, rise_ps.size), bool)])
    first, last = np.flatnonzero(starts), np.flatnonzero(ends)
    return rise_ps[first], fall_ps[last], last > first


def _flags(
    width_us: npt.NDArray[np.float64],
    cut: npt.NDArray[np.bool_],
    notched: npt.NDArray[np.bool_],
    interval_us: float,
    convention: Convention,
) -> npt.NDArray[np.uint8]:
    whole = ~cut
    glitch = whole & (width_us < convention.glitch_us)
    foreign = (
        whole
        & ~glitch
        & ((width_us < convention.accepted_low_us) | (width_us > convention.accepted_high_us))
    )
    # Two sampled edges place a width within one sample interval of the truth,
    # so a width counts as outside only beyond that.
    slack_us = interval_us + 1e-6
    outside = (
        whole
        & ~glitch
        & ~notched
        & ((width_us < convention.low_us - slack_us) | (width_us > convention.high_us + slack_us))
    )
    flags = np.zeros(width_us.size, np.uint8)
    for mask, flag in (
        (cut, Flag.CUT),
        (glitch, Flag.GLITCH),
        (notched, Flag.NOTCHED),
        (foreign, Flag.FOREIGN),
        (outside, Flag.OUTSIDE),
    ):
        flags[mask] |= np.uint8(flag)
    return flags


def _periods_us(
    rise_ps: npt.NDArray[np.int64],
    leads: npt.NDArray[np.bool_],
    notched: npt.NDArray[np.bool_],
) -> npt.NDArray[np.float64]:
    """Periods between frame pulses; a bridged glitch may have moved a leading edge."""
    period_us = np.full(rise_ps.size, np.nan)
    at = np.flatnonzero(leads)
    sure = ~(notched[at[:-1]] | notched[at[1:]])
    period_us[at[:-1][sure]] = np.diff(rise_ps[at])[sure] / PS_PER_US
    return period_us
