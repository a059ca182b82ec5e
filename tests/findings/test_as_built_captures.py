"""Medlar as built: a mixing ESC, a weapon on a switch, a kill channel; at home and at the table."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pwmscope import analyse
from pwmscope.bench import load_plan, load_sheet, make_plan, make_table_plan
from pwmscope.model import Verdict

CAPTURES = Path(__file__).parents[2] / "captures"
SHEET = CAPTURES / "as-built.toml"


@pytest.fixture(scope="module")
def home():
    return analyse(CAPTURES / "as-built.csv.gz", sheet=SHEET, plan=CAPTURES / "as-built.plan.toml")


@pytest.fixture(scope="module")
def table():
    return analyse(CAPTURES / "table-test.csv.gz", sheet=SHEET)


def test_the_shipped_plans_are_what_their_sheet_asks_for():
    sheet = load_sheet(SHEET)
    assert load_plan(CAPTURES / "as-built.plan.toml") == make_plan(sheet, power_up=False)
    short = load_plan(CAPTURES / "table-test.plan.toml")
    assert short == make_table_plan(sheet)
    assert short.seconds <= 25.0


def test_every_device_stops_and_the_weapon_by_its_kill_channel(home):
    verdicts = {line.line: line.verdict for line in home.failsafe.lines}
    assert verdicts == dict.fromkeys(("RX1", "RX2", "RX3", "RX4"), Verdict.MEETS)
    weapon = next(line for line in home.failsafe.lines if line.line == "RX3")
    assert weapon.guard is not None
    assert "RX4" in weapon.sentence
    truth = json.loads((CAPTURES / "as-built.truth.json").read_text())["losses"]
    marked = [loss for loss in home.findings[0].channels["RX3"].losses.events if loss.is_marked]
    assert len(marked) == len(truth) == 10


def test_nobody_is_told_to_mix_what_the_esc_mixes(home):
    assert home.mixing is not None
    assert home.mixing.verdict is Verdict.NOT_SHOWN
    assert home.mixing_advice == ()


def test_the_weapons_switch_has_two_widths(home):
    channel = home.findings[0].channels["RX3"]
    assert channel["low endpoint"].value == pytest.approx(1004.0, abs=0.5)
    assert channel["high endpoint"].value == pytest.approx(1960.0, abs=0.5)
    assert "stood at two widths" in channel["low endpoint"].sentence


def test_one_loss_at_the_table_proves_no_stop(table):
    assert table.failsafe.verdict is Verdict.NOT_SHOWN
    assert Verdict.MEETS not in {line.verdict for line in table.failsafe.lines}


def test_the_weapon_alone_does_not_meet(tmp_path):
    """Without the kill channel that guards it, the same recording proves the failure."""
    text = SHEET.read_text().replace('guards = ["RX3"]\n', "")
    sheet = tmp_path / "bench.toml"
    sheet.write_text(text)
    found = analyse(CAPTURES / "as-built.csv.gz", sheet=sheet).failsafe
    assert found.verdict is Verdict.DOES_NOT_MEET
