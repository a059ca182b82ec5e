"""The cards: whole HTML that needs nothing else, hostile names shown plainly, text in columns."""

import html5lib
import pytest

from pwmscope import examine
from pwmscope.advice import advise_settings, compare_settings
from pwmscope.bench import CAUTIONS, CapturePlan, PlanStep, make_plan, parse_sheet
from pwmscope.report import plan_card, plan_text, settings_card, settings_text
from pwmscope.synth import Channel, Dwell, Frame, Script, build

NAMES = ["RX1", "<b>x</b>&", "שלום", "a" * 90]


def sheet_of(line, deadband="deadband_us = 40"):
    text = f"robot = '<i>Quince</i>'\n[channels.{line!r}]\nrole = 'drive-left'\n{deadband}"
    return parse_sheet(text)


def findings_of(line, *widths):
    channels = (Channel(line, tuple(Dwell(us, 2.0) for us in widths)),)
    script = Script(
        duration_s=2.0 * len(widths),
        sample_rate_hz=1_000_000,
        seed=5,
        frame=Frame(20_000, jitter_us=0.5),
        channels=channels,
    )
    return examine(build(script).capture)


def card_of(line):
    sheet = sheet_of(line)
    was = advise_settings(findings_of(line, 1560, 1900, 1560, 1100, 1560), sheet)
    now = advise_settings(findings_of(line, 1530, 1900, 1530, 1100, 1530), sheet)
    told = compare_settings(was, now)
    return settings_card(now, sheet, "<rec>.csv", told), settings_text(now, sheet, told)


def whole(page):
    """Parse a page by the HTML standard, refusing what it calls an error."""
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    for element in tree.iter():
        assert not {"src", "href", "srcset"} & set(element.attrib), element.tag
    assert "@import" not in page
    assert "url(" not in page
    return " ".join(" ".join(tree.itertext()).split())


@pytest.mark.parametrize("line", NAMES)
def test_a_settings_card_is_one_whole_page_whatever_the_names(line):
    page, _ = card_of(line)
    said = whole(page)
    for caution in CAUTIONS:
        assert caution in said
    assert "Settings of <i>Quince</i>" in said
    assert "In this order" in said
    assert "Since the earlier recording" in said
    assert said.index("to change") < said.index(CAUTIONS[0]) < said.index("Change neutral")


def test_the_text_says_what_the_card_says_and_cautions_come_before_the_settings():
    page, text = card_of("RX1")
    said = whole(page)
    assert "to change" in text.splitlines()[0]
    assert text.splitlines()[3].strip() == f"- {CAUTIONS[0]}"
    for words in ("Change neutral by -30.0", "creeps", "improved, 30.0"):
        assert words in said
        assert words in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 100


def test_nothing_to_change_needs_no_order():
    sheet = sheet_of("RX1")
    advice = advise_settings(findings_of("RX1", 1500, 2000, 1500, 1000, 1500), sheet)
    page = whole(settings_card(advice, sheet, "a.csv"))
    assert "Nothing to change" in page
    assert "In this order" not in page


def test_the_plan_card_holds_each_step_with_its_time_and_the_need():
    plan = make_plan(sheet_of("RX1"))
    said = whole(plan_card(plan))
    for caution in CAUTIONS:
        assert caution in said
    for step in plan.steps:
        assert step.hands in said
    assert "Record at 1 MS/s or faster" in said
    assert "Sampling gives 0.82 us of that, the analyser's clock (100 ppm) 0.17 us" in said
    assert "The same sampling error may repeat in every pulse" in said
    assert "There is no marker line" in said


def test_a_plan_with_hostile_words_is_escaped():
    plan = CapturePlan((PlanStep("<script>", 2.0, {}, "&amp; <b>", '"'),), robot="</title><p>")
    assert "<script>" in whole(plan_card(plan))


def test_the_plan_text_keeps_its_columns():
    plan = make_plan(parse_sheet("[marker]\nline = 'tx'\n[channels.A]\nrole = 'weapon'"))
    lines = plan_text(plan, 80).splitlines()
    assert lines[1].strip() == f"- {CAUTIONS[0]}"
    assert "Line tx must show" in " ".join(lines)
    starts = [line.split()[0] for line in lines if line[:8].strip().count(":") == 1]
    assert starts[:3] == ["0:00", "0:05", "0:07"]
    table = lines[lines.index(next(line for line in lines if line.startswith("  begins  lasts"))) :]
    assert max(len(line) for line in table) <= 80
