"""The truth beside a built recording: what really happened, before any sampling."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class FrameTruth:
    """Every frame of the receiver's clock, missing ones included.

    Parameters
    ----------
    period_us : float
        Nominal frame period.
    jitter_us : float
        Standard deviation asked for, of each start about its nominal instant.
    nominal_ps : ndarray of int64, shape (n_frames,)
        Nominal starts in picoseconds; the first may lie before 0.
    start_ps : ndarray of int64, shape (n_frames,)
        True starts.
    missing : ndarray of bool, shape (n_frames,)
        Whether the frame was dropped on all channels.
    """

    period_us: float
    jitter_us: float
    nominal_ps: npt.NDArray[np.int64]
    start_ps: npt.NDArray[np.int64]
    missing: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Level:
    """A stretch in which the stick stood still.

    Parameters
    ----------
    from_s, to_s : float
        Its time span by the script, cut at the recording's end.
    width_us : float
        The width the receiver means to make there, resolution included.
    """

    from_s: float
    to_s: float
    width_us: float


@dataclass(frozen=True, slots=True)
class ChannelLoss:
    """What one channel did in one loss.

    Parameters
    ----------
    behaviour : str
        "pulses stop", "holds last", "goes to preset", "wanders" or "keeps following".
    off_s, on_s, follows_s : float or None
        When the transmitter went off, when on again, and when channels follow
        again; None where it stays off to the end.
    last_us : float
        The width in force at the moment of loss.
    settles_s : float or None
        When the pulses stop or the preset width begins by the script; None for
        the other behaviours and where the loss ends first.
    settles_us : float or None
        Width after that: the held or preset one; None where pulses stop, wander or follow.
    back_us : float or None
        Width of the first frame that follows again; None if there is none.
    """

    behaviour: str
    off_s: float
    on_s: float | None
    follows_s: float | None
    last_us: float
    settles_s: float | None
    settles_us: float | None
    back_us: float | None


@dataclass(frozen=True, slots=True)
class ChannelTruth:
    """The pulses of one line, exact before sampling.

    Parameters
    ----------
    name : str
        The line's name.
    inverted : bool
        Whether the line idles high; rises and widths are those of the pulse.
    rise_ps, width_ps : ndarray of int64, shape (n_pulses,)
        Start and width of every pulse that touches the recording. The first
        may have begun before 0, the last may end after the recording.
    command_ps : ndarray of int64, shape (n_pulses,)
        The width each pulse was meant to have, before jitter.
    frame : ndarray of int64, shape (n_pulses,)
        Index of its frame in `FrameTruth`.
    glitch_rise_ps, glitch_width_ps : ndarray of int64, shape (n_glitches,)
        Spikes in the low time.
    rest_rise_ps, rest_width_ps : ndarray of int64, shape (n_rests,)
        Long high stretches where the line rests at 1 while pulses are stopped.
    neutral_us : float or None
        The scripted neutral.
    low_us, high_us : float
        Least and greatest width of the dwells within the recording.
    levels : tuple of Level
        The dwells in order.
    losses : tuple of ChannelLoss
        One per loss, in order.
    """

    name: str
    inverted: bool
    rise_ps: npt.NDArray[np.int64]
    width_ps: npt.NDArray[np.int64]
    command_ps: npt.NDArray[np.int64]
    frame: npt.NDArray[np.int64]
    glitch_rise_ps: npt.NDArray[np.int64]
    glitch_width_ps: npt.NDArray[np.int64]
    rest_rise_ps: npt.NDArray[np.int64]
    rest_width_ps: npt.NDArray[np.int64]
    neutral_us: float | None
    low_us: float
    high_us: float
    levels: tuple[Level, ...]
    losses: tuple[ChannelLoss, ...]

    def edges_ps(self) -> npt.NDArray[np.int64]:
        """All true edges in order, the first a rise, before any inversion."""
        rises = np.concatenate([self.rise_ps, self.glitch_rise_ps, self.rest_rise_ps])
        widths = np.concatenate([self.width_ps, self.glitch_width_ps, self.rest_width_ps])
        edges: npt.NDArray[np.int64] = np.sort(np.concatenate([rises, rises + widths]))
        return edges


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened in a built recording.

    Parameters
    ----------
    duration_ps : int
        Length of the recording as scripted, in picoseconds.
    width_jitter_us, width_resolution_us, width_tick_us : float
        As asked for.
    frames : FrameTruth
        The frame clock.
    channels : mapping of str to ChannelTruth
        By line name, in the file's order.
    marker : str or None
        The line that is high while the transmitter is on.
    marker_edges_ps : ndarray of int64, shape (n,)
        Its true edges; it begins high, so that the first is a fall.
    """

    duration_ps: int
    width_jitter_us: float
    width_resolution_us: float
    width_tick_us: float
    frames: FrameTruth
    channels: Mapping[str, ChannelTruth]
    marker: str | None
    marker_edges_ps: npt.NDArray[np.int64]
