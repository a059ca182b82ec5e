"""Settings advice on recordings with known truth: what to change, to leave, what is unknown."""

import dataclasses
import re

import numpy as np
import pytest

from pwmscope import Capture, Line, examine
from pwmscope.advice import (
    SettingAction as Action,
)
from pwmscope.advice import (
    Transmitter,
    Trend,
    advise_settings,
    compare_settings,
    stated_scale,
)
from pwmscope.advice.settings import nearer
from pwmscope.bench import CapturePlan, PlanStep, StepSpan, make_plan, parse_sheet
from pwmscope.errors import HintError
from pwmscope.findings import Alignment, align_plan
from pwmscope.findings.travel import Amount
from pwmscope.model import measured
from pwmscope.synth import Channel, Dwell, Frame, Output, Script, Width, build, follow_plan

ENDS = "low_us = 1000\nhigh_us = 2000"
DRIVE = f'role = "drive-left"\ndeadband_us = 60\n{ENDS}'
SERVO = f'role = "servo"\n{ENDS}'
WEAPON = f'role = "weapon"\n{ENDS}'


def findings_of(rate_hz=1_000_000, **levels_us):
    """Record lines that stand for two seconds at each of some widths."""
    channels = tuple(
        Channel(line, tuple(Dwell(us, 2.0) for us in widths)) for line, widths in levels_us.items()
    )
    longest = max(len(widths) for widths in levels_us.values())
    script = Script(
        duration_s=2.0 * longest,
        sample_rate_hz=rate_hz,
        seed=7,
        frame=Frame(20_000, first_frame_us=5_000, jitter_us=0.8),
        channels=channels,
        width=Width(jitter_us=0.3),
    )
    return examine(build(script).capture)


def drive(neutral, low, high):
    return (neutral, high, neutral, low, neutral)


def sheet_of(text, line="A"):
    return parse_sheet(f"[channels.{line}]\n{text}")


def advise(text, widths, **keywords):
    rate_hz = keywords.pop("rate_hz", 1_000_000)
    (channel,) = advise_settings(
        findings_of(rate_hz, A=widths), sheet_of(text), **keywords
    ).channels
    return channel


def per_percent(us, **keywords):
    return {"A": Transmitter(stated_scale(us), **keywords)}


def test_a_channel_that_is_right_is_left_alone():
    found = findings_of(A=drive(1500, 1000, 2000))
    advice = advise_settings(found, sheet_of(DRIVE))
    assert [s.name for s in advice.channels[0].settings] == [
        "rest position", "neutral", "low endpoint", "high endpoint",
    ]  # fmt: skip
    assert {s.action for s in advice.channels[0].settings} == {Action.LEAVE}
    assert (advice.changes, advice.not_shown, advice.channels[0].warnings) == (0, 0, ())


def test_neutral_beyond_half_the_deadband_is_changed_and_the_robot_creeps():
    channel = advise(DRIVE, drive(1545, 1045, 2045))
    neutral = channel.named("neutral")
    assert neutral.action is Action.CHANGE
    assert neutral.change.us == pytest.approx(-45, abs=0.5)
    assert neutral.predicted.us == 1500
    assert any("the robot creeps" in warning for warning in channel.warnings)
    # The ends come along with neutral, so nothing more is asked of them.
    assert channel.named("low endpoint").action is Action.LEAVE
    assert channel.named("high endpoint").action is Action.LEAVE


def test_neutral_within_half_the_deadband_is_left():
    channel = advise(DRIVE, drive(1520, 1000, 2000))
    assert channel.named("neutral").action is Action.LEAVE
    assert channel.warnings == ()


@pytest.mark.parametrize("text", [SERVO, 'role = "drive-left"', DRIVE])
@pytest.mark.parametrize("off_us", [-15, 23, 27, 45])
def test_a_neutral_that_is_measured_to_meet_is_left_and_one_that_does_not_is_changed(text, off_us):
    """One limit: half the stated deadband where that is more than 20 us, else 20 us."""
    widths_us = drive(1500 + off_us, 1000 + off_us, 2000 + off_us)
    sheet = sheet_of(text)
    found = examine(findings_of(A=widths_us).capture, sheet=sheet)
    (channel,) = advise_settings(found, sheet).channels
    finding, neutral = found["A"]["neutral"], channel.named("neutral")
    limit_us = 30 if text == DRIVE else 20
    assert f"1500 us within {limit_us} us" in finding.limit
    assert finding.verdict == ("meets" if abs(off_us) < limit_us else "does not meet")
    assert neutral.action is (Action.LEAVE if finding.verdict == "meets" else Action.CHANGE)


