"""What to do next, on recordings made edge by edge: the cause first, and one action for a fault."""

import numpy as np
import pytest

from pwmscope import Capture, Line, analyse
from pwmscope.bench import parse_sheet

PERIOD_S, OFF_S, ON_S, END_S = 0.018, (30.0, 41.0), (36.0, 47.0), 56.0
MARKER = '[marker]\nline = "TX"\non = "{on}"\nkind = "switch"\n'
DRIVE = '[channels.{line}]\nrole = "drive-{side}"\nneutral_us = 1500\ndeadband_us = 60\n'
STOPS = 'no_pulses = "stops"\nno_pulses_after_s = 0.3\n'
WEAPON = f'[channels.C]\nrole = "weapon"\nstop_us = [950, 1040]\n{STOPS}'
SHEET = (
    MARKER + DRIVE.format(line="A", side="left") + STOPS
    + DRIVE.format(line="B", side="right") + STOPS + WEAPON
)  # fmt: skip
POINTS = {  # When each hand goes where: each stick alone, then all held before each loss
    "A": [(0, 0), (4, 1), (6, -1), (8, 0), (26, 0.5), (37.5, 0), (38.5, 0.5), (49, 0)],
    "B": [(0, 0), (10, 1), (12, -1), (14, 0), (27, 0.4), (37.7, 0), (39.0, 0.4), (49.3, 0)],
    "C": [(0, -1), (16, 1), (18, -1), (28, 0.2), (37.9, -1), (39.4, 0.2), (49.6, -1)],
}


def position(points, at_s):
    """Go to each place within 0.3 s."""
    begin, place = np.array(points, float).T
    knots = np.stack([begin, begin + 0.3], axis=1).ravel()
    return np.interp(at_s, knots, np.stack([np.append(place[0], place[:-1]), place], 1).ravel())


def edges(bounds_s, name, width_us, failsafe, rng):
    preset_us, hold_s = failsafe
    rise_s = 0.004 + np.arange(int((END_S - 0.01) / PERIOD_S)) * PERIOD_S
    sent_us = np.round(width_us(position(POINTS[name], rise_s)) * 12) / 12
    for off_s, on_s in bounds_s:
        gone = (rise_s >= off_s) & (rise_s < on_s + 1.1)
        held = gone & (rise_s < off_s + hold_s)
        sent_us[held] = sent_us[~gone & (rise_s < off_s)][-1]
        sent_us[gone & ~held] = preset_us
    sent_us = sent_us + rng.normal(0.0, 0.35, sent_us.size)
    ends_s = np.stack([rise_s, rise_s + sent_us / 1e6], axis=1).ravel()
    return np.round(ends_s * 12e6).astype(np.int64) * 83_333 + 1


def recorded(weapon=lambda x: 1500 + 500 * x, left=1500, right=1500, hold_s=0.75, presets=None):
    rng = np.random.default_rng(5)
    shapes = {"A": lambda x: left + 450 * x, "B": lambda x: right + 450 * x, "C": weapon}
    presets = presets or {"A": 1508.0, "B": 1492.0, "C": 1000.0}
    losses = tuple(zip(OFF_S, ON_S, strict=True))
    lines = {
        name: Line(name, edges(losses, name, shape, (presets[name], hold_s), rng), 0)
        for name, shape in shapes.items()
    }
    marks = np.sort(np.array([*OFF_S, *ON_S]))
    lines["TX"] = Line("TX", (marks * 1e12).astype(np.int64), 1)
    return Capture(lines, int(END_S * 1e12), 83_333.0, "made")


def analysed(capture, *, on="high", sheet=SHEET):
    return analyse(capture, sheet=parse_sheet(sheet.replace("{on}", on)))


def answer_of(capture, **keywords):
    return analysed(capture, **keywords).answer


def told(answer):
    return [action.sentence for action in answer.actions]


def test_a_robot_that_meets_has_the_sticks_to_bring_to_rest_and_nothing_to_set():
    answer = answer_of(recorded())
    assert not [action for action in answer.actions if action.doing == "set"]
    assert any(said.startswith("Bring the sticks to rest") for said in told(answer))


def test_trims_are_one_action_for_each_side_with_its_setting():
    answer = answer_of(recorded(left=1540, right=1465))
    setting = [action for action in answer.actions if action.doing == "set"]
    assert [action.lines for action in setting] == [("A",), ("B",)]
    for action in setting:
        assert "Set the trim so that it rests at 1500 us" in action.sentence
        assert action.value == 1500.0
    assert "rest position" not in " ".join(told(answer))
    # Sticks at rest run it, so that they are not what is asked for.
    assert not any("Bring the sticks to rest" in said for said in told(answer))


def test_a_reversed_weapon_is_reversed_first_and_never_told_to_rest():
    reversed_weapon = recorded(weapon=lambda x: 1500 - 500 * x)
    first, *others = told(answer_of(reversed_weapon))
    assert first.startswith("C: ")
    assert "Reverse the channel" in first
    assert not any("sticks to rest" in said or "Find the cause" in said for said in others)


@pytest.mark.parametrize("hold_s", [2.6, 3.4])
def test_a_failsafe_that_is_late_only_is_told_its_delay_and_no_width(hold_s):
    answer = answer_of(recorded(hold_s=hold_s))
    assert answer.verdict == "does not meet"
    first = answer.actions[0]
    assert set(first.lines) == {"A", "B", "C"}
    assert "hold time" in first.sentence
    assert first.value is None
    assert not any("failsafe to" in said for said in told(answer))


