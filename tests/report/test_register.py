"""The register: what was kept is there again, and two writers lose nothing."""

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

import pwmscope
from pwmscope.bench import load_sheet
from pwmscope.report.data import to_json
from pwmscope.report.register import (
    RegisterError,
    add_entry,
    entries,
    entry_json,
    file_hash,
    findings_table,
)

CAPTURE, SHEET = Path("captures/preset.csv.gz"), Path("captures/bench.toml")


@pytest.fixture(scope="module")
def findings():
    return pwmscope.examine(pwmscope.load(CAPTURE), sheet=load_sheet(SHEET))


@pytest.fixture
def register(tmp_path):
    return tmp_path / "club.sqlite"


def test_an_entry_is_there_again_as_it_was_kept(register, findings):
    added = add_entry(register, CAPTURE, findings, load_sheet(SHEET), note="bench 2")
    (entry,) = entries(register)
    assert entry == added
    assert (entry.number, entry.robot, entry.club) == (1, "Quince", "Millrace Robotics Club")
    assert (entry.note, entry.version) == ("bench 2", pwmscope.__version__)
    assert entry.verdicts["RX4"] == "does not meet"
    assert entry_json(register, 1) == (entry, to_json(findings))


def test_the_hash_is_that_of_the_files_bytes(tmp_path):
    """FIPS 180-4, the example of one block: SHA-256 of "abc" (from memory)."""
    (tmp_path / "abc").write_bytes(b"abc")
    assert file_hash(tmp_path / "abc") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )


def test_the_same_recording_with_the_same_sheet_is_not_kept_twice(register, findings):
    sheet = load_sheet(SHEET)
    add_entry(register, CAPTURE, findings, sheet)
    with pytest.raises(RegisterError, match="entry 1 already"):
        add_entry(register, CAPTURE, findings, sheet)
    assert add_entry(register, CAPTURE, findings).number == 2
    assert len(entries(register)) == 2


def test_every_finding_is_a_row_with_its_entrys_facts(register, findings, tmp_path):
    add_entry(register, CAPTURE, findings)
    table = findings_table(register)
    told = sum(len(channel.findings) for channel in findings.channels.values())
    assert table.height == told + len(findings.recording_findings)
    neutral = table.filter((pl.col("line") == "RX1") & (pl.col("name") == "neutral"))
    assert neutral["number"].item() == findings.channels["RX1"].travel.neutral.width_us
    assert neutral["sha256"].item() == file_hash(CAPTURE)
    table.write_parquet(tmp_path / "all.parquet")
    assert pl.read_parquet(tmp_path / "all.parquet").equals(table)


ADDER = """
import dataclasses, sys, pathlib, pwmscope
from pwmscope.report.register import add_entry
findings = pwmscope.examine(pwmscope.load(sys.argv[2]))
for k in range(25):
    recording = pathlib.Path(sys.argv[3]) / f"{sys.argv[4]}-{k}"
    recording.write_text(f"{sys.argv[4]} {k}")
    add_entry(pathlib.Path(sys.argv[1]), recording, findings)
"""


def test_two_processes_that_add_at_once_lose_nothing(register, tmp_path):
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", ADDER, register, "captures/zoo/changes.csv", tmp_path, who]
        )
        for who in ("one", "two")
    ]
    assert [writer.wait(timeout=120) for writer in writers] == [0, 0]
    kept = entries(register)
    assert [entry.number for entry in kept] == list(range(1, 51))
    assert len({entry.sha256 for entry in kept}) == 50


def test_a_failed_addition_leaves_nothing_behind(register, findings):
    add_entry(register, CAPTURE, findings)
    with pytest.raises(RegisterError):
        add_entry(register, Path("nowhere.csv"), findings)
    assert len(entries(register)) == 1


@pytest.mark.parametrize("content", [b"text", b"", None])
def test_what_is_no_register_is_refused_and_left_alone(register, content):
    if content is not None:
        register.write_bytes(content)
    with pytest.raises(RegisterError, match=r"register"):
        entries(register)
    assert (register.read_bytes() if register.exists() else None) == content


def test_another_programs_file_is_not_written_to(register, findings):
    with sqlite3.connect(register) as base:
        base.execute("CREATE TABLE notes (text)")
    before = register.read_bytes()
    with pytest.raises(RegisterError, match="no register of this version"):
        add_entry(register, CAPTURE, findings)
    assert register.read_bytes() == before


def test_there_is_no_such_entry(register, findings):
    add_entry(register, CAPTURE, findings)
    with pytest.raises(RegisterError, match="holds 1, the last is 1"):
        entry_json(register, 7)
    assert json.loads(entry_json(register, 1)[1])["schema"] == 1
