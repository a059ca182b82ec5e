"""One line among the strengths of lattices: its lowest tone, its step, its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

MIN_SHARE: Final = 0.6
"""A lattice must show at least this part of the strength that jitter and sampling leave it;
the images that sampling makes of finer lattices show less (see `find_step`)."""
SAME_STRENGTH: Final = 0.9
MAX_TONES: Final = 8


@dataclass(frozen=True, slots=True)
class Lattice:
    """Equally spaced widths."""

    # Their distance and its standard uncertainty from scatter alone
    step_us: float
    uncertainty_us: float
    offset_us: float  # One of them, less a whole number of steps
    strength: float  # Length of the mean of `exp(2 pi i width / step)`, 0 to 1
    chance: float  # That noise shows a line as strong anywhere among the steps tried


def turns_of(width_us: npt.NDArray[np.float64], per_us: float) -> npt.NDArray[np.complex128]:
    """``exp(2 pi i f w)``, in a quarter of the time that the complex function takes."""
    angle = per_us * width_us
    angle -= np.rint(angle)
    angle *= 2.0 * np.pi
    turns: npt.NDArray[np.complex128] = np.cos(angle) + 1j * np.sin(angle)
    return turns


def share_left(
    per_us: npt.NDArray[np.float64], jitter_us: float, interval_us: float
) -> npt.NDArray[np.float64]:
    """Strength that Gaussian jitter and the triangular sampling error leave of a lattice."""
    left: npt.NDArray[np.float64] = np.exp(-2.0 * (np.pi * per_us * jitter_us) ** 2)
    return left * np.sinc(per_us * interval_us) ** 2


def lowest_tone(
    width_us: npt.NDArray[np.float64], per_us: float, coarsest_us: float, noise: tuple[float, float]
) -> float:
    """Return the lowest frequency of which a line is a multiple, if that is as strong.

    It must also be as strong as a lattice there (``noise`` is jitter and sample interval), and
    no lower than that of the coarsest step: towards 0 all widths are in phase.
    """
    while True:
        tones = per_us / np.arange(1, max(1, min(MAX_TONES, int(per_us * coarsest_us))) + 1)
        strength = np.array([abs(turns_of(width_us, tone).mean()) for tone in tones])
        asked = np.maximum(SAME_STRENGTH * strength[0], MIN_SHARE * share_left(tones, *noise))
        lower = np.flatnonzero(strength[1:] >= asked[1:])
        if not lower.size:
            return per_us
        per_us = float(tones[lower[-1] + 1])


def lattice_at(
    width_us: npt.NDArray[np.float64], per_us: float, effective: float, chance: float
) -> Lattice:
    """Fit the frequency at which the strength is greatest, and its uncertainty.

    Newton's method on ``sum cos(phase)``. The phases scatter about the lattice's with a
    circular dispersion (1 - R2) / (2 R^2), R2 being the strength at twice the frequency
    (Mardia and Jupp, 2000, 4.8, from memory); the slope of the phases over the widths has that
    over n times the variance of the widths.
    """
    centre_us = float(width_us.mean())
    off_us = width_us - centre_us
    variance_us2 = float(np.mean(off_us**2))
    for _ in range(6):
        turns = turns_of(off_us, per_us)
        mean = complex(turns.mean())
        turned = turns * (mean.conjugate() / abs(mean))
        bend = float(np.mean(off_us**2 * turned.real))
        if bend <= 0.5 * abs(mean) * variance_us2:
            break  # as near to the top as this line's shape lets it come
        per_us -= float(np.mean(off_us * turned.imag)) / (2.0 * np.pi * bend)
    strength = abs(mean)
    second = float((np.exp(-2j * np.angle(mean)) * np.mean(turns**2)).real)
    dispersion = max(1.0 - second, 0.0) / (2.0 * strength**2)
    of_per_us = math.sqrt(dispersion / (effective * variance_us2)) / (2.0 * np.pi)
    step_us = 1.0 / per_us
    offset_us = (centre_us + float(np.angle(mean)) / (2.0 * np.pi) * step_us) % step_us
    return Lattice(step_us, step_us**2 * of_per_us, offset_us, strength, chance)
