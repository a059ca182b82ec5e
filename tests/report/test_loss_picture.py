"""The picture of a failsafe check: what stands in it, and that hostile names stay words."""

import dataclasses
from xml.etree import ElementTree

import pytest

import pwmscope
from pwmscope.bench import load_sheet
from pwmscope.findings.failsafe import check_failsafe, listen_to
from pwmscope.plot import MAX_LOSSES, failsafe_figure, house_style, to_svg

SHEET = load_sheet("captures/bench.toml")


def drawn(capture, sheet=SHEET):
    heard = listen_to(capture, sheet=sheet)
    with house_style():
        figure = failsafe_figure(check_failsafe([heard], sheet, heard.reference.limits))
        return None if figure is None else to_svg(figure)


def words(picture):
    tree = ElementTree.fromstring(picture)
    return [text.text for text in tree.iter("{http://www.w3.org/2000/svg}text")]


@pytest.fixture(scope="module")
def preset():
    return pwmscope.load("captures/preset.csv.gz")


def test_it_names_limit_loss_stop_range_and_verdicts(preset):
    said = words(drawn(preset))
    for expected in (
        "lost",
        "limit 2 s",
        "on again",
        "not shown: goes to preset",
        "does not meet: holds last",
        "RX3 (weapon, weapon ESC, turns one way); shaded: stop range 980 to 1020 us",
        "s since the loss at 6.204 s",
    ):
        assert expected in said


def test_silence_is_drawn_as_such():
    assert "silent" in words(drawn(pwmscope.load("captures/pulses-stop.csv.gz")))


def test_of_many_losses_those_that_govern_are_drawn():
    said = words(drawn(pwmscope.load("captures/drill.csv.gz")))
    titles = [word for word in said if word.startswith("s since the loss")]
    assert len(titles) == MAX_LOSSES
    assert "s since the loss at 66.584 s" in titles  # the slowest


def test_a_recording_without_a_loss_has_no_picture():
    assert drawn(pwmscope.load("captures/clean-sweep.csv"), sheet=None) is None


def test_hostile_names_stay_words(preset):
    line = preset.lines["RX1"]
    name = "<script>alert(1)</script>"
    lines = {name: dataclasses.replace(line, name=name), "tx-on": preset.lines["tx-on"]}
    picture = drawn(
        dataclasses.replace(preset, lines=lines), dataclasses.replace(SHEET, channels={})
    )
    assert "<script" not in picture
    assert any(word.startswith("<script>") for word in words(picture))
