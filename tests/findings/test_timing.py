"""Timing: given this receiver, these figures, verdicts and sentences."""

import json

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Line
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.timing import DEFINITIONS, examine_timing
from pwmscope.model import Span
from pwmscope.pulses import STANDARD_SERVO, convention_named, decode_line, find_frames
from pwmscope.synth import Channel, Dwell, Frame, Loss, PulsesStop, Script, Width, build

NAMES = [
    "frame period",
    "frame pattern",
    "frame clock offset",
    "frame clock drift",
    "clean pulses",
    "dropped frames",
    "late frames",
    "extra frames",
    "width jitter",
    "worst excursion while held",
    "period jitter",
    "cycle-to-cycle jitter",
    "time interval error",
]


def starts(periods_us, count=300, jitter_us=2.0, seed=1):
    at_us = np.concatenate([[0.0], np.cumsum(np.resize(periods_us, max(count - 1, 0)))])[:count]
    return 5_000.0 + at_us + np.random.default_rng(seed).normal(0.0, jitter_us, count)


def timing_of(start_us, *, losses=(), interval_us=1.0, width_us=1_500.0, convention=STANDARD_SERVO):
    start_us = np.sort(start_us)
    edges_us = np.stack([start_us, start_us + width_us], axis=1).ravel()
    if interval_us:
        edges_us = np.ceil(edges_us / interval_us) * interval_us
    edges_ps = np.rint(edges_us * 1e6).astype(np.int64)
    end_ps = int(edges_ps[-1]) + 10**10 if edges_ps.size else 10**12
    table = decode_line(Line("RX1", edges_ps, 0), end_ps, interval_us, convention)
    frames = find_frames(table)
    record = Record(table, frames, find_dwells(table, frames), losses, COMMON_PRACTICE)
    return examine_timing(record)


def said(timing, name):
    return next(finding for finding in timing.findings if finding.name == name)


def verdict(timing, name):
    found = said(timing, name).verdict
    return None if found is None else found.value


def test_every_finding_has_its_definition():
    timing = timing_of(starts([20_000.0]))
    assert [finding.name for finding in timing.findings] == NAMES
    assert {definition.name for definition in DEFINITIONS} == set(NAMES)
    assert all(d.meaning and d.formula and d.source for d in DEFINITIONS)


def test_a_steady_receiver():
    timing = timing_of(starts([20_000.0], 1_000))
    assert timing.period_us.mean == pytest.approx(20_000, abs=0.05)
    assert timing.frame_rate_hz == pytest.approx(50, abs=1e-4)
    assert timing.missing_frames == 0
    assert said(timing, "frame pattern").value == "20 ms"
    assert verdict(timing, "frame period") == "meets"
    assert verdict(timing, "clean pulses") == "meets"
    assert said(timing, "dropped frames").value == 0.0
    assert verdict(timing, "period jitter") is None
    assert timing.period_jitter_us.rms == timing.period_us.std


@pytest.mark.parametrize("jitter_us", [2.0, 20.0])
def test_white_jitter_of_the_edges_in_all_three_terms(jitter_us):
    # Of independent edges of deviation s: period s sqrt(2), cycle to cycle s sqrt(6).
    timing = timing_of(starts([20_000.0], 4_000, jitter_us), interval_us=0.1)
    assert timing.time_interval_error_us.rms == pytest.approx(jitter_us, rel=0.04)
    assert timing.period_separation.jitter_rms_us == pytest.approx(jitter_us * 2**0.5, rel=0.05)
    assert timing.cycle_jitter_us.rms == pytest.approx(jitter_us * 6**0.5, rel=0.06)
    # Of 4000 edges, about 1 % of what they were drawn from; beside that the figure is as good
    # as sampling at 10 MS/s leaves it.
    for name, factor in (
        ("period jitter", 2), ("cycle-to-cycle jitter", 6), ("time interval error", 1)
    ):  # fmt: skip
        low, high = said(timing, name).interval
        assert low < 1.04 * jitter_us * factor**0.5
        assert high > 0.96 * jitter_us * factor**0.5
        assert high - low < 0.005 * factor**0.5 + 3e-4 * jitter_us * factor**0.5
    # From the 2.5th to the 97.5th percentile of a Gaussian: 3.92 deviations.
    assert timing.time_interval_error_us.percentile_spread == pytest.approx(
        3.92 * jitter_us, rel=0.08
    )
    for jitter, factor in (
        (timing.time_interval_error_us, 12),
        (timing.period_jitter_us, 6),
        (timing.cycle_jitter_us, 2),
    ):
        assert jitter.sampling_floor_rms == pytest.approx(0.1 / factor**0.5)
        assert jitter.percentile_spread < jitter.peak_to_peak


