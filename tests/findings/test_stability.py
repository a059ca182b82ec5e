"""How steady a frame clock is, on clocks whose noise is known."""

import math

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.timing.frame_clock import fit_clock
from pwmscope.findings.timing.stability import (
    MAX_TERMS,
    MIN_PHASES,
    MIN_S,
    STABILITY_DEFINITIONS,
    allan_deviation,
    examine_stability,
    identify_noise,
    longest_stretch,
    octaves,
    time_deviation,
)
from pwmscope.model import Verdict
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

RNG_SEED = 20


def record_of(rise_us, interval_us=None):
    """A channel with leading edges at these instants, sampled where an interval is given."""
    if interval_us is not None:
        rise_us = np.ceil(rise_us / interval_us) * interval_us
    rise_us = rise_us - rise_us[:1]
    table = PulseTable(
        "RX1",
        rise_us / 1e6,
        np.full(rise_us.size, 1500.0),
        np.append(np.diff(rise_us), [np.nan])[: rise_us.size],
        np.zeros(rise_us.size, np.uint8),
        False,
        STANDARD_SERVO,
        interval_us,
    )
    frames = find_frames(table)
    record = Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)
    return record, fit_clock(table, frames, record.periods)


def edges_us(frames, period_us=20_000.0, jitter_us=0.0, seed=RNG_SEED):
    return period_us * np.arange(frames) + np.random.default_rng(seed).normal(0, jitter_us, frames)


def test_white_jitter_gives_the_deviation_that_falls_with_the_averaging_time():
    """White phase noise s: sigma_y = sqrt(3) s / tau, and s / sqrt(m) for the time deviation."""
    found = examine_stability(*record_of(edges_us(30_000, jitter_us=2.0)))
    expected = math.sqrt(3.0) * 2e-6 / found.allan.tau_s
    short = found.allan.factor <= 256
    assert found.allan.value[short] == pytest.approx(expected[short], rel=0.03)
    assert np.all(found.allan.low[short] < expected[short])
    assert np.all(expected[short] < found.allan.high[short])
    short = found.time.factor <= 256
    expected_s = 2e-6 / np.sqrt(found.time.factor[short])
    assert found.time.value[short] == pytest.approx(expected_s, rel=0.12)
    assert set(found.allan.noise) == {2}


def test_the_figure_is_that_of_the_octave_nearest_one_second():
    found = examine_stability(*record_of(edges_us(3_000, jitter_us=2.0)))
    (finding,) = found.findings
    place = found.allan.factor.tolist().index(64)
    assert finding.value == 1e6 * found.allan.value[place]
    assert finding.interval == (1e6 * found.allan.low[place], 1e6 * found.allan.high[place])
    assert finding.uncertainty == pytest.approx(
        finding.value / math.sqrt(2 * found.allan.freedom[place])
    )
    assert finding.verdict is None
    assert finding.unit == "ppm"
    assert finding.sentence.startswith("The frame clock usually keeps time within 3.")
    assert "not known" in finding.sentence
    (evidence,) = finding.evidence
    assert (evidence.first, evidence.last, evidence.pulses) == (0, 2_999, 3_000)


def test_a_walking_frequency_is_told_from_white_jitter():
    rng = np.random.default_rng(RNG_SEED)
    rate = np.cumsum(rng.normal(0, 1e-7, 8_000))
    walk_us = 20_000.0 * (np.arange(8_000) + np.cumsum(rate))
    found = examine_stability(*record_of(walk_us))
    factor = found.allan.factor
    # Adjacent means of m steps of a walk: (2 m^2 + 1) / (6 m) of the step's variance.
    expected = 1e-7 * np.sqrt((2 * factor**2 + 1) / (6 * factor))
    assert np.all(found.allan.noise == -2)
    assert np.all(found.allan.low < expected)
    assert np.all(expected < found.allan.high)


def test_a_clock_in_step_with_the_samples_is_not_called_steadier_than_they_show():
    """The receiver's own deviation lies below the bound, though its readings do not move."""
    rng = np.random.default_rng(RNG_SEED)
    walk_us = 20_000.5 + 20_000.0 * np.arange(6_000) + np.cumsum(rng.normal(0, 2e-3, 6_000))
    truth = examine_stability(*record_of(walk_us)).findings[0]
    (finding,) = examine_stability(*record_of(walk_us, 1.0)).findings
    assert finding.value < 0.01 * truth.value + 1e-6
    assert finding.uncertainty is None
    low, high = finding.interval
    assert low == 0.0
    assert truth.value < high == pytest.approx(math.sqrt(2.0) / 1.28, rel=1e-3)
    assert "Sampling alone gives 0.391 ppm" in finding.sentence
    assert "Record at a higher sample rate" in finding.sentence


