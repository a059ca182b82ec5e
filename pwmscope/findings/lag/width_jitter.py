"""The jitter that an output adds to the width it was given."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pwmscope.findings.lag.pairs import Pairs
from pwmscope.findings.lag.train import Train
from pwmscope.findings.segmentation import Dwells, Record
from pwmscope.findings.timing import Separation, scatter_of, separate
from pwmscope.model import MAX_SPANS, NORMAL_95, Finding, IntArray, measured, not_shown

TRIMMED: Final = 3
MIN_IN_DWELL: Final = 6


@dataclass(frozen=True, slots=True)
class AddedJitter:
    """Jitter of the width while the stick stands still."""

    # Of the input and of the output, each apart from sampling; None where a line never stood still
    source: Separation | None
    output: Separation | None
    added_us: float | None  # What the output adds, RMS; None where it is not shown to add any
    # 95 % interval of that; its lower end is 0 where none is shown
    interval_us: tuple[float, float] | None


def measure_added_jitter(
    source: Train, output: Train, pairs: Pairs, dwells: tuple[Dwells, Dwells], gain: float
) -> AddedJitter:
    """Take the input's width jitter, times the gain, out of the output's, in quadrature.

    ``added^2 = output^2 - (gain input)^2``, both over the same pairs of pulses, in which
    both lines stood still; `TRIMMED` pairs at either end of each dwell are left out. The
    ends of the interval hold the output's lower end against the input's upper end, and the
    other way round, which covers at least 95 %.
    """
    first = ~pairs.again
    x, y = pairs.source[first], pairs.output[first]
    still = _dwell_of(source.rows[x], dwells[0]), _dwell_of(output.rows[y], dwells[1])
    change = (np.diff(still[0], prepend=-2) != 0) | (np.diff(still[1], prepend=-2) != 0)
    group = np.cumsum(change)
    count = np.bincount(group)[group]
    place = np.arange(group.size) - np.flatnonzero(change)[group - 1]
    inner = (place >= TRIMMED) & (place < count - TRIMMED)
    used = (still[0] >= 0) & (still[1] >= 0) & inner & (count - 2 * TRIMMED >= MIN_IN_DWELL)
    if not used.any():
        return AddedJitter(None, None, None, None)
    sizes = np.unique(group[used], return_counts=True)[1].astype(np.int64)
    given = separate(scatter_of(source.width_us[x[used]], sizes), source.interval_us)
    made = separate(scatter_of(output.width_us[y[used]], sizes), output.interval_us)
    if given is None or made is None:
        return AddedJitter(given, made, None, None)
    size = abs(gain)
    low_us = _left(made.interval_us[0], size * given.interval_us[1])
    high_us = _left(made.interval_us[1], size * given.interval_us[0])
    # The added jitter and the input's are independent, but not exactly so in n pulses.
    by_chance_us2 = NORMAL_95 * 2.0 * size * given.interval_us[1] * high_us
    by_chance_us2 /= math.sqrt(float(sizes.sum()))
    low_us = math.sqrt(max(low_us**2 - by_chance_us2, 0.0))
    high_us = math.sqrt(high_us**2 + by_chance_us2)
    added_us = None
    if low_us > 0.0 and made.jitter_rms_us is not None:
        added_us = _left(made.jitter_rms_us, size * (given.jitter_rms_us or 0.0))
    return AddedJitter(given, made, added_us, (low_us, high_us))


def _left(whole_us: float, part_us: float) -> float:
    return math.sqrt(max(whole_us**2 - part_us**2, 0.0))


def _dwell_of(rows: IntArray, dwells: Dwells) -> IntArray:
    """Say in which dwell each row of the pulse table is; -1 for none."""
    if not len(dwells):
        return np.full(rows.size, -1, np.int64)
    at = np.searchsorted(dwells.first, rows, side="right").astype(np.int64) - 1
    inside = (at >= 0) & (rows <= dwells.last[np.maximum(at, 0)])
    return np.where(inside, at, -1)


def added_jitter_finding(added: AddedJitter, source: str, output: str, record: Record) -> Finding:
    """Say how much width jitter an output adds."""
    name = "added width jitter"
    if added.interval_us is None or added.output is None or added.source is None:
        return not_shown(
            name, "us",
            f"{source} and {output} never stood still together, so the jitter that {output} adds "
            "is not shown. Leave the stick alone for five seconds while recording.",
        )  # fmt: skip
    low_us, high_us = added.interval_us
    if added.added_us is None:
        faster = (
            f" {added.output.sentence(f'the width of {output}')}"
            if added.output.record_at_hz is not None
            else ""
        )
        return not_shown(
            name, "us",
            f"{output} is not shown to add any jitter to the width: at most {high_us:.2g} us RMS."
            f"{faster}",
        )  # fmt: skip
    before_us = added.source.jitter_rms_us
    before = (
        f"at most {added.source.interval_us[1]:.2g}" if before_us is None else f"{before_us:.2g}"
    )
    return measured(
        name, added.added_us, "us",
        f"{output} adds {added.added_us:.2g} us RMS of jitter to the width (95 %: {low_us:.2g} to "
        f"{high_us:.2g} us): its own width has {added.output.jitter_rms_us:.2g} us, {source}'s "
        f"{before} us, sampling taken out.",
        interval=(low_us, high_us), evidence=record.dwells.evidence[:MAX_SPANS],
    )  # fmt: skip
