"""Each picture shows what was measured, on axes of one's own or on new ones."""

from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest

import pwmscope
from pwmscope import PwmscopeError, plot
from pwmscope.advice import DrivePath
from pwmscope.bench import check_wiring

mpl.use("Agg")
CAPTURES = Path(__file__).parents[2] / "captures"


@pytest.fixture(scope="module")
def drill():
    return pwmscope.analyse(CAPTURES / "drill.csv.gz", sheet=CAPTURES / "bench.toml")


@pytest.fixture(autouse=True)
def _no_figure_left():
    yield
    plt.close("all")


def straight_path():
    ahead_m = np.linspace(0.0, 2.0, 40)
    return DrivePath("ahead", np.column_stack([ahead_m, 0 * ahead_m, 0 * ahead_m]), 1.0)


DRAWN = {
    "width_over_time": lambda drill, ax: plot.width_over_time(drill["RX1"], ax=ax),
    "histogram": lambda drill, ax: plot.histogram(drill["RX1"], ax=ax),
    "frames": lambda drill, ax: plot.frames(drill, ax=ax),
    "first frames": lambda drill, ax: plot.frames(drill, "RX1", ax=ax),
    "losses": lambda drill, ax: plot.losses(drill, "RX3", ax=ax),
    "wiring": lambda drill, ax: plot.wiring(drill, ax=ax),
    "drive_path": lambda _, ax: plot.drive_path(straight_path(), ax=ax),
}


@pytest.mark.parametrize("name", DRAWN)
def test_it_draws_on_axes_of_ones_own_or_on_new_ones(name, drill):
    _, mine = plt.subplots()
    assert DRAWN[name](drill, mine) is mine
    assert mine.has_data() or mine.patches
    new = DRAWN[name](drill, None)
    assert new is not mine
    assert new.figure.number in plt.get_fignums()
    new.figure.canvas.draw()


def test_the_widths_drawn_are_the_widths_measured(drill):
    channel = drill["RX1"].channels[0]
    axes = plot.width_over_time(channel)
    drawn = np.concatenate([line.get_ydata() for line in axes.lines if line.get_marker() == "."])
    measured = channel.table.width_us[channel.table.measured]
    assert np.nanmin(drawn) == measured.min()
    assert np.nanmax(drawn) == measured.max()


def test_the_histogram_counts_every_pulse_outside_the_losses(drill):
    channel = drill["RX2"].channels[0]
    axes = plot.histogram(channel)
    table = channel.table
    lost = np.zeros(len(table), bool)
    for span in channel.loss_spans:
        lost |= (table.rise_s >= span.start_s) & (table.rise_s < span.end_s)
    heights = [bar.vertices[:, 1].max() for bars in axes.collections for bar in bars.get_paths()]
    assert sum(heights) == pytest.approx(np.count_nonzero(table.measured & ~lost), abs=12)


def test_a_loss_is_drawn_with_its_verdict_and_the_limit(drill):
    axes = plot.losses(drill, "RX3", loss=2)
    event = drill["RX3"].losses[2]
    assert axes.get_title(loc="left").startswith("meets: goes to preset")
    assert f"{event.lost_s:.3f} s" in axes.get_xlabel()
    assert "limit 2 s" in [text.get_text() for text in axes.texts]


def test_without_a_line_the_worst_one_is_drawn():
    holds = pwmscope.analyse(CAPTURES / "holds-last.csv.gz", sheet=CAPTURES / "bench.toml")
    assert "does not meet" in plot.losses(holds).get_title(loc="left")


def test_the_path_ends_where_the_robot_ends():
    axes = plot.drive_path(straight_path())
    low_m, high_m = axes.get_ylim()
    assert low_m < 0.0
    assert high_m > 2.0
    several = plot.drive_path([straight_path(), straight_path()])
    assert [text.get_text() for text in several.texts] == ["ahead", "ahead"]


def test_the_wiring_on_axes_holds_every_word_of_the_drawing(drill):
    words = [text.get_text() for text in plot.wiring(drill).texts]
    svg = plot.draw_wiring(check_wiring(drill.sheet))
    assert len(words) == svg.count("<text")
    assert "Wiring of Quince, as its bench sheet states it" in words


WRONG = {
    "a path": lambda drill: plot.width_over_time("clean-sweep.csv"),
    "an analysis for a line": plot.histogram,
    "no such recording": lambda drill: plot.histogram(drill["RX1"], recording=3),
    "no such line": lambda drill: plot.frames(drill, "RX9"),
    "no such receiver": lambda drill: plot.frames(drill, receiver=7),
    "no result": lambda drill: plot.frames(None),
    "a marker": lambda drill: plot.losses(drill, "tx-on"),
    "no such loss": lambda drill: plot.losses(drill, "RX1", loss=99),
    "a number": lambda drill: plot.losses(3),
    "no sheet": lambda drill: plot.wiring(pwmscope.analyse(CAPTURES / "clean-sweep.csv")),
    "a word": lambda drill: plot.drive_path("ahead"),
    "nothing to drive": lambda drill: plot.drive_path([]),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_cannot_be_drawn_gives_one_sentence(wrong, drill):
    with pytest.raises(PwmscopeError) as caught:
        WRONG[wrong](drill)
    assert "argument" in str(caught.value)
    assert str(caught.value).endswith(".")
