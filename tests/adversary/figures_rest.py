"""A weapon's channel at rest: is `calibrate` ever content with one that would turn?

    PYTHONPATH=.:tests python -m adversary.figures_rest --count 200

A weapon that turns one way (low end 1000 us, stop range up to 1020 us) rests somewhere from 995 to
1600 us, often at half speed. The stick goes up, down and back, with and without a plan. Wrong: the
rest is called right ("leave" under the rest's or neutral's name, or "rests at its low end"), or
exit code 0, while it lies above the stop range. Right: a rest that lies in it is left.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from adversary import figures_ask
from adversary.signal_bench import (
    Hand,
    Script,
    Transmitter,
    analyser,
    clock,
    ends_and_neutral,
    receive,
)

SHEET = """
robot = "Quince"
[channels.left]
role = "drive-left"
[channels.right]
role = "drive-right"
[channels.weapon]
role = "weapon"
"""
STOPS_US = 1020.0
REST_NAMES = ("neutral", "rest", "rest position")


def weapon_by_hand(rng: np.random.Generator, rest: float, *, goes_down: bool) -> Hand:
    """A stick that rests and is held up (and down) a few times."""
    script = Script(rng.uniform(2, 4), rest, "rest")
    for _ in range(int(rng.integers(3, 6))):
        script.move(1.0, rng.uniform(0.3, 0.8), "minimum-jerk", "high", rng.uniform(0.8, 2.2))
        if goes_down and rng.uniform() < 0.7:
            script.move(-1.0, rng.uniform(0.4, 0.9), "bell", "low", rng.uniform(0.8, 2.0))
        script.move(rest, rng.uniform(0.3, 0.8), "eased", "rest", rng.uniform(1.0, 3.0))
    return script.hand()


def by_plan(
    rng: np.random.Generator, steps: list[dict[str, Any]], rest: float, *, goes_down: bool
) -> dict[str, Hand]:
    """Hands that follow a plan, some tenths of a second late; the throttle rests at ``rest``."""
    late = rng.uniform(0.1, 0.5)
    scripts = {"left": Script(late), "right": Script(late), "weapon": Script(late, rest, "rest")}
    for step in steps:
        axes = step.get("sticks", {})
        forward, turn = axes.get("elevator", 0.0), axes.get("aileron", 0.0)
        up = axes.get("throttle")
        targets = {
            "left": float(np.clip(forward + turn, -1, 1)),
            "right": float(np.clip(forward - turn, -1, 1)),
            "weapon": rest if up is None else float(up),
        }
        if goes_down and step["name"].startswith("weapon low"):
            targets["weapon"] = -1.0
        lasts = rng.uniform(0.25, 0.6)
        for name, script in scripts.items():
            script.move(targets[name], lasts, "minimum-jerk", "other", step["seconds"] - lasts)
    return {name: script.hand() for name, script in scripts.items()}


def judge(seed: int, number: int, *, planned: bool) -> tuple[str, dict[str, Any]]:
    """Record one bench and ask `calibrate`."""
    rng = np.random.default_rng([seed, 88, number, int(planned)])
    rest_us = float(rng.choice([1000.0, 1500.0, rng.uniform(995, 1015), rng.uniform(1030, 1600)]))
    rest = (rest_us - 1500.0) / 500.0
    goes_down = bool(rng.uniform() < 0.6) and rest > -0.9  # a stick that springs back to its rest
    with tempfile.TemporaryDirectory() as folder:
        more: list[str] = []
        if planned:
            plan, steps = figures_ask.plan_for(SHEET, Path(folder))
            hands = by_plan(rng, steps, rest, goes_down=goes_down)
            more = ["--plan", str(plan)]
        else:
            hands = {
                "left": ends_and_neutral(rng),
                "right": ends_and_neutral(rng),
                "weapon": ends_and_neutral(rng)
                if rest_us == 1500.0 and goes_down and rng.uniform() < 0.7
                else weapon_by_hand(rng, rest, goes_down=goes_down),
            }
        end_s = max(hand.end_s for hand in hands.values())
        period = float(rng.uniform(9_000, 22_000))
        frames = clock(int(end_s * 1e6 / period), period, rng.uniform(-50, 50), 2_000.0)
        lines = receive(
            list(hands.values()),
            [Transmitter()] * 3,
            frames,
            rng,
            kind="gauss",
            width_rms_us=rng.uniform(0.2, 2.0),
            start_rms_us=0.5,
            sequential=False,
            apart_us=20.0,
        )
        sampler = analyser(1e6, rng)
        edges = {
            name: sampler.sample(line.rise_us, line.width_us)[0]
            for name, line in zip(hands, lines, strict=True)
        }
        code, data, words = figures_ask.ask_command(
            "calibrate", edges, frames[-1] + 5_000.0, 1e6, SHEET, *more
        )
    about = {
        "number": number,
        "planned": planned,
        "rest_us": round(rest_us, 1),
        "goes_down": goes_down,
        "code": code,
    }
    if not data:
        return "refused", about | {"words": words.strip()[:200]}
    settings = data["channels"]["weapon"]["settings"]
    left = [
        one["sentence"]
        for one in settings
        if one["action"] == "leave"
        and (one["name"] in REST_NAMES or "rests at its low end" in one["sentence"])
    ]
    if rest_us > STOPS_US + 1.0:
        if left:
            return "WRONG: called right, would turn", about | {"words": left[0]}
        if code == 0:
            return "WRONG: nothing to change, would turn", about
        return "warned or not shown", about
    return ("right: left at rest" if left else "rest in its range not told"), about


def main(words: list[str] | None = None) -> int:
    """Read the command line and print the counts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--count", type=int, default=200, help="recordings with and as many without a plan"
    )
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=14)
    arguments = parser.parse_args(words)
    counts: Counter[tuple[str, bool]] = Counter()
    for number in range(arguments.first, arguments.first + arguments.count):
        for planned in (False, True):
            outcome, about = judge(arguments.seed, number, planned=planned)
            counts[outcome, planned] += 1
            if counts[outcome, planned] <= 2 and not outcome.startswith("right"):
                print(outcome, about)
    print("\n| outcome | without a plan | with a plan |\n|---|---|---|")
    for outcome in sorted({name for name, _ in counts}):
        print(f"| {outcome} | {counts[outcome, False]} | {counts[outcome, True]} |")
    return 1 if any(name.startswith(("WRONG", "refused")) for name, _ in counts) else 0


if __name__ == "__main__":
    sys.exit(main())