def test_a_deadband_narrower_than_common_practice_loosens_no_limit():
    """Half of 16 us is 8 us: 12 us off meets no stop range, whatever neutral's limit says."""
    sheet = sheet_of(DRIVE.replace("60", "16"))
    found = examine(findings_of(A=drive(1512, 1012, 2012)).capture, sheet=sheet)
    assert found["A"]["neutral"].limit.startswith("1500 us within 20 us")
    assert found["A"]["rest position"].verdict == "does not meet"
    (channel,) = advise_settings(found, sheet).channels
    assert channel.named("neutral").action is Action.CHANGE


def test_at_the_edge_of_its_limit_a_neutral_is_to_be_set_nearer_and_not_only_recorded_again():
    sheet = sheet_of(DRIVE)
    found = examine(findings_of(A=drive(1530, 1030, 2030)).capture, sheet=sheet)
    finding = found["A"]["neutral"]
    assert finding.verdict == "not shown"
    assert finding.to_do == "Set its trim so that it rests nearer to 1500 us."
    neutral = advise_settings(found, sheet).channels[0].named("neutral")
    assert neutral.action is Action.NOT_SHOWN
    assert neutral.sentence.endswith("Set it nearer to 1500 us.")


def test_a_creeping_drive_without_a_deadband_is_told_how_narrow_it_would_be():
    channel = advise('role = "drive-left"', drive(1530, 1030, 2030))
    assert "narrower than 60 us" in channel.warnings[0]


@pytest.mark.parametrize("rate_hz", [100_000, 200_000])
def test_an_offset_within_the_uncertainty_is_never_changed(rate_hz):
    # Sampled every 10 or 5 us, 32 us is not told apart from 30 us, the deadband's half.
    channel = advise(DRIVE, drive(1532, 1003, 1989), rate_hz=rate_hz)
    neutral = channel.named("neutral")
    assert neutral.action is Action.NOT_SHOWN
    assert "within the uncertainty. Set it nearer to 1500 us." in neutral.sentence
    assert any("perhaps more than half" in warning for warning in channel.warnings)


@pytest.mark.parametrize("off_us", [0, 3, 7, 9, 11, 14, 18, 25])
@pytest.mark.parametrize("rate_hz", [100_000, 1_000_000])
def test_every_change_is_larger_than_its_uncertainty_and_tolerance(off_us, rate_hz):
    channel = advise(SERVO, drive(1500 + off_us, 1000 + off_us, 2000 - off_us), rate_hz=rate_hz)
    judged = [s for s in channel.settings if s.name in ("neutral", "low endpoint", "high endpoint")]
    assert len(judged) == 3
    for setting in judged:
        assert setting.action is not Action.DEVICE
        if setting.action is Action.CHANGE:
            assert abs(setting.change.us) > 2 * setting.change.uncertainty_us
            assert abs(setting.change.us) > setting.tolerance_us
    neutral = channel.named("neutral")
    beyond_us = abs(neutral.measured.us - neutral.target_us) - neutral.tolerance_us
    assert (neutral.action is Action.CHANGE) == (beyond_us > 2 * neutral.measured.uncertainty_us)


def test_without_a_known_sampling_interval_nothing_is_changed():
    found = findings_of(A=drive(1545, 1100, 1950))
    level = {
        name: dataclasses.replace(getattr(found.channels["A"].travel, name), uncertainty_us=None)
        for name in ("low", "neutral", "high")
    }
    rest = found.channels["A"].travel.rest
    level["rest"] = dataclasses.replace(
        rest, level=dataclasses.replace(rest.level, uncertainty_us=None)
    )
    answers = found.channels["A"].channel.answers
    answers["travel"] = dataclasses.replace(answers["travel"], **level)
    (channel,) = advise_settings(found, sheet_of(DRIVE)).channels
    assert {s.action for s in channel.settings} == {Action.NOT_SHOWN}
    assert all("`rate`" in s.sentence for s in channel.settings)


