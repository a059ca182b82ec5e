"""The check sheet of a day holds every verdict as it was kept, and nothing looks like a pass."""

import datetime
import re
import shutil
import sqlite3
import subprocess
from pathlib import Path

import html5lib
import numpy as np
import pytest

import pwmscope
from pwmscope.bench import CAUTIONS, load_sheet, parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.report.register import (
    NOT_JUDGED,
    RegisterError,
    add_entry,
    day_of,
    day_rows,
    day_sheet_text,
    entries,
    file_hash,
)

CAPTURES = Path("captures")
SHEET = CAPTURES / "bench.toml"


def dated(register, number, moment):
    with sqlite3.connect(register) as base:
        base.execute("UPDATE entry SET added_utc = ? WHERE id = ?", (moment, number))


@pytest.fixture(scope="module")
def club(tmp_path_factory):
    """Three entries of one day, one of the day before; two of them are of one robot."""
    register = tmp_path_factory.mktemp("club") / "club.sqlite"
    sheet = load_sheet(SHEET)
    for name, with_sheet in (
        ("clean-sweep.csv", None),
        ("drill.csv.gz", sheet),
        ("preset.csv.gz", sheet),
        ("holds-last.csv.gz", None),
    ):
        path = CAPTURES / name
        add_entry(
            register, path, pwmscope.examine(pwmscope.load(path), sheet=with_sheet), with_sheet
        )
    dated(register, 1, "2031-05-03T12:00:00+00:00")
    for number in (2, 3, 4):
        dated(register, number, f"2031-05-04T12:0{number}:00+00:00")
    return register


@pytest.fixture(scope="module")
def sheet_text(club):
    day, rows = day_rows(club)
    return day_sheet_text(club, day, rows)


def cells(text):
    """Text of each line's cells, and of each head of a block."""
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    blocks = []
    for body in tree.iter("tbody"):
        head = " ".join("".join(next(body.iter("th")).itertext()).split())
        rows = [
            ["".join(cell.itertext()).strip() for cell in row.iter("td")][-4:]
            for row in body.iter("tr")
            if row.attrib.get("class") != "sign"
        ]
        blocks.append((head, rows))
    return blocks


def test_it_is_of_the_last_day_unless_another_is_named(club):
    day, rows = day_rows(club)
    assert day == datetime.date(2031, 5, 4)
    assert [row.number for row in rows] == [2, 3, 4]
    day, rows = day_rows(club, datetime.date(2031, 5, 3))
    assert [row.number for row in rows] == [1]
    with pytest.raises(
        RegisterError, match=r"no entry of 2030-01-01; the last days are 2031-05-03"
    ):
        day_rows(club, datetime.date(2030, 1, 1))


def test_every_lines_verdict_stands_as_it_was_kept(club, sheet_text):
    held = {entry.number: entry for entry in entries(club) if day_of(entry).day == 4}
    blocks = cells(sheet_text)
    assert len(blocks) == len(held)
    for (head, rows), entry in zip(blocks, held.values(), strict=True):
        assert f"Entry {entry.number}, " in head
        assert head.startswith(entry.robot or "no robot named")
        assert f"SHA-256 {file_hash(Path(entry.source))[:12]}…" in head
        assert {name: verdict for name, verdict, *_ in rows} == entry.verdicts


def test_the_failsafe_and_what_is_open_are_the_findings_own(club, sheet_text):
    sheet = load_sheet(SHEET)
    found = pwmscope.examine(pwmscope.load(CAPTURES / "preset.csv.gz"), sheet=sheet)
    (_, rows) = next(block for block in cells(sheet_text) if "preset.csv.gz" in block[0])
    for name, _, failsafe, open_points in rows:
        judged = found.channels[name].judged
        assert failsafe == found.channels[name].silence.finding.verdict.value
        for finding in judged:
            is_open = finding.verdict.value != "meets"
            assert (finding.name in re.split(r"[:;,] ", open_points)) is is_open


def test_an_earlier_entry_of_a_robot_names_the_later_one(sheet_text):
    (first, _), (second, _), (unnamed, _) = cells(sheet_text)
    assert "Entry 3 of this robot is later." in first
    assert "later" not in second
    assert unnamed.startswith("no robot named")
    assert "No bench sheet" in unnamed


