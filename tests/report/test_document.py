"""What stands in a report, and in which order."""

import re
from pathlib import Path

import pytest

import pwmscope
from pwmscope.bench import CAUTIONS, load_sheet
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import check_failsafe, listen_to
from pwmscope.report.composition import compose
from pwmscope.report.document import Figure, Items, Paragraph, Table
from pwmscope.report.front import what_to_do
from pwmscope.report.sentences import RULEBOOK

CAPTURES = Path(__file__).parents[2] / "captures"


@pytest.fixture(scope="module")
def preset():
    """A robot whose lifter goes on after the loss, with its bench sheet."""
    capture = pwmscope.load(CAPTURES / "preset.csv.gz")
    sheet = load_sheet(CAPTURES / "bench.toml")
    check = check_failsafe([listen_to(capture, sheet=sheet)], sheet, sheet.limits)
    findings = pwmscope.examine(capture, sheet=sheet)
    document = compose(findings, check=check, sha256="ab" * 32, advice=("Set trim to 4.",))
    return findings, check, document


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
        "answers", "failed", "hazards", "not-shown", "change", "summary", "whole", "losses",
        "together-drawn", "channel-1", "channel-2", "channel-3", "channel-4", "evidence", "method",
        "assumed", "cautions", "rulebook",
    ]  # fmt: skip


def test_evidence_without_pulses_counts_none(preset):
    """A stretch in which the signal was lost, or a plan's step, rests on time, not on 0 pulses."""
    _, _, document = preset
    tables = [block for block in section(document, "evidence").blocks if isinstance(block, Table)]
    rests = [said(row[2]) for table in tables for row in table.rows]
    assert any(", 1 pulse" in words or " pulses" in words for words in rests)
    assert not any(re.search(r"\b0 pulses", words) for words in rests)


def test_the_robot_its_club_and_every_device_are_named(preset):
    _, check, document = preset
    assert document.about[0] == (
        "Robot: Quince. Club: Millrace Robotics Club. Rulebook: Millrace house rules (invented), "
        "section 4. Bench sheet: bench.toml."
    )
    answers = text_of(section(document, "answers"))
    for line in check.lines:
        assert f"{line.line} ({line.expected.role}, {line.device}) " in answers
        assert f"Failsafe check: {line.verdict.value}. {line.sentence}" in answers


def test_the_answers_tell_each_check_with_its_verdict_and_limit(preset):
    findings, _, document = preset
    answers = text_of(section(document, "answers"))
    assert "does not meet signal loss (RX4)." in answers
    assert "power-up (RX1, RX2, RX3)" in answers
    for channel in findings.channels.values():
        for finding in channel.judged:
            assert finding.limit in answers


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
    first_step = told.index("start recording first, with the weapon removed")
    assert max(told.index(caution) for caution in CAUTIONS) < first_step


def test_a_signal_loss_that_is_not_shown_gets_the_whole_procedure():
    findings = pwmscope.examine(pwmscope.load(CAPTURES / "clean-sweep.csv"))
    told = text_of(section(compose(findings), "change"))
    first_step = told.index("To show a signal loss: Wire the transmitter's switch to a spare input")
    assert max(told.index(caution) for caution in CAUTIONS) < first_step


def test_each_loss_that_shows_nothing_says_what_to_do(preset):
    findings, _, document = preset
    told = text_of(section(document, "change"))
    reasons = {
        event.reason
        for channel in findings.channels.values()
        for event in channel.silence.events
        if event.verdict is Verdict.NOT_SHOWN
    }
    assert reasons
    for reason in reasons:
        clauses = what_to_do(reason)
        assert clauses
        assert all(f"{clause} It would show: signal loss (" in told for clause in clauses)


def test_hazards_are_told_or_said_not_to_be_known():
    capture = pwmscope.load(CAPTURES / "drill.csv.gz")
    findings = pwmscope.examine(capture, sheet=load_sheet(CAPTURES / "bench.toml"))
    told = text_of(section(compose(findings), "hazards"))
    hazards = [
        hazard.sentence
        for channel in findings.channels.values()
        for hazard in channel.silence.hazards
    ]
    assert len(hazards) == 3
    assert all(hazard in told for hazard in hazards)


def test_no_hazard_seen_is_no_proof(preset):
    _, _, document = preset
    assert "does not prove that there is none" in text_of(section(document, "hazards"))


def test_the_failsafe_picture_and_three_pictures_a_channel_are_described(preset):
    _, _, document = preset
    figures = [
        block
        for section in document.sections
        for block in section.blocks
        if isinstance(block, Figure)
    ]
    assert [figure.picture.name for figure in figures] == [
        "failsafe", "frame-1", "wiring", *["first-frames", "width-over-time", "width-histogram"] * 4
    ]  # fmt: skip
    assert all(len(figure.picture.alt) > 40 for figure in figures)


def test_the_rulebook_has_the_last_word(preset):
    _, _, document = preset
    assert document.sections[-1].anchor == "rulebook"
    assert text_of(document.sections[-1]).startswith(RULEBOOK)


def test_a_clause_that_tells_what_to_do_is_taken_out():
    assert what_to_do(
        "The stick came back to neutral once; at least 2 are needed. Move the stick to one end, "
        "wait a second, then the other; do both three times."
    ) == ("Move the stick to one end, wait a second, then the other.",)
    assert what_to_do(
        "The output stood at 1500.0 us before and after: a hold and a preset look alike. With the "
        "weapon removed, hold the stick off its rest position while switching off (loss at 3 s)."
    ) == ("With the weapon removed, hold the stick off its rest position while switching off.",)
    assert what_to_do("The width did not change.") == ()
