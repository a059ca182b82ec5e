"""Pictures say in words what was found, and nothing that is odd vanishes from them."""

import itertools
import math
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import pwmscope
from pwmscope.capture import Capture, Line
from pwmscope.plot import draw_channel, format_loss
from pwmscope.plot.style import INK, spread, stack
from pwmscope.pulses import Flag

CAPTURES = Path(__file__).parents[2] / "captures"
SVG = "{http://www.w3.org/2000/svg}"
NAMES = ["first-frames", "width-over-time", "width-histogram"]


@pytest.fixture(scope="module")
def clean():
    return pwmscope.examine(pwmscope.load(CAPTURES / "clean-sweep.csv"))


@pytest.fixture(scope="module")
def noisy():
    return pwmscope.examine(pwmscope.load(CAPTURES / "noisy-link.csv.gz", rate="500kHz"))


@pytest.fixture(scope="module")
def preset():
    return pwmscope.examine(pwmscope.load(CAPTURES / "preset.csv.gz"), off_line="tx-on")


@pytest.fixture(scope="module")
def stopped():
    return pwmscope.examine(pwmscope.load(CAPTURES / "pulses-stop.csv.gz"))


DRAWN = {}


def drawn(findings, line):
    """Draw a channel, once for all that is asked of its pictures."""
    key = id(findings), line
    if key not in DRAWN:
        pictures = {p.name: p for p in draw_channel(findings.channels[line], findings.capture)}
        DRAWN[key] = findings, pictures
    return DRAWN[key][1]


def words(picture):
    return [text.text for text in ET.fromstring(picture.svg).iter(f"{SVG}text")]


def made(widths_us, *, name="OUT", period_us=20_000, first_us=5_000, duration_s=None, level=0):
    rise_us = first_us + period_us * np.arange(len(widths_us))
    edges_us = np.stack([rise_us, rise_us + np.asarray(widths_us)], axis=1).ravel()
    edges_ps = np.rint(edges_us).astype(np.int64) * 1_000_000
    end_ps = int(edges_ps[-1] + 10**10) if duration_s is None else duration_s * 10**12
    return Capture({name: Line(name, edges_ps, level)}, end_ps, 1e6, "made here")


def only(capture):
    findings = pwmscope.examine(capture)
    return drawn(findings, next(iter(findings.channels)))


@pytest.mark.parametrize("line", ["RX1", "RX2", "RX3", "RX4"])
@pytest.mark.parametrize("recording", ["clean", "noisy", "preset", "stopped"])
def test_every_channel_has_three_pictures_with_words_and_units(recording, line, request):
    pictures = drawn(request.getfixturevalue(recording), line)
    assert list(pictures) == NAMES
    for picture in pictures.values():
        assert len(picture.alt) > 40
        assert picture.caption.endswith(".")
    assert "time since the start of the recording (ms)" in words(pictures["first-frames"])
    assert {"time since the start of the recording (s)", "pulse width (us)"} <= set(
        words(pictures["width-over-time"])
    )
    assert words(pictures["width-histogram"]).count("pulse width (us)") >= 1


@pytest.mark.parametrize("line", ["RX1", "RX4"])
def test_first_frames_carry_the_widths_of_the_table(stopped, line):
    table = stopped.channels[line].table
    picture = drawn(stopped, line)["first-frames"]
    said = words(picture)
    for width_us in table.width_us[:3]:
        assert f"{width_us:.1f} us" in said
        assert f"{width_us:.1f} us" in picture.alt
    assert f"frame period {table.period_us[0] / 1e3:.3f} ms" in said
    assert {"high", "low"} <= set(said)


def test_an_inverted_line_is_drawn_as_it_is_on_the_wire(stopped):
    assert "idles high" in drawn(stopped, "RX4")["first-frames"].caption
    assert "idles low" in drawn(stopped, "RX1")["first-frames"].caption


def test_a_cut_pulse_is_said_to_be_cut():
    capture = made(np.full(100, 1500.0))
    line = capture.lines["OUT"]
    edges_ps = np.concatenate([[700_000_000], line.edges_ps])
    cut = Capture({"OUT": Line("OUT", edges_ps, 1)}, capture.duration_ps, 1e6, "made here")
    said = words(only(cut)["first-frames"])
    assert "cut by the start" in said
    assert said.count("1500.0 us") == 3


def test_levels_and_convention_stand_beside_the_width_over_time(clean):
    said = words(drawn(clean, "RX1")["width-over-time"])
    # captures/README.md: neutral 1500, ends 1012 and 1988 us
    for label in (
        "low endpoint 1012.0 us",
        "neutral 1500.0 us",
        "high endpoint 1988.0 us",
        "convention 1000 us",
        "convention 1500 us",
        "convention 2000 us",
    ):
        assert label in said


def test_losses_are_hatched_and_numbered_and_told_with_their_times(preset):
    for line, first in (("RX1", "goes to preset 1500.0 us"), ("RX4", "holds last 1610")):
        picture = drawn(preset, line)["width-over-time"]
        said = words(picture)
        assert "<pattern" in picture.svg
        assert {"1", "2", "2 losses, numbered in order of time"} <= set(said)
        assert first in picture.alt
        for event in preset.channels[line].losses.events:
            for part in format_loss(event):
                assert part in picture.alt


def test_inferred_losses_say_so(stopped):
    alt = drawn(stopped, "RX2")["width-over-time"].alt
    assert alt.count("pulses stop") == 2
    assert alt.count("inferred") == 2


