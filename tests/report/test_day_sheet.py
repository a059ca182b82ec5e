"""The check sheet of a day holds every verdict as it was kept, and nothing looks like a pass."""

import dataclasses
import datetime
import json
import re
import shutil
import sqlite3
import subprocess
from pathlib import Path

import html5lib
import numpy as np
import pytest

import pwmscope
from pwmscope.bench import CAUTIONS, load_sheet
from pwmscope.capture import Capture, Line, clip
from pwmscope.findings import Verdict
from pwmscope.report.evidence import Judged
from pwmscope.report.failsafe import failsafe_json
from pwmscope.report.one_page import make_one_page
from pwmscope.report.register import (
    RegisterError,
    SameEntryError,
    add_answer,
    add_entry,
    day_rows,
    day_sheet_text,
    entries,
    file_hash,
    kept_answers,
    robot_rows,
)
from pwmscope.report.robots import DeviceVerdict, RobotAnswer, together

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


def blocks(text):
    """Each robot's block: its head, and the text of each cell of its first row."""
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    found = []
    for body in tree.iter("tbody"):
        head = " ".join("".join(next(body.iter("th")).itertext()).split())
        row = next(body.iter("tr"))
        found.append((head, [" ".join("".join(c.itertext()).split()) for c in row.iter("td")]))
    return found


def test_it_is_of_the_last_day_unless_another_is_named(club):
    day, rows = day_rows(club)
    assert day == datetime.date(2031, 5, 4)
    assert [[entry.number for entry in row.entries] for row in rows] == [[2, 3], [4]]
    day, rows = day_rows(club, datetime.date(2031, 5, 3))
    assert [[entry.number for entry in row.entries] for row in rows] == [[1]]
    with pytest.raises(
        RegisterError, match=r"no entry of 2030-01-01; the last days are 2031-05-03"
    ):
        day_rows(club, datetime.date(2030, 1, 1))


def test_a_robot_has_one_verdict_over_its_entries_and_a_failure_governs(club, sheet_text):
    """The drill meets ten times; the preset shows the lifter running on."""
    _, (quince, unnamed) = day_rows(club)
    assert (quince.robot, quince.verdict, quince.losses) == ("Quince", "does not meet", 12)
    assert (
        quince.decides
        == "preset.csv.gz: FAILSAFE does not meet: the servo holds its last width: 1610 us"
    )
    assert {device.line: device.verdict for device in quince.devices}["RX4"] == "does not meet"
    assert quince.met == 10
    assert quince.slowest_s == pytest.approx(0.979, abs=0.0005)  # the lifter held: no stop
    assert quince.hazards == ("RX1, RX2, RX3: jumps to the held stick",)
    assert unnamed.verdict != "meets"
    (head, cells), _ = blocks(sheet_text)
    assert re.match("Quince *Millrace Robotics Club *Entry 2, ", head)
    for entry in entries(club)[1:3]:
        assert f"{Path(entry.source).name}, bench sheet bench.toml" in head
        assert f"SHA-256 {file_hash(Path(entry.source))[:12]}…" in head
    assert cells[1].startswith("does not meet")
    assert cells[2:4] == ["0.98 s", "10 of 12"]


def test_the_summary_counts_robots_in_plain_english(club):
    day, (quince, unnamed) = day_rows(club)
    said = day_sheet_text(club, day, (quince, quince, unnamed))
    assert "<p>3 robots: 2 do not meet, 1 not shown. " in said
    assert "<p>1 robot: 1 does not meet. " in day_sheet_text(club, day, (quince,))


@pytest.mark.parametrize("as_stated", [False, True])
def test_a_recording_without_a_loss_keeps_its_robot_from_meeting_unless_it_is_of_pulses(
    tmp_path, as_stated
):
    """The sweep may hold a loss that nobody marked; so says the check of both as one test."""
    register, sheet, names = tmp_path / "r.sqlite", SHEET, ("clean-sweep.csv", "drill.csv.gz")
    sweep, drill = (pwmscope.analyse(CAPTURES / name, sheet=sheet) for name in names)
    add_answer(register, sweep, pulses_only=as_stated)
    add_answer(register, drill)
    _, (row,) = day_rows(register)
    if as_stated:
        assert (row.verdict, row.decides) == ("meets", drill.headline)
    else:
        together = pwmscope.analyse(*(CAPTURES / name for name in names), sheet=sheet)
        assert row.verdict == together.verdict == "not shown"
        assert row.decides == f"clean-sweep.csv: {sweep.headline}"
    assert (row.losses, row.met) == (10, 10)
    assert row.slowest_s == drill.failsafe.slowest_s
    with pytest.raises(RegisterError, match="A signal loss was found at"):
        add_answer(register, drill, pulses_only=True)


