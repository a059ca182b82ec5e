"""A bench of 64 outputs with names of 80 letters: screen, page and paper stay readable.

The whole of it, 64 lines and 300 losses, takes half a minute to analyse; here are six losses.
"""

import io
import re

import numpy as np
import pytest
from rich.console import Console

import pwmscope
from pwmscope.capture import Capture, Line
from pwmscope.report import write_one_page
from pwmscope.report.folder import answer_fragment
from pwmscope.report.terminal import print_answer

LINES, LOSSES, ON_US, OFF_US = 64, 6, 1_400_000, 2_600_000
START_US, FRAME_US = 3_000_000, 20_000
HOLDS, SILENT = 7, (3, 11, 19)
"""One output holds its last width; three fall silent; all others go to a preset."""


def name_of(number):
    said = f"{number:02d} an output whose builder likes long names, of receiver {number % 4}, "
    return said.ljust(80, "x")


@pytest.fixture(scope="module")
def analysis(tmp_path_factory):
    end_us = START_US + LOSSES * (ON_US + OFF_US) + 2_000_000
    frames = np.arange(10_000, end_us - FRAME_US, FRAME_US)
    since = (frames - START_US) % (ON_US + OFF_US)
    is_lost = (frames > START_US) & (since > 400_000) & (since < OFF_US)
    is_lost &= frames < end_us - 2_000_000
    scatter = np.random.default_rng(7)
    lines, sheet = {}, [f'robot = "{"R" * 80}"', "[marker]", 'line = "tx"', 'on = "high"']
    for number in range(LINES):
        name = name_of(number)
        width = 1560 + 40 * (number % 7) + scatter.integers(-1, 2, frames.size)
        if number not in (HOLDS, *SILENT):
            width = np.where(is_lost, 1500, width)
        is_there = ~is_lost if number in SILENT else np.ones(frames.size, bool)
        starts = (frames + 11 * number)[is_there]
        edges_us = np.stack([starts, starts + width[is_there]], axis=1).ravel()
        lines[name] = Line(name, edges_us.astype(np.int64) * 1_000_000, 0)
        sheet += [f'[channels."{name}"]', 'role = "servo"', f'device = "device {number}"']
        sheet += ["stop_us = [1480, 1520]"]
    lost_us = START_US + (ON_US + OFF_US) * np.arange(LOSSES)
    marks_us = np.stack([lost_us, lost_us + OFF_US], axis=1).ravel()
    lines["tx"] = Line("tx", marks_us.astype(np.int64) * 1_000_000, 1)
    path = tmp_path_factory.mktemp("many") / "bench.toml"
    path.write_text("\n".join(sheet) + "\n")
    capture = Capture(lines, end_us * 1_000_000, 1e6, "sixty-four.csv")
    return pwmscope.analyse(capture, sheet=path)


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_screen_names_what_is_alike_once(analysis, width):
    console = Console(width=width, record=True, file=io.StringIO())
    print_answer(analysis.answer, console, room=23)
    said = console.export_text().splitlines()
    assert said[0].startswith("FAILSAFE does not meet: 07 an output")
    assert len(said) <= 40
    assert all(len(line.rstrip()) <= width for line in said)
    named = [int(more) for more in re.findall(r"and (\d+) more\b(?! thing)", " ".join(said))]
    assert sum(named) >= LINES - 20, "of devices that are alike the first few are named"


def test_every_device_is_on_the_page_with_a_short_name_of_its_own(analysis):
    page = answer_fragment(analysis)
    assert "x" * 20 not in page
    names = {re.sub("<.*?>", "", cell) for cell in re.findall(r"<bdi>(.*?)</bdi>", page)}
    assert len({name[:2] for name in names if re.match(r"\d\d an output", name)}) == LINES
    assert max(map(len, names)) <= 80


def test_the_sheet_has_the_worst_twelve_and_a_page_for_the_others(analysis, tmp_path):
    sheet = write_one_page(analysis, tmp_path / "one.pdf").read_bytes()
    pages = int(max(re.findall(rb"/Count (\d+)", sheet), key=int))
    assert 2 <= pages <= 16
    assert len(sheet) < 1_000_000
