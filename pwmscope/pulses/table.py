"""One channel's pulses as columns, and parts of a long record that stand for the whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntFlag
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
import numpy.typing as npt

from pwmscope.pulses.convention import Convention

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl


class Flag(IntFlag):
    """What is special about a pulse; several may hold at once.

    CUT
        The capture starts or ends inside it; its width is not known, so it is
        none of the others but perhaps NOTCHED.
    GLITCH
        Shorter than the convention's glitch limit; not also FOREIGN or OUTSIDE.
    NOTCHED
        A low shorter than the glitch limit inside it was bridged; since its
        ends are in doubt it is never OUTSIDE.
    FOREIGN
        Outside the convention's accepted range: not a servo pulse.
    OUTSIDE
        Outside the convention's endpoints by more than one sample interval
        (and a picosecond, for rounding).
    """

    CUT = 1
    GLITCH = 2
    NOTCHED = 4
    FOREIGN = 8
    OUTSIDE = 16


UNMEASURED = Flag.CUT | Flag.GLITCH | Flag.NOTCHED | Flag.FOREIGN
"""A pulse with any of these stays out of the width statistics."""


@dataclass(frozen=True, slots=True)
class DamagedFrames:
    """Frames of a PPM sum train, one after the other, of which no pulse belongs to a channel.

    Parameters
    ----------
    start_s, end_s : float
        From the first one's first mark to the last one's last mark.
    frames : int
        How many.
    channels : int
        Channels that each of them holds.
    usual_channels : int
        Channels that a frame of this train holds.

    Examples
    --------
    >>> DamagedFrames(1.0, 1.3, 14, 6, 8).reason
    '14 frames hold 6 channels instead of 8'
    """

    start_s: float
    end_s: float
    frames: int
    channels: int
    usual_channels: int

    @property
    def reason(self) -> str:
        """Why they are not read, as a clause."""
        holds = "frame holds" if self.frames == 1 else "frames hold"
        channels = "channel" if self.channels == 1 else "channels"
        return f"{self.frames} {holds} {self.channels} {channels} instead of {self.usual_channels}"


@dataclass(frozen=True, slots=True)
class PulseTable:
    """The pulses of one line, in order.

    Parameters
    ----------
    line : str
        The line's name.
    rise_s : ndarray of float64, shape (n,)
        Instant of each leading edge in seconds since the recording's start; the
        capture's own start for a pulse already under way then.
    width_us : ndarray of float64, shape (n,)
        Pulse width in microseconds, between the crossings of the logic
        threshold (pulse duration at the mid reference level, IEEE Std 181);
        NaN where the pulse is cut.
    period_us : ndarray of float64, shape (n,)
        From this leading edge to that of the next frame pulse, in
        microseconds; NaN for the last one and for pulses that mark no frame
        (glitches, foreign pulses, one cut by the end of which less or more was
        seen than a servo pulse's accepted range), and where either leading edge
        is not certain (cut at the start, or bridged).
    flags : ndarray of uint8, shape (n,)
        `Flag` values, combined.
    inverted : bool
        Whether the line idles high, so that its pulses are low.
    convention : Convention
        What the flags were set against.
    sample_interval_us : float or None
        Interval between samples, where known.
    notes : tuple of str
        What was assumed while decoding, each a plain sentence.
    other_polarity : float or None, optional
        Median width in microseconds of the other level's stretches, where they are as
        likely to be the pulses; None where the record decides which level is.
    time_scale : float or None, optional
        By what the recording's times must be multiplied for its widths and frames to be
        those of servo lines, where they are not as they stand; None where they are.
    damaged : tuple of DamagedFrames, optional
        Of a sum train's channel: where frames came that could not be read, in order.
        Pulses that are missing there did not stop.
    """

    line: str
    rise_s: npt.NDArray[np.float64]
    width_us: npt.NDArray[np.float64]
    period_us: npt.NDArray[np.float64]
    flags: npt.NDArray[np.uint8]
    inverted: bool
    convention: Convention
    sample_interval_us: float | None
    notes: tuple[str, ...] = ()
    other_polarity: float | None = None
    time_scale: float | None = None
    damaged: tuple[DamagedFrames, ...] = ()

    def __len__(self) -> int:
        return int(self.rise_s.size)

    def has(self, flag: Flag) -> npt.NDArray[np.bool_]:
        """Say for each pulse whether it carries any of the given flags.

        Parameters
        ----------
        flag : Flag
            One flag or several.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        marked: npt.NDArray[np.bool_] = (self.flags & np.uint8(flag)) != 0
        return marked

    @property
    def measured(self) -> npt.NDArray[np.bool_]:
        """Pulses that count in the width statistics; bool, shape (n,)."""
        return ~self.has(UNMEASURED)

    @property
    def likely_rate_hz(self) -> float | None:
        """Sample rate at which the line would carry servo pulses, where the stated one is wrong.

        None where it is not wrong as far as the line shows, or not known.
        """
        if self.time_scale is None or self.sample_interval_us is None:
            return None
        return 1e6 / (self.sample_interval_us * self.time_scale)

    def to_pandas(self) -> pd.DataFrame:
        """Return the columns ``rise_s, width_us, period_us, flags``.

        Returns
        -------
        pandas.DataFrame
            A row per pulse.
        """
        import pandas as pd  # noqa: PLC0415

        return pd.DataFrame(self._columns())

    def to_polars(self) -> pl.DataFrame:
        """Return the columns ``rise_s, width_us, period_us, flags``.

        Returns
        -------
        polars.DataFrame
            A row per pulse.
        """
        import polars as pl  # noqa: PLC0415

        return pl.DataFrame(self._columns())

    def _columns(self) -> dict[str, npt.NDArray[np.float64] | npt.NDArray[np.uint8]]:
        return {
            "rise_s": self.rise_s,
            "width_us": self.width_us,
            "period_us": self.period_us,
            "flags": self.flags,
        }


SLICE: Final = 2**15
"""Values worked on at a time where a whole record's worth of fresh memory would cost more."""
_FEW: Final = 1000
Scalar = TypeVar("Scalar", bound=np.generic)


def excerpt(
    values: npt.NDArray[Scalar], parts: int = 64, length: int = 1024
) -> npt.NDArray[Scalar]:
    """Take parts of a record, evenly spread.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The record.
    parts, length : int
        Parts to take, and values in each.

    Returns
    -------
    ndarray, shape (parts, length)
        The whole record as one part, shape (1, n), where it is no longer than that.

    Examples
    --------
    >>> excerpt(np.arange(100.0), parts=2, length=3)
    array([[ 0.,  1.,  2.],
           [97., 98., 99.]])
    """
    if values.size <= parts * length:
        return values[None, :]
    begin = np.linspace(0, values.size - length, parts).astype(np.int64)
    return np.stack([values[first : first + length] for first in begin])


def without(values: npt.NDArray[Scalar], places: npt.NDArray[np.int64]) -> npt.NDArray[Scalar]:
    """Leave out a few places of a record, piece by piece in one copy.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The record.
    places : ndarray of int64, shape (k,)
        Places to leave out, ascending; many are better left to `numpy.delete`, which this does.

    Returns
    -------
    ndarray, shape (n - k,)

    Examples
    --------
    >>> without(np.array([5.0, 6.0, 7.0, 8.0]), np.array([1, 2]))
    array([5., 8.])
    """
    if places.size > _FEW:
        return np.delete(values, places)
    begins = np.concatenate([[0], places + 1])
    ends = np.concatenate([places, [values.size]])
    return np.concatenate([values[a:b] for a, b in zip(begins, ends, strict=True)])


def taken(values: npt.NDArray[Scalar], places: npt.NDArray[np.int64]) -> npt.NDArray[Scalar]:
    """Take values of a record at ascending places, by a view where they follow one another.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The record.
    places : ndarray of int64, shape (k,)
        Places to take, each once.

    Returns
    -------
    ndarray, shape (k,)

    Examples
    --------
    >>> taken(np.array([4.0, 5.0, 6.0]), np.array([1, 2]))
    array([5., 6.])
    """
    if places.size and int(places[-1]) - int(places[0]) == places.size - 1:
        return values[int(places[0]) : int(places[-1]) + 1]
    return values[places]


def slices(size: int) -> Iterator[slice]:
    """Cut a record into slices of `SLICE` values.

    Parameters
    ----------
    size : int
        Values in the record.

    Yields
    ------
    slice
        One after the other.

    Examples
    --------
    >>> [(part.start, part.stop) for part in slices(SLICE + 5)]
    [(0, 32768), (32768, 32773)]
    """
    for begin in range(0, size, SLICE):
        yield slice(begin, min(begin + SLICE, size))