def test_sampling_gives_the_floor():
    """Readings of a drifting, otherwise steady clock scatter by Ts / sqrt(12)."""
    rng = np.random.default_rng(RNG_SEED)
    steps_us = 20_000.0 * np.arange(20_000) + rng.uniform(0, 1, 20_000)
    found = examine_stability(*record_of(steps_us, None))
    floor = examine_stability(*record_of(steps_us, 1.0)).sampling_floor
    assert floor == 0.5e-6
    short = found.allan.factor <= 64
    assert found.allan.value[short] == pytest.approx(floor / found.allan.tau_s[short], rel=0.03)


def test_jitter_above_the_floor_is_told_with_the_floor_beside():
    (finding,) = examine_stability(*record_of(edges_us(6_000, jitter_us=2.0), 1.0)).findings
    assert finding.sentence.endswith(
        "That is 2.74 ppm (95 %: 2.67 ppm to 2.81 ppm). Sampling alone gives 0.391 ppm."
    )
    assert finding.interval[0] < finding.value < finding.interval[1]


@pytest.mark.parametrize(("lost", "said"), [(1, "One missing frame is"), (20, "20 missing frames")])
def test_few_missing_frames_are_bridged(lost, said):
    whole_us = edges_us(6_000, jitter_us=2.0)
    gone = np.random.default_rng(1).choice(np.arange(1, 5_999), lost, replace=False)
    found = examine_stability(*record_of(np.delete(whole_us, gone)))
    assert (found.frames, found.bridged) == (6_000, lost)
    assert said in found.findings[0].sentence
    assert found.findings[0].value == pytest.approx(math.sqrt(3) * 2 / 1.28, rel=0.05)


def test_a_gap_is_bridged_by_a_straight_line():
    _, clock = record_of(np.delete(edges_us(200, jitter_us=2.0), [50, 51, 52, 120]))
    stretch = longest_stretch(clock)
    bridged_us = stretch.bridged_us()
    seen = np.delete(np.arange(200), [50, 51, 52, 120])
    assert np.array_equal(bridged_us[seen], clock.time_error_us)
    assert bridged_us[51] == pytest.approx((bridged_us[49] + bridged_us[53]) / 2)
    assert bridged_us[120] == pytest.approx((bridged_us[119] + bridged_us[121]) / 2)


def test_of_many_missing_frames_the_longest_stretch_without_is_taken():
    kept = np.ones(9_000, bool)
    kept[100:4_000:10] = False
    kept[7_000] = False
    found = examine_stability(*record_of(edges_us(9_000, jitter_us=2.0)[kept]))
    assert (found.frames, found.bridged) == (7_000 - 3_991, 0)
    said = found.findings[0].sentence
    assert "lie in signal losses or were not seen" in said
    assert "longest stretch without them, 60.2 s" in said
    (evidence,) = found.findings[0].evidence
    assert evidence.start_s == pytest.approx(3_991 * 0.02, abs=1e-4)
    assert evidence.pulses == 3_009


def test_a_clock_that_starts_anew_is_taken_where_it_runs_longest():
    shifted_us = edges_us(6_000, jitter_us=1.0)
    shifted_us[2_000:] += 7_000.0
    found = examine_stability(*record_of(shifted_us))
    assert found.frames == 4_000
    assert "starts anew" in found.findings[0].sentence
    assert found.findings[0].value == pytest.approx(math.sqrt(3) / 1.28, rel=0.05)
    assert found.findings[0].evidence[0].first == 2_000


def test_frames_of_two_periods_by_turns_are_one_clock():
    turns_us = np.cumsum(np.tile([9_000.0, 13_000.0], 3_000))
    jitter_us = np.random.default_rng(RNG_SEED).normal(0, 2.0, turns_us.size)
    found = examine_stability(*record_of(turns_us + jitter_us))
    expected = math.sqrt(3.0) * 2e-6 / found.allan.tau_s[:6]
    assert found.allan.value[:6] == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 50, int(MIN_S * 50) - 5])
