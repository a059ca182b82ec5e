"""Hands on the sticks in the random recordings of `loss_scripts`."""

from __future__ import annotations

import numpy as np

from pwmscope.bench import BenchChannel
from pwmscope.synth import Dwell, Loss, Sweep


class Hand:
    """A hand on one stick: places moves one after the other."""

    def __init__(self, width_us: float, update_s: float) -> None:
        self.update_s = update_s
        self.moves, self.at_s, self.width_us = [Dwell(width_us, 0.5)], 0.5, width_us

    def go(self, time_s: float, width_us: float, over_s: float) -> None:
        """At a time, or as soon as the hand is free, go to a width; at once with a switch."""
        if time_s > self.at_s + 1e-6:
            self.moves.append(Dwell(self.width_us, time_s - self.at_s))
            self.at_s = time_s
        if over_s > 0 and self.update_s:
            self._in_steps(width_us, over_s)
        elif over_s > 0:
            self.moves.append(Sweep(width_us, over_s))
            self.at_s += over_s
        else:
            self.moves.append(Dwell(width_us, 1e-3))
            self.at_s += 1e-3
        self.width_us = width_us

    def _in_steps(self, width_us: float, over_s: float) -> None:
        """Move as a link shows it that carries the stick only now and then."""
        begin_s, from_us = self.at_s, self.width_us
        carried_s = self.update_s * np.arange(
            np.floor(begin_s / self.update_s) + 1, np.ceil((begin_s + over_s) / self.update_s) + 1
        )
        for time_s in carried_s:
            self.moves.append(Dwell(self.width_us, max(time_s - self.at_s, 1e-6)))
            self.at_s = max(time_s, self.at_s + 1e-6)
            part = min((time_s - begin_s) / over_s, 1.0)
            self.width_us = from_us + part * (width_us - from_us)
        self.moves.append(Dwell(width_us, 1e-6))
        self.at_s += 1e-6


def moves(
    rng: np.random.Generator,
    device: BenchChannel,
    losses: list[Loss],
    actions: list[str],
    *,
    update_s: float,
    shared: int | None,
) -> tuple[Dwell | Sweep, ...]:
    """Move a stick through all losses; lines that share one stick move at the same times."""
    hand = Hand(device.neutral_us, update_s)
    for k, (loss, action) in enumerate(zip(losses, actions, strict=True)):
        if shared is not None:
            rng = np.random.default_rng([shared, k])
        off_s = loss.off_s
        back_s = loss.follows_s if np.isfinite(loss.follows_s) else off_s + 5.0
        sign = 1 if device.role == "weapon" else rng.choice([-1, 1])
        rest_us = device.neutral_us
        out_us = rest_us + sign * (rng.uniform(60, 400) + 45)
        spring_s = float(rng.choice([0.045, 0.07, 0.2, 0.6]))
        if action in {"held through", "released while off", "released before", "switched"}:
            hand.go(off_s - 1.8, out_us, 0.4)
        if action == "held through":
            hand.go(back_s + 0.8, rest_us, 0.3)
        elif action == "released while off":
            hand.go(off_s + rng.uniform(0, back_s - off_s), rest_us, spring_s)
        elif action == "released before":
            hand.go(off_s - rng.uniform(0, 0.7), rest_us, spring_s)
        elif action == "switched":
            hand.go(off_s + rng.uniform(-0.1, 1.8), rest_us, 0.0)
        elif action == "moving":
            hand.go(off_s - rng.uniform(0.1, 0.8), out_us, 1.0)
            hand.go(off_s + rng.uniform(0.3, 2.0), rest_us, 0.5)
        elif action == "waggled":
            while hand.at_s < back_s:
                hand.go(max(off_s - 1.0, hand.at_s), out_us, rng.uniform(0.1, 0.5))
                hand.go(hand.at_s, rest_us, rng.uniform(0.1, 0.5))
        elif action == "pushed while off":
            hand.go(off_s + rng.uniform(0.2, back_s - off_s), out_us, rng.uniform(0.05, 0.3))
            hand.go(back_s + 0.8, rest_us, 0.3)
    return tuple(hand.moves)
