"""Given a bound receiver and a link record, this must be told of link, map, plugs and memory."""

import datetime
from dataclasses import replace

import pytest

from pwmscope.bench import make_link_plan, make_plan, parse_plan, parse_sheet, plan_toml
from pwmscope.errors import HintError
from pwmscope.findings import LINK_RECORD, Verdict, examine
from pwmscope.findings.link import examine_link
from pwmscope.findings.segmentation import find_servo_lines
from pwmscope.plot import draw_channel_map
from pwmscope.synth import GoesToPreset, KeepsFollowing, Output, PulsesStop, build, follow_plan

SHEET = """
[marker]
line = "tx-on"
on = "high"
kind = "switch"
[transmitter]
protocol = "linkwave 2"
band = "2.4 GHz"
[receiver]
protocol = "Linkwave 2"
band = "2.4 GHz"
bound_on = "2026-11-20"
[channels.RX1]
role = "drive-left"
[channels.RX2]
role = "drive-right"
device = "right drive ESC"
[channels.RX3]
role = "weapon"
"""
MIXED = {
    "RX1": {"elevator": 200.0, "aileron": 200.0},
    "RX2": {"elevator": 200.0, "aileron": -200.0},
    "RX3": {"throttle": 900.0},
}


def record(shares=None, when_lost=None, sheet_text=SHEET, **given):
    """Make a link record, and tell what it shows."""
    sheet = parse_sheet(sheet_text)
    plan = make_link_plan(sheet)
    when_lost = when_lost or PulsesStop()
    outputs = {
        line: Output(1000.0 if "throttle" in share else 1500.0, share, when_lost)
        for line, share in (shares or MIXED).items()
    }
    return told_of(plan, outputs, sheet, plan, **given)


def told_of(done, outputs, sheet, plan, **given):
    """Tell what a record shows in which the hands did one plan, by that plan or another."""
    made = follow_plan(done, outputs, seed=3, marker="tx-on", sample_rate_hz=250_000)
    lines = find_servo_lines(build(made.script).capture, "tx-on")
    return examine_link(lines.capture, lines.servo, plan, sheet, **given)


@pytest.fixture(scope="module")
def mixed():
    return record(last_failsafe=datetime.date(2026, 11, 21))


def test_the_whole_examination_tells_the_same(mixed):
    sheet = parse_sheet(SHEET)
    plan = make_link_plan(sheet)
    outputs = {
        line: Output(1000.0 if "throttle" in share else 1500.0, share, PulsesStop())
        for line, share in MIXED.items()
    }
    made = follow_plan(plan, outputs, seed=3, marker="tx-on", sample_rate_hz=250_000)
    found = examine(build(made.script).capture, sheet=sheet, plan=plan).sensors[LINK_RECORD]
    told = {f.name: f for f in mixed.findings if f.name != "failsafe after binding"}
    assert told == {f.name: f for f in found.findings if f.name in told}


def test_each_control_is_found_with_its_outputs_and_their_way(mixed):
    told = {row.control: {f.line: f.direction for f in row.followers} for row in mixed.rows}
    assert told == {
        "aileron": {"RX1": 1, "RX2": -1},
        "elevator": {"RX1": 1, "RX2": 1},
        "throttle": {"RX3": 1},
        "rudder": {},
    }
    assert not next(row for row in mixed.rows if row.control == "rudder").seen
    assert "right drive ESC" in mixed["channel map"].sentence


def test_the_link_is_timed_from_the_marker(mixed):
    # The outputs come back 0.3 s after the transmitter, a frame of 20 ms later at most.
    assert mixed["outputs without the link"].value == "RX1 quiet, RX2 quiet, RX3 quiet"
    assert 0.3 <= mixed["time to the first frame"].value <= 0.325


def test_everything_that_has_a_limit_meets_it(mixed):
    judged = {f.name: f.verdict for f in mixed.findings if f.limit}
    assert set(judged.values()) == {Verdict.MEETS}, judged
    assert mixed.verdict is Verdict.MEETS
    assert mixed.wrong_plugs == ()
    assert mixed.hazards == ()


def test_outputs_that_follow_the_other_memory_are_a_hazard():
    found = record(when_lost=KeepsFollowing())
    assert found["other memory"].verdict is Verdict.DOES_NOT_MEET
    (hazard,) = found.hazards
    assert set(hazard.lines) >= {"RX1", "RX3"}
    assert "follow another memory" in str(hazard)


