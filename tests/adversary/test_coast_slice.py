"""A fixed slice of the study of coast-downs: intervals hold, and no limit is met that was not."""

import pytest

from tests.adversary.coast_study import study


@pytest.fixture(scope="module")
def told():
    return study(2000, 11)


def test_the_intervals_cover_what_they_say(told):
    counts, _ = told
    assert counts["told"] >= 1990
    assert 0.93 <= counts["covered"] / counts["told"] <= 0.98
    for law in ("coulomb", "viscous", "aerodynamic"):
        assert counts[f"{law} covered"] / counts[law] >= 0.9


def test_the_upper_bound_is_seldom_early(told):
    counts, worst_early = told
    assert counts["early"] / counts["told"] <= 0.025
    assert worst_early < 1.0


def test_no_limit_is_met_that_was_broken_by_more_than_a_mark(told):
    counts, _ = told
    assert counts["false meets beyond a mark"] == 0
    assert counts["false failures"] == 0
    # Limits are drawn near the truth, so that all three verdicts are given.
    assert min(counts["meets"], counts["does not meet"], counts["not shown"]) > 100
