"""The wiring rules held against textbook examples, a circuit simulator and the trade's facts.

Lessons In Electric Circuits, volume I (DC), the chapter on divider circuits and Kirchhoff's laws:
45 V across 5, 10 and 7.5 kilohm drop 10, 20 and 15 V; 6 V across 1, 3 and 2 kilohm side by side
draw 6, 2 and 3 mA, together 11 mA (figures from memory). Horowitz and Hill, The Art of
Electronics, chapter 1, the exercise on a divider of two 10 kilohm resistors at 30 V: 15 V
without load, 10 V with 10 kilohm (from memory). ngspice (Debian package of that name), a
general circuit simulator, solves the same circuits by nodal analysis. jsonschema, a
general-purpose validator, holds the rulings against docs/wiring.schema.json.
"""

import json
import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import jsonschema
import pytest

from pwmscope.bench import load_sheet, parse_sheet
from pwmscope.bench.wiring import (
    USABLE,
    check_wiring,
    divided_v,
    outputs_needed,
    stated_currents,
)
from pwmscope.model import Verdict
from pwmscope.plot import draw_wiring
from pwmscope.report.cards import wiring_data, wiring_json

ROOT = Path(__file__).parents[2]
QUINCE = ROOT / "captures" / "bench.toml"
SVG = "{http://www.w3.org/2000/svg}"


def solve(ngspice, folder, circuit, *asked):
    """Let ngspice solve a circuit at rest; give the quantities that are asked."""
    lines = "\n".join(f"print {quantity}" for quantity in asked)
    deck = f"bench\n{circuit}\n.control\nset numdgt=12\nop\n{lines}\nquit\n.endc\n.end\n"
    (folder / "deck.cir").write_text(deck)
    done = subprocess.run(
        [ngspice, "-b", "deck.cir"], cwd=folder, check=True, capture_output=True, text=True
    )
    found = [re.search(rf"^{re.escape(q)} = (\S+)$", done.stdout, re.MULTILINE) for q in asked]
    return [float(match[1]) for match in found]


def loads(*currents_a):
    """State servos on one source, and a receiver that draws as much as the first of them."""
    first, *others = currents_a
    text = f"[receiver]\ndraws_a = {first!r}\n"
    text += "[sources.bec]\nvoltage_v = 5\ncontinuous_a = {rating}\npowers_receiver = true\n"
    for i, current_a in enumerate(others):
        text += (
            f"[channels.S{i}]\nrole = 'servo'\nsupplied_by = 'receiver'\nstall_a = {current_a!r}\n"
        )
    return text


def budget(text, rating_a):
    wiring = check_wiring(parse_sheet(text.replace("{rating}", repr(rating_a))))
    return next(ruling for ruling in wiring.rulings if ruling.name == "current budget")


def test_three_resistors_of_the_textbook_divide_45_v_into_10_20_and_15_v():
    behind_first = divided_v(45.0, (5_000.0, 17_500.0))
    behind_second = divided_v(45.0, (15_000.0, 7_500.0))
    assert 45.0 - behind_first == pytest.approx(10.0, rel=1e-12)
    assert behind_first - behind_second == pytest.approx(20.0, rel=1e-12)
    assert behind_second == pytest.approx(15.0, rel=1e-12)


def test_the_divider_of_the_exercise_gives_15_v_and_10_v_with_its_load():
    assert divided_v(30.0, (10e3, 10e3)) == pytest.approx(15.0, rel=1e-12)
    assert divided_v(30.0, (10e3, 5e3)) == pytest.approx(10.0, rel=1e-12)


def test_the_branch_currents_of_the_textbook_sum_to_11_ma():
    known_a, missing = stated_currents(parse_sheet(loads(0.006, 0.002, 0.003).format(rating=1)))
    assert missing == []
    assert sum(known_a.values()) == pytest.approx(0.011, rel=1e-12)
    # The rule turns over where the sum is the usable part of the rating.
    assert budget(loads(0.006, 0.002, 0.003), 0.011 / USABLE * 1.001).verdict is Verdict.MEETS
    assert budget(loads(0.006, 0.002, 0.003), 0.011 / USABLE * 0.999).verdict is (
        Verdict.DOES_NOT_MEET
    )
    assert "0.011 A" in budget(loads(0.006, 0.002, 0.003), 0.013).sentence


