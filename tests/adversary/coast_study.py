"""How well the moment at which a rotor falls below a stated speed is told: a study by coast-downs.

    python -m tests.adversary.coast_study 2000 --seed 11

Coast-downs, sensors and their truth are those of `coast_bench`, which shares no code with the
product. A limit is drawn near the truth for each, and the product's verdict is held against it.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter

import numpy as np

from pwmscope.capture import Line
from pwmscope.findings.sensors import LossMoment, Rotor, find_marks, judge_motion
from tests.adversary.coast_bench import PS, draw, marks_seen

OFF_S = 1.5
SENT_ON_S = 0.0


def one(rng):
    """Judge one coast-down; return what was told beside the truth."""
    coast, sensor, slow = draw(rng)
    fell_s = float(coast.slow_after(slow))
    end_s = OFF_S + 1.5 * fell_s + 2.5 / slow
    edges_ps = marks_seen(coast, sensor, OFF_S, end_s, rng)
    limit_s = fell_s * float(np.exp(rng.normal(0.0, 0.05)))
    marks = find_marks(Line("D6", edges_ps, 0), "rising", PS / sensor.rate_hz)
    rotor = Rotor("D6", "RX3", marks, sensor.marks, 60.0 * slow, limit_s, "drawn")
    moment = LossMoment(OFF_S, OFF_S, OFF_S + SENT_ON_S, end_s, 1.0 / sensor.rate_hz, "")
    (stop,) = judge_motion(rotor, [moment]).stops
    return stop, fell_s, limit_s, 1.0 / (sensor.marks * slow), coast.law


def study(count, seed):
    """Count over many coast-downs what the intervals and verdicts were worth."""
    rng = np.random.default_rng([seed, 0xC0A57])
    told = Counter()
    worst_early = 0.0
    for _ in range(count):
        stop, fell_s, limit_s, pitch_s, law = one(rng)
        told["all"] += 1
        told[stop.verdict.value] += 1
        if stop.slow_s is None:
            told["not told"] += 1
            continue
        least_s, most_s = stop.slow_s
        told["told"] += 1
        told["covered"] += least_s <= fell_s <= most_s
        told[f"{law}"] += 1
        told[f"{law} covered"] += least_s <= fell_s <= most_s
        told["early"] += most_s < fell_s
        worst_early = max(worst_early, (fell_s - most_s) / pitch_s)
        if stop.verdict.value == "meets":
            told["false meets"] += fell_s > limit_s
            told["false meets beyond a mark"] += fell_s > limit_s + pitch_s
        if stop.verdict.value == "does not meet":
            told["false failures"] += fell_s < limit_s - pitch_s
    return told, worst_early


def main(words):
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("count", type=int, nargs="?", default=2000)
    asked.add_argument("--seed", type=int, default=11)
    given = asked.parse_args(words)
    told, worst_early = study(given.count, given.seed)
    for name, number in told.items():
        sys.stdout.write(f"{name}: {number}\n")
    part = told["covered"] / told["told"]
    sys.stdout.write(f"coverage {100 * part:.2f} %, early {100 * told['early'] / told['told']:.2f}")
    sys.stdout.write(f" %, earliest by {worst_early:.2f} marks\n")


if __name__ == "__main__":
    main(sys.argv[1:])
