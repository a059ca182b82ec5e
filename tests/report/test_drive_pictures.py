"""Paths from above and stick traces: what is drawn is what was worked out, and told in words."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from pwmscope.advice import DrivePath, Hands
from pwmscope.bench import PlanStep, StepSpan
from pwmscope.plot import draw_drive_path
from pwmscope.plot.paths import STICKS, draw_sticks

SVG = "{http://www.w3.org/2000/svg}"


def words(picture):
    root = ET.fromstring(picture.svg)
    return ["".join(text.itertext()).strip() for text in root.iter(f"{SVG}text")]


def arc(name, turn_deg, length_m=0.5):
    turn = np.linspace(0.0, math.radians(turn_deg), 30)
    step = length_m / 29
    x = np.concatenate([[0.0], np.cumsum(step * np.cos(turn[:-1]))])
    y = np.concatenate([[0.0], np.cumsum(step * np.sin(turn[:-1]))])
    return DrivePath(name, np.column_stack([x, y, turn]), 1.0)


def spin(name, turn_deg):
    turn = np.linspace(0.0, math.radians(turn_deg), 30)
    return DrivePath(name, np.column_stack([0 * turn, 0 * turn, turn]), 1.0)


BEFORE = (arc("forward", -90.0), arc("back", 45.0), arc("left", -170.0), arc("right", 170.0))
AFTER = (arc("forward", 0.0), arc("back", 0.0), spin("left", 400.0), spin("right", -400.0))


def inside(svg):
    """Every place that a line or mark of a drawing stands at."""
    points = [
        each for data in re.findall(r'd="M([^"]+)" fill="none"', svg) for each in data.split("L")
    ]
    return np.array([p.split() for p in points if re.fullmatch(r"[\d.-]+ [\d.-]+", p)], float)


def test_every_step_is_named_and_told_before_and_after():
    picture = draw_drive_path(BEFORE, AFTER, change="turn mixing on")
    told = words(picture)
    assert picture.name == "drive-path"
    assert [tile.title for tile in picture.tiles][:4] == [
        "forward, now", "forward, after", "back, now", "back, after",
    ]  # fmt: skip
    assert {"forward, now", "right, after", "turns 90° right", "straight, 0.50 m"} <= set(told)
    assert "turns 400° left" in told
    assert "on the spot" in told
    assert "After: turn mixing on." in picture.caption
    assert "left out" in picture.caption
    assert "After: forward: 0.50 m ahead" in picture.alt
    assert "(turn mixing on)" not in picture.alt
    assert draw_drive_path(BEFORE, AFTER, change="turn mixing on").svg == picture.svg


def test_all_tiles_have_one_scale_and_hold_their_path():
    picture = draw_drive_path(BEFORE, AFTER)
    assert len({tile.size for tile in picture.tiles}) == 1
    for tile in picture.tiles:
        place = inside(tile.svg)
        assert place.size
        assert place.min() >= 0.0
        assert place.max() <= tile.size[0]


def test_ahead_is_up_and_left_is_left_and_the_square_is_as_wide_as_it_says():
    path = arc("left ahead", 60.0)
    picture = draw_drive_path((path,))
    (tile,) = picture.tiles
    place = inside(tile.svg)
    wide_m = float(re.search(r"square is ([\d.]+) m wide", picture.caption)[1])
    per_m = tile.size[0] / wide_m
    middle = tile.size[0] / 2.0
    np.testing.assert_allclose((middle - place[:, 0]) / per_m, path.pose[:, 1], atol=0.03)
    np.testing.assert_allclose((middle - place[:, 1]) / per_m, path.pose[:, 0], atol=0.03)


def test_a_robot_that_stands_still_is_drawn():
    told = words(draw_drive_path((spin("rest", 0.0),)))
    assert "stands still" in told


def hands(*axes):
    time_s = np.linspace(0.0, 4.0, 401)
    place = np.where(time_s < 1.0, 0.0, np.where(time_s < 2.0, 0.8, -0.6))
    return Hands(time_s, dict.fromkeys(axes, place))


def span(name, start_s, end_s):
    return StepSpan(PlanStep(name, end_s - start_s, {}), start_s, end_s)


@pytest.mark.parametrize("mode", [1, 2])
def test_the_axes_stand_on_the_sticks_of_the_mode(mode):
    """Common practice: throttle is left in mode 2 and right in mode 1; rudder is always left."""
    picture = draw_sticks(hands("aileron", "elevator", "throttle", "rudder"), mode=mode)
    (left_side, left_up), (right_side, right_up) = STICKS[mode]
    assert (left_side, right_side) == ("rudder", "aileron")
    assert (left_up, right_up) == (
        ("elevator", "throttle") if mode == 1 else ("throttle", "elevator")
    )
    for tile, name, up in zip(picture.tiles, ("left", "right"), (left_up, right_up), strict=True):
        assert tile.title == f"{name} stick"
        assert f"{up} " in tile.svg
    assert f"Mode {mode}" in picture.caption


def test_dots_stand_where_the_sticks_were_held():
    steps = (span("rest", 0.1, 0.9), span("forward", 1.1, 1.9), span("back", 2.1, 3.9))
    picture = draw_sticks(hands("elevator"), steps=steps)
    left, right = picture.tiles
    assert "not recorded" in left.svg
    assert "aileron not recorded" in right.svg
    assert right.alt == "Right stick: aileron not recorded, elevator from -0.60 to +0.80."
    dots = re.findall(r'cx="95" cy="(\d+)" r="3"', right.svg)
    heights = [round((93 - int(y)) / 75, 1) for y in dots]
    assert heights == [0.0, 0.8, -0.6]
    assert "left out" in picture.caption


def test_a_long_trace_keeps_its_extremes():
    time_s = np.linspace(0.0, 100.0, 50_001)
    place = 0.5 * np.sin(time_s)
    place[31_234] = 0.97
    _, right = draw_sticks(Hands(time_s, {"elevator": place, "aileron": 0.0 * place})).tiles
    trace = inside(right.svg)
    assert 100 < len(trace) < 5_000
    assert trace[:, 1].min() == pytest.approx(93 - 75 * 0.97, abs=0.1)
