"""A receiver's supply: a source with resistance, and devices that draw current as they move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pwmscope.synth.script import Channel, Supply, place_moves


@dataclass(frozen=True, slots=True)
class Sag:
    """What one load did to the supply."""

    of: str  # The channel whose device drew the current
    begin_s: float
    end_s: float
    depth_v: float  # Current times source resistance


@dataclass(frozen=True, slots=True)
class SupplyTruth:
    """What a supply really was.

    Parameters
    ----------
    supply : Supply
        The script's.
    sags : tuple of Sag
        In order of time; where several overlap, their depths add up.
    """

    supply: Supply
    sags: tuple[Sag, ...]

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
