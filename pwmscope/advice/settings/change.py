"""The size of a change: decided beyond the uncertainty, in percent, with what it leads to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, auto

from pwmscope.advice.settings.transmitter import Transmitter
from pwmscope.findings.travel import Amount
from pwmscope.model import COVERAGE, Verdict, judge


class Need(Enum):
    """Whether a change is needed."""

    YES = auto()
    NO = auto()
    IN_DOUBT = auto()


@dataclass(frozen=True, slots=True)
class Reckoned:
    """A change as the transmitter can make it."""

    change: Amount  # By how much the width should change
    # The same in whole steps of the transmitter; None without a scale. Its sign is that of the
    # width's change.
    percent: float | None
    predicted: Amount  # The width afterwards


def needed(offset: Amount, tolerance_us: float) -> Need:
    """Say whether an offset is beyond its tolerance, giving the doubt to neither side.

    Examples
    --------
    >>> [needed(Amount(us, 1.0), 10.0).name for us in (-13.0, 11.0, 3.0)]
    ['YES', 'IN_DOUBT', 'NO']
    """
    doubt_us = offset.doubt_us
    verdict = judge(abs(offset.us), tolerance_us, None if doubt_us is None else doubt_us / COVERAGE)
    return {
        Verdict.MEETS: Need.NO,
        Verdict.DOES_NOT_MEET: Need.YES,
        Verdict.NOT_SHOWN: Need.IN_DOUBT,
    }[verdict]


def reckon(now: Amount, target_us: float, transmitter: Transmitter) -> Reckoned:
    """Reckon a change and what it leads to.

    The prediction's uncertainty is that of the width now and, in quadrature, that of the
    scale times the percentage (JCGM 100, 5.1.2).

    Examples
    --------
    >>> from pwmscope.advice.settings.scale import PercentScale
    >>> made = reckon(Amount(1012.0, 0.3), 1000.0, Transmitter(PercentScale(5.0, 0.2, "")))
    >>> made.change.us, made.percent, made.predicted.us, round(made.predicted.uncertainty_us, 3)
    (-12.0, -2.0, 1002.0, 0.5)
    """
    change = Amount(target_us - now.us, now.uncertainty_us)
    scale, step_percent = transmitter.scale, transmitter.step_percent
    if scale is None:
        return Reckoned(change, None, Amount(target_us, now.uncertainty_us))
    percent = round(change.us / scale.us_per_percent / step_percent) * step_percent
    predicted_us = now.us + percent * scale.us_per_percent
    if now.uncertainty_us is None or scale.uncertainty_us is None:
        return Reckoned(change, percent, Amount(predicted_us, None))
    doubt_us = math.hypot(now.uncertainty_us, percent * scale.uncertainty_us)
    return Reckoned(change, percent, Amount(predicted_us, doubt_us))


def format_change(
    made: Reckoned, percent: float | None, transmitter: Transmitter, which: str = ""
) -> str:
    """Say a change in microseconds and percent, and what it leads to.

    Examples
    --------
    >>> made = reckon(Amount(1012.0, 0.25), 1000.0, Transmitter())
    >>> format_change(made, None, Transmitter())
    'by -12.0 ± 0.5 us; if it can be set so finely, that should give 1000.0 ± 0.5 us'
    """
    said = f"by {_signed(made.change)}"
    scale = transmitter.scale
    if percent is None or scale is None:
        return f"{said}; if it can be set so finely, that should give {made.predicted.said}"
    worth = f"{scale.us_per_percent:.3g} us for each percent, {scale.source}"
    setting = f"a setting of {percent:+g} %{which} ({worth})"
    return f"{said}, {setting}; that should give {made.predicted.said}"


def format_offset(offset_us: float) -> str:
    """Write an offset with its sign, none before a zero that is below zero.

    Examples
    --------
    >>> format_offset(-12.04), format_offset(-0.01)
    ('-12.0 us', '+0.0 us')
    """
    return f"{round(offset_us, 1) + 0.0:+.1f} us"


def _signed(amount: Amount) -> str:
    return f"+{amount.said}" if amount.us > 0 else amount.said
