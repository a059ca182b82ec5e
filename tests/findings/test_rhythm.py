"""Rhythms in widths and time errors, on receivers whose rhythm is known."""

import math
import re

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.timing.frame_clock import fit_clock
from pwmscope.findings.timing.rhythm import (
    ENDS,
    MAX_PULSES,
    RHYTHM_DEFINITIONS,
    SAMPLING,
    examine_rhythm,
    find_lines,
    noise_of,
)
from pwmscope.model import Span, Verdict
from pwmscope.pulses import STANDARD_SERVO, Flag, PulseTable, find_frames

RNG_SEED = 30
PERIOD_US = 20_000.0


def record_of(rise_us, width_us, interval_us=None, *, flags=None, losses=()):
    """A channel with these pulses, sampled where an interval is given, and its clock."""
    fall_us = rise_us + width_us
    if interval_us is not None:
        rise_us, fall_us = (np.ceil(at / interval_us) * interval_us for at in (rise_us, fall_us))
    width_us = np.round(fall_us - rise_us, 6)
    rise_us = rise_us - rise_us[:1]
    table = PulseTable(
        "RX1",
        rise_us / 1e6,
        width_us,
        np.append(np.diff(rise_us), [np.nan])[: rise_us.size],
        np.zeros(rise_us.size, np.uint8) if flags is None else flags,
        False,
        STANDARD_SERVO,
        interval_us,
    )
    frames = find_frames(table)
    record = Record(table, frames, find_dwells(table, frames), losses, COMMON_PRACTICE)
    return record, fit_clock(table, frames, record.periods)


def receiver(frames, rng, *, width_rhythm=(0.0, 1.0), time_rhythm=(0.0, 1.0), jitter_us=0.5):
    """Leading edges and widths; a rhythm is an amplitude in us and a frequency in Hz."""
    time_s = PERIOD_US * np.arange(frames) / 1e6
    swings = [
        amplitude_us * np.sin(2 * np.pi * rate_hz * time_s + 0.3)
        for amplitude_us, rate_hz in (time_rhythm, width_rhythm)
    ]
    noise = rng.normal(0, jitter_us, (2, frames))
    return 1e6 * time_s + swings[0] + noise[0], 1500.3 + swings[1] + noise[1]


@pytest.fixture
def rng():
    return np.random.default_rng(RNG_SEED)


def test_a_swinging_width_is_told_with_its_rate(rng):
    found = examine_rhythm(*record_of(*receiver(3_000, rng, width_rhythm=(2.0, 3.2)), 0.1))
    width, time = found.findings
    assert width.value == pytest.approx(2.0, abs=2 * width.uncertainty)
    assert found.width.lines[0].frequency_hz == pytest.approx(3.2, abs=0.002)
    assert width.verdict is None
    assert re.match(
        r"With the stick standing still the width swings either way by (1\.9\d|2(\.0\d)?) us at "
        r"3\.2 Hz \(3000 pulses of the longest dwell\)\. Noise alone shows a line as strong with a "
        r"chance below 1 in a million\. A rhythm faster than 25 Hz shows folded below that\.$",
        width.sentence,
    )
    # The trailing edge moves, the leading one does not.
    assert time.value == 0.0


def test_frames_that_come_early_and_late_are_told_with_their_rate(rng):
    found = examine_rhythm(*record_of(*receiver(3_000, rng, time_rhythm=(2.5, 1.7)), 0.1))
    width, time = found.findings
    assert time.value == pytest.approx(2.5, abs=2 * time.uncertainty)
    assert found.time_error.lines[0].frequency_hz == pytest.approx(1.7, abs=0.002)
    assert time.sentence.startswith("The frames come early and late by 2.")
    assert width.value == 0.0
    (evidence,) = time.evidence
    assert (evidence.first, evidence.last, evidence.pulses) == (0, 2_999, 3_000)


def test_a_clean_receiver_has_none_and_the_limit_is_said(rng):
    found = examine_rhythm(*record_of(*receiver(3_000, rng), 0.1))
    for finding, search in zip(found.findings, (found.width, found.time_error), strict=True):
        assert finding.value == 0.0
        assert finding.uncertainty is None
        low, high = finding.interval
        assert low == 0.0
        assert high == max(search.least_low_us, search.least_high_us) > found.sampling_us
        assert finding.sentence.startswith("No rhythm is found")
        assert "would have been seen" in finding.sentence
    assert found.sampling_us == pytest.approx(0.2 / math.pi)


@pytest.mark.parametrize("name", ["width", "time_error"])
def test_a_beat_with_the_analysers_clock_is_not_the_receivers(name):
    """Two steady clocks 4 ppm apart: each line is smaller than 2/pi sample intervals."""
    rise_us = (PERIOD_US + 0.0817) * np.arange(4_000)
    found = examine_rhythm(*record_of(rise_us, np.full(4_000, 1500.3), 1.0))
    finding = found.findings[name == "time_error"]
    lines = getattr(found, name).lines
    assert lines
    assert lines[0].amplitude_us < SAMPLING
    assert finding.value == 0.0
    assert finding.interval == (0.0, ENDS * SAMPLING)
    assert "may be made by sampling alone (up to 0.64 us)" in finding.sentence


