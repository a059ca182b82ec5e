"""Two-sided drives at edge level: sticks, a transmitter, a converter, plugs, wheels.

The chain, from hand to wheels; every stage clips at full travel:

    sticks -> [mixing in the transmitter] -> channel directions and places -> pins
           -> [mixing converter] -> its output directions -> plugs -> left and right side

Positions are in half travels; forward and right are positive, a positive output drives its side
forward. What drives right has left = forward + turn and right = forward - turn.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from adversary.signal_bench import Analyser, Array, Hand, Ints, Script, analyser, clock

MIX = np.array([[1.0, 1.0], [1.0, -1.0]])
SWAP = np.array([[0.0, 1.0], [1.0, 0.0]])
SAME = np.eye(2)


@dataclass(frozen=True, eq=False)
class Chain:
    """How a robot is set up."""

    transmitter_mixes: bool = False
    channels: npt.NDArray[np.float64] = field(
        default_factory=lambda: SAME
    )  # direction and place of each channel, after any mixing there
    has_converter: bool = False
    converter_mixes: bool = False
    converted: npt.NDArray[np.float64] = field(
        default_factory=lambda: SAME
    )  # directions and places of the converter's outputs
    plugs: npt.NDArray[np.float64] = field(
        default_factory=lambda: SAME
    )  # directions and places at the speed controllers

    def pins(self, sticks: Array) -> Array:
        """The receiver's drive pins, shape (2, n), for sticks of shape (2, n): forward, turn."""
        s = np.clip(MIX @ sticks, -1, 1) if self.transmitter_mixes else sticks
        return self.channels @ s

    def sides(self, sticks: Array) -> Array:
        """Commands of the left and the right side."""
        s = self.pins(sticks)
        if self.has_converter and self.converter_mixes:
            s = np.clip(MIX @ s, -1, 1)
        if self.has_converter:
            s = self.converted @ s
        return self.plugs @ s

    def drives_right(self) -> bool:
        """Whether small sticks forward, back, right and left move the robot so."""
        forward, turn = self.sides(np.array([[0.3, 0.0], [0.0, 0.3]])).T
        straight = forward[0] > 0.1 and forward[1] > 0.1 and abs(forward[0] - forward[1]) < 0.05
        spins = turn[0] > 0.1 and turn[1] < -0.1 and abs(turn[0] + turn[1]) < 0.05
        return bool(straight and spins)

    def changed(self, **what: object) -> Chain:
        """The same with something changed."""
        return replace(self, **what)  # type: ignore[arg-type]


def directions(rng: np.random.Generator, odd: float = 0.35) -> npt.NDArray[np.float64]:
    """Draw directions and places of two wires: right most often, else reversed or swapped."""
    signs = np.where(rng.uniform(size=2) < odd, -1.0, 1.0)
    return np.asarray(np.diag(signs) @ (SWAP if rng.uniform() < odd else SAME))


def one_stick_at_a_time(rng: np.random.Generator) -> tuple[Hand, Hand]:
    """Forward, back, right, left, one after another and each with a rest, then both together."""
    scripts = [Script(1.0), Script(1.0)]

    def hold(targets: tuple[float, float]) -> None:
        lasts, dwell = rng.uniform(0.4, 0.9), rng.uniform(0.5, 0.9)
        for script, target in zip(scripts, targets, strict=True):
            script.move(target, lasts, "minimum-jerk", "other", dwell)

    reach = rng.uniform(0.85, 1.0)
    for part in (reach, 0.5):
        for axis in (0, 1):
            for sign in (1.0, -1.0):
                target = [0.0, 0.0]
                target[axis] = sign * part
                hold((target[0], target[1]))
                hold((0.0, 0.0))
    for corner in ((reach, reach), (-reach, reach)):
        hold(corner)
        hold((0.0, 0.0))
    return scripts[0].hand(), scripts[1].hand()


def record(
    chain: Chain, rng: np.random.Generator, *, rate_hz: float, sticks_at: str
) -> tuple[dict[str, Ints], float, Analyser]:
    """Record both sides and two lines that carry the sticks.

    ``sticks_at`` "pins": the converter's two inputs (which must carry the sticks unmixed); "spare":
    two further channels of the receiver that carry the sticks as they are.
    """
    hands = one_stick_at_a_time(rng)
    period = float(rng.uniform(9_000, 22_000))
    frames = clock(int(hands[0].end_s * 1e6 / period), period, rng.uniform(-50, 50), 2_000.0)
    sticks = np.stack([hand.at(frames * 1e-6)[0] for hand in hands])
    carried = chain.pins(sticks) if sticks_at == "pins" else sticks
    jitter_us = rng.uniform(0, 2)
    sampler = analyser(rate_hz, rng)
    lines = {}
    for k, (name, position) in enumerate(
        zip(("elevator", "aileron", "left", "right"), [*carried, *chain.sides(sticks)], strict=True)
    ):
        start = frames + 40.0 * k + rng.normal(0, 0.3, frames.size)
        width = 1500.0 + 500.0 * position + rng.normal(0, jitter_us, frames.size)
        lines[name] = sampler.sample(start, width)[0]
    return lines, float(frames[-1] + 4_000.0), sampler


SHEET = """
[channels.left]
role = "drive-left"
[channels.right]
role = "drive-right"
[channels.elevator]
role = "stick-elevator"
[channels.aileron]
role = "stick-aileron"
"""