def test_endpoints_are_changed_by_microseconds_and_by_percent():
    channel = advise(SERVO, drive(1500, 1060, 1880), transmitters=per_percent(4.0))
    low, high = channel.named("low endpoint"), channel.named("high endpoint")
    assert low.change.us == pytest.approx(-60, abs=0.5)
    assert high.change.us == pytest.approx(120, abs=0.5)
    # For both, more percent is farther from neutral.
    assert (low.percent, high.percent) == (15.0, 30.0)
    assert "farther from neutral" in low.sentence
    assert high.predicted.us == pytest.approx(2000, abs=0.5)


def test_a_travel_that_is_too_long_is_shortened():
    channel = advise(SERVO, drive(1500, 960, 2060), transmitters=per_percent(5.0))
    low, high = channel.named("low endpoint"), channel.named("high endpoint")
    assert (low.percent, high.percent) == (-8.0, -12.0)
    assert "nearer to neutral" in high.sentence


def test_the_prediction_holds_what_the_transmitter_then_gives():
    us_per_percent = 4.87
    before = drive(1541, 1083, 1921)
    channel = advise(DRIVE, before, transmitters=per_percent(us_per_percent))
    trim, low, high = (channel.named(n) for n in ("neutral", "low endpoint", "high endpoint"))
    neutral = before[0] + trim.percent * us_per_percent
    after = drive(
        neutral,
        neutral - (before[0] - before[3]) - low.percent * us_per_percent,
        neutral + (before[1] - before[0]) + high.percent * us_per_percent,
    )
    again = advise(DRIVE, after)
    for name in ("neutral", "low endpoint", "high endpoint"):
        predicted, measured = channel.named(name).predicted, again.named(name).measured
        doubt_us = (predicted.uncertainty_us**2 + measured.uncertainty_us**2) ** 0.5
        assert abs(predicted.us - measured.us) <= 2 * doubt_us
        assert again.named(name).action is Action.LEAVE


def test_a_doubtful_percent_widens_the_prediction():
    scale = dataclasses.replace(stated_scale(4.0), uncertainty_us=0.2)
    sure = advise(SERVO, drive(1500, 1060, 1880), transmitters=per_percent(4.0))
    unsure = advise(SERVO, drive(1500, 1060, 1880), transmitters={"A": Transmitter(scale)})
    a, b = (c.named("high endpoint").predicted for c in (sure, unsure))
    assert b.us == a.us
    assert b.uncertainty_us == pytest.approx((a.uncertainty_us**2 + (30 * 0.2) ** 2) ** 0.5)


def test_less_than_half_a_step_cannot_be_set_and_is_left():
    coarse = per_percent(5.0, step_percent=10.0)
    channel = advise(SERVO, drive(1500, 1000, 1980), transmitters=coarse)
    high = channel.named("high endpoint")
    assert high.action is Action.LEAVE
    assert "half a step" in high.sentence


def test_a_travel_out_of_reach_calls_for_calibrating_the_esc():
    channel = advise(DRIVE, drive(1500, 1125, 1875), transmitters=per_percent(3.0))
    low, high = channel.named("low endpoint"), channel.named("high endpoint")
    assert {low.action, high.action} == {Action.DEVICE}
    assert "Calibrate your ESC to the transmitter's endpoints" in high.sentence
    assert "1875 us as its high end" in high.sentence
    wide = advise(DRIVE, drive(1500, 1125, 1875), transmitters=per_percent(3.0, most_percent=170.0))
    assert wide.named("high endpoint").action is Action.CHANGE


def test_a_weapons_end_is_not_asked_for_beyond_what_can_be_set():
    """At 3 us for a percent 125 % reach 375 us from 1500 us, not 500: of one side or of both."""
    channel = advise(WEAPON, (1120, 1880, 1120), transmitters=per_percent(3.0))
    for name in ("low endpoint", "high endpoint"):
        setting = channel.named(name)
        assert setting.action is Action.DEVICE
        assert setting.percent is None
        assert "at 125 % the width comes to about" in setting.sentence
    # A weapon of a narrow band: percent count from the transmitter's centre, not the band's.
    narrow = WEAPON.replace("2000", "1800")
    low = advise(narrow, (1100, 1800, 1100), transmitters=per_percent(3.0)).named("low endpoint")
    assert low.action is Action.DEVICE
    fine = advise(narrow, (1100, 1800, 1100), transmitters=per_percent(5.0)).named("low endpoint")
    assert fine.action is Action.CHANGE


