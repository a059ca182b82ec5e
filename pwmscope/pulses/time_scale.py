"""Whether a recording's times can be right: servo pulses that fit at another sample rate only."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.pulses.convention import FAST_SERVO, STANDARD_SERVO
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
    return width_us, 1e6 * float(np.median(np.diff(rise_s)))


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
        abs(math.log2(scale * float(np.median(width_us)) / STANDARD_SERVO.neutral_us))
        + abs(math.log2(scale * period_us / STANDARD_SERVO.period_us))
        for width_us, period_us in lines
    )


def _doubt(table: PulseTable, scale: float) -> str:
    rate = ""
    if table.sample_interval_us is not None:
        rate = f" at {_hz(1e6 / (table.sample_interval_us * scale))} instead of "
        rate += _hz(1e6 / table.sample_interval_us)
    return (
        f"The recording's times look wrong: pulses and frames fit a servo line only{rate} "
        f"({scale:.4g} times as long). Check the sample rate."
    )


def _hz(rate_hz: float) -> str:
    for unit, name in ((1e6, "MS/s"), (1e3, "kS/s")):
        if rate_hz >= unit:
            return f"{rate_hz / unit:.4g} {name}"
    return f"{rate_hz:.4g} S/s"