@pytest.mark.parametrize("signal_v", [3.3, 5.0, 8.4])
@pytest.mark.parametrize("divider_ohm", [(10e3, 18e3), (1e3, 2.2e3), (47e3, 10e3)])
def test_the_level_behind_a_divider_is_the_simulators(
    tmp_path, require_program, signal_v, divider_ohm
):
    upper, lower = divider_ohm
    circuit = f"V1 in 0 {signal_v}\nR1 in out {upper}\nR2 out 0 {lower}"
    (level_v,) = solve(require_program("ngspice"), tmp_path, circuit, "v(out)")
    assert divided_v(signal_v, divider_ohm) == pytest.approx(level_v, rel=1e-6)
    # The input's own resistance lowers the level and never raises it.
    (loaded_v,) = solve(require_program("ngspice"), tmp_path, f"{circuit}\nR3 out 0 100k", "v(out)")
    assert loaded_v < level_v


def test_the_sum_of_currents_is_what_the_simulators_source_gives(tmp_path, require_program):
    currents_a = (0.06, 1.2, 0.85, 2.4)
    circuit = "V1 rail 0 5\n" + "\n".join(
        f"I{i} rail 0 {current_a}" for i, current_a in enumerate(currents_a)
    )
    (through_v1_a,) = solve(require_program("ngspice"), tmp_path, circuit, "i(v1)")
    known_a, _ = stated_currents(parse_sheet(loads(*currents_a).format(rating=9)))
    assert sum(known_a.values()) == pytest.approx(-through_v1_a, rel=1e-9)


def test_two_unequal_regulators_on_one_rail_push_current_into_each_other(tmp_path, require_program):
    """What rule 1 says happens: 5.1 and 4.9 V behind 50 milliohm each, 0.1 A drawn."""
    circuit = "V1 a 0 5.1\nV2 b 0 4.9\nR1 a rail 0.05\nR2 b rail 0.05\nI1 rail 0 0.1"
    strong_a, weak_a = solve(require_program("ngspice"), tmp_path, circuit, "i(v1)", "i(v2)")
    assert -strong_a == pytest.approx(2.05, rel=1e-6)  # (0.2 V / 0.1 ohm) + 0.1 A / 2
    assert weak_a == pytest.approx(1.95, rel=1e-6)  # into the weaker one
    text = "[channels]\nA = {role='drive-left', feeds_5v=true}\n"
    text += "B = {role='drive-right', feeds_5v=true}"
    assert check_wiring(parse_sheet(text)).answer.verdict is Verdict.DOES_NOT_MEET


def test_tank_drive_and_weapon_take_three_channels():
    """Common practice."""
    text = "[channels]\nL = {role='drive-left'}\nR = {role='drive-right'}\nW = {role='weapon'}"
    assert outputs_needed(parse_sheet(text)) == 3


def test_each_output_has_a_ground_a_power_and_a_signal_pin():
    """Common practice."""
    drawing = ET.fromstring(draw_wiring(check_wiring(load_sheet(QUINCE))))
    words = [element.text for element in drawing.iter(f"{SVG}text")]
    assert [words.count(pin) for pin in ("ground", "power", "signal")] == [4 + 2, 4, 4]
    ys = {
        pin: [float(e.get("y")) for e in drawing.iter(f"{SVG}text")
              if e.text == pin and e.get("text-anchor") == "end"]
        for pin in ("ground", "power", "signal")
    }  # fmt: skip
    triples = list(zip(*ys.values(), strict=True))
    assert len(triples) == 4
    assert all(ground < power < signal for ground, power, signal in triples)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[channels.A]\nrole = 'servo'",
        "[channels]\nA = {role='drive-left', feeds_5v=true}\nB = {role='weapon', feeds_5v=true}",
        QUINCE.read_text(),
    ],
)
def test_the_rulings_are_json_by_the_shipped_schema(text):
    """Held against jsonschema (draft 2020-12)."""
    schema = json.loads((ROOT / "docs" / "wiring.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    wiring = check_wiring(parse_sheet(text))
    written = json.loads(wiring_json(wiring))
    jsonschema.validate(written, schema, cls=jsonschema.Draft202012Validator)
    assert written == json.loads(json.dumps(wiring_data(wiring)))
    for spoilt in (
        {**written, "schema": 2},
        {**written, "more": 1},
        {**written, "rules": []},
        {**written, "verdict": "fine"},
    ):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(spoilt, schema, cls=jsonschema.Draft202012Validator)