def test_jitter_far_below_the_sampling_is_not_resolved_and_says_how_fast_to_record():
    timing = timing_of(starts([20_000.37], 2_000, 0.02), width_us=1_500.4)
    found = said(timing, "period jitter")
    assert timing.period_separation.jitter_rms_us is None
    assert found.value.startswith("at most ")
    assert found.verdict is None
    assert "not resolved at this sample rate" in found.sentence
    assert "MS/s or faster" in found.sentence


def test_width_jitter_is_held_against_its_limit_without_the_sampling():
    rng = np.random.default_rng(7)
    start_us = starts([20_000.0], 2_000, 30.0)
    noisy = timing_of(start_us, width_us=1_500 + rng.normal(0, 6.0, 2_000))
    assert verdict(noisy, "width jitter") == "does not meet"
    assert said(noisy, "width jitter").value == pytest.approx(6, rel=0.1)
    around_us = rng.normal(0, 4.0, 2_000)
    near = timing_of(start_us, width_us=1_500 + 4.0 * around_us / around_us.std())
    assert verdict(near, "width jitter") == "not shown"
    # Sampling adds 3.27 us here: measured 4.4 us, of the receiver's own 3 us.
    coarse = timing_of(start_us, width_us=1_500 + rng.normal(0, 3.0, 2_000), interval_us=8.0)
    assert coarse.width_jitter_us.rms > COMMON_PRACTICE.jitter_us
    assert verdict(coarse, "width jitter") == "meets"


def test_frames_by_turns_are_reported_as_a_pattern_not_as_jitter():
    timing = timing_of(starts([12_000.0, 18_000.0], 601, seed=4))
    pattern = said(timing, "frame pattern")
    assert pattern.value == "12 and 18 ms by turns"
    assert timing.missing_frames == 0
    assert timing.period_jitter_us.rms == pytest.approx(2 * 2**0.5, rel=0.1)
    assert timing.cycle_jitter_us.rms == pytest.approx(2 * 6**0.5, rel=0.1)
    assert timing.time_interval_error_us.rms == pytest.approx(2, rel=0.1)
    assert timing.period_us.mean == pytest.approx(15_000, abs=1)
    assert verdict(timing, "frame period") == "meets"
    assert verdict(timing, "clean pulses") == "meets"
    assert "turn of 2 frames" in said(timing, "frame clock offset").sentence


def test_a_pattern_with_a_period_outside_the_range_is_not_shown_to_meet_it():
    timing = timing_of(starts([7_000.0, 22_000.0], 600))
    assert timing.missing_frames == 0
    assert verdict(timing, "frame period") == "not shown"
    assert "7 ms" in said(timing, "frame period").sentence
    fast = timing_of(starts([7_000.0, 22_000.0], 600), convention=convention_named("fast servo"))
    assert verdict(fast, "frame period") == "does not meet"


def test_a_pattern_of_multiples_says_that_frames_may_be_left_out():
    timing = timing_of(starts([7_000.0, 14_000.0], 600))
    assert "2 times" in said(timing, "frame pattern").sentence


def test_a_change_of_rate_is_told_with_its_time():
    slow = starts([20_000.0], 250)
    fast = slow[-1] + starts([7_000.0], 300, seed=2)
    timing = timing_of(np.concatenate([slow, fast]))
    pattern = said(timing, "frame pattern")
    assert pattern.value.count("ms") == 2
    assert ", then " in pattern.value
    assert len(pattern.evidence) == 2
    assert f"{fast[0] / 1e6:.3f}" in pattern.sentence
    assert timing.missing_frames == 0
    assert timing.period_jitter_us.rms == pytest.approx(2 * 2**0.5, rel=0.1)
    assert verdict(timing, "frame period") == "does not meet"
    assert verdict(timing, "clean pulses") == "meets"


