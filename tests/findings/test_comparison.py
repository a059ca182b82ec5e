"""Findings side by side: what differs by more than its uncertainty, and what does not."""

import dataclasses
from types import SimpleNamespace

import pytest

import pwmscope
from pwmscope.errors import HintError
from pwmscope.findings.comparison import compare, differ
from pwmscope.model import measured, not_shown
from pwmscope.synth import Channel, Dwell, Frame, Script, Width, build


def receiver(seed, neutral_us=1500.0, jitter_us=0.5, name="RX1", period_us=20_000):
    frame = Frame(period_us, first_frame_us=4_321, jitter_us=1.0)
    moves = (Dwell(neutral_us, 8),)
    script = Script(8, 1_000_000, seed, frame, (Channel(name, moves),), width=Width(jitter_us))
    return pwmscope.examine(dataclasses.replace(build(script).capture, source=f"{seed}.csv"))


def row(comparison, name):
    return next(row for row in comparison.rows if row.name == name)


def test_the_same_receiver_twice_differs_in_nothing_that_has_an_uncertainty():
    found = compare([receiver(1), receiver(2)])
    assert found.sources == ("1.csv", "2.csv")
    assert row(found, "neutral").differs == (None, False)
    assert row(found, "frame period").differs == (None, False)
    assert row(found, "width jitter").differs == (None, False)


def test_a_trim_between_two_recordings_is_seen():
    found = compare([receiver(1), receiver(2, neutral_us=1504.0), receiver(3)])
    assert row(found, "neutral").differs == (None, True, False)
    assert row(found, "neutral").is_different


def test_another_receiver_with_more_jitter_is_told_apart():
    found = compare([receiver(1), receiver(2, jitter_us=2.0, period_us=14_000)])
    assert row(found, "width jitter").is_different
    assert row(found, "frame period").is_different


def test_lines_of_one_recording_only_are_left_out():
    both = receiver(1)
    more = dataclasses.replace(both, channels={**both.channels, "RX7": both.channels["RX1"]})
    assert compare([both, more]).lines == ("RX1",)


def test_recordings_without_a_line_in_common_are_refused():
    with pytest.raises(HintError, match=r"1.csv has RX1; 2.csv has out1"):
        compare([receiver(1), receiver(2, name="out1")])


def test_one_recording_alone_is_refused():
    with pytest.raises(HintError, match="two or more"):
        compare([receiver(1)])


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        ({"value": 101.40, "uncertainty": 0.5}, False),  # sqrt(1 + 1) = 1.4142 on either side
        ({"value": 101.42, "uncertainty": 0.5}, True),
        ({"value": 98.59, "uncertainty": 0.5}, False),
        ({"value": 98.57, "uncertainty": 0.5}, True),
        ({"value": 103.9, "interval": (101.0, 104.0)}, True),  # 3.9 > sqrt(1 + 2.9^2) = 3.07
        ({"value": 103.0, "interval": (100.0, 104.0)}, False),  # 3 < sqrt(1 + 3^2) = 3.16
        ({"value": 100.0}, False),
        ({"value": 100.1}, None),
    ],
)
def test_the_distance_is_held_against_both_halves_that_face_each_other(second, expected):
    """Worked by hand by JCGM 100, 5.1.2, with k = 2."""
    first = measured("x", 100.0, "us", "", uncertainty=0.5)
    value = second.pop("value")
    assert differ(first, measured("x", value, "us", "", **second)) is expected


def test_texts_differ_where_they_are_not_the_same_and_nothing_where_one_is_not_shown():
    one, two = (measured("x", text, "", "") for text in ("holds last", "pulses stop"))
    assert differ(one, one) is False
    assert differ(one, two) is True
    assert differ(one, not_shown("x", "", "No loss.")) is None
    assert differ(one, None) is None


def bound(high_us, low_us=0.0):
    said = f"at most {high_us:g} us"
    return measured("period jitter", said, "", "", interval=(low_us, high_us))


def test_two_bounds_do_not_differ_and_a_figure_does_that_lies_beyond_one():
    assert differ(bound(0.0114), bound(0.0106)) is False
    figure = measured("period jitter", 0.5, "us", "", interval=(0.4, 0.6))
    assert differ(bound(0.0114), figure) is True
    assert differ(figure, bound(0.45)) is False


def test_how_often_the_signal_was_lost_is_no_difference_of_receivers():
    told = [
        SimpleNamespace(
            capture=SimpleNamespace(source=f"{value}.csv"),
            servo={"RX1": SimpleNamespace(findings=(measured("recovery", value, "", ""),))},
            sensors={},
        )
        for value in ("3 jumps", "10 jumps", "no jump")
    ]
    assert row(compare(told), "recovery").differs == (None, False, True)
