"""`pwmscope report`, on one recording and on many."""

import json
import shutil
from pathlib import Path

from click.testing import CliRunner

from pwmscope.cli import main

CAPTURES = Path(__file__).parents[2] / "captures"
FORMS = ["findings.json", "report.html", "report.md", "report.pdf"]


def run(*words):
    return CliRunner().invoke(main, ["report", *(str(word) for word in words)])


def names_in(folder):
    return sorted(path.name for path in folder.iterdir())


def test_one_recording_with_its_sheet(tmp_path):
    folder = tmp_path / "out"
    preset, sheet = CAPTURES / "preset.csv.gz", CAPTURES / "bench.toml"
    done = run(preset, "--sheet", sheet, "-o", folder)
    assert done.exit_code == 0, done.output
    assert names_in(folder) == sorted([*FORMS, "failsafe.json"])
    assert all(name in done.output.splitlines()[-1] for name in names_in(folder))
    assert len(done.output.splitlines()) <= 3
    assert json.loads((folder / "failsafe.json").read_text())["schema"] == 1
    assert "left drive ESC" in (folder / "report.md").read_text()
    again = run(preset, "-o", folder)
    assert again.exit_code == 2
    assert "--replace" in again.stderr


def test_a_bad_file_does_not_stop_the_others(tmp_path):
    good, bad, gone = tmp_path / "bench.csv", tmp_path / "bad.csv", tmp_path / "gone.csv"
    shutil.copy(CAPTURES / "clean-sweep.csv", good)
    bad.write_text("time_s,RX1\n0,0\n1,x\n2,0\n")
    folder = tmp_path / "out"
    done = run(good, bad, gone, "-o", folder)
    assert done.exit_code == 2
    assert [line.partition(":")[0].partition(",")[0] for line in done.stderr.splitlines()] == [
        str(bad),
        str(gone),
    ]
    assert f"{good}: PULSES meet, 4 of 4" in done.stdout
    assert f"1 of 3 recordings have a report; {folder / 'index.html'} lists them." in done.stdout
    assert names_in(folder) == ["bench", "index.html"]
    assert names_in(folder / "bench") == FORMS
    index = (folder / "index.html").read_text()
    assert 'href="bench/report.html"' in index
    assert index.count("not used") == 2


def test_where_no_file_can_be_used_nothing_is_left(tmp_path, without_processes):
    with without_processes():
        done = run(tmp_path / "a.csv", tmp_path / "b.csv", "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert len(done.stderr.splitlines()) == 2
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()


def test_many_are_refused_before_anything_is_measured(tmp_path):
    sweep, preset = CAPTURES / "clean-sweep.csv", CAPTURES / "preset.csv.gz"
    (tmp_path / "index.html").write_text("mine")
    for words, said in (
        ((), "--replace"),
        (("--replace", "--off-at", "3s"), "one by one"),
        (("--replace", "--sheet", tmp_path / "none.toml"), "none.toml"),
        (("--replace", "--convention", "slow"), "standard servo"),
    ):
        done = run(sweep, preset, "-o", tmp_path, *words)
        assert done.exit_code == 2
        assert said in done.stderr
        assert len(done.stderr.splitlines()) == 1
        assert names_in(tmp_path) == ["index.html"]
    assert (tmp_path / "index.html").read_text() == "mine"


def test_the_settings_to_change_stand_under_what_to_change(tmp_path):
    """As `pwmscope calibrate` says them for the shipped sweep."""
    captures = Path(__file__).parents[2] / "captures"
    words = ["report", captures / "clean-sweep.csv", "--sheet", captures / "bench.toml"]
    result = CliRunner().invoke(main, [*map(str, words), "-o", str(tmp_path)])
    assert result.exit_code == 0
    said = (tmp_path / "report.md").read_text(encoding="utf-8")
    changes = said.partition("## What to change")[2].partition("\n## ")[0]
    assert "change the high endpoint by +2 points of the transmitter" in changes.replace("\\", "")
