"""The capture plan: made from a sheet, kept as TOML, and one sentence for each kind of bad one."""

import json
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.bench import (
    AXES,
    CAUTIONS,
    MOTION_CAUTIONS,
    CapturePlan,
    PlanError,
    PlanStep,
    load_plan,
    load_sheet,
    make_link_plan,
    make_plan,
    make_table_plan,
    parse_plan,
    parse_sheet,
    plan_toml,
)
from pwmscope.bench.plan_reading import MAX_BYTES, plan_schema
from pwmscope.errors import HintError, PwmscopeError
from pwmscope.report import plan_card, plan_json, plan_text

ROOT = Path(__file__).parents[2]
QUINCE = load_sheet(ROOT / "captures" / "bench.toml")
SCHEMA = ROOT / "docs" / "plan.schema.json"
STEP = '[[steps]]\nname = "rest"\nseconds = 3\n'


def names(plan):
    return [step.name for step in plan.steps]


def off_lengths(plan):
    return [step.seconds for step in plan.steps[1:] if not step.transmitter_on]


def sheet_of(*lines):
    return parse_sheet("\n".join(lines))


def fault_of(text):
    try:
        parse_plan(text)
    except PlanError as error:
        return error
    return None


def test_the_plan_for_quince_rests_moves_every_axis_drives_and_loses_the_link_last():
    plan = make_plan(QUINCE)
    told = names(plan)
    assert told[:3] == ["power up", "first link", "rest"]
    assert [step.transmitter_on for step in plan.steps[:3]] == [False, True, True]
    assert not any(step.sticks for step in plan.steps[:3])
    for axis in ("aileron", "elevator", "rudder"):
        held = [step.sticks.get(axis) for step in plan.steps]
        assert {1.0, -1.0} <= set(held)
    assert [n for n in told if n.startswith("drive ")] == [
        "drive forward", "drive back", "drive left", "drive right",
    ]  # fmt: skip
    assert told.index("weapon low") < told.index("weapon high")
    first_off = next(k for k, step in enumerate(plan.steps) if k and not step.transmitter_on)
    assert first_off > told.index("weapon high")
    assert (plan.robot, plan.marker) == ("Quince", "tx-on")


@pytest.mark.parametrize(
    ("marker", "begins_off"),
    [
        ("", False),
        ("line = 'tx-on'", False),
        ("line = 'tx-on'\non = 'high'", True),
        ("line = 'tx-on'\non = 'high'\nkind = 'button'", False),
    ],
)
def test_power_up_is_planned_where_the_marker_can_show_it(marker, begins_off):
    sheet = parse_sheet(f"[marker]\n{marker}" if marker else "")
    assert (names(make_plan(sheet))[0] == "power up") is begins_off
    assert names(make_plan(sheet, power_up=False))[0] == "rest"
    if marker and not begins_off:
        with pytest.raises(HintError, match=r"marker\.on"):
            make_plan(sheet, power_up=True)
    else:
        assert names(make_plan(sheet, power_up=True))[0] == "power up"


def test_the_link_is_lost_with_the_sticks_off_their_rest_and_comes_back():
    steps = make_plan(QUINCE, losses=2).steps
    off = [k for k, step in enumerate(steps) if k and not step.transmitter_on]
    assert len(off) == 2
    for k in off:
        before, after = steps[k - 1], steps[k + 1]
        held = {"elevator": 0.5, "aileron": 0.25, "throttle": 0.5, "rudder": 0.5}
        assert before.sticks == steps[k].sticks == after.sticks == held
        assert after.transmitter_on
        assert steps[k].seconds >= QUINCE.failsafe_s + 0.5
        assert "tx-on" in steps[k].hands


@pytest.mark.parametrize("axis", AXES)
def test_each_axis_that_the_sheet_wires_is_held_off_its_rest_in_every_loss(axis):
    """A servo that holds its last width is seen only where its own stick was off its rest."""
    servo = f'[channels.S]\nrole = "servo"\ncontrol = "{axis}"\n'
    drives = '[channels.F]\nrole = "drive-forward"\n[channels.U]\nrole = "drive-turn"\n'
    for sheet in (servo, servo + drives):
        for plan in (make_plan(parse_sheet(sheet), losses=2), make_table_plan(parse_sheet(sheet))):
            off = [step for step in plan.steps if not step.transmitter_on]
            wired = {axis} | ({"elevator", "aileron"} if sheet != servo else set())
            assert {frozenset(step.sticks) for step in off} == {frozenset(wired)}
    unstated = make_plan(parse_sheet('[channels.S]\nrole = "servo"'), losses=1)
    assert set(next(s for s in unstated.steps if not s.transmitter_on).sticks) == set(AXES)


def test_a_slower_failsafe_limit_keeps_the_transmitter_off_for_longer():
    slow = off_lengths(make_plan(sheet_of("[limits]", "failsafe_s = 10"), losses=5))
    assert (min(slow), max(slow)) == (10.5, 14.0)
    assert off_lengths(make_plan(sheet_of("[limits]", "failsafe_s = 10"), losses=1)) == [14.0]


