"""Keeping edges, looking at how a file was understood, and waiting, as a person does it."""

import contextlib
import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner
from rich.console import Console

from pwmscope import load
from pwmscope.capture import Capture, Line, find_kind
from pwmscope.capture.reader.unpack import watched
from pwmscope.cli import main, reading
from pwmscope.errors import named, naming
from pwmscope.report.terminal import print_look

ROOT = Path(__file__).parents[2]
CAPTURES = sorted((*ROOT.glob("captures/*.csv"), *ROOT.glob("captures/*.csv.gz")))
SWEEP = ROOT / "captures" / "clean-sweep.csv"
NOISY = ROOT / "captures" / "noisy-link.csv.gz"
NO_TIME = (NOISY,)
"""Shipped recordings whose rows carry no time, so that the rate has to be given."""


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def hints_for(file):
    if file not in NO_TIME:
        return {}
    truth = json.loads((file.parent / "noisy-link.truth.json").read_text())
    return {"rate": str(truth["sample_rate_hz"])}


def options_for(file):
    return [word for name, hint in hints_for(file).items() for word in (f"--{name}", hint)]


def unwrapped(text):
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("file", CAPTURES, ids=lambda path: path.name)
def test_look_shows_lines_levels_edges_sampling_and_every_assumption(file):
    result = run("look", file, *options_for(file))
    assert result.exit_code == 0, result.output
    text, capture = unwrapped(result.output), load(file, **hints_for(file))
    for line in capture.lines.values():
        level = "high" if line.initial_level else "low"
        assert re.search(rf"{line.name} {level} {line.edges_ps.size} ", text)
        for edge_ps in line.edges_ps[:3]:
            assert f"{edge_ps / 1e12:.9f}" in text
    with naming(reading.OPTION_OF):
        for sentence in capture.assumptions:
            assert named(sentence) in text
    assert f"{capture.duration_s:.6f} s" in text
    assert f"{file.stat().st_size:,} bytes".replace(",", " ") in text
    assert ("packed with gzip" in text) == (file.suffix == ".gz")
    if file in NO_TIME:
        assert "as you said" in text
    else:
        assert "[--time-column, --time-unit]" in text
    assert "[--rate]" in text
    assert "[--lines]" in text


ZOO = sorted(p for p in ROOT.glob("captures/zoo/*.*") if p.suffix not in {".py", ".md"})


@pytest.mark.parametrize("file", ZOO, ids=lambda path: path.name)
def test_look_and_convert_take_every_shape(tmp_path, file):
    looked = run("look", file)
    rate = ["--rate", "20kHz"] if "sample rate is needed" in looked.stderr else []
    looked = run("look", file, *rate)
    assert looked.exit_code == 0, looked.output
    kept = tmp_path / "kept.parquet"
    assert run("convert", file, kept, *rate).exit_code == 0
    capture, again = load(file, **dict(zip(["rate"], rate[1:], strict=False))), load(kept)
    text = unwrapped(looked.output)
    for line, back in zip(capture.lines.values(), again.lines.values(), strict=True):
        assert f"{line.name} low {line.edges_ps.size} " in text
        assert back.name == line.name
        assert np.array_equal(back.edges_ps, line.edges_ps)
    with naming(reading.OPTION_OF):
        for sentence in capture.assumptions:
            assert named(sentence) in text
    options = set(re.findall(r"--[a-z-]+", " ".join(re.findall(r"\[(--.*?)\]", text))))
    assert options <= {"--rate", "--time-unit", "--time-column", "--lines", "--threshold"}
    assert "--rate" in options or rate


def test_look_shows_a_wrong_unit_by_the_usual_high(tmp_path):
    rows = "".join(f"{20_000 * k},1\n{20_000 * k + 1500},0\n" for k in range(1, 9))
    file = tmp_path / "a.csv"
    file.write_text("time,RX1\n0,0\n" + rows)
    assert "1500 s" in run("look", file).output
    right = run("look", file, "--time-unit", "us").output
    assert "1500.00 us" in right
    assert "as you said" in right
    assert "--time-unit" not in right