def test_faults_are_counted_with_their_times_and_spoil_the_clean_pulses():
    start_us = starts([20_000.0])
    start_us[100] += 3_000.0
    start_us[200:] += 3_000.0
    timing = timing_of(np.append(np.delete(start_us, [20, 21]), start_us[150] + 6_000.0))
    assert timing.missing_frames == 2
    counts = [said(timing, f"{kind} frames").value for kind in ("dropped", "late", "extra")]
    assert counts == [2.0, 2.0, 1.0]
    assert said(timing, "clean pulses").value == 5.0
    assert verdict(timing, "clean pulses") == "does not meet"
    (gap,) = said(timing, "dropped frames").evidence
    assert gap.start_s == pytest.approx(start_us[19] / 1e6, abs=2e-6)
    assert gap.end_s == pytest.approx(start_us[22] / 1e6, abs=2e-6)
    (extra,) = said(timing, "extra frames").evidence
    assert extra.start_s == pytest.approx((start_us[150] + 6_000) / 1e6, abs=2e-6)
    late = said(timing, "late frames").sentence
    assert "then back in time" in late
    assert "stays shifted" in late
    assert timing.period_jitter_us.rms == pytest.approx(2 * 2**0.5, rel=0.15)
    assert timing.period_us.max < 20_100


def test_no_more_than_twenty_spans_are_given():
    start_us = starts([20_000.0], 400)
    timing = timing_of(np.delete(start_us, np.arange(10, 390, 10)))
    assert said(timing, "dropped frames").value == 38.0
    assert len(said(timing, "dropped frames").evidence) == 20
    assert "and 35 more" in said(timing, "dropped frames").sentence


def test_a_loss_is_no_gap_and_does_not_break_the_clock():
    start_us = starts([20_000.0], 900)
    lost = Span(start_us[299] / 1e6 + 0.001, start_us[600] / 1e6)
    timing = timing_of(np.delete(start_us, slice(300, 600)), losses=(lost,))
    assert timing.missing_frames == 0
    assert timing.clock.frame_number[-1] == 899
    assert not timing.clock.borders.size


def test_a_pattern_of_which_a_loss_leaves_one_turn():
    start_us = starts([12_000.0, 18_000.0], 60)
    timing = timing_of(start_us, losses=(Span(start_us[3] / 1e6, 10.0),))
    assert timing.period_us.count == 2
    assert timing.period_separation is None
    assert verdict(timing, "frame period") == "meets"


@pytest.mark.parametrize(("ppm", "seen"), [(300.0, True), (-40.0, False)])
def test_the_offset_says_what_the_analyser_makes_of_it(ppm, seen):
    found = said(timing_of(starts([20_000 * (1 + ppm * 1e-6)], 500)), "frame clock offset")
    assert found.value == pytest.approx(ppm, abs=0.5)
    assert "100 ppm only" in found.sentence
    assert ("An offset is seen" in found.sentence) is seen


def test_an_odd_period_has_no_offset_and_says_why():
    found = said(timing_of(starts([18_345.0])), "frame clock offset")
    assert found.value is None
    assert found.verdict.value == "not shown"
    assert "500 ppm" in found.sentence


def test_drift_is_seen_only_where_there_is_one():
    steady = said(timing_of(starts([20_000.0], 1_500)), "frame clock drift")
    assert "No drift" in steady.sentence
    curve_us = 0.5 * 20e-6 / 3_000 * 20_000 * np.arange(1_500) ** 2
    warm = said(timing_of(starts([20_000.0], 1_500) + curve_us), "frame clock drift")
    assert "grows by" in warm.sentence
    assert warm.interval[0] < 20 < warm.interval[1]


def test_random_frames_are_not_taken_for_a_clock():
    rng = np.random.default_rng(4)
    timing = timing_of(5_000 + np.cumsum(rng.uniform(5_000, 20_000, 400)))
    assert timing.clock is None
    assert timing.patterns == ()
    for name in ("frame pattern", "frame clock offset", "late frames", "time interval error"):
        assert verdict(timing, name) == "not shown"
        assert "no steady frame clock" in said(timing, name).sentence