def test_ten_losses_have_ten_lengths_in_no_order():
    """Repetition is evidence only where the hands do not repeat themselves."""
    quick = sheet_of("[limits]", "failsafe_s = 1")
    lengths = off_lengths(make_plan(quick))
    assert len(set(lengths)) == len(lengths) == 10
    assert (min(lengths), max(lengths)) == (2.0, 6.0)
    usual = off_lengths(make_plan(QUINCE))
    assert (QUINCE.failsafe_s, min(usual), max(usual)) == (2.0, 2.5, 6.0)
    steps = np.diff(lengths)
    assert len(set(np.sign(steps))) == 2
    assert len(set(np.round(steps, 1))) > 3
    assert np.max(np.abs(np.corrcoef(lengths[:-1], lengths[1:])[0, 1])) < 0.8
    assert len(set(off_lengths(make_plan(quick, losses=20)))) == 20
    assert off_lengths(make_plan(quick, losses=0)) == []


def test_every_step_is_told_by_the_hands_and_none_twice_by_name():
    plan = make_plan(QUINCE)
    assert len(set(names(plan))) == len(plan.steps)
    assert all(step.hands.endswith(".") and step.shows for step in plan.steps)


def test_a_sheet_without_drives_or_weapon_plans_neither():
    plan = make_plan(sheet_of("[channels.A]", 'role = "servo"'), losses=0)
    assert not [n for n in names(plan) if "drive" in n or "weapon" in n or "transmitter" in n]
    assert "throttle up" in names(plan)


def test_a_weapon_that_turns_both_ways_is_planned_to_both_ends():
    both = make_plan(sheet_of("[channels.A]", 'role = "weapon"', "neutral_us = 1500"), losses=0)
    low = next(step for step in both.steps if step.name == "weapon low")
    assert low.sticks == {"throttle": -1.0}
    one = make_plan(sheet_of("[channels.A]", 'role = "weapon"'), losses=0)
    assert min(step.sticks.get("throttle", 0.0) for step in one.steps) == 0.0


def test_a_finer_uncertainty_takes_a_faster_rate_and_longer_holds():
    coarse, fine = make_plan(QUINCE, within_us=5.0), make_plan(QUINCE, within_us=0.5)
    assert (coarse.sample_rate_hz, fine.sample_rate_hz) == (200e3, 2e6)
    assert fine.steps[3].seconds > coarse.steps[3].seconds == 2.0


def test_a_plan_that_no_recorder_can_keep_is_refused():
    with pytest.raises(HintError, match="No sample rate"):
        make_plan(QUINCE, within_us=0.1)
    with pytest.raises(HintError, match="holding still"):
        make_plan(QUINCE, scatter_us=30.0)
    with pytest.raises(HintError, match="losses"):
        make_plan(QUINCE, losses=-1)


def test_the_file_begins_with_the_cautions_and_reads_back_the_same(tmp_path):
    plan = make_plan(QUINCE, mode=1)
    text = plan_toml(plan)
    assert text.splitlines()[: len(CAUTIONS)] == [f"# {caution}" for caution in CAUTIONS]
    file = tmp_path / "plan.toml"
    file.write_text(text, encoding="utf-8")
    assert load_plan(file) == plan


WORDS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=40)
STEPS = st.builds(
    PlanStep,
    name=WORDS.filter(bool),
    seconds=st.floats(0.5, 600),
    sticks=st.dictionaries(st.sampled_from(AXES), st.floats(-1, 1), max_size=4),
    hands=WORDS,
    shows=WORDS,
    transmitter_on=st.booleans(),
)
PLANS = st.builds(
    CapturePlan,
    steps=st.lists(STEPS, min_size=1, max_size=6, unique_by=lambda step: step.name)
    .filter(lambda steps: any(step.transmitter_on for step in steps))
    .map(tuple),
    robot=WORDS,
    mode=st.sampled_from([1, 2]),
    marker=WORDS,
    within_us=st.floats(1e-3, 1000),
    sample_rate_hz=st.floats(1000, 1e11),
    shows_motion=st.booleans(),
)


@given(PLANS)
@settings(max_examples=60)
def test_any_plan_reads_back_the_same(plan):
    text = plan_toml(plan)
    assert parse_plan(text) == plan
    assert plan_toml(parse_plan(text)) == text


@pytest.mark.parametrize("make", [make_plan, make_link_plan, make_table_plan])
def test_what_turns_with_power_is_planned_for_a_test_box(make):
    """Every plan of a sheet with a rotation line says so first, and its file keeps it."""
    sheet = (ROOT / "captures" / "spin-down.toml").read_text()
    plan = make(parse_sheet(sheet))
    assert plan.cautions == (*MOTION_CAUTIONS, *make(QUINCE).cautions)
    assert "closed test box" in plan.cautions[0]
    assert parse_plan(plan_toml(plan)).cautions == plan.cautions
    assert plan_text(plan).index("closed test box") < plan_text(plan).index("eye protection")
    assert "closed test box" in plan_card(plan)
    assert json.loads(plan_json(plan))["cautions"] == list(plan.cautions)