def test_no_loss_no_hatch(clean):
    assert "<pattern" not in drawn(clean, "RX1")["width-over-time"].svg


@pytest.mark.parametrize(("line", "glitches"), [("RX1", 11), ("RX2", 11), ("RX3", 12), ("RX4", 5)])
def test_glitches_are_marked_and_counted(noisy, line, glitches):
    # counts drawn by the script, captures/README.md
    picture = drawn(noisy, line)["width-over-time"]
    assert f"{glitches} pulses under 100 us" in words(picture)
    assert f"{glitches} pulses marked as glitches" in picture.alt


def test_pulses_outside_the_convention_are_marked(noisy):
    table = noisy.channels["RX1"].table
    over = int(np.count_nonzero(table.has(Flag.OUTSIDE)))
    assert over > 0
    assert f"{over} pulses over 2000 us" in words(drawn(noisy, "RX1")["width-over-time"])
    # hatched bars: the histogram's only hatch
    assert "<pattern" in drawn(noisy, "RX1")["width-histogram"].svg
    assert "<pattern" not in drawn(noisy, "RX4")["width-histogram"].svg


def test_the_sampling_floor_is_said(noisy):
    # two edges sampled every 2 us: 2 / sqrt(6) us (JCGM 100, 4.3.7 and 4.3.9)
    floor = f"sampling floor {2 / math.sqrt(6):.3f} us RMS"
    picture = drawn(noisy, "RX2")["width-histogram"]
    assert any(floor in label for label in words(picture))
    assert floor in picture.alt


def test_one_wide_pulse_among_many_is_still_drawn():
    widths_us = np.full(30_000, 1500.0)
    widths_us[17_003] = 1990.0
    odd = only(made(widths_us))
    assert len(odd["width-over-time"].svg) < 250_000
    # 1990 us lies 490/1180 of the drawn height above 1500 us: about 80 points
    series = [
        [float(y) for y in path.attrib["d"].replace("M", " ").replace("L", " ").split()[1::2]]
        for path in ET.fromstring(odd["width-over-time"].svg).iter(f"{SVG}path")
        if "clip-path" in path.attrib and INK in path.attrib.get("style", "")
    ]
    assert max(max(y) - min(y) for y in series) > 70


def test_a_line_without_servo_pulses_has_its_edges_drawn_only():
    capture = made(np.full(60, 104.0), period_us=208)
    pictures = only(capture)
    assert list(pictures) == ["first-frames"]
    assert "no servo pulses" in pictures["first-frames"].alt


def test_a_line_that_never_changes_has_no_picture():
    capture = Capture({"OUT": Line("OUT", np.zeros(0, np.int64), 0)}, 10**12, 1e6, "made here")
    assert only(capture) == {}


def test_the_same_findings_give_the_same_bytes_whatever_the_persons_settings(preset):
    channel = preset.channels["RX3"]
    first = draw_channel(channel, preset.capture)
    with mpl.rc_context({"font.size": 30, "svg.fonttype": "path", "axes.grid": True}):
        assert draw_channel(channel, preset.capture) == first
        assert mpl.rcParams["font.size"] == 30
    assert draw_channel(channel, preset.capture) == first


def test_a_hostile_name_does_not_reach_the_pictures():
    widths_us = np.full(100, 1500.0)
    plain = only(made(widths_us))
    for name in ("<script>alert(1)</script>", r"$\frac{", "日本\x00", "x" * 10_000):
        assert only(made(widths_us, name=name)) == plain


def test_drawing_leaves_the_plotting_shell_alone():
    code = (
        "import sys; from pwmscope.plot import bench_pictures, draw_channel;"
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@given(
    st.lists(st.floats(0, 100), max_size=12).map(sorted),
    st.floats(0.1, 5.0),
)
def test_spread_labels_keep_their_order_and_distance(middles, gap):
    placed = spread(middles, gap, 0.0, 100.0)
    assert len(placed) == len(middles)
    assert all(b - a >= gap - 1e-9 for a, b in itertools.pairwise(placed))
    assert all(-1e-9 <= place <= 100.0 for place in placed)


@given(
    st.lists(st.tuples(st.floats(0, 100), st.floats(0.1, 30)), max_size=30).map(sorted),
    st.integers(1, 4),
)
def test_stacked_labels_never_overlap(starts, rows):
    spans = [(left, left + width) for left, width in starts]
    given_rows = stack(spans, rows)
    for row in range(rows):
        own = [span for span, place in zip(spans, given_rows, strict=True) if place == row]
        assert all(a[1] <= b[0] for a, b in itertools.pairwise(own))
    assert all(place is None or 0 <= place < rows for place in given_rows)


def test_many_losses_are_counted():
    widths_us = np.full(9_000, 1500.0)
    capture = made(widths_us)
    edges_ps = capture.lines["OUT"].edges_ps.reshape(-1, 2)
    kept = (np.arange(9_000) % 300) < 250
    line = Line("OUT", edges_ps[kept].ravel(), 0)
    findings = pwmscope.examine(Capture({"OUT": line}, capture.duration_ps, 1e6, "made here"))
    events = findings.channels["OUT"].losses.events
    assert len(events) > 20
    said = words(drawn(findings, "OUT")["width-over-time"])
    assert f"{len(events)} losses, numbered in order of time" in said
