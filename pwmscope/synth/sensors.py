"""What sensors record beside the receiver: the marks of a rotor, the voltage of its supply."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.synth.script import Channel, Loss, Rotor, Supply, place_moves

PS_PER_S = 1_000_000_000_000
STEP_S = 1e-3
"""The speed is worked out so often; it changes evenly in between."""
HIGH_PART = 0.25
"""Part of the pitch for which the sensor's output is high at each mark."""


@dataclass(frozen=True, slots=True)
class RotorTruth:
    """What a rotor really did."""

    name: str  # Its sensor's line
    of: str  # The channel that drives it
    # Edges of the sensor's output, the first a rise, exact before sampling
    edges_ps: npt.NDArray[np.int64]
    top_per_minute: float  # The highest speed
    # For each loss, seconds from it until the speed was below the script's slow one, until the
    # channels followed again; None where it never was
    slow_s: tuple[float | None, ...]


def turn(
    rotor: Rotor,
    rise_ps: npt.NDArray[np.int64],
    command_ps: npt.NDArray[np.int64],
    losses: tuple[Loss, ...],
    duration_ps: int,
) -> RotorTruth:
    """Let a rotor follow a channel's pulses.

    Commanded more, it speeds up with the time constant ``rises_s``; commanded less, or without
    pulses for 0.2 s, it loses ``friction_per_s`` turns a second in each second.
    """
    steps = int(duration_ps / PS_PER_S / STEP_S) + 1
    time_s = np.asarray(np.arange(steps) * STEP_S, np.float64)
    row = np.searchsorted(rise_ps, np.rint(time_s * PS_PER_S).astype(np.int64)) - 1
    last = np.maximum(row, 0)
    fresh = (row >= 0) & (time_s - rise_ps[last] / PS_PER_S < 0.2)
    above_us = np.where(fresh, command_ps[last] / 1e6 - rotor.rest_us, 0.0)
    asked = np.where(above_us > rotor.dead_us, above_us, 0.0) * rotor.per_minute_us / 60.0
    speed, now = [], 0.0
    for wanted in asked.tolist():
        if wanted > now:
            now += STEP_S * (wanted - now) / rotor.rises_s
        else:
            now = max(now - STEP_S * rotor.friction_per_s, wanted)
        speed.append(now)
    hz = np.array(speed)
    turns = np.concatenate([[0.0], np.cumsum(hz)]) * STEP_S
    slow_hz = rotor.slow_per_minute / 60.0
    return RotorTruth(
        rotor.name,
        rotor.of,
        _edges_ps(turns, rotor.marks_per_turn),
        60.0 * float(hz.max()),
        tuple([_slow_s(time_s, hz, slow_hz, loss) for loss in losses]),
    )


def _edges_ps(turns: npt.NDArray[np.float64], per_turn: int) -> npt.NDArray[np.int64]:
    """Return when marks begin and end to pass, by the angle, which is even within each step."""
    count = int(turns[-1] * per_turn - 0.5 - HIGH_PART)
    begin = (np.arange(max(count, 0)) + 0.5) / per_turn
    places = np.stack([begin, begin + HIGH_PART / per_turn], axis=1).ravel()
    moves = np.flatnonzero(np.diff(turns, prepend=-1.0) > 0)
    at = np.searchsorted(turns[moves], places, side="left")
    low, high = moves[at] - 1, moves[at]
    part = (places - turns[low]) / (turns[high] - turns[low])
    edges: npt.NDArray[np.int64] = np.rint((low + part) * STEP_S * PS_PER_S).astype(np.int64)
    return edges


def _slow_s(
    time_s: npt.NDArray[np.float64], hz: npt.NDArray[np.float64], slow_hz: float, loss: Loss
) -> float | None:
    within = (time_s >= loss.off_s) & (time_s < (loss.on_s or np.inf))
    fast = np.flatnonzero(within & (hz >= slow_hz))
    if not fast.size or fast[-1] == np.flatnonzero(within)[-1]:
        return None
    return round(float(time_s[fast[-1]] + STEP_S - loss.off_s), 6)


@dataclass(frozen=True, slots=True)
class Sag:
    """What one load did to the supply."""

    of: str  # The channel whose device drew the current
    begin_s: float
    end_s: float
    depth_v: float  # Current times source resistance


@dataclass(frozen=True, slots=True)
class SupplyTruth:
    """What a supply really was."""

    supply: Supply  # The script's
    sags: tuple[Sag, ...]  # In order of time; where several overlap, their depths add up

    def millivolts(
        self, samples: npt.NDArray[np.int64], rate_hz: int, drawn: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.int64]:
        """Return what the analyser reads at some samples, with the noise drawn for them."""
        time_s = samples / rate_hz
        volts = np.full(samples.size, float(self.supply.open_v))
        for sag in self.sags:
            volts -= sag.depth_v * ((time_s >= sag.begin_s) & (time_s < sag.end_s))
        step_mv = 1000.0 * self.supply.step_v
        read = np.rint((1000.0 * (volts + self.supply.noise_v * drawn)) / step_mv) * step_mv
        clipped: npt.NDArray[np.int64] = np.clip(np.rint(read), 0, 9999).astype(np.int64)
        return clipped


def load_down(supply: Supply, channels: tuple[Channel, ...], duration_s: float) -> SupplyTruth:
    """Let each load draw its current soon after its channel's stick begins to move."""
    moves = {channel.name: place_moves(channel.moves) for channel in channels}
    sags = [
        Sag(
            load.of,
            round(stretch.begin_s + load.after_s, 9),
            round(stretch.begin_s + load.after_s + load.for_s, 9),
            round(load.amperes * supply.source_ohm, 9),
        )
        for load in supply.loads
        for stretch in moves[load.of]
        if not stretch.is_dwell and stretch.begin_s < duration_s
    ]
    return SupplyTruth(supply, tuple(sorted(sags, key=lambda sag: sag.begin_s)))