def test_a_failsafe_of_the_wrong_width_is_told_the_width():
    presets = {"A": 1508.0, "B": 1492.0, "C": 1700.0}
    first = answer_of(recorded(presets=presets)).actions[0]
    assert first.lines == ("C",)
    assert first.value == 1000.0


def test_a_marker_that_the_outputs_contradict_comes_first_and_nothing_is_set_by_it():
    capture = recorded(left=1540)
    answer = answer_of(capture, on="low")
    first, *others = told(answer)
    assert 'Write on = "high" under [marker]' in first
    assert not [action for action in answer.actions[1:] if action.doing == "set"], others
    advice = analysed(capture, on="low").settings
    assert {s.action.value for c in advice.channels for s in c.settings} == {"not shown"}


ENDS = "low_us = 1000\nhigh_us = 2000\n"


def test_ends_that_nobody_stated_are_no_action_and_stated_ones_are():
    """450 us each way: against stated ends a setting, against the convention's a figure."""
    stated = SHEET.replace("deadband_us = 60\n", f"deadband_us = 60\n{ENDS}")
    assert any("low endpoint" in said for said in told(answer_of(recorded(), sheet=stated)))
    bare = analysed(recorded())
    assert not any("endpoint" in said for said in told(bare.answer))
    low = bare.settings.channels[0].named("low endpoint")
    assert (low.action, low.change is None) == ("not shown", False)
    assert "(default, not stated). No change is advised: state low_us" in low.sentence
    assert "If it is 1000 us, change the low endpoint by -" in low.sentence
    assert bare.settings.changes == 0


@pytest.mark.parametrize("role", ["servo", "kill"])
def test_no_esc_is_calibrated_where_there_is_none(role):
    channel = f'[channels.A]\nrole = "{role}"\nno_pulses = "keeps going"\n'
    for ends in ("", ENDS):
        sheet = f"{MARKER}{channel}{ends}{WEAPON}"
        settings = analysed(recorded(), sheet=sheet).settings
        first = settings.channels[0]
        said = " ".join(setting.sentence for setting in first.settings)
        assert "ESC" not in said
        assert "calibrat" not in said
        changes = [s.name for s in first.settings if s.action == "change"]
        assert changes == (["low endpoint", "high endpoint"] if ends else [])
        assert ("mechanical stop" in said) == (role == "servo" and bool(ends))


def test_what_the_headline_asks_for_is_among_what_is_told():
    for capture in (recorded(), recorded(left=1540), recorded(weapon=lambda x: 1560 + 440 * x)):
        answer = answer_of(capture)
        if answer.headline.startswith("PULSES do not meet"):
            line = answer.headline.split(" of ")[1].split(",")[0].split(";")[0]
            assert any(line in action.lines for action in answer.actions), answer.headline


def test_a_robot_that_turns_within_every_neutrals_limit_is_told_so_first():
    """Neutrals 19 us apart from 1500 us each way: at half stick 214 to 176 of 470, 18 % slower."""
    sheet = MARKER.replace("{on}", "high") + "".join(
        DRIVE.format(line=line, side=side) + STOPS for line, side in (("A", "left"), ("B", "right"))
    )
    sheet += '[channels.E]\nrole = "stick-elevator"\n[channels.R]\nrole = "stick-aileron"\n'
    rng = np.random.default_rng(8)
    at_s = 0.004 + np.arange(int((END_S - 0.01) / PERIOD_S)) * PERIOD_S
    half = [(30, 0.5), (33, -0.5), (36, 0)]
    ahead = position(POINTS["A"][:4] + half, at_s)
    turn = position(POINTS["B"][:4] + [(at + 10, to) for at, to in half], at_s)
    sent_us = {
        "A": 1519 + 450 * (ahead + turn), "B": 1481 + 450 * (ahead - turn),
        "E": 1500 + 500 * ahead, "R": 1500 + 500 * turn,
    }  # fmt: skip
    lines = {}
    for name, width_us in sent_us.items():
        fall_s = at_s + (width_us + rng.normal(0.0, 0.35, at_s.size)) / 1e6
        ends_s = np.stack([at_s, fall_s], axis=1).ravel()
        lines[name] = Line(name, np.round(ends_s * 12e6).astype(np.int64) * 83_333 + 1, 0)
    lines["TX"] = Line("TX", np.zeros(0, np.int64), 1)
    analysis = analyse(
        Capture(lines, int(END_S * 1e12), 83_333.0, "made"), sheet=parse_sheet(sheet)
    )
    assert analysis.mixing.verdict == "does not meet"
    assert analysis.headline.startswith("MIXING does not meet: it turns with the stick forward")
    first = next(a for a in analysis.answer.actions if a.doing == "set")
    assert first.sentence.count("Set the trim of") == 2


def test_where_only_the_failsafe_is_asked_a_start_by_itself_is_looked_into_first():
    """What runs as the link first comes may run at rest: resting sticks alone are no advice."""
    capture = recorded(weapon=lambda x: 1500 - 500 * x)
    late = {**capture.lines, "TX": Line("TX", (np.array([2.0]) * 1e12).astype(np.int64), 0)}
    for name in "ABC":
        pulses_ps = capture.lines[name].edges_ps.reshape(-1, 2)
        late[name] = Line(name, pulses_ps[pulses_ps[:, 0] > 3.0e12].ravel(), 0)
    analysis = analysed(Capture(late, capture.duration_ps, 83_333.0, "late"))
    assert any(hazard.lines == ("C",) for hazard in analysis.failsafe_answer.hazards)
    said = told(analysis.failsafe_answer)
    assert any("whether it runs with the stick at rest" in each for each in said)
    assert not any(each.startswith("Bring the sticks") for each in said)
