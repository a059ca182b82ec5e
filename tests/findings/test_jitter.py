"""Bench notes on separating jitter from sampling: given these readings, this is stated."""

import math

import numpy as np
import pytest
from scipy.stats import chi2

from pwmscope.findings.timing.separation import (
    Scatter,
    excess_of,
    scatter_of,
    separate,
    shape_doubt,
    spread_of,
    unevenness,
)


def readings(mean, jitter, count, seed=1, interval_us=1.0):
    """Sampled intervals of a Gaussian jitter, phases by chance."""
    rng = np.random.default_rng(seed)
    phase = rng.uniform(0, 1, count)
    true = mean / interval_us + jitter / interval_us * rng.standard_normal(count)
    return (np.floor(phase + true) - np.floor(phase)) * interval_us


def test_jitter_well_above_the_floor_is_the_textbook_quadrature():
    found = separate(scatter_of(readings(1500.3, 3.0, 20_000)), 1.0)
    quadrature_us = math.sqrt(found.measured_rms_us**2 - 1 / 6)
    assert found.resolved
    assert found.record_at_hz is None
    assert found.floor_rms_us == pytest.approx(1 / math.sqrt(6))
    assert found.jitter_rms_us == pytest.approx(quadrature_us, rel=1e-4)
    assert found.jitter_rms_us == pytest.approx(3.0, rel=0.02)
    # Of these very widths only sampling leaves a doubt: the sum of the products of jitter and
    # sampling error deviates by s Ts sqrt(n/6), so s by Ts / sqrt(6 n).
    low_us, high_us = found.interval_us
    assert (high_us - low_us) / 2 == pytest.approx(1.96 / math.sqrt(6 * 20_000), rel=0.02)


@pytest.mark.parametrize("mean", [1500.0, 1500.25, 1500.5, 1500.9])
def test_jitter_near_the_floor_is_found_wherever_the_mean_lies(mean):
    """At 0.4 us and 1 MS/s the quadrature alone may be off by a tenth and more."""
    found = separate(scatter_of(readings(mean, 0.4, 20_000)), 1.0)
    assert found.jitter_rms_us == pytest.approx(0.4, rel=0.03)
    # 0.4 is what was drawn from; these widths' own deviation lies within 1.5 % of it.
    assert found.interval_us[0] < 0.406
    assert found.interval_us[1] > 0.394


@pytest.mark.parametrize("mean", [1500.0, 1500.001, 1500.5])
def test_a_width_that_stands_still_is_not_resolved_but_bounded(mean):
    found = separate(scatter_of(readings(mean, 0.0, 1000)), 1.0)
    assert (found.jitter_rms_us, found.resolved) == (None, False)
    assert found.interval_us[0] == 0.0
    assert found.measured_rms_us <= found.interval_us[1] < 0.56
    assert found.record_at_hz > 1e6


def test_a_thousand_equal_readings_bound_jitter_well_below_the_floor():
    """At most 3.69 in 1000 may be one off, 97.5 %: p (1 - p) + 2 p, root 0.105."""
    found = separate(scatter_of(np.full(1000, 1500.0)), 1.0)
    share = 3.6889 / 1000
    assert found.interval_us[1] == pytest.approx(math.sqrt(3 * share - share**2), rel=1e-4)
    assert found.record_at_hz == 10e6


def test_flicker_between_two_neighbouring_samples_looks_like_sampling_and_is_bounded():
    """A width of 1500 or 1501 us by turns, at whole samples: jitter 0.5 us, none resolved."""
    found = separate(scatter_of(np.tile([1500.0, 1501.0], 500)), 1.0)
    assert not found.resolved
    assert found.interval_us[1] >= 0.5


@pytest.mark.parametrize(("rate_hz", "expected_hz"), [(24e6, 100e6), (1e6, 5e6), (250e3, 2e6)])
def test_the_rate_asked_for_is_round_and_faster(rate_hz, expected_hz):
    """At half a sample interval, 1000 readings show Gaussian jitter from 0.24 of one on."""
    interval_us = 1e6 / rate_hz
    still_us = readings(1500.5 * interval_us, 0.0, 1000, interval_us=interval_us)
    found = separate(scatter_of(still_us), interval_us)
    assert found.record_at_hz == pytest.approx(expected_hz)