def test_a_device_that_is_not_recorded_may_follow_the_other_memory():
    found = record(sheet_text=SHEET + '[channels.RX4]\nrole = "spare"\n')
    assert found["other memory"].verdict is Verdict.MEETS  # nothing is on it
    found = record(sheet_text=SHEET + '[channels.RX4]\nrole = "servo"\n')
    assert found["other memory"].verdict is Verdict.NOT_SHOWN
    assert "lacks RX4" in found["other memory"].sentence
    no_pin = '[channels.RX4]\nrole = "servo"\nno_pin = true\n'
    assert record(sheet_text=SHEET + no_pin)["other memory"].verdict is Verdict.MEETS


def test_a_preset_that_is_the_rest_shows_no_loss_and_so_meets_nothing():
    found = record(when_lost=GoesToPreset(1500.0, 0.5))
    other = found["other memory"]
    # RX3 rests at 1000 us and goes to 1500 us; that shows that the link was gone.
    assert other.verdict is Verdict.MEETS
    only = {line: share for line, share in MIXED.items() if line != "RX3"}
    alone = record(only, GoesToPreset(1500.0, 0.5))
    assert alone["other memory"].verdict is Verdict.NOT_SHOWN


def test_an_unmixed_drive_names_the_plugs_to_swap_or_to_mix():
    unmixed = {"RX1": {"elevator": 400.0}, "RX2": {"aileron": 400.0}, "RX3": {"throttle": 900.0}}
    found = record(unmixed)
    assert found["plugs"].verdict is Verdict.DOES_NOT_MEET
    (wrong,) = found.wrong_plugs
    assert (wrong.line, wrong.controls, wrong.can_mix) == ("RX2", ("aileron",), True)
    assert wrong.sentence == "Aileron drives the right motor, RX2. Mix elevator and aileron."


def test_a_weapon_on_the_drives_plug_is_to_be_swapped():
    crossed = {"RX1": MIXED["RX1"], "RX2": {"throttle": 400.0}, "RX3": MIXED["RX2"]}
    found = record(crossed)
    swaps = {wrong.line: wrong.swap_with for wrong in found.wrong_plugs}
    assert swaps.get("RX3") == "RX2"
    assert "Swap RX3 and RX2" in found["plugs"].sentence


@pytest.mark.parametrize("stated", [False, True])
def test_a_weapon_on_the_elevator_beside_a_drive_on_the_throttle_may_be_an_exchange(stated):
    sheet = SHEET.replace("drive-left", "drive-forward").replace("drive-right", "drive-turn")
    if stated:
        sheet = sheet.replace('"drive-forward"', '"drive-forward"\ncontrol = "throttle"')
        sheet += 'control = "elevator"\n'
    shares = {"RX1": {"throttle": 900.0}, "RX2": {"aileron": 400.0}, "RX3": {"elevator": 400.0}}
    plugs = record(shares, sheet_text=sheet)["plugs"]
    assert plugs.verdict is (Verdict.MEETS if stated else Verdict.NOT_SHOWN)
    assert stated or "their plugs may be exchanged" in plugs.sentence


def test_a_line_that_the_sheet_does_not_list_is_met_by_nothing():
    without = SHEET.replace(
        '[channels.RX2]\nrole = "drive-right"\ndevice = "right drive ESC"\n', ""
    )
    assert record(sheet_text=without)["plugs"].verdict is Verdict.NOT_SHOWN


def test_ends_that_state_other_protocols_do_not_meet():
    other = record(sheet_text=SHEET.replace('"Linkwave 2"', '"Linkwave 1"'))
    assert other["link protocol"].verdict is Verdict.DOES_NOT_MEET
    assert other["radio band"].verdict is Verdict.MEETS


@pytest.mark.parametrize(
    ("day", "verdict"),
    [
        (None, Verdict.NOT_SHOWN),
        (datetime.date(2026, 11, 19), Verdict.DOES_NOT_MEET),
        (datetime.date(2026, 11, 20), Verdict.NOT_SHOWN),
        (datetime.date(2026, 11, 21), Verdict.MEETS),
    ],
)
def test_the_failsafe_check_comes_after_the_binding(mixed, day, verdict):
    sheet = parse_sheet(SHEET)
    plan = make_link_plan(sheet)
    from pwmscope.capture import Capture  # noqa: PLC0415

    empty = Capture({}, 10**12, 1e6, "empty")
    found = examine_link(empty, {}, plan, sheet, last_failsafe=day)
    assert found["failsafe after binding"].verdict is verdict


def test_a_record_without_moves_shows_nothing_and_says_so():
    from pwmscope.capture import Capture  # noqa: PLC0415

    plan = make_link_plan(parse_sheet(SHEET))
    found = examine_link(Capture({}, 10**12, 1e6, "empty"), {}, plan)
    assert found.verdict is Verdict.NOT_SHOWN
    assert "were not seen" in found["channel map"].sentence


