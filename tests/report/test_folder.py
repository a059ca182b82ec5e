"""A report's files are whole or not there, and stay in their folder."""

import errno
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import pwmscope
from pwmscope.capture import Capture, Line
from pwmscope.errors import OutputError
from pwmscope.report import composition
from pwmscope.report.folder import (
    Written,
    entry_of,
    folder_names,
    unused_entry,
    write_index,
    write_report,
)

CAPTURES = Path("captures")
NAMES = ["findings.json", "report.html", "report.md", "report.pdf"]


@pytest.fixture(scope="module")
def analysis():
    edges_us = 5_000 + 20_000 * np.arange(60)
    edges_us = np.stack([edges_us, edges_us + 1520], axis=1).ravel()
    line = Line("../../../out", edges_us.astype(np.int64) * 1_000_000, 0)
    return pwmscope.analyse(Capture({line.name: line}, 12 * 10**11, 1e6, "bench.csv"))


def names_in(folder):
    return sorted(path.name for path in folder.iterdir())


def test_all_forms_are_written_and_twice_the_same(analysis, tmp_path):
    write_report(analysis, tmp_path / "a")
    write_report(analysis, tmp_path / "b")
    assert names_in(tmp_path) == ["a", "b"]
    assert names_in(tmp_path / "a") == NAMES
    for name in NAMES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


@pytest.mark.parametrize("name", NAMES)
def test_a_file_that_is_there_is_kept_unless_replaced(analysis, tmp_path, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(OutputError, match="replace=True"):
        write_report(analysis, tmp_path)
    assert names_in(tmp_path) == [name]
    write_report(analysis, tmp_path, replace=True)
    assert names_in(tmp_path) == NAMES
    assert (tmp_path / name).read_bytes() != b"mine"


@pytest.mark.parametrize("nth", range(4))
def test_a_full_disk_leaves_what_was_there(analysis, tmp_path, monkeypatch, nth):
    for name in NAMES:
        (tmp_path / name).write_text("old")
    opened = []

    def full(path, mode="r", *others, **more):
        if mode == "xb":
            opened.append(path)
            if len(opened) > nth:
                raise OSError(errno.ENOSPC, "No space left on device")
        return real(path, mode, *others, **more)

    real = Path.open
    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(OutputError, match=r"cannot be written \(No space left on device\)"):
        write_report(analysis, tmp_path, replace=True)
    assert len(opened) == nth + 1
    assert names_in(tmp_path) == NAMES
    assert all((tmp_path / name).read_bytes() == b"old" for name in NAMES)


HOSTILE = [
    "../../etc/passwd", "..\\..\\windows", "..", ".", "", "/", "x" * 10_000 + ".csv", "con.csv",
    "index.html.csv", "\u202egnp.exe.csv", "\u05d0\u05d1\u05d2.csv", "<script>.csv", "a/b.csv",
    "b.csv", "B.CSV.gz", "a b\n\x00.csv", "-rf.csv", "~.csv", "$HOME.csv", ".hidden.csv",
]  # fmt: skip


def check_names(sources):
    names = folder_names(sources)
    assert len(names) == len(sources)
    assert len({name.casefold() for name in names}) == len(names)
    for name in names:
        assert 1 <= len(name) <= 64
        assert name.isascii()
        assert name[0].isalnum()
        assert all(letter.isalnum() or letter in "._-" for letter in name)
        assert (Path("in") / name).resolve().parent == Path("in").resolve()


def test_hostile_file_names_stay_in_the_folder():
    check_names(HOSTILE)


@given(st.lists(st.text(max_size=200), max_size=12))
def test_any_file_names_stay_in_the_folder(sources):
    check_names(sources)


def test_a_name_made_unique_may_not_meet_another():
    check_names(["b.csv", "b.vcd", "b-2.csv", "B-2.csv"])


def test_the_index_lists_hostile_names_and_troubles_harmlessly(tmp_path):
    entries = [
        unused_entry(f"/home/someone/{name}", f"/home/someone/{name}: bad <b>row</b>.")
        for name in ("<script>x</script>.csv", "y" * 10_000)
    ]
    text = write_index(entries, tmp_path, replace=False).read_text()
    assert "<script>" not in text
    assert "<b>" not in text
    assert "someone" not in text
    assert "y" * 100 not in text
    assert text.count("not used") == 2
    with pytest.raises(OutputError, match="replace=True"):
        write_index(entries, tmp_path, replace=False)


def test_the_index_gives_each_robot_one_verdict_over_its_recordings(tmp_path):
    """The sweep has no loss, one file is unusable, the drill meets: together nothing is shown."""
    entries = []
    for name in ("drill.csv.gz", "clean-sweep.csv"):
        analysis = pwmscope.analyse(CAPTURES / name, sheet=CAPTURES / "bench.toml")
        (tmp_path / name).mkdir()
        files = [tmp_path / name / part for part in ("a.html", "a.pdf", "a.md", "a.json")]
        entries.append(entry_of(name, analysis, Written(*files, None)))
    one = write_index(entries[:1], tmp_path, replace=False).read_text()
    assert "FAILSAFE meets, 10 of 10, slowest 0.98 s" in one
    assert ("Quince" in one, "10 of 10</td>" in one, "0.98 s</td>" in one) == (True, True, True)
    assert "Hazard: RX1, RX2, RX3: jumps to the held stick" in one
    entries.append(unused_entry("x.csv", "x.csv: the file holds no row.", "QUINCE "))
    text = write_index(entries, tmp_path, replace=True).read_text()
    assert text.count('<th scope="row">') == 1
    assert re.search(r'data-label="verdict"><span class="verdict not-shown">', text)
    assert "x.csv</bdi> not used: The file: the file holds no row." in text


def test_a_folder_that_cannot_be_made_is_one_sentence(analysis, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match=r"the folder cannot be made \(.*\); name another one\.$"):
        write_report(analysis, tmp_path / "file" / "sub")


def test_a_failure_while_drawing_makes_no_folder(analysis, tmp_path, monkeypatch):
    def broken(*_):
        raise RuntimeError("no ink")

    monkeypatch.setattr(composition, "draw_channel", broken)
    with pytest.raises(RuntimeError):
        write_report(analysis, tmp_path / "new")
    assert not (tmp_path / "new").exists()
