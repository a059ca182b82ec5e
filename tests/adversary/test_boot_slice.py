"""A fixed slice of the boot study; the whole study is the command `boot_study.py`.

Given these boots, in each of which a device runs before a hand commands it, no line of such a
device may meet unless a hazard tells its run. `HOLDS` names some kinds of which
that is true today.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary import boot_study
from adversary.boot_bench import record
from adversary.boot_safe import SAFE, TWINS, draw, twin_of

HOLDS = (
    "runs until link",
    "runs from switch",
    "leaps at link",
    "both drives",
    "stale trims",
    "half mixed",
    "silent presets link",
    "silent rest presets",
    "weapon before sticks",
    "others held",
    "every boot",
    "short boot",
    "switched twice",
    "kill gives power",
    "runs and returns",
    "reaches and returns",
    "ramps",
    "no marker",
    "no marker until link",
    "startup widths twice",
    "servo decoy",
    "servo wakes late",
    "leaps before link",
    "leaps after link",
    "one witness",
    "held at same width",
)


@pytest.mark.parametrize("kind", HOLDS)
def test_a_run_in_the_boot_never_meets_untold(kind: str, tmp_path: Path) -> None:
    (row,) = boot_study.study([kind], range(40, 41), tmp_path)
    assert any(one["unsafe"] for one in row["lines"])
    assert not boot_study.false_meets(row), row


def test_a_plain_safe_boot_meets(tmp_path: Path) -> None:
    (row,) = boot_study.study(["safe preset"], range(4, 5), tmp_path)
    assert [one["verdict"] for one in row["lines"]] == ["meets"] * 3


@pytest.mark.parametrize("kind", TWINS)
def test_a_twin_is_safe_and_its_edges_are_the_same(kind: str) -> None:
    bench = draw(kind, 3)
    one, other = record(bench), record(twin_of(bench))
    assert any(truth.unsafe for truth in one.truths)
    assert not any(truth.unsafe for truth in other.truths)
    for mine, its in zip(one.edges, other.edges, strict=True):
        assert np.array_equal(mine, its)


@pytest.mark.parametrize("kind", SAFE)
def test_in_a_safe_kind_no_device_runs(kind: str) -> None:
    assert not any(truth.unsafe for truth in record(draw(kind, 0)).truths)
