"""The lattice that a receiver's widths lie on, beneath jitter and sampling."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FALSE_ALARM: Final = 1e-3
"""Chance of calling noise a lattice, over all steps tried."""
LEAST_SHARE: Final = 0.6
"""A lattice must show at least this part of the strength that jitter and sampling leave it;
the images that sampling makes of finer lattices show less (see `find_step`)."""
FEWEST_SAMPLES: Final = 10.0 / 3.0
"""Sample intervals in the smallest step that is looked for."""
FEWEST_STEPS: Final = 8
"""Steps that the widths must run over."""
MOST_BITS: Final = 14
"""Finer steps than the span over two to this power are not looked for."""
LEAST_OF_STRONGEST: Final = 0.5
SAME_STRENGTH: Final = 0.9
MOST_TONES: Final = 8
MOST_LINES: Final = 50
FEWEST_WITHOUT_BEST: Final = 12
_BLOCK: Final = 256


@dataclass(frozen=True, slots=True)
class Lattice:
    """Equally spaced widths.

    Parameters
    ----------
    step_us, uncertainty_us : float
        Their distance and its standard uncertainty from scatter alone.
    offset_us : float
        One of them, less a whole number of steps.
    strength : float
        Length of the mean of ``exp(2 pi i width / step)``, 0 to 1.
    chance : float
        That noise shows a line as strong anywhere among the steps tried.
    """

    step_us: float
    uncertainty_us: float
    offset_us: float
    strength: float
    chance: float


@dataclass(frozen=True, slots=True)
class Search:
    """What a search for a lattice came to.

    Parameters
    ----------
    found : Lattice or None
    finest_us : float or None
        The smallest step that would have been found with 95 % chance; None
        where none would.
    """

    found: Lattice | None
    finest_us: float | None


def find_step(
    width_us: npt.NDArray[np.float64],
    smooth_us: npt.NDArray[np.float64],
    owner: npt.NDArray[np.int64],
    *,
    interval_us: float,
    jitter_us: float,
    span_us: float,
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
    - steps per frame of an even sweep, which lie as evenly as a lattice: what the smooth
      course of each sweep shows by itself is subtracted, and the line must show
      without the sweep that shows it best.

    The lowest frequency that passes is the lattice; multiples of it are its own.

    Parameters
    ----------
    width_us, smooth_us : ndarray of float64, shape (n,)
        Widths seen while the stick moved, and the smooth course of that movement;
        NaN in the latter where there is none.
    owner : ndarray of int64, shape (n,)
        The sweep that each belongs to, from 0.
    interval_us : float
        Sample interval Ts.
    jitter_us : float
        Standard deviation of the widths without the sampling.
    span_us : float
        The convention's span.

    Returns
    -------
    Search

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> true_us = rng.uniform(1000, 2000, 400)
    >>> seen_us = np.round(true_us / 2.0) * 2.0 + rng.normal(0, 0.3, 400)
    >>> found = find_step(
    ...     seen_us, true_us, np.arange(400) // 100,
    ...     interval_us=0.01, jitter_us=0.3, span_us=1000.0,
    ... ).found
    >>> round(found.step_us, 2)
    2.0
    """
    count = width_us.size
    range_us = float(np.ptp(width_us)) if count else 0.0
    coarsest_us = range_us / FEWEST_STEPS
    finest_us = max(FEWEST_SAMPLES * interval_us, span_us / 2.0**MOST_BITS)
    if coarsest_us <= 2.0 * finest_us:
        return Search(None, None)
    bin_us = interval_us * max(1.0, math.floor(finest_us / (8.0 * interval_us)))
    strength, per_us = _strengths(width_us, bin_us, finest_us)
    smooth, _ = _strengths(smooth_us[np.isfinite(smooth_us)], bin_us, finest_us, width_us)
    # Counting into bins weakens the smooth course, which lies on none of them.
    smooth /= np.sinc(per_us * bin_us)
    tried = per_us >= 1.0 / coarsest_us
    per_us = per_us[tried]
    level = _level(strength[tried], count)
    share = np.exp(-2.0 * (np.pi * per_us * jitter_us) ** 2) * np.sinc(per_us * interval_us) ** 2
    # What the smooth course shows by itself, noise weakens as it does a lattice.
    expected, by_course = count * share, smooth[tried] * share
    alone = np.maximum(strength[tried] - by_course, 0.0)
    trials = range_us * float(per_us[-1] - per_us[0])
    least = math.log(max(trials, 1.0) / FALSE_ALARM)
    # 1.16: a strength falls short of its mean by 1.645 deviations, 1/sqrt(2 n) each, in 5 %.
    needed = (math.sqrt(least) + 1.16) * np.sqrt(level)
    resolved_us = _resolved_us(per_us, expected < needed, expected - by_course < needed)
    passed = (alone**2 >= least * level) & (alone >= LEAST_SHARE * expected)
    if passed.any():
        # Jitter and sampling weaken a lattice's multiples more than the lattice itself.
        passed &= alone >= LEAST_OF_STRONGEST * alone[passed].max()
    begins = passed & ~np.concatenate([[False], passed[:-1]])
    for first in np.flatnonzero(begins)[:MOST_LINES]:
        at = _top(alone, int(first))
        if not _shows_without_best(width_us, owner, float(per_us[at]), float(share[at])):
            continue
        chance = min(1.0, max(trials, 1.0) * math.exp(-min(alone[at] ** 2 / level[at], 700.0)))
        lowest = _undertone(width_us, float(per_us[at]))
        found = _refined(width_us, lowest, count / float(level[at]), chance)
        return Search(found, resolved_us)
    return Search(None, resolved_us)


