"""The answer's words, held against recordings of which every edge is written here."""

import io
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from rich.console import Console

import pwmscope
from pwmscope.analysis.documents import analysis_data
from pwmscope.bench import parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.report import make_one_page
from pwmscope.report.answer import Action
from pwmscope.report.composition import compose_front
from pwmscope.report.evidence import Evidence
from pwmscope.report.terminal import GLOSSARY, print_answer, print_findings

SHEET = """
[marker]
line = "tx-on"
on = "high"
kind = "switch"
[channels.RX1]
role = "drive-left"
device = "board, left"
neutral_us = 1500
deadband_us = 60
no_pulses = "stops"
no_pulses_after_s = 0.3
[channels.RX2]
role = "drive-right"
device = "board, right"
neutral_us = 1500
deadband_us = 60
no_pulses = "stops"
no_pulses_after_s = 0.3
[channels.RX3]
role = "weapon"
device = "drum ESC"
stop_us = [950, 1040]
no_pulses = "stops"
no_pulses_after_s = 0.3
"""
OFF_S = np.array([12.0137, 22.0271, 33.0432])
BACK_S = OFF_S + np.array([3.1, 4.2, 3.6])
END_S = 45.0
HELD_US = {"RX1": (1700, 1350, 1640), "RX2": (1320, 1640, 1290), "RX3": (1567, 1532, 1841)}
REST_US = {"RX1": 1500.0, "RX2": 1500.0, "RX3": 1000.0}
PRESET_US = {"RX1": 1508.0, "RX2": 1492.0, "RX3": 1004.0}


def edges(begin_s, width_us):
    both_s = np.stack([begin_s, begin_s + np.asarray(width_us) * 1e-6], axis=1).ravel()
    return np.rint(both_s * 1e6).astype(np.int64) * 10**6


def recorded(holding=(), rest_us=None, marker="tx-on", stray_s=()):
    """Three lines at 50 frames a second, three losses; who is ``holding`` has no preset."""
    rest_us = REST_US | (rest_us or {})
    frame_s = np.arange(0.004, END_S - 0.02, 0.02)
    rng, lines = np.random.default_rng(5), {}
    for place, name in enumerate(HELD_US):
        way = [(0.0, rest_us[name])]
        for k, (off_s, back_s) in enumerate(zip(OFF_S, BACK_S, strict=True)):
            up_s = off_s - 2.5 + 0.5 * place
            way += [(up_s, rest_us[name]), (up_s + 0.3, HELD_US[name][k])]
            way += [(back_s + 1.5, HELD_US[name][k]), (back_s + 1.8, rest_us[name])]
        width_us = np.interp(frame_s, *np.array(way).T) + rng.normal(0.0, 0.2, frame_s.size)
        for off_s, back_s in zip(OFF_S, BACK_S, strict=True):
            lost = (frame_s >= off_s + 0.004) & (frame_s < back_s + 0.3)
            held_us = np.interp(off_s, *np.array(way).T)
            late = frame_s >= off_s + 0.75
            width_us[lost] = held_us + rng.normal(0.0, 0.2, int(lost.sum()))
            if name not in holding:
                width_us[lost & late] = PRESET_US[name] + rng.normal(
                    0, 0.2, int((lost & late).sum())
                )
        own = edges(frame_s, width_us)
        if name == "RX2" and len(stray_s):
            own = np.sort(
                np.concatenate([own, edges(np.asarray(stray_s), np.full(len(stray_s), 12.0))])
            )
        lines[name] = Line(name, own, 0)
    turns_s = np.stack([OFF_S, BACK_S], axis=1).ravel()
    lines[marker] = Line(marker, np.rint(turns_s * 1e6).astype(np.int64) * 10**6, 1)
    return Capture(lines, round(END_S * 1e12), 1_000_000, "written.csv")


def analysed(capture):
    return pwmscope.analyse(capture, sheet=parse_sheet(SHEET))


def card(analysis, line):
    return next(each for each in analysis.cards if each.line == line)


def printed(analysis, room=None):
    console = Console(file=io.StringIO(), width=100, highlight=False)
    print_answer(analysis.answer, console, last=("Of written.csv.",), room=room)
    return console.file.getvalue()


@pytest.fixture(scope="module")
def good():
    return analysed(recorded())


def test_a_weapon_that_holds_is_told_with_each_width_that_it_held():
    analysis = analysed(recorded(holding=("RX3",)))
    said = "holds its last width: 1567, 1532, 1841 us"
    assert analysis.headline == f"FAILSAFE does not meet: the weapon {said}"
    assert card(analysis, "RX3").figure == f"When the signal is lost it {said}"


