"""One channel's pulses as columns."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from typing import TYPE_CHECKING

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
