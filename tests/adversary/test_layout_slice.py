"""A fixed slice of the layout study; the whole study is the command `layout_study.py`.

Given these robots as built, mixing and failsafe are right or not shown, nobody is told to mix
twice, and no entry of the sheet scores better by being taken away.
"""

from __future__ import annotations

import sys
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary.layout_study import Layout, Told, ask, draft, judge, wrong

SLICE = range(16)
ORDER = ("does not meet", "not shown", "meets")


@cache
def told_of(seed: int) -> tuple[Layout, Told]:
    layout = draft(seed)
    return layout, ask(layout)


def test_no_answer_is_wrong() -> None:
    total: Counter[str] = Counter()
    for seed in SLICE:
        total += judge(*told_of(seed))
    assert wrong(total) == {}
    assert total["safe: meets"] > 5
    assert total["unsafe: does not meet"] > 5
    assert sum(n for key, n in total.items() if key.startswith("drive") and "meet" in key) > 5


def guarded() -> list[int]:
    """Robots whose weapon is safe by its kill channel alone."""
    found = []
    for seed in range(200):
        layout = draft(seed)
        for channel in layout.channels.values():
            for line in channel.sheet.get("guards", []):  # type: ignore[attr-defined]
                weapon = layout.channels[line]
                if channel.is_safe and channel.loss == "preset" and weapon.loss == "hold":
                    found.append(seed)
    return found[:4]


@pytest.mark.parametrize("seed", guarded())
def test_a_kill_channel_stops_what_it_guards_and_never_harms_by_its_absence(seed: int) -> None:
    layout, told = told_of(seed)
    kill = next(name for name, c in layout.channels.items() if c.sheet["role"] == "kill")
    (weapon,) = layout.channels[kill].sheet["guards"]  # type: ignore[misc]
    assert told.lines[weapon] == told.lines[kill]
    without = ask(layout, without=kill)
    assert ORDER.index(without.lines[weapon]) <= ORDER.index(told.lines[weapon])
    assert without.lines[weapon] != "meets"
    assert without.lines[kill] == "not shown"
