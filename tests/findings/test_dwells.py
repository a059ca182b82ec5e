"""Dwells: given this movement of a stick, these stretches stand still."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from pwmscope.findings import segmentation as module
from pwmscope.pulses import STANDARD_SERVO, Flag, PulseTable, find_frames


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


@pytest.mark.parametrize(("deviations", "frames"), [(1.0, 25), (1.5, 10), (2.0, 5)])
def test_a_small_step_is_seen_too(deviations, frames):
    # Two levels one to two noise deviations apart, 200 pulses each.
    width = noisy([np.full(200, 1500.0), np.full(200, 1500 + 0.5 * deviations)], 0.5)
    dwells = find_dwells(table_of(width))
    assert dwells.level_us == pytest.approx([1500, 1500 + 0.5 * deviations], abs=0.15)
    assert dwells.first[1] == dwells.last[0] + 1
    assert dwells.first[1] == pytest.approx(200, abs=frames)


def test_many_small_steps_are_seen_and_placed():
    rng = np.random.default_rng(8)
    level = 1500 + np.cumsum(rng.choice([-1.5, 1.5], 40))
    dwells = find_dwells(table_of(noisy([np.repeat(level, 100)], 0.5)))
    assert dwells.first == pytest.approx(100 * np.arange(40), abs=6)
    assert dwells.level_us == pytest.approx(level, abs=0.3)


def test_a_short_stay_within_an_hour_of_standing_still_is_seen():
    level = np.full(180_000, 1500.0)
    level[90_000:90_150] += 1.0
    dwells = find_dwells(table_of(noisy([level], 0.5)))
    assert dwells.level_us == pytest.approx([1500, 1501, 1500], abs=0.15)
    assert dwells.first[1:] == pytest.approx([90_000, 90_150], abs=8)


def test_a_beat_of_the_two_clocks_is_no_change_of_level():
    # A width of 1500.4 intervals reads as 1500 for a while and as 1501 for a while.
    phase = 0.00037 * np.arange(20_000)
    width = np.floor(phase + 1500.4) - np.floor(phase)
    assert set(np.diff(np.flatnonzero(np.diff(width)))) != {1}
    dwells = find_dwells(table_of(width, interval_us=1.0))
    assert len(dwells) == 1
    assert dwells.level_us[0] == pytest.approx(1500.4, abs=0.1)


@pytest.mark.parametrize("memory", [0.5, 0.8, 0.9])
def test_noise_with_memory_is_not_split_to_crumbs(memory):
    rng = np.random.default_rng(21)
    found = []
    for _ in range(10):
        shocks = rng.normal(0, 0.5 * (1 - memory**2) ** 0.5, 2200)
        width = 1500 + signal.lfilter([1], [1, -memory], shocks)[200:]
        dwells = find_dwells(table_of(width))
        found.append(len(dwells))
        assert dwells.count.sum() > 1980
    assert sum(found) <= 11


def test_a_code_that_flickers_is_one_level():
    # The transmitter sends one of two neighbouring codes, some ten frames each.
    rng = np.random.default_rng(4)
    code = np.cumsum(rng.random(3000) < 0.1) % 2
    dwells = find_dwells(table_of(1500 + 0.5 * code + rng.normal(0, 0.1, 3000)))
    assert len(dwells) == 1
    assert dwells.count[0] == 3000


@pytest.mark.parametrize("rate_us_per_s", [2, 3, 5, 10, 20])
@pytest.mark.parametrize("std_us", [0.1, 0.5, 1.0])
def test_sweeps_down_to_two_microseconds_a_second_are_no_dwells(rate_us_per_s, std_us):
    frames = 8000 // rate_us_per_s
    rise = rate_us_per_s * 0.02 * frames
    parts = [
        np.full(250, 1500.0),
        np.linspace(1500, 1500 + rise, frames),
        np.full(250, 1500 + rise),
    ]
    dwells = find_dwells(table_of(noisy(parts, std_us, seed=3)))
    covered = np.zeros(frames + 500, dtype=bool)
    for first, last in zip(dwells.first, dwells.last, strict=True):
        covered[first : last + 1] = True
    # A knee between standing still and 3 us/s is a hundred pulses wide where the noise is 1 us.
    assert covered[250:-250].mean() < 0.05
    # Where the sweep sets off is hidden in the noise, so some of what stood still is left out.
    assert covered[:240].mean() > 0.6
    assert covered[-240:].mean() > 0.6
    assert dwells.level_us[[0, -1]] == pytest.approx([1500, 1500 + rise], abs=1.5)


def test_a_sweep_leaves_no_pulses_in_the_dwells_at_its_ends():
    width = noisy([np.full(100, 1500.0), np.linspace(1501, 1519, 19), np.full(90, 1520.0)], 0.2)
    dwells = find_dwells(table_of(width))
    assert 93 <= dwells.last[0] <= 99
    assert 118 <= dwells.first[1] <= 125


def test_a_stray_width_is_set_aside_and_does_not_break_the_dwell():
    width = noisy([np.full(200, 1500.0)])
    width[77] = 1720
    dwells = find_dwells(table_of(width))
    assert len(dwells) == 1
    assert dwells.count[0] == 199
    assert dwells.stray.tolist() == [77]
    assert dwells.range_us[0] < 10


@pytest.mark.parametrize(("frames", "jump_us"), [(1, 8), (1, -9), (1, 400), (2, -400), (2, 20)])
def test_a_jump_of_a_frame_or_two_is_stray(frames, jump_us):
    width = noisy([np.full(200, 1500.0)])
    width[77 : 77 + frames] += jump_us
    dwells = find_dwells(table_of(width))
    assert len(dwells) == 1
    assert dwells.stray.tolist() == list(range(77, 77 + frames))


def test_rows_count_pulses_that_were_not_measured_too():
    width_us, flags = noisy([np.full(100, 1500.0), np.full(100, 1600.0)]), np.zeros(200, np.uint8)
    width_us[[0, 30, 199]] = np.nan
    flags[[0, 30, 199]] = Flag.CUT
    width_us[[50, 150]] = 1900
    table = replace(table_of(width_us), flags=flags)
    dwells = find_dwells(table)
    assert dwells.first.tolist() == [1, 100]
    assert dwells.last.tolist() == [99, 198]
    assert dwells.count.tolist() == [97, 98]
    assert dwells.stray.tolist() == [50, 150]
    assert dwells.start_s.tolist() == table.rise_s[[1, 100]].tolist()


def test_a_dwell_after_a_break_begins_on_its_first_frame():
    parts = [np.linspace(1200, 1700, 80), np.full(60, 1500.0), np.linspace(1500, 1900, 60)]
    dwells = find_dwells(table_of(noisy(parts)), breaks_s=(79.5 * 0.02, 139.5 * 0.02))
    assert dwells.first.tolist() == [80]
    assert dwells.last.tolist() == [139]


def test_breaks_part_one_level_wherever_they_lie():
    breaks_s = (-1.0, 0.0, 1.99, 2.0, 3.001, 8.0)
    dwells = find_dwells(table_of(noisy([np.full(200, 1500.0)])), breaks_s)
    assert dwells.first.tolist() == [0, 100, 151]
    assert dwells.last.tolist() == [99, 150, 199]


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