def test_without_a_scale_the_esc_is_mentioned_in_case_the_setting_ends():
    high = advise(DRIVE, drive(1500, 1000, 1900)).named("high endpoint")
    assert high.action is Action.CHANGE
    assert high.percent is None
    assert "If the setting ends before that, your ESC needs calibrating" in high.sentence


def test_ends_that_were_not_exercised_are_not_shown():
    channel = advise(DRIVE, (1500, 1500, 1500))
    assert channel.named("neutral").action is Action.LEAVE
    for name in ("low endpoint", "high endpoint"):
        setting = channel.named(name)
        assert setting.action is Action.NOT_SHOWN
        assert "never held at its" in setting.sentence
    half = advise(DRIVE, drive(1500, 1300, 1700))
    assert half.named("high endpoint").action is Action.NOT_SHOWN
    assert "two seconds" in half.named("high endpoint").sentence


def test_a_stick_that_was_never_let_go_shows_no_neutral():
    channel = advise(DRIVE, (1000, 2000, 1000))
    assert channel.named("neutral").action is Action.NOT_SHOWN
    assert channel.named("low endpoint").action is Action.LEAVE


def test_a_line_without_servo_pulses_shows_nothing():
    found = findings_of(A=drive(1500, 1000, 2000), B=(1500,))
    odd = dataclasses.replace(
        found.channels["A"], channel=None, not_servo="It does not look like servo pulses."
    )
    found = dataclasses.replace(found, channels=found.channels | {"A": odd})
    (channel,) = advise_settings(found, sheet_of(DRIVE)).channels
    assert {s.action for s in channel.settings} == {Action.NOT_SHOWN}
    assert all("does not look like servo pulses" in s.sentence for s in channel.settings)


def test_a_weapon_that_rests_high_is_reversed_first_and_nothing_else_is_told():
    channel = advise(WEAPON, (2000, 1000, 2000, 2000))
    direction, *others = channel.settings
    assert (direction.name, direction.action) == ("direction", Action.CHANGE)
    assert "before the weapon is powered" in direction.sentence
    assert {s.action for s in others} == {Action.NOT_SHOWN}
    assert all("Reverse the channel first" in s.sentence for s in others)


def test_a_weapon_that_rests_low_is_not_reversed_and_has_no_neutral():
    channel = advise(WEAPON, (1000, 2000, 1000))
    assert [(s.name, s.action) for s in channel.settings] == [
        ("direction", Action.LEAVE),
        ("rest position", Action.LEAVE),
        ("low endpoint", Action.LEAVE),
        ("high endpoint", Action.LEAVE),
    ]


@pytest.mark.parametrize("widths", [(1500, 2000, 1500), (1500, 1000, 2000, 1500), (1500,)])
def test_a_weapon_that_rests_at_half_speed_is_never_left(widths):
    channel = advise(WEAPON, widths)
    rest = channel.named("rest position")
    moved = len(widths) > 1
    assert rest.action is (Action.CHANGE if moved else Action.NOT_SHOWN)
    assert "outside the stop range" in rest.sentence
    assert channel.named("direction") is None
    if not moved:  # It may have been held there: both are named.
        assert "Either the channel rests there, or the stick was held there" in rest.sentence


def test_a_weapon_whose_rest_is_not_clear_is_not_shown_to_rest_in_its_stop_range():
    rest = advise(WEAPON, (1500, 1000, 1000, 1000)).named("rest position")
    assert rest.action is Action.NOT_SHOWN
    assert "1500 us first" in rest.sentence


def test_a_weapon_whose_rest_is_not_clear_has_no_direction():
    channel = advise(WEAPON, (2000, 1000, 1000, 1000))
    assert channel.named("direction") is None


