"""What stands in a report, and in which order."""

import pickle
import re
from pathlib import Path

import pytest

import pwmscope
from pwmscope.bench import CAUTIONS
from pwmscope.errors import Reason, preceded
from pwmscope.findings import Verdict
from pwmscope.model import not_shown
from pwmscope.report import composition
from pwmscope.report.composition import compose
from pwmscope.report.document import Figure, Items, Paragraph, Strips, Table
from pwmscope.report.sentences import RULEBOOK

CAPTURES = Path(__file__).parents[2] / "captures"


@pytest.fixture(scope="module")
def preset():
    """A robot whose lifter goes on after the loss, with its bench sheet."""
    analysis = pwmscope.analyse(CAPTURES / "preset.csv.gz", sheet=CAPTURES / "bench.toml")
    document = compose(analysis, advice=("Set trim to 4.",))
    return analysis.findings[0], analysis.failsafe, document


@pytest.fixture
def undrawn(monkeypatch):
    """Documents of which the words alone are asked."""
    monkeypatch.setattr(composition, "draw_channel", lambda *_: ())


def said(words):
    return "".join(run.text for run in words)


def text_of(section):
    told = []
    for block in section.blocks:
        if isinstance(block, Paragraph):
            told.append(said(block.words))
        if isinstance(block, Items):
            told += [said((*item.lead, *item.body)) for item in block.items]
    return " ".join(told)


def section(document, anchor):
    return next(section for section in document.sections if section.anchor == anchor)


def test_the_sections_come_in_the_order_of_what_matters(preset):
    _, _, document = preset
    assert [section.anchor for section in document.sections] == [
        "widths", "failed", "not-shown", "change", "figures", "losses", "together-drawn", "whole",
        "channel-1", "channel-2", "channel-3", "channel-4", "evidence", "recording", "method",
        "assumed", "rulebook",
    ]  # fmt: skip
    assert [part.anchor for part in document.sections if not part.is_folded] == [
        "widths", "rulebook",
    ]  # fmt: skip


def test_evidence_without_pulses_counts_none(preset):
    """A stretch in which the signal was lost, or a plan's step, rests on time, not on 0 pulses."""
    _, _, document = preset
    tables = [block for block in section(document, "evidence").blocks if isinstance(block, Table)]
    rests = [said(row[2]) for table in tables for row in table.rows]
    assert any(", 1 pulse" in words or " pulses" in words for words in rests)
    assert not any(re.search(r"\b0 pulses", words) for words in rests)


def test_the_front_tells_the_answer_the_worst_device_first(preset):
    _, check, document = preset
    front = document.front
    assert front.headline.startswith("FAILSAFE does not meet")
    assert front.note == "2 losses recorded. Limit 2 s."
    assert front.devices[0].line == "RX4"
    assert {device.line for device in front.devices} == {line.line for line in check.judged}
    assert front.devices[0].number == "1610 us"
    assert all("at 2 losses" in device.alt for device in front.devices)
    assert all(device.ruler and device.rest for device in front.devices)
    assert front.cautions == CAUTIONS


def test_the_robot_its_club_and_the_sheet_are_named(preset):
    _, _, document = preset
    assert document.title == "Quince: preset.csv.gz"
    assert "Millrace Robotics Club" in document.about[0]
    assert (
        "Robot: Quince. Club: Millrace Robotics Club. Rulebook: Millrace house rules (invented), "
        "section 4. Bench sheet: bench.toml."
    ) in text_of(section(document, "recording"))


def test_what_is_not_shown_is_told_with_its_reason(preset):
    findings, _, document = preset
    told = text_of(section(document, "not-shown"))
    for channel in findings.channels.values():
        for finding in channel.findings:
            if finding.verdict is Verdict.NOT_SHOWN:
                assert finding.name in told
                assert not finding.limit or finding.sentence in told


def test_advice_comes_first_and_cautions_before_any_recording(preset):
    _, _, document = preset
    told = text_of(section(document, "change"))
    assert told.startswith("Set trim to 4. RX4: signal loss does not meet its limit")
    first_step = told.index("start recording before the receiver has power")
    assert max(told.index(caution) for caution in CAUTIONS) < first_step


@pytest.mark.usefixtures("undrawn")
def test_a_signal_loss_that_is_not_shown_gets_the_whole_procedure():
    analysis = pwmscope.analyse(CAPTURES / "clean-sweep.csv")
    told = text_of(section(compose(analysis), "change"))
    first_step = told.index("To show a signal loss: Wire the transmitter's switch to a spare input")
    assert max(told.index(caution) for caution in CAUTIONS) < first_step


def test_each_loss_that_shows_nothing_says_what_to_do(preset):
    findings, _, document = preset
    told = text_of(section(document, "change"))
    reasons = {
        event.reason
        for channel in findings.channels.values()
        for event in channel.losses.events
        if event.verdict is Verdict.NOT_SHOWN
    }
    assert reasons
    for reason in reasons:
        assert f"{reason.to_do} It would show: signal loss (" in told


@pytest.mark.usefixtures("undrawn")
def test_hazards_stand_under_the_headline():
    analysis = pwmscope.analyse(CAPTURES / "drill.csv.gz", sheet=CAPTURES / "bench.toml")
    front = compose(analysis).front
    assert len(front.hazards) == len(analysis.hazards) > 0
    assert all(told.startswith("Hazard: ") for told in front.hazards)


def test_the_pictures_are_described(preset):
    _, _, document = preset
    figures = [
        block
        for section in document.sections
        for block in section.blocks
        if isinstance(block, Figure)
    ]
    assert [figure.picture.name for figure in figures] == [
        "wiring", *["first-frames", "width-over-time", "width-histogram"] * 4
    ]  # fmt: skip
    assert all(len(figure.picture.alt) > 40 for figure in figures)
    (strips,) = section(document, "widths").blocks
    assert [said(drawn.title) for drawn in strips.drawings] == ["RX1", "RX2", "RX3", "RX4"]
    assert all("2 losses" in drawn.alt for drawn in strips.drawings)


def test_of_many_lines_the_worst_are_drawn_in_full_and_the_rest_say_what_is_left_out(
    monkeypatch,
):
    monkeypatch.setattr(composition, "MAX_DRAWN", 2)
    analysis = pwmscope.analyse(CAPTURES / "preset.csv.gz", sheet=CAPTURES / "bench.toml")
    document = compose(analysis)
    in_full = {card.line for card in analysis.answer.cards[:2]}
    for number, line in enumerate(analysis.findings[0].channels, start=1):
        blocks = section(document, f"channel-{number}").blocks
        figures = [block for block in blocks if isinstance(block, Figure)]
        assert len(figures) == (3 if line in in_full else 0)
        strips = [block for block in blocks if isinstance(block, Strips)]
        assert ["left out" in block.caption for block in strips] == [True] * (line not in in_full)


def test_the_rulebook_has_the_last_word(preset):
    _, _, document = preset
    assert document.sections[-1].anchor == "rulebook"
    assert text_of(document.sections[-1]).startswith(RULEBOOK)


def test_what_to_do_is_a_field_of_its_own_that_a_copy_keeps():
    reason = Reason("The stick never stood still (`off_line`).", "Hold it still for a second.")
    finding = not_shown("resolution", "us", reason)
    assert finding.to_do == "Hold it still for a second."
    assert finding.sentence == f"{reason.why} {reason.to_do}"
    again = pickle.loads(pickle.dumps(reason))
    assert (again, again.to_do) == (reason, reason.to_do)
    assert preceded("Seen twice.", reason).to_do == reason.to_do
