"""The defined figures of a line, from edges and from what was truly held.

The same functions give the truth (on the generated edges) and the oracle (on the recorded edges,
given the true dwells, with the variance that sampling adds on the average taken out of jitters).
Definitions: docs/findings.md. Widths and instants in microseconds.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adversary.signal_bench import MOVING, NEUTRAL_US, Hand, Pulses

Array = npt.NDArray[np.floating[Any]]
Ints = npt.NDArray[np.int64]

CLOCK_FIGURES = ("frame period", "period jitter", "cycle-to-cycle jitter", "time interval error")
LEVEL_FIGURES = ("neutral", "low endpoint", "high endpoint", "travel", "asymmetry")
STICK_FIGURES = ("hysteresis", "centring")
WIDTH_FIGURES = ("width jitter",)
SAME_LEVEL_US = 10.0
MIN_FROM_NEUTRAL_US = 50.0


class Dwells:
    """Counts, means and pooled deviation of the holds of one line, and a trimmed form of them."""

    def __init__(self, width_us: Array, held: Ints, *, trimmed: bool = False) -> None:
        holds = held != MOVING
        if trimmed:
            holds &= inner(held)
        self.width = width_us[holds]
        self.number, self.group = np.unique(held[holds], return_inverse=True)
        self.count = np.bincount(self.group)
        self.mean = np.bincount(self.group, self.width) / self.count

    def rms(self) -> float:
        """Pooled deviation, each dwell about its own mean, n - 1 for each."""
        rest = self.width - self.mean[self.group]
        return float(np.sqrt((rest @ rest) / (self.count - 1).sum()))

    def over(self, chosen: npt.NDArray[np.bool_]) -> float | None:
        """Mean of some dwells, weighted by pulses."""
        if not chosen.any():
            return None
        return float(self.count[chosen] @ self.mean[chosen] / self.count[chosen].sum())


def runs(held: Ints) -> tuple[Ints, Ints]:
    """First row and length of the run of equal holds that each row is in."""
    start = np.flatnonzero(np.concatenate([[True], held[1:] != held[:-1]]))
    length = np.diff(np.concatenate([start, [held.size]]))
    return np.repeat(start, length), np.repeat(length, length)


def inner(held: Ints) -> npt.NDArray[np.bool_]:
    """Rows that stay when a tenth and two pulses are trimmed from both ends of each hold."""
    start, length = runs(held)
    row = np.arange(held.size) - start
    cut = np.minimum(length // 10 + 2, (length - 1) // 2)
    kept: npt.NDArray[np.bool_] = (row >= cut) & (row < length - cut)
    return kept


def middle(held: Ints) -> npt.NDArray[np.bool_]:
    """Rows in the middle half of each hold."""
    start, length = runs(held)
    row = np.arange(held.size) - start
    kept: npt.NDArray[np.bool_] = (row >= length // 4) & (row < length - length // 4)
    return kept


def kinds(numbers: Ints, hand: Hand) -> npt.NDArray[np.str_]:
    """What each hold is: "neutral", "low", "high" or "other"."""
    return np.array(hand.kind)[numbers]


def outermost(dwells: Dwells, sign: int) -> float | None:
    """The outermost level on one side; None where a dwell some 10 us off may or may not count."""
    off = sign * (dwells.mean - sign * (sign * dwells.mean).max())
    if np.any((off < -0.5 * SAME_LEVEL_US) & (off > -1.6 * SAME_LEVEL_US)):
        return None
    return dwells.over(off >= -SAME_LEVEL_US)


def level_figures(
    line: Pulses, width_us: Array, *, trimmed: bool = False
) -> dict[str, float | None]:
    """Neutral, endpoints, travel, asymmetry and width jitter of one line."""
    dwells = Dwells(width_us, line.held, trimmed=trimmed)
    neutral = None
    if "low" not in line.hand.kind[:1]:  # a channel that rests at an end has none
        neutral = dwells.over(kinds(dwells.number, line.hand) == "neutral")
    low, high = outermost(dwells, -1), outermost(dwells, 1)
    both = low is not None and high is not None
    return {
        "neutral": neutral,
        "low endpoint": low,
        "high endpoint": high,
        "travel": high - low if both else None,  # type: ignore[operator]
        "asymmetry": high + low - 2 * neutral if both and neutral is not None else None,  # type: ignore[operator]
        "width jitter": dwells.rms(),
    }


def stick_figures(
    line: Pulses, width_us: Array, *, trimmed: bool = False
) -> dict[str, float | None]:
    """Hysteresis and centring, from the middle halves of the stays at neutral."""
    held = np.where(inner(line.held), line.held, MOVING) if trimmed else line.held
    held = np.where(middle(held), held, MOVING)
    dwells = Dwells(width_us, held)
    home = kinds(dwells.number, line.hand) == "neutral"
    side = line.hand.side[dwells.number]
    above, below = (dwells.mean[home & (side == which)] for which in (1, -1))
    if min(above.size, below.size) < 2:
        return {"hysteresis": None, "centring": None}
    squares = above.var() * above.size + below.var() * below.size
    return {
        "hysteresis": float(above.mean() - below.mean()),
        "centring": float(np.sqrt(squares / (above.size + below.size - 2))),
    }


def clock_figures(rise_us: Array) -> dict[str, float | None]:
    """Frame period and the three jitters of a clock that misses no frame."""
    period = np.diff(rise_us)
    n = np.arange(rise_us.size) - (rise_us.size - 1) / 2
    off = rise_us - rise_us.mean()
    rest = off - n * (n @ off) / (n @ n)
    change = np.diff(period)
    return {
        "frame period": float(period.mean()),
        "period jitter": float(period.std(ddof=1)),
        "cycle-to-cycle jitter": float(np.sqrt((change @ change) / change.size)),
        "time interval error": float(np.sqrt((rest @ rest) / (rise_us.size - 2))),
    }


# Variance that sampling adds on the average, in squared sample intervals: two edges make a width or
# a period, three (one of them twice) a change of period, one a time error.
SAMPLING = {
    "width jitter": 1 / 6,
    "period jitter": 1 / 6,
    "cycle-to-cycle jitter": 1 / 2,
    "time interval error": 1 / 12,
}


def freed(figures: dict[str, float | None], interval_us: float) -> dict[str, float | None]:
    """Take what sampling adds on the average out of jitters."""
    return {
        name: value
        if value is None or name not in SAMPLING
        else float(np.sqrt(max(value**2 - SAMPLING[name] * interval_us**2, 0.0)))
        for name, value in figures.items()
    }


def flat_frames(line: Pulses) -> float:
    """Median number of frames that the width stands still within a deadband, over the sweeps."""
    sender, hand = line.transmitter, line.hand
    if not sender.deadband:
        return 0.0
    position, held = hand.at((line.rise_us - 3_000.0) * 1e-6)
    inside = (np.abs(position) < sender.deadband / 2) & (held == MOVING)
    sweeps = max(sum(lasts > 2 for lasts in hand.lasts_s), 1)
    return float(inside.sum() / sweeps)


def is_verdict(name: str, truth: float) -> bool | None:
    """Whether a truth meets the usual limit of docs/guide.md; None where it has none."""
    limit = distance(name, truth)
    return None if limit is None else limit > 0


def distance(name: str, truth: float) -> float | None:
    """How far inside its limit a truth lies (outside: negative)."""
    if name == "width jitter":
        return 4.0 - truth
    if name == "neutral":
        return 20.0 - abs(truth - NEUTRAL_US)
    if name in ("low endpoint", "high endpoint"):
        return min(truth - 990.0, 2010.0 - truth)
    if name == "frame period":
        return min(truth - 10_000.0, 25_000.0 - truth)
    return None