def test_no_phase_of_a_beat_makes_a_larger_line():
    """A width of k + f sample intervals: (2/pi) sin(pi f), which stays below what is allowed."""
    largest = []
    for fraction in (0.1, 0.3, 0.5, 0.7):
        rise_us = (PERIOD_US + 0.0817) * np.arange(3_000)
        search = examine_rhythm(*record_of(rise_us, np.full(3_000, 1500 + fraction), 1.0)).width
        largest.append(search.lines[0].amplitude_us)
        assert largest[-1] == pytest.approx(SAMPLING * math.sin(math.pi * fraction), rel=0.03)
    assert 0.97 * SAMPLING < max(largest) < ENDS * SAMPLING


def test_a_rhythm_above_a_beat_is_told_with_the_beat_beside():
    time_s = PERIOD_US * np.arange(4_000) / 1e6
    width_us = 1500.5 + 4.0 * np.sin(2 * np.pi * 5.1 * time_s)
    (width, _) = examine_rhythm(*record_of(1.000004 * 1e6 * time_s, width_us, 1.0)).findings
    assert width.value == pytest.approx(4.0, abs=2 * width.uncertainty)
    assert "at 5.1 Hz" in width.sentence


def test_a_line_hardly_above_a_beats_is_neither_claimed_nor_excluded(rng):
    """0.66 us, known within 0.05 us, where sampling makes up to 0.64 us."""
    rise_us, width_us = receiver(1_200, rng, width_rhythm=(0.66, 6.0), jitter_us=1.0)
    found = examine_rhythm(*record_of(rise_us, width_us, 1.0))
    assert found.width.lines[0].amplitude_us == pytest.approx(0.66, abs=0.12)
    assert found.findings[0].value == 0.0
    assert found.findings[0].interval[1] > found.width.lines[0].amplitude_us
    assert "may be made by sampling alone" in found.findings[0].sentence


def test_edges_timed_as_they_come_know_no_beat(rng):
    found = examine_rhythm(*record_of(*receiver(3_000, rng, width_rhythm=(0.2, 6.0))))
    assert found.sampling_us is None
    assert found.findings[0].value == pytest.approx(0.2, abs=0.05)


def test_a_width_that_alternates_from_frame_to_frame(rng):
    rise_us, width_us = receiver(2_001, rng)
    found = examine_rhythm(*record_of(rise_us, width_us + 3.0 * (np.arange(2_001) % 2), 0.1))
    (line,) = found.width.lines
    assert line.frequency_hz == pytest.approx(25.0, rel=1e-4)
    assert line.amplitude_us == pytest.approx(1.5, abs=0.05)


def test_a_rhythm_faster_than_half_the_frame_rate_shows_folded(rng):
    found = examine_rhythm(*record_of(*receiver(3_000, rng, width_rhythm=(2.0, 31.0)), 0.1))
    assert found.width.lines[0].frequency_hz == pytest.approx(50.0 - 31.0, abs=0.01)


def test_three_lines_at_most_are_told_the_largest_first(rng):
    rise_us, width_us = receiver(4_000, rng)
    for amplitude_us, rate_hz in ((1.0, 3.3), (3.0, 7.1), (2.0, 12.9), (0.8, 20.1)):
        width_us = width_us + amplitude_us * np.sin(2 * np.pi * rate_hz * rise_us / 1e6)
    found = examine_rhythm(*record_of(rise_us, width_us, 0.1))
    rates_hz = [line.frequency_hz for line in found.width.lines]
    assert rates_hz == pytest.approx([7.1, 12.9, 3.3], abs=0.01)
    assert found.findings[0].sentence.count(" Hz") == 4


def test_dropped_frames_and_stray_pulses_do_no_harm(rng):
    """A tenth of the frames missing, some pulses in doubt, one loss."""
    rise_us, width_us = receiver(4_000, rng, width_rhythm=(1.5, 4.4), time_rhythm=(2.0, 9.3))
    kept = rng.random(4_000) > 0.1
    kept[[0, -1]] = True
    flags = np.zeros(np.count_nonzero(kept), np.uint8)
    flags[500:520] = Flag.NOTCHED
    width_us[2_000] += 300.0
    losses = (Span(10.0, 10.5),)
    record, clock = record_of(rise_us[kept], width_us[kept], 0.1, flags=flags, losses=losses)
    found = examine_rhythm(record, clock)
    assert found.width.lines[0].frequency_hz == pytest.approx(4.4, abs=0.01)
    assert found.width.lines[0].amplitude_us == pytest.approx(1.5, abs=0.1)
    assert found.time_error.lines[0].frequency_hz == pytest.approx(9.3, abs=0.01)
    assert found.time_error.lines[0].amplitude_us == pytest.approx(2.0, abs=0.1)


