"""Follow the mixing advice in every place that it names, and see whether the robot drives right.

    PYTHONPATH=.:tests python -m adversary.figures_mixing --count 500

Drives are drawn with mixing in the transmitter, in a converter, in both or nowhere, with reversed
and swapped channels and plugs (`signal_drive`). A drive fails if any offered way, done in any
offered place, does not drive right, or if a wrong drive is called right.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from pathlib import Path

import numpy as np

from adversary import figures_ask
from adversary.figures_ask import Change
from adversary.signal_drive import SAME, SHEET, SWAP, Chain, directions, record

PLACES = ("transmitter", "converter")


def draw(rng: np.random.Generator) -> tuple[Chain, str]:
    """Draw a drive, and where its sticks are recorded."""
    transmitter, converter = [(False, False), (True, False), (False, True), (True, True)][
        rng.choice(4, p=[0.4, 0.25, 0.25, 0.1])
    ]
    chain = Chain(
        transmitter_mixes=transmitter,
        channels=directions(rng),
        has_converter=converter or rng.uniform() < 0.2,
        converter_mixes=converter,
        plugs=directions(rng, 0.2),
    )
    # pins carry the sticks only where nothing mixed, swapped or reversed them before
    plain = not transmitter and np.array_equal(chain.channels, SAME) and chain.has_converter
    return chain, "pins" if plain else "spare"


def wire(side: str) -> np.ndarray:
    """Reverse one output."""
    return np.diag([-1.0, 1.0]) if side == "left" else np.diag([1.0, -1.0])


def follow(chain: Chain, way: list[Change], place: str) -> Followed:
    """Do the changes of one way, those of the mixing in one place.

    An output is the recorded line: it is reversed in front of plugs that are swapped.
    """
    sticks, reversed_, swapped = SAME, SAME, SAME
    for change in way:
        words = change.words.lower()
        if change.kind == "swap plugs":
            swapped = SWAP @ swapped
        elif change.kind == "swap sticks":
            sticks = SWAP @ sticks
        elif change.kind == "reverse channel":
            if "stick" in words:
                sticks = np.diag([-1.0, 1.0] if "elevator" in words else [1.0, -1.0]) @ sticks
            else:
                reversed_ = wire("left" if "left" in words else "right") @ reversed_
        elif change.kind in ("mixing on", "mixing off"):
            both = chain.transmitter_mixes and chain.has_converter and chain.converter_mixes
            on = (
                change.kind == "mixing on" and not both
            )  # "if it is on in two places, turn one off"
            if place == "transmitter":
                chain = chain.changed(transmitter_mixes=on)
            elif chain.has_converter:
                chain = chain.changed(converter_mixes=on)
            else:  # put a converter where the speed controllers were plugged in
                chain = chain.changed(
                    has_converter=True,
                    converter_mixes=on,
                    channels=chain.plugs @ chain.channels,
                    plugs=SAME,
                )
    return Followed(chain, sticks, swapped @ reversed_)


class Followed(Chain):
    """A chain with changes in front of all mixing and behind all of it."""

    def __init__(self, chain: Chain, sticks: np.ndarray, last: np.ndarray) -> None:
        object.__setattr__(self, "chain", chain)
        object.__setattr__(self, "before", sticks)
        object.__setattr__(self, "after", last)

    def sides(self, sticks: np.ndarray) -> np.ndarray:
        """Commands of the two sides after the changes."""
        return np.asarray(self.after @ self.chain.sides(self.before @ sticks))  # type: ignore[attr-defined]


def offered(way: list[Change]) -> tuple[str, ...]:
    """The places in which a way may be done."""
    named = [change.places for change in way if change.kind in ("mixing on", "mixing off")]
    return named[0] if named else ("",)


def judge(seed: int, number: int, rate_hz: float = 1e6) -> tuple[str, dict[str, object]]:
    """Record one drive, ask, follow the advice; return the outcome and what was wrong."""
    rng = np.random.default_rng([seed, 77, number])
    chain, sticks_at = draw(rng)
    lines, duration_us, _ = record(chain, rng, rate_hz=rate_hz, sticks_at=sticks_at)
    code, data, words = figures_ask.ask_command("mixing", lines, duration_us, rate_hz, SHEET)
    mixes = {(0, 0): "nowhere", (1, 0): "transmitter", (0, 1): "converter", (1, 1): "both"}[
        int(chain.transmitter_mixes), int(chain.converter_mixes)
    ]
    about: dict[str, object] = {
        "number": number,
        "mixing in": mixes,
        "code": code,
        "name": (data.get("arrangement") or {}).get("name"),
        "drives_right": chain.drives_right(),
    }
    if code == 2 or not data:
        return "refused", about | {"words": words.strip()[:200]}
    if code == 0:
        return ("right" if chain.drives_right() else "called right, is wrong"), about
    if chain.drives_right() and code == 1:
        return "called wrong, is right", about
    ways = figures_ask.mixing_advice(data)
    if not ways:
        return "no advice", about
    bad = []
    for rank, way in enumerate(ways):
        for place in offered(way):
            if place == "" and any(change.kind.startswith("mixing") for change in way):
                bad.append((rank, "no place named"))
            elif not follow(chain, way, place).drives_right():
                bad.append((rank, place or "as told"))
    if not bad:
        return "right", about
    return "advice fails", about | {"bad": bad, "way": [change.words for change in ways[bad[0][0]]]}


def main(words: list[str] | None = None) -> int:
    """Read the command line and print the counts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=14)
    parser.add_argument("--out", help="write one JSON line for each drive")
    arguments = parser.parse_args(words)
    counts: Counter[tuple[str, str]] = Counter()
    shown: Counter[str] = Counter()
    found = []
    for number in range(arguments.first, arguments.first + arguments.count):
        outcome, about = judge(arguments.seed, number)
        counts[outcome, str(about["mixing in"])] += 1
        shown[outcome] += 1
        found.append(json.dumps({"outcome": outcome} | about) + "\n")
        if outcome not in ("right", "no advice") and shown[outcome] <= 3:
            print(outcome, about)
    print(
        "\n| outcome | "
        + " | ".join(("nowhere", "transmitter", "converter", "both"))
        + " | all |\n|---|---|---|---|---|---|"
    )
    for outcome in shown:
        row = [counts[outcome, where] for where in ("nowhere", "transmitter", "converter", "both")]
        print(f"| {outcome} | " + " | ".join(map(str, row)) + f" | {sum(row)} |")
    if arguments.out:
        Path(arguments.out).write_text("".join(found), encoding="utf-8")
    failed = sum(shown[bad] for bad in shown if bad not in ("right", "no advice"))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