def test_jitter_not_resolved_is_resolved_at_the_rate_asked_for():
    jitter_us = 0.2
    slow = separate(scatter_of(readings(1500.5, jitter_us, 2000)), 1.0)
    assert not slow.resolved
    interval_us = 1e6 / slow.record_at_hz
    fast_us = readings(1500.5, jitter_us, 2000, interval_us=interval_us)
    fast = separate(scatter_of(fast_us), interval_us)
    assert fast.interval_us[0] < jitter_us < fast.interval_us[1]


def test_dwells_at_different_widths_are_pooled():
    rng = np.random.default_rng(4)
    count = rng.integers(2, 60, 400)
    levels = rng.uniform(1000, 2000, count.size)
    all_us = np.concatenate(
        [readings(w, 0.3, n, i) for i, (w, n) in enumerate(zip(levels, count, strict=True))]
    )
    found = separate(scatter_of(all_us, count), 1.0)
    assert found.interval_us[0] < 0.305
    assert found.interval_us[1] > 0.295
    assert (found.interval_us[1] - found.interval_us[0]) < 0.035


def test_a_sample_interval_of_few_digits_does_no_harm():
    """24 MS/s said as 41.7 ns: 1500 us would be 29 samples off; a reading tells the part."""
    exact_us = 1 / 24
    scatter = scatter_of(readings(1500.02, 0.05, 5000, interval_us=exact_us))
    exact, rounded = separate(scatter, exact_us), separate(scatter, 0.0417)
    assert rounded.jitter_rms_us == pytest.approx(exact.jitter_rms_us, rel=0.005)
    assert rounded.interval_us[0] < 0.05 < rounded.interval_us[1]


def test_slow_and_heavy_tailed_jitter_is_held_as_white_jitter_is():
    """What was recorded is known as well, however its neighbours go together."""
    rng = np.random.default_rng(6)
    slow = np.cumsum(rng.standard_normal(2000)) * 0.1
    heavy = rng.standard_t(4, 2000)
    for true_us in (1500.3 + slow, 1500.3 + heavy):
        phase = rng.uniform(0, 1, true_us.size)
        found = separate(scatter_of(np.floor(phase + true_us) - np.floor(phase)), 1.0)
        low_us, high_us = found.interval_us
        assert low_us < true_us.std(ddof=1) < high_us
        assert (high_us - low_us) / 2 == pytest.approx(1.96 / math.sqrt(6 * 2000), rel=0.15)


def test_what_is_not_known_of_the_pulses_widens_the_interval():
    """A variance known to 0.5 us^2: a deviation of 3 us to 0.5 / (2 x 3) us."""
    doubtful = Scatter(np.array([1500.5]), np.array([3.0]), np.array([100_000]), doubt_us2=0.5)
    low_us, high_us = separate(doubtful, 1.0).interval_us
    assert (high_us - low_us) / 2 == pytest.approx(1.96 * 0.5 / 6, rel=0.03)


def test_codes_that_flicker_leave_the_variance_of_sampling_open():
    """1500.5 or 1508.5 us: each is read with a variance of 1/4, not 1/6."""
    rng = np.random.default_rng(8)
    true_us = 1500.5 + 8 * rng.integers(0, 2, 4000)
    phase = rng.uniform(0, 1, true_us.size)
    found = separate(scatter_of(np.floor(phase + true_us) - np.floor(phase)), 1.0)
    low_us, high_us = found.interval_us
    assert low_us < true_us.std(ddof=1) < high_us
    assert (high_us - low_us) / 2 > 1.4 * 1.96 / math.sqrt(6 * 4000)


def test_events_that_were_timed_give_what_was_measured_with_the_chi_square_interval():
    scatter = Scatter(np.array([1500.0]), np.array([2.0]), np.array([30]))
    found = separate(scatter, None)
    assert (found.jitter_rms_us, found.floor_rms_us, found.resolved) == (2.0, None, True)
    expected_us = [2.0 * math.sqrt(29 / chi2.ppf(q, 29)) for q in (0.975, 0.025)]
    assert found.interval_us == pytest.approx(expected_us)
    assert "sampling" not in found.sentence("the width")


def test_timed_events_without_scatter_have_none():
    found = separate(scatter_of(np.full(10, 1500.0)), None)
    assert (found.jitter_rms_us, found.interval_us) == (0.0, (0.0, 0.0))


@pytest.mark.parametrize("interval_us", [1.0, None])
def test_too_few_readings_say_nothing(interval_us):
    assert separate(scatter_of(np.zeros(0)), interval_us) is None
    assert separate(scatter_of(np.array([1500.0, 1600.0]), np.array([1, 1])), interval_us) is None


