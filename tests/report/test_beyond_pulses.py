"""Given motion, supply or link record, each output tells it: cards, page, paper, data, register.

The shipped captures with their truth are what is told of; comparison puts two recordings of one
kind side by side.
"""

import json
from pathlib import Path

import jsonschema
import pytest

import pwmscope
from pwmscope.findings import compare
from pwmscope.report import add_answer, make_one_page
from pwmscope.report.register import findings_table

HERE = Path(__file__).parents[2]
CAPTURES = HERE / "captures"
KINDS = {
    "spin-down": ("SPIN", "spin-down time", "rotation"),
    "supply-sag": ("5V", "brown-out margin", "supply"),
    "link-record": ("link record", "plugs", "link"),
}


def analysed(name):
    plan = CAPTURES / f"{name}.plan.toml"
    return pwmscope.analyse(
        CAPTURES / f"{name}.csv.gz",
        sheet=CAPTURES / f"{name}.toml",
        plan=plan if plan.exists() else None,
    )


@pytest.fixture(scope="module", params=KINDS)
def told(request):
    analysis = analysed(request.param)
    (line,) = (
        name
        for name, sensor in analysis.findings[0].sensors.items()
        if sensor.role == KINDS[request.param][2]
    )
    return analysis, line, KINDS[request.param][1]


def test_the_truth_is_shipped(told):
    source = Path(told[0].captures[0].source)
    assert json.loads(source.with_name(source.name.replace(".csv.gz", ".truth.json")).read_text())


def test_the_json_holds_it_and_follows_its_schema(told):
    analysis, line, name = told
    data = json.loads(analysis.to_json())
    jsonschema.validate(data, json.loads((HERE / "docs/analysis.schema.json").read_text("utf-8")))
    sensor = data["recordings"][0]["sensors"][line]
    assert name in {finding["name"] for finding in sensor["findings"]}


def test_a_card_and_the_one_page_sheet_tell_what_has_a_limit(told):
    analysis, line, _ = told
    if analysis.findings[0].sensors[line].role == "rotation":
        # Motion has its limit in the failsafe check of the device that turns.
        line = analysis.findings[0].sensors[line].of
    assert line in {card.line for card in analysis.cards}
    assert line in {device.line for device in make_one_page(analysis).devices}


def test_the_page_and_the_register_hold_every_finding(told, tmp_path):
    analysis, line, name = told
    analysis.report(tmp_path / "report")
    page = (tmp_path / "report" / "report.html").read_text("utf-8")
    assert f"sensor-{analysis.findings[0].sensors[line].role}" in page
    assert name in page
    add_answer(tmp_path / "day.sqlite", analysis)
    kept = findings_table(tmp_path / "day.sqlite")
    assert (line, name) in set(kept.select("line", "name").iter_rows())


def test_two_recordings_are_compared_by_it(told):
    analysis, line, name = told
    rows = compare([analysis.findings[0], analysis.findings[0]]).rows
    assert (line, name) in {(row.line, row.name) for row in rows}