def test_only_what_meets_looks_as_if_it_did(sheet_text):
    marks = set(re.findall(r'<span class="verdict ([\w-]+)">([^<]+)</span>', sheet_text))
    assert marks == {(words.replace(" ", "-"), words) for _, words in marks}
    assert {"meets", "not shown", "does not meet"} <= {words for _, words in marks}
    style = sheet_text.partition("</style>")[0]
    assert re.search(r"\.not-shown, \.not-judged \{[^}]*dashed", style)
    assert ".meets" not in style
    assert "Not shown is no pass." in sheet_text
    assert re.findall(r"\bsafe\b|\bpass(ed|es)\b|✓|☑", sheet_text, re.IGNORECASE) == []


def test_cautions_come_first_and_the_rulebook_last(sheet_text):
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(sheet_text)
    said = " ".join("".join(tree.find("body").itertext()).split())
    places = [said.index(caution) for caution in CAUTIONS]
    assert places == sorted(places)
    assert places[-1] < said.index("Quince")
    assert said.rindex("safety officer decide.") > said.rindex("Inspector: name, signature")
    assert said.count("Builder: name, signature, time") == 3


def test_hostile_names_stay_text_and_a_line_without_servo_pulses_is_not_shown(tmp_path):
    name = "<img src=x onerror=alert(1)>"
    rise_us = 5_000 + 20_000 * np.arange(200)
    edges_ps = np.stack([rise_us, rise_us + 1500], axis=1).ravel().astype(np.int64) * 1_000_000
    lines = {name: Line(name, edges_ps, 0), "flat": Line("flat", np.zeros(0, np.int64), 0)}
    capture = Capture(lines, int(edges_ps[-1]) + 10**10, 1e6, "/home/someone/<u>made</u>")
    (tmp_path / "sheet.toml").write_text(
        'robot = "<script>alert(2)</script>"\nclub = "{{ 7 * 7 }}"'
    )
    sheet = load_sheet(tmp_path / "sheet.toml")
    (tmp_path / "made").write_text("made")
    register = tmp_path / "r.sqlite"
    add_entry(register, tmp_path / "made", pwmscope.examine(capture, sheet=sheet), sheet)
    text = day_sheet_text(register, *day_rows(register))
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    assert {node.tag for node in tree.iter()}.isdisjoint({"script", "img", "u"})
    assert "someone" not in text
    ((head, rows),) = cells(text)
    assert head.startswith("<script>alert(2)</script>")
    assert "{{ 7 * 7 }}" in head
    assert rows[0][0] == name
    assert rows[1] == ["flat", "not shown", "not shown", "no servo pulses"]


def test_an_empty_register_says_how_to_fill_it(club, tmp_path):
    empty = tmp_path / "empty.sqlite"
    shutil.copy(club, empty)
    with sqlite3.connect(empty) as base:
        base.execute("DELETE FROM finding")
        base.execute("DELETE FROM entry")
    with pytest.raises(RegisterError, match=r"holds no entry; `pwmscope log add` adds one"):
        day_rows(empty)


@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_it_prints_whole_in_a_browser(sheet_text, browser, tmp_path, paper):
    page, printed = tmp_path / "day.html", tmp_path / "day.pdf"
    page.write_text(sheet_text.replace("size: auto", f"size: {paper}"))
    subprocess.run(
        [*browser("no-pdf-header-footer", f"print-to-pdf={printed}"), page.as_uri()],
        capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed.read_bytes())
    size = {"A4": (595, 842), "letter": (612, 792)}[paper]
    assert 1 <= len(boxes) <= 2
    for box in boxes:
        assert [float(side) for side in box] == pytest.approx(size, abs=1.5)


def test_a_line_that_nothing_is_expected_of_is_not_judged(tmp_path):
    """A line that the bench sheet calls a stick has no limit for what a loss does."""
    sheet_text = '[channels.RX1]\nrole = "stick-throttle"\n'
    sheet = parse_sheet(sheet_text)
    findings = pwmscope.examine(pwmscope.load(CAPTURES / "clean-sweep.csv"), sheet=sheet)
    register = tmp_path / "r.sqlite"
    add_entry(register, CAPTURES / "clean-sweep.csv", findings)
    _, (row,) = day_rows(register)
    assert findings.channels["RX1"].silence.finding.limit == ""
    assert {line.name: line.failsafe for line in row.lines}["RX1"] == NOT_JUDGED
    assert NOT_JUDGED in day_sheet_text(register, *day_rows(register))