def test_another_plan_is_refused():
    from pwmscope.capture import Capture  # noqa: PLC0415

    plan = make_plan(parse_sheet(SHEET))
    with pytest.raises(HintError, match="no step with another memory"):
        examine_link(Capture({}, 10**12, 1e6, "empty"), {}, plan)


def test_the_plan_is_written_and_read_again():
    plan = make_link_plan(parse_sheet(SHEET), mode=1)
    assert parse_plan(plan_toml(plan)) == plan
    assert not replace(plan, steps=plan.steps[:3]).is_link_record
    assert sum("Left stick" in s.hands for s in plan.steps if set(s.sticks) == {"elevator"}) == 2


# Records of a second generator: hands that leave a control out, push one for another, and so on.


def changed_plan(change):
    """Return what the hands did of a link plan: `change` may alter each step's sticks."""
    plan = make_link_plan(parse_sheet(SHEET))
    steps = tuple(replace(step, sticks=change(step)) for step in plan.steps)
    return replace(plan, steps=steps)


def record_of_hands(change, shares=None, sheet_text=SHEET, when_lost=None, plan=None):
    """Make a record by what the hands did; it is read by the plan."""
    sheet = parse_sheet(sheet_text)
    outputs = {
        line: Output(1000.0 if "throttle" in share else 1500.0, share, when_lost or PulsesStop())
        for line, share in (shares or MIXED).items()
    }
    return told_of(changed_plan(change), outputs, sheet, plan or make_link_plan(sheet))


def without_corners(sheet_text=SHEET):
    """Make a plan as it was before corners told the axes apart."""
    plan = make_link_plan(parse_sheet(sheet_text))
    return replace(plan, steps=tuple(s for s in plan.steps if "check" not in s.name))


def test_a_control_pushed_in_anothers_place_gives_no_map():
    # The elevator again where the plan has the aileron: both motors would seem to follow it.
    def hands(step):
        if step.name.startswith("aileron") and step.sticks:
            return {"elevator": step.sticks["aileron"]}
        return step.sticks

    found = record_of_hands(hands)
    assert found["channel map"].value is None
    assert "aileron and the elevator moved the same outputs alike" in found["channel map"].sentence
    assert found["plugs"].verdict is Verdict.NOT_SHOWN
    assert found["plugs"].sentence == "Without a channel map no plug can be judged."


def test_an_output_that_no_control_moves_but_the_stirs_gives_no_map():
    # The rudder, and a little of the elevator, where the plan has the throttle.
    def hands(step):
        return {"rudder": 1.0, "elevator": 0.3} if step.name == "throttle up" else step.sticks

    found = record_of_hands(hands, MIXED | {"RX4": {"rudder": 150.0}})
    assert found["channel map"].value is None
    assert "RX3 moved in the stirs, but with no control" in found["channel map"].sentence


def test_a_stick_pushed_far_aslant_makes_its_other_axis_perhaps():
    # The hand pushes the throttle and half the rudder: two outputs of the rudder show it alike.
    def hands(step):
        return {"throttle": 1.0, "rudder": 0.5} if step.name == "throttle up" else step.sticks

    shares = MIXED | {"RX4": {"rudder": 300.0}, "RX5": {"rudder": -250.0}}
    found = record_of_hands(hands, shares)
    throttle = next(row for row in found.rows if row.control == "throttle")
    assert [follower.line for follower in throttle.followers] == ["RX3"]
    # The corners show that the throttle has no share in them.
    assert throttle.unsure == ()


def test_a_plan_without_corners_is_still_read_and_says_which_exchanges_it_cannot_see():
    plan = without_corners()
    assert len(plan.steps) == len(make_link_plan(parse_sheet(SHEET)).steps) - 5
    sheet = parse_sheet(SHEET)
    outputs = {
        line: Output(1000.0 if "throttle" in share else 1500.0, share, PulsesStop())
        for line, share in MIXED.items()
    }
    found = told_of(plan, outputs, sheet, plan)
    assert found.verdict is not Verdict.DOES_NOT_MEET
    assert {row.control for row in found.rows if row.followers} == {
        "aileron", "elevator", "throttle",
    }  # fmt: skip
    assert ("aileron", "elevator") in found.unseen_exchanges
    assert any("exchanged by the hand would not show" in said for said in found.assumptions)