def test_too_short_a_recording_is_not_shown(frames):
    found = examine_stability(*record_of(edges_us(frames)))
    (finding,) = found.findings
    assert finding.verdict is Verdict.NOT_SHOWN
    assert finding.value is None
    assert found.allan is None
    assert "Record" in finding.sentence


def test_slow_frames_need_a_hundred():
    (finding,) = examine_stability(*record_of(edges_us(90, period_us=500_000.0))).findings
    assert "44.5 s with 90 frames" in finding.sentence


def test_frames_without_order_have_no_clock():
    rise_us = np.cumsum(np.random.default_rng(1).uniform(5_000, 40_000, 4_000))
    record, clock = record_of(rise_us)
    assert clock is None
    assert examine_stability(record, clock).findings[0].value is None


def test_a_clock_that_does_not_move_at_all_has_no_deviation():
    found = examine_stability(*record_of(20_000.0 * np.arange(2_000)))
    assert found.findings[0].value == pytest.approx(0.0, abs=1e-6)


def test_a_long_record_is_thinned_without_a_change_beyond_its_uncertainty():
    """Thinned and whole agree within twice the thinned one's own uncertainty."""
    rng = np.random.default_rng(RNG_SEED)
    count = MAX_TERMS + 100_000
    phases = np.cumsum(rng.normal(size=count)) + 3.0 * rng.normal(size=count)
    factors = [1, 8, 128, 256, 2048, 32768]
    allan, time = allan_deviation(phases, 1.0, factors), time_deviation(phases, 1.0, factors)
    total = np.concatenate([[0.0], np.cumsum(phases)])
    for place, m in enumerate(factors):
        bend = phases[2 * m :] - 2 * phases[m:-m] + phases[: -2 * m]
        whole = math.sqrt(float(np.mean(bend**2)) / 2) / m
        assert abs(allan.value[place] / whole - 1) < 2 / math.sqrt(2 * allan.freedom[place])
        means = np.diff(total[: (total.size - 1) // 1 + 1])
        window = (total[m:] - total[:-m]) / m
        bend = window[2 * m :] - 2 * window[m:-m] + window[: -2 * m]
        whole = math.sqrt(float(np.mean(bend**2)) / 6)
        assert abs(time.value[place] / whole - 1) < 2 / math.sqrt(2 * time.freedom[place])
        assert means.size == count


def test_thinning_starts_beyond_the_limit_only():
    phases = np.random.default_rng(RNG_SEED).normal(size=5_000)
    (whole,) = allan_deviation(phases, 1.0, [160]).value
    bend = phases[320:] - 2 * phases[160:-160] + phases[:-320]
    assert whole == pytest.approx(math.sqrt(float(np.mean(bend**2)) / 2) / 160, rel=1e-12)


def test_large_offsets_and_slopes_do_not_cost_digits():
    """A steady frequency offset does not count: exact for whole numbers that float64 holds."""
    phases = np.random.default_rng(RNG_SEED).integers(-5, 6, 4_000).astype(float)
    sloped = phases + 2.0**40 + 2.0**20 * np.arange(4_000)
    for of in (allan_deviation, time_deviation):
        plain, far = of(phases, 1.0, [1, 10, 300]), of(sloped, 1.0, [1, 10, 300])
        assert far.value == pytest.approx(plain.value, rel=1e-14)


@pytest.mark.parametrize("factor", [0, -1, 50])
def test_a_factor_out_of_range_is_refused(factor):
    with pytest.raises(ValueError, match="out of range"):
        allan_deviation(np.zeros(100), 1.0, [factor])
    with pytest.raises(ValueError, match="allow 1 to 33"):
        time_deviation(np.zeros(100), 1.0, [factor])


def test_the_longest_averages_take_over_the_noise_of_shorter_ones():
    walk = np.cumsum(np.random.default_rng(RNG_SEED).normal(size=1_000))
    factors = octaves(1_000, 4)
    noise = identify_noise(walk, factors.tolist())
    told = factors <= 1_000 // MIN_PHASES
    assert np.all(noise[~told] == noise[told][-1])
    assert np.array_equal(identify_noise(np.zeros(10), [1]), [2])


def test_the_finding_is_defined():
    assert {definition.name for definition in STABILITY_DEFINITIONS} == {"frame clock stability"}
