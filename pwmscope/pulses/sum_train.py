"""PPM sum trains: all channels on one wire, split into a line each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_S, PS_PER_US, Capture, Line
from pwmscope.model import median_of
from pwmscope.pulses.table import DamagedFrames

CHANNEL_US: Final = (500.0, 2500.0)
"""Distance of two marks that may be a channel; decoding flags what no servo takes."""
SYNC_US: Final = 2500.0
"""Distance of two marks above which the frame is over (common practice: 2.7 ms and more)."""
MAX_CHANNEL_US: Final = 4500.0
"""Longest distance of two marks that can still be a channel, where the frame needs it."""
MARK_US: Final = (50.0, 700.0)
"""Length of a mark (common practice: 200 to 500 us)."""
MAX_CHANNELS: Final = 16
MIN_FRAMES: Final = 3
LOOKED_AT: Final = 20_000
"""Edges from which the marks' level is told, the first of the line."""


@dataclass(frozen=True, slots=True)
class TrainChannel(Line):
    """One channel of a PPM sum train as a line of its own.

    Parameters
    ----------
    name, edges_ps, initial_level
        As of `Line`.
    damaged : tuple of DamagedFrames, optional
        Where the train's frames could not be read.
    """

    damaged: tuple[DamagedFrames, ...] = ()


@dataclass(frozen=True, slots=True)
class SumTrain:
    """What a PPM sum train carries.

    Parameters
    ----------
    channels : int
        Channels in a frame.
    marks_are_low : bool
        Whether the marks between channels are low.
    frames : int
        Complete frames. A channel outside the accepted widths does not damage its frame.
    damaged : int
        Frames left out because they hold another number of channels.
    lines : tuple of TrainChannel
        One per channel: each pulse runs from the mark before to the mark after.
    damaged_frames : tuple of DamagedFrames, optional
        The frames left out, in order, one entry for those alike in a row.
    """

    channels: int
    marks_are_low: bool
    frames: int
    damaged: int
    lines: tuple[TrainChannel, ...]
    damaged_frames: tuple[DamagedFrames, ...] = ()


def split_sum_trains(capture: Capture) -> Capture:
    """Replace each line that carries a PPM sum train by one line per channel.

    Parameters
    ----------
    capture : Capture
        The recording.

    Returns
    -------
    Capture
        The same recording where there is none; otherwise with lines named
        ``LINE ch1``, ``LINE ch2``, … and a sentence in its assumptions.

    Examples
    --------
    >>> marks_us = np.array([0, 1200, 2900, 20000, 21200, 22900, 40000, 41200, 42900, 60000])
    >>> edges_us = np.stack([marks_us + 500, marks_us + 800], axis=1).ravel()
    >>> line = Line("PPM", edges_us.astype(np.int64) * PS_PER_US, 0)
    >>> capture = Capture({"PPM": line}, 70_000 * PS_PER_US, 1e6, "an example")
    >>> split = split_sum_trains(capture)
    >>> {name: np.diff(line.edges_ps)[0] / PS_PER_US for name, line in split.lines.items()}
    {'PPM ch1': np.float64(1200.0), 'PPM ch2': np.float64(1700.0)}
    """
    lines: dict[str, Line] = {}
    said = []
    for name, line in capture.lines.items():
        train = find_sum_train(line)
        if train is None:
            lines[name] = line
            continue
        lines.update({part.name: part for part in train.lines})
        said.append(_format(name, train))
    if not said:
        return capture
    return replace(capture, lines=lines, assumptions=(*capture.assumptions, *said))


def _format(name: str, train: SumTrain) -> str:
    sentence = (
        f"Line {name} carries a PPM sum train of {train.channels} channels with "
        f"{'low' if train.marks_are_low else 'high'} marks. It is split into {name} ch1 to {name} "
        f"ch{train.channels}, each pulse from one mark's start to the next's"
    )
    if train.damaged:
        sentence += (
            f"; {train.damaged} of {train.frames + train.damaged} frames hold another number of "
            "channels and are left out"
        )
    return sentence + "."