@pytest.mark.parametrize(
    ("one", "other"),
    [("aileron", "elevator"), ("elevator", "rudder"), ("aileron", "rudder")],
)
def test_two_controls_exchanged_by_the_hand_give_no_map(one, other):
    # Each is pushed at the other's time, as the other is to be held; the corners are as planned.
    def hands(step):
        if step.name.split()[0] not in {one, other}:
            return step.sticks
        turned = {one: other, other: one}
        return {turned.get(axis, axis): to for axis, to in step.sticks.items()}

    found = record_of_hands(hands, MIXED | {"RX4": {"rudder": 300.0}})
    assert found.rows == ()
    assert "xchanged" in found["channel map"].sentence
    assert found["plugs"].verdict is Verdict.NOT_SHOWN


def test_hands_that_leave_the_corners_out_give_no_map():
    found = record_of_hands(lambda step: {} if "check" in step.name else step.sticks)
    assert "corners that tell the axes apart were not seen" in found["channel map"].sentence


OTHERS = """
[channels.RX5]
role = "servo"
device = "lifter servo"
control = "switch"
positions = 3
[channels.RX6]
role = "servo"
control = "dial"
"""


def record_of_others(moved, hands=None):
    """Make a record of a robot with a switch and a dial; `moved` says which line each moves.

    `hands` may alter each step; the record is read by the plan.
    """
    sheet = parse_sheet(SHEET + OTHERS)
    plan = make_link_plan(sheet)
    done = replace(plan, steps=tuple(map(hands, plan.steps))) if hands else plan
    outputs = {
        line: Output(1000.0 if "throttle" in share else 1500.0, share, PulsesStop())
        for line, share in MIXED.items()
    } | {line: Output(1100.0, {own: 800.0}, PulsesStop()) for own, line in moved.items()}
    return told_of(done, outputs, sheet, plan)


def test_a_stick_pushed_along_with_a_switch_makes_what_it_moves_perhaps():
    # Whoever throws the switch pushes the elevator each time: the switch may move both motors.
    def hands(step):
        return replace(step, sticks={"elevator": 1.0}) if "RX5" in step.controls else step

    found = record_of_others({"RX5": "RX5", "RX6": "RX6"}, hands)
    (row,) = (row for row in found.rows if row.control == "switch of RX5")
    assert [f.line for f in row.followers] == ["RX5"]
    assert row.unsure == ("RX1", "RX2")
    assert found["plugs"].verdict is Verdict.NOT_SHOWN


def test_a_switch_thrown_along_with_a_dial_is_told_of_the_dial_only_as_perhaps():
    def hands(step):
        if "RX6" in step.controls:
            return replace(step, controls={**step.controls, "RX5": step.controls["RX6"]})
        return step

    found = record_of_others({"RX5": "RX5", "RX6": "RX6"}, hands)
    told = {row.control: [f.line for f in row.followers] for row in found.rows if row.line}
    assert told == {"switch of RX5": ["RX5"], "dial of RX6": ["RX6"]}
    assert {row.control: row.unsure for row in found.rows}["dial of RX6"] == ("RX5",)


def test_the_throttle_exchanged_with_a_switch_is_told_of_no_line_for_sure():
    # Throttle and switch change places; no output follows the rudder, which may be left out then.
    def hands(step):
        if step.name == "throttle up":
            return replace(step, sticks={}, controls={"RX5": 1.0})
        if "RX5" in step.controls:
            return replace(step, sticks={"throttle": 1.0}, controls={})
        return step

    found = record_of_others({"RX5": "RX5", "RX6": "RX6"}, hands)
    told = {row.control: [f.line for f in row.followers] for row in found.rows}
    assert "RX3" not in told.get("switch of RX5", [])
    assert found["plugs"].verdict is Verdict.NOT_SHOWN


def test_a_switch_and_a_dial_are_named_with_the_lines_that_they_move():
    found = record_of_others({"RX5": "RX5", "RX6": "RX6"})
    told = {row.control: [f.line for f in row.followers] for row in found.rows if row.line}
    assert told == {"switch of RX5": ["RX5"], "dial of RX6": ["RX6"]}
    assert found["plugs"].verdict is Verdict.MEETS
    said = "Switch of RX5 on: longer pulses on RX5 (lifter servo)."
    assert said in found["channel map"].sentence
    assert f">{said}<" in draw_channel_map(found.rows, 2).svg


def test_the_plugs_of_a_switch_and_a_dial_in_each_others_place_are_to_be_swapped():
    found = record_of_others({"RX5": "RX6", "RX6": "RX5"})
    assert {plug.line: plug.swap_with for plug in found.wrong_plugs} == {
        "RX5": "RX6",
        "RX6": "RX5",
    }
    assert found["plugs"].verdict is Verdict.DOES_NOT_MEET


