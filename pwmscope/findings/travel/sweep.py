"""Sweeps from one width to another: whether they go one way, and how they are curved."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.segmentation import Record
from pwmscope.findings.travel.curve import DEFINITIONS as OF_CURVE
from pwmscope.findings.travel.curve import Curve, examine_curve
from pwmscope.findings.travel.middles import middles, spaced
from pwmscope.findings.travel.travel import Travel
from pwmscope.model import MAX_SPANS, Definition, Evidence, Finding, measured, not_shown

MIN_FRAMES: Final = 10
"""Frames that a sweep takes at least; faster ones show no shape."""

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "sweep",
        "Whether the width only rises while the stick goes up, and only falls while it goes "
        "down. A step back comes from a worn stick, a code that is put out wrong, or the hand. "
        "Sweeps are moves of 10 frames or more by 5 % of the span or more; what goes back by as "
        "much counts as turning round.",
        "largest of (running extreme - width) along the sweep; steps back are stretches in which "
        "it exceeds 8 sigma + Ts; u = sqrt(2) sigma",
        "monotonicity as of a converter's code (IEEE Std 1241, from memory); threshold: own",
    ),
    *OF_CURVE,
)


@dataclass(frozen=True, slots=True)
class Sweeps:
    """The sweeps of one channel."""

    count: int  # How many
    steps_back: int  # How often the width stepped back in them, beyond noise
    # The largest step back; 0 where there is none, None where there is no sweep
    largest_us: float | None
    back_row: npt.NDArray[np.int64]  # shape (steps_back,): Row of the pulse farthest back in each
    noise_limit_us: float  # Steps up to this are noise
    curve: Curve  # How the width follows the stick
    findings: tuple[Finding, ...]  # `sweep` and `curve`


def examine_sweeps(record: Record, travel: Travel) -> Sweeps:
    """Measure whether sweeps go one way, and how they are curved."""
    moves = travel.moves
    noise_us = middles(record, spaced(len(record.dwells), 32), 200).std_us
    limit_us = 8.0 * noise_us + (record.table.sample_interval_us or 0.0)
    went_us = moves.width_us[moves.end - 1] - moves.width_us[moves.begin]
    long = moves.end - moves.begin >= MIN_FRAMES
    chosen = np.flatnonzero(long & (np.abs(went_us) >= moves.least_us))
    way = np.sign(went_us[chosen])
    curve = examine_curve(record, travel, chosen, way, noise_us)
    if not chosen.size:
        none = not_shown(
            "sweep", "us",
            f"No sweep of {MIN_FRAMES} frames or more was seen. Move the stick slowly from "
            "end to end while recording.",
        )  # fmt: skip
        nothing = np.zeros(0, np.int64)
        return Sweeps(0, 0, None, nothing, limit_us, curve, (none, curve.finding))
    count = moves.end[chosen] - moves.begin[chosen]
    owner = np.repeat(np.arange(chosen.size), count)
    begin = np.cumsum(count) - count
    place = np.arange(owner.size) - begin[owner] + moves.begin[chosen][owner]
    back_us = _back_us(way[owner] * moves.width_us[place], owner)
    starts, farthest = _stretches(back_us, owner, limit_us)
    largest_us = float(back_us[farthest].max()) if starts.size else 0.0
    rows = moves.row[place]
    found = _sweep_finding(
        record, rows, rows[farthest], back_us[farthest],
        sweeps=chosen.size, limit_us=limit_us, noise_us=noise_us,
    )  # fmt: skip
    return Sweeps(
        int(chosen.size), int(starts.size), largest_us, rows[farthest], limit_us, curve,
        (found, curve.finding),
    )  # fmt: skip


def _back_us(
    along_us: npt.NDArray[np.float64], owner: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """Say for each pulse how far it lies behind the farthest one before it in its sweep."""
    # Each sweep is lifted above the one before it, so that one running maximum does for all.
    apart_us = float(np.ptp(along_us)) + 1.0
    lifted_us = along_us + apart_us * owner
    back_us: npt.NDArray[np.float64] = np.maximum.accumulate(lifted_us) - lifted_us
    return back_us


def _stretches(
    back_us: npt.NDArray[np.float64], owner: npt.NDArray[np.int64], limit_us: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Find where each step back begins, and its farthest pulse."""
    is_back = back_us > limit_us
    before = np.concatenate([[False], is_back[:-1] & (owner[1:] == owner[:-1])])
    starts = np.flatnonzero(is_back & ~before)
    if not starts.size:
        return starts, starts
    places = np.flatnonzero(is_back)
    step = np.searchsorted(starts, places, side="right") - 1
    # Within each stretch, in order of distance, the last is the farthest.
    order = np.lexsort((back_us[places], step))
    last = np.concatenate([step[order][1:] != step[order][:-1], [True]])
    return starts, places[order][last]


def _sweep_finding(
    record: Record,
    rows: npt.NDArray[np.int64],
    back_row: npt.NDArray[np.int64],
    back_us: npt.NDArray[np.float64],
    *,
    sweeps: int,
    limit_us: float,
    noise_us: float,
) -> Finding:
    said = "1 sweep" if sweeps == 1 else f"{sweeps} sweeps"
    if not back_row.size:
        return measured(
            "sweep", 0.0, "us",
            f"The width goes one way in {said}: it never steps back by more than "
            f"{limit_us:.2g} us, which noise does.",
            evidence=record.evidence(rows),
        )  # fmt: skip
    at_s = record.table.rise_s[back_row]
    largest = int(back_us.argmax())
    times = "once" if back_row.size == 1 else f"{back_row.size} times"
    return measured(
        "sweep", float(back_us[largest]), "us",
        f"The width steps back {times} in {said}, farthest at {at_s[largest]:.3f} s, by "
        f"{back_us[largest]:.1f} us; noise steps back by {limit_us:.2g} us at most.",
        uncertainty=math.sqrt(2.0) * noise_us,
        evidence=tuple(
            Evidence(float(time_s), float(time_s), 1, int(row), int(row))
            for time_s, row in zip(at_s[:MAX_SPANS], back_row[:MAX_SPANS], strict=True)
        ),
    )  # fmt: skip