def test_look_says_where_the_sampling_is_not_known_and_a_line_is_still(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("time_us,RX1,RX2\n0,0,1\n100,1,1\n1600,0,1\n20000,0,1\n")
    text = unwrapped(run("look", file).output)
    assert "not known; --rate would tell it" in text
    assert "RX2 high 0 – none" in text


@pytest.mark.parametrize("width", [40, 60, 80, 200])
def test_look_fits_its_terminal_and_names_do_no_harm(width):
    line = Line("\u202e\x1b[31mRX" + "1" * 50, np.arange(1, 9) * 10**9, 0)
    capture = Capture({line.name: line, "RX2": line}, 10**10, 1e6, "a.csv", ("A \x1b[0m word.",))
    out = io.StringIO()
    print_look(
        capture,
        "text table",
        10,
        Console(file=out, width=width, highlight=False),
        reading.OPTION_OF,
    )
    assert "\x1b" not in out.getvalue()
    assert "\u202e" not in out.getvalue()
    rows = out.getvalue().splitlines()  # A name or path is never broken in two.
    assert all(len(row) <= width or len(row.split()) == 1 for row in rows)


def test_kinds_are_told_by_content_not_by_name(tmp_path):
    frame = pl.DataFrame({"time_us": [0, 1, 2], "RX1": [0, 1, 0]})
    file = tmp_path / "no-ending"
    frame.write_parquet(file)
    assert find_kind(file) == "Parquet table"
    frame.write_ipc(file)
    assert find_kind(file) == "Arrow table"
    frame.write_csv(file)
    assert find_kind(file) == "text table"


def without_origin(text):
    """The measured part of findings: all but where the edges came from."""
    data = json.loads(text)
    data["capture"].pop("source")
    data["capture"].pop("assumptions")
    return data


@pytest.mark.parametrize("file", CAPTURES, ids=lambda path: path.name)
def test_measuring_kept_edges_is_measuring_the_recording(tmp_path, file):
    kept = tmp_path / "kept.parquet"
    result = run("convert", file, kept, *options_for(file))
    assert result.exit_code == 0, result.output
    capture = load(file, **hints_for(file))
    edges = sum(line.edges_ps.size for line in capture.lines.values())
    assert f"{edges} edges of {len(capture.lines)} lines" in result.output
    marker = ["--off-line", "tx-on"] if "tx-on" in capture.lines else []
    direct = run("measure", file, *options_for(file), *marker, "--json", "-")
    again = run("measure", kept, *marker, "--json", "-")
    assert again.exit_code == direct.exit_code == 0
    assert without_origin(again.output) == without_origin(direct.output)
    assert set(load(kept).assumptions) > set(capture.assumptions)


def test_looking_at_kept_edges_names_where_they_came_from_and_offers_no_guess(tmp_path):
    kept = tmp_path / "kept.parquet"
    run("convert", SWEEP, kept)
    text = unwrapped(run("look", kept).output)
    assert "edges that pwmscope convert kept" in text
    assert f"from {SWEEP}" in text
    assert re.findall(r"\[--.*?\]", text) == ["[--lines]"]


def test_hints_given_to_convert_are_kept(tmp_path):
    kept = tmp_path / "kept.parquet"
    fewer = tmp_path / "fewer.parquet"
    assert run("convert", NOISY, kept, "--rate", "2MHz").exit_code == 0
    assert load(kept).sample_interval_ps == 500_000
    assert run("convert", kept, fewer, "--lines", "RX4,RX2").exit_code == 0
    assert list(load(fewer).lines) == ["RX4", "RX2"]


def test_a_kept_file_in_the_way_is_not_replaced_unless_asked(tmp_path):
    kept = tmp_path / "kept.parquet"
    kept.write_text("precious")
    result = run("convert", SWEEP, kept)
    assert result.exit_code == 2
    assert "--replace" in result.stderr
    assert kept.read_text() == "precious"
    assert run("convert", SWEEP, kept, "--replace").exit_code == 0
    assert load(kept).lines["RX1"].edges_ps.size == 3900


def test_convert_never_writes_over_the_recording_or_to_another_kind_of_name(tmp_path):
    file = tmp_path / "a.parquet"
    pl.DataFrame({"time_us": [0, 1, 2], "RX1": [0, 1, 0]}).write_parquet(file)
    before = file.read_bytes()
    result = run("convert", file, file, "--replace")
    assert result.exit_code == 2
    assert "is the recording itself" in result.stderr
    assert file.read_bytes() == before
    result = run("convert", file, tmp_path / "a.csv")
    assert result.exit_code == 2
    assert "ends in .parquet" in result.stderr


BAD = {
    "empty": b"",
    "header only": b"time_s,RX1\n",
    "text in a level column": b"time_s,RX1\n0,0\n1,x\n2,0\n",
    "no edges": b"time_s,RX1\n0,0\n1,0\n",
    "a Parquet file cut short": b"PAR1\x15\x04\x15",
    "an Arrow file cut short": b"ARROW1\x00\x00\xff\xff",
}


@pytest.mark.parametrize("command", ["look", "convert"])
@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_sentence_exit_2_and_nothing_left(tmp_path, command, name):
    file = tmp_path / "bad"
    file.write_bytes(BAD[name])
    result = run(command, file, *([tmp_path / "out.parquet"] if command == "convert" else []))
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert result.stderr.startswith(str(file))
    assert [path.name for path in tmp_path.iterdir()] == ["bad"]


@pytest.mark.parametrize("command", ["look", "convert"])
def test_every_command_explains_itself(command):
    assert run(command, "--help").exit_code == 0


class Terminal(io.StringIO):
    """An error output that is a terminal, or says so."""

    def isatty(self):
        return True


def wait_with_bar(monkeypatch, output, patience_s, items=8):
    monkeypatch.setattr(sys, "stderr", output)
    monkeypatch.setattr(reading, "PATIENCE_S", patience_s)
    monkeypatch.setenv("TERM", "xterm")
    with reading.progress_bar("reading bench.csv"):
        for _ in watched(range(items), items, lambda _: 1):
            time.sleep(0.1)
    return output.getvalue()


def test_a_long_step_shows_how_far_it_is_and_vanishes(monkeypatch):
    text = wait_with_bar(monkeypatch, Terminal(), 0.05)
    assert "reading bench.csv" in text
    assert re.search(r"\d+ %, \d+ rows a second, 0:0\d left", text)
    assert text.rstrip().endswith("\x1b[2K")


def test_a_short_step_shows_nothing(monkeypatch):
    assert wait_with_bar(monkeypatch, Terminal(), 60, items=1) == ""


def test_nothing_is_shown_where_nobody_watches(monkeypatch):
    assert wait_with_bar(monkeypatch, io.StringIO(), 0.01, items=2) == ""


@pytest.mark.parametrize("command", ["look", "convert"])
def test_an_interrupted_command_says_so_and_leaves_nothing(tmp_path, command):
    # A pipe into which nobody writes makes reading last until it is interrupted.
    pipe = tmp_path / "endless.csv"
    os.mkfifo(pipe)
    words = [tmp_path / "out.parquet"] if command == "convert" else []
    process = subprocess.Popen(
        [sys.executable, "-m", "pwmscope", command, pipe, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    writer = os.open(pipe, os.O_WRONLY)  # returns once the command has opened the pipe
    process.send_signal(signal.SIGINT)
    with contextlib.suppress(BrokenPipeError):
        # The interrupt is heeded when the read under way returns: after these bytes.
        os.write(writer, b"time_s,RX1\n" * 4096)
    said, complained = process.communicate(timeout=60)
    os.close(writer)
    assert process.returncode == 130
    assert said == ""
    assert complained == "Interrupted; no file was left half-written.\n"
    assert [path.name for path in tmp_path.iterdir()] == ["endless.csv"]
