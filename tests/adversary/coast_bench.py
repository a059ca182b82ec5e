"""Coast-downs from outside: a rotor that friction slows, and what a sensor on it shows.

Three friction laws, each with its closed form (elementary mechanics; `tests/outside` holds them
against `scipy.integrate.solve_ivp`). Shares no code with the product or with `pwmscope.synth`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PS = 10**12
LAWS = ("coulomb", "viscous", "aerodynamic")


@dataclass(frozen=True)
class Coast:
    """One rotor: speed in turns a second before the loss, and how friction takes it away.

    ``rate`` is the deceleration in turns/s^2 (coulomb), 1/tau in 1/s (viscous), or the
    coefficient k of dn/dt = -k n^2 (aerodynamic).
    """

    law: str
    speed: float
    rate: float

    def speed_at(self, t):
        """Turns a second at a time after the drive went off."""
        t = np.maximum(t, 0.0)
        if self.law == "coulomb":
            return np.maximum(self.speed - self.rate * t, 0.0)
        if self.law == "viscous":
            return self.speed * np.exp(-self.rate * t)
        return self.speed / (1.0 + self.rate * self.speed * t)

    def turns_at(self, t):
        """Turns since the drive went off; before that it turned evenly."""
        after = np.maximum(t, 0.0)
        if self.law == "coulomb":
            after = np.minimum(after, self.speed / self.rate)
            turned = self.speed * after - 0.5 * self.rate * after**2
        elif self.law == "viscous":
            turned = self.speed / self.rate * -np.expm1(-self.rate * after)
        else:
            turned = np.log1p(self.rate * self.speed * after) / self.rate
        return np.where(t < 0.0, self.speed * t, turned)

    def slow_after(self, slow):
        """Seconds until the speed has fallen to so many turns a second."""
        if self.law == "coulomb":
            return (self.speed - slow) / self.rate
        if self.law == "viscous":
            return np.log(self.speed / slow) / self.rate
        return (self.speed / slow - 1.0) / (self.rate * self.speed)

    def time_of(self, turns):
        """When so many turns were made; infinity where they never are."""
        turns = np.asarray(turns, float)
        with np.errstate(divide="ignore", invalid="ignore"):
            if self.law == "coulomb":
                left = self.speed**2 - 2.0 * self.rate * turns
                after = (self.speed - np.sqrt(left)) / self.rate
            elif self.law == "viscous":
                after = -np.log1p(-turns * self.rate / self.speed) / self.rate
            else:
                after = np.expm1(turns * self.rate) / (self.rate * self.speed)
        after = np.where(np.isfinite(after), after, np.inf)
        return np.where(turns < 0.0, turns / self.speed, after)


@dataclass(frozen=True)
class Sensor:
    """What sees the rotor: marks, their places, and its own faults."""

    marks: int
    misplaced: float  # Deviation of a mark's place, in pitches; the same at every turn
    jitter: float  # Deviation of each passing, in pitches
    missing: float  # Chance of a mark not to be seen
    double: float  # Chance of a mark to be seen twice
    bounce_s: float  # How much later the second time
    rate_hz: float


def marks_seen(coast, sensor, off_s, end_s, rng):
    """Edge instants in picoseconds, rise and fall in turn, of a recording from 0 to its end."""
    first = int(np.ceil(coast.turns_at(np.array(-off_s)) * sensor.marks)) + 1
    last = int(np.floor(coast.turns_at(np.array(end_s - off_s)) * sensor.marks))
    number = np.arange(first, last + 1)
    place = sensor.misplaced * rng.standard_normal(sensor.marks)
    phase = rng.random() - 0.5
    turns = number + place[number % sensor.marks] + sensor.jitter * rng.standard_normal(number.size)
    turns = (turns + phase) / sensor.marks
    at_s = coast.time_of(turns) + off_s
    at_s = np.sort(at_s[(at_s > 0) & (at_s < end_s) & (rng.random(at_s.size) >= sensor.missing)])
    # A mark is seen for a fifth of the pitch, at most 5 ms, so that a bounce fits after it.
    gap_s = np.diff(at_s, append=end_s)
    high_s = np.minimum(0.2 * gap_s, 5e-3)
    rise_s, fall_s = at_s, at_s + high_s
    twice = (rng.random(at_s.size) < sensor.double) & (gap_s > 6 * sensor.bounce_s)
    again_s = at_s[twice] + sensor.bounce_s
    width_s = np.minimum(0.3 * sensor.bounce_s, high_s[twice])
    fall_s = np.where(twice, at_s + 0.3 * sensor.bounce_s, fall_s)
    rise_s = np.concatenate([rise_s, again_s])
    fall_s = np.concatenate([fall_s, again_s + width_s])
    edges_s = np.sort(np.concatenate([rise_s, fall_s]))
    # An edge shows at the first sample after it; two between samples are not seen.
    sample = np.ceil(edges_s * sensor.rate_hz).astype(np.int64)
    seen, counts = np.unique(sample, return_counts=True)
    seen = seen[counts % 2 == 1]
    return np.rint(seen * (PS / sensor.rate_hz)).astype(np.int64)


def draw(rng):
    """Draw a rotor, a sensor, and the speed that counts as slow, in turns a second."""
    law = LAWS[int(rng.integers(3))]
    slow = float(np.exp(rng.uniform(np.log(0.8), np.log(12.0))))
    speed = slow * float(np.exp(rng.uniform(np.log(2.5), np.log(60.0))))
    wanted_s = float(np.exp(rng.uniform(np.log(0.6), np.log(20.0))))
    # The rate that makes the fall take so long.
    unit = Coast(law, speed, 1.0)
    rate = float(unit.slow_after(slow)) / wanted_s
    sensor = Sensor(
        marks=int(rng.integers(1, 13)),
        misplaced=float(rng.choice([0.0, 0.005, 0.02])),
        jitter=float(rng.choice([0.0, 0.001, 0.004])),
        missing=float(rng.choice([0.0, 0.0, 0.01])),
        double=float(rng.choice([0.0, 0.0, 0.02])),
        bounce_s=float(np.exp(rng.uniform(np.log(30e-6), np.log(400e-6)))),
        rate_hz=float(np.exp(rng.uniform(np.log(100e3), np.log(24e6)))),
    )
    return Coast(law, speed, rate), sensor, slow