def test_where_most_frames_are_missing_a_stretch_without_gaps_is_searched(rng):
    rise_us, width_us = receiver(4_000, rng, time_rhythm=(3.0, 9.3))
    kept = rng.random(4_000) < 0.55
    kept[2_000:2_600] = True
    found = examine_rhythm(*record_of(rise_us[kept], width_us[kept], 0.1))
    assert 600 <= found.time_error.count < 620
    assert found.time_error.lines[0].frequency_hz == pytest.approx(9.3, abs=0.05)


def test_of_a_long_record_a_part_is_searched_and_said(rng):
    found = examine_rhythm(*record_of(*receiver(MAX_PULSES + 2_000, rng), 0.1))
    assert (found.width.count, found.time_error.count) == (MAX_PULSES, MAX_PULSES)
    assert "(8192 pulses of the longest dwell)" in found.findings[0].sentence
    assert "(8192 frames)" in found.findings[1].sentence


def test_warming_up_is_no_rhythm(rng):
    """A clock that drifts by 3 ppm in the recording, and one that walks."""
    rise_us, width_us = receiver(4_000, rng)
    share = np.arange(4_000) / 4_000
    warm = rise_us + 3e-6 * 80e6 * (1 - np.exp(-3 * share)) / 3
    walk = rise_us + np.cumsum(np.cumsum(rng.normal(0, 3e-4, 4_000)))
    for edges_us in (warm, walk):
        finding = examine_rhythm(*record_of(edges_us, width_us, 0.1)).findings[1]
        assert finding.value == 0.0


def test_a_rhythm_on_a_walking_clock_is_found_where_the_noise_is_low(rng):
    rise_us, width_us = receiver(4_000, rng, time_rhythm=(0.4, 11.0))
    walk_us = np.cumsum(np.cumsum(rng.normal(0, 1e-3, 4_000)))
    found = examine_rhythm(*record_of(rise_us + walk_us, width_us, 0.1))
    assert found.findings[1].value == pytest.approx(0.4, abs=0.1)
    assert found.time_error.least_low_us > 3 * found.time_error.least_high_us


def test_widths_that_do_not_move_have_none():
    rise_us = PERIOD_US * np.arange(500)
    found = examine_rhythm(*record_of(rise_us, np.full(500, 1500.0), 1.0))
    assert [finding.value for finding in found.findings] == [0.0, 0.0]
    assert [finding.interval for finding in found.findings] == [(0.0, ENDS * SAMPLING)] * 2


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 99])
def test_too_few_pulses_are_not_shown(frames, rng):
    found = examine_rhythm(*record_of(*receiver(frames, rng), 0.1))
    for finding in found.findings:
        assert finding.verdict is Verdict.NOT_SHOWN
        assert finding.value is None
        assert finding.sentence.endswith(".")
    assert (found.width, found.time_error) == (None, None)


def test_a_stick_that_never_stands_still_shows_no_rhythm_of_the_width(rng):
    rise_us, _ = receiver(1_000, rng)
    moving_us = 1500 + 400 * np.sin(2 * np.pi * 0.7 * rise_us / 1e6)
    width, time = examine_rhythm(*record_of(rise_us, moving_us, 0.1)).findings
    assert width.value is None
    assert "never stood still" in width.sentence
    assert time.value == 0.0


def test_the_line_that_is_searched_for_may_be_as_short_as_a_hundred_values(rng):
    place = np.arange(100)
    swing_us = 3.0 * np.sin(2 * np.pi * 0.23 * place)
    (line,) = find_lines(place, 0.02 * place, swing_us + rng.normal(0, 0.5, 100)).lines
    assert line.frequency_hz == pytest.approx(0.23 / 0.02, abs=0.05)


def test_the_noise_follows_power_laws(rng):
    """White frequency noise: the phase's power falls as 1/f^2 to the white floor."""
    place = np.arange(8_000)
    walk = np.cumsum(rng.normal(0, 0.05, 8_000))
    rest = walk - np.polyval(np.polyfit(place, walk, 9), place) + rng.normal(0, 1.0, 8_000)
    cycles = np.array([16.0, 100.0, 1_000.0, 3_500.0])
    expected = 1.0 + (0.05 / (2 * np.sin(np.pi * cycles / 8_000))) ** 2
    assert noise_of(place, rest).level(cycles) == pytest.approx(expected, rel=0.35)


def test_the_findings_are_defined(rng):
    found = examine_rhythm(*record_of(*receiver(200, rng), 0.1))
    assert [definition.name for definition in RHYTHM_DEFINITIONS] == [
        f.name for f in found.findings
    ]
