"""The pictures of a bench as a whole: what is drawn when, and with which numbers."""

from xml.etree import ElementTree

import pytest

import pwmscope
from pwmscope.bench import load_sheet, parse_sheet
from pwmscope.plot import bench_pictures, draw_frames


def findings_of(name, **hints):
    return pwmscope.examine(pwmscope.load(f"captures/{name}", **hints))


def words(picture):
    tree = ElementTree.fromstring(picture.svg)
    return [text.text for text in tree.iter("{http://www.w3.org/2000/svg}text")]


@pytest.fixture(scope="module")
def serial():
    """Four outputs, one after the other, 2300 us apart (captures/README.md)."""
    return findings_of("noisy-link.csv.gz", rate=500_000)


def test_a_frame_shows_which_pulse_starts_when(serial):
    (picture,) = draw_frames(serial)
    assert {"RX1", "RX2", "RX3", "RX4", "1002 us", "4000"} <= set(words(picture))
    for start in ("RX1 starts 0.0 us", "RX2 starts 2300.0 us", "RX4 starts 6900.0 us"):
        assert start in picture.alt
    assert "left out" in picture.caption
    assert "RX3 starts 4600.0 us after and is 1002 us wide" in picture.alt
    assert "A frame comes every 20.000 ms." in picture.caption


def test_without_a_sheet_only_the_frame_is_drawn(serial):
    assert [picture.name for picture in bench_pictures(serial)] == ["frame-1"]


def test_with_one_the_wiring_is(serial):
    pictures = bench_pictures(serial, load_sheet("captures/bench.toml"))
    assert [picture.name for picture in pictures] == ["frame-1", "wiring"]
    assert pictures[1].alt.startswith("Exactly one source powers the receiver")


def test_a_sheet_that_states_no_power_draws_no_wiring(serial):
    sheet = parse_sheet('[channels.RX1]\nrole = "servo"')
    assert [picture.name for picture in bench_pictures(serial, sheet)] == ["frame-1"]


def test_drive_outputs_and_sticks_show_where_the_robot_would_go():
    found = findings_of("unmixed-drive.csv.gz")
    pictures = bench_pictures(found, load_sheet("captures/unmixed-drive.toml"))
    assert [picture.name for picture in pictures] == ["frame-1", "drive-path", "sticks"]
    assert "turns 134° right" in words(pictures[1])


def test_one_line_alone_has_no_frame_to_show():
    found = findings_of("clean-sweep.csv", lines="RX1")
    assert bench_pictures(found) == ()
