"""Pauses that look like a restart of the supply or the receiver, and whether chance made them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.failsafe.coincidence import Watched
from pwmscope.findings.failsafe.delays import PULL_SCATTER, PULL_SCATTER_S, chance_odds, hand_odds
from pwmscope.findings.failsafe.losses import Loss
from pwmscope.findings.failsafe.segments import Stretch

THROUGH_FRAMES: Final = 1.6
"""Pulses that come no further apart than this went on."""
MIN_PAUSES: Final = 3
"""So many losses must show the same pause."""

PERSON: Final = 0.1
"""A person who pulls and plugs in every loss is taken to be so much less likely from the start."""

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]


def find_pauses(lines: Sequence[Watched], losses: Sequence[Loss]) -> tuple[BoolArray, float]:
    """Say where lines paused as in a restart, and the odds that the pauses are alike by chance."""
    paused: list[list[tuple[int, Stretch]]] = [[] for _ in losses]
    for i, line in enumerate(lines):
        for k, own in zip(line.places, line.responses, strict=True):
            found = [s for s in own.pauses if s.end_s < losses[k].back_s]
            if found:
                paused[k].append((i, found[0]))
    looks = np.zeros(len(losses), dtype=bool)
    if any(paused):
        rises_s = [line.output.table.rise_s[line.output.table.measured] for line in lines]
        looks[:] = [_looks_restarted(lines, rises_s, own) for own in paused]
    hit = [k for k, is_one in enumerate(looks.tolist()) if is_one]
    if len(hit) < MIN_PAUSES or not all(losses[k].is_marked for k in hit):
        return looks, 1.0
    first = [min((s for _, s in paused[k]), key=lambda s: s.start_s) for k in hit]
    own_losses = [losses[k] for k in hit]
    frame_s = max(line.frame_s for line in lines)
    late_s = max(loss.moment.late_s for loss in own_losses)
    begun_s = np.array([s.start_s - loss.lost_s for s, loss in zip(first, own_losses, strict=True)])
    lasted_s = np.array([s.end_s - s.start_s for s in first])
    shortest_s = min(loss.back_s - loss.latest_s for loss in own_losses)
    chance = chance_odds(begun_s, shortest_s, 2 * frame_s + late_s)
    by_hand = hand_odds(begun_s, frame_s, PULL_SCATTER_S, PULL_SCATTER) * hand_odds(
        lasted_s, frame_s, PULL_SCATTER_S, PULL_SCATTER
    )
    # A person must be as unlikely as a machine's delay is to be a hand's where lines change
    # together; chance, which brings no two lines together, less.
    return looks, max(chance, float(by_hand.max()) * PERSON)


def _looks_restarted(
    lines: Sequence[Watched], rises_s: list[FloatArray], paused: list[tuple[int, Stretch]]
) -> bool:
    """Say whether pauses look like a restart: no line's pulses are seen to go on."""
    own = {i for i, _ in paused}
    return bool(paused) and not any(
        j not in own and goes_through(rises_s[j], other.frame_s, pause)
        for _, pause in paused
        for j, other in enumerate(lines)
    )


def goes_through(rise_s: FloatArray, frame_s: float, pause: Stretch) -> bool:
    """Say whether a line's pulses went on throughout another's pause."""
    low, high = np.searchsorted(rise_s, (pause.start_s - frame_s, pause.end_s))
    within_s = rise_s[max(low - 1, 0) : high + 1]
    if within_s.size < 2 or within_s[0] > pause.start_s or within_s[-1] < pause.end_s:
        return False
    return bool(np.diff(within_s).max() <= THROUGH_FRAMES * frame_s)
