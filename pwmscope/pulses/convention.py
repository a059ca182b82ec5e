"""What a line's pulses are held against: conventions as data, and which one the pulses follow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final

import numpy as np

from pwmscope.capture import PS_PER_US, Line
from pwmscope.errors import ArgumentError, HintError, require_number
from pwmscope.model import BoolArray, FloatArray, IntArray, median_of


@dataclass(frozen=True, slots=True)
class Convention:
    """How a kind of output encodes a stick position as a pulse width.

    Parameters
    ----------
    name : str
        What the trade calls it.
    low_us, neutral_us, high_us : float
        Widths at the low endpoint, at neutral and at the high endpoint.
    period_us : float
        Nominal frame period.
    period_low_us, period_high_us : float
        Frame periods that devices of this kind take.
    accepted_low_us, accepted_high_us : float
        Widths outside this range are not taken for servo pulses at all and
        stay out of the statistics; they are counted.
    glitch_us : float
        A high or a low shorter than this is a glitch.
    source : str
        Where the figures come from.
    """

    name: str
    low_us: float
    neutral_us: float
    high_us: float
    period_us: float
    period_low_us: float
    period_high_us: float
    accepted_low_us: float
    accepted_high_us: float
    glitch_us: float
    source: str

    def __post_init__(self) -> None:
        require_number("glitch_us", self.glitch_us, "microseconds above 0", least=1e-6)
        widths = ("accepted_low_us", "low_us", "neutral_us", "high_us", "accepted_high_us")
        for names in (widths, ("period_low_us", "period_us", "period_high_us")):
            for name in names:
                require_number(name, getattr(self, name), "microseconds above 0", least=1e-6)
            values = [getattr(self, name) for name in names]
            if values != sorted(values) or self.low_us == self.high_us:
                said = ", ".join(f"{value:g}" for value in values)
                order = "rising in the order " + ", ".join(names)
                raise ArgumentError(names[-1], f"the last of {said}", f"widths {order}")

    @property
    def span_us(self) -> float:
        """Width between the two endpoints."""
        return self.high_us - self.low_us


STANDARD_SERVO: Final = Convention(
    name="standard servo",
    low_us=1000.0,
    neutral_us=1500.0,
    high_us=2000.0,
    period_us=20_000.0,
    period_low_us=10_000.0,
    period_high_us=25_000.0,
    accepted_low_us=750.0,
    accepted_high_us=2250.0,
    glitch_us=100.0,
    source=(
        "common practice: 1000-1500-2000 us every 20 ms. Analogue servos and ESCs alike take 10 "
        "to 25 ms (from memory). The accepted range is that of a transmitter at 150 % travel. 100 "
        "us is a tenth of the shortest endpoint"
    ),
)
"""The convention of hobby servos and ESCs (common practice)."""

FAST_SERVO: Final = replace(
    STANDARD_SERVO,
    name="fast servo",
    period_us=3_000.0,
    period_low_us=2_400.0,
    period_high_us=10_000.0,
    source=(
        "common practice, from memory: the standard widths at 100 to 400 frames a second. For "
        "digital servos and ESCs only: an analogue servo may overheat"
    ),
)
"""Standard widths at higher frame rates (common practice, from memory)."""


def _shorter(name: str, divisor: float, period_us: tuple[float, float, float]) -> Convention:
    """Scale the standard convention's widths down by a divisor."""
    low_us, usual_us, high_us = period_us
    widths = ("low_us", "neutral_us", "high_us", "accepted_low_us", "accepted_high_us", "glitch_us")
    shorter: dict[str, Any] = {key: getattr(STANDARD_SERVO, key) / divisor for key in widths}
    return replace(
        STANDARD_SERVO,
        **shorter,
        name=name,
        period_us=usual_us,
        period_low_us=low_us,
        period_high_us=high_us,
        source=(
            f"common practice, from memory: the standard widths divided by {divisor:g}, for ESCs "
            "that are set to it"
        ),
    )


EIGHTH_WIDTH: Final = _shorter("eighth width", 8.0, (260.0, 1000.0, 25_000.0))
"""125 to 250 us, up to some 3800 frames a second (common practice, from memory)."""

