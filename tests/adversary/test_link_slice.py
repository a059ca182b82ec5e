"""A fixed slice of the study of link records: the channel map is right, and never wrong."""

from collections import Counter

import pytest

from tests.adversary.link_study import study


@pytest.fixture(scope="module")
def told():
    return study(200, 500_000)


@pytest.fixture(scope="module")
def afresh():
    return study(200, 700_000, maker=2)


def test_the_map_is_right_in_most_records_and_wrong_in_none(told):
    by_mishap, _other, bad = told
    assert not bad
    assert sum(by_mishap.values(), Counter())["right"] >= 130


def test_late_and_sloppy_hands_alone_are_seldom_refused(told):
    plain = told[0]["none"]
    assert plain["refused"] <= 0.02 * plain.total()
    assert plain["right"] >= 0.8 * plain.total()


def test_the_other_memory_is_never_judged_falsely(told):
    other = told[1]
    assert other["FALSE"] == 0
    assert other["true"] >= 110


def test_another_makers_records_give_no_wrong_map_but_of_sticks_exchanged_in_every_step(afresh):
    by_mishap, other, bad = afresh
    assert {mishap for _seed, mishap, *_ in bad} <= {"throughout"}
    assert other["FALSE"] == 0
    assert by_mishap["none"]["right"] >= 0.85 * by_mishap["none"].total()
    assert by_mishap["none"]["refused"] <= 0.04 * by_mishap["none"].total()


def test_an_exchange_of_two_controls_gives_no_map(afresh):
    for mishap in ("order", "hand"):
        assert not afresh[0][mishap]["wrong"], mishap
        assert afresh[0][mishap]["refused"] >= 0.9 * afresh[0][mishap].total()
