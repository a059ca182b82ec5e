"""A register whose entries are damaged or newer: each told by its number, the rest readable."""

import json
import sqlite3

import pytest
from click.testing import CliRunner

from pwmscope.cli import main


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


@pytest.fixture
def register(tmp_path):
    """Three entries, of three recordings."""
    file = tmp_path / "club.sqlite"
    for k in range(3):
        recording = tmp_path / f"r{k}.csv"
        rows = "".join(f"{20_000 * n},1\n{20_000 * n + 1500 + k},0\n" for n in range(1, 30))
        recording.write_text("time_us,RX1\n0,0\n" + rows)
        assert run("log", "add", recording, "--register", file).exit_code == 0
    return file


def spoil(register, number, column, value):
    with sqlite3.connect(register) as base:
        base.execute(f"UPDATE entry SET {column} = ? WHERE id = ?", (value, number))
    base.close()


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("findings_json", "{not json", "Entry 2 is damaged: its findings"),
        ("findings_json", json.dumps({"schema": 1, "channels": []}), "its lines cannot be read"),
        ("findings_json", json.dumps({"schema": 7, "channels": {}}), "newer pwmscope"),
        ("findings_json", b"\xff\x00", "Entry 2 is damaged"),
        ("added_utc", "some day", "its date cannot be read"),
        ("robot", b"\xff", "its facts are no texts"),
    ],
)
def test_one_spoiled_entry_is_told_and_the_others_are_listed(register, column, value, words):
    spoil(register, 2, column, value)
    listed = run("log", "list", "--register", register)
    assert listed.exit_code == 0
    assert words in listed.stderr
    assert "r0.csv" in listed.output
    assert "r2.csv" in listed.output
    shown = run("log", "show", "2", "--register", register)
    assert shown.exit_code == 2
    assert words in shown.stderr
    assert run("log", "show", "3", "--register", register).exit_code == 0


def test_the_day_sheet_says_which_entry_cannot_be_read(register, tmp_path):
    spoil(register, 2, "findings_json", "{")
    page = tmp_path / "day.html"
    assert run("log", "day", page, "--register", register).exit_code == 0
    assert "Entry 2 is damaged" in page.read_text()


def test_a_register_of_a_newer_version_says_so(register):
    with sqlite3.connect(register) as base:
        base.execute("PRAGMA user_version = 9")
    base.close()
    assert "newer version" in run("log", "list", "--register", register).stderr


def test_a_file_that_is_no_register_is_refused_in_our_own_words(tmp_path):
    file = tmp_path / "a.sqlite"
    file.write_bytes(b"no database at all" * 100)
    said = run("log", "list", "--register", file).stderr
    assert "it is no register" in said
    assert "database" not in said


def test_exported_texts_run_nothing_in_a_spreadsheet(register, tmp_path):
    spoil(register, 1, "note", '=HYPERLINK("x")')
    spoil(register, 2, "robot", "@SUM(1)")
    out = tmp_path / "all.csv"
    assert run("log", "export", out, "--register", register).exit_code == 0
    text = out.read_text()
    assert "'=HYPERLINK" in text
    assert ",=HYPERLINK" not in text
    assert "'@SUM(1)" in text
