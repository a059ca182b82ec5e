"""Bench notes on held pulses: given this stick and this jitter, so much is stated of it."""

import itertools

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Line
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.timing import examine_timing
from pwmscope.findings.timing.held_pulses import find_held_pulses, worst_excursion
from pwmscope.pulses import STANDARD_SERVO, decode_line, find_frames

EXCURSION = "worst excursion while held"


def stick(*levels_us, held=80, moving=25):
    """Hold each level, with a move of minimum jerk to the next; which pulses are held."""
    x = np.arange(1, moving) / moving
    way = 10 * x**3 - 15 * x**4 + 6 * x**5
    parts, still = [np.full(held, float(levels_us[0]))], [np.ones(held, bool)]
    for before, after in itertools.pairwise(levels_us):
        parts += [before + (after - before) * way, np.full(held, float(after))]
        still += [np.zeros(way.size, bool), np.ones(held, bool)]
    return np.concatenate(parts), np.concatenate(still)


def record_of(width_us, interval_us=1.0, period_us=20_001.3):
    rise_us = 5_000.37 + period_us * np.arange(width_us.size)
    edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
    seen_us = np.ceil(edges_us / interval_us) * interval_us
    edges_ps = np.rint(seen_us * 1e6).astype(np.int64)
    line = Line("RX1", edges_ps, 0)
    table = decode_line(line, int(edges_ps[-1]) + 10**10, interval_us, STANDARD_SERVO)
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)


def said(record, name):
    return next(f for f in examine_timing(record).findings if f.name == name)


@pytest.mark.parametrize("interval_us", [1.0, 0.25, 1 / 24])
def test_a_stick_without_jitter_has_none_however_softly_it_stops(interval_us):
    width_us, _ = stick(1500.3, 1100.7, 1900.2, 1500.3, moving=60)
    found = said(record_of(width_us, interval_us), "width jitter")
    assert isinstance(found.value, str)
    assert found.interval[1] < 0.6 * interval_us


@pytest.mark.parametrize("jitter_us", [0.7, 3.0, 8.0])
@pytest.mark.parametrize("moving", [8, 25, 60])
def test_no_pulse_of_the_move_counts_as_held(jitter_us, moving):
    rng = np.random.default_rng(3)
    width_us, still = stick(1500, 1100, 1900, 1500, moving=moving)
    record = record_of(width_us + jitter_us * rng.standard_normal(width_us.size))
    held = find_held_pulses(record)
    assert held.count.size == 4
    far = np.abs(width_us[held.rows] - np.repeat([1500, 1100, 1900, 1500], held.count))
    assert far.max() < 2.0 * jitter_us
    assert np.count_nonzero(still[held.rows]) > 0.8 * np.count_nonzero(still)


def test_a_click_of_the_trim_and_back_is_not_held_jitter():
    """0.13 us of jitter; the trim goes 5 us up for 0.3 s, back for 0.36 s, then down."""
    rng = np.random.default_rng(9)
    level_us = np.repeat([1500.0, 1505.0, 1500.0, 1495.0, 1900.0], [120, 15, 18, 120, 120])
    width_us = level_us + 0.13 * rng.standard_normal(level_us.size)
    record = record_of(width_us, 0.25)
    assert said(record, "width jitter").interval[1] < 0.2
    assert said(record, EXCURSION).value < 1.0


def test_the_last_of_a_move_does_not_make_the_least_excursion():
    """An output creeps up to its level: 2 us off it looks held, but nothing strays so far."""
    rng = np.random.default_rng(10)
    creep_us = 400.0 * np.exp(-np.arange(150) / 15.0)
    width_us = np.concatenate([np.full(100, 1900.0), 1500.0 + creep_us, np.full(150, 1500.0)])
    width_us += 0.3 * rng.standard_normal(width_us.size)
    low_us, _ = said(record_of(width_us, 0.25), EXCURSION).interval
    assert low_us < 1.2


def test_a_single_wrong_pulse_is_in_the_jitter_and_in_the_verdict():
    """Of 400 pulses one is 45 us too long: RMS 45 / sqrt(400) = 2.25 us beside 0.5 us."""
    rng = np.random.default_rng(4)
    width_us = 1500 + 0.5 * rng.standard_normal(400)
    width_us[200] += 45.0
    record = record_of(width_us, 0.25)
    jitter, excursion = said(record, "width jitter"), said(record, EXCURSION)
    assert jitter.value == pytest.approx(np.std(width_us, ddof=1), rel=0.01)
    assert excursion.verdict == "does not meet"
    assert excursion.value == pytest.approx(45.0, abs=2.0)
    assert (
        excursion.interval[0] <= np.abs(width_us - width_us.mean()).max() <= excursion.interval[1]
    )
    assert (excursion.evidence[0].first, excursion.evidence[0].pulses) == (200, 1)
    clean = said(record, "clean pulses")
    assert clean.verdict == "does not meet"
    assert "1 widths that stray more than 20 us" in clean.sentence


def test_a_stray_width_within_the_limit_is_said_and_meets():
    width_us = np.full(400, 1500.3)
    width_us[[100, 300]] += 9.0
    record = record_of(width_us, 0.25)
    assert said(record, EXCURSION).verdict == "meets"
    clean = said(record, "clean pulses")
    assert clean.verdict == "meets"
    assert "2 widths stray while held, by up to 8.90 us" in clean.sentence


def test_an_excursion_within_a_sample_of_the_limit_is_not_shown():
    width_us = np.full(400, 1500.3)
    width_us[100] += 20.2
    assert said(record_of(width_us, 1.0), EXCURSION).verdict == "not shown"


def test_a_width_that_wanders_is_one_hold_and_the_interval_knows_of_its_parts():
    rng = np.random.default_rng(5)
    slow = 1.1 * np.repeat([-1.0, 1.0, -1.0, 1.0], 100)
    width_us = 1500 + slow + 1.0 * rng.standard_normal(400)
    record = record_of(width_us, 0.25)
    held = find_held_pulses(record)
    found = said(record, "width jitter")
    assert held.count.size == 1
    assert found.interval[0] < 1.15
    assert found.interval[1] > np.std(width_us, ddof=1)


def test_a_slow_movement_that_may_be_the_receivers_is_not_told_to_meet():
    """Held for two seconds, then swinging by 30 us in ten seconds: a hand, or the receiver."""
    swing = 15.0 * np.sin(2 * np.pi * np.arange(1000) / 500)
    width_us = np.concatenate([np.full(100, 1500.0), 1500 + swing])
    found = said(record_of(width_us, 0.25), "width jitter")
    assert found.interval[1] > 8.0
    assert found.verdict == "not shown"


def test_without_a_hold_nothing_is_shown():
    record = record_of(1500 + 400 * np.sin(np.arange(400) / 9.0))
    held = find_held_pulses(record)
    assert held.rows.size == 0
    assert worst_excursion(held, record.table.width_us, 1.0) is None
    for name in ("width jitter", EXCURSION):
        assert said(record, name).verdict == "not shown"


@pytest.mark.parametrize(
    ("period_us", "verdict"),
    [
        (24_995.0, "meets"),
        (25_000.0, "not shown"),
        (25_001.0, "not shown"),
        (25_010.0, "does not meet"),
    ],
)
def test_a_frame_period_too_near_its_limit_for_the_clock_is_not_shown(period_us, verdict):
    assert said(record_of(np.full(400, 1500.3), 0.25, period_us), "frame period").verdict == verdict