def test_a_weapon_above_its_stop_range_is_warned_of():
    channel = advise(WEAPON, (1080, 1950, 1080))
    assert channel.named("low endpoint").action is Action.CHANGE
    (warning,) = channel.warnings
    assert "above the stop range, which ends at 1020 us" in warning
    assert "the weapon may turn" in warning
    edge = advise(WEAPON, (1021, 1950, 1021), rate_hz=200_000)
    assert "perhaps" in edge.warnings[0]
    below = advise(WEAPON, (1018, 1950, 1018), rate_hz=200_000)
    assert "perhaps" in below.warnings[0]
    assert advise(WEAPON, (1018, 1950, 1018)).warnings == ()


def test_sticks_are_no_devices_and_a_foreign_sheet_is_refused():
    found = findings_of(A=drive(1500, 1000, 2000), B=drive(1500, 1000, 2000))
    sheet = parse_sheet(f'[channels.A]\nrole = "stick-aileron"\n[channels.B]\n{SERVO}\n'
                        f"[channels.C]\n{SERVO}")  # fmt: skip
    advice = advise_settings(found, sheet)
    assert [channel.line for channel in advice.channels] == ["B"]
    assert advice.missing == ("C",)
    with pytest.raises(HintError, match="None of the devices"):
        advise_settings(found, sheet_of(SERVO, line="Z"))


SHEET = parse_sheet(f'[channels.L]\n{DRIVE}\n[channels.R]\nrole = "drive-right"\n'
                    f"[channels.W]\n{WEAPON}\n[channels.S]\n{SERVO}")  # fmt: skip
PLAN = make_plan(SHEET, losses=0)


def planned(**outputs):
    followed = follow_plan(PLAN, outputs, seed=3)
    found = examine(build(followed.script).capture)
    tables = {line: channel.table for line, channel in found.channels.items()}
    return advise_settings(found, SHEET, alignment=align_plan(PLAN, tables))


def test_a_plan_shows_which_way_the_channels_go():
    advice = planned(
        L=Output(1500.0, {"elevator": 500.0, "aileron": 200.0}),
        R=Output(1500.0, {"elevator": -500.0, "aileron": 200.0}),
        W=Output(1000.0, {"throttle": 400.0}),
        S=Output(1500.0, {"rudder": 300.0}),
    )
    left, right, weapon, servo = advice.channels
    assert left.named("direction").action is Action.LEAVE
    assert right.named("direction").action is Action.CHANGE
    assert re.search(r"falls by (499|500|501) us", right.named("direction").sentence)
    assert weapon.named("direction").action is Action.LEAVE
    assert servo.named("direction") is None
    # The plan shows that the rudder was at its ends, so 300 us is the servo's whole throw.
    assert servo.named("high endpoint").action is Action.CHANGE


def test_a_drive_that_does_not_follow_the_elevator_has_no_direction():
    advice = planned(
        L=Output(1500.0, {"rudder": 500.0}), R=Output(1500.0, {"elevator": 500.0, "aileron": 200})
    )
    direction = advice.channels[0].named("direction")
    assert direction.action is Action.NOT_SHOWN
    assert "follows another stick" in direction.sentence


def test_a_plan_that_does_not_fit_shows_no_direction():
    found = findings_of(L=drive(1500, 1000, 2000), R=drive(1500, 1000, 2000))
    tables = {line: channel.table for line, channel in found.channels.items()}
    advice = advise_settings(found, SHEET, alignment=align_plan(PLAN, tables))
    direction = advice.channels[0].named("direction")
    assert direction.action is Action.NOT_SHOWN
    assert "does not follow the plan" in direction.sentence


def compared(before, after, text=DRIVE):
    was, now = (advise_settings(findings_of(A=w), sheet_of(text)) for w in (before, after))
    return {entry.name: entry for entry in compare_settings(was, now)}


def test_before_and_after_tell_better_worse_and_unchanged():
    entries = compared(drive(1545, 1040, 1990), drive(1503, 1040, 1970))
    assert {name: entry.trend for name, entry in entries.items()} == {
        "neutral": Trend.IMPROVED,
        "low endpoint": Trend.UNCHANGED,
        "high endpoint": Trend.WORSE,
    }
    assert entries["neutral"].gain.us == pytest.approx(42, abs=0.5)
    assert "20.0" in entries["high endpoint"].sentence


