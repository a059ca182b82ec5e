"""The answer on one screen: its length, its order, its letters, on any terminal."""

import io
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner
from rich.console import Console

import pwmscope
from pwmscope.cli import main
from pwmscope.report.terminal import print_answer

ROOT = Path(__file__).parents[2]
CAPTURES = ROOT / "captures"
SHEET = CAPTURES / "bench.toml"
DRILL = CAPTURES / "drill.csv.gz"


def run(*words):
    return CliRunner().invoke(main, [*map(str, words)])


def of_process(*words, **environment):
    done = subprocess.run(
        [sys.executable, "-m", "pwmscope", *map(str, words)],
        capture_output=True, cwd=ROOT, check=False, env={**os.environ, **environment},
    )  # fmt: skip
    return done.stdout, done.returncode


def many_lines(tmp_path, count, *, idle=()):
    time_us = np.arange(0, 1_000_000, 20)
    frame = pl.DataFrame({"time_us": time_us}).with_columns(
        **{f"D{n}": pl.Series(time_us % 20_000 < 1500) for n in range(count)},
        **{name: pl.lit(value=False) for name in idle},
    )
    file = tmp_path / "many.parquet"
    frame.write_parquet(file)
    return file


@pytest.mark.parametrize(("command", "most"), [("measure", 24), ("failsafe", 20), ("inspect", 24)])
def test_a_planned_recording_of_four_channels_fits_one_screen(tmp_path, command, most):
    more = ["-o", tmp_path] if command == "inspect" else []
    said = run(command, DRILL, "--sheet", SHEET, *more).output.splitlines()
    assert len(said) <= most
    assert max(map(len, said)) <= 100 or command == "inspect"
    assert said[0] == "FAILSAFE meets, 10 of 10, slowest 0.98 s"
    assert said[1].startswith("! Hazard: ")


@pytest.fixture(scope="module")
def holds():
    return pwmscope.analyse(CAPTURES / "holds-last.csv.gz", sheet=SHEET)


@pytest.mark.parametrize("width", [32, 40, 60, 80, 120, 200])
def test_the_answer_keeps_the_width_of_the_screen(holds, width):
    console = Console(file=io.StringIO(), width=width, highlight=False)
    figures = tuple(holds.findings[0].servo.values())
    print_answer(holds.answer, console, figures=figures)
    said = console.file.getvalue()
    assert max(map(len, said.splitlines())) <= width
    whole = " ".join(said.split())
    for card in holds.cards:
        assert f"{card.verdict}" in whole
        assert card.line in whole
    assert "Set RX3's failsafe to 1000 us" in whole


def test_a_long_reason_is_said_once_for_lines_that_follow_one_another():
    said = run("measure", CAPTURES / "pulses-stop.csv.gz", "--sheet", SHEET).output
    assert len(said.splitlines()) <= 24
    cards = said[: said.index("What to do next")]
    assert cards.count("only inferred") == 1
    assert sum(line.rstrip().endswith("  the same") for line in cards.splitlines()) == 3


def test_a_small_room_lists_the_most_dangerous_first_and_counts_the_rest(holds):
    console = Console(file=io.StringIO(), width=100, highlight=False)
    print_answer(holds.answer, console, room=16)
    said = console.file.getvalue()
    listed = said.count("failsafe to")
    assert len(said.splitlines()) <= 16
    assert "1. Set RX3's failsafe" in said
    assert f"and {len(holds.actions) + holds.answer.more_actions - listed} more things" in said


def test_the_order_is_headline_hazard_cards_figures_actions():
    said = run("measure", DRILL, "--sheet", SHEET).output
    parts = ("FAILSAFE", "! Hazard", "weapon ESC", "neutral, us", "What to do next", "--all")
    places = [said.index(part) for part in parts]
    assert places == sorted(places)


