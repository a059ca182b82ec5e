"""One page an inspector can read, copy and sign, whatever the robot."""

import dataclasses
import hashlib
import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from types import SimpleNamespace

import pytest

import pwmscope
from pwmscope.errors import ArgumentError, OutputError
from pwmscope.findings import Verdict
from pwmscope.model import badness
from pwmscope.report import Action, Answer, Card, make_one_page, write_one_page

CAPTURES = Path(__file__).parents[2] / "captures"
SHEET = CAPTURES / "bench.toml"


@pytest.fixture(scope="module")
def drill():
    return pwmscope.analyse(CAPTURES / "drill.csv.gz", sheet=SHEET)


@pytest.fixture(scope="module")
def preset():
    return pwmscope.analyse(CAPTURES / "preset.csv.gz", sheet=SHEET)


def text_of(path, first=1, last=1):
    words = ["pdftotext", "-layout", "-f", str(first), "-l", str(last), str(path), "-"]
    ran = subprocess.run(words, capture_output=True, text=True, check=True)
    return re.sub(r"\s+", " ", ran.stdout)


def facts_of(path):
    ran = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True)
    return dict(re.findall(r"^([^:]+):\s+(.*)$", ran.stdout, re.MULTILINE))


def robot(analysis, devices, losses=None, words=1):
    """A robot with so many devices and losses, and every text so many times as long."""
    line = analysis.failsafe.lines[0]
    names = [f"OUT{n}" for n in range(devices)]
    if losses is not None:
        seen = line.recordings[0]
        events = (seen.losses.events * (losses // len(seen.losses.events) + 1))[:losses]
        silence = dataclasses.replace(seen.losses, events=events)
        line = dataclasses.replace(line, recordings=(dataclasses.replace(seen, losses=silence),))
    failsafe = dataclasses.replace(
        analysis.failsafe, lines=tuple(dataclasses.replace(line, line=name) for name in names)
    )
    (hazard, *_) = analysis.hazards
    long = "a rather long piece of news about what was seen here " * words
    verdicts = (Verdict.NOT_SHOWN, Verdict.DOES_NOT_MEET, Verdict.MEETS)
    cards = [
        Card(name, "servo", f"device {n} {long}", verdicts[n % 3], long, long)
        for n, name in enumerate(names)
    ]
    return SimpleNamespace(
        recordings=analysis.recordings,
        failsafe=failsafe,
        sheet=analysis.sheet,
        findings=analysis.findings,
        answer=Answer(
            analysis.headline,
            Verdict.DOES_NOT_MEET,
            tuple(dataclasses.replace(hazard, lines=(name,) * 9) for name in names[:5]),
            tuple(sorted(cards, key=lambda card: badness(card.verdict))),
            (Action("do", (), long),) * 5,
            (),
        ),
    )


@pytest.mark.parametrize(("paper", "size"), [("a4", "595.276 x 841.89"), ("letter", "612 x 792")])
def test_it_is_one_tagged_page_of_the_paper_asked_for(preset, tmp_path, paper, size):
    facts = facts_of(write_one_page(preset, tmp_path / "one.pdf", paper=paper))
    assert facts["Pages"] == "1"
    assert facts["Tagged"] == "yes"
    assert facts["Page size"].startswith(size)


def test_it_says_what_an_inspector_files(preset, tmp_path):
    told = text_of(write_one_page(preset, tmp_path / "one.pdf"))
    digest = hashlib.sha256((CAPTURES / "preset.csv.gz").read_bytes()).hexdigest()
    for expected in (
        "Quince", "Millrace Robotics Club", "receiver, four outputs", "section 4", "Limit: 2 s",
        "lifter servo", "RX4", "does not meet", "1610 us", "2 losses: 1 does not meet, 1 not shown",
        "Losses recorded: 2", digest, "Builder: name", "Inspector: name", "Signature",
        "Remove the weapon", "safety officer decide",
    ):  # fmt: skip
        assert expected in told, expected
    assert preset.headline in told
    assert preset.actions[0].sentence in told
    assert not re.search(r"\bsafe\b", told)


def test_it_says_so_where_no_hazard_was_seen(preset, tmp_path):
    assert preset.hazards == ()
    assert "No hazard seen" in text_of(write_one_page(preset, tmp_path / "one.pdf"))


def test_its_data_are_fields(drill):
    page = make_one_page(drill)
    assert (page.robot, page.verdict, page.trials) == ("Quince", "meets", 10)
    assert page.slowest_s == pytest.approx(drill.failsafe.slowest_s)
    assert {device.number for device in page.devices} == {"0.98 s"}
    assert {device.number_is for device in page.devices} == {"slowest of 10 stops"}
    assert page.hazards[0].startswith("Hazard: ")
    assert page.announced == ""


def test_the_worst_device_comes_first(preset):
    assert make_one_page(preset).devices[0].line == "RX4"


def test_what_a_kill_channel_cuts_says_so_and_not_its_own_stop_time(tmp_path):
    """as-built: the weapon's own pulses go on; the relay on RX4 cuts its power."""
    recording, sheet = CAPTURES / "as-built.csv.gz", CAPTURES / "as-built.toml"
    analysis = pwmscope.analyse(recording, sheet=sheet)
    write_one_page([analysis], tmp_path / "sheet.pdf")
    said = text_of(tmp_path / "sheet.pdf")
    assert "The kill channel RX4 is shown to cut its power in time" in said
    told = {device.line: device.number_is for device in make_one_page(analysis).devices}
    assert "slowest of 10 stops" not in told["RX3"]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_twelve_devices_with_the_longest_words_fit_on_one_page(drill, tmp_path, paper):
    path = write_one_page(robot(drill, 12, words=3), tmp_path / "one.pdf", paper=paper)
    assert facts_of(path)["Pages"] == "1"
    assert "2 more hazards" in text_of(path)


def test_more_devices_follow_on_a_page_that_the_first_announces(drill, tmp_path):
    path = write_one_page(robot(drill, 16, words=3), tmp_path / "one.pdf")
    assert facts_of(path)["Pages"] == "2"
    assert "Here are the 12 worst of 16 devices; page 2 has the rest." in text_of(path)
    assert len(re.findall(r"\bOUT\d+\b", text_of(path, 2, 2))) == 4


def test_more_losses_are_drawn_on_a_page_that_the_first_announces(drill, tmp_path):
    many = robot(drill, 4, losses=300)
    page = make_one_page(many)
    assert [device.left_out for device in page.devices] == [260] * 4
    assert [device.left_out for device in page.more_devices] == [0] * 4
    path = write_one_page(many, tmp_path / "one.pdf")
    assert "Strips here draw the 40 worst losses; page 2 draws all." in text_of(path)
    assert facts_of(path)["Pages"] == "2"


def test_lines_that_nobody_names_have_their_own_name_once(drill, tmp_path):
    bare = robot(drill, 12)
    cards = [
        dataclasses.replace(c, line=c.line + "-x" * 30, role="", device="")
        for c in bare.answer.cards
    ]
    bare.answer = dataclasses.replace(bare.answer, cards=tuple(cards))
    page = make_one_page(bare)
    assert all(device.name == device.line and len(device.name) <= 26 for device in page.devices)
    assert facts_of(write_one_page(bare, tmp_path / "one.pdf"))["Pages"] == "1"


def test_several_robots_have_a_sheet_each(drill, preset, tmp_path):
    path = write_one_page([drill, preset], tmp_path / "day.pdf")
    assert facts_of(path)["Pages"] == "2"
    assert "does not meet" in text_of(path, 2, 2)


def test_a_strip_is_black_and_white_and_its_words_say_what_it_shows(drill):
    for device in make_one_page(drill).devices:
        colours = set(re.findall(r"#([0-9a-f]{6})", device.strip))
        assert all(len({c[:2], c[2:4], c[4:]}) == 1 for c in colours)
        assert "at 10 losses: 10 meet." in device.alt
        assert ET.fromstring(device.strip).get("aria-label") == device.alt


def test_hostile_names_stay_words(drill, tmp_path):
    hostile = "\u202e<b>#panic(1)\x1b[31m\u2066" + "x" * 200
    sheet = dataclasses.replace(drill.sheet, robot=hostile, club=hostile, rulebook=hostile)
    other = robot(drill, 2)
    other.sheet = sheet
    cards = tuple(dataclasses.replace(card, device=hostile) for card in other.answer.cards)
    other.answer = dataclasses.replace(other.answer, headline=hostile, cards=cards)
    path = write_one_page(other, tmp_path / "one.pdf")
    told = text_of(path)
    assert "?<b>#panic(1)?[31m?" in told
    assert "x" * 190 not in told
    assert facts_of(path)["Pages"] == "1"


def test_it_gives_the_same_bytes_twice_and_keeps_what_is_there(drill, tmp_path):
    first = write_one_page(drill, tmp_path / "one.pdf").read_bytes()
    assert write_one_page(drill, tmp_path / "two.pdf").read_bytes() == first
    with pytest.raises(OutputError, match="already there"):
        write_one_page(drill, tmp_path / "one.pdf")


def test_another_paper_and_nothing_at_all_are_refused(drill, tmp_path):
    with pytest.raises(ArgumentError, match=r"paper.*a4, letter"):
        write_one_page(drill, tmp_path / "one.pdf", paper="a5")
    with pytest.raises(ArgumentError, match="analysis"):
        write_one_page([], tmp_path / "one.pdf")


def test_the_losses_of_a_device_without_a_pin_are_counted():
    """The left drive is seen by its rotor alone; ten losses are on the sheet's first page."""
    board = pwmscope.analyse(CAPTURES / "one-board.csv.gz", sheet=CAPTURES / "one-board.toml")
    (left,) = (line for line in board.failsafe.lines if line.line == "left")
    assert not left.losses
    names = ("sheet", "answer", "findings", "recordings")
    alone = SimpleNamespace(**{name: getattr(board, name) for name in names})
    alone.failsafe = dataclasses.replace(board.failsafe, lines=(left,))
    assert make_one_page(alone).trials == len(left.rotor_losses) == 10