TWENTY_FOURTH_WIDTH: Final = _shorter("twenty-fourth width", 24.0, (90.0, 500.0, 25_000.0))
"""About 42 to 83 us, up to some 11000 frames a second (common practice, from memory)."""

CONVENTIONS: Final[Mapping[str, Convention]] = MappingProxyType({
    convention.name: convention
    for convention in (STANDARD_SERVO, FAST_SERVO, EIGHTH_WIDTH, TWENTY_FOURTH_WIDTH)
})  # fmt: skip
"""All conventions by name."""


def convention_named(name: str) -> Convention:
    """Look up a convention.

    Raises
    ------
    HintError
        If there is none of this name.

    Examples
    --------
    >>> convention_named("fast servo").period_us
    3000.0
    """
    found = CONVENTIONS.get(" ".join(name.lower().split()))
    if found is None:
        raise HintError(
            f"There is no convention '{name}'; the conventions are {', '.join(CONVENTIONS)}."
        )
    return found


_MIN: Final = 4
"""Up to so many servo-like stretches at a level tell nothing about its alignment."""
_MIN_MISFITS: Final = 3
_MAX_GAP: Final = 5.0
"""A pause of more frame periods may be a level that is stuck, which shows no polarity."""


@dataclass(frozen=True, slots=True)
class Polarity:
    """Which level of a line is the pulse."""

    inverted: bool  # Whether its pulses are low
    # Median width of the other level's stretches, where they are as likely to be the pulses; None
    # where the record decides
    other_us: float | None = None


def find_polarity(line: Line, convention: Convention) -> Polarity:
    """Decide which level of a line is the pulse.

    The level whose stretches more often last as long as a servo pulse is the
    pulse. Where both do (frames so fast that the pause is as short as a pulse):

    1. A level that is now and then too short for a pulse, or lasts over a frame
       that is missing, is the pause.
    2. Else the line is read as idling low (common practice). That is certain only
       where its rises are steadier than its falls, as of a receiver that starts
       its pulses evenly. Where its falls are, or neither, a line that idles high
       and one whose pulses end evenly look alike, and the other reading is given.

    Pulses of 1900 and 2000 us that end every 3000 us, or pauses of an inverted line:

    >>> from pwmscope.pulses import STANDARD_SERVO
    >>> ends_us = 3000.0 * np.arange(1, 101)
    >>> widths_us = np.where(np.arange(100) < 50, 1900.0, 2000.0)
    >>> edges_us = np.stack([ends_us - widths_us, ends_us], axis=1).ravel()
    >>> find_polarity(Line("A", (edges_us * PS_PER_US).astype(np.int64), 0), STANDARD_SERVO)
    Polarity(inverted=False, other_us=1000.0)
    """
    stretches_us = np.diff(line.edges_ps) / PS_PER_US
    first_is_high = line.initial_level == 0
    even_us, odd_us = stretches_us[0::2], stretches_us[1::2]
    highs_us, lows_us = (even_us, odd_us) if first_is_high else (odd_us, even_us)
    high, low = (np.count_nonzero(accepted(each_us, convention)) for each_us in (highs_us, lows_us))
    if min(high, low) <= 0.5 * max(high, low) or max(high, low) <= _MIN:
        return Polarity(bool(low > high))
    rises_ps, falls_ps = line.rises_ps(), line.falls_ps()
    usual_us = median_of(np.diff(rises_ps)) / PS_PER_US
    high_misfits = _misfits(highs_us, convention, usual_us)
    low_misfits = _misfits(lows_us, convention, usual_us)
    most, least = max(high_misfits, low_misfits), min(high_misfits, low_misfits)
    if most >= max(_MIN_MISFITS, 5 * least):
        return Polarity(high_misfits > low_misfits)
    if _unsteadiness(rises_ps) < 0.5 * _unsteadiness(falls_ps):
        return Polarity(inverted=False)
    return Polarity(inverted=False, other_us=median_of(lows_us))