def _resolved_us(
    per_us: npt.NDArray[np.float64],
    faint: npt.NDArray[np.bool_],
    hidden: npt.NDArray[np.bool_],
) -> float | None:
    """Return the smallest step down to which 95 % of all steps would show.

    A lattice is too faint from some frequency on; here and there, one is hidden by the even
    course of a sweep.
    """
    seen_to = int(faint.argmax()) if faint.any() else per_us.size
    part = np.cumsum(hidden[:seen_to]) <= 0.05 * np.arange(1, seen_to + 1)
    most = np.flatnonzero(part & ~hidden[:seen_to])
    return 1.0 / float(per_us[most[-1]]) if most.size > 1 else None


def _shows_without_best(
    width_us: npt.NDArray[np.float64],
    owner: npt.NDArray[np.int64],
    per_us: float,
    expected: float,
) -> bool:
    """Say whether a line shows in what is left without the sweep that shows it best."""
    turns = _turns(width_us, per_us)
    sums = np.bincount(owner, turns.real) + 1j * np.bincount(owner, turns.imag)
    count = np.bincount(owner)
    whole = sums.sum()
    if abs(whole) == 0.0:
        return False
    along = (sums * whole.conjugate()).real / abs(whole)
    best = int(along.argmax())
    rest = int(count.sum() - count[best])
    if rest < FEWEST_WITHOUT_BEST:
        return False
    # Two deviations, 1/sqrt(2 n) each, below what is asked for may be chance.
    strength = float(along.sum() - along[best]) / rest
    return strength + math.sqrt(2.0 / rest) >= LEAST_SHARE * expected and strength > math.sqrt(
        3.0 / rest
    )


def _strengths(
    width_us: npt.NDArray[np.float64],
    bin_us: float,
    finest_us: float,
    within_us: npt.NDArray[np.float64] | None = None,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Sum ``exp(2 pi i f w)`` for many ``f``: the length of the sum, and ``f``, per us."""
    frame_us = width_us if within_us is None else within_us
    low_us, range_us = float(frame_us.min()), float(np.ptp(frame_us))
    bins = int(range_us / bin_us) + 2
    size = 1 << (2 * bins).bit_length()
    place = np.clip(np.rint((width_us - low_us) / bin_us), 0, bins - 1).astype(np.int64)
    sums = np.abs(np.fft.rfft(np.bincount(place, minlength=bins).astype(float), size))
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


def _turns(width_us: npt.NDArray[np.float64], per_us: float) -> npt.NDArray[np.complex128]:
    """``exp(2 pi i f w)``, in a quarter of the time that the complex function takes."""
    angle = per_us * width_us
    angle -= np.rint(angle)
    angle *= 2.0 * np.pi
    turns: npt.NDArray[np.complex128] = np.cos(angle) + 1j * np.sin(angle)
    return turns


def _undertone(width_us: npt.NDArray[np.float64], per_us: float) -> float:
    """Return the lowest frequency of which a line is a multiple, if that is as strong."""
    turns = [_turns(width_us, per_us / k).mean() for k in range(1, MOST_TONES + 1)]
    strong = np.flatnonzero(np.abs(turns) >= SAME_STRENGTH * abs(turns[0]))
    return per_us / (1 + int(strong[-1]))


def _refined(
    width_us: npt.NDArray[np.float64], per_us: float, effective: float, chance: float
) -> Lattice:
    """Fit the frequency by the slope of the phases over the widths, and its uncertainty.

    The phases scatter about the lattice's with a circular dispersion (1 - R2) / (2 R^2),
    R2 being the strength at twice the frequency (Mardia and Jupp, 2000, 4.8, from memory);
    the slope of a line through them has that over n times the variance of the widths.
    """
    centre_us = float(width_us.mean())
    off_us = width_us - centre_us
    variance_us2 = float(np.mean(off_us**2))
    for _ in range(4):
        turns = _turns(off_us, per_us)
        mean = complex(turns.mean())
        phase = np.angle(turns * mean.conjugate())
        per_us -= float(np.mean(phase * off_us)) / (2.0 * np.pi * variance_us2)
    strength = abs(mean)
    second = float((np.exp(-2j * np.angle(mean)) * np.mean(turns**2)).real)
    dispersion = max(1.0 - second, 0.0) / (2.0 * strength**2)
    of_per_us = math.sqrt(dispersion / (effective * variance_us2)) / (2.0 * np.pi)
    step_us = 1.0 / per_us
    offset_us = (centre_us + float(np.angle(mean)) / (2.0 * np.pi) * step_us) % step_us
    return Lattice(step_us, step_us**2 * of_per_us, offset_us, strength, chance)
