"""The lattice that a receiver's widths lie on, beneath jitter and sampling."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.findings.travel.step_line import (
    MIN_SHARE,
    Lattice,
    lattice_at,
    lowest_tone,
    share_left,
    turns_of,
)

FALSE_ALARM: Final = 1e-3
"""Chance of calling noise a lattice, over all steps tried."""
MIN_SAMPLES: Final = 10.0 / 3.0
"""Sample intervals in the smallest step that is looked for."""
MIN_STEPS: Final = 8
"""Steps that the widths must run over."""
CELLS: Final = 16
"""Parts of the range, none of which may hold more than about twice what the middle one does."""
MAX_BITS: Final = 14
"""Finer steps than the span over two to this power are not looked for."""
MIN_OF_STRONGEST: Final = 0.5
MAX_PARTS: Final = 6
MAX_LINES: Final = 50
MIN_WITHOUT_BEST: Final = 12
_BLOCK: Final = 256


@dataclass(frozen=True, slots=True)
class Search:
    """What a search for a lattice came to."""

    found: Lattice | None
    # The smallest step that would have been found with 95 % chance; None where none would
    finest_us: float | None
    is_image: bool = False  # Whether a line showed that may be a part of a coarser step


def find_step(
    width_us: npt.NDArray[np.float64],
    owner: npt.NDArray[np.int64],
    pace_us: npt.NDArray[np.float64],
    *,
    interval_us: float,
    jitter_us: float,
    span_us: float,
    scatter_us: npt.NDArray[np.float64] | None = None,
) -> Search:
    """Find the step between widths, if they lie on a lattice that can be resolved.

    For each frequency ``f`` (lattices of step ``1/f``) the strength ``R = |mean exp(2 pi i
    f w)|`` is taken for all ``f`` at once, by a Fourier transform of the counts. ``n R^2``
    of widths on no lattice is exponential with mean 1 (Rayleigh's test; Mardia and Jupp,
    Directional Statistics, 2000, 6.3.1, from memory), or more where neighbouring
    frames repeat one another: so its level is read off the frequencies around, at least 1.

    What is not a receiver's lattice is kept out so:

    - the sampling lattice, ``f = 1/Ts``, by trying steps of 10/3 Ts and more only;
    - images of a finer lattice, mirrored at ``1/Ts``: a true lattice shows
      ``exp(-2 pi^2 f^2 s^2) sinc^2(f Ts)``, with jitter ``s`` and the triangular
      sampling error; the strongest image half of it, and 0.6 of it are asked for;
    - steps per frame of an even sweep, which lie as evenly as a lattice: a sweep whose pace is
      a whole number of steps, as well as its length can tell, does not count; and the line
      must show without that sweep, of those that go half a step or more in a frame, which
      shows it best.

    The lowest frequency that passes is the lattice; multiples of it are its own.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> true_us = rng.uniform(1000, 2000, 400)
    >>> seen_us = np.round(true_us / 2.0) * 2.0 + rng.normal(0, 0.3, 400)
    >>> found = find_step(
    ...     seen_us, np.arange(400) // 100, np.zeros(4),
    ...     interval_us=0.01, jitter_us=0.3, span_us=1000.0,
    ... ).found
    >>> round(found.step_us, 2)
    2.0
    """
    width_us, owner = _evened(width_us, owner)
    count = width_us.size
    range_us = float(np.ptp(width_us)) if count else 0.0
    coarsest_us = range_us / MIN_STEPS
    finest_us = max(MIN_SAMPLES * interval_us, span_us / 2.0**MAX_BITS)
    if coarsest_us <= 2.0 * finest_us:
        return Search(None, None)
    bin_us = interval_us * max(1.0, math.floor(finest_us / (8.0 * interval_us)))
    strength, per_us = _strengths(width_us, bin_us, finest_us)
    tried = per_us >= 1.0 / coarsest_us
    per_us, strength = per_us[tried], strength[tried]
    level = _level(strength, count)
    share = share_left(per_us, jitter_us, interval_us)
    expected = count * share
    trials = max(range_us * float(per_us[-1] - per_us[0]), 1.0)
    # Few widths, again and again, need not be exponential: for them three times as much is asked.
    least = math.log(trials / FALSE_ALARM) * np.clip(2.0 * level / count - 1.0, 1.0, 3.0)
    # 1.16: a strength falls short of its mean by 1.645 deviations, 1/sqrt(2 n) each, in 5 %.
    needed = (np.sqrt(least) + 1.16) * np.sqrt(level)
    faint = expected < needed
    seen_to = int(faint.argmax()) if faint.any() else per_us.size
    resolved_us = 1.0 / float(per_us[seen_to - 1]) if seen_to > 1 else None
    passed = (strength**2 >= least * level) & (strength >= MIN_SHARE * expected)
    if passed.any():
        # Jitter and sampling weaken a lattice's multiples more than the lattice itself.
        passed &= strength >= MIN_OF_STRONGEST * strength[passed].max()
    begins = passed & ~np.concatenate([[False], passed[:-1]])
    for first in np.flatnonzero(begins)[:MAX_LINES]:
        at = _top(strength, int(first))
        asked = float(share[at]), math.sqrt(float(least[at] * level[at]) / count)
        if not _shown_by_sweeps(turns_of(width_us, float(per_us[at])), owner, pace_us * per_us[at],
                                *asked):  # fmt: skip
            continue
        chance = trials * math.exp(-min(float(strength[at] ** 2 / level[at]), 700.0))
        lowest = lowest_tone(width_us, float(per_us[at]), coarsest_us, (jitter_us, interval_us))
        if _has_lower(width_us, lowest, coarsest_us, scatter_us):
            return Search(None, resolved_us, is_image=True)
        found = lattice_at(width_us, lowest, count**2 / float(level[at]), min(1.0, chance))
        return Search(found, resolved_us)
    return Search(None, resolved_us)


def _has_lower(
    width_us: npt.NDArray[np.float64],
    per_us: float,
    coarsest_us: float,
    scatter_us: npt.NDArray[np.float64] | None,
) -> bool:
    """Say whether a coarser lattice may be there that jitter hides more than its multiple.

    Jitter that is not Gaussian (a sine's, two codes') does so: a half or a third of the
    step would be told for it. What the jitter leaves is taken from the dwells.
    """
    if scatter_us is None or scatter_us.size <= width_us.size // 8:
        return False
    count = width_us.size
    for part in range(2, MAX_PARTS + 1):
        lower = per_us / part
        if lower < 1.0 / coarsest_us:
            break
        left = abs(turns_of(scatter_us, lower).mean()) - 1.0 / math.sqrt(scatter_us.size)
        would_show = max(left, 0.0) * count
        shows = float(abs(turns_of(width_us, lower).sum()))
        # By chance, widths in phase at no step add up to the root of their number.
        if would_show < 4.0 * math.sqrt(count) or shows >= MIN_SHARE * would_show:
            return True
    return False


def _shown_by_sweeps(
    turns: npt.NDArray[np.complex128],
    owner: npt.NDArray[np.int64],
    pace: npt.NDArray[np.float64],
    share: float,
    least: float,
) -> bool:
    """Say whether a line comes from where the widths lie and not from how evenly they go."""
    count = np.bincount(owner, minlength=pace.size)
    sums = np.bincount(owner, turns.real, pace.size) + 1j * np.bincount(
        owner, turns.imag, pace.size
    )
    fast = np.abs(pace) >= 0.5
    by_pace = fast & (np.abs(pace - np.rint(pace)) * count < 0.75)
    count, sums, fast = count[~by_pace], sums[~by_pace], fast[~by_pace]
    whole = sums.sum()
    if abs(whole) < max(least * math.sqrt(count.sum()), MIN_SHARE * share * count.sum()):
        return False
    # In a slow sweep every step shows by itself; it need not be borne out by another.
    along = (sums * whole.conjugate()).real / abs(whole)
    best = int(np.where(fast, along, -np.inf).argmax())
    rest, strength = count.sum(), along.sum()
    if fast[best]:
        rest, strength = rest - count[best], strength - along[best]
    if rest < MIN_WITHOUT_BEST:
        return False
    # Two deviations, 1/sqrt(2 n) each, below what is asked for may be chance.
    spread = math.sqrt(2.0 / rest)
    shown = float(strength / rest)
    return shown + spread >= MIN_SHARE * share and shown > math.sqrt(3.0 / rest)


def _evened(
    width_us: npt.NDArray[np.float64], owner: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.int64]]:
    """Thin out where widths crowd: what lies close together is in phase at any coarse step."""
    if width_us.size < CELLS:
        return width_us, owner
    cell = ((width_us - width_us.min()) * (CELLS / max(float(np.ptp(width_us)), 1e-9))).astype(int)
    count = np.bincount(cell)
    most = 2 * int(np.median(count[count > 0])) + 1
    order = np.argsort(cell, kind="stable")
    rank = np.arange(order.size) - (np.cumsum(count) - count)[cell[order]]
    share = most / np.maximum(count, most)[cell[order]]
    kept = np.sort(order[np.floor((rank + 1) * share) > np.floor(rank * share)])
    return width_us[kept], owner[kept]


def _strengths(
    width_us: npt.NDArray[np.float64], bin_us: float, finest_us: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Sum ``exp(2 pi i f w)`` for many ``f``: the length of the sum, and ``f``, per us."""
    place = np.rint((width_us - width_us.min()) / bin_us).astype(np.int64)
    counts = np.bincount(place).astype(np.float64)
    size = 1 << (2 * counts.size).bit_length()
    sums = np.abs(np.fft.rfft(counts, size))
    per_us = np.arange(sums.size) / (size * bin_us)
    kept = per_us <= 1.0 / finest_us
    return sums[kept], per_us[kept]


def _level(strength: npt.NDArray[np.float64], count: int) -> npt.NDArray[np.float64]:
    """Mean power that frequencies around each one have by chance: median over ln 2, or n."""
    blocks = -(-strength.size // _BLOCK)
    padded = np.full(blocks * _BLOCK, np.nan)
    padded[: strength.size] = strength**2
    # The last block borrows from the one before it, so that none is short.
    padded[strength.size :] = np.resize(strength[-_BLOCK:] ** 2, padded.size - strength.size)
    middle = np.median(padded.reshape(blocks, _BLOCK), axis=1) / math.log(2.0)
    level: npt.NDArray[np.float64] = np.maximum(np.repeat(middle, _BLOCK)[: strength.size], count)
    return level


def _top(strength: npt.NDArray[np.float64], at: int) -> int:
    """Climb from the flank of a line to its top."""
    while True:
        best = at + int(strength[at : at + 6].argmax())
        if best == at:
            return at
        at = best
