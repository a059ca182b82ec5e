"""A fixed slice of the study of link records: the channel map is right, and never wrong."""

from collections import Counter

import pytest

from tests.adversary.link_study import study


@pytest.fixture(scope="module")
def told():
    by_mishap, other, bad = study(700, 500_000)
    return by_mishap, other, bad


def test_the_map_is_right_in_most_records_and_wrong_in_none(told):
    by_mishap, _other, bad = told
    assert not bad
    assert sum(by_mishap.values(), Counter())["right"] >= 450


def test_late_and_sloppy_hands_alone_are_seldom_refused(told):
    plain = told[0]["none"]
    assert plain["refused"] <= 0.02 * plain.total()
    assert plain["right"] >= 0.8 * plain.total()


def test_the_other_memory_is_never_judged_falsely(told):
    other = told[1]
    assert other["FALSE"] == 0
    assert other["true"] >= 350
