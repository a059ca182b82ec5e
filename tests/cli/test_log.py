"""`pwmscope log` as the keeper of a club's register runs it."""

import datetime
import json
import re
import sqlite3
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from pwmscope.cli import main
from pwmscope.report.register import entries, robot_rows

ROOT = Path(__file__).parents[2]
PRESET, SWEEP = ROOT / "captures" / "preset.csv.gz", ROOT / "captures" / "clean-sweep.csv"
SHEET = ROOT / "captures" / "bench.toml"


def run(*words):
    return CliRunner().invoke(main, ["log", *map(str, words)])


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A register with two entries, and what adding them said."""
    register = tmp_path_factory.mktemp("club") / "club.sqlite"
    first = run("add", PRESET, "--sheet", SHEET, "--register", register, "--note", "bench 2")
    second = run("add", SWEEP, "--register", register)
    return register, first, second


def is_one_sentence(result):
    said = " ".join(result.stderr.split())
    return result.exit_code == 2 and said.endswith(".") and "Traceback" not in said


def test_add_says_the_number_and_the_answer(kept):
    register, first, second = kept
    assert (first.exit_code, second.exit_code) == (0, 0)
    assert first.output.startswith(f"Kept as entry 1 of {register}: ")
    assert "FAILSAFE does not meet: the servo holds its last width" in first.output
    assert second.output.startswith(f"Kept as entry 2 of {register}: ")


def test_add_refuses_the_same_again_and_what_it_cannot_read(kept, tmp_path):
    register, *_ = kept
    again = run("add", SWEEP, "--register", register)
    assert is_one_sentence(again)
    assert "entry 2 already; nothing was added" in again.stderr
    missing = run("add", tmp_path / "nowhere.csv", "--register", register)
    assert is_one_sentence(missing)
    assert "nowhere.csv" in missing.stderr


def test_list_shows_each_robots_verdict_once_as_the_day_sheet_does(kept):
    register, *_ = kept
    result = run("list", "--register", register)
    assert result.exit_code == 0
    said = "".join(result.output.split())
    for words in ("bench2", "preset.csv.gz", "clean-sweep.csv"):
        assert words in said
    rows = [row for _, row in robot_rows(register, entries(register))]
    listed = result.output.partition("\n\n")[0].splitlines()[1:]
    robots = [line for line in listed if not line.startswith(" ")]
    assert [line.split("  ")[0] for line in robots] == [row.robot for row in rows]
    for row, line in zip(rows, robots, strict=True):
        assert f"{row.verdict}  " in line


def test_list_shows_slowest_stop_losses_and_hazards_of_each_robot(tmp_path):
    register = tmp_path / "r.sqlite"
    run("add", ROOT / "captures" / "drill.csv.gz", "--sheet", SHEET, "--register", register)
    said = run("list", "--register", register).output
    assert re.search(r"^Quince +\S+ +meets +0\.98 s +10 of 10 +FAILSAFE", said, re.MULTILINE)
    assert "! Hazard, Quince. RX1, RX2, RX3: jumps to the held stick.\n" in said


def test_what_was_left_out_on_purpose_is_named_on_list_and_day_sheet(tmp_path):
    register, out = tmp_path / "club.sqlite", tmp_path / "day.html"
    drill = ROOT / "captures" / "drill.csv.gz"
    run("add", drill, "--sheet", SHEET, "--to", "40s", "--register", register)
    assert "only 0 to 40 s is examined" in " ".join(
        run("list", "--register", register).output.split()
    )
    run("day", out, "--register", register)
    assert "only 0 to 40 s is examined" in " ".join(out.read_text("utf-8").split())


def test_show_tells_an_entrys_findings_and_gives_the_json_as_kept(kept):
    register, *_ = kept
    result = run("show", 1, "--register", register)
    assert result.exit_code == 0
    for words in ("Entry 1, ", "SHA-256", "Quince, Millrace Robotics Club", "bench 2"):
        assert words in result.output
    assert (
        "\nAnswer: FAILSAFE does not meet: the servo holds its last width: 1610 us.\n"
        in result.output
    )
    assert "RX4: does not meet\n" in result.output
    data = json.loads(run("show", 1, "--register", register, "--json").output)
    for channel in data["channels"].values():
        for finding in channel["findings"]:
            assert f"  {finding['name']}: {finding['sentence']}\n" in result.output


def test_show_of_an_entry_that_is_not_there_is_one_sentence(kept):
    register, *_ = kept
    result = run("show", 9, "--register", register)
    assert is_one_sentence(result)
    assert "There is no entry 9; the register holds 2, the last is 2." in result.stderr


def test_export_writes_the_same_table_twice_over(kept, tmp_path):
    register, *_ = kept
    csv, parquet = tmp_path / "all.csv", tmp_path / "all.parquet"
    for out in (csv, parquet):
        result = run("export", out, "--register", register)
        assert result.exit_code == 0
    table = pl.read_parquet(parquet)
    assert f"{table.height} findings are in {parquet}." in result.output
    assert pl.read_csv(csv).height == table.height
    assert set(table["entry"]) == {1, 2}


def test_export_takes_two_forms_and_replaces_only_when_asked(kept, tmp_path):
    register, *_ = kept
    wrong = run("export", tmp_path / "all.xlsx", "--register", register)
    assert is_one_sentence(wrong)
    assert ".csv or .parquet" in wrong.stderr
    there = tmp_path / "all.csv"
    there.write_text("mine")
    refused = run("export", there, "--register", register)
    assert is_one_sentence(refused)
    assert "--replace" in refused.stderr
    assert there.read_text() == "mine"
    assert run("export", there, "--register", register, "--replace").exit_code == 0
    assert there.read_text() != "mine"


def test_day_writes_the_last_days_sheet(kept, tmp_path):
    register, *_ = kept
    out = tmp_path / "day.html"
    result = run("day", out, "--register", register)
    assert result.exit_code == 0
    with sqlite3.connect(register) as base:
        (added,) = base.execute("SELECT max(added_utc) FROM entry").fetchone()
    day = datetime.datetime.fromisoformat(added).astimezone().date()
    assert f"robots of {day}" in result.output or f"robot of {day}" in result.output
    assert f"<h1>Check sheet, {day}</h1>" in out.read_text()
    named = tmp_path / "named.html"
    assert run("day", named, "--register", register, "--date", day).exit_code == 0
    assert named.read_text() == out.read_text()
    assert is_one_sentence(run("day", out, "--register", register))
    assert run("day", out, "--register", register, "--replace").exit_code == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["day.html", "--date", "2001-02-03"], "there is no entry of 2001-02-03; the last days"),
        (["day.pdf"], "ends in .html"),
        (["day.html", "--date", "yesterday"], "yesterday"),
    ],
)
def test_day_refuses_in_one_sentence_and_writes_nothing(kept, tmp_path, words, said):
    register, *_ = kept
    result = run("day", tmp_path / words[0], *words[1:], "--register", register)
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "words", [["list"], ["show", 1], ["export", "all.csv"], ["day", "day.html"]]
)
def test_without_a_register_each_says_how_to_make_one(tmp_path, words):
    nowhere = tmp_path / "no.sqlite"
    result = run(*words, "--register", nowhere)
    assert is_one_sentence(result)
    assert "`pwmscope log add` makes one" in result.stderr
    nowhere.write_text("this is no register")
    assert is_one_sentence(run(*words, "--register", nowhere))
    assert nowhere.read_text() == "this is no register"
