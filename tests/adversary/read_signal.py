"""What was on the wires, and how an instant is printed. Whole picoseconds throughout."""

from __future__ import annotations

import random
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

PS = {"ps": 1, "ns": 10**3, "us": 10**6, "ms": 10**9, "s": 10**12, "min": 60 * 10**12}
NAMES = (
    ("RX1", "RX2", "RX3", "RX4"),
    ("left", "right", "weapon", "lamp"),
    ("D0", "D1", "D2", "D3"),
    ("Pin 3", "Pin 5", "Pin 6", "Pin 9"),
    ("wheel_l", "wheel_r", "drum", "arm"),
    ("chA", "chB", "chC", "chD"),
    ("Thistle left", "Thistle right", "Thistle flail", "Thistle kill"),
)


@dataclass(frozen=True)
class Wire:
    """A wire: its first level, and the samples at which the level is another one."""

    first: int
    ticks: tuple[int, ...]

    def at(self, tick: int) -> int:
        """Return the level of one sample (hand-made cases only: it counts)."""
        return self.first ^ (sum(t <= tick for t in self.ticks) & 1)


@dataclass(frozen=True)
class Signal:
    """Wires sampled together: sample k is taken k / rate seconds after the start."""

    rate_hz: int
    samples: int
    wires: dict[str, Wire]

    @property
    def step_ps(self) -> int:
        """Return the sampling interval; rates are chosen so that it is whole."""
        assert 10**12 % self.rate_hz == 0
        return 10**12 // self.rate_hz

    def edges_ps(self) -> dict[str, tuple[int, tuple[int, ...]]]:
        """Return first level and edges of every wire, since the first sample."""
        step = self.step_ps
        return {n: (w.first, tuple(t * step for t in w.ticks)) for n, w in self.wires.items()}

    def changes(self) -> list[tuple[int, str, int]]:
        """Return every edge as sample, wire, new level, in order of time."""
        found = [
            (t, name, wire.first ^ ((k + 1) & 1))
            for name, wire in self.wires.items()
            for k, t in enumerate(wire.ticks)
        ]
        order = list(self.wires)
        return sorted(found, key=lambda c: (c[0], order.index(c[1])))

    def levels(self, ticks: list[int] | range) -> list[tuple[int, ...]]:
        """Return the levels of all wires at rising sample numbers."""
        at = np.asarray(ticks, np.int64)
        changes = [
            np.searchsorted(np.array(wire.ticks, np.int64), at, "right") + wire.first
            for wire in self.wires.values()
        ]
        return list(zip(*[(each % 2).tolist() for each in changes], strict=True))

    def change_ticks(self, *, closed: bool = True) -> list[int]:
        """Return the first sample, every one at which a level is new, and the last."""
        ticks = {0} | {t for t, _, _ in self.changes()}
        return sorted(ticks | ({self.samples - 1} if closed else set()))

    def pulses(self) -> list[tuple[int, int, str]]:
        """Return whole high pulses as rise, fall, wire, in order of the rise."""
        found = []
        for name, wire in self.wires.items():
            own = wire.ticks[wire.first :]
            found += [(r, f, name) for r, f in zip(own[::2], own[1::2], strict=False)]
        return sorted(found)


def draw(
    rng: random.Random,
    rate_hz: int = 100_000,
    seconds: float = 0.12,
    *,
    lines: int | None = None,
    kinds: str = "servo",
    names: tuple[str, ...] | None = None,
    whole: bool = False,
) -> Signal:
    """Draw servo pulses of 900-2100 us in frames of 5-25 ms, idle and stuck lines among them.

    `kinds`: "servo" (the rest may idle), "busy" (all servo), "slow" (levels that last 30 times as
    long, so that no pulse tells a unit). `whole`: every wire starts and ends low.
    """
    names = names or rng.choice(NAMES)
    names = names[: lines or rng.choice((2, 3, 3, 4))]
    samples = round(seconds * rate_hz)
    frame_us = rng.choice((5000, 7000, 10000, 14000, 18500, 20000, 22000, 25000))
    scale = 30 if kinds == "slow" else 1
    wires = {}
    for k, name in enumerate(names):
        kind = "servo" if k < 2 or kinds == "busy" else rng.choice(("servo", "idle", "stuck"))
        if kind != "servo":
            wires[name] = Wire(int(kind == "stuck" and not whole), ())
            continue
        at = rng.uniform(0.2, 0.9) * frame_us
        width, drift = rng.uniform(900, 2100), rng.uniform(-40, 40)
        ticks: list[int] = []
        while True:
            width = min(2100, max(900, width + drift + rng.uniform(-6, 6)))
            rise = round(at * scale * rate_hz / 1e6)
            fall = round((at + width) * scale * rate_hz / 1e6)
            if fall >= samples - 2:
                break
            ticks += [rise, fall]
            at += frame_us
        cut = not whole and len(ticks) > 4 and rng.random() < 0.2
        wires[name] = Wire(1, tuple(ticks[1:])) if cut else Wire(0, tuple(ticks))
    return Signal(rate_hz, samples, wires)


def number(
    ps: int,
    unit: str | int = "us",
    decimals: int | None = None,
    *,
    point: str = ".",
    thousands: str = "",
    minus: str = "-",
) -> str:
    """Print an instant: all the digits that it needs, or `decimals` of them, rounded."""
    size = PS[unit] if isinstance(unit, str) else unit
    sign, ps = (minus, -ps) if ps < 0 else ("", ps)
    if decimals is None:
        whole, rest = divmod(ps, size)
        places = len(str(size)) - 1
        if size == 10**places:
            digits = f"{rest:0{places}d}".rstrip("0")
        else:
            digits = f"{Decimal(rest) / Decimal(size):f}".partition(".")[2].rstrip("0")
    else:
        whole, rest = divmod((ps * 10**decimals * 2 + size) // (2 * size), 10**decimals)
        digits = f"{rest:0{decimals}d}" if decimals else ""
    left = f"{whole:,}".replace(",", thousands) if thousands else str(whole)
    return sign + left + (point + digits if digits else "")
