"""Standing stretches and stray widths against the same said pulse by pulse."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.findings.segmentation import WidthNoise
from pwmscope.findings.segmentation.stretches import (
    SHIFT_LIMIT,
    settled,
    still_stretches,
    stray_widths,
    trimmed,
)

NOISE = WidthNoise(0.5, 0.5, 1.0, 0.1)
WINDOW = 10

movements = st.lists(
    st.tuples(
        st.sampled_from(["hold", "sweep", "glitch", "jitter"]),
        st.integers(1, 45),
        st.integers(-40, 40),
    ),
    min_size=1,
    max_size=12,
)


def width_of(moves, seed):
    """Widths of a stick that holds, sweeps, and jumps; some stretches are noisier."""
    level, parts = 1500.0, []
    for kind, count, by in moves:
        if kind == "sweep":
            parts.append(np.linspace(level, level + by, count))
            level += by
        elif kind == "glitch":
            parts.append(np.full(min(count, 2), level + 3 * by))
        else:
            parts.append(np.full(count, level) + (np.arange(count) % 3) * (kind == "jitter"))
    clean = np.concatenate(parts)
    return clean + np.random.default_rng(seed).normal(0, 0.5, clean.size)


def stands(window_us):
    half = WINDOW // 2
    shift_us = abs(window_us[-half:].mean() - window_us[:half].mean())
    deviation_us = 0.5 * (2 / half) ** 0.5
    return bool(
        np.ptp(window_us) <= NOISE.range_limit_us
        and shift_us <= SHIFT_LIMIT * deviation_us + NOISE.interval_us
    )


@given(moves=movements, seed=st.integers(0, 1000), seams=st.lists(st.integers(0, 300), max_size=2))
def test_stretches_are_what_standing_windows_cover(moves, seed, seams):
    width = width_of([("hold", WINDOW, 0), *moves], seed)
    seams = sorted(seam for seam in seams if seam < width.size)
    begin, end = still_stretches(width, np.array(seams, np.int64), NOISE, WINDOW)
    covered, last = np.zeros(width.size, dtype=bool), None
    true = []
    for at in range(width.size - WINDOW + 1):
        parted = any(at < seam < at + WINDOW for seam in seams)
        if parted or not stands(width[at : at + WINDOW]):
            continue
        covered[at : at + WINDOW] = True
        if last is not None and at < last:
            true[-1][1] = at + WINDOW
        else:
            true.append([at, at + WINDOW])
        last = at + WINDOW
    found = np.zeros(width.size, dtype=bool)
    for low, high in zip(begin, end, strict=True):
        found[low:high] = True
        assert not any(low < seam < high for seam in seams)
    assert np.array_equal(found, covered)
    assert (begin[1:] >= end[:-1]).all()


@given(moves=movements, seed=st.integers(0, 1000), far_us=st.sampled_from([6.0, 15.0]))
def test_stray_widths_are_those_that_leave_the_median_of_five(moves, seed, far_us):
    width = width_of(moves, seed)
    padded = np.pad(width, 2, mode="edge")
    true = []
    for at in range(width.size):
        five = np.sort(padded[at : at + 5])
        off_us = abs(width[at] - five[2])
        agree = min(five[2:] - five[:-2]) <= NOISE.range_limit_us
        if off_us > NOISE.range_limit_us and (agree or off_us > far_us):
            true.append(at)
    assert stray_widths(width, NOISE, far_us=far_us).tolist() == true


def test_ends_that_lean_away_are_trimmed():
    width = 1500 + np.random.default_rng(1).normal(0, 0.5, 100)
    width[95:] += np.arange(1, 6)
    width[:3] -= 4.0
    begin, end = trimmed(width, np.array([0]), np.array([100]), NOISE, 20)
    assert begin.tolist() == [3]
    assert 95 <= end[0] <= 97
    begin, end = trimmed(width, np.array([10]), np.array([90]), NOISE, 20)
    assert (begin[0], end[0]) == (10, 90)


def test_a_hand_that_eases_to_a_stop_is_out_of_the_dwell_before_it_is_out_of_the_noise():
    rng = np.random.default_rng(4)
    share = np.linspace(0.0, 1.0, 60)
    easing = 1000.0 + 500.0 * share**3 * (10.0 - 15.0 * share + 6.0 * share**2)
    clean_us = np.concatenate([np.full(100, 1000.0), easing, np.full(100, 1500.0)])
    noise = WidthNoise(2.0, 2.0, 1.0, 0.0)
    moved, far = np.full(300, 1000.0), 0
    for _ in range(200):
        width_us = clean_us + rng.normal(0.0, 2.0, clean_us.size)
        begin, end = settled(
            width_us, np.array([0, 155]), np.array([105, 260]), noise, np.zeros(0, np.int64)
        )
        assert (begin[0], end[1]) == (0, 260)  # No movement, no cut.
        moved = clean_us[begin[1] : end[1]]
        far += float(np.abs(moved.mean() - 1500.0)) > 0.02
        assert end[0] - begin[0] > 60
        assert end[1] - begin[1] > 60
    assert far <= 10  # Of 200; 0.02 us is a tenth of what noise leaves the mean.


def test_a_jump_costs_a_dwell_nothing_and_a_seam_hides_what_is_beyond_it():
    width_us = np.concatenate([np.full(60, 1000.0), np.full(60, 1500.0), np.full(60, 1700.0)])
    noise = WidthNoise(0.5, 0.5, 1.0, 0.0)
    none, begin, end = np.zeros(0, np.int64), np.array([0, 60, 120]), np.array([60, 120, 180])
    assert np.array_equal(settled(width_us, begin, end, noise, none), (begin, end))
    width_us[55:60] = [1001, 1003, 1010, 1040, 1100]
    begin, end = settled(
        width_us, np.array([0, 60]), np.array([55, 120]), noise, np.array([55, 60])
    )
    assert (begin.tolist(), end.tolist()) == ([0, 60], [55, 120])
