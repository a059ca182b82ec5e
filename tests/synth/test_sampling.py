"""A clocked analyser sees an edge at its first sample at or after the edge, or not at all."""

from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.synth.recording import (
    count_samples,
    first_sample_at,
    sample_edges,
    sample_instants_ps,
)

rates = st.one_of(
    st.integers(1_000, 1_000_000_000),
    st.sampled_from([24_000_000, 1_000_000, 16_000_000, 640_000_000, 1_000_000_000]),
)
days = 30 * 86_400 * 10**12


def exact_instant_ps(k, rate_hz):
    """The rule in rational arithmetic: round(k / rate), halves upward."""
    return (Fraction(k * 10**12, rate_hz) + Fraction(1, 2)).__floor__()


@given(rate_hz=rates, k=st.integers(0, 10**14))
def test_sample_instants_equal_rational_arithmetic(rate_hz, k):
    k = min(k, rate_hz * 30 * 86_400)
    assert sample_instants_ps(np.array([k]), rate_hz)[0] == exact_instant_ps(k, rate_hz)


@given(rate_hz=rates, time_ps=st.integers(0, days))
def test_the_sample_found_is_the_first_at_or_after_the_time(rate_hz, time_ps):
    k = int(first_sample_at(np.array([time_ps]), rate_hz)[0])
    assert exact_instant_ps(k, rate_hz) >= time_ps
    assert k == 0 or exact_instant_ps(k - 1, rate_hz) < time_ps


@given(rate_hz=rates, duration_ps=st.integers(0, days))
def test_the_last_sample_is_within_the_recording_and_the_next_is_not(rate_hz, duration_ps):
    count = count_samples(duration_ps, rate_hz)
    assert exact_instant_ps(count - 1, rate_hz) <= duration_ps
    assert exact_instant_ps(count, rate_hz) > duration_ps


@given(
    rate_hz=st.integers(100_000, 30_000_000),
    steps_ps=st.lists(st.integers(1, 40_000_000), max_size=30),
    first_ps=st.integers(-20_000_000, 20_000_000),
)
def test_changes_are_those_of_a_level_looked_up_at_every_sample(rate_hz, steps_ps, first_ps):
    edges_ps = first_ps + np.cumsum(np.array([0, *steps_ps], np.int64))
    count = count_samples(max(int(edges_ps[-1]) // 2, 10_000_000), rate_hz)
    instants_ps = sample_instants_ps(np.arange(count), rate_hz)
    levels = (edges_ps[None, :] <= instants_ps[:, None]).sum(axis=1) % 2
    changes, initial_level = sample_edges(edges_ps, rate_hz, count)
    assert initial_level == levels[0]
    assert changes.tolist() == (np.flatnonzero(np.diff(levels)) + 1).tolist()


@given(
    rate_hz=st.integers(1_000_000, 1_000_000_000),
    widths_ps=st.lists(st.integers(2_000_000, 9_000_000), min_size=1, max_size=30),
)
def test_no_edge_is_early_or_a_whole_interval_late(rate_hz, widths_ps):
    edges_ps = np.cumsum(np.array(widths_ps, np.int64))
    changes, _ = sample_edges(edges_ps, rate_hz, 1 << 40)
    late_ps = sample_instants_ps(changes, rate_hz) - edges_ps
    assert changes.size == edges_ps.size
    assert late_ps.min() >= 0
    assert late_ps.max() < 10**12 / rate_hz + 1


def test_a_spike_of_3_us_between_two_samples_10_us_apart_is_not_seen():
    changes, level = sample_edges(np.array([12_000_000, 15_000_000]), 100_000, 10)
    assert (changes.size, level) == (0, 0)


def test_a_spike_of_3_us_over_a_sample_is_seen_as_10_us():
    changes, _ = sample_edges(np.array([19_000_000, 22_000_000]), 100_000, 10)
    assert sample_instants_ps(changes, 100_000).tolist() == [20_000_000, 30_000_000]
