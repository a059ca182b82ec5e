"""Independent streams of random numbers, one for each thing that is drawn."""

from __future__ import annotations

import zlib

import numpy as np


def stream(seed: int, purpose: str, line: str = "", number: int = 0) -> np.random.Generator:
    """Return the stream for one purpose, so that adding a channel changes no other.

    Parameters
    ----------
    seed : int
        The script's seed.
    purpose : str
        What is drawn.
    line : str
        The line it is drawn for.
    number : int
        Which of several, such as the loss.

    Returns
    -------
    numpy.random.Generator
        A PCG64 generator; the same arguments give the same numbers.

    Examples
    --------
    >>> bool(stream(7, "width", "RX1").random() == stream(7, "width", "RX1").random())
    True
    """
    key = (zlib.crc32(purpose.encode()), zlib.crc32(line.encode()), number)
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=key)))
