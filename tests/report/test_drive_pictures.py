"""Paths from above and stick traces: what is drawn is what was worked out, and told in words."""

import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from matplotlib.axes import Axes

from pwmscope.advice.drive import Hands, Path
from pwmscope.bench import PlanStep, StepSpan
from pwmscope.plot import draw_drive_path
from pwmscope.plot.sticks import STICKS, draw_sticks

SVG = "{http://www.w3.org/2000/svg}"


def words(picture):
    root = ET.fromstring(picture.svg)
    return ["".join(text.itertext()).strip() for text in root.iter(f"{SVG}text")]


def arc(name, turn_deg, length_m=0.5):
    turn = np.linspace(0.0, math.radians(turn_deg), 30)
    step = length_m / 29
    x = np.concatenate([[0.0], np.cumsum(step * np.cos(turn[:-1]))])
    y = np.concatenate([[0.0], np.cumsum(step * np.sin(turn[:-1]))])
    return Path(name, np.column_stack([x, y, turn]), 1.0)


def spin(name, turn_deg):
    turn = np.linspace(0.0, math.radians(turn_deg), 30)
    return Path(name, np.column_stack([0 * turn, 0 * turn, turn]), 1.0)


BEFORE = (arc("forward", -90.0), arc("back", 45.0), arc("left", -170.0), arc("right", 170.0))
AFTER = (arc("forward", 0.0), arc("back", 0.0), spin("left", 400.0), spin("right", -400.0))


@pytest.fixture
def drawn(monkeypatch):
    """What is plotted, and within which limits."""
    kept = []
    plot = Axes.plot

    def watched(self, *args, **style):
        kept.append((self, args, style))
        return plot(self, *args, **style)

    monkeypatch.setattr(Axes, "plot", watched)
    return kept


def test_every_step_is_named_and_told_before_and_after():
    picture = draw_drive_path(BEFORE, AFTER, change="turn mixing on")
    told = words(picture)
    assert picture.name == "drive-path"
    assert told.count("forward") == told.count("right") == 2
    assert "before" in told
    assert "after: turn mixing on" in told
    assert "turns 90° right" in told
    assert "straight, 0.50 m" in told
    assert "turns 400° left" in told
    assert "on the spot" in told
    assert told.count("start") == 1
    assert any(text.endswith("m, in every panel") for text in told)
    assert "After the change (turn mixing on): forward: 0.50 m ahead" in picture.alt
    assert draw_drive_path(BEFORE, AFTER, change="turn mixing on").svg == picture.svg


def test_all_panels_have_one_scale_and_hold_their_path(drawn):
    draw_drive_path(BEFORE, AFTER)
    panels = {id(axes): axes for axes, _, _ in drawn}.values()
    assert len(panels) == 8
    sides = {
        round(float(np.ptp(limits)), 9) for a in panels for limits in (a.get_xlim(), a.get_ylim())
    }
    assert len(sides) == 1
    for axes, args, _ in drawn:
        for values, (low, high) in zip(args, (axes.get_xlim(), axes.get_ylim()), strict=True):
            assert low <= np.min(values)
            assert np.max(values) <= high


def test_ahead_is_up_and_left_is_left(drawn):
    path = arc("left ahead", 60.0)
    draw_drive_path((path,))
    tracks = [args for _, args, style in drawn if "marker" not in style]
    ((x, y),) = tracks
    np.testing.assert_allclose(x, -path.pose[:, 1])
    np.testing.assert_allclose(y, path.pose[:, 0])


def test_the_scale_bar_is_as_long_as_it_says(monkeypatch):
    from pwmscope.plot import paths as drive_path  # noqa: PLC0415

    figures = []
    monkeypatch.setattr(drive_path, "to_svg", lambda figure: figures.append(figure) or "<svg/>")
    draw_drive_path(BEFORE)
    (figure,) = figures
    bar = max(figure.artists, key=lambda line: line.get_linewidth())
    (said,) = [t.get_text() for t in figure.texts if t.get_text().endswith("in every panel")]
    panel = figure.axes[0]
    bar_in = float(np.ptp(bar.get_xdata())) * figure.get_size_inches()[0]
    panel_in = panel.get_position().width * figure.get_size_inches()[0]
    per_m_in = panel_in / float(np.ptp(panel.get_xlim()))
    assert bar_in / per_m_in == pytest.approx(float(said.split()[0]), rel=1e-9)


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
def test_the_axes_stand_on_the_sticks_of_the_mode(mode, drawn):
    """Common practice: throttle is left in mode 2 and right in mode 1; rudder is always left."""
    picture = draw_sticks(hands("aileron", "elevator", "throttle", "rudder"), mode=mode)
    (left_side, left_up), (right_side, right_up) = STICKS[mode]
    assert (left_side, right_side) == ("rudder", "aileron")
    assert (left_up, right_up) == (
        ("elevator", "throttle") if mode == 1 else ("throttle", "elevator")
    )
    axes = list({id(a): a for a, _, _ in drawn}.values())
    marked = [[label.get_text() for label in a.get_yticklabels()][1] for a in axes]
    assert marked == [left_up, right_up]
    assert f"Mode {mode}" in picture.caption


def test_steps_are_numbered_where_the_sticks_were_held(drawn):
    steps = (span("rest", 0.1, 0.9), span("forward", 1.1, 1.9), span("back", 2.1, 3.9))
    picture = draw_sticks(hands("elevator"), steps=steps)
    told = words(picture)
    assert "2  forward, at 1.1 s" in told
    squares = [args for _, args, style in drawn if style.get("marker") == "s"]
    assert [(args[0][0], round(args[1][0], 3)) for args in squares] == [(0, 0), (0, 0.8), (0, -0.6)]
    assert "not recorded" in told
    assert "aileron not recorded" in told
    assert "Step 3: back." in picture.alt


def test_a_long_trace_keeps_its_extremes(drawn):
    time_s = np.linspace(0.0, 100.0, 50_001)
    place = 0.5 * np.sin(time_s)
    place[31_234] = 0.97
    draw_sticks(Hands(time_s, {"elevator": place, "aileron": 0.0 * place}))
    longest = max((args[1] for _, args, _ in drawn), key=len)
    assert 100 < len(longest) < 5_000
    assert max(longest) == 0.97