def test_the_clock_that_two_recordings_share_leaves_no_doubt_about_the_gain():
    clock = 100e-6 / 3**0.5
    before, after = Amount(1060.0, 1060.0 * clock), Amount(1020.0, 1020.0 * clock)
    gained = nearer(before, after, 1000.0)
    assert gained.us == 40.0
    assert gained.uncertainty_us == pytest.approx(40.0 * clock, rel=1e-6)


def test_past_the_target_and_as_far_on_the_other_side_is_unchanged():
    assert compared(drive(1520, 1000, 2000), drive(1480, 1000, 2000))["neutral"].trend is (
        Trend.UNCHANGED
    )


def test_what_one_recording_does_not_show_is_not_compared():
    entries = compared((1500, 1500, 1500), drive(1500, 1000, 2000))
    assert entries["low endpoint"].trend is Trend.NOT_SHOWN
    assert "earlier" in entries["low endpoint"].sentence
    entries = compared(drive(1500, 1000, 2000), (1500, 1500, 1500))
    assert "later" in entries["low endpoint"].sentence


def test_a_plan_shows_an_end_only_where_a_stick_was_at_its_end():
    """A half throw, held while no stick was at an end: the plan does not make it an endpoint."""
    outputs = {"A": Output(1500.0, {"elevator": 300.0}), "B": Output(1500.0, {"aileron": 400.0})}
    sheet = parse_sheet(f'[channels.A]\n{DRIVE}\n[channels.B]\nrole = "drive-right"')
    plan = make_plan(sheet, losses=0)
    followed = follow_plan(plan, outputs, seed=3)
    found = examine(build(followed.script).capture)
    tables = {line: channel.table for line, channel in found.channels.items()}
    alignment = align_plan(plan, tables)
    whole = advise_settings(found, sheet, alignment=alignment).channels[0]
    assert whole.named("high endpoint").action is Action.CHANGE
    gentle = tuple(
        dataclasses.replace(
            span,
            step=dataclasses.replace(
                span.step, sticks={axis: 0.9 * to for axis, to in span.step.sticks.items()}
            ),
        )
        for span in alignment.spans
    )
    shy = dataclasses.replace(alignment, spans=gentle)
    half = advise_settings(found, sheet, alignment=shy).channels[0]
    assert half.named("high endpoint").action is Action.NOT_SHOWN


def test_a_deadband_that_looks_like_a_slip_widens_no_tolerance():
    """600 for 60: taken at its word it would leave a neutral that is 45 us off."""
    slip = DRIVE.replace("60", "600")
    assert advise(slip, drive(1545, 1045, 2045)).named("neutral").action is Action.CHANGE


@pytest.mark.parametrize("moved", ["A", "B"])
def test_a_switch_that_the_plan_moves_is_at_its_ends_on_and_off(moved):
    """1100 us off and 1800 us on: near the middle, and its end where the plan moves this switch."""
    widths_us = np.repeat([1100.0, 1800.0, 1100.0], 150)
    rise_us = 5_000.0 + 20_000.0 * np.arange(widths_us.size)
    edges_us = np.column_stack([rise_us, rise_us + widths_us]).ravel()
    line = Line("A", (edges_us * 1e6).astype(np.int64), 0)
    found = examine(Capture({"A": line}, 9_000_000_000_000, 250_000.0, "switch.csv"))
    rest = PlanStep("off", 3.0, {})
    on = PlanStep("on", 3.0, {}, controls={moved: 1.0})
    again = dataclasses.replace(rest, name="off again")
    plan = CapturePlan((rest, on, again))
    spans = [StepSpan(s, 3.0 * k + 0.2, 3.0 * k + 2.9) for k, s in enumerate(plan.steps)]
    lateness = measured("plan alignment", 0.0, "s", "It follows the plan.")
    alignment = Alignment(plan, tuple(spans), (), (), 0.0, lateness)
    sheet = sheet_of('role = "kill"\nstop_us = [900, 1300]\nlow_us = 1100\nhigh_us = 1800')
    (channel,) = advise_settings(found, sheet, alignment=alignment).channels
    for name in ("low endpoint", "high endpoint"):
        setting = channel.named(name)
        assert ("Leave it." in setting.sentence) == (moved == "A")
        assert ("if it was" in setting.sentence.casefold()) == (moved == "B")
