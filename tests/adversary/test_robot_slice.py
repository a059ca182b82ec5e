"""A fixed slice of the study of robots as built; the whole study is the command `robot_study.py`.

Given these robots, dirty hands, slow transmitters and late receivers, no device that is commanded
to run meets, nobody is told to mix twice, and every leap is told.
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary.robot_bench import Bench, Device, Hands, Output, Receiver, Step, Transmitter, record
from adversary.robot_study import report, run

SLICES = {"layout": (3, 5), "boot": (1, 3, 7, 717), "late": (2,)}


@cache
def rows_of(kind: str) -> list[dict[str, Any]]:
    return [run(kind, seed) for seed in SLICES[kind]]


@pytest.mark.parametrize("kind", SLICES)
def test_no_robot_is_answered_wrongly(kind: str) -> None:
    found = report(rows_of(kind))
    wrong = ("false meets, lines", "false meets of the whole", "mix twice, lines", "mixing wrong")
    assert {key: found[key] for key in wrong} == dict.fromkeys(wrong, 0)
    assert not any(row["refused"] for row in rows_of(kind))


def test_every_leap_of_a_slow_transmitter_is_told() -> None:
    rows = rows_of("boot")
    assert sum(len(row["leaps"]) for row in rows) >= 6
    assert [row["leaps untold"] for row in rows] == [[]] * len(rows)


def test_some_robots_are_answered() -> None:
    found = report([*rows_of("layout"), *rows_of("late")])
    assert found["safe: meets"] >= 4
    assert found["unsafe: does not meet"] >= 1


# --- the bench itself, against cases worked out by hand ---

STEPS = [Step(2.0), Step(2.0, targets={"throttle": 1.0}), Step(4.0, on=False), Step(3.0)]
WEAPON = Device((900.0, 1100.0), runs_on_s=0.0)


def bench(**changes: Any) -> Bench:
    output = Output((("throttle", 1.0),), preset_us=1000.0, **changes)
    return Bench(
        {"one": Receiver({"RX3": output}, 0.02)}, Transmitter((0.5,), 0.0), {"RX3": WEAPON}, 2.0
    )


def test_the_bench_knows_what_runs_after_the_limit() -> None:
    assert record(bench(), STEPS, Hands()).unsafe == {}
    held = record(bench(on_loss="hold"), STEPS, Hands())
    (said,) = held.unsafe["RX3"]
    # Off for 4 s, a boot of 0.5 s and 0.1 s until packets are taken; the limit is 2 s.
    assert float(said.split(": ")[1].split()[0]) == pytest.approx(2.6, abs=0.03)
    late = record(bench(react_s=2.4), STEPS, Hands())
    assert float(late.unsafe["RX3"][0].split(": ")[1].split()[0]) == pytest.approx(0.4, abs=0.03)


def test_a_kill_channel_stops_what_it_guards_and_no_longer() -> None:
    kill = Output((("RX5", 1.0),), preset_us=1000.0, react_s=0.4)
    weapon = Output((("throttle", 1.0),), on_loss="hold")
    steps = [Step(s.seconds, s.on, {**s.targets, "RX5": 1.0}) for s in STEPS]
    for back_s, over in ((0.1, False), (1.1, True)):
        made = Bench(
            {"one": Receiver({"RX5": kill}, 0.02),
             "two": Receiver({"RX3": weapon}, 0.014, back_s=(back_s,))},
            Transmitter((0.5,), 0.0),
            {"RX3": WEAPON, "RX5": Device((900.0, 1200.0), guards=("RX3",), is_motor=False)},
        )  # fmt: skip
        assert bool(record(made, [*steps[:3], Step(3.0, targets={"throttle": 1.0, "RX5": 1.0})],
                           Hands()).unsafe) is over  # fmt: skip


def test_widths_that_a_transmitter_sends_first_are_leaps() -> None:
    made = bench()
    first = Transmitter((0.5,), 0.0, "start-up", 1.0, {"throttle": 0.5})
    take = record(Bench(made.receivers, first, made.devices), STEPS, Hands())
    ((line, at_s),) = take.leaps
    assert line == "RX3"
    assert at_s == pytest.approx(8.6, abs=0.05)
    assert np.diff(take.edges["RX3"][0]).min() > 0
