"""A shorter picture shows the same."""

import io
import re

import numpy as np
import pytest
import typst
from PIL import Image

import pwmscope
from pwmscope.capture import Capture, Line
from pwmscope.plot import compacted, draw_channel


@pytest.fixture(scope="module")
def pictures():
    """Pictures of a line with a thousand places of the stick and one glitch."""
    rng = np.random.default_rng(3)
    count = 6_000
    width_us = np.repeat(rng.uniform(1100, 1900, count // 6), 6) + rng.normal(0, 2, count)
    width_us[count // 2] = 2_240.0
    rise_us = 5_000 + 20_000 * np.arange(count)
    edges_us = np.stack([rise_us, rise_us + np.rint(width_us)], axis=1).ravel()
    line = Line("OUT", edges_us.astype(np.int64) * 1_000_000, 0)
    capture = Capture({"OUT": line}, int(edges_us[-1] + 10_000) * 1_000_000, 1e6, "made")
    channel = pwmscope.examine(capture).channels["OUT"]
    return {picture.name: picture for picture in draw_channel(channel, capture)}


def seen(svg):
    source = "#set page(width: auto, height: auto, margin: 0pt)\n#image(bytes(sys.inputs.svg))"
    png = typst.compile(source.encode(), format="png", ppi=144.0, sys_inputs={"svg": svg})
    with Image.open(io.BytesIO(png)) as picture:
        return np.asarray(picture.convert("L"), float)


@pytest.mark.parametrize("name", ["first-frames", "width-over-time", "width-histogram"])
def test_it_looks_the_same(pictures, name):
    before, after = seen(pictures[name].svg), seen(compacted(pictures[name]).svg)
    assert before.shape == after.shape
    assert np.mean(before < 128) > 0.002
    difference = np.abs(before - after)
    assert np.mean(difference) < 0.5  # of 255
    assert np.mean(difference > 100) < 0.001


def test_it_is_shorter_and_keeps_every_mark(pictures):
    picture = pictures["width-over-time"]
    short = compacted(picture).svg
    assert len(short) < 0.6 * len(picture.svg)
    marks = picture.svg.count("<use ")
    assert marks > 500
    assert short.count("<use ") + short.count("h0") == marks
    assert re.findall(r"<text[^>]*>[^<]*", short).__len__() == picture.svg.count("<text")


def test_the_glitch_stays_the_highest_mark(pictures):
    picture = pictures["width-over-time"]
    places = re.findall(r"M([\d.]+) ([\d.]+)h0", compacted(picture).svg)
    uses = re.findall(r'<use xlink:href="[^"]*" x="([\d.]+)" y="([\d.]+)"', picture.svg)
    highest = min(float(y) for _, y in uses if float(y) > 0)
    lowest_of_dots = min(float(y) for _, y in places)
    assert lowest_of_dots == pytest.approx(highest, abs=60)


def test_it_is_the_same_each_time_and_a_second_time_changes_nothing(pictures):
    once = compacted(pictures["width-histogram"])
    assert compacted(pictures["width-histogram"]) == once
    assert compacted(once).svg == once.svg
