"""The wiring drawing: whole whatever the names, and telling without colour."""

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.bench import CAUTIONS, check_wiring, load_sheet, parse_sheet
from pwmscope.plot.style import cells, fit
from pwmscope.plot.wiring_drawing import WIDTH, draw_wiring, wiring_alt
from pwmscope.report.cards import wiring_text

ROOT = Path(__file__).parents[2]
SVG = "{http://www.w3.org/2000/svg}"
CONFLICT = """
[receiver]
outputs = 3
[sources.battery]
voltage_v = 6
powers_receiver = true
[sources.spare]
[channels.A]
role = "drive-left"
output = 1
splitter = true
feeds_5v = true
[channels.A2]
role = "drive-left"
output = 1
splitter = true
[channels.B]
role = "drive-right"
output = 2
[channels.B2]
role = "drive-right"
output = 2
[channels.W]
role = "weapon"
output = 3
signal_and_ground_only = true
supplied_by = "outside"
[sources."B's BEC"]
cable = "B"
powers_receiver = false
[channels.S]
role = "servo"
supplied_by = "receiver"
"""


def drawn(text):
    return ET.fromstring(draw_wiring(check_wiring(parse_sheet(text))))


def words_of(drawing):
    return [element.text or "" for element in drawing.iter(f"{SVG}text")]


def test_the_shipped_drawing_is_that_of_the_shipped_sheet():
    shipped = (ROOT / "docs" / "pictures" / "wiring.svg").read_text()
    assert shipped == draw_wiring(check_wiring(load_sheet(ROOT / "captures" / "bench.toml")))


def test_every_device_source_and_state_is_told_in_words():
    words = words_of(drawn(CONFLICT))
    for told in (
        "A: drive-left", "A2: drive-left", "W: weapon", "S: servo", "battery", "spare", "B's BEC",
        "POWERS THE RECEIVER", "not connected", "not stated", "splitter", "power pin lifted",
        "shared, no splitter stated", "no power wire", "feeds the receiver, 5 V", "takes power",
        "output 1", "output 2", "output 3", "output ?", "DOES NOT MEET",
    ):  # fmt: skip
        assert told in words, told
    assert words.count("CONFLICT") == 2


def test_no_conflict_is_written_where_there_is_none():
    words = words_of(drawn("[channels.A]\nrole = 'servo'\nfeeds_5v = true"))
    assert "CONFLICT" not in words
    assert "MEETS" in words


def test_each_broken_rule_has_a_triangle_and_each_open_one_a_circle_with_its_number():
    wiring = check_wiring(parse_sheet(CONFLICT))
    drawing = drawn(CONFLICT)
    words = words_of(drawing)
    for number, ruling in enumerate(wiring.rulings, 1):
        marks = words.count(str(number))
        # One beside its sentence, one in the banner for the first, one at each place.
        expected = (1 + len(ruling.at) + (number == 1)) * (ruling.verdict.value != "meets")
        assert marks == expected, ruling.name
    triangles = [p for p in drawing.iter(f"{SVG}polygon") if p.get("fill") == "#b23a0e"]
    broken = [r for r in wiring.rulings if r.verdict.value == "does not meet"]
    assert len(triangles) == sum(1 + len(r.at) for r in broken) + 1
    circles = [c for c in drawing.iter(f"{SVG}circle") if c.get("stroke-dasharray")]
    open_ = [r for r in wiring.rulings if r.verdict.value == "not shown"]
    assert len(circles) == sum(1 + len(r.at) for r in open_)


def test_it_is_described_for_someone_who_cannot_see_it():
    wiring = check_wiring(parse_sheet(CONFLICT))
    drawing = drawn(CONFLICT)
    assert drawing.get("role") == "img"
    assert drawing.find(f"{SVG}title").text == "Wiring of a robot"
    assert drawing.find(f"{SVG}desc").text == wiring_alt(wiring)
    assert wiring.answer.sentence in wiring_alt(wiring)
    assert "W (weapon) is plugged into output 3." in wiring_alt(wiring)


def test_the_same_sheet_gives_the_same_drawing():
    assert draw_wiring(check_wiring(parse_sheet(CONFLICT))) == draw_wiring(
        check_wiring(parse_sheet(CONFLICT))
    )


HOSTILE = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=200)


def quoted(text):
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


@settings(max_examples=60)
@given(HOSTILE, HOSTILE, st.integers(0, 12))
def test_hostile_names_stay_words(name, other, sources):
    text = f"robot = {quoted(name)}\n[channels.{quoted(name)}]\nrole = 'weapon'\n"
    text += f"device = {quoted(other)}\nfeeds_5v = true\n"
    text += "".join(f"[sources.{quoted(other[:150] + str(i))}]\n" for i in range(sources))
    sheet = parse_sheet(text)
    drawing = ET.fromstring(draw_wiring(check_wiring(sheet)))
    known = {"svg", "title", "desc", "rect", "text", "polyline", "polygon", "circle"}
    assert {element.tag.removeprefix(SVG) for element in drawing.iter()} <= known
    for element in drawing.iter():
        assert not set(element.attrib) - {
            "x", "y", "cx", "cy", "r", "width", "height", "points", "fill", "stroke",
            "stroke-width", "stroke-dasharray", "font-size", "font-weight", "text-anchor",
            "font-family", "viewBox", "role", "aria-label",
        }  # fmt: skip
    assert all(word.isprintable() for word in words_of(drawing))
    printed = wiring_text(check_wiring(sheet))
    assert all(line.isprintable() for line in printed.split("\n"))


@settings(max_examples=40)
@given(HOSTILE, st.lists(st.sampled_from(["drive-left", "weapon", "servo"]), max_size=9))
def test_everything_lies_within_the_picture(name, roles):
    text = "".join(
        f"[channels.{quoted(f'{i}{name}'[:200])}]\nrole = '{role}'\ndevice = {quoted(name)}\n"
        for i, role in enumerate(roles)
    )
    drawing = drawn(text)
    height = float(drawing.get("height"))
    for element in drawing.iter(f"{SVG}text"):
        x, y, size = (float(element.get(key)) for key in ("x", "y", "font-size"))
        wide = cells(element.text or "") * 0.58 * size
        left = {"start": x, "middle": x - wide / 2, "end": x - wide}[element.get("text-anchor")]
        assert left >= 0
        assert left + wide <= WIDTH + 1
        assert 0 < y < height
    for element in drawing.iter(f"{SVG}rect"):
        bottom = float(element.get("y") or 0) + float(element.get("height"))
        assert bottom <= height


@given(st.text(max_size=50), st.floats(5, 400), st.floats(6, 20))
def test_a_fitted_text_is_no_wider_than_its_room(text, width, size):
    fitted = fit(text, width, size)
    assert cells(fitted) * 0.58 * size <= max(width, 0.58 * size) + 1e-6


@pytest.mark.parametrize("text", ["", CONFLICT])
def test_the_text_answers_first_and_ends_with_the_cautions(text):
    wiring = check_wiring(parse_sheet(text))
    lines = wiring_text(wiring).splitlines()
    assert lines[0] == f"{wiring.answer.verdict.value}: {wiring.answer.sentence}"
    printed = re.sub(r"\s+", " ", " ".join(lines))
    for ruling in wiring.rulings:
        assert ruling.sentence in printed
        assert ruling.advice in printed
    assert [line[2:] for line in lines if line.startswith("- ")] == list(CAUTIONS)
    assert all(len(line) <= 100 for line in lines[1:])
    assert not re.search(r"\bsafe\b", printed)
