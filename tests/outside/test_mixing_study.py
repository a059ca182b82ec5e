"""Many benches of which the truth is known: none is named wrong.

Source: benches drawn at random (noise to 5 us, 1 to 24 MS/s, frames of 5 to 30 ms, gains, trims,
deadbands, delays, clipping, sticks moved in nine ways) whose outputs are made outside of
pwmscope, from a matrix; see tests/benchmarks/mixing_study.py, which makes docs/mixing.md's table.
"""

import importlib.util
import sys
from pathlib import Path

import pytest

PLACE = Path(__file__).parents[1] / "benchmarks" / "mixing_study.py"


@pytest.fixture(scope="module")
def outcomes():
    spec = importlib.util.spec_from_file_location("mixing_study", PLACE)
    study = importlib.util.module_from_spec(spec)
    sys.modules["mixing_study"] = study
    spec.loader.exec_module(study)
    return study.run(60, first_seed=7_000_000)


def test_none_is_named_wrong(outcomes):
    assert [outcome for outcome in outcomes if outcome.name == "wrong"] == []


def test_nearly_all_that_can_be_shown_are_named(outcomes):
    names = [outcome.name for outcome in outcomes]
    assert names.count("right") >= 35
    assert names.count("not shown") <= 1


def test_no_advice_and_no_balance_is_wrong(outcomes):
    assert {"wrong"} & {outcome.advice for outcome in outcomes} == set()
    assert {"wrong"} & {outcome.gains for outcome in outcomes} == set()