@pytest.mark.parametrize("count", range(6))
@pytest.mark.parametrize("interval_us", [1.0, None])
def test_few_pulses_are_not_shown_and_give_no_warning(count, interval_us):
    timing = timing_of(starts([20_000.0], count) if count else np.zeros(0), interval_us=interval_us)
    assert [finding.name for finding in timing.findings] == NAMES
    shown = {name for name in NAMES if verdict(timing, name) != "not shown"}
    if count < 2:
        assert shown == {"clean pulses"}
    if count < 3:
        assert "time interval error" not in shown
        assert timing.clock is None
    assert all(finding.sentence.endswith(".") for finding in timing.findings)


def test_nothing_but_glitches():
    start_us = starts([20_000.0], 50)
    timing = timing_of(start_us, width_us=20.0)
    assert timing.glitches == 50
    assert timing.period_us.count == 0
    assert verdict(timing, "frame period") == "not shown"
    assert verdict(timing, "frame pattern") == "not shown"


def test_a_line_that_never_changes_its_period_or_width():
    timing = timing_of(5_000.0 + 20_000.0 * np.arange(200))
    assert timing.period_jitter_us.rms == 0.0
    assert timing.cycle_jitter_us.rms == 0.0
    assert timing.time_interval_error_us.rms == pytest.approx(0.0, abs=1e-6)
    assert timing.period_separation.jitter_rms_us is None
    assert "No drift" in said(timing, "frame clock drift").sentence


def test_events_timed_as_they_come_have_no_floor():
    timing = timing_of(starts([20_000.0], 500), interval_us=None)
    assert timing.period_jitter_us.sampling_floor_rms is None
    assert "Sampling alone" not in said(timing, "time interval error").sentence
    assert timing.period_separation.jitter_rms_us == pytest.approx(2 * 2**0.5, rel=0.1)


def test_the_numbers_of_the_findings_go_into_json():
    timing = timing_of(starts([20_000.0]))
    values = [(finding.value, finding.uncertainty, finding.interval) for finding in timing.findings]
    assert json.loads(json.dumps(values, allow_nan=False))


def test_a_recording_with_dropped_frames_and_a_loss_from_its_script():
    script = Script(
        20.0,
        2_000_000,
        3,
        Frame(20_000, first_frame_us=4_000, jitter_us=1.5, dropout_probability=0.01),
        (Channel("RX1", (Dwell(1_500, 20),), when_lost=PulsesStop(after_s=0.1)),),
        width=Width(jitter_us=0.5),
        losses=(Loss(8.0, 11.0),),
        marker="tx-on",
    )
    recording = build(script)
    line = recording.capture.lines["RX1"]
    table = decode_line(line, recording.capture.duration_ps, 0.5)
    frames = find_frames(table)
    record = Record(table, frames, find_dwells(table, frames), (Span(8.0, 11.04),), COMMON_PRACTICE)
    timing = examine_timing(record)
    at_s = recording.truth.frames.nominal_ps / 1e12
    outside = recording.truth.frames.missing & ((at_s < 7.9) | (at_s > 11.05))
    assert timing.missing_frames == np.count_nonzero(outside)
    assert timing.clock.period_us == pytest.approx(20_000, abs=0.01)
    assert timing.time_interval_error_us.rms == pytest.approx(1.5, rel=0.1)


def test_a_clock_in_step_with_the_analyser_is_known_no_better_than_its_samples():
    timing = timing_of(starts([20_000.0], jitter_us=0.0), interval_us=10.0)
    error = said(timing, "time interval error")
    # One edge is at most 10 us late: 5 us RMS; three that weigh 1, 2 and 1: 20 us.
    assert (error.value, error.interval) == ("at most 5 us", (0.0, pytest.approx(5.0)))
    assert said(timing, "cycle-to-cycle jitter").interval == (0.0, pytest.approx(20.0))
    assert said(timing, "period jitter").interval == (0.0, pytest.approx(10.0))
