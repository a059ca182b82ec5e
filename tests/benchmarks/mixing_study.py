"""How often the arrangement of two drive outputs is named right, on benches with known truth.

Run from the project's folder; it writes its table into docs/mixing.md:

    python tests/benchmarks/mixing_study.py --benches 2000 --write docs/mixing.md

Every bench draws an arrangement (what is swapped, reversed, mixed nowhere, once or twice), gains,
trims, deadband, noise, sample rate, frame period, delay, clipping, and how the sticks moved,
also in ways that cannot show the answer. The matrix that truth is told from never passes through
pwmscope: outputs are made frame by frame, and each piece of advice is applied to that matrix.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from pwmscope.advice import advise_mixing
from pwmscope.bench import PlanStep, StepSpan
from pwmscope.findings.mixing import (
    DriveLines,
    Mixing,
    OutputLine,
    StickLine,
    Throttle,
    examine_mixing,
)
from pwmscope.model import Verdict
from pwmscope.pulses import STANDARD_SERVO, PulseTable

Vector: TypeAlias = npt.NDArray[np.float64]
Hold: TypeAlias = tuple[float, float, tuple[float, float]]
MIXER = np.array([[1.0, 1.0], [1.0, -1.0]])
SWAP = np.array([[0.0, 1.0], [1.0, 0.0]])
BEGIN, END = "<!-- study -->", "<!-- end of study -->"
TRAVEL = Throttle()
DIRECTIONS = {
    "axes": [(1, 0), (-1, 0), (0, -1), (0, 1)],
    "eight ways": [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1)],
    "forward and right only": [(1, 0), (0, 1)],
    "forward alone": [(1, 0), (-1, 0), (1, 0)],
    "turn alone": [(0, 1), (0, -1), (0, 1)],
    "one diagonal": [(1, 1), (-1, -1), (1, 1)],
    "both diagonals": [(1, 1), (-1, -1), (1, -1), (-1, 1)],
}
MOVES = ("axes", "eight ways", "forward and right only", "wandering", "circles",
         "forward alone", "turn alone", "one diagonal", "both diagonals")  # fmt: skip
SHOWING = MOVES[:4]
"""Steady circles are not among them: behind a delay they look like a turned stick plane."""
CHANCES = np.array([0.22, 0.22, 0.12, 0.14, 0.14, 0.04, 0.04, 0.04, 0.04])
HANDS = 0.03
"""Standard deviation of where hands hold a stick, on both axes, in parts of its travel."""
KINDS = ("mixed", "unmixed", "mixed twice", "both outputs alike", "no known arrangement")


@dataclass(frozen=True)
class Bench:
    """One bench and what is true of it."""

    kind: str
    matrix: Vector
    moves: str
    recorded: bool
    shows: bool
    unequal: float
    tables: dict[str, PulseTable]
    lines: DriveLines
    spans: tuple[StepSpan, ...]


@dataclass(frozen=True)
class Outcome:
    """How one bench was judged."""

    kind: str
    moves: str
    name: str
    advice: str
    gains: str


def sticks_of(
    rng: np.random.Generator, moves: str, time_s: Vector, extent: float
) -> tuple[Vector, list[Hold]]:
    """Give stick positions over time, forward and turn, and where they were held."""
    if moves == "circles":
        turns, phase = rng.uniform(0.15, 0.4), rng.uniform(0, 2 * np.pi)
        angle = 2 * np.pi * turns * time_s + phase
        grows = np.minimum(time_s / 2.0, 1.0)[:, None]
        return extent * grows * np.stack([np.cos(angle), np.sin(angle)], axis=1), []
    if moves == "wandering":
        points = rng.uniform(-1, 1, (int(time_s[-1] / 0.4) + 2, 2))
        at = np.linspace(0, time_s[-1], len(points))
        return extent * np.stack([np.interp(time_s, at, column) for column in points.T], axis=1), []
    directions = DIRECTIONS[moves]
    step_s = time_s[-1] / (2 * len(directions) + 1)
    ramp_s = min(rng.uniform(0.05, 0.3), step_s / 3)
    at_s, position, holds = [0.0], [(0.0, 0.0)], [(0.0, step_s, (0.0, 0.0))]
    for number, direction in enumerate(directions):
        begin_s = step_s * (2 * number + 1)
        held = extent * np.array(direction) + rng.normal(0.0, HANDS, 2)
        at_s += [begin_s, begin_s + ramp_s, begin_s + step_s, begin_s + step_s + ramp_s]
        position += [(0.0, 0.0), tuple(held), tuple(held), (0.0, 0.0)]
        holds.append((begin_s + ramp_s, begin_s + step_s, direction))
        holds.append((begin_s + step_s + ramp_s, begin_s + 2 * step_s, (0.0, 0.0)))
    columns = np.array(position).T
    return np.stack([np.interp(time_s, at_s, column) for column in columns], axis=1), holds


def signed_swap(rng: np.random.Generator) -> Vector:
    """Draw one of the eight ways to swap and reverse two outputs."""
    signs = np.diag(rng.choice([-1.0, 1.0], 2))
    return signs @ (SWAP if rng.random() < 0.5 else np.eye(2))


def through(
    rng: np.random.Generator, kind: str, stick: Vector, deadband: float
) -> tuple[Vector, Vector, float]:
    """Give outputs in half travels with clipping, the linear matrix, and the gain mismatch."""
    clip = rng.choice([1.0, 1.0, 0.8])
    plugs = signed_swap(rng)
    unequal = rng.choice([0.0, 0.0, rng.uniform(0.06, 0.35)])
    gains = np.diag(rng.permutation([1.0, 1.0 - unequal]))
    if kind == "mixed twice":
        first, second = rng.choice([0.5, 0.7, 1.0]), rng.choice([0.5, 0.7, 1.0])
        inner = np.clip(first * stick @ MIXER, -1.0, 1.0)
        asked = second * inner @ MIXER.T @ plugs.T
        matrix = first * second * plugs @ MIXER @ MIXER
        unequal = 0.0
    else:
        shares = np.diag([rng.uniform(0.4, 1.0), rng.uniform(0.4, 1.0)])
        if kind == "mixed":
            if not 0.4 < shares[1, 1] / shares[0, 0] < 2.5:
                shares = 0.7 * np.eye(2)
            matrix = gains @ plugs @ MIXER @ shares
        elif kind == "unmixed":
            matrix, unequal = gains @ plugs @ shares, 0.0
        elif kind == "both outputs alike":
            row = (MIXER[rng.integers(2)], np.eye(2)[rng.integers(2)])[rng.integers(2)]
            matrix = np.outer(rng.choice([-1.0, 1.0], 2), row) * rng.uniform(0.5, 1.0)
        else:
            rows = [np.array([1.0, rng.choice([-1, 1]) * rng.uniform(0.5, 1)]),
                    np.eye(2)[rng.integers(2)]]  # fmt: skip
            matrix = np.array(rows)[rng.permutation(2)] * rng.uniform(0.5, 1.0)
        asked = stick @ matrix.T
    quiet = np.sign(asked) * np.maximum(np.abs(asked) - deadband, 0.0) / (1.0 - deadband)
    return np.clip(quiet, -clip, clip), matrix, unequal


def table(name: str, begin_us: Vector, width_us: Vector, rate_hz: float) -> PulseTable:
    """Make pulses as an analyser samples them: an edge is seen at the next sample."""
    interval_us = 1e6 / rate_hz
    rise_us = np.ceil(begin_us / interval_us) * interval_us
    fall_us = np.ceil((begin_us + np.clip(width_us, 760.0, 2240.0)) / interval_us) * interval_us
    return PulseTable(
        name, rise_us / 1e6, fall_us - rise_us, np.append(np.diff(rise_us), np.nan),
        np.zeros(len(begin_us), np.uint8), inverted=False, convention=STANDARD_SERVO,
        sample_interval_us=interval_us,
    )  # fmt: skip


def make_bench(seed: int) -> Bench:
    """Draw one bench."""
    rng = np.random.default_rng(seed)
    kind = str(rng.choice(KINDS, p=[0.4, 0.3, 0.18, 0.06, 0.06]))
    moves = str(rng.choice(MOVES, p=CHANCES))
    recorded = bool(moves in {"wandering", "circles"} or rng.random() < 0.6)
    period_us = rng.uniform(5e3, 30e3)
    rate_hz = float(rng.choice([1e6, 2e6, 4e6, 8e6, 12e6, 24e6]))
    frames = int(rng.uniform(8.0, 16.0) * 1e6 / period_us)
    noise_us, delay = rng.uniform(0.0, 5.0), int(rng.integers(0, 3))
    begin_us = 3e3 + period_us * np.arange(frames) + rng.normal(0.0, 2.0, frames)
    time_s = begin_us / 1e6
    extent = rng.uniform(0.4 if recorded else 0.8, 1.0)
    stick, holds = sticks_of(rng, moves, time_s, extent)
    deadband = rng.choice([0.0, rng.uniform(0.0, 0.05)])
    late = np.concatenate([np.repeat(stick[:1], delay, axis=0), stick[: frames - delay]])
    position, matrix, unequal = through(rng, kind, late, deadband)

    def line(name: str, late_us: float, trim_us: float, column: Vector) -> PulseTable:
        width_us = 1500.0 + trim_us + 500.0 * column + rng.normal(0.0, noise_us, frames)
        return table(name, begin_us + late_us, width_us, rate_hz)

    tables = {
        name: line(name, 2.4 * at, rng.uniform(-30.0, 30.0), position[:, at])
        for at, name in enumerate(("left", "right"))
    }
    sticks: tuple[StickLine, ...] = ()
    if recorded:
        early_us = rng.uniform(-3e3, -2e3)
        sticks = (
            StickLine("elevator", "elevator", TRAVEL),
            StickLine("aileron", "aileron", TRAVEL),
        )
        for at, stick_line in enumerate(sticks):
            name = stick_line.line
            tables[name] = line(name, early_us + 3.1 * at, 0.0, stick[:, at])
    spans = tuple(
        StepSpan(
            PlanStep(f"step {n}", end_s - begin_s, {"elevator": f, "aileron": t}), begin_s, end_s
        )
        for n, (begin_s, end_s, (f, t)) in enumerate(holds)
    )
    lines = DriveLines(
        (OutputLine("left", "left", TRAVEL), OutputLine("right", "right", TRAVEL)), sticks
    )
    shows = moves in SHOWING
    return Bench(
        kind, matrix, moves, recorded, shows, unequal, tables, lines, () if recorded else spans
    )


def judge(bench: Bench) -> Outcome:
    """Examine a bench and hold the answer against its truth."""
    mixing = examine_mixing(bench.tables, bench.lines, spans=bench.spans)
    found = mixing.arrangement
    if found.name is None:
        name = "not shown" if bench.shows else "rightly not shown"
        return Outcome(bench.kind, bench.moves, name, "none", "none")
    kinds = {str(found.kind)} | ({"mixed twice"} if "mixed twice" in found.also else set())
    right = bench.kind in kinds
    if found.pattern is not None:
        size = np.abs(bench.matrix)
        signs = np.sign(bench.matrix * (size > 0.1 * size.max()))
        right &= np.array_equal(signs, found.pattern)
    return Outcome(
        bench.kind,
        bench.moves,
        "right" if right else "wrong",
        _advice(bench, mixing),
        _gains(bench, mixing),
    )


def _advice(bench: Bench, mixing: Mixing) -> str:
    """Apply each advised set of changes to the true matrix."""
    needed = [way for way in advise_mixing(mixing) if way.needed]
    for way in needed:
        made = bench.matrix
        for change in way.changes:
            made = change.at_outputs @ made @ change.at_sticks
        if not np.array_equal(np.sign(made), MIXER):
            return "wrong"
    if needed:
        return "right"
    wanted = np.array_equal(np.sign(bench.matrix), MIXER)
    return "none" if wanted or bench.kind in KINDS[3:] else "missing"


def _gains(bench: Bench, mixing: Mixing) -> str:
    found = next(f for f in mixing.findings if f.name == "gain balance")
    if bench.kind != "mixed" or not found.limit:
        return "none"
    if found.verdict is Verdict.NOT_SHOWN:
        return "not shown"
    return "right" if (found.verdict is Verdict.MEETS) == (bench.unequal == 0.0) else "wrong"


def run(count: int, first_seed: int = 0) -> list[Outcome]:
    """Judge that many benches."""
    return [judge(make_bench(first_seed + at)) for at in range(count)]


def summary(outcomes: list[Outcome]) -> list[str]:
    """Write the lines of a Markdown table, and the sentence before it."""
    names = Counter(outcome.name for outcome in outcomes)
    able = len(outcomes) - names["rightly not shown"]
    share = 100.0 * names["right"] / able
    unable = names["rightly not shown"]
    lines = [
        f"{len(outcomes)} benches. {unable} cannot show the answer (a stick that never moved, "
        "sticks that moved together or only to the corners, steady circles) and were told so. Of "
        f"the other {able}, {names['right']} were named right ({share:.2f} %), "
        f"{names['not shown']} were not shown, and **{names['wrong']} named wrong**. "
        "Advice, tried on the true matrix: "
        f"{sum(o.advice == 'right' for o in outcomes)} times it gives the wanted mix, "
        f"{sum(o.advice == 'wrong' for o in outcomes)} times it does not, and "
        f"{sum(o.advice == 'missing' for o in outcomes)} times none could be proven. Gain balance: "
        f"{sum(o.gains == 'right' for o in outcomes)} right, "
        f"{sum(o.gains == 'not shown' for o in outcomes)} not shown, "
        f"{sum(o.gains == 'wrong' for o in outcomes)} wrong.",
        "",
        "| arrangement | sticks moved | benches | right | not shown | wrong |",
        "|---|---|---|---|---|---|",
    ]
    for kind in KINDS:
        for moves in MOVES:
            of = [o.name for o in outcomes if (o.kind, o.moves) == (kind, moves)]
            if of:
                blank = of.count("not shown") + of.count("rightly not shown")
                lines.append(
                    f"| {kind} | {moves} | {len(of)} | {of.count('right')} | {blank} | "
                    f"{of.count('wrong')} |"
                )
    return lines


def write_table(path: Path, outcomes: list[Outcome], command: str) -> None:
    """Put the table between its markers in a page."""
    text = path.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    body = "\n".join(["", f"Made by `{command}`.", "", *summary(outcomes), ""])
    path.write_text(f"{before}{BEGIN}{body}{END}{after}", encoding="utf-8")


def main() -> None:
    """Run the study and print or write its table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--benches", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0, help="seed of the first bench")
    parser.add_argument("--write", type=Path, help="page that holds the table between its markers")
    options = parser.parse_args()
    begin_s = time.perf_counter()
    outcomes = run(options.benches, options.seed)
    print("\n".join(summary(outcomes)))
    print(f"{time.perf_counter() - begin_s:.0f} s")
    if options.write is not None:
        command = (
            f"python tests/benchmarks/mixing_study.py --benches {options.benches} "
            f"--write {options.write}"
        )
        write_table(options.write, outcomes, command)


if __name__ == "__main__":
    main()