def find_sum_train(line: Line) -> SumTrain | None:
    """Recognise a PPM sum train and take it apart.

    A sum train has short marks of one length; the distances between their
    leading edges are channel widths but for one longer pause a frame, and the
    same number of channels lies between any two pauses (common practice).

    Parameters
    ----------
    line : Line
        The line.

    Returns
    -------
    SumTrain or None
        None where the line does not look like one.
    """
    marks_are_low = _marks_are_low(line)
    if marks_are_low is None:
        return None
    marks_ps = line.rises_ps(inverted=marks_are_low)
    apart_us = np.diff(marks_ps) / PS_PER_US
    is_pause = apart_us > SYNC_US
    is_channel = (apart_us >= CHANNEL_US[0]) & (apart_us <= CHANNEL_US[1])
    pauses = np.flatnonzero(is_pause)
    if pauses.size < MIN_FRAMES or np.mean(is_pause | is_channel) < 0.9:
        return None
    counts = np.diff(pauses) - 1
    channels = int(np.bincount(np.minimum(counts, MAX_CHANNELS + 1)).argmax())
    if not 2 <= channels <= MAX_CHANNELS:
        return None
    pauses = _without_long_channels(pauses, apart_us, channels)
    first, counts = pauses[:-1] + 1, np.diff(pauses) - 1
    whole = counts == channels
    if np.count_nonzero(whole) < max(MIN_FRAMES - 1, 0.5 * counts.size):
        return None
    starts = first[whole]
    damaged = _damaged(marks_ps[first], marks_ps[pauses[1:]], counts, channels)
    lines = tuple(
        TrainChannel(
            f"{line.name} ch{k + 1}",
            np.stack([marks_ps[starts + k], marks_ps[starts + k + 1]], axis=1).ravel(),
            0,
            damaged=damaged,
        )
        for k in range(channels)
    )
    return SumTrain(channels, marks_are_low, starts.size, int(np.sum(~whole)), lines, damaged)


def _without_long_channels(
    pauses: npt.NDArray[np.int64], apart_us: npt.NDArray[np.float64], channels: int
) -> npt.NDArray[np.int64]:
    """Leave out what looks like a pause but is a very long channel inside a whole frame."""
    counts = np.diff(pauses) - 1
    pause_us = apart_us[pauses]
    completes = counts[:-1] + counts[1:] + 1 == channels
    # Both pauses round the frame are longer than this one.
    inside = pause_us[1:-1] < np.minimum(pause_us[:-2], pause_us[2:])
    is_long = completes & inside & (pause_us[1:-1] <= MAX_CHANNEL_US)
    kept: npt.NDArray[np.int64] = pauses[np.concatenate([[True], ~is_long, [True]])]
    return kept


def _damaged(
    begin_ps: npt.NDArray[np.int64],
    end_ps: npt.NDArray[np.int64],
    counts: npt.NDArray[np.int64],
    channels: int,
) -> tuple[DamagedFrames, ...]:
    """List the frames with another number of channels, those alike in a row as one."""
    cuts = np.flatnonzero(np.diff(counts)) + 1
    firsts, ends = np.concatenate([[0], cuts]), np.concatenate([cuts, [counts.size]])
    return tuple(
        DamagedFrames(
            float(begin_ps[first] / PS_PER_S),
            float(end_ps[end - 1] / PS_PER_S),
            int(end - first),
            int(counts[first]),
            channels,
        )
        for first, end in zip(firsts, ends, strict=True)
        if counts[first] != channels
    )


def _marks_are_low(line: Line) -> bool | None:
    """Say which level the marks have, by which level's stretches are short and alike."""
    stretches_us: npt.NDArray[np.float64] = np.diff(line.edges_ps[:LOOKED_AT]) / PS_PER_US
    if stretches_us.size < 2 * MIN_FRAMES:
        return None
    highs, lows = stretches_us[line.initial_level :: 2], stretches_us[1 - line.initial_level :: 2]
    for level_is_low, marks_us in ((False, highs), (True, lows)):
        usual_us = median_of(marks_us)
        alike = np.abs(marks_us - usual_us) <= max(0.1 * usual_us, 5.0)
        if MARK_US[0] <= usual_us <= MARK_US[1] and np.mean(alike) > 0.9:
            return level_is_low
    return None