def test_a_drive_that_runs_at_rest_keeps_its_failsafes_answer_and_names_limit_and_consequence():
    analysis = analysed(recorded(rest_us={"RX1": 1600.0}))
    failsafe = analysis.headline.partition("; ")[2]
    assert analysis.headline.startswith("PULSES do not meet: ")
    assert failsafe.startswith("failsafe meets, 3 of 3, slowest 0.")
    told = card(analysis, "RX1").figure
    for words in ("1600", "1470 to 1530 us", "The device may run", "Stops within 0."):
        assert words in told


def test_strays_in_a_loss_are_named_as_what_leaves_it_open():
    at_s = np.concatenate([off_s + 0.9 + 0.09 * np.arange(20) for off_s in OFF_S]) + 0.0031
    analysis = analysed(recorded(stray_s=at_s))
    assert "failsafe not shown: the right drive" in analysis.headline
    assert "glitches came in that loss" in card(analysis, "RX2").figure
    assert any("Check that wire" in action.sentence for action in analysis.actions)


def test_a_marker_of_another_name_is_said_at_once_with_the_names_in_the_file():
    analysis = analysed(recorded(marker="TX ON"))
    (said,) = (each for each in analysis.answer.left_out if "marker" in each)
    assert "marker tx-on is not recorded" in said
    for name in ("RX1", "RX2", "RX3", "TX ON"):
        assert name in said
    assert said in " ".join(printed(analysis).split())


@pytest.mark.parametrize(("name", "is_near"), [("TX ON", True), ("Tx_on", True), ("sw2", False)])
def test_a_marker_that_is_nearly_named_is_one_line_to_write(name, is_near):
    """The sheet says tx-on: what to write comes first, and once."""
    analysis = analysed(recorded(marker=name))
    actions = [action.sentence for action in analysis.actions]
    wanted = f'Write line = "{name}" under [marker] in the sheet: the recording has no tx-on.'
    assert actions[0].startswith(wanted) == is_near
    assert any("--off-line" in said or "`marker`" in said for said in actions) != is_near


def test_devices_of_one_board_are_told_apart(good):
    told = printed(good)
    assert "board, left" in told
    assert "board, right" in told


def test_the_details_give_the_verdict_of_the_card(good):
    console = Console(file=io.StringIO(), width=100, highlight=False)
    print_findings(good.findings[0], console)
    for line in ("RX1", "RX2", "RX3"):
        assert f"{line}: {card(good, line).verdict}" in console.file.getvalue()


def test_all_there_is_to_do_is_listed_or_counted_with_where_it_stands(good):
    """Twenty things to do: screen, page, sheet and data each list them or say how many more."""
    twenty = tuple(Action("do", (), f"Do thing {number}.") for number in range(1, 21))
    answer = replace(good.answer, actions=twenty[:5], further=twenty[5:])
    parts = {"findings": good.findings, "recordings": good.recordings, "sheet": good.sheet}
    analysis = SimpleNamespace(**parts, failsafe=good.failsafe, answer=answer)
    whole, short = printed(analysis), printed(analysis, room=20)
    assert all(action.sentence in whole for action in twenty)
    listed = short.count("Do thing")
    assert f"and {20 - listed} more things to do: --all lists them" in short
    front = compose_front(analysis)
    assert (*front.actions, *front.further) == tuple(action.sentence for action in twenty)
    sheet = make_one_page(analysis)
    assert len(sheet.actions) >= 5
    assert len(sheet.actions) + sheet.more_actions == 20
    data = analysis_data(answer, Evidence(good.failsafe, good.sheet), good.findings)
    assert (data["more_actions"], len(data["further_actions"])) == (15, 15)


def test_a_rest_in_the_middle_of_its_range_is_not_called_its_edge():
    """Without the sample interval no width is exact, and that is the reason."""
    analysis = analysed(replace(recorded(), sample_interval_ps=None))
    checks = next(line.checks for line in analysis.checks if line.line == "RX1")
    rest = next(check.finding for check in checks if check.finding.name == "rest position")
    assert "sample interval is not known" in rest.sentence
    assert rest.to_do


@pytest.mark.parametrize("word", ["fresh", "freeze", "stray width", "kill channel", "stop range"])
def test_a_word_that_a_card_prints_is_explained(word):
    assert word in GLOSSARY