def accepted(width_us: FloatArray, convention: Convention) -> BoolArray:
    """Say which widths are those of servo pulses."""
    low_us, high_us = convention.accepted_low_us, convention.accepted_high_us
    return (width_us >= low_us) & (width_us <= high_us)


def whole_pulses(line: Line, *, inverted: bool) -> tuple[IntArray, FloatArray]:
    """Return leading edges, in picoseconds, and widths of a line's pulses, none cut."""
    rise_ps, fall_ps = line.rises_ps(inverted=inverted), line.falls_ps(inverted=inverted)
    if rise_ps.size and fall_ps.size and fall_ps[0] < rise_ps[0]:
        fall_ps = fall_ps[1:]
    rise_ps = rise_ps[: fall_ps.size]
    width_us: FloatArray = (fall_ps - rise_ps) / PS_PER_US
    return rise_ps, width_us


def _misfits(stretches_us: FloatArray, convention: Convention, usual_us: float) -> int:
    """Count the stretches that no pulse has, glitches and stuck levels apart."""
    short = (stretches_us >= convention.glitch_us) & (stretches_us < convention.accepted_low_us)
    long = (stretches_us > convention.accepted_high_us) & (stretches_us < _MAX_GAP * usual_us)
    return int(np.count_nonzero(short | long))


def _unsteadiness(edges_ps: IntArray) -> float:
    """Mean deviation of the intervals between edges; a gap counts as a tenth of one."""
    intervals_us = np.diff(edges_ps) / PS_PER_US
    usual_us = median_of(intervals_us)
    return float(np.mean(np.minimum(np.abs(intervals_us - usual_us), 0.1 * usual_us)))


MIN_PULSES = 20
LOOKED_AT = 20_000
"""Edges from which the convention is chosen, the first of the line."""
FIT = 0.9
"""Share of pulses that must lie in a convention's accepted range to infer it."""


def choose_convention(line: Line) -> Convention:
    """Choose the convention that a line's pulses follow.

    The standard servo convention is taken unless at least 20 pulses speak
    against it: nine of ten pulses of standard width but too many frames a
    second make a fast servo line; nine of ten pulses within one of the shorter
    conventions, and fewer than one in ten within the standard one, that.

    >>> edges_us = np.stack([1000.0 * np.arange(50), 1000.0 * np.arange(50) + 180], axis=1).ravel()
    >>> choose_convention(Line("M1", (edges_us * PS_PER_US).astype(np.int64) + 1, 0)).name
    'eighth width'
    """
    line = Line(line.name, line.edges_ps[:LOOKED_AT], line.initial_level)
    standard = _fit(line, STANDARD_SERVO, FAST_SERVO.period_low_us)
    if standard >= FIT:
        leads_ps = line.rises_ps(inverted=find_polarity(line, STANDARD_SERVO).inverted)
        is_fast = _usual_us(leads_ps) < STANDARD_SERVO.period_low_us
        return FAST_SERVO if is_fast else STANDARD_SERVO
    if standard < 1 - FIT:
        for convention in (EIGHTH_WIDTH, TWENTY_FOURTH_WIDTH):
            if _fit(line, convention, convention.period_low_us) >= FIT:
                return convention
    return STANDARD_SERVO


def _usual_us(leads_ps: IntArray) -> float:
    """Median distance of leading edges; endless where there are too few pulses to judge."""
    if leads_ps.size < MIN_PULSES:
        return np.inf
    return median_of(np.diff(leads_ps)) / PS_PER_US


def _fit(line: Line, convention: Convention, least_period_us: float) -> float:
    """Share of a line's pulses whose width lies in the accepted range.

    Frames closer together than any device takes speak against the convention as
    a whole; too few pulses speak for the standard one.
    """
    inverted = find_polarity(line, convention).inverted
    rise_ps, width_us = whole_pulses(line, inverted=inverted)
    if width_us.size < MIN_PULSES:
        return 1.0 if convention is STANDARD_SERVO else 0.0
    if _usual_us(rise_ps) < least_period_us:
        return 0.0
    return float(np.mean(accepted(width_us, convention)))