@pytest.mark.parametrize("quiet", [("RX3",), ("RX1", "RX2", "RX3", "RX4")])
def test_a_line_that_falls_quiet_counts_though_the_transmitter_is_stated_on(tmp_path, quiet):
    """The last two seconds of the sweep without pulses: a restart, a lead, or a loss after all."""
    register, path = tmp_path / "r.sqlite", CAPTURES / "clean-sweep.csv"
    capture = pwmscope.load(path)
    over_ps = capture.duration_ps - 2 * 10**12
    on = Line("tx-on", np.zeros(0, np.int64), 1)
    lines = {**capture.lines, on.name: on}
    for name in quiet:
        edges = lines[name].edges_ps
        kept = edges[: np.searchsorted(edges, over_ps) // 2 * 2]
        lines[name] = dataclasses.replace(lines[name], edges_ps=kept)
    sweep = pwmscope.analyse(dataclasses.replace(capture, lines=lines), sheet=SHEET)
    drill = pwmscope.analyse(CAPTURES / "drill.csv.gz", sheet=SHEET)
    add_answer(register, drill)
    add_answer(register, sweep, files=[path], pulses_only=True)
    _, (row,) = day_rows(register)
    assert row.verdict == "not shown"
    assert row.decides.startswith(f"clean-sweep.csv: FAILSAFE not shown: {quiet[0]} quiet from ")


def test_no_loss_is_told_to_meet_whose_device_was_not_recorded(tmp_path):
    """The lifter of two losses keeps its width; without its line neither of them meets."""
    register, path = tmp_path / "r.sqlite", CAPTURES / "preset.csv.gz"
    capture = pwmscope.load(path)
    lines = {name: line for name, line in capture.lines.items() if name != "RX4"}
    part = pwmscope.analyse(dataclasses.replace(capture, lines=lines), sheet=SHEET)
    add_answer(register, part, files=[path])
    _, (row,) = day_rows(register)
    assert (row.verdict, row.losses, row.met) == ("not shown", 2, 0)


def test_a_robot_that_meets_has_no_device_left_open():
    """The first half of a test does not show where RX1 rests; the second does."""

    def half(rest):
        judged = (
            Judged("failsafe", "signal loss", "RX1", Verdict.MEETS),
            Judged("pulses", "rest position", "RX1", rest),
        )
        devices = (DeviceVerdict("RX1", "left drive", rest),)
        return RobotAnswer("", judged, devices, (), 1.0, (), ("half.csv",))

    whole = together([half(Verdict.NOT_SHOWN), half(Verdict.MEETS)])
    assert (whole.verdict, whole.devices[0].verdict) == ("meets", "meets")
    still = together([half(Verdict.NOT_SHOWN), half(Verdict.NOT_SHOWN)])
    assert (still.verdict, still.devices[0].verdict) == ("not shown", "not shown")


def test_an_entry_without_a_date_counts_on_every_day_of_the_list_as_on_its_sheets(club, tmp_path):
    register = tmp_path / "r.sqlite"
    shutil.copy(club, register)
    dated(register, 2, "2031-05-03T12:00:00+00:00")
    dated(register, 3, "yesterday")
    rows = robot_rows(register, entries(register))
    for day in (datetime.date(2031, 5, 3), datetime.date(2031, 5, 4)):
        own = [row for of, row in rows if of == day]
        assert own == list(day_rows(register, day)[1])
        assert {row.verdict for row in own if row.robot == "Quince"} == {"does not meet"}


def test_several_recordings_are_one_answer_with_the_check_of_all_as_one_test(tmp_path):
    """What one test of both shows stands on the day's sheet, its check is kept beside it."""
    register = tmp_path / "r.sqlite"
    files = [CAPTURES / "drill.csv.gz", CAPTURES / "preset.csv.gz"]
    analysis = pwmscope.analyse(*files, sheet=SHEET).with_wiring()
    assert [entry.number for entry in add_answer(register, analysis)] == [1, 2]
    with pytest.raises(SameEntryError, match=r"entries 1, 2 already") as same:
        add_answer(register, analysis)
    assert same.value.numbers == (1, 2)
    (kept,) = kept_answers(register)
    assert kept.entries == {1, 2}
    assert json.loads(kept.check_text) == json.loads(failsafe_json(analysis.failsafe))
    _, (row,) = day_rows(register)
    assert (row.verdict, row.decides) == (analysis.verdict, analysis.headline)
    assert {d.line: d.verdict for d in row.devices} == {c.line: c.verdict for c in analysis.cards}
    assert row.slowest_s == analysis.failsafe.slowest_s
    assert (row.losses, row.met) == (12, 10)


@pytest.mark.parametrize("name", ["as-built", "one-board", "spin-down"])
def test_losses_that_meet_are_counted_anew_of_what_an_older_version_kept(tmp_path, name):
    """It counted those of a device that a relay cuts as not met, beside a headline that meets."""
    register, capture = tmp_path / "r.sqlite", CAPTURES / f"{name}.csv.gz"
    analysis = pwmscope.analyse(capture, sheet=CAPTURES / f"{name}.toml")
    add_answer(register, analysis)
    (row,) = day_rows(register)[1]
    (kept,) = kept_answers(register)
    stored = json.loads(kept.text)["trials"]
    assert [dataclasses.asdict(trial) for trial in kept.trials] == stored
    with sqlite3.connect(register) as base:
        text = json.dumps(
            json.loads(kept.text) | {"trials": [t | {"meets": False} for t in stored]}
        )
        base.execute("UPDATE answer SET answer_json = ?", (text,))
    (again,) = day_rows(register)[1]
    assert (again.met, again.losses) == (row.met, row.losses)
    assert row.met == (10 if name == "as-built" else row.met) > 0
    with sqlite3.connect(register) as base:
        base.execute("UPDATE failsafe SET check_json = '{}'")
    (damaged,) = day_rows(register)[1]
    assert (damaged.met, damaged.losses) == (0, row.losses)


def test_a_row_holds_the_same_answer_as_screen_and_page(tmp_path):
    for number, name in enumerate(("drill.csv.gz", "holds-last.csv.gz", "preset.csv.gz")):
        register = tmp_path / f"{number}.sqlite"
        analysis = pwmscope.analyse(CAPTURES / name, sheet=SHEET)
        add_answer(register, analysis)
        _, (row,) = day_rows(register)
        sheet = make_one_page(analysis)
        assert (row.verdict, row.decides) == (sheet.verdict, sheet.headline)
        assert (row.slowest_s, row.losses) == (sheet.slowest_s, sheet.trials)
        assert len(row.hazards) == len(analysis.hazards)
        assert {d.line: d.verdict for d in row.devices} == {
            card.line: card.verdict for card in analysis.cards
        }


def test_a_line_of_the_sheet_that_no_recording_holds_is_not_shown(tmp_path):
    """The failsafe check of the same recording says so, and the register must not say more."""
    named = SHEET.read_text("utf-8") + '\n[channels.RX5]\nrole = "weapon"\nno_pulses = "stops"\n'
    (tmp_path / "more.toml").write_text(named)
    register, sheet = tmp_path / "r.sqlite", load_sheet(tmp_path / "more.toml")
    findings = pwmscope.examine(pwmscope.load(CAPTURES / "drill.csv.gz"), sheet=sheet)
    add_entry(register, CAPTURES / "drill.csv.gz", findings, sheet)
    _, (row,) = day_rows(register)
    assert (row.verdict, row.decides) == ("not shown", "FAILSAFE not shown: RX5")


OLDER = "DROP TABLE answer; DROP TABLE answered; "
"""Makes a register what an older pwmscope has written."""


@pytest.mark.parametrize("spoiled", ["DROP TABLE failsafe", "UPDATE failsafe SET check_json = '['"])
def test_an_entry_without_its_failsafe_check_says_that_lines_may_be_missing(tmp_path, spoiled):
    register, sheet = tmp_path / "r.sqlite", load_sheet(SHEET)
    findings = pwmscope.examine(pwmscope.load(CAPTURES / "preset.csv.gz"), sheet=sheet)
    add_entry(register, CAPTURES / "preset.csv.gz", findings, sheet)
    with sqlite3.connect(register) as base:
        base.executescript(OLDER + spoiled)
    _, (row,) = day_rows(register)
    assert row.verdict == "does not meet"
    assert "Entry 1 was kept without its failsafe check: lines may be missing." in row.trouble


def test_without_a_recorded_loss_nothing_meets(tmp_path):
    register, sheet = tmp_path / "r.sqlite", load_sheet(SHEET)
    findings = pwmscope.examine(pwmscope.load(CAPTURES / "clean-sweep.csv"), sheet=sheet)
    add_entry(register, CAPTURES / "clean-sweep.csv", findings, sheet)
    _, (row,) = day_rows(register)
    assert (row.verdict, row.losses) == ("not shown", 0)
    assert row.decides == "PULSES meet, 4 of 4; failsafe not recorded"


def test_only_what_meets_looks_as_if_it_did(sheet_text):
    body = sheet_text.partition("<body>")[2]
    marks = re.findall(r'<span class="verdict ([\w-]+)"><svg.*?</svg> ([^<]+)</span>', body)
    assert set(marks) == {(words.replace(" ", "-"), words) for _, words in marks}
    assert {"not shown", "does not meet"} <= {words for _, words in marks}
    assert "Not shown is no pass." in sheet_text
    assert re.findall(r"\bsafe\b|\bpass(ed|es)\b|✓|☑", sheet_text, re.IGNORECASE) == []


def test_six_robots_fit_on_one_page(tmp_path, browser):
    register, sheet = tmp_path / "r.sqlite", load_sheet(SHEET)
    findings = pwmscope.examine(pwmscope.load(CAPTURES / "preset.csv.gz"), sheet=sheet)
    for number in range(6):
        made = dataclasses.replace(sheet, robot=f"Robot {number} of the Millrace Club")
        copy = tmp_path / f"loss-{number}.csv"
        copy.write_text(str(number))
        add_entry(register, copy, findings, made)
    page, printed = tmp_path / "day.html", tmp_path / "day.pdf"
    page.write_text(day_sheet_text(register, *day_rows(register)))
    subprocess.run(
        [*browser("no-pdf-header-footer", f"print-to-pdf={printed}"), page.as_uri()],
        capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    assert len(re.findall(rb"/MediaBox", printed.read_bytes())) == 1
    assert len(re.findall(rb"/MediaBox", printed.read_bytes())) == 1


def test_cautions_come_first_and_the_rulebook_last(sheet_text):
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(sheet_text)
    said = " ".join("".join(tree.find("body").itertext()).split())
    places = [said.index(caution) for caution in CAUTIONS]
    assert places == sorted(places)
    assert places[-1] < said.index("Quince")
    assert said.rindex("safety officer decide.") > said.rindex("Inspector: name, signature")
    assert said.count("Builder: name, signature, time") == 2


def test_of_two_failures_the_more_dangerous_device_is_named_first(tmp_path):
    """The preset shows the lifter run on, the hold the weapon, the drives and the lifter."""
    register = tmp_path / "r.sqlite"
    for name in ("preset.csv.gz", "holds-last.csv.gz"):
        add_answer(register, pwmscope.analyse(CAPTURES / name, sheet=SHEET))
    _, (row,) = day_rows(register)
    assert row.decides.startswith("holds-last.csv.gz: FAILSAFE does not meet: the weapon holds")
    assert row.decides.endswith("; 1 more answer: does not meet")
    assert row.devices[0].line == "RX3"


def test_an_older_entry_holds_what_its_findings_and_its_check_show(tmp_path):
    """Without the answer that a newer pwmscope keeps beside it the robot's row is the same."""
    for number, name in enumerate(("drill.csv.gz", "holds-last.csv.gz")):
        register = tmp_path / f"{number}.sqlite"
        add_answer(register, pwmscope.analyse(CAPTURES / name, sheet=SHEET))
        _, (newer,) = day_rows(register)
        with sqlite3.connect(register) as base:
            base.executescript(OLDER)
        _, (older,) = day_rows(register)
        same = ("verdict", "decides", "slowest_s", "losses", "met", "hazards", "trouble")
        for field in same:
            assert getattr(older, field) == getattr(newer, field), field


def test_hostile_names_stay_text_and_a_line_on_which_nothing_was_recorded_is_named(tmp_path):
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
    ((head, _),) = blocks(text)
    assert head.startswith("<script>alert(2)</script>")
    assert "{{ 7 * 7 }}" in head
    _, (row,) = day_rows(register)
    assert row.verdict == "not shown"
    assert f"of {name}" in row.open
    (kept,) = kept_answers(register)
    assert "Nothing was recorded on flat." in kept.answer.left_out


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
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", sheet_text)
    page.write_text(text.replace("size: auto", f"size: {paper}"))
    subprocess.run(
        [*browser("no-pdf-header-footer", f"print-to-pdf={printed}"), page.as_uri()],
        capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed.read_bytes())
    size = {"A4": (595, 842), "letter": (612, 792)}[paper]
    assert 1 <= len(boxes) <= 2
    for box in boxes:
        assert [float(side) for side in box] == pytest.approx(size, abs=1.5)


def entered(register, name, sheet):
    findings = pwmscope.examine(pwmscope.load(CAPTURES / name), sheet=sheet)
    return add_entry(register, CAPTURES / name, findings, sheet)


@pytest.fixture(scope="module")
def meets_then_fails(tmp_path_factory):
    """One robot: entry 1 meets ten times, entry 2 shows a lifter that runs on."""
    register = tmp_path_factory.mktemp("pair") / "pair.sqlite"
    for name in ("drill.csv.gz", "preset.csv.gz"):
        entered(register, name, load_sheet(SHEET))
    return register


@pytest.mark.parametrize(
    ("spoiled", "verdict"),
    [
        ("UPDATE entry SET findings_json = '{' WHERE id = 2", "does not meet"),
        (OLDER + "UPDATE entry SET findings_json = '{'; DELETE FROM failsafe", "not shown"),
        ("UPDATE answer SET answer_json = '{' WHERE id = 2", "not shown"),
        (OLDER, "does not meet"),
        ("UPDATE entry SET added_utc = 'some day' WHERE id = 2", "does not meet"),
        ("UPDATE entry SET robot = ' QUINCE' WHERE id = 2", "does not meet"),
        ("UPDATE entry SET club = '' WHERE id = 2", "does not meet"),
    ],
)
def test_what_is_less_known_of_an_entry_never_makes_its_robot_meet(
    meets_then_fails, tmp_path, spoiled, verdict
):
    """The entry that fails loses its findings, its date, its club, or a capital of its name."""
    register = tmp_path / "spoiled.sqlite"
    shutil.copy(meets_then_fails, register)
    with sqlite3.connect(register) as base:
        base.executescript(spoiled)
    _, (row,) = day_rows(register)
    assert (row.verdict, [entry.number for entry in row.entries]) == (verdict, [1, 2])


def test_robots_of_one_name_in_two_clubs_are_two(meets_then_fails, tmp_path):
    register = tmp_path / "two.sqlite"
    shutil.copy(meets_then_fails, register)
    with sqlite3.connect(register) as base:
        base.execute("UPDATE entry SET club = 'Weir Bots (invented)' WHERE id = 2")
    assert [row.verdict for row in day_rows(register)[1]] == ["meets", "does not meet"]


def test_a_line_that_may_be_missing_keeps_its_robot_from_meeting_until_it_is_added_again(tmp_path):
    register, sheet = tmp_path / "r.sqlite", load_sheet(SHEET)
    entered(register, "drill.csv.gz", sheet)
    with sqlite3.connect(register) as base:
        base.executescript(OLDER + "DELETE FROM failsafe")
    _, (row,) = day_rows(register)
    assert (row.verdict, row.decides) == (
        "not shown",
        "entry 1: FAILSAFE not shown: entry 1 cannot be read",
    )
    assert entered(register, "drill.csv.gz", sheet).number == 2
    _, (row,) = day_rows(register)
    assert row.verdict == "meets"
    with pytest.raises(RegisterError, match="is entry 2 already"):
        entered(register, "drill.csv.gz", sheet)


def test_the_whole_recording_is_entered_although_a_part_of_it_was(tmp_path):
    """Seven seconds of the recording do not show what all of it does: the lifter runs on."""
    register, sheet = tmp_path / "r.sqlite", load_sheet(SHEET)
    path = CAPTURES / "preset.csv.gz"
    part = clip(pwmscope.load(path), 0.0, 7.0)
    add_entry(register, path, pwmscope.examine(part, sheet=sheet), sheet)
    assert day_rows(register)[1][0].verdict == "not shown"
    assert entered(register, "preset.csv.gz", sheet).number == 2
    assert day_rows(register)[1][0].verdict == "does not meet"
