"""The frame clock: given these edges, this period, drift and time error."""

import numpy as np
import pytest

from pwmscope.capture import Line
from pwmscope.findings.timing.frame_clock import fit_clock, probe_wander
from pwmscope.model import Span, overlaps
from pwmscope.pulses import STANDARD_SERVO, decode_line, find_frames

T_US = 20_000.0


def clock_of(start_us, losses=(), interval_us=1.0):
    start_us = np.sort(start_us)
    edges_us = np.stack([start_us, start_us + 1_500.0], axis=1).ravel()
    edges_ps = np.rint(np.ceil(edges_us / interval_us) * interval_us * 1e6).astype(np.int64)
    line = Line("RX1", edges_ps, 0)
    table = decode_line(line, int(edges_ps[-1]) + 10**10, interval_us, STANDARD_SERVO)
    frames = find_frames(table)
    begin_s = table.rise_s[frames.index]
    kept = np.flatnonzero(~overlaps(losses, begin_s, begin_s + frames.period_us / 1e6))
    return fit_clock(table, frames, kept)


def starts(count, period_us=T_US, jitter_us=1.0, seed=3):
    jitter = np.random.default_rng(seed).normal(0.0, jitter_us, count)
    return 5_000.37 + period_us * np.arange(count) + jitter


def test_the_period_lies_within_its_uncertainty():
    inside = 0
    for seed in range(40):
        clock = clock_of(starts(400, 20_001.234, seed=seed))
        inside += abs(clock.period_us - 20_001.234) <= 2 * clock.period_uncertainty_us
    assert inside >= 34


def test_time_errors_are_those_put_in():
    jitter_us = np.random.default_rng(9).normal(0.0, 5.0, 1_000)
    clock = clock_of(5_000 + T_US * np.arange(1_000) + jitter_us, interval_us=0.01)
    place = np.arange(1_000.0)
    line = np.polynomial.Polynomial.fit(place, jitter_us, 1)
    assert clock.time_error_us == pytest.approx(jitter_us - line(place), abs=0.02)
    assert clock.frame_number.tolist() == list(range(1_000))
    assert clock.time_error_rms_us == pytest.approx(np.std(clock.time_error_us, ddof=2))


def test_frames_are_numbered_across_gaps_and_loss_spans():
    start_us = starts(3_000)
    keep = np.ones(3_000, bool)
    keep[[10, 200, 201]] = False
    keep[1_000:1_750] = False
    lost = Span(start_us[998] / 1e6, start_us[1_752] / 1e6)
    clock = clock_of(start_us[keep], (lost,))
    assert not clock.borders.size
    numbers = np.flatnonzero(keep)
    assert np.isin(clock.frame_number, numbers).all()
    assert clock.frame_number[-1] == 2_999
    assert clock.period_us == pytest.approx(T_US, abs=4 * clock.period_uncertainty_us)
    assert clock.time_error_rms_us == pytest.approx(1.0, rel=0.1)


def test_a_clock_that_starts_anew_gets_a_line_of_its_own():
    start_us = starts(600)
    start_us[250:] += 3_000.0
    clock = clock_of(start_us)
    assert clock.borders.tolist() == [250]
    assert clock.time_error_rms_us == pytest.approx(1.0, rel=0.1)
    assert clock.period_us == pytest.approx(T_US, abs=4 * clock.period_uncertainty_us)


def test_late_and_extra_frames_stay_out_of_the_clock():
    start_us = starts(600)
    start_us[100] += 4_000.0
    clock = clock_of(np.append(start_us, start_us[300] + 5_000.0))
    assert 100 not in clock.frame_number
    assert np.abs(clock.time_error_us).max() < 6.0
    assert clock.frame_number[-1] == 599


@pytest.mark.parametrize("periods_us", [(9_000.0, 13_000.0), (7_000.0, 7_000.0, 22_000.0)])
def test_a_pattern_is_taken_out_of_the_time_errors(periods_us):
    at_us = np.concatenate([[0.0], np.cumsum(np.resize(periods_us, 599))])
    jitter_us = np.random.default_rng(2).normal(0.0, 2.0, 600)
    keep = np.ones(600, bool)
    keep[[50, 301]] = False
    clock = clock_of((5_000 + at_us + jitter_us)[keep])
    assert clock.period_us == pytest.approx(np.mean(periods_us), abs=0.01)
    assert clock.time_error_rms_us == pytest.approx(2.0, rel=0.1)
    assert clock.round_us == sum(periods_us)
    assert abs(clock.offset_ppm) < 1.0
    places = np.array(clock.pattern.periods_us)
    assert places[clock.frame_number[0] % len(places)] == pytest.approx(periods_us[0], abs=1)