@pytest.mark.parametrize("pair_us", [(1500.0, 1500.0), (1500.0, 1501.0), (1500.0, 1600.0)])
def test_two_readings_are_enough_for_an_answer(pair_us):
    found = separate(scatter_of(np.array(pair_us)), 1.0)
    assert found.interval_us[0] <= found.measured_rms_us <= found.interval_us[1]


def test_groups_of_one_reading_count_for_nothing():
    both = scatter_of(np.array([1500.0, 1502.0, 1499.0, 1200.0]), np.array([3, 1]))
    one = scatter_of(np.array([1500.0, 1502.0, 1499.0]))
    assert separate(both, 1.0).measured_rms_us == separate(one, 1.0).measured_rms_us


def test_a_clock_in_step_leaves_only_bounds():
    """Every edge at one phase: 0.1 us of jitter reads as none, and the bound says so."""
    rng = np.random.default_rng(2)
    seen_us = np.floor(1500.5 + 0.1 * rng.standard_normal(1000))
    found = separate(scatter_of(seen_us), 1.0, unevenness=1.0)
    assert not found.resolved
    assert found.interval_us == (0.0, pytest.approx(1.0))
    assert found.record_at_hz == 10e6
    much = separate(scatter_of(readings(1500.0, 20.0, 1000)), 1.0, unevenness=1.0)
    # The edges' own jitter spreads the trailing ones over all phases: sampling adds up to 1/3.
    low_us, high_us = much.interval_us
    assert much.resolved
    assert low_us < math.sqrt(much.measured_rms_us**2 - 1 / 3) < much.measured_rms_us < high_us
    assert high_us - low_us < 0.06


def test_phases_are_even_when_the_clock_drifts_past_or_the_edges_jitter():
    def uneven(period_us, period_jitter_us):
        return unevenness(period_us * np.arange(1001), period_jitter_us / 2**0.5, 1.0)

    assert uneven(20_000.0, 0.0) == pytest.approx(1.0)
    assert uneven(20_000.0007, 0.4) > 0.3
    assert uneven(20_000.5, 0.5) == pytest.approx(0.25)
    assert uneven(20_000.31, 0.46) < 0.02
    assert uneven(20_000.0, 2.0) < 1e-9


def test_the_sentences_say_it_in_one_unit_and_with_the_rate():
    found = separate(scatter_of(readings(1500.5, 0.0, 1000)), 1.0)
    assert found.sentence("the frame period").startswith(
        "The jitter of the frame period is not resolved at this sample rate: it is at most 0.5"
    )
    assert found.sentence("the frame period").endswith("Record at 5 MS/s or faster.")


def test_gathered_readings_are_those_of_numpy_whatever_the_groups():
    rng = np.random.default_rng(7)
    count = np.append(rng.integers(2, 50_000, 12), [1, 3, 2])
    readings_us = 1500 + rng.integers(-3, 4, count.sum()) * 0.25
    found = scatter_of(readings_us, count)
    parts = np.split(readings_us, np.cumsum(count)[:-1])
    assert found.mean_us == pytest.approx([part.mean() for part in parts], abs=1e-9)
    several = count > 1
    expected_us = [part.std(ddof=1) for part in parts if part.size > 1]
    assert found.std_us[several] == pytest.approx(expected_us, abs=1e-9)
    assert found.reading_us.tolist() == [part[0] for part in parts]


def test_counts_that_do_not_add_up_are_refused():
    with pytest.raises(ValueError, match="3 readings were counted, 2 given"):
        scatter_of(np.array([1.0, 2.0]), np.array([3]))


def test_the_law_is_continuous_where_its_two_forms_meet():
    part = np.linspace(0, 0.99, 34)
    for law in (excess_of, spread_of):
        assert law(part, 0.999999) == pytest.approx(law(part, 1.0), rel=1e-4)


@pytest.mark.parametrize("alike", [False, True])
def test_two_codes_whole_samples_apart_share_what_sampling_adds(alike):
    """Two codes, as often each, of one part of an interval: the variance of f (1 - f) is 1/180.

    Where each has a part of its own, half of that.
    """
    readings = np.repeat([0.0, 1.0, 9.0, 10.0], 125)
    doubt = shape_doubt(readings, np.zeros(500, np.int64), alike=alike)
    assert doubt**2 == pytest.approx((1.0 if alike else 0.5) / 180.0)
