"""A plan laid over recordings that were made by it, by late hands, or by another plan."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from pwmscope import load
from pwmscope.bench import AXES, CapturePlan, PlanStep, load_sheet, make_plan
from pwmscope.findings.plan_alignment import DEFINITIONS, align_plan
from pwmscope.findings.segmentation import find_held_positions
from pwmscope.pulses import decode
from pwmscope.synth import GoesToPreset, HoldsLast, Output, PulsesStop, Wanders, build, follow_plan

ROOT = Path(__file__).parents[2]
SHEET = load_sheet(ROOT / "captures" / "bench.toml")
PLAN = make_plan(SHEET, losses=3)
QUINCE = {
    "RX1": Output(1500.0, {"elevator": 400.0, "aileron": 300.0}),
    "RX2": Output(1504.0, {"elevator": 400.0, "aileron": -300.0}),
    "RX3": Output(1000.0, {"throttle": 900.0}),
    "RX4": Output(1498.0, {"rudder": 300.0}),
}
WAY_S = 0.25


def record(plan=PLAN, outputs=QUINCE, seed=1, **keywords):
    followed = follow_plan(plan, outputs, seed=seed, sample_rate_hz=500_000, **keywords)
    return decode(build(followed.script).capture), followed


def within(alignment, followed, plan=PLAN):
    """Which spans lie where the hands really were at the step, for more than half of them."""
    ends_s = (*followed.starts_s[1:], followed.script.duration_s)
    right = []
    for span in alignment.spans:
        k = plan.steps.index(span.step)
        overlap_s = min(span.end_s, ends_s[k]) - max(span.start_s, followed.starts_s[k])
        if overlap_s > 0.5 * (span.end_s - span.start_s):
            right.append(span.step.name)
    return right


def span_of(alignment, name):
    return next((span for span in alignment.spans if span.step.name == name), None)


def cut(tables, from_s, to_s):
    def part(table):
        kept = (table.rise_s >= from_s) & (table.rise_s < to_s)
        columns = ("rise_s", "width_us", "period_us", "flags")
        return dataclasses.replace(table, **{c: getattr(table, c)[kept] for c in columns})

    return {line: part(table) for line, table in tables.items()}


@pytest.mark.parametrize("begins_off", [True, False])
def test_every_step_is_found_where_the_hands_were(begins_off):
    plan = make_plan(SHEET, losses=3, power_up=begins_off)
    tables, followed = record(plan)
    found = align_plan(plan, tables)
    assert found.fits
    assert found.steps_not_seen == ()
    assert within(found, followed, plan) == [step.name for step in plan.steps]
    for span in found.spans:
        k = plan.steps.index(span.step)
        if k > 0 and span.step.name not in found.steps_by_clock:
            assert span.start_s == pytest.approx(followed.starts_s[k] + WAY_S, abs=0.1)
    assert found.clock_s == pytest.approx(2.0 + WAY_S + 0.325, abs=0.2)
    assert abs(found.finding.value) < 0.6
    assert found.finding.unit == "s"
    count = len(plan.steps)
    assert count == (35 if begins_off else 33)
    assert f"{count} of {count} steps were found" in found.sentence


@pytest.mark.parametrize("before", [PulsesStop(0.1), GoesToPreset(1700.0, 0.1), HoldsLast()])
def test_what_a_receiver_does_before_the_link_is_no_rest(before):
    outputs = {line: dataclasses.replace(o, when_lost=before) for line, o in QUINCE.items()}
    tables, followed = record(PLAN, outputs)
    found = align_plan(PLAN, tables)
    linked_s = followed.starts_s[1]
    assert found.fits
    assert all(span.start_s > linked_s for span in found.at_rest)
    assert span_of(found, "rest") is not None


def test_a_held_output_hides_the_switch_so_those_steps_are_placed_by_the_clock():
    tables, _ = record()
    found = align_plan(PLAN, tables)
    assert {name for name in found.steps_by_clock if "transmitter" in name} == {
        f"transmitter {way} {n}" for way in ("off", "on") for n in (1, 2, 3)
    }


def test_pulses_that_stop_and_presets_show_the_switch():
    outputs = {
        "RX1": Output(1500.0, {"elevator": 400.0}, PulsesStop(0.1)),
        "RX2": Output(1500.0, {"elevator": 400.0, "aileron": 200.0}, GoesToPreset(1500.0, 0.5)),
        "RX3": Output(1000.0, {"throttle": 900.0}, GoesToPreset(1000.0, 0.5)),
    }
    tables, followed = record(outputs=outputs)
    found = align_plan(PLAN, tables)
    assert not [name for name in found.steps_by_clock if "transmitter" in name]
    assert {f"transmitter off {n}" for n in (1, 2, 3)} <= set(within(found, followed))


@pytest.mark.parametrize("silent", [("RX1",), ("RX1", "RX2", "RX3")])
def test_lines_that_fall_silent_show_the_switch(silent):
    outputs = {
        line: dataclasses.replace(output, when_lost=PulsesStop(0.1)) if line in silent else output
        for line, output in QUINCE.items()
        if line != "RX4"
    }
    tables, followed = record(outputs=outputs)
    found = align_plan(PLAN, tables)
    for n in (1, 2, 3):
        span = span_of(found, f"transmitter off {n}")
        begun_s = followed.starts_s[PLAN.steps.index(span.step)]
        assert span.step.name not in found.steps_by_clock
        assert span.start_s == pytest.approx(begun_s + 0.1, abs=0.1)


def test_an_output_that_wanders_without_the_link_does_no_harm():
    outputs = QUINCE | {
        "RX1": dataclasses.replace(QUINCE["RX1"], when_lost=Wanders(1200.0, 1800.0, 8.0))
    }
    tables, followed = record(outputs=outputs)
    found = align_plan(PLAN, tables)
    assert set(within(found, followed)) >= {
        step.name for step in PLAN.steps if step.transmitter_on and "transmitter" not in step.name
    }


@pytest.mark.parametrize("seed", [2, 3])
def test_hands_that_fall_behind_more_and_more_are_followed(seed):
    late_s = np.cumsum(np.random.default_rng(seed).uniform(0, 0.5, len(PLAN.steps)))
    tables, followed = record(seed=seed, late_s=late_s, lead_s=7.0)
    found = align_plan(PLAN, tables)
    moved = {step.name for step in PLAN.steps} - set(found.steps_by_clock)
    assert moved <= set(within(found, followed))
    begun = [k for k, step in enumerate(PLAN.steps) if k and step.name in moved]
    assert found.finding.value == pytest.approx(late_s[-1] - np.median(late_s[begun]), abs=0.1)
    assert "s late" in found.sentence


def test_one_long_pause_is_no_misfit():
    late_s = np.where(np.arange(len(PLAN.steps)) > 12, 15.0, 0.2)
    tables, followed = record(late_s=late_s)
    found = align_plan(PLAN, tables)
    assert set(within(found, followed)) >= {step.name for step in PLAN.steps} - set(
        found.steps_by_clock
    )


def test_an_axis_that_moves_no_line_is_not_seen_and_said():
    outputs = {line: output for line, output in QUINCE.items() if line != "RX4"}
    tables, followed = record(outputs=outputs)
    found = align_plan(PLAN, tables)
    assert found.steps_not_seen == ("rudder right", "rudder left")
    assert "Not seen: rudder right and rudder left" in found.sentence
    assert set(within(found, followed)) >= {
        step.name for step in PLAN.steps if "rudder" not in step.name
    } - set(found.steps_by_clock)


@pytest.mark.parametrize("seed", [4, 9])
def test_slow_hands_on_a_robot_without_rudder_and_weapon_are_followed(seed):
    tank = {
        "L": Output(1500.0, {"elevator": 350.0, "aileron": 250.0}),
        "R": Output(1500.0, {"elevator": -350.0, "aileron": 250.0}),
    }
    plan = make_plan(load_sheet(ROOT / "captures" / "bench.toml"), losses=0)
    late_s = np.clip(np.random.default_rng(seed).normal(0.4, 0.4, len(plan.steps)), 0.0, 1.4)
    tables, followed = record(plan=plan, outputs=tank, seed=seed, late_s=late_s)
    found = align_plan(plan, tables)
    assert found.fits
    assert set(found.steps_not_seen) >= {"rudder right", "rudder left", "weapon high"}
    for span in found.spans[1:]:
        if span.step.name not in found.steps_by_clock:
            start_s = followed.starts_s[plan.steps.index(span.step)]
            assert span.start_s == pytest.approx(start_s + WAY_S, abs=0.1)


def test_a_step_that_the_hands_left_out_is_not_seen():
    done = tuple(step for step in PLAN.steps if step.name != "elevator back")
    tables, _ = record(plan=CapturePlan(done))
    found = align_plan(PLAN, tables)
    assert found.fits
    assert found.steps_not_seen == ("elevator back",)


@pytest.mark.parametrize(("from_s", "to_s"), [(10.0, 99.0), (20.0, 99.0), (0.0, 75.0)])
def test_a_recording_that_begins_late_or_ends_early_shows_the_rest(from_s, to_s):
    tables, followed = record(seed=9)
    found = align_plan(PLAN, cut(tables, from_s, to_s))
    assert found.fits
    seen = {span.step.name for span in found.spans} - set(found.steps_by_clock)
    assert seen <= set(within(found, followed))
    for step, start_s in zip(PLAN.steps, followed.starts_s, strict=True):
        if start_s + step.seconds + 1 < from_s or start_s > to_s:
            assert step.name in found.steps_not_seen


def random_plan(rng):
    steps = [PlanStep("rest", 3.0, {})]
    for number in range(30):
        to = float(rng.choice([-1.0, 1.0, 0.5, 0.0]))
        sticks = {str(rng.choice(AXES)): to} if to else {}
        steps.append(PlanStep(f"step {number}", float(rng.uniform(1.5, 4.0)), sticks))
    return CapturePlan(tuple(steps))


@pytest.mark.parametrize("seed", range(4))
def test_a_recording_made_by_another_plan_is_refused_and_fits_its_own(seed):
    other = random_plan(np.random.default_rng(seed))
    tables, _ = record(plan=other, seed=seed)
    refused = align_plan(PLAN, tables)
    assert not refused.fits
    assert refused.spans == ()
    assert refused.finding.value is None
    assert refused.finding.verdict.value == "not shown"
    assert "does not follow this plan" in refused.sentence
    assert align_plan(other, tables).fits


@pytest.mark.parametrize("seed", range(2))
def test_the_same_steps_in_another_order_are_refused(seed):
    plan = make_plan(load_sheet(ROOT / "captures" / "bench.toml"), losses=0)
    order = 1 + np.random.default_rng(seed).permutation(len(plan.steps) - 1)
    mixed = CapturePlan((plan.steps[0], *(plan.steps[k] for k in order)))
    tables, _ = record(plan=mixed, seed=seed)
    assert not align_plan(plan, tables).fits


def test_the_shipped_captures_follow_no_such_plan():
    for file in ("clean-sweep.csv", "holds-last.csv.gz", "unmixed-drive.csv.gz"):
        found = align_plan(PLAN, decode(load(ROOT / "captures" / file)))
        assert not found.fits, file


def test_the_shipped_sticks_follow_the_plan_they_were_moved_by():
    moves = (("forward", "elevator", 1), ("back", "elevator", -1), ("left", "aileron", -1),
             ("right", "aileron", 1))  # fmt: skip
    steps = [PlanStep("rest", 1.0, {})]
    for name, axis, to in moves:
        steps += [PlanStep(name, 0.8, {axis: float(to)}), PlanStep(f"after {name}", 0.8, {})]
    found = align_plan(
        CapturePlan(tuple(steps)), decode(load(ROOT / "captures" / "unmixed-drive.csv.gz"))
    )
    assert found.fits
    begun = {name: span_of(found, name).start_s for name, *_ in moves}
    assert begun == pytest.approx({"forward": 1.2, "back": 2.8, "left": 4.4, "right": 6.0}, abs=0.1)


def test_nothing_to_see_is_said():
    assert "No line moves" in align_plan(PLAN, {}).sentence
    still = PlanStep("rest", 3.0, {}), PlanStep("more rest", 3.0, {})
    tables, _ = record(plan=CapturePlan(still))
    assert "moves no stick" in align_plan(CapturePlan(still), tables).sentence
    assert "No line moves" in align_plan(PLAN, tables).sentence
    assert len(find_held_positions(tables)) == 0


def test_the_finding_is_defined():
    assert [definition.name for definition in DEFINITIONS] == [align_plan(PLAN, {}).finding.name]
