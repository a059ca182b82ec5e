"""What the receiver means to put out in each frame: stick, link and losses together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.model.recording import PS_PER_US
from pwmscope.synth.behaviours import (
    Behaviour,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    PulsesStop,
    Wanders,
)
from pwmscope.synth.moves import place_moves, width_at
from pwmscope.synth.script import Channel, Loss
from pwmscope.synth.streams import stream
from pwmscope.synth.truth import ChannelLoss


@dataclass(frozen=True, slots=True)
class Received:
    """The command of one channel in every frame.

    Parameters
    ----------
    command_ps : ndarray of int64, shape (n_frames,)
        Width to be made, before jitter, in picoseconds.
    stopped : ndarray of int64, shape (n_frames,)
        0 where a pulse is made; otherwise the number of the loss, from 1, in
        which the pulses are stopped.
    losses : tuple of ChannelLoss
        What happened in each loss.
    """

    command_ps: npt.NDArray[np.int64]
    stopped: npt.NDArray[np.int64]
    losses: tuple[ChannelLoss, ...]


def receive(
    channel: Channel,
    losses: tuple[Loss, ...],
    frame_s: npt.NDArray[np.float64],
    resolution_us: float,
    seed: int,
) -> Received:
    """Work out a channel's command in every frame.

    The stick is read at the frame's nominal start. A frame that starts at or
    after `off_s` and before `follows_s` belongs to the loss.

    Parameters
    ----------
    channel : Channel
        Its moves and its behaviour in a loss.
    losses : tuple of Loss
        In order of time.
    frame_s : ndarray of float64, shape (n_frames,)
        Nominal frame starts in seconds.
    resolution_us : float
        Step of the command; 0 for none.
    seed : int
        The script's seed, for wandering.

    Returns
    -------
    Received
        Commands, stopped frames and what happened in each loss.
    """
    stick_us = round_to(width_at(place_moves(channel.moves), frame_s), resolution_us)
    command_us = stick_us.copy()
    stopped = np.zeros(frame_s.size, np.int64)
    said: list[ChannelLoss] = []
    for number, loss in enumerate(losses, start=1):
        behaviour = loss.channels.get(channel.name, channel.when_lost)
        first, back = np.searchsorted(frame_s, [loss.off_s, loss.follows_s])
        last_us = float(stick_us[max(int(first) - 1, 0)])
        lost = slice(int(first), int(back))
        if isinstance(behaviour, Wanders):
            rng = stream(seed, "wander", channel.name, number)
            walk_us = _walk(behaviour, last_us, int(back - first), rng)
            command_us[lost] = round_to(walk_us, resolution_us)
        elif not isinstance(behaviour, KeepsFollowing):
            command_us[lost] = last_us
            into_s = frame_s[lost] - loss.off_s
            if isinstance(behaviour, GoesToPreset):
                command_us[lost] = _to_preset_us(behaviour, last_us, into_s)
                begin_s, end_s = behaviour.after_s, behaviour.after_s + behaviour.silent_s
                stopped[lost][(into_s >= begin_s) & (into_s < end_s)] = number
            elif isinstance(behaviour, PulsesStop):
                stopped[lost][frame_s[lost] >= _settles_s(behaviour, loss)] = number
        returns = back < frame_s.size
        said.append(_say(behaviour, loss, last_us, float(stick_us[back]) if returns else None))
    command_ps = np.rint(command_us * PS_PER_US).astype(np.int64)
    return Received(command_ps, stopped, tuple(said))


def round_to(width_us: npt.NDArray[np.float64], step_us: float) -> npt.NDArray[np.float64]:
    """Round widths to whole steps; a step of 0 leaves them as they are.

    Examples
    --------
    >>> round_to(np.array([1500.4, 1503.1]), 2.0)
    array([1500., 1504.])
    """
    if step_us == 0:
        return width_us
    rounded: npt.NDArray[np.float64] = np.rint(width_us / step_us) * step_us
    return rounded


def _to_preset_us(
    behaviour: GoesToPreset, last_us: float, into_s: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Hold the last width, then go evenly to the preset, or at once."""
    begin_s, end_s = behaviour.after_s + behaviour.silent_s, behaviour.settles_after_s
    ramp_s = behaviour.ramp_s
    part = (into_s - begin_s) / ramp_s if ramp_s > 0 else np.zeros(into_s.size)
    on_way_us = last_us + np.clip(part, 0.0, 1.0) * (behaviour.preset_us - last_us)
    width_us: npt.NDArray[np.float64] = np.where(into_s >= end_s, behaviour.preset_us, on_way_us)
    return width_us


def _settles_s(behaviour: PulsesStop | GoesToPreset, loss: Loss) -> float:
    if isinstance(behaviour, GoesToPreset):
        return loss.off_s + behaviour.settles_after_s
    return loss.off_s + behaviour.after_s


def _say(behaviour: Behaviour, loss: Loss, last_us: float, back_us: float | None) -> ChannelLoss:
    follows_s = None if loss.on_s is None else loss.follows_s
    settles_s, settles_us = None, None
    if isinstance(behaviour, PulsesStop | GoesToPreset):
        settles_s = _settles_s(behaviour, loss)
        if settles_s >= loss.follows_s:
            settles_s = None
    if isinstance(behaviour, GoesToPreset):
        settles_us = behaviour.preset_us if settles_s is not None else last_us
    elif isinstance(behaviour, HoldsLast):
        settles_us = last_us
    return ChannelLoss(
        behaviour.behaviour,
        loss.off_s,
        loss.on_s,
        follows_s,
        last_us,
        settles_s,
        settles_us,
        back_us,
    )


def _walk(
    bounds: Wanders, start_us: float, count: int, rng: np.random.Generator
) -> npt.NDArray[np.float64]:
    """Random walk turned back at its bounds: an unbounded walk folded as a triangle wave."""
    span_us = bounds.high_us - bounds.low_us
    free_us = start_us - bounds.low_us + np.cumsum(rng.standard_normal(count) * bounds.step_us)
    folded_us: npt.NDArray[np.float64] = span_us - np.abs(free_us % (2 * span_us) - span_us)
    return folded_us + bounds.low_us
