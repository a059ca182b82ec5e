"""Dwells: given this movement of a stick, these stretches stand still."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.findings import dwells as module
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames


def table_of(width_us, *, period_us=20_000.0, interval_us=0.1, at=None):
    width_us = np.asarray(width_us, dtype=float)
    rise_s = (np.arange(width_us.size) if at is None else at) * period_us / 1e6
    return PulseTable(
        "RX1",
        rise_s,
        width_us,
        np.append(np.diff(rise_s) * 1e6, np.nan),
        np.zeros(width_us.size, np.uint8),
        inverted=False,
        convention=STANDARD_SERVO,
        sample_interval_us=interval_us,
    )


def find_dwells(table, breaks_s=()):
    return module.find_dwells(table, find_frames(table), breaks_s)


def noisy(parts, std_us=0.5, seed=1):
    clean = np.concatenate(parts)
    return clean + np.random.default_rng(seed).normal(0, std_us, clean.size)


def test_a_sweep_between_two_dwells_is_no_dwell():
    width = noisy([np.full(100, 1500.0), np.linspace(1500, 2000, 80), np.full(90, 2000.0)])
    dwells = find_dwells(table_of(width))
    assert len(dwells) == 2
    assert dwells.level_us == pytest.approx([1500, 2000], abs=0.5)
    assert dwells.first[0] == 0
    assert dwells.last[0] == pytest.approx(100, abs=3)
    assert dwells.first[1] == pytest.approx(180, abs=3)


def test_a_slow_sweep_is_no_dwell():
    # 100 us in 20 s, a tenth of a microsecond a frame.
    width = noisy([np.full(100, 1500.0), np.linspace(1500, 1600, 1000), np.full(100, 1600.0)], 0.2)
    dwells = find_dwells(table_of(width))
    inside = (dwells.level_us > 1503) & (dwells.level_us < 1597)
    assert not inside.any()
    assert dwells.level_us[[0, -1]] == pytest.approx([1500, 1600], abs=1)


def test_a_day_long_drift_is_cut_off_at_a_hundredth_of_the_span():
    # 0.1 us/s is slower than any hand, but after 100 s it is another level.
    dwells = find_dwells(table_of(noisy([np.linspace(1450, 1550, 50_000)], 0.5)))
    assert (dwells.range_us < 20).all()


def test_a_jump_ends_one_dwell_and_begins_the_next_on_the_frame():
    width = noisy([np.full(100, 1500.0), np.full(100, 1650.0)])
    dwells = find_dwells(table_of(width))
    assert dwells.last[0] == 99
    assert dwells.first[1] == 100


def test_a_small_step_is_seen_too():
    width = noisy([np.full(200, 1500.0), np.full(200, 1503.0)], 0.5)
    dwells = find_dwells(table_of(width))
    assert dwells.level_us == pytest.approx([1500, 1503], abs=0.3)
    assert dwells.first[1] == pytest.approx(200, abs=6)


def test_a_stray_width_is_set_aside_and_does_not_break_the_dwell():
    width = noisy([np.full(200, 1500.0)])
    width[77] = 1720
    dwells = find_dwells(table_of(width))
    assert len(dwells) == 1
    assert dwells.count[0] == 199
    assert dwells.stray.tolist() == [77]
    assert dwells.range_us[0] < 10


def test_no_dwell_spans_a_break():
    dwells = find_dwells(table_of(noisy([np.full(200, 1500.0)])), breaks_s=(2.0,))
    assert len(dwells) == 2
    assert dwells.end_s[0] < 2.0 <= dwells.start_s[1]


def test_a_record_shorter_than_a_dwell_may_be_one():
    dwells = find_dwells(table_of(noisy([np.full(8, 1500.0)])))
    assert len(dwells) == 1
    assert dwells.count[0] == 8


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_few_pulses_make_no_dwell(count):
    assert len(find_dwells(table_of(np.full(count, 1500.0)))) == 0


def test_the_noise_is_not_taken_from_a_steady_sweep():
    dwells = find_dwells(table_of(noisy([np.linspace(1000, 2000, 400)], 0.5)))
    assert dwells.noise_us == pytest.approx(0.5, rel=0.2)


@given(
    levels=st.lists(st.integers(1000, 2000), min_size=1, max_size=6),
    std_us=st.floats(0.1, 5.0),
    seed=st.integers(0, 2**32 - 1),
)
def test_every_hold_of_two_seconds_is_found_at_its_level(levels, std_us, seed):
    parts, previous = [], None
    for level in levels:
        if previous is not None:
            parts.append(np.linspace(previous, level, 40))
        parts.append(np.full(100, float(level)))
        previous = level
    dwells = find_dwells(table_of(noisy(parts, std_us, seed)))
    for level in levels:
        assert np.abs(dwells.level_us - level).min() < 4 * std_us + 0.5
    assert (dwells.first[1:] > dwells.last[:-1]).all()
    assert (dwells.range_us >= 0).all()