def test_why_gives_the_checks_and_refuted_causes_of_one_line():
    said = run("measure", DRILL, "--sheet", SHEET, "--why", "RX1").output
    assert "Why RX1: meets" in said
    assert "width jitter: meets." in said
    assert "a hand let go or moved a stick" in said
    assert "Why RX2" not in said
    assert run("measure", DRILL, "--why", "RX9").exit_code == 2


def test_a_word_is_explained_without_a_recording():
    done = run("measure", "--explain", "neutral")
    assert done.exit_code == 0
    assert "Formula: " in done.output
    wrong = run("measure", "--explain", "neutrl")
    assert (wrong.exit_code, "Did you mean 'neutral'" in wrong.stderr) == (2, True)
    assert run("measure").exit_code == 2


VERDICTS = ("failsafe", "mixing", "calibrate", "lag", "inspect", "compare", "report", "log list")


@pytest.mark.parametrize("command", [*VERDICTS, "log show", "sheet check", "measure"])
def test_every_command_with_verdicts_explains_a_word_without_a_recording(command):
    done = run(*command.split(), "--explain", "BEC", "--explain", "stop time")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.output.startswith("BEC\n  A small 5 V supply inside an ESC.")
    assert "Formula: fall of the first pulse" in done.output
    wrong = run(*command.split(), "--explain", "dedband")
    assert (wrong.exit_code, "Did you mean 'deadband'" in wrong.stderr) == (2, True)


def test_quiet_is_the_headline_alone(tmp_path):
    for command in ("measure", "failsafe"):
        done = run(command, DRILL, "--sheet", SHEET, "--quiet")
        assert done.output == "FAILSAFE meets, 10 of 10, slowest 0.98 s\n"
    file = many_lines(tmp_path, 1)
    said = run("measure", file, "--quiet").output
    assert said.startswith("PULSES ")
    assert run("report", file, "--quiet", "-o", tmp_path / "out").output == said


def test_an_output_that_knows_only_ascii_gets_ascii():
    said, _ = of_process("measure", DRILL, "--sheet", SHEET, "--all", PYTHONIOENCODING="ascii")
    text = said.decode("ascii")
    assert "1349.93 +/-0.14" in text
    assert "?" not in text


def test_no_color_is_heeded_and_words_carry_the_meaning():
    plain, _ = of_process("failsafe", DRILL, "--sheet", SHEET, NO_COLOR="1", FORCE_COLOR="1")
    coloured, _ = of_process("failsafe", DRILL, "--sheet", SHEET, FORCE_COLOR="1", TERM="xterm")
    assert re.search(rb"\x1b\[[0-9;]*3[0-9]m", coloured)
    assert not re.search(rb"\x1b\[[0-9;]*3[0-9]m", plain)
    assert b"meets" in plain


def test_sixty_four_channels_stay_readable(tmp_path):
    said = run("measure", many_lines(tmp_path, 64)).output.splitlines()
    assert len(said) <= 24
    assert any("and 61 more" in line for line in said)


def test_lines_without_pulses_are_one_line_together(tmp_path):
    file = many_lines(tmp_path, 1, idle=("D5", "D6", "D7"))
    said = run("measure", file).output
    assert "Nothing was recorded on D5, D6, D7." in said
    assert said.count("D6") == 1


def test_names_with_escapes_and_turned_letters_are_made_plain(tmp_path):
    sheet = tmp_path / "odd.toml"
    text = SHEET.read_text(encoding="utf-8")
    sheet.write_text(text.replace("lifter servo", "lifter servo " + "x" * 80))
    said = run("measure", DRILL, "--sheet", sheet).output
    assert max(map(len, said.splitlines())) <= 100
    name = "\x1b[31m\u202e" + "D" * 80
    file = many_lines(tmp_path, 1)
    pl.read_parquet(file).rename({"D0": name}).write_parquet(file)
    said = run("measure", file).output
    assert "DDDD" in said
    assert "\x1b" not in said
    assert "\u202e" not in said