def test_the_plan_as_json_says_in_which_steps_the_other_memory_is_chosen():
    plan = make_link_plan(QUINCE)
    told = [step["other_memory"] for step in json.loads(plan_json(plan))["steps"]]
    assert told == [step.other_memory for step in plan.steps]
    assert any(told)
    assert not all(told)


BAD = {
    "no TOML": ("a = [[[[", 1, ""),
    "nothing": ("", 1, "steps"),
    "no list": ("steps = 3", 1, "steps"),
    "a step that is no table": ("steps = [1]", 1, "step 1"),
    "a missing length": (STEP + '[[steps]]\nname = "go"', 4, "step 2, seconds"),
    "a negative length": ('[[steps]]\nname = "a"\n\nseconds = -2', 4, "step 1, seconds"),
    "no number": ('[[steps]]\nname = "a"\nseconds = nan', 3, "step 1, seconds"),
    "a name of another kind": ("[[steps]]\nname = 3\nseconds = 3", 2, "step 1, name"),
    "too far": (STEP + "sticks = { aileron = 2 }", 4, "step 1, sticks"),
    "no such axis": (STEP + "sticks = { ailerons = 1 }", 4, "step 1, sticks"),
    "a table of sticks": (STEP + '[steps.sticks]\nthrottle = "up"', 4, "step 1, sticks"),
    "an unknown key": (STEP + "secnds = 3", 4, "step 1, secnds"),
    "a mode of three": ("mode = 3\n" + STEP, 1, "mode"),
    "the same name twice": (STEP + STEP, 5, "step 2, name"),
    "never on": (STEP + "transmitter_on = false", 4, "step 1, transmitter_on"),
    "a rate too low": ("sample_rate_hz = 10\n" + STEP, 1, "sample_rate_hz"),
    "a key of many parts": (STEP + ".".join("a" * 50_000) + " = 1", 4, ""),
    "nested": ("a = " + "[" * 5000 + "]" * 5000, 1, ""),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_plan_is_one_sentence_with_line_and_key(name):
    text, line, key = BAD[name]
    with pytest.raises(PlanError) as caught:
        parse_plan(text, source="plan.toml")
    error = caught.value
    assert (error.line, error.key) == (line, key)
    said = str(error)
    assert said.startswith(f"plan.toml, line {line}")
    assert ", expected " in said
    assert said.endswith(".")
    assert "\n" not in said


def test_a_key_spelt_wrongly_is_told_the_nearest():
    with pytest.raises(PlanError, match="of which seconds is the nearest"):
        parse_plan(STEP + "secnds = 3")
    with pytest.raises(PlanError, match="of which rudder is the nearest"):
        parse_plan(STEP + "sticks = { ruder = 1 }")


PIECES = st.sampled_from(
    ["[[steps]]\n", "[steps]\n", "name = ", '"a"', "seconds = ", "3", "-1", "nan", "\n",
     "sticks = ", "{", "}", "aileron = ", "1", "true", "[", "]", "steps = ", ",", "mode = ", '"""',
     "\x00", "é", "[steps.sticks]\n", "transmitter_on = false\n", "#", "[[steps.sticks]]\n"]
)  # fmt: skip


@given(st.one_of(st.lists(PIECES, max_size=30).map("".join), st.text(max_size=200)))
@settings(max_examples=200)
def test_hostile_text_gives_a_plan_or_one_sentence(text):
    error = fault_of(text)
    if error is None:
        assert parse_plan(text).steps
    else:
        assert "\n" not in str(error)
        assert 1 <= error.line <= text.count("\n") + 2


def test_a_file_that_is_no_plan_is_refused(tmp_path):
    file = tmp_path / "plan.toml"
    for data in (b"\xff\xfe", b"x" * (MAX_BYTES + 1)):
        file.write_bytes(data)
        with pytest.raises(PwmscopeError, match=r"plan\.toml"):
            load_plan(file)
    with pytest.raises(PwmscopeError, match=r"cannot be read|no such file"):
        load_plan(tmp_path / "nowhere.toml")


def test_the_shipped_schema_is_the_model_and_takes_the_plan():
    schema = json.loads(SCHEMA.read_text())
    assert schema == plan_schema()
    checker = jsonschema.Draft202012Validator(schema)
    checker.validate(tomllib.loads(plan_toml(make_plan(QUINCE))))
    assert not checker.is_valid({"steps": [{"name": "a", "seconds": -1}]})
    assert not checker.is_valid({"steps": [{"name": "a", "seconds": 1, "sticks": {"x": 1}}]})


def test_the_page_names_every_key():
    page = (ROOT / "docs" / "plan.md").read_text()
    properties = plan_schema()["properties"] | plan_schema()["$defs"]["StepTable"]["properties"]
    for key in properties:
        assert f"`{key}`" in page, key