@pytest.mark.parametrize("ppm", [-300.0, -20.0, 0.0, 250.0])
def test_the_offset_from_the_round_period(ppm):
    clock = clock_of(starts(500, T_US * (1 + ppm * 1e-6)))
    assert clock.round_us == T_US
    assert clock.offset_ppm == pytest.approx(ppm, abs=0.2)
    assert clock.offset_uncertainty_ppm == pytest.approx(100 / 3**0.5, rel=1e-3)


@pytest.mark.parametrize("period_us", [20_012.0, 20_050.0, 18_340.0])
def test_a_period_that_is_not_evidently_round_has_no_offset(period_us):
    clock = clock_of(starts(300, period_us))
    assert clock.round_us is None
    assert clock.offset_ppm is None


@pytest.mark.parametrize("ppm_per_min", [-5.0, 5.0])
def test_drift_is_found_with_its_sign(ppm_per_min):
    count = 3_000  # one minute
    place = np.arange(count)
    curve_us = 0.5 * ppm_per_min * 1e-6 / count * T_US * place**2
    drift = clock_of(starts(count) + curve_us).drift
    assert drift.is_seen
    assert abs(drift.ppm_per_min - ppm_per_min) < 3 * drift.uncertainty
    assert drift.interval[0] < drift.ppm_per_min < drift.interval[1]


@pytest.mark.parametrize("wander", ["none", "walk", "both"])
def test_no_drift_is_seen_where_there_is_none(wander):
    seen = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        jitter_us = np.zeros(800)
        if wander != "none":
            jitter_us += np.cumsum(rng.normal(0.0, 3.0, 800))
        if wander != "walk":
            jitter_us += rng.normal(0.0, 3.0, 800)
        seen += clock_of(5_000 + T_US * np.arange(800) + jitter_us).drift.is_seen
    assert seen <= 9  # 95 % of 60 leave 3; more than 9 has a chance of 0.2 %


def test_a_drift_that_reaches_over_a_gap_with_a_new_start():
    place = np.arange(3_000)
    start_us = starts(3_000) + 0.5 * 8e-6 / 3_000 * T_US * place**2
    start_us[1_600:] += 7_000.0
    drift = clock_of(np.delete(start_us, slice(1_400, 1_600))).drift
    assert drift.is_seen
    assert abs(drift.ppm_per_min - 8.0) < 4 * drift.uncertainty


def test_edges_that_keep_step_with_the_sampling_are_not_taken_for_exact():
    clock = clock_of(5_000.0 + T_US * np.arange(500))
    assert clock.unevenness == 1.0
    assert clock.period_error_us < 1e-9
    assert clock.period_uncertainty_us == pytest.approx(1 / 6**0.5 / 499, rel=1e-3)
    assert not clock.drift.is_seen
    # An offset of one sample interval in the whole recording is within the doubt.
    hidden = clock_of(5_000.0 + (T_US + 0.9 / 499) * np.arange(500))
    assert abs(hidden.period_us - T_US - 0.9 / 499) < 4 * hidden.period_uncertainty_us


def test_even_phases_are_told_from_uneven_ones():
    assert clock_of(starts(2_000, T_US + 0.5, 0.0)).unevenness == pytest.approx(0.25, abs=0.01)
    assert clock_of(starts(2_000, T_US + 0.3819660, 0.0)).unevenness < 0.01
    assert clock_of(starts(2_000, T_US, 2.0)).unevenness < 1e-6


@pytest.mark.parametrize("count", [1, 2])
def test_too_few_edges_make_no_clock(count):
    assert clock_of(starts(count)) is None


def test_three_edges_make_a_clock_without_drift():
    clock = clock_of(starts(3))
    assert clock.drift is None
    assert clock.frame_number.tolist() == [0, 1, 2]


def test_random_periods_make_no_clock():
    assert clock_of(np.cumsum(np.random.default_rng(4).uniform(5_000, 20_000, 400))) is None


def test_wander_is_told_from_jitter():
    number, none = np.arange(4_000), np.zeros(0, np.int64)
    white = np.random.default_rng(8).normal(0.0, 1.0, 4_000)
    jitter = probe_wander(number, white, none)
    walk = probe_wander(number, np.cumsum(white), none)
    assert jitter.variance_us2(2) == pytest.approx(1.0, rel=0.1)
    # Of a random walk of unit steps: 30/7 n^5/180 n^-4 for the curve's coefficient.
    assert walk.variance_us2(2) == pytest.approx(30 / 7 / 180 * 4_000**2, rel=1.0)
    assert walk.freedom_of(2, 4_000) < 6
    assert probe_wander(number[:20], white[:20], none) is None