def test_outputs_that_follow_the_other_memory_are_a_hazard_without_a_map_too():
    # The rudder's hand falls into the second stir, so no map is told.
    def hands(step):
        return {"elevator": 1.0} if step.name == "rest before" else step.sticks

    found = record_of_hands(hands, when_lost=KeepsFollowing())
    assert found.rows == ()
    (hazard,) = found.hazards
    assert "RX1" in hazard.lines
    assert found["other memory"].verdict is Verdict.DOES_NOT_MEET


def test_a_control_left_out_does_not_make_a_mixed_drive_wrong():
    found = record_of_hands(lambda step: {} if step.name.startswith("elevator") else step.sticks)
    assert found["plugs"].verdict is Verdict.NOT_SHOWN
    assert found.wrong_plugs == ()
    elevator = next(row for row in found.rows if row.control == "elevator")
    assert not elevator.seen
    assert set(elevator.unsure) >= {"RX1"}
    assert "moved otherwise in the stirs" in found["channel map"].sentence


def test_a_control_without_an_output_leaves_the_others_sure(mixed):
    # No output follows the rudder, and the stirs do what the other controls do.
    assert all(row.unsure == () for row in mixed.rows)


@pytest.mark.parametrize("share", [0.15, 0.25])
def test_an_output_that_follows_the_other_memory_a_little_meets_nothing(share):
    # The pulses of RX2 and RX3 stop with the other memory; RX1 moves less than in a stir.
    def hands(step):
        return {axis: way * share for axis, way in step.sticks.items()} if step.other_memory else (
            step.sticks
        )  # fmt: skip

    sheet = parse_sheet(SHEET)
    outputs = {
        "RX1": Output(1500.0, MIXED["RX1"], KeepsFollowing()),
        "RX2": Output(1500.0, MIXED["RX2"], PulsesStop()),
        "RX3": Output(1000.0, MIXED["RX3"], PulsesStop()),
    }
    told = told_of(changed_plan(hands), outputs, sheet, make_link_plan(sheet))
    assert told["other memory"].verdict is not Verdict.MEETS
    assert "RX1" in told["other memory"].sentence


def test_a_swap_is_told_only_where_one_swap_alone_mends_it():
    # Rudder on the drive; the weapon's plug or the lifter's would fit it. The weapon's is right.
    sheet_text = SHEET.replace("drive-left", "drive-forward").replace("drive-right", "drive-turn")
    sheet_text += '[channels.RX4]\nrole = "servo"\n'
    found = record(
        {
            "RX1": {"rudder": 300.0},
            "RX2": {"aileron": 300.0},
            "RX3": {"throttle": 900.0},
            "RX4": {"elevator": 300.0},
        },
        sheet_text=sheet_text,
    )
    (wrong,) = found.wrong_plugs
    assert (wrong.line, wrong.swap_with) == ("RX1", None)
    assert "a swap with RX3 or RX4 would fit" in wrong.sentence


def test_a_drive_that_follows_nothing_may_have_the_weapons_plug():
    # The weapon's channel is off, and its plug is on the right motor; the lifter's plug is right.
    found = record(
        {"RX1": MIXED["RX1"], "RX2": {}, "RX3": MIXED["RX2"], "RX4": {"rudder": 300.0}},
        sheet_text=SHEET + '[channels.RX4]\nrole = "servo"\n',
    )
    (wrong,) = found.wrong_plugs
    assert (wrong.line, wrong.swap_with) == ("RX3", None)
    assert "a swap with RX4 or RX2 would fit" in wrong.sentence


def test_no_swap_is_told_that_leaves_nothing_to_turn_the_robot():
    # The second weapon's plug would fit the right motor, but then both motors follow the throttle.
    sheet_text = SHEET + '[channels.RX4]\nrole = "weapon"\n'
    found = record(
        {
            "RX1": {"throttle": 300.0},
            "RX2": {"aileron": 300.0},
            "RX3": {"elevator": 300.0},
            "RX4": {"throttle": 400.0},
        },
        sheet_text=sheet_text,
    )
    swaps = {frozenset((wrong.line, wrong.swap_with)) for wrong in found.wrong_plugs}
    assert frozenset(("RX2", "RX4")) not in swaps


@pytest.mark.parametrize("preset_us", [1621.0, 1270.0])
def test_a_preset_at_the_bound_of_a_move_is_no_stir(preset_us):
    # Without the link an output stands about where a move begins, and jitters about it.
    found = record(when_lost=GoesToPreset(preset_us, 0.5))
    assert found["channel map"].value is not None
